"""Reading a controller's memory: status, ring records, last curve, each proven not to have been overwritten
meanwhile.

A read is not atomic once it is longer than one protocol unit, and the controller writes while we read. What
makes a record safe is the controller's own last sequence, read again *after* the record: the slot of number
n is written again only for number n + slots, and that begins no sooner than n + slots - 1 is finished. So a
record is safe while the last sequence is below that; the one record at the edge is read until two readings
agree.

A layout's controller must raise its last sequence after the record and the curve are complete; all that we
know do.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime

from collector.errors import DecodeError, TornRead
from collector.layouts.decoder import Decoder
from collector.layouts.schema import BlockLayout
from collector.model import Curve, Cycle, GapReason, Quarantined, Status
from collector.sources.base import BlockSource

TRIES = 4
CHUNK = 10
"""Records fetched before the status is read again and the harvest committed."""


@dataclass(frozen=True, slots=True)
class Polled:
    """A status with the instants around its reading."""

    status: Status
    asked_at: datetime
    received_at: datetime


@dataclass(slots=True)
class Harvest:
    """What became of the numbers that were to be fetched."""

    found: dict[int, Cycle] = field(default_factory=dict)
    lost: dict[int, GapReason] = field(default_factory=dict)
    quarantined: list[Quarantined] = field(default_factory=list)


class Ring:
    """One controller's memory, over one connection."""

    def __init__(
        self, source: BlockSource, layout: BlockLayout, decoder: Decoder, now: Callable[[], datetime]
    ) -> None:
        self._source = source
        self._layout = layout
        self._decoder = decoder
        self._now = now

    async def read_status(self) -> Polled:
        """Raises: SourceError, DecodeError."""
        asked_at = self._now()
        raw = await self._source.read(self._layout.status_block)
        return Polled(self._decoder.decode_status(raw), asked_at, self._now())

    async def read_records(self, polled: Polled, last: int, numbers: range) -> Harvest:
        """The records of a run of numbers (unwrapped), `last` being the number that `polled` shows as the
        last.

        Raises: SourceError; TornRead when the controller writes faster than it can be read.
        """
        harvest = Harvest()
        raws: dict[int, bytes] = {}
        for run in self._slot_runs(polled.status, numbers):
            raws |= await self._read_run(polled.status, run)
        reached = await self._reached(polled, last)
        for number, raw in raws.items():
            if self._at_the_edge(number, reached) or not self._judge(number, raw, harvest):
                await self._read_again(polled, last, number, harvest)
        return harvest

    async def read_curve(self, sequence: int) -> Curve | None:
        """The last curve, if it belongs to the cycle that the controller calls `sequence`; None where it
        has moved on.

        Raises: SourceError, DecodeError.
        """
        block, head = self._layout.curve_block, self._layout.curve_head_block
        if block is None or head is None:
            return None
        for _ in range(TRIES):
            raw = await self._source.read(block)
            same = raw.startswith(await self._source.read(head))
            if (await self.read_status()).status.last_sequence != sequence:
                return None
            if same:
                curve = self._decoder.decode_curve(raw)
                return curve if curve.sequence == sequence else None
        return None

    def _slot_runs(self, status: Status, numbers: range) -> Iterator[range]:
        """Cut a run of numbers where their slots jump back to the ring's begin."""
        begin = numbers.start
        for number in numbers[1:]:
            if self._slot(number, status) != self._slot(number - 1, status) + 1:
                yield range(begin, number)
                begin = number
        if numbers:
            yield range(begin, numbers.stop)

    async def _read_run(self, status: Status, numbers: range) -> dict[int, bytes]:
        block = self._layout.record_block(self._slot(numbers.start, status), len(numbers))
        raw = await self._source.read(block)
        size = len(raw) // len(numbers)
        return {number: raw[i * size : (i + 1) * size] for i, number in enumerate(numbers)}

    async def _reached(self, polled: Polled, last: int) -> int:
        """The unwrapped number that the controller has reached by now."""
        ahead = (
            (await self.read_status()).status.last_sequence - polled.status.last_sequence
        ) % self._modulus
        if ahead > self._modulus // 2:
            raise TornRead("the controller's sequence fell back while its records were read")
        return last + ahead

    async def _read_again(self, polled: Polled, last: int, number: int, harvest: Harvest) -> None:
        """Read one record until two readings agree, then judge it for good."""
        block = self._layout.record_block(self._slot(number, polled.status), 1)
        for _ in range(TRIES):
            raw = await self._source.read(block)
            if raw == await self._source.read(block):
                await self._reached(polled, last)
                self._judge(number, raw, harvest, final=True)
                return
        raise TornRead(f"record {number} changed in each of {TRIES} readings")

    def _judge(self, number: int, raw: bytes, harvest: Harvest, final: bool = False) -> bool:
        """Sort one reading into the harvest. False: not what it should be, and not yet final."""
        try:
            cycle = self._decoder.decode_cycle(raw) if any(raw) else None
        except DecodeError as error:
            if final:
                slot = f"record {number % self._modulus}"
                harvest.quarantined.append(Quarantined("record", slot, str(error), raw, self._now()))
                harvest.lost[number] = "record unreadable"
            return final
        if cycle is not None and cycle.sequence == number % self._modulus:
            harvest.found[number] = cycle
            return True
        if final:
            harvest.lost[number] = self._why(number, cycle)
        return final

    def _why(self, number: int, cycle: Cycle | None) -> GapReason:
        newer = cycle is not None and (cycle.sequence - number) % self._modulus <= self._modulus // 2
        return "history overwritten" if newer else "skipped sequence"

    def _at_the_edge(self, number: int, reached: int) -> bool:
        return reached - number > self._layout.history.slots - 2

    def _slot(self, number: int, status: Status) -> int:
        return self._layout.slot_of(number % self._modulus, status)

    @property
    def _modulus(self) -> int:
        return self._layout.sequence_modulus
