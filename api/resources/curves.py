"""Curves: of one cycle, and a tool's newest laid over each other."""

from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response

from api.answers import CACHEABLE, cacheable, entity_tag
from api.paging import Row, page
from api.parameters import Maker, Model, Serial
from api.resources.cycles import CycleIdText, named
from api.resources.features import features
from api.schemas import common, records
from api.schemas.features import CurveWithFeatures
from collector.store.curves import values
from collector.store.features import find_features_of
from collector.store.queries import CycleId, find_book, find_curve, find_last_curves, find_tool

router = APIRouter(prefix="/v1", tags=["curves"])

MOST_CURVES = 100


@router.get("/tools/{serial:path}/curves", response_model=common.ToolPage[CurveWithFeatures])
def list_curves(
    request: Request,
    serial: Serial,
    maker: Maker = None,
    model: Model = None,
    last: Annotated[int, Query(ge=1, le=MOST_CURVES, description="How many, newest first.")] = 5,
) -> Response:
    """A tool's newest curves, newest first, each from time zero, with its features. They are sought among its
    newest 1,000 cycles; `next` is always null."""
    with request.app.state.stores.book() as connection:
        tool = find_tool(connection, serial, maker, model)
        rows = find_last_curves(connection, tool["tool_id"], last)
        found = find_features_of(connection, [_key(row) for row in rows])
    of_cycle = ("ended_at", "controller", "result", "completion")
    items = [
        _curve(row) | {name: row[name] for name in of_cycle} | {"features": features(found[_key(row)])}
        for row in rows
    ]
    return page(request, items, None, tool=named(tool))


@router.get("/cycles/{id}/curve", response_model=records.Curve, responses=CACHEABLE)
def show_curve(request: Request, cycle_id: CycleIdText) -> Response:
    """The curve of one cycle. It never changes."""
    with request.app.state.stores.book() as connection:
        instance = find_book(connection)["instance"]
        found = find_curve(connection, CycleId.parse(cycle_id))
    return cacheable(request, entity_tag(instance, found["commit_number"], "curve"), _curve(found))


def _key(row: Row) -> tuple[int, int, int]:
    return (row["controller_id"], row["epoch"], row["sequence"])


def _curve(row: Row) -> dict[str, Any]:
    return {
        "id": row["id"],
        "quantity": row["quantity"],
        "sample_interval_us": row["sample_interval_us"],
        "start_us": 0,
        "sample_count": row["sample_count"],
        "samples": values(row["coded"], row["scale"], row["offset"]),
    }
