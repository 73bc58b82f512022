"""Service: preventive maintenance done on a tool, recorded by people with the tool's count at that time."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from fastapi import APIRouter, Request, Response
from pydantic import BaseModel, ConfigDict
from sqlalchemy import Connection

from api.answers import answer, recorded
from api.cautions import CAUTIONS
from api.paging import page
from api.parameters import Instant, Maker, Model, Person, Remark, Serial
from api.problems import Problem, path_as_sent
from api.resources.cycles import named
from api.schemas import records
from api.stores import Stores
from collector.config import Site
from collector.errors import StoreError
from collector.model import ToolName
from collector.store.desk import find_services, record_service
from collector.store.queries import NOBODY_COUNTED, find_book, find_gaps_while_mounted, find_tool
from collector.store.tallies import Count, count_between, count_lifetime

router = APIRouter(prefix="/v1/tools", tags=["service"])

EARLIEST = datetime(1, 1, 1, tzinfo=UTC)
LATEST = datetime(9999, 12, 31, tzinfo=UTC)
NO_SERVICE = "no service of this tool is recorded"


class NewService(BaseModel):
    """A service done, as it is reported."""

    model_config = ConfigDict(extra="forbid")

    done_by: Person
    done_at: Instant | None = None
    """Null or left out: now. Give it to be able to send the same request again without recording it twice."""
    remark: Remark = ""


@router.get("/{serial:path}/service", response_model=records.Service)
def list_services(request: Request, serial: Serial, maker: Maker = None, model: Model = None) -> Response:
    """The services done on a tool, newest first, its cycles since the last and until the next; `next` is
    always null. When that will be: `forecast`."""
    stores: Stores = request.app.state.stores
    with stores.book() as connection:
        tool = find_tool(connection, serial, maker, model)
    with stores.desk() as desk:
        done = find_services(desk, name_of(tool))
    with stores.book() as connection:
        lifetime = count_lifetime(connection, tool["tool_id"])
        made, why = since_service(connection, tool, done[0]) if done else (None, NO_SERVICE)
        gaps = find_gaps_while_mounted(connection, tool["tool_id"])
    missing = cycles_missing(gaps, done[0]["done_at"] if done else EARLIEST)
    state, unknown = service_state(request.app.state.site, tool, made, why)
    return page(
        request,
        done,
        None,
        tool=named(tool),
        lifetime_count=total(lifetime),
        **missing,
        **state,
        unknown=unknown | why_unknown(missing),
        forecast=_forecast(request),
        cautions=CAUTIONS,
    )


@router.post(
    "/{serial:path}/service",
    response_model=records.RecordedService,
    status_code=201,
    responses=recorded(records.RecordedService),
)
def record_service_done(
    request: Request, serial: Serial, body: NewService, maker: Maker = None, model: Model = None
) -> Response:
    """Record a service done on a tool. 201: recorded; 200: it stands there already, as it was recorded."""
    now = datetime.now(UTC)
    done_at = body.done_at or now
    if done_at > now:
        says = "done_at must not be in the future: record a service when it is done"
        raise Problem("invalid-request", says, mistakes=[{"where": "body", "name": "done_at", "says": says}])
    stores: Stores = request.app.state.stores
    with stores.book() as connection:
        tool = find_tool(connection, serial, maker, model)
        at_count = total(count_between(connection, tool["tool_id"], EARLIEST, done_at))
    with stores.desk() as desk:
        is_new = record_service(
            desk,
            name_of(tool),
            done_at=done_at,
            done_by=body.done_by,
            remark=body.remark,
            at_count=at_count,
            recorded_at=now,
        )
        stands = next(
            each
            for each in find_services(desk, name_of(tool))
            if (each["done_at"], each["done_by"]) == (done_at, body.done_by)
        )
    where = {"location": path_as_sent(request.scope)}
    return answer(stands | {"cautions": CAUTIONS}, status=201 if is_new else 200, headers=where)


def _forecast(request: Request) -> str:
    """The same question to the neighbour."""
    query = request.url.query
    return path_as_sent(request.scope).removesuffix("service") + "forecast" + (f"?{query}" if query else "")


# ---- for the other resources of a tool ---------------------------------------------------------------------


def name_of(tool: Mapping[str, Any]) -> ToolName:
    return ToolName(maker=tool["maker"], model=tool["model"], serial=tool["serial"])


def total(counts: list[Count]) -> int:
    return sum(count.cycles for count in counts)


def last_service(stores: Stores, tool: ToolName) -> tuple[dict[str, Any] | None, str | None]:
    """The newest service, or why it is not known: the book is told even while the desk can't be had."""
    try:
        with stores.desk() as desk:
            done = find_services(desk, tool)
    except StoreError as error:
        return None, str(error)
    return (done[0], None) if done else (None, NO_SERVICE)


def since_service(
    connection: Connection, tool: Mapping[str, Any], done: Mapping[str, Any]
) -> tuple[list[Count] | None, str | None]:
    """The cycles since a service, or why they are not known."""
    if done["done_at"] < find_book(connection)["created_at"]:
        return None, "the service was done before the book was begun, so the cycles between are not known"
    return count_between(connection, tool["tool_id"], done["done_at"], LATEST), None


def service_state(
    site: Site, tool: Mapping[str, Any], made: list[Count] | None, why: str | None
) -> tuple[dict[str, int | None], dict[str, str]]:
    """service_cycle_span, service_cycle_count and remaining_cycles, negative when overdue; and why one of
    them is None. `made`: the cycles since the last service, or `why` they are not known."""
    kind = site.tool_model(tool["maker"], tool["model"])
    span = None if kind is None else kind.service_cycle_span
    count = None if made is None else total(made)
    unknown = (
        {} if span is not None else {"service_cycle_span": not_in_site_file(site, tool, "service_cycle_span")}
    )
    unknown |= {"service_cycle_count": why or ""} if count is None else {}
    remaining = None if span is None or count is None else span - count
    if remaining is None:
        unknown["remaining_cycles"] = next(iter(unknown.values()))
    state = {"service_cycle_span": span, "service_cycle_count": count, "remaining_cycles": remaining}
    return state, unknown


def not_in_site_file(site: Site, tool: Mapping[str, Any], what: str) -> str:
    """Why something that all tools of a model have in common is not known."""
    model = f"{tool['maker']} {tool['model']}"
    if site.tool_model(tool["maker"], tool["model"]) is None:
        return f"the site file has no [[tool_models]] of {model}"
    return f"the site file gives no {what} for {model}"


def cycles_missing(
    gaps: Sequence[Mapping[str, Any]], begin: datetime = EARLIEST, end: datetime = LATEST
) -> dict[str, Any]:
    """`gap_cycles`, those missing in gaps that may reach into [begin, end); null where nobody can say."""
    missing = [gap["cycles"] for gap in gaps if reaches_into(gap, begin, end)]
    return {"gap_cycles": None if None in missing else sum(missing)}


def why_unknown(part: Mapping[str, Any]) -> dict[str, str]:
    """The entry of `unknown` that goes with a null `gap_cycles`."""
    return {"gap_cycles": NOBODY_COUNTED} if part["gap_cycles"] is None else {}


def reaches_into(gap: Mapping[str, Any], begin: datetime, end: datetime) -> bool:
    after_at, before_at = gap["after_at"], gap["before_at"]
    return (before_at is None or before_at >= begin) and (after_at is None or after_at < end)
