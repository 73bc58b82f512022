"""Does a station's set-up fit its band?"""

from datetime import datetime
from typing import Annotated, Literal

from pydantic import ConfigDict, Field
from pydantic.config import JsonDict

from api.schemas.common import Answer, Cautions, Tool, Unknown
from collector.analysis.setup import What

MISFIT: JsonDict = {
    "what": "punch pressure",
    "unit": "kPa",
    "found": 330.0,
    "least": 468.0,
    "most": 572.0,
    "off_by": -138.0,
    "sentence": "punch pressure 330 kPa is 138 kPa below 468 kPa (band B15-061); the change from 0.48 mm to "
    "0.61 mm band wants about 1.6 times the punch pressure (330 kPa to about 527 kPa), and it stayed",
}

SETUP: JsonDict = {
    "controller": "L2-02",
    "line": "L2",
    "station": "Boot clamps outer",
    "tool": {"maker": "Example Tools", "model": "BT-30", "serial": "BT30-1007"},
    "read_at": "2026-11-24T09:12:04Z",
    "last_cycle": {"id": "L2-02.1.8069", "ended_at": "2026-11-24T09:11:58.412Z"},
    "told_by": {
        "band": "status",
        "set_torque_nm": "status",
        "tension_speed_mm_s": "status",
        "punch_pressure_kpa": "status",
        "supply_pressure_kpa": "status",
    },
    "band": "B15-061",
    "set_torque_nm": 12.0,
    "tension_speed_mm_s": 40.0,
    "punch_pressure_kpa": 330.0,
    "supply_pressure_kpa": 620.0,
    "least_supply_kpa": 550.0,
    "fits": False,
    "misfits": [MISFIT],
    "unchecked": [],
    "wheel_torque_nm": 12.0,
    "torque": {
        "verdict": "recommended",
        "over_recommended_nm": 0.0,
        "left_to_maximum_nm": 4.0,
        "share_of_recommended": 1.0,
    },
    "wheel": {"radius_mm": 12.0, "gear_ratio": 1.0, "efficiency": 0.85},
    "tension_n": 850.0,
    "stretch": {
        "stress_mpa": 87.8,
        "strain": 0.000455,
        "length_mm": 1000.0,
        "elongation_mm": 0.455,
        "share_of_yield": 0.17,
    },
    "proven": {
        "band": "B15-048",
        "punch_pressure_kpa": 330.0,
        "cycles": 133,
        "ok": 133,
        "from_at": "2026-11-24T08:58:20Z",
        "to_at": "2026-11-24T09:08:41Z",
        "first_cycle": "L2-02.1.7890",
        "last_cycle": "L2-02.1.8022",
        "pressure_ratio": 1.6,
        "needed_pressure_kpa": 527.0,
    },
    "unknown": {},
    "cautions": [],
}


class Misfit(Answer):
    """One thing that does not fit, and by how much."""

    model_config = ConfigDict(json_schema_extra={"examples": [MISFIT]})

    what: What
    unit: Literal["N·m", "mm/s", "kPa"] | None
    """Of the numbers; null where they are none."""
    found: float | str | None
    """Null: the controller does not say."""
    least: float | None
    """What is needed; null: no bound on that side, or nobody has said."""
    most: float | None
    off_by: float | None
    """`found` less the bound that it misses: negative when too low. Null: it can't be checked."""
    sentence: str


class LastCycle(Answer):
    id: str
    ended_at: datetime


class Proven(Answer):
    """The punch pressure that the station's last other band was made well with, and what the band in use
    needs by it: in proportion to thickness squared, and to shear strength where both are known."""

    band: str
    punch_pressure_kpa: float
    cycles: int
    """In a row at it, with that band; without those aborted or not judged."""
    ok: int
    from_at: datetime
    to_at: datetime
    first_cycle: str
    last_cycle: str
    pressure_ratio: float
    """So many times the pressure for the band in use."""
    needed_pressure_kpa: float


class TorqueCheck(Answer):
    """The set torque beside what the band takes."""

    verdict: Literal["below recommended", "recommended", "above recommended", "above maximum"]
    over_recommended_nm: float
    """Negative below it."""
    left_to_maximum_nm: float
    """Negative above it."""
    share_of_recommended: float


class Wheel(Answer):
    """How the tool turns torque into tension, by the site file's tool model."""

    radius_mm: float
    gear_ratio: float
    efficiency: float


class Stretch(Answer):
    """What the tension does to the band: stress = tension / area, strain = stress / modulus (Hooke)."""

    stress_mpa: float
    strain: float | None
    """Null above the least yield strength: there the band stretches more than Hooke's law says, for good."""
    length_mm: float
    """The length that was asked for."""
    elongation_mm: float | None
    """Of that length; null above the least yield strength."""
    share_of_yield: float | None
    """1 at the least yield strength."""


class Setup(Answer):
    """What is set at a station, against the site file's bands."""

    model_config = ConfigDict(json_schema_extra={"examples": [SETUP]})

    controller: str
    line: str
    station: str
    tool: Tool | None
    """That is mounted."""
    read_at: datetime | None
    """When the latest status was read."""
    last_cycle: LastCycle | None
    told_by: Annotated[
        dict[str, Literal["status", "cycle"]],
        Field(description="Each of the next five that is known -> what told it: the latest status, or where "
              "that does not show it the last cycle's record."),
    ]  # fmt: skip
    band: str | None
    set_torque_nm: float | None
    """As the controller tells it: at the motor where the tool model has a gear ratio, else at the wheel."""
    tension_speed_mm_s: float | None
    punch_pressure_kpa: float | None
    """Gauge."""
    supply_pressure_kpa: float | None
    """Gauge."""
    least_supply_kpa: float
    """By the site file."""
    fits: bool | None
    """Null: nothing that could be checked is wrong, but something could not be checked."""
    misfits: list[Misfit]
    unchecked: list[Misfit]
    """What can't be checked, and why."""
    wheel_torque_nm: float | None
    """The set torque at the wheel; misfits and tension are about it."""
    torque: TorqueCheck | None
    wheel: Wheel | None
    tension_n: float | None
    """Band tension that the set torque gives: torque at the wheel × efficiency / radius."""
    stretch: Stretch | None
    proven: Proven | None
    unknown: Unknown
    cautions: Cautions
