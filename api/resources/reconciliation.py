"""Reconciliation: a controller's own count against the book, mount by mount."""

from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response

from api.answers import text_of
from api.paging import CursorParameter, Row, make_cursor, number, page, read_cursor
from api.parameters import From, To, in_order
from api.resources.controllers import Name
from api.resources.cycles import named
from api.resources.histories import count_change, place
from api.schemas import records
from collector.store.queries import find_book
from collector.store.reconciliation import COUNTED, MOUNTS, find_reconciliation

router = APIRouter(prefix="/v1/controllers", tags=["reconciliation"])

MOST_MOUNTS = 100

LastMounts = Annotated[int, Query(ge=1, le=MOST_MOUNTS, description="How many mounts, newest first.")]


@router.get("/{name}/reconciliation", response_model=records.ReconciliationPage)
def show_reconciliation(
    request: Request,
    name: Name,
    since: From = None,
    until: To = None,
    last: LastMounts = MOUNTS,
    cursor: CursorParameter = None,
) -> Response:
    """For every mount on a controller: what its own counter says, with what was cleared, is in the book, in
    an open gap, or shown as unexplained. A mount across a restart that lost the counter has several rows.
    `from` and `to`: the mounts that overlap that half-open interval, each whole."""
    in_order(since, until, ("from", "to"))
    with request.app.state.stores.book() as connection:
        instance = find_book(connection)["instance"]
        (before,) = read_cursor(cursor, instance, "reconciliation", (number,)) or (None,)
        found = find_reconciliation(connection, name, last=last, before=before, since=since, until=until)
    next_before = found.next_before
    following = None if next_before is None else make_cursor(instance, "reconciliation", (next_before,))
    return page(
        request,
        [_row(row) for row in found.rows],
        following,
        controller=name,
        totals=found.totals,
        balanced=found.balanced,
        unknown=found.unknown,
    )


def _row(row: Row) -> dict[str, Any]:
    return {name: row[name] for name in (*COUNTED, "unknown", "balanced", "is_open")} | {
        "mount": None if row["mount"] is None else _mount(row["mount"]),
        "begin": place(**row["begin"]),
        "end": place(**row["end"]),
        "count_changes": [count_change(each) for each in row["count_changes"]],
        "gaps": [_gap(each) for each in row["gaps"]],
    }


def _mount(mount: Row) -> dict[str, Any]:
    return named(mount) | {
        "commit_number": text_of(mount["commit_number"]),
        "mounted_at": mount["mounted_at"],
        "unmounted_at": mount["unmounted_at"],
    }


def _gap(gap: Row) -> dict[str, Any]:
    return {
        "commit_number": text_of(gap["commit_number"]),
        "cycles": gap["cycles"],
        "reason": gap["reason"],
    }
