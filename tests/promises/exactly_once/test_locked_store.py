"""A store that another process holds locked delays cycles; it loses none and doubles none."""

import asyncio
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine

from collector.errors import StoreError
from collector.store import tables
from collector.store.engine import StoreAddress, migrate_book, open_book_reader, open_book_writer
from collector.store.writer import Writer
from tests.collector.store.rigs import (
    IDENTITIES,
    another_process_locks,
    commit_numbers,
    entry,
    rows,
)

LOCKED_S = 10.0
CYCLES = 8
"""Of each controller."""


@pytest.fixture
def book_engine(tmp_path: Path) -> Iterator[Engine]:
    """As the collector opens it: a commit waits five seconds for its turn."""
    engine = open_book_writer(StoreAddress(folder=tmp_path))
    migrate_book(engine)
    yield engine
    engine.dispose()


async def follow(writer: Writer, controller: str) -> int:
    """One controller's cycles, one by one, each again until it is in; returns how often the store refused."""
    refusals = 0
    sequence = 1
    while sequence <= CYCLES:
        try:
            await writer.commit(entry(controller, sequence, sequence))
            sequence += 1
        except StoreError:
            refusals += 1
    return refusals


async def test_ten_seconds_of_a_locked_store_lose_and_double_nothing(
    book_engine: Engine, tmp_path: Path
) -> None:
    """Another process writes for ten seconds, longer than a commit waits: then each cycle is in once."""
    loop = asyncio.get_running_loop()
    async with Writer(book_engine) as writer:
        await writer.register(IDENTITIES)
        begun = loop.time()
        with another_process_locks(tmp_path / "book.sqlite", most_s=LOCKED_S) as holder:
            refusals = await asyncio.gather(*(follow(writer, each.name) for each in IDENTITIES))
            assert holder.stdout is not None
            assert await asyncio.to_thread(holder.stdout.readline) == b"released\n"
    assert loop.time() - begun >= LOCKED_S
    assert sum(refusals) >= 1, "the store was not locked long enough to refuse anything"
    reader = open_book_reader(StoreAddress(folder=tmp_path))
    stored = [(row["controller_id"], row["sequence"]) for row in rows(reader, tables.cycle)]
    assert stored == [(number, sequence) for number in (1, 2, 3) for sequence in range(1, CYCLES + 1)]
    assert commit_numbers(reader) == list(range(1, 3 * CYCLES + 1))
    assert sum(row["cycles"] for row in rows(reader, tables.tally)) == 3 * CYCLES
    reader.dispose()
