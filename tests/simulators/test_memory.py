"""The controller's memory: ring, counters, faults, clock, start-up."""

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise

import pytest

from simulators.memory import (
    Controller,
    Fault,
    Record,
    Slot,
    judge,
    memory_to_json,
    restore_memory,
)
from simulators.tool import Settings, Tool
from tests.simulators.rigs import FAMILIES, NOON, Told, new_controller, run_cycles


def records(controller: Controller) -> Iterator[Record]:
    return (slot.record for slot in controller.ring if slot is not None)


def later(seconds: float) -> datetime:
    return NOON + timedelta(seconds=seconds)


# ---- ring and counters -----------------------------------------------------------------------------


@pytest.mark.parametrize("layout", FAMILIES)
def test_the_ring_keeps_the_newest_records_and_no_others(layout: str) -> None:
    """As many as the family has slots, whatever was before."""
    controller = new_controller(FAMILIES[layout])
    made = run_cycles(controller, 95)
    slots = controller.family.slots
    kept = sorted(record.sequence for record in records(controller))
    assert kept == [finished.record.sequence for finished in made][-slots:]


def test_a_ring_by_sequence_puts_each_record_where_its_number_says() -> None:
    """Slot = shown sequence modulo slots; 65536 isn't a multiple of 30, so the wrap jumps in the ring."""
    controller = new_controller(FAMILIES["ring-modbus"], counted=65_500)
    for count, newest_slot in ((35, 15), (1, 0), (9, 9)):
        made = run_cycles(controller, count)
        assert controller.newest_slot == newest_slot == made[-1].record.sequence % 30
        assert all(
            slot is None or slot.record.sequence % 30 == place for place, slot in enumerate(controller.ring)
        )
        newest = controller.ring[newest_slot]
        assert newest is not None
        assert newest.record == made[-1].record


def test_a_ring_by_place_goes_round_and_says_where_the_newest_stands() -> None:
    """The status' newest slot holds the status' last sequence."""
    controller = new_controller(FAMILIES["ring-s7"])
    for _ in range(85):
        run_cycles(controller, 1)
        status = controller.status(NOON)
        slot = controller.ring[status.newest_slot]
        assert slot is not None
        assert slot.record.sequence == status.last_sequence


def test_the_sequence_wraps_at_its_width_and_the_unwrapped_one_runs_on() -> None:
    """16 bits: 65535 is followed by 0."""
    controller = new_controller(FAMILIES["ring-modbus"], counted=65_533)
    made = run_cycles(controller, 4)
    assert [finished.record.sequence for finished in made] == [65_534, 65_535, 0, 1]
    assert [finished.sequence for finished in made] == [65_534, 65_535, 65_536, 65_537]


def test_both_counters_count_every_cycle_whatever_its_result() -> None:
    """The record carries the lifetime counter after its own cycle."""
    controller = new_controller(total_count=1000)
    made = run_cycles(controller, 2) + run_cycles(controller, 1, disturbance="no band")
    assert [finished.record.total_count for finished in made] == [1001, 1002, 1003]
    status = controller.status(NOON)
    assert (status.total_count, status.count_since_cleared) == (1003, 3)


def test_somebody_can_clear_one_counter_and_not_the_other() -> None:
    """The lifetime counter runs on."""
    controller = new_controller()
    told = Told(controller)
    run_cycles(controller, 5)
    controller.clear_counter(NOON)
    run_cycles(controller, 2)
    status = controller.status(NOON)
    assert (status.total_count, status.count_since_cleared, status.last_sequence) == (7, 2, 7)
    assert [(event.what, event.detail) for event in told.events] == [
        ("counter clear", {"count_since_cleared": 5})
    ]


def test_counters_follow_the_controller_and_records_the_tool() -> None:
    """A swapped tool keeps its serial, wear and own count; the controller keeps counting."""
    first, second = new_controller(), new_controller(seed=2)
    second.mount(Tool("2"), NOON)
    run_cycles(first, 3)
    first.mount(second.mount(first.tool, NOON), NOON)
    assert [finished.record.tool_serial for finished in run_cycles(first, 2)] == ["2", "2"]
    assert [finished.record.tool_serial for finished in run_cycles(second, 1)] == ["40117"]
    assert first.status(NOON).total_count == 5
    assert second.tool is not None
    assert second.tool.cycles == 4


def test_a_controller_that_keeps_numbers_refuses_a_tool_with_letters() -> None:
    """ring-modbus has 32 bits for the serial number."""
    controller = new_controller(FAMILIES["ring-modbus"])
    with pytest.raises(ValueError, match="keeps serial numbers as numbers"):
        controller.mount(Tool("BT-1"), NOON)


# ---- writing a cycle --------------------------------------------------------------------------------


def test_a_record_is_half_written_for_a_while_and_the_status_tells_of_it_last() -> None:
    """Curve, first half, whole record, status: in this order."""
    controller = new_controller()
    run_cycles(controller, 45)
    seen = []
    for _ in controller.keep(controller.pull_trigger(), later(60)):
        slot = controller.ring[(controller.newest_slot + 1) % 40]
        assert slot is not None
        seen.append(
            (
                controller.curve.sequence,
                slot.record.sequence,
                slot.half,
                controller.status(NOON).last_sequence,
            )
        )
    assert seen == [(46, 6, False, 45), (46, 46, True, 45), (46, 46, False, 45)]
    assert controller.status(NOON).last_sequence == 46


def test_a_half_written_record_stands_over_the_one_before() -> None:
    """What a reader gets in between is the new front with the old back."""
    controller = new_controller(FAMILIES["last-record-modbus"])
    first = run_cycles(controller, 1)[0].record
    steps = controller.keep(controller.pull_trigger(), later(1))
    next(steps)
    assert controller.ring[0] is not None
    assert controller.ring[0] == Slot(controller.ring[0].record, first, half=True)
    assert controller.ring[0].record.sequence == 2


def test_listeners_hear_of_a_cycle_when_its_record_is_whole_and_the_status_says_so() -> None:
    """Whoever publishes can rely on both."""
    controller = new_controller()
    heard = []
    controller.on_cycle.append(
        lambda finished: heard.append((controller.status(NOON).last_sequence, finished))
    )
    run_cycles(controller, 1)
    sequence, finished = heard[0]
    assert sequence == finished.record.sequence == 1
    assert controller.ring[controller.newest_slot] == Slot(finished.record)
    assert finished.curve == controller.curve


@pytest.mark.parametrize("layout", FAMILIES)
def test_what_a_family_rounds_once_it_does_not_round_again(layout: str) -> None:
    """`kept` gives a record that the controller can keep exactly."""
    family = FAMILIES[layout]
    for finished in run_cycles(new_controller(family), 20):
        assert family.kept(finished.record) == finished.record


# ---- judging ----------------------------------------------------------------------------------------


def test_a_good_cycle_is_ok_and_completed() -> None:
    """Nothing is out of the ordinary with a new tool and the recommended settings."""
    made = run_cycles(new_controller(), 50)
    assert {(finished.record.result, finished.record.completion) for finished in made} == {
        ("ok", "completed")
    }


@pytest.mark.parametrize(
    ("disturbance", "result", "completion", "fault"),
    [
        ("no band", "nok", "failed", Fault.NO_BAND),
        ("trigger released", "undecided", "aborted", Fault.TRIGGER),
        ("loose joint", "nok", "failed", Fault.TENSION),
    ],
)
def test_what_went_wrong_is_in_the_record_and_raises_its_fault(
    disturbance: str, result: str, completion: str, fault: Fault
) -> None:
    """Result and completion are two axes."""
    controller = new_controller()
    told = Told(controller)
    record = run_cycles(controller, 1, disturbance=disturbance)[0].record  # type: ignore[arg-type]
    assert (record.result, record.completion, record.fault) == (result, completion, fault)
    assert told.faults == [("fault raised", fault.name.lower())]


def test_a_punch_that_does_not_form_the_lock_fails_the_cycle_and_stops_the_controller() -> None:
    """Somebody has to acknowledge it before the next cycle."""
    controller = new_controller(fitted_band="B15-061")
    record = run_cycles(controller, 1)[0].record
    assert (record.result, record.completion, record.fault) == ("nok", "failed", Fault.PUNCH)
    assert record.punch_velocity_m_s is not None
    assert (controller.may_cycle(NOON), controller.status(NOON).state) == (False, "stopped")
    controller.acknowledge(NOON)
    assert (controller.may_cycle(NOON), controller.status(NOON).state) == (True, "idle")


def test_a_tension_outside_of_its_window_is_nok_and_on_its_edge_undecided() -> None:
    """The window lies around a new tool's tension at the set torque; near a limit the sensor can't tell."""
    controller = new_controller()
    good = controller.pull_trigger("none")
    target_n = Tool("").tension_n(controller.settings.set_torque_nm)
    cases = {0.90: "nok", 0.94: "undecided", 1.0: "ok", 1.06: "undecided", 1.10: "nok"}
    for share, result in cases.items():
        tried = replace(good, peak_tension_n=share * target_n, lock_tension_n=target_n)
        assert judge(tried, controller.settings) == (result, "completed")


def test_a_worn_drive_ends_in_nok() -> None:
    """It pulls too little, and completes all the same."""
    made = run_cycles(new_controller(tool=Tool("1", drive_wear=0.15)), 10)
    assert {(finished.record.result, finished.record.completion) for finished in made} == {
        ("nok", "completed")
    }


# ---- faults -----------------------------------------------------------------------------------------


def test_air_below_550_kpa_raises_the_fault_and_air_at_550_does_not() -> None:
    """The cause is gone when the pressure is back."""
    controller = new_controller()
    told = Told(controller)
    controller.set_supply_pressure(550.0, NOON)
    assert told.faults == []
    controller.set_supply_pressure(549.9, NOON)
    assert told.faults == [("fault raised", "air")]
    assert controller.status(NOON).fault_word == 0b1000


def test_a_fault_vanishes_when_it_is_acknowledged_and_its_cause_is_gone() -> None:
    """In either order; neither alone is enough."""
    for acknowledged_first in (True, False):
        controller = new_controller()
        told = Told(controller)
        controller.set_supply_pressure(500, NOON)
        steps = [lambda c: c.acknowledge(NOON), lambda c: c.set_supply_pressure(600, NOON)]
        for step in steps if acknowledged_first else reversed(steps):
            assert controller.status(NOON).fault_word == 0b1000
            step(controller)
        assert controller.status(NOON).fault_word == 0
        assert told.faults == [
            ("fault raised", "air"),
            ("fault acknowledged", "air"),
            ("fault cleared", "air"),
        ]


def test_the_acknowledged_word_shows_which_faults_were_acknowledged() -> None:
    """One that came later is not among them."""
    controller = new_controller()
    controller.set_supply_pressure(500, NOON)
    controller.acknowledge(NOON)
    controller.press_emergency_stop(NOON)
    status = controller.status(NOON)
    assert (status.fault_word, status.acknowledged_word) == (0b11000, 0b01000)


def test_a_fault_that_is_present_is_not_raised_again() -> None:
    """Two cycles without a band are one fault."""
    controller = new_controller()
    told = Told(controller)
    run_cycles(controller, 2, disturbance="no band")
    assert told.faults == [("fault raised", "no_band")]


def test_emergency_stop_stops_until_it_is_released_and_acknowledged() -> None:
    """The flag follows the button, the fault the acknowledgement."""
    controller = new_controller()
    controller.press_emergency_stop(NOON)
    status = controller.status(NOON)
    assert (status.emergency_stop, status.state, controller.may_cycle(NOON)) == (True, "stopped", False)
    controller.release_emergency_stop(NOON)
    assert (controller.status(NOON).emergency_stop, controller.may_cycle(NOON)) == (False, False)
    controller.acknowledge(NOON)
    assert controller.may_cycle(NOON)


# ---- power, clock, settings --------------------------------------------------------------------------


def test_a_starting_controller_shows_nothing_useful_for_its_start_up_time() -> None:
    """30 s of zeros, then all is as it was."""
    controller = new_controller()
    run_cycles(controller, 3)
    controller.power_off(NOON)
    controller.power_on(NOON)
    for seconds in (0, 29.9):
        status = controller.status(later(seconds))
        assert (status.state, status.last_sequence, status.total_count, status.tool_serial) == (
            "starting",
            0,
            0,
            "",
        )
        assert not controller.may_cycle(later(seconds))
    status = controller.status(later(30))
    assert (status.state, status.last_sequence, status.total_count) == ("idle", 3, 3)


def test_a_power_cycle_keeps_the_memory_unless_it_is_lost() -> None:
    """With the memory go ring, sequence and counters, and a new epoch begins; tool and settings stay."""
    controller = new_controller()
    run_cycles(controller, 3)
    controller.power_off(NOON)
    controller.power_on(NOON, started=True)
    assert run_cycles(controller, 1)[0].sequence == 4
    controller.power_off(NOON, memory_lost=True)
    controller.power_on(NOON, started=True)
    assert list(records(controller)) == []
    finished = run_cycles(controller, 1)[0]
    assert (finished.epoch, finished.sequence, finished.record.total_count) == (2, 1, 1)
    assert finished.record.tool_serial == "40117"


def test_the_clock_is_off_by_its_offset_and_drifts() -> None:
    """100 ppm are 8.64 s a day."""
    controller = new_controller(clock_offset_s=-2.5, clock_drift_ppm=100.0)
    naive = NOON.replace(tzinfo=None)
    assert controller.clock(NOON) == naive - timedelta(seconds=2.5)
    a_day = timedelta(days=1)
    assert controller.clock(NOON + a_day) == naive + a_day + timedelta(seconds=8.64 - 2.5)
    controller.set_clock(0.0, NOON + a_day)
    assert controller.clock(NOON + a_day) == naive + a_day


def test_a_record_carries_the_controllers_own_time() -> None:
    """Not the wall's; as finely as the family keeps it."""
    controller = new_controller(FAMILIES["ring-modbus"], clock_offset_s=90.25)
    finished = run_cycles(controller, 1)[0]
    assert finished.ended_at == NOON
    assert finished.record.controller_time == NOON.replace(tzinfo=None) + timedelta(seconds=90)


def test_a_changed_setting_is_in_the_next_record_and_is_told() -> None:
    """With the value before and after."""
    controller = new_controller(FAMILIES["messages-mqtt"])
    told = Told(controller)
    controller.change_settings(NOON, set_torque_nm=8.0, band="B15-061")
    assert [event.detail for event in told.events] == [
        {"setting": "set_torque_nm", "before": 9.4, "after": 8.0},
        {"setting": "band", "before": "B15-048", "after": "B15-061"},
    ]
    assert run_cycles(controller, 1)[0].record.set_torque_nm == 8.0


def test_the_mode_is_in_status_and_record() -> None:
    """Outside of automatic mode there is no part to name."""
    controller = new_controller()
    assert run_cycles(controller, 1)[0].record.part_id == "P0000001"
    controller.set_mode("manual", NOON)
    record = run_cycles(controller, 1)[0].record
    assert (record.mode, record.part_id, controller.status(NOON).mode) == ("manual", None, "manual")


@pytest.mark.parametrize(("tool", "mode"), [(None, "automatic"), (Tool("1"), "maintenance")])
def test_without_a_tool_or_under_maintenance_it_is_out_of_service(tool: Tool | None, mode: str) -> None:
    """And without a tool it makes no cycle."""
    controller = new_controller(tool=tool, mode=mode)
    assert controller.status(NOON).state == "out_of_service"
    assert controller.may_cycle(NOON) is (tool is not None)


def test_wear_shows_in_the_records() -> None:
    """A punch that wears by a thousandth a cycle is slower every ten cycles."""
    controller = new_controller(
        tool=Tool("1", punch_wear_per_cycle=0.001), settings=Settings.recommended("B15-061")
    )
    made = run_cycles(controller, 100)
    velocities = [finished.record.punch_velocity_m_s or 0.0 for finished in made]
    means = [sum(velocities[i : i + 10]) / 10 for i in range(0, 100, 10)]
    assert all(after < before for before, after in pairwise(means))


# ---- repeatable, restorable ---------------------------------------------------------------------------


@pytest.mark.parametrize("layout", FAMILIES)
def test_one_seed_makes_one_story(layout: str) -> None:
    """Records and curves are the same to the last bit; another seed tells another story."""
    stories = [
        run_cycles(new_controller(FAMILIES[layout], seed, no_band_share=0.1, trigger_share=0.1), 30)
        for seed in (3, 3, 4)
    ]
    assert stories[0] == stories[1]
    assert stories[0] != stories[2]


def test_shares_of_disturbances_come_true() -> None:
    """Over many pulls of the trigger, to within four standard deviations."""
    controller = new_controller(no_band_share=0.2, trigger_share=0.1, loose_share=0.05)
    drawn = [controller.disturbance() for _ in range(4000)]
    for what, share in {"no band": 0.2, "trigger released": 0.1, "loose joint": 0.05}.items():
        assert drawn.count(what) / 4000 == pytest.approx(share, abs=4 * (share * (1 - share) / 4000) ** 0.5)


def test_the_memory_survives_a_restart_of_the_simulator() -> None:
    """Through JSON and back: ring, counters, faults, settings, worn tool."""
    before = new_controller(FAMILIES["ring-modbus"], no_band_share=0.2)
    run_cycles(before, 35)
    before.set_supply_pressure(500, NOON)
    before.press_emergency_stop(NOON)
    before.acknowledge(NOON)
    after = new_controller(FAMILIES["ring-modbus"], seed=9)
    restore_memory(after, json.loads(json.dumps(memory_to_json(before))))
    assert after.status(NOON) == before.status(NOON)
    assert (after.ring, after.tool, after.counted, after.faults) == (
        before.ring,
        before.tool,
        before.counted,
        before.faults,
    )
