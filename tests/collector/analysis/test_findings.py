"""What the analysis notices by itself: what begins, when, and when it is over."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.analysis.before_after import OF_WINDOWS, Cycles, Floats
from collector.analysis.causes import FaultCodes
from collector.analysis.chart_design import Cusum, Design, Ewma
from collector.analysis.findings import look, look_at_service
from collector.analysis.noticed import Expected, Holds, Over, Restart, Subject, ended_at
from collector.analysis.tension import Band

T0 = datetime(2026, 11, 25, 6, tzinfo=UTC)
DESIGN = Design(("beyond_limits",), 3.7, False, Ewma(0.2, 3.65), Cusum(0.5, 7.3))
"""About what is designed for 2,000 values between false alarms."""
EXPECTED = Expected(DESIGN, least_supply_kpa=550.0, codes=FaultCodes(no_band={"11"}))
SLOWING = Subject("punch_slowing", "punch_velocity_m_s")
FASTER = Subject("measure_shifted", "punch_velocity_m_s")
LOW_AIR = Subject("supply_pressure_low", "supply_pressure_kpa")
Open = Mapping[Subject, datetime]


def cycles_of(count: int, seed: int = 1, **values: Floats | float) -> Cycles:
    """One a minute, all as they should be but for what is given."""
    rng = np.random.default_rng(seed)
    usual = {
        "punch_velocity_m_s": rng.normal(2.0, 0.008, count),
        "peak_tension_n": rng.normal(700, 6, count),
        "seating_loss_n": rng.normal(40, 1.5, count),
        "take_up_ms": rng.normal(300, 8, count),
        "slope_n_s": rng.normal(9000, 150, count),
        "supply_pressure_kpa": rng.normal(620, 2, count),
    }
    given = {name: np.full(count, value) for name, value in values.items()}
    nothing = dict.fromkeys(OF_WINDOWS, np.full(count, np.nan))
    return Cycles(
        ended_us=(T0.timestamp() * 1e6 + 60e6 * np.arange(count)).astype(np.int64),
        working=np.ones(count, bool),
        values={**nothing, **usual, **given},
        band=["B15"] * count,
        fault_code=[None] * count,
        ids=[f"L1-03.1.{number}" for number in range(count)],
    )


def minute(number: int) -> datetime:
    return T0 + timedelta(minutes=number)


def slowed(count: int, at: int, factor: float = 0.95, back: int | None = None) -> Cycles:
    """The punch is slower from one cycle on, until another."""
    cycles = cycles_of(count)
    velocity = cycles.values["punch_velocity_m_s"].copy()
    velocity[at:back] *= factor
    return replace(cycles, values={**cycles.values, "punch_velocity_m_s": velocity})


def with_faults(cycles: Cycles, code: str, *places: int) -> Cycles:
    codes = list(cycles.fault_code)
    for place in places:
        codes[place] = code
    return replace(cycles, fault_code=codes)


def first(cycles: Cycles, count: int) -> Cycles:
    """As they were known at an earlier look."""
    return Cycles(
        cycles.ended_us[:count],
        cycles.working[:count],
        {name: values[:count] for name, values in cycles.values.items()},
        cycles.band[:count],
        cycles.fault_code[:count],
        cycles.ids[:count],
    )


def seen(
    cycles: Cycles,
    open_since: Open | None = None,
    *,
    restart: Restart | None = None,
    expected: Expected = EXPECTED,
    settings: Mapping[str, Any] | None = None,
) -> tuple[list[Holds], list[Over]]:
    return look(cycles, restart, settings or {}, expected, open_since or {})


def only(found: tuple[list[Holds], list[Over]]) -> Holds:
    (holds,), ends = found
    assert ends == []
    return holds


# ---- a measure that shifted ----


def test_nothing_begins_while_all_is_as_it_should_be() -> None:
    """Whatever is known, from no cycle on."""
    for count in (0, 1, 24, 45, 130, 3000):
        assert seen(cycles_of(count)) == ([], [])


@pytest.mark.parametrize("seed", range(20))
def test_chance_alone_is_no_finding(seed: int) -> None:
    """A chart signals every 2,000 values by design; that calls nobody."""
    assert seen(cycles_of(5000, seed)) == ([], [])


def test_a_punch_that_slows_begins_at_the_change() -> None:
    """By how much is told, and since which cycle; five slow ones are not enough."""
    cycles = slowed(400, at=300)
    found = only(seen(cycles))
    assert found.subject == SLOWING
    assert abs(found.began_at - minute(300)) <= timedelta(minutes=2)
    assert found.says.startswith("punch velocity went from 2 to 1.9 m/s (-5.")
    assert found.evidence["first_cycle"] == cycles.ids[int((found.began_at - T0) / timedelta(minutes=1))]
    assert found.evidence["not_before"] <= "2026-11-25T11:00:00Z" <= found.evidence["not_after"]
    assert seen(first(cycles, 305)) == ([], [])


def test_low_air_is_named_as_the_cause_of_a_slow_punch() -> None:
    """The air fell with the velocity, by as much as that takes; both are findings."""
    air = cycles_of(400).values["supply_pressure_kpa"].copy()
    air[300:] *= 0.8
    cycles = slowed(400, at=300, factor=0.8**0.5)
    found, ends = seen(replace(cycles, values={**cycles.values, "supply_pressure_kpa": air}))
    assert {each.subject for each in found} == {SLOWING, LOW_AIR}
    slow = next(each for each in found if each.subject == SLOWING)
    assert "likely cause: low air" in slow.says
    assert slow.evidence["causes"][0]["cause"] == "low air"
    assert ends == []


def test_a_shift_that_does_not_matter_is_none() -> None:
    """Half a per cent of velocity shows on the chart and is nobody's business."""
    assert seen(slowed(3000, at=300, factor=0.995)) == ([], [])


def test_one_wild_value_is_no_shift() -> None:
    """The median of the newest is what counts."""
    cycles = cycles_of(300)
    slope = cycles.values["slope_n_s"].copy()
    slope[[150, 290, 295]] *= 12
    assert seen(replace(cycles, values={**cycles.values, "slope_n_s": slope})) == ([], [])


def test_a_slow_drift_is_found_with_its_onset_bounded() -> None:
    """A punch that loses 0.02 % a cycle; the truth lies within the bounds that are told."""
    count, at = 800, 400
    cycles = cycles_of(count)
    drift = np.where(np.arange(count) < at, 1.0, 1 - 2e-4 * (np.arange(count) - at))
    velocity = cycles.values["punch_velocity_m_s"] * drift
    found = only(seen(replace(cycles, values={**cycles.values, "punch_velocity_m_s": velocity})))
    assert found.evidence["change"] == "drift"
    assert abs(found.began_at - minute(at)) < timedelta(minutes=60)


def test_what_is_open_is_not_told_again_and_ends_when_it_is_back() -> None:
    """Look after look, as they follow one another: one begin, one end."""
    cycles = slowed(700, at=300, back=500)
    begins, ends, open_since = _follow(cycles)
    assert [each.subject for each in begins] == [SLOWING]
    assert [each.subject for each in ends] == [SLOWING]
    assert minute(500) < ends[0].ended_at < minute(600)
    assert open_since == {}


def test_a_second_shift_begins_at_the_second_change() -> None:
    """What was put right before is not taken for its begin."""
    cycles = slowed(1000, at=300, back=450)
    velocity = cycles.values["punch_velocity_m_s"].copy()
    velocity[800:] *= 0.93
    begins, _, _ = _follow(replace(cycles, values={**cycles.values, "punch_velocity_m_s": velocity}))
    assert len(begins) == 2
    for found, at in zip(begins, (300, 800), strict=True):
        assert abs(found.began_at - minute(at)) < timedelta(minutes=3)


def test_a_faster_punch_is_a_shift_and_ends_a_slow_one() -> None:
    """It is the one or the other."""
    begins, ends = seen(slowed(400, at=300, factor=1.06), {SLOWING: minute(10)})
    assert [each.subject for each in begins] == [FASTER]
    assert [each.subject for each in ends] == [SLOWING]


def test_a_restart_ends_what_it_explains_and_begins_a_new_chart() -> None:
    """A service at cycle 400: the level since is the new normal, and what came before it is over."""
    service = Restart(minute(400), "a service was done")
    cycles = slowed(600, at=300)
    begins, ends = seen(cycles, {SLOWING: minute(300)}, restart=service)
    assert begins == []
    assert ends == [Over(SLOWING, minute(400), "a service was done")]
    assert seen(cycles, {SLOWING: minute(401)}, restart=service)[1] != ends


def test_without_a_steady_stretch_nothing_is_said() -> None:
    """A tool that drifts since its restart has no center to be off."""
    cycles = cycles_of(600)
    drifting = cycles.values["punch_velocity_m_s"] - np.linspace(0, 1, 600)
    assert seen(replace(cycles, values={**cycles.values, "punch_velocity_m_s": drifting})) == ([], [])


def test_cycles_made_by_hand_measure_nothing() -> None:
    """A slow punch in set-up mode is no finding."""
    cycles = slowed(400, at=300)
    assert seen(replace(cycles, working=np.arange(400) < 300)) == ([], [])


# ---- air, set-up, faults, service ----


def test_low_supply_pressure_begins_with_its_first_cycle() -> None:
    """Once five in a row are low; one alone is not."""
    air = np.full(60, 620.0)
    air[20] = air[40:] = 500.0
    found = only(seen(cycles_of(60, supply_pressure_kpa=air)))
    assert (found.subject, found.began_at) == (LOW_AIR, minute(40))
    assert (found.evidence["lowest_kpa"], found.evidence["cycles"]) == (500.0, 20)
    assert seen(cycles_of(44, supply_pressure_kpa=air[:44])) == ([], [])


@given(st.lists(st.floats(545.0, 555.0), min_size=10, max_size=60))
@settings(deadline=None, max_examples=50)
def test_supply_pressure_about_the_least_does_not_flap(pressures: list[float]) -> None:
    """Between the least and 1 % above it nothing ends."""
    cycles = cycles_of(len(pressures), supply_pressure_kpa=np.array(pressures))
    begins, ends, _ = _follow(cycles, step=1)
    assert len(begins) <= 1
    assert ends == []


BAND = Band("B15", 15.875, 0.4826, 9.4, 12.5, recommended_pressure_kpa=330)
STATION = replace(EXPECTED, bands={"B15": BAND})
TORQUE = Subject("setup_misfit", "set_torque_nm")


def test_a_setup_that_does_not_fit_begins_when_it_was_set() -> None:
    """Each value is a finding of its own; what fits ends it."""
    torque = np.full(90, 9.4)
    torque[30:60] = 12.9
    cycles = cycles_of(90, set_torque_nm=torque, punch_pressure_kpa=330.0, tension_speed_mm_s=40.0)
    found = only(seen(first(cycles, 50), expected=STATION))
    assert (found.subject, found.began_at) == (TORQUE, minute(30))
    assert "set torque 12.90 N·m is above the 12.50 N·m that band B15 takes at most" in found.says
    assert (found.evidence["off_by"], found.evidence["band"]) == (pytest.approx(0.4), "B15")
    begins, ends = seen(cycles, {TORQUE: minute(30)}, expected=STATION)
    assert (begins, [each.subject for each in ends]) == ([], [TORQUE])


def test_what_a_record_lacks_is_taken_from_the_status_and_else_unknown() -> None:
    """Unknown is no misfit: neither a value, nor a band that the site does not know."""
    cycles = cycles_of(30)
    assert seen(cycles, expected=STATION) == ([], [])
    found = only(seen(cycles, expected=STATION, settings={"set_torque_nm": 7.0}))
    assert found.subject == TORQUE
    assert seen(cycles, expected=EXPECTED, settings={"set_torque_nm": 7.0}) == ([], [])


def test_a_supply_that_can_not_give_the_punch_pressure_is_a_misfit() -> None:
    """Even where the supply is above the least."""
    thick = replace(BAND, recommended_pressure_kpa=700)
    cycles = cycles_of(30, punch_pressure_kpa=700.0, set_torque_nm=9.4)
    found = only(seen(cycles, expected=replace(EXPECTED, bands={"B15": thick})))
    assert found.subject == Subject("setup_misfit", "supply_pressure_kpa")
    assert "can't give the punch pressure of 700 kPa" in found.says


def test_a_fault_that_repeats_begins_with_the_first_of_its_run() -> None:
    """Three within thirty cycles; one long ago does not count; after fifty without it is over."""
    cycles = with_faults(cycles_of(200), "11", 20, 100, 105, 118)
    found = only(seen(first(cycles, 120)))
    assert (found.subject, found.began_at) == (Subject("fault_repeats", "11"), minute(100))
    assert found.says == "fault 11 (band not present) in 3 of the newest 30 cycles"
    assert found.evidence["last_cycle"] == "L1-03.1.118"
    assert seen(first(cycles, 110)) == ([], [])
    begins, ends, _ = _follow(cycles)
    assert (len(begins), len(ends)) == (1, 1)
    assert minute(168) <= ends[0].ended_at <= minute(180)


def test_a_service_is_overdue_from_the_cycle_that_reached_the_span() -> None:
    """And no more once a service was done; where the site says no span, nothing is."""
    overdue = Subject("service_overdue", "")
    (due,), nothing = look_at_service(minute(0), 120, 100, minute(99), {})
    assert nothing == []
    assert (due.subject, due.began_at, due.evidence["remaining_cycles"]) == (overdue, minute(99), -20)
    assert due.says == "120 cycles since the service of 2026-11-25T06:00:00Z; one is due every 100"
    is_open = {overdue: minute(99)}
    assert look_at_service(minute(0), 130, 100, minute(99), is_open) == ([], [])
    ended = Over(overdue, minute(130), "a service was done")
    assert look_at_service(minute(130), 0, 100, None, is_open) == ([], [ended])
    assert look_at_service(minute(130), 0, 100, None, {}) == ([], [])
    assert look_at_service(minute(0), 120, None, None, {}) == ([], [])


@given(st.integers(0, 2**32), st.sampled_from([0.93, 0.97, 1.0, 1.04]), st.integers(60, 400))
@settings(deadline=None, max_examples=25)
def test_whatever_comes_nothing_is_open_twice_and_nothing_ends_that_is_not_open(
    seed: int, factor: float, at: int
) -> None:
    """And what begins began neither before the first cycle nor after the newest."""
    cycles = cycles_of(500, seed)
    velocity = cycles.values["punch_velocity_m_s"].copy()
    velocity[at:] *= factor
    cycles = replace(cycles, values={**cycles.values, "punch_velocity_m_s": velocity})
    begins, _, _ = _follow(cycles, step=61)
    assert all(minute(0) <= each.began_at <= ended_at(cycles, len(cycles) - 1) for each in begins)


def _follow(cycles: Cycles, step: int = 10) -> tuple[list[Holds], list[Over], dict[Subject, datetime]]:
    """Look every `step` cycles, as the collector does, and remember what is open."""
    begins: list[Holds] = []
    ends: list[Over] = []
    open_since: dict[Subject, datetime] = {}
    for count in range(step, len(cycles) + 1, step):
        begun, ended = seen(first(cycles, count), open_since)
        for over in ended:
            del open_since[over.subject]
        for holds in begun:
            assert holds.subject not in open_since
            open_since[holds.subject] = holds.began_at
        begins += begun
        ends += ended
    return begins, ends, open_since
