"""Robust shift and difference of shares against published examples, and against R."""

import numpy as np
import pytest

from collector.analysis.causes import Floats, hodges_lehmann, share_difference
from tests.published.r import run_r

TERM = np.array([0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46])
EARLY = np.array([1.15, 0.88, 0.90, 0.74, 1.21])


WILCOX = """
    w <- wilcox.test(after, before, conf.int = TRUE, conf.level = confidence, exact = TRUE)
    list(estimate = unname(w$estimate), low = w$conf.int[1], high = w$conf.int[2])
"""


def check_interval(before: Floats, after: Floats, confidence: float, low: float, high: float) -> None:
    """Ours takes its rank from the normal approximation: up to two ranks wider than the exact one, never
    narrower.
    """
    ranked = np.sort((after[:, None] - before[None, :]).ravel())
    _, found_low, found_high = hodges_lehmann(before, after, confidence)
    wider_low = np.searchsorted(ranked, low - 1e-9) - np.searchsorted(ranked, found_low - 1e-9)
    wider_high = np.searchsorted(ranked, found_high - 1e-9) - np.searchsorted(ranked, high - 1e-9)
    assert 0 <= wider_low <= 2
    assert 0 <= wider_high <= 2


def test_shift_of_the_permeability_example() -> None:
    """Hollander & Wolfe 1973, p. 69 (data as in the examples of R's wilcox.test): shift 0.305, and with
    95.8 % from −0.15 to 0.76 (the results from memory; R agrees below).
    """
    assert hodges_lehmann(EARLY, TERM, 0.95)[0] == pytest.approx(0.305, abs=1e-9)
    check_interval(EARLY, TERM, 0.95, -0.15, 0.76)


def test_shift_of_the_permeability_example_is_that_of_r() -> None:
    there = run_r(WILCOX, before=EARLY.tolist(), after=TERM.tolist(), confidence=0.95)
    assert (there["estimate"], there["low"], there["high"]) == pytest.approx((0.305, -0.15, 0.76), abs=1e-9)


@pytest.mark.parametrize(("before", "after", "confidence"), [(12, 15, 0.95), (40, 45, 0.99), (60, 35, 0.99)])
def test_shift_and_interval_are_those_of_r(before: int, after: int, confidence: float) -> None:
    rng = np.random.default_rng(before)
    one, two = rng.normal(10, 1, before), rng.gumbel(10.5, 2, after)
    there = run_r(WILCOX, before=one.tolist(), after=two.tolist(), confidence=confidence)
    assert hodges_lehmann(one, two, confidence)[0] == pytest.approx(there["estimate"], rel=1e-9)
    check_interval(one, two, confidence, there["low"], there["high"])


@pytest.mark.parametrize(
    ("one", "two", "low", "high"),
    [
        ((56, 70), (48, 80), 0.0524, 0.3339),
        ((9, 10), (3, 10), 0.1705, 0.8090),
        ((6, 7), (2, 7), 0.0582, 0.8062),
        ((5, 56), (0, 29), -0.0381, 0.1926),
        ((0, 10), (0, 20), -0.1611, 0.2775),
        ((0, 10), (0, 10), -0.2775, 0.2775),
        ((10, 10), (0, 20), 0.6791, 1.0),
    ],
)
def test_difference_of_shares_as_newcombe_prints_it(
    one: tuple[int, int], two: tuple[int, int], low: float, high: float
) -> None:
    """R. G. Newcombe 1998, Statistics in Medicine 17:873, table II, method 10 (as quoted in public test
    suites).
    """
    difference, found_low, found_high = share_difference(*two, *one, 0.95)
    assert difference == pytest.approx(one[0] / one[1] - two[0] / two[1])
    assert (found_low, found_high) == pytest.approx((low, high), abs=6e-5)
