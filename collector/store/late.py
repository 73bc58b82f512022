"""Cycles that come after the book has listed them as missing: in an overtaken message, or in a log file.

Each is placed by what it says itself: its sequence must be one that is missing, its time must lie within the
bounds of that gap, and its count must fit those of its neighbours. What fits in one place closes that part of
the gap; what the book has already is left alone; what fits nowhere, or in several places, is nobody's guess.
All of it happens in one transaction with the position of nothing moved: a late cycle is behind it.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, and_, func, or_, select

from collector.clock import as_utc
from collector.ledger import NO_TOOL, Bounds, fits, remainders, room_in
from collector.model import BookedCycle, Cycle, Gap, LateCycle, LateEntry, LateOutcome, Quarantined, ToolName
from collector.store import tables
from collector.store.booking import Booking, Known, not_registered

LOG_COARSENESS = timedelta(seconds=1)
"""A log may cut or round its times to seconds."""
OVERTAKEN_MOST = 100
"""Numbers behind a cycle, that a message without a time may have where nobody counted what is missing."""
LARGEST = 2**63 - 1
"""Number that the store can hold."""
NUMBERS_MOST = 1000
"""Asked for in one query."""


@dataclass(slots=True)
class OpenGap:
    """A gap as it is listed, and the late cycles that were found to belong there."""

    commit_number: int
    noticed_at: datetime
    gap: Gap
    found: dict[int, Bounds]
    """Number -> earliest and latest end of the cycle."""


def take_late(connection: Connection, known: Known, now: datetime, entry: LateEntry) -> LateOutcome:
    """Place late cycles, in the transaction of the connection.

    Raises: StoreError: the controller is not registered.
    """
    controller_id = known.controllers.get(entry.controller)
    if controller_id is None:
        raise not_registered(entry.controller)
    booking = Booking(connection, known, now)
    late = _Late(connection, booking, controller_id, entry)
    outcome = late.take(now)
    booking.finish()
    return outcome


def find_known(
    connection: Connection, controller_id: int, serial: str | None, cycles: Sequence[Cycle], modulus: int
) -> list[bool]:
    """Of each of these records, whether the book has it: under the latest number of any epoch that shows its
    sequence, byte for byte. What a log brought is another text of the same cycle: it is known by its time.

    Args: serial: the controller's identity, where it tells one. Then the epochs that count are those of that
    controller, wherever it stood; else all epochs under this name.
    """
    epoch = tables.epoch
    where = epoch.c.controller_id == controller_id if serial is None else epoch.c.serial == serial
    found = [False] * len(cycles)
    epochs = connection.execute(select(epoch.c.controller_id, epoch.c.epoch).where(where)).all()
    for id_, number_of_epoch in epochs:
        last = _last_stored(connection, id_, number_of_epoch)
        if last is None:
            continue
        numbers = [last - (last - cycle.sequence) % modulus for cycle in cycles]
        rows = _stored(connection, id_, number_of_epoch, numbers)
        for index, (number, cycle) in enumerate(zip(numbers, cycles, strict=True)):
            if number in rows and _is_same(rows[number], cycle):
                found[index] = True
    return found


def _is_same(row: Any, cycle: Cycle) -> bool:
    if row.brought_by is None or row.raw == cycle.raw:
        return bool(row.raw == cycle.raw)
    return _same_cycle(row, cycle)


def _same_cycle(row: Any, cycle: Cycle) -> bool:
    """By time, and by count as far as both sides tell it: another text of the same cycle."""
    if cycle.controller_time is None or row.controller_time is None:
        return False
    same_count = None in (cycle.total_count, row.total_count) or row.total_count == cycle.total_count
    apart = as_utc(datetime.fromisoformat(row.controller_time)) - as_utc(cycle.controller_time)
    return same_count and abs(apart) < LOG_COARSENESS


def _last_stored(connection: Connection, controller_id: int, epoch: int) -> int | None:
    """The last number stored in an epoch."""
    cycle = tables.cycle
    last: int | None = connection.scalar(
        select(func.max(cycle.c.sequence)).where(
            cycle.c.controller_id == controller_id, cycle.c.epoch == epoch
        )
    )
    return last


def _stored(connection: Connection, controller_id: int, epoch: int, numbers: Sequence[int]) -> dict[int, Any]:
    table = tables.cycle
    of_epoch = select(
        table.c.sequence, table.c.raw, table.c.controller_time, table.c.total_count, table.c.brought_by
    ).where(table.c.controller_id == controller_id, table.c.epoch == epoch)
    found: dict[int, Any] = {}
    numbers = [number for number in numbers if -LARGEST <= number <= LARGEST]
    for begin in range(0, len(numbers), NUMBERS_MOST):
        wanted = numbers[begin : begin + NUMBERS_MOST]
        rows = connection.execute(of_epoch.where(table.c.sequence.in_(wanted)))
        found |= {row.sequence: row for row in rows}
    return found


class _Late:
    """One entry's late cycles on their way into the book."""

    def __init__(
        self, connection: Connection, booking: Booking, controller_id: int, entry: LateEntry
    ) -> None:
        self._connection = connection
        self._booking = booking
        self._controller_id = controller_id
        self._entry = entry
        epochs = connection.scalars(
            select(tables.epoch.c.epoch).where(tables.epoch.c.controller_id == controller_id)
        ).all()  # no cursor stays open below: it would die with an exception, in another thread
        ends = {epoch: _last_stored(connection, controller_id, epoch) for epoch in epochs}
        self._ends = {epoch: last for epoch, last in ends.items() if last is not None}
        self._aside: set[bytes] | None = None
        self._begun: datetime | None = connection.scalar(
            select(func.min(tables.cycle.c.ended_at)).where(tables.cycle.c.controller_id == controller_id)
        )
        gap = tables.gap
        rows = connection.execute(
            select(gap)
            .where(gap.c.controller_id == controller_id, gap.c.closed_at.is_(None))
            .order_by(gap.c.epoch, gap.c.first_sequence)
        )
        self._gaps = [
            OpenGap(
                row.commit_number,
                row.noticed_at,
                Gap(
                    row.epoch, row.first_sequence, row.last_sequence, row.reason, row.after_at, row.before_at
                ),
                {},
            )
            for row in rows
        ]

    def take(self, now: datetime) -> LateOutcome:
        counts = {"stored": 0, "known": 0, "older": 0, "set aside": 0}
        for late in self._entry.cycles:
            became, says = self._place(late)
            counts[became] += 1
            if became == "set aside" and self._entry.from_log:
                where = f"{self._entry.brought_by}, sequence {late.cycle.sequence}"
                self._set_aside(Quarantined("record", where, says, late.cycle.raw, now))
        for quarantined in self._entry.quarantined:
            self._set_aside(quarantined)
        for each in self._gaps:
            if each.found:
                self._close(each, now)
        return LateOutcome(counts["stored"], counts["known"], counts["older"], counts["set aside"])

    def _set_aside(self, quarantined: Quarantined) -> None:
        """A log that is brought again brings nothing new for the quarantine."""
        quarantine = tables.quarantine
        if self._aside is None:
            raws = self._connection.scalars(
                select(quarantine.c.raw).where(
                    quarantine.c.controller_id == self._controller_id,
                    quarantine.c.what == quarantined.what,
                )
            )
            self._aside = {bytes(raw) for raw in raws}
        if quarantined.raw not in self._aside:
            self._booking.quarantine(self._controller_id, quarantined)
            self._aside.add(quarantined.raw)

    def _place(self, late: LateCycle) -> tuple[str, str]:
        """What became of a late cycle, and in words why it could not be placed."""
        if self._has(late.cycle):
            return "known", ""
        since = self._entry.overtaken_since
        places = [
            (each, number)
            for each in self._gaps
            if since is None or late.ended_at is not None or each.noticed_at >= since
            for number in self._places_in(each, late)
        ]
        if not places and late.ended_at is not None and self._begun and late.ended_at < self._begun:
            return "older", ""
        if not places:
            return "set aside", "the book has no gap that this cycle fits in by sequence, time and count"
        if len(places) > 1:
            where = " and ".join(f"{number} of epoch {each.gap.epoch}" for each, number in places[:5])
            return "set aside", f"this cycle could be {where}; nothing in it says which"
        ((gap, number),) = places
        self._add(gap, number, late)
        return "stored", ""

    def _has(self, cycle: Cycle) -> bool:
        """The same record, or in a log another text of the same cycle."""
        modulus, from_log = self._entry.modulus, self._entry.from_log
        for epoch, last in self._ends.items():
            latest = last - (last - cycle.sequence) % modulus
            circles = NUMBERS_MOST if from_log else 1
            numbers = [latest - circle * modulus for circle in range(circles)]
            rows = _stored(self._connection, self._controller_id, epoch, numbers).values()
            if any(row.raw == cycle.raw or (from_log and _same_cycle(row, cycle)) for row in rows):
                return True
        return False

    def _places_in(self, each: OpenGap, late: LateCycle) -> Iterator[int]:
        """Numbers of a gap that a late cycle may be: in a narrow sequence it may be several."""
        first, modulus = each.gap.first_sequence, self._entry.modulus
        number = first + (late.cycle.sequence - first) % modulus
        last = number if each.gap.last_sequence is None else each.gap.last_sequence
        room = room_in(each.gap, modulus, self._entry.shortest_cycle)
        timed = late.ended_at is not None and late.time_uncertainty_ms is not None
        if not (timed or self._entry.from_log):
            room = min(room, OVERTAKEN_MOST)
        for candidate in range(number, last + 1, modulus):
            free = candidate not in each.found and fits(each.gap, candidate, late, room)
            if free and self._fits_beside(each.gap.epoch, candidate, late.cycle.total_count):
                yield candidate

    def _fits_beside(self, epoch: int, number: int, count: int | None) -> bool:
        """Whether a count fits that of the cycle before, or of the cycle after: between them it may have been
        cleared. Nothing to compare fits too."""
        if count is None:
            return True
        modulus = self._entry.count_modulus
        off = [row.total_count + number - row.sequence - count for row in self._beside(epoch, number)]
        return not off or any((each if modulus is None else each % modulus) == 0 for each in off)

    def _beside(self, epoch: int, number: int) -> list[Any]:
        """The stored cycles before and after that number, in its epoch, that say a count."""
        cycle = tables.cycle
        counted = select(cycle.c.sequence, cycle.c.total_count).where(
            cycle.c.controller_id == self._controller_id,
            cycle.c.epoch == epoch,
            cycle.c.total_count.is_not(None),
        )
        before = counted.where(cycle.c.sequence < number).order_by(cycle.c.sequence.desc()).limit(1)
        after = counted.where(cycle.c.sequence > number).order_by(cycle.c.sequence).limit(1)
        found = [self._connection.execute(each).one_or_none() for each in (before, after)]
        return [row for row in found if row is not None]

    def _add(self, each: OpenGap, number: int, late: LateCycle) -> None:
        gap, cycle = each.gap, late.cycle
        begin, end = gap.after_at, gap.before_at or each.noticed_at
        if late.ended_at is not None and late.time_uncertainty_ms is not None:
            around = timedelta(milliseconds=late.time_uncertainty_ms)
            begin = max(begin or late.ended_at - around, late.ended_at - around)
            end = min(end, late.ended_at + around)
        each.found[number] = (begin, end)
        ended_at, uncertainty_ms = _within(begin, end, late.ended_at)
        tool = late.tool or self._tool_of(cycle, gap.epoch, number, each.noticed_at)
        booked = BookedCycle(gap.epoch, number, ended_at, uncertainty_ms, tool, cycle)
        self._booking.add_cycle(self._controller_id, booked, self._entry.brought_by)

    def _tool_of(self, cycle: Cycle, epoch: int, number: int, noticed_at: datetime) -> ToolName:
        """`noticed_at`: when it was listed as missing."""
        if cycle.tool_serial is not None:
            return ToolName(self._entry.maker, self._entry.model, cycle.tool_serial)
        before, after = self._tools_beside(epoch, number)
        if NO_TOOL in (before, after):
            return NO_TOOL  # it was swapped about here, and nobody saw when
        mount, tool = tables.mount, tables.tool
        # a mount without a mark began before the controller's first cycle, or lasts
        begun = or_(
            mount.c.after_epoch.is_(None),
            mount.c.after_epoch < epoch,
            and_(mount.c.after_epoch == epoch, mount.c.after_sequence < number),
        )
        lasts = or_(
            mount.c.until_epoch.is_(None),
            mount.c.until_epoch > epoch,
            and_(mount.c.until_epoch == epoch, mount.c.until_sequence >= number),
        )
        row = self._connection.execute(
            select(tool.c.maker, tool.c.model, tool.c.serial, mount.c.unmounted_at)
            .join(mount, mount.c.tool_id == tool.c.tool_id)
            .where(mount.c.controller_id == self._controller_id, begun, lasts)
            .order_by(mount.c.commit_number.desc())
            .limit(1)
        ).one_or_none()
        if row is None:
            return NO_TOOL
        *name, unmounted_at = row
        found = ToolName(*name)
        # Where the swap was seen together with the gap, its mark says only that nobody saw it before.
        is_between = found == before and after is not None and after != before
        is_guess = is_between and unmounted_at is not None and unmounted_at <= noticed_at
        return NO_TOOL if is_guess else found

    def _tools_beside(self, epoch: int, number: int) -> tuple[ToolName | None, ToolName | None]:
        """The tools that made the stored cycles before and after that number, in its epoch; None: there is
        none."""
        cycle, tool = tables.cycle, tables.tool
        here = (
            select(tool.c.maker, tool.c.model, tool.c.serial)
            .join_from(cycle, tool)
            .where(cycle.c.controller_id == self._controller_id, cycle.c.epoch == epoch)
        )
        before = here.where(cycle.c.sequence < number).order_by(cycle.c.sequence.desc()).limit(1)
        after = here.where(cycle.c.sequence > number).order_by(cycle.c.sequence).limit(1)
        found = (self._connection.execute(each).one_or_none() for each in (before, after))
        first, last = (None if row is None else ToolName(*row) for row in found)
        return first, last

    def _close(self, each: OpenGap, now: datetime) -> None:
        """The gap is closed; what is still missing of it is listed anew, within the bounds known now."""
        gap = tables.gap
        self._connection.execute(
            gap.update()
            .where(gap.c.commit_number == each.commit_number)
            .values(
                closed_at=now,
                closed_by=self._entry.brought_by,
                closed_commit_number=self._booking.next_number(),
            )
        )
        for rest in remainders(each.gap, each.found):
            self._booking.add_gap(self._controller_id, rest, each.noticed_at, each.commit_number)


def _within(begin: datetime | None, end: datetime, said: datetime | None) -> tuple[datetime, float | None]:
    """The instant that was said, or the middle, between two bounds; with ± ms that reach to both."""
    if begin is None:
        return end, None
    at = max(min(said or begin + (end - begin) / 2, end), begin)
    return at, max(at - begin, end - at) / timedelta(milliseconds=1)
