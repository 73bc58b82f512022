"""Counts of a tool: lifetime, since its last service, by plant day, and beside its controllers' own.

A count is never silently short: what may be missing stands beside it, a day says whether it is complete and
why not, and what the book can't know is null with the reason, not zero.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Annotated, Any, get_args

from fastapi import APIRouter, Query, Request, Response
from sqlalchemy import Connection

from api.answers import answer, text_of
from api.parameters import Day, Maker, Model, Serial, in_order, mistake
from api.resources.cycles import named
from api.resources.service import (
    LATEST,
    cycles_missing,
    last_service,
    name_of,
    reaches_into,
    since_service,
    total,
    why_unknown,
)
from api.schemas import records
from collector.config import Site
from collector.model import Completion, Result
from collector.rfc3339 import format_rfc3339
from collector.store.queries import (
    Record,
    count_of_controllers,
    find_conflicts,
    find_controllers,
    find_gaps_while_mounted,
    find_mounts,
    find_tool,
)
from collector.store.tallies import Count, count_between, count_lifetime

router = APIRouter(prefix="/v1/tools", tags=["counts"])

MOST_DAYS = 366
USUAL_DAYS = timedelta(days=7)
ONE_DAY = timedelta(days=1)

FromDay = Annotated[
    Day | None, Query(alias="from", description="First plant day; usually six days before `to`.")
]
ToDay = Annotated[
    Day | None, Query(description="Plant day after the last one (half-open); usually tomorrow.")
]


@dataclass(frozen=True, slots=True)
class Known:
    """What the book says of a tool, read within one transaction."""

    tool: Record
    lifetime: list[Count]
    since_service: tuple[list[Count] | None, str | None]
    days: list[tuple[date, datetime, datetime, list[Count]]]
    """Plant day, begin and end of it, counts."""
    mounts: list[Record]
    controllers: list[Record]
    all_tools_cycles: dict[int, int]
    gaps: list[Record]
    conflicts: list[Record]

    @property
    def seen_at(self) -> datetime:
        """Since when the book can know of the tool's cycles; older ones may have come with first contact."""
        seen: list[datetime] = [self.tool["first_seen_at"], *(mount["mounted_at"] for mount in self.mounts)]
        return min(seen)


@router.get("/{serial:path}/counts", response_model=records.ToolCounts)
def show_counts(
    request: Request,
    serial: Serial,
    maker: Maker = None,
    model: Model = None,
    first: FromDay = None,
    to: ToDay = None,
) -> Response:
    """Counts of a tool. A plant day begins with the first shift of the site's plan, in the site's zone."""
    site: Site = request.app.state.site
    stores = request.app.state.stores
    now = datetime.now(UTC)
    days = _days(first, to, site.plan().plant_day_of(now))
    with stores.book() as connection:
        tool = find_tool(connection, serial, maker, model)
    done, not_served = last_service(stores, name_of(tool))
    with stores.book() as connection:
        known = _read(connection, tool, site, days, done)
    missing = cycles_missing(known.gaps)
    return answer(
        {
            "tool": named(tool),
            "zone": site.site.zone,
            "lifetime": _shape(known.lifetime)
            | {"first_seen_at": tool["first_seen_at"], "unknown": why_unknown(missing)}
            | missing,
            "since_service": _since_service(done, known),
            "days": [_day(known, *day, now) for day in known.days],
            "controllers": list(_controllers(known)),
            "conflicts": [each["says"] for each in known.conflicts],
            "unknown": {"since_service": not_served} if not_served else {},
        }
    )


def _days(first: date | None, to: date | None, today: date) -> list[date]:
    """Raises: Problem: the wrong way round, or too many."""
    end = to or today + ONE_DAY
    begin = first or end - USUAL_DAYS
    in_order(begin, end, ("from", "to"))
    if (end - begin).days > MOST_DAYS:
        raise mistake("to", f"to must not be more than {MOST_DAYS} days after from")
    return [begin + number * ONE_DAY for number in range((end - begin).days)]


def _read(connection: Connection, tool: Record, site: Site, days: list[date], done: Record | None) -> Known:
    number = tool["tool_id"]
    plan = site.plan()
    spans = [(day, *plan.day_bounds(day)) for day in days]
    lifetime, mounts = count_lifetime(connection, number), find_mounts(connection, number)
    ids = {count.controller_id for count in lifetime} | {mount["controller_id"] for mount in mounts}
    return Known(
        tool=tool,
        lifetime=lifetime,
        since_service=since_service(connection, tool, done) if done else (None, None),
        days=[(day, begin, end, count_between(connection, number, begin, end)) for day, begin, end in spans],
        mounts=mounts,
        controllers=[each for each in find_controllers(connection) if each["controller_id"] in ids],
        all_tools_cycles=count_of_controllers(connection, sorted(ids)),
        gaps=find_gaps_while_mounted(connection, number),
        conflicts=find_conflicts(connection, number),
    )


# ---- parts of the answer -----------------------------------------------------------------------------------


def _shape(counts: list[Count]) -> dict[str, Any]:
    by_result, by_completion = Counter[str](), Counter[str]()
    for count in counts:
        by_result[count.result] += count.cycles
        by_completion[count.completion] += count.cycles
    return {
        "cycles": total(counts),
        "by_result": {result: by_result[result] for result in get_args(Result)},
        "by_completion": {completion: by_completion[completion] for completion in get_args(Completion)},
    }


def _nothing_known(why: str) -> dict[str, Any]:
    names = ("cycles", "by_result", "by_completion")
    return dict.fromkeys(names) | {"unknown": dict.fromkeys(names, why)}


def _since_service(done: Record | None, known: Known) -> dict[str, Any] | None:
    if done is None:
        return None
    made, why = known.since_service
    counts = _nothing_known(why or "") if made is None else _shape(made) | {"unknown": {}}
    missing = cycles_missing(known.gaps, done["done_at"], LATEST)
    counts["unknown"] |= why_unknown(missing)
    return {"done_at": done["done_at"]} | missing | counts


def _day(
    known: Known, day: date, begin: datetime, end: datetime, counts: list[Count], now: datetime
) -> dict[str, Any]:
    gaps = [gap for gap in known.gaps if reaches_into(gap, begin, end)]
    reasons = list(_not_complete(known, begin, end, now, gaps))
    nothing_known = begin > now or (not counts and end <= known.seen_at)
    shape = _nothing_known(reasons[0]) if nothing_known else _shape(counts) | {"unknown": {}}
    missing = cycles_missing(gaps)
    shape["unknown"] |= why_unknown(missing)
    return {
        "plant_day": day,
        "begins_at": begin,
        "ends_at": end,
        "hours": (end - begin) / timedelta(hours=1),
        "complete": not reasons,
        "reasons": reasons,
        **missing,
        **shape,
    }


def _not_complete(
    known: Known, begin: datetime, end: datetime, now: datetime, gaps: Sequence[Record]
) -> Iterator[str]:
    if now < begin:
        yield "the day has not begun"
        return
    if now < end:
        yield "the day is not over"
    if begin < known.seen_at:
        yield f"the tool was first seen at {format_rfc3339(known.seen_at)}"
    if gaps:
        missing = cycles_missing(gaps)["gap_cycles"]
        number = "an unknown number of" if missing is None else missing
        yield f"{number} cycles are missing in gaps that may reach into the day; see /v1/gaps?state=open"
    if now >= end:
        yield from _not_read_through(known, begin, end)


def _not_read_through(known: Known, begin: datetime, end: datetime) -> Iterator[str]:
    """Controllers that the tool sat on in that time, and of which later records may still come."""
    controllers = {each["controller_id"]: each for each in known.controllers}
    late: dict[str, datetime | None] = {}
    for mount in known.mounts:
        left_at = min(end, mount["unmounted_at"] or end)
        read_at = controllers[mount["controller_id"]]["read_through_at"]
        if mount["mounted_at"] < end and left_at > begin and (read_at is None or read_at < left_at):
            late[mount["controller"]] = read_at
    for name, read_at in sorted(late.items()):
        yield f"{name} was read through " + (f"until {format_rfc3339(read_at)}" if read_at else "never")


def _controllers(known: Known) -> Iterator[dict[str, Any]]:
    mounted = {mount["controller_id"] for mount in known.mounts if mount["unmounted_at"] is None}
    for each in known.controllers:
        number = each["controller_id"]
        why = (
            "no status was read yet"
            if each["read_at"] is None
            else "the controller's status does not show it"
        )
        own = {name: text_of(each[name]) for name in ("total_count", "count_since_cleared")}
        yield {
            "controller": each["name"],
            "mounted_now": number in mounted,
            "cycles": total([count for count in known.lifetime if count.controller_id == number]),
            "all_tools_cycles": known.all_tools_cycles.get(number, 0),
            "gaps": each["gap_count"],
            "gap_cycles": each["gap_cycles"],
            **own,
            "read_at": each["read_at"],
            "unknown": {name: why for name in (*own, "read_at") if each[name] is None} | why_unknown(each),
        }
