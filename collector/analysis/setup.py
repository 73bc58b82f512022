"""Does a station's set-up fit its band, and what did somebody change?

The punch forms the lock with the energy of the air, E = p·A·s, and the lock takes E = k·L·t²·τ (length of
cut, thickness, shear strength): the pressure that a band needs grows with its thickness squared, and with
its strength. So a pressure known to be right for one band says what another one needs.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import isfinite, isnan, log
from typing import Literal

from collector.analysis.tension import Band, check_torque
from collector.model import SettingChange, Value

LEAST_SUPPLY_KPA = 550.0
"""80 psi; common practice, no published source."""
RIGHT_PRESSURE = 0.10
"""A punch pressure within this share of what the band needs fits, where the band has no window of its own."""
RIGHT_TORQUE = 0.05
SAME_PRESSURE = 0.01
"""Records may round a punch pressure by this share."""
LEAST_PROVEN = 20
PROVEN_SHARE = 0.95
"""A punch pressure is proven by so many judged cycles in a row at it, this share of them ok; common practice,
no published source."""

What = Literal["band", "set torque", "tension speed", "punch pressure", "supply pressure"]


@dataclass(frozen=True, slots=True)
class StationSetup:
    """What is set at a station, and the air that it gets; None where the controller does not say."""

    band: str | None
    set_torque_nm: float | None = None
    """At the wheel."""
    tension_speed_mm_s: float | None = None
    punch_pressure_kpa: float | None = None
    """Gauge."""
    supply_pressure_kpa: float | None = None
    """Gauge."""


@dataclass(frozen=True, slots=True)
class Misfit:
    """One thing that does not fit, and by how much."""

    what: What
    found: float | str | None
    """None: the controller does not say; it can't be checked."""
    least: float | None
    """What is needed; None: no bound on that side."""
    most: float | None
    off_by: float | None
    """Found less the bound that it misses: negative when too low."""
    sentence: str


@dataclass(frozen=True, slots=True)
class Proven:
    """A punch pressure that is known to form the lock of a band on this station's tool."""

    band: Band
    punch_pressure_kpa: float


def pressure_ratio(before: Band, after: Band) -> float:
    """How many times the punch pressure another band wants: (t₂/t₁)²·(τ₂/τ₁).

    Source: shear force L·t·τ times a share of the thickness (sheet-metal handbooks, from memory). Strengths
    count only where both are known.
    """
    ratio = (after.thickness_mm / before.thickness_mm) ** 2
    if before.shear_strength_mpa is not None and after.shear_strength_mpa is not None:
        ratio *= after.shear_strength_mpa / before.shear_strength_mpa
    return ratio


@dataclass(frozen=True, slots=True)
class ProvenRun:
    """Cycles in a row that prove a punch pressure."""

    punch_pressure_kpa: float
    first: int
    """Place of the newest of them."""
    end: int
    """Place behind the oldest."""
    ok: int


def proven_run(pressures_kpa: Sequence[float | None], ok: Sequence[bool]) -> ProvenRun | None:
    """The newest run of cycles at one punch pressure that proves it, so many were ok; None: there is none.

    Both (n,), of cycles with one band, newest first, without those that were aborted or not judged.
    """
    first = 0
    while first < len(ok):
        pressure_kpa, end = pressures_kpa[first], first + 1
        while end < len(ok) and _same(pressures_kpa[end], pressure_kpa):
            end += 1
        good = sum(ok[first:end])
        if pressure_kpa is not None and end - first >= LEAST_PROVEN and good >= PROVEN_SHARE * (end - first):
            return ProvenRun(pressure_kpa, first, end, good)
        first = end
    return None


def _same(pressure_kpa: float | None, other_kpa: float | None) -> bool:
    if pressure_kpa is None or other_kpa is None:
        return pressure_kpa is other_kpa
    return abs(pressure_kpa - other_kpa) <= SAME_PRESSURE * abs(other_kpa)


def check_setup(
    station: StationSetup,
    bands: Mapping[str, Band],
    proven: Proven | None = None,
    least_supply_kpa: float = LEAST_SUPPLY_KPA,
) -> tuple[Misfit, ...]:
    """Everything at a station that does not fit the band in use, or can't be checked; empty: it fits.

    `bands`: name -> band. `proven`: where the band in use has no pressure of its own, the pressure that it
    needs is worked out from this one; where it is another band, its set-up is compared too.

    Raises: ValueError: `least_supply_kpa` or the proven pressure is not positive.
    """
    for pressure in (least_supply_kpa, None if proven is None else proven.punch_pressure_kpa):
        if pressure is not None and not (isfinite(pressure) and pressure > 0):
            raise ValueError(f"a pressure must be positive, not {pressure} kPa")
    found = [_supply(station, least_supply_kpa)]
    band = bands.get(station.band or "")
    if band is None:
        named = "the controller does not say which" if not station.band else f"{station.band} is not known"
        sentence = f"band in use: {named}; torque, speed and punch pressure can't be checked"
        found.append(Misfit("band", station.band, None, None, None, sentence))
    else:
        found += [_torque(station, band), _speed(station, band), _pressure(station, band, proven)]
    return tuple(misfit for misfit in found if misfit is not None)


def _supply(station: StationSetup, least_kpa: float) -> Misfit | None:
    """The supply must reach the least pressure, and more than what the punch is set to."""
    if station.supply_pressure_kpa is None or isnan(station.supply_pressure_kpa):
        return _unknown("supply pressure", least_kpa, None, "kPa")
    found, punch = station.supply_pressure_kpa, station.punch_pressure_kpa
    if punch is not None and punch > max(found, least_kpa):
        sentence = (
            f"supply pressure {found:.0f} kPa can't give the punch pressure of {punch:.0f} kPa that is set: "
            f"{punch - found:.0f} kPa short"
        )
        return Misfit("supply pressure", found, punch, None, found - punch, sentence)
    return _bounded("supply pressure", found, least_kpa, None, "kPa", "the least that tools need")


def _torque(station: StationSetup, band: Band) -> Misfit | None:
    least = band.recommended_torque_nm * (1 - RIGHT_TORQUE)
    most = min(band.recommended_torque_nm * (1 + RIGHT_TORQUE), band.maximum_torque_nm)
    found = station.set_torque_nm
    if found is None or isnan(found):
        return _unknown("set torque", least, most, "N·m")
    if found <= 0:
        return Misfit(
            "set torque", found, least, most, found - least, f"set torque {found:g} N·m pulls nothing"
        )
    check = check_torque(found, band, RIGHT_TORQUE)
    if check.verdict == "above maximum":
        sentence = (
            f"set torque {found:.2f} N·m is above the {band.maximum_torque_nm:.2f} N·m that band {band.name} "
            f"takes at most, by {-check.left_to_maximum_nm:.2f} N·m"
        )
        return Misfit("set torque", found, None, band.maximum_torque_nm, -check.left_to_maximum_nm, sentence)
    return _bounded("set torque", found, least, most, "N·m", f"recommended for band {band.name}", digits=2)


def _speed(station: StationSetup, band: Band) -> Misfit | None:
    least, most = band.minimum_speed_mm_s, band.maximum_speed_mm_s
    if least is None and most is None:
        return None
    if station.tension_speed_mm_s is None or isnan(station.tension_speed_mm_s):
        return _unknown("tension speed", least, most, "mm/s")
    return _bounded("tension speed", station.tension_speed_mm_s, least, most, "mm/s", f"band {band.name}")


def _pressure(station: StationSetup, band: Band, proven: Proven | None) -> Misfit | None:
    """Against the band's own window; else its recommended pressure; else one from the proven pressure."""
    least, most = band.minimum_pressure_kpa, band.maximum_pressure_kpa
    needed = band.recommended_pressure_kpa
    if needed is None and proven is not None:
        needed = proven.punch_pressure_kpa * pressure_ratio(proven.band, band)
    if needed is not None and least is None and most is None:
        least, most = needed * (1 - RIGHT_PRESSURE), needed * (1 + RIGHT_PRESSURE)
    found = station.punch_pressure_kpa
    if found is None or isnan(found):
        return _unknown("punch pressure", least, most, "kPa")
    if least is None and most is None:
        sentence = (
            f"nobody has said what punch pressure band {band.name} needs; {found:.0f} kPa can't be checked"
        )
        return Misfit("punch pressure", found, None, None, None, sentence)
    misfit = _bounded("punch pressure", found, least, most, "kPa", f"band {band.name}")
    if misfit is None or proven is None or proven.band.name == band.name:
        return misfit
    return _after_band_change(misfit, found, band, proven)


def _after_band_change(misfit: Misfit, found_kpa: float, band: Band, proven: Proven) -> Misfit:
    ratio, now = pressure_ratio(proven.band, band), found_kpa / proven.punch_pressure_kpa
    stayed = "it stayed" if abs(now - 1) < 0.01 else f"it is {now:.2f} times"
    before_kpa = proven.punch_pressure_kpa
    sentence = (
        f"{misfit.sentence}; the change from {proven.band.thickness_mm:.2f} mm to {band.thickness_mm:.2f} mm "
        f"band wants about {ratio:.1f} times the punch pressure "
        f"({before_kpa:.0f} kPa to about {before_kpa * ratio:.0f} kPa), and {stayed}"
    )
    return Misfit(misfit.what, found_kpa, misfit.least, misfit.most, misfit.off_by, sentence)


def _bounded(
    what: What, found: float, least: float | None, most: float | None, unit: str, whose: str, digits: int = 0
) -> Misfit | None:
    if least is not None and found < least:
        bound, word = least, "below"
    elif most is not None and found > most:
        bound, word = most, "above"
    else:
        return None
    sentence = (
        f"{what} {found:.{digits}f} {unit} is {abs(found - bound):.{digits}f} {unit} {word} "
        f"{bound:.{digits}f} {unit} ({whose})"
    )
    return Misfit(what, found, least, most, found - bound, sentence)


def _unknown(what: What, least: float | None, most: float | None, unit: str) -> Misfit:
    bounds = " to ".join(f"{bound:.4g}" for bound in (least, most) if bound is not None)
    needed = f"; {bounds} {unit} is needed" if bounds else ""
    return Misfit(what, None, least, most, None, f"{what}: the controller does not say{needed}")


# ---- what somebody changed -----------------------------------------------------------------------


def setting_changes(
    statuses: Iterable[tuple[datetime, Mapping[str, Value | None]]],
) -> tuple[SettingChange, ...]:
    """What changed from status to status; `statuses`: (read at, settings), in their order of time.

    A value that is missing (None, NaN) says nothing: the next one is compared with the last that was there.
    The first value of a setting is no change. To go on after a restart, begin with the last known status.

    Raises: ValueError: the statuses are not in order of time.
    """
    known: dict[str, tuple[Value, datetime]] = {}
    changes = []
    latest: datetime | None = None
    for at, settings in statuses:
        if latest is not None and at < latest:
            raise ValueError(f"the status of {at} comes after that of {latest}; give them in order of time")
        latest = at
        for setting, value in settings.items():
            if value is None or (isinstance(value, float) and isnan(value)):
                continue
            if setting in known and known[setting][0] != value:
                before, seen_at = known[setting]
                changes.append(SettingChange(setting, before, value, seen_at, at))
            known[setting] = (value, at)
    return tuple(changes)


Measure = Literal["punch_velocity_m_s", "peak_tension_n", "lock_tension_n", "take_up_ms", "slope_n_s"]

EXPONENTS: Mapping[tuple[str, Measure], float] = {
    ("punch_pressure_kpa", "punch_velocity_m_s"): 0.5,
    ("set_torque_nm", "peak_tension_n"): 1.0,
    ("set_torque_nm", "lock_tension_n"): 1.0,
    ("tension_speed_mm_s", "take_up_ms"): -1.0,
    ("tension_speed_mm_s", "slope_n_s"): 1.0,
}
"""measure ∝ setting to this power: ½·m·v² = p·A·s, T = τ·η/r, and way = speed × time."""
TOUCHES: Mapping[str, frozenset[Measure]] = {
    "band": frozenset({"peak_tension_n", "lock_tension_n", "slope_n_s"}),
    "set_torque_nm": frozenset({"slope_n_s"}),
}
"""Settings that move a measure by no fixed power."""
EXPLAINS = 0.35
"""A change explains a drift where it makes between 1 − this and 1 + this of it (in logarithms)."""


@dataclass(frozen=True, slots=True)
class RankedChange:
    """A change ahead of a drift, with how well it would explain it."""

    change: SettingChange
    before_drift: timedelta
    """From the change (when the new value was first seen) to the drift; negative where it was seen later."""
    certain: bool
    """It lies before the drift for certain; else the two may have come in either order."""
    explains: Literal["explains it", "touches it", "no known link"]
    expected_ratio: float | None
    """After / before of the measure, by the change alone; None where no formula says."""


def changes_before(
    changes: Sequence[SettingChange],
    drift_at: datetime,
    *,
    drift_not_before: datetime | None = None,
    measure: Measure | None = None,
    observed_ratio: float | None = None,
    look_back: timedelta = timedelta(days=7),
) -> tuple[RankedChange, ...]:
    """The changes that may lie behind a drift, most likely first: those that explain its size, then those
    that touch the measure, then the rest; the latest first.

    `drift_not_before` to `drift_at`: the interval in which the drift began (a change point's confidence set);
    without the former, it began at the latter. `observed_ratio`: level after / level before.

    Raises: ValueError: a ratio that is not positive, or an interval that ends before it begins.
    """
    if observed_ratio is not None and not (isfinite(observed_ratio) and observed_ratio > 0):
        raise ValueError(f"observed_ratio must be positive, not {observed_ratio}")
    begins_at = drift_at if drift_not_before is None else drift_not_before
    if begins_at > drift_at:
        raise ValueError(f"the drift can't begin after {drift_at} and before {begins_at}")
    ranked = []
    for change in changes:
        if change.not_before > drift_at or change.at < begins_at - look_back:
            continue
        expected = None if measure is None else _expected_ratio(change, measure)
        explains = _explains(change, measure, expected, observed_ratio)
        lead = drift_at - change.at
        ranked.append(RankedChange(change, lead, change.at <= begins_at, explains, expected))
    order = ("explains it", "touches it", "no known link")
    return tuple(sorted(ranked, key=lambda each: (order.index(each.explains), abs(each.before_drift))))


def _expected_ratio(change: SettingChange, measure: Measure) -> float | None:
    power = EXPONENTS.get((change.setting, measure))
    before, after = change.before, change.after
    if power is None or isinstance(before, str) or isinstance(after, str) or before <= 0 or after <= 0:
        return None
    return float((after / before) ** power)


def _explains(
    change: SettingChange, measure: Measure | None, expected: float | None, observed: float | None
) -> Literal["explains it", "touches it", "no known link"]:
    if measure is None or (expected is None and measure not in TOUCHES.get(change.setting, frozenset())):
        return "no known link"
    if expected is None or observed is None or observed == 1:
        return "touches it"
    return "explains it" if abs(log(expected) / log(observed) - 1) <= EXPLAINS else "touches it"
