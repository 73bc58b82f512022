"""Promise: a bad link is told in words, costs no other controller anything, and is up again by itself."""

from collections.abc import AsyncIterator, Mapping
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from collector.store.engine import StoreAddress, open_book_reader, store_errors
from collector.store.tables import controller, controller_status
from simulators.fronts.tcp import TcpFront
from simulators.network import BadNetwork, Fault
from simulators.plant import Plant
from simulators.scenario import Scenario
from tests.processes import came_by, caught_up, ended, eventually, hold_still, running, site_of

LONG_S = 60.0
"""Pauses between connections grow."""
FAILURES = 2


@dataclass(frozen=True)
class Bad:
    """A controller behind a network with a fault, and what its link has to say then."""

    name: str
    layout: str
    fault: Fault
    says: str
    advice: str


CHECK_LINK = "check that it is switched on, its address, the cable"
BAD = [
    Bad("B-01", "ring-modbus", "drop", "did not answer within 500 ms", CHECK_LINK),
    Bad("B-02", "ring-modbus", "refuse", "can't be reached (refused, or no route)", CHECK_LINK),
    Bad("B-03", "ring-modbus", "cut", "closed the connection", CHECK_LINK),
    Bad("B-04", "ring-modbus", "stranger", "garbled reply", "look for a gateway or a second client"),
    Bad("B-05", "ring-s7", "drop", "did not answer within", CHECK_LINK),
    Bad("B-06", "ring-s7", "refuse", "can't be reached", CHECK_LINK),
    Bad("B-07", "ring-s7", "cut", "closed the connection", CHECK_LINK),
    Bad("B-08", "ring-s7", "stranger", "garbled reply", "check that this is the address of an S7 controller"),
    Bad("B-09", "messages-mqtt", "refuse", "can't be reached", "check that the broker runs"),
    Bad("B-10", "messages-mqtt", "stranger", "can't be reached", "check that the broker runs"),
]
NAMES = [each.name for each in BAD]
GOOD = {"G-01": "ring-modbus", "G-02": "ring-s7"}
"""They make no cycle, so that each poll is one request."""


def scenario() -> Scenario:
    working = [
        {"name": each.name, "layout": each.layout, "tool": f"9{number:04}", "cycle_every_s": (0.5, 1.0)}
        for number, each in enumerate(BAD)
    ]
    idle = [
        {"name": name, "layout": layout, "tool": f"8{name[2:]}", "cycle_every_s": None}
        for name, layout in GOOD.items()
    ]
    return Scenario.model_validate({"controllers": (*working, *idle), "seed": 5})


@asynccontextmanager
async def networks(plant: Plant) -> AsyncIterator[dict[str, BadNetwork]]:
    async with AsyncExitStack() as stack:
        yield {name: await stack.enter_async_context(BadNetwork(plant.ports[name])) for name in NAMES}


def links(address: StoreAddress) -> dict[str, Mapping[str, Any]]:
    """Controller -> its row of `controller_status`."""
    engine = open_book_reader(address)
    try:
        with store_errors(), engine.connect() as book:
            found = select(controller.c.name, controller_status).join_from(controller, controller_status)
            return {row.name: row._mapping for row in book.execute(found)}
    finally:
        engine.dispose()


def polls(plant: Plant) -> dict[str, int]:
    """Good controller -> how often it was read."""
    fronts = {name: plant.front(name) for name in GOOD}
    return {name: front.read_requests for name, front in fronts.items() if isinstance(front, TcpFront)}


@pytest.mark.timeout(200)
async def test_bad_links_are_told_slow_nobody_and_come_back(tmp_path: Path) -> None:
    """Half-open, refused, reset in mid-frame, another protocol at the address, ten at a time."""
    address = StoreAddress(folder=tmp_path / "book")
    async with Plant(scenario()) as plant, networks(plant) as ways:
        site = site_of(plant, tmp_path, {name: way.port for name, way in ways.items()})
        async with running("collector", "collect", "--site", str(site), log=tmp_path / "log") as process:
            for name in NAMES:
                await plant.wait_for_cycles(name, 1)
            await eventually(came_by(plant, address), "the book has the first cycles")
            before = links(address)
            assert {before[name]["link_state"] for name in (*NAMES, *GOOD)} == {"up"}
            began = datetime.now(UTC)
            for each in BAD:
                await ways[each.name].switch(each.fault)
            spacing = Spacing(plant)
            down: dict[str, Mapping[str, Any]] = {}

            async def all_have_failed() -> bool:
                found = links(address)
                down.update({name: found[name] for name in NAMES if found[name]["link_state"] == "down"})
                failures = {name: found[name]["reconnects"] - before[name]["reconnects"] for name in NAMES}
                spacing.note(failures)
                return min(failures.values()) >= FAILURES

            await eventually(all_have_failed, f"each bad link has failed {FAILURES} times", LONG_S)
            for each in BAD:
                is_told(each, down[each.name], began)
            found = links(address)
            assert {found[name]["link_state"] for name in GOOD} == {"up"}
            assert {found[name]["last_error"] for name in GOOD} == {None}
            assert len(spacing.found) >= len(BAD)
            assert min(spacing.found) >= 2, "a good controller waited for a bad one"
            for way in ways.values():
                await way.switch("good")
            await hold_still(plant)
            await eventually(lambda: caught_up(plant, address, NAMES), "the book has all cycles", LONG_S)
            assert {each["link_state"] for each in links(address).values()} == {"up"}
            assert await ended(process) == 0


class Spacing:
    """Polls of each good controller between two failures of a bad one, which are 750 ms apart or more."""

    def __init__(self, plant: Plant) -> None:
        self._plant = plant
        self._last: dict[str, tuple[int, dict[str, int]]] = {}
        self.found: list[int] = []

    def note(self, failures: Mapping[str, int]) -> None:
        now = polls(self._plant)
        for name, number in failures.items():
            before, then = self._last.get(name, (0, now))
            if number > before > 0:
                self.found += [now[good] - then[good] for good in GOOD]
            if number > before:
                self._last[name] = number, now


def is_told(each: Bad, link: Mapping[str, Any], began: datetime) -> None:
    """What the book says of a link that is down: since when, and the last error in words."""
    assert began <= link["link_since"] <= link["last_error_at"] <= datetime.now(UTC)
    assert each.says in link["last_error"]
    assert each.advice in link["last_error"]
