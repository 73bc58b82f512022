"""Ours against the controller's: for every mount, what the controller counted is in the book, in a listed
gap, or behind a listed clear of its counter, and what is not is shown as such.

    counter_difference + cleared = stored + in_gaps + unexplained

A controller's history is cut into *stretches* that follow each other without a hole: a tool's mount, or the
time between two, from one mark in the count to the next. A restart that lost the counter cuts a stretch in
three: up to the last number that the book settled, across the loss, where nobody knows what was counted, and
on from there. Marks carry the controller's count unwrapped, so plain differences are right.

A change of the count at the very number of a mark lies before the mark if it leads to the mark's count, and
after it if it starts from there: somebody may clear the counter before or after the tool is swapped.
"""

from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, func, select, tuple_

from collector.model import Mark
from collector.store.queries import NOBODY_COUNTED, Record, find_controller_id, records
from collector.store.tables import count_change, cycle, gap, mount, position, tool

MOUNTS = 20
"""On one page, if not asked for otherwise."""

COUNTED = ("counter_difference", "cleared", "stored", "in_gaps", "unexplained")
"""The members of the equation."""

EXPLAINING = frozenset({"cleared", "entered"})
"""Kinds of changes that a person made; an unexplained one stays in the remainder."""

NO_COUNT = "the controller's own count is not known at one end: it shows none, or showed none then"
COUNT_LOST = (
    "the controller's count did not go on: it was lost in a restart, or another controller took its place; "
    "nobody can say how far it had counted"
)
NOT_STATED = "it needs counter_difference and in_gaps, and one of them is not known"
ONE_IS_NOT = "of one of the rows it can't be stated"
NO_MOUNT = "no mount lies in the interval"
NOTHING_YET = "the book has no cycle of the controller yet"


@dataclass(frozen=True, slots=True)
class Reconciliation:
    """The equation, stretch by stretch, newest first."""

    rows: list[Record]
    totals: Record
    """The members of the equation over these rows, None where one of them is, and `unknown`: why."""
    balanced: bool | None
    """None: of some row it can't be stated, and no other has a remainder."""
    unknown: dict[str, str]
    """Why `balanced` is None."""
    next_before: int | None
    """Commit number of the oldest mount here, where there are older ones."""


@dataclass(frozen=True, slots=True)
class Stay:
    """A tool on a controller, or none, from one mark to another."""

    mount: Record | None
    begin: Mark
    end: Mark
    is_open: bool = False
    """It ends at the position, after all changes of the count that are known."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A part of a stay over which the controller's own count can be followed, or across which it was lost."""

    stay: Stay
    begin: Mark
    end: Mark
    changes: Sequence[Record]
    """Of the count, between the two marks."""
    lost: bool = False

    @property
    def is_empty(self) -> bool:
        return place(self.begin) == place(self.end) and not self.changes


# ---- pure --------------------------------------------------------------------------------------------------


def place(mark: Mark) -> tuple[int, int]:
    return mark.epoch, mark.sequence


def stays(mounts: Sequence[Record], begin: Mark, origin: Mark, here: Mark, to_position: bool) -> list[Stay]:
    """Mounts, oldest first, and what lies between them.

    Args: begin: where the mount before the first one ended; origin: the place before the first cycle that the
    book knows of, which stands for a mark that was not known; here: the position; to_position: no mount is
    newer.
    """
    found: list[Stay] = []
    for each in mounts:
        mounted, is_open = mark_of(each, "after") or origin, each["unmounted_at"] is None
        end = here if is_open else mark_of(each, "until") or origin
        found += [Stay(None, begin, mounted), Stay(each, mounted, end, is_open)]
        begin = end
    if to_position and not (found and found[-1].is_open):
        found.append(Stay(None, begin, here, is_open=True))
    return found


def mark_of(row: Record, which: str) -> Mark | None:
    if row[f"{which}_epoch"] is None:
        return None
    return Mark(row[f"{which}_epoch"], row[f"{which}_sequence"], row[f"{which}_count"])


def changes_before(changes: Sequence[Record], mark: Mark, at_least: int = 0) -> int:
    """How many of the changes, in order, lie before a mark. `at_least`: so many are known to."""
    first = bisect_left(changes, place(mark), key=lambda each: (each["epoch"], each["sequence"]))
    first = max(first, at_least)
    here = [each for each in changes[first:] if (each["epoch"], each["sequence"]) == place(mark)]
    if here and here[0]["kind"] == "lost":  # nothing of an epoch lies before its beginning
        first, here = first + 1, here[1:]
    for number, each in enumerate(here):
        if each["expected"] == mark.total_count:
            return first + number
    return first + len(here) if here and here[-1]["found"] == mark.total_count else first


def stretches_of(
    every: Sequence[Stay], changes: Sequence[Record], ends: Mapping[int, int]
) -> Iterator[Stretch]:
    """Stays that follow each other, cut where the counter was lost; oldest first.

    Args: changes: all of the controller's count, in order; ends: the last settled number of each epoch that
    ended in a loss of the counter.
    """
    first = changes_before(changes, every[0].begin) if every else 0
    for stay in every:
        last = len(changes) if stay.is_open else changes_before(changes, stay.end, first)
        found = list(_split(stay, changes[first:last], ends))
        keep = stay.mount is not None and len(found) == 1
        yield from (each for each in found if keep or not each.is_empty)
        first = last


def _split(stay: Stay, changes: Sequence[Record], ends: Mapping[int, int]) -> Iterator[Stretch]:
    begin, first = stay.begin, 0
    for number, change in enumerate(changes):
        if change["kind"] == "lost":
            left = Mark(change["epoch"] - 1, ends[change["epoch"] - 1], change["expected"])
            again = Mark(change["epoch"], change["sequence"], change["found"])
            yield Stretch(stay, begin, left, changes[first:number])
            yield Stretch(stay, left, again, [change], lost=True)
            begin, first = again, number + 1
    yield Stretch(stay, begin, stay.end, changes[first:])


def equation(stretch: Stretch, stored: int, missing: Sequence[tuple[Record, int | None]]) -> Record:
    """The members of the equation, `balanced`, and `unknown`: why a member is None.

    Args: stored: cycles of the stretch in the book; missing: its open gaps, with the cycles of it that each
    stands for, None where nobody can say.
    """
    cleared = sum(each["expected"] - each["found"] for each in stretch.changes if each["kind"] in EXPLAINING)
    cycles = [number for _, number in missing]
    in_gaps = None if None in cycles else sum(number for number in cycles if number is not None)
    difference, unknown = None, {}
    if stretch.lost:
        unknown["counter_difference"] = COUNT_LOST
    elif stretch.begin.total_count is not None and stretch.end.total_count is not None:
        difference = stretch.end.total_count - stretch.begin.total_count
    elif stretch.is_empty:
        difference = 0
    else:
        unknown["counter_difference"] = NO_COUNT
    if in_gaps is None:
        unknown["in_gaps"] = NOBODY_COUNTED
    unexplained = None
    if difference is None or in_gaps is None:
        unknown["unexplained"] = unknown["balanced"] = NOT_STATED
    else:
        unexplained = difference + cleared - stored - in_gaps
    members = dict(zip(COUNTED, (difference, cleared, stored, in_gaps, unexplained), strict=True))
    balanced = None if unexplained is None else unexplained == 0
    return members | {"balanced": balanced, "unknown": unknown}


def cut_to(stretch: Stretch, gaps: Sequence[Record]) -> Iterator[tuple[Record, int | None]]:
    """The gaps that lie in a stretch, with the cycles of it that each stands for."""
    for each in gaps:
        epoch, first, last = each["epoch"], each["first_sequence"], each["last_sequence"]
        if not stretch.begin.epoch <= epoch <= stretch.end.epoch:
            continue
        begin = first if epoch > stretch.begin.epoch else max(first, stretch.begin.sequence + 1)
        if last is None:
            if epoch < stretch.end.epoch or begin <= stretch.end.sequence:
                yield each, None
            continue
        end = last if epoch < stretch.end.epoch else min(last, stretch.end.sequence)
        if begin <= end:
            yield each, end - begin + 1


def total(rows: Sequence[Record]) -> Record:
    """The sums over rows, None where one of them has none."""
    sums: Record = {}
    unknown: dict[str, str] = {}
    for name in COUNTED:
        values = [row[name] for row in rows]
        sums[name] = None if None in values else sum(values)
        if sums[name] is None:
            unknown[name] = next(row["unknown"][name] for row in rows if row[name] is None)
    return sums | {"unknown": unknown}


def all_balanced(rows: Sequence[Record]) -> bool | None:
    """False: one has a remainder; None: no other has, but of one it can't be stated, or there is none."""
    found = {row["balanced"] for row in rows}
    if False in found:
        return False
    return None if None in found or not found else True


# ---- from the book -----------------------------------------------------------------------------------------


def find_reconciliation(
    connection: Connection,
    controller_name: str,
    *,
    last: int | None = MOUNTS,
    before: int | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> Reconciliation:
    """The equation for a controller's newest mounts. Each row: the members of the equation, `balanced`,
    `unknown`; `mount` (a row with maker, model, serial; None: no tool was mounted); `begin` and `end`
    (epoch, sequence, total_count; the cycles after the first, up to the second); `is_open`; `count_changes`;
    `gaps` (with `cycles` of the row in them).

    Its cost grows with the cycles of these mounts, which are counted on the primary key.

    Args: last: at most so many mounts, None: all; before: only those with a lower commit number; since,
    until: only those that overlap the half-open interval.
    Raises: NotInBook: no controller of that name.
    """
    controller_id = find_controller_id(connection, controller_name)
    at = connection.execute(select(position).where(position.c.controller_id == controller_id)).one_or_none()
    if at is None:
        return Reconciliation([], total([]), None, {"balanced": NOTHING_YET}, None)
    here = Mark(at.epoch, at.sequence, at.total_count)
    mounts, older = _find_mounts(connection, controller_id, last, before, since, until)
    to_position = before is None and until is None
    stretches = _find_stretches(connection, controller_id, mounts, here, to_position)
    epochs = [mark.epoch for each in stretches for mark in (each.begin, each.end)]
    gaps = find_open_gaps(connection, controller_id, min(epochs, default=0), max(epochs, default=0))
    rows = [_row(connection, controller_id, each, gaps) for each in reversed(stretches)]
    following = mounts[0]["commit_number"] if older else None
    balanced = all_balanced(rows)
    why = ONE_IS_NOT if rows else NO_MOUNT
    return Reconciliation(
        rows, total(rows), balanced, {"balanced": why} if balanced is None else {}, following
    )


def _row(connection: Connection, controller_id: int, stretch: Stretch, gaps: Sequence[Record]) -> Record:
    missing = list(cut_to(stretch, gaps))
    stored = count_cycles(connection, controller_id, stretch.begin, stretch.end)
    return equation(stretch, stored, missing) | {
        "mount": stretch.stay.mount,
        "begin": _as_record(stretch.begin),
        "end": _as_record(stretch.end),
        "is_open": stretch.stay.is_open and stretch.end == stretch.stay.end,
        "count_changes": list(stretch.changes),
        "gaps": [each | {"cycles": cycles} for each, cycles in missing],
    }


def _as_record(mark: Mark) -> Record:
    return {"epoch": mark.epoch, "sequence": mark.sequence, "total_count": mark.total_count}


def _find_mounts(
    connection: Connection,
    controller_id: int,
    last: int | None,
    before: int | None,
    since: datetime | None,
    until: datetime | None,
) -> tuple[list[Record], bool]:
    """Oldest first, and whether there are older ones."""
    wanted = select(mount, tool.c.maker, tool.c.model, tool.c.serial).join_from(mount, tool)
    wanted = wanted.where(mount.c.controller_id == controller_id)
    if before is not None:
        wanted = wanted.where(mount.c.commit_number < before)
    if since is not None:
        wanted = wanted.where(mount.c.unmounted_at.is_(None) | (mount.c.unmounted_at > since))
    if until is not None:
        wanted = wanted.where(mount.c.mounted_at < until)
    wanted = wanted.order_by(mount.c.commit_number.desc())
    found = records(connection.execute(wanted if last is None else wanted.limit(last + 1)))
    older = last is not None and len(found) > last
    return list(reversed(found[:last])), older


def _find_stretches(
    connection: Connection, controller_id: int, mounts: list[Record], here: Mark, to_position: bool
) -> list[Stretch]:
    """Oldest first. `to_position`: no mount is newer than these."""
    origin = find_origin(connection, controller_id, here)
    earlier = select(mount).where(mount.c.controller_id == controller_id)
    if mounts:
        earlier = earlier.where(mount.c.commit_number < mounts[0]["commit_number"])
    found_earlier = records(connection.execute(earlier.order_by(mount.c.commit_number.desc()).limit(1)))
    # The controller may have been met before it had made any cycle; then its count was known earlier.
    met = mark_of(mounts[0], "after") if mounts else None
    origin = met if met is not None and place(met) == place(origin) else origin
    begin = next((mark for each in found_earlier if (mark := mark_of(each, "until"))), origin)
    found = stays(mounts, begin, origin, here, to_position)
    if not found:
        return []
    changes = find_changes_from(connection, controller_id, found[0].begin.epoch)
    lost = {each["epoch"] - 1 for each in changes if each["kind"] == "lost"}
    ends = {epoch: find_end_of_epoch(connection, controller_id, epoch) for epoch in lost}
    return list(stretches_of(found, changes, ends))


def find_changes_from(connection: Connection, controller_id: int, from_epoch: int) -> list[Record]:
    change = count_change.c
    wanted = select(count_change).where(change.controller_id == controller_id, change.epoch >= from_epoch)
    order = (change.epoch, change.sequence, change.commit_number)
    return records(connection.execute(wanted.order_by(*order)))


def find_open_gaps(connection: Connection, controller_id: int, first: int, last: int) -> list[Record]:
    """Of these epochs, in order."""
    wanted = select(gap).where(
        gap.c.controller_id == controller_id, gap.c.epoch.between(first, last), gap.c.closed_at.is_(None)
    )
    return records(connection.execute(wanted.order_by(gap.c.epoch, gap.c.first_sequence)))


def find_origin(connection: Connection, controller_id: int, here: Mark) -> Mark:
    """The place before the first number that the book knows of; the count there by that cycle's record."""
    order = (cycle.c.epoch, cycle.c.sequence)
    wanted = select(*order, cycle.c.total_count).where(cycle.c.controller_id == controller_id)
    first = connection.execute(wanted.order_by(*order).limit(1)).one_or_none()
    order = (gap.c.epoch, gap.c.first_sequence)
    listed = connection.execute(
        select(*order).where(gap.c.controller_id == controller_id).order_by(*order).limit(1)
    ).one_or_none()
    if first is not None and (listed is None or (first.epoch, first.sequence) < tuple(listed)):
        count = None if first.total_count is None else first.total_count - 1
        return Mark(first.epoch, first.sequence - 1, count)
    return here if listed is None else Mark(listed.epoch, listed.first_sequence - 1, None)


def find_end_of_epoch(connection: Connection, controller_id: int, epoch: int) -> int:
    """The last number that was settled in an epoch before the counter was lost: the gap without a last number
    begins behind it; late cycles may have been placed in that."""
    of_epoch = (gap.c.controller_id == controller_id) & (gap.c.epoch == epoch)
    endless = select(func.min(gap.c.first_sequence)).where(of_epoch, gap.c.last_sequence.is_(None))
    first = connection.scalar(endless)
    if first is not None:
        return int(first) - 1
    stored = select(func.max(cycle.c.sequence)).where(
        cycle.c.controller_id == controller_id, cycle.c.epoch == epoch
    )
    missing = select(func.max(gap.c.last_sequence)).where(of_epoch)
    known = (connection.scalar(stored), connection.scalar(missing))
    return max((int(number) for number in known if number is not None), default=0)


def count_cycles(connection: Connection, controller_id: int, begin: Mark, end: Mark) -> int:
    key = (cycle.c.epoch, cycle.c.sequence)
    within = [tuple_(*key) > _bound(key, begin), tuple_(*key) <= _bound(key, end)]
    wanted = select(func.count()).select_from(cycle).where(cycle.c.controller_id == controller_id, *within)
    return connection.scalar(wanted) or 0


def _bound(key: Sequence[ColumnElement[Any]], mark: Mark) -> ColumnElement[Any]:
    return tuple_(*place(mark), types=[column.type for column in key])
