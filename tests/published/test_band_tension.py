"""Band tension, stretch and the pressure that a band needs, against handbook and supplier values.

Worked examples CHK-MEC-05 to CHK-MEC-10: inputs are ordinary handbook values; E and the yield strengths of
stainless strip are from a supplier's page and a data sheet that agree; results were worked out apart from
this code.
"""

import pytest

from collector.analysis.setup import LEAST_SUPPLY_KPA, pressure_ratio
from collector.analysis.tension import Band, Wheel, radial_pressure_mpa, stretch, tension_n, torque_nm
from collector.layouts.units import convert

LBF_N = 4.4482216152605
PSI_MPA = 6.894757293168361e-3
IN_MM = 25.4
WIDTH_MM = 0.625 * IN_MM


def band(thickness_in: float, modulus_gpa: float = 193.0, yield_ksi: float | None = None) -> Band:
    """5/8 in wide."""
    return Band(
        "B",
        WIDTH_MM,
        thickness_in * IN_MM,
        10.0,
        14.0,
        modulus_gpa=modulus_gpa,
        yield_mpa=None if yield_ksi is None else yield_ksi * 1000 * PSI_MPA,
    )


def test_tension_from_motor_torque() -> None:
    """CHK-MEC-06: 1.5 N·m, gear 10, efficiency 0.85, radius 12 mm: 1062.5 N = 238.859502 lbf."""
    wheel = Wheel(radius_mm=12, gear_ratio=10, efficiency=0.85)
    assert float(tension_n(1.5, wheel)) == pytest.approx(1062.5, rel=1e-12)
    assert float(tension_n(1.5, wheel)) / LBF_N == pytest.approx(238.859502, abs=5e-7)
    assert float(torque_nm(1062.5, wheel)) == pytest.approx(1.5, rel=1e-12)


@pytest.mark.parametrize(
    ("thickness_in", "stress_mpa", "elongation_mm"),
    [(0.024, 68.947572932, 0.0893103276), (0.019, 87.091671072, 0.1128130454)],
)
def test_stretch_of_a_band(thickness_in: float, stress_mpa: float, elongation_mm: float) -> None:
    """CHK-MEC-08: 150 lbf on 250 mm, E 193 GPa; 10 000 psi in the thicker one."""
    found = stretch(150 * LBF_N, 250, band(thickness_in))
    assert found.stress_mpa == pytest.approx(stress_mpa, rel=1e-9)
    assert found.elongation_mm == pytest.approx(elongation_mm, rel=1e-8)
    assert found.strain == pytest.approx(stress_mpa / 193e3, rel=1e-9)


def test_stretch_in_us_units() -> None:
    """CHK-MEC-08: 150 lbf, 5/8 × 0.024 in, 10 in, 28·10⁶ psi: 10 000 psi and 0.0035714 in."""
    found = stretch(150 * LBF_N, 10 * IN_MM, band(0.024, modulus_gpa=28e6 * PSI_MPA / 1000))
    assert found.stress_mpa / PSI_MPA == pytest.approx(10_000, rel=1e-9)
    assert found.elongation_mm / IN_MM == pytest.approx(0.0035714286, rel=1e-8)


@pytest.mark.parametrize(("yield_ksi", "load_lbf"), [(30, 450), (75, 1125), (110, 1650), (140, 2100)])
def test_load_at_which_a_band_yields(yield_ksi: float, load_lbf: float) -> None:
    """CHK-MEC-09: 304 annealed, 301 quarter, half and full hard; load of 5/8 × 0.024 in."""
    found = stretch(load_lbf * LBF_N, 250, band(0.024, yield_ksi=yield_ksi))
    assert found.share_of_yield == pytest.approx(1.0, rel=1e-9)


def test_pressure_of_a_band_on_a_round_joint() -> None:
    """CHK-MEC-10: 150 lbf, radius 25 mm: 1.6812176184 MPa = 243.84 psi."""
    pressure_mpa = radial_pressure_mpa(150 * LBF_N, 25, band(0.024))
    assert pressure_mpa == pytest.approx(1.6812176184, rel=1e-10)
    assert pressure_mpa / PSI_MPA == pytest.approx(243.84, rel=1e-9)


def test_pressure_grows_with_the_square_of_thickness() -> None:
    """CHK-MEC-05: from 0.019 in to 0.024 in, (24/19)² = 1.595567867036011 times."""
    assert pressure_ratio(band(0.019), band(0.024)) == pytest.approx(1.595567867036011, rel=1e-12)
    assert pressure_ratio(band(0.024), band(0.019)) == pytest.approx(1 / 1.595567867036011, rel=1e-12)


def test_least_supply_pressure_is_80_psi() -> None:
    """Common practice, no published source; rounded to 10 kPa."""
    assert round(float(convert(80, "psi", "kPa")), -1) == LEAST_SUPPLY_KPA
