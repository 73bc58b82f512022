"""How often the true date lies in the stated 90 % interval, over simulated plants and wearing tools.

    python -m tests.benchmarks.forecast --runs 500

Each run is a plant of its own: three shifts, weekends, closures that the plan knows and stops that it does
not, demand that swings from day to day and week to week and drifts. A tool wears in it, cycle by cycle, as
`simulators.tool` has it; the punch velocity is measured through the sensors' noise, days on which all
punches run a little slow or fast, and a compressor that sags. The truth is the undisturbed tool's.
"""

import argparse
import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from collector.analysis.forecast import Forecast, Shifts, limit_date, service_date
from collector.analysis.trend import TrendToLimit, at_reference_pressure, velocity_to_limit
from simulators.tool import BANDS, Sampling, Settings, Tool, attempt, draw_joint

Floats = NDArray[np.float64]
CONFIDENCE = 0.9
LEAST, MOST = 0.85, 0.95
"""What the coverage has to lie between."""
FIRST_SEED = 1000
"""Seeds from 5000 on served to set `WANDERS` in `trend` and `forecast`, so they don't count."""
DAYS_AHEAD = 400
SHIFTS = {"early": 6, "late": 14, "night": 22}
"""Name -> hour at which it begins; 8 hours each."""
SENSORS = Sampling(interval_us=5000, most=400, step_n=0.5)
MEASURED_A_DAY = 25
"""Cycles of each day that the benchmark measures, to bound its cost."""
RESERVE = 1.12
"""The limit: energy of the punch over what the lock takes on average."""

Wear = Literal["steady", "wandering", "none"]


# ---- a plant -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Plant:
    """A plant's days from the first on, as they really went."""

    shifts: Shifts
    """What the plan had, all days."""
    cycles: Floats
    """(n,) made in each."""

    def until(self, day: np.datetime64) -> int:
        """How many shifts lie before this plant day."""
        return int(np.searchsorted(self.shifts.plant_day, day))

    def instant_of(self, cycle: float) -> np.datetime64:
        """When the tool had made so many cycles since the first day; they are even within a shift."""
        upto = np.cumsum(self.cycles)
        row = int(np.searchsorted(upto, cycle))
        share = 1 - (upto[row] - cycle) / self.cycles[row]
        begins, ends = self.shifts.begins_at[row], self.shifts.ends_at[row]
        return np.datetime64(begins + np.timedelta64(int(share * ((ends - begins).astype(np.int64))), "us"))


def make_plant(rng: np.random.Generator, days: int) -> Plant:
    """Two or three shifts from Monday to Friday, in some plants Saturday's early one."""
    names = list(SHIFTS)[: int(rng.integers(2, 4))]
    saturdays = rng.random() < 0.5
    first = np.datetime64("2026-01-05") + np.timedelta64(int(rng.integers(0, 365)), "D")
    calendar = first + np.arange(days)
    weekday = (calendar.astype(np.int64) + 3) % 7
    closed = np.zeros(days, dtype=np.bool_)
    for _ in range(days // 60):
        begin = int(rng.integers(0, days))
        closed[begin : begin + int(rng.choice([1, 1, 2, 7]))] = True
    factor = day_factors(rng, days)
    pattern = {name: rng.lognormal(0, 0.15) for name in names}
    monday = rng.uniform(0.8, 1.0)
    per_hour = rng.uniform(15, 90)
    rows = [
        (
            calendar[day],
            name,
            per_hour * 8 * pattern[name] * factor[day] * (monday if weekday[day] == 0 else 1),
        )
        for day in np.flatnonzero(~closed & ((weekday < 5) | ((weekday == 5) & saturdays)))
        for name in (names if weekday[day] < 5 else names[:1])
    ]
    mean = (
        np.array([row[2] for row in rows]) * (rng.random(len(rows)) > 0.02) * rng.lognormal(0, 0.1, len(rows))
    )
    shift = np.array([row[1] for row in rows])
    plant_day = np.array([row[0] for row in rows])
    begins = plant_day.astype("datetime64[us]") + np.array(
        [np.timedelta64(SHIFTS[name], "h") for name in shift]
    )
    shifts = Shifts(plant_day, shift, begins, begins + np.timedelta64(8, "h"))
    return Plant(shifts, rng.poisson(mean).astype(np.float64))


def day_factors(rng: np.random.Generator, days: int) -> Floats:
    """(days,) demand: swings of days and weeks, a slow drift, and stops of some days."""
    daily = autocorrelated(rng, days, rng.uniform(0, 0.7), rng.uniform(0.05, 0.2))
    weekly = autocorrelated(rng, days // 7 + 1, 0.5, rng.uniform(0, 0.12))
    drift = np.cumsum(rng.normal(0, rng.uniform(0, 0.008), days))
    factor = np.exp(daily + np.repeat(weekly, 7)[:days] + drift)
    for begin in np.flatnonzero(rng.random(days) < 0.012):
        factor[begin : begin + int(rng.geometric(0.6))] = 0.0
    return factor


def autocorrelated(rng: np.random.Generator, count: int, rho: float, sd: float) -> Floats:
    """(count,) with mean 0: x' = ρ·x + noise, of standard deviation `sd`."""
    fresh = rng.normal(0, sd * np.sqrt(1 - rho**2), count)
    values = np.empty(count)
    last = rng.normal(0, sd)
    for index, each in enumerate(fresh):
        values[index] = last = rho * last + each
    return values


# ---- a tool that wears in it ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Measured:
    """What was seen of the punch until today, and what is true."""

    counts: Floats
    velocity_m_s: Floats
    """As measured."""
    pressure_kpa: Floats
    """As measured: the lower of set and supply pressure."""
    reference_kpa: float
    limit_m_s: float
    true_count: float
    """Where the undisturbed velocity comes to the limit; infinite without wear."""


def measure(rng: np.random.Generator, plant: Plant, today: int, life: float, wear: Wear) -> Measured:
    """Use a tool in a plant for `today` shifts; without disturbance it would last about `life` cycles."""
    name = str(rng.choice(list(BANDS)))
    band, settings = BANDS[name], Settings.recommended(name)
    new = Tool("60001", punch_wear=float(rng.uniform(0, 0.02)))
    full_j = new.punch_energy_j(settings.punch_pressure_kpa)
    limit_wear = new.punch_wear + 1 - RESERVE * band.lock_energy_j / full_j
    per_cycle = 0.0 if wear == "none" else (limit_wear - new.punch_wear) / life
    days, row_day = np.unique(plant.shifts.plant_day, return_inverse=True)
    made = np.bincount(row_day, plant.cycles)
    pace = np.exp(autocorrelated(rng, days.size, 0.5, 0.4)) if wear == "wandering" else np.ones(days.size)
    worn = new.punch_wear + np.concatenate([[0.0], np.cumsum(made * per_cycle * pace)])
    counted = np.concatenate([[0.0], np.cumsum(made)])
    swing = 1 + autocorrelated(rng, days.size, float(rng.uniform(0, 0.8)), float(rng.uniform(0.001, 0.004)))
    supply = 620 + autocorrelated(rng, days.size, 0.6, 15.0)
    supply[rng.random(days.size) < 0.05] -= 130.0
    seen: list[tuple[float, float, float]] = []
    for day in range(int(row_day[today - 1]) + 1):
        for share in rng.random(min(MEASURED_A_DAY, int(made[day]))):
            tool = replace(new, punch_wear=float(worn[day] + share * (worn[day + 1] - worn[day])))
            kpa = supply[day] + rng.normal(0, 4)
            pull = attempt(tool, settings, band, draw_joint(rng), kpa, SENSORS, rng)
            if pull.punch_velocity_m_s is not None:
                driven = min(settings.punch_pressure_kpa, kpa + rng.normal(0, 1.5))
                count = counted[day] + share * made[day]
                seen.append((count, pull.punch_velocity_m_s * swing[day], driven))
    limit = replace(new, punch_wear=limit_wear).punch_velocity_m_s(settings.punch_pressure_kpa)
    true_count = float(np.interp(limit_wear, worn, counted)) if per_cycle else np.inf
    counts, velocity, pressure = np.array(seen).T
    return Measured(counts, velocity, pressure, settings.punch_pressure_kpa, limit, true_count)


# ---- scoring -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Hit:
    """One forecast against the truth; None where no date was given."""

    covered: bool | None
    early: bool = False
    """The truth came before the interval."""
    width: float = 0.0
    """Of the interval, over what was left until the truth."""
    refused: str | None = None


def scored(forecast: Forecast, truth: np.datetime64, now: datetime) -> Hit:
    if forecast.low_at is None or forecast.high_at is None:
        return Hit(None, refused=forecast.refused)
    true_at = truth.astype("datetime64[us]").astype(datetime).replace(tzinfo=UTC)
    width = (forecast.high_at - forecast.low_at) / (true_at - now)
    return Hit(forecast.low_at <= true_at <= forecast.high_at, true_at < forecast.low_at, width)


def scored_count(trend: TrendToLimit, truth: float, now: float) -> Hit:
    crossing = trend.crossing
    if crossing is None:
        return Hit(None, refused=trend.refused)
    width = (crossing.high_count - crossing.low_count) / (truth - now)
    return Hit(crossing.low_count <= truth <= crossing.high_count, truth < crossing.low_count, width)


def run_count(seed: int) -> Hit:
    """Service by count: 4 to 26 weeks seen, 1 to 12 weeks to go."""
    rng = np.random.default_rng([1, seed])
    plant = make_plant(rng, 190 + DAYS_AHEAD)
    today = plant.until(plant.shifts.plant_day[0] + np.timedelta64(int(rng.integers(28, 183)), "D"))
    made = float(plant.cycles[:today].sum())
    left = int(plant.cycles[:today].mean() * len(SHIFTS) * rng.uniform(5, 60))
    now = plant.shifts.begins_at[today]
    forecast = service_date(
        part(plant.shifts, 0, today),
        plant.cycles[:today],
        part(plant.shifts, today, len(plant.shifts)),
        now.astype(datetime).replace(tzinfo=UTC),
        service_cycle_count=1000,
        service_cycle_span=1000 + left,
    )
    return scored(forecast, plant.instant_of(made + left), now.astype(datetime).replace(tzinfo=UTC))


def run_velocity(seed: int, wear: Wear) -> tuple[Hit, Hit]:
    """Trend of the punch velocity: its count, and its date. 30 to 75 % of the tool's life was seen."""
    rng = np.random.default_rng([2, seed])
    plant = make_plant(rng, 190 + DAYS_AHEAD)
    days = int(rng.integers(40, 183))
    today = plant.until(plant.shifts.plant_day[0] + np.timedelta64(days, "D"))
    made = float(plant.cycles[:today].sum())
    seen = measure(rng, plant, today, made / rng.uniform(0.3, 0.75), wear)
    velocity = at_reference_pressure(seen.velocity_m_s, seen.pressure_kpa, seen.reference_kpa)
    trend = velocity_to_limit(seen.counts, velocity, seen.limit_m_s, CONFIDENCE)
    by_count = scored_count(trend, seen.true_count, made)
    if trend.crossing is None or not np.isfinite(seen.true_count):
        return by_count, Hit(None, refused=trend.refused)
    now = plant.shifts.begins_at[today].astype(datetime).replace(tzinfo=UTC)
    forecast = limit_date(
        part(plant.shifts, 0, today),
        plant.cycles[:today],
        part(plant.shifts, today, len(plant.shifts)),
        now,
        crossing=trend.crossing,
        count_now=made,
    )
    return by_count, scored(forecast, plant.instant_of(seen.true_count), now)


def part(shifts: Shifts, first: int, end: int) -> Shifts:
    rows = slice(first, end)
    return Shifts(shifts.plant_day[rows], shifts.shift[rows], shifts.begins_at[rows], shifts.ends_at[rows])


@dataclass(frozen=True, slots=True)
class Coverage:
    given: int
    runs: int
    coverage: float
    low: float
    high: float
    """Exact binomial 95 % interval of the coverage."""
    early: float
    """Share of given dates that the truth came before."""
    width: float
    """Median."""

    @classmethod
    def of(cls, hits: Sequence[Hit]) -> "Coverage":
        given = [hit for hit in hits if hit.covered is not None]
        covered = sum(bool(hit.covered) for hit in given)
        interval = stats.binomtest(covered, max(1, len(given))).proportion_ci(0.95, method="exact")
        return cls(
            given=len(given),
            runs=len(hits),
            coverage=covered / max(1, len(given)),
            low=float(interval.low),
            high=float(interval.high),
            early=sum(hit.early for hit in given) / max(1, len(given)),
            width=float(np.median([hit.width for hit in given])) if given else float("nan"),
        )

    def line(self, what: str) -> str:
        judged = "within" if LEAST <= self.coverage <= MOST else "OUTSIDE"
        return (
            f"{what:34} {self.coverage:.3f} ({self.low:.3f} to {self.high:.3f}) {judged} {LEAST} to {MOST}; "
            f"date given in {self.given} of {self.runs}, truth earlier {self.early:.3f}, "
            f"median width {self.width:.2f} of what was left"
        )


def lines(runs: int, first_seed: int, jobs: int) -> Iterator[str]:
    seeds = range(first_seed, first_seed + runs)
    with ProcessPoolExecutor(jobs) as pool:
        yield Coverage.of(list(pool.map(run_count, seeds, chunksize=5))).line("service by count: date")
        for wear in ("steady", "wandering"):
            both = list(pool.map(partial(run_velocity, wear=wear), seeds, chunksize=5))
            yield Coverage.of([by_count for by_count, _ in both]).line(f"velocity, {wear} wear: count")
            yield Coverage.of([by_date for _, by_date in both]).line(f"velocity, {wear} wear: date")
        still = list(pool.map(partial(run_velocity, wear="none"), seeds, chunksize=5))
    wrong = sum(by_count.covered is not None for by_count, _ in still)
    interval = stats.binomtest(wrong, runs).proportion_ci(0.95, method="exact")
    yield (
        f"{'velocity, no wear: a date given':34} {wrong / runs:.3f} "
        f"({interval.low:.3f} to {interval.high:.3f}), {wrong} of {runs}"
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=500)
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="processes")
    given = parser.parse_args()
    for line in lines(given.runs, given.first_seed, given.jobs):
        print(line, flush=True)
