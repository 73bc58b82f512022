"""Faults: what controllers reported as wrong, with the three instants of each."""

from collections.abc import Iterable, Iterator
from datetime import timedelta
from typing import Any

from fastapi import APIRouter, Request, Response

from api.access.sight import sight_of
from api.answers import text_of
from api.cautions import CAUTIONS
from api.paging import CursorParameter, Last, Row, cut, instant, number, page, read_cursor
from api.parameters import (
    CategoryFilter,
    ControllerName,
    FaultState,
    Maker,
    Model,
    Since,
    ToolFilter,
    Until,
    in_order,
)
from api.parquet_export import columns_of
from api.resources.cycles import named
from api.schemas import records
from collector.store.queries import FaultKey, find_book, find_faults, find_tool

router = APIRouter(prefix="/v1/faults", tags=["faults"])

AS_STORED = (
    "controller",
    "code",
    "text",
    "category",
    "not_before",
    "raised_at",
    "acknowledged_at",
    "cleared_at",
)
COLUMNS = [
    *columns_of(integer="commit_number", name="controller maker model tool code", text="text"),
    *columns_of(name="category", instant="not_before raised_at acknowledged_at cleared_at"),
    *columns_of(number="duration_s"),
]
"""Of a file."""


@router.get("", response_model=records.FaultPage)
def list_faults(
    request: Request,
    last: Last = 100,
    cursor: CursorParameter = None,
    since: Since = None,
    until: Until = None,
    tool: ToolFilter = None,
    maker: Maker = None,
    model: Model = None,
    controller: ControllerName = None,
    category: CategoryFilter = None,
    state: FaultState = None,
) -> Response:
    """Faults by the instant at which they were raised, newest first."""
    in_order(since, until)
    sight = sight_of(request)
    with request.app.state.stores.book() as connection:
        instance = find_book(connection)["instance"]
        key = read_cursor(cursor, instance, "faults", (instant, number))
        rows = find_faults(
            connection,
            last=last + 1,
            before=FaultKey(*key) if key else None,
            since=since,
            until=until,
            tool_id=None if tool is None else find_tool(connection, tool, maker, model)["tool_id"],
            controller=controller,
            category=category,
            state=state,
            among=sight.controllers,
        )
    rows, following = cut(rows, last, instance, "faults", _key)
    return page(request, [shown(row) for row in rows], following, lines=sight.lines, cautions=CAUTIONS)


def _key(row: Row) -> FaultKey:
    return FaultKey(row["raised_at"], row["commit_number"])


def flattened(rows: Iterable[Row]) -> Iterator[Row]:
    """As a file shows them."""
    for row in rows:
        yield row | {"tool": row["serial"], "duration_s": _duration_s(row)}


def shown(row: Row) -> dict[str, Any]:
    """A fault as lists show it."""
    return {name: row[name] for name in AS_STORED} | {
        "commit_number": text_of(row["commit_number"]),
        "tool": named(row),
        "duration_s": _duration_s(row),
    }


def _duration_s(row: Row) -> float | None:
    """None: it is open."""
    cleared_at = row["cleared_at"]
    return None if cleared_at is None else float((cleared_at - row["raised_at"]) / timedelta(seconds=1))
