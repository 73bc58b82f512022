"""Service: recorded at the desk with the tool's count, corrected by further records, and counted from."""

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


NO_RECORD = "tool 2042 has no service record 9; the list shows their numbers"
WRONG: dict[str, Any] = DONE | {"done_at": "2026-10-26T01:00:00+01:00"}


async def test_a_wrong_record_is_corrected_by_another_and_stays_listed(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """What counts is the correction, with the count of its own instant."""
    wrong = (await client.post(SERVICE, json=WRONG)).json()
    assert (wrong["number"], wrong["corrects"], wrong["corrected_by"]) == ("1", None, None)
    answer = await client.post(SERVICE, json=DONE | {"corrects": wrong["number"]})
    assert answer.status_code == 201
    made = answer.json()
    assert (made["number"], made["corrects"], made["withdrawn"]) == ("2", "1", False)
    at_count = sum(booked.ended_at < parse_rfc3339(DONE["done_at"]) for _, booked in plant.of(MOVED))
    assert made["at_count"] == at_count
    shown = (await client.get(SERVICE)).json()
    assert [(each["number"], each["corrects"], each["corrected_by"]) for each in shown["items"]] == [
        ("1", None, "2"),
        ("2", "1", None),
    ]
    assert shown["items"][0] | {"corrected_by": None} == {
        name: value for name, value in wrong.items() if name != "cautions"
    }
    assert shown["service_cycle_count"] == len(plant.of(MOVED)) - at_count
    assert (await client.get("/v1/tools/2042")).json()["last_service"] == shown["items"][1]


async def test_only_records_that_stand_count_anywhere(client: httpx.AsyncClient) -> None:
    """Counts, forecast, restarts of charts, happenings before a drift: with a withdrawn record they answer as
    without any."""
    addresses = [
        "/v1/tools/2042",
        "/v1/tools/2042/counts",
        "/v1/tools/2042/charts/peak_tension_n?last=300",
        "/v1/tools/2042/change-point/peak_tension_n",
        "/v1/tools/2042/capability/peak_tension_n?lower=850&upper=1150",
        "/v1/containment?tool=2042&measure=peak_tension_n&detected_at=2026-10-24T12:00:00Z",
        "/v1/tools/2042/tolerance",
        "/v1/settings/changes/before?tool=2042&at=2026-10-26T12:00:00Z",
    ]

    async def ask() -> list[Any]:
        return [(await client.get(address)).json() for address in addresses]

    without = await ask()
    await client.post(SERVICE, json=DONE)
    with_one = await ask()
    assert sum(ours != theirs for ours, theirs in zip(without, with_one, strict=True)) >= 7
    withdrawal = {"corrects": "1", "withdrawn": True, "remark": "it was the tool beside it"}
    answer = await client.post(SERVICE, json=withdrawal)
    assert (answer.status_code, answer.json()["done_by"]) == (201, DONE["done_by"])
    assert await ask() == without
    shown = (await client.get(SERVICE)).json()
    assert [(each["number"], each["withdrawn"]) for each in shown["items"]] == [("2", True), ("1", False)]
    assert shown["unknown"]["service_cycle_count"] == "no service of this tool is recorded"


async def test_what_a_correction_leaves_out_of_its_time_stays(client: httpx.AsyncClient) -> None:
    """So it can be sent again: the second time it is the one that stands there."""
    await client.post(SERVICE, json=DONE)
    body = {"corrects": "1", "done_by": "Fitter 8", "remark": "new punch"}
    first, second = [await client.post(SERVICE, json=body) for _ in range(2)]
    assert (first.status_code, second.status_code) == (201, 200)
    assert first.json() == second.json()
    assert first.json()["done_at"] == "2026-10-25T00:00:00Z"


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ({"corrects": "9", "withdrawn": True}, NO_RECORD),
        ({"corrects": "9", "done_by": "Fitter 7"}, NO_RECORD),
        (DONE | {"corrects": "1"}, "record 1 was corrected already, by record 2: correct that one"),
        ({"corrects": "2", "withdrawn": True}, "record 2 says already that the service was not done"),
    ],
)  # fmt: skip
async def test_a_correction_that_can_not_be_is_refused_with_what_to_do(
    client: httpx.AsyncClient, body: dict[str, Any], says: str
) -> None:
    """409, and nothing is recorded."""
    await client.post(SERVICE, json=DONE)
    await client.post(SERVICE, json={"corrects": "1", "withdrawn": True})
    answer = await client.post(SERVICE, json=body)
    assert (answer.status_code, answer.json()["type"]) == (409, "/problems/not-correctable")
    assert answer.json()["detail"] == says
    assert len((await client.get(SERVICE)).json()["items"]) == 2


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
        ({"withdrawn": True}, "corrects is missing: the number of the record that is withdrawn"),
        (
            {"withdrawn": True, "corrects": "1", "done_by": "Fitter 7"},
            "done_by must be left out with withdrawn: the service was not done",
        ),
        ({"corrects": "1"}, "done_by is missing"),
        (DONE | {"corrects": 1}, "corrects must be text"),
        *(
            (
                DONE | {"corrects": number},
                'corrects must be the number of a record as the list shows it, such as "17"',
            )
            for number in ("", "0", "-1", "1.0", "x", "٣", str(2**63), "9" * 5000)
        ),
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
