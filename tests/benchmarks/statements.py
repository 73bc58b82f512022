"""How long a day's statements take in a book of so many cycles: to make, to write, and to ask for.

    python -m tests.benchmarks.statements [cycles ...]

Ten days of ten controllers, with shifts that begin at 06:20, 14:42 and 22:10. The cycles go straight into the
tables; 10,000,000 of them take some minutes and 4 GB.
"""

import asyncio
import statistics
import sys
import tempfile
import time
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
from sqlalchemy import Connection, text

from api.app import create_app
from collector.config import load_site
from collector.store.engine import StoreAddress, migrate_book, open_book_reader, open_book_writer
from collector.store.statements import LineRules, Seen, prepare, write
from collector.store.tables import book, controller, epoch, mount, position, to_us, tool
from tests.api.plant import SITE

CYCLES = (100_000, 10_000_000)
CONTROLLERS = 10
DAYS = 10
BEGIN = datetime(2026, 11, 2, 5, 20, tzinfo=UTC)
"""06:20 in Berlin, on a Monday: no shift of the night is left out."""
END = BEGIN + timedelta(days=DAYS)
ASKED = 20

FILL = f"""
INSERT INTO cycle (controller_id, epoch, sequence, commit_number, tool_id, ended_at, time_uncertainty_ms,
    result, completion, mode, band, total_count, raw)
WITH RECURSIVE n(i) AS (SELECT :first UNION ALL SELECT i + 1 FROM n WHERE i < :last)
SELECT i % {CONTROLLERS} + 1, 1, i / {CONTROLLERS} + 1, i + 1, i % {CONTROLLERS} + 1,
    :begin_us + i * :step_us, 20.0,
    CASE WHEN i % 50 = 7 THEN 'nok' ELSE 'ok' END, 'completed', 'automatic', 'B12',
    i / {CONTROLLERS} + 1, zeroblob(64) FROM n
"""
TALLY = """
INSERT INTO tally (tool_id, bucket_at, controller_id, mode, band, result, completion, cycles)
SELECT tool_id, ended_at - ended_at % 900000000, controller_id, mode, band, result, completion, count(*)
FROM cycle GROUP BY 1, 2, 3, 4, 5, 6, 7
"""


def make_book(address: StoreAddress, cycles: int) -> None:
    engine = open_book_writer(address)
    migrate_book(engine)
    with engine.begin() as connection:
        connection.execute(book.update().values(created_at=BEGIN - timedelta(hours=1), commit_number=cycles))
        for number in range(1, CONTROLLERS + 1):
            _add_controller(connection, number, cycles // CONTROLLERS, cycles)
        step_us = (to_us(END) - to_us(BEGIN)) // cycles
        for first in range(0, cycles, 1_000_000):
            bounds = {"first": first, "last": min(first + 1_000_000, cycles) - 1}
            connection.execute(text(FILL), {"begin_us": to_us(BEGIN), "step_us": step_us, **bounds})
        connection.execute(text(TALLY))
    engine.dispose()


def _add_controller(connection: Connection, number: int, made: int, commit: int) -> None:
    about = dict.fromkeys(("station", "protocol", "layout", "address"), "-")
    of_controller = {"controller_id": number}
    connection.execute(
        controller.insert(), of_controller | {"name": f"C-{number:02}", "line": "line-1"} | about
    )
    connection.execute(
        tool.insert(),
        {"tool_id": number, "maker": "-", "model": "-", "serial": str(number), "first_seen_at": BEGIN},
    )
    connection.execute(epoch.insert(), of_controller | {"epoch": 1, "noticed_at": BEGIN})
    connection.execute(
        mount.insert(),
        of_controller
        | {"commit_number": commit + number, "tool_id": number, "mounted_at": BEGIN}
        | {"after_epoch": 1, "after_sequence": 0, "after_count": 0},
    )
    at = {"epoch": 1, "sequence": made, "total_count": made, "read_through_at": END + timedelta(hours=1)}
    connection.execute(position.insert(), of_controller | at)


def make_statements(folder: Path, address: StoreAddress) -> tuple[list[float], float]:
    """Milliseconds to make the statements of each day's shifts, and to write all of them."""
    site, _ = load_site(folder / "site.toml")
    names = [f"C-{number:02}" for number in range(1, CONTROLLERS + 1)]
    rules = LineRules(
        "line-1", site.plan("line-1"), frozenset(names), dict.fromkeys(names), timedelta(hours=1)
    )
    reader, writer = open_book_reader(address), open_book_writer(address)
    days: list[float] = []
    writing_ms = 0.0
    for day in range(1, DAYS + 1):
        now = BEGIN + timedelta(days=day)
        begun = time.perf_counter()
        with reader.connect() as connection:
            drafts, _ = prepare(connection, rules, Seen(), now)
        days.append((time.perf_counter() - begun) * 1000)
        assert len(drafts) >= 3, "each day has three shifts"
        assert all(draft.content["complete"] for draft in drafts), drafts[0].content["reasons"]
        begun = time.perf_counter()
        with writer.begin() as connection:
            assert write(connection, drafts, now)
        writing_ms += (time.perf_counter() - begun) * 1000
    reader.dispose()
    writer.dispose()
    return days, writing_ms


async def ask(folder: Path) -> tuple[list[float], list[int]]:
    """Milliseconds to be told a day, and the cycles of all ten days."""
    app = create_app(load_site(folder / "site.toml")[0])
    took: list[float] = []
    cycles: list[int] = []
    transport = httpx.ASGITransport(app)
    async with app.router.lifespan_context(app), httpx.AsyncClient(
        transport=transport, base_url="http://127.0.0.1"
    ) as client:  # fmt: skip
        for number in range(ASKED):
            day = (BEGIN + timedelta(days=number % DAYS)).date()
            begun = time.perf_counter()
            answer = await client.get("/v1/statements", params={"plant_day": day.isoformat()})
            took.append((time.perf_counter() - begun) * 1000)
            told = sum(row["cycles"] for each in answer.json()["items"] for row in each["rows"])
            cycles += [told] if number < DAYS else []
    return took, cycles


def main(sizes: Sequence[int]) -> None:
    for size in sizes:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            (folder / "site.toml").write_text(SITE, encoding="utf-8")
            address = StoreAddress(folder=folder / "store")
            begun = time.perf_counter()
            make_book(address, size)
            filled_s = time.perf_counter() - begun
            days, writing_ms = make_statements(folder, address)
            took, cycles = asyncio.run(ask(folder))
        assert sum(cycles) == size, f"the statements have {sum(cycles)} cycles of {size}"
        print(
            f"{size} cycles ({filled_s:.0f} s to fill): a day's three statements made in "
            f"{statistics.median(days):.0f} ms (at most {max(days):.0f}), written in "
            f"{writing_ms / DAYS:.1f} ms, "
            f"a day asked for in {statistics.median(took):.1f} ms"
        )


if __name__ == "__main__":
    main([int(each) for each in sys.argv[1:]] or CYCLES)
