"""What one poller knows of its controller: it moves on only with the book."""

from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.clock import ClockOffset
from collector.config import EXAMPLE_LAYOUTS
from collector.errors import StalePosition, StoreError
from collector.layouts.schema import load_layout
from collector.model import (
    BookedCycle,
    ControllerIdentity,
    Cycle,
    Entry,
    Position,
    Status,
    StatusSeen,
    ToolName,
)
from collector.standing import SET_LATELY, STATUS_EVERY, Standing
from collector.store import tables
from tests.collector.book_rig import BookRig, writer_of
from tests.collector.tiny import tiny_layout

NAME = "T-01"
BEGIN = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
TOOL = ToolName("Sample Works", "C-0", "A")
AN_HOUR = timedelta(hours=1)


class Rig(BookRig):
    """A book and what stands before it; a clock that can be set."""

    clock = BEGIN

    async def standing(self) -> Standing:
        memory = await self.writer.recall(NAME)
        return Standing(NAME, tiny_layout(self.folder), self.writer, memory, lambda: self.clock)

    def look(self, standing: Standing, after: timedelta, ahead: timedelta, **more: object) -> StatusSeen:
        """A status whose clock is ahead of ours by so much, ± 5 ms."""
        self.clock = BEGIN + after
        said = (self.clock + ahead).replace(tzinfo=None)
        reading = ClockOffset(ahead / timedelta(milliseconds=1), 5.0)
        return standing.look(Status(last_sequence=1, clock=said, **more), reading, self.clock)  # type: ignore[arg-type]


@pytest.fixture
async def rig(tmp_path: Path) -> AsyncIterator[Rig]:
    identity = ControllerIdentity(NAME, "T", "T-10", "modbus", "tiny", "127.0.0.1:502")
    async with writer_of(tmp_path, identity) as writer:
        yield Rig(tmp_path, writer)


def booked(number: int) -> BookedCycle:
    ended_at = BEGIN + timedelta(seconds=number)
    return BookedCycle(1, number, ended_at, 5.0, TOOL, Cycle(sequence=number, raw=b"record %d" % number))


# ---- the clock ----


async def test_a_clock_that_was_set_is_in_the_book_with_the_next_commit(rig: Rig) -> None:
    """Once; with the offset before and after."""
    standing = await rig.standing()
    for seconds, ahead in enumerate((timedelta(), timedelta(), AN_HOUR, AN_HOUR)):
        await standing.keep_news(rig.look(standing, timedelta(seconds=seconds), ahead), None)
    (change,) = rig.rows(tables.clock_change)
    assert (change.before_ms, change.after_ms) == (0.0, 3_600_000.0)
    assert change.noticed_at == BEGIN + timedelta(seconds=2)


async def test_a_clock_that_was_set_is_not_forgotten_by_a_store_that_refuses(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It goes in with the next commit that does."""
    standing = await rig.standing()
    rig.look(standing, timedelta(), timedelta())
    seen = rig.look(standing, timedelta(seconds=1), AN_HOUR)

    async def refuse(_entry: Entry) -> None:
        raise StoreError("the disk is full")

    with monkeypatch.context() as patch:
        patch.setattr(rig.writer, "commit", refuse)
        with pytest.raises(StoreError):
            await standing.keep(None, seen=seen)
    await standing.keep(None)
    await standing.keep(None)
    assert len(rig.rows(tables.clock_change)) == 1


async def test_a_stamp_may_be_of_either_clock_just_after_it_was_set(rig: Rig) -> None:
    """For a minute; then only the new one counts."""
    standing = await rig.standing()
    rig.look(standing, timedelta(), timedelta())
    rig.look(standing, timedelta(seconds=1), AN_HOUR)

    def span(after: timedelta) -> timedelta:
        rig.look(standing, after, AN_HOUR)
        said = (rig.clock + AN_HOUR - timedelta(milliseconds=100)).replace(tzinfo=None)
        cycle = Cycle(sequence=2, controller_time=said)
        (made,) = standing.book(1, [(2, cycle)], rig.clock, standing.mounted(None))
        assert made.time_uncertainty_ms is not None
        return 2 * timedelta(milliseconds=made.time_uncertainty_ms)

    assert span(timedelta(seconds=30)) < AN_HOUR, "it can't have ended later than it was read"
    assert span(SET_LATELY + timedelta(seconds=2)) < timedelta(milliseconds=50)


async def test_a_clock_that_stands_still_is_told(rig: Rig) -> None:
    """In the status that the book has, so that a person sees it."""
    standing = await rig.standing()
    for seconds in range(10):
        await standing.keep(
            None, seen=rig.look(standing, timedelta(seconds=seconds), -timedelta(seconds=seconds))
        )
    (row,) = rig.rows(tables.controller_status)
    assert row.clock_stands_still
    assert not rig.rows(tables.clock_change)


async def test_the_offset_is_known_again_after_a_restart(rig: Rig) -> None:
    """As old as it is; a clock that was set meanwhile shows."""
    standing = await rig.standing()
    await standing.keep(None, seen=rig.look(standing, timedelta(), timedelta(seconds=3)))
    again = await rig.standing()
    seen = again.seen(Status(last_sequence=1), BEGIN + AN_HOUR)
    assert seen.clock_offset_ms == 3000.0
    assert seen.clock_uncertainty_ms == pytest.approx(5.0 + 720.0)
    await again.keep(None, seen=rig.look(again, AN_HOUR, timedelta(seconds=30)))
    assert [row.after_ms for row in rig.rows(tables.clock_change)] == [30_000.0]


# ---- with the book ----


async def test_nothing_moves_that_the_store_did_not_take(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    """Position, record and tool are those before; the same work is done again and goes in."""
    standing = await rig.standing()
    await standing.keep(Position(1, 1), cycles=[booked(1)])

    async def refuse(_entry: Entry) -> None:
        raise StoreError("the disk is full")

    with monkeypatch.context() as patch:
        patch.setattr(rig.writer, "commit", refuse)
        with pytest.raises(StoreError):
            await standing.keep(Position(1, 2), cycles=[booked(2)])
    assert (standing.position, standing.last_raw) == (Position(1, 1), b"record 1")
    await standing.keep(Position(1, 2), cycles=[booked(2)])
    assert (standing.position, standing.last_raw) == (Position(1, 2), b"record 2")


async def test_a_book_that_has_moved_on_is_recalled(rig: Rig) -> None:
    """The commit was made, and we were not told: we stand where the book does."""
    standing, twin = await rig.standing(), await rig.standing()
    await twin.keep(Position(1, 1), cycles=[booked(1)])
    with pytest.raises(StalePosition):
        await standing.keep(Position(1, 1), cycles=[booked(1)])
    assert (standing.position, standing.last_raw) == (Position(1, 1), b"record 1")
    assert rig.sequences() == [(1, 1)]


async def test_a_position_inside_a_gap_has_no_record(rig: Rig) -> None:
    """What the controller has there can't be compared with anything."""
    standing = await rig.standing()
    await standing.keep(Position(1, 1), cycles=[booked(1)])
    await standing.keep(Position(1, 2))
    assert standing.last_raw is None
    assert (await rig.standing()).last_raw is None


async def test_a_status_that_says_nothing_new_is_committed_now_and_then(rig: Rig) -> None:
    """Clock and pressure change at every poll: they are carried along, not committed for themselves."""
    standing = await rig.standing()
    for tenths in range(200):
        seen = rig.look(
            standing, timedelta(milliseconds=100 * tenths), timedelta(), supply_pressure_kpa=tenths
        )
        await standing.keep_news(seen, None)
    (row,) = rig.rows(tables.controller_status)
    assert row.read_at >= BEGIN + timedelta(seconds=19.9) - STATUS_EVERY
    before = row.read_at
    await standing.keep_news(rig.look(standing, timedelta(seconds=20), timedelta(), mode="setup"), None)
    (row,) = rig.rows(tables.controller_status)
    assert (row.mode, row.read_at > before) == ("setup", True)


async def test_as_many_cycles_as_the_time_allows(rig: Rig) -> None:
    """Since the end of the last cycle at the earliest, or since the last proof that none was missing."""
    standing = await rig.standing()
    assert standing.most(BEGIN) is None
    await standing.keep(Position(1, 1), cycles=[booked(1)])
    now = BEGIN + timedelta(seconds=11)
    shortest = standing.numbering.shortest_cycle
    slots = standing.numbering.slots
    assert standing.most(now) == timedelta(seconds=10.005) // shortest + slots
    await standing.keep(Position(1, 1, None, now - timedelta(seconds=1)))
    assert standing.most(now) == timedelta(seconds=1) // shortest + slots


async def test_what_somebody_sets_is_listed_once(rig: Rig) -> None:
    """From status to status, and over a restart of the collector; the first value is no change."""
    standing = await rig.standing()
    for second, torque_nm in ((0, 4.5), (1, 4.5), (2, 4.8)):
        seen = rig.look(
            standing, timedelta(seconds=second), timedelta(), settings={"set_torque_nm": torque_nm}
        )
        await standing.keep_news(seen, None)
        standing.looked(seen)
    standing = await rig.standing()
    for second, settings in (
        (10, {"set_torque_nm": None}),
        (11, {"set_torque_nm": 5.0}),
        (30, {"set_torque_nm": 5.0}),
    ):
        seen = rig.look(standing, timedelta(seconds=second), timedelta(), settings=settings)
        await standing.keep_news(seen, None)
        standing.looked(seen)
    listed = [
        (row.value_before, row.value_after, row.not_before, row.noticed_at)
        for row in rig.rows(tables.setting_change)
    ]
    seconds = [BEGIN + timedelta(seconds=each) for each in (1, 2, 10, 11)]
    assert listed == [("4.5", "4.8", *seconds[:2]), ("4.8", "5.0", *seconds[2:])]


async def test_what_only_the_records_tell_is_watched_there(rig: Rig) -> None:
    """The example layout that keeps the last record only shows its set torque nowhere else."""
    layout = load_layout(EXAMPLE_LAYOUTS / "last-record-modbus.toml")
    standing = Standing(NAME, layout, rig.writer, await rig.writer.recall(NAME), lambda: rig.clock)
    torques = (4.5, 4.5, 4.8)
    made = [
        replace(booked(number), cycle=Cycle(sequence=number, set_torque_nm=torque_nm, raw=b"%d" % number))
        for number, torque_nm in enumerate(torques, start=1)
    ]
    await standing.keep(Position(1, 3), cycles=made)
    again = Standing(NAME, layout, rig.writer, await rig.writer.recall(NAME), lambda: rig.clock)
    later = replace(booked(4), cycle=Cycle(sequence=4, set_torque_nm=4.5, raw=b"4"))
    await again.keep(Position(1, 4), cycles=[later])
    listed = [
        (row.setting, row.value_before, row.value_after, row.noticed_at)
        for row in rig.rows(tables.setting_change)
    ]
    assert listed == [
        ("set_torque_nm", "4.5", "4.8", made[2].ended_at),
        ("set_torque_nm", "4.8", "4.5", later.ended_at),
    ]
