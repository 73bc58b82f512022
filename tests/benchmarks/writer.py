"""How fast the writer is, against a bare `executemany` of the same rows in the same run.

    python -m tests.benchmarks.writer [cycles]

Both use the same SQLite, settings and tables, in a folder that is removed afterwards; both commit every 500
cycles. The bare one inserts ready rows of cycles (and of curves, coded before): no positions, tallies or
commit numbers. What the ratio would be if it coded the curves as well is printed beside it.
"""

import asyncio
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import Engine

from collector.model import (
    BookedCurve,
    BookedCycle,
    ControllerIdentity,
    Curve,
    Cycle,
    Entry,
    Position,
    ToolName,
)
from collector.store import tables
from collector.store.curves import encode
from collector.store.driver_sql import insert_text
from collector.store.engine import (
    SQLITE_VERSION,
    StoreAddress,
    migrate_book,
    open_book_writer,
)
from collector.store.writer import CYCLES_MOST, Writer
from tests.benchmarks.curves import noisy_tension

CONTROLLER = ControllerIdentity("L1-01", "line-1", "st-10", "modbus", "ring-modbus.toml", "127.0.0.1:5020")
TOOL = ToolName("Nordhaven", "N40", "T-1001")
BEGIN = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)


def entries(cycles: int, curves: bool) -> list[Entry]:
    """Entries of 500 cycles, one after the other, with a curve to each cycle if wished."""
    samples = [noisy_tension(seed).tobytes() for seed in range(20)]
    made = []
    for first in range(1, cycles + 1, CYCLES_MOST):
        numbers = range(first, min(first + CYCLES_MOST, cycles + 1))
        made.append(
            Entry(
                CONTROLLER.name,
                expected=Position(1, first - 1) if first > 1 else None,
                position=Position(1, numbers[-1]),
                cycles=tuple(booked_cycle(number) for number in numbers),
                curves=tuple(booked_curve(number, samples) for number in numbers) if curves else (),
            )
        )
    return made


def booked_cycle(number: int) -> BookedCycle:
    ended_at = BEGIN + timedelta(seconds=4 * number)
    cycle = Cycle(
        sequence=number,
        controller_time=ended_at.replace(tzinfo=None),
        tool_serial=TOOL.serial,
        result="ok" if number % 50 else "nok",
        completion="completed",
        mode="automatic",
        band="B12",
        duration_ms=812.5,
        take_up_ms=400.25,
        peak_tension_n=4200.0 + number % 97,
        lock_tension_n=3900.0,
        seating_loss_n=310.5,
        set_torque_nm=4.5,
        punch_pressure_kpa=560.0,
        supply_pressure_kpa=610.0,
        punch_velocity_m_s=6.25,
        total_count=number,
        raw=bytes(64),
    )
    return BookedCycle(1, number, ended_at, 25.0, TOOL, cycle)


def booked_curve(number: int, samples: list[bytes]) -> BookedCurve:
    told = Curve(number, 1000, "tension_n", samples[number % len(samples)], "int16", 1.0, 0.0)
    return BookedCurve(1, number, told)


async def write(engine: Engine, handed_over: list[Entry]) -> float:
    """Seconds that the writer takes."""
    async with Writer(engine) as writer:
        await writer.register([CONTROLLER])
        begun = time.perf_counter()
        await asyncio.gather(*(writer.commit(entry) for entry in handed_over))
        return time.perf_counter() - begun


def write_bare(engine: Engine, rows_of: dict[Any, list[Any]]) -> float:
    """Seconds that the driver alone takes for the same rows."""
    connection = engine.raw_connection()
    driver: Any = connection.driver_connection
    driver.execute("PRAGMA foreign_keys = OFF")
    begun = time.perf_counter()
    for first in range(0, len(rows_of[tables.cycle]), CYCLES_MOST):
        driver.execute("BEGIN IMMEDIATE")
        for table, rows in rows_of.items():
            driver.executemany(insert_text("sqlite", table), rows[first : first + CYCLES_MOST])
        driver.commit()
    taken_s = time.perf_counter() - begun
    connection.close()
    return taken_s


def rows_in(engine: Engine, columns_of: list[Any]) -> dict[Any, list[Any]]:
    """What the writer has stored, as the driver has it."""
    connection = engine.raw_connection()
    driver: Any = connection.driver_connection
    rows = {table: driver.execute(f"SELECT * FROM {table.name}").fetchall() for table in columns_of}
    connection.close()
    engine.dispose()
    return rows


def code(handed_over: list[Entry]) -> float:
    """Seconds that coding all curves takes by itself."""
    begun = time.perf_counter()
    for entry in handed_over:
        for booked in entry.curves:
            encode(booked.curve)
    return time.perf_counter() - begun


def compare(cycles: int, curves: bool) -> None:
    with tempfile.TemporaryDirectory() as folder:
        written = open_book_writer(StoreAddress(folder=Path(folder) / "written"))
        bare = open_book_writer(StoreAddress(folder=Path(folder) / "bare"))
        for engine in (written, bare):
            migrate_book(engine)
        handed_over = entries(cycles, curves)
        writer_s = asyncio.run(write(written, handed_over))
        coding_s = code(handed_over)
        rows = rows_in(written, [tables.cycle, tables.curve] if curves else [tables.cycle])
        bare_s = write_bare(bare, rows)
        bare.dispose()
    print(
        f"{'with' if curves else 'without'} curves: {cycles / writer_s:,.0f} cycles/s through the writer, "
        f"{cycles / bare_s:,.0f} bare, ratio {bare_s / writer_s:.2f}"
        + (f" ({(bare_s + coding_s) / writer_s:.2f} if the bare one coded its curves)" if curves else "")
    )


if __name__ == "__main__":
    wished = int(sys.argv[1]) if len(sys.argv) > 1 else 50_000
    print(f"SQLite {SQLITE_VERSION}, {wished:,} cycles, commits of {CYCLES_MOST}")
    for with_curves in (False, True):
        compare(wished, with_curves)
