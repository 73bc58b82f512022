"""What the analysis notices by itself in the cycles of one tool on one controller.

| kind | holds when | is over when |
|---|---|---|
| `measure_shifted` | its chart signals, the median of the newest 20 is off | that of 50 is back |
| `punch_slowing` | the same of the punch velocity, downwards; with the likely causes | the same |
| `supply_pressure_low` | the newest 5 are below the least pressure | the newest 5 are 1 % above it |
| `setup_misfit` | what is set does not fit the band in use | it fits, or can't be checked |
| `fault_repeats` | a fault code stands in 3 of the newest 30 cycles | in none of the newest 50 |
| `service_overdue` | as many cycles since the last as lie between two | one was done, or none is on record |

What lies between the two columns changes nothing, so a finding does not flap. A median is off by what
matters, and back when it is off by less than half of that (`shifts`). A restart (a service, a swap, a
setting) ends what the chart said before it. The numbers in the table are our own choice, no published
source.
"""

from collections.abc import Collection, Iterator, Mapping
from datetime import datetime
from math import isfinite
from typing import Any

import numpy as np
from numpy.typing import NDArray

from collector.analysis.before_after import Cycles
from collector.analysis.causes import LEAST_REPEATS, FaultCodes
from collector.analysis.noticed import Expected, Holds, Over, Restart, Subject, Verdict, ended_at
from collector.analysis.setup import Misfit, StationSetup, What, check_setup
from collector.analysis.shifts import begun_anew, shifts
from collector.rfc3339 import format_rfc3339

SUPPLY = "supply_pressure_kpa"
PRESSURES, PRESSURE_MARGIN = 5, 0.01
FAULT_CYCLES, FAULTLESS = 30, 50
SETTINGS: Mapping[What, str] = {
    "set torque": "set_torque_nm",
    "tension speed": "tension_speed_mm_s",
    "punch pressure": "punch_pressure_kpa",
    "supply pressure": SUPPLY,
}
"""What of a misfit -> the measure that a finding names."""


def look(
    cycles: Cycles,
    restart: Restart | None,
    settings: Mapping[str, Any],
    expected: Expected,
    open_since: Mapping[Subject, datetime],
) -> tuple[list[Holds], list[Over]]:
    """What begins and what ends, by the cycles of a tool on one controller up to the newest. What ends by a
    restart may begin anew at once.

    Args: cycles: oldest first, with the measures of `OF_WINDOWS`; those between the first hundreds after the
    restart and the newest thousands may be left out. restart: the last one. settings: what the controller's
    status shows as set, for what its records lack. open_since: open findings -> their begin.
    """
    anew = list(begun_anew(restart, open_since))
    is_open = set(open_since) - {each.subject for each in anew}
    found = list(_verdicts(cycles, restart, settings, expected, is_open)) if len(cycles) else []
    begins = [each for each in found if isinstance(each, Holds) and each.subject not in is_open]
    return begins, anew + [each for each in found if isinstance(each, Over) and each.subject in is_open]


def look_at_service(
    done_at: datetime,
    made: int,
    span: int | None,
    reached_at: datetime | None,
    open_since: Mapping[Subject, datetime],
) -> tuple[list[Holds], list[Over]]:
    """What begins and what ends, by the last service of a tool.

    Args: made: cycles since; span: from service to service, None: the site does not say; reached_at: when the
    last of those was made, None: it is not reached.
    """
    subject = Subject("service_overdue", "")
    if span is None or reached_at is None:
        because = "the site file says no service_cycle_span" if span is None else "a service was done"
        return [], [Over(subject, done_at, because)] if subject in open_since else []
    says = f"{made} cycles since the service of {format_rfc3339(done_at)}; one is due every {span}"
    evidence = {
        "service_cycle_count": made,
        "service_cycle_span": span,
        "remaining_cycles": span - made,
        "last_service_at": format_rfc3339(done_at),
    }
    return [] if subject in open_since else [Holds(subject, reached_at, says, evidence)], []


def look_at_no_service(open_since: Mapping[Subject, datetime]) -> tuple[list[Holds], list[Over]]:
    """What ends where there is no service any more to count from: its record was withdrawn or corrected."""
    subject = Subject("service_overdue", "")
    because = "the service that it was counted from is not on record any more"
    return [], [Over(subject, open_since[subject], because)] if subject in open_since else []


def _verdicts(
    cycles: Cycles,
    restart: Restart | None,
    settings: Mapping[str, Any],
    expected: Expected,
    is_open: Collection[Subject],
) -> Iterator[Verdict]:
    yield from shifts(cycles, restart, expected, is_open)
    yield from _supply(cycles, expected.least_supply_kpa)
    yield from _setup(cycles, settings, expected, is_open)
    yield from _faults(cycles, expected.codes, is_open)


def _supply(cycles: Cycles, least_kpa: float) -> Iterator[Verdict]:
    places = np.flatnonzero(np.isfinite(cycles.values[SUPPLY]))
    values = cycles.values[SUPPLY][places]
    newest = values[-PRESSURES:]
    subject = Subject("supply_pressure_low", SUPPLY)
    if newest.size < PRESSURES:
        return
    if (newest < least_kpa).all():
        first = _first_of_last(values < least_kpa)
        says = f"supply pressure {np.median(newest):.0f} kPa is below the {least_kpa:.0f} kPa that tools need"
        evidence = {
            "least_supply_kpa": least_kpa,
            "newest_median_kpa": float(np.median(newest)),
            "lowest_kpa": float(values[first:].min()),
            "first_cycle": cycles.ids[int(places[first])],
            "cycles": int(values.size - first),
        }
        yield Holds(subject, ended_at(cycles, places[first]), says, evidence)
    elif (newest >= least_kpa * (1 + PRESSURE_MARGIN)).all():
        first = _first_of_last(values >= least_kpa)
        because = f"supply pressure is {np.median(newest):.0f} kPa again"
        yield Over(subject, ended_at(cycles, places[first]), because)


def _setup(
    cycles: Cycles, settings: Mapping[str, Any], expected: Expected, is_open: Collection[Subject]
) -> Iterator[Verdict]:
    """Of the newest working cycle; what a controller does not say is no misfit."""
    working = [int(place) for place in np.flatnonzero(cycles.working)]
    if not working:
        return

    def misfit_at(place: int, what: What) -> Misfit | None:
        found = _misfits(cycles, place, settings, expected)
        return next((each for each in found if each.what == what), None)

    for what, measure in SETTINGS.items():
        subject = Subject("setup_misfit", measure)
        misfit = misfit_at(working[-1], what)
        if misfit is None:
            because = "what is set fits the band in use, or can't be checked any more"
            yield Over(subject, ended_at(cycles, working[-1]), because)
        elif subject not in is_open:
            first = working[-1]
            for place in reversed(working):
                if misfit_at(place, what) is None:
                    break
                first = place
            evidence = {
                "band": cycles.band[working[-1]] or settings.get("band"),
                "found": misfit.found,
                "least": misfit.least,
                "most": misfit.most,
                "off_by": misfit.off_by,
                "first_cycle": cycles.ids[first],
            }
            yield Holds(subject, ended_at(cycles, first), misfit.sentence, evidence)


def _misfits(cycles: Cycles, place: int, settings: Mapping[str, Any], expected: Expected) -> list[Misfit]:
    """Those that can be told, but for a supply below the least, which is a finding of its own."""

    def said(measure: str, cycles_back: int = 1) -> float | None:
        values = cycles.values[measure][max(0, place + 1 - cycles_back) : place + 1]
        value = float(np.median(values))
        known = value if isfinite(value) else settings.get(measure)
        return float(known) if isinstance(known, int | float) else None

    band = cycles.band[place] or settings.get("band")
    if band not in expected.bands:
        return []
    station = StationSetup(
        band,
        said("set_torque_nm"),
        said("tension_speed_mm_s"),
        said("punch_pressure_kpa"),
        said(SUPPLY, PRESSURES),
    )
    return [
        each
        for each in check_setup(station, expected.bands, least_supply_kpa=expected.least_supply_kpa)
        if each.off_by is not None
        and not (each.what == "supply pressure" and each.least == expected.least_supply_kpa)
    ]


def _faults(cycles: Cycles, codes: FaultCodes, is_open: Collection[Subject]) -> Iterator[Verdict]:
    newest = list(cycles.fault_code[-FAULT_CYCLES:])
    known_as = dict.fromkeys(codes.no_band, " (band not present)")
    known_as |= dict.fromkeys(codes.not_formed, " (lock not formed)")
    for code in sorted({code for code in newest if code is not None}):
        times = newest.count(code)
        if times < LEAST_REPEATS:
            continue
        places = [place for place, told in enumerate(cycles.fault_code) if told == code]
        apart = np.flatnonzero(np.diff(places) >= FAULT_CYCLES)
        first = places[int(apart[-1]) + 1 if apart.size else 0]
        says = f"fault {code}{known_as.get(code, '')} in {times} of the newest {len(newest)} cycles"
        evidence = {
            "fault_code": code,
            "faults": times,
            "cycles": len(newest),
            "first_cycle": cycles.ids[first],
            "last_cycle": cycles.ids[places[-1]],
        }
        yield Holds(Subject("fault_repeats", code), ended_at(cycles, first), says, evidence)
    for subject in is_open:
        gone = len(cycles) >= FAULTLESS and subject.measure not in cycles.fault_code[-FAULTLESS:]
        if subject.kind == "fault_repeats" and gone:
            because = f"fault {subject.measure} in none of the newest {FAULTLESS} cycles"
            yield Over(subject, ended_at(cycles, len(cycles) - 1), because)


def _first_of_last(flags: NDArray[np.bool_]) -> int:
    """Where the run of true flags begins that lasts to the end."""
    untrue = np.flatnonzero(~flags)
    return int(untrue[-1]) + 1 if untrue.size else 0
