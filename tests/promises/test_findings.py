"""What the analysis notices by itself: one finding for one trouble, whatever is restarted or killed, and the
pollers don't notice the analysis."""

import os
import re
import signal
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from collector.errors import StoreError
from collector.store.engine import StoreAddress, open_book_reader, store_errors
from collector.store.findings import find_findings
from simulators.plant import Plant
from simulators.scenario import Scenario, SupplyPressure, Wear
from tests.processes import came_by, ended, eventually, reached, running, site_of

NAME = "L1-01"
SCENARIO = {
    "seed": 7,
    "controllers": (
        {
            "name": NAME,
            "layout": "ring-modbus",
            "tool": "40117",
            "cycle_every_s": (0.03, 0.05),
            "no_band_share": 0.0,
            "trigger_share": 0.0,
            "loose_share": 0.0,
        },
    ),
}
ANALYSIS = """
[analysis]
look_every_s = 0.5
"""
WORN = 0.09
"""Of the punch's energy: nearly 5 % of its velocity, and still enough for every lock."""
LONG_S = 150.0
"""The analysis gives way to everything else."""


def findings(address: StoreAddress) -> Mapping[str, list[dict[str, Any]]]:
    """By kind, newest first."""
    engine = open_book_reader(address)
    found: dict[str, list[dict[str, Any]]] = {}
    try:
        with store_errors(), engine.connect() as connection:
            for each in find_findings(connection, last=None):
                found.setdefault(each["kind"], []).append(each)
    except StoreError:
        pass  # the book is not there yet
    finally:
        engine.dispose()
    return found


def analysts(log: Path) -> list[int]:
    """Processes of the analysis, in the order of their starts."""
    return [int(each) for each in re.findall(r"the analysis has started, process (\d+)", log.read_text())]


def is_gone(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return True
    return False


@pytest.mark.timeout(600)
async def test_a_slowing_punch_is_one_finding_whatever_is_restarted_or_killed(tmp_path: Path) -> None:
    """It begins where the punch began to slow. Neither a restart of the collector doubles it, nor a kill of
    the analysis, which comes back by itself while cycles go on being taken; all leave when told."""
    log, address = tmp_path / "log", StoreAddress(folder=tmp_path / "book")
    async with Plant(Scenario.model_validate(SCENARIO)) as plant:
        site = site_of(plant, tmp_path)
        site.write_text(site.read_text() + ANALYSIS)

        async def is_found(kind: str) -> bool:
            return kind in findings(address)

        async def has_started(times: int) -> bool:
            return len(analysts(log)) >= times

        async with running("collector", "collect", "--site", str(site), log=log) as collector:
            begun = reached(address)
            while NAME not in begun:
                await plant.wait_for_cycles(NAME, len(plant.cabinets[NAME].finished) + 5)
                begun = reached(address)

            async def has_a_baseline() -> bool:
                return reached(address)[NAME] >= begun[NAME] + 150

            await eventually(has_a_baseline, "a baseline is in the book", LONG_S)
            assert findings(address) == {}
            await plant.apply(Wear(controller=NAME, do="wear", punch_wear=WORN))
            last_good = plant.cabinets[NAME].finished[-1].record.sequence
            await eventually(lambda: is_found("punch_slowing"), "the slowing punch is found", LONG_S)
            (slow,) = findings(address)["punch_slowing"]
            assert abs(int(slow["evidence"]["first_cycle"].split(".")[-1]) - (last_good + 1)) <= 3
            assert "likely cause: punch wear or lubrication" in slow["says"]

            os.kill(analysts(log)[-1], signal.SIGKILL)
            await eventually(came_by(plant, address), "cycles go on being taken")
            await eventually(lambda: has_started(2), "the analysis is back", LONG_S)
            assert await ended(collector) == 0

        async with running("collector", "collect", "--site", str(site), log=log) as collector:
            await plant.apply(SupplyPressure(controller=NAME, do="supply_pressure", kpa=500.0))
            await eventually(lambda: is_found("supply_pressure_low"), "the next trouble is found", LONG_S)
            assert await ended(collector) == 0
    found = findings(address)
    assert set(found) == {"punch_slowing", "supply_pressure_low"}
    assert [each["commit_number"] for each in found["punch_slowing"]] == [slow["commit_number"]]
    assert all(map(is_gone, analysts(log)))
