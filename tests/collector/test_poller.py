"""One controller's task: polls, commits, pauses and new connections, over a real book."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from collector.backoff import Backoff
from collector.errors import BadReply, LinkDown, Refused, SourceError, StoreError
from collector.model import ControllerIdentity, Entry
from collector.poller import Polling, each_interval, follow
from collector.standing import Standing
from collector.store import tables
from collector.store.writer import Writer
from tests.collector.book_rig import BookRig, writer_of
from tests.collector.tiny import Memory, tiny_layout

NAME = "T-01"


def now() -> datetime:
    return datetime.now(UTC)


class Rig(BookRig):
    """A tiny controller, a book, and the poller between them."""

    def __init__(self, folder: Path, writer: Writer) -> None:
        super().__init__(folder, writer)
        self.layout = tiny_layout(folder)
        self.memory = Memory(self.layout)

    async def standing(self) -> Standing:
        return Standing(NAME, self.layout, self.writer, await self.writer.recall(NAME), now)

    async def poll(self, times: int = 1) -> None:
        """So many good polls by a poller that begins with what the book knows."""
        polling = Polling(await self.standing(), self.layout, poll_interval_s=0.001)
        good = 0

        def went_well() -> None:
            nonlocal good
            good += 1
            if good == times:
                raise Enough

        with pytest.raises(Enough):
            await polling.work(self.memory, went_well)


class Enough(Exception):
    """Ends a poller that would go on for ever."""


@pytest.fixture
async def rig(tmp_path: Path) -> AsyncIterator[Rig]:
    async with writer_of(
        tmp_path, ControllerIdentity(NAME, "T", "T-10", "modbus", "tiny", "127.0.0.1:502")
    ) as writer:
        yield Rig(tmp_path, writer)


async def test_the_memory_is_taken_once_however_often_it_is_polled(rig: Rig) -> None:
    """Four records are remembered; three polls and a restart of the poller bring each of them once."""
    for number in range(1, 7):
        rig.memory.finish(number)
    await rig.poll(times=3)
    await rig.poll()
    assert rig.sequences() == [(1, 3), (1, 4), (1, 5), (1, 6)]
    assert not rig.rows(tables.gap)


async def test_what_was_overwritten_meanwhile_is_a_gap_with_bounds(rig: Rig) -> None:
    """Ten cycles while nobody polled, four of them remembered: six are listed, between two instants."""
    rig.memory.finish(1)
    await rig.poll(times=2)
    for number in range(2, 12):
        rig.memory.finish(number)
    await rig.poll()
    (gap,) = rig.rows(tables.gap)
    assert (gap.first_sequence, gap.last_sequence, gap.reason) == (2, 7, "history overwritten")
    assert gap.after_at is not None
    assert gap.after_at <= gap.before_at
    assert rig.sequences() == [(1, 1), (1, 8), (1, 9), (1, 10), (1, 11)]


async def test_a_curve_goes_into_the_book_with_its_cycle(rig: Rig) -> None:
    """The controller keeps one curve, that of its last cycle."""
    for number in (1, 2):
        rig.memory.curve(number, [number, 5, 9])
        rig.memory.finish(number)
    await rig.poll()
    (curve,) = rig.rows(tables.curve)
    assert (curve.sequence, curve.sample_count) == (2, 3)


async def test_a_restart_with_lost_memory_begins_an_epoch_and_lists_what_is_missing(rig: Rig) -> None:
    """The controller's own counter went on from 3 to 8: 2 of the 5 are in the new epoch, 3 are a gap."""
    for number in (1, 2, 3):
        rig.memory.finish(number)
    await rig.poll(times=2)
    rig.memory.registers[10:26] = [0] * 16
    rig.memory.registers[2] = 6
    for number in (1, 2):
        rig.memory.finish(number)
    await rig.poll(times=2)
    assert rig.sequences() == [(1, 1), (1, 2), (1, 3), (2, 1), (2, 2)]
    (gap,) = rig.rows(tables.gap)
    assert (gap.epoch, gap.first_sequence, gap.last_sequence) == (1, 4, 6)
    assert gap.reason == "controller restarted"


async def test_a_controller_that_is_starting_up_is_not_believed(rig: Rig) -> None:
    """Zeros in a status while it starts are no restart: when it is up, it goes on where it was."""
    for number in (1, 2, 3):
        rig.memory.finish(number)
    await rig.poll()
    kept = rig.memory.registers
    rig.memory.registers = [0, 1, *([0] * 98)]
    await rig.poll(times=2)
    rig.memory.registers = kept
    rig.memory.finish(4)
    await rig.poll()
    assert rig.sequences() == [(1, 1), (1, 2), (1, 3), (1, 4)]
    assert not rig.rows(tables.gap)


async def test_an_unreadable_status_is_kept_once_and_polling_goes_on(rig: Rig) -> None:
    """State 9 means nothing in this layout: its bytes are in quarantine, once, not once a poll."""
    rig.memory.finish(1)
    rig.memory.registers[1] = 9
    await rig.poll(times=5)
    (kept,) = rig.rows(tables.quarantine)
    assert (kept.what, kept.raw) == ("status", bytes.fromhex("000100090001"))
    rig.memory.registers[1] = 0
    await rig.poll()
    assert rig.sequences() == [(1, 1)]


async def test_a_book_that_can_not_take_it_delays_a_cycle_and_loses_none(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Refused twice, the same work is done again from the same position."""
    monkeypatch.setattr("collector.poller.STORE_PAUSE_S", 0.0)
    rig.memory.finish(1)
    refusals = 0
    commit = rig.writer.commit

    async def refuse_twice(entry: Entry) -> None:
        nonlocal refusals
        if entry.cycles and refusals < 2:
            refusals += 1
            raise StoreError("the disk is full")
        await commit(entry)

    monkeypatch.setattr(rig.writer, "commit", refuse_twice)
    await rig.poll()
    assert refusals == 2
    assert rig.sequences() == [(1, 1)]


def failing(*errors: Exception) -> Callable[[], Any]:
    """Sources that can't be opened, one error after the other; then the test has seen enough."""
    left = list(errors)

    @asynccontextmanager
    async def source() -> AsyncIterator[None]:
        if not left:
            raise asyncio.CancelledError
        raise left.pop(0)
        yield

    return source


async def follow_through(rig: Rig, *errors: Exception) -> Any:
    async def work(source: None, went_well: Callable[[], None]) -> None:
        raise AssertionError("there is no connection to work on")

    with pytest.raises(asyncio.CancelledError):
        await follow(await rig.standing(), failing(*errors), work, Backoff(lambda: 0.5))
    (row,) = rig.rows(tables.controller_status)
    return row


@pytest.fixture
def pauses(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """The pauses that the poller would have made."""
    made: list[float] = []

    async def note(pause_s: float) -> None:
        made.append(pause_s)

    monkeypatch.setattr("collector.poller.asyncio.sleep", note)
    return made


@pytest.mark.parametrize(
    ("error", "pause_s"),
    [
        (LinkDown("controller 10.0.0.7:502 refused the connection"), 1.0),
        (BadReply("short", "2 of 3 registers"), 1.0),
        (Refused("2", "illegal data address"), 30.0),
    ],
)
async def test_a_failed_connection_is_told_in_words_and_tried_again(
    rig: Rig, pauses: list[float], error: SourceError, pause_s: float
) -> None:
    """The book says what the trouble is, and the poller waits as long as such trouble deserves."""
    row = await follow_through(rig, error)
    assert row.last_error == str(error)
    assert row.reconnects == 1
    assert pauses == [pause_s]


async def test_replies_that_can_not_be_trusted_are_counted_by_kind(rig: Rig, pauses: list[float]) -> None:
    """Plant IT sees that a controller or its gateway mixes up answers."""
    shifted = BadReply("shifted", "an answer that nobody asked for")
    row = await follow_through(rig, shifted, BadReply("short", "2 of 3"), shifted)
    assert row.bad_replies == '{"shifted":2,"short":1}'
    assert len(pauses) == 3


async def test_a_mistake_of_ours_stops_neither_the_task_nor_its_siblings(
    rig: Rig, pauses: list[float]
) -> None:
    """Something unexpected is logged, shown, and tried again after the longest pause."""
    row = await follow_through(rig, ZeroDivisionError("in our own code"))
    assert row.last_error == "in our own code"
    assert pauses == [30.0]


async def test_polls_keep_their_beat_and_skip_what_they_missed() -> None:
    """Work that takes longer than the interval delays the next poll and is not made up for."""
    loop = asyncio.get_running_loop()
    begun = loop.time()
    beats = []
    async for _ in each_interval(0.05):
        beats.append(loop.time() - begun)
        if len(beats) == 2:
            await asyncio.sleep(0.12)
        if len(beats) == 4:
            break
    assert beats[1] == pytest.approx(0.05, abs=0.03)
    assert beats[2] == pytest.approx(0.17, abs=0.03)
    assert beats[3] == pytest.approx(0.22, abs=0.04)
