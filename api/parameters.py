"""What can stand in an address: types that refuse with a sentence, and nothing else."""

import re
from collections import Counter
from collections.abc import Iterable, Mapping
from datetime import date, datetime
from difflib import get_close_matches
from typing import Annotated, Any, Literal

from fastapi import FastAPI, Path, Query, Request
from pydantic import AfterValidator, BeforeValidator, StringConstraints, WithJsonSchema

from api.problems import Problem
from collector.model import Category, Completion, Result
from collector.rfc3339 import parse_rfc3339

ISO_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
FIRST_YEAR, LAST_YEAR = 1970, 2999
"""What lies beyond is a slip of the finger, and the plant's zone can't shift the ends of the calendar."""
DAY = r"(19[7-9]|2[0-9]{2})[0-9]-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])"
TIME = r"([01][0-9]|2[0-3]):[0-5][0-9]"
INSTANT = rf"{DAY}[Tt]{TIME}:[0-5][0-9](\.[0-9]+)?([Zz]|[+-]{TIME})"
"""As the document shows them; a leap second is taken as well."""
NO_NUL = r"^[^\x00]*$"


def _instant(said: Any) -> datetime:
    if not isinstance(said, str):
        raise ValueError("must be an RFC 3339 date-time in text, such as 2026-11-24T06:00:00Z")
    if " " in said:
        raise ValueError("must not have a blank in it; in an address, + is written %2B")
    at = parse_rfc3339(said)
    _known_year(int(said[:4]))
    return at


def _day(said: Any) -> date:
    try:
        day = date.fromisoformat(said) if isinstance(said, str) and ISO_DATE.fullmatch(said) else None
    except ValueError:
        day = None
    if day is None:
        raise ValueError("must be a date such as 2026-11-24")
    _known_year(day.year)
    return day


def _known_year(year: int) -> None:
    if not FIRST_YEAR <= year <= LAST_YEAR:
        raise ValueError(f"must lie in the years {FIRST_YEAR} to {LAST_YEAR}")


def storable(said: str) -> str:
    """Text that every database takes. Raises: ValueError."""
    if "\0" in said:
        raise ValueError("must not have a NUL in it")
    try:
        said.encode("utf-8")
    except UnicodeEncodeError:
        raise ValueError("must be text that UTF-8 can write") from None
    return said


def named(said: str) -> str:
    """Without the blanks around it. Raises: ValueError: nothing is left."""
    if not (name := said.strip()):
        raise ValueError("must not be empty")
    return name


Instant = Annotated[
    datetime,
    BeforeValidator(_instant),
    WithJsonSchema({"type": "string", "format": "date-time", "pattern": f"^{INSTANT}$"}),
]
"""RFC 3339, with an offset; becomes UTC."""
Day = Annotated[
    date,
    BeforeValidator(_day),
    WithJsonSchema({"type": "string", "format": "date", "pattern": f"^{DAY}$"}),
]
"""ISO 8601 calendar date; which stretch of time it is, the plant's zone says."""
Text = Annotated[str, AfterValidator(storable), WithJsonSchema({"type": "string", "pattern": NO_NUL})]
Person = Annotated[
    str,
    StringConstraints(max_length=200),
    AfterValidator(storable),
    AfterValidator(named),
    WithJsonSchema(
        {"type": "string", "maxLength": 200, "pattern": r"^[^\x00]*[^\s\x00\x1c-\x1f\x85][^\x00]*$"}
    ),
]
"""Who did something, in their own words; blanks around it are left out."""
Remark = Annotated[
    str,
    StringConstraints(max_length=2000),
    AfterValidator(storable),
    WithJsonSchema({"type": "string", "maxLength": 2000, "pattern": NO_NUL}),
]


def listed(words: Iterable[str], **more: Any) -> WithJsonSchema:
    """How the document shows a text that is a list of these words, with commas between."""
    of_words = {"type": "string", "enum": list(words)}
    return WithJsonSchema({"type": "array", "items": of_words, "minItems": 1, **more})


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
