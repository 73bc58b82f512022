"""The task that closes shifts: beside the pollers, never in their way, and never the end of the collector."""

import asyncio
import logging
import threading
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select

from collector import closing
from collector.closing import close_shifts
from collector.config import Site, identity, load_site
from collector.layouts.schema import Layout
from collector.model import Entry, MountChange, Position
from collector.store import tables
from collector.store.engine import migrate_book, open_book_reader, open_book_writer
from collector.store.writer import Writer
from tests.collector.store.rigs import TOOL, cycle

SITE = """
[site]
zone = "Europe/Berlin"

[store]
folder = "state"

[statements]
grace_min = 30

[[controllers]]
name = "L1-01"
line = "L1"
station = "10"
protocol = "modbus"
layout = "example:ring-modbus"
host = "127.0.0.1"
"""

BEGAN = datetime(2026, 3, 2, 6, tzinfo=UTC)
MIDNIGHT = datetime(2026, 3, 2, 23, tzinfo=UTC)
"""In Berlin."""


class Line:
    """A collector without pollers, and what it has stated."""

    def __init__(self, site: Site, layouts: dict[str, Layout], writer: Writer) -> None:
        self.writer = writer
        self.now = BEGAN
        self._site, self._layouts = site, layouts

    async def work(self, first: int, last: int, through: datetime) -> None:
        before = (await self.writer.recall("L1-01")).position
        cycles = tuple(cycle(number) for number in range(first, last + 1))
        mounts = () if before else (MountChange(TOOL, BEGAN),)
        position = Position(1, last, read_through_at=through)
        await self.writer.commit(Entry("L1-01", before, position, cycles=cycles, mounts=mounts))

    def closing(self) -> "asyncio.Task[None]":
        return asyncio.create_task(
            close_shifts(self._site, self._layouts, self.writer, lambda: self.now, pause_s=0.01)
        )

    def stated(self) -> int:
        engine = open_book_reader(self._site.store_address)
        with engine.connect() as connection:
            found = connection.scalar(select(func.count()).select_from(tables.statement))
        engine.dispose()
        return int(found or 0)

    async def until_stated(self, number: int) -> None:
        async with asyncio.timeout(30):
            while await asyncio.to_thread(self.stated) < number:
                pass


@pytest.fixture
async def line(tmp_path: Path) -> AsyncIterator[Line]:
    (tmp_path / "site.toml").write_text(SITE)
    site, layouts = load_site(tmp_path / "site.toml")
    engine = open_book_writer(site.store_address)
    migrate_book(engine)
    holder: list[Line] = []
    async with Writer(engine, lambda: holder[0].now if holder else BEGAN) as writer:
        await writer.register([identity(each, layouts[each.name]) for each in site.controllers])
        line = Line(site, layouts, writer)
        holder.append(line)
        yield line


async def end(task: "asyncio.Task[None]") -> None:
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


async def test_a_day_is_closed_when_it_is_over(line: Line) -> None:
    """Without a plan the day is one shift; it is closed while the collector runs, and once."""
    await line.work(1, 5, BEGAN + timedelta(hours=1))
    task = line.closing()
    line.now = MIDNIGHT + timedelta(minutes=1)
    await line.work(6, 6, MIDNIGHT + timedelta(minutes=1))
    await line.until_stated(1)
    await end(task)
    task = line.closing()
    line.now = MIDNIGHT + timedelta(days=1, minutes=30)
    await line.until_stated(2)
    await end(task)
    assert line.stated() == 2


async def test_cycles_are_taken_while_a_statement_is_being_made(
    line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However long that takes: it is read in another thread, over another connection."""
    await line.work(1, 5, MIDNIGHT + timedelta(minutes=1))
    reached, go_on = threading.Event(), threading.Event()
    prepare = closing.prepare

    def slowly(*given: Any) -> Any:
        found = prepare(*given)
        reached.set()
        assert go_on.wait(30)
        return found

    monkeypatch.setattr(closing, "prepare", slowly)
    line.now = MIDNIGHT + timedelta(minutes=1)
    task = line.closing()
    assert await asyncio.to_thread(reached.wait, 30)
    await asyncio.wait_for(line.work(6, 9, MIDNIGHT + timedelta(minutes=2)), timeout=10)
    assert line.stated() == 0
    go_on.set()
    await line.until_stated(1)
    await end(task)


async def test_a_mistake_in_a_statement_does_not_end_the_collector(
    line: Line, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """It is told in the log, once, and the next pass tries again."""
    await line.work(1, 5, MIDNIGHT + timedelta(minutes=1))
    line.now = MIDNIGHT + timedelta(minutes=1)
    prepare, times = closing.prepare, iter(range(100))

    def fails_at_first(*given: Any) -> Any:
        if next(times) < 2:
            raise RuntimeError("sample mistake")
        return prepare(*given)

    monkeypatch.setattr(closing, "prepare", fails_at_first)
    with caplog.at_level(logging.ERROR):
        task = line.closing()
        await line.until_stated(1)
        await end(task)
    assert caplog.text.count("statements of line L1 could not be made") == 1
    assert "sample mistake" in caplog.text
