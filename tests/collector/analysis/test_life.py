"""What life figures promise, beside the published values in tests/published/test_life.py."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.analysis.life import (
    ChangingRate,
    Refused,
    Weibull,
    changing_counts,
    changing_rate,
    fit_weibull,
    lives,
    mean_cumulative,
)


def test_the_stated_share_of_true_shapes_is_covered() -> None:
    """300 fleets of 40 parts, about half of them censored, at 90 %. With few failures it would be less."""
    rng = np.random.default_rng(1)
    covered = 0
    for _ in range(300):
        lived = rng.weibull(2.0, 40) * 50_000
        found = fit_weibull(np.minimum(lived, 42_000), lived <= 42_000, 0.9)
        assert isinstance(found, Weibull)
        covered += found.low_shape <= 2.0 <= found.high_shape
    assert 0.85 < covered / 300 < 0.95


@settings(max_examples=30)
@given(st.floats(1e-3, 1e6), st.integers(0, 2**32))
def test_the_unit_does_not_matter(unit: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    ages, failed = rng.weibull(1.5, 12) + 1e-6, rng.random(12) < 0.7
    ours, theirs = fit_weibull(ages, failed), fit_weibull(ages * unit, failed)
    if isinstance(ours, Refused):
        assert ours == theirs
        return
    assert isinstance(theirs, Weibull)
    assert theirs.shape == pytest.approx(ours.shape, rel=1e-6)
    assert theirs.scale == pytest.approx(ours.scale * unit, rel=1e-6)


@pytest.mark.parametrize(
    ("ages", "failed"),
    [([], []), ([5.0, 6, 7], [True, True, False]), ([5.0, 5, 5, 5], [True, True, True, False])],
)
def test_where_a_life_can_not_be_told_it_says_why(ages: list[float], failed: list[bool]) -> None:
    found = fit_weibull(np.array(ages), np.array(failed, dtype=bool))
    assert isinstance(found, Refused)
    assert len(found.reason.split()) > 5


def test_the_last_stretch_is_censored_and_the_first_kept_only_of_a_new_part() -> None:
    at = np.array([30.0, 10.0, 60.0])
    new = lives(at, 0.0, 100.0, new_at_begin=True)
    assert new.ages.tolist() == [10, 20, 30, 40]
    assert new.failed.tolist() == [True, True, True, False]
    used = lives(at, 0.0, 100.0, new_at_begin=False)
    assert used.ages.tolist() == [20, 30, 40]
    assert used.failed.tolist() == [True, True, False]


def test_without_a_fault_a_new_parts_watch_is_one_censored_stretch() -> None:
    none = np.array([])
    assert lives(none, 0.0, 50.0, new_at_begin=True).failed.tolist() == [False]
    assert lives(none, 0.0, 50.0, new_at_begin=False).ages.size == 0


def test_faults_that_come_ever_more_often_are_seen() -> None:
    rng = np.random.default_rng(2)
    worse = changing_rate(100 * rng.random(40) ** (1 / 2.5), 100.0)
    assert isinstance(worse, ChangingRate)
    assert worse.p_value < 0.001
    assert worse.laplace > 3
    assert worse.mean_between_at_end < 100 / 40


def test_limits_of_the_mean_at_the_end_cover_as_stated() -> None:
    """400 tools with about 20 faults at a rate that doubles from middle to end, at 80 %."""
    rng = np.random.default_rng(3)
    covered = 0
    for _ in range(400):
        at = 100 * rng.random(rng.poisson(20)) ** (1 / 2)
        found = changing_rate(at, 100.0, 0.8)
        assert isinstance(found, ChangingRate)
        covered += found.low_mean_between <= 100 / (20 * 2) <= found.high_mean_between
    assert 0.74 < covered / 400 < 0.87


def test_too_few_faults_say_nothing_of_a_change() -> None:
    assert isinstance(changing_rate(np.array([1.0, 2.0]), 5.0), Refused)
    assert isinstance(changing_rate(np.array([5.0, 5.0, 5.0]), 5.0), Refused)
    assert isinstance(changing_counts(np.array([1.0, 2.0]), np.array([0, 5])), Refused)


def test_counts_say_of_a_change_what_instants_say() -> None:
    rng = np.random.default_rng(4)
    at = 100 * rng.random(3000) ** (1 / 1.6)
    by_counts = changing_counts(np.arange(1.0, 101), np.histogram(at, np.arange(0.0, 101))[0])
    by_instants = changing_rate(at, 100.0)
    assert not isinstance(by_counts, Refused)
    assert isinstance(by_instants, ChangingRate)
    assert by_counts.shape == pytest.approx(by_instants.shape, rel=0.02)


def test_tools_whose_watch_is_over_share_no_further_fault() -> None:
    found = mean_cumulative(np.array([5.0, 20.0]), np.array([10.0, 30.0]))
    assert [found.at(age) for age in (0, 5, 19.9, 20)] == [0, 0.5, 0.5, 1.5]


@pytest.mark.parametrize(
    "bad",
    [
        lambda: fit_weibull(np.array([1.0, 2.0]), np.array([True])),
        lambda: fit_weibull(np.array([0.0, 2.0]), np.array([True, True])),
        lambda: fit_weibull(np.array([np.nan, 2.0]), np.array([True, True])),
        lambda: fit_weibull(np.array([1.0, 2.0]), np.array([True, True]), 0.0),
        lambda: lives(np.array([5.0]), 10.0, 20.0, new_at_begin=True),
        lambda: lives(np.array([np.nan]), 0.0, 20.0, new_at_begin=True),
        lambda: lives(np.array([]), 10.0, 5.0, new_at_begin=True),
        lambda: changing_rate(np.array([0.0, 1.0, 2.0]), 5.0),
        lambda: changing_rate(np.array([1.0, 2.0, np.nan]), 5.0),
        lambda: changing_rate(np.array([1.0, 2.0, 3.0]), 5.0, 1.5),
        lambda: changing_counts(np.array([2.0, 1.0]), np.array([1, 1])),
        lambda: changing_counts(np.array([1.0]), np.array([1])),
        lambda: mean_cumulative(np.array([]), np.array([])),
        lambda: mean_cumulative(np.array([5.0]), np.array([4.0])),
        lambda: mean_cumulative(np.array([-5.0]), np.array([4.0])),
        lambda: Weibull(2, 1, 3, 9, 8, 10, 5, 0, -1, 0.9).remaining(0, 1.0),
    ],
)
def test_what_can_not_be_is_refused_with_a_sentence(bad: Callable[[], object]) -> None:
    with pytest.raises(ValueError, match=r"\w+ \w+ \w+"):
        bad()
