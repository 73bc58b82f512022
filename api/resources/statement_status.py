"""How far the statements of each line have come: where a nightly pull looks when it gets too little."""

from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from typing import Annotated, Any

from fastapi import APIRouter, Header, Request, Response

from api.access.sight import sight_of
from api.answers import answer, text_of
from api.paging import Row
from api.resources.health import former_books
from api.resources.shifts import Line, book_began, expected_readings, lines_of, occurrence, state_of
from api.resources.statements import address, waited_for, why_not_closed
from api.schemas import statements
from collector.config import Site
from collector.shifts import Occurrence
from collector.store.queries import find_book
from collector.store.statement_queries import find_last_closed

router = APIRouter(prefix="/v1/statements", tags=["statements"])

AS_STORED = ("plant_day", "shift", "begins_at", "ends_at", "revision", "complete", "closed_at")
NOTHING_STATED = "no shift of the line is closed yet"
HALF_A_SECOND = timedelta(milliseconds=500)
NO_DATE = "the request has no header Date"
BAD_DATE = "the header Date is no date such as Sat, 24 Oct 2026 20:10:00 GMT (RFC 9110, section 5.6.7)"

DateSaid = Annotated[
    str | None,
    Header(alias="Date", description="The asker's clock, such as Sat, 24 Oct 2026 20:10:00 GMT."),
]


@router.get("/status", response_model=statements.StatementStatus)
def show_status(request: Request, line: Line = None, said: DateSaid = None) -> Response:
    """Of each line the newest closed shift, and the oldest that is not, with why; the last commit of the
    book, and what it was before it was restored from a backup; the time here, and with the header `Date` how
    far off the asker's clock is."""
    site: Site = request.app.state.site
    now = datetime.now(UTC)
    sight = sight_of(request)
    lines = lines_of(site, line, sight)
    with request.app.state.stores.book() as connection:
        about = find_book(connection)
        former = former_books(connection)
        began = book_began(connection, site)
        closed = find_last_closed(connection)
        readings = expected_readings(connection, site)
    items: list[dict[str, Any]] = []
    for name in lines:
        newest = closed.get(name)
        oldest = site.plan(name).occurrence_at(newest["ends_at"] if newest else began[name])
        items.append(
            {
                "line": name,
                "newest_closed": _closed(newest) if newest else None,
                "oldest_not_closed": _not_closed(oldest, now),
                "waits_for": waited_for(name, oldest, readings) if oldest.ends_at <= now else [],
                "says": why_not_closed(name, oldest, readings, now),
                "unknown": {} if newest else {"newest_closed": NOTHING_STATED},
            }
        )
    offset_s, why = _clock_offset_s(said, now)
    head = {
        "book": about["instance"],
        "book_since": about["since"],
        "former_books": former,
        "commit": text_of(about["commit_number"]),
        "now": now,
        "lines": sight.lines,
        "clock_offset_s": offset_s,
        "unknown": {} if why is None else {"clock_offset_s": why},
    }
    return answer({**head, "items": items, "next": None})


def _clock_offset_s(said: str | None, now: datetime) -> tuple[int | None, str | None]:
    """The asker's clock minus ours, or why it is not known. A Date has whole seconds, cut: half of one is the
    middle of what it may mean."""
    if said is None:
        return None, NO_DATE
    try:
        date = parsedate_to_datetime(said)
        if date.tzinfo is None:  # RFC 850 and asctime name no zone: it is UTC
            date = date.replace(tzinfo=UTC)
        return round((date + HALF_A_SECOND - now).total_seconds()), None
    except (TypeError, ValueError, OverflowError):
        return None, BAD_DATE


def _closed(row: Row) -> dict[str, Any]:
    return {name: row[name] for name in AS_STORED} | {
        "commit": text_of(row["commit_number"]),
        "address": address(row),
    }


def _not_closed(shift: Occurrence, now: datetime) -> dict[str, Any]:
    return occurrence(shift) | {"state": state_of(shift, now)}
