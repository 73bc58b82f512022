"""What is switched on on a control chart for individuals, and its statistics and signals.

All of it works on standardised values z = (value − center line) / sigma, (..., n), without NaN, in order
along the last axis; the other axes are series of their own (which the run lengths use).

Sources: moving range of two: ISO 7870-2; EWMA: Roberts, Technometrics 1 (1959) 239; CUSUM: Page,
Biometrika 41 (1954) 100, with the head start of Lucas & Crosier, Technometrics 24 (1982) 199.
NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2, has an example of each.
"""

from dataclasses import dataclass
from math import isfinite, pi, sqrt
from typing import Literal

import numpy as np
from scipy.signal import lfilter

from collector.analysis.run_rules import Flags, Floats, Rule, signals

D2 = 2 / sqrt(pi)
"""Mean of the range of two standard normal values."""
D3 = sqrt(2 - 4 / pi)
"""Its standard deviation."""
BLOCK = 16_384
"""Values at a time."""

Test = Rule | Literal["moving_range", "ewma", "cusum_high", "cusum_low"]


def _positive(what: str, value: float) -> None:
    if not (isfinite(value) and value > 0):
        raise ValueError(f"{what} is a positive number of sigmas; {value} is none")


@dataclass(frozen=True, slots=True)
class Ewma:
    """Signals where the exponentially weighted moving average is beyond ±limit of its own sigmas."""

    weight: float = 0.2
    """Of the newest value, 0 < weight ≤ 1."""
    limit_sigmas: float = 2.962
    """With weight 0.2: a false alarm in 500 values."""
    widening: bool = False
    """Limits by the exact variance at each value, narrow at first; otherwise those they grow to."""

    def __post_init__(self) -> None:
        if not 0 < self.weight <= 1:
            raise ValueError(f"an EWMA weight lies above 0 and not above 1; {self.weight} does not")
        _positive("an EWMA limit", self.limit_sigmas)

    def half_width(self, count: int | None = None) -> Floats:
        """Of the limits, in sigmas of the values: () where they are steady, (count,) for each value."""
        steady = self.limit_sigmas * np.sqrt(self.weight / (2 - self.weight))
        if count is None or not self.widening:
            return np.asarray(steady, np.float64)
        ages = np.arange(1, count + 1)
        return np.asarray(steady * np.sqrt(-np.expm1(2 * ages * np.log1p(-self.weight))), np.float64)


@dataclass(frozen=True, slots=True)
class Cusum:
    """Signals where a cumulative sum of deviations less the allowance is above the limit; both sides."""

    allowance_sigmas: float = 0.5
    """Half the shift that it shall find soonest (k)."""
    limit_sigmas: float = 5.0
    """The decision interval (h)."""
    head_start_sigmas: float = 0.0

    def __post_init__(self) -> None:
        _positive("a CUSUM limit", self.limit_sigmas)
        if not 0 <= self.allowance_sigmas < 10:
            raise ValueError(
                f"a CUSUM allowance lies between 0 and 10 sigmas; {self.allowance_sigmas} does not"
            )
        if not 0 <= self.head_start_sigmas < self.limit_sigmas:
            raise ValueError("a CUSUM head start is at least 0 and below the limit")


@dataclass(frozen=True, slots=True)
class Design:
    """What is switched on."""

    rules: tuple[Rule, ...] = ("beyond_limits",)
    limit_sigmas: float = 3.0
    """Of `beyond_limits`, and of the moving range in its own sigmas."""
    moving_range: bool = True
    ewma: Ewma | None = Ewma()
    cusum: Cusum | None = Cusum()

    def __post_init__(self) -> None:
        if not (self.rules or self.moving_range or self.ewma or self.cusum):
            raise ValueError("nothing is switched on: a chart needs at least one rule, or EWMA, or CUSUM")
        _positive("a limit", self.limit_sigmas)

    @property
    def moving_range_limit(self) -> float:
        """In sigmas of the values: 3.686 with limits at 3, which is D₄ = 3.267 times the mean moving
        range."""
        return D2 + self.limit_sigmas * D3


@dataclass(frozen=True, slots=True)
class Drawing:
    """What is charted, (..., n) each, in sigmas; None where it is not switched on."""

    moving_range: Floats | None
    """NaN at the first value, which has none."""
    ewma: Floats | None
    cusum_high: Floats | None
    cusum_low: Floats | None
    """Both sums are 0 or more."""
    signals: dict[Test, Flags]
    """Where each test that is switched on signals."""


def ewma(values: Floats, weight: float, start: float = 0.0) -> Floats:
    """z_t = weight·x_t + (1 − weight)·z_{t−1}, z_0 = start, in the unit of the values."""
    before = np.full((*values.shape[:-1], 1), (1 - weight) * start)
    smoothed, _ = lfilter([weight], [1.0, weight - 1.0], values, zi=before)
    return np.asarray(smoothed, np.float64)


def cusum(deviations: Floats, allowance: float, head_start: float = 0.0) -> tuple[Floats, Floats]:
    """S_t = max(0, S_{t−1} ± deviation_t − allowance), S_0 = head start: upper and lower sum.

    With C the plain cumulative sum, S_t = C_t − min(−S_0, min of C up to t): no loop over the values,
    only over blocks of them that stay in the processor's cache.
    """
    high, low = np.empty_like(deviations), np.empty_like(deviations)
    rope = allowance * np.arange(1, BLOCK + 1)
    high_before = low_before = np.full((*deviations.shape[:-1], 1), head_start)
    for begin in range(0, deviations.shape[-1], BLOCK):
        here = (..., slice(begin, begin + BLOCK))
        total = np.cumsum(deviations[here], axis=-1)
        slack = rope[: total.shape[-1]]
        high_before = _above_lowest(np.subtract(total, slack, out=high[here]), high_before)
        np.negative(total, out=total)
        low_before = _above_lowest(np.subtract(total, slack, out=low[here]), low_before)
    return high, low


def _above_lowest(total: Floats, before: Floats) -> Floats:
    """Makes a cumulative sum, in place, one that can't fall below 0; returns where it ends, (..., 1)."""
    lowest = np.minimum.accumulate(total, axis=-1)
    np.minimum(lowest, -before, out=lowest)
    total -= lowest
    return total[..., -1:].copy()


def draw(
    values: Floats, design: Design, center: float = 0.0, sigma: float = 1.0, slow_sigma: float | None = None
) -> Drawing:
    """Charts (..., n) values without NaN; EWMA and CUSUM stand in `slow_sigma` where it is given."""
    z = values - center
    z /= sigma
    slow = z if slow_sigma is None else z * (sigma / slow_sigma)
    found: dict[Test, Flags] = {rule: signals(z, rule, design.limit_sigmas) for rule in design.rules}
    ranges = smooth = high = low = None
    if design.moving_range:
        ranges = np.full_like(z, np.nan)
        np.subtract(z[..., 1:], z[..., :-1], out=ranges[..., 1:])
        np.abs(ranges, out=ranges)
        found["moving_range"] = ranges > design.moving_range_limit
    if design.ewma:
        smooth = ewma(slow, design.ewma.weight)
        half_width = design.ewma.half_width(z.shape[-1])
        found["ewma"] = (smooth > half_width) | (smooth < -half_width)
    if design.cusum:
        high, low = cusum(slow, design.cusum.allowance_sigmas, design.cusum.head_start_sigmas)
        found["cusum_high"] = high > design.cusum.limit_sigmas
        found["cusum_low"] = low > design.cusum.limit_sigmas
    return Drawing(ranges, smooth, high, low, found)
