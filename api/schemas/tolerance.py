"""What the curve of a tool and a band looks like when all is well, and how far one strays from it."""

from datetime import datetime
from typing import Annotated, Literal

from pydantic import ConfigDict, Field
from pydantic.config import JsonDict

from api.schemas.common import Answer, Tool, Unknown

DEPARTURE: JsonDict = {
    "from_ms": 118.0,
    "to_ms": 181.0,
    "side": "below",
    "worst": 3.4,
    "worst_ms": 131.0,
    "excess": 42.7,
}

TOOL: JsonDict = {"maker": "Example Tools", "model": "BT-30", "serial": "BT30-1002"}
STATE: JsonDict = {
    "begun_by": {
        "reason": "service",
        "says": "a service was done",
        "at": "2026-11-23T14:00:00Z",
        "seen_at": "2026-11-23T14:00:00Z",
    },
    "until": None,
}
SUMMARY: JsonDict = {
    "quantity": "tension_n",
    "unit": "N",
    "sample_interval_us": 1000.0,
    "inside_share": 0.95,
    "curves": 199,
    "left_out": 1,
}
OF_TOOL: JsonDict = {
    "tool": TOOL,
    "band": "B15-048",
    "state": STATE,
    "cycles": ["L2-01.1.12562", "L2-01.1.12563"],
    "tolerance": SUMMARY
    | {"offset_ms": [-1.0, 0.0, 1.0], "centre": [331.2, 339.5, 347.7], "half_width": [9.1, 8.8, 9.0]},
    "unknown": {},
}
OF_CYCLE: JsonDict = {
    "id": "L2-01.1.12887",
    "tool": TOOL,
    "band": "B15-048",
    "state": STATE,
    "first_cycle": "L2-01.1.12562",
    "last_cycle": "L2-01.1.12762",
    "learnt_from": False,
    "tolerance": SUMMARY,
    "inside": False,
    "distance": 3.4,
    "typical_distance": 0.9,
    "covered_share": 1.0,
    "departures": [DEPARTURE],
    "unknown": {},
}


class BegunBy(Answer):
    """What was done to the tool, so that its curves had to be learnt anew."""

    reason: Literal["service", "swap", "settings changed"]
    says: str
    at: datetime
    seen_at: datetime
    """Cycles that ended later are learnt from: a setting is seen later than it is set."""


class State(Answer):
    """A stretch of the tool's life in which nothing was done to it that the book or the desk know of."""

    begun_by: BegunBy | None
    """Null: it began with the tool's first cycle."""
    until: datetime | None
    """Null: it still holds."""


class Tolerance(Answer):
    """centre ± half_width at each instant, around the curves of accepted cycles."""

    quantity: Literal["tension_n", "torque_nm"]
    unit: Literal["N", "N·m"]
    """Of `centre` and `half_width`."""
    sample_interval_us: float
    inside_share: float
    """A further good curve stays inside, all along, with at least this probability."""
    curves: int
    """It was learnt from so many."""
    left_out: int
    """So many of `cycles` could not be laid over the others, or were not like them."""


class WholeTolerance(Tolerance):
    offset_ms: list[float]
    """From where half the rise is passed."""
    centre: list[float]
    half_width: list[float]


class ToolTolerance(Answer):
    model_config = ConfigDict(json_schema_extra={"examples": [OF_TOOL]})

    tool: Tool
    band: str | None
    """Null: of cycles whose records name none."""
    state: State
    cycles: Annotated[
        list[str],
        Field(
            description="Ids of the accepted cycles whose curves were given to learn from: the oldest of the "
            "state, so that a drift does not teach itself."
        ),
    ]
    tolerance: WholeTolerance | None
    unknown: Unknown


class Departure(Answer):
    """One stretch of a curve outside the tolerance band."""

    model_config = ConfigDict(json_schema_extra={"examples": [DEPARTURE]})

    from_ms: float
    """From where half the rise is passed; negative ahead of it."""
    to_ms: float
    side: Literal["above", "below"]
    worst: float
    """The furthest distance from the centre, in half widths; over 1."""
    worst_ms: float
    excess: float
    """How far outside it is there, in the unit of the tolerance band."""


class CycleTolerance(Answer):
    model_config = ConfigDict(json_schema_extra={"examples": [OF_CYCLE]})

    id: str
    tool: Tool
    band: str | None
    state: State
    """In which the cycle was made: it is held against curves of the same state."""
    first_cycle: str | None
    """Oldest of the cycles that were learnt from."""
    last_cycle: str | None
    learnt_from: bool
    """This cycle is one of them: its distance says little."""
    tolerance: Tolerance | None
    inside: bool | None
    distance: float | None
    """The furthest from the centre, in half widths: up to 1 it is inside."""
    typical_distance: float | None
    """Root mean square along the curve, in half widths."""
    covered_share: float | None
    """How much of the tolerance band the curve covers; what it does not cover is not judged."""
    departures: list[Departure]
    """In order of time."""
    unknown: Unknown
