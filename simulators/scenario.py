"""Scripted days: which controllers a simulated plant has, and what happens to them when. See `scenarios/`.

at = "01:30"            minutes and seconds (or hours, minutes, seconds) of plant time since the start
controller = "L1-01"
do = "supply_pressure"  one of the classes below, with its own arguments
kpa = 480.0
"""

import re
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from collector.errors import ConfigError, Mistake
from collector.toml_file import TomlFile, read_toml, validate
from simulators.fronts.logfile import LOGS
from simulators.memory import LOG_MOST, WhileStarting
from simulators.tool import BANDS, MOST_WORN

SCENARIOS = Path(__file__).parent / "scenarios"
LayoutName = Literal["ring-modbus", "last-record-modbus", "ring-s7", "messages-mqtt"]
FaultName = Literal["no_band", "tension", "punch", "air", "trigger"]
Share = Annotated[float, Field(ge=0, le=1)]
Worn = Annotated[float, Field(ge=0, le=MOST_WORN)]
Positive = Annotated[float, Field(gt=0)]
Torque = Annotated[float, Field(ge=0.1, le=100)]
Speed = Annotated[float, Field(ge=1, le=1000)]
Pressure = Annotated[float, Field(ge=0, le=1600)]
"""What every family's record has room for."""


def _plant_time(text: str) -> str:
    if not re.fullmatch(r"(\d{1,3}:)?\d{1,2}:\d{2}", text):
        raise ValueError('must be "minutes:seconds" or "hours:minutes:seconds"')
    return text


def _known_band(name: str) -> str:
    if name not in BANDS:
        raise ValueError(f"must be one of {', '.join(BANDS)}")
    return name


PlantTime = Annotated[str, AfterValidator(_plant_time)]
BandName = Annotated[str, AfterValidator(_known_band)]


def seconds(at: str) -> float:
    """`"01:30"` and `"00:01:30"` are 90.0."""
    total = 0
    for part in at.split(":"):
        total = total * 60 + int(part)
    return float(total)


class Strict(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class ControllerPlan(Strict):
    """One controller of the plant."""

    name: str
    layout: LayoutName
    line: str = "L1"
    station: str = ""
    serial: Annotated[str, Field(max_length=8)] = ""
    """Of the cabinet; empty: one that is made from its name."""
    tool: Annotated[str, Field(max_length=12)]
    """Serial number; digits only where the layout keeps a number."""
    band: BandName = "B15-048"
    set_torque_nm: Torque | None = None
    punch_pressure_kpa: Pressure | None = None
    """None: what is recommended for the band."""
    tension_speed_mm_s: Speed = 40.0
    supply_pressure_kpa: Pressure = 620.0
    cycle_every_s: tuple[Positive, Positive] | None = (2.0, 6.0)
    """Least and most plant time from one cycle's end to the next; None: only when a test makes one."""
    prefilled: Annotated[int, Field(ge=0)] = 15
    """Cycles made before the start."""
    sequence_before: Annotated[int, Field(ge=0)] = 0
    """Unwrapped sequence before those."""
    total_before: Annotated[int, Field(ge=0)] = 0
    """Lifetime counter before those."""
    start_up_s: Annotated[float, Field(ge=0)] = 30.0
    """Plant time from power-on until it answers."""
    while_starting: WhileStarting = "zeroed"
    clock_offset_s: float = 0.0
    clock_drift_ppm: float = 0.0
    no_band_share: Share = 0.004
    trigger_share: Share = 0.003
    loose_share: Share = 0.003
    acknowledge_after_s: Positive | None = 12.0
    """Plant time until somebody acknowledges a fault; None: nobody does."""
    punch_wear: Worn = 0.0
    punch_wear_per_cycle: Share = 2e-6
    write_pause_s: Annotated[float, Field(ge=0)] = 0.0
    """Wall time between two steps of writing a record."""
    pdu_length: Annotated[int, Field(ge=112, le=960)] = 480
    """S7: longest message in bytes."""
    unsent_most: Annotated[int, Field(gt=0)] = 2000
    """MQTT: cycles kept until the broker has them."""


# ---- what can happen -----------------------------------------------------------------------------


class Happening(Strict):
    at: PlantTime = "00:00"
    controller: str


class Wear(Happening):
    """The mounted tool wears: at once, or from now on faster."""

    do: Literal["wear"]
    punch_wear: Worn | None = None
    drive_wear: Worn | None = None
    punch_wear_per_cycle: Share | None = None
    drive_wear_per_cycle: Share | None = None


class SwapTool(Happening):
    """Another tool: that of another controller, in exchange; or one from the shelf by its serial; or none."""

    do: Literal["swap_tool"]
    other: str | None = None
    tool: Annotated[str, Field(max_length=12)] | None = None


class ClearCounter(Happening):
    do: Literal["clear_counter"]


class SupplyPressure(Happening):
    do: Literal["supply_pressure"]
    kpa: Pressure


class EmergencyStop(Happening):
    do: Literal["emergency_stop"]


class ReleaseEmergencyStop(Happening):
    do: Literal["release_emergency_stop"]


class ChangeMode(Happening):
    do: Literal["automatic", "manual", "setup", "maintenance"]


class RaiseFault(Happening):
    """A fault out of the blue; its cause lasts until `end_fault` where `lasting`."""

    do: Literal["fault"]
    fault: FaultName
    lasting: bool = False


class EndFault(Happening):
    do: Literal["end_fault"]
    fault: FaultName


class Acknowledge(Happening):
    do: Literal["acknowledge"]


class PowerCycle(Happening):
    do: Literal["power_cycle"]
    off_s: Annotated[float, Field(ge=0)] = 5.0
    """Plant time without power."""
    memory_lost: bool = False


class ChangeSettings(Happening):
    do: Literal["set"]
    set_torque_nm: Torque | None = None
    tension_speed_mm_s: Speed | None = None
    punch_pressure_kpa: Pressure | None = None
    band: BandName | None = None


class FitBand(Happening):
    """Put another band in than the settings say; none: the right one again."""

    do: Literal["fit_band"]
    band: BandName | None = None


class SetClock(Happening):
    do: Literal["set_clock"]
    offset_s: float


class UnplugNetwork(Happening):
    """The cable is out; the controller works on."""

    do: Literal["unplug_network"]
    for_s: Positive
    """Plant time."""


class WriteLog(Happening):
    """Somebody fetches the controller's CSV log with a USB stick and puts it into a folder."""

    do: Literal["write_log"]
    folder: str
    last: Annotated[int, Field(gt=0, le=LOG_MOST)] = LOG_MOST
    """Cycles."""


Action = Annotated[
    Wear
    | SwapTool
    | ClearCounter
    | SupplyPressure
    | EmergencyStop
    | ReleaseEmergencyStop
    | ChangeMode
    | RaiseFault
    | EndFault
    | Acknowledge
    | PowerCycle
    | ChangeSettings
    | FitBand
    | SetClock
    | UnplugNetwork
    | WriteLog,
    Field(discriminator="do"),
]


class Scenario(Strict):
    about: str = ""
    seed: int = 1
    repeat_every: PlantTime | None = None
    """The events begin again after this plant time; None: they happen once."""
    controllers: tuple[ControllerPlan, ...]
    events: tuple[Action, ...] = ()


def load_scenario(path: Path) -> Scenario:
    """Read and check a scenario file. Raises: ConfigError, with every mistake as a sentence."""
    toml = read_toml(path)
    scenario = validate(Scenario, toml)
    mistakes = list(_mistakes(scenario, toml))
    if mistakes:
        raise ConfigError(mistakes)
    return scenario


def _mistakes(scenario: Scenario, toml: TomlFile) -> list[Mistake]:
    """What no single value shows: names that don't exist or stand twice, serials that a layout can't keep."""
    found = []
    names = [plan.name for plan in scenario.controllers]
    if not names:
        found.append(toml.mistake("controllers", "there must be at least one controller"))
    for i, plan in enumerate(scenario.controllers):
        if names.index(plan.name) != i:
            found.append(toml.mistake(f"controllers[{i}].name", f"{plan.name} stands here twice; rename one"))
        if plan.layout == "ring-modbus" and not plan.tool.isdecimal():
            found.append(toml.mistake(f"controllers[{i}].tool", "must be digits: ring-modbus keeps a number"))
    layouts = {plan.name: plan.layout for plan in scenario.controllers}
    for i, event in enumerate(scenario.events):
        if isinstance(event, WriteLog) and layouts.get(event.controller) not in (None, *LOGS):
            found.append(toml.mistake(f"events[{i}].do", f"{event.controller} keeps no log"))
        for key in ("controller", "other"):
            name = getattr(event, key, None)
            if name is not None and name not in names:
                says = f"there is no controller {name}; the scenario has {', '.join(names)}"
                found.append(toml.mistake(f"events[{i}].{key}", says))
    return found
