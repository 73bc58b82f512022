"""What is switched on on a control chart for individuals, and its statistics and signals.

All of it works on standardised values z = (value − center line) / sigma, (..., n), without NaN, in order
along the last axis; the other axes are series of their own (which the run lengths use).

Sources: moving range of two: ISO 7870-2; EWMA and CUSUM: see recursions.py. NIST/SEMATECH e-Handbook of
Statistical Methods, 6.3.2, has an example of each.
"""

from dataclasses import dataclass
from math import isfinite, pi, sqrt
from typing import Literal

import numpy as np

from collector.analysis.recursions import recur
from collector.analysis.run_rules import Flags, Floats, Rule, signals

D2 = 2 / sqrt(pi)
"""Mean of the range of two standard normal values."""
D3 = sqrt(2 - 4 / pi)
"""Its standard deviation."""
BLOCK = 65_536
"""Values at a time: what is done to them in turn stays in the processor's cache."""
PAST = 14
"""Values before a value on which a rule may look back."""

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

    def half_width(self, count: int | None = None, before: int = 0) -> Floats:
        """Of the limits, in sigmas of the values: () where they are steady, (count,) for each value after so
        many before."""
        steady = self.limit_sigmas * np.sqrt(self.weight / (2 - self.weight))
        if count is None or not self.widening:
            return np.asarray(steady, np.float64)
        ages = np.arange(before + 1, before + count + 1)
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
    def tests(self) -> tuple[Test, ...]:
        """All that can signal."""
        return (
            *self.rules,
            *(("moving_range",) if self.moving_range else ()),
            *(("ewma",) if self.ewma else ()),
            *(("cusum_high", "cusum_low") if self.cusum else ()),
        )

    @property
    def moving_range_limit(self) -> float:
        """In sigmas of the values: 3.686 with limits at 3, which is D₄ = 3.267 times the mean moving
        range."""
        return D2 + self.limit_sigmas * D3


@dataclass(slots=True)
class Standing:
    """Where charts stand after some values, so that they can go on with the next; in sigmas."""

    count: int
    """Values up to there."""
    past: Floats
    """(..., PAST) the last of them; NaN where there are none."""
    statistics: Floats
    """(3, ...) EWMA, upper and lower sum."""

    def of(self, series: Flags) -> "Standing":
        """Of some of the series, which are the first axis."""
        return Standing(self.count, self.past[series], self.statistics[:, series])


def at_start(design: Design, shape: tuple[int, ...] = ()) -> Standing:
    """Of that many series: EWMA at the center line, sums at their head start."""
    statistics = np.zeros((3, *shape))
    statistics[1:] = design.cusum.head_start_sigmas if design.cusum else 0.0
    return Standing(0, np.full((*shape, PAST), np.nan), statistics)


@dataclass(frozen=True, slots=True)
class Drawing:
    """What is charted, (..., n) each or the newest of them, in sigmas; None where it is not switched on."""

    moving_range: Floats | None
    """NaN at the first value, which has none."""
    ewma: Floats | None
    cusum_high: Floats | None
    cusum_low: Floats | None
    """Both sums are 0 or more."""
    signals: dict[Test, Flags]
    """Where each test that is switched on signals, (..., n)."""
    standing: Standing
    """After the last value."""


def draw(
    values: Floats,
    design: Design,
    center: float = 0.0,
    sigma: float = 1.0,
    slow_sigma: float | None = None,
    standing: Standing | None = None,
    newest: int | None = None,
) -> Drawing:
    """Charts (..., n) values without NaN; EWMA and CUSUM stand in `slow_sigma` where it is given.

    `standing`: of the values before these, where the charts go on; `newest`: keep the lines of the last so
    many values only (None: all). The signals are of all of them either way.
    """
    now = standing or at_start(design, values.shape[:-1])
    statistics = now.statistics
    count = values.shape[-1]
    first_kept = 0 if newest is None else max(count - newest, 0)
    kept = np.empty((4, *values.shape[:-1], count - first_kept))
    found = dict(zip(design.tests, np.empty((len(design.tests), *values.shape), bool), strict=True))
    room = np.empty((*values.shape[:-1], PAST + min(BLOCK, count)))
    room[..., :PAST] = now.past
    for begin in range(0, count, BLOCK):
        end = min(begin + BLOCK, count)
        here = (..., slice(begin, end))
        along = room[..., : PAST + end - begin]
        z = np.subtract(values[here], center, out=along[..., PAST:])
        z /= sigma
        for rule, flags in signals(along, design.rules, design.limit_sigmas).items():
            found[rule][here] = flags[..., PAST:]
        lines = np.empty((4, *z.shape))
        ranges, averages, high, low = lines
        if design.moving_range:
            np.abs(np.subtract(z, along[..., PAST - 1 : -1], out=ranges), out=ranges)
            np.greater(ranges, design.moving_range_limit, out=found["moving_range"][here])
        if design.ewma or design.cusum:
            slow = z if slow_sigma is None else z * (sigma / slow_sigma)
            weight = design.ewma.weight if design.ewma else 1.0
            allowance = design.cusum.allowance_sigmas if design.cusum else 0.0
            statistics = recur(slow, weight, allowance, statistics, lines[1:])
        if design.ewma:
            half_width = design.ewma.half_width(end - begin, now.count + begin)
            np.greater(np.abs(averages), half_width, out=found["ewma"][here])
        if design.cusum:
            np.greater(high, design.cusum.limit_sigmas, out=found["cusum_high"][here])
            np.greater(low, design.cusum.limit_sigmas, out=found["cusum_low"][here])
        if end > first_kept:
            new = max(begin, first_kept)
            kept[..., new - first_kept : end - first_kept] = lines[..., new - begin :]
        room[..., :PAST] = along[..., -PAST:]
    return Drawing(
        kept[0] if design.moving_range else None,
        kept[1] if design.ewma else None,
        kept[2] if design.cusum else None,
        kept[3] if design.cusum else None,
        found,
        Standing(now.count + count, room[..., :PAST].copy(), statistics),
    )
