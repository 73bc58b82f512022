"""One controller's task: fetch, decode, ask the ledger, hand over to the writer; reconnect. The only retry
loop in the house.

How it works. `follow` owns the connection: it opens a source, lets `Polling` (a memory that is read) or
`inbox.Inbox` (messages that are pushed) work on it until something ends it, waits, and opens a new one.
What is known of the controller, its `Standing`, was recalled from the book and moves on only after a
commit: work that the store did not take is done again from the same position, and the controller's ring (or
the broker's queue) keeps the cycles meanwhile.

Why it is safe. Each `Entry` is committed whole or not at all, together with the position that it was built
on and the one it leads to. A kill at any instant leaves the book at the last committed position, and the
next start plans from there. Messages are acknowledged only after the commit that holds them, so the broker
sends the rest again.
"""

import asyncio
import logging
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass, field
from typing import TypeVar

from collector import clock, ledger
from collector.backoff import Backoff
from collector.errors import DecodeError, Refused, SourceError, StalePosition, StoreError, TornRead
from collector.layouts.decoder import Decoder
from collector.layouts.schema import ModbusLayout, S7Layout
from collector.model import BookedCurve, Cycle, Gap, Position, Quarantined, StatusSeen
from collector.ring import CHUNK, Polled, Ring
from collector.sources.base import BlockSource
from collector.standing import Standing

log = logging.getLogger(__name__)

STORE_PAUSE_S = 0.5
"""Between two tries to hand over when the store can't take it."""

Source = TypeVar("Source")
Work = Callable[[Source, Callable[[], None]], Awaitable[None]]
"""Works on a connection until it ends; calls back whenever it went well, so that the next failure waits
from the start."""


async def follow(
    standing: Standing,
    open_source: Callable[[], AbstractAsyncContextManager[Source]],
    work: Work[Source],
    backoff: Backoff,
) -> None:
    """Follow one controller for ever; one object, one connection. Only cancellation ends it."""
    while True:
        await standing.keep_link("connecting")
        try:
            async with open_source() as source:
                await standing.keep_link("up")
                await work(source, backoff.reset)
            raise AssertionError("work on a connection ended without an error")
        except SourceError as error:
            pause_s = backoff.after(error)
            log.warning("%s: %s; next try in %.1f s", standing.name, error, pause_s)
            await standing.keep_link("refused" if isinstance(error, Refused) else "down", error)
        except StalePosition as error:
            # The broker brings it again; what of it is in the book already is known by its bytes.
            pause_s = STORE_PAUSE_S
            log.warning("%s: %s; taking the messages again", standing.name, error)
        except Exception as error:
            # One barrier: a mistake of ours in one controller's task must not stop the others.
            pause_s = backoff.longest()
            log.exception("%s: unexpected; next try in %.1f s", standing.name, pause_s)
            await standing.keep_link("failed", error)
        await asyncio.sleep(pause_s)


async def each_interval(interval_s: float) -> AsyncIterator[None]:
    """At once and then every `interval_s`, whatever time the work took; what was missed is skipped."""
    loop = asyncio.get_running_loop()
    due = loop.time()
    while True:
        yield
        due = max(due + interval_s, loop.time())
        await asyncio.sleep(due - loop.time())


@dataclass(frozen=True, slots=True)
class Settled:
    """Numbers of one epoch that are settled: each is a cycle or in a gap."""

    epoch: int
    number: int
    """The last of them."""
    last: int
    """What the controller has reached."""
    cycles: list[tuple[int, Cycle]] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    quarantined: list[Quarantined] = field(default_factory=list)


class Polling:
    """A controller whose memory is read: Modbus TCP, S7."""

    def __init__(self, standing: Standing, layout: ModbusLayout | S7Layout, poll_interval_s: float) -> None:
        self._standing = standing
        self._layout = layout
        self._decoder = Decoder(layout)
        self._poll_interval_s = poll_interval_s

    async def work(self, source: BlockSource, went_well: Callable[[], None]) -> None:
        """Poll until the connection ends. Raises: SourceError."""
        ring = Ring(source, self._layout, self._decoder, self._standing.now)
        async for _ in each_interval(self._poll_interval_s):
            try:
                await self._poll(ring)
                went_well()
            except TornRead as error:
                log.info("%s: %s; reading again at the next poll", self._standing.name, error)
            except StoreError as error:
                log.warning("%s: the controller keeps its cycles meanwhile: %s", self._standing.name, error)
                await asyncio.sleep(STORE_PAUSE_S)

    async def _poll(self, ring: Ring) -> None:
        standing = self._standing
        try:
            polled = await ring.read_status()
        except DecodeError as error:
            unreadable = Quarantined("status", "status block", str(error), error.raw, standing.now())
            await standing.keep(standing.position, quarantined=[unreadable])
            return
        seen = self._seen(polled)
        if polled.status.state == "starting":
            # Its memory is not there yet; a sequence of zero now would look like a restart.
            await standing.keep_news(seen, standing.position)
            return
        history = self._layout.history
        plan = ledger.plan(
            standing.position, polled.status.last_sequence, self._layout.sequence_modulus, history.slots
        )
        match plan.kind:
            case "nothing new":
                await standing.keep_news(seen, self._position(polled, plan.epoch, plan.last, plan.last))
            case "new cycles":
                await self._take_new(ring, plan, polled, seen)
            case "first contact" | "restarted":
                await self._begin_epoch(ring, plan, polled, seen)

    def _seen(self, polled: Polled) -> StatusSeen:
        said = polled.status.clock
        offset = clock.offset_by_poll(said, polled.asked_at, polled.received_at) if said else None
        return self._standing.seen(polled.status, polled.received_at, offset)

    def _position(self, polled: Polled, epoch: int, number: int, last: int) -> Position:
        """The position at `number`; read through at the poll's begin once it is all that the poll showed."""
        before = self._standing.position
        read_at = polled.asked_at if number == last else before.read_through_at if before else None
        return ledger.position_at(epoch, number, last, polled.status.total_count, read_at)

    async def _take_new(self, ring: Ring, plan: ledger.Plan, polled: Polled, seen: StatusSeen) -> None:
        """Oldest first, chunk by chunk, each committed before the next is read."""
        gaps = ledger.whole_gap(plan.epoch, plan.overwritten, "history overwritten")
        for begin in range(plan.wanted.start, plan.wanted.stop, CHUNK):
            numbers = range(begin, min(begin + CHUNK, plan.wanted.stop))
            harvest = await ring.read_records(polled, plan.last, numbers)
            cycles, lost = ledger.settle(plan.epoch, numbers, harvest.found, harvest.lost)
            settled = Settled(plan.epoch, numbers[-1], plan.last, cycles, [*gaps, *lost], harvest.quarantined)
            await self._hand_over(ring, settled, polled, seen)
            gaps = []

    async def _begin_epoch(self, ring: Ring, plan: ledger.Plan, polled: Polled, seen: StatusSeen) -> None:
        """All that the memory holds, in one entry; what the epoch before already brought is left out."""
        before = self._standing.position
        modulus = self._layout.sequence_modulus
        harvest = await ring.read_records(polled, plan.last, plan.wanted)
        last, found = ledger.begin_epoch(plan, harvest.found, modulus)
        gaps: list[Gap] = []
        if before is not None:
            known = await self._standing.find_raw(
                [ledger.number_of(before, number % modulus, modulus) for number in found]
            )
            found = ledger.unseen(found, known, modulus)
            begun = self._position(polled, plan.epoch, last, last)
            gaps = ledger.lost_in_restart(before, begun, min(found, default=last + 1), len(found))
            log.warning("%s: sequence fell back from %d to %d", self._standing.name, before.sequence, last)
        numbers = range(min(found, default=last + 1), last + 1)
        cycles, lost = ledger.settle(plan.epoch, numbers, found, harvest.lost)
        settled = Settled(plan.epoch, last, last, cycles, [*gaps, *lost], harvest.quarantined)
        await self._hand_over(ring, settled, polled, seen)

    async def _hand_over(self, ring: Ring, settled: Settled, polled: Polled, seen: StatusSeen) -> None:
        standing = self._standing
        read_at = standing.now()
        booked = standing.book(settled.epoch, settled.cycles, read_at, seen)
        curves, spoilt = await self._last_curve(ring, settled, polled)
        await standing.keep(
            self._position(polled, settled.epoch, settled.number, settled.last),
            cycles=booked,
            curves=curves,
            gaps=ledger.bound(settled.gaps, booked, standing.settled_at, read_at),
            quarantined=[*settled.quarantined, *spoilt],
            seen=seen,
        )

    async def _last_curve(
        self, ring: Ring, settled: Settled, polled: Polled
    ) -> tuple[list[BookedCurve], list[Quarantined]]:
        """The controller keeps one curve, that of its last cycle: it goes into the book together with it."""
        if not any(number == settled.last for number, _ in settled.cycles):
            return [], []
        try:
            curve = await ring.read_curve(polled.status.last_sequence)
        except DecodeError as error:
            return [], [Quarantined("curve", "curve block", str(error), error.raw, self._standing.now())]
        return ([BookedCurve(settled.epoch, settled.last, curve)] if curve else []), []
