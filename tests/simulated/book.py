"""The book of the world at hand: one real SQLite file a process, on a memory disk where there is one, and the
troubles that it can be put to.
"""

import random
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from sqlalchemy import event

from collector.store.engine import (
    SQLITE,
    StoreAddress,
    migrate_book,
    open_book_reader,
    open_book_writer,
)

MEMORY_DISK = Path("/dev/shm")
FILES = ("book.sqlite", "book.sqlite-wal")


class Killed(BaseException):
    """The collector dies here: between two statements, or just before or after a commit."""


class Shelf:
    """Where one process keeps the books of its worlds, one after the other, always under the same path: so
    the engine, and with it every compiled statement, serves them all.
    """

    def __init__(self) -> None:
        base = MEMORY_DISK if MEMORY_DISK.is_dir() else None
        self._temporary = tempfile.TemporaryDirectory(prefix="clampbook-worlds-", dir=base)
        root = Path(self._temporary.name)
        self.folder, self._template, self._image = root / "book", root / "template", root / "image"
        self.address = StoreAddress(folder=self.folder)
        self.engine = open_book_writer(self.address, busy_timeout_s=0)
        self.reader = open_book_reader(self.address)
        self.trouble = Trouble(random.Random(0))
        migrate_book(self.engine)
        self.engine.dispose()
        self._copy(self.folder, self._template)
        self._hook()

    def close(self) -> None:
        self.engine.dispose()
        self.reader.dispose()
        self._temporary.cleanup()

    def begin(self, dice: random.Random) -> None:
        """A new, empty book, without trouble."""
        self.drop()
        self._copy(self._template, self.folder)
        self.trouble = Trouble(dice)

    def drop(self) -> None:
        """Close every connection without committing anything."""
        self.trouble.heal(self)
        self.reader.dispose()
        self.engine.dispose()

    def come_back(self) -> None:
        """After a kill: the file as it was on disk at that instant."""
        self.reader.dispose()
        self.engine.dispose()
        self._copy(self._image, self.folder)

    def take_image(self) -> None:
        self._copy(self.folder, self._image)

    def _copy(self, source: Path, target: Path) -> None:
        target.mkdir(exist_ok=True)
        for name in (*FILES, "book.sqlite-shm"):
            (target / name).unlink(missing_ok=True)
        for name in FILES:
            if (source / name).exists():
                shutil.copyfile(source / name, target / name)

    # ---- hooks below SQLAlchemy's own: what is raised here looks like the driver's -------------------------

    def _hook(self) -> None:
        engine = self.engine

        def before(*_: Any) -> None:
            self.trouble.at_statement(self)

        for name in ("do_execute", "do_executemany", "do_execute_no_params"):
            event.listen(engine, name, before)
        event.listen(engine, "connect", self._connected)
        event.listen(engine, "close", self._closed)
        commit: Callable[[Any], None] = engine.dialect.do_commit

        def commit_or_fail(connection: Any) -> None:
            self.trouble.at_statement(self)
            commit(connection)
            self.trouble.after_commit(self)

        engine.dialect.do_commit = commit_or_fail  # type: ignore[method-assign, assignment]

    def _connected(self, connection: Any, _record: Any) -> None:
        self.trouble.connection = connection
        self.trouble.afflict(connection)

    def _closed(self, _connection: Any, _record: Any) -> None:
        self.trouble.connection = None


class Trouble:
    """What the store suffers from now. Locks, full disk and read-only are SQLite's own; the rest is raised
    where the driver would raise it.
    """

    def __init__(self, dice: random.Random) -> None:
        self._dice = dice
        self.kind = "none"
        self.connection: Any = None
        self._holder: Any = None
        self._statements_left: int | None = None
        self.kills = 0

    def strike(self, shelf: Shelf, kind: str) -> None:
        """From now on: locked, full, read-only, disk errors, lost answers."""
        self.heal(shelf)
        self.kind = kind
        if kind == "locked":
            self._holder = SQLITE.connect(str(shelf.folder / "book.sqlite"), isolation_level=None, timeout=0)
            self._holder.execute("PRAGMA journal_mode = WAL")
            self._holder.execute("BEGIN IMMEDIATE")
        elif self.connection is not None:
            self.afflict(self.connection)

    def heal(self, shelf: Shelf) -> None:
        kind, self.kind = self.kind, "none"
        if self._holder is not None:
            self._holder.close()
            self._holder = None
        if kind in ("full", "read-only"):
            shelf.engine.dispose()  # its limits go with the connection

    def afflict(self, connection: Any) -> None:
        if self.kind == "full":
            (pages,) = connection.execute("PRAGMA page_count").fetchone()
            connection.execute(f"PRAGMA max_page_count = {pages}").close()
        elif self.kind == "read-only":
            connection.execute("PRAGMA query_only = ON").close()

    def calm(self, shelf: Shelf) -> None:
        """No more trouble, and no kill that has not come yet."""
        self.heal(shelf)
        self._statements_left = None

    def kill_soon(self, statements: int) -> None:
        """Dies at that statement or commit, counted from now."""
        self._statements_left = statements

    def at_statement(self, shelf: Shelf) -> None:
        self._maybe_die(shelf)
        if self.kind == "disk errors" and self._dice.random() < 0.2:
            self._fail("SQLITE_IOERR_WRITE", "disk I/O error")

    def after_commit(self, shelf: Shelf) -> None:
        self._maybe_die(shelf)
        if self.kind == "lost answers" and self._dice.random() < 0.3:
            self._fail("SQLITE_IOERR_FSYNC", "the answer to a commit was lost")

    def _maybe_die(self, shelf: Shelf) -> None:
        if self._statements_left is None:
            return
        self._statements_left -= 1
        if self._statements_left <= 0:
            self._statements_left = None
            self.kills += 1
            shelf.take_image()
            raise Killed

    def _fail(self, name: str, says: str) -> None:
        error = SQLITE.OperationalError(says)
        error.sqlite_errorname = name
        raise error
