"""Bands, tool models and what the analysis is told: every mistake has its line and key."""

import subprocess
import sys
from pathlib import Path

import pytest

from collector.analysis.capability import Specification
from collector.analysis.tension import Band, Wheel
from collector.config import load_site
from collector.errors import ConfigError

GOOD = """\
[site]
zone = "Europe/Berlin"

[store]
folder = "state"

[analysis]
least_supply_kpa = 500.0
no_band_codes = ["4"]

[[bands]]
name = "B15-048"
width_mm = 15.0
thickness_mm = 0.48
recommended_torque_nm = 9.4
maximum_torque_nm = 11.0
minimum_pressure_kpa = 300.0
recommended_pressure_kpa = 330.0
maximum_pressure_kpa = 380.0
minimum_speed_mm_s = 30
maximum_speed_mm_s = 60

[[bands]]
name = "B15-061"
width_mm = 15.0
thickness_mm = 0.61
recommended_torque_nm = 12.0
maximum_torque_nm = 16.0
shear_strength_mpa = 517.0

[[tool_models]]
maker = "Sample Works"
model = "C-1"
wheel_radius_mm = 12.0
gear_ratio = 1.0
efficiency = 0.92
service_cycle_span = 50000

[tool_models.limits]
peak_tension_n = { lower = 600.0, upper = 800.0 }
punch_velocity_m_s = { lower = 3.0 }

[[tool_models]]
maker = "Sample Works"
model = "C-4"

[[controllers]]
name = "L1-01"
line = "L1"
station = "10"
protocol = "modbus"
layout = "example:ring-modbus"
host = "192.0.2.1"
"""


def site_file(folder: Path, text: str) -> Path:
    path = folder / "site.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_good_file_gives_bands_wheels_and_limits(tmp_path: Path) -> None:
    """As the analysis takes them; a tool model without a wheel radius has no wheel."""
    site, _ = load_site(site_file(tmp_path, GOOD))
    assert site.bands[1].band == Band("B15-061", 15.0, 0.61, 12.0, 16.0, shear_strength_mpa=517.0)
    model = site.tool_model("Sample Works", "C-1")
    assert model is not None
    assert (model.wheel, model.service_cycle_span) == (Wheel(12.0, 1.0, 0.92), 50000)
    assert model.limits["punch_velocity_m_s"].specification == Specification(3.0, None)
    other = site.tool_model("Sample Works", "C-4")
    assert other is not None
    assert other.wheel is None
    assert site.tool_model("Sample Works", "C-9") is None
    assert site.analysis.least_supply_kpa == 500.0


def mistakes(folder: Path, line: str, to: str) -> list[tuple[int | None, str, str]]:
    """Line, key and sentence of each mistake, after one line of the good file was changed."""
    assert GOOD.count(line + "\n") == 1, line
    with pytest.raises(ConfigError) as caught:
        load_site(site_file(folder, GOOD.replace(line + "\n", to + "\n")))
    return [(each.line, each.key, each.says) for each in caught.value.mistakes]


def number(line: str) -> int:
    return GOOD[: GOOD.index(line + "\n")].count("\n") + 1


WRONG_UNIT = [  # inches, micrometres, metres, bar, pounds a square inch, per cent
    ("thickness_mm = 0.48", "thickness_mm = 0.019", "bands[0]", "from 0.05 to 5, not 0.019; is it given in"),
    ("thickness_mm = 0.61", "thickness_mm = 610", "bands[1]", "from 0.05 to 5, not 610"),
    ("wheel_radius_mm = 12.0", "wheel_radius_mm = 0.012", "tool_models[0]", "given in another unit?"),
    ("minimum_pressure_kpa = 300.0", "minimum_pressure_kpa = 3", "bands[0]", "from 10 to 2000, not 3"),
    ("shear_strength_mpa = 517.0", "shear_strength_mpa = 75000", "bands[1]", "from 50 to 2000"),
    ("efficiency = 0.92", "efficiency = 92", "tool_models[0]", "must be 1.0 or less"),
    ("thickness_mm = 0.48", 'thickness_mm = "0.48 mm"', "bands[0]", "number"),
]
DOUBLED = [
    ('name = "B15-061"', 'name = "B15-048"', "bands[1]", "band B15-048 is there already"),
    ('model = "C-4"', 'model = "C-1"', "tool_models[1]", "Sample Works C-1 is there already"),
]
OUT_OF_ORDER = [
    ("recommended_torque_nm = 9.4", "recommended_torque_nm = 11.5", "bands[0]", "is above maximum_torque_nm"),
    ("minimum_speed_mm_s = 30", "minimum_speed_mm_s = 61", "bands[0]", "is above maximum_speed_mm_s 60"),
    ("minimum_pressure_kpa = 300.0", "minimum_pressure_kpa = 340", "bands[0]", "above recommended_pressure"),
]
TOLD = [
    ("service_cycle_span = 50000", "service_cycle_span = 0", "tool_models[0]", "must be 1 or more"),
    ("least_supply_kpa = 500.0", "least_supply_kpa = -1", "analysis", "must be more than 0"),
    ('no_band_codes = ["4"]', 'no_band_code = ["4"]', "analysis", "did you mean `no_band_codes`?"),
]


@pytest.mark.parametrize(("line", "to", "table", "says"), [*WRONG_UNIT, *DOUBLED, *OUT_OF_ORDER, *TOLD])
def test_a_mistake_has_its_line_and_key(tmp_path: Path, line: str, to: str, table: str, says: str) -> None:
    """One wrong line, one mistake, at that line."""
    ((at, key, said),) = mistakes(tmp_path, line, to)
    assert (at, key) == (number(line), f"{table}.{to.split(' = ')[0]}")
    assert says in said


VELOCITY = "punch_velocity_m_s = { lower = 3.0 }"
TENSION = "peak_tension_n = { lower = 600.0, upper = 800.0 }"


@pytest.mark.parametrize(
    ("line", "to", "key", "says"),
    [
        (
            VELOCITY,
            "punch_velocity = { lower = 3.0 }",
            "punch_velocity",
            "is no measure; there are punch_vel",
        ),
        (TENSION, TENSION.replace("600", "900"), "peak_tension_n.lower", "900 is not below upper 800"),
        (VELOCITY, "punch_velocity_m_s = { }", "punch_velocity_m_s", "has neither lower nor upper"),
        (
            VELOCITY,
            VELOCITY.replace("lower", "least"),
            "punch_velocity_m_s.least",
            "allowed are lower, upper",
        ),
    ],
)
def test_a_mistake_in_a_limit_is_told_at_the_limit(
    tmp_path: Path, line: str, to: str, key: str, says: str
) -> None:
    """Of an unknown measure, lower above upper, empty, with a word that it does not know."""
    ((at, found, said),) = mistakes(tmp_path, line, to)
    assert (at, found) == (number(line), f"tool_models[0].limits.{key}")
    assert says in said


def test_a_value_that_is_left_out_is_told_at_its_band(tmp_path: Path) -> None:
    """And a key with a unit that nobody knows at its own line: both, where one stands for the other."""
    found = mistakes(tmp_path, "thickness_mm = 0.48", "thickness_in = 0.019")
    assert [(at, key) for at, key, _ in found] == [
        (number('[[bands]]\nname = "B15-048"'), "bands[0].thickness_mm"),
        (number("thickness_mm = 0.48"), "bands[0].thickness_in"),
    ]
    assert found[0][2] == "is missing"
    assert "allowed are" in found[1][2]


def test_the_command_names_all_of_them(tmp_path: Path) -> None:
    """`clampbook check` prints file, line and key of each, and leaves with 2."""
    text = GOOD.replace("thickness_mm = 0.48", "thickness_mm = 0.019").replace(
        "efficiency = 0.92", "efficiency = 0"
    )
    path = site_file(tmp_path, text)
    command = [sys.executable, "-m", "collector", "check", "--site", str(path)]
    told = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert told.returncode == 2
    said = told.stdout + told.stderr
    assert f"{path}:14: bands[0].thickness_mm: must be from 0.05 to 5, not 0.019" in said
    assert f"{path}:36: tool_models[0].efficiency: is 0; it must be more than 0" in said
