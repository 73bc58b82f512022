"""Cycles over REST: the newest of a tool, page by page, filtered, and one with its raw record."""

from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import pytest

from api.paging import make_cursor
from collector.model import BookedCycle, Cycle
from collector.rfc3339 import parse_rfc3339
from tests.api.plant import AUTUMN, LATEST, MOVED, Plant, id_of, writing

CYCLES = "/v1/tools/2042/cycles"


async def pages(client: httpx.AsyncClient, address: str) -> AsyncIterator[dict[str, Any]]:
    """Follow `Link: rel="next"` until there is none; the cursor in the body is the same one."""
    following: str | None = address
    visited: set[str] = set()
    while following is not None:
        assert following not in visited, "the pages go round in circles"
        visited.add(following)
        answer = await client.get(following)
        assert answer.status_code == 200
        yield answer.json()
        following = answer.links["next"]["url"] if "next" in answer.links else None
        assert (following is None) == (answer.json()["next"] is None)
        assert following is None or answer.json()["next"] in following


async def test_the_last_500_equal_a_naive_scan(client: httpx.AsyncClient, plant: Plant) -> None:
    """Newest first, across the controllers that the tool sat on."""
    items = (await client.get(CYCLES, params={"last": 500})).json()["items"]
    truth = plant.of(MOVED)[:500]
    assert [each["id"] for each in items] == [id_of(*each) for each in truth]
    assert {each["controller"] for each in items} == {"A-01", "A-02"}
    for item, (_, booked) in zip(items, truth, strict=True):
        assert parse_rfc3339(item["ended_at"]) == booked.ended_at
        assert item["result"] == booked.cycle.result
        assert item["peak_tension_n"] == booked.cycle.peak_tension_n
        assert item["extra"] == (booked.cycle.extra or None)


async def test_usually_100_are_shown_and_never_more_than_1000(client: httpx.AsyncClient) -> None:
    """The page size has a default and a bound."""
    assert len((await client.get(CYCLES)).json()["items"]) == 100
    assert (await client.get(CYCLES, params={"last": 1001})).status_code == 422


@pytest.mark.parametrize("last", [1, 7, 100, 251, 1000])
async def test_pages_hold_every_cycle_once(client: httpx.AsyncClient, plant: Plant, last: int) -> None:
    """Whatever the page size, also where the last page is full."""
    address = f"{CYCLES}?last={last}" + ("&since=2026-10-26T00:00:00Z" if last == 1 else "")
    seen = [item["id"] async for page in pages(client, address) for item in page["items"]]
    truth = [id_of(*each) for each in plant.of(MOVED)]
    assert seen == (truth[: len(seen)] if last == 1 else truth)
    assert len(seen) == len(set(seen)) > 0


async def test_pages_hold_every_cycle_once_while_new_ones_arrive(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """New cycles neither shift a page nor come twice."""
    before = [id_of(*each) for each in plant.of(MOVED)]
    seen: list[str] = []
    at = LATEST
    async with writing(plant) as filling:
        async for page in pages(client, f"{CYCLES}?last=50"):
            seen += [item["id"] for item in page["items"]]
            await filling.work("A-02", MOVED, at, at + timedelta(hours=2), epoch=2, seed=len(seen))
            at += timedelta(hours=2)
    assert seen == before
    newest = (await client.get(CYCLES, params={"last": 1})).json()["items"][0]["id"]
    assert newest == id_of(*plant.of(MOVED)[0])
    assert newest not in seen


async def test_filters_hold_on_every_page(client: httpx.AsyncClient, plant: Plant) -> None:
    """A cursor carries on with the filters that the address has."""
    since, until = datetime(2026, 3, 28, 18, tzinfo=UTC), AUTUMN + timedelta(days=1)
    query = f"last=10&since={since:%FT%TZ}&until={until:%FT%TZ}&result=nok&completion=completed"
    seen = [item["id"] async for page in pages(client, f"{CYCLES}?{query}") for item in page["items"]]
    truth = [
        id_of(name, booked)
        for name, booked in plant.of(MOVED)
        if since <= booked.ended_at < until
        and (booked.cycle.result, booked.cycle.completion) == ("nok", "completed")
    ]
    assert seen == truth
    assert len(truth) > 10


async def test_an_interval_is_half_open(client: httpx.AsyncClient, plant: Plant) -> None:
    """A cycle exactly on the bound lies in the later interval only."""
    bound = datetime(2026, 10, 25, 5, 20, tzinfo=UTC)
    on_it = sorted(id_of(*each) for each in plant.of(MOVED) if each[1].ended_at == bound)
    assert len(on_it) == 2
    later = await client.get(CYCLES, params={"since": "2026-10-25T06:20:00+01:00", "last": 1000})
    earlier = await client.get(CYCLES, params={"until": "2026-10-25T05:20:00Z", "last": 1000})
    assert sorted(each["id"] for each in later.json()["items"][-2:]) == on_it
    assert not set(on_it) & {each["id"] for each in earlier.json()["items"]}
    assert len(later.json()["items"]) + len(earlier.json()["items"]) == len(plant.of(MOVED))


async def test_a_controller_can_be_asked_for(client: httpx.AsyncClient, plant: Plant) -> None:
    """Of a tool that moved, only what it did on one of them."""
    answer = await client.get(CYCLES, params={"controller": "A-01", "last": 1000})
    truth = [id_of(*each) for each in plant.of(MOVED) if each[0] == "A-01"]
    assert [each["id"] for each in answer.json()["items"]] == truth


async def test_a_shared_serial_needs_its_maker(client: httpx.AsyncClient) -> None:
    """Neither maker's cycles are given as the other's."""
    refused = await client.get("/v1/tools/2041/cycles")
    assert refused.status_code == 409
    assert refused.json()["makers"] == ["Example Tools", "Sample Works"]
    for maker, controller in (("Example Tools", "A-02"), ("Sample Works", "A-01")):
        answer = await client.get("/v1/tools/2041/cycles", params={"maker": maker})
        assert answer.json()["tool"]["maker"] == maker
        assert {each["controller"] for each in answer.json()["items"]} == {controller}


async def test_every_number_can_be_traced_to_the_raw_record(client: httpx.AsyncClient, plant: Plant) -> None:
    """The bytes as they came from the wire, and the layout that reads them."""
    name, booked = plant.of(MOVED)[5]
    answer = (await client.get(f"/v1/cycles/{id_of(name, booked)}")).json()
    assert bytes.fromhex(answer["raw_hex"]) == booked.cycle.raw
    assert answer["layout"] == "ring-s7"
    assert answer["sequence"] == str(booked.sequence)
    assert answer["total_count"] == str(booked.cycle.total_count)
    assert answer["tool"] == {"maker": MOVED.maker, "model": MOVED.model, "serial": MOVED.serial}


async def test_numbers_below_zero_are_numbers_like_all_others(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """A 64-bit sequence in its upper half is counted from below zero: by id and from page to page."""
    async with writing(plant) as filling:
        booked = [cycle_of(sequence) for sequence in (-3, -2, -1, 0, 1)]
        await filling.book("A-02", booked, [])
    shown = (await client.get("/v1/cycles/A-02.3.-3")).json()
    assert (shown["id"], shown["sequence"]) == ("A-02.3.-3", "-3")
    seen = [item["id"] async for page in pages(client, f"{CYCLES}?last=1") for item in page["items"]]
    assert seen[:6] == [*(f"A-02.3.{sequence}" for sequence in (1, 0, -1, -2, -3)), seen[5]]
    assert len(seen) == len(plant.of(MOVED))


def cycle_of(sequence: int) -> BookedCycle:
    ended_at = LATEST + timedelta(seconds=sequence)
    told = Cycle(sequence % 2**64, result="ok", completion="completed", raw=b"%d" % sequence)
    return BookedCycle(3, sequence, ended_at, None, MOVED, told)


async def test_an_unchanged_cycle_is_not_sent_again(client: httpx.AsyncClient) -> None:
    """304 for the tag that was given, 200 for any other; a curve has a tag of its own."""
    tags = set()
    for address in ("/v1/cycles/A-02.2.7", "/v1/cycles/A-02.2.7/curve", "/v1/cycles/A-02.2.8"):
        tag = (await client.get(address)).headers["etag"]
        tags.add(tag)
        for asked in (tag, f'"other", W/{tag}', "*"):
            again = await client.get(address, headers={"if-none-match": asked})
            assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
        assert (await client.get(address, headers={"if-none-match": '"other"'})).status_code == 200
    assert len(tags) == 3


@pytest.mark.parametrize(
    "cycle_id",
    [
        "A-02.2", "A-02.2.x", "A-02.2.-7", "A-02.2.٧", "A-09.2.7", "A-02.2.999999", f"A-02.2.{10**18}",
        f"A-02.{10**9}.7", f"A-02.{2**31}.7", f"A-02.2.{2**63}", f"A-02.2.{10**40}",
    ],
)  # fmt: skip
async def test_a_cycle_that_is_not_in_the_book_is_said_to_be_so(
    client: httpx.AsyncClient, cycle_id: str
) -> None:
    """Also where the id could not be one, or is beyond what the database can hold."""
    for address in (f"/v1/cycles/{cycle_id}", f"/v1/cycles/{cycle_id}/curve"):
        answer = await client.get(address)
        assert (answer.status_code, answer.json()["type"]) == (404, "/problems/not-in-book")


async def test_a_cursor_of_another_book_is_gone(client: httpx.AsyncClient, plant: Plant) -> None:
    """After a restore, an old cursor could skip rows that were never given."""
    _, booked = plant.of(MOVED)[5]
    foreign = make_cursor("another book", "cycles", [booked.ended_at, 2, booked.epoch, booked.sequence])
    answer = await client.get(CYCLES, params={"cursor": foreign})
    assert (answer.status_code, answer.json()["type"]) == (410, "/problems/book-replaced")
    assert answer.json()["book"] == (await client.get("/healthz")).json()["book"]


@pytest.mark.parametrize("cursor", ["", "x", "%00", "W10", "bnVsbA", "WzFd", "ZmFsc2U=", "é", "A" * 5000])
async def test_what_is_no_cursor_is_a_mistake(client: httpx.AsyncClient, cursor: str) -> None:
    """Said to be one, not read as "from the beginning"."""
    answer = await client.get(CYCLES, params={"cursor": cursor})
    assert answer.status_code == 422
    assert answer.json()["mistakes"][0]["name"] == "cursor"


async def test_a_cursor_of_another_list_is_a_mistake(client: httpx.AsyncClient) -> None:
    """The cursor of the faults says nothing about cycles."""
    cursor = (await client.get("/v1/faults", params={"last": 1})).json()["next"]
    assert (await client.get(CYCLES, params={"cursor": cursor})).status_code == 422
