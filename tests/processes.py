"""Our own programs as real processes over a simulated plant, for tests that kill them."""

import asyncio
import socket
import sys
from collections.abc import AsyncIterator, Awaitable, Callable, Collection, Mapping
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


def site_of(
    plant: Plant,
    folder: Path,
    ports: Mapping[str, int] | None = None,
    *,
    api_port: int | None = None,
    poll_interval_s: float = 0.2,
) -> Path:
    """A site file for the plant; `ports` names other ways to some controllers, such as through a proxy."""
    text = f"""[site]
zone = "Europe/Berlin"
[store]
folder = "book"
[api]
port = {api_port or free_port()}
"""
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
poll_interval_s = {poll_interval_s}
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


async def eventually(
    condition: Callable[[], Awaitable[bool]], what: str, patience_s: float = PATIENCE_S
) -> None:
    """Ask until it is so; fails with `what` when patience is over."""
    try:
        async with asyncio.timeout(patience_s):
            while not await condition():  # noqa: ASYNC110  (of another process: no event to wait on)
                await asyncio.sleep(0.05)
    except TimeoutError:
        raise AssertionError(f"not within {patience_s:.0f} s: {what}") from None


async def hold_still(plant: Plant) -> None:
    """No further cycle: each controller finishes the one it is at."""
    for cabinet in plant.cabinets.values():
        await cabinet.lock.acquire()


def reached(address: StoreAddress) -> dict[str, int]:
    """Controller -> the number that its position in the book stands at."""
    engine = open_book_reader(address)
    try:
        with store_errors(), engine.connect() as book:
            found = select(controller.c.name, position.c.sequence).join_from(controller, position)
            return {row.name: row.sequence for row in book.execute(found)}
    except StoreError:
        return {}
    finally:
        engine.dispose()


async def caught_up(plant: Plant, address: StoreAddress, names: Collection[str] = ()) -> bool:
    """Whether the book has got as far as every controller, or as those named; each has made a cycle."""
    positions = reached(address)
    return all(
        cabinet.finished
        and positions.get(name, -1) % MODULUS[cabinet.plan.layout] == cabinet.finished[-1].record.sequence
        for name, cabinet in plant.cabinets.items()
        if name in names or not names
    )


def came_by(plant: Plant, address: StoreAddress) -> Callable[[], Awaitable[bool]]:
    """Whether the book has come by where every controller stands now, while they go on."""
    modulus = {name: MODULUS[cabinet.plan.layout] for name, cabinet in plant.cabinets.items()}
    stand = {
        name: cabinet.finished[-1].record.sequence
        for name, cabinet in plant.cabinets.items()
        if cabinet.finished
    }

    async def holds() -> bool:
        positions = reached(address)
        return all(
            name in positions and (positions[name] - shown) % modulus[name] < modulus[name] // 2
            for name, shown in stand.items()
        )

    return holds


def logged(log: Path, words: str) -> Callable[[], Awaitable[bool]]:
    """Whether the log has these words."""

    async def holds() -> bool:
        return words in await asyncio.to_thread(log.read_text, encoding="utf-8")

    return holds


def times_up(log: Path) -> int:
    """How often a collector that writes this log has come as far as its book, and so can be told to stop."""
    return log.read_text(encoding="utf-8").count("INFO collector.daemon: clampbook ")


async def ended(process: asyncio.subprocess.Process) -> int:
    """The exit code after SIGTERM. Raises: TimeoutError: it took longer than 5 s."""
    process.terminate()
    async with asyncio.timeout(5):
        return await process.wait()
