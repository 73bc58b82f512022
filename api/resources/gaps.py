"""What is missing, and what came and could not be used."""

from typing import Any

from fastapi import APIRouter, Request, Response

from api import schemas
from api.answers import NOBODY_COUNTED, text_of
from api.paging import CursorParameter, Last, Row, cut, number, page, read_cursor
from api.parameters import ControllerName
from collector.store.queries import find_book, find_gaps, find_quarantined

router = APIRouter(prefix="/v1", tags=["gaps"])


@router.get("/gaps", response_model=schemas.Page[schemas.Gap])
def list_gaps(
    request: Request, controller: ControllerName = None, last: Last = 100, cursor: CursorParameter = None
) -> Response:
    """Cycles that controllers counted and the book has not got, in order of commit, newest first."""
    with request.app.state.stores.book() as connection:
        instance = find_book(connection)["instance"]
        (before,) = read_cursor(cursor, instance, "gaps", (number,)) or (None,)
        rows = find_gaps(connection, last=last + 1, before=before, controller=controller)
    rows, following = cut(rows, last, instance, "gaps", _key)
    return page(request, [_gap(row) for row in rows], following)


@router.get("/quarantine", response_model=schemas.Page[schemas.Quarantined])
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


def _gap(row: Row) -> dict[str, Any]:
    as_stored = ("controller", "epoch", "cycles", "reason", "after_at", "before_at", "noticed_at")
    as_text = ("commit_number", "first_sequence", "last_sequence")
    unknown = dict.fromkeys(("last_sequence", "cycles"), NOBODY_COUNTED) if row["cycles"] is None else {}
    as_it_is = {name: row[name] for name in as_stored} | {name: text_of(row[name]) for name in as_text}
    return as_it_is | {"unknown": unknown}


def _quarantined(row: Row) -> dict[str, Any]:
    return {name: row[name] for name in ("controller", "what", "place", "reason", "received_at")} | {
        "commit_number": text_of(row["commit_number"]),
        "raw_hex": row["raw"].hex(),
    }
