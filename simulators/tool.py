"""A clamp tool and the band it pulls, as physics. Pure: no clock, no I/O, chance from the caller.

One attempt runs through these stages (times are rough):

    take-up     300 ms   the wheel reels in slack at the tension speed; the sensor sees a little drag
    rise        130 ms   the joint closes: its stiffness grows in proportion to the tension it carries
    limit                the motor's torque limit holds the tension; its inertia overshoots once
    dwell        80 ms   the joint settles a little under steady tension
    punch         9 ms   air drives the punch over its stroke; its energy forms the lock, or doesn't
    seated       60 ms   the buckle slips into the lock: the seating loss
    cut          40 ms   the tail is cut off; the tool's sensor goes back to nothing

Lengths are in mm where a tool maker would say mm, forces in N, pressures in kPa gauge, energies in J.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import pi, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
TensionOf = Callable[[Floats], Floats]
"""Tension over time: (n,) s -> (n,) N."""
Ending = Literal["locked", "not formed", "not reached", "no band", "trigger released"]
Disturbance = Literal["none", "no band", "loose joint", "trigger released"]

DRAG_N = 6.0
"""What slack pulls on the wheel."""
DWELL_S = 0.080
SEATED_S = 0.060
CUT_S = 0.040
GIVE_UP_S = 0.35
"""After the slack should be in: longer than this without tension, and the controller stops the motor."""
STROKE_WAIT_S = 0.1
"""A punch that isn't through by then has not formed the lock."""
MOST_WORN = 0.95
"""Wear ends here."""
NOISE_N = 1.2
"""Standard deviation of the tension sensor."""
VELOCITY_NOISE = 0.004
"""Relative standard deviation of the punch's velocity sensor."""
ENERGY_SPREAD = 0.04
"""Relative standard deviation of the energy that one buckle takes to form: sheet tolerance and hardness."""


# ---- formulas ------------------------------------------------------------------------------------


def band_tension_n(
    motor_torque_nm: float, gear_ratio: float, efficiency: float, wheel_radius_m: float
) -> float:
    """Band tension in N from motor torque in N·m. T = τ·G·η / r (statics); G = 1 for torque at the wheel."""
    return motor_torque_nm * gear_ratio * efficiency / wheel_radius_m


def motor_torque_nm(tension_n: float, gear_ratio: float, efficiency: float, wheel_radius_m: float) -> float:
    """The inverse of `band_tension_n`, N·m."""
    return tension_n * wheel_radius_m / (gear_ratio * efficiency)


def cylinder_force_n(bore_m: float, pressure_kpa: float) -> float:
    """Force of an air cylinder in N: gauge pressure × piston area, F = p·π·d²/4."""
    return pressure_kpa * 1000 * pi * bore_m**2 / 4


def kinetic_energy_j(mass_kg: float, velocity_m_s: float) -> float:
    """½·m·v², in J."""
    return 0.5 * mass_kg * velocity_m_s**2


def velocity_for_energy_m_s(mass_kg: float, energy_j: float) -> float:
    """The inverse of `kinetic_energy_j`, m/s."""
    return sqrt(2 * energy_j / mass_kg)


def shear_force_n(cut_length_mm: float, thickness_mm: float, shear_strength_mpa: float) -> float:
    """Force to shear sheet in N: cut length × thickness × shear strength, F = L·t·τ (1 MPa = 1 N/mm²)."""
    return cut_length_mm * thickness_mm * shear_strength_mpa


def forming_energy_j(force_n: float, thickness_mm: float, share: float = 0.5) -> float:
    """Work of the punch through the sheet in J: E = k·F·t, k = `share` of the thickness at full force.

    F itself grows with t, so E grows with t². Source: k = 0.3 to 0.6 in sheet-metal handbooks (from memory).
    """
    return share * force_n * thickness_mm / 1000


def elongation_mm(force_n: float, length_mm: float, area_mm2: float, modulus_gpa: float) -> float:
    """Elastic stretch in mm: δ = F·L / (A·E) (Hooke)."""
    return force_n * length_mm / (area_mm2 * modulus_gpa * 1000)


# ---- things --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Band:
    """A steel strip and its buckle."""

    name: str
    width_mm: float
    thickness_mm: float
    recommended_torque_nm: float
    """At the tension wheel."""
    maximum_torque_nm: float
    recommended_pressure_kpa: float
    """Punch pressure, gauge."""
    shear_strength_mpa: float = 517.1068
    """75 000 psi: stainless sheet."""
    modulus_gpa: float = 193.0
    lock_cut_mm: float = pi * 3.175
    """Length that the punch shears to form the lock: a round of 1/8 in."""

    @property
    def area_mm2(self) -> float:
        return self.width_mm * self.thickness_mm

    @property
    def lock_energy_j(self) -> float:
        """Energy that the lock takes on average."""
        force_n = shear_force_n(self.lock_cut_mm, self.thickness_mm, self.shear_strength_mpa)
        return forming_energy_j(force_n, self.thickness_mm)


BANDS = {
    band.name: band
    for band in (
        Band("B15-048", 15.875, 0.4826, 9.4, 12.5, 330.0),
        Band("B15-061", 15.875, 0.6096, 12.0, 16.0, 520.0),
    )
}
"""5/8 in wide, 0.019 in and 0.024 in thick. The settings are of our own making."""


@dataclass(frozen=True, slots=True)
class Tool:
    """One tool with its wear; `after_cycle` gives the tool as it is one cycle later."""

    serial: str
    gear_ratio: float = 10.0
    efficiency: float = 0.85
    """Of gear and wheel, new."""
    wheel_radius_m: float = 0.012
    current_per_torque_a_nm: float = 8.0
    """Motor current per motor torque."""
    drive_mass_kg: float = 0.3
    """Inertia of motor and gear, felt at the wheel's rim."""
    punch_mass_kg: float = 0.5
    punch_bore_m: float = 0.032
    punch_stroke_m: float = 0.008
    punch_efficiency: float = 0.35
    """Share of gauge pressure × area × stroke that ends up in the new punch's motion."""
    punch_wear: float = 0.0
    """Share of the punch's energy lost to leaking seals and friction, 0 to 1."""
    drive_wear: float = 0.0
    """Share of the drive's efficiency lost, 0 to 1."""
    punch_wear_per_cycle: float = 2e-6
    drive_wear_per_cycle: float = 5e-7
    cycles: int = 0
    """Clamps made in its whole life, by whatever controller."""

    def after_cycle(self) -> "Tool":
        return replace(
            self,
            cycles=self.cycles + 1,
            punch_wear=min(MOST_WORN, self.punch_wear + self.punch_wear_per_cycle),
            drive_wear=min(MOST_WORN, self.drive_wear + self.drive_wear_per_cycle),
        )

    def tension_n(self, wheel_torque_nm: float) -> float:
        """Band tension that a torque at the wheel gives with this tool's wear, N."""
        return band_tension_n(
            wheel_torque_nm, 1.0, self.efficiency * (1 - self.drive_wear), self.wheel_radius_m
        )

    def punch_energy_j(self, pressure_kpa: float) -> float:
        """Work that the air does on the punch over its stroke, less losses: E = p·A·s·η·(1 − wear)."""
        work_j = cylinder_force_n(self.punch_bore_m, pressure_kpa) * self.punch_stroke_m
        return work_j * self.punch_efficiency * (1 - self.punch_wear)

    def punch_velocity_m_s(self, pressure_kpa: float) -> float:
        """At the end of the stroke; ½·m·v² = E, so v grows with the root of the pressure."""
        return velocity_for_energy_m_s(self.punch_mass_kg, self.punch_energy_j(pressure_kpa))

    def needed_pressure_kpa(self, band: Band) -> float:
        """Pressure at which the punch just forms the band's lock on average; grows with thickness squared."""
        return band.lock_energy_j / self.punch_energy_j(1.0)


@dataclass(frozen=True, slots=True)
class Joint:
    """What the band is clamped around, and how much slack it starts with."""

    slack_mm: float
    softness_mm: float = 2.0
    knee_n: float = 60.0
    """Stiffness is (knee + tension) / softness: it grows as the joint closes."""
    band_length_mm: float = 250.0
    slip_mm: float = 0.08
    """How far the buckle slips when it seats in the lock."""

    def travel_mm(self, tension_n: Floats, band: Band) -> Floats:
        """Travel from contact to a tension, (n,) N -> (n,) mm: c·ln(1 + T/T₀) + the band's own stretch."""
        stretch = tension_n * elongation_mm(1.0, self.band_length_mm, band.area_mm2, band.modulus_gpa)
        return self.softness_mm * np.log1p(tension_n / self.knee_n) + stretch

    def stiffness_n_mm(self, tension_n: float, band: Band) -> float:
        """dT/dx of joint and band in series, N/mm."""
        band_compliance = elongation_mm(1.0, self.band_length_mm, band.area_mm2, band.modulus_gpa)
        return 1.0 / (self.softness_mm / (self.knee_n + tension_n) + band_compliance)


def draw_joint(rng: np.random.Generator) -> Joint:
    return Joint(
        slack_mm=float(rng.normal(12.0, 1.0)),
        softness_mm=float(rng.normal(2.0, 0.06)),
        slip_mm=float(abs(rng.normal(0.08, 0.008))),
    )


@dataclass(frozen=True, slots=True)
class Settings:
    """What somebody set on the controller."""

    set_torque_nm: float
    """At the tension wheel."""
    tension_speed_mm_s: float
    punch_pressure_kpa: float
    band: str

    @classmethod
    def recommended(cls, band: str, tension_speed_mm_s: float = 40.0) -> "Settings":
        known = BANDS[band]
        return cls(known.recommended_torque_nm, tension_speed_mm_s, known.recommended_pressure_kpa, band)


@dataclass(frozen=True, slots=True)
class Sampling:
    """How a controller samples: interval in µs, at most `most` samples, the sensor's step in N."""

    interval_us: int
    most: int
    step_n: float


@dataclass(frozen=True, slots=True)
class Attempt:
    """What the sensors saw of one pull of the trigger."""

    ending: Ending
    steps: NDArray[np.int64]
    """Tension in sensor steps, (n,), first sample when the motor starts; never negative. What the controller
    has no room for is cut off at the end.
    """
    peak_tension_n: float
    lock_tension_n: float | None
    """Just before the punch; None where it never came to that."""
    seating_loss_n: float | None
    """None where no lock was formed."""
    take_up_ms: float
    duration_ms: float
    punch_velocity_m_s: float | None
    motor_current_a: float
    """At the peak."""


# ---- one attempt ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Pull:
    """One pull of the band, up to the punch. Instants are in s from the motor's start."""

    tool: Tool
    settings: Settings
    band: Band
    joint: Joint
    limit_n: float
    """Where the motor's torque limit holds the tension."""
    contact_s: float
    """Slack is in."""
    reach_s: float
    """The torque limit is reached."""

    @classmethod
    def of(cls, tool: Tool, settings: Settings, band: Band, joint: Joint) -> "Pull":
        contact_s = joint.slack_mm / settings.tension_speed_mm_s
        limit_n = tool.tension_n(settings.set_torque_nm)
        rise_mm = float(joint.travel_mm(np.array([limit_n]), band)[0])
        return cls(
            tool, settings, band, joint, limit_n, contact_s, contact_s + rise_mm / settings.tension_speed_mm_s
        )

    def tension_n(self, t: Floats) -> Floats:
        """While the motor pulls, (n,) s -> (n,) N: drag, rise, torque limit, one overshoot, settling.

        Overshoot: the drive's energy goes into the joint's spring, ½·m·v² = ½·ΔT²/k, so ΔT = v·√(m·k).
        """
        grid_n = np.linspace(0.0, 3 * self.limit_n, 400)
        travel_mm = np.clip(t - self.contact_s, 0, None) * self.settings.tension_speed_mm_s
        free_n = np.interp(travel_mm, self.joint.travel_mm(grid_n, self.band), grid_n)
        limited_n = free_n / (1 + (free_n / self.limit_n) ** 12) ** (1 / 12)
        stiffness_n_m = self.joint.stiffness_n_mm(self.limit_n, self.band) * 1000
        speed_m_s = self.settings.tension_speed_mm_s / 1000
        overshoot_n = speed_m_s * sqrt(self.tool.drive_mass_kg * stiffness_n_m)
        since = np.clip(t - self.reach_s, 0, None)
        swing = since / 0.008 * np.exp(1 - since / 0.008)
        settled = 1 + 0.004 * np.expm1(-since / 0.05)
        drag_n = DRAG_N * np.exp(-free_n / 30)
        return np.asarray((limited_n + overshoot_n * swing) * settled + drag_n, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Stroke:
    """What the punch did."""

    velocity_m_s: float
    formed: bool
    time_s: float


def attempt(
    tool: Tool,
    settings: Settings,
    fitted: Band,
    joint: Joint,
    supply_pressure_kpa: float,
    sampling: Sampling,
    rng: np.random.Generator,
    disturbance: Disturbance = "none",
) -> Attempt:
    """Pull the trigger once. `fitted` is the band that is really in the tool, whatever the settings say."""
    if disturbance == "loose joint":
        joint = replace(joint, softness_mm=joint.softness_mm * 12)
    pull = Pull.of(tool, settings, fitted, joint)
    give_up_s = pull.contact_s + GIVE_UP_S
    if disturbance == "no band":
        return _cut_short("no band", pull, give_up_s, lambda t: t * 0 + DRAG_N, sampling, rng)
    if disturbance == "trigger released":
        share = float(rng.uniform(0.3, 0.9))
        end_s = pull.contact_s + share * (pull.reach_s - pull.contact_s)
        return _cut_short("trigger released", pull, end_s, pull.tension_n, sampling, rng)
    if pull.reach_s > give_up_s:
        return _cut_short("not reached", pull, give_up_s, pull.tension_n, sampling, rng)
    pressure_kpa = min(settings.punch_pressure_kpa, supply_pressure_kpa)
    return _punched(pull, _stroke(tool, fitted, pressure_kpa, rng), sampling, rng)


def _stroke(tool: Tool, band: Band, pressure_kpa: float, rng: np.random.Generator) -> Stroke:
    """The lock forms where the punch's energy is at least what this one buckle takes.

    Evenly accelerated, the stroke takes 2·s/v; the controller waits no longer than `STROKE_WAIT_S` for it.
    """
    spread, need = rng.normal(size=2)
    velocity = tool.punch_velocity_m_s(pressure_kpa) * (1 + 0.5 * VELOCITY_NOISE * float(spread))
    formed = kinetic_energy_j(tool.punch_mass_kg, velocity) >= band.lock_energy_j * (1 + ENERGY_SPREAD * need)
    slowest = 2 * tool.punch_stroke_m / STROKE_WAIT_S
    return Stroke(velocity, bool(formed), 2 * tool.punch_stroke_m / max(velocity, slowest))


def _punched(pull: Pull, stroke: Stroke, sampling: Sampling, rng: np.random.Generator) -> Attempt:
    """An attempt that came to the punch: lock, seating loss and cut, or the band slack again."""
    punch_s = pull.reach_s + DWELL_S
    locked_s = punch_s + stroke.time_s
    cut_s = locked_s + SEATED_S
    slip_n = pull.joint.slip_mm * pull.joint.stiffness_n_mm(pull.limit_n, pull.band)
    loss_n = slip_n if stroke.formed else pull.limit_n

    def seated(t: Floats) -> Floats:
        lost_n = loss_n * -np.expm1(-np.clip(t - locked_s, 0, None) / 0.004)
        tail = np.exp(-np.clip(t - cut_s, 0, None) / 0.004)
        return np.clip(pull.tension_n(t) - lost_n, 0, None) * tail

    steps = _sampled(seated, cut_s + CUT_S, sampling, rng)
    tension_n: Floats = steps.astype(np.float64) * sampling.step_n
    before_n = _between(tension_n, punch_s - 0.020, punch_s, sampling)
    after_n = _between(tension_n, cut_s - 0.020, cut_s - 0.004, sampling)
    peak_n = float(tension_n.max())
    return Attempt(
        ending="locked" if stroke.formed else "not formed",
        steps=steps[: sampling.most],
        peak_tension_n=peak_n,
        lock_tension_n=before_n,
        seating_loss_n=max(0.0, before_n - after_n) if stroke.formed else None,
        take_up_ms=pull.contact_s * 1000,
        duration_ms=(cut_s + CUT_S) * 1000,
        punch_velocity_m_s=stroke.velocity_m_s * (1 + VELOCITY_NOISE * float(rng.normal())),
        motor_current_a=_current_a(pull.tool, peak_n),
    )


def _cut_short(
    ending: Ending,
    pull: Pull,
    end_s: float,
    tension_of: TensionOf,
    sampling: Sampling,
    rng: np.random.Generator,
) -> Attempt:
    """An attempt whose motor stops before the punch; the band goes slack at once."""

    def released(t: Floats) -> Floats:
        tail: Floats = np.exp(-np.clip(t - end_s, 0, None) / 0.006)
        return tension_of(np.minimum(t, end_s)) * tail

    steps = _sampled(released, end_s + CUT_S, sampling, rng)
    peak_n = float(steps.max() * sampling.step_n)
    return Attempt(
        ending=ending,
        steps=steps[: sampling.most],
        peak_tension_n=peak_n,
        lock_tension_n=None,
        seating_loss_n=None,
        take_up_ms=pull.contact_s * 1000,
        duration_ms=(end_s + CUT_S) * 1000,
        punch_velocity_m_s=None,
        motor_current_a=_current_a(pull.tool, peak_n),
    )


def _current_a(tool: Tool, tension_n: float) -> float:
    efficiency = tool.efficiency * (1 - tool.drive_wear)
    return tool.current_per_torque_a_nm * motor_torque_nm(
        tension_n, tool.gear_ratio, efficiency, tool.wheel_radius_m
    )


def _sampled(
    tension_of: TensionOf, end_s: float, sampling: Sampling, rng: np.random.Generator
) -> NDArray[np.int64]:
    """Sensor and converter: noise, whole steps, nothing below zero."""
    count = int(end_s * 1e6 / sampling.interval_us) + 1
    t: Floats = np.arange(count, dtype=np.float64) * (sampling.interval_us / 1e6)
    noisy = tension_of(t) + rng.normal(0.0, NOISE_N, count)
    return np.clip(np.rint(noisy / sampling.step_n), 0, 32767).astype(np.int64)


def _between(tension_n: Floats, from_s: float, to_s: float, sampling: Sampling) -> float:
    """Mean tension in a stretch of the curve, N."""
    first, last = (int(s * 1e6 / sampling.interval_us) for s in (from_s, to_s))
    return float(tension_n[first : last + 1].mean())
