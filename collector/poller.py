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
from dataclasses import dataclass, field, replace
from typing import TypeVar

from collector import clock, ledger
from collector.backoff import Backoff
from collector.errors import DecodeError, Refused, SourceError, StoreError, TornRead
from collector.layouts.decoder import Decoder
from collector.layouts.schema import ModbusLayout, S7Layout
from collector.ledger import Counted, Plan
from collector.model import (
    BookedCurve,
    CountChange,
    Cycle,
    Gap,
    GapReason,
    Mark,
    Position,
    Quarantined,
    StatusSeen,
)
from collector.ring import CHUNK, Harvest, Polled, Ring
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
    await standing.keep_link("connecting")
    while True:
        try:
            async with open_source() as source:
                await work(source, backoff.reset)
            raise AssertionError("work on a connection ended without an error")
        except SourceError as error:
            pause_s = backoff.after(error)
            log.warning("%s: %s; next try in %.1f s", standing.name, error, pause_s)
            await standing.keep_link("refused" if isinstance(error, Refused) else "down", error)
        except StoreError as error:
            # The broker brings it again; what of it is in the book already is known by its bytes.
            pause_s = STORE_PAUSE_S
            log.warning("%s: %s; the broker keeps the messages meanwhile", standing.name, error)
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
class Seen:
    """One status, with all that it means."""

    polled: Polled
    status: StatusSeen
    plan: Plan
    counted: Counted
    controller_serial: str | None
    """The controller's identity, where it is new to the book."""


@dataclass(frozen=True, slots=True)
class Settled:
    """Numbers of one epoch that are settled: each is a cycle or in a gap."""

    epoch: int
    number: int
    """The last of them."""
    counted: Counted
    """Over these numbers, up to the last that the controller has reached."""
    cycles: list[tuple[int, Cycle]] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    quarantined: list[Quarantined] = field(default_factory=list)
    counts: list[CountChange] = field(default_factory=list)
    elsewhere: bool = False
    """Some may have been made before the controller came here."""

    @property
    def all(self) -> bool:
        """All that the status showed."""
        return self.number == self.counted.number


class Polling:
    """A controller whose memory is read: Modbus TCP, S7."""

    def __init__(self, standing: Standing, layout: ModbusLayout | S7Layout, poll_interval_s: float) -> None:
        self._standing = standing
        self._layout = layout
        self._decoder = Decoder(layout)
        self._poll_interval_s = poll_interval_s
        self._new_connection = True
        """We lost sight of the controller; it may be another one, or have another memory."""
        self._reached: int | None = None
        """The last number that it was seen to have reached."""

    async def work(self, source: BlockSource, went_well: Callable[[], None]) -> None:
        """Poll until the connection ends. Raises: SourceError."""
        self._new_connection = True
        ring = Ring(source, self._layout, self._decoder, self._standing.now)
        async for _ in each_interval(self._poll_interval_s):
            try:
                await self._poll(ring)
                went_well()
            except TornRead as error:
                log.info("%s: %s; reading again at the next poll", self._standing.name, error)
            except StoreError as error:
                log.warning("%s: %s: %s", self._standing.name, self._until_loss(), error)
                await asyncio.sleep(STORE_PAUSE_S)

    def _until_loss(self) -> str:
        """How long the controller can still be the buffer, in words."""
        position, slots = self._standing.position, self._layout.history.slots
        if position is None or self._reached is None:
            return "the book takes nothing now; the controller keeps its cycles meanwhile"
        left = slots - (self._reached - position.sequence)
        if left < 0:
            return f"the book takes nothing now, and {-left} cycles or more are lost already"
        return f"the book takes nothing now; the controller can make {left} more cycles before one is lost"

    async def _poll(self, ring: Ring) -> None:
        standing = self._standing
        try:
            seen = await self._look(ring)
            if seen is None:
                return
            await self._follow_plan(ring, seen)
        except DecodeError as error:  # of a status, be it in the midst of a harvest
            standing.answered()
            unreadable = Quarantined("status", "status block", str(error), error.raw, standing.now())
            await standing.keep(standing.position, quarantined=[unreadable])
            return
        standing.looked(seen.status)
        self._new_connection = False

    async def _look(self, ring: Ring) -> Seen | None:
        """A status and what it means; None while the controller starts.

        A count that does not fit the sequence may have been read in mid-step: it is looked at twice.
        """
        seen = await self._look_once(ring)
        return seen if seen is None or seen.plan.agrees else await self._look_once(ring)

    async def _look_once(self, ring: Ring) -> Seen | None:
        standing, numbering = self._standing, self._standing.numbering
        polled = await ring.read_status()
        shown, now = polled.status, polled.received_at
        standing.answered()
        identity = await standing.identify(shown)
        if identity == "replaced":
            standing.forget_clock()
        reading = None
        if shown.clock is not None:
            resolution_ms = self._layout.clock_resolution_ms
            reading = clock.offset_by_poll(shown.clock, polled.asked_at, now, resolution_ms)
        status = standing.look(shown, reading, now)
        if shown.state == "starting":
            # Its memory is not there yet: a sequence of zero now would look like a restart, and the tool that
            # it shows may not have made what it will remember.
            self._new_connection = True
            if identity != "replaced":
                without_tool = replace(status, status=replace(status.status, tool=standing.tool))
                await standing.keep_news(without_tool, standing.position)
            return None
        count = getattr(shown, self._layout.count_field) if self._layout.count_field else None
        before, most = standing.position, standing.most(now)
        if before is not None and identity == "replaced":
            plan = ledger.whole_memory("replaced", before.epoch + 1, shown.last_sequence, numbering)
        else:
            plan = ledger.plan(
                before,
                shown.last_sequence,
                count,
                numbering,
                most=most,
                new_connection=self._new_connection,
                has_record=standing.last_raw is not None,
            )
        self._reached = plan.last if before and plan.epoch == before.epoch else None
        counted = Counted(plan.last, count)
        if plan.kind in ("nothing new", "new cycles"):
            counted = ledger.counted(before, plan.epoch, plan.last, count, numbering, most, now)
        serial = None if identity == "as known" else shown.controller_serial
        return Seen(polled, status, plan, counted, serial)

    async def _follow_plan(self, ring: Ring, seen: Seen) -> None:
        match seen.plan.kind:
            case "nothing new":
                if await self._is_same_memory(ring, seen):
                    await self._keep_news(seen)
                else:
                    await self._begin_epoch(ring, self._restarted(seen))
            case "new cycles":
                await self._take_new(ring, seen)
            case "first contact" | "restarted" | "replaced":
                await self._begin_epoch(ring, seen)

    def _restarted(self, seen: Seen) -> Seen:
        """The record at our position is not ours: what looked like our memory is another one."""
        plan = ledger.whole_memory(
            "restarted",
            seen.plan.epoch + 1,
            seen.polled.status.last_sequence,
            self._standing.numbering,
        )
        count = getattr(seen.polled.status, self._layout.count_field) if self._layout.count_field else None
        return replace(seen, plan=plan, counted=Counted(plan.last, count))

    async def _is_same_memory(self, ring: Ring, seen: Seen) -> bool:
        proof = seen.plan.proof
        if proof is None:
            return True
        harvest = await ring.read_records(seen.polled, seen.plan.last, range(proof, proof + 1))
        return await self._is_ours(ring, seen, harvest)

    async def _is_ours(self, ring: Ring, seen: Seen, harvest: Harvest) -> bool:
        """By the record at our position; where that shows nothing, a count that does not fit decides."""
        proof = seen.plan.proof
        assert proof is not None
        in_doubt = self._new_connection and not seen.plan.agrees
        same = ledger.is_same_memory(proof, self._standing.last_raw, harvest.found, harvest.lost)
        at_the_wrap = ledger.at_the_wrap(seen.plan, self._standing.numbering.modulus)
        if same and in_doubt and at_the_wrap is not None:
            there = await ring.read_records(seen.polled, seen.plan.last, range(at_the_wrap, at_the_wrap + 1))
            return there.lost.get(at_the_wrap) != "skipped sequence"
        return not in_doubt if same is None else same

    async def _keep_news(self, seen: Seen) -> None:
        plan, counted = seen.plan, seen.counted
        await self._standing.keep_news(
            seen.status,
            counted.position(plan.epoch, plan.last, self._standing.through(seen.polled.asked_at)),
            counts=[counted.change] if counted.change else [],
            mark=Mark(plan.epoch, plan.last, counted.at(plan.last)),
            controller_serial=seen.controller_serial,
        )

    async def _take_new(self, ring: Ring, seen: Seen) -> None:
        """Oldest first, chunk by chunk, each committed before the next is read."""
        plan, counted, standing = seen.plan, seen.counted, self._standing
        overwritten: GapReason = "reader stopped" if standing.first_look else "history overwritten"
        gaps = ledger.whole_gap(plan.epoch, plan.overwritten, overwritten)
        change = counted.change
        proof = plan.proof
        for begin in range(plan.wanted.start, plan.wanted.stop, CHUNK):
            numbers = range(begin, min(begin + CHUNK, plan.wanted.stop))
            fetched = numbers if proof is None else range(proof, numbers.stop)
            harvest = await ring.read_records(seen.polled, plan.last, fetched)
            if proof is not None:
                if not await self._is_ours(ring, seen, harvest):
                    await self._begin_epoch(ring, self._restarted(seen))
                    return
                proof = None
            cycles, lost = ledger.settle(plan.epoch, numbers, harvest.found, harvest.lost)
            counts = [change] if change and change.mark.sequence <= numbers[-1] else []
            change = None if counts else change
            settled = Settled(
                plan.epoch, numbers[-1], counted, cycles, [*gaps, *lost], harvest.quarantined, counts
            )
            await self._hand_over(ring, settled, seen)
            gaps = []

    async def _begin_epoch(self, ring: Ring, seen: Seen) -> None:
        """All that the memory holds, in one entry; what the epoch before already brought is left out."""
        plan, standing = seen.plan, self._standing
        before, modulus = standing.position, standing.numbering.modulus
        harvest = await ring.read_records(seen.polled, plan.last, plan.wanted)
        last, found, lost = ledger.begin_epoch(plan, harvest.found, harvest.lost, modulus)
        counted = Counted(last, seen.counted.total_count)
        gaps: list[Gap] = []
        counts: list[CountChange] = []
        serial = seen.polled.status.controller_serial
        if before is not None or serial is not None:
            unknown = await standing.unknown_of(found, serial)
            # what is older than the oldest that the book has is older than the book
            oldest = min(found.keys() - unknown.keys(), default=None)
            found = {n: cycle for n, cycle in unknown.items() if oldest is None or n > oldest}
        if before is not None:
            begun = Position(plan.epoch, last, counted.total_count)
            restart = ledger.restart(
                before,
                begun,
                min(found, default=last + 1),
                standing.numbering,
                standing.most(seen.polled.received_at) if plan.agrees else None,
                seen.polled.received_at,
                "controller replaced" if plan.kind == "replaced" else "controller restarted",
            )
            counted = Counted(last, restart.total_count)
            gaps, counts = restart.gaps, [restart.change] if restart.change else []
            log.warning("%s: a new memory: %d came after %d", standing.name, last, before.sequence)
        numbers = range(min(found, default=last + 1), last + 1)
        cycles, missing = ledger.settle(plan.epoch, numbers, found, lost)
        elsewhere = plan.kind in ("first contact", "replaced")
        settled = Settled(
            plan.epoch, last, counted, cycles, [*gaps, *missing], harvest.quarantined, counts, elsewhere
        )
        await self._hand_over(ring, settled, seen)

    async def _hand_over(self, ring: Ring, settled: Settled, seen: Seen) -> None:
        """Into the book; the status with the last of what it showed, so that a swapped tool has its place."""
        standing, polled = self._standing, seen.polled
        booked = standing.book(
            settled.epoch,
            settled.cycles,
            polled.received_at,
            standing.mounted(seen.status),
            elsewhere=settled.elsewhere,
        )
        curves, spoilt = await self._last_curve(ring, settled, polled)
        counted = settled.counted
        before = standing.position
        through_before = before.read_through_at if before else None
        read_through_at = standing.through(polled.asked_at) if settled.all else through_before
        await standing.keep(
            counted.position(settled.epoch, settled.number, read_through_at),
            cycles=booked,
            curves=curves,
            gaps=ledger.bound(settled.gaps, booked, standing.settled_at, polled.received_at),
            mounts=ledger.mount_changes(standing.tool, booked, counted),
            counts=settled.counts,
            quarantined=[*settled.quarantined, *spoilt],
            seen=seen.status if settled.all else None,
            mark=Mark(settled.epoch, settled.number, counted.at(settled.number)),
            controller_serial=seen.controller_serial,
        )

    async def _last_curve(
        self, ring: Ring, settled: Settled, polled: Polled
    ) -> tuple[list[BookedCurve], list[Quarantined]]:
        """The controller keeps one curve, that of its last cycle: it goes into the book together with it."""
        last = settled.counted.number
        if not any(number == last for number, _ in settled.cycles):
            return [], []
        try:
            curve = await ring.read_curve(polled.status.last_sequence)
        except DecodeError as error:
            return [], [Quarantined("curve", "curve block", str(error), error.raw, self._standing.now())]
        return ([BookedCurve(settled.epoch, last, curve)] if curve else []), []
