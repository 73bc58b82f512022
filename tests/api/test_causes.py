"""Likely causes of a change over REST: what splits the cycles, what speaks for which cause, "can't tell"."""

from datetime import datetime, timedelta
from typing import Any

import httpx
import numpy as np
import pytest

from api.schemas import findings
from collector.model import BookedCycle, Cycle
from tests.api.plant import LATEST, MOVED, Plant, writing

CAUSES = "/v1/tools/2042/causes"
SLOWED = 60
"""Cycles before the punch slows, and after."""


def minute(number: int) -> datetime:
    return LATEST + timedelta(minutes=number)


@pytest.fixture
async def slowed(plant: Plant) -> str:
    """After all else on A-02, the punch slows by 6 % while the air stays; the id of the first slow cycle."""
    rng = np.random.default_rng(1)
    first = plant.positions["A-02"].sequence + 1
    booked = [
        BookedCycle(
            2,
            first + number,
            minute(number),
            500.0,
            MOVED,
            Cycle(
                sequence=first + number,
                result="ok",
                completion="completed",
                mode="automatic",
                punch_velocity_m_s=float(rng.normal(2.0 if number < SLOWED else 1.88, 0.008)),
                supply_pressure_kpa=float(rng.normal(620, 2)),
                punch_pressure_kpa=330.0,
                raw=b"record",
            ),
        )
        for number in range(2 * SLOWED)
    ]
    async with writing(plant) as filling:
        await filling.book("A-02", booked, [])
    return f"A-02.2.{first + SLOWED}"


async def ask(client: httpx.AsyncClient, query: str = "") -> dict[str, Any]:
    answer = await client.get(f"{CAUSES}?{query}" if query else CAUSES)
    assert answer.status_code == 200, answer.text
    findings.Causes.model_validate_json(answer.content, strict=True)
    return dict(answer.json())


async def test_the_change_of_the_punch_velocity_splits_the_cycles(
    client: httpx.AsyncClient, slowed: str
) -> None:
    """By default; the cause is ranked, with the evidence in words and numbers, and cautions."""
    found = await ask(client)
    assert found["split_by"].startswith("change of the punch velocity (p = ")
    assert found["after"]["first_cycle"] == slowed
    assert (found["after"]["cycles"], found["after"]["ends_at"]) == (SLOWED, "2026-10-27T01:59:00Z")
    assert found["split_at"] == found["after"]["begins_at"]
    assert found["verdict"] == found["causes"][0]["cause"] == "punch wear or lubrication"
    assert "punch velocity 2 to 1.8" in found["why"]
    assert found["causes"][0]["low"] <= found["causes"][0]["strength"] <= found["causes"][0]["high"]
    velocity = next(each for each in found["effects"] if each["measure"] == "punch velocity")
    assert velocity["change"] == pytest.approx(-0.06, abs=0.005)
    assert velocity["low"] < velocity["change"] < velocity["high"] < 0
    assert (velocity["values_after"], velocity["unit"]) == (SLOWED, "m/s")
    assert found["cautions"]


async def test_an_instant_or_two_windows_split_them_too(client: httpx.AsyncClient, slowed: str) -> None:
    """What is asked for is what is compared, half-open."""
    at = minute(SLOWED).isoformat().replace("+00:00", "Z")
    found = await ask(client, f"at={at}")
    assert (found["split_at"], found["after"]["first_cycle"]) == (at, slowed)
    assert found["verdict"] == "punch wear or lubrication"
    bounds = [minute(number).isoformat().replace("+00:00", "Z") for number in (0, 30, 30, 60)]
    names = ("before_from", "before_to", "after_from", "after_to")
    same = await ask(client, "&".join(f"{name}={bound}" for name, bound in zip(names, bounds, strict=True)))
    assert (same["before"]["cycles"], same["after"]["cycles"]) == (30, 30)
    assert (same["split_at"], same["unknown"]["split_at"]) == (None, "the windows were given")
    assert same["verdict"] is None
    assert same["why"] == same["unknown"]["verdict"] == "can't tell: nothing stands out"
    assert same["causes"] == []


async def test_the_newest_finding_of_a_shift_splits_them_where_the_velocity_does_not(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """Its begin is taken, and it is named."""
    found = await ask(client)
    assert found["split_at"] == "2026-10-25T00:00:00Z"
    assert found["split_by"] == f"begin of finding {plant.findings[1]}: punch slower"
    assert found["unknown"]["causes.no band"].startswith("the site file names no fault codes")


async def test_where_nothing_splits_them_it_can_not_be_told(client: httpx.AsyncClient) -> None:
    """With what to ask instead."""
    answer = await client.get("/v1/tools/2041/causes?maker=Sample%20Works")
    found = findings.Causes.model_validate_json(answer.content, strict=True)
    assert (found.verdict, found.before, found.causes) == (None, None, [])
    assert "say at which instant with at=" in found.why
    assert set(found.unknown) == {"split_at", "before", "after", "verdict"}


async def test_windows_without_cycles_can_not_be_compared(client: httpx.AsyncClient) -> None:
    """An instant before the first cycle leaves nothing before it."""
    found = await ask(client, "at=2020-01-01T00:00:00Z")
    assert found["before"] == {
        "cycles": 0,
        "first_cycle": None,
        "last_cycle": None,
        "begins_at": None,
        "ends_at": None,
    }
    assert found["why"] == "can't tell: too little is known of the cycles before or after"


@pytest.mark.parametrize(
    ("query", "says"),
    [
        (
            "before_from=2026-10-25T00:00:00Z",
            "two windows have four bounds; not given: before_to, after_from, after_to",
        ),
        (
            "at=2026-10-25T00:00:00Z&after_to=2026-10-25T00:00:00Z",
            "give either at or the four bounds, not at and after_to",
        ),
        (
            "before_from=2026-10-25T00:00:00Z&before_to=2026-10-24T00:00:00Z"
            "&after_from=2026-10-25T00:00:00Z&after_to=2026-10-26T00:00:00Z",
            "the bounds must follow one another: before_from, before_to, after_from, after_to",
        ),
    ],
)  # fmt: skip
async def test_bounds_that_make_no_windows_are_refused(
    client: httpx.AsyncClient, query: str, says: str
) -> None:
    """In one clear sentence."""
    answer = await client.get(f"{CAUSES}?{query}")
    assert (answer.status_code, answer.json()["detail"]) == (422, says)
