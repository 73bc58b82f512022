"""Counts of any interval, by whatever the asker needs, over all tools."""

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any, Literal, NamedTuple

from fastapi import APIRouter, Query, Request, Response

from api.access.sight import sight_of
from api.csv_export import FILES, WantedParameters
from api.paging import page
from api.parameters import From, To, listed, mistake
from api.parquet_export import Column, columns_of
from api.resources.shifts import Line, expected, interval
from api.resources.statements import insist
from api.schemas import counts
from collector.completeness import why_incomplete
from collector.config import Site
from collector.errors import NotInBook
from collector.store.completeness import find_gaps_in, find_readings
from collector.store.queries import Record, find_tool_names
from collector.store.tallies import Dimension, count_by

router = APIRouter(prefix="/v1/counts", tags=["counts"])

MOST_ROWS = 10_000
PERIODS = ("shift", "plant_day", "hour")
COLUMN: dict[str, Dimension] = {
    "tool": "tool_id",
    "controller": "controller_id",
    "band": "band",
    "mode": "mode",
    "result": "result",
    "completion": "completion",
}
"""What cycles can be counted by, in this order."""
WORDS = (*COLUMN, *PERIODS)
TOOL = columns_of(name="maker model tool")
BOUNDS = columns_of(instant="begins_at ends_at")
PERIOD_COLUMNS = {
    "shift": [*columns_of(name="line", day="plant_day"), *columns_of(name="shift"), *BOUNDS],
    "plant_day": [*columns_of(name="line", day="plant_day"), *BOUNDS],
    "hour": BOUNDS,
}
"""What a file says of a row's period."""

By = Annotated[
    str,
    listed(WORDS, uniqueItems=True, contains={"enum": list(PERIODS)}, minContains=0, maxContains=1),
    Query(description="With commas between; one period at most."),
]


Require = Annotated[
    Literal["complete"] | None, Query(description="409 instead of an answer that is not complete.")
]


class Period(NamedTuple):
    """What one count is of: a stretch of the interval, of one line or (None) of all."""

    shown: dict[str, Any]
    begin: datetime
    end: datetime
    line: str | None


@router.get("", response_model=counts.CountPage, response_model_exclude_unset=True, responses=FILES)
def list_counts(
    request: Request,
    wanted: WantedParameters,
    since: From = None,
    until: To = None,
    by: By = "controller,result",
    line: Line = None,
    require: Require = None,
) -> Response:
    """Cycles that ended in the half-open interval; the last seven days, if it is not given. Rows add up to
    all of it: a shift or a day that only reaches in is cut. Shifts and plant days are those of each line;
    hours are those of the site's clocks, and shorter where these change by half an hour. Each row of a file
    says whether the whole interval is `complete`."""
    site: Site = request.app.state.site
    now = datetime.now(UTC)
    begin, end = interval(since, until, now)
    words = words_of(by)
    columns = [column for word, column in COLUMN.items() if word in words]
    items: list[dict[str, Any]] = []
    sight = sight_of(request)
    with request.app.state.stores.book() as connection:
        readings = [each for each in find_readings(connection) if sight.sees_controller(each.controller)]
        if line is not None:
            readings = [each for each in readings if each.line == line]
            if not readings:
                raise NotInBook(f"the book has no controller on line {line!r}")
        tools = find_tool_names(connection) if "tool" in words else {}
        names = {each.controller_id: each.controller for each in readings}
        lines = sorted({each.line for each in readings})
        for period in periods(site, words, lines, begin, end):
            ids = [each.controller_id for each in readings if period.line in (None, each.line)]
            found = count_by(connection, columns, period.begin, period.end, controller_ids=ids)
            items += [period.shown | _row(row, tools, names) for row in found]
            if len(items) > MOST_ROWS:
                raise mistake(
                    "by", f"by makes more than {MOST_ROWS} rows; ask for less, or a shorter interval"
                )
        looked_for = expected(readings, site)
        gaps = find_gaps_in(connection, begin, end, [each.controller for each in looked_for])
    reasons = ["the interval is not over"] if end > now else []
    reasons += [] if readings else ["the book has no controller there"]
    reasons += why_incomplete(looked_for, gaps, begin, end)
    insist(require, True, reasons, [end], now)
    complete = not reasons
    if wanted.is_file:
        rows = (_flat(item) | {"complete": complete} for item in items)
        return wanted.file("counts", _columns(words), rows, items)
    shown = page(
        request,
        items,
        None,
        **{"from": begin, "to": end},
        lines=sight.lines,
        zone=site.site.zone,
        by=words,
        complete=complete,
        reasons=reasons,
    )
    return wanted.negotiated(shown)


def words_of(by: str) -> list[str]:
    """Raises: Problem: an unknown word, one that is there twice, or two periods."""
    words = by.split(",")
    for word in words:
        if word not in WORDS:
            raise mistake("by", f"by has {word!r} in it; known: {', '.join(WORDS)}")
        if words.count(word) > 1:
            raise mistake("by", f"by has {word} twice")
    if sum(word in PERIODS for word in words) > 1:
        raise mistake("by", f"by can have one of {', '.join(PERIODS)} only")
    return words


def periods(
    site: Site, words: Sequence[str], lines: Sequence[str], begin: datetime, end: datetime
) -> Iterator[Period]:
    """What the interval is cut into, in order of time and line; without a hole."""
    if "hour" in words:
        at = begin
        while at < end:
            local = at.astimezone(site.zone)
            into = timedelta(minutes=local.minute, seconds=local.second, microseconds=local.microsecond)
            until = min(at + timedelta(hours=1) - into, end)
            yield Period({"begins_at": at, "ends_at": until}, at, until, None)
            at = until
    elif "shift" in words or "plant_day" in words:
        found = [period for line in lines for period in _of_line(site, words, line, begin, end)]
        yield from sorted(found, key=lambda period: (period.begin, period.line))
    else:
        yield Period({}, begin, end, None)


def _of_line(site: Site, words: Sequence[str], line: str, begin: datetime, end: datetime) -> Iterator[Period]:
    plan = site.plan(line)
    if "shift" in words:
        named = [
            ({"plant_day": each.plant_day, "shift": each.shift}, each.begins_at, each.ends_at)
            for each in plan.occurrences(begin, end)
        ]
    else:
        days = dict.fromkeys(each.plant_day for each in plan.occurrences(begin, end))
        named = [({"plant_day": day}, *plan.day_bounds(day)) for day in days]
    for name, begins_at, ends_at in named:
        cut = max(begins_at, begin), min(ends_at, end)
        yield Period({"line": line, **name, "begins_at": cut[0], "ends_at": cut[1]}, *cut, line)


def _row(row: Record, tools: dict[int, Any], controllers: dict[int, str]) -> dict[str, Any]:
    shown: dict[str, Any] = {}
    for word, column in COLUMN.items():
        if column in row:
            value = row[column]
            shown[word] = (
                tools[value]
                if word == "tool"
                else controllers[value]
                if word == "controller"
                else value or None
            )
    return shown | {"cycles": row["cycles"]}


# ---- as a file ---------------------------------------------------------------------------------------------


def _columns(words: Sequence[str]) -> list[Column]:
    periods = [column for word in words for column in PERIOD_COLUMNS.get(word, ())]
    counted = [
        column
        for word in COLUMN
        if word in words
        for column in (TOOL if word == "tool" else columns_of(name=word))
    ]
    return [*periods, *counted, *columns_of(integer="cycles", flag="complete")]


def _flat(item: dict[str, Any]) -> dict[str, Any]:
    """With the tool's three names as columns."""
    if "tool" not in item:
        return item
    tool = item["tool"]
    return item | {"maker": tool["maker"], "model": tool["model"], "tool": tool["serial"]}
