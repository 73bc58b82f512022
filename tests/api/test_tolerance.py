"""Tolerance bands over REST: learnt from the right curves only, and what strays is seen where it strays."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import httpx
import numpy as np
import pytest
from fastapi import FastAPI

from api.resources import tolerance
from api.schemas.tolerance import CycleTolerance, ToolTolerance
from collector.analysis.tolerance import distance, learn
from collector.model import Curve, SettingChange
from simulators.tool import BANDS, Joint, Sampling, Settings, Tool, attempt, draw_joint
from tests.api.asking import asking
from tests.api.equipped import SECOND, make, set_to
from tests.api.plant import LATEST, Filling, Plant, writing

BAND = {"band": "B15-048"}
BEGIN = LATEST + timedelta(hours=1)
AGAIN = BEGIN + timedelta(hours=1)
SAMPLING = Sampling(interval_us=1000, most=1000, step_n=0.1)


def curves(count: int, seed: int, joint: Joint | None = None) -> list[Curve]:
    """Of a tool in order; each joint is drawn, or the one given."""
    rng = np.random.default_rng(seed)
    settings, band = Settings.recommended("B15-048"), BANDS["B15-048"]
    steps = [
        attempt(Tool("1"), settings, band, joint or draw_joint(rng), 620.0, SAMPLING, rng).steps
        for _ in range(count)
    ]
    return [Curve(0, 1000, "tension_n", each.astype("<i2").tobytes(), "int16", 0.1, 0.0) for each in steps]


def newtons(curve: Curve) -> np.ndarray:
    return np.frombuffer(curve.samples, "<i2") * 0.1


GOOD = curves(60, 1)
SLIPPED = curves(1, 2, Joint(12.0, slip_mm=0.25))[0]
SOFT = curves(60, 3, Joint(12.0, softness_mm=3.0))


async def of_tool(client: httpx.AsyncClient, **asked: Any) -> dict[str, Any]:
    answer = await client.get("/v1/tools/2042/tolerance", params=asked)
    assert answer.status_code == 200, answer.text
    ToolTolerance.model_validate_json(answer.content, strict=True)
    return dict(answer.json())


async def of_cycle(client: httpx.AsyncClient, id_: str) -> dict[str, Any]:
    answer = await client.get(f"/v1/cycles/{id_}/tolerance")
    assert answer.status_code == 200, answer.text
    CycleTolerance.model_validate_json(answer.content, strict=True)
    return dict(answer.json())


async def begin_anew(filling: Filling) -> None:
    """The band was put in again just before `BEGIN`: what the plant's tool did before counts no more."""
    await set_to(filling, BEGIN - SECOND, "band", "B15-061", "B15-048")


@pytest.fixture
async def good(plant: Plant) -> list[str]:
    """Ids of 60 good cycles with their curves, the only ones in the tool's present state."""
    async with writing(plant) as filling:
        await begin_anew(filling)
        return await make(filling, BEGIN, [BAND] * 60, GOOD)


async def test_a_band_is_learnt_from_the_good_curves(client: httpx.AsyncClient, good: list[str]) -> None:
    """As the analysis learns it from the same curves; the answer names them, and why they begin there."""
    shown = await of_tool(client, band="B15-048")
    assert shown["cycles"] == good
    expected = learn([newtons(each) for each in GOOD], 1000)
    found = shown["tolerance"]
    assert (found["curves"], found["left_out"], found["inside_share"]) == (expected.curves, 0, 0.95)
    for name in ("offset_ms", "centre", "half_width"):
        assert found[name] == pytest.approx(getattr(expected, name).tolist())
    assert (found["quantity"], found["unit"], found["sample_interval_us"]) == ("tension_n", "N", 1000)
    begun_by = shown["state"]["begun_by"]
    assert begun_by["says"] == "band was set from B15-061 to B15-048 on A-02"
    assert (begun_by["reason"], begun_by["seen_at"]) == ("settings changed", "2026-10-27T00:59:59Z")
    assert shown["state"]["until"] is None
    assert await of_tool(client) == shown  # the band of the newest cycle


async def test_a_curve_that_strays_is_seen_where_it_strays(
    client: httpx.AsyncClient, plant: Plant, good: list[str]
) -> None:
    """A lock that slipped: below the band, after the lock, by so many half widths; a good one is inside."""
    (fine,) = curves(1, 5)
    async with writing(plant) as filling:
        not_ok = [BAND | {"result": "nok"}, BAND | {"result": "undecided"}]
        slipped, well = await make(filling, AGAIN, not_ok, [SLIPPED, fine])
    band = learn([newtons(each) for each in GOOD], 1000)
    shown, expected = await of_cycle(client, slipped), distance(newtons(SLIPPED), 1000, band)
    assert shown["inside"] is False
    assert shown["distance"] == pytest.approx(expected.distance)
    assert shown["typical_distance"] == pytest.approx(expected.typical_distance)
    assert len(shown["departures"]) == len(expected.departures)
    worst = max(shown["departures"], key=lambda each: each["worst"])
    assert worst["side"] == "below"
    assert 100 < worst["worst_ms"] < 220
    assert (shown["first_cycle"], shown["last_cycle"], shown["learnt_from"]) == (good[0], good[-1], False)
    inside = await of_cycle(client, well)
    assert (inside["inside"], inside["departures"], inside["covered_share"]) == (True, [], 1.0)
    assert (await of_cycle(client, good[3]))["learnt_from"] is True


@pytest.mark.parametrize(
    "said",
    [{"result": "nok"}, {"completion": "aborted"}, {"mode": "setup"}, {"band": "B15-061"}, {"band": None}],
)
async def test_only_accepted_cycles_of_the_band_teach(
    client: httpx.AsyncClient, plant: Plant, said: dict[str, Any]
) -> None:
    """Curves of others among them change nothing."""
    async with writing(plant) as filling:
        await begin_anew(filling)
        await make(filling, BEGIN, [BAND | said] * 20, SOFT[:20])
        ids = await make(filling, AGAIN, [BAND] * 60, GOOD)
    shown = await of_tool(client, band="B15-048")
    assert shown["cycles"] == ids
    assert shown["tolerance"]["centre"] == pytest.approx(
        learn([newtons(each) for each in GOOD], 1000).centre.tolist()
    )


async def test_a_restart_begins_anew_and_the_old_state_can_still_be_asked_for(
    client: httpx.AsyncClient, plant: Plant, good: list[str]
) -> None:
    """A service: only curves after it teach; a cycle is held against those of its own state."""
    done = {"done_by": "Fitter 7", "done_at": (AGAIN - 30 * SECOND).isoformat()}
    assert (await client.post("/v1/tools/2042/service", json=done)).status_code == 201
    async with writing(plant) as filling:
        after = await make(filling, AGAIN, [BAND] * 60, SOFT)
    now = await of_tool(client, band="B15-048")
    assert (now["cycles"], now["state"]["begun_by"]["reason"]) == (after, "service")
    then = await of_tool(client, band="B15-048", at=(AGAIN - 60 * SECOND).isoformat())
    assert (then["cycles"], then["state"]["until"]) == (good, "2026-10-27T01:59:30Z")
    assert then["tolerance"]["centre"] != now["tolerance"]["centre"]
    old, new = await of_cycle(client, good[0]), await of_cycle(client, after[0])
    assert (old["last_cycle"], new["last_cycle"]) == (good[-1], after[-1])


async def test_cycles_that_may_be_of_either_setting_teach_nothing(
    client: httpx.AsyncClient, plant: Plant, good: list[str]
) -> None:
    """Between the last look at the old value and the first at the new one nobody knows."""
    async with writing(plant) as filling:
        between = await make(filling, AGAIN, [BAND] * 3, SOFT[:3])
        change = SettingChange("tension_speed_mm_s", 40.0, 42.0, AGAIN - SECOND, AGAIN + 25 * SECOND)
        await filling.commit("A-02", settings=(change,))
        after = await make(filling, AGAIN + 30 * SECOND, [BAND] * 50, SOFT[3:53])
    assert (await of_tool(client, band="B15-048"))["cycles"] == after
    before = await of_tool(client, band="B15-048", at=(AGAIN - SECOND).isoformat())
    assert before["cycles"] == good
    assert not {*between} & {*before["cycles"], *after}


async def test_the_oldest_teach_so_that_a_drift_does_not(
    client: httpx.AsyncClient, plant: Plant, good: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The newest beyond the bound are left alone."""
    monkeypatch.setattr("collector.store.good_curves.MOST_CURVES", 55)
    async with writing(plant) as filling:
        await make(filling, AGAIN, [BAND] * 5, SOFT[:5])
    assert (await of_tool(client, band="B15-048"))["cycles"] == good[:55]


@pytest.mark.parametrize("count", [0, 49])
async def test_too_few_curves_are_refused_in_words(
    client: httpx.AsyncClient, plant: Plant, count: int
) -> None:
    """With how many there are and how many it takes; the cycle's answer says the same."""
    async with writing(plant) as filling:
        await begin_anew(filling)
        if count:
            await make(filling, BEGIN, [BAND] * count, GOOD[:count])
        (lone,) = await make(filling, AGAIN, [BAND | {"result": "nok"}], [SLIPPED])
    says = (
        f"{count} usable curves of the {count} given are too few for a tolerance band that 95% of the good "
        "curves stay inside; it takes 50 of one tool and band"
    )
    shown = await of_tool(client, band="B15-048")
    assert (shown["tolerance"], shown["unknown"]["tolerance"]) == (None, says)
    assert len(shown["cycles"]) == count
    found = await of_cycle(client, lone)
    assert (found["tolerance"], found["inside"], found["distance"], found["departures"]) == (
        None,
        None,
        None,
        [],
    )
    assert found["unknown"]["distance"] == found["unknown"]["tolerance"] == says


async def test_a_curve_that_can_not_be_laid_over_the_others_says_why(
    client: httpx.AsyncClient, plant: Plant, good: list[str]
) -> None:
    """A flat one, and one of torque; neither is called inside."""
    flat = replace(SLIPPED, samples=np.full(300, 60, "<i2").tobytes())
    async with writing(plant) as filling:
        ids = await make(filling, AGAIN, [BAND] * 2, [flat, replace(SLIPPED, quantity="torque_nm")])
    without_rise, torque = [await of_cycle(client, id_) for id_ in ids]
    assert (without_rise["inside"], torque["inside"]) == (None, None)
    assert without_rise["unknown"]["inside"] == "the curve has no rise by which to lay it over the band"
    assert torque["unknown"]["inside"] == "the curve is of torque_nm, the others are of tension_n"


async def test_a_band_is_learnt_once_until_there_are_more_curves(
    client: httpx.AsyncClient, plant: Plant, good: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Learning takes a tenth of a second; asking again does not."""
    learnt: list[int] = []

    def counted(samples: list[np.ndarray], *others: Any) -> Any:
        learnt.append(len(samples))
        return learn(samples, *others)

    monkeypatch.setattr(tolerance, "learn", counted)
    first = await of_tool(client, band="B15-048")
    assert await of_tool(client, band="B15-048") == first
    await of_cycle(client, good[0])
    assert learnt == [60]
    async with writing(plant) as filling:
        await make(filling, AGAIN, [BAND], curves(1, 8))
    assert len((await of_tool(client, band="B15-048"))["cycles"]) == 61
    assert learnt == [60, 61]


async def test_without_the_desk_no_state_of_the_tool_is_made_up(app: FastAPI, plant: Plant) -> None:
    """A service may have begun it: 503, not a band that was learnt across one."""
    assert plant.address.folder is not None
    (plant.address.folder / "desk.sqlite").write_bytes(b"no database at all, though a file" * 100)
    async with asking(app) as client:
        answer = await client.get("/v1/tools/2042/tolerance")
    assert (answer.status_code, answer.json()["type"]) == (503, "/problems/store-unavailable")


async def test_a_cycle_without_a_curve_is_told_from_no_cycle(client: httpx.AsyncClient) -> None:
    """Both are 404; the sentence says which."""
    without, missing = [
        await client.get(f"/v1/cycles/{id_}/tolerance") for id_ in ("A-02.2.8", "A-02.2.999999")
    ]
    assert (without.status_code, missing.status_code) == (404, 404)
    assert "no curve" in without.json()["detail"]
    assert "no curve" not in missing.json()["detail"]
