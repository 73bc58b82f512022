"""What one curve says: its features, each with its unit."""

from typing import Annotated, Literal

from pydantic import ConfigDict, Field
from pydantic.config import JsonDict

from api.schemas.common import Answer, Unknown
from api.schemas.records import ListedCurve

EXAMPLE: JsonDict = {
    "quantity": "tension_n",
    "units": {"peak": "N", "slope_per_s": "N/s", "rise_area_s": "N·s"},
    "samples": 612,
    "duration_ms": 604.0,
    "peak": 681.4,
    "peak_ms": 431.5,
    "take_up_ms": 297.2,
    "take_up_travel_mm": 11.9,
    "half_rise_ms": 389.6,
    "slope_per_s": 8120.0,
    "slope_standard_error_per_s": 41.0,
    "rise_area_s": 28.6,
    "work_j": 1.14,
    "lock": 664.9,
    "settle": 16.5,
    "seating_loss": 28.1,
    "noise": 1.2,
    "clipped": False,
    "truncated": False,
    "notes": [],
    "unknown": {},
}


class Features(Answer):
    """Of one curve. Where a member's name has no unit, `units` says it: it follows from `quantity`."""

    model_config = ConfigDict(json_schema_extra={"examples": [EXAMPLE]})

    quantity: Literal["tension_n", "torque_nm"]
    units: Annotated[dict[str, str], Field(description="Member -> its unit, such as N, N/s or N·m·s.")]
    samples: int
    duration_ms: float | None
    """From the first sample until the tension is gone; to the last sample where `truncated`."""
    peak: float | None
    """Without the noise on top; a lower bound where `clipped`."""
    peak_ms: float | None
    take_up_ms: float | None
    """Until the rise begins."""
    take_up_travel_mm: float | None
    """Of the band, by the tension speed of the cycle's record."""
    half_rise_ms: float | None
    """When half the rise is passed."""
    slope_per_s: float | None
    """Of the rise, at half of it."""
    slope_standard_error_per_s: float | None
    rise_area_s: float | None
    """Area under the rise, from its begin to 95 % of it."""
    work_j: float | None
    """Done on band and joint during the rise."""
    lock: float | None
    """Just before the step of the seating loss."""
    settle: float | None
    """Peak less lock."""
    seating_loss: float | None
    noise: float | None
    """Standard deviation from sample to sample."""
    clipped: bool
    """The sensor's or converter's range ended below the peak."""
    truncated: bool
    """The curve ends before the tension is gone."""
    notes: list[str]
    unknown: Unknown


class CycleFeatures(Features):
    model_config = ConfigDict(json_schema_extra={"examples": [EXAMPLE | {"id": "L2-01.1.12887"}]})

    id: str
    """Of the cycle."""


class CurveWithFeatures(ListedCurve):
    features: Features
