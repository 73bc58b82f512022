"""Service: recorded at the desk with the tool's count, and counted from."""

from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from collector.rfc3339 import parse_rfc3339
from tests.api.asking import asking
from tests.api.plant import BEGAN, MOVED, Plant

SERVICE = "/v1/tools/2042/service"
SUCH_AS = "such as 2026-11-24T06:00:00Z"
DONE: dict[str, Any] = {"done_by": "Fitter 7", "done_at": "2026-10-25T01:00:00+01:00", "remark": "new punch"}


async def test_a_service_is_recorded_with_the_count_at_which_it_was_done(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """The count is that of `done_at`, not of the moment of recording."""
    answer = await client.post(SERVICE, json=DONE)
    assert answer.status_code == 201
    done_at = parse_rfc3339(DONE["done_at"])
    at_count = sum(booked.ended_at < done_at for _, booked in plant.of(MOVED))
    assert (answer.json()["at_count"], answer.json()["done_at"]) == (at_count, "2026-10-25T00:00:00Z")
    assert answer.json()["cautions"]
    shown = (await client.get(SERVICE)).json()
    assert [each["remark"] for each in shown["items"]] == ["new punch"]
    assert shown["service_cycle_count"] == len(plant.of(MOVED)) - at_count
    tool = (await client.get("/v1/tools/2042")).json()
    assert tool["last_service"] == shown["items"][0]
    since = (await client.get("/v1/tools/2042/counts")).json()["since_service"]
    assert since["cycles"] == shown["service_cycle_count"]


async def test_a_request_sent_twice_records_one_service(client: httpx.AsyncClient) -> None:
    """Its answer may have been lost; the record stays as it was made."""
    first = await client.post(SERVICE, json=DONE)
    second = await client.post(SERVICE, json=DONE | {"remark": "again"})
    assert (first.status_code, second.status_code) == (201, 200)
    assert second.json() == first.json()
    assert len((await client.get(SERVICE)).json()["items"]) == 1


async def test_services_of_tools_that_share_a_serial_are_kept_apart(client: httpx.AsyncClient) -> None:
    """A tool is known by its maker too."""
    address = "/v1/tools/2041/service"
    assert (await client.post(address, json=DONE)).status_code == 409
    assert (await client.post(address, params={"maker": "Sample Works"}, json=DONE)).status_code == 201
    assert (await client.get(address, params={"maker": "Example Tools"})).json()["items"] == []


async def test_without_a_service_the_count_since_is_null_with_the_reason(client: httpx.AsyncClient) -> None:
    """Not zero, and not the lifetime."""
    shown = (await client.get(SERVICE)).json()
    assert shown["service_cycle_count"] is None
    assert shown["unknown"]["service_cycle_count"] == "no service of this tool is recorded"


async def test_a_service_before_the_book_was_begun_leaves_the_count_unknown(
    client: httpx.AsyncClient,
) -> None:
    """The cycles between are in nobody's book."""
    early = BEGAN.replace(year=2025).isoformat()
    assert (await client.post(SERVICE, json=DONE | {"done_at": early})).status_code == 201
    shown = (await client.get(SERVICE)).json()
    assert shown["service_cycle_count"] is None
    assert "before the book was begun" in shown["unknown"]["service_cycle_count"]


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ({}, "done_by is missing"),
        ({"done_by": "  "}, "done_by must not be empty"),
        ({"done_by": 7}, "done_by must be text"),
        (DONE | {"done_at": "2026-10-25T01:00:00"}, f"done_at must carry a UTC offset, {SUCH_AS}"),
        (DONE | {"done_at": 1}, f"done_at must be an RFC 3339 date-time in text, {SUCH_AS}"),
        (
            DONE | {"done_at": "2999-01-01T00:00:00Z"},
            "done_at must not be in the future: record a service when it is done",
        ),
        ({"done_by": "Fitter 7", "count": 12}, "count is not known here"),
        ({"done_by": "Fitter\u00007"}, "done_by must not have a NUL in it"),
        ({"done_by": "Fitter 7", "remark": "x" * 2001}, "remark must not be longer than 2000 characters"),
    ],
)  # fmt: skip
async def test_a_wrong_record_gets_one_clear_sentence(
    client: httpx.AsyncClient, body: dict[str, Any], says: str
) -> None:
    """And nothing is recorded."""
    answer = await client.post(SERVICE, json=body)
    assert (answer.status_code, answer.json()["detail"]) == (422, says)
    assert (await client.get(SERVICE)).json()["items"] == []


@pytest.mark.parametrize(
    "body", [b"", b"{", b"null", b"[]", b'"x"', b"\xff", b'{"done_by": "\\ud800"}', b"[" * 20000]
)
async def test_a_body_that_is_no_record_is_a_problem(client: httpx.AsyncClient, body: bytes) -> None:
    """Never a failure on our side."""
    answer = await client.post(SERVICE, content=body, headers={"content-type": "application/json"})
    assert answer.status_code in (400, 422)
    assert answer.headers["content-type"] == "application/problem+json"


async def test_the_book_is_told_while_the_desk_is_broken(app: FastAPI, plant: Plant) -> None:
    """A count does not fail for want of a service record; what is not known says why."""
    assert plant.address.folder is not None
    (plant.address.folder / "desk.sqlite").write_bytes(b"no database at all, though a file" * 100)
    async with asking(app) as client:
        shown = await client.get("/v1/tools/2042/counts")
        refused = await client.get(SERVICE)
        ready = await client.get("/readyz")
    assert shown.status_code == 200
    assert shown.json()["lifetime"]["cycles"] == len(plant.of(MOVED))
    assert "not a database" in shown.json()["unknown"]["since_service"]
    assert (refused.status_code, refused.headers["retry-after"]) == (503, "5")
    assert (ready.status_code, len(ready.json()["reasons"])) == (503, 1)
