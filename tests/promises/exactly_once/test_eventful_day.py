"""Promise: swaps, clears, stops, pulled cables and lost memories neither lose nor double a cycle."""

from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter
from sqlalchemy import select

from collector.store.engine import StoreAddress, open_book_reader
from collector.store.tables import fault, mount, tool
from simulators.plant import Plant
from simulators.scenario import Action, Scenario
from simulators.truth import read_truth
from tests.balance import balance
from tests.processes import caught_up, ended, eventually, hold_still, running, site_of

SPEED = 20.0
"""Some five cycles a second and controller; a start-up of 30 s takes 1.5 s."""
CONTROLLERS: tuple[dict[str, Any], ...] = (
    {"name": "E-01", "layout": "ring-modbus", "tool": "60001", "sequence_before": 65_480},
    {"name": "E-02", "layout": "last-record-modbus", "tool": "60002"},
    {"name": "E-03", "layout": "ring-s7", "tool": "E20-03", "sequence_before": 5000, "total_before": 9000},
    {"name": "E-04", "layout": "ring-s7", "tool": "E20-04", "sequence_before": 7000, "total_before": 7000},
    {"name": "E-05", "layout": "messages-mqtt", "tool": "E30-05"},
)
COMMON = {"cycle_every_s": (3.0, 5.0), "acknowledge_after_s": 20.0, "write_pause_s": 0.02}
"""A record takes 60 ms to write, so that some are torn when they are read."""
ACTION: TypeAdapter[Any] = TypeAdapter(Action)


def plan() -> Scenario:
    controllers = tuple(each | COMMON for each in CONTROLLERS)
    return Scenario.model_validate({"controllers": controllers, "seed": 11})


@pytest.mark.timeout(120)
async def test_an_eventful_day_balances(tmp_path: Path) -> None:
    """A wrap, a swap between controllers, a cleared counter, low air, a stop, a pulled cable and two lost
    memories: every cycle is in the book once and right, with its tool, or in a listed gap."""
    truth, address = tmp_path / "truth.ndjson", StoreAddress(folder=tmp_path / "book")
    async with Plant(plan(), speed=SPEED, truth=truth) as plant:
        site = site_of(plant, tmp_path)

        async def do(controller: str, what: str, **more: Any) -> None:
            await plant.apply(ACTION.validate_python({"controller": controller, "do": what, **more}))

        async def stop_and_catch_up(*controllers: str) -> None:
            for name in controllers:
                await do(name, "emergency_stop")
                async with plant.cabinets[name].lock:
                    pass  # the cycle that was under way has ended
            await eventually(lambda: caught_up(plant, address, controllers), "the book has the stopped ones")

        async def more_cycles(count: int) -> None:
            wanted = {name: len(each.finished) + count for name, each in plant.cabinets.items()}
            for name, number in wanted.items():
                await plant.wait_for_cycles(name, number)

        async with running("collector", "collect", "--site", str(site), log=tmp_path / "log") as process:
            await more_cycles(15)
            await do("E-03", "swap_tool", other="E-04")
            await do("E-05", "clear_counter")
            await do("E-01", "supply_pressure", kpa=500.0)
            await do("E-04", "wear", punch_wear=0.1)
            await more_cycles(15)
            await do("E-01", "supply_pressure", kpa=620.0)
            await do("E-03", "unplug_network", for_s=30.0)
            await stop_and_catch_up("E-02", "E-05")
            await do("E-02", "power_cycle", memory_lost=True)
            await do("E-05", "power_cycle", memory_lost=True)
            for name in ("E-02", "E-05"):
                await do(name, "release_emergency_stop")
                await do(name, "acknowledge")
            await more_cycles(20)
            await hold_still(plant)
            await eventually(lambda: caught_up(plant, address), "the book has all cycles")
            assert await ended(process) == 0
    with open_book_reader(address).connect() as book:
        found = balance(book, read_truth(truth).cycles)
        mounted = [row.serial for row in book.execute(select(tool.c.serial).join_from(mount, tool))]
        codes = set(book.scalars(select(fault.c.code)))
    assert found.wrong == []
    assert not found.unread
    assert [found.in_gaps[name] for name in ("E-01", "E-04", "E-05")] == [0, 0, 0]
    assert all(number > 20 for number in found.stored.values())
    assert [mounted.count(serial) for serial in ("E20-03", "E20-04")] == [2, 2]
    assert {"14", "F-ESTOP"} <= codes
