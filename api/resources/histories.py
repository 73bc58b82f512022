"""What happened to a controller over time: the tools on it, its own count, its clock."""

from typing import Any

from fastapi import APIRouter, Request, Response

from api.answers import text_of
from api.paging import CursorParameter, Last, Row, cut, number, page, read_cursor
from api.resources.controllers import NEVER_READ, NOT_SHOWN, Name, clock_of, unknown_of_clock
from api.resources.cycles import named
from api.schemas import common, records
from collector.store.queries import (
    find_book,
    find_clock_changes,
    find_controllers,
    find_count_changes,
    find_mounts_on,
)

router = APIRouter(prefix="/v1/controllers", tags=["controllers"])


@router.get("/{name}/mounts", response_model=common.Page[records.MountOn])
def list_mounts(request: Request, name: Name, last: Last = 100, cursor: CursorParameter = None) -> Response:
    """The tools that sat on a controller, newest first."""
    with request.app.state.stores.book() as connection:
        instance = find_book(connection)["instance"]
        (before,) = read_cursor(cursor, instance, "mounts", (number,)) or (None,)
        rows = find_mounts_on(connection, name, last=last + 1, before=before)
    rows, following = cut(rows, last, instance, "mounts", commit_number)
    return page(request, [mount(row) for row in rows], following)


@router.get("/{name}/counter", response_model=records.CountChangePage)
def list_count_changes(
    request: Request, name: Name, last: Last = 100, cursor: CursorParameter = None
) -> Response:
    """Where a controller's own count was cleared, or became another than its cycles make it, newest first."""
    with request.app.state.stores.book() as connection:
        instance = find_book(connection)["instance"]
        (before,) = read_cursor(cursor, instance, "counter", (number,)) or (None,)
        (found,) = find_controllers(connection, name)
        rows = find_count_changes(connection, name, last=last + 1, before=before)
    rows, following = cut(rows, last, instance, "counter", commit_number)
    own = {each: text_of(found[each]) for each in ("total_count", "count_since_cleared")}
    why = NEVER_READ if found["read_at"] is None else NOT_SHOWN
    return page(
        request,
        [count_change(row) for row in rows],
        following,
        **own,
        read_at=found["read_at"],
        unknown={each: why for each in (*own, "read_at") if found[each] is None},
    )


@router.get("/{name}/clock", response_model=records.ClockChangePage)
def list_clock_changes(
    request: Request, name: Name, last: Last = 100, cursor: CursorParameter = None
) -> Response:
    """A controller's clock against ours, and when it was set or lost its time, newest first."""
    with request.app.state.stores.book() as connection:
        instance = find_book(connection)["instance"]
        (before,) = read_cursor(cursor, instance, "clock", (number,)) or (None,)
        (found,) = find_controllers(connection, name)
        rows = find_clock_changes(connection, name, last=last + 1, before=before)
    rows, following = cut(rows, last, instance, "clock", commit_number)
    unknown = unknown_of_clock(found, "clock.")
    return page(
        request,
        [clock_change(row) for row in rows],
        following,
        clock=clock_of(found),
        read_at=found["read_at"],
        unknown=unknown | ({"read_at": NEVER_READ} if found["read_at"] is None else {}),
    )


def commit_number(row: Row) -> tuple[int]:
    """The key of a list in order of commit."""
    return (row["commit_number"],)


def count_change(row: Row) -> dict[str, Any]:
    as_text = ("commit_number", "sequence", "expected", "found")
    as_stored = ("kind", "epoch", "after_at", "noticed_at")
    return {name: row[name] for name in as_stored} | {name: text_of(row[name]) for name in as_text}


def place(epoch: int | None, sequence: int | None, total_count: int | None) -> dict[str, Any] | None:
    if epoch is None:
        return None
    return {"epoch": epoch, "sequence": text_of(sequence), "total_count": text_of(total_count)}


def mount(row: Row) -> dict[str, Any]:
    return named(row) | {
        "commit_number": text_of(row["commit_number"]),
        "mounted_at": row["mounted_at"],
        "unmounted_at": row["unmounted_at"],
        "after": place(row["after_epoch"], row["after_sequence"], row["after_count"]),
        "until": place(row["until_epoch"], row["until_sequence"], row["until_count"]),
    }


def clock_change(row: Row) -> dict[str, Any]:
    as_stored = ("before_ms", "after_ms", "noticed_at")
    return {name: row[name] for name in as_stored} | {"commit_number": text_of(row["commit_number"])}
