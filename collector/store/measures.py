"""A tool's measures for the analysis: values of its cycles and of their curves, oldest first, as arrays; and
where the same tool begins to be another: a service, a swap, a setting.

A measure is named with its unit: a column of `cycle`, or a feature of the curve (`MEASURES`).
"""

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import BigInteger, ColumnElement, Connection, and_, case, select, type_coerce

from collector.analysis.before_after import Cycles
from collector.store.queries import CycleId, Record, find_controller_id, find_mounts, records
from collector.store.tables import controller, curve_feature, cycle, from_us, setting_change

Floats = NDArray[np.float64]

OF_CYCLES = (
    "punch_velocity_m_s",
    "peak_tension_n",
    "lock_tension_n",
    "seating_loss_n",
    "take_up_ms",
    "duration_ms",
    "supply_pressure_kpa",
    "punch_pressure_kpa",
    "set_torque_nm",
    "tension_speed_mm_s",
)
OF_CURVES: Mapping[str, tuple[Literal["tension_n", "torque_nm"], str]] = {
    "slope_n_s": ("tension_n", "slope_per_s"),
    "work_j": ("tension_n", "work_j"),
    "settle_n": ("tension_n", "settle"),
    "curve_peak_n": ("tension_n", "peak"),
    "curve_lock_n": ("tension_n", "lock"),
    "curve_seating_loss_n": ("tension_n", "seating_loss"),
    "curve_take_up_ms": ("tension_n", "take_up_ms"),
    "slope_nm_s": ("torque_nm", "slope_per_s"),
    "settle_nm": ("torque_nm", "settle"),
    "curve_peak_nm": ("torque_nm", "peak"),
    "curve_lock_nm": ("torque_nm", "lock"),
    "curve_seating_loss_nm": ("torque_nm", "seating_loss"),
}
"""Measure -> quantity of the curve, column of `curve_feature`."""
MEASURES = (*OF_CYCLES, *OF_CURVES)

GOOD_MODES = ("automatic", "unknown")
DONE = ("completed", "unknown")


@dataclass(frozen=True, slots=True)
class Series:
    """Cycles of one tool in their order of time; all arrays are (n,)."""

    ended_us: NDArray[np.int64]
    """µs since 1970 in UTC."""
    controller_id: NDArray[np.int64]
    epoch: NDArray[np.int64]
    sequence: NDArray[np.int64]
    result: Sequence[str]
    completion: Sequence[str]
    mode: Sequence[str]
    band: Sequence[str | None]
    fault_code: Sequence[str | None]
    part_id: Sequence[str | None]
    values: Mapping[str, Floats]
    """Measure -> its values; NaN where a cycle has none."""
    controllers: Mapping[int, str]
    """Names."""

    def __len__(self) -> int:
        return self.ended_us.size

    def at(self, place: int) -> datetime:
        """When the cycle at that place ended."""
        return from_us(int(self.ended_us[place]))

    def id(self, place: int) -> str:
        """Its id, such as L1-03.1.4711."""
        name = self.controllers[int(self.controller_id[place])]
        return str(CycleId(name, int(self.epoch[place]), int(self.sequence[place])))

    def is_working(self) -> NDArray[np.bool_]:
        """(n,) which cycles are work: none made by hand, in set-up or in maintenance, aborted or failed."""
        return np.isin(self.mode, GOOD_MODES) & np.isin(self.completion, DONE)

    def first_after(self, us: int) -> int:
        """The first place that ended later than that instant; n where none did."""
        return int(np.searchsorted(self.ended_us, us, side="right"))


def find_series(
    connection: Connection,
    tool_id: int,
    measures: Sequence[str],
    *,
    last: int | None = None,
    first: int | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    controller_name: str | None = None,
    working_only: bool = True,
) -> Series:
    """A tool's cycles with these measures.

    Args: last: the newest so many; first: the oldest so many, instead; since, until: half-open interval of
    `ended_at`; working_only: without those made by hand, in set-up or in maintenance, aborted or failed.
    Raises: KeyError: no such measure; NotInBook: no controller of that name.
    """
    unknown = [name for name in measures if name not in MEASURES]
    if unknown:
        raise KeyError(*unknown)
    wanted = [cycle.c.tool_id == tool_id]
    if controller_name is not None:
        wanted.append(cycle.c.controller_id == find_controller_id(connection, controller_name))
    if since is not None:
        wanted.append(cycle.c.ended_at >= since)
    if until is not None:
        wanted.append(cycle.c.ended_at < until)
    if working_only:
        wanted += [cycle.c.mode.in_(GOOD_MODES), cycle.c.completion.in_(DONE)]
    key = (cycle.c.ended_at, cycle.c.controller_id, cycle.c.epoch, cycle.c.sequence)
    said = ("result", "completion", "mode", "band", "fault_code", "part_id")
    plain = [cycle.c[name] for name in said]
    columns = [type_coerce(key[0], BigInteger), *key[1:], *plain, *(_column(name) for name in measures)]
    rows = select(*columns).select_from(cycle)
    if any(name in OF_CURVES for name in measures):
        rows = rows.outerjoin(curve_feature, _same_cycle())
    rows = rows.where(*wanted)
    if first is not None:
        found = connection.execute(rows.order_by(*key).limit(first)).all()
    else:
        newest_first = rows.order_by(*(column.desc() for column in key))
        found = connection.execute(newest_first if last is None else newest_first.limit(last)).all()[::-1]
    by_column = list(zip(*found, strict=True)) if found else [()] * len(columns)
    ended_us, ids, epochs, sequences = (np.array(values, dtype=np.int64) for values in by_column[:4])
    results, completions, modes, bands, codes, parts = by_column[4:10]
    controllers = connection.execute(select(controller.c.controller_id, controller.c.name))
    return Series(
        ended_us,
        ids,
        epochs,
        sequences,
        results,
        completions,
        modes,
        bands,
        codes,
        parts,
        values={
            name: np.array(values, dtype=np.float64)
            for name, values in zip(measures, by_column[10:], strict=True)
        },
        controllers={row.controller_id: row.name for row in controllers},
    )


def cycles_of(*parts: Series) -> Cycles:
    """Series of one tool, one behind the other in their order of time, as findings and causes take them."""
    working = [
        mode in GOOD_MODES and completion in DONE
        for each in parts
        for mode, completion in zip(each.mode, each.completion, strict=True)
    ]
    return Cycles(
        ended_us=np.concatenate([each.ended_us for each in parts]),
        working=np.array(working, dtype=np.bool_),
        values={name: np.concatenate([each.values[name] for each in parts]) for name in parts[0].values},
        band=[band for each in parts for band in each.band],
        fault_code=[code for each in parts for code in each.fault_code],
        ids=[each.id(place) for each in parts for place in range(len(each))],
    )


def _same_cycle() -> ColumnElement[bool]:
    return and_(*(cycle.c[name] == curve_feature.c[name] for name in ("controller_id", "epoch", "sequence")))


def _column(measure: str) -> ColumnElement[Any]:
    if measure in OF_CYCLES:
        return cycle.c[measure]
    quantity, column = OF_CURVES[measure]
    return case((curve_feature.c.quantity == quantity, curve_feature.c[column])).label(measure)


# ---- where it begins to be another -------------------------------------------------------------------------


class Restart(NamedTuple):
    """What was learnt of a tool holds up to here, and has to be learnt anew."""

    at: datetime
    """Every cycle that ended earlier is of the old state."""
    reason: Literal["service", "swap", "settings changed"]
    says: str
    seen_at: datetime
    """Every cycle that ended later is of the new state: a setting is seen later than it is set."""


def find_restarts(connection: Connection, tool_id: int, services: Iterable[datetime]) -> list[Restart]:
    """Services of a tool (from the desk), its swaps from controller to controller, and what was set at its
    controllers while it sat there; oldest first."""
    found = [Restart(at, "service", SERVED, at) for at in services]
    for mount in find_mounts(connection, tool_id):
        found += _of_mount(connection, mount, None)
    return sorted(found)


def find_last_restart(connection: Connection, tool_id: int, services: Iterable[datetime]) -> Restart | None:
    """The last of `find_restarts` of a tool that sits somewhere, at the same cost however many there are."""
    found = [Restart(at, "service", SERVED, at) for at in services]
    for mount in find_mounts(connection, tool_id):
        if mount["unmounted_at"] is None:
            found += _of_mount(connection, mount, 1)
    return max(found, default=None)


SERVED = "a service was done"


def _of_mount(connection: Connection, mount: Record, last: int | None) -> list[Restart]:
    """It began, and what was set meanwhile, the newest so many."""
    where = mount["controller"]
    changes = find_setting_changes(
        connection,
        controller_id=mount["controller_id"],
        since=mount["mounted_at"],
        until=mount["unmounted_at"],
        last=last,
    )
    at = mount["mounted_at"]
    return [
        Restart(at, "swap", f"it was mounted on {where}", at),
        *(
            Restart(each["not_before"], "settings changed", _set(each, where), each["noticed_at"])
            for each in changes
        ),
    ]


def _set(change: Record, where: str) -> str:
    before, after = (
        f"{value:g}" if isinstance(value, float) else value for value in (change["before"], change["after"])
    )
    return f"{change['setting']} was set from {before} to {after} on {where}"


def find_setting_changes(
    connection: Connection,
    *,
    last: int | None = 100,
    before: int | None = None,
    controller_id: int | None = None,
    setting: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    begun_by: datetime | None = None,
) -> list[Record]:
    """What was set at controllers, in order of commit number, newest first: columns of `setting_change` with
    `before` and `after` decoded, and the controller's name.

    Args: before: only those with a smaller commit number; since, until: half-open interval of `noticed_at`;
    begun_by: only those that may have been set by then (`not_before`).
    """
    wanted = select(setting_change, controller.c.name.label("controller")).join_from(
        setting_change, controller
    )
    if before is not None:
        wanted = wanted.where(setting_change.c.commit_number < before)
    if controller_id is not None:
        wanted = wanted.where(setting_change.c.controller_id == controller_id)
    if setting is not None:
        wanted = wanted.where(setting_change.c.setting == setting)
    if since is not None:
        wanted = wanted.where(setting_change.c.noticed_at >= since)
    if until is not None:
        wanted = wanted.where(setting_change.c.noticed_at < until)
    if begun_by is not None:
        wanted = wanted.where(setting_change.c.not_before <= begun_by)
    wanted = wanted.order_by(setting_change.c.commit_number.desc())
    found = records(connection.execute(wanted if last is None else wanted.limit(last)))
    return [each | before_and_after(each) for each in found]


def before_and_after(row: Record) -> Record:
    """What a row of `setting_change` says was set, decoded."""
    return {"before": json.loads(row["value_before"]), "after": json.loads(row["value_after"])}
