"""How long parts and tools last: Weibull life with censoring, rates that change, many tools together.

Ages and times are in one unit of the caller's: cycles (the wear of a clamp tool comes with them) or hours.
"""

from dataclasses import dataclass
from math import exp, inf, log, sqrt

import numpy as np
import scipy
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FEWEST_FAILED = 3
"""Fewer give a likelihood that is nearly flat in the shape."""


# ---- life of a part ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Weibull:
    """R(t) = exp(−(t/scale)^shape). Shape below 1: early failures; 1: by chance; above: wear."""

    shape: float
    low_shape: float
    high_shape: float
    scale: float
    low_scale: float
    high_scale: float
    failed: int
    censored: int
    log_likelihood: float
    confidence: float

    def survival(self, age: float, further: float) -> float:
        """Probability that a part of this age lasts that much further, 0 to 1."""
        return exp((age / self.scale) ** self.shape - ((age + further) / self.scale) ** self.shape)

    def remaining(self, age: float, survival: float) -> float:
        """How much further a part of this age lasts with probability `survival` (0.5: the median).

        η·((a/η)^β − ln p)^(1/β) − a.
        Raises: ValueError: `survival` not between 0 and 1.
        """
        if not 0 < survival < 1:
            raise ValueError(f"a survival of {survival} is none: give a number between 0 and 1, as 0.9")
        reached: float = ((age / self.scale) ** self.shape - log(survival)) ** (1 / self.shape)
        return self.scale * reached - age


@dataclass(frozen=True, slots=True)
class Refused:
    """There is no answer, and why."""

    reason: str


def fit_weibull(ages: Floats, failed: NDArray[np.bool_], confidence: float = 0.95) -> Weibull | Refused:
    """Weibull life by maximum likelihood, with parts that have not failed yet (right-censored).

    The shape solves Σtᵝ·ln t/Σtᵝ − 1/β = mean of ln t over the failed; intervals are normal on the logs of
    shape and scale, from the observed information. With few failures they are too
    narrow: at 90 %, 5 failures give about 79 %, 10 about 85 %, 40 about 88 %.

    Args:
        ages: (n,) age at failure or at the end of the watch, above 0.
        failed: (n,) False where the part had not failed by then.

    Source: Meeker and Escobar, Statistical Methods for Reliability Data (1998), ch. 8; NIST/SEMATECH
    e-Handbook 8.4.1.2.
    Raises: ValueError: lengths differ, ages not above 0, `confidence` not between 0 and 1.
    """
    t, dead = np.asarray(ages, dtype=np.float64), np.asarray(failed, dtype=np.bool_)
    if t.ndim != 1 or t.shape != dead.shape:
        raise ValueError(f"{t.size} ages and {dead.size} fates: give one for each part")
    if not ((t > 0) & np.isfinite(t)).all():
        raise ValueError("every age must be a number above 0")
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence of {confidence} is none: give a number between 0 and 1, as 0.95")
    count = int(dead.sum())
    if count < FEWEST_FAILED:
        return Refused(
            f"{count} of {t.size} lives have come to their end; a Weibull life needs at least {FEWEST_FAILED}"
        )
    if t[dead].min() == t.max():
        return Refused("all lives ended at the same age: their spread can't be told")
    unit = float(t.max())
    logs = np.log(t / unit)
    mean_log = float(logs[dead].mean())

    def slack(shape: float) -> float:
        weights = np.exp(shape * logs)
        return float((weights * logs).sum() / weights.sum()) - 1 / shape - mean_log

    high = 1.0
    while slack(high) < 0:
        high *= 2
    shape = float(scipy.optimize.brentq(slack, 1e-6, high, xtol=1e-13, rtol=1e-14))
    log_scale = log(float(np.exp(shape * logs).sum()) / count) / shape
    low_shape, high_shape, low_scale, high_scale = _intervals(logs, shape, log_scale, count, confidence)
    # ln f summed over the failed, and ln R over all: the sum of (t/η)^β is the number of failed
    likelihood = count * (log(shape) - shape * log_scale) + (shape - 1) * float(logs[dead].sum()) - count
    scale = exp(log_scale) * unit
    return Weibull(
        shape=shape,
        low_shape=low_shape,
        high_shape=high_shape,
        scale=scale,
        low_scale=low_scale * scale,
        high_scale=high_scale * scale,
        failed=count,
        censored=t.size - count,
        log_likelihood=likelihood - count * log(unit),
        confidence=confidence,
    )


def _intervals(
    logs: Floats, shape: float, log_scale: float, count: int, confidence: float
) -> tuple[float, float, float, float]:
    """Interval of the shape, and the factors below and above the scale.

    With μ = ln η, σ = 1/β and z = (ln t − μ)/σ, at the maximum the information of (μ, ln σ) is
    1/σ²·Σe^z, 1/σ·Σz·e^z, and r + Σz²·e^z, where Σe^z = r.
    """
    z = (logs - log_scale) * shape
    hazards = np.exp(z)
    crossed = shape * float((z * hazards).sum())
    information = np.array([[shape**2 * count, crossed], [crossed, count + float((z**2 * hazards).sum())]])
    (of_scale, of_shape) = np.sqrt(np.diag(np.linalg.inv(information)))
    width = float(scipy.stats.norm.isf((1 - confidence) / 2))
    spread, factor = exp(width * float(of_shape)), exp(width * float(of_scale))
    return shape / spread, shape * spread, 1 / factor, factor


@dataclass(frozen=True, slots=True)
class Lives:
    """Stretches between renewals of one part or one kind of fault, as `fit_weibull` takes them."""

    ages: Floats
    failed: NDArray[np.bool_]


def lives(at: Floats, begin: float, end: float, *, new_at_begin: bool) -> Lives:
    """The stretches of one tool's watch: from renewal to renewal, the last one censored by the end.

    The stretch before the first fault is kept only where the part was new at `begin`. Otherwise its age is
    not known; kept as if it were a whole life, it would bend the shape.

    Args:
        at: (n,) instants or counts of the faults, in [begin, end], in any order.

    Raises: ValueError: a fault outside the watch, or an end before the begin.
    """
    instants = np.sort(np.asarray(at, dtype=np.float64))
    if not end >= begin or not ((instants >= begin) & (instants <= end)).all():
        raise ValueError(f"faults must lie in the watch, from {begin} to {end}")
    starts = np.concatenate([[begin] if new_at_begin else [], instants])
    stops = np.append(instants if new_at_begin else instants[1:], end)[: starts.size]
    failed = np.append(np.ones(max(0, starts.size - 1), dtype=np.bool_), False)[: starts.size]
    lasted = stops - starts
    return Lives(lasted[lasted > 0], failed[lasted > 0])


# ---- a rate that changes -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ChangingRate:
    """Faults of one repaired tool with the rate λ·β·t^(β − 1): β below 1 gets better, above 1 worse."""

    shape: float
    """β, by maximum likelihood."""
    unbiased_shape: float
    """β·(n − 1)/n."""
    mean_between_at_end: float
    """T/(n·β) with the unbiased β: what is to be expected from now on."""
    low_mean_between: float
    high_mean_between: float
    p_value: float
    """Of "the rate is steady", two-sided: 2n/β is χ² with 2n degrees of freedom."""
    laplace: float
    """Laplace's trend statistic, standard normal at a steady rate; above 0 gets worse."""
    confidence: float


def changing_rate(at: Floats, end: float, confidence: float = 0.8) -> ChangingRate | Refused:
    """Whether the faults of a tool come ever more often, or less, and how often they come now.

    Args:
        at: (n,) instants or counts of its faults since the watch began, above 0 and at most `end`.
        end: where the watch ended, whether or not by a fault just then.

    Source: MIL-HDBK-189 (1981), App. C; NIST/SEMATECH e-Handbook 8.2.3.4 (trend tests) and 8.4.5.2 (power law
    and its limits).
    Raises: ValueError: an instant not in (0, end], `confidence` not between 0 and 1.
    """
    instants = np.asarray(at, dtype=np.float64)
    if not ((instants > 0) & (instants <= end)).all():
        raise ValueError(f"faults must lie in the watch, after 0 and up to {end}")
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence of {confidence} is none: give a number between 0 and 1, as 0.8")
    n = instants.size
    logs = float(np.log(end / instants).sum())
    if n < FEWEST_FAILED or logs == 0:
        return Refused(
            f"{n} faults; a change of rate needs at least {FEWEST_FAILED}, not all at the very end"
        )
    unbiased = (n - 1) / logs
    mean = end / (n * unbiased)
    z = float(scipy.stats.norm.isf((1 - confidence) / 2))
    slow = (n + z**2 / 4 + sqrt(n * z**2 / 2 + z**4 / 16)) ** 2
    fast = n - z * sqrt(n / 2)
    steady = scipy.stats.chi2(2 * n)
    return ChangingRate(
        shape=n / logs,
        unbiased_shape=unbiased,
        mean_between_at_end=mean,
        low_mean_between=mean * n * (n - 1) / slow,
        high_mean_between=mean * n * (n - 1) / fast**2 if fast > 0 else inf,
        p_value=min(1.0, 2 * min(float(steady.cdf(2 * logs)), float(steady.sf(2 * logs)))),
        laplace=float((instants - end / 2).sum()) / (end * sqrt(n / 12)),
        confidence=confidence,
    )


@dataclass(frozen=True, slots=True)
class ChangingCounts:
    """The power law of `ChangingRate` from counts in stretches, where no instants were kept."""

    shape: float
    factor: float
    """λ."""
    rate_at_end: float
    """Faults per unit of time."""


def changing_counts(ends: Floats, counts: NDArray[np.int64]) -> ChangingCounts | Refused:
    """The power law from counts in adjoining stretches that begin at 0.

    Args:
        ends: (k,) where each stretch ends, rising.
        counts: (k,) faults in each.

    Source: MIL-HDBK-189 (1981), App. C, grouped data, by maximum likelihood.
    Raises: ValueError: lengths differ, ends that don't rise from above 0, a count below 0.
    """
    bounds, count = np.asarray(ends, dtype=np.float64), np.asarray(counts, dtype=np.float64)
    if bounds.ndim != 1 or bounds.shape != count.shape or bounds.size < 2:
        raise ValueError(
            f"{bounds.size} ends and {count.size} counts: give one for each of two or more stretches"
        )
    if not (np.diff(bounds, prepend=0.0) > 0).all() or (count < 0).any():
        raise ValueError("stretches must follow each other from 0 on, each with a count of 0 or more")
    total = float(count.sum())
    if total < FEWEST_FAILED or count[0] == total or count[-1] == total:
        return Refused("too few faults, or all of them in the first or last stretch: no change can be told")
    ends_of = bounds / bounds[-1]
    logs = np.log(ends_of)

    def slack(shape: float) -> float:
        powers = ends_of**shape
        weighted = powers * logs
        gains = np.diff(weighted, prepend=0.0) / np.diff(powers, prepend=0.0)
        return float((count * gains).sum())

    shape = float(scipy.optimize.brentq(slack, 1e-4, 100.0, xtol=1e-12))
    return ChangingCounts(shape, total / float(bounds[-1]) ** shape, total * shape / float(bounds[-1]))


# ---- many tools ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class MeanCumulative:
    """How many faults a tool has had on average by an age; a step function."""

    ages: Floats
    """(k,) where it steps, rising."""
    faults: Floats
    """(k,) from that age on."""

    def at(self, age: float) -> float:
        place = int(np.searchsorted(self.ages, age, side="right"))
        return float(self.faults[place - 1]) if place else 0.0


def mean_cumulative(fault_ages: Floats, ends_of_watch: Floats) -> MeanCumulative:
    """Mean cumulative number of faults a tool, over tools watched from age 0 for different lengths.

    At each age the faults are shared among the tools still watched (a tool whose watch ends there counts).

    Args:
        fault_ages: (n,) age of its tool at each fault, of all tools together.
        ends_of_watch: (m,) age of each tool where its watch ended.

    Source: Nelson, Recurrent Events Data Analysis (2003), ch. 1.
    Raises: ValueError: no tool, an age below 0, a fault after every watch.
    """
    faults, ends = (
        np.asarray(fault_ages, dtype=np.float64),
        np.sort(np.asarray(ends_of_watch, dtype=np.float64)),
    )
    if ends.size == 0 or not (ends >= 0).all() or not (faults >= 0).all():
        raise ValueError("give at least one tool, and ages from 0 up")
    if faults.size and faults.max() > ends[-1]:
        raise ValueError("a fault lies after the end of every watch")
    ages, counts = np.unique(faults, return_counts=True)
    watched = ends.size - np.searchsorted(ends, ages, side="left")
    return MeanCumulative(ages, np.cumsum(counts / watched))
