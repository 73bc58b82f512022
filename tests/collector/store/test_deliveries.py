"""How far receivers were told, and what they did not take: the same on SQLite and on PostgreSQL."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import Connection, Engine

from collector.store.deliveries import (
    Place,
    count_deliveries,
    find_deliveries,
    find_due,
    find_place,
    keep_place,
    next_due_at,
    note_attempt,
    note_taken,
    put_aside,
    resume,
    send_again,
)
from collector.store.engine import StoreAddress, migrate_desk, open_desk
from collector.store.feed import Reached
from collector.store.tables import delivery, told

BOOK, DESK = Reached("book-1", 7), Reached("desk-1", 3)
NOW = datetime(2026, 11, 26, 2, tzinfo=UTC)
SECOND = timedelta(seconds=1)


@pytest.fixture
def desk(book_address: StoreAddress) -> Iterator[Engine]:
    engine = open_desk(book_address)
    migrate_desk(engine)
    with engine.begin() as connection:  # on PostgreSQL the desk of the test before is still there
        connection.execute(delivery.delete())
        connection.execute(told.delete())
    yield engine
    engine.dispose()


def put(desk: Connection, number: int, receiver: str = "mes", wait: timedelta = SECOND) -> None:
    put_aside(
        desk, receiver, Reached("book-1", number), kind="gap.listed", attempts=1, error="answered 500",
        at=NOW, next_at=NOW + wait,
    )  # fmt: skip


def numbers(desk: Connection, now: datetime, receiver: str = "mes") -> list[int]:
    return [row["commit_number"] for row in find_due(desk, receiver, now, last=10)]


def test_a_place_is_kept_and_moves_on(desk: Engine) -> None:
    """One row a receiver; the numbers of commits have 64 bits."""
    with desk.begin() as connection:
        assert find_place(connection, "mes") is None
        far = Reached("book-2", 2**62)
        for place in (Place(BOOK, DESK, NOW), Place(far, Reached("desk-2", 2**61), NOW + SECOND)):
            keep_place(connection, "mes", place)
            keep_place(connection, "broker", Place(BOOK, DESK, NOW))
            assert find_place(connection, "mes") == place


def test_a_receiver_that_was_stopped_is_resumed_where_it_was(desk: Engine) -> None:
    """The reason is gone, the place is not."""
    with desk.begin() as connection:
        keep_place(connection, "mes", Place(BOOK, DESK, NOW, "answered 410"))
        found = find_place(connection, "mes")
        assert found is not None
        assert found.stopped_because == "answered 410"
        resume(connection, "mes")
        assert find_place(connection, "mes") == Place(BOOK, DESK, NOW)


def test_what_was_put_aside_is_due_in_its_time(desk: Engine) -> None:
    """Of one receiver, the longest waiting first; put aside twice, it is there once."""
    with desk.begin() as connection:
        put(connection, 3, wait=2 * SECOND)
        put(connection, 4)
        put(connection, 4, wait=9 * SECOND)
        put(connection, 5, receiver="andon")
        assert next_due_at(connection, "mes") == NOW + SECOND
        assert numbers(connection, NOW) == []
        assert numbers(connection, NOW + SECOND) == [4]
        assert numbers(connection, NOW + 3 * SECOND) == [4, 3]
        assert next_due_at(connection, "broker") is None


def test_the_same_number_of_book_and_desk_is_two_events(desk: Engine) -> None:
    """Each is put aside by itself."""
    with desk.begin() as connection:
        put(connection, 3)
        put_aside(
            connection, "mes", DESK, kind="service.recorded", attempts=1, error="", at=NOW, next_at=NOW
        )  # fmt: skip
        assert numbers(connection, NOW + SECOND) == [3, 3]


def test_an_attempt_puts_it_off_or_ends_it(desk: Engine) -> None:
    """Dead, it is due no more, and stays listed."""
    with desk.begin() as connection:
        put(connection, 3)
        (number,) = [row["delivery_id"] for row in find_deliveries(connection, last=10)]
        note_attempt(connection, number, error="answered 502", at=NOW + SECOND, next_at=NOW + 5 * SECOND)
        assert numbers(connection, NOW + 2 * SECOND) == []
        note_attempt(connection, number, error="answered 404", at=NOW + 5 * SECOND, next_at=None)
        (dead,) = find_deliveries(connection, last=10, state="dead")
        assert (dead["attempts"], dead["last_error"], dead["next_at"]) == (3, "answered 404", None)
        assert count_deliveries(connection) == {("mes", "dead"): 1}
        assert next_due_at(connection, "mes") is None
        again = send_again(connection, number, NOW + 60 * SECOND)
        assert again is not None
        assert (again["state"], again["since"]) == ("waiting", NOW + 60 * SECOND)
        assert numbers(connection, NOW + 60 * SECOND) == [3]
        note_taken(connection, number)
        assert find_deliveries(connection, last=10) == []
        assert send_again(connection, number, NOW) is None


def test_pages_meet(desk: Engine) -> None:
    """Newest first, by state and by receiver."""
    with desk.begin() as connection:
        for number in range(1, 8):
            put(connection, number, receiver="mes" if number % 2 else "andon")
        first = find_deliveries(connection, last=3, receiver="mes")
        rest = find_deliveries(connection, last=3, before=first[-1]["delivery_id"], receiver="mes")
        assert [row["commit_number"] for row in (*first, *rest)] == [7, 5, 3, 1]
        assert find_deliveries(connection, last=3, state="dead") == []
