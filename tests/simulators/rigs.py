"""What the simulator tests share: controllers of each family, and an instant."""

from datetime import UTC, datetime, timedelta

import numpy as np

from simulators.fronts import modbus_maps, mqtt, s7_map
from simulators.memory import Controller, Event, Family, Fault, Finished, Record
from simulators.tool import Disturbance, Settings, Tool

NOON = datetime(2026, 11, 24, 12, 0, tzinfo=UTC)

FAMILIES = {
    "ring-modbus": modbus_maps.RING,
    "last-record-modbus": modbus_maps.LAST,
    "ring-s7": s7_map.FAMILY,
    "messages-mqtt": mqtt.FAMILY,
}


class Told:
    """Everything a controller told."""

    def __init__(self, controller: Controller) -> None:
        self.cycles: list[Finished] = []
        self.events: list[Event] = []
        controller.on_cycle.append(self.cycles.append)
        controller.on_event.append(self.events.append)

    @property
    def faults(self) -> list[tuple[str, str]]:
        """(what, fault) of the fault events, in order."""
        return [
            (event.what, event.detail["fault"]) for event in self.events if event.what.startswith("fault")
        ]


def new_controller(
    family: Family = s7_map.FAMILY, seed: int = 1, *, up: bool = True, **changes: object
) -> Controller:
    """A controller with a new tool and the thin band; nothing goes wrong by itself."""
    controller = Controller(
        name="T-01",
        family=family,
        tool=Tool("40117"),
        settings=Settings.recommended("B15-048"),
        rng=np.random.default_rng(seed),
        serial="CB004711",
        no_band_share=0.0,
        trigger_share=0.0,
        loose_share=0.0,
    )
    for name, value in changes.items():
        setattr(controller, name, value)
    if up:
        controller.power_on(NOON, started=True)
    return controller


def run_cycles(
    controller: Controller, count: int, *, start: datetime = NOON, disturbance: Disturbance | None = None
) -> list[Finished]:
    """Make cycles one second apart, each written to its end."""
    made: list[Finished] = []
    controller.on_cycle.append(made.append)
    for number in range(count):
        for _ in controller.keep(controller.pull_trigger(disturbance), start + timedelta(seconds=number)):
            pass
    controller.on_cycle.remove(made.append)
    return made


A_RECORD = Record(
    sequence=0x1234,
    controller_time=datetime(2020, 7, 12, 17, 32, 2, 854_000),
    tool_serial="40117",
    result="nok",
    completion="failed",
    mode="manual",
    fault=Fault.PUNCH,
    part_id="P0000042",
    band="B15-061",
    duration_ms=620,
    take_up_ms=301,
    peak_tension_n=667.233242289075,
    lock_tension_n=658.336799,
    seating_loss_n=None,
    set_torque_nm=5.649241451380835,
    tension_speed_mm_s=40.0,
    punch_pressure_kpa=620.528156385,
    supply_pressure_kpa=600.0,
    punch_velocity_m_s=1.958,
    total_count=0x12345678,
    motor_current_a=123.456,
    humidity_percent=45.0,
)
"""150 lbf, 148 lbf, 50 lbf·in, 90 psi (CHK-UNI-10); a time that published S7 vectors have (CHK-S7-01)."""


def now_at_noon() -> datetime:
    """A clock that stands still."""
    return NOON
