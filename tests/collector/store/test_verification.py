"""Verification: what was stated is counted again, its chain is followed, and what was changed shows."""

from collections.abc import AsyncIterator, Callable
from datetime import timedelta
from typing import Any

import orjson
import pytest
from sqlalchemy import Connection, Engine

from collector.canonical_json import canonical
from collector.statements import hash_of
from collector.store import tables
from collector.store.instances import renew
from collector.store.verification import find_verification
from tests.collector.store.line_rig import MET, LineRig, line_rig

statement, cycle = tables.statement, tables.cycle
HOUR = timedelta(hours=1)


@pytest.fixture
async def line(book_engine: Engine, book_reader: Engine) -> AsyncIterator[LineRig]:
    """Two days, with a gap that was filled in two steps after its shift was closed."""
    async with line_rig(book_engine, book_reader, "L1-01", "L1-02") as rig:
        await rig.work("L1-01", *(MET + HOUR * each for each in range(1, 40)))
        await rig.lose("L1-02", MET + HOUR, MET + 2 * HOUR, MET + 3 * HOUR)
        await rig.read_through(MET + 47 * HOUR)
        await rig.close(MET + 47 * HOUR)
        await rig.find("L1-02", 2)
        await rig.close(MET + 48 * HOUR)
        await rig.find("L1-02", 1, 3)
        await rig.close(MET + 49 * HOUR)
        yield rig


def verified(line: LineRig) -> dict[str, Any]:
    with line.reader.connect() as connection:
        return find_verification(connection)


async def test_what_was_stated_is_verified(line: LineRig) -> None:
    """Every revision, also those that were replaced; the head of the chain can be noted."""
    found = verified(line)
    assert (found["verified"], found["mistakes"], found["pending"]) == (True, [], [])
    assert found["statements"] == len(line.bodies()) == len(line.latest()) + 2
    assert found["head"] == hash_of(canonical(line.bodies()[-1]))


async def test_what_came_since_is_pending_and_not_wrong(line: LineRig) -> None:
    """A statement says what was known; that more is known now is no mistake of it."""
    await line.lose("L1-02", MET + 47 * HOUR)
    await line.read_through(MET + 60 * HOUR)
    await line.close(MET + 60 * HOUR)
    await line.find("L1-02", 4)
    found = verified(line)
    assert found["verified"]
    assert ["something came since revision 1" in each for each in found["pending"]] == [True]


async def test_the_chain_goes_over_the_instances_of_a_book(line: LineRig) -> None:
    """Each statement names the instance that gave its number out; what is changed shows as before."""
    await line.writer._call(lambda connection: renew(connection, MET + 50 * HOUR, "it was restored"))
    await line.read_through(MET + 60 * HOUR)
    await line.close(MET + 60 * HOUR)
    found = verified(line)
    assert (found["verified"], found["mistakes"]) == (True, [])
    assert len({each["book"] for each in line.bodies()}) == 2
    for spoil, says in ((said_of_another_book, "its book is"), (one_more, "is not the one that was hashed")):
        await line.writer._call(spoil)
        assert any(says in each for each in verified(line)["mistakes"])


async def test_without_statements_nothing_is_verified(book_engine: Engine, book_reader: Engine) -> None:
    """Which is not the same as good."""
    async with line_rig(book_engine, book_reader, "L1-01") as rig:
        assert verified(rig)["verified"] is None


def one_more(connection: Connection) -> None:
    """In the text alone."""
    row = connection.execute(statement.select().order_by(statement.c.commit_number)).first()
    assert row is not None
    body = orjson.loads(row.body)
    body["rows"][0]["cycles"] += 1
    body["rows"][0]["by_result"]["ok"] += 1
    body["rows"][0]["by_completion"]["completed"] += 1
    change(connection, row.commit_number, body=canonical(body))


def one_more_and_hashed(connection: Connection) -> None:
    """With a hash that fits, but not the one that the next statement names."""
    one_more(connection)
    row = connection.execute(statement.select().order_by(statement.c.commit_number)).first()
    assert row is not None
    change(connection, row.commit_number, hash=hash_of(row.body))


def taken_out(connection: Connection) -> None:
    row = connection.execute(statement.select().order_by(statement.c.commit_number)).all()[1]
    connection.execute(statement.delete().where(statement.c.commit_number == row.commit_number))


def said_complete(connection: Connection) -> None:
    row = connection.execute(statement.select().order_by(statement.c.commit_number)).first()
    assert row is not None
    change(connection, row.commit_number, complete=not row.complete)


def said_of_another_book(connection: Connection) -> None:
    """In the last, with a hash that fits: no other statement names it."""
    row = connection.execute(statement.select().order_by(statement.c.commit_number.desc())).first()
    assert row is not None
    body = canonical(orjson.loads(row.body) | {"book": "another"})
    change(connection, row.commit_number, body=body, hash=hash_of(body))


def a_cycle_gone(connection: Connection) -> None:
    connection.execute(cycle.delete().where(cycle.c.controller_id == 1, cycle.c.sequence == 3))


def a_result_changed(connection: Connection) -> None:
    of_it = cycle.update().where(cycle.c.controller_id == 1, cycle.c.sequence == 3)
    connection.execute(of_it.values(result="nok"))


def change(connection: Connection, number: int, **values: Any) -> None:
    connection.execute(statement.update().where(statement.c.commit_number == number).values(**values))


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (one_more, "its text is not the one that was hashed"),
        (one_more, "the cycles give"),
        (one_more_and_hashed, "it does not follow the statement before it"),
        (one_more_and_hashed, "the cycles give"),
        (taken_out, "it does not follow the statement before it"),
        (said_complete, "its complete is"),
        (said_of_another_book, "its book is"),
        (a_cycle_gone, "the cycles give"),
        (a_result_changed, "the cycles give"),
    ],
)
async def test_what_was_changed_afterwards_shows(
    line: LineRig, book_engine: Engine, spoil: Callable[[Connection], None], says: str
) -> None:
    """In the statements or in the cycles under them."""
    await line.writer._call(spoil)
    found = verified(line)
    assert found["verified"] is False
    assert any(says in each for each in found["mistakes"]), found["mistakes"]
