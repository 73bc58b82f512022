"""What one curve says: peak, take-up, rise, lock, seating loss.

    tension                    peak
      |                       .-._________
      |                    .-'   settle   |
      |                  .' 80 %    lock -+  \\__________
      |                 /                  seating loss  |
      |               .'  slope at half the rise         |
      |            .-'  20 %                             | cut
      |__________-'                                      |____
      0       take-up                                  duration

Every level is a share of the *rise*: from the drag of the band that is being reeled in up to the peak. All
of it is linear in the samples: a torque curve times N per N·m (see `tension.py`) gives the features of the
tension curve.
"""

from dataclasses import dataclass, replace
from math import inf, isfinite, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from collector.model import Curve

Floats = NDArray[np.float64]
Quantity = Literal["tension_n", "torque_nm"]

LEAST_SAMPLES = 8
LEAST_KNOWN = 0.9
"""Share of the samples that must be numbers; the others are filled in between their neighbours."""
LARGEST = 1e12
"""What is larger is no number that a sensor gave."""
SMOOTH_MS = 5.0
"""Width of the moving mean in which the peak and the crossings are looked for."""
LEVEL_MS = 10.0
"""The tension before and after the lock is compared in means of this length, this far apart."""
SPIKE_NOISES = 6.0
SPIKE_SHARE = 0.02
"""A single sample that stands out by more than both (noise, share of the range) is taken for a spike."""
RISE_NOISES = 8.0
ROUNDING = 1e-6
"""Less than so many noises, or than this share of the largest sample, is no rise."""
PEAK_NOISES = 4.0
"""So near to the peak, in noises of the mean, is as high as the peak."""
STEP_NOISES = 5.0
STEP_SHARE = 0.002
"""The step of the seating loss must be more than both (noise of a level, share of the rise)."""
CLIPPED_RUN = 5
CLIPPED_SHARE = 0.02
NOISE_OF_MEDIAN_STEP = 1.4826 / sqrt(2)
"""Standard deviation of normal noise = this × the median step from sample to sample."""


@dataclass(frozen=True, slots=True)
class Features:
    """Features of one curve; peak, lock and so on in the unit of `quantity` (N or N·m). `None` is explained
    in `notes`.
    """

    quantity: Quantity
    samples: int
    duration_ms: float | None = None
    """From the first sample until the tension is gone; to the last sample where it never goes."""
    peak: float | None = None
    """Of the moving mean, so without the noise on top; a lower bound where `clipped`."""
    peak_ms: float | None = None
    take_up_ms: float | None = None
    """Until the rise begins: where the line through its first tenth meets the drag."""
    take_up_travel_mm: float | None = None
    half_rise_ms: float | None = None
    """When half the rise is passed; the sharpest instant of a curve, for laying curves over each other."""
    slope_per_s: float | None = None
    """Of the rise, at half of it; N/s or N·m/s."""
    slope_standard_error_per_s: float | None = None
    """From the noise of this one curve."""
    rise_area_s: float | None = None
    """Area under the rise, from its begin to 95 % of it (then the wheel stops); N·s or N·m·s."""
    work_j: float | None = None
    """Done on band and joint during the rise: area × tension speed. Of a tension curve with known speed
    only.
    """
    lock: float | None = None
    """Just before the step of the seating loss."""
    settle: float | None = None
    """Peak − lock: what joint and band give way under steady pull."""
    seating_loss: float | None = None
    noise: float | None = None
    """Standard deviation from sample to sample."""
    clipped: bool = False
    """The sensor's or converter's range ended below the peak."""
    truncated: bool = False
    """The curve ends before the tension is gone."""
    notes: tuple[str, ...] = ()


def features(curve: Curve, tension_speed_mm_s: float | None = None) -> Features:
    """Features of a curve as it comes from a controller; see `features_of`.

    Raises: ValueError: the samples are no whole number of `sample_type`, or an argument is out of its range.
    """
    raw = np.frombuffer(curve.samples, dtype=np.dtype(curve.sample_type).newbyteorder("<"))
    ceiling = None
    if raw.dtype.kind != "f":
        bounds = np.iinfo(raw.dtype)
        ceiling = (bounds.max if curve.scale > 0 else bounds.min) * curve.scale + curve.offset
    with np.errstate(over="ignore", invalid="ignore"):
        values = raw * curve.scale + curve.offset
    return features_of(
        values,
        curve.sample_interval_us,
        curve.quantity,
        tension_speed_mm_s=tension_speed_mm_s,
        ceiling=ceiling,
    )


def features_of(
    values: NDArray[np.floating],
    sample_interval_us: float,
    quantity: Quantity = "tension_n",
    *,
    tension_speed_mm_s: float | None = None,
    ceiling: float | None = None,
) -> Features:
    """Features of (n,) samples in N or N·m, one every `sample_interval_us`.

    `tension_speed_mm_s`: the speed of the wheel, for travel and work. `ceiling`: the highest value that the
    converter can give. Single spikes and up to a tenth of NaN are bridged; empty, short, flat and half curves
    give what they have, and say in `notes` why the rest is missing.

    Source: the slope is that of a cubic fitted by least squares to the samples from 20 % to 80 % of the rise
    (orthogonal polynomials, R. A. Fisher), taken where it passes 50 %, with its standard error by the delta
    method; area by the trapezoidal rule; peak by a parabola through the three highest samples of the mean.

    Raises: ValueError: not a row of samples, or an interval or speed that is not positive.
    """
    samples = np.asarray(values, dtype=np.float64)
    if samples.ndim != 1:
        raise ValueError(f"a curve is one row of samples, not an array of shape {samples.shape}")
    _check_positive("sample_interval_us", sample_interval_us)
    if tension_speed_mm_s is not None:
        _check_positive("tension_speed_mm_s", tension_speed_mm_s)
    nothing = Features(quantity, samples.size)
    if samples.size < LEAST_SAMPLES:
        return replace(nothing, notes=(f"{samples.size} samples are too few for a curve",))
    known = np.abs(samples) < LARGEST
    if not known.all():
        if known.mean() < LEAST_KNOWN:
            return replace(nothing, notes=(f"{(~known).sum()} of {samples.size} samples are no numbers",))
        at = np.arange(samples.size)
        samples = np.interp(at, at[known], samples[known])
    return _Reading(samples, sample_interval_us / 1000, quantity, tension_speed_mm_s, ceiling).features()


def sub_sample_peak(before: float, top: float, after: float) -> tuple[float, float]:
    """Vertex of the parabola through three samples: (samples from the middle one, height)."""
    bend = before - 2 * top + after
    if bend >= 0:
        return 0.0, top
    offset = 0.5 * (before - after) / bend
    return offset, top - 0.25 * (before - after) * offset


class _Reading:
    """One curve while it is read; `y` are its samples without spikes, `z` their moving mean."""

    def __init__(
        self,
        samples: Floats,
        interval_ms: float,
        quantity: Quantity,
        speed_mm_s: float | None,
        ceiling: float | None,
    ) -> None:
        self.interval_ms = interval_ms
        self.quantity: Quantity = quantity
        self.speed_mm_s = speed_mm_s
        self.count = samples.size
        self.notes: list[str] = []
        steps = np.abs(samples[1:] - samples[:-1])
        self.noise = _middle(steps) * NOISE_OF_MEDIAN_STEP
        highest, lowest = float(samples.max()), float(samples.min())
        self.largest = max(abs(highest), abs(lowest))
        self.clipped = _clipped(samples, highest, self.noise, ceiling)
        self.y = _without_spikes(samples, max(SPIKE_NOISES * self.noise, SPIKE_SHARE * (highest - lowest)))
        self.sums = np.empty(self.count + 1)
        self.sums[0] = 0.0
        np.cumsum(self.y, out=self.sums[1:])
        half = int(SMOOTH_MS / interval_ms) // 2
        self.half = min(half, self.count // 10)
        self.z = self._smoothed()
        self.top = int(self.z.argmax())
        self.highest = float(self.z[self.top])
        self.base = _middle(self.z[: max(3, self.count // 20)])

    def _smoothed(self) -> Floats:
        width = 2 * self.half + 1
        smooth = self.y.copy()
        smooth[self.half : self.count - self.half] = self._means(width)
        return smooth

    def _means(self, width: int) -> Floats:
        """Means of `width` samples, beginning with each that has so many after it."""
        means: Floats = (self.sums[width:] - self.sums[:-width]) / width
        return means

    def _mean(self, first: int, end: int) -> float:
        return float(self.sums[end] - self.sums[first]) / (end - first)

    # ---- all together ----------------------------------------------------------------------------

    def features(self) -> Features:
        peak_at, peak = float(self.top), self.highest
        if 0 < self.top < self.count - 1 and not self.clipped:
            offset, peak = sub_sample_peak(*self.z[self.top - 1 : self.top + 2].tolist())
            peak_at += offset
        if self.highest - self.base <= max(RISE_NOISES * self.noise, ROUNDING * self.largest):
            return Features(
                self.quantity,
                self.count,
                duration_ms=(self.count - 1) * self.interval_ms,
                peak=peak,
                peak_ms=peak_at * self.interval_ms,
                noise=self.noise,
                clipped=self.clipped,
                notes=("nothing rises above the noise",),
            )
        self._look_at_the_slack()
        rise = self.highest - self.base
        onset, half_at, slope, slope_error = self._rise(rise)
        lock, seated, ended = self._lock(rise)
        area_s = self._area_s(onset, rise)
        per_sample_s = self.interval_ms / 1000
        return Features(
            self.quantity,
            self.count,
            duration_ms=(self.count - 1 if ended is None else ended) * self.interval_ms,
            peak=peak,
            peak_ms=peak_at * self.interval_ms,
            take_up_ms=None if onset is None else onset * self.interval_ms,
            take_up_travel_mm=self._travel_mm(onset),
            half_rise_ms=None if half_at is None else half_at * self.interval_ms,
            slope_per_s=None if slope is None else slope / per_sample_s,
            slope_standard_error_per_s=None if slope_error is None else slope_error / per_sample_s,
            rise_area_s=area_s,
            work_j=self._work_j(area_s),
            lock=lock,
            settle=None if lock is None else peak - lock,
            seating_loss=None if lock is None or seated is None else lock - seated,
            noise=self.noise,
            clipped=self.clipped,
            truncated=ended is None,
            notes=tuple(self.notes),
        )

    def _travel_mm(self, onset: float | None) -> float | None:
        if onset is None or self.speed_mm_s is None:
            return None
        return onset * self.interval_ms / 1000 * self.speed_mm_s

    def _area_s(self, onset: float | None, rise: float) -> float | None:
        last = self._last_below(self.base + 0.95 * rise, self.top)
        if onset is None or last is None:
            return None
        first, end = round(onset), last + 1
        ends = float(self.y[first] + self.y[end]) / 2
        return (float(self.sums[end + 1] - self.sums[first]) - ends) * self.interval_ms / 1000

    def _work_j(self, area_s: float | None) -> float | None:
        if area_s is None or self.speed_mm_s is None or self.quantity != "tension_n":
            return None
        return area_s * self.speed_mm_s / 1000

    # ---- the rise --------------------------------------------------------------------------------

    def _last_below(self, level: float, before: int) -> int | None:
        """Index of the last sample of the mean under `level`, ahead of `before`; None where there is none."""
        under = self.z[:before][::-1] < level
        back = int(under.argmax()) if before else 0
        return before - 1 - back if before and under[back] else None

    def _crossing(self, level: float, before: int) -> float | None:
        """The last time that the mean comes up through `level`, in samples."""
        index = self._last_below(level, before)
        if index is None:
            return None
        low, high = float(self.z[index]), float(self.z[index + 1])
        return index + (level - low) / (high - low)

    def _look_at_the_slack(self) -> None:
        """The drag, from all samples ahead of the rise instead of the first few."""
        level = self.base + 0.1 * (self.highest - self.base)
        tenth = self._last_below(level, self.top)
        if tenth is None or tenth < LEAST_SAMPLES:
            return
        drag = _middle(self.z[: tenth + 1])
        if drag < level:
            self.base = drag

    def _rise(self, rise: float) -> tuple[float | None, float | None, float | None, float | None]:
        """Begin, half (in samples), slope at half and its standard error (a sample)."""
        onset = self._onset(rise)
        if onset is None or onset <= self.count // 20:
            self.notes.append("the curve begins in the rise or just ahead of it: its drag is not certain")
        upper = self._crossing(self.base + 0.8 * rise, self.top)
        half = None if upper is None else self._crossing(self.base + 0.5 * rise, int(upper) + 1)
        lower = None if half is None else self._crossing(self.base + 0.2 * rise, int(half) + 1)
        if upper is None or lower is None:
            return onset, half, None, None
        return onset, half, *self._slope(int(lower) + 1, int(upper) + 1, self.base + 0.5 * rise)

    def _onset(self, rise: float) -> float | None:
        """Where the line through the first tenth of the rise meets the drag."""
        end = self._last_below(self.base + 0.1 * rise, self.top)
        if end is None:
            return None
        low = self.base + max(0.02 * rise, min(3 * self.noise, 0.05 * rise))
        below = self._last_below(low, end + 1)
        first = 0 if below is None else below + 1
        count = end + 2 - first
        if count < 3:
            return self._crossing(low, end + 2)
        part = self.y[first : end + 2]
        at = np.arange(count) - (count - 1) / 2
        slope = float(at @ part) / (count * (count * count - 1) / 12)
        if slope <= 0:
            return float(first)
        middle = first + (count - 1) / 2
        meets = middle - (self._mean(first, end + 2) - self.base) / slope
        return float(min(max(meets, 0.0), first))

    def _slope(self, first: int, end: int, level: float) -> tuple[float | None, float | None]:
        """Slope of the polynomial through samples `first` to `end` where it passes `level`, a sample."""
        if end - first < 3:
            self.notes.append(f"{end - first} samples in the rise are too few for a slope")
            return None, None
        return slope_at(self.y[first:end], level)

    # ---- after the peak --------------------------------------------------------------------------

    def _lock(self, rise: float) -> tuple[float | None, float | None, int | None]:
        """Tension before the step of the seating loss and after it; when the tension is gone (samples)."""
        half = self._first_below(self.base + 0.5 * rise, self.top)
        ended = None if half is None else self._first_below(self.base + 0.05 * rise, half)
        if ended is None:
            self.notes.append("the curve ends before the tension is gone")
        step = self._step(self._cut(half, rise), rise)
        if step is None:
            self.notes.append("no step of a seating loss between peak and cut")
            return None, None, ended
        return *step, ended

    def _first_below(self, level: float, first: int) -> int | None:
        under = self.z[first:] < level
        index = int(under.argmax())
        return first + index if under[index] else None

    def _cut(self, half: int | None, rise: float) -> int:
        """A sample ahead of where the tension begins to fall to nothing.

        From there to half it takes no longer than twice from half to a quarter, be the fall a ramp or a
        decay.
        """
        if half is None:
            return self.count
        quarter = self._first_below(self.base + 0.25 * rise, half)
        return half - 2 * ((self.count if quarter is None else quarter) - half) - self.half - 1

    def _step(self, end: int, rise: float) -> tuple[float, float] | None:
        """The levels before and after the sharpest lasting drop between the peak and `end`. The peak counts
        from where the mean first comes near it: on a level stretch the noise alone decides where the
        highest is.

        A drop counts less by as much as it goes on with a drift that was there ahead of it: the overshoot's
        decay is no step.
        """
        width = max(2, round(LEVEL_MS / self.interval_ms))
        near = self.highest - PEAK_NOISES * self.noise / sqrt(2 * self.half + 1)
        reached = int((self.z[: self.top + 1] >= near).argmax())
        first, last = reached + 2 * width, end - 2 * width
        if last < first:
            return None
        means = self._means(width)
        earlier = means[first - 2 * width : last - 2 * width + 1]
        ahead = means[first - width : last - width + 1]
        after = means[first + width : last + width + 1]
        # From `earlier` to `ahead` it is half as far as from `ahead` to `after`.
        score = ahead - after - 2 * np.maximum(earlier - ahead, 0.0)
        best = int(score.argmax())
        if score[best] <= max(STEP_NOISES * self.noise * sqrt(2 / width), STEP_SHARE * rise):
            return None
        at = first + best
        before = self._mean(max(reached, at - 2 * width), at)
        return before, self._mean(max(at + width, end - 2 * width), end)


def slope_at(part: Floats, level: float) -> tuple[float, float]:
    """Slope of a least-squares polynomial through (n,) equidistant samples where it passes `level`, n ≥ 3.

    A cubic; a line where n < 8. Returns slope and standard error, a sample; the error is infinite where the
    polynomial is level there. Orthogonal polynomials on u = −(n−1)/2 … (n−1)/2: u, u² − (n²−1)/12, u³ −
    u(3n²−7)/20, with sums of squares n(n²−1)/12, ×(n²−4)/15, ×9(n²−9)/140 (R. A. Fisher; Fisher & Yates,
    table of orthogonal polynomials).
    """
    n = part.size
    square = float(n * n)
    c2, c3 = (square - 1) / 12, (3 * square - 7) / 20
    norm1 = n * (square - 1) / 12
    norm2 = norm1 * (square - 4) / 15
    norm3 = norm2 * 9 * (square - 9) / 140
    u = np.arange(n) - (n - 1) / 2
    mean = float(part.sum()) / n
    off = part - mean
    b1 = float(u @ off) / norm1
    b2 = b3 = 0.0
    left = float(off @ off) - b1 * b1 * norm1
    if n >= 8:
        u2 = u * u
        # Sums of u² and u³ over centred samples; the constant of the second polynomial drops out.
        b2 = float(u2 @ off) / norm2
        b3 = (float((u2 * u) @ off) - c3 * b1 * norm1) / norm3
        left -= b2 * b2 * norm2 + b3 * b3 * norm3
    at = _where(level - mean, b1, b2, b3, c2, c3, (n - 1) / 2)
    first, second = b1 + 2 * at * b2 + (3 * at * at - c3) * b3, 2 * b2 + 6 * at * b3
    if first == 0:
        return first, inf
    bend = second / first
    gains = [-bend, 1 - bend * at]
    norms = [float(n), norm1]
    if n >= 8:
        gains += [2 * at - bend * (at * at - c2), 3 * at * at - c3 - bend * (at * at * at - c3 * at)]
        norms += [norm2, norm3]
    variance = max(left, 0.0) / (n - len(norms))
    return first, sqrt(variance * sum(gain * gain / norm for gain, norm in zip(gains, norms, strict=True)))


def _where(height: float, b1: float, b2: float, b3: float, c2: float, c3: float, most: float) -> float:
    """The u at which the polynomial has `height` over its mean, by Newton's method, within ±most."""
    u = 0.0
    for _ in range(4):
        value = b1 * u + b2 * (u * u - c2) + b3 * (u * u * u - c3 * u)
        slope = b1 + 2 * u * b2 + (3 * u * u - c3) * b3
        if slope == 0:
            break
        u = min(max(u + (height - value) / slope, -most), most)
    return u


def _middle(values: Floats) -> float:
    """The upper median: the sample in the middle."""
    index = values.size // 2
    return float(np.partition(values, index)[index])


def _without_spikes(samples: Floats, least: float) -> Floats:
    """Single samples that stand out of both neighbours by more than `least` become their median of three."""
    left, here, right = samples[:-2], samples[1:-1], samples[2:]
    low, high = np.minimum(left, right), np.maximum(left, right)
    spikes = (here - high > least) | (low - here > least)
    if not spikes.any():
        return samples
    smooth = samples.copy()
    smooth[1:-1][spikes] = np.clip(here, low, high)[spikes]
    return smooth


def _clipped(samples: Floats, highest: float, noise: float, ceiling: float | None) -> bool:
    """Does it end at a ceiling? Seen in a run of equal highest samples, where there is noise at all."""
    if ceiling is not None and highest >= ceiling:
        return True
    if noise == 0:
        return False
    at_top = np.flatnonzero(samples == highest)
    run = max(CLIPPED_RUN, int(CLIPPED_SHARE * samples.size))
    return bool(at_top.size >= run and (at_top[run - 1 :] - at_top[: at_top.size - run + 1] == run - 1).any())


def _check_positive(name: str, value: float) -> None:
    if not (isfinite(value) and value > 0):
        raise ValueError(f"{name} must be a positive number, not {value}")
