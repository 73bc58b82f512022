"""A controller told to a book event by event, in the entries that its poller would hand over."""

from datetime import datetime, timedelta
from typing import Literal

from collector.model import (
    BookedCycle,
    CountChange,
    Cycle,
    Entry,
    Gap,
    LateCycle,
    LateEntry,
    LateOutcome,
    Mark,
    MountChange,
    Position,
    ToolName,
)
from collector.store.writer import Writer
from tests.collector.store.rigs import MORNING, TOOL, cycle


def at(position: Position) -> datetime:
    """When the cycle at a position ended."""
    return MORNING + timedelta(hours=position.epoch - 1, seconds=10 * position.sequence)


def mark_of(position: Position) -> Mark:
    return Mark(position.epoch, position.sequence, position.total_count)


class Told:
    """Keeps the position and the tool, so that a test only says what happens."""

    def __init__(self, writer: Writer, name: str = "L1-01") -> None:
        self.writer = writer
        self.name = name
        self.position: Position | None = None
        self.tool: ToolName = TOOL

    @property
    def here(self) -> Position:
        assert self.position is not None
        return self.position

    async def commit(self, position: Position, **content: object) -> None:
        entry = Entry(self.name, self.position, position, **content)  # type: ignore[arg-type]
        await self.writer.commit(entry)
        self.position = position

    async def begin(self, count: int | None = 1000, tool: ToolName = TOOL) -> None:
        """First contact with a controller that has made nothing yet."""
        position = Position(1, 0, count)
        self.tool = tool
        await self.commit(position, mounts=(MountChange(tool, MORNING, mark_of(position)),))

    async def make(self, cycles: int) -> None:
        position = self.ahead(cycles)
        numbers = range(self.here.sequence + 1, position.sequence + 1)
        await self.commit(position, cycles=tuple(self.made(number) for number in numbers))

    def made(self, number: int) -> BookedCycle:
        here = self.here
        count = None if here.total_count is None else here.total_count + number - here.sequence
        ended_at = at(Position(here.epoch, number))
        return cycle(number, epoch=here.epoch, tool=self.tool, ended_at=ended_at, total_count=count)

    async def lose(self, cycles: int) -> None:
        """They are listed as a gap."""
        position = self.ahead(cycles)
        first = self.here.sequence + 1
        gap = Gap(position.epoch, first, position.sequence, "history overwritten", None, None)
        await self.commit(position, gaps=(gap,))

    async def find(self, *sequences: int) -> LateOutcome:
        """They come late, in a log file."""
        late = tuple(LateCycle(Cycle(number, raw=b"late %d" % number), MORNING, None) for number in sequences)
        entry = LateEntry(
            self.name,
            late,
            2**32,
            TOOL.maker,
            TOOL.model,
            f"log file {self.name}.csv",
            True,
            timedelta(milliseconds=20),
        )
        return await self.writer.take_late(entry)

    async def swap(self, tool: ToolName | None) -> None:
        """Behind the last cycle."""
        change = MountChange(tool, at(self.here), mark_of(self.here))
        await self.commit(self.here, mounts=(change,))
        self.tool = tool or self.tool

    async def change(
        self,
        kind: Literal["cleared", "entered", "unexplained"],
        found: int,
        swapped_to: ToolName | None = None,
    ) -> None:
        """The count is another one now. `swapped_to`: in the same look the tool was another one too."""
        here = self.here
        change = CountChange(kind, mark_of(here), found, at(here), at(here))
        mounts = (MountChange(swapped_to, at(here), mark_of(here)),) if swapped_to else ()
        self.tool = swapped_to or self.tool
        await self.commit(Position(here.epoch, here.sequence, found), counts=(change,), mounts=mounts)

    async def lose_memory(self, count: int, tool: ToolName | None = None) -> None:
        """It starts anew from 0 with another count; nobody knows how many cycles it had made meanwhile."""
        before = self.here
        position = Position(before.epoch + 1, 0, count)
        gap = Gap(before.epoch, before.sequence + 1, None, "controller restarted", None, None)
        lost = CountChange(
            "lost", Mark(position.epoch, 0, before.total_count), count, at(before), at(position)
        )
        mounts = (MountChange(tool, at(position), mark_of(position)),) if tool else ()
        self.tool = tool or self.tool
        await self.commit(position, gaps=(gap,), counts=(lost,), mounts=mounts)

    async def restart(self, missing: int) -> None:
        """Its sequence starts anew, its count goes on: so many cycles are missing before."""
        before = self.here
        count = None if before.total_count is None else before.total_count + missing
        first = before.sequence + 1
        gap = Gap(before.epoch, first, first + missing - 1, "controller restarted", None, None)
        await self.commit(Position(before.epoch + 1, 0, count), gaps=(gap,) if missing else ())

    def ahead(self, cycles: int) -> Position:
        here = self.here
        count = None if here.total_count is None else here.total_count + cycles
        return Position(here.epoch, here.sequence + cycles, count)
