"""Opening the store: the book and the desk, on SQLite (a file each) or on PostgreSQL (a schema each).

On SQLite each file has one writing process. Readers open with `mode=ro`, so they never write and never
checkpoint; a transaction that will write begins IMMEDIATE, because one that begins by reading and then writes
is refused at once (SQLITE_BUSY_SNAPSHOT) however long the busy timeout is. On PostgreSQL the schema is found
through `search_path`, so the same statements serve both.

The connection that may write the book holds the book's lock for as long as it lives: a file lock beside
book.sqlite, a session's advisory lock on PostgreSQL. So two collectors can never write one book.
"""

import fcntl
import importlib
import logging
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from types import ModuleType
from typing import IO, Any

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from alembic.util import CommandError
from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url, text
from sqlalchemy.exc import DBAPIError, InterfaceError, InternalError, OperationalError, SQLAlchemyError
from sqlalchemy.exc import TimeoutError as NoConnectionFree
from sqlalchemy.pool import ConnectionPoolEntry

from collector.errors import BookDamaged, StoreError, TookTooLong
from collector.store.instances import (
    DESK_AS_ANOTHER,
    Lineage,
    begin_book,
    begin_desk,
    find_lineage,
    renew,
    renew_desk,
    settle_desk,
    write_head,
)
from collector.store.tables import Room

log = logging.getLogger(__name__)

OLDEST_SQLITE = (3, 51, 3)
BUSY_TIMEOUT_S = 5.0
LOG_SIZE_LIMIT_BYTES = 64 * 1024 * 1024
"""How much of the write-ahead log is left on disk after a checkpoint."""
CONNECT_TIMEOUT_S = 5
CANCEL_TIMEOUT_S = 1
CONNECTIONS_KEPT = 5
CONNECTIONS_MOST = 45
"""Connections of one engine: the API answers from a pool of 40 threads."""
STEPS_BETWEEN_LOOKS = 100_000
"""Of SQLite's virtual machine, between two looks at the time: some milliseconds."""
MIGRATIONS = Path(__file__).parent / "migrations"
BOOK_LOCK, MIGRATION_LOCK = 0x636C616D70_01, 0x636C616D70_02
"""PostgreSQL advisory locks: held while a collector writes the book, and while a migration runs."""


@dataclass(frozen=True, slots=True)
class StoreAddress:
    """Where the store lies; exactly one of the two is given."""

    folder: Path | None = None
    """SQLite: the folder of book.sqlite and desk.sqlite."""
    url: str | None = None
    """PostgreSQL: a SQLAlchemy URL, such as postgresql+psycopg://clampbook@db.plant/clampbook."""

    def __post_init__(self) -> None:
        if (self.folder is None) == (self.url is None):
            raise ValueError("a store address is either a folder or a URL")

    def __repr__(self) -> str:
        return f"StoreAddress({self})"

    def __str__(self) -> str:
        """For people and logs: the password is masked."""
        if self.url is None:
            return str(self.folder)
        return make_url(self.url).render_as_string(hide_password=True)


# ---- which SQLite ------------------------------------------------------------------------------------------


def newest_sqlite(candidates: list[ModuleType]) -> ModuleType:
    """The interpreter's own module (the first) where it is new enough, else the newest of the others."""
    if candidates[0].sqlite_version_info >= OLDEST_SQLITE:
        return candidates[0]
    return max(candidates, key=lambda module: tuple(module.sqlite_version_info))


def _installed_sqlites() -> list[ModuleType]:
    try:
        return [sqlite3, importlib.import_module("pysqlite3.dbapi2")]
    except ImportError:
        return [sqlite3]


SQLITE = newest_sqlite(_installed_sqlites())
SQLITE_VERSION: str = SQLITE.sqlite_version


def require_new_enough(module: ModuleType) -> None:
    """Raises: StoreError: this SQLite can damage a write-ahead log that two connections use."""
    if module.sqlite_version_info < OLDEST_SQLITE:
        oldest = ".".join(str(number) for number in OLDEST_SQLITE)
        raise StoreError(
            f"SQLite {module.sqlite_version} is too old: before {oldest}, two connections that write or "
            "checkpoint the same file at the same moment can corrupt it. "
            "Install the package pysqlite3, or a Python with a newer SQLite"
        )


# ---- engines -----------------------------------------------------------------------------------------------


def open_book_writer(address: StoreAddress, busy_timeout_s: float = BUSY_TIMEOUT_S) -> Engine:
    """The engine of the collector's writer: one connection, which holds the book's lock until `dispose()`.

    It connects when first used; that raises StoreError, within `store_errors`, where another collector
    writes the same book.
    """
    return _open(address, Access("book", writes=True, busy_timeout_s=busy_timeout_s))


def open_book_reader(address: StoreAddress, longest_read_s: float | None = None) -> Engine:
    """An engine that can't write. On SQLite it also works while no collector runs.

    Args:
        longest_read_s: how long a transaction (PostgreSQL: a statement) may read before it is ended with
            TookTooLong, within `store_errors`; None: as long as it takes.

    It connects when first used; that raises StoreError, within `store_errors`, where there is no book yet.
    """
    return _open(address, Access("book", writes=False, longest_read_s=longest_read_s))


def open_desk(address: StoreAddress) -> Engine:
    """The engine of the API's own records; the API alone writes them."""
    return _open(address, Access("desk", writes=True))


def open_desk_reader(address: StoreAddress) -> Engine:
    """One that can't write them: for the collector, and for what follows them; as `open_book_reader`."""
    return _open(address, Access("desk", writes=False))


@dataclass(frozen=True, slots=True)
class Access:
    """To what, and how."""

    room: Room
    writes: bool
    busy_timeout_s: float = BUSY_TIMEOUT_S
    """How long to wait for another writer's transaction."""
    longest_read_s: float | None = None

    @property
    def locks_book(self) -> bool:
        return self.writes and self.room == "book"


def _open(address: StoreAddress, access: Access) -> Engine:
    kept, most = (1, 1) if access.locks_book else (CONNECTIONS_KEPT, CONNECTIONS_MOST)
    # pool_timeout: how long a thread waits for a connection when all are in use
    pool = {"pool_size": kept, "max_overflow": most - kept, "pool_timeout": 10}
    if address.folder is not None:
        return _open_sqlite((address.folder / f"{access.room}.sqlite").absolute(), access, pool)
    assert address.url is not None
    return _open_postgresql(make_url(address.url), access, pool)


def _open_sqlite(path: Path, access: Access, pool: dict[str, int]) -> Engine:
    require_new_enough(SQLITE)
    engine = create_engine(URL.create("sqlite+pysqlite", database=str(path)), module=SQLITE, **pool)
    begin = "BEGIN IMMEDIATE" if access.writes else "BEGIN"

    @event.listens_for(engine, "do_connect")
    def connect(_dialect: Any, record: ConnectionPoolEntry, *_given: Any) -> Any:
        if access.writes:
            _make_folder(path.parent)
        elif not path.exists():
            maker = {"book": "collector", "desk": "API"}[access.room]
            raise StoreError(f"there is no {access.room} at {path} yet; start the {maker} first")
        with ExitStack() as opened:
            if access.locks_book:
                record.info["lock"] = opened.enter_context(_take_lock_file(path.with_name("book.lock")))
            connection = opened.enter_context(closing(_connect_sqlite(path, access)))
            for pragma in _pragmas(access.writes):
                connection.execute(f"PRAGMA {pragma}").close()
            opened.pop_all()  # all went well: they stay open with the connection
        return connection

    @event.listens_for(engine, "close")
    def close(_connection: Any, record: ConnectionPoolEntry) -> None:
        if "lock" in record.info:
            record.info.pop("lock").close()

    @event.listens_for(engine, "begin")
    def begin_transaction(connection: Connection) -> None:
        if access.longest_read_s is not None:
            _end_after(connection.connection.driver_connection, access.longest_read_s)
        connection.exec_driver_sql(begin)

    return engine


def _end_after(connection: Any, seconds: float) -> None:
    """Interrupt whatever this connection reads after that time; the next transaction sets it anew."""
    over_at = time.monotonic() + seconds
    connection.set_progress_handler(lambda: time.monotonic() > over_at, STEPS_BETWEEN_LOOKS)


def interrupter(connection: Connection) -> Callable[[], None]:
    """What ends, from any thread, whatever is being read on this connection: that raises TookTooLong there,
    within `store_errors`. What begins later is not ended by it, nor anything while the server can't be
    reached."""
    driver: Any = connection.connection.driver_connection
    is_sqlite = connection.dialect.name == "sqlite"
    end = driver.interrupt if is_sqlite else partial(driver.cancel_safe, timeout=CANCEL_TIMEOUT_S)
    errors = connection.dialect.loaded_dbapi.Error

    def interrupt() -> None:
        with suppress(errors):
            end()

    return interrupt


def _connect_sqlite(path: Path, access: Access) -> Any:
    return SQLITE.connect(
        f"{path.as_uri()}?mode={'rwc' if access.writes else 'ro'}",
        uri=True,
        timeout=access.busy_timeout_s,
        isolation_level=None,  # transactions are begun by us, never by the driver
        check_same_thread=False,  # the pool hands a connection to one thread at a time
    )


def _pragmas(writes: bool) -> list[str]:
    common = ["foreign_keys = ON", "mmap_size = 0"]
    if not writes:
        return [*common, "query_only = ON"]
    return [
        *common,
        "journal_mode = WAL",
        "synchronous = FULL",
        f"journal_size_limit = {LOG_SIZE_LIMIT_BYTES}",
    ]


def _make_folder(path: Path) -> None:
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(
            f"the folder {path} can't be made; check the store's folder in the site file, and the rights on "
            f"the folder above ({error.strerror})"
        ) from error


def _take_lock_file(path: Path) -> IO[str]:
    try:
        lock = path.open("a")
    except OSError as error:
        raise StoreError(
            f"the folder {path.parent} can't be written; check its rights, and whether its disk is mounted "
            f"read-only or full ({error.strerror})"
        ) from error
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        lock.close()
        raise StoreError(f"another collector writes this book (it holds {path}); end it first") from error
    return lock


def _open_postgresql(url: URL, access: Access, pool: dict[str, int]) -> Engine:
    settings = {"search_path": access.room, "timezone": "UTC"}
    if access.writes:
        settings["lock_timeout"] = f"{round(access.busy_timeout_s * 1000)}ms"
    else:
        if access.longest_read_s is not None:
            settings["statement_timeout"] = f"{round(access.longest_read_s * 1000)}ms"
        settings["default_transaction_read_only"] = "on"
        settings["default_transaction_isolation"] = r"repeatable\ read"  # all that is asked is of one instant
    if url.get_backend_name() != "postgresql":
        raise StoreError(f"the store's URL begins with postgresql+psycopg://, not with {url.drivername}://")
    given = url.query.get("options", "")
    options = " ".join([str(given), *(f"-c {name}={value}" for name, value in settings.items())]).strip()
    engine = create_engine(
        url,
        connect_args={"options": options, "connect_timeout": CONNECT_TIMEOUT_S},
        pool_pre_ping=not access.locks_book,
        **pool,
    )
    if access.locks_book:
        event.listen(engine, "do_connect", _connect_postgresql_locked)
    return engine


def _connect_postgresql_locked(
    dialect: Any, _record: Any, arguments: list[Any], options: dict[str, Any]
) -> Any:
    connection = dialect.connect(*arguments, **options)
    with ExitStack() as opened:
        opened.callback(connection.close)
        row = connection.execute("SELECT pg_try_advisory_lock(%s)", [BOOK_LOCK]).fetchone()
        connection.commit()
        if not row[0]:
            raise StoreError(
                "another collector writes this book (it holds the database's advisory lock "
                f"{BOOK_LOCK}, see pg_locks); end it first"
            )
        opened.pop_all()
    return connection


# ---- migrations --------------------------------------------------------------------------------------------


def migrate_book(engine: Engine) -> None:
    """Bring the book to the newest revision, all of it or nothing, and give a new book its identity.

    Raises: StoreError: the book can't be reached or written, or was written by a newer version.
    """
    with store_errors(), engine.begin() as connection:
        _upgrade(connection, "book")
        begin_book(connection)


def migrate_desk(engine: Engine) -> None:
    """Bring the desk to the newest revision, all of it or nothing, and give a new desk its identity; one that
    was put back to an earlier state gets another one.

    Raises: as `migrate_book`.
    """
    with store_errors(), engine.begin() as connection:
        _upgrade(connection, "desk")
        begin_desk(connection)
        because = settle_desk(connection)
    if because is not None:
        log.warning(DESK_AS_ANOTHER, because)
    write_head(engine, "desk")


def declare_restored(engine: Engine) -> Lineage:
    """Make the book another instance, because a person knows that it was put back to an earlier state.

    Returns: its instances. Raises: StoreError: there is no book, or a collector writes it.
    """
    if not is_ready(engine, "book"):
        raise StoreError("there is no book of this version yet; start the collector once, then end it")
    with store_errors(), engine.begin() as connection:
        renew(connection, datetime.now(UTC), "a person said that it was restored")
        lineage = find_lineage(connection)
    write_head(engine)
    return lineage


def declare_desk_restored(engine: Engine) -> None:
    """The same of the desk, where there is one. Raises: StoreError: it can't be reached or written."""
    if is_ready(engine, "desk"):
        with store_errors(), engine.begin() as connection:
            renew_desk(connection)
        write_head(engine, "desk")


def is_ready(engine: Engine, room: Room) -> bool:
    """Is there one, at the revision that this version reads? Raises: StoreError: it can't be reached."""
    if engine.dialect.name == "sqlite" and not Path(str(engine.url.database)).exists():
        return False
    with store_errors(), engine.connect() as connection:
        revision = MigrationContext.configure(connection).get_current_revision()
    return revision == ScriptDirectory.from_config(_scripts(room)).get_current_head()


def _upgrade(connection: Connection, room: Room) -> None:
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": MIGRATION_LOCK})
        connection.execute(text(f"CREATE SCHEMA IF NOT EXISTS {room}"))
    scripts = _scripts(room)
    scripts.attributes["connection"] = connection
    try:
        command.upgrade(scripts, "head")
    except CommandError as error:
        raise StoreError(
            f"the {room} was written by a newer version of clampbook; install that version ({error})"
        ) from error


def _scripts(room: Room) -> Config:
    """Alembic's settings; a percent sign in the path must be doubled, since they are interpolated."""
    scripts = Config()
    scripts.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    scripts.set_main_option("version_locations", str(MIGRATIONS / room).replace("%", "%%"))
    scripts.set_main_option("path_separator", "newline")
    return scripts


# ---- the write-ahead log -----------------------------------------------------------------------------------


def shrink_log(engine: Engine) -> bool:
    """Carry SQLite's write-ahead log over into the book and cut it to nothing.

    Returns: False: not now, a reader needs it, or it failed; nothing is lost by that.
    """
    if engine.dialect.name != "sqlite":
        return True
    try:
        with closing(engine.raw_connection()) as pooled:
            return _checkpoint(pooled.driver_connection)
    except (SQLITE.Error, StoreError) as error:
        log.warning("the write-ahead log stays as it is: %s", error)
        return False


def _checkpoint(connection: Any) -> bool:
    (busy_timeout_ms,) = connection.execute("PRAGMA busy_timeout").fetchone()
    connection.execute("PRAGMA busy_timeout = 0").close()  # a commit must not wait behind a reader
    try:
        (busy, *_pages) = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    finally:
        connection.execute(f"PRAGMA busy_timeout = {busy_timeout_ms}").close()
    return not busy


# ---- errors ------------------------------------------------------------------------------------------------

SQLITE_SAYS = {
    "SQLITE_BUSY": "another process holds the database locked; find it and end it",
    "SQLITE_LOCKED": "another connection holds the database locked; find it and end it",
    "SQLITE_FULL": "the disk is full; make room",
    "SQLITE_READONLY": "the database is read-only here; check the rights on its folder and files",
    "SQLITE_CANTOPEN": "the database can't be opened; check that its folder exists and may be written",
    "SQLITE_PERM": "the database may not be used; check the rights on its folder and files",
    "SQLITE_IOERR": "the disk reports an error; check it and the system's log",
    "SQLITE_CORRUPT": "the database is damaged; stop the collector and restore the last backup",
    "SQLITE_NOTADB": "the file is not a database; stop the collector and restore the last backup",
}
"""By SQLite's primary result code (https://www.sqlite.org/rescode.html)."""
DAMAGED = {"SQLITE_CORRUPT", "SQLITE_NOTADB"}

POSTGRESQL_SAYS = {
    "55P03": "another session holds a lock for too long; find it in pg_stat_activity and end it",
    "40P01": "two sessions waited for each other; the work is done again",
    "40001": "two sessions changed the same rows; the work is done again",
    "53100": "the disk of the database server is full; make room",
    "53": "the database server has run out of resources; see its log",
    "25006": "the database is read-only here",
    "42501": "the database user lacks the rights; grant them as in the installation guide",
    "42P01": "the tables are not there yet; start the collector first",
    "3D000": "the database does not exist; create it",
    "28": "the database refuses the user or the password; check the URL in the site file",
    "57": "the database server is stopping or was told to cancel",
    "08": "the database server can't be reached; check that it runs and the network",
    "XX": "the database is damaged or hit an internal error; see the server's log",
    "58": "the database server's disk reports an error; see its log",
}
"""By SQLSTATE, else by its class, the first two characters (PostgreSQL manual, appendix A)."""


def translate(error: SQLAlchemyError) -> StoreError:
    """The same in our words: what is the matter and what to do; the library's own words in brackets."""
    if isinstance(error, NoConnectionFree):
        return StoreError("all connections to the database are in use; ask again later")
    if not isinstance(error, DBAPIError) or error.orig is None:
        return StoreError(f"the store failed ({error})")
    code = getattr(error.orig, "sqlite_errorname", None)
    state = getattr(error.orig, "sqlstate", None)
    words = " ".join(str(error.orig).split())
    if code == "SQLITE_INTERRUPT" or state == "57014":  # query_canceled
        return TookTooLong(f"reading took too long and was ended; ask for less ({words})")
    if code is not None:
        primary = "_".join(code.split("_")[:2])  # SQLITE_IOERR_WRITE -> SQLITE_IOERR
        if primary in DAMAGED:
            return BookDamaged(f"{SQLITE_SAYS[primary]} ({words})")
        says = POSTGRESQL_SAYS["42P01"] if words.startswith("no such table") else SQLITE_SAYS.get(primary)
    elif state is not None:
        says = POSTGRESQL_SAYS.get(state) or POSTGRESQL_SAYS.get(state[:2])
    else:
        says = POSTGRESQL_SAYS["08"]  # psycopg knows no state where no server answered
    return StoreError(f"{says or 'the store refused the work'} ({words})")


def is_of_the_store(error: Exception) -> bool:
    """Would other work have failed as well (locked, full, unreachable)? False: it lies in this very work."""
    of_the_store = (StoreError, OperationalError, InterfaceError, InternalError, NoConnectionFree)
    return isinstance(error, of_the_store)


@contextmanager
def store_errors() -> Iterator[None]:
    """Turns every error of the database libraries into a StoreError, which names its cause."""
    try:
        yield
    except SQLAlchemyError as error:
        raise translate(error) from error
