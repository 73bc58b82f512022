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
import scipy

from collector.analysis.run_rules import Flags, Floats, Rule, signals

D2 = 2 / sqrt(pi)
"""Mean of the range of two standard normal values."""
D3 = sqrt(2 - 4 / pi)
"""Its standard deviation."""
BLOCK = 32_768
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
    """Where charts stand after some values, so that they can go on with the next; (..., 1) where nothing else
    is said, in sigmas."""

    count: int
    """Values up to there."""
    past: Floats
    """(..., PAST) the last of them; NaN where there are none."""
    ewma: Floats
    cusum_high: Floats
    cusum_low: Floats

    def of(self, series: Flags) -> "Standing":
        """Of some of the series, which are the first axis."""
        rows = (self.past, self.ewma, self.cusum_high, self.cusum_low)
        return Standing(self.count, *(row[series] for row in rows))


def at_start(design: Design, shape: tuple[int, ...] = ()) -> Standing:
    """Of that many series: EWMA at the center line, sums at their head start."""
    head_start = design.cusum.head_start_sigmas if design.cusum else 0.0
    past, zero = np.full((*shape, PAST), np.nan), np.zeros((*shape, 1))
    return Standing(0, past, zero, zero + head_start, zero + head_start)


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


def ewma(values: Floats, weight: float, start: float | Floats = 0.0) -> Floats:
    """z_t = weight·x_t + (1 − weight)·z_{t−1}, z_0 = start, in the unit of the values."""
    before = np.broadcast_to((1 - weight) * np.asarray(start), (*values.shape[:-1], 1))
    smoothed, _ = scipy.signal.lfilter([weight], [1.0, weight - 1.0], values, zi=before)
    return np.asarray(smoothed, np.float64)


def cusum(deviations: Floats, allowance: float, head_start: float = 0.0) -> tuple[Floats, Floats]:
    """S_t = max(0, S_{t−1} ± deviation_t − allowance), S_0 = head start: upper and lower sum."""
    sums = _Sums(allowance, deviations.shape)
    high, low = np.empty_like(deviations), np.empty_like(deviations)
    ends = np.full((*deviations.shape[:-1], 1), head_start)
    high_end, low_end = ends, ends
    for begin in range(0, deviations.shape[-1], BLOCK):
        here = (..., slice(begin, begin + BLOCK))
        high_end, low_end = sums.go_on(deviations[here], high_end, low_end, high[here], low[here])
    return high, low


class _Sums:
    """Cumulative sums, block by block, in room that is taken once.

    With C the plain cumulative sum and k the allowance, the upper one is C_t − kt less the lowest that it was
    up to t, and the lower one the highest that C_t + kt was, less it; where the sums before them ended is one
    such value more. So there is no loop over the values.
    """

    def __init__(self, allowance: float, shape: tuple[int, ...]) -> None:
        width = min(BLOCK, shape[-1])
        self._slack = allowance * np.arange(1, width + 1)
        self._total = np.empty((*shape[:-1], width))
        self._sums = np.empty((*shape[:-1], width + 1))
        self._turn = np.empty_like(self._sums)

    def go_on(
        self, deviations: Floats, high_before: Floats, low_before: Floats, high: Floats, low: Floats
    ) -> tuple[Floats, Floats]:
        """The sums after those before, (..., 1), into `high` and `low`; returns where they end."""
        count = deviations.shape[-1]
        slack, total = self._slack[:count], self._total[..., :count]
        sums, turn = self._sums[..., : count + 1], self._turn[..., : count + 1]
        np.cumsum(deviations, axis=-1, out=total)
        sums[..., :1] = -high_before
        np.subtract(total, slack, out=sums[..., 1:])
        np.minimum.accumulate(sums, axis=-1, out=turn)
        np.subtract(sums[..., 1:], turn[..., 1:], out=high)
        sums[..., :1] = low_before
        np.add(total, slack, out=sums[..., 1:])
        np.maximum.accumulate(sums, axis=-1, out=turn)
        np.subtract(turn[..., 1:], sums[..., 1:], out=low)
        return high[..., -1:].copy(), low[..., -1:].copy()


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
    level, high_end, low_end = now.ewma, now.cusum_high, now.cusum_low
    ranges, smooth = (_Line(values.shape, newest) for _ in range(2))
    high, low = (_Line(values.shape, newest) for _ in range(2))
    sums = _Sums(design.cusum.allowance_sigmas, values.shape) if design.cusum else None
    found: dict[Test, Flags] = {test: np.empty(values.shape, bool) for test in design.tests}
    count = values.shape[-1]
    room = np.empty((*values.shape[:-1], PAST + min(BLOCK, count)))
    room[..., :PAST] = now.past
    for begin in range(0, count, BLOCK):
        here = (..., slice(begin, begin + BLOCK))
        along = room[..., : PAST + min(BLOCK, count - begin)]
        z = np.subtract(values[here], center, out=along[..., PAST:])
        z /= sigma
        slow = z if slow_sigma is None else z * (sigma / slow_sigma)
        for rule in design.rules:
            found[rule][here] = signals(along, rule, design.limit_sigmas)[..., PAST:]
        if design.moving_range:
            range_here = np.subtract(z, along[..., PAST - 1 : -1], out=ranges.room_for(begin))
            np.abs(range_here, out=range_here)
            np.greater(range_here, design.moving_range_limit, out=found["moving_range"][here])
        if design.ewma:
            smooth_here = ewma(slow, design.ewma.weight, level)
            level = smooth_here[..., -1:].copy()
            if smooth.keeps(begin):
                smooth.room_for(begin)[...] = smooth_here
            half_width = design.ewma.half_width(z.shape[-1], now.count + begin)
            np.greater(np.abs(smooth_here, out=smooth_here), half_width, out=found["ewma"][here])
        if design.cusum and sums:
            high_here, low_here = high.room_for(begin), low.room_for(begin)
            high_end, low_end = sums.go_on(slow, high_end, low_end, high_here, low_here)
            np.greater(high_here, design.cusum.limit_sigmas, out=found["cusum_high"][here])
            np.greater(low_here, design.cusum.limit_sigmas, out=found["cusum_low"][here])
        room[..., :PAST] = along[..., -PAST:]
    return Drawing(
        ranges.kept if design.moving_range else None,
        smooth.kept if design.ewma else None,
        high.kept if design.cusum else None,
        low.kept if design.cusum else None,
        found,
        Standing(now.count + count, room[..., :PAST].copy(), level, high_end, low_end),
    )


class _Line:
    """One line of a drawing while it is drawn, block by block: what is not kept is drawn over."""

    def __init__(self, shape: tuple[int, ...], newest: int | None) -> None:
        self._count = shape[-1]
        self._newest = self._count if newest is None else min(newest, self._count)
        self._first = (self._count - self._newest) // BLOCK * BLOCK
        """Of the block that the first kept value is in."""
        self._all = np.empty((*shape[:-1], max(self._count - self._first, min(BLOCK, self._count))))

    def room_for(self, begin: int) -> Floats:
        """For the block that begins there."""
        at = max(begin - self._first, 0)
        return self._all[..., at : at + min(BLOCK, self._count - begin)]

    def keeps(self, begin: int) -> bool:
        """Whether anything of that block is kept."""
        return begin >= self._first and self._newest > 0

    @property
    def kept(self) -> Floats:
        return self._all[..., self._count - self._first - self._newest : self._count - self._first]
