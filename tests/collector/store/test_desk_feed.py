"""What people record is followed without a hole: commit numbers of the desk are given out and seen in one
order, though several processes write at once, on SQLite and PostgreSQL alike."""

import shutil
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import pytest
from sqlalchemy import Engine, create_engine, text

from api.stores import Stores
from collector.model import ToolName
from collector.store.desk import find_desk, record_acknowledgement, record_service
from collector.store.engine import (
    SQLITE,
    StoreAddress,
    migrate_desk,
    open_desk,
    open_desk_reader,
    store_errors,
)
from collector.store.feed import KINDS, SOURCES, Reached, find_first_news, find_head, find_news
from collector.store.instances import Lineage
from collector.store.tables import acknowledgement, desk, service

TOOL = ToolName("Sample Works", "C-4", "2042")
DONE = datetime(2026, 10, 25, tzinfo=UTC)
RECORDS = 150
"""Of each writer; every seventh is rolled back at the last moment."""

WRITE = """
import sys, time
from datetime import UTC, datetime
from pathlib import PosixPath
from random import Random
from collector.model import ToolName
from collector.store.desk import record_acknowledgement, record_service
from collector.store.engine import StoreAddress, open_desk
from collector.store.instances import Lineage
folder, url, name, records = (eval(argument) for argument in sys.argv[1:])
engine, dice = open_desk(StoreAddress(folder=folder, url=url)), Random(name)
print("ready", flush=True)
sys.stdin.readline()
at = datetime(2026, 10, 25, tzinfo=UTC)
for number in range(records):
    time.sleep(dice.uniform(0, 0.004))  # SQLite's lock is not fair: let the other have its turn
    with engine.connect() as connection, connection.begin() as transaction:
        if number % 3:
            record_service(
                connection, ToolName("Sample Works", "C-4", f"{name}-{number}"), done_at=at,
                done_by=name, remark="", at_count=number, recorded_at=at,
            )
        else:
            record_acknowledgement(
                connection, Lineage("a", ()), number, acknowledged_by=name, remark="", acknowledged_at=at
            )
        time.sleep(dice.uniform(0, 0.002))  # between the number and its commit, where others could slip in
        if number % 7 == 6:
            transaction.rollback()
"""


@pytest.fixture
def new_desk(book_address: StoreAddress) -> Iterator[Engine]:
    engine = open_desk(book_address)
    migrate_desk(engine)
    with engine.begin() as connection:  # on PostgreSQL the desk of the test before is still there
        connection.execute(service.delete())
        connection.execute(acknowledgement.delete())
        connection.execute(desk.update().values(commit_number=0))
    yield engine
    engine.dispose()


def test_a_follower_misses_nothing_while_two_processes_write(
    book_address: StoreAddress, new_desk: Engine
) -> None:
    """It sees each number when it has seen all before it, at whatever moment it looks."""
    engine = open_desk_reader(book_address)
    arguments = [repr(book_address.folder), repr(book_address.url)]
    writers = [
        subprocess.Popen(
            [sys.executable, "-c", WRITE, *arguments, repr(name), repr(RECORDS)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        for name in ("one", "two")
    ]
    try:
        for writer in writers:
            assert writer.stdout is not None
            assert writer.stdout.readline() == b"ready\n"
        for writer in writers:
            assert writer.stdin is not None
            writer.stdin.write(b"go\n")
            writer.stdin.flush()
        followed: list[tuple[int, str]] = []
        looks_meanwhile = 0
        while True:
            over = all(writer.poll() is not None for writer in writers)
            with store_errors(), engine.connect() as connection:
                head = find_head(connection, "desk")
                news = find_first_news(connection, "desk", head, len(followed), most=7, kinds=KINDS)
            followed += [(row["number"], row.get("done_by", "")) for row in news.rows]
            assert [number for number, _ in followed] == list(range(1, len(followed) + 1))
            assert news.reached.number == len(followed)
            looks_meanwhile += bool(news.rows) and not over
            if over and not news.rows:
                break
        assert [writer.wait(60) for writer in writers] == [0, 0]
    finally:
        for writer in writers:
            writer.kill()
            writer.communicate()
        engine.dispose()
    assert len(followed) == 2 * sum(number % 7 != 6 for number in range(RECORDS))
    assert looks_meanwhile > 5, "the follower did not look while they wrote"
    by = [name for _, name in followed if name]
    assert sum(one != two for one, two in pairwise(by)) > 5, "they did not write at once"


def test_a_transaction_that_is_rolled_back_gives_its_number_back(new_desk: Engine) -> None:
    """And what stands there already takes none."""
    for comes_through in (False, True, True):
        with new_desk.connect() as connection, connection.begin() as transaction:
            record_service(
                connection, TOOL, done_at=DONE, done_by="Fitter 7", remark="", at_count=1, recorded_at=DONE
            )
            record_acknowledgement(
                connection, Lineage("a", ()), 7, acknowledged_by="Fitter 7", remark="", acknowledged_at=DONE
            )
            if not comes_through:
                transaction.rollback()
    with new_desk.connect() as connection:
        assert find_desk(connection)["commit_number"] == 2
        news = find_news(connection, 0, room="desk")
    assert [(row["number"], row["kind"]) for row in news] == [
        (1, "service.recorded"),
        (2, "finding.acknowledged"),
    ]
    assert {row["instance"] for row in news} == {find_head_of(new_desk)}


def test_a_desk_keeps_its_identity(new_desk: Engine) -> None:
    """However often the API starts; another desk has another."""
    before = find_head_of(new_desk)
    migrate_desk(new_desk)
    assert find_head_of(new_desk) == before
    assert len(before) == 36


def find_head_of(engine: Engine) -> str:
    with engine.connect() as connection:
        return find_head(connection, "desk").instance


def test_each_kind_is_in_one_room() -> None:
    """The desk's are those that people record."""
    assert [kind for kind, source in SOURCES.items() if source.room == "desk"] == [
        "service.recorded",
        "finding.acknowledged",
    ]


# ---- a desk that was put back ------------------------------------------------------------------------------


def record_services(stores: Stores, *serials: str) -> Reached:
    """A service of each tool; returns how far the desk has come."""
    for serial in serials:
        with stores.desk() as connection:
            record_service(
                connection, ToolName("Sample Works", "C-4", serial), done_at=DONE, done_by="Fitter 7",
                remark="", at_count=1, recorded_at=DONE,
            )  # fmt: skip
    with stores.reading_desk() as connection:
        return find_head(connection, "desk")


def opened(folder: Path, *serials: str) -> Reached:
    stores = Stores(StoreAddress(folder=folder))
    try:
        return record_services(stores, *serials)
    finally:
        stores.close()


def test_a_desk_that_was_put_back_is_another_one_however_far_it_has_come_since(tmp_path: Path) -> None:
    """Its numbers are given again to other records, so whoever follows it must notice."""
    first = opened(tmp_path, "1", "2")
    with closing(SQLITE.connect(tmp_path / "desk.sqlite")) as connection:
        connection.execute("VACUUM INTO ?", (str(tmp_path / "backup"),))
    assert opened(tmp_path, "3") == Reached(first.instance, 3)
    shutil.copy(tmp_path / "backup", tmp_path / "desk.sqlite")
    for beside in ("desk.sqlite-wal", "desk.sqlite-shm"):
        (tmp_path / beside).unlink(missing_ok=True)
    again = opened(tmp_path, "4", "5", "6")
    assert again.number == 5
    assert again.instance != first.instance
    assert opened(tmp_path) == again, "once"


def test_many_who_record_at_once_leave_a_head_that_is_whole(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """The desk has many writers: what is half written by one is not put in its place by another."""
    first = opened(tmp_path)
    stores = Stores(StoreAddress(folder=tmp_path))
    with ThreadPoolExecutor(4) as threads:
        list(threads.map(lambda number: record_services(stores, str(number)), range(60)))
    stores.close()
    assert opened(tmp_path) == Reached(first.instance, 60)
    assert not [each for each in caplog.messages if "head" in each]
    assert {each.name for each in tmp_path.iterdir() if "head" in each.name} == {"desk.head"}


def test_a_server_that_comes_back_as_another_is_noticed_at_work(postgresql_database: str) -> None:
    """A standby takes over while the API runs: what it lacks was told already under the old instance."""
    stores = Stores(StoreAddress(url=postgresql_database))
    first = record_services(stores, "1")
    server = create_engine(postgresql_database)
    with server.begin() as connection:
        connection.execute(
            text("UPDATE desk.desk SET home = jsonb_set(home::jsonb, '{timeline}', '\"9\"')::text")
        )
        ends = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = current_database()"
        connection.execute(text(f"{ends} AND pid <> pg_backend_pid()"))
    server.dispose()
    again = record_services(stores, "2")
    stores.close()
    assert again.number == first.number + 1
    assert again.instance != first.instance


def test_a_desk_that_nobody_touched_stays_the_same(tmp_path: Path) -> None:
    """Opened again, opened by two at once, moved to another folder with all that lies beside it."""
    first = opened(tmp_path / "here", "1")
    with_two = [Stores(StoreAddress(folder=tmp_path / "here")) for _ in range(2)]
    found = [record_services(stores, str(number)) for number, stores in enumerate(with_two, start=2)]
    for stores in with_two:
        stores.close()
    assert [each.instance for each in found] == [first.instance] * 2
    shutil.copytree(tmp_path / "here", tmp_path / "there")
    assert opened(tmp_path / "there") == Reached(first.instance, 3)
