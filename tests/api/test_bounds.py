"""How much may be asked at once: requests of a token, files, requests and connections in all."""

import asyncio
import socket
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import ExitStack, asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import httpx
import pytest
import uvicorn
from fastapi import FastAPI
from starlette.types import Receive, Scope, Send

import api.connections
import api.csv_export
from api.__main__ import Server, listen
from api.access.gate import Access
from api.access.rights import HEALTH
from api.access.throttle import Allowance, Rations
from api.connections import MARGIN, RESERVE, PatientConnection
from collector.config import load_site
from collector.errors import ConfigError
from collector.listening import ApiPart
from tests.api.asking import asking, bearer, make_token
from tests.api.plant import SITE, Plant

FILE = "/v1/gaps?format=csv"
MUCH = 50_000_000
"""Bytes."""


def kind_of(answer: httpx.Response) -> str:
    return str(answer.json()["type"]).removeprefix("/problems/")


# ---- requests of a token -----------------------------------------------------------------------------------


async def test_a_token_that_asks_too_often_has_to_wait_and_others_do_not(
    app: FastAPI, client: httpx.AsyncClient, plant: Plant
) -> None:
    """429 with the seconds, in a sentence; health is told all the same."""
    app.state.access.rations = Rations(Allowance(3, 60.0))
    hasty, other = (bearer(make_token(plant.address, name, "read")) for name in ("hasty", "other"))
    answers = [await client.get("/v1/gaps", headers=hasty) for _ in range(5)]
    assert [answer.status_code for answer in answers] == [200, 200, 200, 429, 429]
    assert kind_of(answers[-1]) == "too-many-requests"
    assert 0 < int(answers[-1].headers["retry-after"]) <= 60
    assert "the token hasty has asked too often" in answers[-1].json()["detail"]
    for path in HEALTH:
        assert (await client.get(path, headers=hasty)).status_code == 200
    assert (await client.get("/v1/gaps", headers=other)).status_code == 200
    assert (await client.get("/v1/gaps")).status_code == 200


async def test_an_answer_that_has_not_changed_costs_a_tenth(
    app: FastAPI, client: httpx.AsyncClient, plant: Plant
) -> None:
    """So that polling with a tag is cheap."""
    app.state.access.rations = Rations(Allowance(3, 1e6))
    mes = bearer(make_token(plant.address, "mes", "integrate"))
    address = "/v1/statements?plant_day=2026-03-28"
    tag = (await client.get(address, headers=mes)).headers["etag"]
    answers = [await client.get(address, headers=mes | {"if-none-match": tag}) for _ in range(30)]
    assert [answer.status_code for answer in answers[:11]] == [304] * 11
    assert answers[-1].status_code == 429


def test_a_nightly_script_of_twenty_lines_never_meets_the_limit() -> None:
    """Two hundred requests at once, three times within five minutes, by the defaults of the site file."""
    rules = ApiPart()
    rations = Rations(Allowance(rules.request_burst, 1 / rules.requests_per_s))
    for begin in (0.0, 150.0, 300.0):
        assert all(rations.take("mes", begin + 0.001 * number) == 0 for number in range(200))


def test_what_was_refused_costs_nothing() -> None:
    """Whoever waits as long as it was told gets its answer."""
    rations = Rations(Allowance(2, 10.0))
    assert [rations.take("mes", 0.0) for _ in range(4)] == [0, 0, 10, 10]
    assert rations.take("mes", 9.9) > 0
    assert rations.take("mes", 10.0) == 0


# ---- files -------------------------------------------------------------------------------------------------


@pytest.fixture
def held(monkeypatch: pytest.MonkeyPatch) -> Iterator["Held"]:
    """Files stop in the middle of being made until it lets them go on."""
    made = Held()
    real = api.csv_export.write_csv
    monkeypatch.setattr(
        api.csv_export, "write_csv", lambda *given, **more: made.hold() or real(*given, **more)
    )
    yield made
    made.go_on.set()


class Held:
    def __init__(self) -> None:
        self.go_on = threading.Event()
        self.most = self.now = 0
        self._lock = threading.Lock()

    def hold(self) -> None:
        with self._lock:
            self.now += 1
            self.most = max(self.most, self.now)
        assert self.go_on.wait(20)
        with self._lock:
            self.now -= 1


async def test_only_so_many_files_are_made_at_once(
    client: httpx.AsyncClient, held: Held, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One more waits a while and is then told to come again; JSON is not concerned, and a wrong one takes
    no turn for long."""
    most = ApiPart().files_at_once
    asked = [asyncio.create_task(client.get(FILE)) for _ in range(most)]
    async with asyncio.timeout(20):
        while held.now < most:  # noqa: ASYNC110  (of threads)
            await asyncio.sleep(0.01)
    monkeypatch.setattr(api.csv_export, "TURN_WITHIN_S", 0.05)
    answer = await client.get(FILE)
    assert (answer.status_code, kind_of(answer)) == (503, "too-many-files")
    assert int(answer.headers["retry-after"]) > 0
    assert "files_at_once" in answer.json()["detail"]
    assert (await client.get("/v1/gaps")).status_code == 200
    monkeypatch.setattr(api.csv_export, "TURN_WITHIN_S", 20.0)
    waits = asyncio.create_task(client.get(FILE))
    held.go_on.set()
    assert {each.status_code for each in [*await asyncio.gather(*asked), await waits]} == {200}
    assert held.most == most


async def test_a_file_that_fails_gives_its_turn_back(client: httpx.AsyncClient) -> None:
    """More mistakes than there are turns, and then a file."""
    for _ in range(ApiPart().files_at_once + 1):
        assert (await client.get(f"{FILE}&controller=nobody")).status_code == 404
        assert (await client.get(f"{FILE}&last=0")).status_code == 422
    assert (await client.get(FILE)).status_code == 200


# ---- requests and connections in all -----------------------------------------------------------------------


async def test_one_request_too_many_is_refused_and_health_is_told(
    app: FastAPI, client: httpx.AsyncClient
) -> None:
    """503 with a sentence, and the connection is given back."""
    access = app.state.access
    access.under_way = access.api.connections
    answer = await client.get("/v1/tools")
    assert (answer.status_code, kind_of(answer)) == (503, "too-busy")
    assert answer.headers["connection"] == "close"
    assert int(answer.headers["retry-after"]) > 0
    for path in HEALTH:
        assert (await client.get(path)).status_code == 200
    access.under_way -= 1
    assert (await client.get("/v1/tools")).status_code == 200
    assert access.under_way == access.api.connections - 1


async def hello(scope: Scope, receive: Receive, send: Send) -> None:
    size = 2 if scope["path"] == "/" else MUCH
    await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"%d" % size)]})
    most = MUCH if scope["path"] == "/whole" else 1_000_000
    for at in range(0, size, most):
        part = b"ok" * (min(size - at, most) // 2)
        await send({"type": "http.response.body", "body": part, "more_body": at + len(part) < size})


@asynccontextmanager
async def serving(connections: int) -> AsyncIterator[tuple[tuple[str, int], Server]]:
    with listen("127.0.0.1", 0) as listening:
        config: dict[str, Any] = {"ws": "none", "lifespan": "off", "log_config": None}
        server = Server(uvicorn.Config(hello, http=PatientConnection.at_most(connections), **config))
        task = asyncio.create_task(server.serve(sockets=[socket.socket(fileno=listening.detach())]))
        while not server.started:  # noqa: ASYNC110  (the server has no event for it)
            await asyncio.sleep(0.01)
        yield server.servers[0].sockets[0].getsockname(), server
        server.should_exit = True
        await task


async def connect(where: tuple[str, int], path: str, room: int | None = None) -> socket.socket:
    """And ask. Args: room: bytes that the system may take before we do."""
    loop = asyncio.get_running_loop()
    connection = socket.socket()
    if room is not None:
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, room)
    connection.setblocking(False)
    await loop.sock_connect(connection, where)
    await ask(connection, path)
    return connection


async def ask(connection: socket.socket, path: str) -> None:
    request = f"GET {path} HTTP/1.1\r\nHost: localhost\r\n\r\n".encode()
    await asyncio.get_running_loop().sock_sendall(connection, request)


async def taken(connection: socket.socket, most: int) -> bytes:
    """What comes, up to so many bytes or to the end of the connection."""
    got = bytearray()
    with suppress(ConnectionError):
        while len(got) < most and (part := await asyncio.get_running_loop().sock_recv(connection, 2**20)):
            got += part
    return bytes(got)


async def is_answered(connection: socket.socket) -> bool:
    return b"200 OK" in await taken(connection, 40)


async def test_a_connection_too_many_is_ended_and_one_that_ends_makes_room(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Those that are there stay; the log says so once."""
    async with serving(3) as (where, server), asyncio.timeout(30):
        with ExitStack() as opened:
            kept = [opened.enter_context(await connect(where, "/")) for _ in range(3 + MARGIN + RESERVE)]
            assert all([await is_answered(each) for each in kept])
            for _ in range(2):
                with await connect(where, "/") as refused:
                    assert not await is_answered(refused)
            for each in kept:
                await ask(each, "/")
                assert await is_answered(each)
            kept[0].close()
            while len(server.server_state.connections) == len(kept):  # noqa: ASYNC110  (it has no event)
                await asyncio.sleep(0.01)
            with await connect(where, "/") as again:
                assert await is_answered(again)
    assert [each for each in caplog.messages if "[api] connections" in each] == [
        f"there are {len(kept)} connections already ([api] connections = 3); more end without an answer"
    ]


async def test_an_answer_that_is_not_taken_ends_the_connection(monkeypatch: pytest.MonkeyPatch) -> None:
    """It would hold a file in memory for as long as the asker likes; one that takes it gets it all."""
    monkeypatch.setattr(api.connections, "TAKE_WITHIN_S", 0.5)
    async with serving(9) as (where, server), asyncio.timeout(30):
        with await connect(where, "/much") as taking:
            assert len(await taken(taking, MUCH)) >= MUCH
        with await connect(where, "/much") as stalled:
            while not server.server_state.connections:  # noqa: ASYNC110  (it has no event)
                await asyncio.sleep(0.01)
            while server.server_state.connections:  # noqa: ASYNC110
                await asyncio.sleep(0.01)
            assert 0 < len(await taken(stalled, MUCH)) < MUCH


async def test_an_answer_that_is_taken_slowly_is_taken_to_its_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """For several times as long as the other end may take nothing: a file over a line that is slow, or so
    slow that all of it still lies in the system's buffers."""
    monkeypatch.setattr(api.connections, "TAKE_WITHIN_S", 0.5)
    async with serving(9) as (where, _), asyncio.timeout(30):
        for at_once in (MUCH // 25, 20_000):
            with await connect(where, "/whole", room=40_000) as slow:
                got = 0
                for _ in range(20):
                    got += len(await taken(slow, at_once))
                    await asyncio.sleep(api.connections.TAKE_WITHIN_S / 5)
                assert 0 < got < MUCH
                assert got + len(await taken(slow, MUCH - got)) >= MUCH


@pytest.mark.parametrize(
    ("rule", "says"),
    [
        ("connections = 9", "connections"),
        ("connections = 801", "connections"),
        ("requests_per_s = 0", "requests_per_s"),
        ("request_burst = 1", "request_burst"),
        ("files_at_once = 0", "files_at_once"),
    ],
)
def test_a_bound_that_makes_no_sense_is_a_mistake_in_the_site_file(
    tmp_path: Path, rule: str, says: str
) -> None:
    """With the key."""
    path = tmp_path / "site.toml"
    path.write_text(f"{SITE}\n[api]\n{rule}\n", encoding="utf-8")
    with pytest.raises(ConfigError, match=says):
        load_site(path)


async def test_the_bounds_of_the_site_file_are_kept(app: FastAPI, plant: Plant) -> None:
    """Those of [api]."""
    assert plant.address.folder is not None
    path = plant.address.folder.parent / "site.toml"
    path.write_text(f"{SITE}\n[api]\nrequests_per_s = 0.5\nrequest_burst = 10\n", encoding="utf-8")
    app.state.access = Access(load_site(path)[0], lambda: app.state.stores)
    mes = bearer(make_token(plant.address, "mes", "read"))
    async with asking(app) as client:
        answers = [(await client.get("/v1/gaps", headers=mes)).status_code for _ in range(11)]
    assert answers == [200] * 10 + [429]
