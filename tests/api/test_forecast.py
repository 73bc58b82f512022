"""When a service is due and a punch comes to its limit, over REST: a plant whose dates are known by hand."""

import json
import time
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from pydantic import BaseModel

from api.schemas import forecast, records
from api.stores import Stores
from collector.config import load_site
from collector.model import BookedCycle, Cycle, Gap, Position
from collector.rfc3339 import format_rfc3339
from collector.store.engine import StoreAddress
from tests.api.asking import asking
from tests.api.plant import IDENTITIES, MOVED, SITE, Filling, Plant, writing

HOUR, MINUTE, DAY = timedelta(hours=1), timedelta(minutes=1), timedelta(days=1)
MONDAY = datetime(2026, 5, 4, 4, 20, tzinfo=UTC)
"""06:20 in Berlin: the early shift begins, of 502 minutes; the late one of 448 follows."""
WEEKS = 8
TODAY = MONDAY + WEEKS * 7 * DAY
"""A Monday too; the controller was read through to its early shift's begin."""
EARLY, LATE = 20, 10
"""Cycles of each shift from Monday to Friday; by night and on weekends none."""
A_WEEK = 5 * (EARLY + LATE)
SPAN = 1000
LIMIT_M_S = 6.0
TOOL_MODEL = f"""
[[tool_models]]
maker = "Sample Works"
model = "C-4"
service_cycle_span = {SPAN}

[tool_models.limits.punch_velocity_m_s]
lower = {LIMIT_M_S}
"""
FORECAST = "/v1/tools/2042/forecast"


@dataclass
class Asking:
    client: httpx.AsyncClient
    app: FastAPI
    folder: Path

    async def forecast(self) -> dict[str, Any]:
        answer = await self.client.get(FORECAST)
        assert answer.status_code == 200, answer.text
        forecast.ToolForecast.model_validate_json(answer.content, strict=True)
        return dict(answer.json())

    async def serviced(self, done_at: datetime) -> None:
        said = {"done_by": "Fitter 7", "done_at": format_rfc3339(done_at)}
        assert (await self.client.post("/v1/tools/2042/service", json=said)).status_code == 201

    def site_is(self, text: str) -> None:
        path = self.folder / "site.toml"
        path.write_text(text, encoding="utf-8")
        self.app.state.site = load_site(path)[0]


async def fill(
    plant: Plant, velocities: Sequence[float | None], supply_kpa: Sequence[float] | None = None
) -> None:
    """One cycle a velocity, as `ends` has them; read through to TODAY."""
    async with writing(plant) as filling:
        await filling.writer.register(IDENTITIES)
        await filling.mount("A-01", MOVED, MONDAY)
        pressures = supply_kpa or [600.0] * len(velocities)
        booked = [
            BookedCycle(1, number, at, 1.0, MOVED, Cycle(
                sequence=number, raw=b"", result="ok", completion="completed", mode="automatic",
                punch_velocity_m_s=velocity, punch_pressure_kpa=620.0, supply_pressure_kpa=kpa,
            ))
            for number, (at, velocity, kpa) in enumerate(zip(ends(), velocities, pressures, strict=True), 1)
        ]  # fmt: skip
        await filling.book("A-01", booked, [])
        await read_through(filling, TODAY)


async def read_through(filling: Filling, at: datetime) -> None:
    position = filling.plant.positions["A-01"]
    await filling.commit("A-01", to=Position(position.epoch, position.sequence, None, at))


def ends() -> list[datetime]:
    """Even within each shift."""
    days = [MONDAY + day * DAY for day in range(WEEKS * 7) if day % 7 < 5]
    return [
        at
        for day in days
        for begin, minutes, cycles in ((day, 502, EARLY), (day + 502 * MINUTE, 448, LATE))
        for at in (begin + (number + 0.5) * minutes / cycles * MINUTE for number in range(cycles))
    ]


MADE = WEEKS * A_WEEK


def worn(loss_per_cycle: float, seed: int = 1) -> list[float | None]:
    """v² goes straight down, from 49; measured through noise of 1 %."""
    random = Random(seed)
    return [(49 - loss_per_cycle * count) ** 0.5 * random.gauss(1, 0.01) for count in range(MADE)]


@pytest.fixture
async def used(request: pytest.FixtureRequest, built_app: FastAPI, tmp_path: Path) -> AsyncIterator[Asking]:
    """Over a plant with the velocities of the test's parameter; without one, none was measured."""
    plant = Plant(StoreAddress(folder=tmp_path / "own"))
    await fill(plant, *getattr(request, "param", ([None] * MADE,)))
    site = built_app.state.site
    built_app.state.stores = Stores(plant.address)
    async with asking(built_app) as client:
        asked = Asking(client, built_app, tmp_path)
        asked.site_is(SITE + TOOL_MODEL)
        yield asked
    built_app.state.stores.close()
    built_app.state.site = site


# ---- service by count --------------------------------------------------------------------------------------


async def test_a_service_is_due_after_as_many_shifts_as_its_cycles_take(used: Asking) -> None:
    """The last four weeks' 600 cycles count; 400 remain: two weeks and 100 cycles, that is three days and 10
    cycles of Thursday's early shift, half of it: 16 July, 10:31 in Berlin."""
    await used.serviced(TODAY - 4 * 7 * DAY)
    found = await used.forecast()
    service = found["service"]
    assert found["as_of"] == format_rfc3339(TODAY)
    assert (service["service_cycle_span"], service["service_cycle_count"]) == (SPAN, 600)
    assert (service["remaining_cycles"], service["unknown"]) == (400, {})
    due = TODAY + 17 * DAY + 251 * MINUTE
    low, at, high = (datetime.fromisoformat(service[name]) for name in ("low_at", "at", "high_at"))
    assert low <= at <= high
    assert low - HOUR <= due <= high
    assert abs(at - due) < 1 * DAY
    assert found["confidence"] == 0.9
    assert found["cautions"]


async def test_the_use_that_it_rests_on_stands_beside_it(used: Asking) -> None:
    """By weekday and shift; weekends, on which the tool never works, are not in it."""
    use = (await used.forecast())["use"]
    assert (use["seen_from"], use["seen_to"]) == (
        format_rfc3339(MONDAY), format_rfc3339(TODAY - 2 * DAY),
    )  # fmt: skip
    assert (use["shifts"], use["shifts_not_counted"]) == (WEEKS * 5 * 3, 0)
    by = {(each["weekday"], each["shift"]): each for each in use["by_weekday_and_shift"]}
    assert list(by)[:4] == [
        ("monday", "early"),
        ("monday", "late"),
        ("monday", "night"),
        ("tuesday", "early"),
    ]
    assert len(by) == 5 * 3
    early, night = by["wednesday", "early"], by["friday", "night"]
    assert (early["shifts"], early["idle_shifts"], early["cycles_per_shift"]) == (WEEKS, 0, EARLY)
    assert (early["low_cycles_per_shift"], early["high_cycles_per_shift"]) == (EARLY, EARLY)
    assert early["cycles_per_hour"] == pytest.approx(EARLY / (502 / 60))
    assert (night["idle_shifts"], night["cycles_per_shift"]) == (WEEKS, 0)


async def test_an_overdue_service_has_no_date_and_negative_cycles(used: Asking) -> None:
    """All 1,200 cycles since the service: 200 more than the span."""
    await used.serviced(MONDAY)
    service = (await used.forecast())["service"]
    assert service["remaining_cycles"] == SPAN - MADE
    assert (service["at"], service["low_at"]) == (None, None)
    assert service["unknown"] == dict.fromkeys(("at", "low_at", "high_at"), "the service is due already")
    state = (await used.client.get("/v1/tools/2042/service")).json()
    tool = (await used.client.get("/v1/tools/2042")).json()
    for shown in (state, tool):
        assert (shown["service_cycle_span"], shown["service_cycle_count"]) == (SPAN, MADE)
        assert shown["remaining_cycles"] == SPAN - MADE
    assert state["forecast"] == FORECAST
    records.ToolDetail.model_validate_json((await used.client.get("/v1/tools/2042")).content, strict=True)


async def test_without_a_span_or_a_service_there_is_no_date_and_the_reason_is_told(used: Asking) -> None:
    """Each of what is missing by its name."""
    no_service = (await used.forecast())["service"]
    assert no_service["unknown"]["at"] == "no service of this tool is recorded"
    assert no_service["service_cycle_span"] == SPAN
    used.site_is(SITE)
    await used.serviced(TODAY - DAY)
    no_model = await used.forecast()
    says = "the site file has no [[tool_models]] of Sample Works C-4"
    assert no_model["service"]["unknown"]["service_cycle_span"] == says
    assert no_model["service"]["unknown"]["remaining_cycles"] == says
    assert no_model["punch"]["unknown"]["limit_m_s"] == says
    used.site_is(SITE + '[[tool_models]]\nmaker = "Sample Works"\nmodel = "C-4"\n')
    no_limit = await used.forecast()
    assert "gives no service_cycle_span" in no_limit["service"]["unknown"]["at"]
    assert "gives no lower limit of punch_velocity_m_s" in no_limit["punch"]["unknown"]["at"]


async def test_a_tool_that_was_hardly_used_gets_no_date(built_app: FastAPI, used: Asking) -> None:
    """Here: of which all but the last week is in a gap, so that nobody counted those shifts."""
    await used.serviced(TODAY - 7 * DAY)
    plant = Plant(
        StoreAddress(folder=used.folder / "own"), positions={"A-01": Position(1, MADE, None, TODAY)}
    )
    async with writing(plant) as filling:
        lost = Gap(1, MADE + 1, MADE + 9, "history overwritten", MONDAY, TODAY - 7 * DAY)
        await filling.commit("A-01", to=Position(1, MADE + 9, None, TODAY), gaps=(lost,))
    found = await used.forecast()
    assert found["use"]["shifts_not_counted"] > 100
    assert (found["service"]["remaining_cycles"], found["service"]["at"]) == (SPAN - A_WEEK, None)
    assert "a forecast needs at least 10" in found["service"]["unknown"]["at"]
    assert found["service"]["gap_cycles"] == 9


# ---- the punch ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("used", [(worn(0.005),)], indirect=True)
async def test_a_punch_that_wears_gets_the_cycles_and_the_date_of_its_limit(used: Asking) -> None:
    """v² falls by 5 a 1,000 cycles from 49, so it comes to 36 after 2,600: 1,400 more, 9 weeks and 50."""
    punch = (await used.forecast())["punch"]
    assert (punch["limit_m_s"], punch["values"], punch["unknown"]) == (LIMIT_M_S, MADE, {})
    assert punch["p_value"] < 1e-6
    assert punch["low_remaining_cycles"] <= 1400 <= punch["high_remaining_cycles"]
    assert punch["remaining_cycles"] == pytest.approx(1400, rel=0.15)
    # dv/dn = 0.0025/v, between 7 and 6.557 m/s
    assert -1000 * 0.0025 / 6.5 < punch["slope_m_s_per_1000_cycles"] < -1000 * 0.0025 / 7.1
    low, at, high = (datetime.fromisoformat(punch[name]) for name in ("low_at", "at", "high_at"))
    due = TODAY + 9 * 7 * DAY + 1 * DAY
    assert low <= due <= high
    assert abs(at - due) < 14 * DAY


@pytest.mark.parametrize("used", [(worn(0.0),)], indirect=True)
async def test_a_punch_without_a_trend_gets_no_date_and_the_refusal_in_words(used: Asking) -> None:
    """The slope is shown with its interval all the same."""
    punch = (await used.forecast())["punch"]
    assert (punch["at"], punch["remaining_cycles"]) == (None, None)
    assert punch["unknown"]["at"] == "there is no trend: what changes is within the noise"
    assert punch["low_slope_m_s_per_1000_cycles"] <= 0 <= punch["high_slope_m_s_per_1000_cycles"]
    assert punch["p_value"] > 0.05


LOW_AIR = [600.0 - 40.0 * number / MADE for number in range(MADE)]


@pytest.mark.parametrize(
    "used", [([7 * (kpa / 600) ** 0.5 * Random(n).gauss(1, 0.01) for n, kpa in enumerate(LOW_AIR)], LOW_AIR)],
    indirect=True,
)  # fmt: skip
async def test_falling_air_is_no_wear(used: Asking) -> None:
    """Velocities are brought to the newest pressure by v·√(p₀/p): what is left has no trend."""
    punch = (await used.forecast())["punch"]
    assert punch["reference_pressure_kpa"] == pytest.approx(560 + 40 * 100 / MADE, abs=0.1)
    assert punch["unknown"]["at"] == "there is no trend: what changes is within the noise"


async def test_a_tool_without_velocities_says_so(used: Asking) -> None:
    """And that no pressure was looked at."""
    punch = (await used.forecast())["punch"]
    assert (punch["values"], punch["p_value"]) == (0, None)
    assert punch["unknown"]["at"].startswith("too little was seen")
    assert punch["unknown"]["slope_m_s_per_1000_cycles"].startswith("too little was seen")
    assert punch["unknown"]["reference_pressure_kpa"] == "the records tell no pressure"


@pytest.mark.parametrize("used", [(worn(0.005),)], indirect=True)
async def test_what_was_worn_before_a_service_says_nothing_of_after(used: Asking) -> None:
    """The watch begins anew: 300 cycles since then."""
    await used.serviced(TODAY - 14 * DAY)
    punch = (await used.forecast())["punch"]
    assert punch["values"] == 2 * A_WEEK
    assert punch["seen_from"] == format_rfc3339(TODAY - 14 * DAY)


@pytest.mark.parametrize("used", [(worn(0.005),)], indirect=True)
async def test_both_forecasts_come_well_within_a_second(used: Asking) -> None:
    """The best of three: the machine may have other things to do."""
    await used.serviced(TODAY - 4 * 7 * DAY)
    took: list[float] = []
    for _ in range(3):
        began = time.perf_counter()
        await used.forecast()
        took.append(time.perf_counter() - began)
    assert min(took) < 1.0, took


async def test_asking_twice_gives_the_same_dates(used: Asking) -> None:
    """The draws are the same for the same question."""
    await used.serviced(TODAY - 4 * 7 * DAY)
    assert await used.forecast() == await used.forecast()


@pytest.mark.parametrize("model", [forecast.ServiceForecast, forecast.ShiftUse])
def test_the_examples_of_the_document_are_answers(model: type[BaseModel]) -> None:
    """With every member and no other."""
    for example in model.model_json_schema()["examples"]:
        model.model_validate_json(json.dumps(example), strict=True)
