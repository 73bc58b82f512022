"""Scenario files: what they may say, and how their mistakes are told."""

from pathlib import Path

import pytest

from collector.errors import ConfigError
from simulators.plant import ACTIONS, FAMILIES
from simulators.scenario import SCENARIOS, Action, Scenario, load_scenario, seconds

GOOD = """
[[controllers]]
name = "A"
layout = "ring-modbus"
tool = "1"

[[controllers]]
name = "B"
layout = "ring-s7"
tool = "BT-2"
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "day.toml"


def mistakes(path: Path, text: str) -> list[str]:
    path.write_text(text)
    with pytest.raises(ConfigError) as caught:
        load_scenario(path)
    return [str(mistake).removeprefix(f"{path.parent}/") for mistake in caught.value.mistakes]


@pytest.mark.parametrize("name", sorted(path.name for path in SCENARIOS.glob("*.toml")))
def test_the_scenarios_that_come_along_are_good(name: str) -> None:
    """All of them."""
    assert load_scenario(SCENARIOS / name).controllers


def test_the_demo_has_six_controllers_of_every_kind_on_two_lines() -> None:
    """Two a protocol; see the docs of the demo."""
    scenario = load_scenario(SCENARIOS / "demo.toml")
    assert [(plan.name, plan.layout) for plan in scenario.controllers] == [
        ("L1-01", "ring-modbus"),
        ("L1-02", "last-record-modbus"),
        ("L1-03", "ring-s7"),
        ("L1-04", "ring-s7"),
        ("L2-01", "messages-mqtt"),
        ("L2-02", "messages-mqtt"),
    ]
    assert {plan.layout for plan in scenario.controllers} == set(FAMILIES)


def test_the_demo_shows_its_events_within_five_minutes() -> None:
    """A settings change, a swap, wear, low air, a cleared counter, a stop, a lost link."""
    scenario = load_scenario(SCENARIOS / "demo.toml")
    early = {event.do for event in scenario.events if seconds(event.at) <= 300}
    assert early >= {
        *("set", "swap_tool", "wear", "supply_pressure", "fault", "clear_counter", "emergency_stop"),
        *("unplug_network", "power_cycle"),
    }


def test_plant_time_is_minutes_and_seconds_or_with_hours() -> None:
    """01:30 is a minute and a half."""
    assert [seconds(text) for text in ("00:40", "01:30", "00:01:30", "10:00:00")] == [40, 90, 90, 36_000]


def test_every_kind_of_event_can_be_carried_out() -> None:
    """The plant knows what to do for each class that a scenario may name."""
    named = {type(event) for event in Scenario.model_validate(EVERYTHING).events}
    assert named == set(ACTIONS)
    assert len(EVERYTHING["events"]) == len(Action.__args__[0].__args__)  # type: ignore[attr-defined]


EVERYTHING = {
    "controllers": ({"name": "A", "layout": "ring-s7", "tool": "1"},),
    "events": tuple(
        {"controller": "A", "do": do} | arguments
        for do, arguments in (
            ("wear", {"punch_wear": 0.1}),
            ("swap_tool", {"tool": "2"}),
            ("clear_counter", {}),
            ("supply_pressure", {"kpa": 500.0}),
            ("emergency_stop", {}),
            ("release_emergency_stop", {}),
            ("manual", {}),
            ("fault", {"fault": "air"}),
            ("end_fault", {"fault": "air"}),
            ("acknowledge", {}),
            ("power_cycle", {}),
            ("set", {"set_torque_nm": 9.0}),
            ("fit_band", {"band": "B15-061"}),
            ("set_clock", {"offset_s": 1.0}),
            ("unplug_network", {"for_s": 1.0}),
            ("write_log", {"folder": "stick"}),
        )
    ),
}


@pytest.mark.parametrize(
    ("more", "place", "says"),
    [
        (
            '[[events]]\nat = "1:2"\ncontroller = "A"\ndo = "acknowledge"',
            "day.toml:12: events[0].at",
            "minutes:seconds",
        ),
        (
            '[[events]]\nat = "00:10"\ncontroller = "C"\ndo = "acknowledge"',
            "day.toml:13: events[0].controller",
            "A, B",
        ),
        (
            '[[events]]\ncontroller = "A"\ndo = "swap_tool"\nother = "X"',
            "day.toml:14: events[0].other",
            "A, B",
        ),
        ('[[events]]\ncontroller = "A"\ndo = "wobble"', "day.toml:13: events[0].do", "swap_tool"),
        (
            '[[events]]\ncontroller = "A"\ndo = "supply_pressure"\nkpa = 500.0\nbar = 5',
            "day.toml:15: events[0].bar",
            "allowed are",
        ),
        ('[[events]]\ncontroller = "A"\ndo = "supply_pressure"', "day.toml:11: events[0]", "kpa"),
        (
            '[[controllers]]\nname = "C"\nlayout = "ring-s7"\ntool = "3"\n'
            '[[events]]\ncontroller = "C"\ndo = "write_log"\nfolder = "stick"',
            "events[0].do",
            "C keeps no log",
        ),
        ('[[controllers]]\nname = "A"\nlayout = "ring-s7"\ntool = "3"', "controllers[2].name", "twice"),
        ('[[controllers]]\nname = "C"\nlayout = "ring-modbus"\ntool = "X3"', "controllers[2].tool", "digits"),
        ('[[controllers]]\nname = "C"\nlayout = "ring"\ntool = "3"', "controllers[2].layout", "ring-modbus"),
        (
            '[[controllers]]\nname = "C"\nlayout = "ring-s7"\ntool = "3"\nband = "B9"',
            "controllers[2].band",
            "B15-048",
        ),
    ],
)
def test_a_mistake_is_told_with_its_place_and_what_is_allowed(
    path: Path, more: str, place: str, says: str
) -> None:
    """File, line, key, sentence."""
    told = mistakes(path, GOOD + more + "\n")
    assert len(told) == 1
    assert place in told[0]
    assert says in told[0]


def test_all_mistakes_are_told_at_once(path: Path) -> None:
    """Not only the first."""
    wrong = "\n".join(f'[[events]]\ncontroller = "{name}"\ndo = "acknowledge"\n' for name in "XY")
    assert len(mistakes(path, GOOD + wrong)) == 2


def test_a_scenario_without_controllers_is_refused(path: Path) -> None:
    """There would be nothing to simulate."""
    assert "controllers: is missing" in mistakes(path, 'about = "nothing"\n')[0]
    assert "at least one controller" in mistakes(path, "controllers = []\n")[0]
