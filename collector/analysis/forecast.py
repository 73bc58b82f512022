"""When a tool will have made so many more cycles: from its use by weekday and shift, with an interval.

The use of a day is a level times the plan's pattern. The level and its noise come from the days worked so
far (`collector.analysis.level`), stops that no plan knew of from those seen so far; many ways that the days
ahead may go are then drawn through the plan, and the dates at which they come to the count are the forecast.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from math import isfinite, nan

import numpy as np
import scipy
from numpy.typing import NDArray

from collector.analysis import level
from collector.analysis.trend import Crossing

Floats = NDArray[np.float64]
Days = NDArray[np.datetime64]
Instants = NDArray[np.datetime64]

FEWEST_DAYS = 10
"""Days worked; fewer say too little of a week, and of how much days differ."""
WANDERS = {0.0: 0.9, 0.003: 0.05, 0.01: 0.05}
"""How much the level of use may wander from day to day (see `level.draw`), and how likely each is
beforehand; set as that of `collector.analysis.trend`.
"""
STOP_PRIOR = 0.5
"""Stops and days without one, as if seen beforehand (Jeffreys' prior)."""
DRAWS = 4000
EPOCH_DAY_OF_WEEK = 3
"""1970-01-01 was a Thursday; Monday is 0."""


@dataclass(frozen=True, slots=True, eq=False)
class Shifts:
    """Shifts that were or will be worked, in order of time, one row each; planned closures are not in it."""

    plant_day: Days
    """(n,) datetime64[D]."""
    shift: NDArray[np.str_]
    """(n,) its name."""
    begins_at: Instants
    """(n,) datetime64, UTC."""
    ends_at: Instants
    """(n,) datetime64, UTC."""

    def __post_init__(self) -> None:
        columns = (self.plant_day, self.shift, self.begins_at, self.ends_at)
        if any(column.shape != (len(self),) for column in columns):
            raise ValueError("plant days, shift names, begins and ends must be of one length")
        if any(np.isnat(column).any() for column in (self.plant_day, self.begins_at, self.ends_at)):
            raise ValueError("every shift needs a plant day, a begin and an end")
        if not ((self.ends_at > self.begins_at).all() and (self.begins_at[1:] >= self.ends_at[:-1]).all()):
            raise ValueError(
                "shifts must be in order of time, each ending after it begins, none over another"
            )

    def __len__(self) -> int:
        return self.plant_day.size

    @property
    def weekday(self) -> NDArray[np.int64]:
        """(n,) of the plant day; Monday is 0."""
        return (self.plant_day.astype("datetime64[D]").astype(np.int64) + EPOCH_DAY_OF_WEEK) % 7

    @property
    def hours(self) -> Floats:
        return _seconds(self.ends_at - self.begins_at) / 3600


# ---- use by weekday and shift --------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Use:
    """What one shift of one weekday makes."""

    weekday: int
    """Monday is 0."""
    shift: str
    shifts: int
    """How many were counted."""
    idle_shifts: int
    """Those of them in which no cycle was made."""
    cycles_per_shift: float
    low_cycles_per_shift: float | None
    """Interval of the mean (Student); None where fewer than two shifts were counted."""
    high_cycles_per_shift: float | None
    cycles_per_hour: float
    confidence: float


def use_by_weekday_and_shift(history: Shifts, cycles: Floats, confidence: float = 0.9) -> tuple[Use, ...]:
    """Use of a tool in each shift of each weekday, Monday's first shift first.

    Args:
        cycles: (n,) made in each shift of `history`; NaN where nobody counted.

    Raises: ValueError: lengths differ, a count below 0, `confidence` not between 0 and 1.
    """
    _check(confidence)
    made = _made(history, cycles)
    counted = np.isfinite(made)
    hours, weekday, first_hour = history.hours, history.weekday, history.begins_at.astype("datetime64[s]")
    uses = []
    for day in range(7):
        names = [str(name) for name in np.unique(history.shift[counted & (weekday == day)])]
        of = {name: counted & (weekday == day) & (history.shift == name) for name in names}
        for name in sorted(names, key=lambda name: _time_of_plant_day(history, first_hour, of[name])):
            uses.append(_use(day, name, made[of[name]], hours[of[name]], confidence))
    return tuple(uses)


def _time_of_plant_day(history: Shifts, begins_at: Instants, rows: NDArray[np.bool_]) -> float:
    return float(np.median(_seconds(begins_at[rows] - history.plant_day[rows].astype("datetime64[s]"))))


def _use(weekday: int, shift: str, made: Floats, hours: Floats, confidence: float) -> Use:
    mean = float(made.mean())
    low = high = None
    if made.size > 1:
        error = float(made.std(ddof=1)) / np.sqrt(made.size)
        width = float(scipy.stats.t.isf((1 - confidence) / 2, made.size - 1) * error)
        low, high = max(0.0, mean - width), mean + width
    return Use(
        weekday=weekday,
        shift=shift,
        shifts=made.size,
        idle_shifts=int((made == 0).sum()),
        cycles_per_shift=mean,
        low_cycles_per_shift=low,
        high_cycles_per_shift=high,
        cycles_per_hour=float(made.sum() / hours.sum()),
        confidence=confidence,
    )


# ---- dates ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Forecast:
    """When a count is reached. Either all three instants are there, or `refused` says why none is."""

    at: datetime | None
    """Median: as likely before as after. UTC."""
    low_at: datetime | None
    high_at: datetime | None
    confidence: float
    remaining_cycles: float | None
    """Negative where overdue; of a trend its median."""
    refused: str | None = None


def service_date(
    history: Shifts,
    cycles: Floats,
    plan: Shifts,
    now: datetime,
    *,
    service_cycle_count: int,
    service_cycle_span: int,
    confidence: float = 0.9,
) -> Forecast:
    """When the next service is due by its count.

    Args:
        history: shifts that are over; at least 10 days worked.
        cycles: (n,) made in each of them by this tool; NaN where nobody counted.
        plan: shifts from `now` on, without planned closures; the one running may have begun before.
        service_cycle_count: cycles since the last service.
        service_cycle_span: cycles from service to service.

    Raises: ValueError: lengths differ, a count below 0, `now` without a zone, `confidence` not in (0, 1).
    """
    _check(confidence)
    remaining = float(service_cycle_span - service_cycle_count)
    if remaining <= 0:
        return _no_date(confidence, remaining, "the service is due already")
    return _date(history, cycles, plan, now, np.full(DRAWS, remaining), confidence)


def limit_date(
    history: Shifts,
    cycles: Floats,
    plan: Shifts,
    now: datetime,
    *,
    crossing: Crossing,
    count_now: float,
) -> Forecast:
    """When a trend comes to its limit: the uncertainty of the count at which, and of the use until then.

    Args:
        crossing: from `collector.analysis.trend`.
        count_now: the tool's count at `now`, on the same scale.

    Others and errors: `service_date`.
    """
    remaining = np.clip(crossing.draws - count_now, 0.0, None)
    if np.median(remaining) == 0:
        return _no_date(crossing.confidence, 0.0, "the limit is reached already")
    return _date(history, cycles, plan, now, remaining, crossing.confidence)


def _date(
    history: Shifts, cycles: Floats, plan: Shifts, now: datetime, remaining: Floats, confidence: float
) -> Forecast:
    if now.tzinfo is None:
        raise ValueError("now needs a zone: give it in UTC")
    made = _made(history, cycles)
    left = float(np.median(remaining))
    days = _days_worked(history, made)
    if days.level.size < FEWEST_DAYS:
        worked = f"{days.level.size} days with cycles are known"
        return _no_date(confidence, left, f"{worked}; a forecast needs at least {FEWEST_DAYS}")
    instant = np.datetime64(now.astimezone(UTC).replace(tzinfo=None), "us")
    ahead = _still_ahead(plan, instant)
    rng = np.random.default_rng(0)  # the same answer to the same question
    rows, share = _paths(days, ahead, instant, rng, rng.permutation(remaining), confidence)
    low, middle, high = _instants(ahead, instant, rows, share, confidence)
    if high is None:
        return _no_date(confidence, left, "it may be reached only after the end of the plan ahead")
    return Forecast(middle, low, high, confidence, left)


@dataclass(frozen=True, slots=True, eq=False)
class _Days:
    """What the days so far say of those ahead."""

    level: Floats
    """(d,) cycles made over cycles that are usual for the day's shifts, of the days worked."""
    per_hour: Callable[[Shifts], Floats]
    """Usual cycles per hour of each shift."""
    stops: tuple[int, int]
    """Days worked, and how many of them were followed by a stop."""
    stopped: tuple[int, int]
    """Days stopped, and how many of them were followed by another."""


def _days_worked(history: Shifts, made: Floats) -> _Days:
    """A planned day without any cycle is a stop; usual use is that of the other days."""
    counted = np.isfinite(made)
    days, day = np.unique(history.plant_day[counted], return_inverse=True)
    totals = np.bincount(day, made[counted], minlength=days.size)
    idle = totals == 0
    worked = np.zeros(len(history), dtype=np.bool_)
    worked[counted] = ~idle[day]
    per_hour = _usual(history, made, worked)
    usual = np.bincount(day, (per_hour(history) * history.hours)[counted], minlength=days.size)
    before, after = idle[:-1], idle[1:]
    return _Days(
        level=totals[~idle] / usual[~idle],
        per_hour=per_hour,
        stops=(int((~before).sum()), int((~before & after).sum())),
        stopped=(int(before.sum()), int((before & after).sum())),
    )


def _usual(history: Shifts, made: Floats, worked: NDArray[np.bool_]) -> Callable[[Shifts], Floats]:
    """Cycles per hour by weekday and shift.

    Each mean is drawn, as by one more observation, to the mean of that shift on all weekdays, and that to the
    mean of all: so a shift never seen before still has a use.
    """
    made, hours, names = made[worked], history.hours[worked], history.shift[worked]
    weekday = history.weekday[worked]
    overall = float(made.sum() / hours.sum()) if made.size else nan

    def mean(rows: NDArray[np.bool_], towards: float) -> float:
        if not rows.any():
            return towards
        typical = float(hours[rows].mean())
        return float((made[rows].sum() + towards * typical) / (hours[rows].sum() + typical))

    def per_hour(shifts: Shifts) -> Floats:
        by_shift = {name: mean(names == name, overall) for name in np.unique(shifts.shift)}
        kinds = list(zip(shifts.weekday.tolist(), shifts.shift.tolist(), strict=True))
        usual = {
            (day, name): mean((weekday == day) & (names == name), by_shift[name]) for day, name in set(kinds)
        }
        return np.array([usual[kind] for kind in kinds], dtype=np.float64)

    return per_hour


def _still_ahead(plan: Shifts, now: np.datetime64) -> Shifts:
    rows = plan.ends_at > now
    return Shifts(plan.plant_day[rows], plan.shift[rows], plan.begins_at[rows], plan.ends_at[rows])


def _paths(
    days: _Days,
    ahead: Shifts,
    now: np.datetime64,
    rng: np.random.Generator,
    remaining: Floats,
    confidence: float,
) -> tuple[NDArray[np.int64], Floats]:
    """(m,) in which shift ahead each path comes to its count, and after what share of it. n: in none, or
    later than the interval of this confidence goes."""
    worked = days.level.size
    many = remaining.size
    state = level.draw(
        days.level, np.ones((worked, 1)), np.arange(worked, dtype=np.float64), WANDERS, rng, many
    )
    usual = days.per_hour(ahead) * _seconds(ahead.ends_at - _from(now, ahead)) / 3600
    stop, stay = (
        rng.beta(followed + STOP_PRIOR, seen - followed + STOP_PRIOR, many)
        for seen, followed in (days.stops, days.stopped)
    )
    walk, noise, idle = state.wandered, state.noise, np.zeros(many, dtype=np.bool_)
    fresh_sd = state.noise_sd * np.sqrt(1 - state.autocorrelation**2)
    rows, share = np.full(many, len(ahead)), np.zeros(many)
    left = remaining.copy()
    day = np.cumsum(np.diff(ahead.plant_day, prepend=ahead.plant_day[:1]) != np.timedelta64(0, "D"))
    for each in range(int(day[-1]) + 1 if day.size else 0):
        idle = rng.random(many) < np.where(idle, stay, stop)
        walk = walk + state.wander_sd * rng.normal(size=many)
        noise = state.autocorrelation * noise + fresh_sd * rng.normal(size=many)
        factor = np.where(idle, 0.0, np.clip(state.coefficients[:, 0] + walk + noise, 0.0, None))
        for row in np.flatnonzero(day == each):
            made = factor * usual[row]
            arrives = (rows == len(ahead)) & (made > 0) & (left <= made)
            rows[arrives] = row
            share[arrives] = left[arrives] / made[arrives]
            left = left - made
        if (rows < len(ahead)).sum() > many * (1 + confidence) / 2 + 1:
            break
    return rows, share


def _from(now: np.datetime64, ahead: Shifts) -> Instants:
    """(n,) where each shift begins, or goes on from now."""
    return np.where(ahead.begins_at > now, ahead.begins_at, now)


def _instants(
    ahead: Shifts, now: np.datetime64, rows: NDArray[np.int64], share: Floats, confidence: float
) -> tuple[datetime | None, ...]:
    reached = rows < len(ahead)
    begins = _from(now, ahead)
    seconds = np.full(rows.size, np.inf)
    lasts = _seconds(ahead.ends_at - begins)
    seconds[reached] = (_seconds(begins - now)[rows[reached]]) + share[reached] * lasts[rows[reached]]
    tail = (1 - confidence) / 2
    quantiles = np.quantile(seconds, [tail, 0.5, 1 - tail], method="nearest")
    return tuple(
        (now + np.timedelta64(round(each * 1e6), "us")).astype(datetime).replace(tzinfo=UTC)
        if isfinite(each)
        else None
        for each in quantiles
    )


def _made(history: Shifts, cycles: Floats) -> Floats:
    made = np.asarray(cycles, dtype=np.float64)
    if made.shape != (len(history),):
        raise ValueError(f"{len(history)} shifts and {made.size} counts: give one count for each shift")
    if (made < 0).any() or np.isinf(made).any():
        raise ValueError("a count of cycles is 0 or more")
    return made


def _no_date(confidence: float, remaining: float, why: str) -> Forecast:
    return Forecast(None, None, None, confidence, remaining, why)


def _check(confidence: float) -> None:
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence of {confidence} is none: give a number between 0 and 1, as 0.9")


def _seconds(spans: NDArray[np.timedelta64]) -> Floats:
    return np.asarray(spans / np.timedelta64(1, "s"), dtype=np.float64)
