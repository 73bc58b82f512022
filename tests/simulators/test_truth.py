"""The truth file gives back what happened."""

import hashlib
import json
from datetime import timedelta
from pathlib import Path

import pytest

from simulators.truth import Truth, TruthFile, read_truth, true_cycle
from tests.simulators.rigs import FAMILIES, NOON, new_controller, run_cycles


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "truth.ndjson"


@pytest.mark.parametrize("layout", FAMILIES)
def test_every_cycle_is_in_the_file_as_it_was(path: Path, layout: str) -> None:
    """With the values that the controller keeps, in SI, and only those."""
    controller = new_controller(FAMILIES[layout], counted=65_530, no_band_share=0.3)
    with TruthFile(path) as truth:
        truth.follow(controller)
        made = run_cycles(controller, 12)
    read = read_truth(path)
    assert read.cycles == [true_cycle(controller, finished, True) for finished in made]
    for line, finished in zip(read.cycles, made, strict=True):
        assert (line.ended_at, line.sequence, line.total_count) == (
            finished.ended_at,
            finished.sequence,
            finished.record.total_count,
        )
        assert line.shown_sequence == finished.record.sequence
        assert set(line.values) <= set(line.recorded)
        assert all(value == getattr(finished.record, name) for name, value in line.values.items())
        if finished.curve is not None:
            assert line.curve_sha256 == hashlib.sha256(finished.curve.samples).hexdigest()
            assert line.curve_samples == len(finished.curve.samples) // 2


def test_a_line_is_there_as_soon_as_the_cycle_is(path: Path) -> None:
    """Flushed one by one: a killed simulator has told of all that readers could see."""
    controller = new_controller()
    with TruthFile(path) as truth:
        truth.follow(controller)
        for count in (1, 2, 3):
            run_cycles(controller, 1)
            assert len(read_truth(path).cycles) == count


def test_other_events_are_in_the_file_with_their_details(path: Path) -> None:
    """Faults in their three instants, counters, settings, swaps, power."""
    controller = new_controller()
    with TruthFile(path) as truth:
        truth.follow(controller)
        controller.set_supply_pressure(500, NOON)
        controller.set_supply_pressure(600, NOON + timedelta(seconds=1))
        controller.acknowledge(NOON + timedelta(seconds=2))
        controller.clear_counter(NOON)
        controller.change_settings(NOON, set_torque_nm=9.0)
        controller.mount(None, NOON)
        controller.power_off(NOON, memory_lost=True)
    events = read_truth(path).events
    assert [event.what for event in events] == [
        *("supply pressure", "fault raised", "supply pressure", "fault acknowledged", "fault cleared"),
        *("counter clear", "setting change", "tool swap", "power cycle"),
    ]
    assert events[1].detail == {"fault": "air", "code": "E04", "tool": "40117"}
    assert events[4].at == NOON + timedelta(seconds=2)
    assert events[6].detail == {"setting": "set_torque_nm", "before": 9.4, "after": 9.0}
    assert events[7].detail == {"tool": None, "before": "40117"}
    assert events[8].detail == {"memory_lost": True, "epoch": 2}


def test_a_last_line_that_is_cut_is_left_out(path: Path) -> None:
    """A file can be read while it is being written."""
    controller = new_controller()
    with TruthFile(path) as truth:
        truth.follow(controller)
        run_cycles(controller, 2)
    path.write_text(path.read_text()[:-20])
    assert len(read_truth(path).cycles) == 1


def test_a_file_is_begun_anew_or_continued(path: Path) -> None:
    """As the plant that writes it began anew, or goes on with kept state."""
    for append, count in ((False, 1), (False, 1), (True, 2)):
        controller = new_controller()
        with TruthFile(path, append=append) as truth:
            truth.follow(controller)
            run_cycles(controller, 1)
        assert len(read_truth(path).cycles) == count


def test_without_a_file_nothing_is_written() -> None:
    """And nothing fails."""
    controller = new_controller()
    with TruthFile(None) as truth:
        truth.follow(controller)
        assert len(run_cycles(controller, 1)) == 1


def test_each_line_is_json_that_names_its_kind(path: Path) -> None:
    """For readers other than `read_truth`."""
    controller = new_controller()
    with TruthFile(path) as truth:
        truth.follow(controller)
        run_cycles(controller, 1)
        controller.clear_counter(NOON)
    assert [json.loads(line)["kind"] for line in path.read_text().splitlines()] == ["cycle", "event"]
    assert read_truth(path) != Truth([], [])
