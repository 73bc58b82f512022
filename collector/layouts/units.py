"""Units that controllers speak and the SI units that we keep, with exact factors.

Every factor is a fraction built from the definitions in NIST SP 811, appendix B: in = 25.4 mm, lb =
0.45359237 kg, g0 = 9.80665 m/s², bar = 100 000 Pa, atm = 101 325 Pa. Torque and energy are different
dimensions here although both are newton times metre: they never convert into each other. As is usual, force
comes first in a torque (lbf.in) and length first in an energy (in.lbf).

Pressure stays what it is: gauge pressure in psi becomes gauge pressure in kPa.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

INCH_M = Fraction("0.0254")
FOOT_M = 12 * INCH_M
POUND_KG = Fraction("0.45359237")
STANDARD_GRAVITY_M_S2 = Fraction("9.80665")
POUND_FORCE_N = POUND_KG * STANDARD_GRAVITY_M_S2
OUNCE_FORCE_N = POUND_FORCE_N / 16
PSI_PA = POUND_FORCE_N / INCH_M**2


@dataclass(frozen=True, slots=True)
class Unit:
    """value in the SI unit of the dimension = value × factor + shift."""

    dimension: str
    factor: Fraction
    shift: Fraction = Fraction(0)


_FACTORS: Mapping[str, Mapping[str, Fraction | int | str]] = {
    "force": {"N": 1, "kN": 1000, "lbf": POUND_FORCE_N, "ozf": OUNCE_FORCE_N, "kgf": STANDARD_GRAVITY_M_S2},
    "torque": {
        "N.m": 1,
        "N.cm": "0.01",
        "kgf.cm": STANDARD_GRAVITY_M_S2 / 100,
        "lbf.in": POUND_FORCE_N * INCH_M,
        "lbf.ft": POUND_FORCE_N * FOOT_M,
        "ozf.in": OUNCE_FORCE_N * INCH_M,
    },
    "energy": {"J": 1, "in.lbf": INCH_M * POUND_FORCE_N, "ft.lbf": FOOT_M * POUND_FORCE_N},
    "pressure": {"Pa": 1, "kPa": 1000, "MPa": 10**6, "mbar": 100, "bar": 10**5, "atm": 101325, "psi": PSI_PA},
    "length": {"m": 1, "cm": "0.01", "mm": "0.001", "um": "0.000001", "in": INCH_M, "ft": FOOT_M},
    "velocity": {"m/s": 1, "mm/s": "0.001", "in/s": INCH_M, "ft/s": FOOT_M},
    "time": {"s": 1, "ms": "0.001", "us": "0.000001", "min": 60, "h": 3600},
    "mass": {"kg": 1, "g": "0.001", "lb": POUND_KG},
    "current": {"A": 1, "mA": "0.001"},
    "voltage": {"V": 1, "mV": "0.001"},
    "frequency": {"Hz": 1, "1/min": Fraction(1, 60)},
    "proportion": {"ratio": 1, "percent": "0.01"},
}

UNITS: Mapping[str, Unit] = {
    **{
        name: Unit(dimension, Fraction(factor))
        for dimension, factors in _FACTORS.items()
        for name, factor in factors.items()
    },
    "K": Unit("temperature", Fraction(1)),
    "degC": Unit("temperature", Fraction(1), Fraction("273.15")),
    "degF": Unit("temperature", Fraction(5, 9), Fraction("459.67") * 5 / 9),
}

SUFFIXES: Mapping[str, str] = {
    "_n": "N",
    "_nm": "N.m",
    "_j": "J",
    "_pa": "Pa",
    "_kpa": "kPa",
    "_mpa": "MPa",
    "_m": "m",
    "_mm": "mm",
    "_um": "um",
    "_m_s": "m/s",
    "_mm_s": "mm/s",
    "_s": "s",
    "_ms": "ms",
    "_us": "us",
    "_kg": "kg",
    "_a": "A",
    "_v": "V",
    "_hz": "Hz",
    "_c": "degC",
    "_k": "K",
    "_percent": "percent",
    "_ratio": "ratio",
}
"""End of a field's name -> the unit that its value is kept in."""

_LONGEST_FIRST = sorted(SUFFIXES, key=len, reverse=True)


def kept_unit(name: str) -> str | None:
    """The unit in a field's name: `punch_velocity_m_s` is kept in m/s; None where the name has none."""
    return next((SUFFIXES[suffix] for suffix in _LONGEST_FIRST if name.endswith(suffix)), None)


def same_dimension(unit: str) -> list[str]:
    """All units that convert into this one. Raises: KeyError: no such unit."""
    return [name for name, other in UNITS.items() if other.dimension == UNITS[unit].dimension]


def conversion(given: str, wanted: str) -> tuple[Fraction, Fraction]:
    """Exact factor and shift: value in `wanted` = value in `given` × factor + shift.

    Raises: KeyError: no such unit; ValueError: the two measure different things.
    """
    source, target = UNITS[given], UNITS[wanted]
    if source.dimension != target.dimension:
        raise ValueError(f"{given} measures {source.dimension} and {wanted} measures {target.dimension}")
    return source.factor / target.factor, (source.shift - target.shift) / target.factor


def convert(value: float, given: str, wanted: str) -> float:
    """One value from unit to unit, rounded once. Raises: as `conversion`; ValueError: NaN, infinite."""
    factor, shift = conversion(given, wanted)
    return float(Fraction(value) * factor + shift)
