"""Lists as files: CSV for spreadsheets, NDJSON for programs.

CSV after RFC 4180: UTF-8 without a byte order mark, commas, CRLF, a header of field names with their units;
instants in UTC with Z, what is unknown as nothing. A text that a spreadsheet would take for a formula gets an
apostrophe in front; numbers and instants stay as they are.
"""

import csv
import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from io import StringIO
from math import isnan
from typing import Annotated, Any, Literal

import orjson
from fastapi import Query, Request, Response

from api.answers import JSON
from collector.rfc3339 import format_rfc3339

CSV, NDJSON = "text/csv", "application/x-ndjson"
FORMULA_BEGINS = ("=", "+", "-", "@", "\t", "\r")

Format = Literal["json", "csv", "ndjson"]
FormatParameter = Annotated[
    Format | None,
    Query(alias="format", description="Goes before the header Accept. csv and ndjson have no pages."),
]
FORMAT_OF: Mapping[str, Format] = {JSON: "json", CSV: "csv", NDJSON: "ndjson", "*/*": "json"}


def format_for(request: Request, asked: Format | None) -> Format:
    """What the asker wants: the parameter, or of the header Accept (RFC 9110, section 12.5.1) the media type
    with the greatest weight that is to be had. JSON where there is none: the header is a wish."""
    if asked is not None:
        return asked
    best: Format = "json"
    greatest = 0.0
    for each in request.headers.get("accept", "").split(","):
        media_type, *parameters = (part.strip().lower() for part in each.split(";"))
        weight = _weight(parameters)
        if media_type in FORMAT_OF and weight > greatest:
            best, greatest = FORMAT_OF[media_type], weight
    return best


def _weight(parameters: Iterable[str]) -> float:
    for each in parameters:
        if each.startswith("q="):
            return float(each[2:]) if re.fullmatch(r"[01](\.[0-9]{0,3})?", each[2:]) else 0.0
    return 1.0


def csv_answer(name: str, columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> Response:
    """The columns of the rows as a file: text, numbers, instants, flags, None."""
    file = StringIO(newline="")
    writer = csv.writer(file, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows([cell(row[column]) for column in columns] for row in rows)
    return _file(file.getvalue().encode("utf-8"), f"{CSV}; charset=utf-8; header=present", name, "csv")


def cell(value: Any) -> str:
    """A value as CSV has it, before quoting."""
    match value:
        case None:
            return ""
        case bool():
            return "true" if value else "false"
        case datetime():
            return format_rfc3339(value)
        case float():
            return "" if isnan(value) else repr(value)
        case str():
            return f"'{value}" if value.startswith(FORMULA_BEGINS) else value
        case _:
            return str(value)


def ndjson_answer(name: str, items: Iterable[Any]) -> Response:
    """An item a line, each as it is in JSON."""
    option = orjson.OPT_UTC_Z | orjson.OPT_APPEND_NEWLINE
    return _file(b"".join(orjson.dumps(item, option=option) for item in items), NDJSON, name, "ndjson")


def _file(content: bytes, media_type: str, name: str, extension: str) -> Response:
    """With its length (which the framework reckons), and a name that every file system takes."""
    plain = re.sub(r"[^A-Za-z0-9._-]+", "-", name)
    disposition = {"content-disposition": f'attachment; filename="{plain}.{extension}"'}
    return Response(content, media_type=media_type, headers=disposition)
