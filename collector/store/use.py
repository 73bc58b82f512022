"""How a tool was used, shift by shift, and how its punch went, as the forecasts take them.

The cost of it grows with the stretch that is looked at, not with the cycles in it: cycles are counted from
the tallies, and the punch is read at every n-th cycle, so that at most some 10,000 are.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise
from math import isfinite

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import BigInteger, Connection, select, type_coerce

from collector.analysis.forecast import Shifts
from collector.shifts import Occurrence, ShiftPlan
from collector.store.exposure import Buckets, Scope, count_stretches, find_buckets
from collector.store.measures import DONE, GOOD_MODES
from collector.store.queries import Record, find_gaps_while_mounted, find_mounts
from collector.store.tables import controller, cycle, position, to_us
from collector.store.tallies import BUCKET_US, bucket_of

Floats = NDArray[np.float64]

SEEN = timedelta(days=182)
"""How far back use is looked at."""
AHEAD = timedelta(days=366)
"""How far ahead shifts are planned."""
FEWEST_WEEKS = 4
"""After so many weeks, a weekday without any cycle is one on which the tool does not work."""
MOST_PUNCHES = 10_000


@dataclass(frozen=True, slots=True, eq=False)
class Use:
    """A tool's shifts that are over, what it made in them, and the shifts ahead."""

    as_of: datetime
    """Up to here the controller on which it sits was read through."""
    seen_at: datetime
    """Since when the book can know of the tool."""
    mounted: bool
    history: Shifts
    cycles: Floats
    """(n,) made in each, with what was made after it outside of all shifts; NaN where some may be missing."""
    ahead: Shifts


def find_use(
    connection: Connection, tool_id: int, first_seen_at: datetime, plan: ShiftPlan, now: datetime
) -> Use:
    """Use of the last half year, by the shift plan of the tool's line. Weekdays on which it does not work are
    neither in the history nor in what is ahead."""
    mounts = find_mounts(connection, tool_id)
    read_at = _read_through(connection)
    sits_on = [each["controller_id"] for each in mounts if each["unmounted_at"] is None]
    reads = [at for number in sits_on if (at := read_at.get(number)) is not None]
    as_of = min(now, max(reads)) if reads else now
    seen_at = min([first_seen_at, *(each["mounted_at"] for each in mounts)])
    shifts = [
        each
        for each in plan.occurrences(max(seen_at, as_of - SEEN), as_of)
        if not each.is_outside and each.begins_at >= seen_at and each.begins_at < as_of
    ]
    bounds = [to_us(each.begins_at) for each in shifts] + [to_us(as_of)]
    cycles = count_stretches(connection, Scope(tool_id), list(pairwise(bounds))).astype(np.float64)
    over = sum(each.ends_at <= as_of for each in shifts)
    shifts, cycles = shifts[:over], cycles[:over]
    for begin, end in _not_counted(mounts, find_gaps_while_mounted(connection, tool_id), read_at, as_of):
        cycles[[each.begins_at < end and begin < each.ends_at for each in shifts]] = np.nan
    idle = _idle_weekdays(shifts, cycles)
    works = [each.plant_day.weekday() not in idle for each in shifts]
    ahead = [
        each
        for each in plan.occurrences(as_of, as_of + AHEAD)
        if not each.is_outside and each.plant_day.weekday() not in idle
    ]
    return Use(
        as_of=as_of,
        seen_at=seen_at,
        mounted=bool(sits_on),
        history=_arrays([each for each, worked in zip(shifts, works, strict=True) if worked]),
        cycles=cycles[np.array(works, dtype=np.bool_)],
        ahead=_arrays(ahead),
    )


def _read_through(connection: Connection) -> dict[int, datetime | None]:
    rows = connection.execute(select(position.c.controller_id, position.c.read_through_at))
    return {row.controller_id: row.read_through_at for row in rows}


def _not_counted(
    mounts: Sequence[Record],
    gaps: Sequence[Record],
    read_at: dict[int, datetime | None],
    as_of: datetime,
) -> list[tuple[datetime, datetime]]:
    """When cycles of the tool may be missing: in open gaps, and on controllers that were not read since."""
    missing = [(each["after_at"] or as_of - SEEN, each["before_at"] or as_of) for each in gaps]
    for mount in mounts:
        begin = max(mount["mounted_at"], read_at.get(mount["controller_id"]) or mount["mounted_at"])
        end = mount["unmounted_at"] or as_of
        missing += [(begin, end)] if begin < end else []
    return missing


def _idle_weekdays(shifts: Sequence[Occurrence], cycles: Floats) -> set[int]:
    """Monday is 0."""
    made: dict[int, dict[date, float]] = {day: {} for day in range(7)}
    for each, count in zip(shifts, cycles.tolist(), strict=True):
        if isfinite(count):
            days = made[each.plant_day.weekday()]
            days[each.plant_day] = days.get(each.plant_day, 0) + count
    idle = {day for day, days in made.items() if len(days) >= FEWEST_WEEKS and not any(days.values())}
    return idle if len(idle) < len(made) else set()


def _arrays(shifts: Sequence[Occurrence]) -> Shifts:
    return Shifts(
        plant_day=np.array([each.plant_day for each in shifts], dtype="datetime64[D]"),
        shift=np.array([each.shift for each in shifts], dtype=np.str_),
        begins_at=np.array([to_us(each.begins_at) for each in shifts], dtype="datetime64[us]"),
        ends_at=np.array([to_us(each.ends_at) for each in shifts], dtype="datetime64[us]"),
    )


# ---- the punch ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Punches:
    """Working cycles of a tool with a punch velocity, oldest first; (n,) each."""

    counts: Floats
    """The tool's count at each, since the begin of the watch; as exact as 15 minutes are."""
    velocity_m_s: Floats
    pressure_kpa: Floats
    """What drove it: the lower of set and supply pressure; NaN where neither was told."""
    count_now: int
    """The tool's count at the end of the watch."""


def find_punches(connection: Connection, tool_id: int, since: datetime, until: datetime) -> Punches:
    """Of the cycles that ended in [since, until), every n-th."""
    begin_us, end_us = bucket_of(to_us(since)), to_us(until)
    buckets = find_buckets(connection, Scope(tool_id), begin_us, end_us)
    made = int(buckets.cycles.sum())
    every = -(-made // MOST_PUNCHES) or 1
    columns = (cycle.c.punch_velocity_m_s, cycle.c.punch_pressure_kpa, cycle.c.supply_pressure_kpa)
    rows = connection.execute(
        select(type_coerce(cycle.c.ended_at, BigInteger), *columns)
        .where(
            cycle.c.tool_id == tool_id,
            cycle.c.ended_at >= since,
            cycle.c.ended_at < until,
            cycle.c.sequence % every == 0,
            cycle.c.punch_velocity_m_s.is_not(None),
            cycle.c.mode.in_(GOOD_MODES),
            cycle.c.completion.in_(DONE),
        )
        .order_by(cycle.c.ended_at)
    )
    table = np.array([tuple(row) for row in rows], dtype=np.float64).reshape(-1, 4)
    ended_us, velocity, set_kpa, supply_kpa = table.T
    return Punches(
        counts=_counts_at(buckets, ended_us),
        velocity_m_s=velocity,
        pressure_kpa=np.fmin(set_kpa, supply_kpa),
        count_now=made,
    )


def _counts_at(buckets: Buckets, ended_us: Floats) -> Floats:
    """Within a bucket, cycles are taken as even."""
    upto = np.cumsum(buckets.cycles, dtype=np.float64)
    at_us = np.column_stack([buckets.begin_us, buckets.begin_us + BUCKET_US]).ravel().astype(np.float64)
    counts = np.column_stack([upto - buckets.cycles, upto]).ravel()
    return np.interp(ended_us, at_us, counts) if at_us.size else np.zeros(0)


def line_of(connection: Connection, tool_id: int) -> str | None:
    """The line of the controller on which a tool sits, or sat last; None: nobody knows."""
    mounts = find_mounts(connection, tool_id)
    if not mounts:
        return None
    number = mounts[0]["controller_id"]
    return str(connection.scalar(select(controller.c.line).where(controller.c.controller_id == number)))
