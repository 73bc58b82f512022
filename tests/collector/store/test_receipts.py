"""Receipts on the desk, on both databases."""

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest
from sqlalchemy import Connection, Engine

from collector.store.engine import StoreAddress, migrate_desk, open_desk
from collector.store.receipts import (
    Lag,
    count_receipts,
    drop_receipts,
    find_lag,
    find_receipts,
    keep_receipt,
)
from collector.store.tables import receipt

NOW = datetime(2026, 11, 26, 2, tzinfo=UTC)


@pytest.fixture
def desk(book_address: StoreAddress) -> Iterator[Engine]:
    engine = open_desk(book_address)
    migrate_desk(engine)
    with engine.begin() as connection:  # on PostgreSQL the desk of the test before is still there
        connection.execute(receipt.delete())
    yield engine
    engine.dispose()


def keep(desk: Connection, consumer: str, line: str | None, commit_number: int = 7) -> None:
    told: dict[str, Any] = {"token_id": None, "lines": ["line-1", "line-2"], "book": "b", "now": NOW}
    keep_receipt(desk, consumer, line=line, commit_number=commit_number, **told)


def kept(desk: Connection) -> list[tuple[str, str | None, int]]:
    return [(each["consumer"], each["line"], each["commit_number"]) for each in find_receipts(desk)]


def test_a_receipt_replaces_what_it_contradicts(desk: Engine) -> None:
    """One of a line the same line's; one of all, all; and no other consumer's."""
    with desk.begin() as connection:
        keep(connection, "erp", None)
        keep(connection, "mes", "line-1", 3)
        keep(connection, "mes", "line-2", 4)
        keep(connection, "mes", "line-1", 2**40)
        assert kept(connection) == [("erp", None, 7), ("mes", "line-1", 2**40), ("mes", "line-2", 4)]
        keep(connection, "mes", None, 9)
        assert kept(connection) == [("erp", None, 7), ("mes", None, 9)]
        keep(connection, "mes", "line-1", 5)
        assert kept(connection) == [("erp", None, 7), ("mes", "line-1", 5)]
        assert count_receipts(connection) == 2
        (found,) = find_receipts(connection, "mes")
        assert (found["lines"], found["told_at"], found["token_name"]) == (["line-1", "line-2"], NOW, None)
        assert drop_receipts(connection, "mes")
        assert not drop_receipts(connection, "mes")


def test_without_statements_nobody_lags(book_reader: Engine) -> None:
    """Nothing is not since when."""
    with book_reader.connect() as connection:
        for lines in (None, ["line-1"], []):
            assert find_lag(connection, 0, lines) == Lag(0, None)
