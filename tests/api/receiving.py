"""Receivers for the tests: one in the test itself, and an HTTP server on the loopback that obeys."""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import orjson
from fastapi import FastAPI

from api.push.events import Event
from api.push.receiver import Receiver
from api.push.sender import Sender
from api.stores import Stores
from collector.store.deliveries import note_attempt, put_aside
from collector.store.desk import record_acknowledgement, record_service
from collector.store.feed import KINDS, Reached, find_news
from collector.store.instances import Lineage
from collector.store.queries import find_book
from tests.api.plant import LATEST, MOVED
from tests.rigs import LoopbackServer

SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"


@dataclass(frozen=True)
class Request:
    """What came over the wire, read by our own code."""

    line: str
    headers: dict[str, str]
    body: bytes

    @property
    def event(self) -> dict[str, Any]:
        return dict(orjson.loads(self.body))


Answer = Callable[[Request], bytes | None]
"""None: never answer."""


def status(code: int, body: str = "", **headers: str) -> bytes:
    lines = [f"HTTP/1.1 {code} Status", f"Content-Length: {len(body)}"]
    lines += [f"{name.replace('_', '-')}: {value}" for name, value in headers.items()]
    return "\r\n".join([*lines, "", body]).encode()


class HttpReceiver(LoopbackServer):
    """Answers as `answer` says; by default 204."""

    def __init__(self, answer: Answer = lambda _: status(204)) -> None:
        super().__init__()
        self.answer = answer
        self.requests: list[Request] = []
        self._came = asyncio.Event()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/clamps?plant=1"

    @property
    def ids(self) -> list[str]:
        return [each.headers["webhook-id"] for each in self.requests]

    async def until(self, holds: Callable[[], bool], patience_s: float = 20) -> None:
        """Looked at whenever a request came. Raises: TimeoutError."""
        async with asyncio.timeout(patience_s):
            while not holds():
                self._came.clear()
                await self._came.wait()

    async def talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            head = (await reader.readuntil(b"\r\n\r\n")).decode("ascii").split("\r\n")
            headers = {
                name.lower(): value.strip() for name, _, value in (each.partition(":") for each in head[1:-2])
            }
            body = await reader.readexactly(int(headers.get("content-length", "0")))
            request = Request(head[0], headers, body)
            self.requests.append(request)
            answer = self.answer(request)
            self._came.set()
            if answer is None:
                await asyncio.Event().wait()
                return
            writer.write(answer)
            await writer.drain()


@dataclass
class Ear(Receiver):
    """Takes what it is told, unless `raises` has something for that number or id."""

    name = "ear"
    way = "webhook"
    address = "a list in the test"
    begin = "first"
    kinds = KINDS
    give_up_after = timedelta(hours=1)
    told: list[Event] = field(default_factory=list)
    raises: dict[int | str, list[Exception]] = field(default_factory=dict)
    """Number or id -> what it answers instead, the first first."""
    everything: Exception | None = None
    hangs_after: int | None = None
    """So many are told; it has the last of them, and does not say so."""

    async def tell(self, event: Event) -> None:
        if self.everything is not None:
            raise self.everything
        if waiting := self.raises.get(event.id) or self.raises.get(event.number):
            raise waiting.pop(0)
        self.told.append(event)
        if len(self.told) == self.hangs_after:
            await asyncio.Event().wait()

    async def close(self) -> None:
        """Nothing to close."""

    @property
    def numbers(self) -> list[int]:
        return [each.number for each in self.told]


def record_at_desk(stores: Stores, services: int = 1) -> None:
    """So many services of one tool, an hour apart, and that somebody has seen a finding."""
    with stores.desk() as desk:
        book = Lineage("0b64a9f6-3a52-4c0e-9d6f-0f4f3a0f3a52", ())
        for number in range(services):
            done_at = LATEST + timedelta(hours=number)
            record_service(
                desk, MOVED, done_at=done_at, done_by="Fitter 7", remark="", at_count=1, recorded_at=LATEST
            )
        record_acknowledgement(
            desk, book, 7, acknowledged_by="Engineer 3", remark="seen", acknowledged_at=LATEST
        )


def with_a_delivery(app: FastAPI) -> Sender:
    """The receiver `ear`, which nobody tells anything, and one event that it did not take: dead, id 1."""
    stores, now = app.state.stores, datetime.now(UTC)
    with stores.book() as connection:
        book = find_book(connection)
    with stores.desk() as desk:
        put_aside(
            desk,
            "ear",
            Reached(book["instance"], 3),
            kind="cycle.stored",
            attempts=1,
            error="",
            at=now,
            next_at=now,
        )
        note_attempt(desk, 1, error="answered 500", at=now, next_at=None)
    sender = Sender(Ear(), lambda: stores)
    app.state.office.senders["ear"] = sender
    return sender


def numbers_in(stores: Stores, last: int = 100_000) -> list[int]:
    with stores.book() as book:
        return [row["number"] for row in find_news(book, 0, last=last)]
