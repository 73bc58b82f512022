"""Promise: what a real broker handed over and the book had not committed comes again after a kill."""

import asyncio
import json
import random
import uuid
from pathlib import Path

import aiomqtt
from sqlalchemy import func, select

from collector.errors import StoreError
from collector.store.engine import StoreAddress, open_book_reader, store_errors
from collector.store.tables import curve, cycle, gap
from tests.processes import ended, eventually, free_port, running, times_up

KILLS = 4
SITE = """
[site]
zone = "Europe/Berlin"
[store]
folder = "book"
[api]
port = {api}
[[controllers]]
name = "M-01"
line = "M"
station = "10"
protocol = "mqtt"
layout = "example:messages-mqtt"
host = "{host}"
port = {port}
address = "{address}"
client_id = "{address}"
"""


def cycle_message(number: int) -> str:
    second = f"2026-03-02T06:{number // 60:02}:{number % 60:02}Z"
    return json.dumps({"n": number, "time": second, "tool": "BT30-1", "result": "pass", "end": "done"})


def curve_message(number: int) -> bytes:
    samples = b"".join(value.to_bytes(2, "little") for value in (1, 2, number))
    return number.to_bytes(4, "little") + (1000).to_bytes(4, "little") + b"\x03\x00" + samples


async def counted(address: StoreAddress) -> tuple[int, int, int]:
    """Cycles, curves and gaps in the book."""
    engine = open_book_reader(address)
    try:
        with store_errors(), engine.connect() as book:
            cycles, curves, gaps = (
                book.scalars(select(func.count()).select_from(table)).one() for table in (cycle, curve, gap)
            )
            return cycles, curves, gaps
    except StoreError:
        return 0, 0, 0
    finally:
        engine.dispose()


async def test_kills_under_a_real_broker_lose_and_double_nothing(
    mosquitto: tuple[str, int], tmp_path: Path
) -> None:
    """Messages come until the collector has been killed four times: each cycle is in the book once."""
    host, port = mosquitto
    name = f"clampbook-test-{uuid.uuid4().hex[:8]}"
    site, log, address = tmp_path / "site.toml", tmp_path / "log", StoreAddress(folder=tmp_path / "book")
    site.write_text(SITE.format(api=free_port(), host=host, port=port, address=name))
    dice = random.Random(7)

    killed = asyncio.Event()

    async def publish(client: aiomqtt.Client, number: int) -> None:
        await client.publish(f"clamps/{name}/cycle", cycle_message(number), qos=1)
        await client.publish(f"clamps/{name}/curve", curve_message(number), qos=1)

    async def publish_until_killed() -> int:
        number = 1
        async with aiomqtt.Client(host, port) as client:
            while not killed.is_set():
                number += 1
                await publish(client, number)
                await asyncio.sleep(0.05)
        return number

    async def has(cycles: int) -> bool:
        return (await counted(address))[0] >= cycles

    async def first_one_came() -> bool:
        """The same message until somebody has subscribed; in the book it is one cycle."""
        async with aiomqtt.Client(host, port) as client:
            await publish(client, 1)
        return await has(1)

    async with running("collector", "collect", "--site", str(site), log=log):
        await eventually(first_one_came, "the first cycle")
    publishing = asyncio.create_task(publish_until_killed())
    for _ in range(KILLS):
        seen = (await counted(address))[0]
        async with running("collector", "collect", "--site", str(site), log=log):
            await eventually(lambda seen=seen: has(seen + 1), "the collector goes on")
            await asyncio.sleep(dice.uniform(0.0, 0.4))  # the moment of the kill is the point here
    killed.set()
    cycles = await publishing
    before = times_up(log)

    async def is_up() -> bool:
        return times_up(log) > before

    async def has_all() -> bool:
        return (await counted(address))[:2] == (cycles, cycles)

    async with running("collector", "collect", "--site", str(site), log=log) as process:
        await eventually(is_up, "the last collector is up")
        await eventually(has_all, "all cycles and, in messages of their own, their curves")
        assert await ended(process) == 0
    assert await counted(address) == (cycles, cycles, 0)
    async with aiomqtt.Client(host, port, identifier=name, clean_session=True):
        pass  # the session at the broker is forgotten
