"""Statements over REST: what was closed, every revision of it, and whether that is all."""

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, date, datetime
from typing import Annotated, Any, Literal, get_args
from urllib.parse import quote

from fastapi import APIRouter, Path, Query, Request, Response
from sqlalchemy import Connection

from api.access.sight import sight_of
from api.answers import CACHEABLE, cacheable, entity_tag, text_of
from api.csv_export import FILES, LAST, Wanted, WantedParameters
from api.paging import (
    AfterText,
    CursorParameter,
    Row,
    cut,
    instant,
    make_cursor,
    number,
    page_parts,
    read_cursor,
    word,
)
from api.parameters import Day, Text, mistake
from api.parquet_export import columns_of
from api.problems import Problem
from api.resources.shifts import Line, before_the_book, book_began, expected_readings, lines_of
from api.schemas import common, statements
from collector.completeness import Reading
from collector.config import Site
from collector.errors import NotInBook
from collector.model import Completion, Result
from collector.rfc3339 import parse_rfc3339
from collector.shifts import Occurrence
from collector.store.queries import Record, find_book
from collector.store.statement_queries import (
    find_revisions,
    find_stated_spans,
    find_statement,
    find_statements,
    find_statements_since,
)

router = APIRouter(prefix="/v1/statements", tags=["statements"])

SINCE = "statements-since"
"""Kind of the cursors of all revisions in order of commit."""
PULL_ANEW = (
    "pull every plant day that was booked again, by plant_day or with an empty after, and replace what was "
    "booked of it, whatever its revision"
)
FOR_EVER = "private, max-age=31536000, immutable"
SOON_S, LATEST_S = 60, 3600
"""When to ask again: for a shift that is over, and at most."""
MOST_IN_FILE = 5000
"""Statements."""
OF_STATEMENT = (
    "line", "plant_day", "shift", "outside", "begins_at", "ends_at", "hours", "zone", "plan_version",
    "revision", "closed_at", "basis", "complete", "hash",
)  # fmt: skip
OF_ROW = ("controller", "band", "mode", "cycles", "near_boundary")
TOOL_NAMES = {"maker": "maker", "model": "model", "tool": "serial"}
"""Column -> member of a row's tool."""
NOTHING: Mapping[str, Any] = {
    **dict.fromkeys(OF_ROW),
    "tool": dict.fromkeys(TOOL_NAMES.values()),
    "cycles": 0,
    "near_boundary": 0,
    "by_result": {},
    "by_completion": {},
}
"""The row of a statement without cycles."""
RESULTS, COMPLETIONS = get_args(Result), get_args(Completion)
COLUMNS = [
    *columns_of(name="line", day="plant_day"),
    *columns_of(name="shift", flag="outside", instant="begins_at ends_at", number="hours"),
    *columns_of(name="zone", integer="plan_version revision"),
    *columns_of(instant="closed_at", name="basis", flag="complete"),
    *columns_of(name="maker model tool controller band mode", integer="cycles"),
    *columns_of(integer=" ".join(f"result_{each}" for each in RESULTS)),
    *columns_of(integer=" ".join(f"completion_{each}" for each in COMPLETIONS)),
    *columns_of(integer="near_boundary commit", text="hash"),
]
"""Of a file: what can be added up. Gaps, equations and changes stand in JSON only."""

PlantDay = Annotated[Day | None, Query(description="Only of this plant day.")]
After = Annotated[
    AfterText | None,
    Query(
        description="`next` of the last time: every revision since, in order of commit. Empty: from the first"
    ),
]
Require = Annotated[
    Literal["closed", "complete"] | None,
    Query(description="409 instead of an answer that is not closed, or not complete."),
]
LineName = Annotated[Text, Path(description="As in the site file.")]
DayOfPlant = Annotated[Day, Path(description="Local date on which its first shift begins.")]
ShiftName = Annotated[Text, Path(description="As in the plan, or `outside-1` …")]


@router.get("", response_model=statements.StatementPage, responses=FILES)
def list_statements(
    request: Request,
    wanted: WantedParameters,
    plant_day: PlantDay = None,
    line: Line = None,
    after: After = None,
    require: Require = None,
    last: Annotated[int | None, Query(ge=1, le=MOST_IN_FILE, description=LAST)] = None,
    cursor: CursorParameter = None,
) -> Response:
    """The latest revision of each statement, in order of plant day, line and time; or with `after`, every
    revision that was made since, in order of commit. The envelope says whether all is closed and complete: of
    `plant_day`, if that is given, else of everything until now. CSV and Parquet have a row for each row of a
    statement, and one without a tool for a statement without cycles; `last` counts statements."""
    site: Site = request.app.state.site
    now = datetime.now(UTC)
    sight = sight_of(request)
    lines = lines_of(site, line, sight)
    of_lines = sight.lines if line is None else lines
    if after is not None and (plant_day is not None or cursor is not None):
        raise mistake("after", "after goes without plant_day and cursor")
    size = wanted.size(last, MOST_IN_FILE)
    parameter = "cursor" if after is None else "after"
    with request.app.state.stores.book() as connection:
        book = find_book(connection)
        instance = book["instance"]
        if after is not None:
            since = read_since(after or None, book, "after")
            rows = find_statements_since(connection, since, lines=of_lines, last=size)
            reached = rows[-1]["commit_number"] if rows else since
            following: str | None = make_cursor(instance, SINCE, (reached,))
        else:
            key = read_cursor(cursor, instance, "statements", (word, word, instant))
            day = None if plant_day is None else plant_day.isoformat()
            behind = None if key is None else (key[0], key[1], key[2])
            rows = find_statements(connection, plant_day=day, lines=of_lines, last=size + 1, after=behind)
            rows, following = cut(rows, size, instance, "statements", _key)
        missing = list(_missing(connection, site, lines, plant_day, now))
    closed = not missing
    reasons = [says for says, _ in missing]
    reasons += [f"{_name(row)}: {reason}" for row in rows for reason in json.loads(row["reasons"])]
    insist(require, closed, reasons, [at for _, at in missing if at is not None], now)
    items = [_shape(row) for row in rows]
    if wanted.is_file:
        flat = (each for item in items for each in _flat(item))
        name = "statements" if plant_day is None else f"statements-{plant_day}"
        pages = last if after is None else size
        return wanted.file(
            name, COLUMNS, flat, items, last=pages, following=following, parameter=parameter, book=instance
        )
    body, headers = page_parts(
        request,
        items,
        following,
        parameter,
        lines=sight.lines,
        closed=closed,
        complete=not reasons,
        reasons=reasons,
    )
    tags = "".join(row["hash"] for row in rows) + json.dumps([sight.lines, reasons, following])
    tag = entity_tag(instance, hashlib.sha256(tags.encode()).hexdigest()[:32])
    return wanted.negotiated(cacheable(request, tag, body, headers=headers))


@router.get(
    "/{line:path}/{plant_day}/{shift}/revisions",
    response_model=common.Page[statements.StatementRevision],
    responses=CACHEABLE,
)
def list_revisions(request: Request, line: LineName, plant_day: DayOfPlant, shift: ShiftName) -> Response:
    """All revisions of a statement, the newest first."""
    with request.app.state.stores.book() as connection:
        instance = find_book(connection)["instance"]
        rows = _revisions(connection, request.app.state.site, line, plant_day, shift)
    items = [
        {
            "revision": row["revision"],
            "closed_at": row["closed_at"],
            "complete": row["complete"],
            "commit": text_of(row["commit_number"]),
            "hash": row["hash"],
            "address": address(row),
        }
        for row in rows
    ]
    tag = entity_tag(instance, "revisions", rows[0]["commit_number"])
    return cacheable(request, tag, {"items": items, "next": None})


@router.get(
    "/{line:path}/{plant_day}/{shift}/revisions/{revision}",
    response_model=statements.Statement,
    responses=FILES,
)
def show_revision(
    request: Request,
    wanted: WantedParameters,
    line: LineName,
    plant_day: DayOfPlant,
    shift: ShiftName,
    revision: Annotated[int, Path(ge=1, le=2**31 - 1)],
) -> Response:
    """One revision of a statement; it never changes."""
    with request.app.state.stores.book() as connection:
        instance = find_book(connection)["instance"]
        row = find_statement(connection, line, plant_day.isoformat(), shift, revision)
    headers = {"cache-control": FOR_EVER, "link": ", ".join(_links(row))}
    return _one(wanted, instance, row, headers)


@router.get("/{line:path}/{plant_day}/{shift}", response_model=statements.Statement, responses=FILES)
def show_statement(
    request: Request,
    wanted: WantedParameters,
    line: LineName,
    plant_day: DayOfPlant,
    shift: ShiftName,
    require: Require = None,
) -> Response:
    """The latest revision of a statement. Headers: Link to its revisions and to the one before (RFC 5829)."""
    site: Site = request.app.state.site
    now = datetime.now(UTC)
    with request.app.state.stores.book() as connection:
        instance = find_book(connection)["instance"]
        try:
            row = _revisions(connection, site, line, plant_day, shift)[0]
        except NotInBook as error:
            planned = _planned(site, line, plant_day, shift)
            if planned is not None:
                never = before_the_book(line, planned, book_began(connection, site)[line])
                insist(require, False, [str(error)], [] if never else [planned.ends_at], now)
            raise
    insist(require, True, json.loads(row["reasons"]), [], now)
    return _one(wanted, instance, row, {"link": ", ".join(_links(row))})


def read_since(cursor: str | None, book: Record, name: str, where: str = "query") -> int:
    """The commit number in a cursor of the revisions; 0 where there is none.

    Args: name, where: of the cursor in the request. Raises: Problem: no cursor of the revisions (422); one of
    another book, or in this one's future (410).
    """
    key = read_cursor(cursor, book["instance"], SINCE, (number,), name, PULL_ANEW, where)
    (since,) = key or (0,)
    if since > book["commit_number"]:
        says = f"the {name} is from further ahead than the book has come: it was restored from a backup"
        raise Problem("book-replaced", f"{says}; {PULL_ANEW}", book=book["instance"])
    return int(since)


# ---- what is not there -------------------------------------------------------------------------------------


def _missing(
    connection: Connection, site: Site, lines: Sequence[str], plant_day: date | None, now: datetime
) -> Iterator[tuple[str, datetime | None]]:
    """Shifts without a statement, in words, and when each ends (None: it never has one): of a plant day; or
    of each line the next, if that is over, and the first, while none is closed."""
    spans = find_stated_spans(connection)
    readings = expected_readings(connection, site)
    began = book_began(connection, site)
    for line in lines:
        plan = site.plan(line)
        _, end = spans.get(line, (None, None))
        if plant_day is not None:
            wanted = plan.of_day(plant_day)
        elif end is not None:
            wanted = [each for each in [plan.occurrence_at(end)] if each.ends_at <= now]
        else:
            wanted = [plan.occurrence_at(began[line])]
        for each in wanted:
            if never := before_the_book(line, each, began[line]):
                yield never, None
            elif end is None or each.ends_at > end:
                yield why_not_closed(line, each, readings, now), each.ends_at


def why_not_closed(line: str, shift: Occurrence, readings: Sequence[Reading], now: datetime) -> str:
    """Of a shift without a statement, in a sentence. Args: readings: those that are expected."""
    name = f"{line}, {shift.plant_day}, {shift.shift}"
    late = waited_for(line, shift, readings)
    if now < shift.ends_at:
        return f"{name}: it is not over"
    return (
        f"{name}: it is not closed; it waits for {', '.join(late)}"
        if late
        else f"{name}: it is not closed yet"
    )


def waited_for(line: str, shift: Occurrence, readings: Sequence[Reading]) -> list[str]:
    """Controllers that were not read through to its end."""
    return [each.controller for each in readings if each.line == line and not each.is_through(shift.ends_at)]


def insist(
    require: str | None, closed: bool, reasons: Sequence[str], ends: Sequence[datetime], now: datetime
) -> None:
    """Raises: Problem: 409, when less is there than was required, with when to ask again, unless what is not
    closed never will be.

    Args: ends: of the shifts that will be closed.
    """
    if require is None or (closed and (require == "closed" or not reasons)):
        return
    waits_s = max(((each - now).total_seconds() for each in ends), default=0.0)
    retry_s = round(min(max(waits_s, SOON_S), LATEST_S))
    kind = "not-complete" if closed else "not-closed"
    headers = {"retry-after": str(retry_s)} if closed or ends else {}
    raise Problem(kind, "; ".join(reasons), headers=headers, reasons=list(reasons))


def _revisions(connection: Connection, site: Site, line: str, plant_day: date, shift: str) -> list[Row]:
    """Newest first. Raises: NotInBook: there is none, with why."""
    rows = find_revisions(connection, line, plant_day.isoformat(), shift)
    if rows:
        return rows
    planned = _planned(site, line, plant_day, shift)
    if line not in site.lines:
        raise NotInBook(f"there is no line {line!r}; there are {', '.join(site.lines)}")
    if planned is None:
        names = ", ".join(each.shift for each in site.plan(line).of_day(plant_day))
        raise NotInBook(f"plant day {plant_day} of line {line!r} has no shift {shift!r}; it has {names}")
    never = before_the_book(line, planned, book_began(connection, site)[line])
    raise NotInBook(never or f"{shift} of {plant_day} on line {line!r} is not closed")


def _planned(site: Site, line: str, plant_day: date, shift: str) -> Occurrence | None:
    if line not in site.lines:
        return None
    return next((each for each in site.plan(line).of_day(plant_day) if each.shift == shift), None)


# ---- parts of the answer -----------------------------------------------------------------------------------


def _one(wanted: Wanted, instance: str, row: Mapping[str, Any], headers: dict[str, str]) -> Response:
    item = _shape(row)
    if wanted.is_file:
        name = f"statement-{row['line']}-{row['plant_day']}-{row['shift']}-r{row['revision']}"
        return wanted.file(name, COLUMNS, _flat(item), [item], headers=headers, book=instance)
    return wanted.negotiated(cacheable(wanted.request, _tag(instance, row), item, headers=headers))


def _shape(row: Mapping[str, Any]) -> dict[str, Any]:
    body: dict[str, Any] = json.loads(row["body"])
    return body | {"hash": row["hash"]}


def _flat(item: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """A statement as rows of a file; zero is a result too."""
    shared = {name: item[name] for name in OF_STATEMENT} | {"commit": int(item["commit"])}
    shared |= {name: parse_rfc3339(item[name]) for name in ("begins_at", "ends_at", "closed_at")}
    for row in item["rows"] or [NOTHING]:
        yield {
            **shared,
            **{name: row[name] for name in OF_ROW},
            **{column: row["tool"][name] for column, name in TOOL_NAMES.items()},
            **{f"result_{each}": row["by_result"].get(each, 0) for each in RESULTS},
            **{f"completion_{each}": row["by_completion"].get(each, 0) for each in COMPLETIONS},
        }


def _tag(instance: str, row: Mapping[str, Any]) -> str:
    return entity_tag(instance, "statement", row["commit_number"])


def _key(row: Row) -> tuple[str, str, datetime]:
    return row["plant_day"], row["line"], row["begins_at"]


def _name(row: Mapping[str, Any]) -> str:
    return f"{row['line']}, {row['plant_day']}, {row['shift']}"


def address(row: Mapping[str, Any]) -> str:
    """Of that revision."""
    return f"{_latest(row)}/revisions/{row['revision']}"


def _latest(row: Mapping[str, Any]) -> str:
    line, shift = quote(row["line"]), quote(row["shift"], safe="")
    return f"/v1/statements/{line}/{row['plant_day']}/{shift}"


def _links(row: Mapping[str, Any]) -> Iterator[str]:
    """RFC 5829, section 3."""
    yield f'<{_latest(row)}/revisions>; rel="version-history"'
    yield f'<{_latest(row)}>; rel="latest-version"'
    if row["revision"] > 1:
        yield f'<{_latest(row)}/revisions/{row["revision"] - 1}>; rel="predecessor-version"'
