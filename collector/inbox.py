"""A controller that pushes its cycles through a broker: the broker's queue is the memory, and
acknowledgement follows the commit. A message that was taken and not committed comes again; one that comes
again and is in the book already is known by its bytes; one that was overtaken closes the gap that was listed
for it. A retained message lay in the broker, nobody knows how long: it proves nothing about now.
"""

import asyncio
import logging
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from collector import clock, ledger
from collector.errors import DecodeError, StalePosition, StoreError
from collector.layouts.decoder import Decoder
from collector.layouts.schema import MqttLayout
from collector.ledger import Arrival, Counted, Mounted
from collector.model import (
    BookedCurve,
    BookedCycle,
    CountChange,
    Cycle,
    Gap,
    GapReason,
    MountChange,
    Position,
    Quarantined,
    StatusSeen,
    ToolName,
)
from collector.poller import STORE_PAUSE_S
from collector.sources.base import Message, MessageSource
from collector.standing import MESSAGES_BEHIND, Standing

log = logging.getLogger(__name__)

OVERTAKEN_MOST = timedelta(minutes=1)
"""A message that is older than the last one by more was not overtaken: the controller's clock was set. One
without a time was overtaken by messages of so long ago at most, not counting when we took none."""
COUNTED_MOST = timedelta(minutes=10)
"""The same where its count fits as well."""
STALLS_MOST = 100
"""Times when we took no message that are remembered."""


@dataclass(slots=True)
class Tray:
    """What was taken from messages and is not committed yet."""

    position: Position | None
    cycles: list[BookedCycle] = field(default_factory=list)
    curves: list[BookedCurve] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    mounts: list[MountChange] = field(default_factory=list)
    counts: list[CountChange] = field(default_factory=list)
    quarantined: list[Quarantined] = field(default_factory=list)
    controller_serial: str | None = None
    """The controller's identity, where it is new to the book."""

    @property
    def empty(self) -> bool:
        return not (self.cycles or self.curves or self.gaps or self.quarantined)


class Inbox:
    """One controller's messages, from the broker into the book."""

    def __init__(self, standing: Standing, layout: MqttLayout, address: str) -> None:
        self._standing = standing
        self._layout = layout
        self._decoder = Decoder(layout)
        topics = layout.topics(address)
        self._takes = {
            topics["status"]: self._take_status,
            topics["cycle"]: self._take_cycle,
            **({topics["curve"]: self._take_curve} if "curve" in topics else {}),
        }
        self._tray = Tray(standing.position)
        self._mounted = standing.mounted()
        self._status_at = self._mounted.before_at
        """When the tool that was mounted then was seen for the last time."""
        self._gap_reason: GapReason = "messages lost"
        self._replaced_by: str | None = None
        """Identity of a controller that took the place of the one we knew, until its first cycle is here."""
        self._replaced_last = 0
        """The sequence that it showed."""
        self._epoch_began_at: datetime | None = None
        self._heard_at = self._status_at
        """When the last message came."""
        self._stalls: deque[tuple[datetime, datetime]] = deque(maxlen=STALLS_MOST)
        """When we took no messages: the connection was lost, or the store did not take any. Oldest first."""
        self._behind_since: datetime | None = None
        """Since when statuses show a last cycle before our position."""

    @property
    def topics(self) -> dict[str, int]:
        """Topic -> QoS: the broker must keep cycles and curves for us; of a status only the latest counts."""
        return {topic: int(take != self._take_status) for topic, take in self._takes.items()}

    async def work(self, source: MessageSource, went_well: Callable[[], None]) -> None:
        """Take messages until the connection ends. Raises: SourceError, StoreError."""
        if self._heard_at is not None:
            self._stalls.append((self._heard_at, self._standing.now()))
        await self._standing.keep_link("up")
        if not source.session_kept and self._standing.position is not None:
            log.warning(
                "%s: the broker did not keep our session; what it had for us is lost", self._standing.name
            )
            self._gap_reason = "session not kept"
        async for batch in source.batches():
            self._tray = Tray(self._standing.position)
            for message in batch:
                await self._take(message)
            await self._flush()
            await source.acknowledge(batch)
            went_well()

    async def _take(self, message: Message) -> None:
        take = self._takes.get(message.topic)
        if take is None:
            return
        self._heard_at = message.received_at
        try:
            await take(message)
        except DecodeError as error:
            self._set_aside(message, str(error))

    async def _take_status(self, message: Message) -> None:
        status = self._decoder.decode_status(message.payload)
        identity = await self._standing.identify(status)
        if identity == "replaced" and self._replaced_by is None:
            self._replaced_last = status.last_sequence
            self._standing.forget_clock()
        self._replaced_by = status.controller_serial if identity == "replaced" else None
        self._note_tool(status.tool, message)
        if message.retained:
            await self._flush(self._standing.seen(status, message.received_at), self._tray.position)
            return
        reading = None
        if status.clock is not None:
            resolution_ms = self._layout.clock_resolution_ms
            reading = clock.offset_by_message(status.clock, message.received_at, resolution_ms)
        seen = self._standing.look(status, reading, message.received_at)
        if identity == "new":
            self._tray.controller_serial = status.controller_serial
        await self._flush(seen, self._fallen_back(seen) or self._read_through(seen))

    def _fallen_back(self, seen: StatusSeen) -> Position | None:
        """A status can be overtaken by a cycle; if all of them stay behind our position, it is the controller
        that fell back, to a number that this returns as the position in a new epoch."""
        before, status = self._tray.position, seen.status
        numbering = self._standing.numbering
        behind = (before.sequence - status.last_sequence) % numbering.modulus if before else 0
        if before is None or self._replaced_by is not None or not 0 < behind <= numbering.modulus // 2:
            self._behind_since = None
            return None
        self._behind_since = self._behind_since or seen.read_at
        if seen.read_at - self._behind_since < OVERTAKEN_MOST:
            return None
        self._behind_since, self._epoch_began_at = None, seen.read_at
        number = ledger.first_number(status.last_sequence)
        begun = Position(before.epoch + 1, number, status.total_count)
        most = self._most(seen.read_at)
        restart = ledger.restart(before, begun, number + 1, numbering, most, seen.read_at)
        log.warning("%s: a new memory: it shows %d, after %d", self._standing.name, number, before.sequence)
        self._tray.counts += [restart.change] if restart.change else []
        self._tray.gaps += ledger.bound(restart.gaps, [], self._standing.settled_at, seen.read_at)
        return replace(begun, total_count=restart.total_count)

    def _note_tool(self, tool: ToolName | None, message: Message) -> None:
        """Cycles may still be on their way that were made before this status, by the tool before."""
        mounted = self._mounted
        if tool != mounted.now:
            self._mounted = Mounted(mounted.now, self._status_at, tool, message.received_at)
        if not message.retained:
            self._status_at = message.received_at - timedelta(milliseconds=clock.MESSAGE_DELAY_MOST_MS)

    async def _take_cycle(self, message: Message) -> None:
        cycle = self._decoder.decode_cycle(message.payload)
        self._behind_since = None
        position = self._tray.position
        most = self._most(message.received_at)
        numbering = self._standing.numbering
        arrival = ledger.arrival(position, cycle.sequence, cycle.total_count, numbering, most)
        if position is not None and self._replaced_by is not None and self._is_of_the_new(cycle, arrival):
            arrival = Arrival("another memory", ledger.first_number(cycle.sequence))
        if position is None and message.retained:
            self._set_aside(message, f"cycle {cycle.sequence} was retained, from before the book began")
            return
        if position is None or arrival.kind == "next":
            self._add(position.epoch if position else 1, arrival.number, cycle, [], message.received_at)
            return
        await self._flush()
        if await self._standing.is_known(cycle):
            return
        # Another memory's number may be that of a message from before a restart, which overtook it.
        counted_else = arrival.kind == "another memory" and cycle.total_count is not None
        may_be_late = arrival.kind == "repeated" or counted_else or self._is_older(cycle)
        if may_be_late and await self._is_late(cycle, message.received_at):
            return
        if arrival.kind == "repeated" and self._precedes_the_book(position, arrival.number, cycle):
            self._set_aside(message, f"cycle {cycle.sequence} is older than what the book begins with")
        elif message.retained and (arrival.kind != "after a gap" or cycle.total_count is None):
            self._set_aside(message, f"cycle {cycle.sequence} was retained, and fits nowhere")
        elif arrival.kind == "after a gap":
            gaps = ledger.whole_gap(position.epoch, arrival.missing, self._gap_reason)
            self._add(position.epoch, arrival.number, cycle, gaps, message.received_at)
        else:
            self._begin_epoch(position, cycle, message.received_at, most if arrival.agrees else None)

    def _is_of_the_new(self, cycle: Cycle, arrival: Arrival) -> bool:
        """Whether it comes from the controller that took the place; some of the old one may still queue, and
        go on where it was. The status may have overtaken the first of the new one."""
        modulus = self._standing.numbering.modulus
        since = (cycle.sequence - self._replaced_last) % modulus
        goes_on = arrival.kind in ("next", "after a gap")
        return since <= MESSAGES_BEHIND or (not goes_on and modulus - since <= MESSAGES_BEHIND)

    def _is_older(self, cycle: Cycle) -> bool:
        """Whether its time says that the last one in the book overtook it."""
        last = self._standing.last_controller_time
        if cycle.controller_time is None or not self._standing.tells_when(cycle):
            return False
        return last is None or clock.as_utc(cycle.controller_time) <= clock.as_utc(last)

    async def _is_late(self, cycle: Cycle, received_at: datetime) -> bool:
        """Whether it was overtaken: then it has closed its gap."""
        since, later = received_at - OVERTAKEN_MOST, received_at
        for begin, end in reversed(self._stalls):  # meanwhile it may have waited for us
            if end <= since:
                break
            since -= max(min(end, later) - begin, timedelta())
            later = min(begin, later)
        outcome = await self._standing.take_overtaken(cycle, self._mounted, since)
        return outcome.stored + outcome.known > 0

    def _precedes_the_book(self, position: Position, number: int, cycle: Cycle) -> bool:
        """Whether it was overtaken by the first cycle that the book has of this memory: a little older than
        the last one by its time and, where it has one, by its count; by that alone only just after."""
        counts = position.total_count is not None and cycle.total_count is not None
        behind = (position.total_count or 0) - (cycle.total_count or 0)
        if counts and behind != position.sequence - number:
            return False
        last = self._standing.last_controller_time
        if cycle.controller_time is None or last is None:
            began_at = self._epoch_began_at
            return counts and began_at is not None and self._standing.now() - began_at < OVERTAKEN_MOST
        most = COUNTED_MOST if counts else OVERTAKEN_MOST
        return timedelta() < clock.as_utc(last) - clock.as_utc(cycle.controller_time) < most

    def _begin_epoch(self, before: Position, cycle: Cycle, received_at: datetime, most: int | None) -> None:
        number = ledger.first_number(cycle.sequence)
        begun = Position(before.epoch + 1, number, cycle.total_count)
        reason: GapReason = "controller replaced" if self._replaced_by else "controller restarted"
        restart = ledger.restart(before, begun, number, self._standing.numbering, most, received_at, reason)
        log.warning("%s: a new memory: %d came after %d", self._standing.name, number, before.sequence)
        self._tray.controller_serial = self._replaced_by or self._tray.controller_serial
        self._replaced_by = None
        self._tray.counts += [restart.change] if restart.change else []
        self._add(begun.epoch, number, cycle, restart.gaps, received_at, restart.total_count)

    def _most(self, now: datetime) -> int | None:
        """Cycles that the controller can have made since the last one in the tray, or in the book."""
        if self._tray.cycles:
            last = self._tray.cycles[-1]
            around = timedelta(milliseconds=last.time_uncertainty_ms or 0.0)
            return self._standing.numbering.most(last.ended_at - around, now)
        return self._standing.most(now)

    async def _take_curve(self, message: Message) -> None:
        curve = self._decoder.decode_curve(message.payload)
        position = self._tray.position
        if position is None:
            self._set_aside(message, f"curve of cycle {curve.sequence}, which came before the book began")
            return
        number = ledger.number_of(position, curve.sequence, self._layout.sequence_modulus)
        if position.sequence - number > self._layout.sequence_modulus // 2:
            self._set_aside(message, f"curve of cycle {curve.sequence}, which is not in the book")
            return
        self._tray.curves.append(BookedCurve(position.epoch, number, curve))

    def _add(
        self,
        epoch: int,
        number: int,
        cycle: Cycle,
        gaps: list[Gap],
        received_at: datetime,
        restarted_at: int | None = None,
    ) -> None:
        """Put a cycle into the tray. `restarted_at`: the count at the first cycle of a new epoch."""
        tray, standing = self._tray, self._standing
        position = tray.position
        if position is None or position.epoch != epoch:
            self._epoch_began_at = received_at
            counted = Counted(number, restarted_at if position else cycle.total_count)
        else:
            counted = ledger.counted(
                position,
                epoch,
                number,
                cycle.total_count,
                standing.numbering,
                self._most(received_at),
                received_at,
            )
        tray.counts += [counted.change] if counted.change else []
        tool = tray.cycles[-1].tool if tray.cycles else standing.tool
        last = tray.cycles[-1] if tray.cycles else None
        booked = standing.book(
            epoch, [(number, cycle)], received_at, self._mounted, last, elsewhere=position is None
        )
        tray.mounts += ledger.mount_changes(tool, booked, counted)
        tray.gaps += ledger.bound(gaps, [*tray.cycles, *booked], standing.settled_at, received_at)
        tray.cycles += booked
        tray.position = counted.position(epoch, number, position.read_through_at if position else None)
        if gaps:
            self._gap_reason = "messages lost"

    def _set_aside(self, message: Message, reason: str) -> None:
        aside = Quarantined("message", message.topic, reason, message.payload, message.received_at)
        self._tray.quarantined.append(aside)

    def _read_through(self, seen: StatusSeen) -> Position | None:
        """A status that names our position as the last cycle proves that nothing before it is missing, up to
        when it was sent: by the controller's clock at the earliest, without one by the delay assumed."""
        position = self._tray.position
        if position is None or self._replaced_by is not None:
            return position
        if seen.status.last_sequence != position.sequence % self._layout.sequence_modulus:
            return position
        sent_at = seen.read_at - timedelta(milliseconds=clock.MESSAGE_DELAY_MOST_MS)
        if seen.status.clock is not None and seen.clock_offset_ms is not None:
            late_ms = seen.clock_offset_ms + (seen.clock_uncertainty_ms or 0.0)
            sent_at = clock.as_utc(seen.status.clock) - timedelta(milliseconds=late_ms)
        through, before = self._standing.through(sent_at), position.read_through_at
        return replace(position, read_through_at=max(through, before) if before else through)

    async def _flush(self, seen: StatusSeen | None = None, position: Position | None = None) -> None:
        """Commit what is in the tray; waits for the store as long as it takes: the broker keeps the rest."""
        began = self._standing.now()
        stalled = False
        while True:
            try:
                await self._keep(seen, position)
                break
            except StalePosition:
                raise
            except StoreError as error:
                log.warning("%s: the broker keeps the messages meanwhile: %s", self._standing.name, error)
                stalled = True
                await asyncio.sleep(STORE_PAUSE_S)
        if stalled:
            self._stalls.append((began, self._standing.now()))
        self._tray = Tray(self._standing.position)

    async def _keep(self, seen: StatusSeen | None, position: Position | None) -> None:
        tray, known = self._tray, self._standing.position
        begins_epoch = position is not None and known is not None and position.epoch != known.epoch
        if begins_epoch or not tray.empty:
            await self._standing.keep(
                position or tray.position,
                cycles=tray.cycles,
                curves=tray.curves,
                gaps=tray.gaps,
                mounts=tray.mounts,
                counts=tray.counts,
                quarantined=tray.quarantined,
                seen=seen,
                controller_serial=tray.controller_serial,
            )
        elif seen is not None:
            await self._standing.keep_news(seen, position, controller_serial=tray.controller_serial)
