"""A store that is full delays cycles; it loses none and doubles none."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine

from collector.errors import StoreError
from collector.store import tables
from collector.store.engine import StoreAddress, migrate_book, open_book_reader, open_book_writer
from collector.store.writer import Writer
from tests.collector.store.rigs import IDENTITIES, commit_numbers, entry, rows

PAGES_FREE = 8
"""Of the store before there is room again."""
CYCLES = 600
AT_ONCE = 10


@pytest.fixture
def book_engine(tmp_path: Path) -> Iterator[Engine]:
    """Of a store that has its tables and little room more."""
    engine = open_book_writer(StoreAddress(folder=tmp_path))
    migrate_book(engine)
    give_room(engine, PAGES_FREE)
    yield engine
    engine.dispose()


def give_room(engine: Engine, pages: int) -> None:
    """SQLite's own bound, and its own SQLITE_FULL; it holds for this connection, the one that writes."""
    with engine.begin() as connection:
        used = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
        connection.exec_driver_sql(f"PRAGMA max_page_count = {used + pages}")


async def test_a_full_store_loses_and_doubles_nothing(book_engine: Engine, tmp_path: Path) -> None:
    """What was refused is in the book once there is room, and what was in it still is."""
    refusals: list[StoreError] = []
    begins = list(range(1, CYCLES, AT_ONCE))
    async with Writer(book_engine) as writer:
        await writer.register(IDENTITIES)
        while begins:
            try:
                await writer.commit(entry("L1-01", begins[0], begins[0] + AT_ONCE - 1))
                del begins[0]
            except StoreError as error:
                refusals.append(error)
                if len(refusals) == 3:
                    give_room(book_engine, 1000)
    assert len(refusals) == 3, "the store was never full"
    assert all(str(error).startswith("the disk is full; make room") for error in refusals)
    reader = open_book_reader(StoreAddress(folder=tmp_path))
    assert [row["sequence"] for row in rows(reader, tables.cycle)] == list(range(1, CYCLES + 1))
    assert commit_numbers(reader) == list(range(1, CYCLES + 1))
    assert sum(row["cycles"] for row in rows(reader, tables.tally)) == CYCLES
    reader.dispose()
