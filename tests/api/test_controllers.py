"""Controllers over REST: link, position, and health by the rules of its table."""

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import httpx
import pytest

from api.resources.controllers import health_of
from collector.model import FaultRaised, Link, Status, StatusSeen
from tests.api.plant import IDENTITIES, MOVED, Plant, writing

NOW = datetime(2026, 10, 27, tzinfo=UTC)
WELL: dict[str, Any] = {
    "link_state": "up",
    "read_at": NOW,
    "emergency_stop": False,
    "mode": "automatic",
    "state": "executing",
    "open_faults": [],
    "bad_replies": {},
    "last_error": "connection reset",
    "conflicts": [],
}


def fault(category: str) -> list[dict[str, str]]:
    return [{"code": "E03", "text": "Punch did not return", "category": category}]


@pytest.mark.parametrize(
    ("said", "health"),
    [
        ({}, "normal"),
        ({"link_state": "down"}, None),
        ({"link_state": "up", "read_at": None}, None),
        ({"read_at": NOW.replace(year=2025)}, None),
        ({"link_state": "down", "emergency_stop": True}, None),
        ({"emergency_stop": True}, "failure"),
        ({"emergency_stop": None}, "normal"),
        ({"open_faults": fault("hardware")}, "failure"),
        ({"open_faults": fault("safety")}, "failure"),
        ({"open_faults": fault("system"), "mode": "setup"}, "failure"),
        ({"mode": "maintenance", "open_faults": fault("process")}, "check_function"),
        ({"state": "starting"}, "check_function"),
        ({"open_faults": fault("process")}, "off_spec"),
        ({"open_faults": fault("operator"), "bad_replies": {"short": 1}}, "off_spec"),
        ({"bad_replies": {"short": 1}}, "maintenance_required"),
        ({"bad_replies": {"late": 3}}, "normal"),
        (
            {"conflicts": [{"says": "tool 2042 is shown as mounted on A-01 and on A-02"}]},
            "maintenance_required",
        ),
    ],
)
def test_health_is_one_of_five_classes_with_its_reasons(said: dict[str, Any], health: str | None) -> None:
    """The classes of NAMUR NE 107 (common practice, from memory); unknown where nobody can know."""
    found, reasons = health_of(WELL | said, NOW)
    assert found == health
    assert (reasons == []) == (health == "normal")


async def test_a_controller_shows_how_far_the_book_has_got(client: httpx.AsyncClient, plant: Plant) -> None:
    """Its own last sequence beside our position; large numbers as text."""
    shown = (await client.get("/v1/controllers/A-02")).json()
    position = plant.positions["A-02"]
    assert shown["position"] == {"epoch": position.epoch, "sequence": str(position.sequence)}
    assert shown["last_sequence"] == str(position.sequence)
    assert shown["read_through_at"] == "2026-10-27T00:00:00Z"
    assert (shown["total_count"], shown["gap_totals"]) == (str(2**40), {"gaps": 1, "cycles": 3})
    assert shown["tool"]["serial"] == MOVED.serial
    assert [each["code"] for each in shown["open_faults"]] == ["E03"]
    assert shown["clock"] == {
        "said": "2026-10-27T00:00:00",
        "offset_ms": 3_600_000.0,
        "uncertainty_ms": 20.0,
        "drift_ppm": 12.5,
        "stands_still": False,
    }
    assert (shown["controller_serial"], shown["conflicts"]) == ("PLC-0002", [])
    assert shown["in_site_file"]


async def test_a_status_that_is_old_says_nothing_of_health(client: httpx.AsyncClient) -> None:
    """A dead collector must not look like a sound controller."""
    shown = (await client.get("/v1/controllers/A-01")).json()
    assert (shown["link"]["state"], shown["health"]) == ("up", None)
    assert shown["unknown"]["health"] == "the latest status is that of 2026-10-27T00:00:00Z"
    assert shown["unknown"]["total_count"] == "the controller's status does not show it"
    assert shown["unknown"]["controller_serial"] == "the controller has told none"
    assert "not watched for long enough" in shown["unknown"]["clock.drift_ppm"]


async def test_a_fresh_status_speaks_for_the_controller(client: httpx.AsyncClient, plant: Plant) -> None:
    """A hardware fault that is open now is a failure."""
    now = datetime.now(UTC)
    async with writing(plant) as filling:
        status = Status(last_sequence=343, tool=MOVED, mode="automatic", state="idle")
        raised = FaultRaised("13", "Punch did not return", "hardware", MOVED, now, None)
        await filling.commit(
            "A-01", seen=StatusSeen(status, now, None, None), link=Link("up", now), faults=(raised,)
        )
    shown = (await client.get("/v1/controllers/A-01")).json()
    assert (shown["health"], shown["health_reasons"]) == ("failure", ["fault 13: Punch did not return"])


async def test_another_controller_that_was_refused_is_said_with_the_reason(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """What answers there, and what to check."""
    now = datetime.now(UTC)
    says = "A-02: the controller that answers has the serial PLC-0007, which the book knows as A-01"
    async with writing(plant) as filling:
        await filling.commit("A-02", link=Link("refused", now, says, now))
    shown = (await client.get("/v1/controllers/A-02")).json()
    assert (shown["health"], shown["health_reasons"]) == (None, [f"the link is refused: {says}"])
    assert shown["unknown"]["health"] == f"the link is refused: {says}"


def test_the_last_error_of_a_link_is_no_reason_while_it_connects() -> None:
    """It is that of an earlier one."""
    assert health_of(WELL | {"link_state": "connecting"}, NOW) == (None, ["the link is connecting"])
    assert health_of(WELL | {"link_state": "down"}, NOW) == (None, ["the link is down: connection reset"])


async def test_a_controller_that_was_never_read_says_so(client: httpx.AsyncClient, plant: Plant) -> None:
    """Null and the reason, for all that a status would show."""
    async with writing(plant) as filling:
        await filling.writer.register([replace(IDENTITIES[0], name="A-03")])
    shown = (await client.get("/v1/controllers/A-03")).json()
    assert {shown[name] for name in ("mode", "state", "read_at", "position", "tool", "health")} == {None}
    assert shown["unknown"]["mode"] == "no status was read yet"
    assert not shown["in_site_file"]


async def test_all_controllers_are_listed_by_name(client: httpx.AsyncClient) -> None:
    """On one page."""
    shown = (await client.get("/v1/controllers")).json()
    assert [each["name"] for each in shown["items"]] == ["A-01", "A-02"]
    assert shown["next"] is None
