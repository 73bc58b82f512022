"""What is set at each station: what its controller shows now, and the punch pressure that was proven there
with another band."""

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, select

from collector.analysis.setup import proven_run
from collector.store.measures import GOOD_MODES, find_setting_changes
from collector.store.queries import CycleId, Record, find_controllers, records
from collector.store.tables import cycle, tool

NUMBERS = ("set_torque_nm", "tension_speed_mm_s", "punch_pressure_kpa", "supply_pressure_kpa")
SET = ("band", *NUMBERS)
"""What is looked at, as `collector.analysis.setup.StationSetup` has it."""
BANDS_BACK = 10
"""So many changes of the band are looked behind for a proven pressure."""
CHANGES_BACK = 1000
CYCLES_BACK = 200
"""So many changes of a setting are looked at, and so many cycles with a band, the last before it changed."""


def find_setups(connection: Connection, name: str | None = None) -> list[Record]:
    """All controllers by name, or the one called `name`, as `find_controllers` gives them, with `set`: each
    name in `SET` -> value or None; `told_by`: name -> `status` or `cycle`, where there is a value; and
    `last_cycle`: id, ended_at of the cycle that told it, or None.

    What the latest status does not show is taken from the last cycle.
    Raises: NotInBook: no controller of that name.
    """
    found = find_controllers(connection, name)
    for each in found:
        last = _find_last_cycle(connection, each)
        shown = (each["settings"] or {}) | {"supply_pressure_kpa": each["supply_pressure_kpa"]}
        each["set"], each["told_by"], each["last_cycle"] = {}, {}, last
        for setting in SET:
            each["set"][setting] = None
            for source, said in (("status", shown), ("cycle", last or {})):
                if (value := _usable(setting, said.get(setting))) is not None:
                    each["set"][setting], each["told_by"][setting] = value, source
                    break
    return found


def _find_last_cycle(connection: Connection, owner: Record) -> Record | None:
    columns = (cycle.c.epoch, cycle.c.sequence, cycle.c.ended_at, *(cycle.c[setting] for setting in SET))
    wanted = (
        select(*columns)
        .where(cycle.c.controller_id == owner["controller_id"])
        .order_by(cycle.c.epoch.desc(), cycle.c.sequence.desc())
        .limit(1)
    )
    for found in records(connection.execute(wanted)):
        return found | {"id": str(CycleId(owner["name"], found["epoch"], found["sequence"]))}
    return None


def _usable(setting: str, value: Any) -> float | str | None:
    """The value, where it is of the kind that the setting is: a layout may call anything by its name."""
    if setting == "band":
        return value if isinstance(value, str) and value else None
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def find_proven(
    connection: Connection, station: Record, model: tuple[str, str], bands: Collection[str]
) -> Record | None:
    """The punch pressure that a station's last other band was made well with: band, punch_pressure_kpa,
    cycles, ok, from_at, to_at, first_cycle, last_cycle (ids); None where nothing proves one.

    Args: station: as `find_setups` gives it; model: maker and model of its tool, for a pressure that another
    model needs says nothing; bands: only these are looked for.
    Where the records do not tell the pressure, it is what is set now, less what was changed since.
    """
    changes, pressures = (
        find_setting_changes(
            connection, controller_id=station["controller_id"], setting=setting, last=CHANGES_BACK
        )
        for setting in ("band", "punch_pressure_kpa")
    )
    begins = [each["noticed_at"] for each in changes[1:]] + [None]
    for change, begins_at in list(zip(changes, begins, strict=False))[:BANDS_BACK]:
        band = change["before"]
        if band == station["set"]["band"] or band not in bands:
            continue
        rows = _find_judged(
            connection, station["controller_id"], model, band, begins_at, change["not_before"]
        )
        pressures_kpa = [
            _set_at(row["ended_at"], pressures, station["set"]["punch_pressure_kpa"])
            if row["punch_pressure_kpa"] is None
            else row["punch_pressure_kpa"]
            for row in rows
        ]
        run = proven_run(pressures_kpa, [row["result"] == "ok" for row in rows])
        if run is not None:
            newest, oldest = rows[run.first], rows[run.end - 1]
            return {
                "band": band,
                "punch_pressure_kpa": run.punch_pressure_kpa,
                "cycles": run.end - run.first,
                "ok": run.ok,
                "from_at": oldest["ended_at"],
                "to_at": newest["ended_at"],
                "first_cycle": str(CycleId(station["name"], oldest["epoch"], oldest["sequence"])),
                "last_cycle": str(CycleId(station["name"], newest["epoch"], newest["sequence"])),
            }
    return None


def _find_judged(
    connection: Connection,
    controller_id: int,
    model: tuple[str, str],
    band: str,
    since: datetime | None,
    until: datetime,
) -> list[Record]:
    """Cycles of a stretch of one band that say whether its lock was formed, newest first."""
    of_cycle = (cycle.c.epoch, cycle.c.sequence, cycle.c.ended_at, cycle.c.result, cycle.c.punch_pressure_kpa)
    wanted = (
        select(*of_cycle)
        .join_from(cycle, tool)
        .where(
            cycle.c.controller_id == controller_id,
            cycle.c.ended_at <= until,
            cycle.c.mode.in_(GOOD_MODES),
            cycle.c.result.in_(("ok", "nok")),
            cycle.c.completion != "aborted",
            cycle.c.band.is_(None) | (cycle.c.band == band),
            tool.c.maker == model[0],
            tool.c.model == model[1],
        )
        .order_by(cycle.c.ended_at.desc(), cycle.c.epoch.desc(), cycle.c.sequence.desc())
        .limit(CYCLES_BACK)
    )
    if since is not None:
        wanted = wanted.where(cycle.c.ended_at > since)
    return records(connection.execute(wanted))


def _set_at(at: datetime, changes: Sequence[Record], now: float | None) -> float | None:
    """What a setting was at an instant; `changes`: newest first."""
    value = now
    for change in changes:
        if change["noticed_at"] <= at:
            break
        value = _usable(change["setting"], change["before"])  # type: ignore[assignment]
    return value
