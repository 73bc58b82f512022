"""Tools, faults, gaps and quarantine over REST: filtered, paged, with cautions where they belong."""

from typing import Any

import httpx
import pytest

from tests.api.plant import Plant


async def all_items(client: httpx.AsyncClient, address: str) -> list[dict[str, Any]]:
    """Page by page, one item a page."""
    items: list[dict[str, Any]] = []
    following: str | None = address
    while following is not None:
        answer = await client.get(following)
        assert len(answer.json()["items"]) == 1
        items += answer.json()["items"]
        assert len(items) < 20, "the pages go round in circles"
        following = answer.links["next"]["url"] if "next" in answer.links else None
    return items


@pytest.mark.parametrize("address", ["/v1/tools", "/v1/faults", "/v1/gaps"])
async def test_pages_of_one_hold_what_one_page_holds(client: httpx.AsyncClient, address: str) -> None:
    """In the same order, each once."""
    whole = (await client.get(address)).json()
    assert whole["next"] is None
    assert len(whole["items"]) > 1
    assert await all_items(client, f"{address}?last=1") == whole["items"]


async def test_tools_are_listed_with_where_they_sit(client: httpx.AsyncClient) -> None:
    """By serial number and maker; a tool that sits nowhere is listed too."""
    items = (await client.get("/v1/tools")).json()["items"]
    assert [(each["serial"], each["maker"]) for each in items] == [
        ("2041", "Example Tools"),
        ("2041", "Sample Works"),
        ("2042", "Sample Works"),
    ]
    assert [[each["controller"] for each in item["mounted_on"]] for item in items] == [[], [], ["A-02"]]


async def test_a_tool_shows_its_mounts(client: httpx.AsyncClient, plant: Plant) -> None:
    """Where it sat, from when to when, newest first."""
    tool = (await client.get("/v1/tools/2042")).json()
    assert tool["mounts"] == [
        {"controller": "A-02", "mounted_at": "2026-03-30T12:00:00Z", "unmounted_at": None},
        {
            "controller": "A-01",
            "mounted_at": "2026-03-28T12:00:00Z",
            "unmounted_at": "2026-03-30T12:00:00Z",
        },
    ]
    assert tool["gap_cycles"] == 8
    assert tool["cautions"]


async def test_a_fault_has_three_instants_and_a_duration(client: httpx.AsyncClient) -> None:
    """The duration is null while it is open, not the time until now."""
    newest, still_open, oldest = (await client.get("/v1/faults")).json()["items"]
    assert newest["raised_at"] == "2026-10-26T00:00:00Z"
    assert newest["not_before"] == "2026-10-25T23:59:59Z"
    assert newest["acknowledged_at"] == "2026-10-26T01:00:00Z"
    assert newest["cleared_at"] == "2026-10-26T02:00:00Z"
    assert newest["duration_s"] == 7200.0
    assert (still_open["cleared_at"], still_open["duration_s"]) == (None, None)
    assert oldest["tool"]["serial"] == "2042"


@pytest.mark.parametrize(
    ("query", "codes"),
    [
        ("state=open", ["E03"]),
        ("state=cleared", ["E06", "E01"]),
        ("category=process", ["E01"]),
        ("category=safety", []),
        ("controller=A-01", []),
        ("controller=A-02&tool=2042", ["E06", "E03", "E01"]),
        ("tool=2041&maker=Sample%20Works", []),
        ("since=2026-10-25T00:00:00Z&until=2026-10-26T00:00:00Z", ["E03"]),
    ],
)
async def test_faults_can_be_filtered(client: httpx.AsyncClient, query: str, codes: list[str]) -> None:
    """By state, category, controller, tool and a half-open interval."""
    answer = (await client.get(f"/v1/faults?{query}")).json()
    assert [each["code"] for each in answer["items"]] == codes


async def test_faults_come_with_the_cautions(client: httpx.AsyncClient) -> None:
    """Isolate, lock out, follow the maker, defer to qualified people."""
    cautions = " ".join((await client.get("/v1/faults")).json()["cautions"]).lower()
    for word in ("compressed air", "electrical power", "lockout", "maker's instructions", "qualified people"):
        assert word in cautions


async def test_a_gap_says_what_is_missing_between_when_and_why(client: httpx.AsyncClient) -> None:
    """Bounds are inclusive."""
    (gap,) = (await client.get("/v1/gaps?controller=A-01")).json()["items"]
    assert int(gap["last_sequence"]) - int(gap["first_sequence"]) + 1 == gap["cycles"] == 5
    assert (gap["after_at"], gap["before_at"]) == ("2026-03-29T10:00:00Z", "2026-03-29T11:00:00Z")
    assert gap["reason"] == "history overwritten"


@pytest.mark.parametrize(
    ("query", "controllers"),
    [
        ("from=2026-03-29T10:30:00Z&to=2026-03-29T10:31:00Z", ["A-01"]),
        ("from=2026-03-29T11:00:01Z", ["A-02"]),
        ("to=2026-03-29T10:00:00Z", []),
        ("state=closed", []),
        ("state=open", ["A-02", "A-01"]),
    ],
)
async def test_gaps_can_be_filtered(client: httpx.AsyncClient, query: str, controllers: list[str]) -> None:
    """By state, and by whether they may reach into a half-open interval."""
    items = (await client.get(f"/v1/gaps?{query}")).json()["items"]
    assert [each["controller"] for each in items] == controllers


async def test_what_could_not_be_used_is_shown_as_it_came(client: httpx.AsyncClient) -> None:
    """Bytes in hexadecimal, and why."""
    (kept,) = (await client.get("/v1/quarantine")).json()["items"]
    assert (kept["raw_hex"], kept["place"], kept["what"]) == ("00ff10", "slot 7", "record")
    assert "not a number" in kept["reason"]
    assert (await client.get("/v1/quarantine?controller=A-01")).json()["items"] == []
