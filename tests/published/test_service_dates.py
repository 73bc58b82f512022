"""Use by weekday and shift, and the date of a count, against R."""

from datetime import UTC, datetime

import numpy as np
import pytest

from collector.analysis import forecast, level
from collector.analysis.forecast import Instants, Shifts, service_date, use_by_weekday_and_shift
from tests.published.r import run_r


def mondays(first: str, count: int) -> Shifts:
    """One shift a week, 06:00 to 14:00 UTC."""
    days = np.arange(np.datetime64(first, "D"), np.datetime64(first, "D") + 7 * count, 7)
    begins: Instants = np.add(days.astype("datetime64[us]"), np.timedelta64(6, "h"))
    return Shifts(days, np.full(count, "early"), begins, begins + np.timedelta64(8, "h"))


def test_mean_of_a_shift_has_the_interval_of_rs_t_test() -> None:
    """R's t.test."""
    made = np.array([412, 455, 390, 0, 431, 478, 402, 440.0])
    theirs = run_r(
        "t <- t.test(made, conf.level = 0.9); list(mean = t$estimate[[1]], low = t$conf.int[1], "
        "high = t$conf.int[2])",
        made=made.tolist(),
    )
    (monday,) = use_by_weekday_and_shift(mondays("2026-01-05", 8), made, 0.9)
    assert (monday.weekday, monday.shift, monday.shifts, monday.idle_shifts) == (0, "early", 8, 1)
    assert monday.cycles_per_shift == pytest.approx(theirs["mean"], rel=1e-12)
    assert monday.low_cycles_per_shift == pytest.approx(theirs["low"], rel=1e-9)
    assert monday.high_cycles_per_shift == pytest.approx(theirs["high"], rel=1e-9)


def test_weekdays_are_those_of_the_calendar() -> None:
    """ISO 8601: 2026-01-01 was a Thursday, as R's format has it."""
    theirs = run_r("list(day = as.integer(format(as.Date('2026-01-01'), '%u')))")
    assert mondays("2026-01-01", 1).weekday.tolist() == [theirs["day"] - 1] == [3]


@pytest.mark.parametrize("seen", [12, 60])
def test_date_of_a_count_is_that_of_the_normal_theory(seen: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Independent shifts and no stops: the sum of h further ones has mean h·m and variance s²·(h + h²/n), and
    a t with n − 1 degrees of freedom (prediction of a sum, any textbook on regression). R finds the h at
    which its 90 % bounds come to the count: with 12 seen the rate's own uncertainty makes most of it.
    """
    monkeypatch.setattr(level, "AUTOCORRELATIONS", (0.0,))
    monkeypatch.setattr(forecast, "WANDERS", {0.0: 1.0})
    monkeypatch.setattr(forecast, "STOP_PRIOR", 1e-6)
    monkeypatch.setattr(forecast, "DRAWS", 40_000)
    made = np.random.default_rng(30).normal(1000, 200, seen).round()
    theirs = run_r(
        "n <- length(made); q <- qt(0.95, n - 1)\n"
        "bound <- function(side) uniroot(function(h) h * mean(made) + side * q * sd(made)\n"
        "  * sqrt(h + h^2 / n) - 25000, c(1, 200))$root\n"
        "list(low = bound(1), middle = 25000 / mean(made), high = bound(-1))",
        made=made.tolist(),
    )
    plan = mondays("2030-01-07", 60)
    found = service_date(
        mondays("2026-01-05", seen),
        made,
        plan,
        datetime(2030, 1, 7, tzinfo=UTC),
        service_cycle_count=0,
        service_cycle_span=25_000,
    )
    for ours, name in ((found.low_at, "low"), (found.at, "middle"), (found.high_at, "high")):
        assert ours is not None
        at = np.datetime64(ours.replace(tzinfo=None), "us")
        row = int(np.searchsorted(plan.ends_at, at))
        share = (at - plan.begins_at[row]) / (plan.ends_at[row] - plan.begins_at[row])
        assert row + share == pytest.approx(theirs[name], abs=0.25), name
