"""Kills of our programs at random moments over a running plant, with or without a bad network in between.

The promise's test and the long run, `python -m tests.benchmarks.kills`, share it.
"""

import asyncio
from collections import Counter
from collections.abc import Callable
from contextlib import AbstractAsyncContextManager, AsyncExitStack
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from random import Random

import httpx

from collector.store.engine import StoreAddress, open_book_reader
from simulators.network import Fault, bad_networks
from simulators.plant import Plant
from simulators.scenario import SCENARIOS, load_scenario
from simulators.truth import read_truth
from tests.balance import Balance, balance
from tests.processes import (
    came_by,
    caught_up,
    ended,
    eventually,
    free_port,
    hold_still,
    running,
    site_of,
    times_up,
)

ALIVE_S = (0.6, 2.2)
"""From a start to its kill; a collector needs most of a second until it reads."""
GAP_S = 0.05
"""Of the scenario, between two cycles of a controller."""
Running = AbstractAsyncContextManager[asyncio.subprocess.Process]
SERVICE = "/v1/tools/F20-50003/service"
LONG_S = 120.0
"""For what goes through a bad network."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What there is once the controllers stood still after the last kill and were read to their end."""

    balance: Balance
    services_lost: set[str]
    """Answered with 201, and not on record."""
    faults: Counter[Fault]
    """How many chunks met which fault of the network."""
    mistakes: list[str]
    """Lines of the log in which a program tells of a mistake of its own."""


async def kill_again_and_again(
    folder: Path,
    kills: int,
    seed: int,
    cycles_per_s: float,
    network_seed: int | None = None,
    tell: Callable[[int], None] = lambda kills: None,
) -> Outcome:
    """Kill the collector, and the API beside it, `kills` times; then compare the book with the truth.

    Args: cycles_per_s: of each controller; network_seed: of a bad network before each controller, None for
    none; tell: is called after each kill.
    """
    dice = Random(seed)
    truth, log, address = folder / "truth.ndjson", folder / "log", StoreAddress(folder=folder / "book")
    services: set[str] = set()
    scenario, speed = load_scenario(SCENARIOS / "fast.toml"), GAP_S * cycles_per_s
    async with Plant(scenario, speed=speed, truth=truth) as plant:
        async with bad_networks({} if network_seed is None else plant.ports, network_seed or 0) as nets:
            port = free_port()
            site = site_of(plant, folder, {name: each.port for name, each in nets.items()}, api_port=port)
            collector = partial(running, "collector", "collect", "--site", str(site), log=log)
            api = partial(running, "api", "--site", str(site), log=log)
            for number in range(kills):
                async with collector(), AsyncExitStack() as beside:
                    if number % 3 == 2:
                        # kills in a row, also of a collector that just starts, but not for ever
                        await eventually(came_by(plant, address), "the book has what there was", LONG_S)
                    if number % 4 == 3:
                        await beside.enter_async_context(api())
                        services.add(await record_service(port, number))
                    await asyncio.sleep(dice.uniform(*ALIVE_S))  # the moment of the kill is the point here
                tell(number + 1)
            await read_to_the_end(plant, address, collector, log)
            async with api() as serving:
                lost = services - await recorded_services(port)
                assert await ended(serving) == 0
    engine = open_book_reader(address)
    with engine.connect() as book:
        found = balance(book, read_truth(truth).cycles)
    engine.dispose()
    return Outcome(found, lost, sum((each.met for each in nets.values()), Counter()), mistakes_in(log))


async def read_to_the_end(
    plant: Plant, address: StoreAddress, collector: partial[Running], log: Path
) -> None:
    """A last collector is left alive until the book has all, and then told to stop."""
    before = times_up(log)

    async def is_up() -> bool:
        return times_up(log) > before

    async with collector() as process:
        await eventually(is_up, "the last collector is up")
        await hold_still(plant)
        await eventually(lambda: caught_up(plant, address), "the book has all cycles", LONG_S)
        assert await ended(process) == 0


def mistakes_in(log: Path) -> list[str]:
    """Errors that our programs logged; a library's complaints about its own doings are none."""
    lines = log.read_text(encoding="utf-8").splitlines()
    return [line for line in lines if " ERROR collector" in line or " ERROR api" in line]


async def answers(port: int) -> bool:
    try:
        async with httpx.AsyncClient() as client:
            return (await client.get(f"http://127.0.0.1:{port}/readyz")).status_code == 200
    except httpx.TransportError:
        return False


async def recorded_services(port: int) -> set[str]:
    """Their remarks."""
    await eventually(lambda: answers(port), "the API answers")
    async with httpx.AsyncClient() as client:
        found = (await client.get(f"http://127.0.0.1:{port}{SERVICE}")).json()
    return {each["remark"] for each in found["items"]}


async def record_service(port: int, number: int) -> str:
    """A record that was answered with 201 has to outlive any kill."""
    await eventually(lambda: answers(port), "the API answers")
    remark = f"service {number}"
    done_at = f"2026-11-25T06:{number // 60:02}:{number % 60:02}Z"
    record = {"done_at": done_at, "done_by": "shift mechanic", "remark": remark}
    async with httpx.AsyncClient() as client:
        answer = await client.post(f"http://127.0.0.1:{port}{SERVICE}", json=record)
    assert answer.status_code == 201, answer.text
    return remark
