"""What the analysis says of a tool's measure: charts, capability, change point, suspect cycles."""

from datetime import datetime
from typing import Literal

from pydantic import ConfigDict

from api.schemas import chart_examples
from api.schemas.common import Answer, Cautions, Number64, Page, Tool, Unknown
from collector.analysis.baseline import Treatment
from collector.analysis.change_point import Kind
from collector.analysis.chart_design import Test
from collector.model import Completion, Mode, Result

RestartReason = Literal["service", "swap", "settings changed"]


class CycleRef(Answer):
    id: str
    ended_at: datetime


class Restart(Answer):
    """What was learnt of the tool holds up to here."""

    at: datetime
    """Every cycle that ended earlier is of the old state."""
    reason: RestartReason
    says: str
    seen_at: datetime
    """Every cycle that ended later is of the new one: a setting is seen later than it is set."""


class Autocorrelation(Answer):
    lag_1: float
    p_value: float
    """Of independence, by Ljung and Box."""
    lags: int
    found: bool


# ---- control charts ----------------------------------------------------------------------------------------


class RunLength(Answer):
    """Values between false alarms, on average, of all tests together: in control."""

    values: float | None
    """Null: too long to be reckoned."""
    standard_error: float | None
    """Of the simulation; 0 where it is exact."""
    method: Literal["exact", "simulated"]


class EwmaDesign(Answer):
    weight: float
    limit_sigmas: float
    """Of the average, in its own sigmas."""
    half_width_sigmas: float
    """The same limit in sigmas of single values, as `ewma_sigmas` is."""


class CusumDesign(Answer):
    allowance_sigmas: float
    limit_sigmas: float


class Design(Answer):
    source: Literal["site", "textbook"]
    """`site`: limits for the distance between false alarms of the site file; `textbook`: 3 sigmas and the
    usual limits of EWMA and CUSUM, for the tests that were asked for."""
    tests: list[Test]
    """What is switched on."""
    limit_sigmas: float
    moving_range_limit_sigmas: float | None
    ewma: EwmaDesign | None
    cusum: CusumDesign | None
    run_length: RunLength


class LeftOut(CycleRef):
    reason: str


class Baseline(Answer):
    """Phase I, in the unit of the measure."""

    values: int
    begin: CycleRef
    """The first cycle of the stretch."""
    left_out: list[LeftOut]
    autocorrelation: Autocorrelation
    treatment: Treatment
    """`residuals`: what an autoregression leaves of the values is charted; `widened`: limits are widened."""
    coefficients: list[float]
    """Of the autoregression, newest predecessor first."""
    center: float
    sigma: float
    """Of what is charted."""
    long_run_sigma: float
    """What EWMA and CUSUM are held against."""


class Limits(Answer):
    """Of what is charted, in the unit of the measure."""

    center: float
    upper: float
    lower: float
    moving_range_center: float
    moving_range_upper: float


class Signal(Answer):
    """A test signals at every charted cycle from the first to the last."""

    test: Test
    first: CycleRef
    last: CycleRef
    cycles: int
    """Charted ones."""


class Points(Answer):
    """What is charted, oldest first: arrays of one length. Null: not switched on, or there are no limits."""

    ids: list[str]
    ended_at: list[datetime]
    values: list[float]
    """As measured."""
    charted: list[float] | None
    """The values, or their residuals about zero."""
    moving_range_sigmas: list[float | None] | None
    ewma_sigmas: list[float] | None
    cusum_high_sigmas: list[float] | None
    cusum_low_sigmas: list[float] | None


class Stretch(Answer):
    """From one restart to the next: its own baseline and limits, and sums that begin with it."""

    reason: Literal["first values", "service", "swap", "settings changed"]
    says: str
    began_at: datetime | None
    """Of the restart; null: the tool's first cycles."""
    is_cut: bool
    """It began before the cycles shown: its limits are those of its beginning, its sums begin with the first
    cycle shown."""
    cycles: int
    without_value: int
    verdict: Literal["in control", "signals", "no limits"]
    refused: str | None
    """Why there are no limits."""
    baseline: Baseline | None
    limits: Limits | None
    run_length: RunLength | None
    signals: list[Signal]
    """By their first cycle."""
    points: Points
    unknown: Unknown


class Charts(Answer):
    model_config = ConfigDict(json_schema_extra={"examples": [chart_examples.CHARTS]})

    tool: Tool
    measure: str
    design: Design
    baseline_cycles: int
    """Of each stretch, from which its limits are reckoned."""
    cycles: int
    stretches: list[Stretch]
    """Oldest first."""


# ---- capability --------------------------------------------------------------------------------------------


class Specification(Answer):
    """In the unit of the measure; null: no limit on that side."""

    lower: float | None
    upper: float | None
    source: Literal["site", "query"]


class Index(Answer):
    estimate: float | None
    """Null: no value is out of specification, so it has no upper end."""
    low: float | None
    high: float | None
    """Null: the values bound it on that side not at all."""
    method: Literal["chi-square", "noncentral t", "Bissell", "order statistics", "Clopper-Pearson"]


class Normality(Answer):
    normal: bool
    statistic: float
    """Anderson and Darling's A²."""
    p_value: float


class OutOfSpecification(Answer):
    below: int
    above: int
    ppm: float
    ppm_low: float
    ppm_high: float


class CapabilityFigures(Answer):
    """An index is null where it has no meaning: the first four where the values are not normal, the others
    where they are; Cp, Pp and the percentile Pp where there is one limit only."""

    values: int
    mean: float
    sigma_short_term: float
    sigma_overall: float
    normality: Normality
    autocorrelation: Autocorrelation
    """Where it is found, Cp and Cpk flatter, and every interval is too narrow."""
    out_of_specification: OutOfSpecification
    cp: Index | None
    cpk: Index | None
    pp: Index | None
    ppk: Index | None
    percentile_pp: Index | None
    percentile_ppk: Index | None
    equivalent_ppk: Index | None


class LookedAt(Answer):
    """The cycles behind the figures."""

    cycles: int
    first: CycleRef | None
    last: CycleRef | None
    since_restart: Restart | None
    """The last restart before them; null: the tool's first cycles."""
    is_full: bool
    """They are as many as may be looked at: older ones may have been left aside."""
    restarts: list[Restart]
    """Those among the cycles, where an interval was asked for: what holds before need not hold after."""


class Capability(Answer):
    model_config = ConfigDict(json_schema_extra={"examples": [chart_examples.CAPABILITY]})

    tool: Tool
    measure: str
    looked_at: LookedAt
    specification: Specification
    confidence: float
    refused: str | None
    """Why there are no figures."""
    figures: CapabilityFigures | None
    unknown: Unknown


# ---- change point ------------------------------------------------------------------------------------------


class CycleRange(Answer):
    first: CycleRef
    last: CycleRef
    cycles: int
    """Those with a value."""


class Change(Answer):
    """Levels and spreads in the unit of the measure."""

    kind: Kind
    first_after: CycleRef
    """The most probable first cycle after the change."""
    earliest: CycleRef
    latest: CycleRef
    ranges: list[CycleRange]
    """The confidence set of the first cycle after the change: runs of cycles, for it can have holes."""
    p_value: float
    """Of no change at all."""
    mean_before: float
    mean_after: float
    """Of a drift: at the last value."""
    sigma_before: float | None
    sigma_after: float | None
    """Null: one value has no spread."""
    lag_1: float
    """Autocorrelation about the change; it is allowed for."""


class ChangePoint(Answer):
    model_config = ConfigDict(json_schema_extra={"examples": [chart_examples.CHANGE_POINT]})

    tool: Tool
    measure: str
    looked_at: LookedAt
    confidence: float
    change: Change | None
    no_change: str | None
    """Why there is none, in a sentence."""
    p_value: float | None
    """Of no change at all; null: nothing could be tested."""
    unknown: Unknown


# ---- containment -------------------------------------------------------------------------------------------


class Suspect(Answer):
    id: str
    controller: str
    epoch: int
    sequence: Number64
    ended_at: datetime
    result: Result
    completion: Completion
    mode: Mode
    band: str | None
    fault_code: str | None
    part_id: str | None
    value: float | None


class Detection(Answer):
    source: Literal["query", "chart"]
    cycle: CycleRef
    tests: list[Test]
    """That signalled there; none where the instant was given."""


class Containment(Page[Suspect]):
    """The suspect cycles, newest first."""

    model_config = ConfigDict(json_schema_extra={"examples": [chart_examples.CONTAINMENT]})

    tool: Tool
    measure: str
    confidence: float
    detection: Detection | None
    says: str
    """Why the suspects begin where they begin, or why there are none."""
    first: CycleRef | None
    """The earliest cycle at which the change may have begun: the first suspect."""
    sure_from: CycleRef | None
    """The latest at which it may have begun."""
    last: CycleRef | None
    """The last suspect."""
    corrected_by: Restart | None
    """What ends the suspects; null: later cycles go on being made in the changed state."""
    suspects: int
    """On all pages."""
    is_cut: bool
    """Only so many cycles are looked back on: older ones since the last restart may be suspect too."""
    later_signals: int | None
    """Cycles after the detection at which a test signals: the first signal of all may have been a false
    alarm. Null: `detected_at` was given."""
    unknown: Unknown
    cautions: Cautions
