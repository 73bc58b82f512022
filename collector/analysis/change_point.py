"""When did it shift? One change in a row of values: of the mean, of the spread, of both, or the onset of
a drift.

A change is taken for real where a likelihood-ratio test of the mean or of the spread rejects "none";
p-values by Csörgő & Horváth, Limit Theorems in Change-Point Analysis (1997), (1.3.26). Its place gets
a confidence set from the probability of every place given the values, all places alike beforehand and
levels and spreads unknown (Smith, Biometrika 62 (1975) 407, for step and spread; the same reasoning
for the broken line of a drift). Such sets keep their confidence in repeated sampling closely
(Siegmund, International Statistical Review 56 (1988) 31). The kinds of change are weighed by the
Bayesian information criterion; the set holds the places of every kind that may well be the one, for a
slow drift and a step in its midst look alike.

Values that depend on their predecessors, or have heavier tails than normal, tell less; the logarithms
of all likelihoods are divided by what they overstate: (1 + ρ)/(1 − ρ), and for spreads (kurtosis −
1)/2.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import exp, inf, log, nan, pi, sqrt
from typing import Literal

import numpy as np
import numpy.typing as npt
import scipy

from collector.analysis.run_rules import Floats

Places = npt.NDArray[np.intp]
Kind = Literal["mean", "spread", "mean and spread", "drift"]

LEAST = 20
"""Values, below which no place can be told."""
EDGES: Mapping[Kind, int] = {"mean": 1, "spread": 5, "mean and spread": 5, "drift": 2}
"""Values at least on either side of a change, by kind."""
PARAMETERS: Mapping[Kind, int] = {"mean": 3, "spread": 3, "mean and spread": 4, "drift": 3}
"""Of each kind, its place aside."""
PLAUSIBLE = 0.05
"""A kind of change may be the one where it is at least that much as probable as the best."""
FINEST = 1e-6
"""Spreads below this share of the whole are taken for it: a sensor that sticks has none."""


@dataclass(frozen=True, slots=True)
class ChangePoint:
    """A change; levels and spreads in the unit of the values, places among the values given."""

    kind: Kind
    place: int
    """The most probable first value after the change."""
    set_places: Places
    """The confidence set of that place, ascending; it can have holes."""
    confidence: float
    p_value: float
    """Of no change at all."""
    mean_before: float
    mean_after: float
    """Of a drift: at the last value."""
    sigma_before: float
    sigma_after: float
    lag_1: float
    """Autocorrelation about the change that was found; it is allowed for."""

    @property
    def earliest(self) -> int:
        return int(self.set_places[0])

    @property
    def latest(self) -> int:
        return int(self.set_places[-1])


@dataclass(frozen=True, slots=True)
class NoChange:
    reason: str
    """In a sentence."""
    p_value: float | None
    """None where nothing could be tested."""


def change_point(values: Floats, confidence: float = 0.95, doubt: float = 0.01) -> ChangePoint | NoChange:
    """The one change in (n,) values in time order; NaN is a cycle without the value and is passed over.

    `doubt`: p-value from which on there is no change. Time and memory grow in proportion to n. Raises:
    ValueError: not one row of values; a confidence or doubt that is no share.
    """
    if not (0 < confidence < 1 and 0 < doubt < 1):
        raise ValueError("confidence and doubt lie between 0 and 1")
    values = np.asarray(values, np.float64)
    if values.ndim != 1:
        raise ValueError("a change point is sought in one row of values")
    given = np.flatnonzero(np.isfinite(values))
    values = values[given]
    if values.size < LEAST:
        return NoChange(f"only {values.size} values; a change point needs {LEAST}", None)
    if np.ptp(values) == 0:
        return NoChange("all values are equal", None)
    y = (values - values.mean()) / values.std()
    fits = _fits(y)
    best = _best(fits, y.size)
    lag_1, kurtosis = _shape(_left(y, best, int(fits[best].evidence.argmax())))
    fits = {kind: fit.over(_overstated(kind, lag_1, kurtosis, y.size)) for kind, fit in fits.items()}
    p_value = min(1.0, 2 * min(_p_value(2 * fits[kind].gain, y.size) for kind in ("mean", "spread")))
    if p_value >= doubt:
        return NoChange(f"no shift of mean or spread stands out from chance (p = {p_value:.2g})", p_value)
    best = _best(fits, y.size)
    place = int(fits[best].evidence.argmax())
    left = _left(values, best, place)
    before, after = values[:place], values[place:]
    return ChangePoint(
        kind=best,
        place=int(given[place]),
        set_places=given[_sets(fits, confidence, y.size)],
        confidence=confidence,
        p_value=p_value,
        mean_before=float((before - left[:place]).mean()),
        mean_after=float(values[-1] - left[-1]) if best == "drift" else float(after.mean()),
        sigma_before=_sigma(left[:place]),
        sigma_after=_sigma(left[place:]),
        lag_1=lag_1,
    )


# ---- inside: places are numbers of values before the change, arrays are (n,), −inf where none may be ------


@dataclass(frozen=True, slots=True)
class _Fit:
    """How well one kind of change fits at each place."""

    likelihood: Floats
    """Logarithm of the greatest likelihood, less that of no change."""
    evidence: Floats
    """Logarithm of the likelihood with levels and spreads integrated out, up to a constant."""

    @property
    def gain(self) -> float:
        return float(self.likelihood.max())

    def over(self, overstated: float) -> "_Fit":
        return _Fit(self.likelihood / overstated, self.evidence / overstated)


def _fits(y: Floats) -> dict[Kind, _Fit]:
    """Every kind at every place; y has mean 0 and standard deviation 1."""
    n = y.size
    before = np.arange(n, dtype=np.float64)
    after = n - before
    steps = np.diff(np.sort(y))
    grain = max(FINEST, float(steps[steps > 0].min())) ** 2 / 12
    sum_before, sum_after = _running(y)
    squares_before, squares_after = _running(y * y)
    with np.errstate(divide="ignore", invalid="ignore"):
        inner_before = np.maximum(squares_before - sum_before**2 / before, 0) + before * grain
        inner_after = np.maximum(squares_after - sum_after**2 / after, 0) + after * grain
        step = np.maximum(n - sum_before**2 * n / (before * after), 0) + n * grain
        spread_before, spread_after = squares_before + before * grain, squares_after + after * grain
        bend = np.maximum(n - _explained_by_drift(sum_after, after), 0) + n * grain
        fits: dict[Kind, _Fit] = {
            "mean": _Fit(
                -n / 2 * np.log(step / n), -0.5 * np.log(before * after) - (n - 2) / 2 * np.log(step)
            ),
            "spread": _Fit(
                -0.5 * (before * np.log(spread_before / before) + after * np.log(spread_after / after)),
                _scale_evidence(spread_before, before) + _scale_evidence(spread_after, after),
            ),
            "mean and spread": _Fit(
                -0.5 * (before * np.log(inner_before / before) + after * np.log(inner_after / after)),
                _scale_evidence(inner_before, before - 1)
                + _scale_evidence(inner_after, after - 1)
                - 0.5 * np.log(before * after),
            ),
            "drift": _Fit(-n / 2 * np.log(bend / n), -(n - 2) / 2 * np.log(bend)),
        }
    for kind, edge in EDGES.items():
        for row in (fits[kind].likelihood, fits[kind].evidence):
            row[:edge] = row[n - edge + 1 :] = -inf
    return fits


def _running(y: Floats) -> tuple[Floats, Floats]:
    """Sums of the values before each place, and from it on; each added up from its own end, so that neither
    is a small difference of large numbers."""
    return np.concatenate(([0.0], np.cumsum(y)[:-1])), np.cumsum(y[::-1])[::-1]


def _explained_by_drift(sum_after: Floats, after: Floats) -> Floats:
    """Sum of squares that a line bent at each place explains: 0 before it, 1, 2, 3 … from it on,
    centred."""
    along = np.cumsum(sum_after[::-1])[::-1]
    rise = after * (after + 1) / 2
    return along**2 / (after * (after + 1) * (2 * after + 1) / 6 - rise**2 / after.size)


def _scale_evidence(squares: Floats, degrees: Floats) -> Floats:
    return np.asarray(scipy.special.gammaln(degrees / 2) - degrees / 2 * np.log(squares), np.float64)


def _best(fits: Mapping[Kind, _Fit], n: int) -> Kind:
    return max(fits, key=lambda kind: _worth(fits[kind], kind, n))


def _worth(fit: _Fit, kind: Kind, n: int) -> float:
    """Logarithm of its weight by the Bayesian information criterion."""
    return fit.gain - PARAMETERS[kind] / 2 * log(n)


def _sets(fits: Mapping[Kind, _Fit], confidence: float, n: int) -> Places:
    """Every place that is in the set of a kind of change that may well be the one, ascending."""
    worths = {kind: _worth(fit, kind, n) for kind, fit in fits.items()}
    least = max(worths.values()) + log(PLAUSIBLE)
    sets = [
        _most_probable(fits[kind].evidence, confidence) for kind, worth in worths.items() if worth >= least
    ]
    return np.unique(np.concatenate(sets))


def _most_probable(evidence: Floats, confidence: float) -> Places:
    """The fewest places that hold the confidence."""
    chances = np.exp(evidence - evidence.max())
    order = np.argsort(-chances, kind="stable")
    held = np.cumsum(chances[order])
    return order[: int(np.searchsorted(held, confidence * held[-1])) + 1]


def _left(values: Floats, kind: Kind, place: int) -> Floats:
    """What a change of this kind at this place leaves of the values."""
    if kind == "drift":
        bend = np.maximum(np.arange(values.size) - place + 1.0, 0.0)
        bend -= bend.mean()
        centred = values - values.mean()
        slope = float(bend @ centred) / float(bend @ bend)
        return np.asarray(centred - slope * bend, np.float64)
    left = values.copy()
    for side in (left[:place], left[place:]):
        side -= side.mean()
    return left


def _shape(left: Floats) -> tuple[float, float]:
    """Lag-1 autocorrelation and kurtosis."""
    squares = float(left @ left)
    if squares == 0:
        return 0.0, 3.0
    return float(left[1:] @ left[:-1]) / squares, left.size * float((left**4).sum()) / squares**2


def _overstated(kind: Kind, lag_1: float, kurtosis: float, n: int) -> float:
    """By what independent normal values would overstate the logarithm of a likelihood."""
    lag_1 = min(lag_1, 0.99) if lag_1 > 2 / sqrt(n) else 0.0
    levels = (1 + lag_1) / (1 - lag_1)
    spreads = max(1.0, (kurtosis - 1) / 2) * (1 + lag_1**2) / (1 - lag_1**2)
    return {"mean": levels, "drift": levels, "spread": spreads, "mean and spread": max(levels, spreads)}[kind]


def _p_value(ratio: float, n: int) -> float:
    """Of a greatest likelihood ratio (2·logarithm, one parameter) over all places (Csörgő & Horváth
    1997)."""
    edge = min(0.4, log(n) ** 1.5 / n)
    return largest_ratio_p_value(ratio, edge)


def largest_ratio_p_value(ratio: float, edge: float) -> float:
    """P that the greatest of B(t)²/t(1 − t), B a Brownian bridge, over edge ≤ t ≤ 1 − edge exceeds
    `ratio`."""
    if ratio <= 2:
        return 1.0
    span = 2 * log((1 - edge) / edge)
    return min(1.0, sqrt(ratio / (2 * pi)) * exp(-ratio / 2) * (span - span / ratio + 4 / ratio))


def _sigma(left: Floats) -> float:
    return float(left.std(ddof=1)) if left.size > 1 else nan
