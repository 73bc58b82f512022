"""How often tools fault: Pareto, rates, means between, comparison."""

from datetime import datetime
from typing import Any, Literal

from pydantic import ConfigDict

from api.schemas.common import Answer, Cautions, Page, Tool, Unknown
from collector.model import Category

By = Literal["code", "tool", "station", "shift"]
Per = Literal["cycles", "hours"]

RATES: dict[str, Any] = {
    "per_1000_cycles": 0.8,
    "low_per_1000_cycles": 0.2180,
    "high_per_1000_cycles": 2.0483,
    "per_hour": 0.05,
    "low_per_hour": 0.0136,
    "high_per_hour": 0.128,
    "mean_cycles_between": 1250.0,
    "low_cycles_between": 488.2,
    "high_cycles_between": 4587.7,
    "mean_hours_between": 20.0,
    "low_hours_between": 7.81,
    "high_hours_between": 73.4,
    "unknown": {},
}
"""Four faults in 5,000 cycles and 80 hours, for the examples."""


class Exposure(Answer):
    """What faults came out of."""

    cycles: int
    """Those in the book."""
    hours: float
    """In which a tool was mounted on a controller, up to the controller's latest status; two tools at once
    count twice. In which of them the collector did not read, or nobody worked, the book does not keep."""


class TotalExposure(Exposure):
    gap_cycles: int | None
    """Cycles missing in open gaps that may reach into the interval: at most so many more."""
    unknown: Unknown


class Rates(Answer):
    """With exact intervals at `confidence`, where faults come independently at a steady rate. The stretches
    before the first and after the last fault are in the exposure, so a mean between them is not too short.
    Without a fault, `low_…_between` is a one-sided bound."""

    per_1000_cycles: float | None
    low_per_1000_cycles: float | None
    high_per_1000_cycles: float | None
    per_hour: float | None
    low_per_hour: float | None
    high_per_hour: float | None
    mean_cycles_between: float | None
    low_cycles_between: float | None
    high_cycles_between: float | None
    mean_hours_between: float | None
    low_hours_between: float | None
    high_hours_between: float | None
    unknown: Unknown


class CodeRef(Answer):
    code: str
    """The maker's own; the same code with another text is another fault."""
    text: str
    category: Category


class StationRef(Answer):
    line: str
    station: str


class ShiftRef(Answer):
    shift: str


class Standing(Answer):
    count: int
    standing_s: float
    """From raised to cleared, all together; faults that stood at once each count in full."""
    untimed: int
    """Faults that stand still, left out of `standing_s`."""


class Bar(Standing):
    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "label": "E12",
                    "of": {"code": "E12", "text": "punch pressure low", "category": "process"},
                    "count": 4,
                    "standing_s": 312.5,
                    "untimed": 1,
                    "share": 0.4,
                    "cumulative_share": 0.4,
                    "exposure": {"cycles": 5000, "hours": 80.0},
                    "rates": RATES,
                    "unknown": {},
                }
            ]
        }
    )

    label: str | None
    """Null: those of which it is not known; always the last."""
    of: CodeRef | Tool | StationRef | ShiftRef | None
    share: float
    """Of all faults, 0 to 1."""
    cumulative_share: float
    exposure: Exposure | None
    rates: Rates | None
    unknown: Unknown


class Bursts(Answer):
    """Whether faults come in bursts, from shift to shift; then all intervals here are too narrow."""

    dispersion: float | None
    """Variance over mean of the faults a shift, by its cycles: 1 where they come independently, more for
    bursts."""
    p_value: float | None
    """Of "no bursts"."""
    unknown: Unknown


class FaultSummary(Page[Bar]):
    """`next` is always null."""

    by: By
    tool: Tool | None
    """Null: all tools."""
    controller: str | None
    """Null: all controllers."""
    begins_at: datetime
    ends_at: datetime
    total: Standing
    without_tool: int
    """Faults raised while no tool was known at the controller: they are counted, and stand for no cycle or
    hour of a tool."""
    exposure: TotalExposure
    rates: Rates
    bursts: Bursts
    confidence: float
    cautions: Cautions


class Side(Answer):
    tool: Tool | None
    begins_at: datetime
    ends_at: datetime
    count: int
    exposure: TotalExposure
    rates: Rates


class FaultComparison(Answer):
    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "per": "cycles",
                    "controller": None,
                    "first": {
                        "tool": {"maker": "Sample Works", "model": "C-4", "serial": "2042"},
                        "begins_at": "2026-11-02T05:00:00Z",
                        "ends_at": "2026-11-09T05:00:00Z",
                        "count": 4,
                        "exposure": {"cycles": 5000, "hours": 80.0, "gap_cycles": 0, "unknown": {}},
                        "rates": RATES,
                    },
                    "second": {
                        "tool": {"maker": "Sample Works", "model": "C-4", "serial": "2042"},
                        "begins_at": "2026-11-09T05:00:00Z",
                        "ends_at": "2026-11-16T05:00:00Z",
                        "count": 4,
                        "exposure": {"cycles": 5000, "hours": 80.0, "gap_cycles": 0, "unknown": {}},
                        "rates": RATES,
                    },
                    "ratio": 1.0,
                    "low_ratio": 0.186,
                    "high_ratio": 5.37,
                    "p_value": 1.0,
                    "confidence": 0.95,
                    "unknown": {},
                    "cautions": ["Follow the maker's instructions."],
                }
            ]
        }
    )

    per: Per
    controller: str | None
    first: Side
    second: Side
    ratio: float | None
    """Rate of the second over rate of the first: 2 is twice as often."""
    low_ratio: float | None
    high_ratio: float | None
    p_value: float | None
    """Of "both rates are the same", two-sided, exact; of one comparison chosen before its numbers were
    seen."""
    confidence: float
    unknown: Unknown
    cautions: Cautions


class Life(Answer):
    """R(n) = exp(-(n/scale)^shape): the probability of more than n cycles between two faults. Shape below 1:
    early failures; 1: by chance; above 1: wear. With few faults the intervals are too narrow."""

    stretches: int
    """From a fault of a tool to its next."""
    cut_off: int
    """Stretches that the interval's end cut off: one for each tool that had a fault."""
    shape: float | None
    low_shape: float | None
    high_shape: float | None
    scale: float | None
    """In cycles."""
    low_scale: float | None
    high_scale: float | None
    unknown: Unknown


class Trend(Answer):
    """Whether faults come ever faster, by a power law: shape above 1. Of several tools, by their counts in
    twelve equal stretches of time, without interval and p-value."""

    shape: float | None
    p_value: float | None
    """Of "the rate is steady", two-sided."""
    cycles_between_at_end: float | None
    """What is to be expected where the interval ends."""
    low_cycles_between: float | None
    high_cycles_between: float | None
    unknown: Unknown


class FromNow(Answer):
    """Of one tool, by the life of its own stretches and its cycles since its last fault."""

    cycles_since_last: float | None
    cycles_at_90_percent: float | None
    """So many more it makes with a probability of 0.9."""
    cycles_at_50_percent: float | None
    unknown: Unknown


class MeanFaults(Answer):
    cycles: float
    """Of a tool since the interval began."""
    faults: float
    """It has had so many on average by then."""


class FaultLife(Answer):
    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "tool": {"maker": "Sample Works", "model": "C-4", "serial": "2042"},
                    "controller": None,
                    "begins_at": "2026-11-02T05:00:00Z",
                    "ends_at": "2026-11-30T05:00:00Z",
                    "count": 5,
                    "exposure": {"cycles": 5000, "hours": 80.0, "gap_cycles": 0, "unknown": {}},
                    "life": {
                        "stretches": 4,
                        "cut_off": 1,
                        "shape": 1.9,
                        "low_shape": 0.9,
                        "high_shape": 4.1,
                        "scale": 1120.0,
                        "low_scale": 640.0,
                        "high_scale": 1960.0,
                        "unknown": {},
                    },
                    "trend": {
                        "shape": 1.1,
                        "p_value": 0.7,
                        "cycles_between_at_end": 910.0,
                        "low_cycles_between": 330.0,
                        "high_cycles_between": 4100.0,
                        "unknown": {},
                    },
                    "from_now": {
                        "cycles_since_last": 310.5,
                        "cycles_at_90_percent": 150.0,
                        "cycles_at_50_percent": 660.0,
                        "unknown": {},
                    },
                    "mean_faults": [{"cycles": 402.5, "faults": 1.0}, {"cycles": 1377.5, "faults": 2.0}],
                    "confidence": 0.95,
                    "cautions": ["Follow the maker's instructions."],
                }
            ]
        }
    )

    tool: Tool | None
    """Null: all tools."""
    controller: str | None
    begins_at: datetime
    ends_at: datetime
    count: int
    exposure: TotalExposure
    life: Life
    trend: Trend
    from_now: FromNow
    mean_faults: list[MeanFaults]
    """Steps of the mean cumulative number of faults, at most 200 of them."""
    confidence: float
    cautions: Cautions
