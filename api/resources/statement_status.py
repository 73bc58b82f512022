"""How far the statements of each line have come: where a nightly pull looks when it gets too little."""

from datetime import UTC, datetime
from typing import Any

from fastapi import APIRouter, Request, Response

from api.access.sight import sight_of
from api.answers import answer, text_of
from api.paging import Row
from api.resources.shifts import Line, lines_of, occurrence, state_of
from api.resources.statements import address, expected_readings, waited_for, why_not_closed
from api.schemas import statements
from collector.config import Site
from collector.shifts import Occurrence
from collector.store.queries import find_book
from collector.store.statement_queries import find_last_closed

router = APIRouter(prefix="/v1/statements", tags=["statements"])

AS_STORED = ("plant_day", "shift", "begins_at", "ends_at", "revision", "complete", "closed_at")
NOTHING_STATED = "no shift of the line is closed yet"
NEVER_READ = "no controller of the line was read yet, so no shift can be closed"


@router.get("/status", response_model=statements.StatementStatus)
def show_status(request: Request, line: Line = None) -> Response:
    """Of each line the newest closed shift, and the oldest that is not, with why; the last commit of the
    book; and the time here, to hold a clock against."""
    site: Site = request.app.state.site
    now = datetime.now(UTC)
    sight = sight_of(request)
    lines = lines_of(site, line, sight)
    with request.app.state.stores.book() as connection:
        about = find_book(connection)
        closed = find_last_closed(connection)
        readings = expected_readings(connection, site)
    items: list[dict[str, Any]] = []
    for name in lines:
        newest = closed.get(name)
        read_at = [each.first_read_at for each in readings if each.line == name and each.first_read_at]
        began = newest["ends_at"] if newest else min(read_at, default=None)
        oldest = None if began is None else site.plan(name).occurrence_at(began)
        unknown = {} if newest else {"newest_closed": NOTHING_STATED}
        waits = [] if oldest is None else waited_for(name, oldest, readings)
        items.append(
            {
                "line": name,
                "newest_closed": _closed(newest) if newest else None,
                "oldest_not_closed": _not_closed(oldest, now) if oldest else None,
                "waits_for": waits if oldest and oldest.ends_at <= now else [],
                "says": why_not_closed(name, oldest, readings, now) if oldest else NEVER_READ,
                "unknown": unknown if oldest else {**unknown, "oldest_not_closed": NEVER_READ},
            }
        )
    head = {"book": about["instance"], "commit": text_of(about["commit_number"]), "now": now}
    return answer({**head, "lines": sight.lines, "items": items, "next": None})


def _closed(row: Row) -> dict[str, Any]:
    return {name: row[name] for name in AS_STORED} | {
        "commit": text_of(row["commit_number"]),
        "address": address(row),
    }


def _not_closed(shift: Occurrence, now: datetime) -> dict[str, Any]:
    return occurrence(shift) | {"state": state_of(shift, now)}
