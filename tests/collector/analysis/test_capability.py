"""Capability: what is given when, what is refused, and how often the intervals hold the truth."""

import numpy as np
import pytest

from collector.analysis.capability import Capability, NoCapability, Specification, capability
from collector.analysis.run_rules import Floats
from tests.benchmarks.capability import covered

BOTH = Specification(-4.0, 4.0)


def normal(count: int, seed: int = 1) -> Floats:
    return np.random.default_rng(seed).normal(size=count)


def given(values: Floats, specification: Specification = BOTH) -> Capability:
    found = capability(values, specification)
    assert isinstance(found, Capability), found
    return found


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (normal(24), "only 24 values; capability needs 25"),
        (np.full(80, np.nan), "only 0 values"),
        (np.array([]), "only 0 values"),
        (np.full(80, 3.0), "all values are equal"),
    ],
)
def test_it_refuses_with_a_reason(values: Floats, words: str) -> None:
    found = capability(values, BOTH)
    assert isinstance(found, NoCapability)
    assert words in found.refused


def test_25_values_are_enough_and_missing_ones_don_t_count() -> None:
    values = np.concatenate((normal(25), [np.nan, np.inf]))
    assert given(values).count == 25


@pytest.mark.parametrize(
    "limits", [(None, None), (4.0, 4.0), (5.0, 4.0), (float("nan"), 4.0), (0.0, float("inf"))]
)
def test_a_specification_without_sense_is_refused(limits: tuple[float | None, float | None]) -> None:
    with pytest.raises(ValueError, match="limit"):
        Specification(*limits)


@pytest.mark.parametrize("confidence", [0.0, 1.0, float("nan")])
def test_a_confidence_is_a_share(confidence: float) -> None:
    with pytest.raises(ValueError, match="confidence"):
        capability(normal(50), BOTH, confidence)


def test_normal_values_get_normal_indices() -> None:
    found = given(normal(300))
    assert found.normality.normal
    assert None not in (found.cp, found.cpk)
    assert found.pp is not None
    assert found.ppk is not None
    assert found.percentile_pp is found.percentile_ppk is found.equivalent_ppk is None
    assert found.pp.low < found.pp.estimate < found.pp.high
    assert found.ppk.estimate <= found.pp.estimate


def test_values_that_are_not_normal_get_only_distribution_free_ones() -> None:
    found = given(np.exp(normal(6000)), Specification(0.0, 40.0))
    assert not found.normality.normal
    assert found.cp is found.cpk is found.pp is found.ppk is None
    assert None not in (found.percentile_pp, found.equivalent_ppk)
    assert found.percentile_ppk is not None
    assert 0 < found.percentile_ppk.low < found.percentile_ppk.estimate < found.percentile_ppk.high


def test_too_few_values_for_far_percentiles_leave_no_lower_bound_but_counting_does() -> None:
    found = given(np.exp(normal(200)), Specification(None, 1000.0))
    assert found.percentile_ppk is not None
    assert found.percentile_ppk.low == 0.0
    assert found.equivalent_ppk is not None
    assert found.equivalent_ppk.estimate == np.inf
    assert 0.6 < found.equivalent_ppk.low < 0.8


@pytest.mark.parametrize("side", [Specification(None, 4.0), Specification(-4.0, None)])
def test_one_limit_has_no_spread_index(side: Specification) -> None:
    found = given(normal(100), side)
    assert found.cp is found.pp is None
    assert found.ppk is not None
    assert found.ppk.method == "noncentral t"


def test_a_mean_beyond_its_limit_has_a_negative_index() -> None:
    found = given(normal(100) + 10)
    assert found.ppk is not None
    assert found.ppk.high < 0
    assert found.out_of_specification.above == 100


def test_dependence_is_told() -> None:
    assert given(np.convolve(normal(400), np.ones(4) / 2, "valid")).autocorrelation.found


@pytest.mark.parametrize("seed", range(3))
def test_a_measure_mirrored_keeps_its_index(seed: int) -> None:
    for values in (normal(500, seed), np.exp(normal(3000, seed))):
        one, other = given(values, Specification(-1.0, 30.0)), given(-values, Specification(-30.0, 1.0))
        for name in ("ppk", "percentile_ppk", "equivalent_ppk"):
            a, b = getattr(one, name), getattr(other, name)
            assert (a is None) == (b is None)
            if a is not None:
                assert (a.estimate, a.low, a.high) == pytest.approx((b.estimate, b.low, b.high), rel=1e-9)


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    """A small run of `python -m tests.benchmarks.capability`; within 4 standard errors below 95 %."""
    for name, share in covered(runs=150).items():
        assert share >= 0.95 - 4 * (0.95 * 0.05 / 150) ** 0.5, name
