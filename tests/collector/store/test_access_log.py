"""The access log: a write a row, refusals counted, and never more rows than it may have."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import Engine

from collector.store import access_log as log
from collector.store.access_log import (
    OTHERS,
    Refusals,
    begin_write,
    count_refusals,
    find_accesses,
    finish_write,
    forget_write,
)
from collector.store.engine import StoreAddress, migrate_desk, open_desk
from collector.store.tables import access_log, token
from collector.store.tokens import create_token

NOW = datetime(2026, 11, 26, 23, 59, tzinfo=UTC)


@pytest.fixture
def desk(book_address: StoreAddress) -> Iterator[Engine]:
    engine = open_desk(book_address)
    migrate_desk(engine)
    with engine.begin() as connection:
        connection.execute(access_log.delete())
        connection.execute(token.delete())
    yield engine
    engine.dispose()


def refusals(address: str, problem: str = "invalid-token", at: datetime = NOW, times: int = 1) -> Refusals:
    return Refusals(at, at, times, None, address, "GET", "/v1/tools", 401, problem)


def test_a_write_is_there_before_it_is_carried_out(desk: Engine) -> None:
    """Without a status until its end is known; with the name of the token."""
    with desk.begin() as connection:
        made = create_token(
            connection, "shop", ["service"], None, now=NOW, expires_at=NOW + timedelta(days=1)
        )
        first, second, third = (
            begin_write(connection, NOW, made.split(".")[0], "192.0.2.1", "POST", f"/v1/{number}")
            for number in range(3)
        )
        finish_write(connection, second, 201, None)
        forget_write(connection, third)
        rows = find_accesses(connection, last=10)
    assert [(row["access_id"], row["status"]) for row in rows] == [(second, 201), (first, None)]
    assert {row["token_name"] for row in rows} == {"shop"}


def test_refusals_of_one_day_address_and_kind_are_one_row(desk: Engine) -> None:
    """Counted; another day, address or kind begins another."""
    with desk.begin() as connection:
        for times in (1, 4):
            count_refusals(connection, refusals("192.0.2.1", times=times))
        count_refusals(connection, refusals("192.0.2.1", problem="token-needed"))
        count_refusals(connection, refusals("192.0.2.2"))
        count_refusals(connection, refusals("192.0.2.1", at=NOW + timedelta(minutes=1)))
        rows = find_accesses(connection, last=10, refused=True)
    assert [(row["address"], row["problem"], row["times"]) for row in reversed(rows)] == [
        ("192.0.2.1", "invalid-token", 5),
        ("192.0.2.1", "token-needed", 1),
        ("192.0.2.2", "invalid-token", 1),
        ("192.0.2.1", "invalid-token", 1),
    ]


def test_a_flood_of_addresses_is_summed_in_one_row(desk: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """No refusal is lost from the sum, and those counted before go on with their row."""
    monkeypatch.setattr(log, "ROWS_A_DAY", 5)
    with desk.begin() as connection:
        for number in range(50):
            count_refusals(connection, refusals(f"192.0.2.{number}"))
        count_refusals(connection, refusals("192.0.2.3"))
        rows = find_accesses(connection, last=100)
    assert len(rows) == 6
    assert sum(row["times"] for row in rows) == 51
    assert {row["address"]: row["times"] for row in rows}[OTHERS] == 45


def test_old_refusals_go_and_writes_stay(desk: Engine) -> None:
    """With the first refusal of a later day."""
    with desk.begin() as connection:
        begin_write(connection, NOW, None, "127.0.0.1", "POST", "/v1/x")
        count_refusals(connection, refusals("192.0.2.1"))
        count_refusals(connection, refusals("192.0.2.1", at=NOW + timedelta(days=log.DAYS_KEPT)))
        assert len(find_accesses(connection, last=10, refused=True)) == 2
        count_refusals(connection, refusals("192.0.2.1", at=NOW + timedelta(days=log.DAYS_KEPT + 1)))
        assert len(find_accesses(connection, last=10, refused=True)) == 2
        assert len(find_accesses(connection, last=10, refused=False)) == 1


def test_pages_meet(desk: Engine) -> None:
    """Row by row is the same as all at once."""
    with desk.begin() as connection:
        for number in range(5):
            count_refusals(connection, refusals(f"192.0.2.{number}"))
        whole = find_accesses(connection, last=10)
        one_by_one, before = [], None
        while rows := find_accesses(connection, last=1, before=before):
            one_by_one += rows
            before = rows[0]["access_id"]
    assert one_by_one == whole
