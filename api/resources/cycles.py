"""Cycles: a tool's newest, those of the plant in an interval, and one by its id."""

from collections.abc import Iterable, Iterator, Mapping
from datetime import timedelta
from typing import Annotated, Any

import orjson
from fastapi import APIRouter, Path, Query, Request, Response

from api.access.sight import sight_of
from api.answers import CACHEABLE, cacheable, entity_tag, text_of
from api.csv_export import FILES, LastOfFile, WantedParameters
from api.paging import (
    CursorParameter,
    Row,
    cut,
    instant,
    number,
    page,
    read_cursor,
    signed_number,
)
from api.parameters import (
    CompletionFilter,
    ControllerName,
    Instant,
    Maker,
    Model,
    ResultFilter,
    Serial,
    Since,
    Text,
    Until,
    in_order,
    mistake,
)
from api.parquet_export import columns_of
from api.schemas import common, records
from collector.store.queries import (
    CycleId,
    CycleKey,
    find_book,
    find_cycle,
    find_cycles,
    find_tool,
    find_tool_names,
)
from collector.store.streams import cycle_key

router = APIRouter(prefix="/v1", tags=["cycles"])

CycleIdText = Annotated[Text, Path(alias="id", description="controller.epoch.sequence, such as L1-03.1.4711")]

AS_STORED = (
    "id",
    "controller",
    "epoch",
    "ended_at",
    "time_uncertainty_ms",
    "result",
    "completion",
    "mode",
    "fault_code",
    "part_id",
    "band",
    "duration_ms",
    "take_up_ms",
    "peak_tension_n",
    "lock_tension_n",
    "seating_loss_n",
    "set_torque_nm",
    "tension_speed_mm_s",
    "punch_pressure_kpa",
    "supply_pressure_kpa",
    "punch_velocity_m_s",
    "extra",
    "brought_by",
)
AS_TEXT = ("sequence", "commit_number", "total_count")
KEY = (instant, number, number, signed_number)
LONGEST = timedelta(days=31)
COLUMNS = [
    *columns_of(text="id", name="maker model tool controller", integer="epoch sequence commit_number"),
    *columns_of(instant="ended_at", number="time_uncertainty_ms"),
    *columns_of(name="result completion mode fault_code", text="part_id"),
    *columns_of(name="band", number="duration_ms take_up_ms peak_tension_n lock_tension_n seating_loss_n"),
    *columns_of(number="set_torque_nm tension_speed_mm_s punch_pressure_kpa supply_pressure_kpa"),
    *columns_of(number="punch_velocity_m_s", integer="total_count", text="extra brought_by"),
]
"""Of a file; `extra` is JSON in text."""

CyclesFrom = Annotated[
    Instant, Query(alias="from", description="From this instant on (RFC 3339 with an offset).")
]
CyclesTo = Annotated[
    Instant,
    Query(alias="to", description=f"Before this instant; at most {LONGEST.days} days after `from`."),
]


@router.get(
    "/tools/{serial:path}/cycles", response_model=common.ToolPage[records.ListedCycle], responses=FILES
)
def list_cycles(
    request: Request,
    wanted: WantedParameters,
    serial: Serial,
    maker: Maker = None,
    model: Model = None,
    last: LastOfFile = None,
    cursor: CursorParameter = None,
    since: Since = None,
    until: Until = None,
    result: ResultFilter = None,
    completion: CompletionFilter = None,
    controller: ControllerName = None,
) -> Response:
    """A tool's newest cycles, newest first, across the controllers it sat on."""
    in_order(since, until)
    size = wanted.size(last)
    with request.app.state.stores.book() as connection:
        instance = find_book(connection)["instance"]
        key = read_cursor(cursor, instance, "cycles", KEY)
        tool = find_tool(connection, serial, maker, model)
        rows = find_cycles(
            connection,
            tool["tool_id"],
            last=size + 1,
            before=CycleKey(*key) if key else None,
            since=since,
            until=until,
            result=result,
            completion=completion,
            controller=controller,
        )
    rows, following = cut(rows, size, instance, "cycles", cycle_key)
    if wanted.is_file:
        flat = flattened(rows, {tool["tool_id"]: tool})
        return wanted.file(
            f"cycles-{serial}", COLUMNS, flat, map(listed, rows), last=last, following=following
        )
    return wanted.negotiated(page(request, [listed(row) for row in rows], following, tool=named(tool)))


@router.get("/cycles", response_model=common.LinesPage[records.CycleOfTool], responses=FILES)
def list_all_cycles(
    request: Request,
    wanted: WantedParameters,
    since: CyclesFrom,
    until: CyclesTo,
    last: LastOfFile = None,
    cursor: CursorParameter = None,
    result: ResultFilter = None,
    completion: CompletionFilter = None,
    controller: ControllerName = None,
) -> Response:
    """The cycles of all tools that ended in the half-open interval, newest first. Meant for files: each page
    of JSON sorts the interval anew; what follows the plant asks `/v1/feed`."""
    in_order(since, until, ("from", "to"))
    if until - since > LONGEST:
        raise mistake("to", f"to must not be more than {LONGEST.days} days after from")
    size = wanted.size(last)
    sight = sight_of(request)
    with request.app.state.stores.book() as connection:
        instance = find_book(connection)["instance"]
        key = read_cursor(cursor, instance, "all-cycles", KEY)
        tools = find_tool_names(connection)
        rows = find_cycles(
            connection,
            None,
            last=size + 1,
            before=CycleKey(*key) if key else None,
            since=since,
            until=until,
            result=result,
            completion=completion,
            controller=controller,
            among=sight.controllers,
        )
    rows, following = cut(rows, size, instance, "all-cycles", cycle_key)
    items = (listed(row) | {"tool": tools[row["tool_id"]]} for row in rows)
    if wanted.is_file:
        flat = flattened(rows, tools)
        return wanted.file("cycles", COLUMNS, flat, items, last=last, following=following)
    return wanted.negotiated(page(request, list(items), following, lines=sight.lines))


@router.get("/cycles/{id}", response_model=records.Cycle, responses=CACHEABLE)
def show_cycle(request: Request, cycle_id: CycleIdText) -> Response:
    """One cycle with the controller's raw record. It never changes."""
    with request.app.state.stores.book() as connection:
        instance = find_book(connection)["instance"]
        found = find_cycle(connection, CycleId.parse(cycle_id))
    body = listed(found) | {
        "tool": found["tool"],
        "controller_time": found["controller_time"],
        "raw_hex": found["raw"].hex(),
        "layout": found["layout"],
        "curve": f"/v1/cycles/{found['id']}/curve",
        "features": f"/v1/cycles/{found['id']}/features",
    }
    return cacheable(request, entity_tag(instance, found["commit_number"]), body)


def named(tool: Row) -> dict[str, Any]:
    return {name: tool[name] for name in ("maker", "model", "serial")}


def flattened(rows: Iterable[Row], tools: Mapping[int, Row]) -> Iterator[Row]:
    """As a file shows them."""
    for row in rows:
        tool = tools[row["tool_id"]]
        extra = None if row["extra"] is None else orjson.dumps(row["extra"]).decode()
        names = {"maker": tool["maker"], "model": tool["model"], "tool": tool["serial"]}
        yield row | names | {"extra": extra}


def listed(row: Row) -> dict[str, Any]:
    """A cycle as lists show it."""
    shown = {name: row[name] for name in AS_STORED}
    for name in AS_TEXT:
        shown[name] = text_of(row[name])
    return shown
