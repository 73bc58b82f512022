"""A real book for the tests of what fills it."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Table, select

from collector.model import ControllerIdentity
from collector.store import tables
from collector.store.engine import StoreAddress, migrate_book, open_book_reader, open_book_writer
from collector.store.writer import Writer


@asynccontextmanager
async def writer_of(folder: Path, controller: ControllerIdentity) -> AsyncIterator[Writer]:
    """The writer of a new book that knows one controller."""
    engine = open_book_writer(StoreAddress(folder=folder))
    migrate_book(engine)
    async with Writer(engine) as writer:
        await writer.register([controller])
        yield writer


class BookRig:
    """What a poller's test needs: the writer, and what the book has."""

    def __init__(self, folder: Path, writer: Writer) -> None:
        self.folder = folder
        self.writer = writer

    def rows(self, table: Table) -> list[Any]:
        engine = open_book_reader(StoreAddress(folder=self.folder))
        with engine.connect() as book:
            found = list(book.execute(select(table)))
        engine.dispose()
        return found

    def sequences(self) -> list[tuple[int, int]]:
        """Epoch and sequence of each cycle in the book."""
        return sorted((row.epoch, row.sequence) for row in self.rows(tables.cycle))
