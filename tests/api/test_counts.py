"""Counts over REST: by plant day, equal to a full scan when the clocks change, and never silently short."""

from collections import Counter
from datetime import UTC, date, datetime, timedelta
from typing import Any, get_args
from zoneinfo import ZoneInfo

import httpx
import pytest

from collector.model import Completion, Result
from collector.rfc3339 import parse_rfc3339
from tests.api.plant import AUTUMN, LATEST, MOVED, Plant, writing

COUNTS = "/v1/tools/2042/counts"
BERLIN = ZoneInfo("Europe/Berlin")


async def counts(client: httpx.AsyncClient, **query: str) -> dict[str, Any]:
    answer = await client.get(COUNTS, params=query)
    assert answer.status_code == 200
    return dict(answer.json())


def local_plant_day(at: datetime) -> date:
    """Told from the wall clock alone, another way than the product's."""
    local = at.astimezone(BERLIN)
    return local.date() - timedelta(days=(local.hour, local.minute) < (6, 20))


@pytest.mark.parametrize(
    ("day", "hours"),
    [("2026-03-28", 23), ("2026-03-29", 24), ("2026-10-24", 25), ("2026-10-25", 24), ("2026-07-01", 24)],
)
async def test_a_plant_day_has_the_hours_of_the_wall_clock(
    client: httpx.AsyncClient, day: str, hours: int
) -> None:
    """Berlin's clocks change in the nights to 2026-03-29 and 2026-10-25: in the plant days before."""
    following = date.fromisoformat(day) + timedelta(days=1)
    (shown,) = (await counts(client, **{"from": day, "to": following.isoformat()}))["days"]
    assert (shown["plant_day"], shown["hours"]) == (day, hours)
    begin, end = parse_rfc3339(shown["begins_at"]), parse_rfc3339(shown["ends_at"])
    assert f"{begin.astimezone(BERLIN):%F %H:%M}" == f"{day} 06:20"
    assert f"{end.astimezone(BERLIN):%F %H:%M}" == f"{following} 06:20"
    assert (end - begin) == timedelta(hours=hours)


async def test_day_counts_equal_a_full_scan(client: httpx.AsyncClient, plant: Plant) -> None:
    """By result and by completion, on all days, with cycles exactly on the bounds."""
    by_result: dict[date, Counter[str]] = {}
    by_completion: dict[date, Counter[str]] = {}
    for _, booked in plant.of(MOVED):
        day = local_plant_day(booked.ended_at)
        by_result.setdefault(day, Counter())[booked.cycle.result] += 1
        by_completion.setdefault(day, Counter())[booked.cycle.completion] += 1
    assert len(by_result) > 5
    days = (await counts(client, **{"from": "2026-03-20", "to": "2026-11-01"}))["days"]
    for shown in days:
        day = date.fromisoformat(shown["plant_day"])
        if shown["cycles"] is None:
            assert day not in by_result
            continue
        scanned = by_result.get(day, Counter())
        assert shown["by_result"] == {each: scanned[each] for each in get_args(Result)}
        ended = by_completion.get(day, Counter())
        assert shown["by_completion"] == {each: ended[each] for each in get_args(Completion)}
        assert shown["cycles"] == scanned.total()
    assert sum(each["cycles"] or 0 for each in days) == len(plant.of(MOVED))


async def test_the_lifetime_follows_the_tool_across_controllers(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """Each controller's share stands beside what the controller itself counts."""
    shown = await counts(client)
    assert shown["lifetime"]["cycles"] == len(plant.of(MOVED))
    first, second = shown["controllers"]
    assert first["cycles"] + second["cycles"] == len(plant.of(MOVED))
    assert second["all_tools_cycles"] == sum(name == "A-02" for name, _ in plant.cycles)
    assert (second["total_count"], second["count_since_cleared"]) == (str(2**40), "12")
    assert parse_rfc3339(second["read_at"]) == LATEST
    assert (first["mounted_now"], second["mounted_now"]) == (False, True)


async def test_what_a_controller_does_not_show_is_null_with_a_reason(client: httpx.AsyncClient) -> None:
    """Never zero."""
    first, _ = (await counts(client))["controllers"]
    assert first["total_count"] is None
    assert set(first["unknown"]) == {"total_count", "count_since_cleared"}


async def test_a_day_with_a_gap_says_how_many_may_be_missing(client: httpx.AsyncClient) -> None:
    """The count is there, and that it is not complete."""
    spring = (await counts(client, **{"from": "2026-03-28", "to": "2026-03-31"}))["days"]
    assert [(each["gap_cycles"], each["complete"]) for each in spring] == [(0, True), (5, False), (0, True)]
    assert "5 cycles are missing" in spring[1]["reasons"][0]


async def test_a_day_before_the_book_knew_the_tool_is_unknown(client: httpx.AsyncClient) -> None:
    """Null with the reason, for every number."""
    (day,) = (await counts(client, **{"from": "2026-03-20", "to": "2026-03-21"}))["days"]
    assert (day["cycles"], day["by_result"], day["by_completion"]) == (None, None, None)
    assert set(day["unknown"]) == {"cycles", "by_result", "by_completion"}
    assert "first seen" in day["unknown"]["cycles"]
    assert not day["complete"]


async def test_a_day_that_is_to_come_is_unknown(client: httpx.AsyncClient) -> None:
    """Not zero either."""
    (day,) = (await counts(client, **{"from": "2999-03-20", "to": "2999-03-21"}))["days"]
    assert (day["cycles"], day["reasons"]) == (None, ["the day has not begun"])


async def test_a_day_is_not_complete_until_its_controller_was_read_through(client: httpx.AsyncClient) -> None:
    """A-02 was read through until midnight UTC only, before the plant day ended."""
    (day,) = (await counts(client, **{"from": "2026-10-26", "to": "2026-10-27"}))["days"]
    assert day["cycles"] > 0
    assert (day["complete"], day["reasons"]) == (False, ["A-02 was read through until 2026-10-27T00:00:00Z"])


async def test_a_late_cycle_is_counted_on_the_day_on_which_it_ended(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """Whenever it came into the book."""
    query = {"from": "2026-10-24", "to": "2026-10-25"}
    before = (await counts(client, **query))["days"][0]["cycles"]
    async with writing(plant) as filling:
        await filling.work(
            "A-02", MOVED, AUTUMN + timedelta(hours=8), AUTUMN + timedelta(hours=9), epoch=3, seed=9
        )
    added = sum(booked.epoch == 3 for _, booked in plant.of(MOVED))
    assert (await counts(client, **query))["days"][0]["cycles"] == before + added > before


async def test_without_dates_the_last_seven_plant_days_are_shown(client: httpx.AsyncClient) -> None:
    """The last of them is today, by the plant's clock, and not over."""
    days = (await counts(client))["days"]
    assert len(days) == 7
    assert parse_rfc3339(days[-1]["begins_at"]) <= datetime.now(UTC) < parse_rfc3339(days[-1]["ends_at"])
    assert "the day is not over" in days[-1]["reasons"]


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("from=2026-03-28T00:00:00Z", "from must be a date such as 2026-11-24"),
        ("from=20260328", "from must be a date such as 2026-11-24"),
        ("from=2026-02-30", "from must be a date such as 2026-11-24"),
        ("to=0001-01-01", "to must lie in the years 1970 to 2999"),
        ("to=9999-12-31", "to must lie in the years 1970 to 2999"),
        ("from=2026-03-28&to=2026-03-27", "to must not be before from"),
        ("from=2026-03-28&to=2028-03-28", "to must not be more than 366 days after from"),
    ],
)
async def test_a_wrong_date_gets_one_clear_sentence(client: httpx.AsyncClient, query: str, says: str) -> None:
    """What is wrong and what to write."""
    answer = await client.get(f"{COUNTS}?{query}")
    assert (answer.status_code, answer.json()["detail"]) == (422, says)
