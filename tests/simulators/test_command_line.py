"""`python -m simulators` as a process: ports file, truth, state, signals."""

import asyncio
import json
import signal
import sys
from asyncio.subprocess import PIPE, Process
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from simulators.__main__ import chosen_scenario, parse, ways_to
from simulators.plant import Plant
from simulators.truth import read_truth

ROOT = Path(__file__).parents[2]
WITHIN_S = 30


@asynccontextmanager
async def started(*arguments: str) -> AsyncIterator[Process]:
    """The process; it is gone when the block ends, whatever happened."""
    command = (sys.executable, "-W", "error", "-m", "simulators", *arguments)
    process = await asyncio.create_subprocess_exec(*command, cwd=ROOT, stdout=PIPE, stderr=PIPE)
    try:
        async with asyncio.timeout(WITHIN_S):
            yield process
    finally:
        if process.returncode is None:
            process.kill()
        await process.communicate()


async def test_it_runs_for_the_time_it_was_given_and_leaves_truth_and_ports(tmp_path: Path) -> None:
    """Exit code 0, nothing on stderr, and on stdout where each controller is reached."""
    truth, ports = tmp_path / "truth.ndjson", tmp_path / "ports.json"
    arguments = ("--speed", "20", "--seconds", "0.5", "--truth", str(truth), "--ports-file", str(ports))
    async with started(*arguments) as process:
        out, err = await process.communicate()
    assert (process.returncode, err) == (0, b"")
    listed = json.loads(ports.read_text())
    assert [line.split()[0] for line in out.decode().splitlines()] == list(listed["controllers"])
    assert list(listed["controllers"]) == ["L1-01", "L1-02", "L1-03", "L1-04", "L2-01", "L2-02"]
    cycles = read_truth(truth).cycles
    assert {cycle.controller for cycle in cycles if not cycle.before_start} <= set(listed["controllers"])
    assert sum(cycle.before_start for cycle in cycles) == 6 * 15


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
async def test_a_signal_ends_it_in_order(tmp_path: Path, number: signal.Signals) -> None:
    """The controllers' memory is kept, and the exit code is 0."""
    truth = tmp_path / "truth.ndjson"
    arguments = ("--scenario", "fast", "--truth", str(truth), "--state", str(tmp_path / "state"))
    async with started(*arguments) as process:
        assert process.stdout is not None
        assert (await process.stdout.readline()).startswith(b"F-01  ring-modbus  127.0.0.1:")
        process.send_signal(number)
        _, err = await process.communicate()
    assert (process.returncode, err) == (0, b"")
    last = {cycle.controller: cycle.sequence for cycle in read_truth(truth).cycles}
    kept = {
        path.stem: json.loads(path.read_text())["counted"] for path in (tmp_path / "state").glob("*.json")
    }
    assert kept == last
    assert set(kept) == {"F-01", "F-02", "F-03", "F-04"}


async def test_a_bad_network_can_be_put_before_the_controllers() -> None:
    """The addresses that are told are then the networks'; without one, the controllers' own."""
    asked = ["--scenario", "fast", "--bad-network", "5"]
    options = parse(asked)
    async with Plant(chosen_scenario(options)) as plant:
        async with ways_to(plant, options.bad_network) as addresses:
            told = {name: each["port"] for name, each in addresses["controllers"].items()}
            assert set(told) == set(plant.ports)
            assert set(told.values()).isdisjoint(plant.ports.values())
        async with ways_to(plant, None) as addresses:
            assert addresses == plant.addresses()


async def test_a_mistake_in_a_scenario_is_told_and_ends_it(tmp_path: Path) -> None:
    """Exit code 2, the sentence on stderr, no traceback."""
    path = tmp_path / "day.toml"
    path.write_text('[[controllers]]\nname = "A"\nlayout = "ring"\ntool = "1"\n')
    async with started("--scenario", str(path)) as process:
        _, err = await process.communicate()
    assert process.returncode == 2
    assert err.decode().startswith(f"{path}:3: controllers[0].layout")
    assert b"Traceback" not in err


def test_the_command_line_can_change_seed_and_pace() -> None:
    """The pace is in wall time, whatever the speed."""
    asked = ["--scenario", "fast", "--seed", "99", "--speed", "4", "--cycles-per-second", "10"]
    scenario = chosen_scenario(parse(asked))
    assert scenario.seed == 99
    assert {plan.cycle_every_s for plan in scenario.controllers} == {(0.4, 0.4)}  # plant time
