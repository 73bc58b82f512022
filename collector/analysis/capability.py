"""Capability of a measure against its specification limits.

Cp and Cpk take the short-term sigma (mean moving range over d₂), Pp and Ppk the standard deviation of all
values (ISO 22514-2 and NIST/SEMATECH e-Handbook, 6.1.6). Intervals: Cp and Pp by the chi-square
distribution; Ppk with one limit exactly, by the noncentral t distribution; Cpk, and Ppk with two limits,
by Bissell, Applied Statistics 39 (1990) 331. The short-term sigma enters with the degrees of freedom that
its sampling variance is worth.

Where the values are not normal (Anderson and Darling's test), only distribution-free figures are given:
- percentile indices as in ISO 22514-2, from the 0.135 %, 50 % and 99.865 % points of the sample, with
  order-statistic intervals; so far out they need thousands of values, and below that there is no lower
  bound;
- the equivalent index: that of a normal measure with the same share out of specification, with the exact
  binomial interval (Clopper & Pearson, Biometrika 26 (1934) 404) of that share; this one says something
  from 25 values on.
"""

from dataclasses import dataclass
from math import asin, inf, isfinite, pi, sqrt
from typing import Literal, cast

import numpy as np
import scipy

from collector.analysis.baseline import Autocorrelation, autocorrelation
from collector.analysis.chart_design import D2
from collector.analysis.run_rules import Floats

LEAST = 25
DOUBT = 0.01
"""Values count as not normal where the test's p-value is below."""
LOW, MIDDLE, HIGH = 0.00135, 0.5, 0.99865
"""The percentiles of ISO 22514-2."""


@dataclass(frozen=True, slots=True)
class Index:
    """A capability index with its two-sided interval; inf: no bound."""

    estimate: float
    low: float
    high: float
    method: Literal["chi-square", "noncentral t", "Bissell", "order statistics", "Clopper-Pearson"]


@dataclass(frozen=True, slots=True)
class Normality:
    normal: bool
    statistic: float
    """Anderson and Darling's A²."""
    p_value: float


@dataclass(frozen=True, slots=True)
class OutOfSpecification:
    """Counted, in parts per million, with its exact interval."""

    below: int
    above: int
    ppm: float
    ppm_low: float
    ppm_high: float


@dataclass(frozen=True, slots=True)
class Capability:
    """Mean and sigmas in the unit of the values. An index is None where it has no meaning (see the
    module)."""

    count: int
    confidence: float
    mean: float
    sigma_short_term: float
    sigma_overall: float
    normality: Normality
    autocorrelation: Autocorrelation
    """Where it is found, Cp and Cpk flatter and every interval is too narrow."""
    out_of_specification: OutOfSpecification
    cp: Index | None
    cpk: Index | None
    pp: Index | None
    ppk: Index | None
    percentile_pp: Index | None
    percentile_ppk: Index | None
    equivalent_ppk: Index | None


@dataclass(frozen=True, slots=True)
class NoCapability:
    refused: str
    """Why, in a sentence."""


@dataclass(frozen=True, slots=True)
class Specification:
    """In the unit of the values; None: no limit on that side."""

    lower: float | None
    upper: float | None

    def __post_init__(self) -> None:
        if self.lower is None and self.upper is None:
            raise ValueError("capability needs at least one specification limit")
        if not all(limit is None or isfinite(limit) for limit in (self.lower, self.upper)):
            raise ValueError("a specification limit is a finite number")
        if self.lower is not None and self.upper is not None and self.lower >= self.upper:
            raise ValueError(
                f"the lower specification limit {self.lower} is not below the upper {self.upper}"
            )


def capability(
    values: Floats, specification: Specification, confidence: float = 0.95
) -> Capability | NoCapability:
    """Capability of (n,) values in time order; NaN is a cycle without the value and is passed over."""
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence lies between 0 and 1; {confidence} does not")
    values = np.asarray(values, np.float64)
    if values.ndim != 1:
        raise ValueError("capability is that of one row of values")
    values = values[np.isfinite(values)]
    if values.size < LEAST:
        return NoCapability(f"only {values.size} values; capability needs {LEAST}")
    if np.ptp(values) == 0:
        return NoCapability("all values are equal: the measure is resolved too coarsely for a capability")
    short_term = float(np.abs(np.diff(values)).mean()) / D2
    overall = float(values.std(ddof=1))
    mean, n = float(values.mean()), values.size
    verdict = normality(values)
    worth = degrees_of_freedom(n)
    normal = verdict.normal
    return Capability(
        count=n,
        confidence=confidence,
        mean=mean,
        sigma_short_term=short_term,
        sigma_overall=overall,
        normality=verdict,
        autocorrelation=autocorrelation(values),
        out_of_specification=out_of_specification(values, specification, confidence),
        cp=spread_index(specification, short_term, worth, confidence) if normal else None,
        cpk=nearest_index(specification, mean, short_term, n, worth, confidence) if normal else None,
        pp=spread_index(specification, overall, n - 1, confidence) if normal else None,
        ppk=nearest_index(specification, mean, overall, n, n - 1, confidence) if normal else None,
        percentile_pp=None if normal else percentile_pp(values, specification, confidence),
        percentile_ppk=None if normal else percentile_ppk(values, specification, confidence),
        equivalent_ppk=None if normal else equivalent_ppk(values, specification, confidence),
    )


def normality(values: Floats) -> Normality:
    """Anderson and Darling's test with mean and sigma from the sample; its p-value after D'Agostino &
    Stephens (Goodness-of-Fit Techniques, 1986, table 4.9). (n,) finite values, not all equal."""
    from statsmodels.stats.diagnostic import normal_ad  # type: ignore[import-untyped]  # see the package

    statistic, p_value = cast(tuple[float, float], normal_ad(values))
    return Normality(bool(p_value >= DOUBT), float(statistic), float(p_value))


# ---- normal --------------------------------------------------------------------------------------


def spread_index(
    specification: Specification, sigma: float, degrees: float, confidence: float
) -> Index | None:
    """Cp or Pp = (upper − lower) / 6σ, interval by chi-square; None where there is only one limit."""
    if specification.lower is None or specification.upper is None:
        return None
    estimate = (specification.upper - specification.lower) / (6 * sigma)
    tail = (1 - confidence) / 2
    low, high = (sqrt(scipy.stats.chi2.ppf(share, degrees) / degrees) for share in (tail, 1 - tail))
    return Index(estimate, estimate * low, estimate * high, "chi-square")


def nearest_index(
    specification: Specification, mean: float, sigma: float, count: int, degrees: float, confidence: float
) -> Index:
    """Cpk or Ppk, the distance of the nearer limit over 3σ.

    Exact (noncentral t) for one limit and the standard deviation of all values; otherwise Bissell:
    C ± z·√(1/9n + C²/2ν).
    """
    distances = []
    if specification.upper is not None:
        distances.append(specification.upper - mean)
    if specification.lower is not None:
        distances.append(mean - specification.lower)
    estimate = min(distances) / (3 * sigma)
    if len(distances) == 1 and degrees == count - 1:
        low, high = one_limit_interval(estimate, count, confidence)
        return Index(estimate, low, high, "noncentral t")
    z = float(scipy.stats.norm.ppf((1 + confidence) / 2))
    reach = z * sqrt(1 / (9 * count) + estimate**2 / (2 * degrees))
    return Index(estimate, estimate - reach, estimate + reach, "Bissell")


def one_limit_interval(estimate: float, count: int, confidence: float) -> tuple[float, float]:
    """Of a Ppk with one limit: 3·√n·Ppk is noncentral t with n − 1 degrees of freedom."""
    tail = (1 - confidence) / 2
    observed, scale = 3 * sqrt(count) * estimate, 3 * sqrt(count)

    def bound(share: float) -> float:
        def miss(index: float) -> float:
            return float(scipy.stats.nct.cdf(observed, count - 1, scale * index)) - share

        reach = 10 * sqrt(1 / (9 * count) + estimate**2 / (2 * (count - 1)))
        return float(scipy.optimize.brentq(miss, estimate - reach, estimate + reach))

    return bound(1 - tail), bound(tail)


def degrees_of_freedom(count: int) -> float:
    """What the mean moving range of n values is worth as an estimate of sigma: 1 / (2·its squared relative
    error).

    Neighbouring ranges share a value: their differences correlate with −½, which gives the covariance of
    the two ranges in closed form (bivariate normal moments; Cryer & Ryan, Journal of Quality Technology 22
    (1990) 187).
    """
    ranges = count - 1
    variance = 2 - D2**2
    covariance = 2 * (2 / pi) * (sqrt(3) / 2 + 0.5 * asin(0.5)) - D2**2
    relative = (ranges * variance + 2 * (ranges - 1) * covariance) / (ranges * D2) ** 2
    return 1 / (2 * relative)


# ---- distribution-free ---------------------------------------------------------------------------


def out_of_specification(
    values: Floats, specification: Specification, confidence: float
) -> OutOfSpecification:
    """Values strictly beyond a limit, and the share they are, with Clopper and Pearson's interval."""
    below = 0 if specification.lower is None else int((values < specification.lower).sum())
    above = 0 if specification.upper is None else int((values > specification.upper).sum())
    low, high = _share_interval(below + above, values.size, confidence)
    return OutOfSpecification(below, above, 1e6 * (below + above) / values.size, 1e6 * low, 1e6 * high)


def equivalent_ppk(values: Floats, specification: Specification, confidence: float) -> Index:
    """−Φ⁻¹(share out of specification on the worse side) / 3, by counting; inf where none is out.

    With two limits the sides share the doubt (Bonferroni).
    """
    sides = [] if specification.lower is None else [int((values < specification.lower).sum())]
    sides += [] if specification.upper is None else [int((values > specification.upper).sum())]
    worse, n = max(sides), values.size
    low, high = _share_interval(worse, n, 1 - (1 - confidence) / len(sides))
    estimate, least, most = (float(-scipy.stats.norm.ppf(share)) / 3 for share in (worse / n, high, low))
    return Index(estimate, least, most, "Clopper-Pearson")


def percentile_pp(values: Floats, specification: Specification, confidence: float) -> Index | None:
    """(upper − lower) / (X₉₉.₈₆₅ − X₀.₁₃₅); None where there is only one limit."""
    if specification.lower is None or specification.upper is None:
        return None
    width = specification.upper - specification.lower
    low, high = (percentile_interval(values, share, 1 - (1 - confidence) / 2) for share in (LOW, HIGH))
    return Index(
        width / (high.estimate - low.estimate),
        width / (high.most - low.least),
        _over(width, high.least - low.most),
        "order statistics",
    )


def percentile_ppk(values: Floats, specification: Specification, confidence: float) -> Index:
    """The smaller of (upper − X₅₀) / (X₉₉.₈₆₅ − X₅₀) and (X₅₀ − lower) / (X₅₀ − X₀.₁₃₅)."""
    percentiles = 1 + (specification.lower is not None) + (specification.upper is not None)
    each = 1 - (1 - confidence) / percentiles
    middle = percentile_interval(values, MIDDLE, each)
    sides = []
    if specification.upper is not None:
        sides.append(_side(specification.upper, middle, percentile_interval(values, HIGH, each)))
    if specification.lower is not None:
        mirrored = _mirrored(middle), _mirrored(percentile_interval(values, LOW, each))
        sides.append(_side(-specification.lower, *mirrored))
    estimate, low, high = (min(figures) for figures in zip(*sides, strict=True))
    return Index(estimate, low, high, "order statistics")


@dataclass(frozen=True, slots=True)
class Percentile:
    """In the unit of the values."""

    estimate: float
    least: float
    most: float


def percentile_interval(values: Floats, share: float, confidence: float) -> Percentile:
    """Of a sample (median-unbiased, Hyndman & Fan's type 8), with order statistics about it: the number of
    values below it is binomial. ±inf where the sample has no order statistic far enough out."""
    ordered, n, tail = np.sort(values), values.size, (1 - confidence) / 2
    below = int(scipy.stats.binom.ppf(tail, n, share))
    above = int(scipy.stats.binom.ppf(1 - tail, n, share)) + 1
    return Percentile(
        float(np.quantile(ordered, share, method="median_unbiased")),
        float(ordered[below - 1]) if below >= 1 else -inf,
        float(ordered[above - 1]) if above <= n else inf,
    )


def _mirrored(percentile: Percentile) -> Percentile:
    return Percentile(-percentile.estimate, -percentile.most, -percentile.least)


def _side(limit: float, middle: Percentile, far: Percentile) -> tuple[float, float, float]:
    """Estimate and bounds of (limit − middle) / (far − middle); the index falls as `far` rises."""
    corners = [
        _over(limit - m, f - m)
        for m in (middle.least, middle.most)
        for f in (far.least, far.most)
        if isfinite(m)
    ] or [0.0, inf]
    return _over(limit - middle.estimate, far.estimate - middle.estimate), min(corners), max(corners)


def _over(part: float, whole: float) -> float:
    if whole == inf:
        return 0.0
    return part / whole if whole > 0 else inf


def _share_interval(count: int, of: int, confidence: float) -> tuple[float, float]:
    found = scipy.stats.binomtest(count, of).proportion_ci(confidence, method="exact")
    return float(found.low), float(found.high)
