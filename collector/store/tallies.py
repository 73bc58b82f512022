"""Counts of any interval at bounded cost: whole 15-minute buckets of `tally`, and at most two edges of
`cycle`.

All zone offsets in use are multiples of 15 minutes, but a shift bound like 06:20 is not; the two edges,
each shorter than a bucket, are counted cycle by cycle. The sum equals a full scan, because a tally changes
only in the transaction that stores its cycles."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Literal, NamedTuple

from sqlalchemy import (
    BigInteger,
    ColumnElement,
    Connection,
    Select,
    Table,
    cast,
    func,
    select,
    text,
    union_all,
)

from collector.store.queries import Record, records
from collector.store.tables import cycle, from_us, tally, to_us

BUCKET_US = 15 * 60 * 1_000_000

Interval = tuple[int, int]
"""Half-open, µs since 1970 in UTC."""


class Count(NamedTuple):
    """Number of cycles of one tool with one controller, result and completion."""

    controller_id: int
    result: str
    completion: str
    cycles: int


Dimension = Literal["tool_id", "controller_id", "mode", "band", "result", "completion"]
"""What cycles are counted by: columns of `tally`."""
OF_A_TOOL: tuple[Dimension, ...] = ("controller_id", "result", "completion")


def bucket_of(at_us: int) -> int:
    """Begin of the bucket in which an instant lies, both in µs since 1970 in UTC."""
    return at_us - at_us % BUCKET_US


def whole_buckets(begin_us: int, end_us: int) -> range:
    """Begins of the buckets that lie wholly in [begin, end)."""
    return range(-(-begin_us // BUCKET_US) * BUCKET_US, bucket_of(end_us), BUCKET_US)


def edges(begin_us: int, end_us: int) -> list[Interval]:
    """What `whole_buckets` leaves over of [begin, end): at most two intervals, each shorter than a bucket."""
    whole = whole_buckets(begin_us, end_us)
    if whole.start > whole.stop:  # within one bucket
        parts = [(begin_us, end_us)]
    else:
        parts = [(begin_us, whole.start), (whole.stop, end_us)]
    return [(begin, end) for begin, end in parts if begin < end]


def count_by(
    connection: Connection,
    by: Sequence[Dimension],
    begin: datetime,
    end: datetime,
    *,
    tool_id: int | None = None,
    controller_ids: Sequence[int] | None = None,
) -> list[Record]:
    """Cycles that ended in [begin, end), grouped: the members of `by` and `cycles`, in the order of `by`; no
    row for none. `band` is '' where the records name none.

    Args: tool_id, controller_ids: only of that tool, of these controllers.
    """
    begin_us, end_us = to_us(begin), to_us(end)
    whole = whole_buckets(begin_us, end_us)
    parts = [
        _part(cycle, by, tool_id, controller_ids, cycle.c.ended_at, edge).group_by(*_columns(cycle, by))
        for edge in edges(begin_us, end_us)
    ]
    if whole:
        within = (whole.start, whole.stop)
        parts.append(_part(tally, by, tool_id, controller_ids, tally.c.bucket_at, within))
    return _summed(connection, by, parts) if parts else []


def count_between(connection: Connection, tool_id: int, begin: datetime, end: datetime) -> list[Count]:
    """Cycles of a tool that ended in [begin, end), by controller, result and completion; no row for none."""
    return [Count(**row) for row in count_by(connection, OF_A_TOOL, begin, end, tool_id=tool_id)]


def count_lifetime(connection: Connection, tool_id: int) -> list[Count]:
    """All cycles of a tool in the book, by controller, result and completion."""
    parts = [_part(tally, OF_A_TOOL, tool_id, None)]
    return [Count(**row) for row in _summed(connection, OF_A_TOOL, parts)]


def _part(
    table: Table,
    by: Sequence[Dimension],
    tool_id: int | None,
    controller_ids: Sequence[int] | None,
    at: ColumnElement[Any] | None = None,
    interval: Interval = (0, 0),
) -> Select[Any]:
    counted = func.count() if table is cycle else table.c.cycles
    wanted = select(*_columns(table, by), counted.label("cycles"))
    if at is not None:
        begin, end = (from_us(bound) for bound in interval)
        wanted = wanted.where(at >= begin, at < end)
    if tool_id is not None:
        wanted = wanted.where(table.c.tool_id == tool_id)
    if controller_ids is not None:
        wanted = wanted.where(table.c.controller_id.in_(controller_ids))
    return wanted


def _columns(table: Table, by: Sequence[Dimension]) -> list[ColumnElement[Any]]:
    return [
        func.coalesce(table.c.band, text("''")).label("band") if name == "band" else table.c[name]
        for name in by
    ]


def _summed(connection: Connection, by: Sequence[Dimension], parts: list[Select[Any]]) -> list[Record]:
    every = union_all(*parts).subquery()
    columns = [every.c[name] for name in by]
    cycles = cast(func.sum(every.c.cycles), BigInteger)  # PostgreSQL sums a BIGINT to a NUMERIC
    wanted = select(*columns, cycles.label("cycles")).group_by(*columns).having(cycles > 0)
    return records(connection.execute(wanted.order_by(*columns)))
