"""Weibull life, changing rates and cumulative faults against handbooks, published data sets and R.

Values collected as CHK-REL-03 to CHK-REL-17.
"""

import numpy as np
import pytest
from scipy import stats

from collector.analysis.life import (
    Weibull,
    changing_counts,
    changing_rate,
    fit_weibull,
    mean_cumulative,
)
from collector.analysis.trend import mann_kendall
from tests.published.r import run_r

BEARINGS = [
    17.88, 28.92, 33.0, 41.52, 42.12, 45.6, 48.4, 51.84, 51.96, 54.12, 55.56, 67.8, 68.64, 68.64, 68.88,
    84.12, 93.12, 98.64, 105.12, 105.84, 127.92, 128.04, 173.4,
]  # fmt: skip
"""Revolutions in millions to failure of 23 ball bearings (Lieblein and Zelen 1956; 7th value 48.40)."""
ON_TEST = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386, *[500] * 10]
"""NIST/SEMATECH e-Handbook 8.4.1.3: 20 units, 10 of them running at 500 h."""
ABSORBERS_KM = [
    6700, 6950, 7820, 8790, 9120, 9660, 9820, 11310, 11690, 11850, 11880, 12140, 12200, 12870, 13150,
    13330, 13470, 14040, 14300, 17520, 17540, 17890, 18420, 18960, 18980, 19410, 20100, 20100, 20150,
    20320, 20900, 22700, 23490, 26510, 27410, 27490, 27890, 28100,
]  # fmt: skip
ABSORBERS_FAILED = [0, 4, 12, 14, 18, 19, 26, 30, 31, 33, 35]
"""38 shock absorbers; which of them had failed (Meeker and Escobar)."""
AIR_CONDITIONING_H = [3, 5, 7, 18, 43, 85, 91, 98, 100, 130, 230, 487]
"""Hours between failures (R package boot, aircondit)."""
REPAIRS_H = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]
"""A prototype's failures in 1500 h (e-Handbook 8.2.2 and 8.4.5.2)."""


def fitted(ages: list[float], failed: list[bool], confidence: float = 0.95) -> Weibull:
    found = fit_weibull(np.array(ages, dtype=float), np.array(failed), confidence)
    assert isinstance(found, Weibull)
    return found


def test_life_with_censored_units_as_the_handbook_prints_it() -> None:
    """CHK-REL-07: the page prints shape 1.7208, scale 606.5280, log-likelihood −75.135."""
    found = fitted([float(age) for age in ON_TEST], [age < 500 for age in ON_TEST])
    assert (found.failed, found.censored) == (10, 10)
    assert found.shape == pytest.approx(1.7208, abs=5e-5)
    assert found.scale == pytest.approx(606.5280, abs=5e-4)
    assert found.log_likelihood == pytest.approx(-75.135, abs=5e-4)


def test_life_of_ball_bearings() -> None:
    """CHK-REL-08: published shape 2.10 and scale 81.9; exact values run in R, intervals with 1.96 for z."""
    found = fitted(BEARINGS, [True] * 23)
    assert (found.shape, found.scale) == pytest.approx((2.1018468638, 81.874558724), rel=1e-9)
    assert found.log_likelihood == pytest.approx(-113.69195909, rel=1e-9)
    assert (found.low_shape, found.high_shape) == pytest.approx((1.547033, 2.855634), rel=1e-5)
    assert (found.low_scale, found.high_scale) == pytest.approx((66.639014, 100.593375), rel=1e-5)


def test_life_of_shock_absorbers_with_random_censoring() -> None:
    """CHK-REL-09: μ = ln η 10.23 and σ = 1/β 0.3164 in Meeker and Escobar (from memory), exact recomputed."""
    failed = np.isin(np.arange(38), ABSORBERS_FAILED)
    found = fitted([float(age) for age in ABSORBERS_KM], failed.tolist())
    assert (found.shape, found.scale) == pytest.approx((3.160579625, 27717.362089), rel=1e-8)
    assert found.log_likelihood == pytest.approx(-123.993943936, rel=1e-9)
    assert (np.log(found.scale), 1 / found.shape) == pytest.approx((10.23, 0.3164), abs=5e-3)


def test_life_with_a_falling_hazard() -> None:
    """CHK-REL-13: twelve intervals between failures of air conditioning, run in R."""
    found = fitted([float(age) for age in AIR_CONDITIONING_H], [True] * 12)
    assert (found.shape, found.scale) == pytest.approx((0.793943807, 94.9648950762), rel=1e-8)
    assert found.log_likelihood == pytest.approx(-67.61850987, rel=1e-9)


@pytest.mark.parametrize(
    ("age", "survives", "to_90_percent", "median"),
    [
        (0, 0.9880301579151112, 28.06508896293132, 68.77303253927185),
        (50, 0.8473609126778472, 6.586626449626948, 33.7145452242015),
        (100, 0.7134185118263351, 3.2348147003984735, 19.543321913766448),
    ],
)
def test_what_a_part_of_some_age_has_left(
    age: float, survives: float, to_90_percent: float, median: float
) -> None:
    """CHK-REL-14: conditional life of the ball bearings, closed form; at age 0 R's B10 and median."""
    bearings = fitted(BEARINGS, [True] * 23)
    assert bearings.survival(age, 10) == pytest.approx(survives, rel=1e-8)
    assert bearings.remaining(age, 0.9) == pytest.approx(to_90_percent, rel=1e-7)
    assert bearings.remaining(age, 0.5) == pytest.approx(median, rel=1e-7)


@pytest.mark.parametrize("confidence", [0.8, 0.95])
def test_life_and_its_intervals_are_those_of_r(confidence: float) -> None:
    """R's survival::survreg on a third of lives censored, with its normal intervals on the logs."""
    rng = np.random.default_rng(8)
    lived, watched = rng.weibull(2.4, 60) * 50_000, rng.uniform(10_000, 90_000, 60)
    ages, failed = np.minimum(lived, watched), lived <= watched
    theirs = run_r(
        "fit <- survival::survreg(survival::Surv(age, failed) ~ 1, dist = 'weibull',\n"
        "  control = survival::survreg.control(rel.tolerance = 1e-12))\n"
        "z <- qnorm((1 + confidence) / 2); se <- sqrt(diag(fit$var))\n"
        "list(shape = 1 / fit$scale, scale = exp(coef(fit)[[1]]), loglik = fit$loglik[2],\n"
        "  low_shape = exp(-log(fit$scale) - z * se[2]), high_shape = exp(-log(fit$scale) + z * se[2]),\n"
        "  low_scale = exp(coef(fit)[[1]] - z * se[1]), high_scale = exp(coef(fit)[[1]] + z * se[1]))",
        "survival",
        age=ages.tolist(),
        failed=failed.astype(int).tolist(),
        confidence=confidence,
    )
    ours = fitted(ages.tolist(), failed.tolist(), confidence)
    for name in ("shape", "scale", "low_shape", "high_shape", "low_scale", "high_scale"):
        assert getattr(ours, name) == pytest.approx(theirs[name], rel=1e-6), name
    assert ours.log_likelihood == pytest.approx(theirs["loglik"], rel=1e-9)


# ---- changing rates ------------------------------------------------------------------------------


def test_improving_prototype_as_the_handbook_prints_it() -> None:
    """CHK-REL-03, e-Handbook 8.4.5.2: growth 0.516494, MTBF at the end 310.234, 80 % 157.7138 to 548.5566."""
    found = changing_rate(np.array(REPAIRS_H, dtype=float), 1500.0, 0.8)
    assert not hasattr(found, "reason")
    assert 1 - found.unbiased_shape == pytest.approx(0.516494, abs=5e-7)
    assert found.mean_between_at_end == pytest.approx(310.234, abs=5e-4)
    assert (found.low_mean_between, found.high_mean_between) == pytest.approx((157.7138, 548.5566), abs=5e-4)


def test_trend_tests_on_the_same_prototype() -> None:
    """CHK-REL-04, by the method of e-Handbook 8.2.3.4: 2·Σln(T/t) = 37.228081 on 20 degrees of freedom (upper
    tail 0.010986), Laplace −1.326949.
    """
    found = changing_rate(np.array(REPAIRS_H, dtype=float), 1500.0)
    assert not hasattr(found, "reason")
    assert 2 * len(REPAIRS_H) / found.shape == pytest.approx(37.22808148, rel=1e-9)
    assert found.p_value == pytest.approx(2 * 0.01098636, abs=2e-8)
    assert found.laplace == pytest.approx(-1.32694918, abs=1e-8)


def test_reversals_of_the_same_intervals() -> None:
    """CHK-REL-04: 33 of the 45 pairs of intervals rise; P(33 or more) without ties is 0.0362750772, from the
    exact distribution. The tied pair (35, 35) is made one that falls, as it does not rise.
    """
    between = np.diff(REPAIRS_H, prepend=0).astype(float)
    between[6] -= 0.5
    found = mann_kendall(between)
    assert found.s == 33 - 12
    assert found.p_value / 2 == pytest.approx(0.0362750772, rel=1e-8)


def test_a_power_law_as_the_military_handbook_has_it() -> None:
    """CHK-REL-05: MIL-HDBK-189 (1981), App. C: 27 failures in 300 h: β 0.7163, MTBF at the end 15.51; exact
    values recomputed.
    """
    at = [
        2.6, 16.5, 16.5, 17.0, 21.4, 29.1, 33.3, 56.5, 63.1, 70.6, 73.0, 77.7, 93.9, 95.5, 98.1, 101.1,
        132.0, 142.2, 147.7, 149.0, 167.2, 190.7, 193.0, 198.7, 251.9, 282.5, 286.1,
    ]  # fmt: skip
    found = changing_rate(np.array(at), 300.0)
    assert not hasattr(found, "reason")
    assert found.shape == pytest.approx(0.7163392624, rel=1e-9)
    # the handbook's estimate is the plain one, not the unbiased
    assert found.mean_between_at_end * found.unbiased_shape / found.shape == pytest.approx(
        15.510962, rel=1e-8
    )


def test_a_power_law_from_counts() -> None:
    """CHK-REL-06: MIL-HDBK-189, App. C, grouped data: λ 1.529306, β 0.752851, rate 0.3689, MTBF 2.71."""
    found = changing_counts(np.array([20.0, 40, 60, 80, 100]), np.array([13, 16, 5, 8, 7]))
    assert not hasattr(found, "reason")
    assert found.shape == pytest.approx(0.752851, abs=5e-7)
    assert found.factor == pytest.approx(1.529306, abs=5e-6)
    assert found.rate_at_end == pytest.approx(0.3688969345, rel=1e-6)


def test_a_steady_rate_is_called_changing_as_often_as_the_p_value_says() -> None:
    """χ² of e-Handbook 8.2.3.4: under a steady rate the p-values are even on 0 to 1 (Kolmogorov-Smirnov)."""
    rng = np.random.default_rng(12)
    p_values = []
    for _ in range(400):
        found = changing_rate(rng.uniform(0, 100, 8), 100.0)
        assert not hasattr(found, "reason")
        p_values.append(found.p_value)
    assert stats.kstest(p_values, "uniform").pvalue > 0.001


# ---- many tools ----------------------------------------------------------------------------------

SEATS_DAY = [
    98, 326, 653, 653, 84, 87, 646, 92, 258, 328, 377, 621, 61, 539, 254, 276, 298, 640, 76, 538, 635,
    349, 404, 561, 120, 479, 323, 449, 139, 139, 573, 165, 408, 604, 249, 344, 497, 265, 586, 166, 206,
    348, 410, 581, 367, 202, 563, 570,
]  # fmt: skip
WATCHED_TO_DAY = [
    761, 759, 667, 667, 665, 667, 663, 653, 653, 651, 650, 648, 644, 642, 641, 649, 631, 596, 614, 582,
    589, 593, 589, 606, 594, 613, 595, 389, 601, 601, 611, 608, 587, 603, 585, 587, 578, 578, 586, 585,
    582,
]  # fmt: skip
"""48 replacements of valve seats in 41 engines (R package survival, valveSeat; Nelson, Doganaksoy 1989)."""


@pytest.mark.parametrize(("day", "faults"), [(300, 0.463415), (550, 0.858537), (650, 1.320465)])
def test_mean_cumulative_replacements_of_valve_seats(day: float, faults: float) -> None:
    """CHK-REL-17: 41 engines, 25 363 engine-days, run in R."""
    assert (len(SEATS_DAY), len(WATCHED_TO_DAY), sum(WATCHED_TO_DAY)) == (48, 41, 25_363)
    found = mean_cumulative(np.array(SEATS_DAY, dtype=float), np.array(WATCHED_TO_DAY, dtype=float))
    assert found.at(day) == pytest.approx(faults, abs=5e-7)
