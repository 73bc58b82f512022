"""Two independent readings of a layout: what the simulator packs by hand, the collector's decoder gives back.

A disagreement is a mistake in either; the layout files in `collector/layouts/examples` decide.
"""

import hashlib
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

import collector.layouts
from collector.layouts.decoder import Decoder
from collector.layouts.schema import load_layout
from collector.model import Cycle
from simulators.fronts import modbus_maps, mqtt, s7_map
from simulators.fronts.logfile import LOGS
from simulators.fronts.packing import Map
from simulators.memory import Controller, Finished
from simulators.truth import TrueCycle, true_cycle
from tests.simulators.rigs import FAMILIES, NOON, new_controller, run_cycles

EXAMPLES = Path(collector.layouts.__file__).parent / "examples"
MAPS: dict[str, Map] = modbus_maps.MAPS | {"ring-s7": s7_map.MAP}
TEXTS = ("result", "completion", "mode", "tool_serial", "part_id", "band", "fault_code", "total_count")


@pytest.fixture(params=FAMILIES)
def layout(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def decoder(layout: str) -> Decoder:
    return Decoder(load_layout(EXAMPLES / f"{layout}.toml"))


def eventful(layout: str) -> Controller:
    """Everything that can go wrong does."""
    return new_controller(
        FAMILIES[layout],
        counted=65_500,
        no_band_share=0.15,
        trigger_share=0.15,
        loose_share=0.15,
        clock_offset_s=3.25,
    )


def record_bytes(controller: Controller, finished: Finished) -> bytes:
    """The newest record as a reader gets it."""
    if controller.family.layout not in MAPS:
        return mqtt.cycle_payload(finished.record)
    ring = MAPS[controller.family.layout].areas[1]
    size = ring.size // controller.family.slots
    return ring.packed(controller, NOON)[controller.newest_slot * size :][:size]


def status_bytes(controller: Controller) -> bytes:
    if controller.family.layout not in MAPS:
        return mqtt.status_payload(controller, NOON)
    return MAPS[controller.family.layout].areas[0].packed(controller, NOON)


def curve_bytes(controller: Controller) -> bytes:
    curve = controller.curve
    if controller.family.layout not in MAPS:
        return mqtt.curve_payload(curve.sequence, curve.interval_us, curve.samples)
    return MAPS[controller.family.layout].areas[2].packed(controller, NOON)


def story(controller: Controller) -> Iterator[tuple[Finished, TrueCycle]]:
    """Sixty cycles, one a turn, with settings, modes, bands and faults that change on the way."""
    changes: dict[int, Callable[[datetime], None]] = {
        15: lambda now: controller.set_mode("manual", now),
        25: lambda now: controller.change_settings(now, set_torque_nm=8.25, punch_pressure_kpa=300.0),
        35: lambda now: controller.set_mode("maintenance", now),
        45: lambda now: controller.set_supply_pressure(512.5, now),
        50: controller.press_emergency_stop,
    }
    for number in range(60):
        now = NOON + timedelta(seconds=number)
        if number in changes:
            changes[number](now)
        controller.fitted_band = "B15-061" if number in (20, 40) else ""
        finished = run_cycles(controller, 1, start=now)[0]
        yield finished, true_cycle(controller, finished)
        controller.acknowledge(now)


def test_every_recorded_value_is_decoded_as_it_was_recorded(layout: str, decoder: Decoder) -> None:
    """Numbers to twelve digits, words and codes to the letter, time as finely as the controller keeps it."""
    controller = eventful(layout)
    faults = set()
    for finished, true in story(controller):
        cycle = decoder.decode_cycle(record_bytes(controller, finished))
        assert (cycle.sequence, plain(cycle.controller_time)) == (true.shown_sequence, true.controller_time)
        for name, value in true.values.items():
            assert getattr(cycle, name) == (None if value is None else pytest.approx(value, rel=1e-12)), name
        for name in TEXTS:
            if name in true.recorded:
                assert getattr(cycle, name) == getattr(true, name), name
        faults.add(true.fault_code)
    assert len(faults) == (1 if layout == "last-record-modbus" else 5)


@pytest.mark.parametrize("layout", LOGS)
def test_every_value_of_a_log_is_decoded_as_it_was_recorded(layout: str, decoder: Decoder) -> None:
    """The CSV log says the same as the record, cycle by cycle."""
    controller = eventful(layout)
    records = [decoder.decode_cycle(record_bytes(controller, finished)) for finished, _ in story(controller)]
    logged = list(decoder.decode_log(LOGS[layout](controller.log)))
    assert len(logged) == len(records) == 60
    for cycle, record in zip(logged, records, strict=True):
        assert isinstance(cycle, Cycle)
        assert cycle.extra == record.extra
        for name in Cycle.__dataclass_fields__.keys() - {"raw", "extra"}:
            value = getattr(record, name)
            assert getattr(cycle, name) == (
                pytest.approx(value, rel=1e-12) if type(value) is float else value
            ), name


def plain(at: datetime | None) -> datetime | None:
    """Without the zone that a message names."""
    return at.replace(tzinfo=None) if at else None


def test_the_status_is_decoded_as_it_stands(layout: str, decoder: Decoder) -> None:
    """Sequence, counters, tool, mode, state, clock, faults with their acknowledgement, settings."""
    controller = eventful(layout)
    for _ in story(controller):
        shown = controller.status(NOON)
        status = decoder.decode_status(status_bytes(controller))
        assert (status.last_sequence, status.total_count) == (shown.last_sequence, shown.total_count)
        assert status.count_since_cleared == shown.count_since_cleared
        assert status.controller_serial == (None if layout == "last-record-modbus" else controller.serial)
        assert (status.state, plain(status.clock)) == (shown.state, shown.clock)
        assert status.tool is not None
        assert (status.tool.maker, status.tool.model, status.tool.serial) == (
            controller.family.maker,
            controller.family.model,
            shown.tool_serial,
        )
        assert status.supply_pressure_kpa == pytest.approx(shown.supply_pressure_kpa, abs=0.4)
        if layout != "last-record-modbus":
            codes = {
                controller.family.status_codes[fault]: state for fault, state in controller.faults.items()
            }
            assert {fault.code: fault.acknowledged for fault in status.faults} == {
                code: state.acknowledged for code, state in codes.items()
            }
            assert (status.mode, status.emergency_stop) == (shown.mode, shown.emergency_stop)
            assert status.settings["set_torque_nm"] == pytest.approx(shown.settings.set_torque_nm, abs=0.006)
            assert status.settings["band"] == shown.settings.band


def test_the_curve_is_decoded_to_the_last_bit(layout: str, decoder: Decoder) -> None:
    """Its samples have the hash that the truth has, and its peak is the record's."""
    controller = eventful(layout)
    if not controller.family.keeps_curve:
        assert controller.curve.count == 0
        return
    for finished, true in story(controller):
        curve = decoder.decode_curve(curve_bytes(controller))
        assert hashlib.sha256(curve.samples).hexdigest() == true.curve_sha256
        assert (curve.sequence, curve.sample_interval_us) == (
            true.shown_sequence,
            controller.family.sampling.interval_us,
        )
        highest = np.frombuffer(curve.samples, {"int16": "<i2", "uint16": "<u2"}[curve.sample_type]).max()
        assert highest * curve.scale + curve.offset == pytest.approx(finished.record.peak_tension_n, rel=1e-6)


def test_maker_and_model_are_the_layouts_own(layout: str) -> None:
    """So that the truth names the tool as the book will."""
    tool = load_layout(EXAMPLES / f"{layout}.toml").tool
    family = FAMILIES[layout]
    assert tool is not None
    assert (tool.maker, tool.model) == (family.maker, family.model)
