"""What trends promise, beside the published values in tests/published/test_trends.py."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from collector.analysis import trend
from collector.analysis.trend import (
    AWAY,
    NO_TREND,
    REACHED,
    TOO_FAR,
    TOO_LITTLE,
    Crossing,
    at_reference_pressure,
    mann_kendall,
    robust_slope,
    trend_to_limit,
    velocity_to_limit,
)
from simulators.tool import BANDS, Sampling, Settings, Tool, attempt, draw_joint

COUNTS = np.arange(600.0) * 40


def falling(seed: int, slope: float = -1e-5) -> np.ndarray:
    return 2.0 + slope * COUNTS + np.random.default_rng(seed).normal(0, 0.02, COUNTS.size)


def crossing_of(found: trend.TrendToLimit) -> Crossing:
    assert found.crossing is not None, found.refused
    return found.crossing


def test_a_clear_trend_gets_an_interval_around_the_truth() -> None:
    found = trend_to_limit(COUNTS, falling(1), 1.6, limit_is="least")
    assert found.refused is None
    crossing = crossing_of(found)
    assert crossing.low_count < 40_000 < crossing.high_count
    assert crossing.low_count < crossing.count < crossing.high_count
    assert found.slope_per_1000_cycles is not None
    assert found.slope_per_1000_cycles.slope == pytest.approx(-0.01, rel=0.05)


def test_a_rising_measure_comes_to_the_most_it_may_be() -> None:
    """The same, turned over: the same counts."""
    down = crossing_of(trend_to_limit(COUNTS, falling(1), 1.6, limit_is="least"))
    up = crossing_of(trend_to_limit(COUNTS, -falling(1), -1.6, limit_is="most"))
    assert up == down


def test_the_order_of_the_cycles_does_not_matter_nor_cycles_without_a_value() -> None:
    values = falling(2)
    values[::7] = np.nan
    mixed = np.random.default_rng(3).permutation(COUNTS.size)
    straight = trend_to_limit(COUNTS, values, 1.6, limit_is="least")
    assert trend_to_limit(COUNTS[mixed], values[mixed], 1.6, limit_is="least") == straight


def test_stray_cycles_do_not_move_it() -> None:
    values = falling(4)
    clean = crossing_of(trend_to_limit(COUNTS, values, 1.6, limit_is="least"))
    values[np.random.default_rng(5).random(COUNTS.size) < 0.05] = 0.1
    strayed = crossing_of(trend_to_limit(COUNTS, values, 1.6, limit_is="least"))
    assert strayed.count == pytest.approx(clean.count, rel=0.02)


@pytest.mark.parametrize(
    ("values", "limit", "reason"),
    [
        (falling(6, 0.0), 1.9, NO_TREND),
        (np.full(600, 2.0), 1.9, NO_TREND),
        (falling(6, 1e-5), 1.6, AWAY),
        (falling(6), -2.0, TOO_FAR),
        (falling(6), 1.9, REACHED),
        (falling(6, 0.0), 2.1, REACHED),
        (np.full(600, np.nan), 1.9, TOO_LITTLE),
    ],
)
def test_where_there_is_no_date_it_says_why(values: np.ndarray, limit: float, reason: str) -> None:
    found = trend_to_limit(COUNTS, values, limit, limit_is="least")
    assert (found.crossing, found.refused) == (None, reason)


def test_noise_that_wanders_is_no_trend() -> None:
    """100 series whose noise holds on for many cycles (autocorrelation 0.8 from block to block), no trend: a
    count is given in at most a few; Mann-Kendall without correction would see a trend in most.
    """
    rng = np.random.default_rng(7)
    given_count = plain = 0
    for _ in range(100):
        noise = np.empty(80)
        noise[0] = rng.normal()
        for index in range(1, 80):
            noise[index] = 0.8 * noise[index - 1] + 0.6 * rng.normal()
        found = trend_to_limit(np.arange(80.0), noise, -4.0, limit_is="least")
        given_count += found.crossing is not None
        plain += mann_kendall(noise).p_value < 0.05
    assert plain > 30
    assert given_count <= 5


def test_too_few_cycles_get_no_trend() -> None:
    for count in (0, 1, 11):
        found = trend_to_limit(COUNTS[:count], falling(1)[:count], 1.6, limit_is="least")
        assert (found.slope_per_1000_cycles, found.refused) == (None, TOO_LITTLE)
    same_count = trend_to_limit(np.full(50, 7.0), np.arange(50.0), 99.0, limit_is="most")
    assert same_count.refused == TOO_LITTLE


@settings(max_examples=40, deadline=None)
@given(
    arrays(np.float64, st.integers(0, 40), elements=st.floats(-1e6, 1e6) | st.just(float("nan"))),
    st.floats(-1e6, 1e6),
    st.integers(1, 5),
)
def test_whatever_the_values_it_ends_in_an_interval_or_a_reason(
    values: np.ndarray, limit: float, alike: int
) -> None:
    counts = np.floor(np.arange(values.size) / alike)
    found = trend_to_limit(counts, values, limit, limit_is="most")
    assert (found.crossing is None) != (found.refused is None)
    if found.crossing is not None:
        assert found.crossing.low_count <= found.crossing.count <= found.crossing.high_count < np.inf


def test_a_straight_line_without_any_noise_is_met_on_the_point() -> None:
    crossing = crossing_of(trend_to_limit(np.arange(50.0), 100 - np.arange(50.0), 20, limit_is="least"))
    assert (crossing.low_count, crossing.high_count) == pytest.approx((80, 80), abs=1e-3)


def test_walks_arrive_as_walks_do() -> None:
    """First passages against walks taken step by step: mean 40 steps at drift 0.5 over 20, and the share
    exp(−2·a·v/σ²) of those that drift away and still arrive.
    """
    rng = np.random.default_rng(8)
    many = np.ones(20_000)
    towards = trend._passage(20 * many, 0.5 * many, many, rng)
    walks = np.cumsum(rng.normal(0.5 * 0.02, np.sqrt(0.02), (2000, 8000)), axis=1)
    walked = (np.argmax(walks >= 20, axis=1) + 1) * 0.02
    assert towards.mean() == pytest.approx(40, rel=0.02)
    assert np.quantile(towards, [0.1, 0.5, 0.9]) == pytest.approx(
        np.quantile(walked, [0.1, 0.5, 0.9]), rel=0.04
    )
    away = trend._passage(2 * many, -0.3 * many, many, rng)
    assert np.isfinite(away).mean() == pytest.approx(np.exp(-2 * 2 * 0.3), abs=0.015)


# ---- punch velocity ------------------------------------------------------------------------------


def test_low_air_does_not_look_like_wear() -> None:
    """A compressor that sags more every day, and a punch that does not wear: uncorrected, a date; corrected,
    none.
    """
    rng = np.random.default_rng(9)
    band, recommended = BANDS["B15-061"], Settings.recommended("B15-061")
    supply = np.linspace(560, 470, 300)
    tool = Tool("1", punch_wear=0.0)
    velocity = np.array(
        [
            attempt(
                tool, recommended, band, draw_joint(rng), kpa, Sampling(5000, 400, 0.5), rng
            ).punch_velocity_m_s
            for kpa in supply
        ],
        dtype=float,
    )
    driven = np.minimum(supply + rng.normal(0, 1.5, 300), recommended.punch_pressure_kpa)
    counts = np.arange(300.0) * 100
    assert velocity_to_limit(counts, velocity, 1.96).crossing is not None
    corrected = at_reference_pressure(velocity, driven, recommended.punch_pressure_kpa)
    assert velocity_to_limit(counts, corrected, 1.96).refused == NO_TREND


def test_velocity_at_reference_pressure_is_the_models() -> None:
    tool = replace(Tool("1"), punch_wear=0.1)
    seen = np.array([tool.punch_velocity_m_s(kpa) for kpa in (300.0, 450.0)])
    corrected = at_reference_pressure(seen, np.array([300.0, 450.0]), 520.0)
    assert corrected == pytest.approx(np.full(2, tool.punch_velocity_m_s(520.0)), rel=1e-12)
    assert np.isnan(at_reference_pressure(seen, np.array([0.0, np.nan]), 520.0)).all()


def test_energy_goes_straight_with_wear_so_a_long_look_ahead_is_not_bent() -> None:
    """Seen 30 % of the life: in v the straight line would come late, in v² it does not."""
    tool, count = Tool("1"), np.arange(400.0) * 100
    energy = np.array([replace(tool, punch_wear=4e-6 * each).punch_energy_j(520.0) for each in count])
    velocity = np.sqrt(2 * energy / tool.punch_mass_kg)
    limit = replace(tool, punch_wear=0.53).punch_velocity_m_s(520.0)
    crossing = crossing_of(velocity_to_limit(count, velocity, limit))
    assert crossing.count == pytest.approx(0.53 / 4e-6, rel=1e-3)


@pytest.mark.parametrize(
    "bad",
    [
        lambda: mann_kendall(np.array([1.0, 2.0])),
        lambda: mann_kendall(np.array([1.0, np.nan, 2.0])),
        lambda: robust_slope(np.arange(4.0), np.arange(3.0)),
        lambda: robust_slope(np.ones(4), np.arange(4.0)),
        lambda: robust_slope(np.arange(4.0), np.arange(4.0), 0.0),
        lambda: trend_to_limit(np.arange(4.0), np.arange(3.0), 1.0, limit_is="least"),
        lambda: trend_to_limit(np.array([np.nan] * 20), np.arange(20.0), 1.0, limit_is="least"),
        lambda: trend_to_limit(np.arange(20.0), np.arange(20.0), np.nan, limit_is="least"),
        lambda: trend_to_limit(np.arange(20.0), np.arange(20.0), 1.0, 1.0, limit_is="least"),
        lambda: velocity_to_limit(np.arange(20.0), -np.arange(20.0), 1.0),
    ],
)
def test_what_can_not_be_is_refused_with_a_sentence(bad: Callable[[], object]) -> None:
    with pytest.raises(ValueError, match=r"\w+ \w+ \w+"):
        bad()
