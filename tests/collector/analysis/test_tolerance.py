"""A tolerance band learnt from good curves: what it keeps inside, and what it sees."""

from dataclasses import replace

import numpy as np
import pytest

from collector.analysis.tolerance import distance, learn
from simulators.tool import BANDS, Disturbance, Joint, Sampling, Settings, Tool, attempt, draw_joint

EVERY_MS = Sampling(interval_us=1000, most=1000, step_n=0.1)


def curves(
    count: int,
    seed: int,
    *,
    tool: Tool | None = None,
    joint: Joint | None = None,
    disturbance: Disturbance = "none",
    sampling: Sampling = EVERY_MS,
) -> list[np.ndarray]:
    rng = np.random.default_rng(seed)
    return [
        attempt(
            tool or Tool("1"),
            Settings.recommended("B15-048"),
            BANDS["B15-048"],
            joint or draw_joint(rng),
            620.0,
            sampling,
            rng,
            disturbance,
        ).steps
        * sampling.step_n
        for _ in range(count)
    ]


BAND = learn(curves(60, 1), 1000)


@pytest.mark.parametrize(("share", "learnt"), [(0.9, 50), (0.95, 60)])
def test_further_good_curves_stay_inside_as_often_as_promised(share: float, learnt: int) -> None:
    """Over 20 bands and 400 further curves: at least the promised share, less three standard errors."""
    inside = []
    for seed in range(20):
        band = learn(curves(learnt, seed), 1000, inside_share=share)
        further = curves(20, 1000 + seed)
        inside.append(np.mean([(distance(each, 1000, band).distance or 9) <= 1 for each in further]))
    assert np.mean(inside) >= share - 3 * np.std(inside, ddof=1) / np.sqrt(len(inside))
    assert np.mean(inside) <= share + 0.08


def test_a_lock_that_slips_leaves_the_band_after_the_lock() -> None:
    (slipped,) = curves(1, 2, joint=Joint(12.0, slip_mm=0.25))
    found = distance(slipped, 1000, BAND)
    assert found.distance is not None
    assert found.distance > 2
    worst = max(found.departures, key=lambda departure: departure.worst)
    assert worst.side == "below"
    assert 100 < worst.worst_ms < 220
    assert worst.excess > 20


@pytest.mark.parametrize(
    "odd",
    [
        curves(1, 3, disturbance="loose joint")[0],
        curves(1, 3, disturbance="trigger released")[0],
        curves(1, 3, tool=replace(Tool("1"), punch_wear=0.6))[0],
        curves(1, 3, joint=Joint(12.0, softness_mm=3.0))[0],
    ],
    ids=["loose joint", "trigger released", "lock not formed", "soft joint"],
)
def test_what_is_wrong_with_a_curve_leaves_the_band(odd: np.ndarray) -> None:
    found = distance(odd, 1000, BAND)
    assert found.distance is not None
    assert found.distance > 1.2
    assert found.departures


def test_departures_are_in_order_and_say_how_far() -> None:
    centre = np.interp(np.arange(700) - 400.0, BAND.offset_ms, BAND.centre, left=6.0, right=0.0)
    centre[520:540] -= 300
    found = distance(centre, 1000, BAND)
    assert [departure.side for departure in found.departures].count("below") == 1
    (below,) = [departure for departure in found.departures if departure.side == "below"]
    assert below.to_ms - below.from_ms == pytest.approx(19, abs=1.5)
    at = int(np.argmin(np.abs(BAND.offset_ms - below.worst_ms)))
    assert below.excess == pytest.approx(300 - BAND.half_width[at], abs=12)
    assert below.worst == pytest.approx(300 / BAND.half_width[at], rel=0.05)


def test_the_centre_of_the_band_is_at_no_distance() -> None:
    found = distance(BAND.centre, 1000, BAND)
    assert found.distance is not None
    assert found.distance < 0.4
    assert found.departures == ()
    assert found.typical_distance is not None
    assert found.typical_distance <= found.distance


def test_wrong_curves_among_the_good_ones_do_no_harm() -> None:
    """A twelfth of loose joints and released triggers is left out, and the band is as narrow as without."""
    odd = curves(5, 4, disturbance="loose joint") + curves(5, 5, disturbance="trigger released")
    good = curves(110, 6)
    mixed = learn([curve for pair in zip(good[:10], odd, strict=True) for curve in pair] + good[10:], 1000)
    plain = learn(good, 1000)
    assert np.median(mixed.half_width) == pytest.approx(np.median(plain.half_width), rel=0.35)
    assert mixed.left_out >= 3
    assert all((distance(each, 1000, mixed).distance or 9) > 5 for each in odd)


def test_longer_slack_alone_is_inside() -> None:
    """Curves are laid over each other at half of the rise; the slack has its own feature."""
    (slack,) = curves(1, 8, joint=Joint(16.0))
    found = distance(slack, 1000, BAND)
    assert found.distance is not None
    assert found.distance < 1.1


def test_another_sample_interval_is_compared_too() -> None:
    for curve in curves(3, 9, sampling=Sampling(interval_us=2000, most=1000, step_n=0.1)):
        found = distance(curve, 2000, BAND)
        assert found.distance is not None
        assert found.distance < 1.6
        assert found.covered_share > 0.85


@pytest.mark.parametrize("curve", [np.empty(0), np.zeros(400), np.full(400, np.nan)])
def test_a_curve_without_a_rise_is_refused(curve: np.ndarray) -> None:
    found = distance(curve, 1000, BAND)
    assert found.distance is None
    assert found.refused


def test_missing_samples_are_bridged_and_a_short_curve_says_what_it_covers() -> None:
    (curve,) = curves(1, 10)
    whole = distance(curve, 1000, BAND)
    curve[100:110] = np.nan
    assert distance(curve, 1000, BAND).distance == pytest.approx(whole.distance, rel=0.2)
    assert distance(curve[: curve.size - 100], 1000, BAND).covered_share < whole.covered_share - 0.1


def test_noiseless_equal_curves_make_a_narrow_band() -> None:
    same = [BAND.centre] * 50
    band = learn(same, 1000)
    assert distance(BAND.centre, 1000, band).departures == ()
    assert distance(BAND.centre * 1.01, 1000, band).departures != ()


@pytest.mark.parametrize(
    ("count", "share", "needed"), [(49, 0.95, 50), (0, 0.95, 50), (150, 0.99, 198), (60, 0.97, 66)]
)
def test_too_few_curves_are_refused_with_the_number_it_takes(count: int, share: float, needed: int) -> None:
    with pytest.raises(ValueError, match=f"it takes {needed} of one tool"):
        learn(curves(count, 1), 1000, inside_share=share)


def test_a_share_that_needs_all_of_them_is_refused_where_one_is_left_out() -> None:
    odd = curves(1, 3, disturbance="loose joint")
    with pytest.raises(ValueError, match="197 usable curves of the 198 given"):
        learn([*curves(197, 2), *odd], 1000, inside_share=0.99)
    assert learn([*curves(49, 2), *odd], 1000).left_out == 1


def test_curves_without_a_rise_do_not_count() -> None:
    with pytest.raises(ValueError, match="49 usable curves of the 60"):
        learn(curves(49, 1) + [np.zeros(500)] * 11, 1000)


@pytest.mark.parametrize("share", [0.2, 1.0, float("nan")])
def test_a_share_that_is_none_is_refused(share: float) -> None:
    with pytest.raises(ValueError, match="inside_share"):
        learn([], 1000, inside_share=share)
