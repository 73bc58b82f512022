"""Cycles: a tool's newest, and one by its id."""

from typing import Annotated, Any

from fastapi import APIRouter, Path, Request, Response

from api.answers import cacheable, entity_tag, text_of
from api.paging import (
    CursorParameter,
    Last,
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
    Maker,
    Model,
    ResultFilter,
    Serial,
    Since,
    Text,
    Until,
    in_order,
)
from api.schemas import common, records
from collector.store.queries import CycleId, CycleKey, find_book, find_cycle, find_cycles, find_tool

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


@router.get("/tools/{serial:path}/cycles", response_model=common.ToolPage[records.ListedCycle])
def list_cycles(
    request: Request,
    serial: Serial,
    maker: Maker = None,
    model: Model = None,
    last: Last = 100,
    cursor: CursorParameter = None,
    since: Since = None,
    until: Until = None,
    result: ResultFilter = None,
    completion: CompletionFilter = None,
    controller: ControllerName = None,
) -> Response:
    """A tool's newest cycles, newest first, across the controllers it sat on."""
    in_order(since, until)
    with request.app.state.stores.book() as connection:
        instance = find_book(connection)["instance"]
        key = read_cursor(cursor, instance, "cycles", (instant, number, number, signed_number))
        tool = find_tool(connection, serial, maker, model)
        rows = find_cycles(
            connection,
            tool["tool_id"],
            last=last + 1,
            before=CycleKey(*key) if key else None,
            since=since,
            until=until,
            result=result,
            completion=completion,
            controller=controller,
        )
    rows, following = cut(rows, last, instance, "cycles", _key)
    return page(request, [listed(row) for row in rows], following, tool=named(tool))


@router.get("/cycles/{id}", response_model=records.Cycle)
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


def _key(row: Row) -> CycleKey:
    return CycleKey(row["ended_at"], row["controller_id"], row["epoch"], row["sequence"])


def listed(row: Row) -> dict[str, Any]:
    """A cycle as lists show it."""
    shown = {name: row[name] for name in AS_STORED}
    for name in AS_TEXT:
        shown[name] = text_of(row[name])
    return shown
