"""How long the last 500 cycles of a tool take through the whole application, against a bare fetch.

    python -m tests.benchmarks.last_500 [cycles]

Both run in this process and in turn, on the same book; the ratio is what counts, the milliseconds depend on
the machine. The application's time has no network in it: the request goes in and the answer comes out as
ASGI messages.
"""

import asyncio
import json
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any

import httpx
from fastapi import FastAPI

from api.app import create_app
from collector.config import load_site
from collector.store.engine import SQLITE, StoreAddress, migrate_book, open_book_writer
from collector.store.tables import controller, cycle, tool
from tests.api.plant import write_site

CYCLES = 200_000
TOOLS = 20
ROUNDS = 60
BEGIN = datetime(2026, 1, 1, tzinfo=UTC)
ADDRESS = "/v1/tools/7/cycles?last=500"


def make_book(address: StoreAddress, cycles: int) -> None:
    """`cycles` spread over 20 tools, straight into the tables."""
    engine = open_book_writer(address)
    migrate_book(engine)
    with engine.begin() as connection:
        connection.execute(
            controller.insert(),
            {"controller_id": 1, "name": "A-01"}
            | dict.fromkeys(("line", "station", "protocol", "layout", "address"), "-"),
        )
        connection.execute(
            tool.insert(),
            [
                {"tool_id": number, "maker": "-", "model": "-", "serial": str(number), "first_seen_at": BEGIN}
                for number in range(TOOLS)
            ],
        )
        for begin in range(1, cycles + 1, 10_000):
            connection.execute(cycle.insert(), list(rows(begin, min(begin + 10_000, cycles + 1))))
    engine.dispose()


def rows(begin: int, end: int) -> Iterator[dict[str, Any]]:
    random = Random(begin)
    for number in range(begin, end):
        peak_n = random.gauss(1000, 40)
        yield {
            "controller_id": 1,
            "epoch": 1,
            "sequence": number,
            "commit_number": number,
            "tool_id": random.randrange(TOOLS),
            "ended_at": BEGIN + number * timedelta(seconds=3),
            "time_uncertainty_ms": 20.0,
            "controller_time": "2026-01-01T00:00:00",
            "result": random.choice(["ok", "ok", "ok", "nok"]),
            "completion": "completed",
            "mode": "automatic",
            "part_id": f"P{number:09}",
            "band": "B12",
            "duration_ms": 1500.0,
            "take_up_ms": 600.0,
            "peak_tension_n": peak_n,
            "lock_tension_n": peak_n * 0.95,
            "set_torque_nm": 2.5,
            "punch_pressure_kpa": 550.0,
            "supply_pressure_kpa": 620.0,
            "punch_velocity_m_s": 4.5,
            "total_count": 400_000 + number,
            "extra": '{"motor_current_a":3.5}',
            "raw": bytes(64),
        }


def bare_fetch(path: Path) -> Callable[[], bytes]:
    """One statement, one connection that stays open, rows as dicts, the standard library's JSON."""
    connection = SQLITE.connect(f"{path.as_uri()}?mode=ro", uri=True, check_same_thread=False)
    names = [column.name for column in cycle.c if column.name not in ("raw", "controller_time", "tool_id")]
    wanted = f"SELECT {', '.join(names)} FROM cycle WHERE tool_id = ? ORDER BY ended_at DESC LIMIT 500"

    def ask() -> bytes:
        found = connection.execute(wanted, (7,)).fetchall()
        return json.dumps({"items": [dict(zip(names, row, strict=True)) for row in found]}).encode()

    return ask


async def measure(app: FastAPI, bare: Callable[[], bytes]) -> tuple[list[float], list[float]]:
    """Milliseconds of each round, application and bare fetch in turn."""
    ours: list[float] = []
    theirs: list[float] = []
    transport = httpx.ASGITransport(app)
    async with app.router.lifespan_context(app), httpx.AsyncClient(
        transport=transport, base_url="http://127.0.0.1"
    ) as client:  # fmt: skip
        for round_ in range(ROUNDS + 5):
            begin = time.perf_counter()
            answer = await client.get(ADDRESS)
            middle = time.perf_counter()
            plain = bare()
            end = time.perf_counter()
            assert len(answer.json()["items"]) == len(json.loads(plain)["items"]) == 500
            if round_ >= 5:  # the first rounds fill caches
                ours.append((middle - begin) * 1000)
                theirs.append((end - middle) * 1000)
    return ours, theirs


def main() -> None:
    cycles = int(sys.argv[1]) if len(sys.argv) > 1 else CYCLES
    with tempfile.TemporaryDirectory() as folder:
        make_book(StoreAddress(folder=Path(folder) / "store"), cycles)
        site, _ = load_site(write_site(Path(folder)))
        bare = bare_fetch(Path(folder) / "store" / "book.sqlite")
        ours, theirs = asyncio.run(measure(create_app(site), bare))
    for name, times in (("application", ours), ("bare fetch + json.dumps", theirs)):
        spread = f"from {min(times):.2f} to {max(times):.2f}"
        print(f"{name:24} median {statistics.median(times):6.2f} ms, {ROUNDS} rounds {spread}")
    ratio = statistics.median(ours) / statistics.median(theirs)
    print(f"last 500 of {cycles} cycles: the application takes {ratio:.2f} times the bare fetch")


if __name__ == "__main__":
    main()
