"""A line whose shifts are closed under a clock that a test sets, and the truth beside the book."""

from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import orjson
from sqlalchemy import Engine, select

from collector.closing import close_line
from collector.model import (
    BookedCycle,
    CountChange,
    Cycle,
    Entry,
    Gap,
    LateCycle,
    LateEntry,
    Mark,
    MountChange,
    Position,
    ToolName,
)
from collector.shifts import WEEKDAYS, Shift, ShiftPlan
from collector.store import tables
from collector.store.statements import LineRules, Seen
from collector.store.writer import Writer
from tests.collector.store.rigs import IDENTITIES, TOOL

BERLIN = ZoneInfo("Europe/Berlin")
WORKED = frozenset(WEEKDAYS[:6])
PLAN = ShiftPlan.of(
    BERLIN,
    [
        (None, Shift("early", time(6, 20), time(14, 42))),
        (None, Shift("late", time(14, 42), time(22, 10))),
        (None, Shift("night", time(22, 30), time(6, 20), WORKED)),
    ],
)
MET = datetime(2026, 10, 23, 4, 20, tzinfo=UTC)
"""06:20 in Berlin on a Friday; in the night to Sunday the clocks go back."""
SECOND = timedelta(seconds=1)
MODULUS = 2**32


@dataclass
class LineRig:
    writer: Writer
    reader: Engine
    rules: LineRules
    now: datetime = MET
    seen: Seen = field(default_factory=Seen)
    records_tell_count: bool = True
    positions: dict[str, Position] = field(default_factory=dict)
    tools: dict[str, ToolName] = field(default_factory=dict)
    missing: dict[tuple[str, int], BookedCycle] = field(default_factory=dict)
    """Controller and number -> a cycle that the book has not got."""
    stored: list[tuple[str, BookedCycle]] = field(default_factory=list)

    # ---- what happens at the line --------------------------------------------------------------------------

    async def meet(self, controller: str, count: int | None = 5000, tool: ToolName = TOOL) -> None:
        """First contact: before any cycle."""
        self.tools[controller] = tool
        await self._commit(
            controller,
            Position(1, 0, count, self.now),
            mounts=(MountChange(tool, self.now, Mark(1, 0, count)),),
        )

    def make(self, controller: str, at: datetime, number: int = 1, **said: Any) -> BookedCycle:
        """The cycle so many numbers behind the position; nothing is booked yet."""
        before = self.positions[controller]
        sequence = before.sequence + number
        count = None if before.total_count is None else before.total_count + number
        told = count if self.records_tell_count else None
        given = {"result": "ok", "completion": "completed", "mode": "automatic", "band": "B12", **said}
        cycle = Cycle(sequence=sequence, total_count=told, raw=b"%d" % sequence, controller_time=at, **given)
        return BookedCycle(before.epoch, sequence, at, 20.0, self.tools[controller], cycle)

    async def work(self, controller: str, *at: datetime, **said: Any) -> None:
        """Cycles that end at these instants, booked at once; the controller is read through to the last."""
        made = [self.make(controller, each, number, **said) for number, each in enumerate(at, start=1)]
        self.stored += [(controller, each) for each in made]
        last, before = made[-1], self.positions[controller]
        count = None if before.total_count is None else before.total_count + len(made)
        position = Position(last.epoch, last.sequence, count, last.ended_at)
        await self._commit(controller, position, cycles=tuple(made))

    async def lose(self, controller: str, *at: datetime) -> Gap:
        """Cycles that end at these instants, and that the controller has forgotten when it is read again."""
        made = [self.make(controller, each, number) for number, each in enumerate(at, start=1)]
        first, last = made[0], made[-1]
        before = self.positions[controller].read_through_at
        gap = Gap(1, first.sequence, last.sequence, "history overwritten", before, last.ended_at + SECOND)
        for each in made:
            self.missing[controller, each.sequence] = each
        position = Position(last.epoch, last.sequence, last.cycle.total_count, last.ended_at + SECOND)
        await self._commit(controller, position, gaps=(gap,))
        return gap

    async def find(self, controller: str, *sequences: int, by: str = "log file stick.csv") -> None:
        """A log file brings what is missing."""
        found = [self.missing.pop((controller, sequence)) for sequence in sequences]
        late = tuple(LateCycle(each.cycle, each.ended_at, 20.0) for each in found)
        entry = LateEntry(
            controller,
            late,
            MODULUS,
            TOOL.maker,
            TOOL.model,
            by,
            from_log=True,
            shortest_cycle=timedelta(milliseconds=20),
        )
        outcome = await self.writer.take_late(entry)
        assert outcome.stored == len(found)
        self.stored += [(controller, each) for each in found]

    async def read_through(self, at: datetime, *controllers: str) -> None:
        """A poll that shows nothing new."""
        for each in controllers or tuple(self.positions):
            await self._commit(each, replace(self.positions[each], read_through_at=at))

    async def swap(self, controller: str, tool: ToolName, at: datetime) -> None:
        before = self.positions[controller]
        mark = Mark(before.epoch, before.sequence, before.total_count)
        self.tools[controller] = tool
        await self._commit(controller, before, mounts=(MountChange(tool, at, mark),))

    async def clear(self, controller: str, at: datetime) -> None:
        """Somebody sets the controller's count to 0."""
        before = self.positions[controller]
        mark = Mark(before.epoch, before.sequence, before.total_count)
        change = CountChange("cleared", mark, 0, before.read_through_at, at)
        await self._commit(controller, replace(before, total_count=0), counts=(change,))

    async def _commit(self, controller: str, to: Position, **content: Any) -> None:
        expected = self.positions.get(controller)
        await self.writer.commit(Entry(controller, expected=expected, position=to, **content))
        self.positions[controller] = to

    # ---- statements ----------------------------------------------------------------------------------------

    async def close(self, now: datetime) -> None:
        """One pass, at that time."""
        self.now = now
        self.seen = await close_line(self.reader, self.writer, self.rules, self.seen, lambda: self.now)

    def bodies(self) -> list[dict[str, Any]]:
        """Every revision, in the order in which they were written."""
        statement = tables.statement
        with self.reader.connect() as connection:
            rows = connection.scalars(select(statement.c.body).order_by(statement.c.commit_number))
            return [orjson.loads(row) for row in rows]

    def latest(self) -> Mapping[tuple[str, str], dict[str, Any]]:
        """Plant day and shift -> the newest revision."""
        found: dict[tuple[str, str], dict[str, Any]] = {}
        for each in self.bodies():
            key = each["plant_day"], each["shift"]
            assert each["revision"] == (found[key]["revision"] + 1 if key in found else 1)
            found[key] = each
        return found


@asynccontextmanager
async def line_rig(engine: Engine, reader: Engine, *controllers: str) -> AsyncIterator[LineRig]:
    rules = LineRules(
        "line-1", PLAN, frozenset(controllers), dict.fromkeys(controllers, MODULUS), timedelta(hours=1)
    )
    holder: list[LineRig] = []
    async with Writer(engine, lambda: holder[0].now if holder else MET) as writer:
        await writer.register([each for each in IDENTITIES if each.name in controllers])
        rig = LineRig(writer, reader, rules)
        holder.append(rig)
        for each in controllers:
            await rig.meet(each)
        yield rig
