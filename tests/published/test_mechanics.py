"""The simulator's physics against handbook examples.

Values: press makers' pages, supplier pages and worked formulas, collected as CHK-MEC-01 to CHK-MEC-11. Where
a page prints its answer, the answer is held to the printed digits; otherwise to the formula, recomputed
separately.
"""

from math import pi

import pytest

from simulators.tool import (
    BANDS,
    Tool,
    band_tension_n,
    cylinder_force_n,
    elongation_mm,
    forming_energy_j,
    kinetic_energy_j,
    motor_torque_nm,
    shear_force_n,
    velocity_for_energy_m_s,
)

IN_MM = 25.4
LBF_N = 4.4482216152605
PSI_MPA = 6.894757293168361e-3
SHORT_TON_N = 2000 * LBF_N


def test_shear_force_of_a_round_hole_as_a_punching_page_prints_it() -> None:
    """CHK-MEC-01: 10 mm hole, 3 mm plate, 350 MPa; the page prints 32,986 N."""
    force_n = shear_force_n(pi * 10, 3, 350)
    assert force_n == pytest.approx(32986.7228627, rel=1e-10)
    assert int(force_n) == 32986


def test_shear_force_in_us_units_as_a_press_makers_chart_prints_it() -> None:
    """CHK-MEC-02: 4 in hole, 20 gauge (0.036 in), 50 000 psi; the chart prints 11.3 short tons."""
    force_n = shear_force_n(pi * 4 * IN_MM, 0.036 * IN_MM, 50_000 * PSI_MPA)
    assert force_n / SHORT_TON_N == pytest.approx(11.3097, abs=5e-5)
    assert round(force_n / SHORT_TON_N, 1) == 11.3


@pytest.mark.parametrize(("shear_psi", "tons"), [(50_000, 25.0), (75_000, 37.5)])
def test_shear_force_per_inch_of_cut_and_inch_of_sheet(shear_psi: int, tons: float) -> None:
    """CHK-MEC-03: a page on pressure to shear 1 in of length: mild steel 25, stainless 37.5 short tons."""
    assert shear_force_n(IN_MM, IN_MM, shear_psi * PSI_MPA) / SHORT_TON_N == pytest.approx(tons, rel=1e-9)


@pytest.mark.parametrize(("thickness_in", "force_n"), [(0.024, 3144.2625783), (0.019, 2489.2078745)])
def test_shear_force_of_a_band_sized_punch(thickness_in: float, force_n: float) -> None:
    """CHK-MEC-04: 1/8 in hole at 75 000 psi in the two band thicknesses."""
    assert shear_force_n(pi * 0.125 * IN_MM, thickness_in * IN_MM, 75_000 * PSI_MPA) == pytest.approx(
        force_n, rel=1e-9
    )


@pytest.mark.parametrize(
    ("band", "force_n", "energy_j"),
    [("B15-061", 3144.2625783, 0.958371234), ("B15-048", 2489.2078745, 0.60064586)],
)
def test_energy_of_the_lock_in_the_two_bands(band: str, force_n: float, energy_j: float) -> None:
    """CHK-MEC-05: E = k·F·t with k = 0.5 (k 0.3 to 0.6 in sheet-metal handbooks, from memory)."""
    assert forming_energy_j(force_n, BANDS[band].thickness_mm) == pytest.approx(energy_j, rel=1e-8)
    assert BANDS[band].lock_energy_j == pytest.approx(energy_j, rel=1e-7)


def test_energy_needed_grows_with_the_square_of_thickness() -> None:
    """CHK-MEC-05: (24/19)² = 1.595567867."""
    ratio = BANDS["B15-061"].lock_energy_j / BANDS["B15-048"].lock_energy_j
    assert ratio == pytest.approx(1.595567867036011, rel=1e-12)


def test_needed_pressure_grows_with_the_square_and_needed_velocity_in_proportion() -> None:
    """CHK-MEC-05 and the work of the air over the stroke: pressure (24/19)², velocity 24/19."""
    tool, thick, thin = Tool("1"), BANDS["B15-061"], BANDS["B15-048"]
    pressures = [tool.needed_pressure_kpa(band) for band in (thick, thin)]
    velocities = [tool.punch_velocity_m_s(pressure) for pressure in pressures]
    assert pressures[0] / pressures[1] == pytest.approx((24 / 19) ** 2, rel=1e-12)
    assert velocities[0] / velocities[1] == pytest.approx(24 / 19, rel=1e-12)
    assert velocities[0] == pytest.approx(1.957928736, rel=1e-7)


@pytest.mark.parametrize(("mass_kg", "velocity_m_s", "energy_j"), [(0.5, 4, 4.0), (0.35, 3.2, 1.792)])
def test_kinetic_energy_and_back(mass_kg: float, velocity_m_s: float, energy_j: float) -> None:
    """CHK-MEC-05: ½·m·v²."""
    assert kinetic_energy_j(mass_kg, velocity_m_s) == pytest.approx(energy_j, rel=1e-12)
    assert velocity_for_energy_m_s(mass_kg, energy_j) == pytest.approx(velocity_m_s, rel=1e-12)


def test_speed_that_forms_the_thick_bands_lock() -> None:
    """CHK-MEC-05: 0.958371234 J in 0.5 kg is 1.957928736 m/s."""
    assert velocity_for_energy_m_s(0.5, 0.958371234) == pytest.approx(1.957928736, rel=1e-9)


def test_band_tension_from_motor_torque() -> None:
    """CHK-MEC-06: 1.5 N·m, gear 10, η 0.85, r 12 mm: 1062.5 N = 238.8595 lbf."""
    tension_n = band_tension_n(1.5, 10, 0.85, 0.012)
    assert tension_n == pytest.approx(1062.5, rel=1e-12)
    assert tension_n / LBF_N == pytest.approx(238.859502, rel=1e-8)
    assert motor_torque_nm(tension_n, 10, 0.85, 0.012) == pytest.approx(1.5, rel=1e-12)


@pytest.mark.parametrize(
    ("thickness_in", "area_mm2", "stretch_mm"),
    [(0.024, 9.6774, 0.0893103276), (0.019, 7.661275, 0.1128130454)],
)
def test_stretch_of_a_band(thickness_in: float, area_mm2: float, stretch_mm: float) -> None:
    """CHK-MEC-08: 150 lbf on 5/8 in band, 250 mm long, E 193 GPa (supplier page)."""
    area = 0.625 * IN_MM * thickness_in * IN_MM
    assert area == pytest.approx(area_mm2, rel=1e-9)
    assert elongation_mm(150 * LBF_N, 250, area, 193) == pytest.approx(stretch_mm, rel=1e-8)


def test_stretch_of_a_band_in_us_units() -> None:
    """CHK-MEC-08: 150 lbf, 5/8 × 0.024 in, 10 in long, 28·10⁶ psi: 0.0035714 in."""
    modulus_gpa = 28e6 * PSI_MPA / 1000
    stretch_mm = elongation_mm(150 * LBF_N, 10 * IN_MM, 0.625 * 0.024 * IN_MM**2, modulus_gpa)
    assert stretch_mm / IN_MM == pytest.approx(0.0035714286, rel=1e-8)


def test_force_of_an_air_cylinder() -> None:
    """CHK-MEC-11: 32 mm bore at 6 bar gauge is 482.5486 N."""
    assert cylinder_force_n(0.032, 600) == pytest.approx(482.5486316, rel=1e-9)


def test_the_two_bands_are_0_019_and_0_024_inch_thick() -> None:
    """CHK-UNI-10 (exact inch): 0.4826 mm, 0.6096 mm, 15.875 mm wide."""
    assert [(band.thickness_mm, band.width_mm) for band in BANDS.values()] == [
        (0.4826, 15.875),
        (0.6096, 15.875),
    ]
