"""The physics of one attempt."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from simulators.tool import (
    BANDS,
    MOST_WORN,
    Attempt,
    Disturbance,
    Joint,
    Sampling,
    Settings,
    Tool,
    attempt,
    draw_joint,
)

EVERY_MS = Sampling(interval_us=1000, most=1000, step_n=0.1)
THIN, THICK = "B15-048", "B15-061"


def attempts(
    count: int,
    tool: Tool | None = None,
    settings: Settings | None = None,
    *,
    band: str = THIN,
    supply_kpa: float = 620.0,
    seed: int = 1,
    disturbance: Disturbance = "none",
    sampling: Sampling = EVERY_MS,
) -> list[Attempt]:
    rng = np.random.default_rng(seed)
    chosen = settings or Settings.recommended(band)
    return [
        attempt(
            tool or Tool("1"), chosen, BANDS[band], draw_joint(rng), supply_kpa, sampling, rng, disturbance
        )
        for _ in range(count)
    ]


def mean_velocity(made: list[Attempt]) -> float:
    return float(np.mean([each.punch_velocity_m_s for each in made if each.punch_velocity_m_s is not None]))


@pytest.mark.parametrize("band", [THIN, THICK])
def test_tension_at_lock_is_what_the_torque_formula_gives(band: str) -> None:
    """T = τ·η / r, to within what the joint settles while the motor holds."""
    tool, settings = Tool("1"), Settings.recommended(band)
    expected_n = settings.set_torque_nm * tool.efficiency / tool.wheel_radius_m
    for made in attempts(30, tool, settings, band=band):
        assert made.lock_tension_n == pytest.approx(expected_n, rel=0.01)
        assert expected_n < made.peak_tension_n < 1.04 * expected_n


def test_peak_follows_the_torque_that_is_set() -> None:
    """Ten percent more torque is ten percent more tension."""
    set_to = Settings.recommended(THIN)
    more = replace(set_to, set_torque_nm=1.1 * set_to.set_torque_nm)
    low, high = (
        np.mean([each.peak_tension_n for each in attempts(30, settings=chosen)]) for chosen in (set_to, more)
    )
    assert high / low == pytest.approx(1.1, rel=0.01)


def test_a_worn_drive_pulls_less_at_the_same_set_torque() -> None:
    """A share of efficiency lost is the same share of tension lost."""
    new, worn = (attempts(30, Tool("1", drive_wear=wear)) for wear in (0.0, 0.08))
    assert np.mean([each.lock_tension_n for each in worn if each.lock_tension_n]) == pytest.approx(
        0.92 * np.mean([each.lock_tension_n for each in new if each.lock_tension_n]), rel=0.005
    )


def test_take_up_time_is_slack_over_speed() -> None:
    """12 mm of slack at 40 mm/s are 300 ms."""
    made = attempts(50)
    assert np.mean([each.take_up_ms for each in made]) == pytest.approx(300, rel=0.03)


def test_the_joint_gets_stiffer_as_it_closes() -> None:
    """The slope of the rise grows with tension, and never falls."""
    joint, band = Joint(slack_mm=12), BANDS[THIN]
    stiffness = [joint.stiffness_n_mm(tension, band) for tension in (0.0, 100.0, 300.0, 600.0)]
    assert all(later > 1.5 * earlier for earlier, later in pairwise(stiffness))
    travel = joint.travel_mm(np.array([299.5, 300.5]), band)
    assert 1 / (travel[1] - travel[0]) == pytest.approx(joint.stiffness_n_mm(300, band), rel=1e-5)


def test_the_curve_tells_the_story_of_the_cycle() -> None:
    """Nothing in the slack, a rise, a plateau at the peak, less after seating, nothing after the cut."""
    made = attempts(1)[0]
    tension = made.steps * EVERY_MS.step_n
    slack_ends = int(made.take_up_ms)
    assert len(tension) == int(made.duration_ms) + 1
    assert tension[: slack_ends - 10].max() < 15
    assert tension.max() == pytest.approx(made.peak_tension_n)
    assert made.lock_tension_n is not None
    assert made.seating_loss_n is not None
    seated = tension[-int(0.07 * 1000) : -45].mean()
    assert seated == pytest.approx(made.lock_tension_n - made.seating_loss_n, rel=0.02)
    assert tension[-10:].mean() < 10


def test_punch_velocity_grows_with_the_root_of_pressure_and_falls_with_wear() -> None:
    """½·m·v² = p·A·s·η·(1 − wear)."""
    tool = Tool("1")
    assert tool.punch_velocity_m_s(400) / tool.punch_velocity_m_s(100) == pytest.approx(2.0)
    assert Tool("1", punch_wear=0.19).punch_velocity_m_s(400) / tool.punch_velocity_m_s(400) == pytest.approx(
        0.9
    )
    measured = [mean_velocity(attempts(40, Tool("1", punch_wear=wear))) for wear in (0.0, 0.05, 0.1, 0.15)]
    assert measured == sorted(measured, reverse=True)


def test_low_supply_limits_the_punch_whatever_is_set() -> None:
    """The punch gets the lower of set and supply pressure."""
    full, low = (mean_velocity(attempts(40, band=THICK, supply_kpa=kpa)) for kpa in (620.0, 480.0))
    assert low / full == pytest.approx((480 / 520) ** 0.5, rel=0.005)


def test_the_thick_band_with_the_thin_bands_pressure_fails_to_form() -> None:
    """330 kPa are enough for 0.48 mm and far too little for 0.61 mm."""
    wrong = replace(
        Settings.recommended(THICK), punch_pressure_kpa=Settings.recommended(THIN).punch_pressure_kpa
    )
    right = attempts(200, band=THICK)
    thin = attempts(200, band=THIN)
    assert all(each.ending == "not formed" for each in attempts(200, settings=wrong, band=THICK))
    assert all(each.ending == "locked" for each in right + thin)


def test_near_the_needed_pressure_some_locks_form_and_some_do_not() -> None:
    """At the mean needed pressure half of the buckles ask for more than the punch has."""
    tool = Tool("1")
    just = replace(Settings.recommended(THICK), punch_pressure_kpa=tool.needed_pressure_kpa(BANDS[THICK]))
    formed = sum(each.ending == "locked" for each in attempts(300, tool, just, band=THICK))
    assert 100 < formed < 200


def test_wear_alone_brings_a_punch_to_failure() -> None:
    """The thick band's pressure has about a fifth in reserve."""
    share = [
        sum(each.ending == "locked" for each in attempts(100, Tool("1", punch_wear=wear), band=THICK))
        for wear in (0.05, 0.18, 0.3)
    ]
    assert share[0] == 100
    assert 10 < share[1] < 90
    assert share[2] == 0


@pytest.mark.parametrize(
    ("disturbance", "ending"),
    [("no band", "no band"), ("trigger released", "trigger released"), ("loose joint", "not reached")],
)
def test_a_disturbed_attempt_never_reaches_the_punch(disturbance: Disturbance, ending: str) -> None:
    """It has a curve and a peak, but no lock tension, no loss and no velocity."""
    for made in attempts(20, disturbance=disturbance):
        assert made.ending == ending
        assert (made.lock_tension_n, made.seating_loss_n, made.punch_velocity_m_s) == (None, None, None)
        assert made.peak_tension_n < 600
        assert len(made.steps) > 200


def test_a_lock_that_did_not_form_has_no_seating_loss() -> None:
    """The band goes slack: there is a tension before the punch, and nothing to lose after it."""
    made = attempts(1, settings=replace(Settings.recommended(THICK), punch_pressure_kpa=200.0), band=THICK)[0]
    assert made.ending == "not formed"
    assert made.lock_tension_n is not None
    assert made.seating_loss_n is None


def test_curves_are_whole_steps_that_fit_16_bits_and_the_sampling() -> None:
    """300 to 1000 samples at 1 ms, never more than the controller holds."""
    for made in attempts(50):
        assert made.steps.dtype == np.int64
        assert 0 <= made.steps.min() <= made.steps.max() <= 32767
        assert 300 <= len(made.steps) <= 1000


def test_a_controller_with_little_room_keeps_the_first_part_of_the_curve() -> None:
    """It still measured the whole cycle."""
    whole, short = attempts(1)[0], attempts(1, sampling=replace(EVERY_MS, most=250))[0]
    assert short.steps.tobytes() == whole.steps[:250].tobytes()
    assert (short.lock_tension_n, short.peak_tension_n) == (whole.lock_tension_n, whole.peak_tension_n)


def test_the_same_seed_gives_the_same_attempts() -> None:
    """And another seed others."""
    first, again, other = attempts(3, seed=5), attempts(3, seed=5), attempts(3, seed=6)
    assert [each.steps.tobytes() for each in first] == [each.steps.tobytes() for each in again]
    assert [each.steps.tobytes() for each in first] != [each.steps.tobytes() for each in other]


def test_every_cycle_wears_the_tool() -> None:
    """Wear adds up, to a limit."""
    tool = Tool("1", punch_wear_per_cycle=0.4, drive_wear_per_cycle=0.1)
    worn = tool.after_cycle().after_cycle().after_cycle()
    assert (worn.cycles, worn.punch_wear) == (3, MOST_WORN)
    assert worn.drive_wear == pytest.approx(0.3)


@pytest.mark.parametrize(
    "sampling", [EVERY_MS, Sampling(interval_us=2000, most=600, step_n=0.44482216152605)]
)
@pytest.mark.parametrize("settings", [Settings(0.1, 1.0, 0.0, THIN), Settings(100.0, 1000.0, 1600.0, THICK)])
@pytest.mark.parametrize("tool", [Tool("1"), Tool("1", punch_wear=MOST_WORN, drive_wear=MOST_WORN)])
def test_the_ends_of_every_range_still_give_an_attempt(
    sampling: Sampling, settings: Settings, tool: Tool
) -> None:
    """No air at all, hardly any torque, the slowest and the fastest pull: numbers, and steps of 15 bits."""
    for supply_kpa in (0.0, 1600.0):
        for made in attempts(3, tool, settings, band=settings.band, supply_kpa=supply_kpa, sampling=sampling):
            measured = [made.peak_tension_n, made.duration_ms, made.lock_tension_n, made.punch_velocity_m_s]
            assert np.isfinite([value for value in measured if value is not None]).all()
            assert made.duration_ms < 65_535
            assert made.steps.max() <= 32767


def test_without_air_the_punch_does_not_move() -> None:
    """The controller waits a while and gives up."""
    made = attempts(1, supply_kpa=0.0)[0]
    assert (made.ending, made.punch_velocity_m_s) == ("not formed", 0.0)
