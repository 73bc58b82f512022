"""From torque to band tension, and what that tension does to the band."""

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from math import isfinite
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

LIMITS: dict[str, tuple[float, float]] = {
    "radius_mm": (1, 500),
    "gear_ratio": (0.01, 1000),
    "efficiency": (0.05, 1),
    "width_mm": (1, 100),
    "thickness_mm": (0.05, 5),
    "modulus_gpa": (50, 250),
    "yield_mpa": (50, 3000),
    "shear_strength_mpa": (50, 2000),
    "recommended_torque_nm": (0.01, 500),
    "maximum_torque_nm": (0.01, 500),
    "recommended_pressure_kpa": (10, 2000),
    "minimum_pressure_kpa": (10, 2000),
    "maximum_pressure_kpa": (10, 2000),
    "minimum_speed_mm_s": (0.5, 2000),
    "maximum_speed_mm_s": (0.5, 2000),
    "length_mm": (1, 20_000),
}
"""What can't be outside these is given in the wrong unit: a radius in m, a thickness in inches. Common
practice, no published source.
"""
IN_ORDER = (
    ("recommended_torque_nm", "maximum_torque_nm"),
    ("minimum_pressure_kpa", "recommended_pressure_kpa"),
    ("recommended_pressure_kpa", "maximum_pressure_kpa"),
    ("minimum_pressure_kpa", "maximum_pressure_kpa"),
    ("minimum_speed_mm_s", "maximum_speed_mm_s"),
)
"""The first may not be above the second."""


@dataclass(frozen=True, slots=True)
class Wheel:
    """How the tool turns torque into tension.

    Raises: ValueError: a value is out of `LIMITS`.
    """

    radius_mm: float
    """Of the tension wheel, where the band lies."""
    gear_ratio: float = 1.0
    """Motor turns a turn of the wheel; 1 where the controller gives torque at the wheel."""
    efficiency: float = 1.0
    """Share of the torque that becomes tension."""

    def __post_init__(self) -> None:
        _check(self)


@dataclass(frozen=True, slots=True)
class Band:
    """A steel strip with the settings that it takes.

    Raises: ValueError: a value is out of `LIMITS`, or above the one that bounds it.
    """

    name: str
    width_mm: float
    thickness_mm: float
    recommended_torque_nm: float
    """At the wheel."""
    maximum_torque_nm: float
    recommended_pressure_kpa: float | None = None
    """Punch pressure, gauge; None where nobody has said."""
    minimum_pressure_kpa: float | None = None
    maximum_pressure_kpa: float | None = None
    minimum_speed_mm_s: float | None = None
    maximum_speed_mm_s: float | None = None
    """Tension speed."""
    modulus_gpa: float = 193.0
    """Young's modulus; 193 GPa (28·10⁶ psi) is a supplier's value for 301 stainless; full-hard has less."""
    yield_mpa: float | None = None
    """Least yield strength of the stock."""
    shear_strength_mpa: float | None = None

    def __post_init__(self) -> None:
        _check(self)

    @property
    def area_mm2(self) -> float:
        return self.width_mm * self.thickness_mm


@dataclass(frozen=True, slots=True)
class TorqueCheck:
    """A set torque beside what the band takes."""

    verdict: Literal["below recommended", "recommended", "above recommended", "above maximum"]
    set_torque_nm: float
    over_recommended_nm: float
    """Negative below it."""
    left_to_maximum_nm: float
    """Negative above it."""
    share_of_recommended: float


@dataclass(frozen=True, slots=True)
class Stretch:
    """What a tension does to a band."""

    stress_mpa: float
    strain: float
    elongation_mm: float
    share_of_yield: float | None
    """1 at the least yield strength; None where that is unknown."""


def tension_n(torque_nm: ArrayLike, wheel: Wheel) -> Floats:
    """Band tension in N from torque in N·m, any shape: T = τ·G·η / r (statics). NaN stays NaN.

    The factor for one N·m, `tension_n(1.0, wheel)`, turns the features of a torque curve into those of the
    tension curve.

    Raises: ValueError: a negative torque.
    """
    torques = np.asarray(torque_nm, dtype=np.float64)
    _check_not_negative("torque_nm", torques)
    return np.asarray(torques * wheel.gear_ratio * wheel.efficiency / (wheel.radius_mm / 1000))


def torque_nm(tension: ArrayLike, wheel: Wheel) -> Floats:
    """The inverse of `tension_n`: (…) N -> (…) N·m.

    Raises: ValueError: a negative tension.
    """
    tensions = np.asarray(tension, dtype=np.float64)
    _check_not_negative("tension_n", tensions)
    return np.asarray(tensions * (wheel.radius_mm / 1000) / (wheel.gear_ratio * wheel.efficiency))


def check_torque(set_torque_nm: float, band: Band, within: float = 0.05) -> TorqueCheck:
    """Set torque, N·m at the wheel, against the band's recommended (± `within`, a share) and maximum.

    Raises: ValueError: not a positive number, or a share outside 0 to 1.
    """
    if not (isfinite(set_torque_nm) and set_torque_nm > 0):
        raise ValueError(f"set_torque_nm must be a positive number, not {set_torque_nm}")
    if not 0 <= within < 1:
        raise ValueError(f"within is a share from 0 to 1, not {within}")
    share = set_torque_nm / band.recommended_torque_nm
    verdict: Literal["below recommended", "recommended", "above recommended", "above maximum"] = "recommended"
    if set_torque_nm > band.maximum_torque_nm:
        verdict = "above maximum"
    elif share > 1 + within:
        verdict = "above recommended"
    elif share < 1 - within:
        verdict = "below recommended"
    return TorqueCheck(
        verdict,
        set_torque_nm,
        set_torque_nm - band.recommended_torque_nm,
        band.maximum_torque_nm - set_torque_nm,
        share,
    )


def stretch(tension: float, length_mm: float, band: Band) -> Stretch:
    """What a tension in N does to `length_mm` of the band: σ = F/A, ε = σ/E, δ = F·L/(A·E) (Hooke).

    Above the yield strength (`share_of_yield` > 1) the band stretches more than that, and for good.

    Raises: ValueError: a negative tension, or a length out of `LIMITS`.
    """
    _check_not_negative("tension_n", np.asarray(tension, dtype=np.float64))
    _check_value("length_mm", length_mm, "a band")
    stress_mpa = tension / band.area_mm2
    strain = stress_mpa / (band.modulus_gpa * 1000)
    share = None if band.yield_mpa is None else stress_mpa / band.yield_mpa
    return Stretch(stress_mpa, strain, strain * length_mm, share)


def radial_pressure_mpa(tension: float, joint_radius_mm: float, band: Band) -> float:
    """Pressure of the band on a round joint: p = T / (r·w) (thin ring).

    Raises: ValueError: a negative tension, or a radius out of `LIMITS`.
    """
    _check_not_negative("tension_n", np.asarray(tension, dtype=np.float64))
    _check_value("radius_mm", joint_radius_mm, "a joint")
    return tension / (joint_radius_mm * band.width_mm)


def implausible(values: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """What can't be right among the values of a wheel or a band: the name of the value, and why."""
    for name, (least, most) in LIMITS.items():
        value = values.get(name)
        if value is not None and not (isfinite(value) and least <= value <= most):
            yield name, f"must be from {least:g} to {most:g}, not {value:g}; is it given in another unit?"
    for lower, upper in IN_ORDER:
        low, high = values.get(lower), values.get(upper)
        if low is not None and high is not None and low > high:
            yield lower, f"{low:g} is above {upper} {high:g}"


def _check(thing: Wheel | Band) -> None:
    owner = "the wheel" if isinstance(thing, Wheel) else f"band {thing.name}"
    for name, says in implausible(asdict(thing)):
        raise ValueError(f"{owner}: {name} {says}")


def _check_value(name: str, value: float, owner: str) -> None:
    for _, says in implausible({name: value}):
        raise ValueError(f"{owner}: {name} {says}")


def _check_not_negative(name: str, values: Floats) -> None:
    if (values < 0).any() or np.isinf(values).any():
        raise ValueError(f"{name} can't be negative or infinite")
