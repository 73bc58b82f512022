"""Which book this is. Cursors, entity tags and ids of events name a commit number of an *instance* of the
book; one that was put back to an earlier state gives the same numbers to other records, so it must be another
instance before anything goes into it.

A book can't tell by itself that it went back: it is held against what is known outside of it. `settle` does
so, first thing on each connection of the writer, in the transaction that also gives it the new instance.

    SQLite       its file's inode, kept in the book; and the file `book.head` beside it: instance, last commit
                 number, and when it was written, always of what is durable
    PostgreSQL   system identifier, database, table and timeline, kept in the book

    what was done                            noticed by
    older file copied over it (cp)           book.head is further
    older file in its place (mv, rsync)      another inode; book.head is further
    made by VACUUM INTO, or a backup tool    the same
    all files copied over all (cp -a)        book.head was not put there when it says it was written
    folder copied to another disk            the same; another inode
    VACUUM, a folder renamed                 not at all: it is the same book
    disk or machine put back as an image     not at all: `clampbook restored`

    dump restored, other or same database    another database; its tables were made anew
    backup of the server with its log, a     another timeline. A standby that takes over may lack commits that
    standby that takes over                  the former server had told; where it lacks none, nothing is lost
    rows alone put back, files of the        not at all: `clampbook restored`
    server put back without its log

So is the desk, on each connection that writes it; on SQLite against the commit number in `desk.head` alone.

A new instance costs little: integrators pull anew, and replace. One too few would cost cycles that are never
told. So whatever can't be told apart from a restore (files moved to another disk, `chown -R` while the
collector was stopped, a major upgrade of PostgreSQL) is taken for one.
"""

import json
import logging
import os
import time
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, select, text
from sqlalchemy.exc import DBAPIError

from collector.errors import StoreError
from collector.rfc3339 import format_rfc3339
from collector.store.tables import Room, book, desk, former_instance

log = logging.getLogger(__name__)

FIND_HEAD: Mapping[Room, str] = {
    "book": "SELECT instance, commit_number FROM book",
    "desk": "SELECT instance, commit_number FROM desk",
}
HEAD_NAMES: Mapping[Room, str] = {"book": "book.head", "desk": "desk.head"}
SETTLED = "settled"
"""Of a connection: its room was held against what is known of it outside."""
DESK_AS_ANOTHER = "the desk was put back to an earlier state, and is another instance: %s"
HEAD_OFF_BY_S = 60.0
"""Most that may lie between the time in a head and that at which the system put it in its place."""

SAYS = {
    "inode": "it is in another file than it was: it was copied, moved or put back from a backup",
    "system": "it is on another database server than it was",
    "database": "it is in another database than it was",
    "table": "its tables were made anew, as when a dump is restored",
    "timeline": "its database server was put back from a backup, or a standby has taken over",
}
"""Part of a home -> what it means that it is another one."""
POSTGRESQL_TELLS = {
    "system": "SELECT system_identifier::text FROM pg_control_system()",
    "database": "SELECT oid::text FROM pg_database WHERE datname = current_database()",
    "table": "SELECT to_regclass(:room)::oid::text",
    # not pg_control_checkpoint(), which knows a new timeline only after the next checkpoint
    "timeline": "SELECT substr(pg_walfile_name(pg_current_wal_insert_lsn()), 1, 8)",
}


# ---- what the book was -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Lineage:
    """The instances of a book, of which each has the commits behind those of the one before."""

    instance: str
    former: Sequence[tuple[str, int]]
    """Instance and its last commit number, in the order in which they were given up."""

    def instance_of(self, number: int) -> str:
        """The instance that gave a number out: what is named by both means the same for ever."""
        return next((former for former, last in self.former if number <= last), self.instance)

    def shared(self, instance: str, number: int) -> int:
        """Whoever has everything of an instance up to a number has everything of this book up to the number
        returned; 0: the book was never that instance."""
        return number if instance == self.instance else min(number, dict(self.former).get(instance, 0))


def find_lineage(connection: Connection) -> Lineage:
    rows = find_former(connection)
    return Lineage(
        connection.scalars(select(book.c.instance)).one(),
        tuple((row["instance"], row["last_commit"]) for row in rows),
    )


def find_former(connection: Connection) -> list[dict[str, Any]]:
    """instance, since, until, last_commit, because of what the book was before, the oldest first."""
    columns = [column for column in former_instance.c if column.name != "place"]
    wanted = select(*columns).order_by(former_instance.c.place)
    return [dict(row) for row in connection.execute(wanted).mappings()]


# ---- beginning, and becoming another -----------------------------------------------------------------------


def begin_book(connection: Connection) -> None:
    """Give a new book its identity; one that has it keeps it."""
    if connection.scalar(select(book.c.instance)) is None:
        now = datetime.now(UTC)
        home = json.dumps(find_home(connection, "book"))
        values = {"created_at": now, "since": now, "commit_number": 0, "home": home}
        connection.execute(book.insert(), {"instance": str(uuid.uuid4()), **values})


def begin_desk(connection: Connection) -> None:
    """Give a new desk its identity; one that has it keeps it."""
    if connection.scalar(select(desk.c.instance)) is None:
        home = json.dumps(find_home(connection, "desk"))
        connection.execute(desk.insert(), {"instance": str(uuid.uuid4()), "commit_number": 0, "home": home})


def settle(connection: Connection, now: Callable[[], datetime]) -> str | None:
    """Make the book another instance where it is not what is known of it outside.

    Returns: why it was made one; None: it is the same. Raises: StoreError: it has no identity.
    """
    row = connection.execute(select(book.c.instance, book.c.commit_number, book.c.home)).one_or_none()
    if row is None:
        raise StoreError("the book has no identity; it is damaged, or was not made by clampbook")
    home, reasons = _compare(connection, "book", row)
    if reasons:
        because = "; ".join(reasons)
        renew(connection, now(), because)
        return because
    if home != row.home:
        connection.execute(book.update().values(home=home))
    return None


def settle_desk(connection: Connection) -> str | None:
    """Make the desk another instance where it is not what is known of it outside. Returns: why; None: it is
    the same."""
    row = connection.execute(select(desk).with_for_update()).one()
    home, reasons = _compare(connection, "desk", row)
    if reasons:
        renew_desk(connection)
        return "; ".join(reasons)
    if home != row.home:
        connection.execute(desk.update().values(home=home))
    return None


def _compare(connection: Connection, room: Room, row: Any) -> tuple[str, list[str]]:
    """Its home, with what is still known of it from before; and why the room is another instance now."""
    kept, found = json.loads(row.home), find_home(connection, room)
    both = kept.keys() & found.keys()
    reasons = [says for part, says in SAYS.items() if part in both and kept[part] != found[part]]
    if (path := head_path(connection.engine, room)) is not None:
        reasons += _against_head(path, row.instance, row.commit_number, was_put=room == "book")
    return json.dumps(kept | found), reasons


def renew(connection: Connection, now: datetime, because: str) -> None:
    """Make the book another instance, whose first commit number is the next."""
    row = connection.execute(select(book).with_for_update()).one()
    gone = {"instance": row.instance, "since": row.since, "until": now, "last_commit": row.commit_number}
    connection.execute(former_instance.insert().values(because=because, **gone))
    home = json.dumps(find_home(connection, "book"))
    connection.execute(book.update().values(instance=str(uuid.uuid4()), since=now, home=home))


def renew_desk(connection: Connection) -> None:
    """Make the desk another instance."""
    home = json.dumps(find_home(connection, "desk"))
    connection.execute(desk.update().values(instance=str(uuid.uuid4()), home=home))


# ---- where it lies -----------------------------------------------------------------------------------------


def find_home(connection: Connection, room: Room) -> dict[str, str]:
    """What tells the file or the database of the room from any other; what can't be had is left out."""
    if connection.dialect.name == "sqlite":
        return {"inode": str(os.stat(_file(connection.engine)).st_ino)} if room == "book" else {}
    found: dict[str, str] = {}
    for part, question in POSTGRESQL_TELLS.items():
        try:
            with connection.begin_nested():
                found[part] = connection.scalars(text(question), {"room": room}).one()
        except DBAPIError as error:
            log.warning(
                "the database does not tell its %s (%s): after a restore that the rest does not show, run "
                "clampbook restored", part, str(error.orig).strip(),
            )  # fmt: skip
    return found


def _file(engine: Engine) -> Path:
    return Path(str(engine.url.database))


# ---- book.head ---------------------------------------------------------------------------------------------


def head_path(engine: Engine, room: Room) -> Path | None:
    """None: on PostgreSQL there is none."""
    return _file(engine).with_name(HEAD_NAMES[room]) if engine.dialect.name == "sqlite" else None


def _against_head(path: Path, instance: str, commit_number: int, was_put: bool) -> Iterator[str]:
    """Why the room can't be the one that wrote its head. `was_put`: also when somebody else put the head
    there."""
    try:
        head, put_at_s = json.loads(path.read_bytes()), path.stat().st_ctime
        known, number, at = str(head["instance"]), int(head["commit_number"]), float(head["written_at_s"])
    except FileNotFoundError:
        if commit_number > 0:
            yield f"there is no {path.name} beside it: it was copied or put back without"
        return
    except (OSError, ValueError, TypeError, KeyError) as error:
        yield f"{path.name} beside it can't be read ({error})"
        return
    if known != instance:
        yield f"{path.name} beside it is of another one"
    elif commit_number < number:
        yield f"it stands at commit {commit_number} and was at {number} already"
    if was_put and abs(put_at_s - at) > HEAD_OFF_BY_S:
        put_at = format_rfc3339(datetime.fromtimestamp(put_at_s, UTC))
        yield f"{path.name} beside it was put there or changed at {put_at}, not by clampbook"


def write_head(engine: Engine, room: Room = "book") -> None:
    """Note outside of the room how far it has come, in one step. Where it can't be, the log says so, and the
    head of before stays: it may be behind the room, never ahead of what is durable."""
    path = head_path(engine, room)
    if path is None:
        return
    # a name of its own: the desk has many writers, and one of them may be another process
    beside = path.with_name(f"{path.name}.{uuid.uuid4().hex}")
    driver = engine.dialect.loaded_dbapi
    try:
        with closing(engine.raw_connection()) as pooled:  # reads, and waits for no other writer
            row = pooled.driver_connection.execute(FIND_HEAD[room]).fetchone()  # type: ignore[union-attr]
        try:
            with beside.open("w", encoding="utf-8") as file:
                head = {"instance": row[0], "commit_number": row[1], "written_at_s": time.time()}
                file.write(json.dumps(head))
                file.flush()
                os.fsync(file.fileno())
            beside.replace(path)
        finally:
            beside.unlink(missing_ok=True)
    except (driver.Error, StoreError, OSError) as error:
        log.warning("%s can't be written (%s): a restore may go unnoticed until it is", path, error)
