"""Faults of an interval and what they came out of: cycles made and hours mounted; cycles by stretch of time.

Cycles come from the tallies, so an interval costs its buckets and the edges of its stretches, not its cycles.
Hours are those of the mounts: from the status that showed the tool first to the one that showed it no more,
or to the controller's latest. In which of them the collector did not read, or the controller did not work,
the book does not keep.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import (
    BigInteger,
    ColumnElement,
    Connection,
    Integer,
    Table,
    cast,
    column,
    func,
    select,
    text,
    type_coerce,
    union_all,
)

from collector.ledger import NO_TOOL
from collector.model import ToolName
from collector.store.queries import cycles_in, find_gaps_while_mounted, records
from collector.store.tables import (
    controller,
    controller_status,
    cycle,
    fault,
    from_us,
    gap,
    mount,
    tally,
    to_us,
    tool,
)
from collector.store.tallies import BUCKET_US, Interval, edges, whole_buckets

Integers = NDArray[np.int64]
HOUR_US = 3600 * 1_000_000
EDGES_AT_ONCE = 2000
"""In one statement, whose text may have a million characters on SQLite."""


@dataclass(frozen=True, slots=True)
class Scope:
    """Whose cycles, faults and hours; None: all."""

    tool_id: int | None = None
    controller_ids: tuple[int, ...] | None = None


class Fault(NamedTuple):
    """One fault, with what it can be grouped by."""

    code: str
    text: str
    category: str
    tool_id: int
    controller_id: int
    raised_us: int
    """µs since 1970 in UTC."""
    cleared_us: int | None
    """None: it still stands."""


class Mounted(NamedTuple):
    """A stretch in which a tool was seen on a controller; both bounds in µs since 1970 in UTC."""

    tool_id: int
    controller_id: int
    begin_us: int
    end_us: int


class Made(NamedTuple):
    """Cycles of one tool on one controller."""

    tool_id: int
    controller_id: int
    cycles: int


class Place(NamedTuple):
    """Where a controller stands."""

    line: str
    station: str


def find_faults_of(
    connection: Connection,
    scope: Scope,
    begin: datetime,
    end: datetime,
    *,
    code: str | None = None,
    category: str | None = None,
) -> list[Fault]:
    """Those raised in [begin, end), oldest first."""
    wanted = [fault.c.raised_at >= begin, fault.c.raised_at < end, *_of(scope, fault)]
    for where, value in ((fault.c.code, code), (fault.c.category, category)):
        wanted += [] if value is None else [where == value]
    columns = (fault.c.code, fault.c.text, fault.c.category, fault.c.tool_id, fault.c.controller_id)
    instants = (type_coerce(each, BigInteger) for each in (fault.c.raised_at, fault.c.cleared_at))
    rows = connection.execute(
        select(*columns, *instants).where(*wanted).order_by(fault.c.raised_at, fault.c.commit_number)
    )
    return [Fault(*row) for row in rows]


def find_mounted(connection: Connection, scope: Scope, begin: datetime, end: datetime) -> list[Mounted]:
    """When tools were seen on controllers within [begin, end). A mount that is not over reaches up to the
    controller's latest status."""
    left_at = func.coalesce(mount.c.unmounted_at, controller_status.c.read_at, mount.c.mounted_at)
    rows = connection.execute(
        select(
            mount.c.tool_id,
            mount.c.controller_id,
            type_coerce(mount.c.mounted_at, BigInteger),
            type_coerce(left_at, BigInteger),
        )
        .select_from(
            mount.outerjoin(controller_status, controller_status.c.controller_id == mount.c.controller_id)
        )
        .where(mount.c.mounted_at < end, left_at > begin, *_of(scope, mount))
        .order_by(mount.c.mounted_at, mount.c.commit_number)
    )
    first, last = to_us(begin), to_us(end)
    cut = (
        Mounted(tool_id, controller_id, max(mounted, first), min(left, last))
        for tool_id, controller_id, mounted, left in rows
    )
    return [each for each in cut if each.begin_us < each.end_us]


def hours_in(mounted: Sequence[Mounted], stretches: Sequence[Interval]) -> NDArray[np.float64]:
    """(n,) hours of all mounts together in each stretch; two tools mounted at once count twice."""
    begins, ends = _bounds(stretches)
    total = np.zeros(len(stretches), dtype=np.int64)
    for each in mounted:
        total += np.clip(np.minimum(ends, each.end_us) - np.maximum(begins, each.begin_us), 0, None)
    return np.asarray(total / HOUR_US, dtype=np.float64)


def count_cycles(connection: Connection, scope: Scope, begin: datetime, end: datetime) -> list[Made]:
    """Cycles that ended in [begin, end), by tool and controller; no row for none."""
    begin_us, end_us = to_us(begin), to_us(end)
    whole = whole_buckets(begin_us, end_us)
    parts = [
        select(cycle.c.tool_id, cycle.c.controller_id, func.count().label("cycles"))
        .where(*_in(connection, scope, cycle), cycle.c.ended_at >= from_us(first))
        .where(cycle.c.ended_at < from_us(last))
        .group_by(cycle.c.tool_id, cycle.c.controller_id)
        for first, last in edges(begin_us, end_us)
    ]
    if whole:
        parts.append(
            select(tally.c.tool_id, tally.c.controller_id, tally.c.cycles)
            .where(*_in(connection, scope, tally), tally.c.bucket_at >= from_us(whole.start))
            .where(tally.c.bucket_at < from_us(whole.stop))
        )
    if not parts:
        return []
    every = union_all(*parts).subquery()
    by = (every.c.tool_id, every.c.controller_id)
    rows = connection.execute(
        select(*by, cast(func.sum(every.c.cycles), BigInteger)).group_by(*by).order_by(*by)
    )
    return [Made(*row) for row in rows]


@dataclass(frozen=True, slots=True, eq=False)
class Buckets:
    """Cycles in 15-minute buckets."""

    begin_us: Integers
    """(b,) rising; buckets without a cycle are left out."""
    cycles: Integers
    """(b,)"""

    def before(self, at_us: Integers) -> Integers:
        """(n,) cycles in the buckets that begin before each instant."""
        return np.concatenate([[0], np.cumsum(self.cycles)])[np.searchsorted(self.begin_us, at_us)]


def find_buckets(connection: Connection, scope: Scope, begin_us: int, end_us: int) -> Buckets:
    """Of the buckets that begin in [begin, end)."""
    bucket = type_coerce(tally.c.bucket_at, BigInteger)
    rows = connection.execute(
        select(bucket, cast(func.sum(tally.c.cycles), BigInteger))
        .where(*_in(connection, scope, tally), bucket >= begin_us, bucket < end_us)
        .group_by(bucket)
        .order_by(bucket)
    )
    table = np.array([tuple(row) for row in rows], dtype=np.int64).reshape(-1, 2)
    return Buckets(table[:, 0], table[:, 1])


def count_stretches(connection: Connection, scope: Scope, stretches: Sequence[Interval]) -> Integers:
    """(n,) cycles that ended in each stretch, such as a shift: whole buckets, and what lies at the edges."""
    begins, ends = _bounds(stretches)
    if not stretches:
        return begins
    whole_begins = -(-begins // BUCKET_US) * BUCKET_US
    whole_ends = np.maximum(ends // BUCKET_US * BUCKET_US, whole_begins)
    buckets = find_buckets(connection, scope, int(whole_begins.min()), int(whole_ends.max()))
    counted = buckets.before(whole_ends) - buckets.before(whole_begins)
    parts = [(place, *edge) for place, each in enumerate(stretches) for edge in edges(*each)]
    for first in range(0, len(parts), EDGES_AT_ONCE):
        for place, cycles in _count_edges(connection, scope, parts[first : first + EDGES_AT_ONCE]):
            counted[place] += cycles
    return counted


def _count_edges(
    connection: Connection, scope: Scope, parts: Sequence[tuple[int, int, int]]
) -> list[tuple[int, int]]:
    # As text, since composing thousands of parameters takes longer than the question; both databases call the
    # columns of VALUES so.
    rows_of_edges = ", ".join(f"({place:d}, {begin:d}, {end:d})" for place, begin, end in parts)
    names = (column("column1", Integer), column("column2", BigInteger), column("column3", BigInteger))
    edge = text(f"VALUES {rows_of_edges}").columns(*names).cte("edge")
    place, begin_us, end_us = (edge.c[each.name] for each in names)
    ended = type_coerce(cycle.c.ended_at, BigInteger)
    rows = connection.execute(
        select(place, func.count())
        .join_from(edge, cycle, (ended >= begin_us) & (ended < end_us))
        .where(*_in(connection, scope, cycle))
        .group_by(place),
        execution_options={"compiled_cache": None},
    )
    return [(at, cycles) for at, cycles in rows]


def gap_cycles_in(connection: Connection, scope: Scope, begin: datetime, end: datetime) -> int | None:
    """Cycles missing in open gaps that may reach into [begin, end): of all tools, or of controllers while the
    tool may have sat on them; None where nobody can say."""
    if scope.tool_id is None:
        gaps = records(connection.execute(select(gap).where(gap.c.closed_at.is_(None))))
    else:
        gaps = find_gaps_while_mounted(connection, scope.tool_id)
    missing = [
        cycles_in(each)
        for each in gaps
        if (scope.controller_ids is None or each["controller_id"] in scope.controller_ids)
        and (each["before_at"] is None or each["before_at"] >= begin)
        and (each["after_at"] is None or each["after_at"] < end)
    ]
    return sum(each or 0 for each in missing) if None not in missing else None


def _in(connection: Connection, scope: Scope, table: Table) -> list[ColumnElement[bool]]:
    """Tools are named one by one, so that every statement can go by the index of a tool."""
    if scope.tool_id is not None:
        return _of(scope, table)
    return [table.c.tool_id.in_(connection.scalars(select(tool.c.tool_id)).all()), *_of(scope, table)]


def _of(scope: Scope, table: Table) -> list[ColumnElement[bool]]:
    wanted = [] if scope.tool_id is None else [table.c.tool_id == scope.tool_id]
    return (
        wanted if scope.controller_ids is None else [*wanted, table.c.controller_id.in_(scope.controller_ids)]
    )


# ---- names -------------------------------------------------------------------------------------------------


def find_tool_names(connection: Connection) -> dict[int, ToolName | None]:
    """None: no tool was known to be there."""
    rows = connection.execute(select(tool.c.tool_id, tool.c.maker, tool.c.model, tool.c.serial))
    names = {number: ToolName(*name) for number, *name in rows}
    return {number: None if name == NO_TOOL else name for number, name in names.items()}


def find_places(connection: Connection) -> dict[int, Place]:
    """Controller id -> its line and station."""
    rows = connection.execute(select(controller.c.controller_id, controller.c.line, controller.c.station))
    return {number: Place(*place) for number, *place in rows}


def _bounds(stretches: Sequence[Interval]) -> tuple[Integers, Integers]:
    table = np.array(stretches, dtype=np.int64).reshape(-1, 2)
    return table[:, 0], table[:, 1]
