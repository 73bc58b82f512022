"""When the lines of the site work."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response
from sqlalchemy import Connection

from api.access.sight import Sight, sight_of
from api.paging import page
from api.parameters import From, To, in_order, mistake
from api.schemas import shifts
from collector.completeness import Reading, stated_from
from collector.config import Site
from collector.errors import NotInBook
from collector.rfc3339 import format_rfc3339
from collector.shifts import Occurrence
from collector.store.completeness import find_readings
from collector.store.queries import find_book
from collector.store.statement_queries import find_stated, find_stated_spans

router = APIRouter(prefix="/v1/shifts", tags=["shifts"])

USUAL = timedelta(days=7)
MOST = timedelta(days=100)

Line = Annotated[str | None, Query(description="Only of this line.")]


@router.get("", response_model=shifts.ShiftPage)
def list_shifts(request: Request, since: From = None, until: To = None, line: Line = None) -> Response:
    """Shifts by the plan, those that reach into the half-open interval; the last seven days, if it is not
    given. What is in no shift is listed too, so that the hours of a plant day add up."""
    site: Site = request.app.state.site
    now = datetime.now(UTC)
    begin, end = interval(since, until, now)
    sight = sight_of(request)
    found = [
        (each.plant_day, name, each)
        for name in lines_of(site, line, sight)
        for each in site.plan(name).occurrences(begin, end)
    ]
    found.sort(key=lambda row: (row[0], row[1], row[2].begins_at))
    with request.app.state.stores.book() as connection:
        stated = find_stated(connection, begin, end)
        began = book_began(connection, site)
    return page(request, list(_shaped(found, site, stated, began, now)), None, lines=sight.lines)


def interval(since: datetime | None, until: datetime | None, now: datetime) -> tuple[datetime, datetime]:
    """What was asked for; the end is now and the begin a week before it, if it was not said.

    Raises: Problem: the wrong way round, or too long.
    """
    end = until or (now if since is None else since + USUAL)
    begin = since or end - USUAL
    in_order(begin, end, ("from", "to"))
    if end - begin > MOST:
        raise mistake("to", f"to must not be more than {MOST.days} days after from")
    return begin, end


def lines_of(site: Site, line: str | None, sight: Sight) -> list[str]:
    """All lines of the site that the asker sees, or the one that was asked for. Raises: NotInBook: there is
    no such line."""
    if line is not None and line not in site.lines:
        raise NotInBook(f"there is no line {line!r}; there are {', '.join(site.lines)}")
    return [each for each in site.lines if sight.sees_line(each)] if line is None else [line]


def expected_readings(connection: Connection, site: Site) -> list[Reading]:
    """Of the controllers in the site file."""
    return expected(find_readings(connection), site)


def expected(readings: Sequence[Reading], site: Site) -> list[Reading]:
    """Those of the controllers in the site file."""
    names = {each.name for each in site.controllers}
    return [each for each in readings if each.controller in names]


def book_began(connection: Connection, site: Site) -> dict[str, datetime]:
    """Line -> begin of its first shift that has a statement, or will have one."""
    spans = find_stated_spans(connection)
    created_at = find_book(connection)["created_at"]
    readings: dict[str, list[Reading]] = {line: [] for line in site.lines}
    for each in expected_readings(connection, site):
        if each.line in readings:
            readings[each.line].append(each)
    return {
        line: spans[line][0] if line in spans else stated_from(site.plan(line), of_line, created_at)
        for line, of_line in readings.items()
    }


def before_the_book(line: str, shift: Occurrence, began: datetime) -> str | None:
    """Why a shift has no statement and never will, in a sentence; None: the book had begun."""
    if shift.ends_at > began:
        return None
    name, since = f"{line}, {shift.plant_day}, {shift.shift}", format_rfc3339(began)
    return f"{name}: the book began after it, at {since}; what was made in it is not known"


def _shaped(
    found: Sequence[tuple[Any, str, Occurrence]],
    site: Site,
    stated: set[tuple[str, str, str]],
    began: Mapping[str, datetime],
    now: datetime,
) -> Iterator[dict[str, Any]]:
    for _, line, each in found:
        is_stated = (line, each.plant_day.isoformat(), each.shift) in stated
        never = before_the_book(line, each, began[line])
        state = "closed" if is_stated else "unknown" if never else state_of(each, now)
        yield {
            "line": line,
            **occurrence(each),
            "zone": site.site.zone,
            "plan_version": each.plan_version,
            "state": state,
            "says": never,
        }


def occurrence(each: Occurrence) -> dict[str, Any]:
    return {
        "plant_day": each.plant_day,
        "shift": each.shift,
        "outside": each.is_outside,
        "begins_at": each.begins_at,
        "ends_at": each.ends_at,
        "hours": each.hours,
    }


def state_of(each: Occurrence, now: datetime) -> str:
    if now < each.begins_at:
        return "ahead"
    return "open" if now < each.ends_at else "closing"
