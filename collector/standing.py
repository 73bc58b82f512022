"""What one poller knows of its controller and its link. It moves on only with the book: work that the store
did not take leaves it where it was, and the same work is done again.
"""

import logging
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Literal

from collector import clock, ledger
from collector.analysis.setup import setting_changes
from collector.clock import ClockOffset, Ended, Watched
from collector.errors import BadReply, OtherController, StalePosition, StoreError
from collector.layouts.schema import BlockLayout, Layout, MqttLayout
from collector.ledger import Mounted, Numbering
from collector.model import (
    SET_VALUES,
    BookedCurve,
    BookedCycle,
    ClockChange,
    ControllerMemory,
    CountChange,
    Cycle,
    Entry,
    Gap,
    LateCycle,
    LateEntry,
    LateOutcome,
    Link,
    LinkState,
    Mark,
    MountChange,
    Position,
    Quarantined,
    SettingChange,
    Status,
    StatusSeen,
    ToolName,
    Value,
)
from collector.store.writer import Writer

log = logging.getLogger(__name__)

STATUS_EVERY = timedelta(seconds=5)
"""A status that says nothing new is committed this often, to carry clock, pressure and read-through."""
SETS_MOST = 8
"""Times that a clock was set, that are remembered for stamps from before."""
SET_LATELY = timedelta(minutes=1)
"""For so long after a clock was set, a stamp may still be from before."""
MESSAGES_BEHIND = 100
"""A broker may still hold so many messages of the time before a status."""


def numbering(layout: Layout) -> Numbering:
    """How the layout's controllers count."""
    slots = layout.history.slots if isinstance(layout, BlockLayout) else MESSAGES_BEHIND
    shortest_cycle = timedelta(milliseconds=layout.shortest_cycle_ms)
    return Numbering(layout.sequence_modulus, slots, layout.count_modulus, shortest_cycle)


class Standing:
    """Where we stand with one controller: position, mounted tool, open faults, clock, link."""

    def __init__(
        self,
        name: str,
        layout: Layout,
        writer: Writer,
        memory: ControllerMemory,
        now: Callable[[], datetime],
        own_serial: str | None = None,
    ) -> None:
        """own_serial: the identity that the site file says the controller has, if it does."""
        self.name = name
        self.layout = layout
        self.numbering = numbering(layout)
        self.now = now
        self._own_serial = own_serial
        self._memory = memory
        self._writer = writer
        self._link = Link("connecting", now())
        self._link_kept: Link | None = None
        self._seen: StatusSeen | None = None
        self._looked_at = memory.read_at
        self._through_at = memory.position.read_through_at if memory.position else None
        self._quarantined: dict[str, bytes] = {}
        shown = {each.name for each in layout.status.fields if each.setting}
        self._in_records = tuple(
            name for name in SET_VALUES if layout.history.find(name) is not None and name not in shown
        )
        offset = _offset(memory.clock_offset_ms, memory.clock_uncertainty_ms)
        self._watch_clock(offset, memory.read_at)
        self._clock_changes: tuple[ClockChange, ...] = ()

    @property
    def position(self) -> Position | None:
        return self._memory.position

    @property
    def last_raw(self) -> bytes | None:
        """The record at the position; None where the book has none there."""
        return self._memory.last_raw

    @property
    def tool(self) -> ToolName | None:
        """The tool mounted according to the book."""
        return self._memory.tool

    @property
    def last_controller_time(self) -> datetime | None:
        """End of the last cycle in the book, by the controller's own clock."""
        return self._memory.last_controller_time

    @property
    def first_look(self) -> bool:
        """Nothing was seen of the controller since this collector started."""
        return self._seen is None

    @property
    def settled_at(self) -> datetime | None:
        """Latest instant of which we know that it lies before every cycle after the position."""
        last = self._last_ended
        known = [at for at in (self._through_at, last.earliest if last else None) if at is not None]
        return max(known, default=None)

    def most(self, now: datetime) -> int | None:
        """Cycles that the controller can have made since the position."""
        return self.numbering.most(self.settled_at, now)

    # ---- into the book -------------------------------------------------------------------------------------

    async def keep(
        self,
        position: Position | None,
        *,
        cycles: Sequence[BookedCycle] = (),
        curves: Sequence[BookedCurve] = (),
        gaps: Sequence[Gap] = (),
        mounts: Sequence[MountChange] = (),
        counts: Sequence[CountChange] = (),
        quarantined: Sequence[Quarantined] = (),
        seen: StatusSeen | None = None,
        mark: Mark | None = None,
        controller_serial: str | None = None,
    ) -> None:
        """Commit all of this in one transaction; returns when it is durable.

        Args: mark: where a tool that the status shows for the first time begins; the position, if not given;
        controller_serial: the controller's identity, where it is new.
        Raises: StoreError: nothing of it is in the book, and nothing here has moved; StalePosition: the
        position here is the book's again, and the work has to be planned anew.
        """
        memory = replace(
            self._memory,
            position=position,
            tool=mounts[-1].tool if mounts else self.tool,
            controller_serial=controller_serial or self._memory.controller_serial,
        )
        if position != self.position and position is not None:
            memory = replace(memory, last_raw=_raw_at(position, cycles) or self._raw_stays(position))
        if cycles:
            last = cycles[-1]
            memory = replace(
                memory,
                last_ended_at=last.ended_at,
                last_uncertainty_ms=last.time_uncertainty_ms,
                last_controller_time=last.cycle.controller_time,
            )
        entry = Entry(
            controller=self.name,
            expected=self.position,
            position=position,
            cycles=tuple(cycles),
            curves=tuple(curves),
            gaps=tuple(gaps),
            mounts=tuple(mounts),
            counts=tuple(counts),
            clocks=self._clock_changes,
            quarantined=self._not_repeated(quarantined),
            seen=seen,
            link=self._link,
            controller_serial=controller_serial,
        )
        if seen is not None:
            entry, memory = self._with_status(entry, memory, seen, mark)
        settings, known = self._setting_changes(cycles, seen)
        entry, memory = replace(entry, settings=settings), replace(memory, settings=known)
        try:
            await self._writer.commit(entry)
        except StalePosition:
            # Committed already, though we were not told: a connection cut at that very moment.
            self._memory = await self._writer.recall(self.name)
            raise
        self._memory = memory
        self._seen = seen or self._seen
        self._link_kept = entry.link
        self._note_through(position)
        self._clock_changes = self._clock_changes[len(entry.clocks) :]
        self._quarantined |= {each.what: each.raw for each in entry.quarantined}

    def _with_status(
        self, entry: Entry, memory: ControllerMemory, seen: StatusSeen, mark: Mark | None
    ) -> tuple[Entry, ControllerMemory]:
        status = seen.status
        not_before = self._seen.read_at if self._seen else None
        faults = ledger.fault_changes(
            memory.open_faults, status.faults, status.tool or ledger.NO_TOOL, seen.read_at, not_before
        )
        entry = replace(entry, faults=faults)
        nobody = status.tool is None and memory.tool == ledger.NO_TOOL
        if self._shows_tool and status.tool != memory.tool and not nobody:
            mark = mark or _mark(entry.position)
            entry = replace(entry, mounts=(*entry.mounts, MountChange(status.tool, seen.read_at, mark)))
            memory = replace(memory, tool=status.tool)
        memory = replace(
            memory,
            read_at=seen.read_at,
            open_faults=ledger.open_after(status.faults),
            clock_offset_ms=seen.clock_offset_ms,
            clock_uncertainty_ms=seen.clock_uncertainty_ms,
        )
        return entry, memory

    def _setting_changes(
        self, cycles: Sequence[BookedCycle], seen: StatusSeen | None
    ) -> tuple[tuple[SettingChange, ...], Mapping[str, Value]]:
        """What somebody has set since the book was told last, and what is set now."""
        found = [
            (each.ended_at, {name: getattr(each.cycle, name) for name in self._in_records}) for each in cycles
        ]
        if seen is not None:
            found.append((seen.read_at, dict(seen.status.settings)))
        if not any(settings for _, settings in found):
            return (), self._memory.settings
        before = self._looked_at or self._memory.last_ended_at or found[0][0]
        told = [(before, self._memory.settings)]
        for at, settings in found:
            told.append((max(at, told[-1][0]), settings))  # the order is known, our clock may have been set
        known = {name: value for _, settings in told for name, value in settings.items() if value is not None}
        return setting_changes(told), known

    @property
    def _shows_tool(self) -> bool:
        return self.layout.status.find("tool_serial") is not None

    def _raw_stays(self, position: Position) -> bytes | None:
        before = self.position
        same = before is not None and (before.epoch, before.sequence) == (position.epoch, position.sequence)
        return self.last_raw if same else None

    def _not_repeated(self, quarantined: Sequence[Quarantined]) -> tuple[Quarantined, ...]:
        """What stays unreadable is kept once, not once a poll."""
        return tuple(each for each in quarantined if self._quarantined.get(each.what) != each.raw)

    async def keep_news(
        self,
        seen: StatusSeen,
        position: Position | None,
        counts: Sequence[CountChange] = (),
        mark: Mark | None = None,
        controller_serial: str | None = None,
    ) -> None:
        """Commit a status, if it says anything but the noisy values, or enough time went by."""
        self._note_through(position)
        before = self._seen
        news = bool(counts or controller_serial or self._clock_changes) or self._link != self._link_kept
        stale = before is None or seen.read_at - before.read_at >= STATUS_EVERY
        if news or stale or before is None or _quiet(before.status) != _quiet(seen.status):
            await self.keep(
                position, counts=counts, seen=seen, mark=mark, controller_serial=controller_serial
            )

    def answered(self) -> None:
        """The link is up: the next entry says so."""
        if self._link.state != "up":
            self._link = replace(self._link, state="up", since=self.now())

    def through(self, at: datetime) -> datetime:
        """Cycles that ended before this are told of by a status of the instant `at`."""
        return at - timedelta(milliseconds=self.layout.recording_ms)

    def _note_through(self, position: Position | None) -> None:
        """What was seen once stays seen, in the book or not: every later cycle ended after it."""
        if position is not None and position.read_through_at is not None:
            self._through_at = max(position.read_through_at, self._through_at or position.read_through_at)

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

    async def take_late(
        self, cycles: Sequence[Cycle], *, brought_by: str, quarantined: Sequence[Quarantined] = ()
    ) -> LateOutcome:
        """Put the cycles of a log into the gaps that they close; those that belong nowhere into quarantine.

        Args: brought_by: in words, such as "log file L1-07.csv". Raises: StoreError: nothing of it is in the
        book.
        """
        late = [self._late(cycle, self.layout.log_time_resolution_ms) for cycle in cycles]
        return await self._writer.take_late(self._late_entry(late, brought_by, quarantined))

    async def take_overtaken(self, cycle: Cycle, mounted: Mounted, since: datetime) -> LateOutcome:
        """Put a message that comes behind a later one into its gap, if there is one.

        Args: since: without a time it belongs only to a gap that was noticed since then.
        Raises: StoreError.
        """
        late = self._late(cycle, self.layout.time_resolution_ms)
        around = timedelta(milliseconds=late.time_uncertainty_ms or 0.0)
        bounds = (late.ended_at - around, late.ended_at + around) if late.ended_at else (None, None)
        maker, model = self.layout.tool.maker, self.layout.tool.model
        late = replace(late, tool=ledger.tool_of(cycle, mounted, bounds, maker, model))
        entry = replace(self._late_entry([late], "late message"), overtaken_since=since)
        return await self._writer.take_late(entry)

    def tells_when(self, cycle: Cycle) -> bool:
        """Whether its stamp tells when it ended: the controller's clock is known, too."""
        return self._late(cycle, self.layout.time_resolution_ms).ended_at is not None

    def _late_entry(
        self, late: Sequence[LateCycle], brought_by: str, quarantined: Sequence[Quarantined] | None = None
    ) -> LateEntry:
        count = self.layout.history.find("total_count")
        return LateEntry(
            controller=self.name,
            cycles=tuple(late),
            modulus=self.numbering.modulus,
            maker=self.layout.tool.maker,
            model=self.layout.tool.model,
            shortest_cycle=self.numbering.shortest_cycle,
            brought_by=brought_by,
            from_log=quarantined is not None,
            count_modulus=count.modulus if count else None,
            quarantined=tuple(quarantined or ()),
        )

    def _late(self, cycle: Cycle, resolution_ms: float) -> LateCycle:
        now = self.now()
        ended = clock.ended_at(cycle.controller_time, self._offsets(now), resolution_ms, now, None, None)
        known = cycle.controller_time is not None and ended.uncertainty_ms is not None
        return LateCycle(cycle, ended.at if known else None, ended.uncertainty_ms if known else None)

    # ---- from the book -------------------------------------------------------------------------------------

    async def unknown_of(self, found: Mapping[int, Cycle], serial: str | None) -> dict[int, Cycle]:
        """Without the records that the book has already, from whichever epoch. `serial`: of the controller
        that has them now."""
        has = await self._writer.find_known(self.name, serial, list(found.values()), self.numbering.modulus)
        known = {number: cycle for (number, cycle), each in zip(found.items(), has, strict=True) if each}
        known = {number: cycle for number, cycle in known.items() if ledger.says_which(cycle)}
        return {number: cycle for number, cycle in found.items() if number not in known}

    async def is_known(self, cycle: Cycle) -> bool:
        """Whether the book has that very message already: from this controller, wherever it stood, or from
        one that stood here before it, and whose messages come again."""
        for serial in {self._memory.controller_serial or None, None}:
            (known,) = await self._writer.find_known(self.name, serial, [cycle], self.numbering.modulus)
            if known:
                return True
        return False

    async def identify(self, status: Status) -> Literal["as known", "new", "replaced"]:
        """Whether this is the controller that belongs here.

        Raises: OtherController: it belongs elsewhere; the book must not mix the two. StoreError.
        """
        serial, known = status.controller_serial, self._memory.controller_serial
        if serial is None:
            return "as known"
        if self._own_serial not in (None, serial):
            raise OtherController(
                f"{self.name}: the controller that answers has the serial {serial}, the site file says "
                f"{self._own_serial}; nothing of it goes into the book. Check the address, or, if the "
                "controller was replaced, its controller_serial in the site file"
            )
        if serial == known:
            return "as known"
        owner = await self._writer.owner_of(serial)
        if self._own_serial is None and owner not in (None, self.name):
            raise OtherController(
                f"{self.name}: the controller that answers has the serial {serial}, which the book knows as "
                f"{owner}; nothing of it goes into the book. Check whether addresses were swapped; if the "
                f"controller was moved here, say so in the site file: controller_serial = {serial!r}"
            )
        if known is not None:
            log.warning("%s: controller %s was replaced by controller %s", self.name, known, serial)
        return "new" if known is None else "replaced"

    # ---- time and tool -------------------------------------------------------------------------------------

    def forget_clock(self) -> None:
        """Another controller is here, whose clock was not read yet."""
        self._watch_clock(None, None)

    def _watch_clock(self, offset: ClockOffset | None, at: datetime | None) -> None:
        pushed = isinstance(self.layout, MqttLayout)
        self._watch = clock.Watch(offset, at, self.layout.clock_resolution_ms, pushed=pushed)
        self._watched = Watched(offset)
        self._set_from: deque[tuple[datetime, ClockOffset]] = deque(maxlen=SETS_MOST)

    def look(self, status: Status, reading: ClockOffset | None, read_at: datetime) -> StatusSeen:
        """Take a status into account: its clock, and when it was. `reading`: of the clock, if it can tell."""
        watched = self._watch.read(status.clock, reading, read_at)
        if watched.set_from is not None and watched.set_by_ms is not None:
            self._set_from.append((read_at, watched.set_from))
            change = ClockChange(*watched.set_by_ms, read_at)
            self._clock_changes = (*self._clock_changes, change)
            log.warning(
                "%s: its clock was set, by %.1f s", self.name, (change.after_ms - change.before_ms) / 1000
            )
        self._watched = watched
        return self.seen(status, read_at)

    def seen(self, status: Status, read_at: datetime) -> StatusSeen:
        """A status, with what is known of the controller's clock."""
        if status.state == "starting":  # what was set may not be there yet either
            status = replace(status, settings=self._memory.settings)
        offset = self._watch.offset(read_at)
        return StatusSeen(
            status,
            read_at,
            offset.offset_ms if offset else None,
            offset.uncertainty_ms if offset else None,
            self._watched.drift_ppm,
            self._watched.stands_still,
        )

    def looked(self, seen: StatusSeen) -> None:
        """What was made of a status is done: the next swap of a tool lies after it."""
        self._looked_at = seen.read_at

    def mounted(self, seen: StatusSeen | None = None) -> Mounted:
        """The tool before this status and with it; without one, the tool known so far."""
        now = seen.status.tool if seen is not None and self._shows_tool else self.tool
        return Mounted(self.tool, self._looked_at, now)

    def book(
        self,
        epoch: int,
        cycles: Iterable[tuple[int, Cycle]],
        read_at: datetime,
        mounted: Mounted,
        before: BookedCycle | None = None,
        elsewhere: bool = False,
    ) -> list[BookedCycle]:
        """Numbered cycles, in order, with corrected time and tool.

        Args: read_at: they had ended then; before: the cycle before them, else the last one committed;
        elsewhere: they may be older than what the book has, from before the controller came here.
        """
        booked: list[BookedCycle] = []
        ended = None if elsewhere else _ended(before) if before else self._last_ended
        not_before = None if elsewhere else self._through_at
        for number, cycle in cycles:
            ended = clock.ended_at(
                cycle.controller_time,
                self._offsets(read_at),
                self.layout.time_resolution_ms,
                read_at,
                ended,
                not_before,
            )
            bounds = (ended.earliest, ended.latest)
            tool = ledger.tool_of(cycle, mounted, bounds, self.layout.tool.maker, self.layout.tool.model)
            booked.append(BookedCycle(epoch, number, ended.at, ended.uncertainty_ms, tool, cycle))
        return booked

    def _offsets(self, now: datetime) -> list[ClockOffset]:
        """Of the clock: now, and before it was set lately, or since the last cycle was settled."""
        offset = None if self._watched.offset is None else self._watch.offset(now)
        if offset is None or self._watched.offset is None:
            return []
        offset = offset.around(self._watched.offset)  # a slow message widens what is known
        since = min(now - SET_LATELY, self.settled_at or now)
        return [offset, *(before for at, before in self._set_from if at >= since)]

    @property
    def _last_ended(self) -> Ended | None:
        at, uncertainty_ms = self._memory.last_ended_at, self._memory.last_uncertainty_ms
        return None if at is None else _end(at, uncertainty_ms)


def _ended(booked: BookedCycle) -> Ended:
    return _end(booked.ended_at, booked.time_uncertainty_ms)


def _end(at: datetime, uncertainty_ms: float | None) -> Ended:
    around = None if uncertainty_ms is None else timedelta(milliseconds=uncertainty_ms)
    return Ended(at, uncertainty_ms, None if around is None else at - around, at + (around or timedelta()))


def _offset(offset_ms: float | None, uncertainty_ms: float | None) -> ClockOffset | None:
    return None if offset_ms is None or uncertainty_ms is None else ClockOffset(offset_ms, uncertainty_ms)


def _raw_at(position: Position, cycles: Sequence[BookedCycle]) -> bytes | None:
    last = cycles[-1] if cycles else None
    is_last = last is not None and (last.epoch, last.sequence) == (position.epoch, position.sequence)
    return last.cycle.raw if last is not None and is_last else None


def _mark(position: Position | None) -> Mark | None:
    return Mark(position.epoch, position.sequence, position.total_count) if position else None


def _quiet(status: Status) -> Status:
    """Without what changes at every poll."""
    return replace(status, clock=None, supply_pressure_kpa=None, extra={}, raw=b"")
