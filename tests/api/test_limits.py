"""What every answer carries, and how long anybody may take: to ask, and to be answered."""

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import httpx
import pytest
import uvicorn
from fastapi import FastAPI
from sqlalchemy import text
from starlette.types import Receive, Scope, Send

import api.connections
import api.guards
from api.__main__ import Server, listen
from api.connections import PatientConnection
from api.stores import Stores
from tests.api.asking import asking
from tests.api.plant import Plant

ENDLESS = text(
    "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 2000000000) "
    "SELECT count(*) FROM n"
)


# ---- headers -----------------------------------------------------------------------------------------------


async def test_every_answer_carries_the_headers_that_keep_it_where_it_belongs(
    app: FastAPI, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also refusals, and the answer to an error that nobody expected."""
    monkeypatch.setattr("api.resources.controllers.find_controllers", lambda *_: 1 / 0)
    async with asking(app) as client:
        cycle = await client.get("/v1/cycles/A-02.2.7")
        answers = {
            200: cycle,
            304: await client.get("/v1/cycles/A-02.2.7", headers={"if-none-match": cycle.headers["etag"]}),
            401: await client.get("/v1/tokens"),
            404: await client.get("/v1/nothing"),
            405: await client.delete("/v1/tools"),
            415: await client.post("/v1/tools/2042/service", content=b"x"),
            421: await client.get("/v1/tools", headers={"host": "evil.example"}),
            500: await client.get("/v1/controllers"),
        }
    for status, answer in answers.items():
        assert answer.status_code == status
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["content-security-policy"] == "default-src 'none'; frame-ancestors 'none'"
        assert answer.headers["referrer-policy"] == "no-referrer"
        assert answer.headers["vary"].lower() == "authorization"
        kept = "private, no-cache" if status in (200, 304) else "no-store"
        assert answer.headers["cache-control"] == kept


async def test_what_an_answer_says_itself_stays() -> None:
    """Such as a page that brings a policy of its own."""

    async def page(scope: Scope, receive: Receive, send: Send) -> None:
        headers = [(b"content-security-policy", b"default-src 'self'"), (b"vary", b"accept")]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        await send({"type": "http.response.body", "body": b""})

    transport = httpx.ASGITransport(api.guards.SafeHeaders(page))
    async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as client:
        answer = await client.get("/")
    assert answer.headers["content-security-policy"] == "default-src 'self'"
    assert answer.headers["vary"] == "accept, authorization"


# ---- time --------------------------------------------------------------------------------------------------


async def test_a_read_that_takes_too_long_is_ended(
    app: FastAPI, plant: Plant, monkeypatch: pytest.MonkeyPatch
) -> None:
    """503 with what to do, and the connection is good for the next."""
    app.state.stores = Stores(plant.address, longest_read_s=0.2)
    with monkeypatch.context() as patch:
        patch.setattr("api.resources.faults.find_faults", lambda connection, **_: connection.execute(ENDLESS))
        async with asking(app) as client, asyncio.timeout(20):
            answer = await client.get("/v1/faults")
            assert (answer.status_code, answer.json()["type"]) == (503, "/problems/took-too-long")
            assert "ask for less" in answer.json()["detail"]
            assert (await client.get("/v1/tools")).status_code == 200


async def test_a_body_that_does_not_come_is_not_waited_for(
    client: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """408, and nothing is recorded."""
    monkeypatch.setattr(api.guards, "BODY_WITHIN_S", 0.05)

    async def never() -> AsyncIterator[bytes]:
        yield b'{"done_by": "Fit'
        await asyncio.Event().wait()

    headers = {"content-type": "application/json"}
    async with asyncio.timeout(20):
        answer = await client.post("/v1/tools/2042/service", content=never(), headers=headers)
    assert (answer.status_code, answer.json()["type"]) == (408, "/problems/too-slow")
    assert (await client.get("/v1/tools/2042/service")).json()["items"] == []


async def hello(scope: Scope, receive: Receive, send: Send) -> None:
    await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"2")]})
    await send({"type": "http.response.body", "body": b"ok"})


@asynccontextmanager
async def serving_hello() -> AsyncIterator[tuple[str, int]]:
    with listen("127.0.0.1", 0) as listening:
        config = uvicorn.Config(
            hello, http=PatientConnection, ws="none", lifespan="off", log_config=None, timeout_keep_alive=60
        )
        server = Server(config)
        serving = asyncio.create_task(server.serve(sockets=[socket.socket(fileno=listening.detach())]))
        while not server.started:  # noqa: ASYNC110  (the server has no event for it)
            await asyncio.sleep(0.01)
        yield server.servers[0].sockets[0].getsockname()
        server.should_exit = True
        await serving


@pytest.mark.parametrize(
    "before", [b"", b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n"], ids=["first", "later"]
)
async def test_a_head_that_does_not_come_ends_the_connection(
    before: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first one and any later one on the same connection; a whole one is answered."""
    monkeypatch.setattr(api.connections, "HEAD_WITHIN_S", 0.2)
    async with serving_hello() as where, asyncio.timeout(20):
        reader, writer = await asyncio.open_connection(*where)
        writer.write(before)
        if before:
            answer = await reader.readuntil(b"ok")
            assert answer.startswith(b"HTTP/1.1 200")
        writer.write(b"GET / HTTP/1.1\r\nHost: loc")
        assert await reader.read() == b""
        writer.close()


async def test_a_connection_that_asks_again_and_again_stays(monkeypatch: pytest.MonkeyPatch) -> None:
    """The time is one for each head, not for the connection."""
    monkeypatch.setattr(api.connections, "HEAD_WITHIN_S", 0.3)
    async with serving_hello() as where, asyncio.timeout(20):
        reader, writer = await asyncio.open_connection(*where)
        begin = asyncio.get_running_loop().time()
        asked = 0
        while asyncio.get_running_loop().time() < begin + 0.9:
            writer.write(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
            assert b"200 OK" in await reader.readuntil(b"ok")
            asked += 1
        writer.close()
    assert asked > 3
