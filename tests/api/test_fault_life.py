"""How long it goes well between faults, over REST: the day of `test_fault_rates`, counted by hand."""

import asyncio
from collections.abc import AsyncIterator
from math import log
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
from fastapi import FastAPI
from scipy.stats import weibull_min

from api.resources import fault_life
from tests.api.asking import asking
from tests.api.plant import MOVED
from tests.api.test_fault_rates import WHOLE, app_over, one_day

AGES = [9.5, 19.5, 29.5, 100.5]
"""Of MOVED, at its faults: a cycle every 6 minutes, 100 of them; faults after 1, 2, 3 and 21 hours."""


@pytest.fixture
async def day(built_app: FastAPI, tmp_path: Path) -> AsyncIterator[httpx.AsyncClient]:
    app = await asyncio.to_thread(app_over, built_app, tmp_path, one_day)
    async with asking(app) as client:
        yield client


async def life(client: httpx.AsyncClient, **query: str) -> dict[str, Any]:
    answer = await client.get("/v1/faults/life", params=WHOLE | query)
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


async def test_the_life_of_one_tool_is_that_of_its_stretches(day: httpx.AsyncClient) -> None:
    """Held against SciPy's own fit. Its last stretch has no cycle in it, so nothing was cut off."""
    found = await life(day, tool=MOVED.serial)
    assert (found["life"]["stretches"], found["life"]["cut_off"]) == (3, 0)
    shape, _, scale = weibull_min.fit(np.diff(AGES), floc=0)
    assert found["life"]["shape"] == pytest.approx(shape, rel=1e-3)
    assert found["life"]["scale"] == pytest.approx(scale, rel=1e-3)
    assert found["from_now"]["cycles_since_last"] == 0
    assert found["from_now"]["cycles_at_50_percent"] == pytest.approx(scale * log(2) ** (1 / shape), rel=1e-3)


async def test_the_trend_of_one_tool_goes_by_the_cycles_at_its_faults(day: httpx.AsyncClient) -> None:
    """Formula: MIL-HDBK-189, appendix C."""
    found = await life(day, tool=MOVED.serial)
    shape = (len(AGES) - 1) / sum(log(100.5 / age) for age in AGES)
    assert found["trend"]["shape"] == pytest.approx(shape)
    assert found["trend"]["cycles_between_at_end"] == pytest.approx(100.5 / (4 * shape))
    low, high = found["trend"]["low_cycles_between"], found["trend"]["high_cycles_between"]
    assert low < found["trend"]["cycles_between_at_end"] < (high or np.inf)


async def test_faults_of_several_tools_are_shared_among_those_still_watched(day: httpx.AsyncClient) -> None:
    """Both tools until 50 cycles, then one: 1/2 at 9.5, 19.5, 29.5 and 39.5 (of TWIN_1), 1 at 100.5."""
    found = await life(day)
    assert [(step["cycles"], step["faults"]) for step in found["mean_faults"]] == [
        (9.5, 0.5),
        (19.5, 1.0),
        (29.5, 1.5),
        (39.5, 2.0),
        (100.5, 3.0),
    ]
    assert found["from_now"]["cycles_since_last"] is None
    assert "name one" in found["from_now"]["unknown"]["cycles_since_last"]


async def test_what_too_few_faults_do_not_say_is_null_with_the_reason(day: httpx.AsyncClient) -> None:
    found = await life(day, code="E02", tool=MOVED.serial)
    assert found["count"] == 1
    for part, name in (("life", "shape"), ("trend", "shape"), ("from_now", "cycles_at_90_percent")):
        assert found[part][name] is None
        assert found[part]["unknown"][name]
    assert found["from_now"]["cycles_since_last"] == 100.5 - 29.5


async def test_too_many_faults_are_refused_with_a_way_out(
    day: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(fault_life, "MOST_FAULTS", 5)
    answer = await day.get("/v1/faults/life", params=WHOLE)
    assert answer.status_code == 422
    assert "a shorter time, or a code" in answer.text
