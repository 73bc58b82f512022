"""Lists as files: CSV for spreadsheets and bulk loaders, NDJSON for programs, Parquet for a warehouse.

CSV after RFC 4180: UTF-8 without a byte order mark, commas, CRLF, a header of field names with their units;
instants in UTC with Z, what is unknown as nothing. A text that a spreadsheet would take for a formula gets an
apostrophe in front; numbers and instants stay as they are. NDJSON has an item a line, each as it is in JSON.

A file is made before its first byte goes out, so it tells its length, its digest (RFC 9530) and a strong
entity tag: one that was cut on its way can't pass for a short one. It holds all that was asked for, or, with
`last`, that many and a Link to the next; where all is more than `MOST_ROWS`, nothing is cut silently.
"""

import asyncio
import base64
import csv
import hashlib
import re
from collections.abc import AsyncIterator, Iterable, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import datetime
from io import BytesIO, TextIOWrapper
from math import isnan
from typing import Annotated, Any, BinaryIO, Literal

import orjson
from fastapi import Depends, Query, Request, Response

from api.answers import ENTITY_TAG, JSON, UNCHANGED, is_fresh
from api.paging import MOST, USUAL, link_to_next
from api.parameters import mistake
from api.parquet_export import Column, write_parquet
from api.problems import Problem
from collector.rfc3339 import format_rfc3339

CSV, NDJSON, PARQUET = "text/csv", "application/x-ndjson", "application/vnd.apache.parquet"
MEDIA_TYPES: Mapping[str, str] = {
    "csv": f"{CSV}; charset=utf-8; header=present",
    "ndjson": NDJSON,
    "parquet": PARQUET,
}
OF_CONTENT = frozenset({"content-disposition", "repr-digest"})
"""Headers that a 304 has not got."""
FORMULA_BEGINS = ("=", "+", "-", "@", "\t", "\r")
BYTE_ORDER_MARK = "\ufeff"
TURN_WITHIN_S = 10.0
"""How long a file waits for others to be done."""
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
LAST = f"How many; in JSON {USUAL} usually and {MOST} at most, in a file all usually."
LastOfFile = Annotated[int | None, Query(ge=1, le=MOST_ROWS, description=LAST)]
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
            case "parquet":
                content = write_parquet(columns, rows, {"list": name, **about})
            case _:
                content = write_ndjson(items)
        more = {**(headers or {}), **link_to_next(self.request, following, parameter)}
        headers = file_headers(self.format, name, hashlib.sha256(content).digest()) | {
            "vary": "accept",
            **more,
        }
        if is_fresh(self.request, headers["etag"]):
            return unchanged(headers)
        return Response(content, media_type=MEDIA_TYPES[self.format], headers=headers)


def file_headers(format: str, name: str, sha256: bytes) -> dict[str, str]:
    """Of a file: tag, digest (RFC 9530), and a name that every file system takes."""
    plain = re.sub(r"[^A-Za-z0-9._-]+", "-", name)
    return {
        "etag": f'"{format}-{sha256.hex()[:32]}"',
        "cache-control": "private, no-cache",
        "content-disposition": f'attachment; filename="{plain}.{format}"',
        "repr-digest": repr_digest(sha256),
    }


def repr_digest(sha256: bytes) -> str:
    """The header of RFC 9530."""
    return f"sha-256=:{base64.b64encode(sha256).decode('ascii')}:"


def unchanged(headers: Mapping[str, str]) -> Response:
    """304: the asker has the file."""
    kept = {name: value for name, value in headers.items() if name not in OF_CONTENT}
    return Response(status_code=304, headers=kept)


async def _wanted(
    request: Request, asked: FormatParameter = None, bom: MarkParameter = "0"
) -> AsyncIterator[Wanted]:
    wanted = Wanted(request, format_for(request, asked), bom == "1")
    if not wanted.is_file:
        yield wanted
        return
    async with _turn(request.app.state.files):
        yield wanted


@asynccontextmanager
async def _turn(files: asyncio.Semaphore) -> AsyncIterator[None]:
    """From before the first row is read until the file is sent: so long it takes memory.

    Raises: Problem: too many others are made, and none was done in time.
    """
    try:
        async with asyncio.timeout(TURN_WITHIN_S):
            await files.acquire()
    except TimeoutError:
        says = "as many files are being made as there may be at once ([api] files_at_once of the site file)"
        raise Problem("too-many-files", says) from None
    try:
        yield
    finally:
        files.release()


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
    file = BytesIO()
    write_csv_to(file, columns, rows, has_mark=has_mark)
    return file.getvalue()


def write_csv_to(
    file: BinaryIO, columns: Sequence[Column], rows: Iterable[Row], *, has_mark: bool = False
) -> None:
    """One row after the other."""
    text = TextIOWrapper(file, encoding="utf-8", newline="")
    try:
        if has_mark:
            text.write(BYTE_ORDER_MARK)
        names = [column.name for column in columns]
        writer = csv.writer(text, lineterminator="\r\n")
        writer.writerow(names)
        writer.writerows([cell(row[name]) for name in names] for row in rows)
    finally:
        text.detach()  # flushes; else the file would be closed with it


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
    file = BytesIO()
    write_ndjson_to(file, items)
    return file.getvalue()


def write_ndjson_to(file: BinaryIO, items: Iterable[Any]) -> None:
    """One item after the other."""
    option = orjson.OPT_UTC_Z | orjson.OPT_APPEND_NEWLINE
    for item in items:
        file.write(orjson.dumps(item, option=option))
