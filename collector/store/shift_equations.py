"""The controller's own count over one shift: the equation of `reconciliation`, between the last cycle before
the shift and the last cycle of it.

Places are cut by number, not by time: each number and each change of the count lies in exactly one shift, so
the equations of a day's shifts add up to that of the day.
"""

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, and_, or_, select

from collector.canonical_json import EXACT
from collector.model import Mark
from collector.rfc3339 import format_rfc3339
from collector.store.queries import Record, records
from collector.store.reconciliation import (
    COUNTED,
    NOT_STATED,
    Stay,
    Stretch,
    changes_before,
    count_cycles,
    cut_to,
    equation,
    find_changes_from,
    find_end_of_epoch,
    find_open_gaps,
    find_origin,
    mark_of,
    place,
    stays,
    stretches_of,
)
from collector.store.tables import cycle, mount, position, tool

TOO_LARGE = "it is beyond what a JSON number holds exactly"


def find_equations(
    connection: Connection, controller_id: int, begin: datetime, end: datetime, modulus: int | None
) -> list[Record]:
    """The equation for a controller from `begin` to `end`, a row for each mount in it, in order; for none,
    nothing is known of the controller. `modulus`: of the count in its records; None: it never wraps.
    """
    at = connection.execute(select(position).where(position.c.controller_id == controller_id)).one_or_none()
    if at is None:
        return []
    here = Mark(at.epoch, at.sequence, at.total_count)
    origin = find_origin(connection, controller_id, here)
    first = _mark_before(connection, controller_id, begin) or origin
    last = _mark_before(connection, controller_id, end) or origin
    if place(last) < place(first):
        last = first
    mounts = _find_mounts(connection, controller_id, first, last)
    # The controller may have been met before it had made any cycle; then its count was known earlier.
    met = mark_of(mounts[0], "after") if mounts else None
    if met is not None:
        first, last = (
            met if (place(each), each.total_count) == (place(met), None) else each for each in (first, last)
        )
    changes = find_changes_from(connection, controller_id, min(first.epoch, last.epoch))
    known = [here, *(mark for each in mounts for end in ("after", "until") if (mark := mark_of(each, end)))]
    first, last = (counted_from(known, changes, each) for each in (first, last))
    cut = list(_cut(stays(mounts, first, origin, here, to_position=True), first, last))
    lost = {each["epoch"] - 1 for each in changes if each["kind"] == "lost"}
    ends = {epoch: find_end_of_epoch(connection, controller_id, epoch) for epoch in lost}
    stretches = list(stretches_of(cut, changes, ends))
    gaps = find_open_gaps(connection, controller_id, first.epoch, last.epoch)
    worked = [each for each in stretches if not each.is_empty] or stretches[:1]
    return [_row(connection, controller_id, each, gaps, modulus) for each in worked]


def unwrapped(row: Record, modulus: int | None) -> Record:
    """The equation where the count may have wrapped, as often as makes the remainder smallest. Pure."""
    if modulus is None or row["unexplained"] is None:
        return row
    off = round(row["unexplained"] / modulus) * modulus
    return row | {
        "counter_difference": row["counter_difference"] - off,
        "unexplained": row["unexplained"] - off,
    }


def counted_from(known: Sequence[Mark], changes: Sequence[Record], mark: Mark) -> Mark:
    """A mark with the count that stood there, where its record does not tell it: from a mark of the same
    epoch that has one, a cycle a number, and the changes of the count between. Pure.
    """
    from_there = [each for each in known if each.epoch == mark.epoch and each.total_count is not None]
    if mark.total_count is not None or not from_there:
        return mark
    near = min(from_there, key=lambda each: abs(each.sequence - mark.sequence))
    assert near.total_count is not None
    here = bisect_left(changes, place(mark), key=lambda each: (each["epoch"], each["sequence"]))
    there = changes_before(changes, near)
    jumps = [
        each["found"] - each["expected"]
        for each in changes[min(here, there) : max(here, there)]
        if each["kind"] != "lost"
    ]
    onward = sum(jumps) if here < there else -sum(jumps)
    return Mark(mark.epoch, mark.sequence, near.total_count - (near.sequence - mark.sequence) - onward)


def _cut(every: Sequence[Stay], first: Mark, last: Mark) -> Iterator[Stay]:
    """What lies between two cycles. What happened at the number of the last one, after it, is of the next
    shift in which there is another."""
    begin: Mark | None = first
    for each in every:
        nobody_there = each.mount is None and place(each.begin) == place(each.end)
        if place(each.end) < place(first) or (begin is not None and nobody_there):
            continue
        if place(each.end) >= place(last):
            yield Stay(each.mount, begin or each.begin, last)
            return
        yield Stay(each.mount, begin or each.begin, each.end)
        begin = None


def _row(
    connection: Connection, controller_id: int, stretch: Stretch, gaps: Sequence[Record], modulus: int | None
) -> Record:
    stored = count_cycles(connection, controller_id, stretch.begin, stretch.end)
    row = unwrapped(equation(stretch, stored, list(cut_to(stretch, gaps))), modulus)
    unknown = {name: why for name, why in row["unknown"].items() if name != "balanced"}
    members = {name: row[name] for name in COUNTED}
    for name, number in members.items():
        if number is not None and abs(number) > EXACT:
            members[name], unknown[name] = None, TOO_LARGE
    if None in members.values() and members["unexplained"] is not None:
        members["unexplained"], unknown["unexplained"] = None, NOT_STATED
    tool_name = stretch.stay.mount and {
        name: stretch.stay.mount[name] for name in ("maker", "model", "serial")
    }
    return {
        "tool": tool_name,
        "begin": _place(stretch.begin),
        "end": _place(stretch.end),
        "counter_begin": _text(stretch.begin.total_count),
        "counter_end": _text(stretch.end.total_count),
        **members,
        "count_changes": [
            {
                "kind": each["kind"],
                "epoch": each["epoch"],
                "sequence": _text(each["sequence"]),
                "expected": _text(each["expected"]),
                "found": _text(each["found"]),
                "noticed_at": format_rfc3339(each["noticed_at"]),
            }
            for each in stretch.changes
        ],
        "unknown": unknown,
    }


def _place(mark: Mark) -> Record:
    return {"epoch": mark.epoch, "sequence": _text(mark.sequence)}


def _text(number: int | None) -> str | None:
    return None if number is None else str(number)


def _mark_before(connection: Connection, controller_id: int, at: datetime) -> Mark | None:
    """The last cycle that ended before an instant, with the count in its record."""
    order = (cycle.c.ended_at.desc(), cycle.c.epoch.desc(), cycle.c.sequence.desc())
    row = connection.execute(
        select(cycle.c.epoch, cycle.c.sequence, cycle.c.total_count)
        .where(cycle.c.controller_id == controller_id, cycle.c.ended_at < at)
        .order_by(*order)
        .limit(1)
    ).one_or_none()
    return None if row is None else Mark(*row)


def _find_mounts(connection: Connection, controller_id: int, first: Mark, last: Mark) -> list[Record]:
    """Those that reach into the places from one mark to the other, oldest first."""
    until, after = (
        (mount.c.until_epoch, mount.c.until_sequence),
        (mount.c.after_epoch, mount.c.after_sequence),
    )
    wanted = (
        select(mount, tool.c.maker, tool.c.model, tool.c.serial)
        .join_from(mount, tool)
        .where(mount.c.controller_id == controller_id)
        .where(or_(mount.c.unmounted_at.is_(None), _is_at_least(until, first)))
        .where(or_(after[0].is_(None), ~_is_beyond(after, last)))
        .order_by(mount.c.commit_number)
    )
    return records(connection.execute(wanted))


def _is_at_least(columns: tuple[Any, Any], mark: Mark) -> Any:
    return or_(columns[0] > mark.epoch, and_(columns[0] == mark.epoch, columns[1] >= mark.sequence))


def _is_beyond(columns: tuple[Any, Any], mark: Mark) -> Any:
    return or_(columns[0] > mark.epoch, and_(columns[0] == mark.epoch, columns[1] > mark.sequence))
