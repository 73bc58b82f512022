"""Does a station's set-up fit its band? By hand-made truths, in sentences and numbers."""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from api.schemas.setups import Setup
from tests.api.equipped import NOW, SECOND, equipped_site, make, set_to, show
from tests.api.plant import LATEST, Plant, writing

FITS: dict[str, Any] = {
    "band": "B15-048",
    "set_torque_nm": 9.4,
    "tension_speed_mm_s": 40.0,
    "punch_pressure_kpa": 330.0,
}
THICK = {**FITS, "band": "B15-061", "set_torque_nm": 12.0}
RATIO = (0.6096 / 0.4826) ** 2
CHANGED_AT = LATEST + timedelta(minutes=30)


@pytest.fixture(autouse=True)
def equipped(app: FastAPI, tmp_path: Path) -> Iterator[FastAPI]:
    """With bands and tool models; other tests have none."""
    plain, app.state.site = app.state.site, equipped_site(tmp_path)
    yield app
    app.state.site = plain


async def setup(client: httpx.AsyncClient, **asked: Any) -> dict[str, Any]:
    answer = await client.get("/v1/controllers/A-02/setup", params=asked)
    assert answer.status_code == 200, answer.text
    Setup.model_validate_json(answer.content, strict=True)
    return dict(answer.json())


async def shown(plant: Plant, supply_kpa: float | None = 620.0, **settings: Any) -> None:
    async with writing(plant) as filling:
        await show(filling, supply_kpa=supply_kpa, **settings)


async def test_what_fits_says_so_with_tension_and_stretch(client: httpx.AsyncClient, plant: Plant) -> None:
    """T = τ·η/r, stress over the band's section, strain by its modulus, elongation of the given length."""
    await shown(plant, **FITS)
    found = await setup(client, length_mm=250)
    assert (found["fits"], found["misfits"], found["unchecked"]) == (True, [], [])
    assert found["told_by"] == dict.fromkeys((*FITS, "supply_pressure_kpa"), "status")
    tension_n = 9.4 * 0.92 / 0.012
    stress_mpa = tension_n / (15.875 * 0.4826)
    assert found["tension_n"] == pytest.approx(tension_n)
    assert found["stretch"] == pytest.approx(
        {
            "stress_mpa": stress_mpa,
            "strain": stress_mpa / 193_000,
            "length_mm": 250.0,
            "elongation_mm": stress_mpa / 193_000 * 250,
            "share_of_yield": None,
        }
    )
    assert found["torque"] == pytest.approx(
        {
            "verdict": "recommended",
            "over_recommended_nm": 0.0,
            "left_to_maximum_nm": 3.1,
            "share_of_recommended": 1.0,
        }
    )
    assert found["unknown"]["stretch.share_of_yield"].startswith("nobody has said")
    assert "isolate compressed air" in found["cautions"][0]


@pytest.mark.parametrize(
    ("change", "what", "off_by", "says"),
    [
        ({"set_torque_nm": 10.2}, "set torque", 10.2 - 9.87, "10.20 N·m is 0.33 N·m above 9.87 N·m"),
        ({"set_torque_nm": 13.0}, "set torque", 0.5, "above the 12.50 N·m that band B15-048 takes at most"),
        ({"punch_pressure_kpa": 250.0}, "punch pressure", 250 - 297, "250 kPa is 47 kPa below 297 kPa"),
        ({"supply_kpa": 505.0}, "supply pressure", -45.0, "505 kPa is 45 kPa below 550 kPa"),
    ],
)
async def test_what_does_not_fit_says_by_how_much(
    client: httpx.AsyncClient, plant: Plant, change: dict[str, Any], what: str, off_by: float, says: str
) -> None:
    """One thing off, one misfit, in a sentence and in numbers with their unit."""
    await shown(plant, **{**FITS, **change})
    found = await setup(client)
    (misfit,) = found["misfits"]
    assert (found["fits"], misfit["what"]) == (False, what)
    assert misfit["off_by"] == pytest.approx(off_by)
    assert says in misfit["sentence"]
    assert misfit["unit"] == ("N·m" if what == "set torque" else "kPa")


async def test_a_torque_above_the_maximum_is_judged_so(client: httpx.AsyncClient, plant: Plant) -> None:
    """Beside the misfit: the verdict, and how much is over."""
    await shown(plant, **{**FITS, "set_torque_nm": 13.0})
    torque = (await setup(client))["torque"]
    assert torque["verdict"] == "above maximum"
    assert torque["left_to_maximum_nm"] == pytest.approx(-0.5)


async def test_the_least_supply_pressure_is_the_site_files(
    equipped: FastAPI, client: httpx.AsyncClient, plant: Plant, tmp_path: Path
) -> None:
    """505 kPa is enough where the site file says 500."""
    equipped.state.site = equipped_site(tmp_path, {"least_supply_kpa = 550.0": "least_supply_kpa = 500.0"})
    await shown(plant, 505.0, **FITS)
    found = await setup(client)
    assert (found["fits"], found["least_supply_kpa"]) == (True, 500.0)


async def make_thin_then_thick(plant: Plant, cycles: list[dict[str, Any]]) -> list[str]:
    """The thin band is put in, cycles are made, then the thick one, and nobody touches the punch."""
    async with writing(plant) as filling:
        begin = CHANGED_AT - 10 * (len(cycles) + 1) * SECOND
        await set_to(filling, begin - SECOND, "band", "B20-100", "B15-048")
        ids = await make(filling, begin, cycles)
        await set_to(filling, CHANGED_AT, "band", "B15-048", "B15-061")
        await set_to(filling, CHANGED_AT, "set_torque_nm", 9.4, 12.0)
        await show(filling, **THICK)
    return ids


async def test_a_thicker_band_wants_more_pressure_than_the_one_that_stayed(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """From 0.48 mm to 0.61 mm: 1.6 times what made 29 of 30 good locks before."""
    said: list[dict[str, Any]] = [{"band": "B15-048", "punch_pressure_kpa": 330.0} for _ in range(30)]
    said[4]["result"] = "nok"
    ids = await make_thin_then_thick(plant, said)
    found = await setup(client)
    (misfit,) = found["misfits"]
    assert misfit["what"] == "punch pressure"
    assert misfit["least"] == pytest.approx(0.9 * 330 * RATIO)
    assert misfit["off_by"] == pytest.approx(330 - 0.9 * 330 * RATIO)
    wanted = "the change from 0.48 mm to 0.61 mm band wants about 1.6 times the punch pressure"
    assert f"{wanted} (330 kPa to about 527 kPa), and it stayed" in misfit["sentence"]
    proven = found["proven"]
    assert (proven["band"], proven["cycles"], proven["ok"]) == ("B15-048", 30, 29)
    assert (proven["first_cycle"], proven["last_cycle"]) == (ids[0], ids[-1])
    assert proven["pressure_ratio"] == pytest.approx(RATIO)
    assert proven["needed_pressure_kpa"] == pytest.approx(330 * RATIO)


async def test_where_records_tell_no_pressure_the_settings_do(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """What is set now, less what was changed since the cycles were made."""
    async with writing(plant) as filling:
        begin = CHANGED_AT - timedelta(minutes=20)
        ids = await make(filling, begin, [{}] * 60)
        await set_to(filling, begin + 295 * SECOND, "punch_pressure_kpa", 300.0, 330.0)
        await set_to(filling, CHANGED_AT, "band", "B15-048", "B15-061")
        await set_to(filling, CHANGED_AT, "punch_pressure_kpa", 330.0, 530.0)
        await show(filling, **{**THICK, "punch_pressure_kpa": 530.0})
    found = await setup(client)
    assert found["fits"] is True
    assert found["proven"]["punch_pressure_kpa"] == 330.0
    assert (found["proven"]["first_cycle"], found["proven"]["last_cycle"]) == (ids[30], ids[-1])


@pytest.mark.parametrize(
    "said",
    [
        [{"band": "B15-048", "punch_pressure_kpa": 330.0}] * 19,
        [{"band": "B15-048", "punch_pressure_kpa": 330.0, "result": "nok"}] * 2
        + [{"band": "B15-048", "punch_pressure_kpa": 330.0}] * 28,
        [{"band": "B15-048", "punch_pressure_kpa": 330.0, "mode": "setup"}] * 30,
        [{"band": "B15-048", "punch_pressure_kpa": 330.0, "completion": "aborted"}] * 30,
        [{"band": "B20-061", "punch_pressure_kpa": 330.0}] * 30,
    ],
    ids=["too few", "too many nok", "made in set-up", "aborted", "another band"],
)
async def test_bad_or_few_cycles_prove_no_pressure(
    client: httpx.AsyncClient, plant: Plant, said: list[dict[str, Any]]
) -> None:
    """Then nobody can say what the thick band needs, and the answer says that."""
    await make_thin_then_thick(plant, said)
    found = await setup(client)
    assert (found["proven"], found["fits"], found["misfits"]) == (None, None, [])
    assert "nobody has said what punch pressure band B15-061 needs" in found["unchecked"][0]["sentence"]
    assert "enough good cycles in a row" in found["unknown"]["proven"]


async def test_what_only_the_record_tells_is_taken_from_there(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """The last cycle's, and the answer says which that is; what the status shows goes first."""
    async with writing(plant) as filling:
        ids = await make(filling, NOW, [{**FITS, "supply_pressure_kpa": 610.0}])
        await show(filling, supply_kpa=None, set_torque_nm=9.5)
    found = await setup(client)
    assert (found["set_torque_nm"], found["band"], found["supply_pressure_kpa"]) == (9.5, "B15-048", 610.0)
    assert {name for name, source in found["told_by"].items() if source == "status"} == {"set_torque_nm"}
    assert found["last_cycle"] == {"id": ids[0], "ended_at": "2026-10-27T01:00:00Z"}
    assert found["fits"] is True


async def test_what_nobody_tells_can_not_be_checked(client: httpx.AsyncClient, plant: Plant) -> None:
    """Null with the reason, and each thing that can't be checked in a sentence."""
    await shown(plant, None, band="B15-048", punch_pressure_kpa="high")
    async with writing(plant) as filling:
        await make(filling, NOW, [{}])
    found = await setup(client)
    assert found["fits"] is None
    assert {each["what"] for each in found["unchecked"]} == {
        "set torque",
        "punch pressure",
        "supply pressure",
    }
    nulls = {name for name in found if found[name] is None}
    assert nulls == {name for name in found["unknown"] if "." not in name}
    assert found["unknown"]["set_torque_nm"] == "neither the controller's status nor its last cycle tells it"


async def test_a_band_that_the_site_file_has_not_got_is_named(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """Supply air is checked all the same."""
    await shown(plant, 500.0, **{**FITS, "band": "B20-100"})
    found = await setup(client)
    assert [each["what"] for each in found["misfits"]] == ["supply pressure"]
    assert "B20-100 is not known" in found["unchecked"][0]["sentence"]
    assert found["stretch"] is None
    assert found["tension_n"] == pytest.approx(9.4 * 0.92 / 0.012)


async def test_without_a_wheel_there_is_no_tension(
    equipped: FastAPI, client: httpx.AsyncClient, plant: Plant, tmp_path: Path
) -> None:
    """And it says what to write into the site file."""
    equipped.state.site = equipped_site(tmp_path, {'model = "C-4"': 'model = "C-5"'})
    await shown(plant, **FITS)
    found = await setup(client)
    assert (found["tension_n"], found["wheel"], found["stretch"]) == (None, None, None)
    says = "the site file has no [[tool_models]] of maker Sample Works, model C-4 with a wheel_radius_mm"
    assert found["unknown"]["tension_n"] == says
    assert found["torque"]["verdict"] == "recommended"


async def test_motor_torque_is_made_torque_at_the_wheel(
    equipped: FastAPI, client: httpx.AsyncClient, plant: Plant, tmp_path: Path
) -> None:
    """By the gear ratio; the band's values are at the wheel."""
    equipped.state.site = equipped_site(
        tmp_path, {"efficiency = 0.92": "efficiency = 0.92\ngear_ratio = 10.0"}
    )
    await shown(plant, **{**FITS, "set_torque_nm": 0.94})
    found = await setup(client)
    assert (found["set_torque_nm"], found["fits"]) == (0.94, True)
    assert found["wheel_torque_nm"] == pytest.approx(9.4)
    assert found["tension_n"] == pytest.approx(9.4 * 0.92 / 0.012)


async def test_a_band_that_yields_has_no_elastic_stretch(
    equipped: FastAPI, client: httpx.AsyncClient, plant: Plant, tmp_path: Path
) -> None:
    """The stress is told, and how far it is above the yield strength; Hooke's law ends there."""
    yields = {"thickness_mm = 0.4826": "thickness_mm = 0.4826\nyield_mpa = 90.0"}
    equipped.state.site = equipped_site(tmp_path, yields)
    await shown(plant, **FITS)
    found = await setup(client)
    assert found["stretch"]["share_of_yield"] == pytest.approx(9.4 * 0.92 / 0.012 / (15.875 * 0.4826) / 90)
    assert (found["stretch"]["strain"], found["stretch"]["elongation_mm"]) == (None, None)
    assert "stretches for good" in found["unknown"]["stretch.elongation_mm"]


@pytest.mark.parametrize("length_mm", [0, 0.2, 30_000, "nan"])
async def test_a_length_in_another_unit_is_refused(client: httpx.AsyncClient, length_mm: object) -> None:
    """A band is not 0.2 mm long, and not 30 m."""
    answer = await client.get("/v1/controllers/A-02/setup", params={"length_mm": str(length_mm)})
    assert answer.status_code == 422
    assert "length_mm" in answer.json()["detail"]


async def test_all_stations_are_listed(client: httpx.AsyncClient, plant: Plant) -> None:
    """Each as its own resource has it; one without a tool says so; an unknown one is not in the book."""
    await shown(plant, **FITS)
    items = (await client.get("/v1/setups")).json()["items"]
    assert [each["controller"] for each in items] == ["A-01", "A-02"]
    assert items[1] == await setup(client)
    assert items[0]["tool"] is None
    assert items[0]["unknown"]["tool"].startswith("no tool is mounted")
    assert (await client.get("/v1/controllers/A-09/setup")).status_code == 404


async def test_a_station_that_left_the_site_file_is_not_listed(
    equipped: FastAPI, client: httpx.AsyncClient, tmp_path: Path
) -> None:
    """Nobody reads it now."""
    site = equipped_site(tmp_path)
    equipped.state.site = site.model_copy(update={"controllers": site.controllers[1:]})
    assert [each["controller"] for each in (await client.get("/v1/setups")).json()["items"]] == ["A-02"]
