"""Controllers: the way to them, what they say of themselves, and how far the book has got with them.

`health` is one of the five classes of NAMUR NE 107 (common practice; the recommendation has no formula). It
is derived, the first rule that holds wins, and the reasons are given:

    null                   nobody can know: the link is not up, or no status came within `STALE_AFTER`
    failure                emergency stop, or an open fault of category hardware, safety or system
    check_function         mode setup or maintenance, state starting or out_of_service: work is going on
    off_spec               an open fault of category process or operator
    maintenance_required   replies since the collector started that could not be trusted, but for late ones: a
                           cable that was pulled once is no reason; or another controller shows the same tool
    normal                 none of these
"""

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request, Response

from api.answers import answer, text_of
from api.cautions import CAUTIONS
from api.paging import page
from api.parameters import Text
from api.resources.findings import open_finding
from api.schemas import common, records
from collector.config import Site
from collector.rfc3339 import format_rfc3339
from collector.store.findings import find_findings
from collector.store.queries import NOBODY_COUNTED, Record, find_controllers

router = APIRouter(prefix="/v1/controllers", tags=["controllers"])

Name = Annotated[Text, Path(description="As in the site file.")]

STALE_AFTER = timedelta(minutes=5)
POLLS_MISSED = 3
"""A controller that is polled less often than every few minutes has that many polls' time instead."""

FAILING = frozenset({"hardware", "safety", "system"})
ENDED_BY_ERROR = frozenset({"down", "refused", "failed"})
"""States of a link whose last error is the reason for them."""
UNDER_WORK = frozenset({"setup", "maintenance"})
STARTING_OR_OUT = frozenset({"starting", "out_of_service"})

NEVER_READ = "no status was read yet"
NOT_SHOWN = "the controller's status does not show it"

SHOWN_BY_STATUS = (
    "mode",
    "state",
    "emergency_stop",
    "supply_pressure_kpa",
    "last_sequence",
    "total_count",
    "count_since_cleared",
)


@router.get("", response_model=common.Page[records.Controller])
def list_controllers(request: Request) -> Response:
    """All controllers that the book knows, by name; they fit on one page."""
    with request.app.state.stores.book() as connection:
        found = find_controllers(connection)
        findings = find_findings(connection, state="open", last=None)
    now = datetime.now(UTC)
    return page(request, [shown(each, findings, request.app.state.site, now) for each in found], None)


@router.get("/{name}", response_model=records.Controller)
def show_controller(request: Request, name: Name) -> Response:
    """One controller."""
    with request.app.state.stores.book() as connection:
        (found,) = find_controllers(connection, name)
        findings = find_findings(connection, state="open", controller_name=name, last=None)
    return answer(shown(found, findings, request.app.state.site, datetime.now(UTC)))


def shown(found: Record, findings: Sequence[Record], site: Site, now: datetime) -> dict[str, Any]:
    """As `find_controllers` and `find_findings` (the open ones) give it, told."""
    interval_s = {each.name: each.poll_interval_s for each in site.controllers}.get(found["name"])
    stale_after = max(STALE_AFTER, POLLS_MISSED * timedelta(seconds=interval_s or 0))
    health, reasons = health_of(found, now - stale_after)
    as_it_stands = ("name", "line", "station", "protocol", "layout", "address", "read_at", "mode", "state")
    measured = (
        "emergency_stop",
        "supply_pressure_kpa",
        "settings",
        "extra",
        "open_faults",
        "read_through_at",
    )
    return {
        **{name: found[name] for name in (*as_it_stands, *measured)},
        **{name: text_of(found[name]) for name in ("last_sequence", "total_count", "count_since_cleared")},
        "in_site_file": interval_s is not None,
        "link": _link(found),
        "health": health,
        "health_reasons": reasons,
        "tool": _without_controller(found["tools"][0]) if found["tools"] else None,
        "conflicts": [each["says"] for each in found["conflicts"]],
        "open_faults": [_without_controller(each) for each in found["open_faults"]],
        "findings": [open_finding(each) for each in findings if each["controller"] == found["name"]],
        "controller_serial": found["serial"] or None,
        "clock": clock_of(found),
        "position": _position(found),
        "gap_totals": {"gaps": found["gap_count"], "cycles": found["gap_cycles"]},
        "unknown": dict(_unknown(found))
        | unknown_of_clock(found, "clock.")
        | ({} if health else {"health": reasons[0]}),
        "cautions": CAUTIONS,
    }


def _link(found: Record) -> dict[str, Any]:
    return {
        "state": found["link_state"],
        "since": found["link_since"],
        "last_error": found["last_error"],
        "last_error_at": found["last_error_at"],
        "bad_replies": found["bad_replies"] or {},
        "reconnects": found["reconnects"],
    }


def clock_of(found: Record) -> dict[str, Any]:
    return {
        "said": found["controller_clock"],
        "offset_ms": found["clock_offset_ms"],
        "uncertainty_ms": found["clock_uncertainty_ms"],
        "drift_ppm": found["clock_drift_ppm"],
        "stands_still": found["clock_stands_still"],
    }


def unknown_of_clock(found: Record, prefix: str = "") -> dict[str, str]:
    """Why members of `clock_of` are null."""
    if found["read_at"] is None:
        why = dict.fromkeys(("said", "offset_ms", "uncertainty_ms", "drift_ppm", "stands_still"), NEVER_READ)
    elif found["controller_clock"] is None:
        why = dict.fromkeys(("said", "offset_ms", "uncertainty_ms", "drift_ppm"), NOT_SHOWN)
    else:
        why = {"drift_ppm": "the clock was not watched for long enough yet, or not evenly"}
    return {f"{prefix}{name}": says for name, says in why.items() if clock_of(found)[name] is None}


def _position(found: Record) -> dict[str, Any] | None:
    if found["position_epoch"] is None:
        return None
    return {"epoch": found["position_epoch"], "sequence": text_of(found["position_sequence"])}


def _without_controller(row: Record) -> dict[str, Any]:
    return {name: value for name, value in row.items() if name != "controller_id"}


def _unknown(found: Record) -> Iterator[tuple[str, str]]:
    never_read = found["read_at"] is None
    for name in SHOWN_BY_STATUS:
        if found[name] is None:
            yield name, NEVER_READ if never_read else NOT_SHOWN
    if found["read_at"] is None:
        yield "read_at", NEVER_READ
    if not found["serial"]:
        moved = "the controller that had one was moved to another place"
        told_none = NEVER_READ if never_read else "the controller has told none"
        yield "controller_serial", told_none if found["serial"] is None else moved
    if found["link_state"] is None:
        yield "link", "the collector has not tried to reach it yet"
    if found["position_epoch"] is None:
        yield "position", "no cycle of it was taken into the book yet"
    if found["read_through_at"] is None:
        yield "read_through_at", "the book has not caught up with it yet"
    if found["gap_cycles"] is None:
        yield "gap_totals.cycles", NOBODY_COUNTED
    if not found["tools"]:
        yield "tool", "no tool is mounted, or its serial number was not told"


# ---- health ------------------------------------------------------------------------------------------------


def health_of(found: Record, stale_before: datetime) -> tuple[str | None, list[str]]:
    """The NE 107 class by the rules on top of this file, and the reasons for it.

    Args: found: as `find_controllers` gives it; stale_before: a status that was read before it says nothing.
    """
    if said_nothing := list(_nobody_knows(found, stale_before)):
        return None, said_nothing
    for health, find_reasons in HEALTH_RULES.items():
        reasons = list(find_reasons(found))
        if reasons:
            return health, reasons
    return "normal", []


def _nobody_knows(found: Record, stale_before: datetime) -> Iterator[str]:
    if found["link_state"] != "up":
        why = found["last_error"] if found["link_state"] in ENDED_BY_ERROR else None
        yield f"the link is {found['link_state'] or 'not tried yet'}" + (f": {why}" if why else "")
    elif found["read_at"] is None:
        yield NEVER_READ
    elif found["read_at"] < stale_before:
        yield f"the latest status is that of {format_rfc3339(found['read_at'])}"


def _fails(found: Record) -> Iterator[str]:
    if found["emergency_stop"]:
        yield "emergency stop"
    yield from _faults(found, FAILING)


def _under_work(found: Record) -> Iterator[str]:
    if found["mode"] in UNDER_WORK:
        yield f"mode {found['mode']}"
    if found["state"] in STARTING_OR_OUT:
        yield f"state {found['state']}"


def _off_spec(found: Record) -> Iterator[str]:
    yield from _faults(found, frozenset({"process", "operator"}))


def _wants_care(found: Record) -> Iterator[str]:
    for kind, times in (found["bad_replies"] or {}).items():
        if kind != "late":
            yield f"{times} {kind} replies since the collector started"
    yield from (each["says"] for each in found["conflicts"])


def _faults(found: Record, categories: frozenset[str]) -> Iterator[str]:
    for fault in found["open_faults"]:
        if fault["category"] in categories:
            yield f"fault {fault['code']}: {fault['text']}"


HEALTH_RULES = {
    "failure": _fails,
    "check_function": _under_work,
    "off_spec": _off_spec,
    "maintenance_required": _wants_care,
}
"""In order: the first that finds a reason wins."""
