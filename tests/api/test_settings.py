"""What people set: everything that was changed, and what of it may lie behind a drift."""

from datetime import datetime, timedelta
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from api.schemas.settings import ChangesBefore, SettingChangePage
from collector.model import SettingChange, Value
from tests.api.asking import asking
from tests.api.plant import AUTUMN, MOVED, MOVED_TO_1, SPRING, Plant, writing

HOUR = timedelta(hours=1)
DRIFT = AUTUMN + 12 * HOUR
VELOCITY = (480 / 330) ** 0.5
"""What the change of the punch pressure makes of the punch's velocity: ½·m·v² = p·A·s."""


def change(setting: str, before: Value, after: Value, at: datetime) -> SettingChange:
    """Seen at `at`, a second after the old value was seen last."""
    return SettingChange(setting, before, after, at - timedelta(seconds=1), at)


PUNCH = change("punch_pressure_kpa", 330.0, 480.0, AUTUMN + 10 * HOUR)
TORQUE = change("set_torque_nm", 2.5, 2.6, AUTUMN + 11 * HOUR)
TURNED_BACK = change("punch_pressure_kpa", 480.0, 470.0, AUTUMN + 11.5 * HOUR)
ELSEWHERE = change("punch_pressure_kpa", 330.0, 480.0, AUTUMN + 11 * HOUR)
BEFORE_IT_CAME = change("band", "B15-048", "B15-061", MOVED_TO_1 - HOUR)
WHILE_THERE = change("tension_speed_mm_s", 40.0, 44.0, MOVED_TO_1 + HOUR)
MADE = [
    ("A-01", BEFORE_IT_CAME),
    ("A-01", WHILE_THERE),
    ("A-02", PUNCH),
    ("A-02", TORQUE),
    ("A-01", ELSEWHERE),
    ("A-02", TURNED_BACK),
]
"""In the order in which they were committed."""


@pytest.fixture
async def changed(plant: Plant) -> Plant:
    async with writing(plant) as filling:
        for controller, made in MADE:
            await filling.commit(controller, settings=(made,))
    return plant


def stated(items: list[dict[str, Any]]) -> list[tuple[str, str, Value, Value]]:
    return [(each["controller"], each["setting"], each["before"], each["after"]) for each in items]


def truth(*made: tuple[str, SettingChange]) -> list[tuple[str, str, Value, Value]]:
    return [(controller, each.setting, each.before, each.after) for controller, each in made]


async def changes(client: httpx.AsyncClient, **asked: Any) -> dict[str, Any]:
    answer = await client.get("/v1/settings/changes", params=asked)
    assert answer.status_code == 200, answer.text
    SettingChangePage.model_validate_json(answer.content, strict=True)
    return dict(answer.json())


async def before(client: httpx.AsyncClient, **asked: Any) -> dict[str, Any]:
    answer = await client.get("/v1/settings/changes/before", params=asked)
    assert answer.status_code == 200, answer.text
    ChangesBefore.model_validate_json(answer.content, strict=True)
    return dict(answer.json())


def text(at: datetime) -> str:
    return at.isoformat().replace("+00:00", "Z")


async def test_all_changes_newest_first_with_when_and_where(
    client: httpx.AsyncClient, changed: Plant
) -> None:
    """Before and after, between which looks, and at which cycle; with the cautions."""
    shown = await changes(client)
    assert stated(shown["items"]) == truth(*MADE[::-1])
    newest = shown["items"][0]
    at = changed.positions["A-02"]
    assert (newest["epoch"], newest["sequence"]) == (at.epoch, str(at.sequence))
    assert (newest["not_before"], newest["noticed_at"]) == ("2026-10-24T11:29:59Z", "2026-10-24T11:30:00Z")
    assert "isolate compressed air" in shown["cautions"][0]


async def test_changes_are_found_by_controller_setting_and_time(
    client: httpx.AsyncClient, changed: Plant
) -> None:
    """The interval is half open, by when the change was noticed."""
    pressures = await changes(client, controller="A-02", setting="punch_pressure_kpa")
    assert stated(pressures["items"]) == truth(("A-02", TURNED_BACK), ("A-02", PUNCH))
    within = await changes(client, **{"from": text(PUNCH.at), "to": text(TORQUE.at)})
    assert stated(within["items"]) == truth(("A-02", PUNCH))
    missing = await client.get("/v1/settings/changes", params={"controller": "A-09"})
    assert missing.status_code == 404
    assert "'A-09' is not in the book" in missing.json()["detail"]


async def test_changes_page_by_their_number(client: httpx.AsyncClient, changed: Plant) -> None:
    """Each once, in order, and a change that comes meanwhile neither shifts a page nor appears twice."""
    first = await changes(client, last=4)
    async with writing(changed) as filling:
        await filling.commit("A-01", settings=(change("band", "B15-061", "B15-048", DRIFT),))
    second = await changes(client, last=4, cursor=first["next"])
    assert stated(first["items"] + second["items"]) == truth(*MADE[::-1])
    assert second["next"] is None


async def test_what_changed_before_this_drift(client: httpx.AsyncClient, changed: Plant) -> None:
    """The pressure that explains its size, then the one that only touches it, then the rest; nothing of
    another controller."""
    shown = await before(
        client, tool=MOVED.serial, at=text(DRIFT), measure="punch_velocity_m_s", ratio=VELOCITY
    )
    assert stated(shown["items"]) == truth(("A-02", PUNCH), ("A-02", TURNED_BACK), ("A-02", TORQUE))
    assert [each["explains"] for each in shown["items"]] == ["explains it", "touches it", "no known link"]
    assert shown["items"][0]["expected_ratio"] == pytest.approx(VELOCITY)
    assert (shown["items"][0]["before_drift_s"], shown["items"][0]["certain"]) == (7200, True)
    assert shown["items"][2]["expected_ratio"] is None
    assert shown["items"][2]["unknown"] == {
        "expected_ratio": "no formula leads from this change to punch_velocity_m_s"
    }
    assert (shown["tool"], shown["controller"]) == (
        {"maker": "Sample Works", "model": "C-4", "serial": "2042"},
        None,
    )
    assert shown["cautions"]


async def test_a_change_within_the_interval_of_the_drift_is_not_certain(
    client: httpx.AsyncClient, changed: Plant
) -> None:
    """The two may have come in either order; one after it is no cause, and the look-back has an end."""
    shown = await before(
        client,
        tool=MOVED.serial,
        at=text(AUTUMN + 11.2 * HOUR),
        not_before=text(AUTUMN + 10.5 * HOUR),
        look_back_days=0.1,
    )
    assert stated(shown["items"]) == truth(("A-02", TORQUE), ("A-02", PUNCH))
    assert [each["certain"] for each in shown["items"]] == [False, True]
    assert {each["unknown"]["expected_ratio"] for each in shown["items"]} == {"no measure was given"}
    near = await before(client, tool=MOVED.serial, at=text(DRIFT), look_back_days=1 / 24)
    assert stated(near["items"]) == truth(("A-02", TURNED_BACK), ("A-02", TORQUE))


async def test_a_tool_felt_what_was_set_while_it_was_there(client: httpx.AsyncClient, changed: Plant) -> None:
    """Not what was set there before it came, nor what after it left; its controller has them all."""
    asked = {"at": text(MOVED_TO_1 + 2 * HOUR)}
    of_tool = await before(client, tool=MOVED.serial, **asked)
    assert stated(of_tool["items"]) == truth(("A-01", WHILE_THERE))
    of_controller = await before(client, controller="A-01", **asked)
    assert stated(of_controller["items"]) == truth(("A-01", WHILE_THERE), ("A-01", BEFORE_IT_CAME))
    later = await before(client, controller="A-01", at=text(DRIFT))
    assert stated(later["items"]) == truth(("A-01", ELSEWHERE))


async def test_services_and_swaps_stand_beside_them(client: httpx.AsyncClient, changed: Plant) -> None:
    """Those in the same time, newest first, in a sentence each; asked for the tool or for its controller."""
    done = {"done_by": "Fitter 7", "done_at": text(MOVED_TO_1 + HOUR), "remark": "new seals"}
    assert (await client.post("/v1/tools/2042/service", json=done)).status_code == 201
    for asked in ({"tool": MOVED.serial}, {"controller": "A-01"}):
        shown = await before(client, at=text(MOVED_TO_1 + 2 * HOUR), look_back_days=1, **asked)
        assert [(each["what"], each["says"], each["before_drift_s"]) for each in shown["happenings"]] == [
            ("service", "Fitter 7 did a service of tool 2042: new seals", 3600),
            ("swap", "tool 2042 was mounted on A-01", 7200),
        ]
    far = await before(client, controller="A-01", at=text(MOVED_TO_1 + 2 * HOUR))
    assert far["happenings"][-1]["at"] == text(SPRING)


async def test_without_the_desk_the_book_is_still_told(app: FastAPI, changed: Plant) -> None:
    """The changes, the swaps, and why services are missing."""
    assert changed.address.folder is not None
    (changed.address.folder / "desk.sqlite").write_bytes(b"no database at all, though a file" * 100)
    async with asking(app) as client:
        shown = await before(client, tool=MOVED.serial, at=text(MOVED_TO_1 + 2 * HOUR))
    assert stated(shown["items"]) == truth(("A-01", WHILE_THERE))
    assert [each["what"] for each in shown["happenings"]] == ["swap"]
    assert "services are not in it" in shown["unknown"]["happenings"]


OF_TOOL = {"at": "2026-10-24T12:00:00Z", "tool": "2042"}


@pytest.mark.parametrize(
    ("asked", "name", "says"),
    [
        ({"at": "2026-10-24T12:00:00Z"}, "tool", "give either tool or controller"),
        (OF_TOOL | {"controller": "A-02"}, "tool", "give either"),
        (OF_TOOL | {"ratio": 0.9}, "ratio", "ratio needs measure"),
        (OF_TOOL | {"ratio": 0, "measure": "take_up_ms"}, "ratio", "greater than 0"),
        (OF_TOOL | {"measure": "peak"}, "measure", "must be 'punch_velocity_m_s'"),
        (OF_TOOL | {"not_before": "2026-10-25T00:00:00Z"}, "at", "not be before"),
        ({"tool": "2042"}, "at", "at is missing"),
    ],
)  # fmt: skip
async def test_a_question_that_makes_no_sense_is_refused(
    client: httpx.AsyncClient, asked: dict[str, Any], name: str, says: str
) -> None:
    """With the parameter and a sentence."""
    answer = await client.get("/v1/settings/changes/before", params=asked)
    assert answer.status_code == 422
    (mistake,) = answer.json()["mistakes"]
    assert mistake["name"] == name
    assert says in mistake["says"]
