"""`python -m simulators`: a simulated plant on loopback, until SIGTERM, SIGINT or `--seconds` end it."""

import argparse
import asyncio
import json
import signal
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from collector.errors import ConfigError
from simulators.network import bad_networks
from simulators.plant import Plant
from simulators.scenario import SCENARIOS, ControllerPlan, Scenario, load_scenario


def parse(arguments: list[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m simulators", description=__doc__)
    parser.add_argument(
        "--scenario", default="demo", help="file, or name of one in simulators/scenarios (default: demo)"
    )
    parser.add_argument(
        "--speed", type=float, default=1.0, help="pace of the plant; 60 makes an hour a minute"
    )
    parser.add_argument("--seconds", type=float, help="stop after this wall time (default: run until told)")
    parser.add_argument("--seed", type=int, help="instead of the scenario's")
    parser.add_argument(
        "--cycles-per-second", type=float, help="pace of each controller, instead of the scenario's"
    )
    parser.add_argument("--truth", type=Path, help="file for what really happened, one JSON line each")
    parser.add_argument("--state", type=Path, help="folder that keeps the controllers' memory over a restart")
    parser.add_argument("--ports-file", type=Path, help="JSON file with addresses, written when all is ready")
    parser.add_argument(
        "--base-port", type=int, default=0, help="first port; 0 lets the system choose (default)"
    )
    parser.add_argument(
        "--bad-network",
        type=int,
        metavar="SEED",
        help="addresses are those of a network with random faults before each controller",
    )
    return parser.parse_args(arguments)


def chosen_scenario(options: argparse.Namespace) -> Scenario:
    """The scenario with what the command line says instead. Raises: ConfigError."""
    named = SCENARIOS / f"{options.scenario}.toml"
    scenario = load_scenario(named if named.exists() else Path(options.scenario))
    changes: dict[str, object] = {}
    if options.seed is not None:
        changes["seed"] = options.seed
    if options.cycles_per_second is not None:
        changes["controllers"] = tuple(
            _paced(plan, options.speed / options.cycles_per_second) for plan in scenario.controllers
        )
    return scenario.model_copy(update=changes)


def _paced(plan: ControllerPlan, gap_s: float) -> ControllerPlan:
    return plan.model_copy(update={"cycle_every_s": (gap_s, gap_s)})


async def run(options: argparse.Namespace, scenario: Scenario) -> None:
    loop = asyncio.get_running_loop()
    told = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, told.set)
    plant = Plant(
        scenario, speed=options.speed, truth=options.truth, state=options.state, base_port=options.base_port
    )
    async with plant, ways_to(plant, options.bad_network) as addresses:
        if options.ports_file is not None:
            fresh = options.ports_file.with_name(options.ports_file.name + ".new")
            fresh.write_text(json.dumps(addresses, indent=2) + "\n", encoding="utf-8")
            fresh.replace(options.ports_file)
        for name, place in addresses["controllers"].items():
            print(f"{name}  {place['layout']}  {place['host']}:{place['port']}", flush=True)
        try:
            async with asyncio.timeout(options.seconds):
                await plant.wait_until(told.is_set)
        except TimeoutError:
            pass


@asynccontextmanager
async def ways_to(plant: Plant, seed: int | None) -> AsyncIterator[dict[str, Any]]:
    """The plant's addresses, or those of a bad network before each controller."""
    addresses = plant.addresses()
    async with bad_networks({} if seed is None else plant.ports, seed or 0) as networks:
        for name, network in networks.items():
            addresses["controllers"][name]["port"] = network.port
        yield addresses


def main() -> int:
    options = parse(sys.argv[1:])
    try:
        scenario = chosen_scenario(options)
    except ConfigError as error:
        print(error, file=sys.stderr)
        return 2
    asyncio.run(run(options, scenario))
    return 0


if __name__ == "__main__":
    sys.exit(main())
