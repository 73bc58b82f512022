"""Which cycles exist, which are new, which are lost. Pure: no I/O, no clock; `now` is an argument.

How it works. A controller numbers its cycles; the number (*sequence*) has a width and wraps. The book
counts on where the controller wraps, so that within an **epoch**, a stretch in which the sequence only goes
up, every cycle has one number of its own: `unwrapped % modulus` is what the controller says. The book's
**position** is the last number that is settled: every number up to it is either a stored cycle or inside a
listed gap.

A poll brings the controller's last sequence. The shorter way round the circle tells what happened: up to
half a circle ahead are new cycles, more than that is a fall-back, which begins a new epoch. `plan` says
which numbers to fetch; the poller fetches them; `settle` turns what it found, and what it could not find,
into numbered cycles and gaps.

Why it is safe. Nothing here remembers: the position comes in, the next position goes out, and the writer
commits it in the one transaction that holds the cycles and gaps it covers. Work that is lost on the way is
simply planned again. Records that an epoch before already brought are recognised by their bytes (`unseen`),
so a controller that falls back to an older number with its memory intact does not bring cycles twice.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import inf
from typing import Literal

from collector.model import (
    ActiveFault,
    BookedCycle,
    Cycle,
    FaultAcknowledged,
    FaultChange,
    FaultCleared,
    FaultRaised,
    Gap,
    GapReason,
    MountChange,
    Position,
    Status,
    ToolName,
)

NO_TOOL = ToolName(maker="", model="", serial="unknown")
"""Stands for a tool whose serial number the controller did not tell; its cycles are kept like all others."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What the controller's last sequence means against the position."""

    kind: Literal["nothing new", "new cycles", "first contact", "restarted"]
    epoch: int
    last: int
    """The number, unwrapped, that the controller has reached."""
    overwritten: range
    """Numbers that no longer fit in its memory."""
    wanted: range
    """Numbers to fetch, oldest first: they are the next to be overwritten."""


def plan(position: Position | None, last_sequence: int, modulus: int, slots: int) -> Plan:
    """What to fetch.

    Args: last_sequence: as the controller counts, 0 ≤ it < modulus; modulus: 2 ** width; slots: records it
    remembers. On first contact and after a fall-back the numbers are lifted by one circle where the memory
    may reach back over the wrap; `begin_epoch` puts them back when it does not.
    """
    if position is None:
        return _whole_memory("first contact", 1, last_sequence, modulus, slots)
    ahead = (last_sequence - position.sequence) % modulus
    if ahead == 0:
        none = range(0)
        return Plan("nothing new", position.epoch, position.sequence, none, none)
    if ahead > modulus // 2:
        return _whole_memory("restarted", position.epoch + 1, last_sequence, modulus, slots)
    last = position.sequence + ahead
    oldest = max(position.sequence + 1, last - slots + 1)
    return Plan(
        "new cycles", position.epoch, last, range(position.sequence + 1, oldest), range(oldest, last + 1)
    )


def _whole_memory(
    kind: Literal["first contact", "restarted"], epoch: int, last_sequence: int, modulus: int, slots: int
) -> Plan:
    last = last_sequence + modulus if last_sequence < slots - 1 else last_sequence
    return Plan(kind, epoch, last, range(0), range(last - slots + 1, last + 1))


def begin_epoch(plan: Plan, found: Mapping[int, Cycle], modulus: int) -> tuple[int, dict[int, Cycle]]:
    """The last number and the cycles of a new epoch, numbered from the first circle that has any."""
    lift = modulus if plan.last >= modulus and all(number >= modulus for number in found) else 0
    return plan.last - lift, {number - lift: cycle for number, cycle in found.items()}


def unseen(found: Mapping[int, Cycle], known: Mapping[int, bytes], modulus: int) -> dict[int, Cycle]:
    """Without the records that the book has, byte for byte, under the same sequence of the epoch before.

    A record with neither a time nor a count may look like another one and still be new: it is taken.
    """
    raws = {number % modulus: raw for number, raw in known.items()}
    return {
        number: cycle
        for number, cycle in found.items()
        if raws.get(number % modulus) != cycle.raw
        or (cycle.controller_time is None and cycle.total_count is None)
    }


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
    before = [
        each.ended_at for each in booked if (each.epoch, each.sequence) < (gap.epoch, gap.first_sequence)
    ]
    last = (gap.epoch, inf if gap.last_sequence is None else gap.last_sequence)
    after = [each.ended_at for each in booked if (each.epoch, each.sequence) > last]
    after_at = max([*before, *([settled_at] if settled_at else [])], default=None)
    before_at = min([*after, now])
    return Gap(gap.epoch, gap.first_sequence, gap.last_sequence, gap.reason, after_at, before_at)


def lost_in_restart(before: Position, begun: Position, first: int, brought: int) -> list[Gap]:
    """Cycles around a restart that the new epoch did not bring, by the controller's own counter.

    Args: before, begun: the positions in the old and in the new epoch; first: the first number that the new
    epoch brought; brought: how many it did.
    A controller that lost its memory counts from 1 again, so the numbers before `first` are the first to be
    missing. Where its counter was lost as well (it is behind what we saw), that shows by counter and sequence
    being equal. How many are missing at the old epoch's end nobody can say then, nor without a counter: the
    gap has no last number.
    """
    nobody_knows = Gap(before.epoch, before.sequence + 1, None, "controller restarted", None, None)
    if begun.total_count is None or before.total_count is None:
        return [nobody_knows]
    missing = begun.total_count - before.total_count - brought
    if missing < 0:
        counts_from_1 = begun.total_count == begun.sequence
        in_new = range(1, first if counts_from_1 else 1)
        return [nobody_knows, *whole_gap(begun.epoch, in_new, "controller restarted")]
    in_new = range(1, first if first <= missing + 1 else 1)
    in_old = range(before.sequence + 1, before.sequence + 1 + missing - len(in_new))
    return [
        *whole_gap(before.epoch, in_old, "controller restarted"),
        *whole_gap(begun.epoch, in_new, "controller restarted"),
    ]


def position_at(
    epoch: int, number: int, last: int, total_count: int | None, read_at: datetime | None
) -> Position:
    """The position once everything up to `number` is settled, `last` being what the controller has reached.

    Its counter and its sequence go up together, so the count at `number` follows from the count at `last`.
    """
    count = None if total_count is None else max(total_count - (last - number), 0)
    return Position(epoch, number, count, read_at)


# ---- messages: the broker's queue is the memory, and brings one number after the other ---------------------


@dataclass(frozen=True, slots=True)
class Arrival:
    """What a pushed cycle's sequence means against the position."""

    kind: Literal["next", "after a gap", "first contact", "repeated"]
    number: int
    """Unwrapped."""
    missing: range


def arrival(position: Position | None, sequence: int, modulus: int) -> Arrival:
    """Where a pushed cycle belongs. `repeated`: at or before the position, a duplicate or a restart."""
    if position is None:
        return Arrival("first contact", sequence, range(0))
    ahead = (sequence - position.sequence) % modulus
    number = position.sequence + ahead
    if ahead == 1:
        return Arrival("next", number, range(0))
    if 1 < ahead <= modulus // 2:
        return Arrival("after a gap", number, range(position.sequence + 1, number))
    return Arrival("repeated", number - modulus if ahead else number, range(0))


def number_of(position: Position, sequence: int, modulus: int) -> int:
    """The latest number up to the position that the controller calls `sequence`: that of a curve's cycle."""
    return position.sequence - (position.sequence - sequence) % modulus


# ---- what a status changes ---------------------------------------------------------------------------------


def tool_of(cycle: Cycle, mounted: ToolName | None, maker: str, model: str) -> ToolName:
    """The tool that made a cycle: the record's own word first, then the tool that the status showed."""
    if cycle.tool_serial is not None:
        return ToolName(maker, model, cycle.tool_serial)
    return mounted or NO_TOOL


def mount_changes(mounted: ToolName | None, status: Status, now: datetime) -> tuple[MountChange, ...]:
    return () if status.tool == mounted else (MountChange(status.tool, now),)


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
