"""How often tools fault, over REST: every figure of a small plant is counted by hand here."""

import asyncio
import json
import re
from collections import Counter
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import BaseModel

from api.resources.fault_rates import rates
from api.schemas import fault_rates
from api.stores import Stores
from collector.analysis.faults import Exposure
from collector.config import load_site
from collector.ledger import NO_TOOL
from collector.model import (
    BookedCycle,
    ControllerIdentity,
    Cycle,
    FaultCleared,
    FaultRaised,
    Gap,
    Position,
    Status,
    StatusSeen,
    ToolName,
)
from collector.rfc3339 import format_rfc3339
from collector.store.engine import StoreAddress
from tests.api.asking import asking
from tests.api.plant import IDENTITIES, MOVED, SITE, TWIN_1, Filling, Plant, writing

HOUR, MINUTE, SECOND = timedelta(hours=1), timedelta(minutes=1), timedelta(seconds=1)
BEGIN = datetime(2026, 10, 24, 4, 20, tzinfo=UTC)
"""06:20 in Berlin, where the early shift begins; the night of that plant day is an hour longer."""
END = BEGIN + 25 * HOUR
WHOLE = {"from": format_rfc3339(BEGIN), "to": format_rfc3339(END)}


def app_over(
    built_app: FastAPI,
    folder: Path,
    fill: Callable[[Filling], Any],
    identities: Sequence[ControllerIdentity] = IDENTITIES,
) -> FastAPI:
    """The application over a plant of a test's own."""
    plant = Plant(StoreAddress(folder=folder / "own"))

    async def made() -> None:
        async with writing(plant) as filling:
            await filling.writer.register(identities)
            await fill(filling)

    asyncio.run(made())
    built_app.state.stores = Stores(plant.address)
    return built_app


async def work(filling: Filling, controller: str, tool: ToolName, ends: list[datetime]) -> None:
    before = filling.plant.positions.get(controller)
    first = before.sequence + 1 if before else 1
    booked = [
        BookedCycle(
            1, number, at, 1.0, tool, Cycle(sequence=number, result="ok", completion="completed", raw=b"r")
        )
        for number, at in enumerate(ends, start=first)
    ]
    if booked:
        await filling.book(controller, booked, [])


async def fault(
    filling: Filling, controller: str, code: str, tool: ToolName, at: datetime, stood: timedelta | None
) -> None:
    raised = FaultRaised(code, f"sample {code}", "process", tool, at, None)
    await filling.commit(controller, faults=(raised,))
    if stood is not None:
        await filling.commit(controller, faults=(FaultCleared(code, at + stood),))


async def seen(filling: Filling, controller: str, at: datetime) -> None:
    status = StatusSeen(Status(last_sequence=0), at, None, None)
    await filling.commit(controller, seen=status)


async def one_day(filling: Filling) -> None:
    """One tool at A-01 for 25 hours, 100 cycles, one every 6 minutes; one at A-02 for 5 hours, 50 cycles. Six
    faults, one of them with no tool at the controller, one that stands still; 7 cycles are missing."""
    await filling.mount("A-01", MOVED, BEGIN)
    await filling.mount("A-02", TWIN_1, BEGIN)
    await work(filling, "A-01", MOVED, [BEGIN + 6 * MINUTE * number for number in range(1, 101)])
    await work(filling, "A-02", TWIN_1, [BEGIN + 6 * MINUTE * number for number in range(1, 51)])
    await filling.mount("A-02", None, BEGIN + 5 * HOUR)
    await seen(filling, "A-01", END)
    await seen(filling, "A-02", END)
    for hour in (1, 2, 21):
        await fault(filling, "A-01", "E01", MOVED, BEGIN + hour * HOUR, 60 * SECOND)
    await fault(filling, "A-01", "E02", MOVED, BEGIN + 3 * HOUR, None)
    await fault(filling, "A-02", "E01", TWIN_1, BEGIN + 4 * HOUR, 600 * SECOND)
    await fault(filling, "A-02", "E09", NO_TOOL, BEGIN + 6 * HOUR, 10 * SECOND)
    gap = Gap(1, 101, 107, "history overwritten", BEGIN + 20 * HOUR, BEGIN + 21 * HOUR)
    await filling.commit("A-01", to=Position(1, 107), gaps=(gap,))


@pytest.fixture
async def day(built_app: FastAPI, tmp_path: Path) -> AsyncIterator[httpx.AsyncClient]:
    app = await asyncio.to_thread(app_over, built_app, tmp_path, one_day)
    async with asking(app) as client:
        yield client
    app.state.stores.close()


async def summary(client: httpx.AsyncClient, **asked: str) -> dict[str, Any]:
    answer = await client.get("/v1/faults/summary", params=WHOLE | asked)
    assert answer.status_code == 200, answer.text
    fault_rates.FaultSummary.model_validate_json(answer.content, strict=True)
    return dict(answer.json())


def bars(found: dict[str, Any], *members: str) -> list[tuple[Any, ...]]:
    return [tuple(each[name] for name in ("label", *members)) for each in found["items"]]


def exposures(found: dict[str, Any]) -> dict[str, tuple[int, float]]:
    return {
        each["label"]: (each["exposure"]["cycles"], pytest.approx(each["exposure"]["hours"]))
        for each in found["items"]
        if each["exposure"]
    }


async def test_codes_stand_in_order_of_their_count_with_shares_and_standing_time(
    day: httpx.AsyncClient,
) -> None:
    """What stands still has no time yet: it is said, not counted as zero."""
    found = await summary(day)
    assert bars(found, "count", "standing_s", "untimed") == [
        ("E01", 4, 780.0, 0), ("E02", 1, 0.0, 1), ("E09", 1, 10.0, 0),
    ]  # fmt: skip
    assert [each["share"] for each in found["items"]] == pytest.approx([4 / 6, 1 / 6, 1 / 6])
    assert [each["cumulative_share"] for each in found["items"]] == pytest.approx([4 / 6, 5 / 6, 1])
    assert found["items"][0]["of"] == {"code": "E01", "text": "sample E01", "category": "process"}
    assert found["total"] == {"count": 6, "standing_s": 790.0, "untimed": 1}
    assert (found["without_tool"], found["next"]) == (1, None)
    assert found["cautions"]


async def test_rates_are_over_all_cycles_and_hours_with_exact_intervals(day: httpx.AsyncClient) -> None:
    """150 cycles, 25 + 5 hours mounted; a count of 4 has the 95 % interval 1.0899 to 10.2416 (Garwood)."""
    found = await summary(day)
    assert found["exposure"] == {"cycles": 150, "hours": 30.0, "gap_cycles": 7, "unknown": {}}
    rates = found["items"][0]["rates"]
    assert rates["per_1000_cycles"] == pytest.approx(4 / 0.15)
    assert rates["low_per_1000_cycles"] == pytest.approx(1.0899 / 0.15, rel=1e-4)
    assert rates["high_per_1000_cycles"] == pytest.approx(10.2416 / 0.15, rel=1e-4)
    assert rates["per_hour"] == pytest.approx(4 / 30)
    assert rates["high_per_hour"] == pytest.approx(10.2416 / 30, rel=1e-4)
    assert found["confidence"] == 0.95


async def test_a_mean_between_faults_counts_the_stretches_without_one(day: httpx.AsyncClient) -> None:
    """150 cycles by 6 faults, the 129 cycles around the last fault too; interval 300/χ²(0.975; 14) = 11.486
    to 300/χ²(0.025; 12) = 68.12 (quantiles 26.119 and 4.404 from the usual tables)."""
    rates = (await summary(day))["rates"]
    assert rates["mean_cycles_between"] == 25.0
    assert rates["low_cycles_between"] == pytest.approx(300 / 26.119, rel=1e-4)
    assert rates["high_cycles_between"] == pytest.approx(300 / 4.404, rel=1e-4)
    assert rates["mean_hours_between"] == 5.0
    assert rates["unknown"] == {}


async def test_by_tool_each_has_its_own_cycles_and_hours(day: httpx.AsyncClient) -> None:
    """A fault without a tool is in a bar without a name, which has no rate."""
    found = await summary(day, by="tool")
    assert bars(found, "count") == [("2042", 4), ("2041", 1), (None, 1)]
    assert exposures(found) == {"2042": (100, 25.0), "2041": (50, 5.0)}
    assert found["items"][1]["of"] == {"maker": "Example Tools", "model": "BT-20", "serial": "2041"}
    nobody = found["items"][2]
    assert (nobody["rates"], nobody["of"]) == (None, None)
    assert "no tool was known" in nobody["unknown"]["rates"]


async def test_by_station_each_has_what_was_made_and_mounted_there(day: httpx.AsyncClient) -> None:
    """A fault is of its station whether or not a tool was there."""
    found = await summary(day, by="station")
    assert bars(found, "count") == [("line-1, station-1", 4), ("line-1, station-2", 2)]
    assert exposures(found) == {"line-1, station-1": (100, 25.0), "line-1, station-2": (50, 5.0)}
    assert found["items"][0]["of"] == {"line": "line-1", "station": "station-1"}


async def test_the_night_on_which_the_clocks_go_back_is_an_hour_longer(day: httpx.AsyncClient) -> None:
    """Early 06:20 to 14:42, late to 22:10, and to 06:20 nobody works on a Saturday, by the wall clock: 8:22,
    7:28 and 9:10 hours. Of a cycle every 6 minutes, 83 end in the 502 minutes of the early shift; A-02's 50
    all do."""
    found = await summary(day, by="shift")
    assert bars(found, "count") == [("early", 5), ("outside", 1), ("late", 0)]
    hours = {"early": 8 + 22 / 60 + 5, "late": 7 + 28 / 60, "outside": 9 + 10 / 60}
    assert exposures(found) == {
        "early": (133, pytest.approx(hours["early"])),
        "late": (17, pytest.approx(hours["late"])),
        "outside": (0, pytest.approx(hours["outside"])),
    }
    night, late = found["items"][1], found["items"][2]
    assert night["rates"]["per_1000_cycles"] is None
    assert night["rates"]["unknown"]["per_1000_cycles"] == "no cycle was made"
    assert night["rates"]["per_hour"] == pytest.approx(1 / hours["outside"])
    assert (late["rates"]["mean_cycles_between"], late["rates"]["high_cycles_between"]) == (None, None)
    assert late["rates"]["low_cycles_between"] == pytest.approx(17 / 2.995732, rel=1e-6)  # −ln 0.05
    assert "no fault was seen" in late["rates"]["unknown"]["mean_cycles_between"]


async def test_each_line_has_its_own_shifts(built_app: FastAPI, tmp_path: Path) -> None:
    """A-02 is on a line whose only shift is as long as the day: its 50 cycles and two faults are of that."""
    text = SITE.replace('name = "A-02"\nline = "line-1"', 'name = "A-02"\nline = "line-2"')
    text = re.sub('(ends = ".*")', '\\1\nlines = ["line-1"]', text)
    text += '[[shifts]]\nname = "day"\nbegins = "06:20"\nends = "06:20"\nlines = ["line-2"]\n'
    (tmp_path / "site.toml").write_text(text, encoding="utf-8")
    elsewhere = [IDENTITIES[0], replace(IDENTITIES[1], line="line-2")]
    usual = built_app.state.site
    app = await asyncio.to_thread(app_over, built_app, tmp_path, one_day, elsewhere)
    app.state.site = load_site(tmp_path / "site.toml")[0]
    try:
        async with asking(app) as client:
            found = await summary(client, by="shift")
    finally:
        app.state.site = usual
        app.state.stores.close()
    assert bars(found, "count") == [("early", 3), ("day", 2), ("outside", 1), ("late", 0)]
    assert exposures(found) == {
        "early": (83, pytest.approx(8 + 22 / 60)),
        "day": (50, 5.0),
        "outside": (0, pytest.approx(9 + 10 / 60)),
        "late": (17, pytest.approx(7 + 28 / 60)),
    }


async def test_bursts_are_refused_where_too_little_was_seen(day: httpx.AsyncClient) -> None:
    """One fault says nothing of how faults are spread, the reason is in words; five of six in the early shift
    that made 133 of 150 cycles are what is to be expected."""
    found = (await summary(day))["bursts"]
    # The fault outside of all shifts has no cycle to be held against.
    expected = [5 * 133 / 150, 5 * 17 / 150]
    chi2 = (5 - expected[0]) ** 2 / expected[0] + expected[1]
    assert found["dispersion"] == pytest.approx(chi2)
    assert found["p_value"] > 0.3
    quiet = (await summary(day, code="E09"))["bursts"]
    assert quiet["dispersion"] is None
    assert "too few to tell" in quiet["unknown"]["dispersion"]


async def test_tool_controller_code_and_category_narrow_it(day: httpx.AsyncClient) -> None:
    """Faults and exposure alike."""
    assert (await summary(day, tool="2042"))["exposure"]["cycles"] == 100
    assert (await summary(day, tool="2042"))["tool"]["maker"] == "Sample Works"
    assert (await summary(day, controller="A-02"))["exposure"] == {
        "cycles": 50, "hours": 5.0, "gap_cycles": 0, "unknown": {},
    }  # fmt: skip
    assert (await summary(day, code="E02"))["total"]["count"] == 1
    assert (await summary(day, category="safety"))["items"] == []
    nowhere = await summary(day, tool="2042", controller="A-02")
    assert nowhere["rates"]["per_hour"] is None
    assert nowhere["rates"]["unknown"]["per_hour"] == "no tool was seen mounted"


async def test_without_an_interval_it_is_of_the_last_four_weeks(day: httpx.AsyncClient) -> None:
    """And says from when to when."""
    found = (await day.get("/v1/faults/summary")).json()
    begin, end = (datetime.fromisoformat(found[name]) for name in ("begins_at", "ends_at"))
    assert end - begin == timedelta(days=28)
    assert abs(end - datetime.now(UTC)) < timedelta(minutes=5)


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("by=week", "by must be 'code', 'tool', 'station' or 'shift'"),
        ("from=2026-10-24T00:00:00Z&to=2026-10-24T00:00:00Z", "to must be after from"),
        ("from=2025-01-01T00:00:00Z&to=2026-10-24T00:00:00Z", "to must be at most 366 days after from"),
        ("since=2026-10-24T00:00:00Z", "since is not known here"),
    ],
)
async def test_a_wrong_question_gets_one_clear_sentence(
    client: httpx.AsyncClient, query: str, says: str
) -> None:
    """Never a summary of something else."""
    answer = await client.get(f"/v1/faults/summary?{query}")
    assert answer.status_code == 422
    assert answer.json()["detail"].startswith(says)


@pytest.mark.parametrize("model", [fault_rates.Bar, fault_rates.FaultComparison])
def test_the_examples_of_the_document_are_answers(model: type[BaseModel]) -> None:
    """With every member and no other."""
    for example in model.model_json_schema()["examples"]:
        model.model_validate_json(json.dumps(example), strict=True)


def test_the_rates_of_the_examples_are_those_of_four_faults() -> None:
    """In 5,000 cycles and 80 hours."""
    shown = rates(4, Exposure(5000, 80.0))
    assert shown.pop("unknown") == {}
    assert {*shown, "unknown"} == set(fault_rates.RATES)
    for name, value in shown.items():
        assert fault_rates.RATES[name] == pytest.approx(value, rel=5e-3), name


# ---- comparison --------------------------------------------------------------------------------------------


async def compared(client: httpx.AsyncClient, **asked: str) -> dict[str, Any]:
    answer = await client.get("/v1/faults/comparison", params=asked)
    assert answer.status_code == 200, answer.text
    fault_rates.FaultComparison.model_validate_json(answer.content, strict=True)
    return dict(answer.json())


async def test_two_tools_are_compared_by_their_cycles(day: httpx.AsyncClient) -> None:
    """4 faults in 100 cycles against 1 in 50: half as often; given the sum of 5, the second is binomial with
    1/3, so P(at most 1) = (2/3)⁵ + 5·(1/3)·(2/3)⁴ = 112/243, and twice that is p."""
    found = await compared(day, **WHOLE, tool="2042", second_tool="2041")
    assert (found["first"]["count"], found["second"]["count"]) == (4, 1)
    assert found["ratio"] == pytest.approx(0.5)
    assert found["p_value"] == pytest.approx(2 * 112 / 243)
    assert found["low_ratio"] < 0.5 < 1 < found["high_ratio"]
    assert found["first"]["tool"]["serial"] == "2042"
    assert found["cautions"]


async def test_two_periods_are_compared_by_their_hours(day: httpx.AsyncClient) -> None:
    """The first five hours at A-01 against the other twenty: 3 faults against 1, 4 times the hours."""
    middle = format_rfc3339(BEGIN + 5 * HOUR)
    periods = {
        "from": WHOLE["from"], "to": middle, "second_from": middle, "second_to": WHOLE["to"],
    }  # fmt: skip
    found = await compared(day, **periods, controller="A-01", per="hours")
    assert (found["first"]["exposure"]["hours"], found["second"]["exposure"]["hours"]) == (5.0, 20.0)
    assert (found["first"]["count"], found["second"]["count"]) == (3, 1)
    assert found["ratio"] == pytest.approx(1 / 12)
    # given 4, at most 1 in the second with 0.8: 0.2⁴ + 4·0.8·0.2³
    assert found["p_value"] == pytest.approx(2 * (0.2**4 + 4 * 0.8 * 0.2**3))
    assert found["p_value"] < 0.06


async def test_what_can_not_be_compared_is_null_with_the_reason(day: httpx.AsyncClient) -> None:
    """No exposure, no fault, none in the first."""
    none = await compared(day, **WHOLE, tool="2042", second_tool="2041", code="E77")
    assert (none["ratio"], none["p_value"]) == (None, 1.0)
    assert none["unknown"]["ratio"] == "neither has a fault"
    idle = await compared(day, **WHOLE, tool="2042", second_tool="2041", controller="A-01")
    assert (idle["ratio"], idle["p_value"]) == (None, None)
    assert idle["unknown"]["p_value"] == "the second has no cycles, so it has no rate"
    first = await compared(day, **WHOLE, tool="2041", second_tool="2042", code="E02")
    assert (first["ratio"], first["high_ratio"]) == (None, None)
    assert "the first has no fault" in first["unknown"]["high_ratio"]


@pytest.mark.parametrize("asked", [{}, {"second_tool": "2042"}, {"second_to": format_rfc3339(END + HOUR)}])
async def test_the_same_faults_are_not_compared_with_themselves(
    day: httpx.AsyncClient, asked: dict[str, str]
) -> None:
    """One period and tool, all tools against one of them, or periods that overlap."""
    answer = await day.get("/v1/faults/comparison", params=WHOLE | asked)
    assert answer.status_code == 422
    assert "counted on both sides" in answer.json()["detail"]


# ---- against a naive scan ----------------------------------------------------------------------------------


MOUNTED = (("A-01", MOVED), ("A-02", TWIN_1))
LAST = BEGIN + 47 * HOUR


@dataclass
class Truth:
    """What was put into the book, as plain lists."""

    client_app: FastAPI
    cycles: list[tuple[str, ToolName, datetime]]
    faults: list[tuple[str, ToolName, datetime, float | None]]


@pytest.fixture(scope="module")
def truth(built_app: FastAPI, tmp_path_factory: pytest.TempPathFactory) -> Truth:
    """Two days with 300 cycles and 120 faults at random, many of them on bounds of shifts and quarters."""
    random = Random(7)
    bounds = [
        BEGIN + n * 15 * MINUTE + late
        for n in range(4 * 50)
        for late in (-timedelta(microseconds=1), timedelta())
    ]

    def instant() -> datetime:
        return random.choice([random.choice(bounds), BEGIN + random.random() * 50 * HOUR])

    cycles = [
        (random.choice(["A-01", "A-02"]), random.choice([MOVED, TWIN_1]), instant()) for _ in range(300)
    ]
    faults = [
        (random.choice(["A-01", "A-02"]), random.choice([MOVED, TWIN_1, NO_TOOL]), instant(),
         random.choice([None, 30.0, 90.0]))
        for _ in range(120)
    ]  # fmt: skip

    async def fill(filling: Filling) -> None:
        for controller, tool in MOUNTED:
            await filling.mount(controller, tool, BEGIN)
            await seen(filling, controller, LAST)
        for controller in ("A-01", "A-02"):
            for tool in (MOVED, TWIN_1):
                ends = sorted(at for name, made_by, at in cycles if (name, made_by) == (controller, tool))
                await work(filling, controller, tool, ends)
        for number, (controller, tool, at, stood) in enumerate(faults):
            code = f"F{number}"  # one each, so that none clears another
            await fault(filling, controller, code, tool, at, None if stood is None else stood * SECOND)

    app = app_over(built_app, tmp_path_factory.mktemp("random"), fill)
    return Truth(app, cycles, faults)


HOURS = st.integers(0, 3000).map(lambda minutes: BEGIN + minutes * MINUTE)


@given(
    bounds=st.tuples(HOURS, HOURS).filter(lambda two: two[0] != two[1]).map(sorted),
    by=st.sampled_from(["code", "tool", "station", "shift"]),
    tool=st.sampled_from([None, MOVED, TWIN_1]),
    controller=st.sampled_from([None, "A-01"]),
)
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
async def test_sums_equal_a_naive_scan(
    truth: Truth, bounds: list[datetime], by: str, tool: ToolName | None, controller: str | None
) -> None:
    """Whatever is asked: no fault, second or cycle is in two bars or in none."""
    begin, end = bounds
    asked = {"from": format_rfc3339(begin), "to": format_rfc3339(end), "by": by}
    asked |= {"tool": tool.serial, "maker": tool.maker} if tool else {}
    asked |= {"controller": controller} if controller else {}
    async with asking(truth.client_app) as client:
        found = await summary(client, **asked)

    def wanted(name: str, by_tool: ToolName, at: datetime) -> bool:
        return begin <= at < end and controller in (None, name) and tool in (None, by_tool)

    faults = [each for each in truth.faults if wanted(*each[:3])]
    cycles = [each for each in truth.cycles if wanted(*each)]
    assert found["total"] == {
        "count": len(faults),
        "standing_s": pytest.approx(sum(stood or 0 for *_, stood in faults)),
        "untimed": sum(stood is None for *_, stood in faults),
    }
    assert found["exposure"]["cycles"] == len(cycles)
    hours = [name for name, by_tool in MOUNTED if wanted(name, by_tool, begin)]
    mounted_h = max(timedelta(), min(end, LAST) - begin) / HOUR
    assert found["exposure"]["hours"] == pytest.approx(len(hours) * mounted_h)
    assert found["without_tool"] == sum(each[1] == NO_TOOL for each in faults)
    for member in ("count", "untimed", "standing_s"):
        assert sum(each[member] for each in found["items"]) == pytest.approx(found["total"][member])
    made = [each["exposure"] for each in found["items"] if each["exposure"]]
    if by != "code":
        assert sum(each["cycles"] for each in made) == len(cycles)
        assert sum(each["hours"] for each in made) == pytest.approx(found["exposure"]["hours"])
    if by == "station":
        stations = Counter({"A-01": 0, "A-02": 0} | Counter(name for name, *_ in faults))
        counted = {each["of"]["station"]: each["count"] for each in found["items"]}
        assert counted.get("station-1", 0) == stations["A-01"]
        assert counted.get("station-2", 0) == stations["A-02"]
