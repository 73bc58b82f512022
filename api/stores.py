"""The two rooms of the store as the API has them: the book, which it can only read, and the desk, which it
writes.

Both may come later than the API, and go and come again: a room is opened when it is first asked for and
there, and an asker is told why it can't be had until then. Nothing has to be restarted.
"""

import logging
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from sqlalchemy import Connection, Engine

from collector.errors import StoreError
from collector.store.desk import RECORDED
from collector.store.engine import (
    StoreAddress,
    is_ready,
    migrate_desk,
    open_book_reader,
    open_desk,
    open_desk_reader,
    store_errors,
)
from collector.store.instances import DESK_AS_ANOTHER, SETTLED, settle_desk, write_head

log = logging.getLogger(__name__)

LONGEST_READ_S = 20.0
"""A question to the book that takes longer is ended: it would hold a thread, and the write-ahead log."""


class NoBookYet(StoreError):
    """The collector has not made the book yet, or not brought it to the revision that this version reads."""

    def __init__(self) -> None:
        super().__init__(
            "the collector has not made the book yet; start the collector, or wait until it is done"
        )


class Stores:
    """Opened and closed by the application's lifespan; used from any thread."""

    def __init__(self, address: StoreAddress, longest_read_s: float = LONGEST_READ_S) -> None:
        self.address = address
        self._longest_read_s = longest_read_s
        self._lock = threading.Lock()
        self._book: Engine | None = None
        self._desk: Engine | None = None
        self._desk_reader: Engine | None = None

    @contextmanager
    def book(self) -> Iterator[Connection]:
        """One read transaction on the book: all that is asked within it is of the same instant. Fetch, leave,
        and only then serialise: a transaction that stays open keeps the write-ahead log from shrinking.

        Raises: NoBookYet; TookTooLong; StoreError.
        """
        engine = self._book or self._open_book()
        with store_errors(), engine.connect() as connection:
            yield connection

    @contextmanager
    def desk(self) -> Iterator[Connection]:
        """One transaction on the desk, committed on leaving it without an exception. Raises: StoreError."""
        engine = self._desk or self._open_desk()
        because = None
        with store_errors(), engine.begin() as connection:
            about = connection.info
            about.pop(RECORDED, None)
            if SETTLED not in about:
                because = settle_desk(connection)
            yield connection
            has_recorded = about.pop(RECORDED, False)
        about[SETTLED] = True
        if because is not None:
            log.warning(DESK_AS_ANOTHER, because)
        if has_recorded or because is not None:
            write_head(engine, "desk")

    @contextmanager
    def reading_desk(self) -> Iterator[Connection]:
        """One read transaction on the desk, as `book`; it holds up nobody who writes there.

        Raises: StoreError.
        """
        engine = self._desk_reader or self._open_desk_reader()
        with store_errors(), engine.connect() as connection:
            yield connection

    def unready(self) -> list[str]:
        """Why questions can't be answered now: nothing, when the book can be read and the desk written."""
        return [
            says for check in (self._check_book, self._check_desk) if (says := _complaint(check)) is not None
        ]

    def close(self) -> None:
        with self._lock:
            for engine in (self._book, self._desk_reader, self._desk):  # the last one clears its log away
                if engine is not None:
                    engine.dispose()
            self._book = self._desk = self._desk_reader = None

    def _open_book(self) -> Engine:
        with self._lock:
            if self._book is None:
                engine = open_book_reader(self.address, self._longest_read_s)
                if not is_ready(engine, "book"):
                    engine.dispose()
                    raise NoBookYet
                self._book = engine
            return self._book

    def _open_desk(self) -> Engine:
        with self._lock:
            if self._desk is None:
                engine = open_desk(self.address)
                try:
                    migrate_desk(engine)
                except StoreError:
                    engine.dispose()
                    raise
                self._desk = engine
            return self._desk

    def _open_desk_reader(self) -> Engine:
        """Of a desk that is made, and of the revision that this version reads."""
        if self._desk is None:
            self._open_desk()
        with self._lock:
            if self._desk_reader is None:
                self._desk_reader = open_desk_reader(self.address)
            return self._desk_reader

    def _check_book(self) -> None:
        if not is_ready(self._book or self._open_book(), "book"):
            raise NoBookYet

    def _check_desk(self) -> None:
        with self.desk():  # on SQLite this takes the right to write
            pass


def _complaint(check: Callable[[], None]) -> str | None:
    try:
        check()
    except StoreError as error:
        return str(error)
    return None
