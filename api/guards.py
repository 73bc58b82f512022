"""What holds for every request and answer, whoever asks. Plain ASGI: it costs a few look-ups, no task.

`SafeHeaders`: what tells a browser to take no answer for anything else than it is, and nobody to keep what
does not say that it may be kept.
`Bodies`: a body must be small, and come in time.
`only_json`: what an operation that is not GET takes must be JSON. A browser then asks for leave first (CORS
preflight), which nobody gets here: a form on a foreign page can record nothing.
"""

import asyncio
from collections.abc import Mapping

from fastapi import Request
from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.answers import JSON
from api.problems import Problem, problem

SAFE_HEADERS: Mapping[str, str] = {
    "cache-control": "no-store",
    "content-security-policy": "default-src 'none'; frame-ancestors 'none'",
    "cross-origin-resource-policy": "same-origin",
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
}
LARGEST_BODY = 64 * 1024
BODY_WITHIN_S = 10.0
WITHOUT_BODY = frozenset({"GET", "HEAD", "OPTIONS", "DELETE", "TRACE"})


class SafeHeaders:
    """Around everything, also what answers when all else has failed. What an answer says itself stays."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def add(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in SAFE_HEADERS.items():
                    headers.setdefault(name, value)
                headers.add_vary_header("authorization")
            await send(message)

        await self.app(scope, receive, add if scope["type"] == "http" else send)


class Bodies:
    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["method"] in WITHOUT_BODY:
            await self.app(scope, receive, send)
            return
        try:
            async with asyncio.timeout(BODY_WITHIN_S):
                body = await _read(receive)
        except TimeoutError:
            says = f"the body was not there after {BODY_WITHIN_S:.0f} s"
            await problem(scope, "too-slow", says, {"connection": "close"})(scope, receive, send)
            return
        if body is None:
            says = f"the body may have at most {LARGEST_BODY} bytes"
            await problem(scope, "too-large", says)(scope, receive, send)
            return
        await self.app(scope, _replay(body, receive), send)


async def only_json(request: Request) -> None:
    """A dependency of every operation. Raises: Problem: it takes a body, and this is no JSON."""
    media_type = request.headers.get("content-type", "").split(";")[0].strip().lower()
    if request.method not in WITHOUT_BODY and media_type != JSON:
        raise Problem("not-json", "send JSON with Content-Type: application/json")


async def _read(receive: Receive) -> bytes | None:
    """The whole body; None where it is too large, without reading the rest of it."""
    body = bytearray()
    while True:
        message = await receive()
        body += message.get("body", b"")
        if len(body) > LARGEST_BODY:
            return None
        if not message.get("more_body", False):
            return bytes(body)


def _replay(body: bytes, receive: Receive) -> Receive:
    """The body once more for the application, then what else the connection has to say."""
    told: list[Message] = [{"type": "http.request", "body": body, "more_body": False}]

    async def again() -> Message:
        return told.pop() if told else await receive()

    return again
