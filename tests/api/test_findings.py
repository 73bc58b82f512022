"""Findings over REST: listed, shown where they belong, acknowledged by people."""

from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from api.schemas import findings
from tests.api.asking import asking
from tests.api.plant import Plant

SEEN: dict[str, Any] = {"acknowledged_by": "Engineer 3", "remark": "punch ordered"}


async def kinds(client: httpx.AsyncClient, query: str) -> list[str]:
    answer = await client.get(f"/v1/findings?{query}")
    return [each["kind"] for each in answer.json()["items"]]


async def test_findings_are_listed_newest_first_with_cautions(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """By commit number, with begin, end and evidence."""
    answer = (await client.get("/v1/findings")).json()
    assert [each["commit_number"] for each in answer["items"]] == [str(each) for each in plant.findings[::-1]]
    assert answer["cautions"]
    due, slow, peak = answer["items"]
    assert (due["controller"], due["tool"]["maker"], due["state"]) == (None, "Example Tools", "open")
    assert (slow["controller"], slow["began_at"]) == ("A-02", "2026-10-25T00:00:00Z")
    assert slow["evidence"] == {"center": 2.0, "causes": []}
    assert (peak["state"], peak["ended_at"], peak["ended_because"]) == (
        "ended",
        "2026-10-25T00:00:00Z",
        "a service was done",
    )
    assert int(peak["ended_commit_number"]) == plant.findings[0] + 1
    assert {tuple(each["acknowledgements"]) for each in answer["items"]} == {()}


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("state=open", ["service_overdue", "punch_slowing"]),
        ("state=ended", ["measure_shifted"]),
        ("kind=punch_slowing", ["punch_slowing"]),
        ("tool=2042", ["punch_slowing", "measure_shifted"]),
        ("tool=2041&maker=Example%20Tools", ["service_overdue"]),
        ("controller=A-02", ["punch_slowing", "measure_shifted"]),
        ("controller=A-01", []),
        ("to=2026-10-24T00:00:01Z", ["service_overdue", "measure_shifted"]),
        ("from=2026-10-25T00:00:01Z", ["service_overdue", "punch_slowing"]),
    ],
)
async def test_findings_can_be_filtered(client: httpx.AsyncClient, query: str, found: list[str]) -> None:
    """Each by itself; `from` and `to` ask which held meanwhile."""
    assert await kinds(client, query) == found


async def test_pages_of_one_hold_what_one_page_holds(client: httpx.AsyncClient) -> None:
    """In the same order, each once."""
    whole = (await client.get("/v1/findings?tool=2042")).json()["items"]
    first = await client.get("/v1/findings?tool=2042&last=1")
    second = await client.get(first.links["next"]["url"])
    assert [*first.json()["items"], *second.json()["items"]] == whole
    assert second.json()["next"] is None


@pytest.mark.parametrize(
    ("address", "status"),
    [
        ("/v1/findings/1", 404),
        ("/v1/findings/0", 422),
        ("/v1/findings/x", 422),
        (f"/v1/findings/{2**63}", 422),
        ("/v1/findings?kind=wrong", 422),
        ("/v1/findings?tool=2041", 409),
        ("/v1/findings?tool=none", 404),
        ("/v1/findings?from=2026-10-25T00:00:00Z&to=2026-10-24T00:00:00Z", 422),
    ],
)
async def test_what_is_not_there_or_not_meant_is_a_problem(
    client: httpx.AsyncClient, address: str, status: int
) -> None:
    """In a sentence that says what to do."""
    answer = await client.get(address)
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"


async def test_open_findings_stand_at_their_tool_and_controller(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """In short; what has ended is not there any more."""
    slow = str(plant.findings[1])
    tool = (await client.get("/v1/tools/2042")).json()
    assert [each["commit_number"] for each in tool["findings"]] == [slow]
    assert tool["findings"][0]["says"] == "punch slower"
    shown = (await client.get("/v1/controllers/A-02")).json()
    assert [each["commit_number"] for each in shown["findings"]] == [slow]
    listed = (await client.get("/v1/controllers")).json()["items"]
    assert [len(each["findings"]) for each in listed] == [0, 1]


async def test_an_acknowledgement_is_shown_with_by_whom_when_and_remark(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """At the finding and in the list; the finding itself does not change."""
    address = f"/v1/findings/{plant.findings[1]}"
    before = (await client.get(address)).json()
    answer = await client.post(f"{address}/acknowledgement", json=SEEN)
    assert (answer.status_code, answer.headers["location"]) == (201, address)
    after = findings.ShownFinding.model_validate_json(answer.content, strict=True)
    assert after.acknowledgements is not None
    (said,) = after.acknowledgements
    assert (said.acknowledged_by, said.remark) == ("Engineer 3", "punch ordered")
    shown = (await client.get(address)).json()
    assert shown == answer.json()
    assert shown | {"acknowledgements": []} == before
    listed = (await client.get("/v1/findings?kind=punch_slowing")).json()["items"]
    assert listed[0]["acknowledgements"] == shown["acknowledgements"]


async def test_a_request_sent_twice_acknowledges_once(client: httpx.AsyncClient, plant: Plant) -> None:
    """Its answer may have been lost; another remark is another acknowledgement."""
    address = f"/v1/findings/{plant.findings[0]}/acknowledgement"
    first = await client.post(address, json=SEEN)
    second = await client.post(address, json=SEEN)
    assert (first.status_code, second.status_code) == (201, 200)
    assert second.json() == first.json()
    third = await client.post(address, json=SEEN | {"remark": "punch fitted"})
    assert [each["remark"] for each in third.json()["acknowledgements"]] == ["punch ordered", "punch fitted"]


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ({}, "acknowledged_by is missing"),
        ({"acknowledged_by": " "}, "acknowledged_by must not be empty"),
        (SEEN | {"remark": "x" * 2001}, "remark must not be longer than 2000 characters"),
        (SEEN | {"at": "now"}, "at is not known here"),
        ({"acknowledged_by": "a\u0000b"}, "acknowledged_by must not have a NUL in it"),
    ],
)
async def test_a_wrong_acknowledgement_gets_one_clear_sentence(
    client: httpx.AsyncClient, plant: Plant, body: dict[str, Any], says: str
) -> None:
    """And nothing is recorded."""
    address = f"/v1/findings/{plant.findings[0]}"
    answer = await client.post(f"{address}/acknowledgement", json=body)
    assert (answer.status_code, answer.json()["detail"]) == (422, says)
    assert (await client.get(address)).json()["acknowledgements"] == []


async def test_a_finding_that_is_not_there_can_not_be_acknowledged(client: httpx.AsyncClient) -> None:
    """A commit number of something else is none."""
    assert (await client.post("/v1/findings/1/acknowledgement", json=SEEN)).status_code == 404


async def test_findings_are_told_while_the_desk_is_broken(app: FastAPI, plant: Plant) -> None:
    """Who has acknowledged them is unknown then, with the reason."""
    assert plant.address.folder is not None
    (plant.address.folder / "desk.sqlite").write_bytes(b"no database at all, though a file" * 100)
    async with asking(app) as client:
        items = (await client.get("/v1/findings")).json()["items"]
        refused = await client.post(f"/v1/findings/{plant.findings[0]}/acknowledgement", json=SEEN)
    assert len(items) == 3
    assert {each["acknowledgements"] for each in items} == {None}
    assert "not a database" in items[0]["unknown"]["acknowledgements"]
    assert refused.status_code == 503
