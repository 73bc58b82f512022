"""Promise: while the book can't be written the controllers keep their cycles; none is lost or doubled."""

import asyncio
from pathlib import Path

import pytest

from collector.store.engine import StoreAddress, open_book_reader
from simulators.plant import Plant
from simulators.scenario import SCENARIOS, load_scenario
from simulators.truth import read_truth
from tests.balance import balance
from tests.collector.store.rigs import another_process_locks
from tests.processes import came_by, caught_up, ended, eventually, hold_still, running, site_of

LOCKED_S = 10.0
SPEED = 0.1
"""Two cycles a second and controller: 20 in the time of the lock, of 30 that the smaller ring remembers."""


@pytest.mark.timeout(90)
async def test_ten_seconds_of_a_locked_book_lose_and_double_nothing(tmp_path: Path) -> None:
    """Another process locks the database for 10 s while the plant works on."""
    truth, address = tmp_path / "truth.ndjson", StoreAddress(folder=tmp_path / "book")
    async with Plant(load_scenario(SCENARIOS / "fast.toml"), speed=SPEED, truth=truth) as plant:
        site = site_of(plant, tmp_path)
        async with running("collector", "collect", "--site", str(site), log=tmp_path / "log") as process:
            for name in plant.cabinets:
                await plant.wait_for_cycles(name, 1)
            await eventually(came_by(plant, address), "the book has the first cycles")
            with another_process_locks(tmp_path / "book" / "book.sqlite", most_s=LOCKED_S) as holder:
                assert holder.stdout is not None
                assert await asyncio.to_thread(holder.stdout.readline) == b"released\n"
            await hold_still(plant)
            await eventually(lambda: caught_up(plant, address), "the book has all cycles")
            assert await ended(process) == 0
    with open_book_reader(address).connect() as book:
        found = balance(book, read_truth(truth).cycles)
    assert found.wrong == []
    assert not found.unread
    assert [found.in_gaps[name] for name in ("F-01", "F-03", "F-04")] == [0, 0, 0]
    assert found.curves["F-04"] == found.stored["F-04"] > LOCKED_S
    said = "another process holds the database locked; find it and end it"
    assert said in (tmp_path / "log").read_text(), "the book was not locked long enough to refuse"
