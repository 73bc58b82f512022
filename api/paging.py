"""Paging by key: a cursor says after which row the next page begins, and of which book it speaks.

It is opaque to the asker: url-safe text without meaning of its own. A cursor of another instance of the book
(it was restored from a backup since) is refused with 410, because rows that it would skip may never have been
given.
"""

import base64
import binascii
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Annotated, Any
from urllib.parse import urlencode

import orjson
from fastapi import Query, Request, Response
from pydantic import WithJsonSchema

from api.answers import answer
from api.problems import Problem, path_as_sent
from collector.store.tables import from_us, to_us

USUAL, MOST = 100, 1000
Last = Annotated[int, Query(ge=1, le=MOST, description="How many, newest first.")]
CursorText = Annotated[str, WithJsonSchema({"type": "string", "pattern": "^[A-Za-z0-9_-]+$"})]
AfterText = Annotated[str, WithJsonSchema({"type": "string", "pattern": "^[A-Za-z0-9_-]*$"})]
"""A cursor, or nothing: from the first on."""
CursorParameter = Annotated[
    CursorText | None, Query(description="`next` of the page before. All other parameters stay the same.")
]

Row = dict[str, Any]

# ---- the parts of a key, as a cursor carries them ----------------------------------------------------------


def number(part: object) -> int:
    if not isinstance(part, int) or not 0 <= part < 2**63:
        raise ValueError
    return part


def signed_number(part: object) -> int:
    if not isinstance(part, int) or not -(2**63) <= part < 2**63:
        raise ValueError
    return part


def word(part: object) -> str:
    if not isinstance(part, str) or "\0" in part:
        raise ValueError
    return part


def instant(part: object) -> datetime:
    if not isinstance(part, int):
        raise ValueError
    return from_us(part)


# ---- cursors -----------------------------------------------------------------------------------------------


def make_cursor(instance: str, kind: str, key: Sequence[datetime | int | str]) -> str:
    parts = [to_us(part) if isinstance(part, datetime) else part for part in key]
    return base64.urlsafe_b64encode(orjson.dumps([instance, kind, *parts])).rstrip(b"=").decode("ascii")


def read_cursor(
    cursor: str | None,
    instance: str,
    kind: str,
    shape: Sequence[Callable[[object], Any]],
    name: str = "cursor",
    advice: str = "begin again without it",
    where: str = "query",
) -> list[Any] | None:
    """The key in it, each part read by its function in `shape`; None where there is no cursor.

    Args: advice: what to do with one of another book.

    Raises: Problem: no cursor of this list (422), or one of another book (410).
    """
    if cursor is None:
        return None
    try:
        parts = orjson.loads(
            base64.b64decode(cursor + "=" * (-len(cursor) % 4), altchars=b"-_", validate=True)
        )
        if not isinstance(parts, list) or parts[1:2] != [kind]:
            raise ValueError
        key = [read(part) for read, part in zip(shape, parts[2:], strict=True)]
    except (binascii.Error, ValueError, OverflowError):
        says = f"{name} is not from this list; take `next` of the page before as it is"
        raise Problem(
            "invalid-request", says, mistakes=[{"where": where, "name": name, "says": says}]
        ) from None
    if parts[0] != instance:
        says = (
            f"the {name} is from another book, or from before this one was restored from a backup; {advice}"
        )
        raise Problem("book-replaced", says, book=instance)
    return key


def cut(
    rows: list[Row],
    last: int,
    instance: str,
    kind: str,
    key_of: Callable[[Row], Sequence[datetime | int | str]],
) -> tuple[list[Row], str | None]:
    """A page, and the cursor of the next; `rows` hold one more than fits where there is a next."""
    if len(rows) <= last:
        return rows, None
    return rows[:last], make_cursor(instance, kind, key_of(rows[last - 1]))


def page(request: Request, items: Sequence[Any], cursor: str | None, **envelope: Any) -> Response:
    """A list with its `next`, in the body and as a Link (RFC 8288). `next` is null on the last page."""
    body, headers = page_parts(request, items, cursor, **envelope)
    return answer(body, headers=headers)


def page_parts(
    request: Request, items: Sequence[Any], cursor: str | None, parameter: str = "cursor", **envelope: Any
) -> tuple[dict[str, Any], dict[str, str]]:
    """Body and headers of a page, for a list that has headers of its own."""
    return {**envelope, "items": items, "next": cursor}, link_to_next(request, cursor, parameter)


def link_to_next(request: Request, cursor: str | None, parameter: str = "cursor") -> dict[str, str]:
    """The header Link (RFC 8288) to the next page; nothing on the last."""
    if cursor is None:
        return {}
    others = [(name, value) for name, value in request.query_params.multi_items() if name != parameter]
    address = f"{path_as_sent(request.scope)}?{urlencode([*others, (parameter, cursor)])}"
    return {"link": f'<{address}>; rel="next"'}
