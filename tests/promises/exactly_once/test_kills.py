"""Promise: every cycle is in the book exactly once, whatever is killed, at whatever moment."""

import asyncio
import random
from pathlib import Path

import httpx
import pytest

from collector.store.engine import StoreAddress, open_book_reader
from simulators.plant import Plant
from simulators.scenario import SCENARIOS, load_scenario
from simulators.truth import read_truth
from tests.balance import balance
from tests.processes import caught_up, ended, eventually, hold_still, running, site_of, times_up

KILLS = 24
SPEED = 0.125
"""2.5 cycles a second and controller: twelve seconds without a collector fit in the smaller ring, of 30."""


@pytest.mark.timeout(240)
async def test_kills_at_random_moments_lose_and_double_nothing(tmp_path: Path) -> None:
    """24 kills of collector and API over a running plant: the book equals the ground truth, with no gap in it
    for controllers that remember more than an outage brings."""
    dice = random.Random(20261125)
    truth, log = tmp_path / "truth.ndjson", tmp_path / "log"
    address = StoreAddress(folder=tmp_path / "book")
    recorded: list[str] = []
    async with Plant(load_scenario(SCENARIOS / "fast.toml"), speed=SPEED, truth=truth) as plant:
        site = site_of(plant, tmp_path)
        port = next(line.split()[-1] for line in site.read_text().splitlines() if line.startswith("port ="))
        for number in range(KILLS):
            collector = running("collector", "collect", "--site", str(site), log=log)
            api = running("api", "--site", str(site), log=log)
            async with collector as collecting, api as serving:
                if number % 3 == 2:  # kills in a row, also of a collector that just starts, but not for ever
                    await eventually(lambda: caught_up(plant, address), "the book has what there is")
                if number % 4 == 3:
                    recorded.append(await record_service(port, number))
                await asyncio.sleep(dice.uniform(0.6, 2.2))  # the moment of the kill is the point here
                (collecting if number % 3 else serving).kill()
                await (collecting if number % 3 else serving).wait()
        before = times_up(log)

        async def is_up() -> bool:
            return times_up(log) > before

        async with running("collector", "collect", "--site", str(site), log=log) as collecting:
            await eventually(is_up, "the last collector is up")
            await hold_still(plant)
            await eventually(lambda: caught_up(plant, address), "the book has all cycles")
            assert await ended(collecting) == 0
        async with running("api", "--site", str(site), log=log) as serving:
            await eventually(lambda: answers(port), "the API answers")
            done = (await get(port, "/v1/tools/F20-50003/service"))["items"]
            assert set(recorded) <= {each["remark"] for each in done}
            assert await ended(serving) == 0
    engine = open_book_reader(address)
    with engine.connect() as book:
        found = balance(book, read_truth(truth).cycles)
    engine.dispose()
    assert found.wrong == []
    assert not found.unread
    remembering = ("F-01", "F-03", "F-04")
    assert {name: found.in_gaps[name] for name in remembering} == dict.fromkeys(remembering, 0)
    assert all(found.stored[name] == found.made[name] > 60 for name in remembering)
    assert found.stored["F-02"] + found.in_gaps["F-02"] == found.made["F-02"]
    assert found.curves["F-04"] == found.stored["F-04"]


async def answers(port: str) -> bool:
    try:
        async with httpx.AsyncClient() as client:
            return (await client.get(f"http://127.0.0.1:{port}/readyz")).status_code == 200
    except httpx.TransportError:
        return False


async def get(port: str, path: str) -> dict[str, list[dict[str, str]]]:
    async with httpx.AsyncClient() as client:
        found: dict[str, list[dict[str, str]]] = (await client.get(f"http://127.0.0.1:{port}{path}")).json()
        return found


async def record_service(port: str, number: int) -> str:
    """A record that was answered with 201 has to outlive any kill."""
    await eventually(lambda: answers(port), "the API answers")
    remark = f"service {number}"
    async with httpx.AsyncClient() as client:
        answer = await client.post(
            f"http://127.0.0.1:{port}/v1/tools/F20-50003/service",
            json={"done_at": f"2026-11-25T06:00:{number:02}Z", "done_by": "shift mechanic", "remark": remark},
        )
    assert answer.status_code == 201, answer.text
    return remark
