"""Capability indices against published examples, closed forms and R.

Sources: NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6 (indices, Bissell's interval); a textbook
of statistical quality control (intervals of Cp and Cpk at n = 20, from memory as print); ISO 22514-2
(percentile method, from memory) with closed forms of the percentiles. CHK-CAP-01 to -04, -08 to -10,
CHK-SPC-06.
"""

from collections.abc import Callable
from math import exp, log, sqrt
from statistics import NormalDist

import numpy as np
import pytest

from collector.analysis.capability import (
    Capability,
    Specification,
    capability,
    degrees_of_freedom,
    equivalent_ppk,
    nearest_index,
    normality,
    one_limit_interval,
    percentile_interval,
    percentile_pp,
    percentile_ppk,
    spread_index,
)
from collector.analysis.run_rules import Floats
from tests.published.r import run_r


def test_indices_of_the_handbook() -> None:
    """e-Handbook 6.1.6: limits 8 and 20, mean 16, s 2: Cp 1.0, Cpk 0.6667, upper 0.6667, lower 1.3333."""
    both = Specification(8, 20)
    cp = spread_index(both, 2.0, 49, 0.95)
    assert cp is not None
    assert cp.estimate == pytest.approx(1.0, abs=1e-12)
    assert nearest_index(both, 16, 2, 50, 49, 0.95).estimate == pytest.approx(2 / 3, abs=1e-12)
    assert nearest_index(Specification(None, 20), 16, 2, 50, 49, 0.95).estimate == pytest.approx(2 / 3)
    assert nearest_index(Specification(8, None), 16, 2, 50, 49, 0.95).estimate == pytest.approx(4 / 3)


def test_interval_of_cp() -> None:
    """Limits 38 and 62, s 1.75, n 20: 2.2857, 1.564945 to 3.005579; a textbook prints 1.57 to 3.01."""
    cp = spread_index(Specification(38, 62), 1.75, 19, 0.95)
    assert cp is not None
    assert (cp.estimate, cp.low, cp.high) == pytest.approx((2.2857142857, 1.564945, 3.005579), abs=5e-7)


@pytest.mark.parametrize(
    ("index", "count", "low", "high"),
    [
        (1.33, 20, 0.882606, 1.777394),
        (1.33, 30, 0.967529, 1.692471),
        (1.33, 50, 1.050939, 1.609061),
        (1.33, 200, 1.191409, 1.468591),
    ],
)
def test_interval_of_cpk(index: float, count: int, low: float, high: float) -> None:
    """Bissell 1990, as in e-Handbook 6.1.6; a textbook prints 0.88 to 1.78 for n = 20."""
    found = nearest_index(Specification(-3 * index, 3 * index), 0.0, 1.0, count, count - 1, 0.95)
    assert found.method == "Bissell"
    assert (found.low, found.high) == pytest.approx((low, high), abs=5e-7)


def test_interval_of_cpk_from_raw_inputs() -> None:
    """A textbook's exercise: limits 90 and 100, mean 97, s 1.6, n 30: 0.625, 0.424751 to 0.825249."""
    found = nearest_index(Specification(90, 100), 97, 1.6, 30, 29, 0.95)
    assert (found.estimate, found.low, found.high) == pytest.approx((0.625, 0.424751, 0.825249), abs=5e-7)


@pytest.mark.parametrize(
    ("count", "low"), [(10, 0.777314), (20, 0.948685), (30, 1.021557), (50, 1.093070), (100, 1.163692)]
)
def test_exact_bound_with_one_limit(count: int, low: float) -> None:
    """One-sided 95 % bound of 1.33 by the noncentral t distribution, computed separately."""
    assert one_limit_interval(1.33, count, 0.90)[0] == pytest.approx(low, abs=1e-6)


def test_exact_bounds_agree_with_r() -> None:
    """R's pt with a noncentrality, solved by uniroot; R's chi-square quantiles."""
    r = run_r(
        """
        bound <- function(p) uniroot(function(c) pt(3 * sqrt(40) * 1.1, 39, 3 * sqrt(40) * c) - p,
                                     c(0.3, 2.5), tol = 1e-12)$root
        list(low = bound(0.975), high = bound(0.025), cp = 1.1 * sqrt(qchisq(c(0.025, 0.975), 39) / 39))
        """
    )
    assert one_limit_interval(1.1, 40, 0.95) == pytest.approx((r["low"], r["high"]), abs=1e-7)
    cp = spread_index(Specification(-3.3, 3.3), 1.0, 39, 0.95)
    assert cp is not None
    assert (cp.low, cp.high) == pytest.approx(r["cp"], rel=1e-9)


def test_share_out_of_specification_that_an_index_stands_for() -> None:
    """Normal tail: an index of 1 leaves 1349.898 ppm on its side, 4/3 leaves 31.6712: and back."""
    for index, ppm in ((1.0, 1349.898), (4 / 3, 31.671242)):
        assert 1e6 * NormalDist().cdf(-3 * index) == pytest.approx(ppm, rel=1e-6)
    out = np.concatenate((np.zeros(10_000_000 - 13499), np.full(13499, 2.0)))
    assert equivalent_ppk(out, Specification(None, 1.0), 0.95).estimate == pytest.approx(1.0, abs=1e-5)


# ---- normality -----------------------------------------------------------------------------------


def test_normality_agrees_with_r() -> None:
    """Package nortest, ad.test."""
    rng = np.random.default_rng(3)
    for values in (rng.normal(size=60), rng.gamma(8, size=60), rng.uniform(size=200)):
        r = run_r(
            "t <- nortest::ad.test(x); list(a = t$statistic, p = t$p.value)", "nortest", x=values.tolist()
        )
        ours = normality(values)
        assert (ours.statistic, ours.p_value) == pytest.approx((r["a"], r["p"]), rel=1e-6)


# ---- percentiles ---------------------------------------------------------------------------------


def quantiles(of: Callable[[float], float], count: int) -> Floats:
    """A sample that is its distribution: quantiles in the middle of equal shares."""
    return np.array([of((i + 0.5) / count) for i in range(count)])


def test_percentile_indices_of_a_weibull_distribution() -> None:
    """ISO 22514-2: shape 2, scale 100, limits 0 and 300: 1.184002; upper side 1.247106, lower side
    1.046186."""
    values = quantiles(lambda p: 100 * sqrt(-log(1 - p)), 200_000)
    pp = percentile_pp(values, Specification(0, 300), 0.95)
    assert pp is not None
    assert pp.estimate == pytest.approx(1.184002, abs=2e-4)
    upper, lower = (
        percentile_ppk(values, each, 0.95) for each in (Specification(None, 300), Specification(0, None))
    )
    assert (upper.estimate, lower.estimate) == pytest.approx((1.247106, 1.046186), abs=2e-4)
    assert percentile_ppk(values, Specification(0, 300), 0.95).estimate == lower.estimate


def test_percentile_index_of_an_exponential_distribution() -> None:
    """Mean 1, upper limit 8: 1.235413."""
    values = quantiles(lambda p: -log(1 - p), 200_000)
    assert percentile_ppk(values, Specification(None, 8), 0.95).estimate == pytest.approx(1.235413, abs=5e-4)


def test_percentile_index_of_a_lognormal_distribution() -> None:
    """μ 0, σ 0.25: X₀.₁₃₅ 0.472369, X₉₉.₈₆₅ 2.116988."""
    values = quantiles(lambda p: exp(0.25 * NormalDist().inv_cdf(p)), 200_000)
    pp = percentile_pp(values, Specification(0.2, 3.0), 0.95)
    assert pp is not None
    assert pp.estimate == pytest.approx(2.8 / (2.116988 - 0.472369), abs=5e-4)


def test_percentiles_and_shares_agree_with_r() -> None:
    """R's quantile of type 8, binom.test, and pbinom for the order statistics."""
    values = np.random.default_rng(4).gamma(2, size=4000)
    r = run_r(
        """
        q <- unname(quantile(x, c(0.5, 0.99865), type = 8)); s <- sort(x); n <- length(x)
        # the largest and smallest order statistics that lie below and above with the chance asked for
        low <- max(which(1 - pbinom(seq_len(n) - 1, n, 0.99865) >= 0.9875))
        high <- min(which(pbinom(seq_len(n) - 1, n, 0.99865) >= 0.9875))
        b <- binom.test(sum(x > 7), n, conf.level = 0.95)$conf.int
        list(index = (12 - q[1]) / (q[2] - q[1]), low = s[low], high = s[high],
             most = -qnorm(b[1]) / 3, least = -qnorm(b[2]) / 3)
        """,
        x=values.tolist(),
    )
    assert percentile_ppk(values, Specification(None, 12), 0.95).estimate == pytest.approx(
        r["index"], rel=1e-9
    )
    far = percentile_interval(values, 0.99865, 0.975)
    assert (far.least, far.most) == pytest.approx((r["low"], r["high"]), rel=1e-12)
    share = equivalent_ppk(values, Specification(None, 7), 0.95)
    assert (share.low, share.high) == pytest.approx((r["least"], r["most"]), rel=1e-9)


def test_both_percentiles_agree_with_r() -> None:
    """R's quantile of type 8 on either side."""
    values = np.random.default_rng(15).gamma(3, size=5000)
    r = run_r(
        "q <- unname(quantile(x, c(0.00135, 0.99865), type = 8)); list(index = 12 / diff(q))",
        x=values.tolist(),
    )
    pp = percentile_pp(values, Specification(0, 12), 0.95)
    assert pp is not None
    assert pp.estimate == pytest.approx(r["index"], rel=1e-9)


def test_the_interval_of_cpk_keeps_its_confidence_in_r() -> None:
    """R draws 4000 samples of 60 with a true Cpk of 4/3 and makes Bissell's interval with its own sd and
    qnorm: ours of one sample is the same, and 95 % of them (± 1.4 %) hold the truth."""
    values = np.random.default_rng(16).normal(size=60)
    r = run_r(
        """
        interval <- function(y) {
          c <- min(5 - mean(y), mean(y) + 4) / (3 * sd(y)); n <- length(y)
          c + c(-1, 1) * qnorm(0.975) * sqrt(1 / (9 * n) + c^2 / (2 * (n - 1)))
        }
        set.seed(16)
        held <- replicate(4000, { i <- interval(rnorm(60)); i[1] < 4 / 3 && 4 / 3 < i[2] })
        list(one = interval(x), share = mean(held))
        """,
        x=values.tolist(),
    )
    mean, sigma = float(values.mean()), float(values.std(ddof=1))
    ours = nearest_index(Specification(-4, 5), mean, sigma, 60, 59, 0.95)
    assert (ours.low, ours.high) == pytest.approx(tuple(r["one"]), rel=1e-9)
    assert r["share"] == pytest.approx(0.95, abs=0.014)


# ---- short-term sigma ----------------------------------------------------------------------------


def test_what_a_mean_moving_range_is_worth() -> None:
    """Its efficiency against the standard deviation tends to 0.605 (Cryer & Ryan 1990, from memory)."""
    assert degrees_of_freedom(100_000) / 100_000 == pytest.approx(0.605, abs=5e-4)


def test_the_worth_of_a_mean_moving_range_agrees_with_r() -> None:
    """R draws 20 000 samples of 30; relative variance of the mean moving range, within 4 standard
    errors."""
    r = run_r(
        "set.seed(1); s <- replicate(20000, mean(abs(diff(rnorm(30))))); list(cv2 = var(s) / mean(s)^2)"
    )
    assert 1 / (2 * degrees_of_freedom(30)) == pytest.approx(r["cv2"], rel=4 * sqrt(2 / 20_000))


def test_short_term_and_overall_sigma_make_different_indices() -> None:
    """Handbook example of flow rates, 6.3.2.2, thrice over: sigma of ranges by hand."""
    values = np.tile([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1], 3)
    found = capability(values, Specification(40, 60))
    assert isinstance(found, Capability)
    ranges = [2.0, 2.3, 1.4, 3.5, 3.4, 1.4, 0.2, 1.2, 1.5]
    by_hand = (3 * sum(ranges) + 2 * 2.5) / 29 / 1.1283791671
    assert found.sigma_short_term == pytest.approx(by_hand, rel=1e-9)
    assert found.sigma_overall == pytest.approx(np.std(values, ddof=1), rel=1e-12)
