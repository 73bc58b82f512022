"""Counts of any interval at bounded cost: whole 15-minute buckets of `tally`, and at most two edges of
`cycle`.

All zone offsets in use are multiples of 15 minutes, but a shift bound like 06:20 is not; the two edges,
each shorter than a bucket, are counted cycle by cycle. The sum equals a full scan, because a tally changes
only in the transaction that stores its cycles."""

from datetime import datetime
from typing import NamedTuple

from sqlalchemy import BigInteger, Connection, Select, cast, func, select, union_all

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


def count_between(connection: Connection, tool_id: int, begin: datetime, end: datetime) -> list[Count]:
    """Cycles of a tool that ended in [begin, end), by controller, result and completion; no row for none."""
    begin_us, end_us = to_us(begin), to_us(end)
    whole = whole_buckets(begin_us, end_us)
    parts = [_of_cycles(tool_id, edge) for edge in edges(begin_us, end_us)]
    if whole:
        parts.append(
            _of_tallies(tool_id).where(
                tally.c.bucket_at >= from_us(whole.start), tally.c.bucket_at < from_us(whole.stop)
            )
        )
    return _summed(connection, parts) if parts else []


def count_lifetime(connection: Connection, tool_id: int) -> list[Count]:
    """All cycles of a tool in the book, by controller, result and completion."""
    return _summed(connection, [_of_tallies(tool_id)])


Part = Select[tuple[int, str, str, int]]


def _of_tallies(tool_id: int) -> Part:
    return select(tally.c.controller_id, tally.c.result, tally.c.completion, tally.c.cycles).where(
        tally.c.tool_id == tool_id
    )


def _of_cycles(tool_id: int, interval: Interval) -> Part:
    begin, end = (from_us(bound) for bound in interval)
    by = (cycle.c.controller_id, cycle.c.result, cycle.c.completion)
    return (
        select(*by, func.count().label("cycles"))
        .where(cycle.c.tool_id == tool_id, cycle.c.ended_at >= begin, cycle.c.ended_at < end)
        .group_by(*by)
    )


def _summed(connection: Connection, parts: list[Part]) -> list[Count]:
    every = union_all(*parts).subquery()
    by = (every.c.controller_id, every.c.result, every.c.completion)
    rows = connection.execute(
        # PostgreSQL sums a BIGINT to a NUMERIC
        select(*by, cast(func.sum(every.c.cycles), BigInteger)).group_by(*by).order_by(*by)
    )
    return [Count(*row) for row in rows]
