"""How often tools fault: Pareto, rates, means between, comparison."""

from datetime import datetime
from typing import Literal

from api.schemas.common import Answer, Cautions, Page, Tool, Unknown
from collector.model import Category

By = Literal["code", "tool", "station", "shift"]
Per = Literal["cycles", "hours"]


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
