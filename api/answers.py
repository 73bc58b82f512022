"""Answers as bytes: orjson writes them, the response models describe them in the OpenAPI document.

64-bit counters and sequences of controllers travel as text, since many readers hold JSON numbers in a double
(RFC 8785, section 3.1); instants in UTC with Z; NaN, which JSON does not know, as null.
"""

from typing import Any

import orjson
from fastapi import Request, Response
from pydantic import BaseModel

JSON = "application/json"
TAG_VERSION = "1"
"""Counts up when a resource that carries an entity tag changes its representation."""

ENTITY_TAG = {"description": "Entity tag (RFC 9110).", "schema": {"type": "string", "pattern": '^"'}}
LOCATION = {"schema": {"type": "string", "format": "uri-reference"}}
SECONDS = {"schema": {"type": "integer", "minimum": 0}}
UNCHANGED: dict[int | str, dict[str, Any]] = {
    304: {"description": "As the asker has it: no body", "headers": {"ETag": ENTITY_TAG | {"required": True}}}
}
CACHEABLE: dict[int | str, dict[str, Any]] = {
    200: {"headers": {"ETag": ENTITY_TAG | {"required": True}}},
    **UNCHANGED,
}
"""What a resource that answers with `cacheable` says of that in the OpenAPI document."""


def answer(
    body: Any, *, status: int = 200, headers: dict[str, str] | None = None, media_type: str = JSON
) -> Response:
    encoded = orjson.dumps(body, option=orjson.OPT_UTC_Z | orjson.OPT_SERIALIZE_NUMPY)
    return Response(encoded, status_code=status, headers=headers, media_type=media_type)


def text_of(number: int | None) -> str | None:
    """A 64-bit number as JSON carries it here."""
    return None if number is None else str(number)


def recording(model: type[BaseModel]) -> dict[int | str, dict[str, Any]]:
    """What an operation that records something, once, says of its answers in the OpenAPI document."""
    where = {"Location": LOCATION | {"required": True}}
    return {
        201: {"description": "Recorded", "headers": where},
        200: {"description": "It stands there already", "headers": where, "model": model},
    }


def entity_tag(instance: str, *parts: object) -> str:
    """Strong tag of a resource that does not change within one book: a restored book is another instance."""
    return '"' + "-".join([instance[:13], *(str(part) for part in parts), TAG_VERSION]) + '"'


def is_fresh(request: Request, tag: str) -> bool:
    """Does the asker have it already? (RFC 9110, section 13.1.2: weak comparison, or `*`.)"""
    said = request.headers.get("if-none-match")
    if said is None:
        return False
    return said.strip() == "*" or tag in (each.strip().removeprefix("W/") for each in said.split(","))


def cacheable(request: Request, tag: str, body: Any, *, headers: dict[str, str] | None = None) -> Response:
    """With its tag; 304 without a body where the asker has it. `no-cache` means "ask again before using it":
    after the book was restored from a backup, the same address can mean another cycle."""
    every = {"etag": tag, "cache-control": "private, no-cache"} | (headers or {})
    if is_fresh(request, tag):
        return Response(status_code=304, headers=every)
    return answer(body, headers=every)
