"""Is the process alive, and can it answer?"""

import time
from typing import Any

from fastapi import APIRouter, Request, Response
from sqlalchemy import Connection

from api.answers import answer, text_of
from api.problems import Problem
from api.schemas import records
from api.stores import Stores
from collector import __version__
from collector.errors import ClampbookError
from collector.store.engine import SQLITE_VERSION
from collector.store.instances import find_former
from collector.store.queries import find_book

router = APIRouter(tags=["health"])


@router.get("/healthz", response_model=records.Alive)
def show_alive(request: Request) -> Response:
    """200 as long as the process lives, whatever the state of the store."""
    stores: Stores = request.app.state.stores
    book, unknown = _book(stores)
    return answer(
        {
            "status": "alive",
            "version": __version__,
            "store": "PostgreSQL" if stores.address.folder is None else f"SQLite {SQLITE_VERSION}",
            "uptime_s": round(time.monotonic() - request.app.state.started_at_s, 3),
            "book": book.get("instance"),
            "book_since": book.get("since"),
            "former_books": book.get("former_books"),
            "commit_number": text_of(book.get("commit_number")),
            "unknown": unknown,
        }
    )


@router.get("/readyz", response_model=records.Ready)
def show_ready(request: Request) -> Response:
    """200 when the book can be read, at the revision that this version expects, and the desk can be written;
    else 503 with the reasons. It does not say that the collector runs: `link` and `read_at` of the
    controllers do."""
    reasons = request.app.state.stores.unready()
    if reasons:
        raise Problem("not-ready", "; ".join(reasons), reasons=reasons)
    return answer({"status": "ready"})


def former_books(connection: Connection) -> list[dict[str, Any]]:
    """What instances the book was before, the oldest first."""
    return [
        {
            "book": each["instance"],
            **{name: each[name] for name in ("since", "until", "because")},
            "last_commit": text_of(each["last_commit"]),
        }
        for each in find_former(connection)
    ]


def _book(stores: Stores) -> tuple[dict[str, Any], dict[str, str]]:
    try:
        with stores.book() as connection:
            return find_book(connection) | {"former_books": former_books(connection)}, {}
    except ClampbookError as error:
        return {}, dict.fromkeys(("book", "book_since", "former_books", "commit_number"), str(error))
