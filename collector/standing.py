"""What one poller knows of its controller and its link. It moves on only with the book: work that the store
did not take leaves it where it was, and the same work is done again.
"""

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from collector import clock, ledger
from collector.clock import ClockOffset
from collector.errors import BadReply, StalePosition, StoreError
from collector.layouts.schema import Layout
from collector.model import (
    BookedCurve,
    BookedCycle,
    ControllerMemory,
    Cycle,
    Entry,
    Gap,
    Link,
    LinkState,
    Position,
    Quarantined,
    Status,
    StatusSeen,
)
from collector.store.writer import Writer

log = logging.getLogger(__name__)

STATUS_EVERY = timedelta(seconds=5)
"""A status that says nothing new is committed this often, to carry clock, pressure and read-through."""


class Standing:
    """Where we stand with one controller: position, mounted tool, open faults, clock offset, link."""

    def __init__(
        self, name: str, layout: Layout, writer: Writer, memory: ControllerMemory, now: Callable[[], datetime]
    ) -> None:
        self.name = name
        self.layout = layout
        self.now = now
        self._memory = memory
        self._writer = writer
        self._link = Link("connecting", now())
        self._seen: StatusSeen | None = None
        self._quarantined: dict[str, bytes] = {}

    @property
    def position(self) -> Position | None:
        return self._memory.position

    @property
    def settled_at(self) -> datetime | None:
        """Latest instant of which we know that it lies before every cycle after the position."""
        read_through_at = self.position.read_through_at if self.position else None
        known = [at for at in (read_through_at, self._memory.last_ended_at) if at is not None]
        return max(known, default=None)

    async def keep(
        self,
        position: Position | None,
        *,
        cycles: Sequence[BookedCycle] = (),
        curves: Sequence[BookedCurve] = (),
        gaps: Sequence[Gap] = (),
        quarantined: Sequence[Quarantined] = (),
        seen: StatusSeen | None = None,
    ) -> None:
        """Commit all of this in one transaction; returns when it is durable.

        Raises: StoreError: nothing of it is in the book, and nothing here has moved; StalePosition: the
        position here is the book's again, and the work has to be planned anew.
        """
        last_ended_at = max((each.ended_at for each in cycles), default=self._memory.last_ended_at)
        memory = replace(self._memory, position=position, last_ended_at=last_ended_at)
        entry = Entry(
            controller=self.name,
            expected=self.position,
            position=position,
            cycles=tuple(cycles),
            curves=tuple(curves),
            gaps=tuple(gaps),
            quarantined=self._not_repeated(quarantined),
            seen=seen,
            link=self._link,
        )
        if seen is not None:
            entry, memory = self._with_status(entry, memory, seen)
        try:
            await self._writer.commit(entry)
        except StalePosition:
            # Committed already, though we were not told: a connection cut at that very moment.
            self._memory = await self._writer.recall(self.name)
            raise
        self._memory = memory
        self._seen = seen or self._seen
        self._quarantined |= {each.what: each.raw for each in entry.quarantined}

    def _with_status(
        self, entry: Entry, memory: ControllerMemory, seen: StatusSeen
    ) -> tuple[Entry, ControllerMemory]:
        status = seen.status
        not_before = self._seen.read_at if self._seen else None
        tool = status.tool or ledger.NO_TOOL
        entry = replace(
            entry,
            mounts=ledger.mount_changes(memory.tool, status, seen.read_at),
            faults=ledger.fault_changes(memory.open_faults, status.faults, tool, seen.read_at, not_before),
        )
        memory = replace(
            memory,
            tool=status.tool,
            open_faults=ledger.open_after(status.faults),
            clock_offset_ms=seen.clock_offset_ms,
            clock_uncertainty_ms=seen.clock_uncertainty_ms,
        )
        return entry, memory

    def _not_repeated(self, quarantined: Sequence[Quarantined]) -> tuple[Quarantined, ...]:
        """What stays unreadable is kept once, not once a poll."""
        return tuple(each for each in quarantined if self._quarantined.get(each.what) != each.raw)

    async def keep_news(self, seen: StatusSeen, position: Position | None) -> None:
        """Commit a status, if it says anything but the noisy values, or enough time went by."""
        before = self._seen
        stale = before is None or seen.read_at - before.read_at >= STATUS_EVERY
        if stale or before is None or _quiet(before.status) != _quiet(seen.status):
            await self.keep(position, seen=seen)

    async def keep_link(self, state: LinkState, error: Exception | None = None) -> None:
        """Note the state of the link, and say it in the book if the store can take it now."""
        now = self.now()
        link = self._link
        bad_replies = dict(link.bad_replies)
        if isinstance(error, BadReply):
            bad_replies[error.kind] = bad_replies.get(error.kind, 0) + 1
        self._link = Link(
            state=state,
            since=link.since if link.state == state else now,
            last_error=str(error) if error else link.last_error,
            last_error_at=now if error else link.last_error_at,
            bad_replies=bad_replies,
            reconnects=link.reconnects + (error is not None),
        )
        try:
            await self.keep(self.position)
        except StoreError as trouble:
            log.warning("%s: the book can't take the state of the link now: %s", self.name, trouble)

    async def find_raw(self, numbers: Sequence[int]) -> Mapping[int, bytes]:
        """The raw records that the book has under these numbers of the current epoch."""
        if self.position is None:
            return {}
        return await self._writer.find_raw(self.name, self.position.epoch, numbers)

    async def is_missing(self, number: int) -> bool:
        """Whether the book lists this number of the current epoch as missing."""
        if self.position is None:
            return False
        return await self._writer.is_missing(self.name, self.position.epoch, number)

    def seen(self, status: Status, read_at: datetime, offset: ClockOffset | None) -> StatusSeen:
        """A status with the controller's clock offset: this reading's, or the last one known."""
        offset = offset or self.clock_offset
        return StatusSeen(
            status,
            read_at,
            offset.offset_ms if offset else None,
            offset.uncertainty_ms if offset else None,
        )

    def book(
        self,
        epoch: int,
        cycles: Iterable[tuple[int, Cycle]],
        read_at: datetime,
        seen: StatusSeen | None = None,
        after: datetime | None = None,
    ) -> list[BookedCycle]:
        """Numbered cycles, in order, with corrected time and tool.

        Args: seen: the status at hand, else the last one known counts; after: the end of the cycle before
        them, else that of the last one committed.
        """
        booked: list[BookedCycle] = []
        offset = self._offset(seen or self._memory)
        mounted = seen.status.tool if seen else self._memory.tool
        after = after or self._memory.last_ended_at
        for number, cycle in cycles:
            tool = ledger.tool_of(cycle, mounted, self.layout.tool.maker, self.layout.tool.model)
            after, uncertainty_ms = clock.ended_at(
                cycle.controller_time, offset, self.layout.time_resolution_ms, read_at, after
            )
            booked.append(BookedCycle(epoch, number, after, uncertainty_ms, tool, cycle))
        return booked

    @property
    def clock_offset(self) -> ClockOffset | None:
        """The last one known."""
        return self._offset(self._memory)

    def _offset(self, known: StatusSeen | ControllerMemory) -> ClockOffset | None:
        if known.clock_offset_ms is None or known.clock_uncertainty_ms is None:
            return None
        return ClockOffset(known.clock_offset_ms, known.clock_uncertainty_ms)


def _quiet(status: Status) -> Status:
    """Without what changes at every poll."""
    return replace(status, clock=None, supply_pressure_kpa=None, extra={}, raw=b"")
