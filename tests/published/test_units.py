"""Units against the definitions in NIST Special Publication 811 (Guide for the Use of the SI).

The factors of the definitions are exact; the 20-digit values and the worked conversions were computed from
them in exact arithmetic, and agree with what the general-purpose packages pint 0.25.3 and scipy.constants
1.17.1 print.
"""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.layouts.units import SUFFIXES, UNITS, conversion, convert, kept_unit, same_dimension


@pytest.mark.parametrize(
    ("unit", "si", "exactly"),
    [
        # NIST SP 811, appendix B: exact by definition
        ("in", "mm", "25.4"),
        ("ft", "m", "0.3048"),
        ("lb", "kg", "0.45359237"),
        ("lbf", "N", "4.4482216152605"),
        ("kgf", "N", "9.80665"),
        ("bar", "Pa", "100000"),
        ("kPa", "Pa", "1000"),
        ("atm", "Pa", "101325"),
        # products of those, finite decimals
        ("lbf.in", "N.m", "0.1129848290276167"),
        ("lbf.ft", "N.m", "1.3558179483314004"),
        ("ozf.in", "N.m", "0.00706155181422604375"),
        ("ft.lbf", "J", "1.3558179483314004"),
        # decimal prefixes of the SI, and minute and hour, which are accepted for use with it
        ("MPa", "Pa", "1000000"),
        ("mbar", "Pa", "100"),
        ("kN", "N", "1000"),
        ("um", "m", "0.000001"),
        ("us", "s", "0.000001"),
        ("ms", "us", "1000"),
        ("min", "s", "60"),
        ("h", "s", "3600"),
        ("in/s", "mm/s", "25.4"),
        ("ft/s", "m/s", "0.3048"),
    ],
)
def test_a_factor_is_exact(unit: str, si: str, exactly: str) -> None:
    """Factors are fractions, equal to the published decimals to the last digit."""
    assert conversion(unit, si) == (Fraction(exactly), 0)


def test_the_pound_force_is_the_published_fraction() -> None:
    """lbf = 8896443230521 / 2 000 000 000 000 N, from lb and standard gravity."""
    assert conversion("lbf", "N")[0] == Fraction(8896443230521, 2_000_000_000_000)


@pytest.mark.parametrize(
    ("unit", "other", "rounded"),
    [
        ("psi", "Pa", 6894.7572931683613367),
        ("N.m", "lbf.in", 8.8507457913271843665),
        ("N", "lbf", 0.22480894309971048291),
        ("bar", "psi", 14.503773773020921515),
        ("kPa", "psi", 0.14503773773020921515),
        ("mm", "in", 0.039370078740157480315),
        ("atm", "psi", 14.695948775513448726),
    ],
)
def test_a_factor_that_has_no_finite_decimal(unit: str, other: str, rounded: float) -> None:
    """Computed to 20 digits from the exact definitions; ours is the nearest double."""
    assert convert(1.0, unit, other) == rounded


@pytest.mark.parametrize(
    ("value", "unit", "other", "expected"),
    [
        (150, "lbf", "N", 667.233242289075),
        (100, "lbf", "N", 444.82216152605),
        (50, "lbf.in", "N.m", 5.649241451380835),
        (90, "psi", "kPa", 620.5281563851526),
        (6, "bar", "psi", 87.02264263812553),
        (0.019, "in", "mm", 0.4826),
        (0.024, "in", "mm", 0.6096),
        (0.625, "in", "mm", 15.875),
        (10, "in/s", "mm/s", 254.0),
    ],
)
def test_worked_conversions(value: float, unit: str, other: str, expected: float) -> None:
    """Values of the trade, computed from the exact definitions; relative tolerance 1e-12."""
    assert convert(value, unit, other) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("celsius", "fahrenheit"),
    [(0.0, 32.0), (100.0, 212.0), (-40.0, -40.0), (37.0, 98.6)],
)
def test_temperatures_have_a_shift(celsius: float, fahrenheit: float) -> None:
    """NIST SP 811, appendix B.8: t/°C = (t/°F - 32) / 1.8; the fixed points are from memory."""
    assert convert(fahrenheit, "degF", "degC") == pytest.approx(celsius, abs=1e-12)
    assert convert(celsius, "degC", "degF") == pytest.approx(fahrenheit, rel=1e-12)
    assert convert(0.0, "degC", "K") == 273.15


def test_gauge_pressure_stays_gauge_pressure() -> None:
    """90 psi gauge at 101.325 kPa is 721.853 kPa absolute; a conversion adds no atmosphere
    (computed).
    """
    gauge_kpa = convert(90, "psi", "kPa")
    assert convert(0, "psi", "kPa") == 0.0
    assert gauge_kpa + convert(1, "atm", "kPa") == pytest.approx(721.8531563851525, rel=1e-12)


def test_torque_and_energy_never_convert_into_each_other() -> None:
    """Both are newton times metre, and NIST SP 811, section 6, warns to keep them apart."""
    for torque, energy in (("N.m", "J"), ("lbf.ft", "ft.lbf"), ("lbf.in", "J")):
        with pytest.raises(ValueError, match="torque"):
            convert(1.0, torque, energy)
        with pytest.raises(ValueError, match="energy"):
            convert(1.0, energy, torque)


PAIRS = st.sampled_from(sorted(UNITS)).flatmap(
    lambda unit: st.tuples(st.just(unit), st.sampled_from(same_dimension(unit)))
)


@given(pair=PAIRS, value=st.floats(0.001, 1e6))
def test_there_and_back_is_the_same_value(pair: tuple[str, str], value: float) -> None:
    """A round trip loses at most a rounding; a temperature's is absolute, since its zero is shifted."""
    unit, other = pair
    assert convert(convert(value, unit, other), other, unit) == pytest.approx(value, rel=1e-15, abs=1e-12)


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("peak_tension_n", "N"),
        ("set_torque_nm", "N.m"),
        ("tension_speed_mm_s", "mm/s"),
        ("punch_velocity_m_s", "m/s"),
        ("supply_pressure_kpa", "kPa"),
        ("duration_ms", "ms"),
        ("dwell_s", "s"),
        ("travel_mm", "mm"),
        ("cabinet_temperature_c", "degC"),
        ("firmware", None),
        ("tool_serial", None),
    ],
)
def test_the_end_of_a_name_says_the_unit(name: str, unit: str | None) -> None:
    """Our own convention (no published source): the longest suffix that fits names the unit that
    is kept.
    """
    assert kept_unit(name) == unit


def test_every_suffix_names_a_unit() -> None:
    """No name can promise a unit that can't be converted to."""
    assert set(SUFFIXES.values()) <= set(UNITS)
