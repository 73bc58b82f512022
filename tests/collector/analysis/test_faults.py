"""What fault figures promise, beside the published values in tests/published/test_fault_rates.py."""

from collections.abc import Callable
from math import inf, nan

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from collector.analysis.faults import (
    Exposure,
    bursts,
    compare,
    mean_between,
    pareto,
    poisson_interval,
    rate,
)


def test_the_most_frequent_comes_first_and_shares_add_up() -> None:
    bars = pareto(["E17", "E02", "E17", "E40", "E17", "E02"], np.array([5.0, 60, 7, 900, nan, 30]))
    assert [(bar.label, bar.count) for bar in bars] == [("E17", 3), ("E02", 2), ("E40", 1)]
    assert [bar.cumulative_share for bar in bars] == pytest.approx([1 / 2, 5 / 6, 1])
    assert [(bar.standing_s, bar.untimed) for bar in bars] == [(12, 1), (90, 0), (900, 0)]


def test_bars_can_be_ordered_by_how_long_faults_stood() -> None:
    bars = pareto(["E17", "E17", "E40"], np.array([5.0, 6, 900]), order="standing_s")
    assert [bar.label for bar in bars] == ["E40", "E17"]


def test_what_is_not_known_is_a_bar_of_its_own_and_the_last() -> None:
    bars = pareto([None, None, None, "early", "late"])
    assert [(bar.label, bar.count) for bar in bars] == [("early", 1), ("late", 1), (None, 3)]
    assert bars[-1].cumulative_share == 1


def test_a_tool_without_a_fault_has_a_bar_with_its_upper_bound() -> None:
    made = {"40117": Exposure(2000, 16.0), "40121": Exposure(1000, 8.0)}
    bars = pareto(["40117"] * 4, exposure=made)
    assert [(bar.label, bar.count) for bar in bars] == [("40117", 4), ("40121", 0)]
    clean = bars[1].rate
    assert clean is not None
    assert (clean.per_1000_cycles, clean.low_per_1000_cycles) == (0, 0)
    assert clean.high_per_1000_cycles == pytest.approx(3.688879, abs=1e-6)


def test_no_faults_no_bars() -> None:
    assert pareto([]) == ()


def test_where_nothing_was_made_there_is_no_rate_rather_than_zero() -> None:
    found = rate(2, Exposure(cycles=0, hours=3.0))
    assert found.per_1000_cycles is None
    assert found.high_per_1000_cycles is None
    assert found.per_hour == pytest.approx(2 / 3)


@given(st.lists(st.sampled_from(["a", "b", "c", None]), max_size=40))
def test_every_fault_is_in_one_bar(labels: list[str | None]) -> None:
    bars = pareto(labels)
    assert sum(bar.count for bar in bars) == len(labels)
    assert {bar.label for bar in bars} == set(labels)


@settings(max_examples=60)
@given(st.integers(0, 400), st.sampled_from([0.5, 0.9, 0.99]))
def test_the_interval_is_exact(count: int, confidence: float) -> None:
    """At each bound, the count or worse has just the tail's probability (SciPy's Poisson distribution)."""
    low, high = poisson_interval(count, confidence)
    assert stats.poisson.cdf(count, high) == pytest.approx((1 - confidence) / 2, rel=1e-6)
    if count:
        assert stats.poisson.sf(count - 1, low) == pytest.approx((1 - confidence) / 2, rel=1e-6)


@settings(max_examples=80)
@given(st.integers(0, 60), st.integers(0, 60), st.floats(0.1, 1e4), st.floats(0.1, 1e4))
def test_p_value_and_interval_of_a_comparison_never_contradict(
    first: int, second: int, over: float, over_2: float
) -> None:
    found = compare(first, over, second, over_2)
    outside = not found.low_ratio <= 1 <= found.high_ratio
    if abs(found.p_value - 0.05) > 1e-9:
        assert outside == (found.p_value < 0.05)
    turned = compare(second, over_2, first, over)
    assert turned.p_value == pytest.approx(found.p_value, rel=1e-9)
    if found.high_ratio < inf and found.low_ratio > 0:
        assert 1 / turned.low_ratio == pytest.approx(found.high_ratio, rel=1e-9)


def test_equal_rates_are_called_different_at_most_as_often_as_stated() -> None:
    """2000 pairs of a rate of 1 in 1000 over 8000 and 5000 cycles, at 95 %; exact, so at most 5 %."""
    rng = np.random.default_rng(2)
    pairs, times = np.unique(rng.poisson([8, 5], (2000, 2)), axis=0, return_counts=True)
    called = [compare(a, 8000, b, 5000).p_value < 0.05 for a, b in pairs.tolist()]
    wrong = (np.array(called) * times).sum() / 2000
    assert wrong <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 2000)


def test_a_rate_three_times_as_high_is_mostly_seen() -> None:
    rng = np.random.default_rng(3)
    pairs = rng.poisson([10, 30], (100, 2)).tolist()
    assert np.mean([compare(a, 1000, b, 1000).p_value < 0.05 for a, b in pairs]) > 0.7


def test_the_stated_share_of_true_means_between_is_covered() -> None:
    """1500 watches at a mean of 2.5 h between. Those that end with the fourth fault: 90 %. Those that end
    after 10 hours: at least that, since a count can't hit it.
    """
    rng = np.random.default_rng(5)
    by_fault = [mean_between(4, hours, 0.9, ended_by="fault") for hours in rng.gamma(4, 2.5, 1500)]
    assert np.mean([each.low <= 2.5 <= each.high for each in by_fault]) == pytest.approx(0.9, abs=0.024)
    by_time = [mean_between(int(count), 10.0, 0.9) for count in rng.poisson(4, 1500)]
    assert 0.9 < np.mean([each.low <= 2.5 <= each.high for each in by_time]) < 0.98


def test_leaving_out_what_is_unfinished_would_make_the_mean_too_small() -> None:
    """Ten tools run 100 h each, two fault at 40 h and 60 h: 900 h of running, not 100 h, over 2 faults."""
    assert mean_between(2, 40.0 + 60.0 + 8 * 100.0).mean == 450.0


def test_faults_that_come_in_bursts_are_noticed() -> None:
    rng = np.random.default_rng(6)
    hours = np.full(60, 8.0)
    steady = [bursts(rng.poisson(5, 60), hours).p_value or 1 for _ in range(200)]
    in_bursts = [bursts(rng.poisson(1, 60) * 5, hours).p_value or 1 for _ in range(20)]
    assert np.mean(np.array(steady) < 0.05) < 0.1
    assert max(in_bursts) < 1e-4


def test_too_few_faults_say_nothing_of_bursts() -> None:
    found = bursts(np.array([0, 1, 0, 0]), np.full(4, 8.0))
    assert (found.dispersion, found.p_value) == (None, None)
    assert found.refused is not None


@pytest.mark.parametrize(
    "bad",
    [
        lambda: Exposure(-1, 2.0),
        lambda: Exposure(1, nan),
        lambda: rate(-1, Exposure(1, 1.0)),
        lambda: rate(1, Exposure(1, 1.0), 1.0),
        lambda: pareto(["a"], np.array([1.0, 2.0])),
        lambda: pareto(["a"], np.array([-1.0])),
        lambda: compare(1, 0.0, 1, 1.0),
        lambda: compare(1, nan, 1, 1.0),
        lambda: compare(-1, 1.0, 1, 1.0),
        lambda: mean_between(1, 0.0),
        lambda: mean_between(0, 5.0, ended_by="fault"),
        lambda: bursts(np.array([1, 2]), np.array([1.0])),
        lambda: bursts(np.array([1, -2]), np.array([1.0, 1.0])),
        lambda: bursts(np.array([1, 2]), np.array([1.0, 0.0])),
        lambda: bursts(np.array([1, 2]), np.array([1.0, nan])),
    ],
)
def test_what_can_not_be_is_refused_with_a_sentence(bad: Callable[[], object]) -> None:
    with pytest.raises(ValueError, match=r"\w+ \w+ \w+"):
        bad()
