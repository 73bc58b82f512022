"""What the store's tests put into a book, and how they look at it."""

import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import Engine, create_engine, event, func, select, text, union_all

from collector.model import (
    BookedCurve,
    BookedCycle,
    ClockChange,
    ControllerIdentity,
    CountChange,
    Curve,
    Cycle,
    Entry,
    FaultAcknowledged,
    FaultCleared,
    FaultRaised,
    Gap,
    Link,
    Mark,
    MountChange,
    Position,
    Quarantined,
    Status,
    StatusSeen,
    ToolName,
)
from collector.store import tables
from collector.store.engine import StoreAddress

REPOSITORY = Path(__file__).parents[3]
MORNING = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
TOOL = ToolName("Nordhaven", "N40", "T-1001")
OTHER_TOOL = ToolName("Nordhaven", "N40", "T-1002")
IDENTITIES = [
    ControllerIdentity(name, "line-1", station, "modbus", "ring-modbus.toml", f"127.0.0.1:{port}")
    for name, station, port in (("L1-01", "st-10", 5021), ("L1-02", "st-20", 5022), ("L1-03", "st-30", 5023))
]
SAMPLES = (np.arange(200, dtype="<i2") * 13 % 4000).tobytes()


def cycle(sequence: int, *, epoch: int = 1, tool: ToolName = TOOL, **said: Any) -> BookedCycle:
    """One cycle every ten seconds from MORNING on; `said` are attributes of `Cycle`."""
    ended_at = said.pop("ended_at", MORNING + timedelta(seconds=10 * sequence))
    told = Cycle(
        sequence=sequence, raw=b"record %d" % sequence, **{"result": "ok", "completion": "completed", **said}
    )
    return BookedCycle(epoch, sequence, ended_at, 25.0, tool, told)


def curve(sequence: int, *, epoch: int = 1, samples: bytes = SAMPLES) -> BookedCurve:
    told = Curve(sequence, 500, "tension_n", samples, "int16", 0.5, -3.0)
    return BookedCurve(epoch, sequence, told)


def entry(controller: str, first: int, last: int, **others: Any) -> Entry:
    """Cycles first … last of an epoch whose position was `first - 1`; None where that is 0."""
    before = Position(1, first - 1) if first > 1 else None
    given = {
        "expected": before,
        "position": Position(1, last),
        "cycles": tuple(cycle(sequence) for sequence in range(first, last + 1)),
        **others,
    }
    return Entry(controller=controller, **given)


def full_entry(controller: str, first: int) -> Entry:
    """An entry with something of every kind in it: cycles first … first + 2."""
    at = MORNING + timedelta(seconds=10 * first)
    return replace(
        entry(controller, first, first + 2),
        position=Position(1, first + 2, total_count=5000 + first, read_through_at=at),
        curves=(curve(first), curve(first + 900)),
        gaps=(Gap(1, first + 3, first + 5, "history overwritten", at, at + timedelta(minutes=1)),),
        mounts=(
            MountChange(TOOL, at),
            MountChange(OTHER_TOOL, at + timedelta(seconds=5), Mark(1, first, 4999 + first)),
        ),
        faults=(
            FaultRaised("E12", "punch pressure low", "process", OTHER_TOOL, at, at - timedelta(seconds=1)),
            FaultAcknowledged("E12", at + timedelta(seconds=1)),
            FaultCleared("E12", at + timedelta(seconds=2)),
            FaultRaised("E7", "guard open", "safety", OTHER_TOOL, at, None),
        ),
        counts=(CountChange("cleared", Mark(1, first, 4999 + first), 0, at, at + timedelta(seconds=1)),),
        clocks=(ClockChange(0.0, 3600000.0, at),),
        quarantined=(Quarantined("record", "slot 4", "checksum", b"\x00\xff", at),),
        seen=StatusSeen(
            Status(
                last_sequence=first + 2,
                tool=OTHER_TOOL,
                mode="automatic",
                state="idle",
                emergency_stop=False,
                total_count=5000 + first,
                count_since_cleared=17,
                clock=datetime(2026, 3, 2, 7, 0),
                supply_pressure_kpa=612.5,
                settings={"set_torque_nm": 4.5},
                extra={"firmware": "2.1"},
            ),
            at,
            clock_offset_ms=3600000.0,
            clock_uncertainty_ms=40.0,
            clock_drift_ppm=-12.5,
        ),
        controller_serial=f"cabinet of {controller}",
        link=Link("up", at, last_error="reset", last_error_at=at, bad_replies={"short": 2}, reconnects=3),
    )


def rows(engine: Engine, table: Any) -> list[dict[str, Any]]:
    """All rows of a table, by its primary key."""
    with engine.connect() as connection:
        ordered = select(table).order_by(*table.primary_key.columns)
        return [dict(row) for row in connection.execute(ordered).mappings()]


def whole_book(engine: Engine) -> dict[str, list[dict[str, Any]]]:
    """All that is in a book."""
    return {table.name: rows(engine, table) for table in tables.BOOK.sorted_tables}


def commit_numbers(engine: Engine) -> list[int]:
    """Of every committed record, every gap that was closed and every finding that ended, in order."""
    numbered = [
        table
        for table in tables.BOOK.sorted_tables
        if "commit_number" in table.c and table is not tables.book
    ]
    given = [select(table.c.commit_number) for table in numbered]
    later = (tables.gap.c.closed_commit_number, tables.finding.c.ended_commit_number)
    given += [select(column).where(column.is_not(None)) for column in later]
    every = union_all(*given).subquery()
    with engine.connect() as connection:
        return list(connection.scalars(select(every.c.commit_number).order_by(every.c.commit_number)))


def count_rows(engine: Engine, table: Any) -> int:
    with engine.connect() as connection:
        return int(connection.scalar(select(func.count()).select_from(table)) or 0)


class Gate:
    """A clock for the writer that stops its thread inside a transaction until it is opened."""

    def __init__(self) -> None:
        self.reached = threading.Event()
        self.opened = threading.Event()

    def __call__(self) -> datetime:
        self.reached.set()
        assert self.opened.wait(timeout=30)
        return MORNING


@contextmanager
def statements(engine: Engine, before_each: Any) -> Iterator[None]:
    """Calls `before_each(statement)` before every statement that goes to the database."""

    def hook(_connection: Any, _cursor: Any, statement: str, *_others: Any) -> None:
        before_each(statement)

    event.listen(engine, "before_cursor_execute", hook)
    try:
        yield
    finally:
        event.remove(engine, "before_cursor_execute", hook)


HOLD = """
import select, sys
from collector.store.engine import SQLITE
connection = SQLITE.connect(sys.argv[1], isolation_level=None)
connection.execute("BEGIN IMMEDIATE")
print("locked", flush=True)
select.select([sys.stdin], [], [], float(sys.argv[2]))
connection.execute("ROLLBACK")
print("released", flush=True)
"""


@contextmanager
def another_process_locks(book: Path, most_s: float) -> Iterator["subprocess.Popen[bytes]"]:
    """Another process holds the database locked until a line comes to its input, at most `most_s`."""
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(book), str(most_s)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        cwd=REPOSITORY,
    )
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"locked\n"
        yield holder
    finally:
        holder.communicate(b"\n", timeout=20)


@contextmanager
def another_writer(address: StoreAddress) -> Iterator[None]:
    """Another connection to the database is in the middle of writing."""
    if address.folder is not None:
        with another_process_locks(address.folder / "book.sqlite", most_s=60):
            yield
        return
    engine = create_engine(str(address.url))
    with engine.begin() as connection:
        connection.execute(text("LOCK TABLE book.position IN ACCESS EXCLUSIVE MODE"))
        yield
    engine.dispose()
