"""Charts: statistics, phase I, autocorrelation, restarts."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lfilter

from collector.analysis import chart_design
from collector.analysis.baseline import Baseline, NoBaseline, autocorrelation, phase_one
from collector.analysis.chart_design import Cusum, Design, Ewma, draw
from collector.analysis.charts import Chart, Restart, chart, chart_stretches
from collector.analysis.run_length import run_length
from collector.analysis.run_rules import ZONES, Floats
from tests.recursed import cusum, ewma

QUICK = Design(moving_range=False, ewma=None, cusum=None)
"""Its run length is exact: nothing to simulate."""


def steady(count: int, seed: int = 1) -> Floats:
    return np.random.default_rng(seed).normal(250.0, 4.0, count)


def autoregressive(count: int, coefficient: float, seed: int = 1) -> Floats:
    noise = np.random.default_rng(seed).normal(0.0, 1.0, count + 200)
    return 250.0 + np.asarray(lfilter([1.0], [1.0, -coefficient], noise)[200:], np.float64)


def accepted(found: Baseline | NoBaseline) -> Baseline:
    assert isinstance(found, Baseline), found
    return found


# ---- statistics ----------------------------------------------------------------------------------


@given(st.lists(st.floats(-5, 5), min_size=1, max_size=50), st.floats(0, 2), st.floats(0, 3))
def test_a_cusum_is_its_recursion(z: list[float], allowance: float, head_start: float) -> None:
    highs, lows = cusum(np.array(z), allowance, head_start)
    high = low = head_start
    for at, value in enumerate(z):
        high, low = max(0.0, high + value - allowance), max(0.0, low - value - allowance)
        assert (highs[at], lows[at]) == pytest.approx((high, low), abs=1e-9)


@given(st.lists(st.floats(-5, 5), min_size=1, max_size=50), st.floats(0.01, 1), st.floats(-3, 3))
def test_an_ewma_is_its_recursion(z: list[float], weight: float, start: float) -> None:
    found = ewma(np.array(z), weight, start)
    level = start
    for value, ours in zip(z, found.tolist(), strict=True):
        level = weight * value + (1 - weight) * level
        assert ours == pytest.approx(level, abs=1e-9)


ALL_ON = Design(
    (*ZONES, "six_rising_or_falling", "fourteen_alternating"),
    ewma=Ewma(widening=True),
    cusum=Cusum(head_start_sigmas=2.0),
)


@pytest.mark.parametrize("block", [1, 7, 64])
@pytest.mark.parametrize("cuts", [[], [1, 20, 300]], ids=["at once", "in four parts"])
def test_charts_go_on_where_they_stood(block: int, cuts: list[int], monkeypatch: pytest.MonkeyPatch) -> None:
    """Drawn in one block, in many, or call by call: the same statistics and signals of every test."""
    values = np.random.default_rng(3).normal(100.7, 2.0, (3, 500))
    values[:, 200:230] = 100 + np.tile([3.0, -3.0], 15)
    values[:, 230:237] = np.arange(7) + 97
    values[:, 240:260] = 100.5
    values[:, 300:340] -= 4
    whole = draw(values, ALL_ON, 100.0, 2.0, 2.5)
    assert all(flags.any() for flags in whole.signals.values())
    monkeypatch.setattr(chart_design, "BLOCK", block)
    standing, parts = None, []
    for part in np.split(values, cuts, axis=1):
        parts.append(draw(part, ALL_ON, 100.0, 2.0, 2.5, standing))
        standing = parts[-1].standing
    assert standing is not None
    assert standing.count == 500
    for name in ("moving_range", "ewma", "cusum_high", "cusum_low"):
        joined = np.concatenate([getattr(part, name) for part in parts], axis=1)
        np.testing.assert_allclose(joined, getattr(whole, name), atol=1e-9)
    for test, flags in whole.signals.items():
        assert np.array_equal(np.concatenate([part.signals[test] for part in parts], axis=1), flags), test


@pytest.mark.parametrize(
    "make",
    [
        lambda: Ewma(0.0),
        lambda: Ewma(1.5),
        lambda: Ewma(0.2, float("nan")),
        lambda: Cusum(-0.1),
        lambda: Cusum(0.5, 0.0),
        lambda: Cusum(0.5, 5.0, 5.0),
        lambda: Design(limit_sigmas=-3.0),
        lambda: Design((), 3.0, False, None, None),
    ],
)
def test_a_design_without_sense_is_refused(make: "type[object]") -> None:
    with pytest.raises(ValueError, match=r"\w+ \w+ \w+"):
        make()


# ---- phase I -------------------------------------------------------------------------------------


def test_values_left_out_are_listed_with_the_reason() -> None:
    """Missing, left out by a person, beyond the limits of the others."""
    values = steady(100, 4)
    values[10], values[20], values[30] = np.nan, 254.0, 310.0
    found = accepted(phase_one(values, {20: "band misfed"}))
    assert found.count == 97
    assert [each.index for each in found.left_out] == [10, 20, 30]
    assert [each.reason for each in found.left_out[:2]] == ["no value", "band misfed"]
    assert "sigmas from the center line" in found.left_out[2].reason
    assert found.sigma == pytest.approx(4.0, rel=0.2)


def test_a_measure_that_only_some_cycles_have_is_charted_like_any_other() -> None:
    """Neighbours are the values, not the cycles."""
    values = steady(60, 4)
    sparse = np.full(180, np.nan)
    sparse[::3] = values
    whole, some = accepted(phase_one(values)), accepted(phase_one(sparse))
    assert (some.count, some.center, some.sigma) == (whole.count, whole.center, whole.sigma)


def test_a_value_left_out_takes_both_its_moving_ranges_along() -> None:
    values = steady(60, 4)
    whole = accepted(phase_one(values))
    assert not whole.left_out
    spoilt = values.copy()
    spoilt[30] = 1e6
    without = accepted(phase_one(spoilt))
    ranges = np.delete(np.abs(np.diff(values)), [29, 30])
    assert without.sigma == pytest.approx(ranges.mean() / 1.1283791671, rel=1e-9)
    assert whole.sigma != without.sigma


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (np.array([]), "only 0 values"),
        (steady(24), "only 24 values"),
        (np.full(100, np.nan), "only 0 values"),
        (np.full(100, 7.0), "all values are equal"),
        (np.concatenate((steady(50), steady(50, 2) + 20)), "steadier|another"),
        (np.cumsum(steady(200) - 250), "another|steadier"),
        (np.tile([1.0, 2.0], 50), "follow from each other|another"),
        (np.where(np.arange(100) % 60 == 0, np.inf, 5.0), "all values are equal"),
        (np.where(np.arange(100) % 6 == 0, 400.0, steady(100)), "another|steadier|independent"),
    ],
    ids=[
        "none",
        "few",
        "no value at all",
        "constant",
        "a step",
        "a random walk",
        "alternating",
        "infinite",
        "every sixth far out",
    ],
)
def test_an_unfit_baseline_is_refused_with_a_sentence(values: Floats, words: str) -> None:
    found = phase_one(values)
    if isinstance(found, NoBaseline):
        assert any(word in found.refused for word in words.split("|"))
    else:  # a regular pattern is no outlier: it must at least be seen as dependence
        assert "independent" in words
        assert found.autocorrelation.found


def test_an_accepted_baseline_is_refused_seldom_when_all_is_well() -> None:
    found = [phase_one(steady(100, seed)) for seed in range(200)]
    assert sum(isinstance(each, NoBaseline) for each in found) <= 10
    assert sum(isinstance(each, Baseline) and each.treatment != "independent" for each in found) <= 10


# ---- autocorrelation -----------------------------------------------------------------------------


def test_dependence_is_found_and_residuals_are_charted() -> None:
    """Without that, an autoregression with 0.7 signals some fifty times too often."""
    values = autoregressive(20_000, 0.7)
    baseline = accepted(phase_one(values[:300]))
    assert baseline.treatment == "residuals"
    assert baseline.coefficients[0] == pytest.approx(0.7, abs=0.15)
    assert baseline.sigma == pytest.approx(1.0, rel=0.15)
    drawn = chart(values, baseline, QUICK)
    assert drawn.signalled().size / values.size < 3 / 370
    naive = np.abs(values - baseline.center) > 3 * np.abs(np.diff(values[:300])).mean() / 1.128
    assert naive.mean() > 10 / 370
    assert (drawn.limits.center, drawn.places[0]) == (0.0, len(baseline.coefficients))
    assert drawn.run_length is not None


def test_limits_are_widened_on_request_and_the_run_length_is_then_unknown() -> None:
    """Individuals to the whole deviation, EWMA and CUSUM to the long-run one: 1/√(1 − φ²) and 1/(1 − φ)."""
    values = autoregressive(50_000, 0.5)
    baseline = accepted(phase_one(values[:2000], treat="widened"))
    assert baseline.treatment == "widened"
    assert baseline.sigma == pytest.approx(1 / np.sqrt(0.75), rel=0.1)
    assert baseline.long_run_sigma == pytest.approx(2.0, rel=0.2)
    design = Design(moving_range=False)
    drawn = chart(values, baseline, design)
    assert drawn.run_length is None
    episodes = sum(
        int(np.diff(flags.astype(int), prepend=0).clip(0).sum()) for flags in drawn.drawing.signals.values()
    )
    assert episodes / values.size < 2 / 87


@pytest.mark.parametrize(
    "values", [np.array([1.0, 2.0, 3.0]), np.full(10, 2.0), np.array([1, np.nan, 2, 3.0])]
)
def test_autocorrelation_of_what_has_none_is_refused(values: Floats) -> None:
    with pytest.raises(ValueError, match="at least 4 finite values"):
        autocorrelation(values)


# ---- phase II ------------------------------------------------------------------------------------


def test_a_shift_is_signalled_at_its_place_among_the_values_given() -> None:
    """Cycles without the value are passed over, but places still count them."""
    values = steady(400)
    values[::7] = np.nan
    values[301] = 290.0
    drawn = chart(values, accepted(phase_one(values[:200])), QUICK)
    assert 301 in drawn.signalled().tolist()
    assert drawn.charted.size == int(np.isfinite(values).sum()) == drawn.places.size
    values[:] = 250.0
    values[123] = 290.0
    again = chart(values, drawn.baseline, QUICK)
    assert again.signalled().tolist() == [123]


def test_a_chart_of_nothing_is_empty() -> None:
    drawn = chart(np.full(5, np.nan), accepted(phase_one(steady(100))), Design())
    assert drawn.charted.size == drawn.signalled().size == 0


def test_the_run_length_shown_is_that_of_what_is_switched_on() -> None:
    drawn = chart(steady(100), accepted(phase_one(steady(100))), QUICK)
    assert drawn.run_length == run_length(QUICK)
    assert drawn.run_length is not None
    assert (round(drawn.run_length.values, 4), drawn.run_length.method) == (370.3983, "exact")


# ---- restarts ------------------------------------------------------------------------------------


def test_limits_restart_at_a_service_a_swap_and_a_settings_change() -> None:
    """Each stretch has its own level; none signals for the level of the one before."""
    values = np.concatenate((steady(150), steady(150, 2) - 60, steady(150, 3) + 60, steady(10, 4)))
    values[405] = 400.0
    restarts = [Restart(300, "swap"), Restart(150, "service"), Restart(450, "settings changed")]
    stretches = chart_stretches(values, restarts, QUICK, left_out={153: "trial part"})
    assert [(each.first, each.end, each.reason) for each in stretches] == [
        (0, 150, "first values"),
        (150, 300, "service"),
        (300, 450, "swap"),
        (450, 460, "settings changed"),
    ]
    charts = [each.chart for each in stretches if isinstance(each.chart, Chart)]
    assert [drawn.limits.center for drawn in charts] == pytest.approx([250, 190, 310], abs=2)
    assert [each.index for each in charts[1].baseline.left_out] == [153]
    assert 405 in charts[2].signalled().tolist()
    assert sum(drawn.signalled().size for drawn in charts) <= 5
    last = stretches[3].chart
    assert isinstance(last, NoBaseline)
    assert "only 10 values" in last.refused


def test_a_restart_outside_the_values_is_refused() -> None:
    with pytest.raises(ValueError, match="outside"):
        chart_stretches(steady(50), [Restart(51, "service")], QUICK)


def test_a_stretch_that_began_earlier_keeps_the_limits_that_it_has() -> None:
    """Only the first stretch; the next has its own."""
    earlier = accepted(phase_one(steady(100) - 50))
    first, second = chart_stretches(steady(200), [Restart(100, "swap")], QUICK, first_baseline=earlier)
    assert isinstance(first.chart, Chart)
    assert isinstance(second.chart, Chart)
    assert first.chart.baseline == earlier
    assert first.chart.signalled().size == 100
    assert second.chart.limits.center == pytest.approx(250, abs=2)
    assert chart_stretches(np.array([]), [Restart(0, "swap")], QUICK) == ()


def test_restarts_at_the_ends_make_no_empty_stretch() -> None:
    values = steady(60)
    ends = [Restart(0, "service"), Restart(60, "swap"), Restart(0, "settings changed")]
    stretches = chart_stretches(values, ends, QUICK)
    assert [(each.first, each.end, each.reason) for each in stretches] == [(0, 60, "service")]


@pytest.mark.parametrize("values", [np.zeros((3, 3)), np.float64(3.0)])
def test_one_row_of_values_is_asked_for(values: Floats) -> None:
    with pytest.raises(ValueError, match="one row"):
        phase_one(values)
    with pytest.raises(ValueError, match="one row"):
        chart(values, accepted(phase_one(steady(100))), QUICK)


@given(count=st.integers(1, 400), newest=st.integers(0, 450), block=st.integers(20, 90))
def test_lines_that_are_not_kept_change_no_signal(count: int, newest: int, block: int) -> None:
    """The lines are those of the newest values, the signals of all, however the values fall into blocks."""
    values = np.random.default_rng(count).normal(0.3, 1.2, count)
    whole = draw(values, Design())
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(chart_design, "BLOCK", block)
        part = draw(values, Design(), newest=newest)
    kept = min(newest, count)
    for line in ("moving_range", "ewma", "cusum_high", "cusum_low"):
        expected, found = getattr(whole, line)[count - kept :], getattr(part, line)
        np.testing.assert_allclose(found, expected, atol=1e-9)
    assert all((part.signals[test] == flags).all() for test, flags in whole.signals.items())
