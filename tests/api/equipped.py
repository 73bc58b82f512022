"""The plant with bands and a tool model in its site file; and what a test does at its station A-02."""

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from collector.config import Site, load_site
from collector.model import BookedCurve, BookedCycle, Curve, Cycle, SettingChange, Status, StatusSeen, Value
from tests.api.plant import LATEST, MOVED, SITE, Filling

EQUIPMENT = """
least_supply_kpa = 550.0

[[bands]]
name = "B15-048"
width_mm = 15.875
thickness_mm = 0.4826
recommended_torque_nm = 9.4
maximum_torque_nm = 12.5
recommended_pressure_kpa = 330.0

[[bands]]
name = "B15-061"
width_mm = 15.875
thickness_mm = 0.6096
recommended_torque_nm = 12.0
maximum_torque_nm = 16.0

[[tool_models]]
maker = "Sample Works"
model = "C-4"
wheel_radius_mm = 12.0
efficiency = 0.92
"""
"""Goes on with [analysis], the last section of SITE. Nobody has said what punch pressure the thick band
needs."""

STATION = "A-02"
SECOND = timedelta(seconds=1)
NOW = LATEST + timedelta(hours=1)


def equipped_site(folder: Path, changes: dict[str, str] | None = None) -> Site:
    """The plant's site with equipment, each key of `changes` replaced by its value."""
    text = EQUIPMENT
    for line, to in (changes or {}).items():
        assert line in text, line
        text = text.replace(line, to)
    path = folder / "equipped.toml"
    path.write_text(SITE + text, encoding="utf-8")
    return load_site(path)[0]


async def show(
    filling: Filling, at: datetime = NOW, supply_kpa: float | None = 620.0, **settings: Value
) -> None:
    """A status of the station."""
    status = Status(last_sequence=1, tool=MOVED, supply_pressure_kpa=supply_kpa, settings=settings)
    await filling.commit(STATION, seen=StatusSeen(status, at, None, None))


async def set_to(filling: Filling, at: datetime, setting: str, before: Value, after: Value) -> None:
    """Somebody sets a value within the second before `at`."""
    await filling.commit(STATION, settings=(SettingChange(setting, before, after, at - SECOND, at),))


async def make(
    filling: Filling, begin: datetime, said: list[dict[str, Any]], curves: list[Curve] | None = None
) -> list[str]:
    """A cycle every ten seconds from `begin` on, with curves where there are some; returns their ids."""
    at = filling.plant.positions[STATION]
    first, epoch = at.sequence + 1, at.epoch
    cycles = [
        BookedCycle(
            epoch,
            first + number,
            begin + 10 * number * SECOND,
            500.0,
            MOVED,
            Cycle(
                first + number,
                **{"result": "ok", "completion": "completed", "mode": "automatic", **each},
                raw=b"%d" % number,
            ),
        )
        for number, each in enumerate(said)
    ]
    booked = [
        BookedCurve(epoch, first + number, replace(curve, sequence=first + number))
        for number, curve in enumerate(curves or [])
    ]
    await filling.book(STATION, cycles, booked)
    return [f"{STATION}.{epoch}.{each.sequence}" for each in cycles]
