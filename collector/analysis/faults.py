"""How often tools fault: Pareto, rates with exact intervals, comparison of two rates, mean between faults.

A rate is a count over an exposure: cycles made, or hours run. The intervals are exact where faults come
independently at a steady rate (a Poisson process); `bursts` says whether they do, and
`collector.analysis.life` treats rates that change.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf, isfinite
from typing import Literal

import numpy as np
import scipy
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Exposure:
    """What faults came out of: whole cycles made and hours run, each 0 or more."""

    cycles: int
    hours: float

    def __post_init__(self) -> None:
        if self.cycles < 0 or not (self.hours >= 0 and isfinite(self.hours)):
            raise ValueError(
                f"{self.cycles} cycles and {self.hours} hours are no exposure: give numbers from 0 up"
            )


@dataclass(frozen=True, slots=True)
class Rate:
    """A count with its rates and their intervals. A rate is None where nothing was made or run."""

    count: int
    confidence: float
    per_1000_cycles: float | None
    low_per_1000_cycles: float | None
    high_per_1000_cycles: float | None
    per_hour: float | None
    low_per_hour: float | None
    high_per_hour: float | None


def rate(count: int, exposure: Exposure, confidence: float = 0.95) -> Rate:
    """Faults per 1,000 cycles and per hour, with exact two-sided Poisson intervals.

    Raises: ValueError: `count` below 0, `confidence` not between 0 and 1.
    """
    low, high = poisson_interval(count, confidence)
    by_cycles = _over(exposure.cycles / 1000, count, low, high)
    by_hours = _over(exposure.hours, count, low, high)
    return Rate(count, confidence, *by_cycles, *by_hours)


def poisson_interval(count: int, confidence: float = 0.95) -> tuple[float, float]:
    """Exact two-sided interval of a Poisson mean from one count. Low is 0 where the count is.

    Source: Garwood, Biometrika 28 (1936): ½·χ²(α/2; 2n) and ½·χ²(1 − α/2; 2n + 2).
    Raises: ValueError: as `rate`.
    """
    _check(count, confidence)
    tail = (1 - confidence) / 2
    low = float(scipy.stats.chi2.ppf(tail, 2 * count)) / 2 if count else 0.0
    return low, float(scipy.stats.chi2.isf(tail, 2 * count + 2)) / 2


# ---- Pareto --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar of a Pareto: all faults of one code, tool, station or shift."""

    label: str | None
    """None: faults of which it is not known; always the last bar."""
    rate: Rate | None
    """None where no exposure of this label was given."""
    count: int
    share: float
    """Of all faults, 0 to 1."""
    cumulative_share: float
    """With all the bars before it."""
    standing_s: float
    """How long these faults stood, together, s; those still standing or not timed left out."""
    untimed: int
    """How many were left out of that."""


def pareto(
    labels: Sequence[str | None],
    standing_s: Floats | None = None,
    *,
    exposure: Mapping[str, Exposure] | None = None,
    order: Literal["count", "standing_s"] = "count",
    confidence: float = 0.95,
) -> tuple[Bar, ...]:
    """Faults by label: code, tool, station or shift, as the caller chooses; the most first, ties by name.

    Args:
        labels: (n,) one a fault.
        standing_s: (n,) how long each stood, s; NaN where it still stands or nobody knows.
        exposure: what each label's faults came out of; a label in it without a fault gets a bar of 0.

    Raises: ValueError: lengths differ, or a standing time below 0.
    """
    stood = np.full(len(labels), np.nan) if standing_s is None else np.asarray(standing_s, dtype=np.float64)
    if stood.shape != (len(labels),):
        raise ValueError(
            f"{len(labels)} labels and {stood.size} standing times: give one time for each label"
        )
    if (stood < 0).any():
        raise ValueError("a standing time is below 0: a fault can't be cleared before it is raised")
    exposed = exposure or {}
    names = sorted({label for label in labels if label is not None} | set(exposed))
    place = {name: index for index, name in enumerate(names)}
    unknown = len(names)
    index = np.array([unknown if label is None else place[label] for label in labels], dtype=np.intp)
    counts = np.bincount(index, minlength=unknown + 1)
    untimed = np.bincount(index[np.isnan(stood)], minlength=unknown + 1)
    seconds = np.bincount(index, np.nan_to_num(stood), minlength=unknown + 1)
    weights = counts if order == "count" else seconds
    ranked = np.argsort(-weights[:unknown], kind="stable").tolist()
    ranked += [unknown] if counts[unknown] else []
    rates = [
        rate(int(counts[place[name]]), exposed[name], confidence) if name in exposed else None
        for name in names
    ]
    total = max(1, len(labels))
    cumulative = np.cumsum(counts[ranked]) / total
    return tuple(
        Bar(
            label=[*names, None][at],
            rate=[*rates, None][at],
            count=int(counts[at]),
            share=float(counts[at] / total),
            cumulative_share=float(upto),
            standing_s=float(seconds[at]),
            untimed=int(untimed[at]),
        )
        for at, upto in zip(ranked, cumulative, strict=True)
    )


# ---- comparison ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Comparison:
    """Rate of the second over rate of the first."""

    ratio: float | None
    """The effect: 2.0 is twice as often. Infinite where only the second has faults, None where none has."""
    low_ratio: float
    high_ratio: float
    """May be infinite."""
    p_value: float
    """Of "both rates are the same", two-sided; below 1 − confidence just where the interval leaves out 1."""
    confidence: float


def compare(
    first_count: int,
    first_exposure: float,
    second_count: int,
    second_exposure: float,
    confidence: float = 0.95,
) -> Comparison:
    """Compare two periods or tools: counts over exposures in one unit, cycles or hours.

    Given the sum of both counts the second is binomial, so test and interval are exact at any size; the
    p-value is twice the smaller tail, which agrees with the interval (Clopper and Pearson).
    Source: Przyborowski and Wilenski, Biometrika 31 (1940).
    Raises: ValueError: a count below 0, an exposure of 0 or less, `confidence` not between 0 and 1.
    """
    _check(first_count, confidence)
    _check(second_count, confidence)
    if not (0 < first_exposure < inf and 0 < second_exposure < inf):
        raise ValueError(
            f"exposures {first_exposure} and {second_exposure} can't be compared: both must be above 0"
        )
    both = first_count + second_count
    if both == 0:
        return Comparison(None, 0.0, inf, 1.0, confidence)
    scale = first_exposure / second_exposure
    under_equal = second_exposure / (first_exposure + second_exposure)
    less = scipy.stats.binomtest(second_count, both, under_equal, alternative="less")
    greater = scipy.stats.binomtest(second_count, both, under_equal, alternative="greater")
    share = scipy.stats.binomtest(second_count, both).proportion_ci(confidence, method="exact")
    return Comparison(
        ratio=second_count / first_count * scale if first_count else inf,
        low_ratio=_odds(float(share.low)) * scale,
        high_ratio=_odds(float(share.high)) * scale,
        p_value=min(1.0, 2 * min(float(less.pvalue), float(greater.pvalue))),
        confidence=confidence,
    )


# ---- mean between --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class MeanBetween:
    """Mean exposure between faults, in the unit of the exposure: cycles or hours."""

    count: int
    mean: float | None
    """None without a fault: then only `low` is known."""
    low: float
    high: float
    """Infinite without a fault."""
    confidence: float


def mean_between(
    count: int,
    exposure: float,
    confidence: float = 0.9,
    *,
    ended_by: Literal["time", "fault"] = "time",
) -> MeanBetween:
    """Mean between faults with its exact interval, at a steady rate.

    `exposure` holds *all* that was made or run, the stretches before the first and after the last fault too:
    those are censored, and leaving them out makes the mean too small. Sums over tools are allowed.

    Args:
        ended_by: "fault" where the watch ended with the last fault, otherwise "time".

    Without a fault, `low` is the one-sided bound T / −ln(1 − confidence).
    Source: NIST/SEMATECH e-Handbook 8.4.5.1: 2T/χ²(1 − α/2; 2r + 2) (2r where ended by a fault) and
    2T/χ²(α/2; 2r).
    Raises: ValueError: a count below 0, an exposure of 0 or less, no fault that could have ended the watch.
    """
    _check(count, confidence)
    if not 0 < exposure < inf:
        raise ValueError(f"an exposure of {exposure} gives no mean between faults: it must be above 0")
    if count == 0:
        if ended_by == "fault":
            raise ValueError("a watch with no fault can't have ended by one")
        return MeanBetween(0, None, exposure / -float(np.log1p(-confidence)), inf, confidence)
    tail = (1 - confidence) / 2
    freedom = 2 * count + (2 if ended_by == "time" else 0)
    return MeanBetween(
        count=count,
        mean=exposure / count,
        low=2 * exposure / float(scipy.stats.chi2.isf(tail, freedom)),
        high=2 * exposure / float(scipy.stats.chi2.ppf(tail, 2 * count)),
        confidence=confidence,
    )


# ---- are they Poisson at all? --------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Bursts:
    """Whether faults come in bursts."""

    dispersion: float | None
    """Variance over mean, per degree of freedom: 1 for a Poisson process, more for bursts."""
    p_value: float | None
    """Of "no bursts", one-sided."""
    refused: str | None = None
    """Why there is neither."""


def bursts(counts: NDArray[np.int64], exposures: Floats) -> Bursts:
    """Whether counts in stretches (shifts, days) spread more than a Poisson process lets them.

    Where they do, exact intervals and p-values are too narrow: join the faults of a burst first, or ask why
    they come together.

    Args:
        counts: (n,) faults in each stretch.
        exposures: (n,) cycles or hours in each; stretches of 0 are left out.

    Source: Fisher's index of dispersion, Statistical Methods for Research Workers (1925), with expected
    counts in proportion to the exposures.
    Raises: ValueError: lengths differ, a value below 0, faults without exposure.
    """
    count, exposure = np.asarray(counts, dtype=np.float64), np.asarray(exposures, dtype=np.float64)
    if count.ndim != 1 or count.shape != exposure.shape:
        raise ValueError(f"{count.size} counts and {exposure.size} exposures: give one for each")
    if not ((count >= 0) & (exposure >= 0)).all():
        raise ValueError("counts and exposures must be 0 or more")
    if (count[exposure == 0] > 0).any():
        raise ValueError("a stretch without exposure has faults: nothing can fault that did not run")
    count, exposure = count[exposure > 0], exposure[exposure > 0]
    if count.size < 2 or count.sum() < count.size:
        return Bursts(None, None, "fewer than one fault a stretch, or one stretch only: too few to tell")
    expected = count.sum() * exposure / exposure.sum()
    chi2 = float(((count - expected) ** 2 / expected).sum())
    freedom = count.size - 1
    return Bursts(chi2 / freedom, float(scipy.stats.chi2.sf(chi2, freedom)))


def _check(count: int, confidence: float) -> None:
    if count < 0:
        raise ValueError(f"{count} faults can't be counted: give a number from 0 up")
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence of {confidence} is none: give a number between 0 and 1, as 0.95")


def _over(exposure: float, *counts: float) -> tuple[float | None, ...]:
    return tuple(count / exposure if exposure > 0 else None for count in counts)


def _odds(share: float) -> float:
    return share / (1 - share) if share < 1 else inf
