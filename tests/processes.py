"""Our own programs as real processes over a simulated plant, for tests that kill them."""

import asyncio
import socket
import sys
from collections.abc import AsyncIterator, Awaitable, Callable, Collection
from contextlib import asynccontextmanager, suppress
from pathlib import Path

from sqlalchemy import select

from collector.errors import StoreError
from collector.store.engine import StoreAddress, open_book_reader, store_errors
from collector.store.tables import controller, position
from simulators.plant import Plant
from tests.balance import MODULUS

PROTOCOL = {"ring-modbus": "modbus", "last-record-modbus": "modbus", "ring-s7": "s7", "messages-mqtt": "mqtt"}
PATIENCE_S = 30.0


def site_of(plant: Plant, folder: Path, ports: dict[str, int] | None = None) -> Path:
    """A site file for the plant; `ports` names other ways to some controllers, such as through a proxy."""
    text = f'[site]\nzone = "Europe/Berlin"\n[store]\nfolder = "book"\n[api]\nport = {free_port()}\n'
    for name, at in plant.addresses()["controllers"].items():
        protocol = PROTOCOL[at["layout"]]
        text += f"""
[[controllers]]
name = "{name}"
line = "{at["line"]}"
station = "{at["station"]}"
protocol = "{protocol}"
layout = "example:{at["layout"]}"
host = "127.0.0.1"
port = {(ports or {}).get(name, at["port"])}
poll_interval_s = 0.2
{f'address = "{name}"' if protocol == "mqtt" else ""}
"""
    path = folder / "site.toml"
    path.write_text(text, encoding="utf-8")
    return path


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port: int = probe.getsockname()[1]
        return port


@asynccontextmanager
async def running(module: str, *arguments: str, log: Path) -> AsyncIterator[asyncio.subprocess.Process]:
    """`python -m module`, killed on leaving if it still runs."""
    with log.open("ab") as sink:
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", module, *arguments, stdout=sink, stderr=sink
        )
    try:
        yield process
    finally:
        with suppress(ProcessLookupError):
            process.kill()
        await process.wait()


async def eventually(condition: Callable[[], Awaitable[bool]], what: str) -> None:
    """Ask until it is so; fails with `what` when patience is over."""
    try:
        async with asyncio.timeout(PATIENCE_S):
            while not await condition():  # noqa: ASYNC110  (of another process: no event to wait on)
                await asyncio.sleep(0.05)
    except TimeoutError:
        raise AssertionError(f"not within {PATIENCE_S:.0f} s: {what}") from None


async def hold_still(plant: Plant) -> None:
    """No further cycle: each controller finishes the one it is at."""
    for cabinet in plant.cabinets.values():
        await cabinet.lock.acquire()


async def caught_up(plant: Plant, address: StoreAddress, names: Collection[str] = ()) -> bool:
    """Whether the book has got as far as every controller, or as those named."""
    engine = open_book_reader(address)
    try:
        with store_errors(), engine.connect() as book:
            found = select(controller.c.name, position.c.sequence).join_from(controller, position)
            reached = {row.name: row.sequence for row in book.execute(found)}
    except StoreError:
        return False
    finally:
        engine.dispose()
    return all(
        reached.get(name, -1) % MODULUS[cabinet.plan.layout] == cabinet.finished[-1].record.sequence
        for name, cabinet in plant.cabinets.items()
        if name in names or not names
    )


def times_up(log: Path) -> int:
    """How often a collector that writes this log has come as far as its book, and so can be told to stop."""
    return log.read_text(encoding="utf-8").count("INFO collector.daemon: clampbook ")


async def ended(process: asyncio.subprocess.Process) -> int:
    """The exit code after SIGTERM. Raises: TimeoutError: it took longer than 5 s."""
    process.terminate()
    async with asyncio.timeout(5):
        return await process.wait()
