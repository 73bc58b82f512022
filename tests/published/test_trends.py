"""Trend tests, robust slopes and the trend to a limit against published examples and independent packages.

Values collected as CHK-TRD-01 to CHK-TRD-03.
"""

import numpy as np
import pytest
import statsmodels.api as sm  # type: ignore[import-untyped]
from scipy import stats

from collector.analysis import level, trend
from collector.analysis.trend import mann_kendall, robust_slope, trend_to_limit
from tests.published.r import run_r

BY_HAND = [12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7]
NILE = [
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799,
    958, 1140, 1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916,
    692, 1020, 1050, 969, 831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698,
    845, 744, 796, 1040, 759, 781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742,
    801, 1040, 860, 874, 848, 890, 744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901,
    1170, 912, 746, 919, 718, 714, 740,
]  # fmt: skip
"""Yearly flow at Aswan, 1871 to 1970 (R data set Nile)."""


def test_mann_kendall_by_hand() -> None:
    """CHK-TRD-01, a college course's page: S 54, variance 332.67 with a tie, Z 2.9058, one-sided p 0.0018."""
    found = mann_kendall(np.array(BY_HAND))
    assert found.s == 54
    assert found.variance == pytest.approx(332.6666666667, rel=1e-11)
    assert found.z == pytest.approx(2.9058, abs=5e-5)
    assert found.p_value / 2 == pytest.approx(0.0018, abs=5e-5)
    assert found.p_value == pytest.approx(0.0036627238, rel=1e-7)


def test_sens_slope_of_the_same_values() -> None:
    """CHK-TRD-01: the page has 0.5666667."""
    found = robust_slope(np.arange(14.0), np.array(BY_HAND))
    assert found.slope == pytest.approx(0.5666666667, rel=1e-9)


def test_theils_slope_in_a_textbooks_example() -> None:
    """CHK-TRD-02, Hollander and Wolfe, example 9.1: slope −0.05625, C −6, exact two-sided p 0.2333."""
    x, y = np.arange(1.0, 6.0), np.array([1.26, 1.27, 1.12, 1.16, 1.03])
    assert robust_slope(x, y).slope == pytest.approx(-0.05625, rel=1e-9)
    found = mann_kendall(y)
    assert found.s == -6
    assert found.p_value == pytest.approx(0.2333333333, rel=1e-8)


def test_trend_of_a_long_real_series() -> None:
    """CHK-TRD-03: the Nile: S −1387, variance 112 728.33, Z −4.128067, slope −2.6."""
    found = mann_kendall(np.array(NILE, dtype=float))
    assert found.s == -1387
    assert found.variance == pytest.approx(112_728.3333333, rel=1e-10)
    assert found.z == pytest.approx(-4.1280665228, rel=1e-9)
    assert found.p_value == pytest.approx(3.658263e-05, rel=1e-6)
    assert robust_slope(np.arange(100.0), np.array(NILE, dtype=float)).slope == pytest.approx(-2.6, rel=1e-12)


def test_variance_corrected_for_autocorrelation() -> None:
    """Hamed and Rao (1998) on the Nile with lags up to 25: the PyPI package pymannkendall 1.4.3 gives
    variance 282 111.428078166, Z −2.609473498565488, p 0.009068166970294111 (run once, printed digits).
    """
    found = mann_kendall(np.array(NILE, dtype=float), autocorrelated=True)
    assert found.variance == pytest.approx(282_111.428078166, rel=1e-12)
    assert found.z == pytest.approx(-2.609473498565488, rel=1e-12)
    assert found.p_value == pytest.approx(0.009068166970294111, rel=1e-11)


def test_trend_test_and_slope_are_those_of_r() -> None:
    """R's cor.test: Kendall's τ with continuity correction, and exact; the median of all slopes."""
    rng = np.random.default_rng(20)
    y = rng.normal(0, 1, 40) - 0.03 * np.arange(40)
    theirs = run_r(
        "x <- seq_along(y); pairs <- combn(length(y), 2)\n"
        "slopes <- (y[pairs[2, ]] - y[pairs[1, ]]) / (pairs[2, ] - pairs[1, ])\n"
        "t <- cor.test(x, y, method = 'kendall', exact = FALSE, continuity = TRUE)\n"
        "e <- cor.test(x[1:9], y[1:9], method = 'kendall', exact = TRUE)\n"
        "list(z = t$statistic[[1]], p = t$p.value, exact = e$p.value, slope = median(slopes))",
        y=y.tolist(),
    )
    found = mann_kendall(y)
    assert (found.z, found.p_value) == pytest.approx((theirs["z"], theirs["p"]), rel=1e-9)
    assert mann_kendall(y[:9]).p_value == pytest.approx(theirs["exact"], rel=1e-9)
    assert robust_slope(np.arange(40.0), y).slope == pytest.approx(theirs["slope"], rel=1e-12)


@pytest.mark.parametrize("confidence", [0.8, 0.95])
def test_interval_of_the_slope_is_that_of_scipy(confidence: float) -> None:
    """scipy.stats.theilslopes, where nothing is autocorrelated."""
    y = np.array(BY_HAND)
    theirs = stats.theilslopes(y, np.arange(14.0), alpha=confidence)
    found = robust_slope(np.arange(14.0), y, confidence)
    assert (found.low, found.high) == pytest.approx((theirs.low_slope, theirs.high_slope), rel=1e-12)


# ---- the crossing --------------------------------------------------------------------------------


def test_crossing_of_a_line_in_white_noise_is_fiellers(monkeypatch: pytest.MonkeyPatch) -> None:
    """With neither wandering nor autocorrelation, the interval of the crossing holds the x at which the limit
    is within the mean's t-interval of an ordinary regression (Fieller's): R's lm and predict.
    """
    monkeypatch.setattr(level, "AUTOCORRELATIONS", (0.0,))
    monkeypatch.setattr(trend, "WANDERS", {0.0: 1.0})
    monkeypatch.setattr(trend, "DRAWS", 200_000)
    rng = np.random.default_rng(21)
    x = np.arange(40.0) * 500
    y = 2.0 - 1e-5 * x + rng.normal(0, 0.03, 40)
    theirs = run_r(
        "fit <- lm(y ~ x)\n"
        "bound <- function(which) uniroot(function(at) predict(fit, data.frame(x = at),\n"
        "  interval = 'confidence', level = 0.9)[, which] - 1.6, c(20000, 2e5), tol = 1e-6)$root\n"
        "list(low = bound('lwr'), middle = (1.6 - coef(fit)[[1]]) / coef(fit)[[2]], high = bound('upr'))",
        x=x.tolist(),
        y=y.tolist(),
    )
    found = trend_to_limit(x, y, 1.6, limit_is="least").crossing
    assert found is not None
    for ours, name in ((found.low_count, "low"), (found.count, "middle"), (found.high_count, "high")):
        assert ours - x[-1] == pytest.approx(theirs[name] - x[-1], rel=0.01), name


def test_level_and_drift_are_those_of_a_state_space_model(monkeypatch: pytest.MonkeyPatch) -> None:
    """A wandering level with drift in white noise: statsmodels' Kalman filter at the same variances gives the
    same level, drift and standard errors at the last observation.
    """
    monkeypatch.setattr(level, "AUTOCORRELATIONS", (0.0,))
    rng = np.random.default_rng(22)
    steps = np.arange(60.0)
    y = 5 - 0.05 * steps + np.cumsum(rng.normal(0, 0.1, 60)) + rng.normal(0, 0.3, 60)
    drawn = level.draw(y, np.column_stack([np.ones(60), steps - 59]), steps, {0.1: 1.0}, rng, 200_000)
    model = sm.tsa.UnobservedComponents(y, "lldtrend")
    model.loglikelihood_burn = 0
    model.ssm.initialize_diffuse()
    kalman = model.filter([0.09, 0.009])
    now = drawn.coefficients[:, 0] + drawn.wandered
    drift = drawn.coefficients[:, 1]
    # what u was at the first observation is unknown to the filter, 0 to us: the level holds it
    assert now.mean() == pytest.approx(kalman.filtered_state[0, -1], abs=2e-3)
    assert drift.mean() == pytest.approx(kalman.filtered_state[1, -1], abs=2e-3)
    errors = np.sqrt(np.diag(kalman.filtered_state_cov[:, :, -1])) / 0.3
    assert now.std() / np.sqrt((drawn.noise_sd**2).mean()) == pytest.approx(errors[0], rel=0.02)
    assert drift.std() / np.sqrt((drawn.noise_sd**2).mean()) == pytest.approx(errors[1], rel=0.02)


def test_level_in_autocorrelated_noise_is_that_of_generalised_least_squares(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """statsmodels' GLS with the same autocorrelation: coefficients, standard errors, residual variance."""
    monkeypatch.setattr(level, "AUTOCORRELATIONS", (0.6,))
    rng = np.random.default_rng(23)
    steps = np.arange(50.0)
    y = 3 + 0.02 * steps + rng.normal(0, 0.2, 50)
    regressors = np.column_stack([np.ones(50), steps])
    theirs = sm.GLS(y, regressors, sigma=0.6 ** np.abs(steps[:, None] - steps)).fit()
    drawn = level.draw(y, regressors, steps, {0.0: 1.0}, rng, 200_000)
    assert drawn.coefficients.mean(axis=0) == pytest.approx(theirs.params, abs=2e-3)
    # a t with 48 degrees of freedom is wider than its scale by √(48/46)
    assert drawn.coefficients.std(axis=0) == pytest.approx(theirs.bse * np.sqrt(48 / 46), rel=0.02)
    assert 1 / (1 / drawn.noise_sd**2).mean() == pytest.approx(theirs.scale, rel=0.02)
