"""Exports on the desk: asked for once, begun in order, put back or over; the same on both databases."""

import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Connection, Engine

from collector.store.engine import StoreAddress, migrate_desk, open_desk
from collector.store.exports import (
    ask_export,
    begin_next,
    count_exports,
    drop_export,
    find_export,
    find_exports,
    find_over,
    note_done,
    note_failed,
    put_back,
)
from collector.store.tables import export, receipt
from collector.store.tokens import create_token

NOW = datetime(2026, 11, 26, 2, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


@pytest.fixture
def desk(book_address: StoreAddress) -> Iterator[Engine]:
    engine = open_desk(book_address)
    migrate_desk(engine)
    with engine.begin() as connection:  # on PostgreSQL the desk of the test before is still there
        for table in (export, receipt):
            connection.execute(table.delete())
    yield engine
    engine.dispose()


def ask(desk: Connection, number: int = 0, **more: Any) -> str:
    asked: dict[str, Any] = {
        "token_id": None, "lines": None, "what": "cycles", "format": "csv", "begins_at": NOW,
        "ends_at": NOW + MINUTE, "filters": {"result": "nok"}, "now": NOW + number * MINUTE,
    }  # fmt: skip
    return ask_export(desk, **asked | more)


def test_the_same_is_asked_for_once_by_two_at_once_too(desk: Engine) -> None:
    """The request that is sent again comes while the first is not committed yet."""
    is_asking = threading.Event()

    def ask_again() -> str:
        is_asking.set()
        with desk.begin() as connection:
            return ask(connection)

    with ThreadPoolExecutor(1) as threads:
        with desk.begin() as connection:
            first = ask(connection)
            second = threads.submit(ask_again)
            assert is_asking.wait(10)
            with suppress(TimeoutError):  # it would be there at once, did it not wait for us
                second.result(0.3)
        assert second.result(10) == first


def done(desk: Connection, export_id: str, size: int = 5) -> bool:
    about = {"book": "b", "commit_number": 2**40, "rows": 3, "sha256": "ab"}
    return note_done(desk, export_id, size=size, now=NOW, **about)  # type: ignore[arg-type]


def test_the_same_is_asked_for_once_until_it_is_over(desk: Engine) -> None:
    """By the same asker, with the same filters in whatever order, for the same lines."""
    both = {"result": "nok", "controller": "L1-01"}
    with desk.begin() as connection:
        first = ask(connection, filters=both)
        assert ask(connection, 1, filters=dict(reversed(both.items()))) == first
        others = [
            ask(connection, 1, filters=both, **other)
            for other in ({"lines": ["line-1"]}, {"format": "parquet"}, {"ends_at": NOW + 2 * MINUTE})
        ]
        assert len({first, *others}) == 4
        assert begin_next(connection) is not None
        assert ask(connection, 2, filters=both) == first
        note_failed(connection, first, "no room", NOW)
        assert ask(connection, 2, filters=both) != first


def test_those_that_wait_are_begun_in_order_and_counted(desk: Engine) -> None:
    """One that is put back comes again; whether that was an attempt is said."""
    with desk.begin() as connection:
        second, first = ask(connection, 2), ask(connection, 1, format="parquet")
        for attempts in (1, 2):
            begun = begin_next(connection)
            assert begun is not None
            assert (begun["export_id"], begun["state"], begun["attempts"]) == (first, "building", attempts)
            put_back(connection, first, counts=attempts == 1)
        begun = begin_next(connection)
        assert begun is not None
        assert begun["attempts"] == 2
        assert done(connection, first)
        begun = begin_next(connection)
        assert begun is not None
        assert begun["export_id"] == second
        assert begin_next(connection) is None


def test_what_is_over_is_found_and_what_was_dropped_is_gone(desk: Engine) -> None:
    """A note about one that is gone is none."""
    with desk.begin() as connection:
        kept, gone = ask(connection), ask(connection, format="parquet")
        assert done(connection, kept)
        assert [each["export_id"] for each in find_over(connection, NOW + MINUTE)] == [kept]
        assert find_over(connection, NOW) == []
        drop_export(connection, gone)
        assert not done(connection, gone)
        assert find_export(connection, gone) is None
        (found,) = find_exports(connection)
        assert (found["state"], found["filters"], found["lines"]) == ("done", {"result": "nok"}, None)
        assert (found["commit_number"], found["bytes"], found["begins_at"]) == (2**40, 5, NOW)


def test_they_are_counted_with_their_bytes(desk: Engine) -> None:
    """In all, of one token, of nobody's; a file that failed counts no more."""
    with desk.begin() as connection:
        name = f"mes-{datetime.now(UTC).timestamp()}"
        made = create_token(connection, name, ["integrate"], None, now=NOW, expires_at=NOW + MINUTE)
        mes = made.split(".")[0]
        assert count_exports(connection, mes) == (0, 0, 0)
        mine, other = ask(connection, token_id=mes), ask(connection)
        done(connection, mine, size=2**40)
        done(connection, other, size=7)
        assert count_exports(connection, mes) == (2, 1, 2**40 + 7)
        assert count_exports(connection, None) == (2, 1, 2**40 + 7)
        note_failed(connection, mine, "its file is gone", NOW)
        assert count_exports(connection, mes) == (2, 1, 7)
        found = find_export(connection, mine)
        assert found is not None
        assert found["token_name"] == name
