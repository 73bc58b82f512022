"""A controller's own count against the book over REST, and what happened to its count, clock and tools."""

from collections.abc import AsyncIterator
from dataclasses import replace
from typing import Any

import httpx
import pytest

from api.schemas import records
from collector.model import ClockChange, MountChange
from collector.store.queries import NOBODY_COUNTED
from tests.api.plant import IDENTITIES, LATEST, MOVED, TWIN_2, Plant, writing
from tests.collector.store.rigs import MORNING, OTHER_TOOL, TOOL
from tests.collector.store.told import Told

HERE = "/v1/controllers/A-03"
NAMES = ("counter_difference", "cleared", "stored", "in_gaps", "unexplained")


@pytest.fixture
async def told(plant: Plant) -> AsyncIterator[Told]:
    """A third controller in the plant's book, to be told of."""
    async with writing(plant, MORNING) as filling:
        await filling.writer.register([replace(IDENTITIES[0], name="A-03")])
        told = Told(filling.writer, "A-03")
        await told.begin()
        yield told


async def reconciliation(client: httpx.AsyncClient, address: str = HERE, query: str = "") -> dict[str, Any]:
    answer = await client.get(f"{address}/reconciliation{query}")
    assert answer.status_code == 200
    records.ReconciliationPage.model_validate_json(answer.content, strict=True)
    return dict(answer.json())


async def test_the_plant_balances_and_says_where_it_can_not_be_stated(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """A-02 over two mounts and a restart; A-01 never showed where its count stands now."""
    second = await reconciliation(client, "/v1/controllers/A-02")
    assert (second["balanced"], second["unknown"], second["next"]) == (True, {}, None)
    assert second["totals"]["stored"] == sum(name == "A-02" for name, _ in plant.cycles)
    assert second["totals"]["in_gaps"] == 3
    assert [row["mount"]["serial"] for row in second["items"]] == [MOVED.serial, "2041"]
    first = await reconciliation(client, "/v1/controllers/A-01")
    gone, *mounts = first["items"]
    assert (gone["mount"], gone["balanced"], gone["in_gaps"]) == (None, None, 5)
    assert "shows none" in gone["unknown"]["counter_difference"]
    assert [row["balanced"] for row in mounts] == [True, True]
    assert first["balanced"] is first["totals"]["unexplained"] is None
    assert first["unknown"].keys() == {"balanced"}


async def test_a_row_lists_what_explains_it(client: httpx.AsyncClient, told: Told) -> None:
    """Clears with when and from what to what; gaps by their commit number; 64-bit numbers as text."""
    await told.make(10)
    await told.lose(2)
    await told.swap(OTHER_TOOL)
    await told.change("cleared", 0)
    await told.make(5)
    shown = await reconciliation(client)
    assert [[row[name] for name in NAMES] for row in shown["items"]] == [
        [-1007, 1012, 5, 0, 0],
        [12, 0, 10, 2, 0],
    ]
    newest, oldest = shown["items"]
    (cleared,) = newest["count_changes"]
    assert (cleared["kind"], cleared["expected"], cleared["found"]) == ("cleared", "1012", "0")
    assert (cleared["after_at"], cleared["noticed_at"]) == ("2026-03-02T06:02:00Z",) * 2
    assert newest["begin"] == {"epoch": 1, "sequence": "12", "total_count": "1012"}
    assert (newest["is_open"], oldest["is_open"]) == (True, False)
    (gap,) = (await client.get("/v1/gaps?controller=A-03")).json()["items"]
    assert oldest["gaps"] == [
        {"commit_number": gap["commit_number"], "cycles": 2, "reason": "history overwritten"}
    ]
    counter = (await client.get(f"{HERE}/counter")).json()
    assert counter["items"] == [cleared]
    assert counter["unknown"]["total_count"] == "no status was read yet"


async def test_late_cycles_change_the_row_and_close_the_gap(client: httpx.AsyncClient, told: Told) -> None:
    """The gap's history stays readable: what brought them, and where the rest is listed."""
    await told.make(2)
    await told.lose(3)
    await told.make(1)
    (before,) = (await reconciliation(client))["items"]
    await told.find(4)
    (after,) = (await reconciliation(client))["items"]
    assert [row["stored"] for row in (before, after)] == [3, 4]
    assert [row["in_gaps"] for row in (before, after)] == [3, 2]
    assert after["balanced"]
    gaps = (await client.get("/v1/gaps?controller=A-03")).json()["items"]
    assert [(each["state"], each["first_sequence"], each["cycles"]) for each in gaps] == [
        ("open", "5", 1),
        ("open", "3", 1),
        ("closed", "3", 3),
    ]
    assert [each["closed_by"] for each in gaps] == [None, None, "log file A-03.csv"]
    assert [each["part_of"] for each in gaps] == [gaps[2]["commit_number"]] * 2 + [None]
    assert gaps[2]["closed_at"] == "2026-03-02T06:00:00Z"
    for state, some in (("open", gaps[:2]), ("closed", gaps[2:]), ("all", gaps)):
        found = (await client.get(f"/v1/gaps?controller=A-03&state={state}")).json()["items"]
        assert found == some
    late = (await client.get("/v1/cycles/A-03.1.4")).json()
    assert late["brought_by"] == "log file A-03.csv"
    assert (await client.get("/v1/cycles/A-03.1.2")).json()["brought_by"] is None
    totals = (await client.get(HERE)).json()["gap_totals"]
    assert totals == {"gaps": 2, "cycles": 2}
    tool = (await client.get(f"/v1/tools/{TOOL.serial}")).json()
    assert tool["gap_cycles"] == 2


async def test_what_is_unexplained_is_shown_and_what_nobody_counted_is_null(
    client: httpx.AsyncClient, told: Told
) -> None:
    """Neither hides the other."""
    await told.make(3)
    await told.change("unexplained", 1010)
    await told.lose_memory(0)
    await told.make(2)
    shown = await reconciliation(client)
    assert [row["unexplained"] for row in shown["items"]] == [0, None, 7]
    assert [row["balanced"] for row in shown["items"]] == [True, None, False]
    assert shown["items"][1]["unknown"]["in_gaps"] == NOBODY_COUNTED
    assert (shown["balanced"], shown["totals"]["unexplained"]) == (False, None)


async def test_pages_and_intervals(client: httpx.AsyncClient, told: Told) -> None:
    """`next` leads to the older mounts; an interval gives those that overlap it."""
    for tool in (OTHER_TOOL, TOOL, OTHER_TOOL):
        await told.make(2)
        await told.swap(tool)
    whole = await reconciliation(client)
    seen: list[dict[str, Any]] = []
    following: str | None = f"{HERE}/reconciliation?last=1"
    while following is not None:
        answer = await client.get(following)
        seen += answer.json()["items"]
        following = answer.links["next"]["url"] if "next" in answer.links else None
    assert seen == whole["items"]
    assert len(seen) == 4
    some = await reconciliation(client, query="?from=2026-03-02T06:00:20Z&to=2026-03-02T06:00:40Z")
    assert some["items"] == whole["items"][2:3]
    wrong = await client.get(f"{HERE}/reconciliation?from=2026-03-02T06:00:20Z&to=2026-03-02T06:00:19Z")
    assert (wrong.status_code, wrong.json()["detail"]) == (422, "to must not be before from")
    assert (await client.get("/v1/controllers/B-01/reconciliation")).status_code == 404


async def test_the_mounts_of_a_controller_are_listed_with_their_marks(client: httpx.AsyncClient) -> None:
    """The first was there before the first cycle."""
    newest, oldest = (await client.get("/v1/controllers/A-01/mounts")).json()["items"]
    assert [each["serial"] for each in (newest, oldest)] == [MOVED.serial, TWIN_2.serial]
    assert oldest["after"] is None
    assert oldest["until"] == newest["after"]
    assert (newest["mounted_at"], newest["unmounted_at"]) == ("2026-03-28T12:00:00Z", "2026-03-30T12:00:00Z")
    assert int(newest["until"]["total_count"]) - int(newest["after"]["total_count"]) == int(
        newest["until"]["sequence"]
    ) - int(newest["after"]["sequence"])


async def test_a_clock_that_was_set_is_listed(client: httpx.AsyncClient, plant: Plant) -> None:
    """By how much, and when we noticed."""
    async with writing(plant) as filling:
        await filling.commit("A-02", clocks=(ClockChange(3_600_000.0, 1_500.0, LATEST),))
    shown = (await client.get("/v1/controllers/A-02/clock")).json()
    (change,) = shown["items"]
    assert (change["before_ms"], change["after_ms"]) == (3_600_000.0, 1_500.0)
    assert change["noticed_at"] == "2026-10-27T00:00:00Z"
    assert shown["clock"] == (await client.get("/v1/controllers/A-02")).json()["clock"]


async def test_a_tool_that_two_controllers_show_is_a_conflict(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """Said of the tool, its counts and both controllers, until one of them shows another."""
    places = ("/v1/tools/2042", "/v1/tools/2042/counts", "/v1/controllers/A-01", "/v1/controllers/A-02")
    for place in places:
        assert (await client.get(place)).json()["conflicts"] == []
    async with writing(plant) as filling:
        await filling.mount("A-01", MOVED, LATEST)
        for place in places:
            (says,) = (await client.get(place)).json()["conflicts"]
            assert "on A-02 since 2026-03-30T12:00:00Z and on A-01 since 2026-10-27T00:00:00Z" in says
            assert "Check which tool each really has" in says
        await filling.mount("A-01", None, LATEST)
        assert (await client.get(places[0])).json()["conflicts"] == []


async def test_two_controllers_with_an_unknown_tool_are_no_conflict(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """Nobody says that it is the same one."""
    unknown = replace(MOVED, maker="", model="", serial="unknown")
    async with writing(plant) as filling:
        for name in ("A-01", "A-02"):
            await filling.commit(name, mounts=(MountChange(unknown, LATEST),))
    for each in (await client.get("/v1/controllers")).json()["items"]:
        assert each["conflicts"] == []
