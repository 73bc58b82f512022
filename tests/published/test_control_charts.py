"""Control charts against published examples and against R.

Examples: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (individuals), 6.3.2.3 (CUSUM), 6.3.2.4
(EWMA); CHK-SPC-01 to -03 and CHK-CONST-02. Certified values: NIST StRD, univariate summary statistics,
data sets NumAcc1 to 4 (which are generated); CHK-STRD-05 to -08.
"""

import numpy as np
import pytest

from collector.analysis.baseline import Baseline, autocorrelation, phase_one
from collector.analysis.chart_design import D2, D3, Cusum, Design, Ewma, draw
from collector.analysis.charts import chart, limits_of
from collector.analysis.run_rules import ZONES
from tests.published.r import run_r
from tests.recursed import cusum, ewma

# fmt: off
FLOW_RATES = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
EWMA_VALUES = np.array([52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, *FLOW_RATES])
CUSUM_MEANS = np.array(
    [324.925, 324.675, 324.725, 324.35, 325.35, 325.225, 324.125, 324.525, 325.225, 324.6,
     324.625, 325.15, 328.325, 327.25, 327.825, 328.5, 326.675, 327.775, 326.875, 328.35]
)
EWMA_PRINTED = [
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
]
# fmt: on


# ---- individuals and moving range ----------------------------------------------------------------


def test_constants_of_a_range_of_two() -> None:
    """Closed forms: d₂ = 2/√π, d₃ = √(2 − 4/π); tables (ISO 7870-2 style) print 1.128, 0.853, D₄ =
    3.267."""
    assert (round(D2, 3), round(D3, 3)) == (1.128, 0.853)
    assert pytest.approx([1.1283791671, 0.8525024664], rel=1e-9) == [D2, D3]
    assert Design().moving_range_limit / D2 == pytest.approx(3.2665319193, rel=1e-9)
    assert round(Design().moving_range_limit, 3) == 3.686


def test_individuals_chart_of_flow_rates() -> None:
    """e-Handbook 6.3.2.2 prints 50.81, 55.8041, 45.8159 with d₂ = 1.128; exact d₂ moves the last digits."""
    baseline = phase_one(FLOW_RATES, least=10)
    assert isinstance(baseline, Baseline)
    assert baseline.treatment == "independent"
    drawn = chart(FLOW_RATES, baseline, Design(moving_range=True, ewma=None, cusum=None))
    assert drawn.limits.center == pytest.approx(50.81, abs=1e-10)
    assert drawn.limits.moving_range_center == pytest.approx(1.8778, abs=5e-5)
    assert (drawn.limits.upper, drawn.limits.lower) == pytest.approx((55.80241168, 45.81758832), rel=1e-8)
    assert drawn.limits.moving_range_upper == pytest.approx(6.13382105, rel=1e-8)
    assert drawn.drawing.moving_range is not None
    assert drawn.drawing.moving_range[1:] * baseline.sigma == pytest.approx(
        [2.0, 2.3, 1.4, 3.5, 3.4, 1.4, 0.2, 1.2, 1.5]
    )
    assert drawn.signalled().size == 0
    printed = limits_of(50.81, baseline.sigma * D2 / 1.128, Design())
    assert (printed.upper, printed.lower) == pytest.approx((55.8041, 45.8159), abs=5e-5)


def test_limits_and_moving_ranges_agree_with_r() -> None:
    """R makes them from its own diff, with d₂ and d₃ from integrals of the normal density. With a drift
    behind the baseline, the same values and ranges are beyond."""
    values = np.random.default_rng(12).normal(80, 2, 300)
    values[150:] += np.linspace(0, 9, 150)
    baseline = phase_one(values[:100])
    assert isinstance(baseline, Baseline)
    assert not baseline.left_out
    r = run_r(
        """
        moment <- function(m) 2 * integrate(function(x) x^m * dnorm(x, sd = sqrt(2)), 0, Inf,
                                            rel.tol = 1e-10)$value
        d2 <- moment(1); d3 <- sqrt(moment(2) - d2^2)
        b <- x[1:100]; s <- mean(abs(diff(b))) / d2
        list(limits = c(mean(b), mean(b) + 3 * s, mean(b) - 3 * s, d2 * s, (d2 + 3 * d3) * s),
             beyond = which(abs(x - mean(b)) > 3 * s) - 1, ranges = which(abs(diff(x)) > (d2 + 3 * d3) * s))
        """,
        x=values.tolist(),
    )
    drawn = chart(values, baseline, Design(moving_range=True, ewma=None, cusum=None))
    ours = drawn.limits
    assert [
        ours.center,
        ours.upper,
        ours.lower,
        ours.moving_range_center,
        ours.moving_range_upper,
    ] == pytest.approx(r["limits"], rel=1e-8)
    assert len(r["beyond"]) > 20
    assert np.flatnonzero(drawn.drawing.signals["beyond_limits"]).tolist() == r["beyond"]
    assert np.flatnonzero(drawn.drawing.signals["moving_range"]).tolist() == np.ravel(r["ranges"]).tolist()


def test_run_rules_signal_where_r_sees_their_patterns() -> None:
    """R lays windows over the values (embed) and counts in each; every rule signals somewhere in the series,
    and at the same places."""
    random = np.random.default_rng(13)
    z = np.concatenate(
        [
            random.normal(0, 1, 1500),
            random.normal(0.8, 1, 300),
            random.normal(0, 0.3, 200),
            random.normal(0, 1, 200) + 1.8 * np.tile([1.0, -1.0], 100),
            np.linspace(-2, 2, 30),
        ]
    )
    r = run_r(
        """
        at <- function(n, hit) {           # hit: of a window, newest value first
          w <- embed(x, n); which(apply(w, 1, hit)) + n - 2
        }
        side <- function(n, k, s) {
          at(n, function(w) (w[1] > s && sum(w > s) >= k) || (w[1] < -s && sum(w < -s) >= k))
        }
        list(
          beyond_limits = side(1, 1, 3), two_of_three_beyond_2_sigma = side(3, 2, 2),
          four_of_five_beyond_1_sigma = side(5, 4, 1), eight_on_one_side = side(8, 8, 0),
          nine_on_one_side = side(9, 9, 0),
          six_rising_or_falling = at(6, function(w) all(diff(w) > 0) || all(diff(w) < 0)),
          fourteen_alternating = at(14, function(w) all(diff(sign(diff(w))) != 0)),
          fifteen_within_1_sigma = at(15, function(w) all(abs(w) < 1)),
          eight_outside_1_sigma = at(8, function(w) all(abs(w) > 1)))
        """,
        x=z.tolist(),
    )
    found = draw(z, Design((*ZONES, "six_rising_or_falling", "fourteen_alternating"))).signals
    for rule, places in r.items():
        assert np.ravel(places).size > 0, rule
        # the first windows are shorter here: a rule of 2 of 3 can signal at the second value
        assert [at for at in np.flatnonzero(found[rule]).tolist() if at >= 14] == [  # type: ignore[index]
            at for at in np.ravel(places).tolist() if at >= 14
        ], rule


# ---- EWMA ----------------------------------------------------------------------------------------


def test_ewma_of_the_handbook() -> None:
    """e-Handbook 6.3.2.4: λ 0.3, target 50, s 2.0539; 20 printed values, limits 52.5884 and 47.4115."""
    smoothed = ewma(EWMA_VALUES, 0.3, start=50.0)
    assert smoothed == pytest.approx(EWMA_PRINTED, abs=0.00501)
    reach = 2.0539 * float(Ewma(0.3, 3.0).half_width())
    assert 50 + reach == pytest.approx(52.5884, abs=5e-5)
    assert 50 - reach == pytest.approx(47.4115, abs=1e-4)  # the page rounds a factor; exactly 47.411568
    z = (EWMA_VALUES - 50) / 2.0539
    design = Design((), moving_range=False, ewma=Ewma(0.3, 3.0), cusum=None)
    assert not draw(z, design).signals["ewma"].any()


def test_widening_limits_of_an_ewma() -> None:
    """The same example with the exact variance at each value (Lucas & Saccucci 1990); computed
    separately."""
    limits = 50 + 2.0539 * Ewma(0.3, 3.0, widening=True).half_width(20)
    assert limits[:5] == pytest.approx([51.84851, 52.256394, 52.431406, 52.512715, 52.551611], rel=1e-7)
    assert limits[13] == pytest.approx(52.588372, rel=1e-7)


def test_ewma_agrees_with_exponential_smoothing_in_r() -> None:
    """R's HoltWinters without trend and season is an EWMA of all values but the newest."""
    values = np.random.default_rng(5).normal(100, 3, 200)
    r = run_r(
        "h <- HoltWinters(ts(x), alpha = 0.15, beta = FALSE, gamma = FALSE, l.start = 100);"
        "list(level = as.numeric(fitted(h)[, 'level']))",
        x=values.tolist(),
    )
    # it begins at the second value, and its fitted level at a value is the average of those before it
    assert ewma(values[1:], 0.15, start=100.0)[:-1] == pytest.approx(np.array(r["level"])[1:], rel=1e-10)


# ---- CUSUM ---------------------------------------------------------------------------------------


def test_tabular_cusum_of_the_handbook() -> None:
    """e-Handbook 6.3.2.3: target 325, k 0.3175, h 4.1959: both columns as printed, signals 14 to 20."""
    high, low = cusum(CUSUM_MEANS - 325, 0.3175)
    assert high == pytest.approx(
        [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.0, 19.04],
        abs=0.00501,
    )
    assert low == pytest.approx(
        [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0], abs=0.00501
    )
    z = (CUSUM_MEANS - 325) / 0.635
    design = Design((), moving_range=False, ewma=None, cusum=Cusum(0.3175 / 0.635, 4.1959 / 0.635))
    found = draw(z, design).signals
    assert (np.flatnonzero(found["cusum_high"]) + 1).tolist() == list(range(14, 21))
    assert not found["cusum_low"].any()


def test_cusum_agrees_with_its_recursion_in_r() -> None:
    """R walks S = max(0, S + x − k) step by step; here it is a cumulative sum less its lowest."""
    values = np.random.default_rng(6).normal(0.2, 1, 40_000)
    r = run_r(
        "walk <- function(y) Reduce(function(s, v) max(0, s + v - 0.5), y, accumulate = TRUE, 2)[-1];"
        "list(high = walk(x), low = walk(-x))",
        x=values.tolist(),
    )
    high, low = cusum(values, 0.5, head_start=2.0)
    assert high == pytest.approx(np.array(r["high"]), abs=1e-9)
    assert low == pytest.approx(np.array(r["low"]), abs=1e-9)


# ---- autocorrelation -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("start", "pair", "pairs", "certified", "rel"),
    [
        (10000001.0, (10000003.0, 10000002.0), 1, (10000002.0, 1.0, -0.5), 1e-15),
        (1.2, (1.1, 1.3), 500, (1.2, 0.1, -0.999), 1e-13),
        (1000000.2, (1000000.1, 1000000.3), 500, (1000000.2, 0.1, -0.999), 1e-9),
        (10000000.2, (10000000.1, 10000000.3), 500, (10000000.2, 0.1, -0.999), 1e-8),
    ],
    ids=["NumAcc1", "NumAcc2", "NumAcc3", "NumAcc4"],
)
def test_certified_mean_deviation_and_autocorrelation(
    start: float, pair: tuple[float, float], pairs: int, certified: tuple[float, float, float], rel: float
) -> None:
    """NIST StRD; a one-pass variance fails NumAcc4. NumAcc1 has three values, too few for our
    autocorrelation."""
    values = np.array([start, *pair * pairs])
    mean, deviation, lag_1 = certified
    assert values.mean() == pytest.approx(mean, rel=rel)
    assert values.std(ddof=1) == pytest.approx(deviation, rel=rel)
    if values.size > 3:
        assert autocorrelation(values).lag_1 == pytest.approx(lag_1, rel=rel)


def test_test_of_dependence_and_the_autoregression_agree_with_r() -> None:
    """R: acf, Box.test (Ljung-Box) and lm on the lagged values."""
    noise = np.random.default_rng(7).normal(size=301)
    values = np.zeros(301)
    for at, (before, new) in enumerate(zip(values, noise, strict=True)):
        values[at] = new + (0.6 * values[at - 1] if at else before)
    values = values[1:] + 50
    r = run_r(
        "y <- x - mean(x); n <- length(y);"
        "list(lag_1 = acf(x, plot = FALSE)$acf[2], p = Box.test(x, 10, 'Ljung-Box')$p.value,"
        "coefficient = unname(coef(lm(y[-1] ~ 0 + y[-n]))))",
        x=values.tolist(),
    )
    ours = autocorrelation(values)
    assert (ours.lag_1, ours.p_value) == pytest.approx((r["lag_1"], r["p"]), rel=1e-9)
    baseline = phase_one(values)
    assert isinstance(baseline, Baseline)
    assert baseline.treatment == "residuals"
    if not baseline.left_out:
        assert baseline.coefficients == pytest.approx((r["coefficient"],), rel=1e-9)


def test_residuals_and_widened_limits_agree_with_r() -> None:
    """R: what lm on three lagged values leaves, charted by stats::filter; long-run sigma from its
    coefficients."""
    noise = np.random.default_rng(14).uniform(-1.7, 1.7, 400)  # nothing lies beyond three sigmas
    values = np.zeros(400)
    for at, new in enumerate(noise):
        values[at] = new + (0.5 * values[at - 1] if at else 0.0)
    widened = phase_one(values, treat="widened")
    charted = phase_one(values)
    assert isinstance(widened, Baseline)
    assert isinstance(charted, Baseline)
    assert not widened.left_out
    assert len(charted.coefficients) == 1
    r = run_r(
        """
        y <- x - mean(x); w <- embed(y, 4); f <- lm(w[, 1] ~ 0 + w[, 2:4]); left <- residuals(f)
        one <- stats::filter(x - center, c(1, -coefficient), sides = 1)
        list(sigma = sd(x), long = sqrt(mean((left - mean(left))^2)) / (1 - sum(coef(f))),
             residuals = as.numeric(one)[-1])
        """,
        x=values.tolist(),
        center=charted.center,
        coefficient=charted.coefficients[0],
    )
    assert (widened.sigma, widened.long_run_sigma) == pytest.approx((r["sigma"], r["long"]), rel=1e-9)
    design = Design(moving_range=False, ewma=None, cusum=None)
    assert chart(values, charted, design).charted == pytest.approx(np.array(r["residuals"]), abs=1e-9)
