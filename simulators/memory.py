"""A controller around a tool: its ring of records, last curve, counters, faults, settings, clock.

Time is an argument: what needs an instant takes `now` (wall time, UTC); nothing here sleeps or reads a clock.

A finished cycle is written in steps, as a PLC spreads it over its scans; between two steps a reader may come:

    1  the curve block is the new cycle's
    2  the first half of the record stands in its slot, over the second half of what was there before
    3  the record is whole
    4  status: last sequence, newest slot, counters      (only now does the controller tell of the new cycle)

The controller's *memory epoch* counts how often it has lost its memory; within one, the unwrapped sequence
only goes up.
"""

from collections import deque
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from datetime import UTC, datetime, timedelta
from enum import IntEnum
from typing import Any, Literal

import numpy as np

from simulators.tool import BANDS, Attempt, Disturbance, Sampling, Settings, Tool, attempt, draw_joint

Mode = Literal["automatic", "manual", "setup", "maintenance"]
State = Literal["starting", "idle", "executing", "stopped", "out_of_service"]
Result = Literal["ok", "nok", "undecided", "unknown"]
"""A controller judges with the first three; `unknown` is what one without a word for it records."""
Completion = Literal["completed", "aborted", "failed"]
WhileStarting = Literal["zeroed", "blank", "refuses"]
"""What fronts give before the controller is up: a status of zeros with a good clock, only zeros, or a
refusal.
"""

LOW_AIR_KPA = 550.0
"""Below this supply pressure the air fault is raised."""
TENSION_WINDOW = 0.06
"""A good peak lies within this share of the tension that was set."""
LOCK_WINDOW = 0.08
GUARD_N = 4.0
"""This near to a limit the sensor can't decide: the result is `undecided`."""


class Fault(IntEnum):
    """Bit in the controller's fault word."""

    NO_BAND = 0
    TENSION = 1
    PUNCH = 2
    AIR = 3
    EMERGENCY_STOP = 4
    TRIGGER = 5


STOPPING = {Fault.PUNCH, Fault.EMERGENCY_STOP}
"""No cycle runs while one of these is present."""
AFTER: Mapping[str, Fault] = {
    "no band": Fault.NO_BAND,
    "not reached": Fault.TENSION,
    "not formed": Fault.PUNCH,
    "trigger released": Fault.TRIGGER,
}
"""How an attempt ended -> the fault that it raises."""


@dataclass(frozen=True, slots=True)
class Record:
    """One cycle as the controller keeps it."""

    sequence: int
    """As the controller shows it: cut to its width."""
    controller_time: datetime
    """End of the cycle by the controller's clock, naive."""
    tool_serial: str
    result: Result
    completion: Completion
    mode: Mode
    fault: Fault | None
    part_id: str | None
    band: str
    duration_ms: int
    take_up_ms: int
    peak_tension_n: float
    lock_tension_n: float | None
    seating_loss_n: float | None
    set_torque_nm: float
    tension_speed_mm_s: float
    punch_pressure_kpa: float
    supply_pressure_kpa: float
    punch_velocity_m_s: float | None
    total_count: int
    motor_current_a: float
    humidity_percent: float


@dataclass(frozen=True, slots=True)
class Curve:
    sequence: int
    interval_us: int
    samples: bytes
    """Little-endian 16-bit integers, in steps of the controller's sensor."""

    @property
    def count(self) -> int:
        return len(self.samples) // 2


ALL_FIELDS = frozenset(item.name for item in fields(Record))
"""Names of everything that some family may record."""
NO_CURVE = Curve(0, 0, b"")
LOG_MOST = 5000
"""Cycles that a controller's log goes back."""


@dataclass(frozen=True, slots=True)
class Slot:
    """One place in the ring."""

    record: Record
    under: Record | None = None
    """What stood there before, while the new record is only half written."""
    half: bool = False


@dataclass(frozen=True, slots=True)
class Family:
    """One kind of controller: how much it keeps, and how exactly."""

    layout: str
    """The example layout that describes it to the collector."""
    maker: str
    model: str
    slots: int
    sequence_bits: int
    slot_by_sequence: bool
    """Slot = sequence modulo slots; otherwise the next one round the ring."""
    sampling: Sampling
    keeps_curve: bool
    recorded: frozenset[str]
    """Fields of `Record` that a record of this family has."""
    numeric_serials: bool
    """Tools are known by number: a serial with other characters can't be kept."""
    kept: Callable[[Record], Record]
    """The record after the family's rounding: what a perfect reader gets back."""
    status_codes: Mapping[Fault, str]
    """How the layout spells the faults of a status; a fault that isn't there is never shown."""
    record_codes: Mapping[Fault, str]
    """How a record spells its fault."""


@dataclass(slots=True)
class FaultState:
    cause: bool
    """Is what raised it still there?"""
    acknowledged: bool = False


@dataclass(frozen=True, slots=True)
class Event:
    """Something other than a cycle that the truth has to know."""

    what: str
    at: datetime
    detail: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Finished:
    """A cycle that stands whole in the ring."""

    record: Record
    curve: Curve | None
    epoch: int
    sequence: int
    """Unwrapped."""
    ended_at: datetime
    """Wall time."""


@dataclass(frozen=True, slots=True)
class Status:
    """What the status block is packed from."""

    last_sequence: int
    newest_slot: int
    mode: Mode
    state: State
    fault_word: int
    acknowledged_word: int
    emergency_stop: bool
    total_count: int
    count_since_cleared: int
    clock: datetime
    tool_serial: str
    supply_pressure_kpa: float
    settings: Settings
    cabinet_temperature_c: float
    cabinet_serial: str = ""


NOTHING_SET = Settings(0.0, 0.0, 0.0, "")


@dataclass(slots=True)
class Controller:
    """One cabinet with at most one tool. See the module for how a cycle gets into its memory."""

    name: str
    family: Family
    tool: Tool | None
    settings: Settings
    rng: np.random.Generator
    serial: str = ""
    """Of the cabinet itself."""
    fitted_band: str = ""
    """The band that is really in the tool; empty: the one that is set."""
    supply_pressure_kpa: float = 620.0
    start_up_s: float = 30.0
    while_starting: WhileStarting = "zeroed"
    clock_offset_s: float = 0.0
    clock_drift_ppm: float = 0.0
    no_band_share: float = 0.004
    trigger_share: float = 0.003
    loose_share: float = 0.003

    powered: bool = False
    started_at: datetime | None = None
    """Power-on."""
    clock_set_at: datetime | None = None
    """When the clock was right but for its offset; the drift counts from here."""
    mode: Mode = "automatic"
    executing: bool = False
    emergency_stop: bool = False
    faults: dict[Fault, FaultState] = field(default_factory=dict)
    epoch: int = 1
    counted: int = 0
    """The last cycle's sequence, unwrapped."""
    newest_slot: int = 0
    total_count: int = 0
    count_since_cleared: int = 0
    ring: list[Slot | None] = field(default_factory=list)
    curve: Curve = NO_CURVE
    log: deque[Record] = field(default_factory=lambda: deque(maxlen=LOG_MOST))
    """Not kept when the simulator is restarted."""
    on_cycle: list[Callable[[Finished], None]] = field(default_factory=list)
    """Called when a cycle is whole and the status tells of it, in the same step."""
    on_event: list[Callable[[Event], None]] = field(default_factory=list)

    def __post_init__(self) -> None:
        if not self.ring:
            self.ring = [None] * self.family.slots

    # ---- power, clock ----------------------------------------------------------------------------

    def power_on(self, now: datetime, *, started: bool = False) -> None:
        """`started`: as if it had been on long enough."""
        self.powered = True
        self.started_at = now - timedelta(seconds=self.start_up_s) if started else now
        self.clock_set_at = self.clock_set_at or now
        self._watch_air(now)

    def power_off(self, now: datetime, *, memory_lost: bool = False) -> None:
        """Lamps out. `memory_lost`: ring, curve, sequence and counters are gone, and a new epoch begins."""
        self.powered = False
        self.executing = False
        if memory_lost:
            self.epoch += 1
            self.counted = self.newest_slot = self.total_count = self.count_since_cleared = 0
            self.ring = [None] * self.family.slots
            self.curve = NO_CURVE
        self.tell("power cycle", now, memory_lost=memory_lost, epoch=self.epoch)

    def starting(self, now: datetime) -> bool:
        return self.started_at is None or now - self.started_at < timedelta(seconds=self.start_up_s)

    def clock(self, now: datetime) -> datetime:
        """What the controller believes, naive (it knows no zone)."""
        since_s = (now - (self.clock_set_at or now)).total_seconds()
        wrong_s = self.clock_offset_s + since_s * self.clock_drift_ppm * 1e-6
        return (now + timedelta(seconds=wrong_s)).astimezone(UTC).replace(tzinfo=None)

    def set_clock(self, offset_s: float, now: datetime) -> None:
        """Somebody sets the clock; it is wrong by the offset then, and drifts on."""
        self.clock_offset_s, self.clock_set_at = offset_s, now
        self.tell("clock set", now, offset_s=offset_s)

    # ---- faults ----------------------------------------------------------------------------------

    def raise_fault(self, fault: Fault, now: datetime, *, cause: bool = False) -> None:
        """`cause`: what raised it stays until `end_cause`; otherwise it was over at once."""
        if fault not in self.faults:
            self.faults[fault] = FaultState(cause)
            self._tell_fault("fault raised", fault, now)
        else:
            self.faults[fault].cause |= cause

    def end_cause(self, fault: Fault, now: datetime) -> None:
        if fault in self.faults:
            self.faults[fault].cause = False
            self._drop_settled(now)

    def acknowledge(self, now: datetime) -> None:
        """Somebody presses the button: every fault is acknowledged, and those whose cause is gone vanish."""
        for fault, state in self.faults.items():
            if not state.acknowledged:
                state.acknowledged = True
                self._tell_fault("fault acknowledged", fault, now)
        self._drop_settled(now)

    def _drop_settled(self, now: datetime) -> None:
        for fault in [
            fault for fault, state in self.faults.items() if state.acknowledged and not state.cause
        ]:
            del self.faults[fault]
            self._tell_fault("fault cleared", fault, now)

    def _watch_air(self, now: datetime) -> None:
        if self.supply_pressure_kpa < LOW_AIR_KPA:
            self.raise_fault(Fault.AIR, now, cause=True)
        else:
            self.end_cause(Fault.AIR, now)

    def _tell_fault(self, what: str, fault: Fault, now: datetime) -> None:
        code = self.family.status_codes.get(fault)
        self.tell(
            what, now, fault=fault.name.lower(), code=code, tool=self.tool.serial if self.tool else None
        )

    # ---- what people do --------------------------------------------------------------------------

    def set_supply_pressure(self, kpa: float, now: datetime) -> None:
        self.supply_pressure_kpa = kpa
        self.tell("supply pressure", now, kpa=kpa)
        self._watch_air(now)

    def press_emergency_stop(self, now: datetime) -> None:
        self.emergency_stop = True
        self.raise_fault(Fault.EMERGENCY_STOP, now, cause=True)

    def release_emergency_stop(self, now: datetime) -> None:
        self.emergency_stop = False
        self.end_cause(Fault.EMERGENCY_STOP, now)

    def set_mode(self, mode: Mode, now: datetime) -> None:
        self.mode = mode
        self.tell("mode", now, mode=mode)

    def mount(self, tool: Tool | None, now: datetime) -> Tool | None:
        """Hang another tool on the controller; gives back what hung there.

        Raises: ValueError: the controller can't keep such a serial number.
        """
        if tool is not None and self.family.numeric_serials and not tool.serial.isdecimal():
            raise ValueError(f"{self.name} keeps serial numbers as numbers; {tool.serial} isn't one")
        before, self.tool = self.tool, tool
        self.tell(
            "tool swap", now, tool=tool.serial if tool else None, before=before.serial if before else None
        )
        return before

    def clear_counter(self, now: datetime) -> None:
        self.tell("counter clear", now, count_since_cleared=self.count_since_cleared)
        self.count_since_cleared = 0

    def change_settings(self, now: datetime, **values: float | str) -> None:
        """Any of the fields of `Settings`."""
        before, self.settings = self.settings, replace(self.settings, **values)  # type: ignore[arg-type]
        for key in values:
            self.tell("setting change", now, setting=key, before=getattr(before, key), after=values[key])

    def wear(self, now: datetime, **values: float) -> None:
        """Any of the mounted tool's `punch_wear`, `drive_wear`, `punch_wear_per_cycle`,
        `drive_wear_per_cycle`.
        """
        if self.tool is not None:
            self.tool = replace(self.tool, **values)  # type: ignore[arg-type]
            self.tell("wear", now, tool=self.tool.serial, **values)

    # ---- cycles ----------------------------------------------------------------------------------

    def may_cycle(self, now: datetime) -> bool:
        stopped = self.emergency_stop or any(fault in STOPPING for fault in self.faults)
        return self.powered and not self.starting(now) and self.tool is not None and not stopped

    def disturbance(self) -> Disturbance:
        """What goes wrong with the next pull of the trigger, if anything."""
        chance = float(self.rng.random())
        bounds: list[tuple[float, Disturbance]] = [
            (self.no_band_share, "no band"),
            (self.trigger_share, "trigger released"),
            (self.loose_share, "loose joint"),
        ]
        for share, disturbance in bounds:
            if chance < share:
                return disturbance
            chance -= share
        return "none"

    def pull_trigger(self, disturbance: Disturbance | None = None) -> Attempt:
        """One attempt of the mounted tool, which is worn a little afterwards. Raises: ValueError: no tool."""
        if self.tool is None:
            raise ValueError(f"controller {self.name} has no tool to make a cycle with")
        tried = attempt(
            self.tool,
            self.settings,
            BANDS[self.fitted_band or self.settings.band],
            draw_joint(self.rng),
            self.supply_pressure_kpa,
            self.family.sampling,
            self.rng,
            self.disturbance() if disturbance is None else disturbance,
        )
        self.tool = self.tool.after_cycle()
        return tried

    def keep(self, tried: Attempt, now: datetime) -> Iterator[None]:
        """Write a finished attempt into the memory; between two steps others may read.

        The status tells of the cycle after the last step. Losing power half-way leaves the steps done so far.
        """
        sequence = self.counted + 1
        record = self._record(tried, sequence, now)
        curve = self._curve(tried, record)
        slot = self._slot_for(record.sequence)
        old = self.ring[slot]
        if curve is not None:
            self.curve = curve
            yield
        self.ring[slot] = Slot(record, old.record if old else None, half=True)
        yield
        self.ring[slot] = Slot(record)
        yield
        self.counted, self.newest_slot = sequence, slot
        self.total_count += 1
        self.count_since_cleared += 1
        self.executing = False
        if record.fault is not None:
            self.raise_fault(record.fault, now)
        self.log.append(record)
        finished = Finished(record, curve, self.epoch, sequence, now)
        for listener in self.on_cycle:
            listener(finished)

    def _record(self, tried: Attempt, sequence: int, now: datetime) -> Record:
        assert self.tool is not None
        result, completion = judge(tried, self.settings)
        serial = self.tool.serial
        measured_kpa = self.supply_pressure_kpa + float(self.rng.normal(0.0, 1.5))
        return self.family.kept(
            Record(
                sequence=self._shown(sequence),
                controller_time=self.clock(now),
                tool_serial=serial,
                result=result,
                completion=completion,
                mode=self.mode,
                fault=AFTER.get(tried.ending),
                part_id=f"P{sequence:07d}" if self.mode == "automatic" else None,
                band=self.settings.band,
                duration_ms=round(tried.duration_ms),
                take_up_ms=round(tried.take_up_ms),
                peak_tension_n=tried.peak_tension_n,
                lock_tension_n=tried.lock_tension_n,
                seating_loss_n=tried.seating_loss_n,
                set_torque_nm=self.settings.set_torque_nm,
                tension_speed_mm_s=self.settings.tension_speed_mm_s,
                punch_pressure_kpa=self.settings.punch_pressure_kpa,
                supply_pressure_kpa=max(0.0, measured_kpa),
                punch_velocity_m_s=tried.punch_velocity_m_s,
                total_count=self.total_count + 1,
                motor_current_a=tried.motor_current_a,
                humidity_percent=45.0 + float(self.rng.normal(0.0, 1.0)),
            )
        )

    def _curve(self, tried: Attempt, record: Record) -> Curve | None:
        if not self.family.keeps_curve:
            return None
        return Curve(record.sequence, self.family.sampling.interval_us, tried.steps.astype("<i2").tobytes())

    def _shown(self, sequence: int) -> int:
        return int(sequence & ((1 << self.family.sequence_bits) - 1))

    def _slot_for(self, shown: int) -> int:
        if self.family.slot_by_sequence:
            return shown % self.family.slots
        return (self.newest_slot + 1) % self.family.slots

    # ---- what a reader sees ----------------------------------------------------------------------

    def status(self, now: datetime) -> Status:
        if self.starting(now):
            return Status(
                0, 0, "automatic", "starting", 0, 0, False, 0, 0, self.clock(now), "", 0.0, NOTHING_SET, 0.0
            )
        shown = [fault for fault in self.faults if fault in self.family.status_codes]
        return Status(
            last_sequence=self._shown(self.counted),
            newest_slot=self.newest_slot,
            mode=self.mode,
            state=self._state(),
            fault_word=sum(1 << fault for fault in shown),
            acknowledged_word=sum(1 << fault for fault in shown if self.faults[fault].acknowledged),
            emergency_stop=self.emergency_stop,
            total_count=self.total_count,
            count_since_cleared=self.count_since_cleared,
            clock=self.clock(now),
            tool_serial=self.tool.serial if self.tool else "",
            supply_pressure_kpa=self.supply_pressure_kpa,
            settings=self.settings,
            cabinet_temperature_c=31.5,
            cabinet_serial=self.serial,
        )

    def _state(self) -> State:
        if self.emergency_stop or any(fault in STOPPING for fault in self.faults):
            return "stopped"
        if self.tool is None or self.mode == "maintenance":
            return "out_of_service"
        return "executing" if self.executing else "idle"

    def tell(self, what: str, at: datetime, **detail: Any) -> None:
        """Let the listeners know of something that isn't a cycle."""
        for listener in self.on_event:
            listener(Event(what, at, detail))


def judge(tried: Attempt, settings: Settings) -> tuple[Result, Completion]:
    """Result and completion as the controller sees them: peak and lock tension against their windows.

    The windows lie around the tension that the set torque gives with a new tool: T = τ·η / r.
    """
    if tried.ending == "trigger released":
        return "undecided", "aborted"
    if tried.ending in ("no band", "not formed", "not reached") or tried.lock_tension_n is None:
        return "nok", "failed"
    target_n = Tool("").tension_n(settings.set_torque_nm)
    spare_n = min(
        TENSION_WINDOW * target_n - abs(tried.peak_tension_n - target_n),
        LOCK_WINDOW * target_n - abs(tried.lock_tension_n - target_n),
    )
    if abs(spare_n) < GUARD_N:
        return "undecided", "completed"
    return ("ok" if spare_n > 0 else "nok"), "completed"


# ---- keeping the memory over a restart of the simulator ------------------------------------------


def memory_to_json(controller: Controller) -> dict[str, Any]:
    """What a battery would keep, as plain JSON values: counters, ring, settings, tool, faults; not the
    curve.
    """
    return {
        "epoch": controller.epoch,
        "counted": controller.counted,
        "newest_slot": controller.newest_slot,
        "total_count": controller.total_count,
        "count_since_cleared": controller.count_since_cleared,
        "mode": controller.mode,
        "supply_pressure_kpa": controller.supply_pressure_kpa,
        "settings": asdict(controller.settings),
        "tool": asdict(controller.tool) if controller.tool else None,
        "faults": {fault.name: asdict(state) for fault, state in controller.faults.items()},
        "ring": [
            None
            if slot is None
            else asdict(slot.record) | {"controller_time": slot.record.controller_time.isoformat()}
            for slot in controller.ring
        ],
    }


def restore_memory(controller: Controller, kept: Mapping[str, Any]) -> None:
    """The inverse of `memory_to_json`."""
    for key in (
        "epoch",
        "counted",
        "newest_slot",
        "total_count",
        "count_since_cleared",
        "mode",
        "supply_pressure_kpa",
    ):
        setattr(controller, key, kept[key])
    controller.settings = Settings(**kept["settings"])
    controller.tool = Tool(**kept["tool"]) if kept["tool"] else None
    controller.faults = {Fault[name]: FaultState(**state) for name, state in kept["faults"].items()}
    controller.emergency_stop = (
        Fault.EMERGENCY_STOP in controller.faults and kept["faults"]["EMERGENCY_STOP"]["cause"]
    )
    controller.ring = [None if record is None else Slot(_record_from_json(record)) for record in kept["ring"]]


def _record_from_json(kept: Mapping[str, Any]) -> Record:
    fault = None if kept["fault"] is None else Fault(kept["fault"])
    return Record(
        **{**kept, "controller_time": datetime.fromisoformat(kept["controller_time"]), "fault": fault}
    )
