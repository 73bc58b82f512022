"""What is missing, and what came and could not be used."""

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request, Response

from api.access.sight import sight_of
from api.answers import text_of
from api.csv_export import FILES, LastOfFile, WantedParameters
from api.paging import CursorParameter, Last, Row, cut, number, page, read_cursor
from api.parameters import ControllerName, From, To, in_order
from api.parquet_export import columns_of
from api.schemas import common, records
from collector.store.queries import NOBODY_COUNTED, find_book, find_gaps, find_quarantined

router = APIRouter(prefix="/v1", tags=["gaps"])

COLUMNS = [
    *columns_of(integer="commit_number", name="controller"),
    *columns_of(integer="epoch first_sequence last_sequence cycles", name="reason"),
    *columns_of(instant="after_at before_at noticed_at", name="state"),
    *columns_of(instant="closed_at", text="closed_by", integer="part_of"),
]
"""Of a file."""


@router.get("/gaps", response_model=common.LinesPage[records.Gap], responses=FILES)
def list_gaps(
    request: Request,
    wanted: WantedParameters,
    controller: ControllerName = None,
    state: Annotated[
        Literal["open", "closed", "all"], Query(description="`closed`: some of its cycles came late.")
    ] = "all",
    since: From = None,
    until: To = None,
    last: LastOfFile = None,
    cursor: CursorParameter = None,
) -> Response:
    """Cycles that controllers counted and the book has not got, in order of commit, newest first. When late
    cycles close a part of a gap, the gap is closed, and what is still missing goes on in gaps of their own,
    which name it in `part_of`: only open gaps may be summed. `from` and `to`: those that may reach into that
    half-open interval."""
    in_order(since, until, ("from", "to"))
    size = wanted.size(last)
    sight = sight_of(request)
    with request.app.state.stores.book() as connection:
        instance = find_book(connection)["instance"]
        (before,) = read_cursor(cursor, instance, "gaps", (number,)) or (None,)
        rows = find_gaps(
            connection,
            last=size + 1,
            before=before,
            controller=controller,
            state=None if state == "all" else state,
            since=since,
            until=until,
            among=sight.controllers,
        )
    rows, following = cut(rows, size, instance, "gaps", _key)
    if wanted.is_file:
        return wanted.file("gaps", COLUMNS, rows, map(shown, rows), last=last, following=following)
    return wanted.negotiated(page(request, [shown(row) for row in rows], following, lines=sight.lines))


@router.get("/quarantine", response_model=common.Page[records.Quarantined])
def list_quarantined(
    request: Request, controller: ControllerName = None, last: Last = 100, cursor: CursorParameter = None
) -> Response:
    """Records and messages that could not be used, with their bytes, in order of commit, newest first."""
    with request.app.state.stores.book() as connection:
        instance = find_book(connection)["instance"]
        (before,) = read_cursor(cursor, instance, "quarantine", (number,)) or (None,)
        rows = find_quarantined(connection, last=last + 1, before=before, controller=controller)
    rows, following = cut(rows, last, instance, "quarantine", _key)
    return page(request, [_quarantined(row) for row in rows], following)


def _key(row: Row) -> tuple[int]:
    return (row["commit_number"],)


def shown(row: Row) -> dict[str, Any]:
    """A gap as lists show it."""
    as_stored = (
        "controller",
        "epoch",
        "cycles",
        "reason",
        "after_at",
        "before_at",
        "noticed_at",
        "state",
        "closed_at",
        "closed_by",
    )
    as_text = ("commit_number", "first_sequence", "last_sequence", "part_of")
    unknown = dict.fromkeys(("last_sequence", "cycles"), NOBODY_COUNTED) if row["cycles"] is None else {}
    as_it_is = {name: row[name] for name in as_stored} | {name: text_of(row[name]) for name in as_text}
    return as_it_is | {"unknown": unknown}


def _quarantined(row: Row) -> dict[str, Any]:
    return {name: row[name] for name in ("controller", "what", "place", "reason", "received_at")} | {
        "commit_number": text_of(row["commit_number"]),
        "raw_hex": row["raw"].hex(),
    }
