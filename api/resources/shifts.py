"""When the lines of the site work."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response

from api.paging import page
from api.parameters import From, To, in_order, mistake
from api.schemas import shifts
from collector.config import Site
from collector.errors import NotInBook
from collector.shifts import Occurrence
from collector.store.statement_queries import find_stated

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
    found = [
        (each.plant_day, name, each)
        for name in lines_of(site, line)
        for each in site.plan(name).occurrences(begin, end)
    ]
    found.sort(key=lambda row: (row[0], row[1], row[2].begins_at))
    with request.app.state.stores.book() as connection:
        stated = find_stated(connection, begin, end)
    return page(request, list(_shaped(found, site, stated, now)), None)


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


def lines_of(site: Site, line: str | None) -> list[str]:
    """All lines of the site, or the one that was asked for. Raises: NotInBook: there is no such line."""
    if line is not None and line not in site.lines:
        raise NotInBook(f"there is no line {line!r}; there are {', '.join(site.lines)}")
    return site.lines if line is None else [line]


def _shaped(
    found: list[tuple[Any, str, Occurrence]], site: Site, stated: set[tuple[str, str, str]], now: datetime
) -> Iterator[dict[str, Any]]:
    for _, line, each in found:
        is_stated = (line, each.plant_day.isoformat(), each.shift) in stated
        yield {
            "line": line,
            **occurrence(each),
            "zone": site.site.zone,
            "plan_version": each.plan_version,
            "state": "closed" if is_stated else state_of(each, now),
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
