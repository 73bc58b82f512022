"""Measures that shifted and stay so: the control chart since the last restart signals, and the median of the
newest values is off its center by what matters.

What matters is `Relevant` of `causes`, and at least three standard errors of the newest values' median: a
chart alone signals too often to call somebody. The begin is the change point.
"""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from math import pi, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from collector.analysis.baseline import Baseline, phase_one
from collector.analysis.before_after import SIDE_CYCLES, Cycles, Floats, window
from collector.analysis.causes import Diagnosis, Relevant, likely_causes
from collector.analysis.change_point import ChangePoint, change_point
from collector.analysis.charts import chart
from collector.analysis.containment import DOUBT
from collector.analysis.noticed import Expected, Holds, Over, Restart, Subject, Verdict, ended_at, to_us
from collector.rfc3339 import format_rfc3339

PUNCH = "punch_velocity_m_s"
RELEVANT = Relevant()
MATTERS: Mapping[str, float] = {
    PUNCH: RELEVANT.velocity,
    "peak_tension_n": RELEVANT.peak,
    "seating_loss_n": RELEVANT.seating_loss,
    "take_up_ms": RELEVANT.take_up,
    "slope_n_s": RELEVANT.slope,
}
"""Measures that are charted -> the least shift that matters, a share of the center."""
NAMES: Mapping[str, tuple[str, str]] = {
    PUNCH: ("punch velocity", "m/s"),
    "peak_tension_n": ("peak tension", "N"),
    "seating_loss_n": ("seating loss", "N"),
    "take_up_ms": ("take-up", "ms"),
    "slope_n_s": ("slope of the rise", "N/s"),
}
BASELINE, TRIES = 100, 5
"""Values of phase I; how many stretches of so many are tried, until one is steady."""
NEWEST, SETTLED = 20, 50
"""Values whose median must be off the center; and back at it."""
STANDARD_ERRORS = 3.0
OF_MEDIAN = sqrt(pi / 2)
"""Standard error of a median over that of a mean (normal values, many of them)."""


def begun_anew(restart: Restart | None, open_since: Mapping[Subject, datetime]) -> Iterator[Over]:
    """A restart ends what the chart said before it."""
    for subject, began_at in open_since.items():
        if restart and subject.kind in ("measure_shifted", "punch_slowing") and began_at <= restart.at:
            yield Over(subject, restart.at, restart.says)


def shifts(
    cycles: Cycles, restart: Restart | None, expected: Expected, is_open: Collection[Subject]
) -> Iterator[Verdict]:
    """Of every measure that is charted; see `findings.look`."""
    in_use = cycles.working if restart is None else cycles.working & (cycles.ended_us > to_us(restart.at))
    for measure, share in MATTERS.items():
        places = np.flatnonzero(in_use & np.isfinite(cycles.values[measure]))
        values = cycles.values[measure][places]
        baseline = _steady(values)
        if baseline is not None:
            error = OF_MEDIAN * baseline.long_run_sigma / sqrt(NEWEST)
            least_off = max(share * abs(baseline.center), STANDARD_ERRORS * error)
            yield from _shift(
                _Measured(cycles, measure, places, values, baseline, least_off), expected, is_open
            )


@dataclass(frozen=True, slots=True)
class _Measured:
    """The known values of one measure since the restart, (n,), and what they are held against."""

    cycles: Cycles
    measure: str
    places: NDArray[np.intp]
    """Of the values among the cycles."""
    values: Floats
    baseline: Baseline
    least_off: float
    """By what the median of the newest values is off when it matters."""

    def off(self, newest: int) -> float:
        return float(np.median(self.values[-newest:])) - self.baseline.center


def _steady(values: Floats) -> Baseline | None:
    """Of the first stretch that is steady, ahead of the newest values."""
    for begin in range(0, min(values.size - NEWEST, TRIES * BASELINE), BASELINE):
        found = phase_one(values[begin : min(begin + BASELINE, values.size - NEWEST)])
        if isinstance(found, Baseline):
            return found
    return None


def _shift(found: _Measured, expected: Expected, is_open: Collection[Subject]) -> Iterator[Verdict]:
    shifted, slower = Subject("measure_shifted", found.measure), Subject("punch_slowing", PUNCH)
    both = (shifted, slower) if found.measure == PUNCH else (shifted,)
    now = ended_at(found.cycles, found.places[-1])
    off = found.off(NEWEST)
    if abs(off) >= found.least_off:
        subject = both[-1] if off < 0 else shifted
        for other in both:
            if other != subject:
                yield Over(other, now, "it went to the other side")
        if subject not in is_open and _signals(found, expected):
            yield _off(found, off, subject, expected)
    elif found.values.size >= SETTLED and abs(found.off(SETTLED)) < found.least_off / 2:
        level = float(np.median(found.values[-SETTLED:]))
        because = f"the median of the newest {SETTLED} values is {level:.4g} {NAMES[found.measure][1]} again"
        for subject in both:
            yield Over(subject, now, because)


def _signals(found: _Measured, expected: Expected) -> bool:
    """Among the newest values."""
    signalled = chart(found.values, found.baseline, expected.design, newest=0).signalled()
    return bool(signalled.size) and bool(signalled[-1] >= found.values.size - NEWEST)


def _off(found: _Measured, off: float, subject: Subject, expected: Expected) -> Holds:
    cycles, places, center = found.cycles, found.places, found.baseline.center
    sought_from, begin, change = _begin(found)
    place = int(places[begin])
    name, unit = NAMES[found.measure]
    says = f"{name} went from {center:.4g} to {center + off:.4g} {unit} ({100 * off / center:+.1f} %)"
    evidence: dict[str, Any] = {
        "center": center,
        "sigma": found.baseline.sigma,
        "baseline_values": found.baseline.count,
        "newest_median": center + off,
        "newest_values": NEWEST,
        "least_that_matters": found.least_off,
        "first_cycle": cycles.ids[place],
        "noticed_cycle": cycles.ids[int(places[-1])],
    }
    if change is not None:
        bounds = [ended_at(cycles, places[sought_from + at]) for at in (change.earliest, change.latest)]
        evidence |= {
            "change": change.kind,
            "p_value": change.p_value,
            "not_before": format_rfc3339(bounds[0]),
            "not_after": format_rfc3339(bounds[1]),
            "confidence": change.confidence,
        }
    if subject.kind == "punch_slowing":
        diagnosis = _diagnosis(cycles, int(places[sought_from]), place, expected)
        why = f"cause: {diagnosis.why}"
        if diagnosis.verdict is not None:
            why = f"likely cause: {diagnosis.verdict} ({diagnosis.why})"
        says = f"{says}; {why}"
        evidence["causes"] = [
            {"cause": each.cause, "strength": each.strength, "evidence": list(each.evidence)}
            for each in diagnosis.ranked
        ]
    return Holds(subject, ended_at(cycles, place), says, evidence)


def _diagnosis(cycles: Cycles, sought_from: int, place: int, expected: Expected) -> Diagnosis:
    """The cycles ahead of the begin against the newest."""
    before = slice(max(sought_from, place - SIDE_CYCLES), place)
    after = slice(max(place, len(cycles) - SIDE_CYCLES), len(cycles))
    return likely_causes(
        window(cycles, before, expected.wheel), window(cycles, after, expected.wheel), expected.codes
    )


def _begin(found: _Measured) -> tuple[int, int, ChangePoint | None]:
    """Place from which on the change was sought: since the values were off the last time before. Place of the
    first shifted value; and the change, where one can be told."""
    rolling = np.median(np.lib.stride_tricks.sliding_window_view(found.values, NEWEST), axis=1)
    is_off = np.abs(rolling - found.baseline.center) >= found.least_off
    on_center = np.flatnonzero(~is_off)
    if not on_center.size:
        return 0, 0, None
    off_before = np.flatnonzero(is_off[: on_center[-1]])
    sought_from = int(off_before[-1]) + NEWEST if off_before.size else 0
    change = change_point(found.values[sought_from:], doubt=DOUBT)
    if isinstance(change, ChangePoint):
        return sought_from, sought_from + change.place, change
    return sought_from, int(on_center[-1]) + NEWEST, None
