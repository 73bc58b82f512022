"""How a tool was used by shift, and how its punch went: what the forecasts rest on."""

from collections.abc import AsyncIterator, Sequence
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from sqlalchemy import Engine, select

from collector.model import BookedCycle, Cycle, Entry, Gap, MountChange, Position
from collector.shifts import Shift, ShiftPlan
from collector.store import tables, use
from collector.store.use import Punches, Use, find_punches, find_use, line_of
from collector.store.writer import Writer
from tests.collector.store.rigs import IDENTITIES, TOOL

HOUR, MINUTE, DAY = timedelta(hours=1), timedelta(minutes=1), timedelta(days=1)
PLAN = ShiftPlan.of(
    ZoneInfo("Europe/Berlin"),
    [(None, Shift("early", time(6, 20), time(14, 20))), (None, Shift("late", time(14, 30), time(22, 30)))],
)
MONDAY = datetime(2026, 3, 2, 5, 20, tzinfo=UTC)
"""06:20 in Berlin. The clocks go forward on 29 March."""


@pytest.fixture
async def writer(book_engine: Engine) -> AsyncIterator[Writer]:
    async with Writer(book_engine) as writer:
        await writer.register(IDENTITIES)
        yield writer


class Filling:
    """One controller's cycles, one after another."""

    def __init__(self, writer: Writer, controller: str = "L1-01") -> None:
        self.writer = writer
        self.controller = controller
        self.position: Position | None = None

    async def commit(self, position: Position | None = None, **content: Any) -> None:
        after = position or self.position
        await self.writer.commit(Entry(self.controller, self.position, after, **content))
        self.position = after

    async def work(self, ends: Sequence[datetime], **said: Any) -> None:
        first = self.position.sequence + 1 if self.position else 1
        cycles = tuple(
            BookedCycle(
                1, number, at, 1.0, TOOL, Cycle(**({"sequence": number, "raw": b""} | AS_USUAL | said))
            )
            for number, at in enumerate(ends, start=first)
        )
        await self.commit(Position(1, first + len(cycles) - 1), cycles=cycles)

    async def read_through(self, at: datetime) -> None:
        sequence = self.position.sequence if self.position else 0
        await self.commit(Position(1, sequence, None, at))


AS_USUAL: dict[str, Any] = {"result": "ok", "completion": "completed", "mode": "automatic"}


def used(engine: Engine, now: datetime, plan: ShiftPlan = PLAN) -> Use:
    with engine.connect() as connection:
        row = connection.execute(select(tables.tool)).one()
        return find_use(connection, row.tool_id, row.first_seen_at, plan, now)


def table(found: Use) -> list[tuple[Any, ...]]:
    days = found.history.plant_day.astype(date).tolist()
    return list(zip(days, found.history.shift.tolist(), found.cycles.tolist(), strict=True))


async def test_cycles_are_those_of_each_shift_that_is_over(writer: Writer, book_reader: Engine) -> None:
    """With what was made after it outside of all shifts; the shift that is on is ahead."""
    filling = Filling(writer)
    await filling.commit(mounts=(MountChange(TOOL, MONDAY),))
    early_ends, late_begins = MONDAY + 8 * HOUR, MONDAY + 8 * HOUR + 10 * MINUTE
    late_ends = late_begins + 8 * HOUR
    await filling.work([MONDAY, early_ends - MINUTE, early_ends + MINUTE])
    await filling.work([late_begins, late_ends - MINUTE, late_ends + HOUR, MONDAY + DAY - MINUTE])
    await filling.work([MONDAY + DAY])
    await filling.read_through(MONDAY + DAY + HOUR)
    found = used(book_reader, MONDAY + 3 * DAY)
    assert table(found) == [(date(2026, 3, 2), "early", 3.0), (date(2026, 3, 2), "late", 4.0)]
    assert (found.as_of, found.mounted, found.seen_at) == (MONDAY + DAY + HOUR, True, MONDAY)
    assert found.ahead.begins_at[0] == np.datetime64("2026-03-03T05:20:00", "us")
    assert found.ahead.shift[:3].tolist() == ["early", "late", "early"]


async def test_a_shift_of_which_cycles_may_be_missing_is_not_idle(
    writer: Writer, book_reader: Engine
) -> None:
    """One that a gap reaches into, and those of a controller that was not read since."""
    filling, other = Filling(writer), Filling(writer, "L1-02")
    await other.commit(mounts=(MountChange(TOOL, MONDAY),))
    await other.work([MONDAY + HOUR])
    await other.read_through(MONDAY + 2 * HOUR)
    await other.commit(mounts=(MountChange(None, MONDAY + 3 * HOUR),))
    await filling.commit(mounts=(MountChange(TOOL, MONDAY + 3 * HOUR),))
    await filling.work([MONDAY + 9 * HOUR])
    lost = Gap(1, 2, 4, "history overwritten", MONDAY + 25 * HOUR, MONDAY + 26 * HOUR)
    await filling.commit(Position(1, 4), gaps=(lost,))
    await filling.work([MONDAY + 33 * HOUR] * 2)
    await filling.read_through(MONDAY + 2 * DAY)
    found = used(book_reader, MONDAY + 2 * DAY)
    assert [np.isnan(each) for each in found.cycles] == [True, False, True, False]
    assert found.cycles[[1, 3]].tolist() == [1.0, 2.0]


async def test_a_weekday_on_which_the_tool_never_works_is_not_a_stop(
    writer: Writer, book_reader: Engine
) -> None:
    """Not after three of them, but after four; then it is not ahead either."""
    filling = Filling(writer)
    await filling.commit(mounts=(MountChange(TOOL, MONDAY),))
    for week in range(4):
        await filling.work([MONDAY + (7 * week + day) * DAY + 2 * HOUR for day in range(5)])
    await filling.read_through(MONDAY + 28 * DAY)
    after_three, after_four = (used(book_reader, MONDAY + weeks * 7 * DAY) for weeks in (3, 4))
    assert set(after_three.history.weekday.tolist()) == set(range(7))
    assert set(after_four.history.weekday.tolist()) == set(range(5)) == set(after_four.ahead.weekday.tolist())
    assert len(after_four.history) == 4 * 5 * 2


async def test_a_shift_over_the_change_of_the_clocks_has_its_real_hours(
    writer: Writer, book_reader: Engine
) -> None:
    """Seven on the night on which they go forward, and its cycles are those of the seven."""
    plan = ShiftPlan.of(
        ZoneInfo("Europe/Berlin"),
        [(None, Shift("day", time(6), time(22))), (None, Shift("night", time(22), time(6)))],
    )
    day = datetime(2026, 3, 28, 5, tzinfo=UTC)  # 06:00 in Berlin
    filling = Filling(writer)
    await filling.commit(mounts=(MountChange(TOOL, day),))
    await filling.work([day + hour * HOUR for hour in range(24)])
    await filling.read_through(day + 24 * HOUR)
    found = used(book_reader, day + 24 * HOUR, plan)
    assert found.history.hours.tolist() == [16.0, 7.0]
    assert found.cycles.tolist() == [16.0, 7.0]
    assert found.ahead.begins_at[0] == np.datetime64("2026-03-29T04:00:00", "us")


async def test_a_tool_that_sits_nowhere_is_known_as_of_now(writer: Writer, book_reader: Engine) -> None:
    """It makes nothing there, and that is known."""
    filling = Filling(writer)
    await filling.commit(mounts=(MountChange(TOOL, MONDAY),))
    await filling.work([MONDAY + HOUR])
    await filling.read_through(MONDAY + DAY)
    await filling.commit(mounts=(MountChange(None, MONDAY + DAY),))
    now = MONDAY + 2 * DAY
    found = used(book_reader, now)
    assert (found.as_of, found.mounted, found.cycles.tolist()) == (now, False, [1.0, 0.0, 0.0, 0.0])


async def test_of_a_tool_that_has_just_come_nothing_is_known(writer: Writer, book_reader: Engine) -> None:
    """No shift is over; and what its controller lost before may have been at any time."""
    filling = Filling(writer)
    await filling.commit(mounts=(MountChange(TOOL, MONDAY),))
    fresh = used(book_reader, MONDAY)
    assert (len(fresh.history), fresh.cycles.size) == (0, 0)
    assert len(fresh.ahead) == 2 * 366
    lost = Gap(1, 1, 40, "history overwritten", None, MONDAY + 9 * HOUR)
    await filling.commit(Position(1, 40), gaps=(lost,))
    await filling.work([MONDAY + 10 * HOUR])
    await filling.read_through(MONDAY + 2 * DAY)
    later = used(book_reader, MONDAY + 2 * DAY)
    assert np.isnan(later.cycles).tolist() == [True, True, False, False]


# ---- the punch ---------------------------------------------------------------------------------------------


def punches(engine: Engine, since: datetime, until: datetime) -> Punches:
    with engine.connect() as connection:
        return find_punches(connection, connection.execute(select(tables.tool)).one().tool_id, since, until)


async def test_a_punch_is_told_at_the_count_of_its_tool(writer: Writer, book_reader: Engine) -> None:
    """Of all its cycles, also those without a velocity; driven by the lower pressure. Work in set-up is no
    evidence of wear, though it counts."""
    filling = Filling(writer)
    at = MONDAY + 10 * MINUTE
    await filling.work([at] * 10, mode="setup", punch_velocity_m_s=1.0)
    quarter = MONDAY + 25 * MINUTE
    said = {"punch_velocity_m_s": 7.5, "punch_pressure_kpa": 600.0, "supply_pressure_kpa": 580.0}
    await filling.work([quarter], **said)
    await filling.work([quarter + 15 * MINUTE], **(said | {"supply_pressure_kpa": None}))
    await filling.work([quarter + 16 * MINUTE], punch_velocity_m_s=7.0)
    await filling.work([quarter + 30 * MINUTE] * 3)
    found = punches(book_reader, MONDAY, MONDAY + DAY)
    assert found.velocity_m_s.tolist() == [7.5, 7.5, 7.0]
    assert found.pressure_kpa[:2].tolist() == [580.0, 600.0]
    assert np.isnan(found.pressure_kpa[2])
    assert found.count_now == 16
    # 05:45, 06:00 and 06:01 UTC: the begins of their buckets, and a 15th of one further
    assert found.counts == pytest.approx([10, 11, 11 + 2 / 15])
    assert punches(book_reader, MONDAY + DAY, MONDAY + 2 * DAY).counts.size == 0


async def test_of_many_punches_every_nth_is_read(
    writer: Writer, book_reader: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The counts are those of the tool all the same."""
    monkeypatch.setattr(use, "MOST_PUNCHES", 100)
    filling = Filling(writer)
    await filling.work([MONDAY + number * MINUTE for number in range(250)], punch_velocity_m_s=7.5)
    found = punches(book_reader, MONDAY, MONDAY + DAY)
    assert found.count_now == 250
    assert found.counts.size == 83
    assert np.abs(found.counts - np.arange(2, 250, 3)).max() < 15


async def test_the_line_is_that_of_the_latest_mount(writer: Writer, book_reader: Engine) -> None:
    """Also after it was taken off."""
    filling = Filling(writer)
    await filling.work([MONDAY])
    with book_reader.connect() as connection:
        tool_id = connection.execute(select(tables.tool)).one().tool_id
        assert line_of(connection, tool_id) is None
    await filling.commit(mounts=(MountChange(TOOL, MONDAY),))
    await filling.commit(mounts=(MountChange(None, MONDAY + HOUR),))
    with book_reader.connect() as connection:
        assert line_of(connection, tool_id) == "line-1"
