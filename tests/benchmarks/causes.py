"""Likely causes scored against simulated truth: how often is each cause named, and what is named instead?

    python -m tests.benchmarks.causes --runs 200

Each run makes two windows of cycles (40 to 150 each) with the physical model: before, and after one thing
went wrong by a random amount. Curves become features as in the collector; pressures wander; a few values
are missing; both windows have their share of released triggers, loose joints and missing bands. Settings,
band, joint and wear differ from run to run.
"""

import argparse
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from math import exp
from zlib import crc32

import numpy as np
from scipy.stats import binomtest

from collector.analysis.causes import CAUSES, Cause, Diagnosis, FaultCodes, Window, likely_causes
from collector.analysis.features import features_of
from simulators.tool import (
    BANDS,
    Attempt,
    Band,
    Disturbance,
    Joint,
    Sampling,
    Settings,
    Tool,
    attempt,
    draw_joint,
)

CODES = FaultCodes(no_band={"11"}, not_formed={"13"})
FAULT_OF = {
    "locked": None,
    "no band": "11",
    "not reached": "12",
    "not formed": "13",
    "trigger released": "16",
}
SAMPLING = Sampling(interval_us=1000, most=1000, step_n=0.1)
MISSING = 0.02
"""Share of values that a record lacks."""
NOTHING, EQUAL = "nothing stands out", "equally good"
LETTERS = "abcdefgh"


@dataclass(frozen=True, slots=True)
class Station:
    """All that makes the cycles of one window."""

    tool: Tool
    settings: Settings
    fitted: Band
    supply_kpa: float
    slack: float = 1.0
    """Times the drawn joint's; so the others."""
    softness: float = 1.0
    slip: float = 1.0
    no_band_share: float = 0.004
    recorded: frozenset[str] = frozenset(Window.__dataclass_fields__)

    def joint(self, rng: np.random.Generator) -> Joint:
        drawn = draw_joint(rng)
        return replace(
            drawn,
            slack_mm=drawn.slack_mm * self.slack,
            softness_mm=drawn.softness_mm * self.softness,
            slip_mm=drawn.slip_mm * self.slip,
        )


def draw_station(rng: np.random.Generator, band_name: str | None = None) -> Station:
    """A healthy station: some band, set about as recommended, with enough air."""
    band = BANDS[band_name or str(rng.choice(sorted(BANDS)))]
    settings = Settings(
        set_torque_nm=band.recommended_torque_nm * float(rng.uniform(0.95, 1.05)),
        tension_speed_mm_s=float(rng.uniform(32, 50)),
        punch_pressure_kpa=band.recommended_pressure_kpa * float(rng.uniform(0.95, 1.05)),
        band=band.name,
    )
    return Station(
        tool=Tool("1", punch_wear=float(rng.uniform(0, 0.05))),
        settings=settings,
        fitted=band,
        supply_kpa=float(rng.uniform(600, 680)),
        slack=float(rng.uniform(0.8, 1.2)),
        softness=float(rng.uniform(0.8, 1.2)),
        slip=float(rng.uniform(0.8, 1.2)),
    )


def wandering(station: Station, rng: np.random.Generator) -> Station:
    """The same station some hours later: parts, air and the punch's lubrication are never quite the same."""
    slack, softness, slip, wear, supply = rng.normal(0, (0.03, 0.01, 0.03, 0.004, 10.0))
    return replace(
        station,
        tool=replace(station.tool, punch_wear=min(0.9, max(0.0, station.tool.punch_wear + float(wear)))),
        supply_kpa=station.supply_kpa + float(supply),
        slack=station.slack * (1 + float(slack)),
        softness=station.softness * (1 + float(softness)),
        slip=station.slip * (1 + float(slip)),
    )


# ---- what goes wrong: station and severity (0 mild to 1 bad) -> station ---------------------------
# The mild end is about half of what matters to `Relevant`: there "nothing stands out" is no mistake.


def worn_punch(station: Station, severity: float, rng: np.random.Generator) -> Station:
    """Velocity down by 1.5 % to 20 %."""
    left = (1 - station.tool.punch_wear) * (0.985 - 0.185 * severity) ** 2
    return replace(station, tool=replace(station.tool, punch_wear=1 - left))


def low_air(station: Station, severity: float, rng: np.random.Generator) -> Station:
    """Supply at 97 % to 65 % of the set punch pressure: velocity down by 1.5 % to 19 %."""
    return replace(station, supply_kpa=station.settings.punch_pressure_kpa * (0.97 - 0.32 * severity))


def other_stiffness(station: Station, severity: float, rng: np.random.Generator) -> Station:
    """The joint 3 % to 35 % softer or stiffer (in logarithms)."""
    way = float(rng.choice([-1, 1]))
    return replace(station, softness=station.softness * exp(way * (0.03 + 0.32 * severity)))


def thicker_band(station: Station, severity: float, rng: np.random.Generator) -> Station:
    """0.61 mm in a tool set for 0.48 mm: the punch is too weak for most locks."""
    return replace(station, fitted=BANDS["B15-061"])


def thinner_band(station: Station, severity: float, rng: np.random.Generator) -> Station:
    """0.48 mm in a tool set for 0.61 mm: every lock forms, and the rise is 1 % less steep."""
    return replace(station, fitted=BANDS["B15-048"])


def slipping_lock(station: Station, severity: float, rng: np.random.Generator) -> Station:
    """The buckle slips 1.08 to 2 times as far."""
    return replace(station, slip=station.slip * (1.08 + 0.92 * severity))


def more_slack(station: Station, severity: float, rng: np.random.Generator) -> Station:
    """1.05 to 1.8 times the slack."""
    return replace(station, slack=station.slack * (1.05 + 0.75 * severity))


def no_band(station: Station, severity: float, rng: np.random.Generator) -> Station:
    """In 2 % to 40 % of the cycles."""
    return replace(station, no_band_share=0.02 + 0.38 * severity)


def healthy(station: Station, severity: float, rng: np.random.Generator) -> Station:
    return station


def worn_and_low_air(station: Station, severity: float, rng: np.random.Generator) -> Station:
    return low_air(worn_punch(station, severity, rng), severity, rng)


def worn_without_pressures(station: Station, severity: float, rng: np.random.Generator) -> Station:
    """A controller that records no pressure."""
    return replace(worn_punch(station, severity, rng), recorded=station.recorded - {"supply_pressure_kpa"})


Happening = Callable[[Station, float, np.random.Generator], Station]
TRUTHS: Mapping[Happening, Cause | None] = {
    low_air: "low air",
    worn_punch: "punch wear or lubrication",
    other_stiffness: "joint or band",
    thicker_band: "joint or band",
    slipping_lock: "lock",
    more_slack: "slack or feed",
    no_band: "no band",
    healthy: None,
}
"""What goes wrong -> the cause to be named; None: nothing is to stand out."""
HARD: tuple[Happening, ...] = (thinner_band, worn_and_low_air, worn_without_pressures)
"""Shown beside them: too little evidence, or two causes at once."""

SET_FOR: Mapping[Happening, str] = {thicker_band: "B15-048", thinner_band: "B15-061"}
"""The band that the station is set for, where it can't be any."""


# ---- one run -------------------------------------------------------------------------------------


def window(station: Station, cycles: int, rng: np.random.Generator) -> Window:
    """Cycles of a station, as a book has them."""
    values = {name: np.full(cycles, np.nan) for name in Window.__dataclass_fields__ if name != "fault_codes"}
    codes = []
    for index in range(cycles):
        supply_kpa = station.supply_kpa + float(rng.normal(0, 4))
        tried = attempt(
            station.tool,
            station.settings,
            station.fitted,
            station.joint(rng),
            supply_kpa,
            SAMPLING,
            rng,
            _disturbance(station, rng),
        )
        codes.append(FAULT_OF[tried.ending])
        measured = _measured(station, tried, supply_kpa + float(rng.normal(0, 2)))
        for name, value in measured.items():
            if value is not None and rng.random() >= MISSING:
                values[name][index] = value
    kept = {name: array for name, array in values.items() if name in station.recorded}
    return Window(**kept, fault_codes=codes)


def _disturbance(station: Station, rng: np.random.Generator) -> Disturbance:
    shares = [station.no_band_share, 0.003, 0.003]
    kinds: list[Disturbance] = ["no band", "trigger released", "loose joint", "none"]
    return kinds[int(np.searchsorted(np.cumsum(shares), rng.random(), side="right"))]


def _measured(station: Station, tried: Attempt, supply_kpa: float) -> dict[str, float | None]:
    found: dict[str, float | None] = {
        "supply_pressure_kpa": supply_kpa,
        "punch_pressure_kpa": station.settings.punch_pressure_kpa,
        "tension_speed_mm_s": station.settings.tension_speed_mm_s,
        "set_tension_n": Tool("1").tension_n(station.settings.set_torque_nm),
    }
    if tried.ending in ("locked", "not formed"):
        curve = features_of(tried.steps * SAMPLING.step_n, SAMPLING.interval_us)
        found |= {
            "punch_velocity_m_s": tried.punch_velocity_m_s,
            "slope_n_s": curve.slope_per_s,
            "peak_tension_n": curve.peak,
            "seating_loss_n": curve.seating_loss if tried.ending == "locked" else None,
            "take_up_ms": curve.take_up_ms,
        }
    return found


def diagnosis(happening: Happening, severity: float, rng: np.random.Generator) -> Diagnosis:
    station = draw_station(rng, SET_FOR.get(happening))
    changed = happening(wandering(station, rng), severity, rng)
    sizes = rng.integers(40, 151, size=2)
    before = window(replace(station, recorded=changed.recorded), int(sizes[0]), rng)
    return likely_causes(before, window(changed, int(sizes[1]), rng), CODES)


def named(found: Diagnosis) -> str:
    """The column of the confusion matrix."""
    return found.verdict or (EQUAL if found.ranked else NOTHING)


def score(happening: Happening, runs: int, seed: int) -> tuple[Counter[str], Counter[str]]:
    """What was named in `runs` runs, from mild to bad; and in the mildest third of them alone."""
    rng = np.random.default_rng([seed, crc32(happening.__name__.encode())])
    answers = [named(diagnosis(happening, (run + 0.5) / runs, rng)) for run in range(runs)]
    return Counter(answers), Counter(answers[: max(1, runs // 3)])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    columns = [*CAUSES, NOTHING, EQUAL]
    print(f"what happened, {arguments.runs} runs each, and what was named, in runs:")
    print(", ".join(f"{letter} {column}" for letter, column in zip(LETTERS, columns, strict=True)) + "\n")
    print(" " * 24 + "".join(f"{letter:>5}" for letter in LETTERS))
    for happening in (*TRUTHS, *HARD):
        counted, mild = score(happening, arguments.runs, arguments.seed)
        row = "".join(f"{counted[column] or '.':>5}" for column in columns)
        print(f"{happening.__name__.replace('_', ' '):24}{row}{_share(happening, counted, mild)}", flush=True)


def _share(happening: Happening, counted: Counter[str], mild: Counter[str]) -> str:
    if happening not in TRUTHS:
        return ""
    right = TRUTHS[happening] or NOTHING
    interval = binomtest(counted[right], counted.total()).proportion_ci(method="wilson")
    return (
        f"   right {counted[right] / counted.total():.1%} ({interval.low:.1%} to {interval.high:.1%}), "
        f"in the mildest third {mild[right] / mild.total():.1%}"
    )


if __name__ == "__main__":
    main()
