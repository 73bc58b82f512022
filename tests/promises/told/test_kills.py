"""Whoever is told is told everything, whatever is killed: real processes, an HTTP receiver, a broker."""

import asyncio
import uuid
from collections import defaultdict
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import aiomqtt
import httpx
import orjson
import pytest

from api.stores import Stores
from collector.model import SettingChange
from collector.store.engine import StoreAddress
from collector.store.feed import find_head, find_news
from tests.api.plant import LATEST, Plant, make_plant, write_site, writing
from tests.api.receiving import SECRET, HttpReceiver, Request, status
from tests.processes import ended, eventually, free_port, logged, running

Told = tuple[str, str, str]
"""Source, commit number and type: what an event is."""
pytestmark = pytest.mark.timeout(300)
KILLS_AFTER = (1, 45, 130, 300)
"""Requests that the receiver has had: in the first batch, in mid-batch, further on."""


async def test_after_kills_of_the_api_nothing_is_missing_and_a_repeat_has_its_id(
    tmp_path: Path, mosquitto: tuple[str, int]
) -> None:
    """Both ways at once; the book goes on while the API is down; the receiver fails, hangs and is busy."""
    plant = await make_plant(StoreAddress(folder=tmp_path / "store"))
    prefix, log, port = f"clampbook-test/{uuid.uuid4()}", tmp_path / "log", free_port()
    async with Moody() as receiver, listening(mosquitto, prefix) as (reader, heard):
        (tmp_path / "secret").write_text(SECRET)
        site = write_site(tmp_path)
        site.write_text(site.read_text() + told(receiver.url, mosquitto, prefix, port))
        for number, requests in enumerate(KILLS_AFTER):
            async with running("api", "--site", str(site), log=log):
                await receiver.until(lambda requests=requests: len(receiver.requests) >= requests, 60)
                if number == 1:
                    await answers_quickly(port)
                await serve(port, number)
            await change(plant, 2.7 + number / 10)
        wanted = ids_in(plant)
        assert sum(each.startswith(desk_of(plant)) for each in wanted) == len(KILLS_AFTER)
        async with running("api", "--site", str(site), log=log) as process:
            await receiver.until(lambda: set(receiver.taken) >= wanted, 120)

            async def heard_all() -> bool:
                return set(heard) >= wanted

            await eventually(heard_all, "the broker has had every event", 60)
            assert await ended(process) == 0
        await forget(reader, prefix)
    assert set(receiver.taken) == wanted
    assert set(heard) == wanted
    for events in (receiver.taken, heard):
        assert all(len(each) == 1 for each in events.values()), "another event under the same id"
        assert len({next(iter(each)) for each in events.values()}) == len(wanted), "a repeat under another id"
    assert not await logged(log, " a mistake of our own")()


class Moody(HttpReceiver):
    """Does not take some of the events when they come for the first time, each in a way of its own."""

    def __init__(self) -> None:
        super().__init__(self._answer)
        self.taken: dict[str, set[Told]] = defaultdict(set)
        """Id -> the events that were taken under it."""
        self._refused: set[str] = set()

    def _answer(self, request: Request) -> bytes | None:
        event_id = request.headers["webhook-id"]
        number = int(event_id.rsplit("-", 1)[1])
        if event_id not in self._refused and any(number % each == 0 for each in (97, 151, 211)):
            self._refused.add(event_id)
            if number % 211 == 0:
                return None
            return status(500, "not this") if number % 97 == 0 else status(503, Retry_After="0")
        self.taken[event_id].add(told_of(request.event))
        return status(204)


def told_of(event: dict[str, Any]) -> Told:
    return event["source"], event["data"]["number"], event["type"]


def told(url: str, mosquitto: tuple[str, int], prefix: str, port: int) -> str:
    return f"""
[api]
port = {port}

[[webhooks]]
name = "mes"
url = "{url}"
secret_file = "secret"
begin = "first"
timeout_s = 0.5

[publish]
host = "{mosquitto[0]}"
port = {mosquitto[1]}
topic_prefix = "{prefix}"
client_id = "{prefix.replace("/", "-")}"
begin = "first"
"""


@asynccontextmanager
async def listening(
    mosquitto: tuple[str, int], prefix: str
) -> AsyncIterator[tuple[aiomqtt.Client, dict[str, set[Told]]]]:
    """A reader of the events, with what it has heard: id -> events."""
    heard: dict[str, set[Told]] = defaultdict(set)

    async def listen() -> None:
        async for message in client.messages:
            event = orjson.loads(message.payload)  # type: ignore[arg-type]
            heard[event["id"]].add(told_of(event))

    async with aiomqtt.Client(*mosquitto, protocol=aiomqtt.ProtocolVersion.V5) as client:
        await client.subscribe(f"{prefix}/events/#", qos=1)
        task = asyncio.create_task(listen())
        yield client, heard
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def forget(client: aiomqtt.Client, prefix: str) -> None:
    """What the broker keeps of the test."""
    for topic in ("connection", "controllers/A-01/state", "controllers/A-02/state"):
        await client.publish(f"{prefix}/{topic}", b"", retain=True)


async def answers_quickly(port: int) -> None:
    """While a whole book is sent both ways."""
    async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}", timeout=10) as client:
        for _ in range(10):
            assert (await client.get("/v1/tools/2042/cycles?last=100")).status_code == 200
        (mes, broker) = (await client.get("/v1/receivers")).json()["items"]
    assert (mes["way"], broker["way"]) == ("webhook", "broker")
    assert mes["book"] == broker["book"]


async def change(plant: Plant, torque_nm: float) -> None:
    changed = SettingChange("set_torque_nm", 2.5, torque_nm, LATEST, LATEST + timedelta(seconds=1))
    async with writing(plant) as filling:
        await filling.commit("A-02", settings=(changed,))


async def serve(port: int, number: int) -> None:
    """What is answered with 201 just before the kill has to be told, too."""
    done = {"done_by": "Fitter 7", "done_at": f"2026-10-25T0{number}:00:00Z"}
    async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}", timeout=10) as client:
        assert (await client.post("/v1/tools/2042/service", json=done)).status_code == 201


def ids_in(plant: Plant) -> set[str]:
    stores = Stores(plant.address)
    with stores.book() as book, stores.reading_desk() as desk:
        rows = [*find_news(book, 0, last=100_000), *find_news(desk, 0, room="desk")]
    stores.close()
    return {f"{row['instance']}-{row['number']}" for row in rows}


def desk_of(plant: Plant) -> str:
    stores = Stores(plant.address)
    with stores.reading_desk() as desk:
        instance = find_head(desk, "desk").instance
    stores.close()
    return instance
