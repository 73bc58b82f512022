"""Control charts of one measure of one tool: individuals with moving range, EWMA, CUSUM, run rules.

A chart holds from one restart (a service, a swap, a settings change) to the next; each stretch has its own
phase I (`baseline.phase_one`) and its statistics begin afresh. Signals don't reset them: the sums go on,
as in the NIST/SEMATECH e-Handbook, 6.3.2.3.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
import numpy.typing as npt

from collector.analysis.baseline import LEAST, Baseline, NoBaseline, phase_one, residuals
from collector.analysis.chart_design import D2, Design, Drawing, draw
from collector.analysis.run_length import RunLength, run_length
from collector.analysis.run_rules import Flags, Floats

Places = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Limits:
    """In the unit of the values, and of residuals where they are charted."""

    center: float
    upper: float
    lower: float
    moving_range_center: float
    moving_range_upper: float


@dataclass(frozen=True, slots=True)
class Chart:
    """One stretch of n values, m of them charted. Arrays are (m,) where nothing else is said."""

    baseline: Baseline
    design: Design
    limits: Limits
    first: int
    """Place of the stretch's first value among those given."""
    is_charted: Flags
    """(n,) which values of the stretch are charted: those without a value are passed over."""
    charted: Floats
    """The values, or what the autoregression leaves of them about the center line; in their unit."""
    drawing: Drawing

    @property
    def run_length(self) -> RunLength | None:
        """In control, of all that is switched on; None where limits are widened: then nobody knows it. The
        first time for a design it takes seconds."""
        return None if _is_widened(self.baseline) else run_length(self.design)

    @property
    def places(self) -> Places:
        """Where the charted values stand among those given."""
        return self.first + np.flatnonzero(self.is_charted)

    def signalled(self) -> Places:
        """Places among the values given at which anything signals, in order."""
        return self.places[np.logical_or.reduce(list(self.drawing.signals.values()))]


@dataclass(frozen=True, slots=True)
class Restart:
    """Why limits begin afresh at a cycle."""

    first: int
    """The first cycle after it, as a place among the values given."""
    reason: Literal["service", "swap", "settings changed"]


@dataclass(frozen=True, slots=True)
class Stretch:
    """From one restart to the next; `end` is the place after its last value."""

    first: int
    end: int
    reason: Literal["first values", "service", "swap", "settings changed"]
    chart: Chart | NoBaseline


def chart_stretches(
    values: Floats,
    restarts: Sequence[Restart],
    design: Design,
    baseline_values: int = 100,
    left_out: Mapping[int, str] | None = None,
    least: int = LEAST,
    first_baseline: Baseline | NoBaseline | None = None,
) -> tuple[Stretch, ...]:
    """(n,) values in time order, charted from restart to restart.

    The first `baseline_values` of each stretch are its phase I; `left_out` are the values, by their
    places, that a person left out of it, with the reason. All places in the result are places among
    `values`. Where several restarts fall on one cycle, the first of them names the stretch. A stretch
    without a baseline says why. `first_baseline` is that of the first stretch, where it began before the
    values given; what it left out is not among them.
    """
    values = np.asarray(values, np.float64)
    reasons: dict[int, Literal["first values", "service", "swap", "settings changed"]] = {}
    for restart in sorted(restarts, key=lambda each: each.first):
        if not 0 <= restart.first <= values.size:
            raise ValueError(f"a restart at place {restart.first} lies outside the {values.size} values")
        reasons.setdefault(restart.first, restart.reason)
    reasons.setdefault(0, "first values")
    firsts = sorted(first for first in reasons if first < values.size)
    stretches = []
    for first, end in pairwise([*firsts, values.size]):
        if first == 0 and first_baseline is not None:
            found = first_baseline
        else:
            here = {place - first: why for place, why in (left_out or {}).items() if first <= place < end}
            found = phase_one(values[first : min(end, first + baseline_values)], here, least=least)
            left = tuple(replace(each, index=each.index + first) for each in found.left_out)
            found = replace(found, left_out=left)
        if isinstance(found, Baseline):
            drawn = chart(values[first:end], found, design, first)
            stretches.append(Stretch(first, end, reasons[first], drawn))
        else:
            stretches.append(Stretch(first, end, reasons[first], found))
    return tuple(stretches)


def chart(
    values: Floats, baseline: Baseline, design: Design, first: int = 0, newest: int | None = None
) -> Chart:
    """(n,) values in time order on limits that stand already (phase II); NaN is a cycle without the value.

    `first` is added to every place in the result; `newest`: keep the lines of the last so many charted values
    only, the signals of all (None: of all).
    """
    values = np.asarray(values, np.float64)
    if values.ndim != 1:
        raise ValueError("a chart is made from one row of values")
    is_charted = np.isfinite(values)
    charted = values if is_charted.all() else values[is_charted]
    center = baseline.center
    if lags := len(baseline.coefficients):
        # the first values lack the predecessors that their residuals would need
        charted, center = residuals(charted, baseline)[lags:], 0.0
        is_charted[np.flatnonzero(is_charted)[:lags]] = False
    slow_sigma = baseline.long_run_sigma if _is_widened(baseline) else None
    drawing = draw(charted, design, center, baseline.sigma, slow_sigma, newest=newest)
    return Chart(
        baseline=baseline,
        design=design,
        limits=limits_of(center, baseline.sigma, design),
        first=first,
        is_charted=is_charted,
        charted=charted,
        drawing=drawing,
    )


def _is_widened(baseline: Baseline) -> bool:
    return baseline.long_run_sigma != baseline.sigma


def limits_of(center: float, sigma: float, design: Design) -> Limits:
    """center ± limit·sigma, and of the moving range d₂·sigma and its upper limit (e-Handbook, 6.3.2.2)."""
    reach = design.limit_sigmas * sigma
    return Limits(center, center + reach, center - reach, D2 * sigma, design.moving_range_limit * sigma)
