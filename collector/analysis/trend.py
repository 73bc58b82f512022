"""Whether a measure goes steadily up or down with the cycles made, and when it comes to its limit.

Three steps, each of which can say no: the cycles are gathered into blocks whose medians no stray cycle can
move; a rank test says whether there is a trend at all; and only then the limit is extrapolated, with an
interval that holds the uncertainty of the slope and the wandering of what wears from now on.
"""

from dataclasses import dataclass, field
from math import erfc, isfinite, sqrt
from typing import Literal

import numpy as np
import scipy
from numpy.typing import NDArray

from collector.analysis import level

Floats = NDArray[np.float64]

MOST_BLOCKS = 80
FEWEST_BLOCKS = 12
NEWEST_BLOCKS = 5
"""Their median says whether the limit is reached already."""
EXACT_BELOW = 11
"""Series shorter than this, without ties, get the exact distribution of S."""
SIGNIFICANT = 0.05
FARTHEST_SPANS = 5.0
"""A limit farther ahead than so many times the stretch that was seen gets no date: nobody saw so far."""
WANDERS = {0.0: 0.94, 0.03: 0.03, 0.1: 0.03}
"""How much the pace of wear may wander from block to block (see `level.draw`), and how likely each is
beforehand: set so that dates have the stated coverage where wear is steady, on other seeds of
`tests/benchmarks/forecast.py` than those it reports. Where the pace swings by 40 % from day to day, 90 %
intervals of the count hold the truth in about 77 %, of the date in about 85 %; more weight on wandering
mends that and makes the dates of steady wear too wide.
"""
DRAWS = 4000


# ---- rank tests and slopes -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class MannKendall:
    """A test of "no trend"."""

    s: int
    """Pairs that rise less pairs that fall."""
    variance: float
    """Of S without a trend; corrected for ties, and for autocorrelation where that was asked."""
    inflation: float
    """By how much autocorrelation raises the variance; 1 where none was found or it was not asked."""
    z: float
    """(S ∓ 1)/√variance."""
    p_value: float
    """Two-sided."""


def mann_kendall(y: Floats, *, autocorrelated: bool = False) -> MannKendall:
    """Mann-Kendall test for a trend in values in order of time.

    Args:
        y: (n,) finite, n >= 3.
        autocorrelated: correct the variance for the autocorrelation of the ranks of what is left beside the
            trend (Hamed and Rao 1998; lags up to n/4, those beyond 95 % bounds).

    Source: Kendall, Rank Correlation Methods; S's variance has the tie term, p is exact below n = 11 without
    ties and correction. Time and memory go with n².
    Raises: ValueError: fewer than 3 values, or one that is no number.
    """
    values = _finite(y, fewest=3)
    n = values.size
    s = int(np.triu(np.sign(values[None, :] - values[:, None]), 1).sum())
    ties = np.unique(values, return_counts=True)[1].astype(np.float64)
    variance = (n * (n - 1) * (2 * n + 5) - float((ties * (ties - 1) * (2 * ties + 5)).sum())) / 18
    inflation = _inflation(values) if autocorrelated else 1.0
    variance *= inflation
    z = (s - np.sign(s)) / sqrt(variance) if variance > 0 else 0.0
    p_value = erfc(abs(z) / sqrt(2))
    if n < EXACT_BELOW and ties.max() == 1 and not autocorrelated:
        p_value = float(scipy.stats.kendalltau(np.arange(n), values, method="exact").pvalue)
    return MannKendall(s, variance, inflation, float(z), p_value)


def _inflation(values: Floats) -> float:
    n = values.size
    left = values - scipy.stats.theilslopes(values).slope * np.arange(n)
    ranks = scipy.stats.rankdata(left) - (n + 1) / 2
    power = float(ranks @ ranks)
    if power == 0:
        return 1.0
    lags = np.arange(1, n // 4 + 1)
    correlation = np.array([ranks[lag:] @ ranks[:-lag] for lag in lags]) / power
    correlation[np.abs(correlation) < 1.96 / sqrt(n)] = 0
    weights = (n - lags) * (n - lags - 1) * (n - lags - 2)
    return max(1.0, 1 + 2 * float((weights * correlation).sum()) / (n * (n - 1) * (n - 2)))


@dataclass(frozen=True, slots=True)
class Slope:
    """Per unit of x."""

    slope: float
    low: float
    high: float
    confidence: float


def robust_slope(x: Floats, y: Floats, confidence: float = 0.95, *, inflation: float = 1.0) -> Slope:
    """Median of the slopes of all pairs, with its rank interval.

    Args:
        x, y: (n,) finite, n >= 3, not all x the same.
        inflation: of the variance of Mann-Kendall's S, from `mann_kendall`.

    Source: Theil (1950); interval: Sen, Journal of the American Statistical Association 63 (1968).
    Raises: ValueError: lengths differ, too few, no two different x, `confidence` not between 0 and 1.
    """
    across, up = _finite(x, fewest=3), _finite(y, fewest=3)
    if across.size != up.size:
        raise ValueError(f"{across.size} x and {up.size} y: give one y for each x")
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence of {confidence} is none: give a number between 0 and 1, as 0.95")
    first, second = np.triu_indices(across.size, 1)
    run = across[second] - across[first]
    apart = run != 0
    if not apart.any():
        raise ValueError("all x are the same: there is no slope")
    slopes = np.sort((up[second] - up[first])[apart] / run[apart])
    width = float(scipy.stats.norm.isf((1 - confidence) / 2)) * sqrt(inflation * mann_kendall(up).variance)
    upper = min(round((slopes.size + width) / 2), slopes.size - 1)
    lower = max(round((slopes.size - width) / 2) - 1, 0)
    return Slope(float(np.median(slopes)), float(slopes[lower]), float(slopes[upper]), confidence)


# ---- trend to a limit ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Crossing:
    """At which count the measure comes to its limit, by the same count as the cycles it was seen at."""

    count: float
    """Median: as likely before as after."""
    low_count: float
    high_count: float
    confidence: float
    draws: Floats = field(repr=False, compare=False)
    """(m,) equally likely counts, for `forecast`; infinite where it never gets there."""


@dataclass(frozen=True, slots=True)
class TrendToLimit:
    slope_per_1000_cycles: Slope | None
    """In the unit of the measure; None where there was too little to see."""
    p_value: float | None
    """Of "no trend", two-sided, corrected for autocorrelation."""
    crossing: Crossing | None
    refused: str | None
    """Why there is no crossing."""


TOO_LITTLE = f"too little was seen: a trend needs {FEWEST_BLOCKS} cycles with a value, at different counts"
REACHED = "the limit is reached already"
NO_TREND = "there is no trend: what changes is within the noise"
AWAY = "the trend leads away from the limit"
TOO_WEAK = "there is a trend, but beside what wanders it is too weak to say by when it reaches the limit"
TOO_FAR = "there is a trend, but the limit is too far ahead for the stretch that was seen"


def trend_to_limit(
    counts: Floats,
    values: Floats,
    limit: float,
    confidence: float = 0.9,
    *,
    limit_is: Literal["least", "most"],
    power: float = 1.0,
) -> TrendToLimit:
    """When a measure that changes with the cycles made comes to a limit, with a prediction interval.

    Args:
        counts: (n,) the tool's count at each cycle, in any order.
        values: (n,) the measure there; NaN where the cycle has none.
        limit: in the measure's unit.
        limit_is: the least or the most that the measure may be.
        power: the power of the measure that goes straight with the count; values and limit must be above 0
            where it is not 1.

    Between blocks (at most 80, medians) the measure is taken as a straight line, a random walk and noise with
    autocorrelation (`collector.analysis.level`); the crossing is that of line and walk, without the noise.
    First passage of a walk with drift: inverse Gaussian (Chhikara and Folks, 1989).

    Raises: ValueError: lengths differ, a count or limit that is no number, `confidence` not between 0 and 1.
    """
    if not (0 < confidence < 1 and isfinite(limit)):
        raise ValueError(f"limit {limit} and confidence {confidence}: give a number, and one between 0 and 1")
    x, y = _blocks(np.asarray(counts, dtype=np.float64), np.asarray(values, dtype=np.float64))
    if power != 1 and not ((y > 0).all() and limit > 0):
        raise ValueError("a power needs a measure and a limit above 0")
    if x.size < FEWEST_BLOCKS:
        return TrendToLimit(None, None, None, TOO_LITTLE)
    test = mann_kendall(y, autocorrelated=True)
    slope = robust_slope(x / 1000, y, confidence, inflation=test.inflation)
    towards = -1 if limit_is == "least" else 1
    crossing = _crossing(x, towards * (limit**power - y**power), towards * test.s < 0, test, confidence)
    if isinstance(crossing, str):
        return TrendToLimit(slope, test.p_value, None, crossing)
    return TrendToLimit(slope, test.p_value, crossing, None)


def _crossing(
    x: Floats, left: Floats, leads_away: bool, test: MannKendall, confidence: float
) -> Crossing | str:
    """`left`: (n,) how much is left to the limit in each block, below 0 beyond it."""
    if np.median(left[-NEWEST_BLOCKS:]) <= 0:
        return REACHED
    if test.p_value > SIGNIFICANT:
        return NO_TREND
    if leads_away:
        return AWAY
    draws = _first_passages(x, left)
    tail = (1 - confidence) / 2
    low, middle, high = np.quantile(draws, [tail, 0.5, 1 - tail], method="nearest")
    if middle <= x[-1]:
        return REACHED
    if not isfinite(high):
        return TOO_WEAK
    if high - x[-1] > FARTHEST_SPANS * (x[-1] - x[0]):
        return TOO_FAR
    return Crossing(float(middle), float(low), float(high), confidence, draws)


def _first_passages(x: Floats, left: Floats) -> Floats:
    """(m,) counts at which line and walk first come to the limit; infinite for never."""
    rng = np.random.default_rng(0)  # the same answer to the same question
    step = (x[-1] - x[0]) / (x.size - 1)
    steps = (x - x[-1]) / step
    state = level.draw(left, np.column_stack([np.ones_like(x), steps]), steps, WANDERS, rng, DRAWS)
    away = state.coefficients[:, 0] + state.wandered
    ahead = _passage(away, -state.coefficients[:, 1], state.wander_sd, rng)
    return np.asarray(x[-1] + ahead * step, dtype=np.float64)


def _passage(away: Floats, speed: Floats, wander_sd: Floats, rng: np.random.Generator) -> Floats:
    """(m,) steps until a walk with drift has gone `away`: 0 where it is there, infinite where it never is.

    With drift v > 0: inverse Gaussian of mean a/v and shape a²/σ². With v < 0 it gets there with probability
    exp(−2a|v|/σ²), and then as with |v|.
    """
    steps = np.full(away.shape, np.inf)
    steps[away <= 0] = 0.0
    straight = (away > 0) & (wander_sd == 0) & (speed > 0)
    steps[straight] = away[straight] / speed[straight]
    walks = (away > 0) & (wander_sd > 0) & (speed != 0)
    a, v, variance = away[walks], speed[walks], wander_sd[walks] ** 2
    arrives = rng.random(a.size) < np.exp(np.minimum(0.0, 2 * a * v / variance))
    drawn = rng.wald(a / np.abs(v), a**2 / variance)
    steps[walks] = np.where(arrives, drawn, np.inf)
    return steps


def _blocks(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Medians of at most `MOST_BLOCKS` blocks of equally many cycles, in order of x."""
    if x.ndim != 1 or x.shape != y.shape:
        raise ValueError(f"{x.size} counts and {y.size} values: give one value for each count")
    if not np.isfinite(x).all():
        raise ValueError("every count must be a number")
    x, y = x[np.isfinite(y)], y[np.isfinite(y)]
    blocks = np.array_split(np.argsort(x, kind="stable"), min(MOST_BLOCKS, max(1, x.size)))
    middle_x, middle_y = (np.array([np.median(of[rows]) for rows in blocks if rows.size]) for of in (x, y))
    distinct = np.unique(middle_x)
    return distinct, np.array([np.median(middle_y[middle_x == each]) for each in distinct])


# ---- punch velocity ------------------------------------------------------------------------------


def at_reference_pressure(velocity_m_s: Floats, pressure_kpa: Floats, reference_kpa: float) -> Floats:
    """(n,) punch velocities as they would be at one pressure, m/s: v·√(p₀/p).

    The air's work over the stroke, p·A·s, becomes ½·m·v²; so v grows with the root of the gauge pressure, and
    low air must not look like wear. NaN where the pressure is not above 0.

    Args:
        pressure_kpa: (n,) gauge pressure that drove the punch: the lower of set and supply pressure.
    """
    known = np.where(pressure_kpa > 0, pressure_kpa, np.nan)
    return np.asarray(velocity_m_s * np.sqrt(reference_kpa / known), dtype=np.float64)


def velocity_to_limit(
    counts: Floats, velocity_m_s: Floats, limit_m_s: float, confidence: float = 0.9
) -> TrendToLimit:
    """When the punch velocity, taken at one reference pressure, falls to its limit.

    What wear takes (leaking seals, friction) is energy, which goes with v²: that is what goes straight.
    Arguments and errors: `trend_to_limit`.
    """
    return trend_to_limit(counts, velocity_m_s, limit_m_s, confidence, limit_is="least", power=2.0)


def _finite(values: Floats, fewest: int) -> Floats:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 1 or array.size < fewest or not np.isfinite(array).all():
        raise ValueError(f"give at least {fewest} values, each a number")
    return array
