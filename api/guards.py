"""What a request has to pass before a resource sees it. Plain ASGI: it costs a few look-ups, no task.

`LoopbackNames`: a page of a foreign site can make a browser ask this API under the foreign name, once that
name's address was changed to 127.0.0.1 (DNS rebinding); so only the loopback's own names are served.
`JsonBodies`: what is not GET must be JSON. A browser then asks for leave first (CORS preflight), which nobody
gets here: a form on a foreign page can record nothing.
"""

from collections.abc import Mapping
from ipaddress import ip_address
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.problems import problem

LARGEST_BODY = 64 * 1024
WITHOUT_BODY = frozenset({"GET", "HEAD", "OPTIONS", "DELETE", "TRACE"})


def is_loopback(host: str) -> bool:
    """Is that the name or address of this machine's loopback?"""
    if host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


class LoopbackNames:
    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or is_loopback(_host(Headers(scope=scope))):
            await self.app(scope, receive, send)
            return
        says = "this API answers to 127.0.0.1, [::1] and localhost only"
        await problem(scope, "wrong-host", says)(scope, receive, send)


class JsonBodies:
    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["method"] in WITHOUT_BODY:
            await self.app(scope, receive, send)
            return
        if _media_type(Headers(scope=scope)) != "application/json":
            refusal = problem(scope, "not-json", "send JSON with Content-Type: application/json")
            await refusal(scope, receive, send)
            return
        body = await _read(receive)
        if body is None:
            says = f"the body may have at most {LARGEST_BODY} bytes"
            await problem(scope, "too-large", says)(scope, receive, send)
            return
        await self.app(scope, _replay(body, receive), send)


def _host(headers: Mapping[str, str]) -> str:
    """Without the port; "" where there is none or it makes no sense."""
    try:
        return urlsplit(f"//{headers.get('host', '')}").hostname or ""
    except ValueError:
        return ""


def _media_type(headers: Mapping[str, str]) -> str:
    return headers.get("content-type", "").split(";")[0].strip().lower()


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
