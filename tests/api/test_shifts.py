"""The plan over REST: whole occurrences in order, those outside all shifts too, and hours that add up."""

from collections import Counter
from datetime import timedelta
from typing import Any

import httpx
import pytest

from collector.rfc3339 import parse_rfc3339


async def shifts(client: httpx.AsyncClient, **query: str) -> list[dict[str, Any]]:
    answer = await client.get("/v1/shifts", params=query)
    assert answer.status_code == 200
    assert answer.json()["next"] is None
    return list(answer.json()["items"])


async def test_shifts_are_listed_as_planned(client: httpx.AsyncClient) -> None:
    """A Friday and the weekend after it: the plan has no night on Saturday and Sunday."""
    found = await shifts(client, **{"from": "2026-10-23T04:20:00Z", "to": "2026-10-26T05:20:00Z"})
    assert [(each["plant_day"], each["shift"], round(each["hours"], 2)) for each in found] == [
        ("2026-10-23", "early", 8.37),
        ("2026-10-23", "late", 7.47),
        ("2026-10-23", "night", 8.17),
        ("2026-10-24", "early", 8.37),
        ("2026-10-24", "late", 7.47),
        ("2026-10-24", "outside-1", 9.17),
        ("2026-10-25", "early", 8.37),
        ("2026-10-25", "late", 7.47),
        ("2026-10-25", "outside-1", 8.17),
    ]
    assert [each["shift"] for each in found if each["outside"]] == ["outside-1", "outside-1"]
    assert {(each["line"], each["zone"], each["plan_version"]) for each in found} == {
        ("line-1", "Europe/Berlin", 1)
    }


async def test_the_hours_of_a_plant_day_add_up(client: httpx.AsyncClient) -> None:
    """Also on the two days on which the clocks change."""
    found = await shifts(client, **{"from": "2026-10-20T04:20:00Z", "to": "2026-10-28T05:20:00Z"})
    hours = Counter[str]()
    for each in found:
        hours[each["plant_day"]] += each["hours"]
    assert {day: round(total, 6) for day, total in hours.items()} == {
        f"2026-10-{day}": 25 if day == 24 else 24 for day in range(20, 28)
    }


async def test_an_occurrence_that_only_reaches_in_is_listed_whole(client: httpx.AsyncClient) -> None:
    """The interval chooses, and does not cut."""
    found = await shifts(client, **{"from": "2026-11-24T13:00:00+01:00", "to": "2026-11-24T13:00:01+01:00"})
    assert [(each["begins_at"], each["ends_at"]) for each in found] == [
        ("2026-11-24T05:20:00Z", "2026-11-24T13:42:00Z")
    ]


async def test_what_is_on_is_open_and_what_is_to_come_is_ahead(client: httpx.AsyncClient) -> None:
    """Without an interval: the last seven days until now."""
    found = await shifts(client)
    assert [each["state"] for each in found[-2:]] == ["closing", "open"]
    begin = parse_rfc3339(found[-1]["ends_at"]) + timedelta(days=2)
    ahead = await shifts(client, **{"from": begin.isoformat()})
    assert {each["state"] for each in ahead} == {"ahead"}


@pytest.mark.parametrize(
    ("query", "status", "says"),
    [
        ("line=line-2", 404, "there is no line 'line-2'; there are line-1"),
        ("from=2026-03-28T00:00:00Z&to=2026-03-27T00:00:00Z", 422, "to must not be before from"),
        (
            "from=2026-03-28T00:00:00Z&to=2026-08-27T00:00:00Z",
            422,
            "to must not be more than 100 days after from",
        ),
        ("from=2026-03-28T00:00:00", 422, "from must carry a UTC offset, such as 2026-11-24T06:00:00Z"),
        ("from=0001-01-01T00:00:00Z", 422, "from must lie in the years 1970 to 2999"),
        ("to=9999-12-31T23:59:59Z", 422, "to must lie in the years 1970 to 2999"),
    ],
)
async def test_a_wrong_question_gets_one_clear_sentence(
    client: httpx.AsyncClient, query: str, status: int, says: str
) -> None:
    """What is wrong and what to write."""
    answer = await client.get(f"/v1/shifts?{query}")
    assert (answer.status_code, answer.json()["detail"]) == (status, says)
