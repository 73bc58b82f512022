"""From a cycle's end to its being readable over REST: python -m tests.benchmarks.latency [--poll 0.2 1]

Real collector and API processes over a simulated plant, real sockets, a SQLite file. When a controller has
finished a cycle a client asks the API for the tool's last cycles every 10 ms until it is among them. A block
protocol can't be faster than half the poll interval in the median and once the interval in the worst case;
so the ratio to it is what counts, the milliseconds beyond depend on the machine. Messages wait for no poll.
"""

import argparse
import asyncio
import statistics
import sys
import tempfile
from collections import defaultdict
from datetime import UTC, datetime
from pathlib import Path

import httpx

from simulators.memory import Finished
from simulators.plant import Plant
from simulators.scenario import Scenario
from tests.processes import PROTOCOL, eventually, free_port, running, site_of

ASK_EVERY_S = 0.01
LAYOUTS = ("ring-modbus", "ring-s7", "messages-mqtt")
CONTROLLERS = 3
"""Of each layout."""
WITHIN_S = 20.0


def scenario(poll_interval_s: float) -> Scenario:
    """Cycles far enough apart that each is alone between two polls, and in no step with them."""
    gaps_s = (1.5 * poll_interval_s + 0.3, 2.5 * poll_interval_s + 0.6)
    controllers = tuple(
        {
            "name": f"T{number}-{layout}",
            "layout": layout,
            "tool": f"{row + 1}{number:04}",
            "cycle_every_s": gaps_s,
            "sequence_before": 1000,
        }
        for row, layout in enumerate(LAYOUTS)
        for number in range(CONTROLLERS)
    )
    return Scenario.model_validate({"controllers": controllers, "seed": 3})


async def measure(poll_interval_s: float, seconds: float, folder: Path) -> dict[str, list[float]]:
    """Layout -> milliseconds from the end of each cycle to the answer that has it."""
    took_ms: dict[str, list[float]] = defaultdict(list)
    asking: set[asyncio.Task[None]] = set()
    port, log = free_port(), folder / "log"
    async with (
        Plant(scenario(poll_interval_s)) as plant,
        httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}") as client,
    ):
        site = str(site_of(plant, folder, api_port=port, poll_interval_s=poll_interval_s))

        async def ask(name: str, tool: str, finished: Finished) -> None:
            sought = f"{name}.1.{finished.record.sequence}"
            async with asyncio.timeout(WITHIN_S):
                while True:
                    answer = await client.get(f"/v1/tools/{tool}/cycles?last=3")
                    if sought in (each["id"] for each in answer.json()["items"]):
                        break
                    await asyncio.sleep(ASK_EVERY_S)
            late = datetime.now(UTC) - finished.ended_at
            took_ms[plant.cabinets[name].plan.layout].append(late.total_seconds() * 1000)

        def follow(name: str, tool: str, finished: Finished) -> None:
            task = asyncio.create_task(ask(name, tool, finished))
            asking.add(task)

        async def is_there(tool: str) -> bool:
            try:
                return (await client.get(f"/v1/tools/{tool}/cycles?last=1")).status_code == 200
            except httpx.TransportError:
                return False

        async with (
            running("collector", "collect", "--site", site, log=log),
            running("api", "--site", site, log=log),
        ):
            for name, cabinet in plant.cabinets.items():
                tool = cabinet.plan.tool
                await eventually(lambda tool=tool: is_there(tool), f"the API knows the tool of {name}")
            for name, cabinet in plant.cabinets.items():
                tool = cabinet.plan.tool
                cabinet.controller.on_cycle.append(
                    lambda finished, name=name, tool=tool: follow(name, tool, finished)
                )
            await asyncio.sleep(seconds)
            for cabinet in plant.cabinets.values():
                await cabinet.lock.acquire()
            await asyncio.gather(*asking)
    return took_ms


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--poll", type=float, nargs="+", default=[0.2, 1.0], help="poll intervals in s")
    parser.add_argument("--seconds", type=float, default=60.0, help="for each of them")
    asked = parser.parse_args()
    print("poll s  protocol  cycles   p50 ms   p99 ms   max ms   p50/poll  p99/poll")
    for poll_interval_s in asked.poll:
        with tempfile.TemporaryDirectory() as folder:
            took_ms = asyncio.run(measure(poll_interval_s, asked.seconds, Path(folder)))
        for layout in LAYOUTS:
            times = sorted(took_ms[layout])
            p50, p99 = statistics.median(times), statistics.quantiles(times, n=100, method="inclusive")[98]
            figures = f"{p50:8.0f} {p99:8.0f} {times[-1]:8.0f}"
            protocol = PROTOCOL[layout]
            ratios = [f"{each / 1000 / poll_interval_s:8.2f}" for each in (p50, p99)]
            shown = "  ".join(ratios) if protocol != "mqtt" else "  (no polls)"
            print(f"{poll_interval_s:6.1f}  {protocol:8} {len(times):7} {figures}   {shown}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
