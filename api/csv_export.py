"""Lists as files: CSV for spreadsheets and bulk loaders, NDJSON for programs, Parquet for a warehouse.

CSV after RFC 4180: UTF-8 without a byte order mark, commas, CRLF, a header of field names with their units;
instants in UTC with Z, what is unknown as nothing. A text that a spreadsheet would take for a formula gets an
apostrophe in front; numbers and instants stay as they are. NDJSON has an item a line, each as it is in JSON.

A file is made before its first byte goes out, so it tells its length, its digest (RFC 9530) and a strong
entity tag: one that was cut on its way can't pass for a short one. It holds all that was asked for, or, with
`last`, that many and a Link to the next; where all is more than `MOST_ROWS`, nothing is cut silently.
"""

import base64
import csv
import hashlib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from io import BytesIO, StringIO
from math import isnan
from typing import Annotated, Any, Literal

import orjson
from fastapi import Depends, Query, Request, Response

from api.answers import ENTITY_TAG, JSON, UNCHANGED, is_fresh
from api.paging import MOST, USUAL, link_to_next
from api.parameters import mistake
from api.parquet_export import Column, write_parquet
from collector.rfc3339 import format_rfc3339

CSV, NDJSON, PARQUET = "text/csv", "application/x-ndjson", "application/vnd.apache.parquet"
FORMULA_BEGINS = ("=", "+", "-", "@", "\t", "\r")
BYTE_ORDER_MARK = "\ufeff"
MOST_ROWS = 200_000
"""Of a file: of cycles, these take some 600 MB of memory while it is made."""

Row = Mapping[str, Any]
Format = Literal["json", "csv", "ndjson", "parquet"]
FormatParameter = Annotated[
    Format | None,
    Query(alias="format", description="Goes before the header Accept. Usually json; the others are files."),
]
MarkParameter = Annotated[
    Literal["0", "1"], Query(description="1: a CSV begins with a byte order mark, as some spreadsheets want.")
]
LastOfFile = Annotated[
    int | None,
    Query(
        ge=1,
        le=MOST_ROWS,
        description=f"How many; in JSON {USUAL} usually and {MOST} at most, in a file all usually.",
    ),
]
FORMAT_OF: Mapping[str, Format] = {
    JSON: "json",
    CSV: "csv",
    NDJSON: "ndjson",
    PARQUET: "parquet",
    "*/*": "json",
}
FILES: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The list, or a file of it",
        "content": {
            CSV: {"schema": {"type": "string"}},
            NDJSON: {"schema": {"type": "string"}},
            PARQUET: {"schema": {"type": "string", "format": "binary"}},
        },
        "headers": {
            "ETag": ENTITY_TAG,
            "Content-Disposition": {"schema": {"type": "string", "pattern": "^attachment; filename="}},
            "Repr-Digest": {"schema": {"type": "string", "pattern": "^sha-256=:[A-Za-z0-9+/]{43}=:$"}},
        },
    },
    **UNCHANGED,
}
"""What a resource that is to be had as a file says of its answers in the OpenAPI document."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """How the asker wants a list."""

    request: Request
    format: Format
    has_mark: bool

    @property
    def is_file(self) -> bool:
        return self.format != "json"

    def size(self, last: int | None, most: int = MOST_ROWS) -> int:
        """How many items an answer has at most. Raises: Problem: more than there can be on a page of JSON."""
        limit = most if self.is_file else MOST
        if last is not None and last > limit:
            raise mistake("last", f"last must be at most {limit}")
        return last or (most if self.is_file else USUAL)

    def negotiated(self, response: Response) -> Response:
        """The answer in JSON, marked as one of several that the address has."""
        response.headers.add_vary_header("accept")
        return response

    def file(
        self,
        name: str,
        columns: Sequence[Column],
        rows: Iterable[Row],
        items: Iterable[Any],
        *,
        last: int | None = None,
        following: str | None = None,
        parameter: str = "cursor",
        headers: Mapping[str, str] | None = None,
        **about: str,
    ) -> Response:
        """The file, or 304 where the asker has it.

        Args: rows: for CSV and Parquet, each with the columns; items: for NDJSON; last, following: how many
        were asked for, and the cursor of the next; headers: more of them; about: for Parquet's metadata.
        Raises: Problem: there are more rows than a file can have, or Parquet can't be written here.
        """
        if following is not None and last is None:
            says = "this would be a file of too many rows: ask for a shorter time, or page by page with last"
            raise mistake("last", says)
        match self.format:
            case "csv":
                content = write_csv(columns, rows, has_mark=self.has_mark)
                media_type = f"{CSV}; charset=utf-8; header=present"
            case "parquet":
                content = write_parquet(columns, rows, {"list": name, **about})
                media_type = PARQUET
            case _:
                content, media_type = write_ndjson(items), NDJSON
        more = {**(headers or {}), **link_to_next(self.request, following, parameter)}
        return self._answer(content, media_type, name, more)

    def _answer(self, content: bytes, media_type: str, name: str, more: Mapping[str, str]) -> Response:
        digest = hashlib.sha256(content)
        headers = {
            "etag": f'"{self.format}-{digest.hexdigest()[:32]}"',
            "cache-control": "private, no-cache",
            "vary": "accept",
            **more,
        }
        if is_fresh(self.request, headers["etag"]):
            return Response(status_code=304, headers=headers)
        plain = re.sub(r"[^A-Za-z0-9._-]+", "-", name)  # a name that every file system takes
        headers["content-disposition"] = f'attachment; filename="{plain}.{self.format}"'
        headers["repr-digest"] = f"sha-256=:{base64.b64encode(digest.digest()).decode('ascii')}:"
        return Response(content, media_type=media_type, headers=headers)


async def _wanted(request: Request, asked: FormatParameter = None, bom: MarkParameter = "0") -> Wanted:
    return Wanted(request, format_for(request, asked), bom == "1")


WantedParameters = Annotated[Wanted, Depends(_wanted)]


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


def write_csv(columns: Sequence[Column], rows: Iterable[Row], *, has_mark: bool = False) -> bytes:
    file = StringIO(newline="")
    if has_mark:
        file.write(BYTE_ORDER_MARK)
    names = [column.name for column in columns]
    writer = csv.writer(file, lineterminator="\r\n")
    writer.writerow(names)
    writer.writerows([cell(row[name]) for name in names] for row in rows)
    return file.getvalue().encode("utf-8")


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


def write_ndjson(items: Iterable[Any]) -> bytes:
    option = orjson.OPT_UTC_Z | orjson.OPT_APPEND_NEWLINE
    file = BytesIO()
    for item in items:
        file.write(orjson.dumps(item, option=option))
    return file.getvalue()
