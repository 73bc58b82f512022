"""Service: preventive maintenance done on a tool, recorded by people with the tool's count at that time.

A record is never changed nor deleted; a further record corrects it, or says that the service was not done at
all. What is counted from, and what is shown of services elsewhere, are the records that stand.
"""

import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Request, Response
from pydantic import AfterValidator, BaseModel, ConfigDict, WithJsonSchema
from sqlalchemy import Connection

from api.answers import answer, recording, text_of
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
from collector.store.desk import (
    find_service_record,
    find_service_records,
    find_services,
    record_service,
    stands,
    withdraw_service,
)
from collector.store.queries import NOBODY_COUNTED, Record, find_book, find_gaps_while_mounted, find_tool
from collector.store.tallies import Count, count_between, count_lifetime

router = APIRouter(prefix="/v1/tools", tags=["service"])

EARLIEST = datetime(1, 1, 1, tzinfo=UTC)
LATEST = datetime(9999, 12, 31, tzinfo=UTC)
NO_SERVICE = "no service of this tool is recorded"


RECORD_NUMBER = "[1-9][0-9]{0,17}"


def _record_number(said: str) -> str:
    if not re.fullmatch(RECORD_NUMBER, said):
        raise ValueError('must be the number of a record as the list shows it, such as "17"')
    return said


RecordNumber = Annotated[
    str, AfterValidator(_record_number), WithJsonSchema({"type": "string", "pattern": f"^{RECORD_NUMBER}$"})
]


class NewService(BaseModel):
    """A service done, as it is reported; or what is to stand in the place of an earlier record."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "oneOf": [
                {
                    "required": ["done_by"],
                    "properties": {"done_by": {"type": "string"}, "withdrawn": {"const": False}},
                },
                {
                    "required": ["corrects", "withdrawn"],
                    "properties": {
                        "corrects": {"type": "string"},
                        "withdrawn": {"const": True},
                        "done_by": {"type": "null"},
                        "done_at": {"type": "null"},
                    },
                },
            ],
            "examples": [
                {"done_by": "Fitter 7", "done_at": "2026-11-24T06:10:00+01:00", "remark": "new punch"},
                {"corrects": "17", "done_by": "Fitter 7", "done_at": "2026-11-24T05:10:00+01:00"},
                {"corrects": "17", "withdrawn": True, "remark": "it was the tool beside it"},
            ],
        },
    )

    done_by: Person | None = None
    """Needed, but for what is withdrawn: nobody did that."""
    done_at: Instant | None = None
    """Null or left out: now, or as the record that it corrects. Give it to be able to send the same request
    again without recording it twice."""
    remark: Remark = ""
    corrects: RecordNumber | None = None
    """Number of an earlier record of the same tool, in whose place this one stands; each is corrected once,
    then its correction is."""
    withdrawn: bool = False
    """The service of the record that it corrects was not done at all."""


@router.get("/{serial:path}/service", response_model=records.Service)
def list_services(request: Request, serial: Serial, maker: Maker = None, model: Model = None) -> Response:
    """What was recorded of services done on a tool, newest first, its cycles since the last that stands and
    until the next; `next` is always null. When that will be: `forecast`."""
    stores: Stores = request.app.state.stores
    with stores.book() as connection:
        tool = find_tool(connection, serial, maker, model)
    with stores.reading_desk() as desk:
        recorded = find_service_records(desk, name_of(tool))
    done = [each for each in recorded if stands(each)]
    with stores.book() as connection:
        lifetime = count_lifetime(connection, tool["tool_id"])
        made, why = since_service(connection, tool, done[0]) if done else (None, NO_SERVICE)
        gaps = find_gaps_while_mounted(connection, tool["tool_id"])
    missing = cycles_missing(gaps, done[0]["done_at"] if done else EARLIEST)
    state, unknown = service_state(request.app.state.site, tool, made, why)
    return page(
        request,
        [shown(each) for each in recorded],
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
    responses=recording(records.RecordedService),
)
def record_service_done(
    request: Request, serial: Serial, body: NewService, maker: Maker = None, model: Model = None
) -> Response:
    """Record a service done on a tool, or correct a record. 201: recorded; 200: it stands there already, as
    it was recorded. What counts is what was neither corrected nor withdrawn."""
    now = datetime.now(UTC)
    if mistakes := _mistakes(body, now):
        raise Problem("invalid-request", "; ".join(each["says"] for each in mistakes), mistakes=mistakes)
    corrects = None if body.corrects is None else int(body.corrects)
    stores: Stores = request.app.state.stores
    with stores.book() as connection:
        tool = find_tool(connection, serial, maker, model)
    record = _withdraw if body.withdrawn else _record
    recorded, is_new = record(stores, tool, body, corrects, now)
    where = {"location": path_as_sent(request.scope)}
    return answer(shown(recorded) | {"cautions": CAUTIONS}, status=201 if is_new else 200, headers=where)


def _withdraw(
    stores: Stores, tool: Record, body: NewService, corrects: int | None, now: datetime
) -> tuple[Record, bool]:
    assert corrects is not None
    with stores.desk() as desk:
        return withdraw_service(desk, name_of(tool), corrects, remark=body.remark, recorded_at=now)


def _record(
    stores: Stores, tool: Record, body: NewService, corrects: int | None, now: datetime
) -> tuple[Record, bool]:
    assert body.done_by is not None
    done_at = body.done_at or now
    if body.done_at is None and corrects is not None:
        with stores.reading_desk() as desk:
            done_at = find_service_record(desk, name_of(tool), corrects)["done_at"]
    with stores.book() as connection:
        at_count = total(count_between(connection, tool["tool_id"], EARLIEST, done_at))
    with stores.desk() as desk:
        return record_service(
            desk,
            name_of(tool),
            done_at=done_at,
            done_by=body.done_by,
            remark=body.remark,
            at_count=at_count,
            recorded_at=now,
            corrects=corrects,
        )


def _mistakes(body: NewService, now: datetime) -> list[dict[str, str]]:
    """What no member shows by itself."""
    found: dict[str, str] = {}
    if body.withdrawn:
        if body.corrects is None:
            found["corrects"] = "corrects is missing: the number of the record that is withdrawn"
        for name in ("done_by", "done_at"):
            if getattr(body, name) is not None:
                found[name] = f"{name} must be left out with withdrawn: the service was not done"
    elif body.done_by is None:
        found["done_by"] = "done_by is missing"
    elif body.done_at is not None and body.done_at > now:
        found["done_at"] = "done_at must not be in the future: record a service when it is done"
    return [{"where": "body", "name": name, "says": says} for name, says in found.items()]


def shown(row: Record) -> dict[str, Any]:
    """A record as lists show it."""
    as_stored = ("done_at", "done_by", "remark", "at_count", "recorded_at", "withdrawn")
    numbers = {"number": "commit_number", "corrects": "corrects", "corrected_by": "corrected_by"}
    return {name: row[name] for name in as_stored} | {
        name: text_of(row[column]) for name, column in numbers.items()
    }


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
        with stores.reading_desk() as desk:
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
