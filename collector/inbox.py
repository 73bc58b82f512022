"""A controller that pushes its cycles through a broker: the broker's queue is the memory, and
acknowledgement follows the commit. A message that was taken and not committed comes again; one that comes
again and is in the book already is known by its bytes.
"""

import asyncio
import logging
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime

from collector import clock, ledger
from collector.errors import DecodeError, StalePosition, StoreError
from collector.layouts.decoder import Decoder
from collector.layouts.schema import MqttLayout
from collector.model import BookedCurve, BookedCycle, Cycle, Gap, GapReason, Position, Quarantined, StatusSeen
from collector.poller import STORE_PAUSE_S
from collector.sources.base import Message, MessageSource
from collector.standing import Standing

log = logging.getLogger(__name__)


@dataclass(slots=True)
class Tray:
    """What was taken from messages and is not committed yet."""

    position: Position | None
    cycles: list[BookedCycle] = field(default_factory=list)
    curves: list[BookedCurve] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    quarantined: list[Quarantined] = field(default_factory=list)

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
        self._gap_reason: GapReason = "messages lost"
        self._least_delay = clock.LeastDelay(standing.clock_offset, standing.now())

    @property
    def topics(self) -> dict[str, int]:
        """Topic -> QoS: the broker must keep cycles and curves for us; of a status only the latest counts."""
        return {topic: int(take != self._take_status) for topic, take in self._takes.items()}

    async def work(self, source: MessageSource, went_well: Callable[[], None]) -> None:
        """Take messages until the connection ends. Raises: SourceError, StalePosition."""
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
        try:
            await take(message)
        except DecodeError as error:
            self._set_aside(message, str(error))

    async def _take_status(self, message: Message) -> None:
        status = self._decoder.decode_status(message.payload)
        # A retained status lay in the broker, nobody knows how long: it proves nothing about now.
        live = not message.retained
        offset = None
        if live and status.clock is not None:
            told = clock.offset_by_message(status.clock, message.received_at)
            offset = self._least_delay.after(told, message.received_at)
        seen = self._standing.seen(status, message.received_at, offset)
        await self._flush(seen, self._read_through(seen) if live else self._tray.position)

    async def _take_cycle(self, message: Message) -> None:
        cycle = self._decoder.decode_cycle(message.payload)
        arrival = ledger.arrival(self._tray.position, cycle.sequence, self._layout.sequence_modulus)
        if arrival.kind == "repeated":
            await self._take_repeated(message, cycle, arrival.number)
            return
        epoch = self._tray.position.epoch if self._tray.position else 1
        gaps = ledger.whole_gap(epoch, arrival.missing, self._gap_reason)
        self._add(epoch, arrival.number, cycle, gaps, message.received_at)

    async def _take_repeated(self, message: Message, cycle: Cycle, number: int) -> None:
        """A duplicate, the first cycle after the controller fell back, or one that was overtaken."""
        await self._flush()
        position = self._standing.position
        assert position is not None
        known = (await self._standing.find_raw([number])).get(number)
        if known == cycle.raw:
            return
        if known is None and await self._standing.is_missing(number):
            self._set_aside(message, f"cycle {cycle.sequence} came after the book had listed it as missing")
            return
        log.warning(
            "%s: sequence fell back from %d to %d", self._standing.name, position.sequence, cycle.sequence
        )
        begun = Position(position.epoch + 1, cycle.sequence, cycle.total_count)
        gaps = ledger.lost_in_restart(position, begun, first=cycle.sequence, brought=1)
        self._add(begun.epoch, begun.sequence, cycle, gaps, message.received_at)

    async def _take_curve(self, message: Message) -> None:
        curve = self._decoder.decode_curve(message.payload)
        position = self._tray.position
        if position is None:
            self._set_aside(message, f"curve of cycle {curve.sequence}, which came before the book began")
            return
        number = ledger.number_of(position, curve.sequence, self._layout.sequence_modulus)
        self._tray.curves.append(BookedCurve(position.epoch, number, curve))

    def _add(self, epoch: int, number: int, cycle: Cycle, gaps: list[Gap], received_at: datetime) -> None:
        tray = self._tray
        read_through_at = tray.position.read_through_at if tray.position else None
        after = tray.cycles[-1].ended_at if tray.cycles else None
        tray.cycles += self._standing.book(epoch, [(number, cycle)], received_at, after=after)
        tray.gaps += ledger.bound(gaps, tray.cycles, self._standing.settled_at, received_at)
        tray.position = Position(epoch, number, cycle.total_count, read_through_at)
        if gaps:
            self._gap_reason = "messages lost"

    def _set_aside(self, message: Message, reason: str) -> None:
        aside = Quarantined("message", message.topic, reason, message.payload, message.received_at)
        self._tray.quarantined.append(aside)

    def _read_through(self, seen: StatusSeen) -> Position | None:
        """A status that names our position as the last cycle proves that nothing before it is missing."""
        position = self._tray.position
        if position is None:
            return None
        if seen.status.last_sequence != position.sequence % self._layout.sequence_modulus:
            return position
        return replace(position, read_through_at=seen.read_at)

    async def _flush(self, seen: StatusSeen | None = None, position: Position | None = None) -> None:
        """Commit what is in the tray; waits for the store as long as it takes: the broker keeps the rest."""
        while True:
            try:
                await self._keep(seen, position)
                break
            except StalePosition:
                raise
            except StoreError as error:
                log.warning("%s: the broker keeps the messages meanwhile: %s", self._standing.name, error)
                await asyncio.sleep(STORE_PAUSE_S)
        self._tray = Tray(self._standing.position)

    async def _keep(self, seen: StatusSeen | None, position: Position | None) -> None:
        tray = self._tray
        if not tray.empty:
            await self._standing.keep(
                position or tray.position,
                cycles=tray.cycles,
                curves=tray.curves,
                gaps=tray.gaps,
                quarantined=tray.quarantined,
                seen=seen,
            )
        elif seen is not None:
            await self._standing.keep_news(seen, position)
