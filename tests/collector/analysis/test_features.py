"""What a curve's features promise, on curves of the physical model and on broken ones."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from collector.analysis.features import Features, features, features_of, slope_at
from collector.model import Curve
from simulators.tool import (
    BANDS,
    Attempt,
    Disturbance,
    Joint,
    Pull,
    Sampling,
    Settings,
    Tool,
    attempt,
    draw_joint,
)
from tests.benchmarks.features import measure

BAND = BANDS["B15-048"]
ODD_VALUES = st.sampled_from([float("nan"), float("inf"), -1e300, 1e11, 1e-300])
EVERY_MS = Sampling(interval_us=1000, most=1000, step_n=0.1)
EVERY_2_MS = Sampling(interval_us=2000, most=600, step_n=0.44482216152605)
SPEED_MM_S = 40.0


def pull(
    seed: int,
    sampling: Sampling = EVERY_MS,
    joint: Joint | None = None,
    tool: Tool | None = None,
    disturbance: Disturbance = "none",
) -> tuple[Attempt, np.ndarray]:
    """An attempt and its samples in N."""
    rng = np.random.default_rng(seed)
    tried = attempt(
        tool or Tool("1"),
        Settings.recommended(BAND.name, SPEED_MM_S),
        BAND,
        joint or draw_joint(rng),
        620.0,
        sampling,
        rng,
        disturbance,
    )
    return tried, tried.steps * sampling.step_n


def read(seed: int, sampling: Sampling = EVERY_MS) -> tuple[Attempt, Features]:
    tried, values = pull(seed, sampling)
    return tried, features_of(values, sampling.interval_us, tension_speed_mm_s=SPEED_MM_S)


# ---- against the model's truth -------------------------------------------------------------------


@pytest.mark.parametrize("sampling", [EVERY_MS, EVERY_2_MS])
@pytest.mark.parametrize("seed", range(12))
def test_features_are_those_of_the_pull(seed: int, sampling: Sampling) -> None:
    """The controller measures peak (with the noise on top), lock and loss on its own; the model knows the
    rest.
    """
    tried, found = read(seed, sampling)
    assert tried.lock_tension_n is not None
    assert tried.seating_loss_n is not None
    assert found.notes == ()
    assert found.peak == pytest.approx(tried.peak_tension_n, abs=4.5)
    assert found.lock == pytest.approx(tried.lock_tension_n, abs=1.5)
    assert found.seating_loss == pytest.approx(tried.seating_loss_n, abs=2.0)
    # The drag ends while the joint takes the load, so the rise seems to begin late, always by about as much.
    assert found.take_up_ms == pytest.approx(tried.take_up_ms + 6.4, abs=2.5)
    assert found.take_up_travel_mm == pytest.approx(SPEED_MM_S * (tried.take_up_ms + 6.4) / 1000, abs=0.1)
    # The model's curve goes on for 40 ms after the cut; the tension is gone in 12 ms.
    assert found.duration_ms == pytest.approx(tried.duration_ms - 28, abs=4)
    assert found.noise == pytest.approx(1.2, rel=0.6)
    assert not found.clipped
    assert not found.truncated


@pytest.mark.parametrize("softness_mm", [1.6, 2.0, 2.6])
def test_slope_is_right_and_its_standard_error_honest(softness_mm: float) -> None:
    """Over 120 curves of one joint: within 1 % of the model's slope, spread as the standard error says."""
    joint = Joint(slack_mm=12.0, softness_mm=softness_mm)
    found = [features_of(pull(seed, joint=joint)[1], 1000) for seed in range(120)]
    slopes = np.array([each.slope_per_s for each in found])
    errors = np.array([each.slope_standard_error_per_s for each in found])
    assert slopes.std(ddof=1) / errors.mean() == pytest.approx(1.0, abs=0.25)
    held = Pull.of(Tool("1"), Settings.recommended(BAND.name, SPEED_MM_S), BAND, joint)
    at = np.linspace(held.contact_s, held.reach_s, 40_001)
    true_n = held.tension_n(at)
    half = int(np.searchsorted(true_n, 6 + (float(np.median([each.peak or 0 for each in found])) - 6) / 2))
    true_slope = (true_n[half + 40] - true_n[half - 40]) / (at[half + 40] - at[half - 40])
    assert slopes.mean() == pytest.approx(true_slope, rel=0.01)


def test_a_level_stretch_has_no_slope_and_no_certainty() -> None:
    assert slope_at(np.full(20, 3.0), 3.0) == (0.0, float("inf"))


def test_work_is_that_of_joint_and_band() -> None:
    """Area × speed against the integral of tension over travel from contact to the torque limit."""
    joint = Joint(slack_mm=12.0)
    _, values = pull(1, joint=joint)
    tension_n = np.linspace(0, Tool("1").tension_n(BAND.recommended_torque_nm), 2000)
    expected_j = float(np.trapezoid(tension_n, joint.travel_mm(tension_n, BAND))) / 1000
    found = features_of(values, 1000, tension_speed_mm_s=SPEED_MM_S)
    assert found.work_j == pytest.approx(expected_j, rel=0.07)


def test_a_softer_joint_shows_in_the_slope_and_more_slack_in_the_take_up() -> None:
    normal = features_of(pull(1, joint=Joint(12.0))[1], 1000)
    softer = features_of(pull(1, joint=Joint(12.0, softness_mm=2.5))[1], 1000)
    slacker = features_of(pull(1, joint=Joint(18.0))[1], 1000)
    assert (softer.slope_per_s or 0) / (normal.slope_per_s or 1) == pytest.approx(2.0 / 2.5, rel=0.03)
    assert (slacker.take_up_ms or 0) - (normal.take_up_ms or 0) == pytest.approx(150, abs=2)
    assert slacker.slope_per_s == pytest.approx(normal.slope_per_s or 0, rel=0.02)


@pytest.mark.parametrize("slip_mm", [0.02, 0.04, 0.16, 0.3])
def test_seating_loss_is_found_small_and_large(slip_mm: float) -> None:
    for seed in range(10):
        tried, values = pull(seed, joint=Joint(12.0, slip_mm=slip_mm))
        assert features_of(values, 1000).seating_loss == pytest.approx(tried.seating_loss_n or 0, abs=2.0)


def test_a_lock_that_did_not_form_has_no_seating_loss() -> None:
    for seed in range(30):
        tried, values = pull(seed, tool=replace(Tool("1"), punch_wear=0.6))
        assert tried.ending == "not formed"
        found = features_of(values, 1000)
        assert (found.lock, found.settle, found.seating_loss) == (None, None, None)
        assert found.notes == ("no step of a seating loss between peak and cut",)


# ---- curves that are not whole -------------------------------------------------------------------


def test_no_band_shows_no_rise() -> None:
    found = features_of(pull(1, disturbance="no band")[1], 1000)
    assert found.take_up_ms is None
    assert found.slope_per_s is None
    assert found.notes == ("nothing rises above the noise",)


def test_a_released_trigger_still_has_a_rise() -> None:
    found = features_of(pull(3, disturbance="trigger released")[1], 1000)
    assert found.take_up_ms is not None
    assert found.seating_loss is None


@pytest.mark.parametrize("values", [[], [1.0], [1.0] * 7])
def test_too_few_samples_say_so(values: list[float]) -> None:
    found = features_of(np.array(values), 1000)
    assert found.peak is None
    assert found.notes == (f"{len(values)} samples are too few for a curve",)


@pytest.mark.parametrize("level", [0.0, 5.0, -3.0])
def test_a_flat_curve_has_no_rise(level: float) -> None:
    found = features_of(np.full(500, level), 1000)
    assert found.peak == level
    assert found.slope_per_s is None
    assert not found.clipped


def test_the_fixed_length_of_a_curve_block_does_not_matter() -> None:
    """A controller that pads its curve with zeros gives the same features."""
    values = pull(1)[1]
    padded = features_of(np.concatenate((values, np.zeros(1000 - values.size))), 1000)
    plain = features_of(values, 1000)
    assert padded.duration_ms == plain.duration_ms
    assert padded.take_up_ms == pytest.approx(plain.take_up_ms or 0, abs=0.5)
    assert padded.seating_loss == pytest.approx(plain.seating_loss or 0, abs=0.5)


def test_a_curve_that_ends_early_says_so() -> None:
    values = pull(1)[1]
    found = features_of(values[: values.size - 70], 1000)
    assert found.truncated
    assert "the curve ends before the tension is gone" in found.notes
    assert found.duration_ms == values.size - 71
    assert found.slope_per_s == pytest.approx(features_of(values, 1000).slope_per_s or 0, rel=1e-9)


def test_a_curve_that_begins_in_the_rise_says_so() -> None:
    values = pull(1, joint=Joint(12.0))[1]
    found = features_of(values[400:], 1000)
    assert "the curve begins in the rise or just ahead of it: its drag is not certain" in found.notes


def test_a_clipped_curve_says_so_and_its_peak_is_the_ceiling() -> None:
    values = np.minimum(pull(1)[1], 600.0)
    found = features_of(values, 1000)
    assert found.clipped
    assert found.peak == pytest.approx(600.0, abs=1e-9)


def test_a_converter_at_its_end_is_clipped() -> None:
    values = pull(1)[1]
    for scale, clipped in ((0.02, True), (0.04, False)):
        steps = np.clip(np.rint(values / scale), 0, 32767).astype("<i2")
        assert features(Curve(1, 1000, "tension_n", steps.tobytes(), "int16", scale, 0.0)).clipped == clipped


def test_spikes_and_missing_samples_are_bridged() -> None:
    values = pull(1)[1]
    plain = features_of(values, 1000)
    broken = values.copy()
    broken[[50, 200, 350, 450, 520]] = [3000.0, -500.0, 2000.0, 1500.0, np.nan]
    found = features_of(broken, 1000)
    for name in ("peak", "take_up_ms", "half_rise_ms", "slope_per_s", "lock", "seating_loss"):
        assert getattr(found, name) == pytest.approx(getattr(plain, name), rel=0.02, abs=0.5), name


def test_a_curve_of_mostly_no_numbers_is_refused() -> None:
    values = pull(1)[1]
    values[::3] = np.nan
    found = features_of(values, 1000)
    assert found.peak is None
    assert "are no numbers" in found.notes[0]


@pytest.mark.parametrize("interval_us", [5_000, 10_000, 20_000])
def test_slow_sampling_still_gives_what_it_can(interval_us: int) -> None:
    """Every 10 ms there are five samples in the rise; the slope is that of a line, with a wide error."""
    tried, values = pull(1, Sampling(interval_us, 1000, 0.1), joint=Joint(12.0))
    found = features_of(values, interval_us)
    assert found.take_up_ms == pytest.approx(tried.take_up_ms, abs=1.5 * interval_us / 1000 + 7)
    assert found.peak == pytest.approx(tried.peak_tension_n, rel=0.02)
    if interval_us <= 10_000:
        assert found.slope_per_s == pytest.approx(7740, rel=0.2)
        assert (found.slope_standard_error_per_s or 0) > 10


# ---- laws ----------------------------------------------------------------------------------------


@given(seed=st.integers(0, 50), power=st.integers(-10, 10))
@settings(max_examples=25, deadline=None)
def test_features_grow_with_the_samples(seed: int, power: int) -> None:
    """So a torque curve's features times N per N·m are those of the tension curve. Powers of 2: no
    rounding.
    """
    values, factor = pull(seed)[1], 2.0**power
    one, scaled = features_of(values, 1000), features_of(values * factor, 1000)
    for name in (
        "peak",
        "slope_per_s",
        "slope_standard_error_per_s",
        "rise_area_s",
        "lock",
        "seating_loss",
        "noise",
    ):
        assert getattr(scaled, name) == pytest.approx(getattr(one, name) * factor, rel=1e-9)
    assert scaled.take_up_ms == pytest.approx(one.take_up_ms or 0, rel=1e-6)
    assert scaled.duration_ms == one.duration_ms


def test_an_offset_of_the_sensor_moves_the_levels_only() -> None:
    values = pull(1)[1]
    one, moved = features_of(values, 1000), features_of(values + 40, 1000)
    assert (moved.peak or 0) - (one.peak or 0) == pytest.approx(40)
    for name in ("slope_per_s", "seating_loss", "settle", "take_up_ms"):
        assert getattr(moved, name) == pytest.approx(getattr(one, name), rel=1e-6)


@given(
    arrays(np.float64, st.integers(0, 60), elements=st.floats(-1e6, 1e6) | ODD_VALUES),
    st.sampled_from([100.0, 1000.0, 20_000.0]),
)
@settings(max_examples=300, deadline=None)
def test_whatever_comes_gives_features_and_no_nonsense(values: np.ndarray, interval_us: float) -> None:
    found = features_of(values, interval_us, tension_speed_mm_s=SPEED_MM_S)
    most_ms = max(0, values.size - 1) * interval_us / 1000
    for name in ("duration_ms", "take_up_ms", "half_rise_ms"):
        value = getattr(found, name)
        assert value is None or 0 <= value <= most_ms + 1e-9
    for name in ("peak", "slope_per_s", "lock", "settle", "seating_loss", "rise_area_s", "work_j", "noise"):
        value = getattr(found, name)
        assert value is None or np.isfinite(value)
    assert found.samples == values.size


@pytest.mark.parametrize(
    ("values", "interval_us", "speed_mm_s", "says"),
    [
        (np.zeros((2, 9)), 1000, None, "one row of samples"),
        (np.zeros(9), 0, None, "sample_interval_us"),
        (np.zeros(9), float("nan"), None, "sample_interval_us"),
        (np.zeros(9), 1000, -1.0, "tension_speed_mm_s"),
    ],
)
def test_what_is_no_curve_is_refused(
    values: np.ndarray, interval_us: float, speed_mm_s: float | None, says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        features_of(values, interval_us, tension_speed_mm_s=speed_mm_s)


def test_a_curve_as_it_comes_from_a_controller() -> None:
    """Scale and offset are the layout's; half a sample is refused."""
    tried, values = pull(1)
    raw = Curve(1, 1000, "tension_n", tried.steps.astype("<i2").tobytes(), "int16", 0.1, 0.0)
    assert features(raw) == features_of(values, 1000)
    torque = features(replace(raw, quantity="torque_nm"), SPEED_MM_S)
    assert torque.quantity == "torque_nm"
    assert torque.work_j is None
    with pytest.raises(ValueError):
        features(replace(raw, samples=raw.samples[:-1]))


def test_floats_that_no_sensor_gave_are_bridged_too() -> None:
    values = pull(1)[1].astype("<f8")
    values[[30, 200]] = [1e308, np.inf]
    raw = Curve(1, 1000, "tension_n", values.tobytes(), "float64", 10.0, 0.0)
    found, plain = features(raw), features_of(pull(1)[1] * 10, 1000)
    assert found.peak == pytest.approx(plain.peak or 0, rel=1e-3)
    assert found.slope_per_s == pytest.approx(plain.slope_per_s or 0, rel=1e-3)


def test_features_cost_no_more_than_they_may() -> None:
    """Best of short rounds, in plain NumPy passes over the same samples, since machines differ; see
    `python -m tests.benchmarks.features` for microseconds.
    """
    plain_us, array_us, _ = measure(1000, 1000)
    assert array_us < 150 * plain_us


# ---- curves of other shapes ----------------------------------------------------------------------


def drawn(noise_n: float, seed: int = 0, *, interval_ms: float = 1.0, **pieces_ms: float) -> np.ndarray:
    """Straight pieces: 100 ms drag of 10 N, rise to 510 N, dwell, loss of 40 N, seated, cut, nothing."""
    names = {"take_up": 100, "rise": 100, "dwell": 60, "fall": 3, "seated": 40, "cut": 10, "after": 30}
    corners_ms = np.cumsum([0.0, *(pieces_ms.get(name, usual) for name, usual in names.items())])
    levels_n = [10.0, 10.0, 510.0, 510.0, 470.0, 470.0, 0.0, 0.0]
    at_ms = np.arange(0.0, corners_ms[-1], interval_ms)
    return np.interp(at_ms, corners_ms, levels_n) + np.random.default_rng(seed).normal(0, noise_n, at_ms.size)


@pytest.mark.parametrize(
    "pieces_ms",
    [
        {},
        {"rise": 10},
        {"rise": 400},
        {"take_up": 20},
        {"dwell": 25},
        {"dwell": 400},
        {"seated": 20},
        {"fall": 15},
        {"cut": 30},
        {"cut": 2},
    ],
    ids=str,
)
def test_features_do_not_hang_on_the_shape_of_one_tool(pieces_ms: dict[str, Any]) -> None:
    """1 % of noise, and none."""
    rise_ms = pieces_ms.get("rise", 100)
    exact = features_of(drawn(0.0, **pieces_ms), 1000)
    assert exact.take_up_ms == pytest.approx(pieces_ms.get("take_up", 100), abs=1.5)
    assert exact.slope_per_s == pytest.approx(500 / rise_ms * 1000, rel=1e-6)
    assert exact.lock == pytest.approx(510, abs=0.5)
    assert exact.seating_loss == pytest.approx(40, abs=0.5)
    for seed in range(20):
        noisy = features_of(drawn(5.0, seed, **pieces_ms), 1000)
        assert noisy.peak == pytest.approx(510, abs=12)
        assert noisy.take_up_ms == pytest.approx(pieces_ms.get("take_up", 100), abs=12)
        assert noisy.slope_per_s == pytest.approx(500 / rise_ms * 1000, rel=0.1)
        assert noisy.lock == pytest.approx(510, abs=5)
        assert noisy.seating_loss == pytest.approx(40, abs=7)
