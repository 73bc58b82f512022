"""Messages from the broker into the book; acknowledged after the commit that holds them."""

import json
import struct
from collections.abc import AsyncIterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from collector.clock import MESSAGE_DELAY_MOST_MS
from collector.config import EXAMPLE_LAYOUTS
from collector.errors import LinkDown, OtherController, StoreError
from collector.inbox import Inbox
from collector.layouts.schema import MqttLayout, load_layout
from collector.model import ControllerIdentity, Entry
from collector.sources.base import Message
from collector.standing import Standing
from collector.store import tables
from collector.store.writer import Writer
from tests.collector.book_rig import BookRig, writer_of

NAME = "M-01"
BEGIN = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)


def message(kind: str, payload: bytes, received_at: datetime = BEGIN, retained: bool = False) -> Message:
    return Message(f"clamps/{NAME}/{kind}", payload, retained, received_at, handle=None)


def cycle(
    number: int, mark: str = "", total: int | None = None, *, at_s: float | None = None, tool: str = "BT30-1"
) -> Message:
    """A cycle that ended so many seconds after BEGIN, and came at once."""
    ended_at = BEGIN + timedelta(seconds=number if at_s is None else at_s)
    said = {
        "n": number,
        "time": rfc3339(ended_at),
        "tool": tool,
        "result": "pass",
        "end": "done",
        "mode": "auto",
        "part": mark or None,
        "total": number if total is None else total,
    }
    return message("cycle", json.dumps(said).encode(), ended_at)


def rfc3339(at: datetime) -> str:
    return at.isoformat().replace("+00:00", "Z")


def status(
    last: int, *, retained: bool = False, at_s: float | None = None, clock: bool = False, **more: Any
) -> Message:
    """A status that was sent, and came, so many seconds after BEGIN. `clock`: it tells the time."""
    at = BEGIN + timedelta(seconds=last if at_s is None else at_s)
    said = {"last": last, "mode": "auto", "state": "ready", "faults": {"active": 0, "acknowledged": 0}} | more
    if clock:
        said["time"] = rfc3339(at)
    return message("status", json.dumps(said).encode(), at, retained)


def curve(number: int) -> Message:
    return message("curve", struct.pack("<IIH3h", number, 1000, 3, 1, 2, number))


class Broker:
    """Hands out batches once, then the connection ends; knows what was acknowledged."""

    def __init__(self, *batches: list[Message], session_kept: bool = True) -> None:
        self._batches = batches
        self.session_kept = session_kept
        self.acknowledged: list[Message] = []

    async def __aenter__(self) -> "Broker":
        return self

    async def __aexit__(self, *_: object) -> None:
        pass

    async def batches(self) -> AsyncIterator[list[Message]]:
        for batch in self._batches:
            yield batch
        raise LinkDown("no more messages")

    async def acknowledge(self, messages: Sequence[Message]) -> None:
        self.acknowledged += messages


class Rig(BookRig):
    def __init__(self, folder: Path, writer: Writer) -> None:
        super().__init__(folder, writer)
        layout = load_layout(EXAMPLE_LAYOUTS / "messages-mqtt.toml")
        assert isinstance(layout, MqttLayout)
        self.layout = layout

    async def take(self, *batches: list[Message], session_kept: bool = True) -> Broker:
        """Let an inbox that begins with what the book knows take these, until the connection ends."""
        memory = await self.writer.recall(NAME)
        standing = Standing(NAME, self.layout, self.writer, memory, lambda: datetime.now(UTC))
        broker = Broker(*batches, session_kept=session_kept)
        with pytest.raises(LinkDown):
            await Inbox(standing, self.layout, NAME).work(broker, lambda: None)
        return broker

    def gaps(self) -> list[tuple[int, int, int | None, str]]:
        return [
            (row.epoch, row.first_sequence, row.last_sequence, row.reason) for row in self.rows(tables.gap)
        ]

    def open_gaps(self) -> list[tuple[int, int, int | None]]:
        found = [row for row in self.rows(tables.gap) if row.closed_at is None]
        return sorted((row.epoch, row.first_sequence, row.last_sequence) for row in found)


def identity(name: str) -> ControllerIdentity:
    return ControllerIdentity(name, "M", "M-10", "mqtt", "messages-mqtt", "broker")


@pytest.fixture
async def rig(tmp_path: Path) -> AsyncIterator[Rig]:
    async with writer_of(tmp_path, identity(NAME)) as writer:
        yield Rig(tmp_path, writer)


async def test_cycles_and_their_curves_are_booked_and_acknowledged(rig: Rig) -> None:
    """A batch goes into the book whole, then back to the broker as safe."""
    batch = [cycle(1), curve(1), cycle(2), curve(2)]
    broker = await rig.take(batch)
    assert rig.sequences() == [(1, 1), (1, 2)]
    assert [row.sequence for row in rig.rows(tables.curve)] == [1, 2]
    assert broker.acknowledged == batch


async def test_nothing_is_acknowledged_before_it_is_committed(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the store refuses, the broker is told nothing; then the same batch is committed and told."""
    monkeypatch.setattr("collector.inbox.STORE_PAUSE_S", 0.0)
    told_at_refusal: list[int] = []
    commit = rig.writer.commit
    broker = Broker([cycle(1)])

    async def refuse_twice(entry: Entry) -> None:
        if len(told_at_refusal) < 2:
            told_at_refusal.append(len(broker.acknowledged))
            raise StoreError("locked")
        await commit(entry)

    monkeypatch.setattr(rig.writer, "commit", refuse_twice)
    standing = Standing(NAME, rig.layout, rig.writer, await rig.writer.recall(NAME), lambda: BEGIN)
    with pytest.raises(LinkDown):
        await Inbox(standing, rig.layout, NAME).work(broker, lambda: None)
    assert told_at_refusal == [0, 0]
    assert rig.sequences() == [(1, 1)]
    assert len(broker.acknowledged) == 1


async def test_a_question_that_the_store_does_not_answer_brings_the_batch_again(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing of it is acknowledged; the next connection takes it."""
    await rig.take([cycle(1), cycle(2)])
    standing = Standing(NAME, rig.layout, rig.writer, await rig.writer.recall(NAME), lambda: BEGIN)
    broker = Broker([cycle(2), cycle(3)])

    async def refuse(*_: object) -> list[bool]:
        raise StoreError("locked")

    with monkeypatch.context() as patch:
        patch.setattr(rig.writer, "find_known", refuse)
        with pytest.raises(StoreError, match="locked"):
            await Inbox(standing, rig.layout, NAME).work(broker, lambda: None)
    assert not broker.acknowledged
    await rig.take([cycle(2), cycle(3)])
    assert rig.sequences() == [(1, 1), (1, 2), (1, 3)]


async def test_what_comes_again_is_known_by_its_bytes(rig: Rig) -> None:
    """Redelivered after a kill: acknowledged again, in the book once."""
    await rig.take([cycle(1), cycle(2), curve(2)])
    broker = await rig.take([cycle(1), cycle(2), curve(2), cycle(3)])
    assert rig.sequences() == [(1, 1), (1, 2), (1, 3)]
    assert len(broker.acknowledged) == 4
    assert not rig.rows(tables.quarantine)


@pytest.mark.parametrize(("session_kept", "reason"), [(True, "messages lost"), (False, "session not kept")])
async def test_a_jump_is_a_gap_that_says_why(rig: Rig, session_kept: bool, reason: str) -> None:
    """A broker that forgot our session lost what came meanwhile; else messages were lost otherwise."""
    await rig.take([status(0, clock=True), cycle(1)])
    await rig.take([cycle(5), cycle(7)], session_kept=session_kept)
    gaps = rig.rows(tables.gap)
    assert [(gap.first_sequence, gap.last_sequence) for gap in gaps] == [(2, 4), (6, 6)]
    assert [gap.reason for gap in gaps] == [reason, "messages lost"]
    for gap, before, after in zip(gaps, (1, 5), (5, 7), strict=True):
        assert gap.after_at <= BEGIN + timedelta(seconds=before)
        assert gap.before_at >= BEGIN + timedelta(seconds=after)
        assert gap.before_at - gap.after_at < timedelta(seconds=after - before + 6)


async def test_a_sequence_that_falls_back_begins_an_epoch(rig: Rig) -> None:
    """The same number with other contents is another cycle; the counter tells that three are missing."""
    await rig.take([status(0, clock=True), cycle(1), cycle(2), cycle(3)])
    await rig.take(
        [cycle(1, mark="after the restart", total=7, at_s=60), cycle(2, mark="b", total=8, at_s=61)]
    )
    assert rig.sequences() == [(1, 1), (1, 2), (1, 3), (2, 1), (2, 2)]
    (gap,) = rig.rows(tables.gap)
    assert (gap.epoch, gap.first_sequence, gap.last_sequence) == (1, 4, 6)


async def test_a_status_that_stays_behind_is_a_fall_back(rig: Rig) -> None:
    """With no cycle to show it: what is missing is listed by the count, and the next cycle goes on from
    there, under a number that the memory before has used."""
    told = [status(4, at_s=at_s, counts={"total": 6}) for at_s in (10, 40, 69, 71)]
    await rig.take(
        [status(0, clock=True), cycle(1), cycle(2), cycle(5)],
        told[:3],
        [told[3], cycle(5, "new", total=7, at_s=80)],
    )
    assert rig.sequences() == [(1, 1), (1, 2), (1, 5), (2, 5)]
    assert rig.gaps() == [(1, 3, 4, "messages lost"), (1, 6, 6, "controller restarted")]


async def test_a_status_that_was_overtaken_is_no_fall_back(rig: Rig) -> None:
    """Those of less than a minute prove nothing; nor does any of them once a cycle came or one agreed."""
    early = [status(1, at_s=at_s) for at_s in (10, 40, 69)]
    again = [status(1, at_s=at_s) for at_s in (75, 100, 130)]
    await rig.take(
        [cycle(1), cycle(2), *early, status(2, at_s=70), *again, cycle(3, at_s=131), status(2, at_s=140)]
    )
    assert rig.sequences() == [(1, 1), (1, 2), (1, 3)]
    assert rig.gaps() == []


async def test_a_restart_is_seen_also_below_the_books_first_cycle(rig: Rig) -> None:
    """The book began at 40; a controller that counts from 1 again is in a new epoch at once."""
    await rig.take([cycle(40), cycle(41)])
    await rig.take([cycle(1, mark="new", at_s=60), cycle(2, mark="new", at_s=61)])
    assert rig.sequences() == [(1, 40), (1, 41), (2, 1), (2, 2)]
    assert rig.gaps() == [(1, 42, None, "controller restarted")]


@pytest.mark.parametrize(
    ("number", "total", "gap"),
    [
        (60, 7, (1, 3, None)),  # 58 numbers ahead, and 5 cycles by its count: they contradict each other
        (60, 1, (1, 3, None)),  # its count fell back: nobody can say how many are missing
        (900_000, 900_000, (1, 3, None)),  # not to be made in half a minute
    ],
)
async def test_a_jump_that_can_not_be_one_begins_an_epoch(
    rig: Rig, number: int, total: int, gap: tuple[int, int, int | None]
) -> None:
    """By its count or by the time, the number can't be of the memory that the book knows."""
    await rig.take([status(0, clock=True), cycle(1), cycle(2)])
    await rig.take([cycle(number, mark="new", total=total, at_s=30)])
    assert rig.sequences() == [(1, 1), (1, 2), (2, number)]
    assert rig.gaps() == [(*gap, "controller restarted")]


# ---- messages that were overtaken ----


async def test_an_overtaken_message_closes_its_gap(rig: Rig) -> None:
    """Cycle 2 comes after 3, when it is listed as missing: the gap is closed, the broker is told."""
    broker = await rig.take([cycle(1), cycle(3)], [cycle(2)])
    assert rig.sequences() == [(1, 1), (1, 2), (1, 3)]
    (gap,) = rig.rows(tables.gap)
    assert (gap.closed_by, gap.closed_at is None) == ("late message", False)
    assert not rig.rows(tables.quarantine)
    assert len(broker.acknowledged) == 3


async def test_overtaken_messages_leave_the_rest_of_the_gap_open(rig: Rig) -> None:
    """Of 2 to 6, 3 and 5 come late: three gaps of one are left, each part of what it came from."""
    await rig.take([cycle(1), cycle(7)], [cycle(3)], [cycle(5), cycle(5)])
    assert rig.sequences() == [(1, n) for n in (1, 3, 5, 7)]
    assert rig.open_gaps() == [(1, 2, 2), (1, 4, 4), (1, 6, 6)]
    whole, *parts = rig.rows(tables.gap)
    assert whole.part_of is None
    assert parts[0].part_of == whole.commit_number
    position = rig.rows(tables.position)[0]
    assert (position.epoch, position.sequence) == (1, 7)


async def test_messages_go_on_in_order_after_an_overtaken_one(rig: Rig) -> None:
    """The position is not moved by what is behind it."""
    await rig.take([cycle(1), cycle(3)], [cycle(2), cycle(4)])
    await rig.take([cycle(3), cycle(2), cycle(4), cycle(5)])
    assert rig.sequences() == [(1, n) for n in range(1, 6)]
    assert not rig.open_gaps()


async def test_a_stamp_of_a_clock_that_nobody_knows_makes_no_message_late(rig: Rig) -> None:
    """It fell back from 80 to 77 with its count, and came to 81; 83, which follows, is no late cycle of the
    time before."""
    await rig.take([cycle(79), cycle(80)])
    after = [cycle(number, "again", at_s=number + 10) for number in (78, 79, 80, 81)]
    await rig.take(after, [cycle(83, at_s=93)])
    assert rig.sequences() == [(1, 79), (1, 80), *((2, number) for number in (78, 79, 80, 81, 83))]
    assert (2, 82, 82) in rig.open_gaps()


async def test_a_message_later_than_the_last_was_not_overtaken(rig: Rig) -> None:
    """It fits into what was missing before a restart by its number and count, and does not belong there."""
    await rig.take([status(0, at_s=0.5, clock=True), cycle(1), cycle(2), cycle(3)])
    again = [cycle(number, "again", at_s=number + 20) for number in (1, 2, 6)]
    await rig.take(again[:2], again[2:])
    assert rig.sequences() == [(1, 1), (1, 2), (1, 3), (2, 1), (2, 2), (2, 6)]


async def test_a_message_from_before_a_restart_is_known_by_its_count(rig: Rig) -> None:
    """Overtaken by the first of the new memory, it is late, and begins no third one."""
    now = datetime.now(UTC)
    old, new = ((500, 1500), (501, 1501)), ((3, 3), (503, 1503), (4, 4))
    await rig.take([untimed(number, now, total) for number, total in old])
    await rig.take([untimed(number, now, total) for number, total in new])
    assert rig.sequences() == [(1, 500), (1, 501), (1, 503), (2, 3), (2, 4)]


def untimed(number: int, received_at: datetime, total: int | None = None) -> Message:
    """A cycle that does not say when it ended, nor, without `total`, how many there were."""
    said = {"n": number, "tool": "BT30-1", "result": "pass", "end": "done", "mode": "auto"}
    said |= {"part": f"P{number}"} | ({} if total is None else {"total": total})
    return message("cycle", json.dumps(said).encode(), received_at)


async def take_at(rig: Rig, now: datetime, *messages: Message) -> None:
    """With a connection that begins now; the writer's clock is the real one."""
    standing = Standing(NAME, rig.layout, rig.writer, await rig.writer.recall(NAME), lambda: now)
    with pytest.raises(LinkDown):
        await Inbox(standing, rig.layout, NAME).work(Broker(list(messages)), lambda: None)


@pytest.mark.parametrize(("away", "closes"), [(timedelta(hours=1), True), (timedelta(), False)])
async def test_a_message_without_a_time_was_overtaken_just_now_or_while_we_were_away(
    rig: Rig, away: timedelta, closes: bool
) -> None:
    """An hour after the one that overtook it: from the broker's queue it is late; had we listened all the
    time, it would be the first of another memory."""
    now = datetime.now(UTC)
    an_hour_later = now + timedelta(hours=1)
    shown = status(3, at_s=(now - BEGIN).total_seconds())
    await take_at(rig, now, untimed(1, now), untimed(3, now), shown)
    await take_at(rig, now + away, untimed(2, an_hour_later))
    assert rig.sequences() == ([(1, 1), (1, 2), (1, 3)] if closes else [(1, 1), (1, 3), (2, 2)])


async def test_a_message_that_waited_for_the_store_was_overtaken_just_now(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The store took nothing for an hour; what others overtook meanwhile is late, and no other memory."""
    monkeypatch.setattr("collector.inbox.STORE_PAUSE_S", 0.0)
    now = [datetime.now(UTC)]
    an_hour_later = now[0] + timedelta(hours=1)
    standing = Standing(NAME, rig.layout, rig.writer, await rig.writer.recall(NAME), lambda: now[0])
    commit = rig.writer.commit
    refused: list[Entry] = []

    async def refuse_for_an_hour(entry: Entry) -> None:
        if len(refused) < 2 and entry.position is not None and entry.position.sequence == 4:
            refused.append(entry)
            now[0] = an_hour_later
            raise StoreError("locked")
        await commit(entry)

    monkeypatch.setattr(rig.writer, "commit", refuse_for_an_hour)
    batches = [untimed(1, now[0]), untimed(3, now[0])], [untimed(4, now[0])], [untimed(2, an_hour_later)]
    with pytest.raises(LinkDown):
        await Inbox(standing, rig.layout, NAME).work(Broker(*batches), lambda: None)
    assert len(refused) == 2
    assert rig.sequences() == [(1, 1), (1, 2), (1, 3), (1, 4)]


async def test_time_that_passed_for_two_reasons_is_counted_once(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """We had listened for half an hour when the store took nothing for an hour, and the broker dropped us
    meanwhile: what was overtaken before that half hour would have come in it."""
    monkeypatch.setattr("collector.inbox.STORE_PAUSE_S", 0.0)
    now = [datetime.now(UTC)]
    first, last_heard = now[0], now[0] + timedelta(minutes=30)
    an_hour_later = last_heard + timedelta(hours=1)
    standing = Standing(NAME, rig.layout, rig.writer, await rig.writer.recall(NAME), lambda: now[0])
    commit = rig.writer.commit
    refused: list[Entry] = []

    async def refuse_for_an_hour(entry: Entry) -> None:
        if not refused and entry.position is not None and entry.position.sequence == 4:
            refused.append(entry)
            now[0] = an_hour_later
            raise StoreError("locked")
        await commit(entry)
        if not refused:
            now[0] = last_heard

    monkeypatch.setattr(rig.writer, "commit", refuse_for_an_hour)
    inbox = Inbox(standing, rig.layout, NAME)
    with pytest.raises(LinkDown):
        await inbox.work(
            Broker([untimed(1, first), untimed(3, first)], [untimed(4, last_heard)]), lambda: None
        )
    with pytest.raises(LinkDown):
        await inbox.work(Broker([untimed(2, an_hour_later + timedelta(seconds=30))]), lambda: None)
    assert len(refused) == 1
    assert rig.sequences() == [(1, 1), (1, 3), (1, 4), (2, 2)]


@pytest.mark.parametrize("payload", [b"", b"{", b'{"n": "seven"}', b"\xff\xfe", b'{"n": -1}', b"[]"])
async def test_a_message_that_makes_no_sense_is_kept_and_holds_nothing_up(rig: Rig, payload: bytes) -> None:
    """Its bytes and the reason are in quarantine; the next message is booked."""
    broker = await rig.take([message("cycle", payload), cycle(1)])
    (kept,) = rig.rows(tables.quarantine)
    assert kept.raw == payload
    assert rig.sequences() == [(1, 1)]
    assert len(broker.acknowledged) == 2


async def test_a_message_that_the_books_first_one_overtook_begins_no_epoch(rig: Rig) -> None:
    """5, 4, 6 at first contact: 4 is older than the book, and is kept aside."""
    await rig.take([status(0, clock=True), cycle(5), cycle(4), cycle(6)])
    assert rig.sequences() == [(1, 5), (1, 6)]
    assert not rig.gaps()
    (kept,) = rig.rows(tables.quarantine)
    assert kept.raw == cycle(4).payload


async def test_a_gap_between_cycles_of_unknown_time_has_bounds_that_hold(rig: Rig) -> None:
    """The clock is five hours slow and was not read yet: the stamps bound nothing."""

    def slow(number: int) -> Message:
        return replace(cycle(number, at_s=number - 5 * 3600), received_at=BEGIN + timedelta(seconds=number))

    await rig.take([slow(1), slow(3)])
    (gap,) = rig.rows(tables.gap)
    assert gap.after_at is None
    assert gap.before_at >= BEGIN + timedelta(seconds=2)


# ---- read through ----


def sent_before(rig: Rig) -> timedelta:
    """So much before it came a status may have been sent, and a cycle may have ended untold."""
    return timedelta(milliseconds=MESSAGE_DELAY_MOST_MS + rig.layout.recording_ms)


async def test_a_live_status_that_names_our_position_proves_completeness(rig: Rig) -> None:
    """Up to when it was sent at the earliest; one that is ahead of the book, or lay retained, proves
    nothing."""
    await rig.take([cycle(1), cycle(2), status(3)])
    assert rig.rows(tables.position)[0].read_through_at is None
    await rig.take([status(2, retained=True)])
    assert rig.rows(tables.position)[0].read_through_at is None
    await rig.take([status(2, at_s=9)])
    assert rig.rows(tables.position)[0].read_through_at == BEGIN + timedelta(seconds=9) - sent_before(rig)


async def test_a_status_that_was_held_up_proves_nothing_of_the_time_since(rig: Rig) -> None:
    """Sent at 10 s by the controller's clock, received at 50 s: completeness up to 10 s and not later."""
    await rig.take([status(0, clock=True), cycle(1), status(1, at_s=2, clock=True)])
    held_up = replace(status(1, at_s=10, clock=True), received_at=BEGIN + timedelta(seconds=50))
    await rig.take([held_up])
    through = rig.rows(tables.position)[0].read_through_at
    assert BEGIN + timedelta(seconds=10) - 3 * sent_before(rig) <= through <= BEGIN + timedelta(seconds=10)


async def test_completeness_that_was_proven_is_not_taken_back(rig: Rig) -> None:
    """A slower status after a fast one."""
    await rig.take([status(0, clock=True), cycle(1), status(1, at_s=20, clock=True)])
    before = rig.rows(tables.position)[0].read_through_at
    held_up = replace(status(1, at_s=10, clock=True), received_at=BEGIN + timedelta(seconds=30))
    await rig.take([held_up])
    assert rig.rows(tables.position)[0].read_through_at == before


# ---- the controller, its count and its tool ----


async def test_a_replaced_controller_begins_an_epoch_with_its_first_cycle(rig: Rig) -> None:
    """Another identity in the status, and numbers that would fit: nothing is reckoned across it."""
    await rig.take([status(0, cabinet="C-1"), cycle(1), cycle(2)])
    await rig.take([status(2, cabinet="C-2", at_s=30)], [cycle(3, at_s=31), cycle(4, at_s=32)])
    assert rig.sequences() == [(1, 1), (1, 2), (2, 3), (2, 4)]
    assert rig.gaps() == [(1, 3, None, "controller replaced")]
    assert [row.serial for row in rig.rows(tables.controller)] == ["C-2"]


async def test_a_new_controllers_stamps_are_not_read_by_the_clock_of_the_one_before(rig: Rig) -> None:
    """Its retained status says who it is, and not what its clock says now, which is a minute slow."""
    await rig.take([status(1, cabinet="C-1", at_s=1.5, clock=True), cycle(1), cycle(2)])
    lies = cycle(8, at_s=40).payload
    came_at = BEGIN + timedelta(seconds=100)
    await rig.take([status(7, cabinet="C-9", at_s=90, retained=True), message("cycle", lies, came_at)])
    *_, last = rig.rows(tables.cycle)
    assert (last.epoch, last.sequence) == (2, 8)
    around = last.time_uncertainty_ms
    assert around is None or abs(last.ended_at - came_at) <= timedelta(milliseconds=around)


async def test_a_retained_cycle_begins_no_book(rig: Rig) -> None:
    """It comes before all that the broker has queued since, and lay there nobody knows how long."""
    lay = message("cycle", untimed(3, BEGIN).payload, retained=True)
    await rig.take([lay, untimed(1, BEGIN), untimed(2, BEGIN), untimed(3, BEGIN)])
    assert rig.sequences() == [(1, 1), (1, 2), (1, 3)]
    assert [row.raw for row in rig.rows(tables.quarantine)] == [lay.payload]


async def test_messages_of_the_controller_before_that_come_again_are_known(rig: Rig) -> None:
    """The broker had no word that they were taken when another controller took the place."""
    first, second, eighth, ninth = (untimed(number, BEGIN) for number in (501, 502, 8, 9))
    await rig.take([status(500, cabinet="C-1"), first, second])
    await rig.take([status(7, cabinet="C-9"), eighth])
    await rig.take([first, second, eighth, ninth])
    assert rig.sequences() == [(1, 501), (1, 502), (2, 8), (2, 9)]
    assert not rig.rows(tables.quarantine)


async def test_a_replaced_controller_proves_no_completeness_of_the_one_before(rig: Rig) -> None:
    """Its last number is ours by chance."""
    await rig.take([status(0, cabinet="C-1"), cycle(1), cycle(2)])
    await rig.take([status(2, cabinet="C-2", at_s=30)])
    assert rig.rows(tables.position)[0].read_through_at is None


async def test_a_controller_of_another_place_is_refused(rig: Rig) -> None:
    """The topic of one, the identity of the other: nothing goes in, and nothing is acknowledged."""
    await rig.writer.register([identity("M-02")])
    await rig.take([status(0, cabinet="C-1"), cycle(1)])
    memory = await rig.writer.recall("M-02")
    standing = Standing("M-02", rig.layout, rig.writer, memory, lambda: BEGIN)
    broker = Broker([status(0, cabinet="C-1"), cycle(2)])
    with pytest.raises(OtherController, match=f"C-1, which the book knows as {NAME}"):
        await Inbox(standing, rig.layout, NAME).work(broker, lambda: None)
    assert not broker.acknowledged
    assert rig.sequences() == [(1, 1)]


async def test_a_count_that_was_cleared_is_noted_where_it_happened(rig: Rig) -> None:
    """Cleared between 2 and 3: no gap, no epoch, and the count goes on from there."""
    await rig.take([cycle(1, total=701), cycle(2, total=702), cycle(3, total=1), cycle(4, total=2)])
    (change,) = rig.rows(tables.count_change)
    assert (change.kind, change.sequence, change.expected, change.found) == ("cleared", 2, 702, 0)
    assert rig.rows(tables.position)[0].total_count == 2
    assert not rig.gaps()


async def test_tools_follow_the_cycles_that_name_them(rig: Rig) -> None:
    """A, B, A within one batch: three mounts, each behind the last cycle of the tool before."""
    await rig.take([cycle(1, tool="A"), cycle(2, tool="B"), cycle(3, tool="B"), cycle(4, tool="A")])
    serials = {row.tool_id: row.serial for row in rig.rows(tables.tool)}
    mounts = [
        (serials[row.tool_id], row.after_sequence, row.until_sequence) for row in rig.rows(tables.mount)
    ]
    assert mounts == [("A", 0, 1), ("B", 1, 3), ("A", 3, None)]


async def test_faults_and_mounts_follow_the_status_messages(rig: Rig) -> None:
    """Each status counts, also of several in one batch: raised, acknowledged, cleared; mounted."""
    on: dict[str, Any] = {"faults": {"active": 8, "acknowledged": 0}, "tool": {"serial": "BT30-1"}}
    seen: dict[str, Any] = {"faults": {"active": 8, "acknowledged": 8}, "tool": {"serial": "BT30-1"}}
    await rig.take([status(1, **on), status(2, **seen), status(3, tool={"serial": "BT30-2"})])
    (fault,) = rig.rows(tables.fault)
    instants = (fault.raised_at, fault.acknowledged_at, fault.cleared_at)
    assert [(at - BEGIN).seconds for at in instants] == [1, 2, 3]
    assert (fault.code, fault.category) == ("F-AIR", "system")
    assert [row.unmounted_at is None for row in rig.rows(tables.mount)] == [False, True]
