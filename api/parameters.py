"""What can stand in an address: types that refuse with a sentence, and nothing else."""

import re
from collections import Counter
from collections.abc import Mapping
from datetime import date, datetime
from difflib import get_close_matches
from typing import Annotated, Any, Literal

from fastapi import FastAPI, Path, Query, Request
from pydantic import AfterValidator, BeforeValidator, WithJsonSchema

from api.problems import Problem
from collector.model import Category, Completion, Result
from collector.rfc3339 import parse_rfc3339

ISO_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
FIRST_DAY, LAST_DAY = date(1970, 1, 1), date(9998, 12, 31)


def _instant(said: Any) -> datetime:
    if not isinstance(said, str):
        raise ValueError("must be an RFC 3339 date-time in text, such as 2026-11-24T06:00:00Z")
    if " " in said:
        raise ValueError("must not have a blank in it; in an address, + is written %2B")
    return parse_rfc3339(said)


def _day(said: Any) -> date:
    try:
        day = date.fromisoformat(said) if ISO_DATE.fullmatch(said) else None
    except ValueError:
        day = None
    if day is None or not FIRST_DAY <= day <= LAST_DAY:
        raise ValueError("must be a date such as 2026-11-24")
    return day


def storable(said: str) -> str:
    """Text that every database takes. Raises: ValueError."""
    if "\0" in said:
        raise ValueError("must not have a NUL in it")
    try:
        said.encode("utf-8")
    except UnicodeEncodeError:
        raise ValueError("must be text that UTF-8 can write") from None
    return said


Instant = Annotated[
    datetime, BeforeValidator(_instant), WithJsonSchema({"type": "string", "format": "date-time"})
]
"""RFC 3339, with an offset; becomes UTC."""
Day = Annotated[date, BeforeValidator(_day), WithJsonSchema({"type": "string", "format": "date"})]
"""ISO 8601 calendar date; which stretch of time it is, the plant's zone says."""
Text = Annotated[str, AfterValidator(storable)]

Serial = Annotated[Text, Path(description="Serial number of the tool.")]
Maker = Annotated[Text | None, Query(description="Needed where two makers share the serial number.")]
Model = Annotated[
    Text | None, Query(description="Needed where one maker has two models of that serial number.")
]
ControllerName = Annotated[Text | None, Query(description="Only of this controller.")]
Since = Annotated[Instant | None, Query(description="From this instant on (RFC 3339 with an offset).")]
Until = Annotated[Instant | None, Query(description="Before this instant (RFC 3339 with an offset).")]
From = Annotated[
    Instant | None, Query(alias="from", description="From this instant on (RFC 3339 with an offset).")
]
To = Annotated[
    Instant | None, Query(alias="to", description="Before this instant (RFC 3339 with an offset).")
]
ResultFilter = Annotated[Result | None, Query(description="Only cycles that the controller judged so.")]
CompletionFilter = Annotated[Completion | None, Query(description="Only cycles that ended so.")]
ToolFilter = Annotated[
    Text | None, Query(description="Only faults while this tool was mounted: its serial number.")
]
CategoryFilter = Annotated[Category | None, Query(description="Only faults of this category.")]
FaultState = Annotated[Literal["open", "cleared"] | None, Query(description="`open`: not cleared yet.")]


def mistake(name: str, says: str) -> Problem:
    """A mistake in the query that no single type can see."""
    return Problem("invalid-request", says, mistakes=[{"where": "query", "name": name, "says": says}])


def in_order(since: Any, until: Any, names: tuple[str, str] = ("since", "until")) -> None:
    """Raises: Problem: the interval would end before it begins."""
    if since is not None and until is not None and until < since:
        raise mistake(names[1], f"{names[1]} must not be before {names[0]}")


async def only_known_parameters(request: Request) -> None:
    """A misspelt filter would otherwise be a filter that is not applied, and the numbers wrong unnoticed.

    Raises: Problem: a parameter that the resource has not got, or one that is there twice.
    """
    known = request.app.state.known_parameters.get(request.scope["route"].path_format, frozenset())
    given = Counter(name for name, _ in request.query_params.multi_items())
    mistakes = [
        {
            "where": "query",
            "name": name,
            "says": _unknown(name, known) if name not in known else f"{name} is there twice",
        }
        for name, times in given.items()
        if name not in known or times > 1
    ]
    if mistakes:
        raise Problem("invalid-request", "; ".join(each["says"] for each in mistakes), mistakes=mistakes)


def _unknown(name: str, known: frozenset[str]) -> str:
    close = get_close_matches(name.lower(), known, n=1)
    if close:
        return f"{name} is not known here; did you mean {close[0]}?"
    return f"{name} is not known here; known: {', '.join(sorted(known)) or 'no parameters at all'}"


def known_parameters(app: FastAPI) -> Mapping[str, frozenset[str]]:
    """Path -> its query parameters, both as the OpenAPI document has them."""
    return {
        path: frozenset(
            each["name"]
            for operation in operations.values()
            for each in operation.get("parameters", ())
            if each["in"] == "query"
        )
        for path, operations in app.openapi()["paths"].items()
    }
