"""The demo: six simulated controllers, the collector and the API, on this machine only.

Everything lies in a folder of its own, made anew at each start, and no port that is taken is used. SIGINT,
SIGTERM or the end of `--seconds` stop it all; then it says how many cycles are in the book against how many
the simulated controllers made.
"""

import argparse
import asyncio
import json
import socket
import sys
import tempfile
from asyncio.subprocess import Process
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import func, select

from collector.config import EXAMPLE_LAYOUTS
from collector.layouts.schema import load_layout
from collector.processes import until_asked_to_stop
from collector.store.engine import StoreAddress, open_book_reader
from collector.store.tables import controller, cycle, gap
from simulators.truth import TrueCycle, read_truth

FIRST_PORT = 8470
READY_WITHIN_S = 30

SITE = """\
[site]
name = "Demo works"
zone = "Europe/Berlin"

[store]
folder = "book"

[api]
port = {port}

[[shifts]]
name = "early"
begins = "06:00"
ends = "14:00"

[[shifts]]
name = "late"
begins = "14:00"
ends = "22:00"

[[shifts]]
name = "night"
begins = "22:00"
ends = "06:00"
"""

CONTROLLER = """
[[controllers]]
name = "{name}"
line = "{line}"
station = "{station}"
protocol = "{protocol}"
layout = "example:{layout}"
host = "127.0.0.1"
port = {port}
poll_interval_s = 0.5
{more}
"""


class Ended(Exception):
    """A process of the demo ended by itself; its log says why."""


def main() -> int:
    asked = arguments()
    try:
        port = free_port(asked.port)
    except OSError as error:
        print(
            f"port {asked.port} can't be used ({error.strerror}); name another with --port", file=sys.stderr
        )
        return 2
    folder = asked.state or Path(tempfile.mkdtemp(prefix="clampbook-demo-"))
    folder.mkdir(parents=True, exist_ok=True)
    try:
        asyncio.run(show(folder, port, asked.speed, asked.seconds))
    except Ended as error:
        print(error, file=sys.stderr)
        return 1
    tell_the_end(folder)
    return 0


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="deploy/demo", description=__doc__)
    parser.add_argument(
        "--seconds", type=float, help="stop after so many seconds (default: run until Ctrl-C)"
    )
    parser.add_argument(
        "--port", type=int, help=f"port of the API (default: the first free one from {FIRST_PORT})"
    )
    parser.add_argument("--speed", type=float, default=1.0, help="pace of the simulated plant (default: 1)")
    parser.add_argument("--state", type=Path, help="folder for site file, book and logs (default: a new one)")
    return parser.parse_args()


def free_port(wished: int | None) -> int:
    """Raises: OSError: the wished port is taken."""
    for port in [wished] if wished else range(FIRST_PORT, FIRST_PORT + 100):
        try:
            with socket.create_server(("127.0.0.1", port)):
                return port
        except OSError:
            if wished:
                raise
    raise OSError(f"ports {FIRST_PORT} to {FIRST_PORT + 99} are all taken")


async def show(folder: Path, port: int, speed: float, seconds: float | None) -> None:
    stop = await until_asked_to_stop()
    addresses = folder / "addresses.json"
    addresses.unlink(missing_ok=True)
    simulate = ["-m", "simulators", "--speed", str(speed), "--truth", str(folder / "truth.ndjson")]
    async with running("simulators", folder, [*simulate, "--ports-file", str(addresses)]) as simulators:
        await until(addresses.exists, simulators, folder)
        site = folder / "site.toml"
        site.write_text(site_file(port, json.loads(addresses.read_text())["controllers"]), encoding="utf-8")
        async with running("clampbook", folder, ["-m", "collector", "run", "--site", str(site)]) as clampbook:
            await until(lambda: is_open(port), clampbook, folder)
            print(welcome(port, site, folder), flush=True)
            ends = [asyncio.create_task(each) for each in (stop.wait(), simulators.wait(), clampbook.wait())]
            done, _ = await asyncio.wait(ends, timeout=seconds, return_when=asyncio.FIRST_COMPLETED)
            for each in ends:
                each.cancel()
            if done and not stop.is_set():
                raise Ended(f"a process of the demo ended by itself; see the logs in {folder}")


@asynccontextmanager
async def running(name: str, folder: Path, arguments: Sequence[str]) -> AsyncIterator[Process]:
    """A process of ours, its output in a log; ended with SIGTERM on leaving."""
    with (folder / f"{name}.log").open("ab") as log:
        process = await asyncio.create_subprocess_exec(sys.executable, *arguments, stdout=log, stderr=log)
    try:
        yield process
    finally:
        if process.returncode is None:
            process.terminate()
        await process.wait()


async def until(ready: Callable[[], bool], process: Process, folder: Path) -> None:
    """Wait for something that the process does once it is up."""
    for _ in range(READY_WITHIN_S * 20):
        if process.returncode is not None:
            break
        if ready():
            return
        await asyncio.sleep(0.05)
    raise Ended(f"the demo did not come up; see the logs in {folder}")


def is_open(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def site_file(port: int, controllers: dict[str, dict[str, Any]]) -> str:
    parts = [SITE.format(port=port)]
    for name, at in controllers.items():
        protocol = load_layout(EXAMPLE_LAYOUTS / f"{at['layout']}.toml").protocol
        more = f'address = "{name}"' if protocol == "mqtt" else ""
        parts.append(CONTROLLER.format(name=name, protocol=protocol, more=more, **at))
    return "".join(parts)


def welcome(port: int, site: Path, folder: Path) -> str:
    api = f"http://127.0.0.1:{port}"
    return f"""\
Six simulated controllers are being read; the API answers at {api}

  {api}/v1/controllers
  {api}/v1/tools
  {api}/v1/tools/BT20-0417/cycles?last=500
  {api}/v1/tools/BT20-0417/curves?last=5
  {api}/v1/tools/BT20-0417/counts
  {api}/v1/faults
  {api}/v1/gaps
  {api}/healthz
  {api}/v1/openapi.json

  .venv/bin/clampbook cycles BT20-0417 --last 20 --site {site}

Book, logs and the simulators' ground truth: {folder}
clampbook only observes. Before touching a real tool: isolate air and power, follow the site's lockout rules
and the tool maker's instructions. Ctrl-C ends the demo."""


def tell_the_end(folder: Path) -> None:
    """Cycles in the book and in listed gaps against what the controllers made, each by its own count."""
    made: dict[str, list[TrueCycle]] = {}
    for each in read_truth(folder / "truth.ndjson").cycles:
        made.setdefault(each.controller, []).append(each)
    print("\ncontroller   made   before the book began   in the book   in gaps   not read yet")
    with open_book_reader(StoreAddress(folder=folder / "book")).connect() as book:
        for row in book.execute(select(controller).order_by(controller.c.name)).all():
            cycles = select(cycle.c.sequence).where(cycle.c.controller_id == row.controller_id)
            first = book.scalars(cycles.order_by(cycle.c.epoch, cycle.c.sequence).limit(1)).first()
            stored = book.scalars(select(func.count()).select_from(cycles.subquery())).one()
            gaps = select(func.coalesce(func.sum(gap.c.last_sequence - gap.c.first_sequence + 1), 0))
            open_now = (gap.c.controller_id == row.controller_id, gap.c.closed_at.is_(None))
            missing = book.scalars(gaps.where(*open_now)).one()
            before = made_before(made[row.name], first)
            left = len(made[row.name]) - before - stored - missing
            print(f"{row.name:10} {len(made[row.name]):6} {before:23} {stored:13} {missing:9} {left:14}")


def made_before(made: list[TrueCycle], first: int | None) -> int:
    """How many cycles a controller had made and forgotten, or sent to nobody, before the book met it."""
    if first is None:
        return len(made)
    modulus = load_layout(EXAMPLE_LAYOUTS / f"{made[0].layout}.toml").sequence_modulus
    return next(n for n, each in enumerate(made) if each.shown_sequence == first % modulus)


if __name__ == "__main__":
    sys.exit(main())
