"""A book that was put back to an earlier state is another instance before anything goes into it; one that was
not stays what it is. With real files, and on a real server."""

import asyncio
import json
import os
import shutil
import subprocess
import time
import uuid
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Connection, Engine, create_engine, make_url, select, text

from collector.errors import StoreError
from collector.model import ToolName
from collector.store import tables
from collector.store.desk import find_desk, record_service
from collector.store.engine import (
    StoreAddress,
    declare_desk_restored,
    declare_restored,
    migrate_book,
    migrate_desk,
    open_book_reader,
    open_book_writer,
    open_desk,
)
from collector.store.instances import (
    HEAD_NAMES,
    Lineage,
    find_former,
    find_home,
    find_lineage,
)
from collector.store.writer import Writer
from tests.collector.store.rigs import IDENTITIES, entry

DAYS_S = 3 * 86400.0


async def grow(address: StoreAddress, first: int, last: int) -> None:
    """The collector is started, takes these cycles, and is ended."""
    engine = open_book_writer(address)
    migrate_book(engine)
    async with Writer(engine) as writer:
        await writer.register(IDENTITIES)
        if last >= first:
            await writer.commit(entry("L1-01", first, last))


async def start(address: StoreAddress) -> Lineage:
    """The collector is started and ended, and nothing came meanwhile."""
    await grow(address, 1, 0)
    return lineage(address)


def lineage(address: StoreAddress) -> Lineage:
    engine = open_book_reader(address)
    with engine.connect() as connection:
        found = find_lineage(connection)
    engine.dispose()
    return found


def reasons(address: StoreAddress) -> list[str]:
    """Why the book became another instance, each time."""
    engine = open_book_reader(address)
    with engine.connect() as connection:
        found = [each["because"] for each in find_former(connection)]
    engine.dispose()
    return found


# ---- files -------------------------------------------------------------------------------------------------


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "store"


@pytest.fixture
def backup(tmp_path: Path) -> Path:
    return tmp_path / "backup"


def shell(command: str, store: Path, backup: Path) -> None:
    subprocess.run(["sh", "-ec", command, "sh", str(store), str(backup)], check=True)


def back_up_folder(store: Path, backup: Path) -> None:
    """All of it, while the collector does not run; three days ago, by what its book.head says."""
    shutil.copytree(store, backup)
    head = json.loads((backup / HEAD_NAMES["book"]).read_text())
    head["written_at_s"] -= DAYS_S
    (backup / HEAD_NAMES["book"]).write_text(json.dumps(head))


def back_up_book(store: Path, backup: Path) -> None:
    """As README says, which is good while the collector runs."""
    backup.mkdir()
    shell('sqlite3 -readonly "$1/book.sqlite" "VACUUM INTO \'$2/book.sqlite\'"', store, backup)


RESTORES = {
    "copied over the file": (back_up_folder, 'cp "$2/book.sqlite" "$1/"', "and was at 9 already"),
    "copied over the file with its times": (
        back_up_folder,
        'cp -a "$2/book.sqlite" "$1/"',
        "and was at 9 already",
    ),
    "put in its place": (
        back_up_folder,
        'mv "$1/book.sqlite" "$1/old"; cp "$2/book.sqlite" "$1/"',
        "in another file",
    ),
    "removed and copied": (
        back_up_folder,
        'rm "$1/book.sqlite"; cp "$2/book.sqlite" "$1/"',
        "and was at 9 already",
    ),
    "all files over all": (back_up_folder, 'cp -a "$2/." "$1/"', "not by clampbook"),
    "another folder": (back_up_folder, 'mv "$1" "$1.old"; cp -a "$2" "$1"', "in another file"),
    "without its head": (
        back_up_folder,
        'rm -r "$1"; mkdir "$1"; cp "$2/book.sqlite" "$1/"',
        "no book.head beside it",
    ),
    "vacuumed into, and copied over": (
        back_up_book,
        'cp "$2/book.sqlite" "$1/"',
        "and was at 9 already",
    ),
    "vacuumed into, and moved": (
        back_up_book,
        'mv "$1/book.sqlite" "$1/old"; mv "$2/book.sqlite" "$1/"',
        "in another file",
    ),
}
"""How it was backed up; how it was put back ($1: store, $2: backup); what the book says of it."""


@pytest.mark.parametrize("how", RESTORES)
async def test_a_restored_book_is_another_instance(store: Path, backup: Path, how: str) -> None:
    """Before anything goes into it, so that a head grown past the old one can't hide it; and only once."""
    back_up, put_back, says = RESTORES[how]
    address = StoreAddress(folder=store)
    await grow(address, 1, 5)
    back_up(store, backup)
    await grow(address, 6, 9)
    before = lineage(address)
    assert before.former == ()
    shell(put_back, store, backup)
    await grow(address, 6, 14)
    after = lineage(address)
    assert after.instance != before.instance
    assert after.former == ((before.instance, 5),)
    assert says in reasons(address)[0]
    assert await start(address) == after


NOT_RESTORED: dict[str, Callable[[Path, Path], None]] = {
    "started again": lambda store, backup: None,
    "backed up": back_up_book,
    "copied away": lambda store, backup: back_up_folder(store, backup),
    "vacuumed": lambda store, backup: shell('sqlite3 "$1/book.sqlite" VACUUM', store, backup),
    "made readable for all": lambda store, backup: shell('chmod 644 "$1/book.sqlite"', store, backup),
    "folder renamed and back": lambda store, backup: shell('mv "$1" "$2"; mv "$2" "$1"', store, backup),
}


@pytest.mark.parametrize("what", NOT_RESTORED)
async def test_what_is_no_restore_changes_nothing(store: Path, backup: Path, what: str) -> None:
    """Nobody has to pull anew without need."""
    address = StoreAddress(folder=store)
    await grow(address, 1, 5)
    before = lineage(address)
    NOT_RESTORED[what](store, backup)
    await grow(address, 6, 9)
    assert lineage(address) == before


async def test_a_kill_changes_nothing(store: Path) -> None:
    """What was committed since book.head was written last is ahead of it, as it may be."""
    address = StoreAddress(folder=store)
    await grow(address, 1, 5)
    head = (store / HEAD_NAMES["book"]).read_bytes()
    await grow(address, 6, 9)
    (store / HEAD_NAMES["book"]).write_bytes(head)
    assert (await start(address)).former == ()


async def test_a_backup_that_book_head_does_not_outdo_is_known_by_its_file(store: Path, backup: Path) -> None:
    """The collector was killed within a minute of the backup."""
    address = StoreAddress(folder=store)
    await grow(address, 1, 0)
    head = (store / HEAD_NAMES["book"]).read_bytes()
    await grow(address, 1, 5)
    back_up_folder(store, backup)
    await grow(address, 6, 9)
    (store / HEAD_NAMES["book"]).write_bytes(head)
    shell('mv "$1/book.sqlite" "$1/old"; cp "$2/book.sqlite" "$1/"', store, backup)
    assert len((await start(address)).former) == 1


async def test_two_copies_of_a_book_are_two_instances(store: Path, backup: Path) -> None:
    """A copy that is run elsewhere, and one that comes back from there."""
    here, there = StoreAddress(folder=store), StoreAddress(folder=backup)
    await grow(here, 1, 5)
    first = lineage(here)
    back_up_folder(store, backup)
    await grow(there, 6, 8)
    copy = lineage(there)
    assert copy.former == ((first.instance, 5),)
    assert (await start(here)) == first
    shell('cp "$2/book.sqlite" "$1/"', store, backup)
    again = await start(here)
    assert again.former == ((first.instance, 5), (copy.instance, 8))
    assert "book.head beside it is of another one" in reasons(here)[1]


async def test_book_head_that_makes_no_sense_is_not_believed(store: Path) -> None:
    """Whatever is in it: what is not known to be the same is another one."""
    address = StoreAddress(folder=store)
    await grow(address, 1, 5)
    for number, spoilt in enumerate(
        [b"", b"[]", b"{}", b"\xff", b'{"instance": 1, "commit_number": null}'], 1
    ):
        (store / HEAD_NAMES["book"]).write_bytes(spoilt)
        assert len((await start(address)).former) == number
        assert "can't be read" in reasons(address)[-1]


async def test_book_head_is_behind_the_book_and_never_ahead(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It holds what was durable when it was written: at the start, while there is work, and at the end."""
    monkeypatch.setattr("collector.store.writer.HEAD_EVERY_S", 0.0)
    engine = open_book_writer(StoreAddress(folder=store))
    migrate_book(engine)
    async with Writer(engine) as writer:
        await writer.register(IDENTITIES)
        for number in range(1, 6):
            await writer.commit(entry("L1-01", number, number))
            await writer.recall("L1-01")  # behind what the thread did after the commit
            head = json.loads((store / HEAD_NAMES["book"]).read_text())
            assert (head["instance"], head["commit_number"]) == (writer.instance, number)
            assert abs(head["written_at_s"] - time.time()) < 10


async def test_where_book_head_cannot_be_written_collection_goes_on(
    store: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """The log says what that means."""
    (store / HEAD_NAMES["book"] / "in the way").mkdir(parents=True)
    await grow(StoreAddress(folder=store), 1, 5)
    assert "a restore may go unnoticed" in caplog.text


async def test_the_log_says_that_the_book_is_another_one(
    store: Path, backup: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """With why, and what follows from it."""
    address = StoreAddress(folder=store)
    await grow(address, 1, 5)
    os.unlink(store / HEAD_NAMES["book"])
    caplog.clear()
    await start(address)
    (said,) = [each.getMessage() for each in caplog.records if "another instance" in each.getMessage()]
    assert "no book.head beside it" in said
    assert "410" in said


# ---- said by a person --------------------------------------------------------------------------------------


async def test_a_person_can_say_that_it_was_restored(book_address: StoreAddress, book_engine: Engine) -> None:
    """What can't be noticed: the whole machine was put back. At the next start it stays that instance."""
    before = lineage(book_address)
    declared = declare_restored(book_engine)
    assert declared.former == ((before.instance, 0),)
    book_engine.dispose()
    await grow(book_address, 1, 3)
    assert lineage(book_address) == declared
    assert reasons(book_address) == ["a person said that it was restored"]


def test_nobody_can_say_so_of_a_book_that_is_not_there(tmp_path: Path) -> None:
    """And none is made by it."""
    engine = open_book_writer(StoreAddress(folder=tmp_path / "store"))
    with pytest.raises(StoreError, match="there is no book of this version yet"):
        declare_restored(engine)
    engine.dispose()
    assert not (tmp_path / "store").exists()


# ---- a server ----------------------------------------------------------------------------------------------


@pytest.fixture
def copies(postgresql_url: str) -> Iterator[Callable[[StoreAddress], StoreAddress]]:
    """Makes copies of a database, as a dump that is restored under another name; dropped at the end."""
    server = create_engine(postgresql_url, isolation_level="AUTOCOMMIT")
    made: list[str] = []

    def copy(address: StoreAddress) -> StoreAddress:
        source = make_url(str(address.url))
        made.append(f"clampbook_test_{uuid.uuid4().hex}")
        with server.connect() as connection:
            connection.execute(text(f"CREATE DATABASE {made[-1]} TEMPLATE {source.database}"))
        return StoreAddress(url=source.set(database=made[-1]).render_as_string(hide_password=False))

    yield copy
    with server.connect() as connection:
        for each in made:
            connection.execute(text(f"DROP DATABASE {each} WITH (FORCE)"))
    server.dispose()


@pytest.fixture
async def on_server(postgresql_database: str, copies: Callable[[StoreAddress], StoreAddress]) -> StoreAddress:
    """A book with five cycles, in a database of its own."""
    shared = StoreAddress(url=postgresql_database)
    engine = open_book_writer(shared)
    migrate_book(engine)
    engine.dispose()
    address = copies(shared)
    with _at(address) as connection:
        names = ", ".join(f"book.{table.name}" for table in tables.BOOK.sorted_tables)
        connection.execute(text(f"TRUNCATE {names} RESTART IDENTITY"))
    await grow(address, 1, 5)
    return address


class _at:
    """A transaction of somebody else on a server."""

    def __init__(self, address: StoreAddress) -> None:
        self._engine = create_engine(str(address.url))

    def __enter__(self) -> Connection:
        self._begun = self._engine.begin()
        return self._begun.__enter__()

    def __exit__(self, *error: Any) -> None:
        self._begun.__exit__(*error)
        self._engine.dispose()


async def test_a_book_on_a_server_stays_what_it_is(on_server: StoreAddress) -> None:
    """However often the collector starts; also after its tables were written anew in place."""
    before = lineage(on_server)
    assert await start(on_server) == before
    server = create_engine(str(on_server.url), isolation_level="AUTOCOMMIT")
    with server.connect() as connection:
        connection.execute(text("VACUUM FULL"))
    server.dispose()
    assert await start(on_server) == before


async def test_a_database_restored_under_another_name_is_another_instance(
    on_server: StoreAddress, copies: Callable[[StoreAddress], StoreAddress]
) -> None:
    """The one that it was copied from stays what it is."""
    before = lineage(on_server)
    restored = copies(on_server)
    after = await start(restored)
    assert after.former == ((before.instance, 5),)
    assert "in another database" in reasons(restored)[0]
    assert await start(on_server) == before


async def test_a_dump_restored_into_the_same_database_is_another_instance(on_server: StoreAddress) -> None:
    """Its tables were dropped and made anew."""
    before = lineage(on_server)
    with _at(on_server) as connection:
        connection.execute(text("CREATE TABLE book.restored (LIKE book.book INCLUDING ALL)"))
        connection.execute(text("INSERT INTO book.restored SELECT * FROM book.book"))
        connection.execute(text("DROP TABLE book.book"))
        connection.execute(text("ALTER TABLE book.restored RENAME TO book"))
    after = await start(on_server)
    assert after.former == ((before.instance, 5),)
    assert "made anew" in reasons(on_server)[0]


def came_from_elsewhere(connection: Connection, **parts: str) -> None:
    """What the book knows of its server is of another one."""
    home = json.loads(connection.scalars(select(text("home")).select_from(text("book.book"))).one())
    home |= parts
    connection.execute(text("UPDATE book.book SET home = :home"), {"home": json.dumps(home)})


@pytest.mark.parametrize(
    ("part", "says"), [("system", "another database server"), ("timeline", "a standby has taken over")]
)
async def test_another_server_or_timeline_is_another_instance(
    on_server: StoreAddress, part: str, says: str
) -> None:
    """A standby that took over may lack commits that the former server had told."""
    with _at(on_server) as connection:
        came_from_elsewhere(connection, **{part: "7"})
    after = await start(on_server)
    assert len(after.former) == 1
    assert says in reasons(on_server)[0]
    assert await start(on_server) == after


async def test_a_server_that_comes_back_as_another_is_noticed_at_work(
    on_server: StoreAddress, caplog: pytest.LogCaptureFixture
) -> None:
    """A standby takes over under the same name: the collector connects anew, and looks before it writes."""
    engine = open_book_writer(on_server)
    before = lineage(on_server)
    async with Writer(engine) as writer:
        await writer.commit(entry("L1-01", 6, 6))
        with _at(on_server) as connection:
            came_from_elsewhere(connection, timeline="00000009")
            connection.execute(
                text(
                    "SELECT pg_terminate_backend(pid) FROM pg_locks "
                    "WHERE locktype = 'advisory' AND pid <> pg_backend_pid() AND database = "
                    "(SELECT oid FROM pg_database WHERE datname = current_database())"
                )
            )
        for _ in range(50):
            try:
                await writer.commit(entry("L1-01", 7, 7))
                break
            except StoreError:
                await asyncio.sleep(0.05)  # the server still holds the lock of the session that it ended
    after = lineage(on_server)
    assert after.former == ((before.instance, 6),)
    assert "another instance" in caplog.text


def test_a_server_that_does_not_tell_all_is_known_by_the_rest(
    on_server: StoreAddress, caplog: pytest.LogCaptureFixture
) -> None:
    """And the log says what to do after a restore that the rest does not show."""
    role = f"clampbook_test_{uuid.uuid4().hex}"
    with _at(on_server) as connection:
        connection.execute(text("SET search_path = book"))
        everything = find_home(connection, "book")
        connection.execute(text(f"CREATE ROLE {role}"))
        connection.execute(text(f"GRANT USAGE ON SCHEMA book TO {role}"))
        connection.execute(text("REVOKE EXECUTE ON FUNCTION pg_control_system() FROM PUBLIC"))
        connection.execute(text(f"SET ROLE {role}"))
        found = find_home(connection, "book")
        connection.execute(text("RESET ROLE"))
        connection.execute(text(f"DROP OWNED BY {role}"))
        connection.execute(text(f"DROP ROLE {role}"))
    assert found == {part: value for part, value in everything.items() if part != "system"}
    assert set(found) == {"database", "table", "timeline"}
    assert "does not tell its system" in caplog.text
    assert "clampbook restored" in caplog.text


async def test_what_a_server_tells_only_now_is_learnt(on_server: StoreAddress) -> None:
    """Rights that were granted later are no reason to pull anew."""
    before = lineage(on_server)
    with _at(on_server) as connection:
        connection.execute(text("UPDATE book.book SET home = '{}'"))
    assert await start(on_server) == before
    with _at(on_server) as connection:
        home = json.loads(connection.scalars(text("SELECT home FROM book.book")).one())
    assert set(home) == {"system", "database", "table", "timeline"}


# ---- the desk ----------------------------------------------------------------------------------------------


def open_and_record(address: StoreAddress) -> str:
    """The API is started, a service is recorded, and the API is ended. Returns the instance of the desk."""
    engine = open_desk(address)
    migrate_desk(engine)
    with engine.begin() as connection:
        said = {"done_at": datetime.now(UTC), "done_by": "Fitter 7", "remark": "", "at_count": 7}
        record_service(connection, ToolName("", "", "2041"), **said, recorded_at=datetime.now(UTC))
        instance = str(find_desk(connection)["instance"])
    engine.dispose()
    return instance


def test_a_desk_restored_on_a_server_is_another_instance(postgresql_database: str) -> None:
    """A dump into the same database: its tables were dropped and made anew. Files: see test_desk_feed.py."""
    address = StoreAddress(url=postgresql_database)
    before = open_and_record(address)
    assert open_and_record(address) == before
    with _at(address) as connection:
        connection.execute(text("CREATE TABLE desk.restored (LIKE desk.desk INCLUDING ALL)"))
        connection.execute(text("INSERT INTO desk.restored SELECT * FROM desk.desk"))
        connection.execute(text("DROP TABLE desk.desk"))
        connection.execute(text("ALTER TABLE desk.restored RENAME TO desk"))
    after = open_and_record(address)
    assert after != before
    assert open_and_record(address) == after


def test_a_person_can_say_that_the_desk_was_restored(tmp_path: Path) -> None:
    """Where there is one; none is made by it."""
    address = StoreAddress(folder=tmp_path)
    engine = open_desk(address)
    declare_desk_restored(engine)
    assert list(tmp_path.iterdir()) == []
    before = open_and_record(address)
    declare_desk_restored(engine)
    after = open_and_record(address)
    assert after != before
    assert open_and_record(address) == after
    engine.dispose()


# ---- instances, as a model ---------------------------------------------------------------------------------


@given(st.lists(st.tuples(st.booleans(), st.integers(0, 5)), max_size=20))
def test_a_number_means_one_record_for_ever(steps: list[tuple[bool, int]]) -> None:
    """Whatever is restored after whatever: instance and number name one record, and whoever has all up to a
    place of some instance has just what `shared` says of the book as it is now."""
    records: list[tuple[str, int]] = []  # instance that gave it out, number
    now = Lineage("0", ())
    backups = [(records, now)]
    grown = {"0": records}
    for serial, (is_restore, number) in enumerate(steps, 1):
        if is_restore:
            records, kept = backups[number % len(backups)]
            now = Lineage(str(serial), (*kept.former, (kept.instance, len(records))))
        else:
            records = records + [(now.instance, len(records) + each + 1) for each in range(number)]
            backups.append((records, now))
        grown[now.instance] = max(grown.get(now.instance, []), records, key=len)
        assert [(now.instance_of(each + 1), each + 1) for each in range(len(records))] == records
    known = {now.instance, *(former for former, _ in now.former)}
    for instance, had in grown.items():
        for place in range(len(had) + 1):
            same = [a == b for a, b in zip(had[:place], records, strict=False)]
            common = [*same, False].index(False)
            assert now.shared(instance, place) == (common if instance in known else 0)
