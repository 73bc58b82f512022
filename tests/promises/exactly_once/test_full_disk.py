"""Promise: while the disk is full the controllers keep their cycles; with room again all are in the book."""

import subprocess
from collections.abc import Iterator
from contextlib import suppress
from functools import partial
from pathlib import Path

import pytest

from collector.store.engine import StoreAddress, open_book_reader
from simulators.plant import Plant
from simulators.scenario import SCENARIOS, load_scenario
from simulators.truth import read_truth
from tests.balance import balance
from tests.processes import (
    came_by,
    caught_up,
    ended,
    eventually,
    hold_still,
    logged,
    reached,
    running,
    site_of,
)

SPEED = 0.1
"""Two cycles a second and controller: a ring of 30 holds for fifteen seconds."""
FULL_FOR = 8
"""Cycles of each controller while the disk is full."""
REMEMBERING = ("F-01", "F-03", "F-04")
SAYS = "the disk is full; make room"


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 3 MB of its own."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mounting = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=3m", "small", str(disk)], capture_output=True, text=True
    )
    if mounting.returncode != 0:
        pytest.skip(f"NOT TESTED: this user can't mount a disk ({mounting.stderr.strip()})")
    yield disk
    subprocess.run(["umount", str(disk)], check=True)


def fill(disk: Path) -> Path:
    """What some other program left there."""
    filler = disk / "filler"
    with filler.open("wb", buffering=0) as file, suppress(OSError):
        while file.write(bytes(4096)) == 4096:
            pass
    return filler


async def test_a_full_disk_loses_and_doubles_nothing(small_disk: Path, tmp_path: Path) -> None:
    """The log says it in a sentence, the book can be read, the collector can be ended and started meanwhile;
    once there is room every cycle is in the book."""
    truth, address = tmp_path / "truth", StoreAddress(folder=small_disk / "book")

    async with Plant(load_scenario(SCENARIOS / "fast.toml"), speed=SPEED, truth=truth) as plant:
        site = site_of(plant, small_disk)
        collector = partial(running, "collector", "collect", "--site", str(site))
        async with collector(log=tmp_path / "log") as process:
            for name in plant.cabinets:
                await plant.wait_for_cycles(name, 1)
            await eventually(came_by(plant, address), "the book has the first cycles")
            filler = fill(small_disk)
            await eventually(logged(tmp_path / "log", SAYS), "the log says that the disk is full")
            stand = reached(address)
            assert await ended(process) == 0
        async with collector(log=tmp_path / "log 2") as process:
            await eventually(logged(tmp_path / "log 2", SAYS), "the log says that the disk is full")
            begun = {name: len(each.finished) for name, each in plant.cabinets.items()}
            for name, number in begun.items():
                await plant.wait_for_cycles(name, number + FULL_FOR)
            assert reached(address) == stand, "the book can be read, and nothing is in it that was not before"
            filler.unlink()
            await hold_still(plant)
            await eventually(lambda: caught_up(plant, address), "the book has all cycles")
            assert await ended(process) == 0
    reader = open_book_reader(address)
    with reader.connect() as book:
        found = balance(book, read_truth(truth).cycles)
    reader.dispose()
    assert found.wrong == []
    assert not found.unread
    assert {name: found.in_gaps[name] for name in REMEMBERING} == dict.fromkeys(REMEMBERING, 0)
    assert all(found.stored[name] > FULL_FOR for name in REMEMBERING)
    assert found.curves["F-04"] == found.stored["F-04"]
