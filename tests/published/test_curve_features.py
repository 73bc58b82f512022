"""The pieces of a curve's features against closed forms, and against R."""

from math import cos, pi, tan

import numpy as np
import pytest

from collector.analysis.features import features_of, slope_at, sub_sample_peak
from tests.published.r import run_r


def test_vertex_of_the_parabola_through_three_samples() -> None:
    """CHK-CRV-03: 1, 4, 3 has its vertex a quarter sample after the middle, 4.125 high (arithmetic)."""
    assert sub_sample_peak(1, 4, 3) == (0.25, 4.125)
    assert sub_sample_peak(4, 4, 4) == (0.0, 4)


@pytest.mark.parametrize(("parts", "area"), [(100, 1.9998355039), (1000, 1.9999983551)])
def test_area_under_the_rise_by_the_trapezoidal_rule(parts: int, area: float) -> None:
    """CHK-CRV-02: trapezoids under sin from 0 to π, N parts h = π/N: h·cot(h/2); over the first m parts
    ½·h·cot(h/2)·(1 − cos(m·h)), of which it is the case m = N. The rise ends at 95 % of it.
    """
    assert (pi / parts) / tan(pi / (2 * parts)) == pytest.approx(area, abs=5e-11)
    curve = np.concatenate((np.zeros(parts), np.sin(np.linspace(0, pi, parts + 1)), np.zeros(parts)))
    found = features_of(curve, pi / parts * 1e6)
    last = int(np.argmax(np.sin(np.arange(parts) * pi / parts) >= 0.95))
    assert found.rise_area_s == pytest.approx(area / 2 * (1 - cos(last * pi / parts)), rel=1e-9)


@pytest.mark.parametrize("count", [8, 57, 200])
def test_slope_and_its_standard_error_are_those_of_r(count: int) -> None:
    """R: lm on raw powers, the crossing by uniroot, the error from vcov by the delta method."""
    rng = np.random.default_rng(count)
    at = np.linspace(0, 1, count)
    samples = 130 + 250 * at + 150 * at**2 + 30 * at**3 + rng.normal(0, 1.2, count)
    slope, error = slope_at(samples, 320.0)
    there = run_r(
        """
        x <- seq_along(y) / length(y)
        fit <- lm(y ~ x + I(x^2) + I(x^3))
        b <- coef(fit)
        height <- function(x) b[1] + b[2] * x + b[3] * x^2 + b[4] * x^3
        at <- uniroot(function(x) height(x) - level, c(0, 1.1), tol = 1e-13)$root
        slope <- b[2] + 2 * b[3] * at + 3 * b[4] * at^2
        bend <- (2 * b[3] + 6 * b[4] * at) / slope
        g <- c(0, 1, 2 * at, 3 * at^2) - bend * c(1, at, at^2, at^3)
        list(slope = unname(slope) / length(y), error = sqrt(drop(t(g) %*% vcov(fit) %*% g)) / length(y))
        """,
        y=samples.tolist(),
        level=320.0,
    )
    assert slope == pytest.approx(there["slope"], rel=1e-7)
    assert error == pytest.approx(there["error"], rel=1e-6)


def test_the_slope_of_a_line_through_few_samples_is_that_of_r() -> None:
    samples = [1.0, 2.9, 5.2, 7.0, 8.7]
    there = run_r(
        "s <- summary(lm(y ~ seq_along(y)))$coefficients; list(slope = s[2, 1], error = s[2, 2])", y=samples
    )
    slope, _ = slope_at(np.array(samples), 4.96)  # its mean, where the error of the level drops out
    assert slope == pytest.approx(there["slope"], rel=1e-12)
    assert slope_at(np.array(samples), 4.96)[1] == pytest.approx(there["error"], rel=1e-9)
