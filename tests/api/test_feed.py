"""The feed: everything that was committed, in order, at least once, with nothing slipping in behind."""

import asyncio
from collections.abc import AsyncIterator
from datetime import timedelta
from typing import Any

import httpx
import pytest
from sqlalchemy import create_engine, text

from api.schemas.feed import Feed
from collector.model import FaultRaised, SettingChange
from collector.store.feed import SOURCES
from tests.api.asking import bearer, make_token
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
        asked = await client.get("/v1/feed", params={"kinds": "setting.changed"})
        assert asked.status_code == (200 if sees else 422)


async def test_a_cursor_of_another_book_or_from_its_future_is_refused(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """Both happen when a backup was restored; the answer says what to do."""
    *_, last = [body async for body in pages(client, limit=1000)]
    engine = create_engine(f"sqlite:///{plant.address.folder}/book.sqlite")
    for change in ("commit_number = commit_number - 1", "instance = 'another'"):
        with engine.begin() as connection:
            connection.execute(text(f"UPDATE book SET {change}"))
        refused = await client.get("/v1/feed", params={"after": last["next"]})
        assert (refused.status_code, refused.json()["type"]) == (410, "/problems/book-replaced")
    engine.dispose()


def test_every_kind_has_an_index_to_read_it_by() -> None:
    """The feed costs what is new, not what there is."""
    for kind, source in SOURCES.items():
        leading = [index.columns[0].name for index in source.table.indexes]
        leading += [next(iter(source.table.primary_key.columns)).name]
        assert source.number.name in leading, kind
