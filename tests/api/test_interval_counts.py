"""Counts of any interval over REST: whatever they are counted by, rows add up to a full scan."""

from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import pytest

from collector.model import BookedCycle
from collector.rfc3339 import format_rfc3339, parse_rfc3339
from tests.api.plant import AUTUMN, LATEST, SPRING, Plant

BERLIN = ZoneInfo("Europe/Berlin")


async def counts(client: httpx.AsyncClient, begin: datetime, end: datetime, by: str) -> dict[str, Any]:
    query = {"from": format_rfc3339(begin), "to": format_rfc3339(end), "by": by}
    answer = await client.get("/v1/counts", params=query)
    assert answer.status_code == 200, answer.text
    assert answer.json()["next"] is None
    return dict(answer.json())


def local_shift(at: datetime) -> tuple[str, str]:
    """Plant day and shift, told from the wall clock alone."""
    local = at.astimezone(BERLIN)
    minute = local.hour * 60 + local.minute
    day = local.date() - timedelta(days=minute < 6 * 60 + 20)
    if 6 * 60 + 20 <= minute < 14 * 60 + 42:
        return day.isoformat(), "early"
    if 14 * 60 + 42 <= minute < 22 * 60 + 10:
        return day.isoformat(), "late"
    return day.isoformat(), "night" if day.weekday() < 5 else "outside-1"


WORDS: dict[str, tuple[Callable[[str, BookedCycle], object], Callable[[dict[str, Any]], object]]] = {
    "tool": (
        lambda _, each: (each.tool.maker, each.tool.serial),
        lambda row: (row["tool"]["maker"], row["tool"]["serial"]),
    ),
    "controller": (lambda name, _: name, lambda row: row["controller"]),
    "result": (lambda _, each: each.cycle.result, lambda row: row["result"]),
    "completion": (lambda _, each: each.cycle.completion, lambda row: row["completion"]),
    "band": (lambda _, each: each.cycle.band, lambda row: row["band"]),
    "mode": (lambda _, each: each.cycle.mode, lambda row: row["mode"]),
    "shift": (lambda _, each: local_shift(each.ended_at), lambda row: (row["plant_day"], row["shift"])),
    "plant_day": (lambda _, each: local_shift(each.ended_at)[0], lambda row: row["plant_day"]),
    "hour": (
        lambda _, each: each.ended_at.replace(minute=0, second=0, microsecond=0),
        lambda row: parse_rfc3339(row["begins_at"]).replace(minute=0, second=0, microsecond=0),
    ),
}  # fmt: skip
"""Word of `by` -> what a cycle says to it, and what a row does."""


@pytest.mark.parametrize(
    "by",
    ["controller", "tool,result", "shift,completion", "plant_day,tool,controller", "hour,mode,band", "shift"],
)
@pytest.mark.parametrize(
    ("begin", "end"),
    [
        (SPRING, SPRING + timedelta(days=4)),
        (AUTUMN + timedelta(hours=1, minutes=7), AUTUMN + timedelta(hours=50, minutes=3, microseconds=1)),
    ],
)
async def test_counts_equal_a_full_scan(
    client: httpx.AsyncClient, plant: Plant, by: str, begin: datetime, end: datetime
) -> None:
    """Over both changes of the clocks, with bounds within shifts, by any words."""
    naive = Counter(
        tuple(WORDS[word][0](name, each) for word in by.split(","))
        for name, each in plant.cycles
        if begin <= each.ended_at < end
    )
    rows = (await counts(client, begin, end, by))["items"]
    found = Counter[tuple[object, ...]]()
    for row in rows:
        found[tuple(WORDS[word][1](row) for word in by.split(","))] += row["cycles"]
    assert found == naive
    assert len(rows) == len(found), "a row comes twice"
    assert naive.total() > 100


async def test_an_interval_is_complete_when_all_was_read_and_nothing_is_missing(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """Else the reasons say which controller, and how many cycles are missing."""
    found = await counts(client, AUTUMN, AUTUMN + timedelta(days=1), "controller")
    assert (found["complete"], found["reasons"]) == (True, [])
    lost = await counts(
        client, datetime(2026, 3, 29, 9, tzinfo=UTC), datetime(2026, 3, 29, 12, tzinfo=UTC), "tool"
    )
    assert not lost["complete"]
    assert any("5 cycles of controller A-01 are missing" in each for each in lost["reasons"])
    later = await counts(client, LATEST - timedelta(hours=1), LATEST + timedelta(hours=1), "tool")
    assert f"controller A-02 was read through until {format_rfc3339(LATEST)} only" in later["reasons"]


@pytest.mark.parametrize(
    ("query", "status", "says"),
    [
        ("by=colour", 422, "by has 'colour' in it; known: tool, controller"),
        ("by=shift,hour", 422, "by can have one of shift, plant_day, hour only"),
        ("by=tool,tool", 422, "by has tool twice"),
        ("line=line-2", 404, "the book has no controller on line 'line-2'"),
    ],
)
async def test_a_wrong_question_gets_one_clear_sentence(
    client: httpx.AsyncClient, query: str, status: int, says: str
) -> None:
    """What is wrong and what to write."""
    answer = await client.get(f"/v1/counts?{query}")
    assert answer.status_code == status
    assert says in answer.json()["detail"]


async def test_counts_that_are_not_complete_fail_on_request(client: httpx.AsyncClient) -> None:
    """With the reasons, and when to ask again; complete ones do not."""
    lost = "/v1/counts?from=2026-03-29T09:00:00Z&to=2026-03-29T12:00:00Z&require=complete"
    for address in (lost, f"{lost}&format=csv"):
        answer = await client.get(address)
        assert (answer.status_code, answer.json()["type"]) == (409, "/problems/not-complete")
        assert any("5 cycles of controller A-01 are missing" in each for each in answer.json()["reasons"])
        assert int(answer.headers["retry-after"]) >= 60
    whole = "/v1/counts?from=2026-10-24T00:00:00Z&to=2026-10-25T00:00:00Z&require=complete"
    assert (await client.get(whole)).status_code == 200
