"""Fault rates, their comparison and mean time between against handbooks, tables and R.

Values collected as CHK-REL-01, -02, -12, -15, -17, -18; the others name their source.
"""

from math import inf

import numpy as np
import pytest
from statsmodels.stats.rates import confint_poisson_2indep  # type: ignore[import-untyped]
from statsmodels.stats.rates import test_poisson_2indep as poisson_2indep

from collector.analysis.faults import Exposure, bursts, compare, mean_between, poisson_interval, rate
from tests.published.r import run_r


@pytest.mark.parametrize(
    ("count", "low_95", "high_95", "low_90", "high_90"),
    [
        (0, 0.000000, 3.688879, 0.000000, 2.995732),
        (1, 0.025318, 5.571643, 0.051293, 4.743865),
        (2, 0.242209, 7.224688, 0.355362, 6.295794),
        (5, 1.623486, 11.668332, 1.970150, 10.513035),
        (10, 4.795389, 18.390356, 5.425406, 16.962219),
        (25, 16.178682, 36.904932, 17.382126, 34.916080),
        (100, 81.363991, 121.626794, 84.139277, 118.079273),
    ],
)
def test_exact_interval_of_a_poisson_count(
    count: int, low_95: float, high_95: float, low_90: float, high_90: float
) -> None:
    """CHK-REL-18: Garwood's table (1936), recomputed to six decimals and with R."""
    assert poisson_interval(count, 0.95) == pytest.approx((low_95, high_95), abs=5e-7)
    assert poisson_interval(count, 0.90) == pytest.approx((low_90, high_90), abs=5e-7)


def test_rate_with_its_interval_as_rs_documentation_has_it() -> None:
    """CHK-REL-15: 137 in 24.19893, the example of R's poisson.test (nickel workers), run in R."""
    found = rate(137, Exposure(cycles=0, hours=24.19893))
    assert found.per_hour == pytest.approx(5.661407343, rel=1e-9)
    assert (found.low_per_hour, found.high_per_hour) == pytest.approx((4.753124805, 6.692709334), rel=1e-8)


@pytest.mark.parametrize(("count", "cycles"), [(0, 1200), (1, 40_000), (7, 3_500), (412, 90_017)])
def test_rate_per_1000_cycles_is_that_of_r(count: int, cycles: int) -> None:
    """R's poisson.test."""
    theirs = run_r(
        "t <- poisson.test(count, cycles / 1000, conf.level = 0.9); "
        "list(rate = t$estimate[[1]], low = t$conf.int[1], high = t$conf.int[2])",
        count=count,
        cycles=cycles,
    )
    ours = rate(count, Exposure(cycles=cycles, hours=1.0), 0.9)
    assert ours.per_1000_cycles == pytest.approx(theirs["rate"], rel=1e-9)
    assert ours.low_per_1000_cycles == pytest.approx(theirs["low"], rel=1e-7, abs=1e-12)
    assert ours.high_per_1000_cycles == pytest.approx(theirs["high"], rel=1e-7)


# ---- comparison ----------------------------------------------------------------------------------


def test_ratio_of_two_rates_as_a_statistics_package_prints_it() -> None:
    """41 in 28 010 and 15 in 19 017 person-years: the example of a general statistics package's page on its
    calculator of incidence-rate ratios; it prints 1.855759 (1.005684 to 3.6093, exact).
    """
    found = compare(15, 19_017, 41, 28_010)
    assert found.ratio == pytest.approx(1.855759, abs=5e-7)
    assert found.low_ratio == pytest.approx(1.005684, abs=5e-7)
    assert found.high_ratio == pytest.approx(3.6093, abs=5e-5)


COUNTS = [(15, 19_017.0, 41, 28_010.0), (21, 3011.0, 11, 800.0), (0, 500.0, 3, 500.0), (4, 10.0, 0, 7.5)]


@pytest.mark.parametrize(("first", "over", "second", "over_2"), COUNTS)
def test_comparison_is_that_of_r(first: int, over: float, second: int, over_2: float) -> None:
    """R's poisson.test of two counts; its second case is the example of its documentation. R's two-sided
    p-value sums unlikely outcomes, which need not agree with its interval: so the two one-sided ones.
    """
    theirs = run_r(
        "of <- function(side) poisson.test(c(second, first), c(over_2, over), alternative = side)\n"
        "two <- of('two.sided')\n"
        "list(ratio = two$estimate[[1]], low = two$conf.int[1], high = two$conf.int[2],\n"
        "     less = of('less')$p.value, greater = of('greater')$p.value)",
        first=first,
        over=over,
        second=second,
        over_2=over_2,
    )
    ours = compare(first, over, second, over_2)
    for mine, name in ((ours.ratio, "ratio"), (ours.low_ratio, "low"), (ours.high_ratio, "high")):
        assert mine == pytest.approx(
            inf if theirs[name] in (None, "Inf") else theirs[name], rel=1e-7, abs=1e-12
        )
    assert ours.p_value == pytest.approx(min(1.0, 2 * min(theirs["less"], theirs["greater"])), rel=1e-9)


def test_comparison_against_statsmodels() -> None:
    """Its score interval is another method, so near only; its exact conditional test is another two-sided
    rule, so within a factor of two.
    """
    low, high = confint_poisson_2indep(41, 28_010, 15, 19_017, method="score")
    ours = compare(15, 19_017, 41, 28_010)
    assert (ours.low_ratio, ours.high_ratio) == pytest.approx((low, high), rel=0.1)
    theirs = poisson_2indep(41, 28_010, 15, 19_017, method="exact-cond").pvalue
    assert theirs <= ours.p_value <= 2 * theirs


# ---- mean between --------------------------------------------------------------------------------


def test_mean_time_between_as_the_handbook_has_it() -> None:
    """CHK-REL-01, NIST/SEMATECH e-Handbook 8.4.5.1: 800 h, 2 failures: 400 h, 127.069 to 2251.229."""
    found = mean_between(2, 800.0, 0.9)
    assert found.mean == 400.0
    assert (found.low, found.high) == pytest.approx((127.069, 2251.229), abs=2e-3)


def test_without_a_failure_there_is_a_lower_bound_only() -> None:
    """CHK-REL-02, e-Handbook 8.4.5.1: 1000 h without one, 95 %: 1000/−ln 0.05."""
    found = mean_between(0, 1000.0, 0.95)
    assert (found.mean, found.high) == (None, inf)
    assert found.low == pytest.approx(333.80820069533405, rel=1e-12)


@pytest.mark.parametrize(
    ("failures", "confidence", "low", "high"),
    [
        (1, 0.60, 0.3340, 4.4814),
        (1, 0.95, 0.1795, 39.4979),
        (3, 0.80, 0.4490, 2.7222),
        (5, 0.90, 0.4756, 2.5379),
        (10, 0.95, 0.5438, 2.0853),
        (20, 0.60, 0.8088, 1.2367),
        (50, 0.90, 0.7901, 1.2832),
    ],
)
def test_factors_of_the_mean_time_between(failures: int, confidence: float, low: float, high: float) -> None:
    """CHK-REL-01b: e-Handbook 8.4.5.1's table of factors, recomputed."""
    found = mean_between(failures, float(failures), confidence)
    assert (found.low, found.high) == pytest.approx((low, high), abs=5.1e-5)


def test_seventy_fans_of_which_twelve_failed() -> None:
    """CHK-REL-12 (Meeker and Escobar's diesel generator fans): 344 440 h, mean 28 703.33, 95 % 16 431.96 to
    55 549.69, run in R. Taking the failed fans alone would make the mean ten times too small.
    """
    found = mean_between(12, 344_440.0, 0.95)
    assert found.mean == pytest.approx(28_703.3333, rel=1e-8)
    assert (found.low, found.high) == pytest.approx((16_431.963, 55_549.686), rel=1e-7)


def test_mean_between_that_ends_with_a_fault_is_that_of_r() -> None:
    """R's quantiles of χ²: the sum of n exponential times is half a χ² with 2n degrees of freedom."""
    theirs = run_r("list(low = 100 / qgamma(0.95, 6), high = 100 / qgamma(0.05, 6))")
    found = mean_between(6, 100.0, 0.9, ended_by="fault")
    assert (found.low, found.high) == pytest.approx((theirs["low"], theirs["high"]), rel=1e-9)


def test_bursts_are_those_of_a_quasi_poisson_model_in_r() -> None:
    """R's glm with the exposure as an offset; dispersion by Pearson's χ²."""
    rng = np.random.default_rng(4)
    exposures = rng.integers(200, 900, 40).astype(float)
    counts = rng.negative_binomial(2, 0.4, 40)
    theirs = run_r(
        "fit <- glm(y ~ 1 + offset(log(x)), family = poisson)\n"
        "chi2 <- sum(residuals(fit, 'pearson')^2)\n"
        "list(dispersion = chi2 / 39, p = pchisq(chi2, 39, lower.tail = FALSE))",
        y=counts.tolist(),
        x=exposures.tolist(),
    )
    ours = bursts(counts, exposures)
    assert ours.dispersion == pytest.approx(theirs["dispersion"], rel=1e-8)
    assert ours.p_value == pytest.approx(theirs["p"], rel=1e-6)
