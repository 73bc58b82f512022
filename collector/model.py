"""What travels from the controllers to the book: frozen values, units in the names, no behaviour.

Where the open standard for joining systems has the notion, its name is in the docstring once (OPC 40450-1,
and OPC 40001-101 for results).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Literal

Result = Literal["ok", "nok", "undecided", "unknown"]
"""As the controller judged the cycle (OPC 40001-101: ResultEvaluation)."""
Completion = Literal["completed", "aborted", "failed", "unknown"]
"""How the cycle ended; another axis than the result."""
Mode = Literal["automatic", "manual", "setup", "maintenance", "unknown"]
State = Literal["executing", "idle", "starting", "stopped", "out_of_service", "not_available"]
Category = Literal["hardware", "process", "operator", "system", "safety"]

Extra = Mapping[str, int | float | str | bool | None]
"""Fields of a layout that have no column of their own."""


@dataclass(frozen=True, slots=True)
class ToolName:
    """A tool is known by maker, model and serial number together; two makers may share a serial number."""

    maker: str
    model: str
    serial: str


@dataclass(frozen=True, slots=True)
class ActiveFault:
    """One fault that a status reports as present."""

    code: str
    """The maker's own code."""
    text: str
    category: Category
    acknowledged: bool


@dataclass(frozen=True, slots=True)
class Status:
    """What a controller's status block (or status message) says at one instant."""

    last_sequence: int
    """The controller's own number of its last finished cycle, as it stands there (not unwrapped)."""
    newest_slot: int | None = None
    """Ring slot of the last record, where the layout has an index instead of a rule."""
    controller_serial: str | None = None
    """The controller's own identity, where it has one."""
    tool: ToolName | None = None
    mode: Mode = "unknown"
    state: State = "not_available"
    emergency_stop: bool | None = None
    faults: tuple[ActiveFault, ...] = ()
    total_count: int | None = None
    count_since_cleared: int | None = None
    clock: datetime | None = None
    """The controller's own clock: naive where it knows no zone."""
    supply_pressure_kpa: float | None = None
    """Gauge pressure."""
    settings: Extra = field(default_factory=dict)
    extra: Extra = field(default_factory=dict)
    raw: bytes = b""


@dataclass(frozen=True, slots=True)
class Cycle:
    """One clamp installed (or attempted), as the controller recorded it (OPC 40450-1: a joining result)."""

    sequence: int
    """As the controller counts (OPC 40450-1: SequenceNumber), not unwrapped."""
    controller_time: datetime | None = None
    """End of the cycle by the controller's own clock: naive where it knows no zone."""
    tool_serial: str | None = None
    result: Result = "unknown"
    completion: Completion = "unknown"
    mode: Mode = "unknown"
    fault_code: str | None = None
    part_id: str | None = None
    band: str | None = None
    duration_ms: float | None = None
    take_up_ms: float | None = None
    peak_tension_n: float | None = None
    lock_tension_n: float | None = None
    seating_loss_n: float | None = None
    set_torque_nm: float | None = None
    tension_speed_mm_s: float | None = None
    punch_pressure_kpa: float | None = None
    supply_pressure_kpa: float | None = None
    punch_velocity_m_s: float | None = None
    total_count: int | None = None
    """The controller's own clamp count after this cycle, where the record has it."""
    extra: Extra = field(default_factory=dict)
    raw: bytes = b""
    """The record as it came from the wire."""


SET_VALUES = ("set_torque_nm", "band")
"""What a record tells that somebody has set; watched in the records where the status does not show it."""


@dataclass(frozen=True, slots=True)
class Curve:
    """The sampled tension or torque of one cycle (OPC 40450-1: a trace)."""

    sequence: int
    sample_interval_us: int
    quantity: Literal["tension_n", "torque_nm"]
    samples: bytes
    """The samples as the controller gave them, little-endian, `sample_type` each: nothing is lost."""
    sample_type: Literal["int16", "uint16", "int32", "uint32", "float32", "float64"]
    scale: float
    offset: float
    """value = sample × scale + offset, in the unit of `quantity`."""


# ---- what the ledger decides and the writer commits
# -------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Position:
    """How far the book has got with one controller."""

    epoch: int
    sequence: int
    """Unwrapped: runs on where the controller's own number wraps."""
    total_count: int | None = None
    """The controller's own clamp count after that cycle, unwrapped; None where it shows none."""
    read_through_at: datetime | None = None
    """Every cycle that ended before it is in the book or in a listed gap: the latest poll at which the
    controller's last sequence equalled this position, less the time that it may take to record a cycle."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A place in a controller's count: cycles up to this number lie before it, all others after it."""

    epoch: int
    sequence: int
    """Unwrapped."""
    total_count: int | None
    """The controller's own clamp count there, unwrapped; None where it shows none."""


GapReason = Literal[
    "history overwritten",
    "reader stopped",
    "controller restarted",
    "controller replaced",
    "record unreadable",
    "skipped sequence",
    "messages lost",
    "session not kept",
]


@dataclass(frozen=True, slots=True)
class Gap:
    """A run of cycles that the controller counted and the book has not got; bounds inclusive, unwrapped."""

    epoch: int
    first_sequence: int
    last_sequence: int | None
    """None: it restarted and lost its counter, or has none, so nobody can say how many; there may be none."""
    reason: GapReason
    after_at: datetime | None
    """Latest instant known to lie before the missing cycles."""
    before_at: datetime | None
    """Earliest instant known to lie after them."""


@dataclass(frozen=True, slots=True)
class BookedCycle:
    """A cycle with what we derive: its place in the book, corrected time, and tool."""

    epoch: int
    sequence: int
    """Unwrapped."""
    ended_at: datetime
    """Corrected to UTC."""
    time_uncertainty_ms: float | None
    """± around ended_at; None where nothing is known of the controller's clock."""
    tool: ToolName
    cycle: Cycle


@dataclass(frozen=True, slots=True)
class BookedCurve:
    epoch: int
    sequence: int
    """Unwrapped."""
    curve: Curve


@dataclass(frozen=True, slots=True)
class FaultRaised:
    code: str
    text: str
    category: Category
    tool: ToolName
    raised_at: datetime
    """When we first saw it; it was raised between the poll before and this instant."""
    not_before: datetime | None
    """The poll before."""


@dataclass(frozen=True, slots=True)
class FaultAcknowledged:
    code: str
    acknowledged_at: datetime


@dataclass(frozen=True, slots=True)
class FaultCleared:
    code: str
    cleared_at: datetime


FaultChange = FaultRaised | FaultAcknowledged | FaultCleared


@dataclass(frozen=True, slots=True)
class MountChange:
    """From this instant another tool (or none) sits on the controller."""

    tool: ToolName | None
    at: datetime
    mark: Mark | None = None
    """The cycles after it are the new tool's; None before the controller's first cycle is known."""


@dataclass(frozen=True, slots=True)
class CountChange:
    """The controller's clamp count is not what its cycles make it.

    `cleared`: it went back and counts from 0. `entered`: somebody put in another number, for it went back by
    less, or rose by more than cycles could make it in the time. `unexplained`: it rose by a few that have no
    number. `lost`: it did not go on in a new epoch.
    """

    kind: Literal["cleared", "entered", "unexplained", "lost"]
    mark: Mark
    """Where it happened, with the count as it should have stood there; with `lost`, the number before the new
    epoch's first, and the last count of the epoch before."""
    found: int
    """What it was instead."""
    after_at: datetime | None
    """The last time that it was as it should be."""
    noticed_at: datetime


Value = int | float | str | bool


@dataclass(frozen=True, slots=True)
class SettingChange:
    """Somebody set a value; it happened after `not_before` and no later than `at`."""

    setting: str
    before: Value
    after: Value
    not_before: datetime
    """The last time that the old value was seen."""
    at: datetime
    """The first time that the new one was."""


@dataclass(frozen=True, slots=True)
class ClockChange:
    """Somebody set the controller's clock, or it lost its time."""

    before_ms: float
    """Its offset to UTC before, ms."""
    after_ms: float
    noticed_at: datetime


@dataclass(frozen=True, slots=True)
class Quarantined:
    """Something that came from a controller and could not be used; its raw bytes are kept."""

    what: Literal["status", "record", "curve", "message"]
    where: str
    """Slot, address or topic."""
    reason: str
    raw: bytes
    received_at: datetime


LinkState = Literal["connecting", "up", "down", "refused", "failed"]


@dataclass(frozen=True, slots=True)
class Link:
    """The way to one controller, in words that a person can act on."""

    state: LinkState
    since: datetime
    last_error: str | None = None
    last_error_at: datetime | None = None
    bad_replies: Mapping[str, int] = field(default_factory=dict)
    """Replies that could not be trusted since the collector started, by kind."""
    reconnects: int = 0


@dataclass(frozen=True, slots=True)
class StatusSeen:
    """The latest status of one controller, with our own times."""

    status: Status
    read_at: datetime
    clock_offset_ms: float | None
    """Controller clock minus UTC (a naive controller clock read as if it were UTC)."""
    clock_uncertainty_ms: float | None
    clock_drift_ppm: float | None = None
    """By how much it runs fast; None until it was watched long enough."""
    clock_stands_still: bool = False


@dataclass(frozen=True, slots=True)
class Entry:
    """What one controller's poller hands to the writer: all of it is committed, or nothing."""

    controller: str
    expected: Position | None
    """The position that this work was built on; the writer refuses the entry if the book says otherwise."""
    position: Position | None
    """The position after it."""
    cycles: tuple[BookedCycle, ...] = ()
    curves: tuple[BookedCurve, ...] = ()
    gaps: tuple[Gap, ...] = ()
    mounts: tuple[MountChange, ...] = ()
    faults: tuple[FaultChange, ...] = ()
    counts: tuple[CountChange, ...] = ()
    settings: tuple[SettingChange, ...] = ()
    clocks: tuple[ClockChange, ...] = ()
    quarantined: tuple[Quarantined, ...] = ()
    seen: StatusSeen | None = None
    link: Link | None = None
    controller_serial: str | None = None
    """The controller's identity, where it is new to the book."""


@dataclass(frozen=True, slots=True)
class LateCycle:
    """A cycle that came by another way than in its order: in an overtaken message, or in a log file."""

    cycle: Cycle
    ended_at: datetime | None
    """Corrected to UTC; None where the cycle has no time."""
    time_uncertainty_ms: float | None
    """± around ended_at; None where nothing is known of the controller's clock."""
    tool: ToolName | None = None
    """The tool that made it, by the statuses around it; None: the one that was mounted then, by the book."""


@dataclass(frozen=True, slots=True)
class LateEntry:
    """Late cycles of one controller; each is placed in the gap that it closes, whatever the position."""

    controller: str
    cycles: tuple[LateCycle, ...]
    modulus: int
    """Of the controller's sequence."""
    maker: str
    model: str
    """Of its tools."""
    brought_by: str
    """In words: "log file L1-07.csv"."""
    from_log: bool
    """Another text of the cycles than the controller's own records, and any age; else late messages."""
    shortest_cycle: timedelta
    """Least time between the ends of two cycles."""
    overtaken_since: datetime | None = None
    """A cycle without a time belongs only to gaps that were noticed since then; None: to any."""
    count_modulus: int | None = None
    """Of the count in a record; None where that never wraps, or there is none."""
    quarantined: tuple[Quarantined, ...] = ()


@dataclass(frozen=True, slots=True)
class LateOutcome:
    """What became of late cycles: how many of them."""

    stored: int
    """They closed a gap, or a part of one."""
    known: int
    """The book had them."""
    older: int
    """They ended before the book began with this controller."""
    set_aside: int
    """They belong nowhere, or nobody can say where."""


@dataclass(frozen=True, slots=True)
class ControllerMemory:
    """What the poller needs to know of a controller to go on after a restart, as the book has it."""

    position: Position | None = None
    tool: ToolName | None = None
    """The tool mounted according to the book; None where none is."""
    last_ended_at: datetime | None = None
    """End of the controller's last cycle in the book."""
    last_uncertainty_ms: float | None = None
    """± around it; None where nothing is known of it."""
    last_controller_time: datetime | None = None
    """The same by the controller's own clock, where the record has it."""
    last_raw: bytes | None = None
    """The record at the position; None where the book has none there."""
    read_at: datetime | None = None
    """When the latest status was read, or the last cycle ended where that status told of no memory yet."""
    open_faults: Mapping[str, bool] = field(default_factory=dict)
    """Code of each fault raised and not cleared -> acknowledged already?"""
    clock_offset_ms: float | None = None
    clock_uncertainty_ms: float | None = None
    controller_serial: str | None = None
    """The controller's own identity, where it tells one."""
    settings: Mapping[str, Value] = field(default_factory=dict)
    """What was set there when the status, or the last cycle, told it last."""


@dataclass(frozen=True, slots=True)
class ControllerIdentity:
    """Where a controller stands and how it is reached, as the site file has it (ISA-95: work cell and its
    equipment)."""

    name: str
    line: str
    station: str
    protocol: Literal["modbus", "s7", "mqtt"]
    layout: str
    address: str
    """Host and port, or broker and topic name, in words."""
