"""What the book holds: controllers, tools, cycles, curves, counts, faults, gaps, services."""

from datetime import date, datetime
from typing import Any, Literal

from pydantic import ConfigDict, Field
from pydantic.config import JsonDict

from api.schemas.common import (
    Answer,
    Cautions,
    FormerBook,
    Hex,
    LinesPage,
    Number64,
    Page,
    Tool,
    ToolPage,
    Unknown,
)
from api.schemas.findings import OpenFinding
from collector.model import Category, Completion, LinkState, Mode, Result, State

SERVICE: JsonDict = {
    "number": "18",
    "done_at": "2026-11-24T05:10:00Z",
    "done_by": "Fitter 7",
    "remark": "new punch",
    "at_count": 402118,
    "recorded_at": "2026-11-24T05:31:07Z",
    "corrects": "17",
    "corrected_by": None,
    "withdrawn": False,
}

# ---- controllers -------------------------------------------------------------------------------------------


class Link(Answer):
    state: LinkState | None
    since: datetime | None
    last_error: str | None
    last_error_at: datetime | None
    bad_replies: dict[str, int]
    """Replies that could not be trusted since the collector started, by kind."""
    reconnects: int | None


class Clock(Answer):
    said: str | None
    """The controller's own clock in the latest status, as it says it."""
    offset_ms: float | None
    """Controller clock minus UTC; a clock without a zone is read as if it were UTC."""
    uncertainty_ms: float | None
    drift_ppm: float | None
    """By how much it runs fast."""
    stands_still: bool | None
    """It shows the same time again and again: cycles have no time of their own."""


class MountedTool(Tool):
    mounted_at: datetime


class OpenFault(Answer):
    code: str
    text: str
    category: Category
    raised_at: datetime
    acknowledged_at: datetime | None


class BookPosition(Answer):
    epoch: int
    sequence: Number64
    """Unwrapped: runs on where the controller's own number wraps."""


class GapTotals(Answer):
    """Of the open gaps."""

    gaps: int
    cycles: int | None


Health = Literal["normal", "failure", "check_function", "off_spec", "maintenance_required"]


class Controller(Answer):
    name: str
    line: str
    station: str
    protocol: str
    layout: str
    address: str
    in_site_file: bool
    """False: the book knows it from before; nobody reads it now."""
    link: Link
    read_at: datetime | None
    """When the latest status was read; all that the controller itself says is of that instant."""
    mode: Mode | None
    state: State | None
    emergency_stop: bool | None
    health: Health | None
    """NAMUR NE 107, derived: see `health_reasons`, and the rules in resources/controllers.py."""
    health_reasons: list[str]
    tool: MountedTool | None
    conflicts: list[str]
    """The tool is shown by another controller too: what to check, in a sentence."""
    open_faults: list[OpenFault]
    findings: list[OpenFinding]
    """Those that hold now of the tools on it, newest first."""
    controller_serial: str | None
    """The controller's own identity, where it tells one."""
    clock: Clock
    supply_pressure_kpa: float | None
    settings: dict[str, Any] | None
    extra: dict[str, Any] | None
    last_sequence: Number64 | None
    """As the controller counts, not unwrapped."""
    position: BookPosition | None
    """How far the book has got."""
    read_through_at: datetime | None
    """Latest poll at which the controller's last sequence equalled our position: all before it is in the
    book, or in a listed gap."""
    total_count: Number64 | None
    count_since_cleared: Number64 | None
    gap_totals: GapTotals
    unknown: Unknown
    cautions: Cautions


class Place(Answer):
    epoch: int
    sequence: Number64
    """Unwrapped."""
    total_count: Number64 | None
    """The controller's own clamp count there, unwrapped."""


class MountOn(Tool):
    commit_number: Number64
    mounted_at: datetime
    unmounted_at: datetime | None
    """Null: still there."""
    after: Place | None
    """The tool's cycles are those after it; null: before the first cycle that the book has."""
    until: Place | None
    """The last of them; null while the tool is there."""


CountChangeKind = Literal["cleared", "entered", "unexplained", "lost"]


class CountChange(Answer):
    commit_number: Number64
    kind: CountChangeKind
    """`cleared`: it counts from 0 again; `entered`: somebody put in another number; `unexplained`: it rose by
    cycles that have no number; `lost`: it did not go on after a restart."""
    epoch: int
    sequence: Number64
    """After this number, unwrapped."""
    expected: Number64 | None
    """What it should have been there; null: it was not known before."""
    found: Number64
    after_at: datetime | None
    """The last time that it was as it should be."""
    noticed_at: datetime


class CountChangePage(Page[CountChange]):
    total_count: Number64 | None
    count_since_cleared: Number64 | None
    read_at: datetime | None
    """When the controller said these two."""
    unknown: Unknown


class ClockChange(Answer):
    """The clock was set, or lost its time."""

    commit_number: Number64
    before_ms: float
    """Its offset to UTC before."""
    after_ms: float
    noticed_at: datetime


class ClockChangePage(Page[ClockChange]):
    clock: Clock
    read_at: datetime | None
    unknown: Unknown


# ---- reconciliation ----------------------------------------------------------------------------------------


class Equation(Answer):
    """counter_difference + cleared = stored + in_gaps + unexplained."""

    counter_difference: int | None
    """By how much the controller's own count went up."""
    cleared: int
    """How much of it was taken away by clearing it, or by entering another number (below zero: added)."""
    stored: int
    """Cycles in the book."""
    in_gaps: int | None
    """Cycles in open gaps."""
    unexplained: int | None
    """What is left over: the controller counted so many more than are in the book or in a gap."""
    unknown: Unknown


class MountRef(Tool):
    commit_number: Number64
    mounted_at: datetime
    unmounted_at: datetime | None


class GapRef(Answer):
    commit_number: Number64
    cycles: int | None
    """Of this row in the gap."""
    reason: str


class ReconciliationRow(Equation):
    mount: MountRef | None
    """Null: no tool was mounted."""
    begin: Place
    end: Place
    """The row is about the cycles after the first place, up to the second."""
    is_open: bool
    """It ends at the controller's position, and goes on."""
    balanced: bool | None
    """`unexplained` is zero; null: it can't be stated, see `unknown`."""
    count_changes: list[CountChange]
    """Where the controller's count was changed within the row; only those cleared or entered explain a
    difference."""
    gaps: list[GapRef]
    """The open gaps that reach into the row."""


class ReconciliationPage(Page[ReconciliationRow]):
    controller: str
    totals: Equation
    """Over the rows of this page."""
    balanced: bool | None
    """Every row of this page is; false: one has something unexplained; null: one can't be stated."""
    unknown: Unknown


# ---- tools -------------------------------------------------------------------------------------------------


class MountedOn(Answer):
    controller: str
    mounted_at: datetime


class ListedTool(Tool):
    first_seen_at: datetime
    mounted_on: list[MountedOn]
    """Where it sits now; two, while the controller that it left has not been read since."""


class Mount(Answer):
    controller: str
    mounted_at: datetime
    unmounted_at: datetime | None
    """Null: still there."""


class ServiceDone(Answer):
    """A record is never changed. It counts where `corrected_by` is null and `withdrawn` is not set."""

    number: Number64
    """Of the record: its commit number on the desk."""
    done_at: datetime
    done_by: str
    remark: str
    at_count: int
    """The tool's cycles in the book up to `done_at`, when the record was made."""
    recorded_at: datetime
    corrects: Number64 | None
    """Number of the record in whose place it stands; null: of none."""
    corrected_by: Number64 | None
    """Number of the record that stands in its place; null: of none."""
    withdrawn: bool = Field(
        description="It says that the service was not done at all; instant, person and count are those of "
        "the record that it corrects."
    )


class ToolDetail(Tool):
    first_seen_at: datetime
    mounts: list[Mount]
    lifetime_count: int
    """Cycles in the book since it first saw the tool; `gap_cycles` may be missing."""
    gap_cycles: int | None
    conflicts: list[str]
    """Two controllers show it as mounted: what to check, in a sentence."""
    findings: list[OpenFinding]
    """Those that hold now, newest first."""
    last_service: ServiceDone | None
    service_cycle_span: int | None
    """Cycles from service to service, by the site file."""
    service_cycle_count: int | None
    """Cycles since the last service."""
    remaining_cycles: int | None
    """Until the next; negative when overdue."""
    unknown: Unknown
    cautions: Cautions


# ---- cycles and curves -------------------------------------------------------------------------------------


class ListedCycle(Answer):
    """A measured value is null where the controller's record has none, or says that it has none."""

    id: str
    controller: str
    epoch: int
    sequence: Number64
    commit_number: Number64
    ended_at: datetime
    """End of the cycle by our clock."""
    time_uncertainty_ms: float | None
    """± around `ended_at`; null where nothing is known of the controller's clock."""
    result: Result
    completion: Completion
    mode: Mode
    fault_code: str | None
    part_id: str | None
    band: str | None
    duration_ms: float | None
    take_up_ms: float | None
    peak_tension_n: float | None
    lock_tension_n: float | None
    seating_loss_n: float | None
    set_torque_nm: float | None
    tension_speed_mm_s: float | None
    punch_pressure_kpa: float | None
    supply_pressure_kpa: float | None
    punch_velocity_m_s: float | None
    total_count: Number64 | None
    """The controller's own clamp count after this cycle."""
    extra: dict[str, Any] | None
    brought_by: str | None
    """What brought it out of its order, in words: "log file L1-07.csv"; null: it came in its order."""


class CycleOfTool(ListedCycle):
    tool: Tool


class Cycle(CycleOfTool):
    controller_time: str | None
    """As the controller said it, not corrected."""
    raw_hex: Hex
    """The record as it came from the wire: every value above can be traced to it by the layout."""
    layout: str
    curve: str
    """Where its curve is, if the book has one."""
    features: str
    """And what the curve says; not here, for a curve may come after its cycle."""


class Curve(Answer):
    id: str
    quantity: Literal["tension_n", "torque_nm"]
    """What the samples are: N, or N·m."""
    sample_interval_us: int
    start_us: int
    """Of the first sample, from the beginning of the curve."""
    sample_count: int
    samples: list[float | None]
    """Null: the controller's sample is not a number."""


class ListedCurve(Curve):
    ended_at: datetime
    controller: str
    result: Result
    completion: Completion


# ---- counts ------------------------------------------------------------------------------------------------


class ByResult(Answer):
    ok: int
    nok: int
    undecided: int
    unknown: int


class ByCompletion(Answer):
    completed: int
    aborted: int
    failed: int
    unknown: int


class Counts(Answer):
    cycles: int
    by_result: ByResult
    by_completion: ByCompletion


class LifetimeCounts(Counts):
    first_seen_at: datetime
    gap_cycles: int | None
    """Cycles missing in gaps of controllers while the tool sat, or may have sat, on them."""
    unknown: Unknown


class SinceService(Answer):
    done_at: datetime
    cycles: int | None
    by_result: ByResult | None
    by_completion: ByCompletion | None
    gap_cycles: int | None
    """Cycles missing in gaps that may reach beyond the service: at most so many more."""
    unknown: Unknown


class DayCounts(Answer):
    plant_day: date
    begins_at: datetime
    ends_at: datetime
    hours: float
    """23 or 25 where the clocks change."""
    cycles: int | None
    by_result: ByResult | None
    by_completion: ByCompletion | None
    gap_cycles: int | None
    """Cycles missing in gaps that may reach into the day: at most so many more."""
    complete: bool
    """No gap reaches into the day, and each controller that the tool sat on was read through to its end."""
    reasons: list[str]
    """Why it is not complete."""
    unknown: Unknown


class ControllerCounts(Answer):
    controller: str
    mounted_now: bool
    cycles: int
    """This tool's cycles on this controller, in the book."""
    all_tools_cycles: int
    """All cycles of this controller in the book, since its own count does not know tools."""
    gaps: int
    gap_cycles: int | None
    """Of the controller, whatever tool was on it."""
    total_count: Number64 | None
    count_since_cleared: Number64 | None
    read_at: datetime | None
    """When the controller said these two."""
    unknown: Unknown


class ToolCounts(Answer):
    tool: Tool
    zone: str
    lifetime: LifetimeCounts
    since_service: SinceService | None
    """Null: no service of this tool is recorded."""
    days: list[DayCounts]
    controllers: list[ControllerCounts]
    conflicts: list[str]
    """Two controllers show it as mounted: what to check, in a sentence."""
    unknown: Unknown


# ---- faults, gaps, quarantine, service ---------------------------------------------------------------------


class Fault(Answer):
    commit_number: Number64
    controller: str
    tool: Tool
    code: str
    text: str
    category: Category
    not_before: datetime | None
    """The poll before: the fault was raised between it and `raised_at`. Null: there was none."""
    raised_at: datetime
    acknowledged_at: datetime | None
    cleared_at: datetime | None
    duration_s: float | None
    """From raised to cleared; null while it is open."""


class FaultPage(LinesPage[Fault]):
    cautions: Cautions


class Gap(Answer):
    commit_number: Number64
    controller: str
    epoch: int
    first_sequence: Number64
    last_sequence: Number64 | None
    cycles: int | None
    """Missing; in a closed gap: that were missing."""
    reason: str
    after_at: datetime | None
    """Latest instant known to lie before the missing cycles."""
    before_at: datetime | None
    """Earliest instant known to lie after them."""
    noticed_at: datetime
    state: Literal["open", "closed"]
    """`closed`: late cycles came; what is still missing of it stands in gaps that name it in `part_of`."""
    closed_at: datetime | None
    closed_by: str | None
    """What brought the cycles, in words."""
    part_of: Number64 | None
    """Commit number of the gap, closed since, of which this is what was still missing."""
    unknown: Unknown


class Quarantined(Answer):
    commit_number: Number64
    controller: str
    what: Literal["status", "record", "curve", "message"]
    place: str
    reason: str
    raw_hex: Hex
    received_at: datetime


class Service(ToolPage[ServiceDone]):
    """Every record, with those that do not count; the figures are of those that do."""

    lifetime_count: int
    service_cycle_span: int | None
    """Cycles from service to service, by the site file."""
    service_cycle_count: int | None
    """Cycles since the last service."""
    remaining_cycles: int | None
    """Until the next; negative when overdue."""
    gap_cycles: int | None
    """Cycles missing in gaps since then, in all gaps where no service is recorded: at most so many more were
    made, and so many fewer remain."""
    forecast: str
    """Where the date of the next is."""
    unknown: Unknown
    cautions: Cautions


class RecordedService(ServiceDone):
    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [SERVICE | {"cautions": ["…"]}]})

    cautions: Cautions


# ---- the API itself ----------------------------------------------------------------------------------------


class Index(Answer):
    name: str
    site: str
    links: dict[str, str]


class Alive(Answer):
    status: Literal["alive"]
    version: str
    store: str
    """Which database, and its version."""
    uptime_s: float
    book: str | None
    """Instance of the book: another one after it was restored from a backup."""
    book_since: datetime | None
    """When it became this instance."""
    former_books: list[FormerBook] | None
    """What instances it was before, the oldest first."""
    commit_number: Number64 | None
    unknown: Unknown


class Ready(Answer):
    status: Literal["ready"]
