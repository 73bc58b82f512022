"""Likely causes of a change between two stretches of a tool's cycles, with the evidence in words and numbers.

| what is seen | cause |
|---|---|
| punch slower, and the air pressure lower by as much as that takes | low air |
| punch slower than the pressure explains | punch wear or lubrication |
| slope of the rise changed; or locks not formed by a punch as fast as before | joint or band |
| seating loss up more than the stiffness explains, peak as it was | lock |
| take-up longer at the same speed | slack or feed |
| band not present, again and again | no band |

Each measure is compared by the Hodges–Lehmann shift of its logarithm with an interval: robust, in per cent.
A measure speaks for a cause where the interval excludes no change *and* the change is as large as matters
(`Relevant`). A cause's strength is the change in units of what matters. Several causes whose strengths
can't be told apart, or none, make the verdict "can't tell".

Before anybody looks into a tool: isolate air and power, lock out, follow the tool maker's instructions.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from math import expm1, inf, log, sqrt
from typing import Literal

import numpy as np
import scipy
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Cause = Literal["low air", "punch wear or lubrication", "joint or band", "lock", "slack or feed", "no band"]
CAUSES: tuple[Cause, ...] = (
    "low air",
    "punch wear or lubrication",
    "joint or band",
    "lock",
    "slack or feed",
    "no band",
)

LEAST_VALUES = 8
"""Fewer known values on a side say nothing."""
MOST_VALUES = 500
"""More are thinned out evenly: the shift looks at every pair."""
LEAST_REPEATS = 3
"""A fault counts as repeated from here."""
AS_GOOD = 1.5
"""Causes whose strengths may lie nearer than this are equally good: what matters is known only roughly."""
EMPTY = np.empty(0)


@dataclass(frozen=True, slots=True)
class Window:
    """One stretch of cycles of one tool, (n,) each in the same order, or empty where nothing is recorded; NaN
    where a value is missing.

    Leave out of the measures what belongs to cycles that were cut short (NaN there), but keep their fault
    codes.
    """

    punch_velocity_m_s: Floats = field(default_factory=lambda: EMPTY)
    supply_pressure_kpa: Floats = field(default_factory=lambda: EMPTY)
    """Gauge."""
    punch_pressure_kpa: Floats = field(default_factory=lambda: EMPTY)
    """As set, gauge."""
    slope_n_s: Floats = field(default_factory=lambda: EMPTY)
    """Of the rise."""
    peak_tension_n: Floats = field(default_factory=lambda: EMPTY)
    seating_loss_n: Floats = field(default_factory=lambda: EMPTY)
    take_up_ms: Floats = field(default_factory=lambda: EMPTY)
    tension_speed_mm_s: Floats = field(default_factory=lambda: EMPTY)
    """As set."""
    set_tension_n: Floats = field(default_factory=lambda: EMPTY)
    """The tension that the set torque stands for."""
    fault_codes: Sequence[str | None] = ()
    """One a cycle; None where it had no fault."""


@dataclass(frozen=True, slots=True)
class FaultCodes:
    """Which of the maker's codes mean what."""

    no_band: Collection[str] = ()
    not_formed: Collection[str] = ()
    """The punch did not form the lock, or did not return."""


@dataclass(frozen=True, slots=True)
class Relevant:
    """The least change that matters; a share of the level before, or of the cycles. Our own choice, no
    published source; set them to what a station's engineer cares about.
    """

    velocity: float = 0.03
    slope: float = 0.06
    peak: float = 0.03
    seating_loss: float = 0.15
    take_up: float = 0.10
    no_band: float = 0.03
    """Points of the share of cycles."""
    not_formed: float = 0.05
    confidence: float = 0.99
    """Of each interval of a measure."""
    fault_confidence: float = 0.95
    """Of the intervals of shares: a fault that is rare before, and came three times, needs less."""


@dataclass(frozen=True, slots=True)
class Effect:
    """How one measure changed: ratio after / before for measures, difference of shares for faults."""

    measure: str
    change: float
    """Logarithm of the ratio, or difference of shares."""
    low: float
    high: float
    """Interval of `change`."""
    before: float
    after: float
    """Medians, or shares."""
    unit: str
    values_before: int
    values_after: int

    @property
    def words(self) -> str:
        """`punch velocity 2.05 to 1.93 m/s (-5.9 %, interval -6.2 to -5.6 %, 80 and 75 cycles)`."""
        counts = f"{self.values_before} and {self.values_after} cycles"
        if self.unit == "share":
            bounds = f"interval {100 * self.low:+.1f} to {100 * self.high:+.1f} points"
            return (
                f"{self.measure} in {self.before:.1%} to {self.after:.1%} of the cycles ({bounds}, {counts})"
            )
        bounds = f"{_percent(self.change)} %, interval {_percent(self.low)} to {_percent(self.high)} %"
        return f"{self.measure} {self.before:.4g} to {self.after:.4g} {self.unit} ({bounds}, {counts})"


@dataclass(frozen=True, slots=True)
class Likely:
    """One cause that the evidence speaks for."""

    cause: Cause
    strength: float
    """The change in units of the least that matters; at least 1."""
    low: float
    high: float
    """Interval of the strength."""
    evidence: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """Causes, strongest first."""

    verdict: Cause | None
    """None: can't tell; `why` says why not."""
    why: str
    ranked: tuple[Likely, ...]
    effects: tuple[Effect, ...]
    """Everything that could be compared, whether it speaks for a cause or not."""


def hodges_lehmann(before: Floats, after: Floats, confidence: float) -> tuple[float, float, float]:
    """Shift from (m,) to (n,) values: (estimate, low, high).

    The median of all differences, and their order statistics by the normal approximation of the
    Mann–Whitney statistic: up to two ranks wider than the exact interval. Source: Hollander, Wolfe &
    Chicken, Nonparametric Statistical Methods, 3rd ed., 4.2 and 4.3 (equations from memory). Where there
    are too few values for the confidence the interval is infinite.

    Raises: ValueError: no values on a side, a NaN, or a confidence outside 0 to 1.
    """
    if before.size == 0 or after.size == 0:
        raise ValueError("a shift needs values on both sides")
    if not 0 < confidence < 1:
        raise ValueError(f"confidence is a probability between 0 and 1, not {confidence}")
    differences = np.sort((after[:, None] - before[None, :]).ravel())
    if np.isnan(differences[-1]):
        raise ValueError("a shift can't be taken of NaN")
    m, n = before.size, after.size
    z = float(scipy.stats.norm.ppf((1 + confidence) / 2))
    rank = int(m * n / 2 - z * sqrt(m * n * (m + n + 1) / 12))
    estimate = float(np.median(differences))
    if rank < 1:
        return estimate, -inf, inf
    return estimate, float(differences[rank - 1]), float(differences[m * n - rank])


def share_difference(
    before: int, cycles_before: int, after: int, cycles_after: int, confidence: float
) -> tuple[float, float, float]:
    """Share after − share before with an interval: (difference, low, high).

    Source: R. G. Newcombe 1998, Statistics in Medicine 17:873, method 10 (from Wilson's score intervals).

    Raises: ValueError: no cycles on a side, or more faults than cycles.
    """
    shares, lows, highs = [], [], []
    for count, cycles in ((before, cycles_before), (after, cycles_after)):
        interval = scipy.stats.binomtest(count, cycles).proportion_ci(confidence, method="wilson")
        shares.append(count / cycles)
        lows.append(float(interval.low))
        highs.append(float(interval.high))
    difference = shares[1] - shares[0]
    low = difference - sqrt((shares[1] - lows[1]) ** 2 + (highs[0] - shares[0]) ** 2)
    high = difference + sqrt((highs[1] - shares[1]) ** 2 + (shares[0] - lows[0]) ** 2)
    return difference, low, high


def likely_causes(
    before: Window, after: Window, codes: FaultCodes, relevant: Relevant | None = None
) -> Diagnosis:
    """What may lie behind the change from one window of a tool's cycles to another, with the evidence.

    A window needs at least 8 known values of a measure for it to count. Cycles are taken for independent of
    each other; a drift inside a window widens the intervals.

    Raises: ValueError: arrays of different lengths in one window.
    """
    for window in (before, after):
        _check_lengths(window)
    return _Comparison(before, after, codes, relevant or Relevant()).diagnosis()


class _Comparison:
    """Two windows while they are compared."""

    def __init__(self, before: Window, after: Window, codes: FaultCodes, relevant: Relevant) -> None:
        self.relevant = relevant
        self.effects: list[Effect] = []
        both = (before, after)
        self.velocity = self._shift("punch velocity", "m/s", *(w.punch_velocity_m_s for w in both))
        self.supply = self._shift("supply pressure", "kPa", *(w.supply_pressure_kpa for w in both))
        self.punch = self._shift("set punch pressure", "kPa", *(w.punch_pressure_kpa for w in both))
        self.peak = self._shift("peak tension", "N", *(w.peak_tension_n for w in both))
        self.set_tension = self._shift("set tension", "N", *(w.set_tension_n for w in both))
        self.loss = self._shift("seating loss", "N", *(w.seating_loss_n for w in both))
        self.slope = self._shift("slope of the rise", "N/mm", *map(_stiffness_n_mm, both)) or self._shift(
            "slope of the rise", "N/s", *(w.slope_n_s for w in both)
        )
        self.take_up = self._shift("take-up", "mm", *map(_take_up_mm, both)) or self._shift(
            "take-up", "ms", *(w.take_up_ms for w in both)
        )
        self.no_band = self._faults("band not present", codes.no_band, *both)
        self.not_formed = self._faults("lock not formed", codes.not_formed, *both)
        # Quotients, which only serve to take one change off another.
        air = _pressures_at_punch_kpa(before, after)
        self.air = self._compared("pressure at the punch", "kPa", *air)
        self.leftover = self._compared(
            "velocity over root of pressure", "", *map(_velocity_per_root, both, air)
        )
        self.slip = self._compared("slip", "mm", *map(_slip_mm, both)) or self._compared(
            "slip", "s", *map(_slip_s, both)
        )

    def diagnosis(self) -> Diagnosis:
        found = [*self._punch(), self._joint(), self._lock(), self._slack(), self._missing_band()]
        ranked = tuple(sorted(filter(None, found), key=lambda likely: -likely.strength))
        verdict, why = _verdict(ranked, self.effects)
        return Diagnosis(verdict, why, ranked, tuple(self.effects))

    # ---- measures --------------------------------------------------------------------------------

    def _shift(self, measure: str, unit: str, before: Floats, after: Floats) -> Effect | None:
        """As `_compared`, and a part of the diagnosis."""
        effect = self._compared(measure, unit, before, after)
        if effect is not None:
            self.effects.append(effect)
        return effect

    def _compared(self, measure: str, unit: str, before: Floats, after: Floats) -> Effect | None:
        """The shift of the logarithm; None where too little is known."""
        logs = [np.log(_thinned(values[(values > 0) & np.isfinite(values)])) for values in (before, after)]
        if min(each.size for each in logs) < LEAST_VALUES:
            return None
        change, low, high = hodges_lehmann(logs[0], logs[1], self.relevant.confidence)
        middles = [float(np.exp(np.median(each))) for each in logs]
        return Effect(measure, change, low, high, middles[0], middles[1], unit, logs[0].size, logs[1].size)

    def _faults(self, measure: str, codes: Collection[str], before: Window, after: Window) -> Effect | None:
        cycles = [len(window.fault_codes) for window in (before, after)]
        if not codes or min(cycles) < LEAST_VALUES:
            return None
        counts = [sum(code in codes for code in window.fault_codes) for window in (before, after)]
        change = share_difference(counts[0], cycles[0], counts[1], cycles[1], self.relevant.fault_confidence)
        shares = [count / total for count, total in zip(counts, cycles, strict=True)]
        effect = Effect(measure, *change, shares[0], shares[1], "share", cycles[0], cycles[1])
        self.effects.append(effect)
        return effect if counts[1] >= LEAST_REPEATS else None

    # ---- causes ----------------------------------------------------------------------------------

    def _punch(self) -> list[Likely]:
        """Low air and wear: what the pressure explains of the slowness (v ∝ √p, as ½·m·v² = p·A·s)."""
        slow = _weighed(self.velocity, -1, self.relevant.velocity)
        if slow is None or self.velocity is None:
            return []
        air, wear = CAUSES[:2]
        words = self.velocity.words
        if self.air is None or self.leftover is None:
            words = f"{words}; the air pressure is not known, so either may be"
            return [Likely(air, *slow, (words,)), Likely(wear, *slow, (words,))]
        found = []
        pressure = self._pressure_words()
        less_air = _weighed(self.air, -1, self.relevant.velocity, times=0.5)
        if less_air is not None:
            takes = f"that takes {_percent(self.air.change / 2)} % of the velocity"
            found.append(Likely(air, *min(slow, less_air), (words, f"{pressure}; {takes}")))
        worn = _weighed(self.leftover, -1, self.relevant.velocity)
        if worn is not None:
            rest = f"{_percent(self.leftover.change)} % of velocity that the pressure does not explain"
            found.append(Likely(wear, *min(slow, worn), (words, f"{pressure}; {rest}")))
            if less_air is None and _weighed(self.supply, -1, 2 * self.relevant.velocity) is not None:
                sags = "the supply fell, though not below the set punch pressure: the regulator may sag"
                found.append(Likely(air, *min(slow, worn), (words, f"{pressure}; {sags}")))
        return found

    def _pressure_words(self) -> str:
        return ", ".join(effect.words for effect in (self.supply, self.punch) if effect is not None)

    def _joint(self) -> Likely | None:
        """The slope, less what another tension may do to it; or a lock that takes more than the punch has."""
        found = []
        for direction in (-1, 1):
            weighed = _weighed(self.slope, direction, self.relevant.slope, less=_size(self.peak))
            if weighed is not None and self.slope is not None:
                found.append(Likely("joint or band", *weighed, (self.slope.words,)))
        not_formed = _weighed(self.not_formed, 1, self.relevant.not_formed)
        velocity = self.velocity
        # A lock with little to spare fails at a little less speed: half of what matters is no longer as fast.
        as_fast = velocity is not None and velocity.change > -log(1 + self.relevant.velocity) / 2
        if not_formed is not None and self.not_formed is not None and velocity is not None and as_fast:
            said = f"{velocity.words}: a punch as fast as before does not form it"
            found.append(Likely("joint or band", *not_formed, (self.not_formed.words, said)))
        return max(found, key=lambda likely: likely.strength, default=None)

    def _lock(self) -> Likely | None:
        """Loss over slope is the slip in the lock: what a stiffer joint does to the loss drops out."""
        weighed = _weighed(self.slip or self.loss, 1, self.relevant.seating_loss, less=_size(self.peak))
        more = _weighed(self.loss, 1, self.relevant.seating_loss)
        if weighed is None or more is None or self.loss is None:
            return None
        words = [self.loss.words]
        if self.peak is not None:
            words.append(self.peak.words)
        if self.peak is not None and self.set_tension is not None:
            words.append(f"the peak is {self.peak.after / self.set_tension.after:.0%} of what is set")
        return Likely("lock", *weighed, tuple(words))

    def _slack(self) -> Likely | None:
        weighed = _weighed(self.take_up, 1, self.relevant.take_up)
        if weighed is None or self.take_up is None:
            return None
        return Likely("slack or feed", *weighed, (self.take_up.words,))

    def _missing_band(self) -> Likely | None:
        weighed = _weighed(self.no_band, 1, self.relevant.no_band)
        if weighed is None or self.no_band is None:
            return None
        return Likely("no band", *weighed, (self.no_band.words,))


Weight = tuple[float, float, float]
"""Strength with its interval."""


def _weighed(
    effect: Effect | None, direction: int, least: float, *, times: float = 1.0, less: float = 0.0
) -> Weight | None:
    """A change in one direction in units of the least that matters; None where it does not stand out.

    `times`: of the change (an exponent); `less`: what is explained otherwise and taken off.
    """
    if effect is None:
        return None
    ends = sorted(direction * times * value for value in (effect.low, effect.high))
    size = direction * times * effect.change - less
    if effect.unit != "share":
        least = log(1 + least)
    if size < least or ends[0] - less <= 0:
        return None
    return size / least, (ends[0] - less) / least, (ends[1] - less) / least


def _size(effect: Effect | None) -> float:
    return 0.0 if effect is None else abs(effect.change)


def _verdict(ranked: tuple[Likely, ...], effects: Sequence[Effect]) -> tuple[Cause | None, str]:
    if not effects:
        return None, "can't tell: too little is known of the cycles before or after"
    if not ranked:
        return None, "can't tell: nothing stands out"
    first, *others = ranked
    equal = [other for other in others if AS_GOOD * other.high >= first.low]
    if equal:
        names = " and ".join(likely.cause for likely in (first, *equal))
        return None, f"can't tell: the evidence for {names} is equally good"
    return first.cause, "; ".join(first.evidence)


def _thinned(values: Floats) -> Floats:
    if values.size <= MOST_VALUES:
        return values
    return values[np.linspace(0, values.size - 1, MOST_VALUES).astype(np.int64)]


def _known(*arrays: Floats) -> bool:
    """Is there something in each of them?"""
    return all(np.isfinite(array).any() for array in arrays)


def _pressures_at_punch_kpa(before: Window, after: Window) -> tuple[Floats, Floats]:
    """What reaches the punch in each window: the set pressure, or the supply where that is lower.

    The supply alone where the set pressure is not known in both: what one window has, the other must have
    too.
    """
    if not _known(before.punch_pressure_kpa, after.punch_pressure_kpa):
        return before.supply_pressure_kpa, after.supply_pressure_kpa
    if not _known(before.supply_pressure_kpa, after.supply_pressure_kpa):
        return EMPTY, EMPTY
    return (
        np.minimum(before.supply_pressure_kpa, before.punch_pressure_kpa),
        np.minimum(after.supply_pressure_kpa, after.punch_pressure_kpa),
    )


def _velocity_per_root(window: Window, pressure_kpa: Floats) -> Floats:
    if not _known(pressure_kpa, window.punch_velocity_m_s):
        return EMPTY
    return window.punch_velocity_m_s / np.sqrt(_positive(pressure_kpa))


def _stiffness_n_mm(window: Window) -> Floats:
    if not _known(window.slope_n_s, window.tension_speed_mm_s):
        return EMPTY
    return window.slope_n_s / _positive(window.tension_speed_mm_s)


def _slip_mm(window: Window) -> Floats:
    """How far the buckle slips in the lock, up to a constant: seating loss over stiffness."""
    stiffness = _stiffness_n_mm(window)
    if not _known(window.seating_loss_n, stiffness):
        return EMPTY
    return window.seating_loss_n / _positive(stiffness)


def _slip_s(window: Window) -> Floats:
    """The same where the tension speed is not known."""
    if not _known(window.seating_loss_n, window.slope_n_s):
        return EMPTY
    return window.seating_loss_n / _positive(window.slope_n_s)


def _take_up_mm(window: Window) -> Floats:
    if not _known(window.take_up_ms, window.tension_speed_mm_s):
        return EMPTY
    return window.take_up_ms / 1000 * window.tension_speed_mm_s


def _positive(values: Floats) -> Floats:
    return np.where(values > 0, values, np.nan)


def _percent(change: float) -> str:
    """Of a logarithm of a ratio."""
    return f"{100 * expm1(min(change, 700.0)):+.1f}"


def _check_lengths(window: Window) -> None:
    named = {name: len(getattr(window, name)) for name in Window.__dataclass_fields__}
    lengths = {length for length in named.values() if length}
    if len(lengths) > 1:
        told = ", ".join(f"{name} {length}" for name, length in named.items() if length)
        raise ValueError(f"the arrays of a window must have one value a cycle each; they have {told}")
