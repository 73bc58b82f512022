"""Torque to tension to stretch: refusals, laws, limits. Values from outside are in `tests/published`."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.analysis.tension import (
    Band,
    Wheel,
    check_torque,
    radial_pressure_mpa,
    stretch,
    tension_n,
    torque_nm,
)

BAND = Band("B15-048", 15.875, 0.4826, 9.4, 12.5, recommended_pressure_kpa=330, yield_mpa=517.1)
WHEEL = Wheel(radius_mm=12, gear_ratio=10, efficiency=0.85)


@given(st.floats(0, 500), st.floats(1, 500), st.floats(0.01, 1000), st.floats(0.05, 1))
def test_torque_to_tension_and_back(torque: float, radius: float, ratio: float, efficiency: float) -> None:
    wheel = Wheel(radius, ratio, efficiency)
    assert float(torque_nm(tension_n(torque, wheel), wheel)) == pytest.approx(torque, rel=1e-12)


def test_arrays_keep_their_shape_and_what_is_missing() -> None:
    torques = np.array([[1.5, np.nan], [0.0, 0.3]])
    found = tension_n(torques, WHEEL)
    assert found.shape == (2, 2)
    assert np.isnan(found[0, 1])
    assert found[1].tolist() == pytest.approx([0.0, 212.5])
    assert tension_n([], WHEEL).size == 0


@pytest.mark.parametrize("bad", [-0.1, float("inf"), [1.0, -2.0]])
def test_what_can_be_no_torque_is_refused(bad: float | list[float]) -> None:
    with pytest.raises(ValueError, match="can't be negative or infinite"):
        tension_n(bad, WHEEL)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Wheel(0.012), "the wheel: radius_mm must be from 1 to 500, not 0.012"),
        (lambda: Wheel(12, efficiency=85), "efficiency must be from 0.05 to 1, not 85"),
        (lambda: Wheel(12, gear_ratio=0), "gear_ratio"),
        (lambda: Wheel(float("nan")), "radius_mm"),
        (lambda: Band("B", 15.875, 0.019, 9, 12), "band B: thickness_mm must be from 0.05 to 5, not 0.019"),
        (lambda: Band("B", 0.625, 0.48, 9, 12), "width_mm"),
        (lambda: Band("B", 15.875, 0.48, 9, 12, modulus_gpa=193e9), "modulus_gpa"),
        (lambda: Band("B", 15.875, 0.48, 9, 12, recommended_pressure_kpa=3.3), "recommended_pressure_kpa"),
        (lambda: Band("B", 15.875, 0.48, 13, 12), "recommended_torque_nm 13 is above maximum_torque_nm 12"),
        (
            lambda: Band("B", 15.875, 0.48, 9, 12, minimum_pressure_kpa=400, maximum_pressure_kpa=300),
            "minimum_pressure_kpa 400 is above maximum_pressure_kpa 300",
        ),
        (lambda: stretch(-1, 250, BAND), "tension_n"),
        (lambda: stretch(700, 0.25, BAND), "length_mm must be from 1 to 20000"),
        (lambda: radial_pressure_mpa(700, 0.025, BAND), "radius_mm"),
    ],
)
def test_a_value_in_another_unit_is_refused_with_its_name(make: object, says: str) -> None:
    assert callable(make)
    with pytest.raises(ValueError, match=says):
        make()


@pytest.mark.parametrize(
    ("set_torque_nm", "verdict", "over", "left"),
    [
        (8.0, "below recommended", -1.4, 4.5),
        (9.4, "recommended", 0.0, 3.1),
        (9.8, "recommended", 0.4, 2.7),
        (11.0, "above recommended", 1.6, 1.5),
        (12.5, "above recommended", 3.1, 0.0),
        (12.6, "above maximum", 3.2, -0.1),
    ],
)
def test_set_torque_is_held_against_recommended_and_maximum(
    set_torque_nm: float, verdict: str, over: float, left: float
) -> None:
    found = check_torque(set_torque_nm, BAND)
    assert found.verdict == verdict
    assert found.over_recommended_nm == pytest.approx(over)
    assert found.left_to_maximum_nm == pytest.approx(left)
    assert found.share_of_recommended == pytest.approx(set_torque_nm / 9.4)


def test_the_maximum_counts_even_within_the_recommended_range() -> None:
    assert check_torque(10.3, Band("B", 15, 0.5, 10, 10.2)).verdict == "above maximum"


@pytest.mark.parametrize("bad", [0, -1, float("nan"), float("inf")])
def test_what_can_be_no_set_torque_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="set_torque_nm"):
        check_torque(bad, BAND)
    with pytest.raises(ValueError, match="within is a share"):
        check_torque(9.4, BAND, within=5)


@given(st.floats(0, 5000), st.floats(1, 10_000))
def test_stretch_grows_with_tension_and_length(tension: float, length: float) -> None:
    one, double, longer = (
        stretch(tension, length, BAND),
        stretch(2 * tension, length, BAND),
        stretch(tension, 2 * length, BAND),
    )
    assert double.elongation_mm == pytest.approx(2 * one.elongation_mm)
    assert longer.elongation_mm == pytest.approx(2 * one.elongation_mm)
    assert longer.stress_mpa == one.stress_mpa
    assert one.elongation_mm == pytest.approx(one.strain * length)


def test_yield_is_unknown_where_nobody_gave_it() -> None:
    assert stretch(700, 250, Band("B", 15, 0.5, 9, 12)).share_of_yield is None
    assert (stretch(4100, 250, BAND).share_of_yield or 0) > 1
