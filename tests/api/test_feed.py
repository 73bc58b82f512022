"""The feed: everything that was committed in the book and on the desk, each in order, at least once, with
nothing slipping in behind."""

import asyncio
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from sqlalchemy import create_engine, text

import api.resources.feed
from api.schemas.common import Problem
from api.schemas.feed import Feed
from api.stores import Stores
from collector.errors import StoreError
from collector.model import FaultRaised, SettingChange
from collector.store.engine import SQLITE
from collector.store.feed import SOURCES
from tests.api.asking import asking, bearer, make_token
from tests.api.plant import LATEST, MOVED, Plant, writing


async def pages(client: httpx.AsyncClient, after: str | None = None, **query: Any) -> AsyncIterator[Any]:
    """All there is now, page by page."""
    while True:
        asked = query | ({"after": after} if after else {})
        answer = await client.get("/v1/feed", params=asked)
        body = answer.json()
        Feed.model_validate_json(answer.content, strict=True)
        yield body
        if not body["more"]:
            return
        after = body["next"]


async def everything(client: httpx.AsyncClient, **query: Any) -> list[dict[str, Any]]:
    return [item async for body in pages(client, **query) for item in body["items"]]


@pytest.mark.parametrize("limit", [1000, 7])
async def test_the_feed_is_every_record_once_in_the_order_of_commit(
    client: httpx.AsyncClient, plant: Plant, limit: int
) -> None:
    """However it is cut into pages; a cycle, and a fault that is raised, acknowledged and cleared, too."""
    items = await everything(client, limit=limit)
    numbers = [int(item["number"]) for item in items]
    assert numbers == sorted(set(numbers))
    cycles = [item["data"]["id"] for item in items if item["kind"] == "cycle.stored"]
    assert cycles == [f"{name}.{each.epoch}.{each.sequence}" for name, each in plant.cycles]
    faults = [(item["kind"], item["data"]["code"]) for item in items if item["kind"].startswith("fault")]
    assert faults == [
        *((f"fault.{what}", "E01") for what in ("raised", "acknowledged", "cleared")),
        ("fault.raised", "E03"),
        *((f"fault.{what}", "E06") for what in ("raised", "acknowledged", "cleared")),
    ]
    assert [item["data"]["cycles"] for item in items if item["kind"] == "gap.listed"] == [5, 3]
    found = [item["data"]["commit_number"] for item in items if item["kind"] == "finding.began"]
    assert found == [str(number) for number in plant.findings]
    assert {item["kind"] for item in items} >= {"finding.ended", "statement.closed"}


SERVICE = "/v1/tools/2042/service"


async def serve(client: httpx.AsyncClient, hour: int) -> str:
    """Record a service. Returns: its number."""
    done = {"done_by": "Fitter 7", "done_at": f"2026-10-25T{hour:02}:00:00Z"}
    answer = await client.post(SERVICE, json=done)
    assert answer.status_code == 201
    return str(answer.json()["number"])


@pytest.mark.parametrize("limit", [1000, 7, 1])
async def test_what_people_record_is_in_the_feed(client: httpx.AsyncClient, plant: Plant, limit: int) -> None:
    """Each record once, in order of commit, as its list shows it; and the book as it is without."""
    without = await everything(client, limit=1000)
    numbers = [await serve(client, hour) for hour in range(3)]
    seen = {"acknowledged_by": "Engineer 3", "remark": "punch ordered"}
    await client.post(f"/v1/findings/{plant.findings[-1]}/acknowledgement", json=seen)
    await client.post(SERVICE, json={"corrects": numbers[1], "withdrawn": True})
    kinds = "service.recorded,finding.acknowledged" if limit == 1 else None
    items = await everything(client, limit=limit, **({"kinds": kinds} if kinds else {}))
    recorded = [item for item in items if item["kind"] in ("service.recorded", "finding.acknowledged")]
    assert [item["number"] for item in recorded] == ["1", "2", "3", "4", "5"]
    assert len({item["id"] for item in items}) == len(items)
    services = {item["number"]: item for item in recorded if item["kind"] == "service.recorded"}
    for shown in (await client.get(SERVICE)).json()["items"]:
        data = services[shown["number"]]["data"]
        assert data == shown | {"tool": {"maker": MOVED.maker, "model": MOVED.model, "serial": MOVED.serial}}
    assert (services["2"]["data"]["corrected_by"], services["5"]["data"]["withdrawn"]) == ("5", True)
    acknowledged = recorded[3]["data"]
    assert (acknowledged["finding"], acknowledged["remark"]) == (str(plant.findings[-1]), "punch ordered")
    if kinds is None:
        assert [item for item in items if item not in recorded] == without


async def test_a_follower_of_both_gets_what_is_new_in_either(client: httpx.AsyncClient, plant: Plant) -> None:
    """And nothing twice."""
    *_, last = [body async for body in pages(client, limit=1000)]
    await serve(client, 1)
    change = SettingChange("set_torque_nm", 2.5, 2.7, LATEST, LATEST + timedelta(seconds=1))
    async with writing(plant) as filling:
        await filling.commit("A-02", settings=(change,))
    first = (await client.get("/v1/feed", params={"after": last["next"], "limit": 1})).json()
    assert ([item["kind"] for item in first["items"]], first["more"]) == (["service.recorded"], True)
    second = (await client.get("/v1/feed", params={"after": first["next"], "limit": 1})).json()
    assert ([item["kind"] for item in second["items"]], second["more"]) == (["setting.changed"], False)
    await serve(client, 2)
    third = (await client.get("/v1/feed", params={"after": second["next"]})).json()
    assert [item["number"] for item in third["items"]] == ["2"]


async def test_a_service_answers_who_waits(client: httpx.AsyncClient) -> None:
    """As soon as it is recorded."""
    *_, last = [body async for body in pages(client, limit=1000)]
    asked = {"after": last["next"], "wait": 60}
    waiting = asyncio.create_task(client.get("/v1/feed", params=asked, timeout=90))
    number = await serve(client, 1)
    assert [item["number"] for item in (await waiting).json()["items"]] == [number]


async def test_while_the_desk_can_not_be_read_the_feed_says_so_and_passes_nothing_over(
    app: FastAPI, plant: Plant, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The book goes on; what was recorded meanwhile comes when it can be read."""
    async with asking(app) as client:
        *_, last = [body async for body in pages(client, limit=1000)]
        await serve(client, 1)
        change = SettingChange("set_torque_nm", 2.5, 2.7, LATEST, LATEST + timedelta(seconds=1))
        async with writing(plant) as filling:
            await filling.commit("A-02", settings=(change,))
        begun_so = None
        with monkeypatch.context() as broken:
            broken.setattr(Stores, "reading_desk", no_desk)
            for after in (last["next"], None):
                body = [body async for body in pages(client, after, limit=1000)][-1]
                assert (body["desk"], body["unknown"]) == (None, {"desk": "the disk reports an error"})
                assert body["items"][-1]["kind"] == "setting.changed"
                assert "service.recorded" not in {item["kind"] for item in body["items"]}
                again = (await client.get("/v1/feed", params={"after": body["next"]})).json()
                assert (again["items"], again["more"]) == ([], False)
                followed, begun_so = begun_so or body["next"], again["next"]
        for after in (followed, begun_so):
            body = (await client.get("/v1/feed", params={"after": after})).json()
            assert [item["kind"] for item in body["items"]] == ["service.recorded"]
            assert body["unknown"] == {}


@contextmanager
def no_desk(_: Stores) -> Iterator[None]:
    raise StoreError("the disk reports an error")
    yield


async def test_what_the_feed_names_can_be_fetched(client: httpx.AsyncClient) -> None:
    """A statement's revision, a finding."""
    items = await everything(client, kinds="statement.closed,finding.began")
    for address in {item["data"]["address"] for item in items}:
        assert (await client.get(address)).status_code == 200, address


async def test_a_follower_gets_what_is_new_and_nothing_twice(client: httpx.AsyncClient, plant: Plant) -> None:
    """The cursor of an empty answer is as good as any."""
    *_, last = [body async for body in pages(client, limit=1000)]
    again = (await client.get("/v1/feed", params={"after": last["next"]})).json()
    assert (again["items"], again["more"]) == ([], False)
    change = SettingChange("set_torque_nm", 2.5, 2.7, LATEST, LATEST + timedelta(seconds=1))
    async with writing(plant) as filling:
        await filling.commit("A-02", settings=(change,))
    news = (await client.get("/v1/feed", params={"after": again["next"]})).json()
    (item,) = news["items"]
    assert (item["kind"], item["controller"]) == ("setting.changed", "A-02")
    assert (item["data"]["before"], item["data"]["after"]) == (2.5, 2.7)


async def test_who_waits_is_answered_as_soon_as_something_is_committed(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """And with an empty answer when the time is over."""
    *_, last = [body async for body in pages(client, limit=1000)]
    asked = {"after": last["next"], "wait": 60}
    waiting = asyncio.create_task(client.get("/v1/feed", params=asked, timeout=90))
    async with writing(plant) as filling:
        raised = FaultRaised("E09", "Sample fault E09", "process", MOVED, LATEST, None)
        await filling.commit("A-02", faults=(raised,))
    news = (await waiting).json()
    assert [item["data"]["code"] for item in news["items"]] == ["E09"]
    nothing = (await client.get("/v1/feed", params={"after": news["next"], "wait": 1})).json()
    assert nothing["items"] == []


async def test_an_empty_cursor_is_none(client: httpx.AsyncClient) -> None:
    """From the first record on, as a script has it that keeps its cursor in a file."""
    begun = (await client.get("/v1/feed", params={"limit": 3})).json()
    assert (await client.get("/v1/feed", params={"limit": 3, "after": ""})).json() == begun


async def test_one_more_than_may_wait_is_answered_at_once(app: FastAPI, client: httpx.AsyncClient) -> None:
    """And its place is free again when one was answered."""
    app.state.waiting = waiting = asyncio.Semaphore(1)
    *_, last = [body async for body in pages(client, limit=1000)]
    asked = {"after": last["next"], "wait": 60}
    for hour in range(2):
        waits = asyncio.create_task(client.get("/v1/feed", params=asked))
        async with asyncio.timeout(20):
            while not waiting.locked():  # noqa: ASYNC110  (it has no event)
                await asyncio.sleep(0.01)
            assert (await client.get("/v1/feed", params=asked)).json()["items"] == []
        number = await serve(client, hour)
        body = (await waits).json()
        assert [item["number"] for item in body["items"]] == [number]
        asked["after"] = body["next"]


async def test_who_does_not_wait_takes_no_place_from_those_who_do(
    app: FastAPI, client: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However long the answer takes."""
    app.state.waiting = waiting = asyncio.Semaphore(1)
    *_, last = [body async for body in pages(client, limit=1000)]
    is_looking, go_on, looks = threading.Event(), threading.Event(), api.resources.feed._look

    def slow(*given: Any) -> Any:
        is_looking.set()
        assert go_on.wait(20)
        return looks(*given)

    with monkeypatch.context() as slowly:
        slowly.setattr(api.resources.feed, "_look", slow)
        asks = asyncio.create_task(client.get("/v1/feed", params={"after": last["next"]}))
        assert await asyncio.to_thread(is_looking.wait, 20)
    asked = {"after": last["next"], "wait": 60}
    waits = asyncio.create_task(client.get("/v1/feed", params=asked))
    async with asyncio.timeout(20):
        while not waiting.locked():  # noqa: ASYNC110  (it has no event)
            await asyncio.sleep(0.01)
    go_on.set()
    assert (await asks).json()["items"] == []
    number = await serve(client, 1)
    assert [item["number"] for item in (await waits).json()["items"]] == [number]


async def test_only_the_kinds_that_are_asked_for(client: httpx.AsyncClient) -> None:
    """A kind that does not exist is a mistake, not an empty feed."""
    items = await everything(client, kinds="gap.listed, tool.mounted")
    assert {item["kind"] for item in items} == {"gap.listed", "tool.mounted"}
    refused = await client.get("/v1/feed", params={"kinds": "gap.listed,gaps"})
    assert refused.status_code == 422
    assert "gaps: no such kind" in refused.json()["detail"]


async def test_an_integrator_does_not_see_what_people_set(client: httpx.AsyncClient, plant: Plant) -> None:
    """Neither without being asked nor when it asks for it."""
    change = SettingChange("set_torque_nm", 2.5, 2.7, LATEST, LATEST + timedelta(seconds=1))
    async with writing(plant) as filling:
        await filling.commit("A-02", settings=(change,))
    for scope, sees in (("read", True), ("integrate", False)):
        client.headers.update(bearer(make_token(plant.address, scope, scope)))
        items = await everything(client)
        assert ("setting.changed" in {item["kind"] for item in items}) is sees
        for kind in ("setting.changed", "finding.began", "finding.acknowledged"):
            asked = await client.get("/v1/feed", params={"kinds": kind})
            assert asked.status_code == (200 if sees else 422)


async def test_an_integrator_sees_services(client: httpx.AsyncClient, plant: Plant) -> None:
    """They are what a count begins anew from."""
    await serve(client, 1)
    client.headers.update(bearer(make_token(plant.address, "mes", "integrate")))
    assert "service.recorded" in {item["kind"] for item in await everything(client)}


async def test_a_cursor_of_another_book_or_from_its_future_is_refused(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """Both happen when a backup was restored; the answer says what to do."""
    await serve(client, 1)
    *_, last = [body async for body in pages(client, limit=1000)]
    for change in ("commit_number = commit_number - 1", "instance = 'another'"):
        change_room(plant, "book", change)
        refused = await client.get("/v1/feed", params={"after": last["next"]})
        assert (refused.status_code, refused.json()["type"]) == (410, "/problems/book-replaced")
        anew = [body async for body in pages(client, refused.json()["next"], limit=1000)]
        kinds = [item["kind"] for body in anew for item in body["items"]]
        assert kinds.count("cycle.stored") == len(plant.cycles)
        assert "service.recorded" not in kinds


async def test_a_cursor_of_another_desk_or_from_its_future_is_refused(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """With a cursor that begins with the first record of the desk, and goes on in the book."""
    for hour in range(2):
        await serve(client, hour)
    *_, last = [body async for body in pages(client, limit=1000)]
    for change in ("commit_number = 1", "instance = 'another'"):
        change_room(plant, "desk", change)
        refused = await client.get("/v1/feed", params={"after": last["next"]})
        problem = Problem.model_validate_json(refused.content)
        assert (problem.status, problem.type) == (410, "/problems/desk-replaced")
        assert "restored from a backup or begun anew; pull anew what may be missing" in problem.detail
        again = (await client.get("/v1/feed", params={"after": problem.next})).json()
        assert {item["kind"] for item in again["items"]} == {"service.recorded"}
        assert again["desk"] == problem.desk


def change_room(plant: Plant, room: str, change: str) -> None:
    engine = create_engine(f"sqlite:///{plant.address.folder}/{room}.sqlite", module=SQLITE)
    with engine.begin() as connection:
        connection.execute(text(f"UPDATE {room} SET {change}"))
    engine.dispose()


def test_every_kind_has_an_index_to_read_it_by() -> None:
    """The feed costs what is new, not what there is."""
    for kind, source in SOURCES.items():
        leading = [index.columns[0].name for index in source.table.indexes]
        leading += [next(iter(source.table.primary_key.columns)).name]
        assert source.number.name in leading, kind
