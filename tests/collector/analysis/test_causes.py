"""Likely causes: what each kind of evidence is taken for, when the answer is "can't tell", and a small score.

The whole score: `python -m tests.benchmarks.causes --runs 200`.
"""

from collections import Counter
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from collector.analysis.causes import (
    Diagnosis,
    FaultCodes,
    Relevant,
    Window,
    hodges_lehmann,
    likely_causes,
    share_difference,
)
from tests.benchmarks.causes import (
    EQUAL,
    NOTHING,
    TRUTHS,
    Happening,
    diagnosis,
    named,
    thinner_band,
    worn_and_low_air,
    worn_without_pressures,
)

CODES = FaultCodes(no_band={"11"}, not_formed={"13"})
CYCLES = 80


def window(seed: int = 1, cycles: int = CYCLES, **times: float) -> Window:
    """A stretch of cycles as a healthy tool makes them, each measure times what is given."""
    rng = np.random.default_rng(seed)

    def around(name: str, middle: float, spread: float) -> np.ndarray:
        return middle * times.get(name, 1.0) * (1 + rng.normal(0, spread, cycles))

    return Window(
        punch_velocity_m_s=around("velocity", 2.0, 0.005),
        supply_pressure_kpa=around("supply", 620.0, 0.005),
        punch_pressure_kpa=np.full(cycles, 330.0 * times.get("punch", 1.0)),
        slope_n_s=around("slope", 7700.0, 0.03),
        peak_tension_n=around("peak", 670.0, 0.002),
        seating_loss_n=around("loss", 28.0, 0.1),
        take_up_ms=around("take_up", 300.0, 0.08),
        tension_speed_mm_s=np.full(cycles, 40.0 * times.get("speed", 1.0)),
        set_tension_n=np.full(cycles, 666.0),
        fault_codes=[None] * cycles,
    )


def told(after: Window, before: Window | None = None) -> Diagnosis:
    return likely_causes(before or window(), after, CODES)


# ---- what is taken for what ----------------------------------------------------------------------


def test_nothing_changed_and_nothing_stands_out() -> None:
    found = told(window(2))
    assert (found.verdict, found.ranked) == (None, ())
    assert found.why == "can't tell: nothing stands out"
    assert {effect.measure for effect in found.effects} >= {"punch velocity", "take-up", "band not present"}


@pytest.mark.parametrize(
    ("times", "cause"),
    [
        ({"velocity": 0.93}, "punch wear or lubrication"),
        ({"velocity": (280 / 620 / (330 / 620)) ** 0.5, "supply": 280 / 620}, "low air"),
        ({"velocity": 0.9, "punch": 0.81}, "low air"),
        ({"slope": 0.85}, "joint or band"),
        ({"slope": 1.2}, "joint or band"),
        ({"slope": 1.2, "loss": 1.2}, "joint or band"),
        ({"loss": 1.5}, "lock"),
        ({"take_up": 1.3}, "slack or feed"),
    ],
)
def test_each_change_has_its_cause(times: dict[str, Any], cause: str) -> None:
    found = told(window(2, **times))
    assert found.verdict == cause
    assert found.ranked[0].cause == cause
    assert found.ranked[0].strength >= 1
    assert found.ranked[0].low <= found.ranked[0].strength <= found.ranked[0].high


def test_the_evidence_has_words_and_numbers() -> None:
    found = told(window(2, velocity=0.93))
    assert found.why.startswith("punch velocity 2 to 1.861 m/s (-6.9 %, interval -7.1 to -6.8 %")
    assert "80 and 80 cycles" in found.why
    assert "velocity that the pressure does not explain" in found.why
    lock = told(window(2, loss=1.5))
    assert "seating loss" in lock.why
    assert "the peak is 101% of what is set" in lock.why


def test_band_not_present_again_and_again() -> None:
    after = replace(window(2), fault_codes=["11" if index % 5 == 0 else None for index in range(CYCLES)])
    found = told(after)
    assert found.verdict == "no band"
    assert found.why.startswith("band not present in 0.0% to 20.0% of the cycles (interval +")
    twice = replace(window(2), fault_codes=["11"] * 2 + [None] * (CYCLES - 2))
    assert told(twice).verdict is None


def test_locks_that_a_punch_as_fast_as_before_does_not_form() -> None:
    codes = ["13" if index % 3 == 0 else None for index in range(CYCLES)]
    found = told(replace(window(2), fault_codes=codes))
    assert found.verdict == "joint or band"
    assert "a punch as fast as before does not form it" in found.why
    slower = told(replace(window(2, velocity=0.9), fault_codes=codes))
    assert slower.verdict == "punch wear or lubrication"


# ---- what is not taken for a cause ---------------------------------------------------------------


@pytest.mark.parametrize(
    "times",
    [
        {"velocity": 1.1},
        {"loss": 0.6},
        {"take_up": 0.7},
        {"supply": 0.9},
        {"peak": 1.08, "slope": 1.08, "loss": 1.08},
        {"speed": 1.25, "slope": 1.25, "take_up": 0.8},
    ],
    ids=[
        "faster",
        "less loss",
        "less slack",
        "air wanders above the set pressure",
        "more torque",
        "more speed",
    ],
)
def test_what_is_better_or_set_otherwise_is_no_cause(times: dict[str, Any]) -> None:
    assert told(window(2, **times)).ranked == ()


def test_changes_too_small_to_matter_stay_effects() -> None:
    found = told(window(2, velocity=0.985))
    assert found.verdict is None
    (velocity,) = [effect for effect in found.effects if effect.measure == "punch velocity"]
    assert velocity.high < 0
    told_sharply = likely_causes(window(), window(2, velocity=0.985), CODES, Relevant(velocity=0.01))
    assert told_sharply.verdict == "punch wear or lubrication"


# ---- can't tell ----------------------------------------------------------------------------------


def test_without_pressures_air_and_wear_are_equally_good() -> None:
    blind: dict[str, Any] = {"supply_pressure_kpa": np.empty(0)}
    found = told(replace(window(2, velocity=0.9), **blind), replace(window(), **blind))
    assert found.verdict is None
    assert {likely.cause for likely in found.ranked} == {"low air", "punch wear or lubrication"}
    assert found.why.startswith(
        "can't tell: the evidence for low air and punch wear or lubrication is equally good"
    )
    assert "not known" in found.ranked[0].evidence[0]


def test_a_pressure_that_only_one_window_has_is_not_compared_with_another() -> None:
    """The set pressure appears with a new layout: 620 kPa of supply are not held against 330 kPa of
    setting.
    """
    before = replace(window(), punch_pressure_kpa=np.full(CYCLES, np.nan))
    assert told(window(2), before).ranked == ()
    assert told(window(2, velocity=0.93), before).verdict == "punch wear or lubrication"


def test_a_supply_that_fell_above_the_set_pressure_leaves_it_open() -> None:
    found = told(window(2, velocity=0.93, supply=0.8))
    assert found.verdict is None
    assert any("the regulator may sag" in words for likely in found.ranked for words in likely.evidence)


def test_two_causes_at_once_are_both_named() -> None:
    found = told(window(2, velocity=0.92, take_up=1.3))
    assert found.verdict is None
    assert {likely.cause for likely in found.ranked} == {"punch wear or lubrication", "slack or feed"}


def test_a_much_stronger_cause_is_the_verdict_and_the_other_is_listed() -> None:
    found = told(window(2, velocity=0.7, take_up=1.15))
    assert found.verdict == "punch wear or lubrication"
    assert [likely.cause for likely in found.ranked] == ["punch wear or lubrication", "slack or feed"]


def test_long_windows_are_thinned_out_evenly() -> None:
    found = likely_causes(window(1, 1300), window(2, 900, velocity=0.93), CODES)
    assert found.verdict == "punch wear or lubrication"
    assert "500 and 500 cycles" in found.why


@pytest.mark.parametrize("cycles", [0, 1, 7])
def test_too_few_cycles_say_nothing(cycles: int) -> None:
    found = likely_causes(window(1, cycles), window(2, cycles, velocity=0.8), CODES)
    assert found.why == "can't tell: too little is known of the cycles before or after"


def test_empty_windows_say_nothing() -> None:
    assert likely_causes(Window(), Window(), FaultCodes()).verdict is None


def test_missing_values_are_left_out() -> None:
    after = window(2, velocity=0.93)
    holes = after.punch_velocity_m_s.copy()
    holes[::3] = np.nan
    found = told(replace(after, punch_velocity_m_s=holes, slope_n_s=np.full(CYCLES, np.nan)))
    assert found.verdict == "punch wear or lubrication"
    assert "80 and 53 cycles" in found.why


def test_wild_values_do_not_matter() -> None:
    after = window(2)
    wild = after.slope_n_s.copy()
    wild[:16] *= 50
    assert told(replace(after, slope_n_s=wild)).verdict is None


def test_zero_negative_and_infinite_values_are_left_out() -> None:
    after = window(2, take_up=1.3)
    odd = after.take_up_ms.copy()
    odd[:4] = [0.0, -1.0, np.inf, np.nan]
    assert told(replace(after, take_up_ms=odd)).verdict == "slack or feed"


def test_arrays_of_different_lengths_are_refused() -> None:
    with pytest.raises(ValueError, match="one value a cycle each"):
        told(replace(window(2), take_up_ms=np.ones(3)))


@pytest.mark.parametrize(
    "arguments",
    [
        (np.empty(0), np.ones(3), 0.95),
        (np.ones(3), np.array([1.0, np.nan]), 0.95),
        (np.ones(3), np.ones(3), 1.0),
    ],
)
def test_a_shift_of_nothing_is_refused(arguments: Any) -> None:
    with pytest.raises(ValueError):
        hodges_lehmann(*arguments)


def test_few_values_give_an_open_interval() -> None:
    assert hodges_lehmann(np.array([1.0, 2.0]), np.array([2.0, 3.0]), 0.99) == (1.0, -np.inf, np.inf)


def test_shares_can_not_have_more_faults_than_cycles() -> None:
    with pytest.raises(ValueError):
        share_difference(3, 2, 0, 5, 0.95)


# ---- the score -----------------------------------------------------------------------------------

RUNS = 6
SEVERE = 0.4
"""Well above what matters; the whole range, with its mild end, is in the benchmark."""


def answers(happening: Happening) -> Counter[str]:
    rng = np.random.default_rng(20)
    return Counter(named(diagnosis(happening, SEVERE, rng)) for _ in range(RUNS))


@pytest.mark.parametrize("happening", TRUTHS, ids=lambda happening: happening.__name__)
def test_simulated_truth_is_named(happening: Happening) -> None:
    """At least 5 of 6 runs right, and no other cause named in any."""
    counted = answers(happening)
    right = TRUTHS[happening] or NOTHING
    assert counted[right] >= RUNS - 1, counted
    assert set(counted) <= {right, NOTHING, EQUAL}, counted


@pytest.mark.parametrize(
    ("happening", "allowed"),
    [
        (thinner_band, {NOTHING, "joint or band"}),
        (worn_and_low_air, {EQUAL, "low air", "punch wear or lubrication"}),
        (worn_without_pressures, {EQUAL}),
    ],
    ids=lambda value: getattr(value, "__name__", ""),
)
def test_where_the_evidence_does_not_reach_no_wrong_cause_is_named(
    happening: Happening, allowed: set[str]
) -> None:
    assert set(answers(happening)) <= allowed
