"""Which cycles exist, which are new, which are lost. Pure: no I/O, no clock; `now` is an argument.

How it works. A controller numbers its cycles; the number (*sequence*) has a width and wraps. The book
counts on where the controller wraps, so that within an **epoch**, a stretch in which the sequence only goes
up, every cycle has one number of its own: `unwrapped % modulus` is what the controller says. The book's
**position** is the last number that is settled: every number up to it is either a stored cycle or inside a
listed gap.

A poll brings the controller's last sequence. `ahead` says how many new cycles that means, or that it is
another memory than the one we knew, which begins a new epoch: by the shorter way round the circle, by the
controller's own clamp count (which also tells whole circles of a narrow sequence), and by what cycles can be
made in the time. `plan` says which numbers to fetch; the poller fetches them; `settle` turns what it found,
and what it could not find, into numbered cycles and gaps.

Why it is safe. Nothing here remembers: the position comes in, the next position goes out, and the writer
commits it in the one transaction that holds the cycles and gaps it covers. Work that is lost on the way is
simply planned again. Where the controller still has the record at our position, it is read once more with
the new ones, and must be the one in the book, byte for byte (`proof`): numbers alone could be another
memory's. Records that an epoch before already brought are recognised in the same way, so a
controller that falls back to an older number with its memory intact does not bring cycles twice. Where
evidence contradicts itself, nothing is made up: a new epoch begins, and the gap before it has no number.

What nobody can see: a memory that was lost and has counted past our position meanwhile, with a count that
agrees, in a controller that has no longer, or never had, the record at our position.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import inf
from typing import Literal

from collector.model import (
    ActiveFault,
    BookedCycle,
    CountChange,
    Cycle,
    FaultAcknowledged,
    FaultChange,
    FaultCleared,
    FaultRaised,
    Gap,
    GapReason,
    LateCycle,
    Mark,
    MountChange,
    Position,
    ToolName,
)

NO_TOOL = ToolName(maker="", model="", serial="unknown")
"""Stands for a tool whose serial number the controller did not tell; its cycles are kept like all others."""


FITS = 1 << 63
"""Unwrapped numbers stay below this, and not below its negative: they fit into 64 bits with a sign."""


@dataclass(frozen=True, slots=True)
class Numbering:
    """How a kind of controller counts, as its layout has it."""

    modulus: int
    """Of its sequence: 2 ** width."""
    slots: int
    """Records that it remembers."""
    count_modulus: int | None
    """Of its own clamp count; None where that never wraps, or there is none."""
    shortest_cycle: timedelta
    """Least time between the ends of two cycles."""

    def most(self, since: datetime | None, now: datetime) -> int | None:
        """Cycles that can have been made meanwhile; None where nobody knows how long that was."""
        if since is None or now < since:
            return None
        return (now - since) // self.shortest_cycle + self.slots


@dataclass(frozen=True, slots=True)
class Ahead:
    """What a sequence means against the position."""

    new: int | None
    """Cycles since the position; None: this is another memory."""
    agrees: bool
    """The controller's own count says the same, or nothing."""


def ahead(
    position: Position, sequence: int, count: int | None, numbering: Numbering, most: int | None
) -> Ahead:
    """How many cycles there are between the position and a sequence that the controller shows.

    Args: sequence, count: as the controller counts; most: see `Numbering.most`.
    """
    new = (sequence - position.sequence) % numbering.modulus
    by_count = count_since(position, count, numbering)
    circles = by_count is not None and by_count > new and by_count % numbering.modulus == new
    if by_count is not None and circles and most is not None and by_count <= most:
        return Ahead(by_count, agrees=True)
    if (new > numbering.modulus // 2 and by_count != new) or (most is not None and new > most):
        return Ahead(None, agrees=False)
    return Ahead(new, agrees=by_count in (None, new))


def count_since(position: Position, count: int | None, numbering: Numbering) -> int | None:
    """By how much the controller's own count has gone up; None where it shows none, or showed none."""
    if count is None or position.total_count is None:
        return None
    up = count - position.total_count
    return up if numbering.count_modulus is None else up % numbering.count_modulus


@dataclass(frozen=True, slots=True)
class Plan:
    """What the controller's last sequence means against the position, and what to fetch."""

    kind: Literal["nothing new", "new cycles", "first contact", "restarted", "replaced"]
    epoch: int
    last: int
    """The number, unwrapped, that the controller has reached."""
    overwritten: range
    """Numbers that no longer fit in its memory."""
    wanted: range
    """Numbers to fetch, oldest first: they are the next to be overwritten."""
    proof: int | None = None
    """The number of our position, where its record is still there to be compared with ours."""
    agrees: bool = True
    """The controller's own count says the same, or nothing; else it can't be reckoned with."""


def plan(
    position: Position | None,
    last_sequence: int,
    count: int | None,
    numbering: Numbering,
    *,
    most: int | None = None,
    new_connection: bool = False,
    has_record: bool = True,
) -> Plan:
    """What to fetch.

    Args: last_sequence, count: as the controller counts; most: see `Numbering.most`; new_connection: the
    first look since we lost sight of the controller. While a connection lasts, its count may be changed by a
    person, but it does not become another memory unseen; has_record: the book has the record at the position,
    as that memory gave it.
    On first contact and after a fall-back the numbers are lifted by one circle where the memory may reach
    back over the wrap; `begin_epoch` puts them back when it does not.
    """
    if position is None:
        return whole_memory("first contact", 1, last_sequence, numbering)
    found = ahead(position, last_sequence, count, numbering, most)
    if found.new is None:
        return whole_memory("restarted", position.epoch + 1, last_sequence, numbering)
    last = position.sequence + found.new
    if last >= FITS:
        return whole_memory("restarted", position.epoch + 1, last_sequence, numbering)
    # The slot at the ring's end may be overwritten while it is read; it proves nothing.
    is_there = found.new == 0 or found.new <= numbering.slots - 2
    proof = position.sequence if has_record and is_there else None
    up = count_since(position, count, numbering)
    # A count that went on, though not with the sequence: that fell back a little, or to its begin near the
    # wrap. The record at our position may still be there then.
    went_on = up is not None and up >= 0 and (most is None or up <= most)
    if new_connection and not found.agrees and (proof is None or went_on):
        return replace(whole_memory("restarted", position.epoch + 1, last_sequence, numbering), agrees=False)
    if found.new == 0:
        looks_new = new_connection or not found.agrees
        none = range(0)
        return Plan(
            "nothing new", position.epoch, last, none, none, proof if looks_new else None, found.agrees
        )
    oldest = max(position.sequence + 1, last - numbering.slots + 1)
    overwritten = range(position.sequence + 1, oldest)
    return Plan("new cycles", position.epoch, last, overwritten, range(oldest, last + 1), proof, found.agrees)


def whole_memory(
    kind: Literal["first contact", "restarted", "replaced"],
    epoch: int,
    last_sequence: int,
    numbering: Numbering,
) -> Plan:
    """A plan for all that a memory holds, which begins an epoch."""
    last = first_number(last_sequence)
    if 0 <= last < numbering.slots - 1 and numbering.modulus < FITS:
        last += numbering.modulus
    return Plan(kind, epoch, last, range(0), range(last - numbering.slots + 1, last + 1))


def first_number(sequence: int) -> int:
    """The number that an epoch begins with. The upper numbers of a 64-bit sequence are counted from below 0,
    so that there is room for its wrap."""
    return sequence if sequence < FITS else sequence - 2 * FITS


def is_same_memory(
    number: int, known: bytes | None, found: Mapping[int, Cycle], lost: Mapping[int, GapReason]
) -> bool | None:
    """Whether the record read at our position's number is the one in the book; None where that shows
    nothing."""
    if known is None:
        return None
    if number in found:
        return found[number].raw == known
    return False if lost.get(number) == "skipped sequence" else None


def at_the_wrap(plan: Plan, modulus: int) -> int | None:
    """A number that a memory has which came over the wrap since our position. One that fell back to 0 and
    kept its records, ours among them, has it not; None: it would not have come over the wrap."""
    if plan.proof is None:
        return None
    wrap = (plan.proof // modulus + 1) * modulus
    return max(plan.proof + 1, wrap - 1) if wrap <= plan.last else None


def begin_epoch(
    plan: Plan, found: Mapping[int, Cycle], lost: Mapping[int, GapReason], modulus: int
) -> tuple[int, dict[int, Cycle], dict[int, GapReason]]:
    """The last number of a new epoch, and what was found and lost in it, numbered from the first circle that
    has any cycle. A memory that has no number 0 has not come over the wrap: what it has from below is of a
    time before it fell back."""
    if modulus not in found and lost.get(modulus) != "record unreadable" and plan.last >= modulus:
        found = {number: cycle for number, cycle in found.items() if number >= modulus}
    lift = modulus if plan.last >= modulus and all(number >= modulus for number in found) else 0
    return (
        plan.last - lift,
        {number - lift: cycle for number, cycle in found.items()},
        {number - lift: why for number, why in lost.items()},
    )


def says_which(cycle: Cycle) -> bool:
    """Whether a record that looks like one in the book is surely that one. A record with neither a time, nor
    a count, nor a measured value may look like another one and still be new: rather one too many under its
    own number than one too few."""
    measured = (cycle.peak_tension_n, cycle.lock_tension_n, cycle.punch_velocity_m_s, cycle.duration_ms)
    return cycle.controller_time is not None or cycle.total_count is not None or any(measured)


def settle(
    epoch: int, numbers: range, found: Mapping[int, Cycle], lost: Mapping[int, GapReason]
) -> tuple[list[tuple[int, Cycle]], list[Gap]]:
    """Each number of the range becomes a numbered cycle or part of a gap.

    Args: lost: why a number was not found; a number in neither was overwritten.
    Gaps have no times yet: `bound` gives them.
    """
    cycles = [(number, found[number]) for number in numbers if number in found]
    missing = ((number, lost.get(number, "history overwritten")) for number in numbers if number not in found)
    return cycles, list(_runs(epoch, missing))


def _runs(epoch: int, missing: Iterable[tuple[int, GapReason]]) -> Iterator[Gap]:
    first: int | None = None
    last = 0
    reason: GapReason = "history overwritten"
    for number, why in missing:
        if first is not None and number == last + 1 and why == reason:
            last = number
            continue
        if first is not None:
            yield Gap(epoch, first, last, reason, None, None)
        first, last, reason = number, number, why
    if first is not None:
        yield Gap(epoch, first, last, reason, None, None)


def whole_gap(epoch: int, numbers: range, reason: GapReason) -> list[Gap]:
    """A run that nobody needs to look at number by number, however long."""
    return [Gap(epoch, numbers.start, numbers.stop - 1, reason, None, None)] if numbers else []


def bound(
    gaps: Sequence[Gap], booked: Sequence[BookedCycle], settled_at: datetime | None, now: datetime
) -> tuple[Gap, ...]:
    """Gaps with the instants between which the missing cycles ended.

    Args: settled_at: latest instant known to lie before all of them; now: an instant known to lie after.
    """
    return tuple(_bound(gap, booked, settled_at, now) for gap in gaps)


def _bound(gap: Gap, booked: Sequence[BookedCycle], settled_at: datetime | None, now: datetime) -> Gap:
    last = (gap.epoch, inf if gap.last_sequence is None else gap.last_sequence)
    timed = [each for each in booked if each.time_uncertainty_ms is not None]
    before = [each for each in timed if (each.epoch, each.sequence) < (gap.epoch, gap.first_sequence)]
    # Where nobody can say how many are missing, nobody can say where among what a restart brought either.
    beyond = [] if gap.last_sequence is None else timed
    after = [each for each in beyond if (each.epoch, each.sequence) > last]
    after_at = max(
        [*(each.ended_at - _around(each) for each in before), *([settled_at] if settled_at else [])],
        default=None,
    )
    before_at = min([*(each.ended_at + _around(each) for each in after), now])
    return Gap(gap.epoch, gap.first_sequence, gap.last_sequence, gap.reason, after_at, before_at)


def _around(each: BookedCycle) -> timedelta:
    return timedelta(milliseconds=each.time_uncertainty_ms or 0.0)


# ---- gaps that close ---------------------------------------------------------------------------------------


def fits(gap: Gap, number: int, late: LateCycle, room: int) -> bool:
    """Whether a late cycle may be that number of a gap: it is in it, and its time lies within the bounds.

    Args: room: numbers that a gap without a last one may have (`room_in`).
    """
    last = min(gap.first_sequence + room, FITS) - 1 if gap.last_sequence is None else gap.last_sequence
    if not gap.first_sequence <= number <= last:
        return False
    if late.ended_at is None or late.time_uncertainty_ms is None:
        return True
    around = timedelta(milliseconds=late.time_uncertainty_ms)
    early = gap.after_at is not None and late.ended_at + around < gap.after_at
    return not early and not (gap.before_at is not None and late.ended_at - around > gap.before_at)


def room_in(gap: Gap, modulus: int, shortest_cycle: timedelta) -> int:
    """Cycles that can be missing in a gap where nobody counted them."""
    if gap.after_at is None or gap.before_at is None:
        return modulus // 2 + 1
    return min((gap.before_at - gap.after_at) // shortest_cycle, modulus // 2) + 1


Bounds = tuple[datetime | None, datetime | None]
"""Earliest and latest end of a cycle; None where nobody knows."""


def remainders(gap: Gap, found: Mapping[int, Bounds]) -> list[Gap]:
    """What is left of a gap once some of its numbers are found, each with the bounds of its end."""
    left: list[Gap] = []
    first, after_at = gap.first_sequence, gap.after_at
    for number in sorted(found):
        earliest, latest = found[number]
        before_at = gap.before_at if latest is None else latest
        if first < number:
            left.append(Gap(gap.epoch, first, number - 1, gap.reason, after_at, before_at))
        first, after_at = number + 1, after_at if earliest is None else earliest
    if gap.last_sequence is None or first <= gap.last_sequence:
        left.append(Gap(gap.epoch, first, gap.last_sequence, gap.reason, after_at, gap.before_at))
    return left


# ---- restarts ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Restart:
    """What is missing around a restart, and what the controller's own count is worth after it."""

    gaps: list[Gap]
    total_count: int | None
    """At the last number of the new epoch: unwrapped where the count went on, else as it is shown."""
    change: CountChange | None
    """The count did not go on: nothing can be reckoned across the restart."""


def restart(
    before: Position,
    begun: Position,
    first: int,
    numbering: Numbering,
    most: int | None,
    now: datetime,
    reason: GapReason = "controller restarted",
) -> Restart:
    """Cycles around a restart that the new epoch did not bring, by the controller's own counter.

    Args: before, begun: the positions in the old and in the new epoch, the latter with the count as shown;
    first: the first number that the new epoch brought; most: see `Numbering.most`.
    Where the counter went on, it tells how many are missing. A controller that lost its memory counts from 1
    again, so the numbers before `first` are the first of them. Where the counter was lost as well, that
    shows: it is behind what we saw, or equals the sequence, or has gone up by more than cycles could make it.
    How many are missing nobody can say then, nor without a counter: the gap has no last number. Only where
    counter and sequence did not agree before is it sure that both began anew at 1, and not at some older
    number, so that the numbers before `first` are missing.
    """
    nobody_knows = Gap(before.epoch, min(before.sequence + 1, FITS - 1), None, reason, None, None)
    since = count_since(before, begun.total_count, numbering)
    total_count, modulus = begun.total_count, numbering.modulus
    counts_from_1 = total_count is not None and (total_count - begun.sequence) % modulus == 0
    brought = begun.sequence + 1 - first
    possible = since is not None and most is not None and brought <= since <= most
    if since is None or not possible or counts_from_1 or reason == "controller replaced":
        # one that did not go back may have been kept, and equal the sequence by chance
        went_back = since is not None and not possible
        anew = went_back and begun.sequence == total_count and before.total_count != before.sequence
        own = anew and reason != "controller replaced" and most is not None and begun.sequence <= most
        in_new = range(1, first) if own else range(0)
        gaps = [nobody_knows, *whole_gap(begun.epoch, in_new, reason)]
        return Restart(gaps, begun.total_count, _lost_count(before, begun, 1 if in_new else first, now))
    missing = since - brought
    in_new = range(1, first if first <= missing + 1 else 1)
    in_old = range(before.sequence + 1, before.sequence + 1 + missing - len(in_new))
    gaps = [*whole_gap(before.epoch, in_old, reason), *whole_gap(begun.epoch, in_new, reason)]
    return Restart(gaps, (before.total_count or 0) + since, None)


def _lost_count(before: Position, begun: Position, first: int, now: datetime) -> CountChange | None:
    if begun.total_count is None:
        return None
    mark = Mark(begun.epoch, first - 1, before.total_count)
    found = begun.total_count - (begun.sequence - mark.sequence)
    return CountChange("lost", mark, found, before.read_through_at, now)


# ---- the controller's own count ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Counted:
    """The controller's own count over a run of settled numbers: before a change of it, and after."""

    number: int
    total_count: int | None
    """At `number`, unwrapped."""
    change: CountChange | None = None

    def position(self, epoch: int, number: int, read_through_at: datetime | None) -> Position:
        """The position once everything up to a number of the run is settled: before the change its count is
        the old one, so that the change is found again from there."""
        changed_at = number if self.change is None else self.change.mark.sequence
        if number < changed_at or self.total_count is None:
            return Position(epoch, number, self.at(number), read_through_at)
        return Position(epoch, number, self.total_count - (self.number - number), read_through_at)

    def at(self, number: int) -> int | None:
        """At any number of the run, for the count goes up with the sequence. A number at which the count was
        changed has the count from before."""
        if self.change is not None and number <= self.change.mark.sequence:
            expected = self.change.mark.total_count
            return None if expected is None else expected - (self.change.mark.sequence - number)
        return None if self.total_count is None else self.total_count - (self.number - number)


def counted(
    before: Position | None,
    epoch: int,
    last: int,
    count: int | None,
    numbering: Numbering,
    most: int | None,
    now: datetime,
) -> Counted:
    """What the controller's count, shown with its last number, makes of the position before."""
    up = None if before is None else count_since(before, count, numbering)
    if before is None or count is None or up is None or before.total_count is None:
        return Counted(last, count)
    new = last - before.sequence
    if up == new:
        return Counted(last, before.total_count + new)
    kind: Literal["cleared", "entered", "unexplained"]
    at, found = before.sequence, count - new
    if count <= new:
        kind, at, found = "cleared", last - count, 0
    elif up > new and most is not None and up <= most:
        kind = "unexplained"
    else:
        kind = "entered"
    mark = Mark(epoch, at, before.total_count + at - before.sequence)
    return Counted(last, count, CountChange(kind, mark, found, before.read_through_at, now))


# ---- messages: the broker's queue is the memory, and brings one number after the other ---------------------


@dataclass(frozen=True, slots=True)
class Arrival:
    """What a pushed cycle's sequence means against the position."""

    kind: Literal["next", "after a gap", "first contact", "repeated", "another memory"]
    number: int
    """Unwrapped; for another memory, in its own epoch."""
    missing: range = range(0)
    agrees: bool = True
    """The controller's own count does not contradict the sequence; else it can't be reckoned with."""


def arrival(
    position: Position | None, sequence: int, count: int | None, numbering: Numbering, most: int | None
) -> Arrival:
    """Where a pushed cycle belongs. `repeated`: at or before the position, so it is a duplicate, was
    overtaken, or is the first one after a restart."""
    if position is None:
        return Arrival("first contact", first_number(sequence))
    found = ahead(position, sequence, count, numbering, most)
    shorter_way = (sequence - position.sequence) % numbering.modulus
    if found.new == 0 or (found.new is None and shorter_way > numbering.modulus // 2):
        return Arrival("repeated", number_of(position, sequence, numbering.modulus))
    too_far = found.new is not None and position.sequence + found.new >= FITS
    if found.new is None or too_far or (found.new > 1 and not found.agrees):
        return Arrival("another memory", first_number(sequence), agrees=found.new is None or found.agrees)
    number = position.sequence + found.new
    kind: Literal["next", "after a gap"] = "next" if found.new == 1 else "after a gap"
    return Arrival(kind, number, range(position.sequence + 1, number))


def number_of(position: Position, sequence: int, modulus: int) -> int:
    """The latest number up to the position that the controller calls `sequence`: that of a curve's cycle."""
    return position.sequence - (position.sequence - sequence) % modulus


# ---- what a status changes ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Mounted:
    """Which tool a controller showed, and when."""

    before: ToolName | None
    """At the status before."""
    before_at: datetime | None
    """None: there was none."""
    now: ToolName | None
    now_at: datetime | None = None
    """Since when; None: whatever is to be attributed ended before that."""

    def at(self, earliest: datetime | None, latest: datetime | None) -> ToolName:
        """The tool of a cycle whose record does not say, and which ended between these two.

        A tool that was swapped between two looks made some of the cycles, and nobody can say which.
        """
        if self.before_at is None or self.before == self.now:
            return self.now or NO_TOOL
        if latest is not None and latest <= self.before_at:
            return self.before or NO_TOOL
        if self.now_at is not None and earliest is not None and earliest >= self.now_at:
            return self.now or NO_TOOL
        return NO_TOOL


def tool_of(cycle: Cycle, mounted: Mounted, bounds: Bounds, maker: str, model: str) -> ToolName:
    """The tool that made a cycle: the record's own word first, then the tool that the status showed."""
    if cycle.tool_serial is not None:
        return ToolName(maker, model, cycle.tool_serial)
    return mounted.at(*bounds)


def mount_changes(
    mounted: ToolName | None, cycles: Iterable[BookedCycle], counted: Counted
) -> tuple[MountChange, ...]:
    """Mounts that cycles show, in order: each begins behind the last cycle of the tool before.

    Cycles of a tool that nobody knows have a mount of their own, too: they are counted and reconciled.
    """
    changes: list[MountChange] = []
    for each in cycles:
        if each.tool != mounted:
            number = each.sequence - 1
            mark = Mark(each.epoch, number, counted.at(number))
            changes.append(MountChange(each.tool, each.ended_at, mark))
            mounted = each.tool
    return tuple(changes)


def fault_changes(
    open_faults: Mapping[str, bool],
    active: Sequence[ActiveFault],
    tool: ToolName,
    now: datetime,
    not_before: datetime | None,
) -> tuple[FaultChange, ...]:
    """From the faults known as open (code -> acknowledged?) to those now active."""
    changes: list[FaultChange] = []
    for fault in active:
        if fault.code not in open_faults:
            changes.append(FaultRaised(fault.code, fault.text, fault.category, tool, now, not_before))
        if fault.acknowledged and not open_faults.get(fault.code, False):
            changes.append(FaultAcknowledged(fault.code, now))
    still = {fault.code for fault in active}
    changes += [FaultCleared(code, now) for code in open_faults if code not in still]
    return tuple(changes)


def open_after(active: Sequence[ActiveFault]) -> dict[str, bool]:
    """The open faults once such changes are committed."""
    return {fault.code: fault.acknowledged for fault in active}
