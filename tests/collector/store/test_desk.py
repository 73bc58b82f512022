"""The desk: services by the tool's own name, acknowledgements by book and finding, each once, on SQLite and
PostgreSQL alike."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine

from collector.errors import StoreError
from collector.model import ToolName
from collector.store.desk import (
    find_acknowledgements,
    find_service_dates,
    find_services,
    record_acknowledgement,
    record_service,
)
from collector.store.engine import StoreAddress, migrate_desk, open_desk, open_desk_reader, store_errors
from collector.store.instances import Lineage
from collector.store.tables import acknowledgement, service

TOOL = ToolName("Sample Works", "C-4", "2042")
DONE = datetime(2026, 10, 25, tzinfo=UTC)


@pytest.fixture
def desk(book_address: StoreAddress) -> Iterator[Engine]:
    engine = open_desk(book_address)
    migrate_desk(engine)
    with engine.begin() as connection:
        connection.execute(service.delete())
        connection.execute(acknowledgement.delete())
    yield engine
    engine.dispose()


def record(desk: Engine, tool: ToolName, at: datetime, by: str = "Fitter 7", remark: str = "") -> bool:
    with desk.begin() as connection:
        return record_service(
            connection, tool, done_at=at, done_by=by, remark=remark, at_count=12, recorded_at=DONE
        )


def test_services_come_back_newest_first(desk: Engine) -> None:
    """By when they were done, not by when they were recorded."""
    for days in (1, 3, 2):
        assert record(desk, TOOL, DONE + timedelta(days=days))
    with desk.connect() as connection:
        found = find_services(connection, TOOL)
    assert [(each["done_at"] - DONE).days for each in found] == [3, 2, 1]
    assert {each["at_count"] for each in found} == {12}


def test_the_dates_of_all_services_come_by_tool(desk: Engine) -> None:
    """Oldest first."""
    other = ToolName("Example Tools", "C-4", "2042")
    for tool, days in ((TOOL, 3), (other, 2), (TOOL, 1)):
        record(desk, tool, DONE + timedelta(days=days))
    with desk.connect() as connection:
        dates = find_service_dates(connection)
    assert {tool: [(at - DONE).days for at in found] for tool, found in dates.items()} == {
        TOOL: [1, 3],
        other: [2],
    }


def test_the_same_service_is_recorded_once(desk: Engine) -> None:
    """Same tool, instant and person; what stands there stays as it is."""
    assert record(desk, TOOL, DONE, remark="first")
    assert not record(desk, TOOL, DONE, remark="second")
    assert record(desk, TOOL, DONE, by="Fitter 8")
    with desk.connect() as connection:
        assert sorted(each["remark"] for each in find_services(connection, TOOL)) == ["", "first"]


def test_tools_that_share_a_serial_number_are_kept_apart(desk: Engine) -> None:
    """Maker, model and serial number together name a tool."""
    record(desk, TOOL, DONE)
    with desk.connect() as connection:
        assert find_services(connection, ToolName("Example Tools", "C-4", "2042")) == []
        assert find_services(connection, ToolName("Sample Works", "C-5", "2042")) == []


# ---- findings acknowledged ---------------------------------------------------------------------------------


def acknowledge(desk: Engine, number: int, by: str = "Engineer 3", remark: str = "", book: str = "a") -> bool:
    with desk.begin() as connection:
        return record_acknowledgement(
            connection, Lineage(book, ()), number, acknowledged_by=by, remark=remark, acknowledged_at=DONE
        )


def test_an_acknowledgement_is_recorded_once(desk: Engine) -> None:
    """Same finding, person and remark; another remark is another one, oldest first."""
    assert acknowledge(desk, 7, remark="seen")
    assert not acknowledge(desk, 7, remark="seen")
    assert acknowledge(desk, 7, remark="punch ordered")
    assert acknowledge(desk, 7, by="Fitter 7", remark="seen")
    with desk.connect() as connection:
        found = find_acknowledgements(connection, Lineage("a", ()), [7, 8])
    assert [(each["acknowledged_by"], each["remark"]) for each in found[7]] == [
        ("Engineer 3", "seen"),
        ("Engineer 3", "punch ordered"),
        ("Fitter 7", "seen"),
    ]
    assert found[8] == []


def test_a_finding_of_another_book_is_another_finding(desk: Engine) -> None:
    """A restored backup gives the same numbers to other findings."""
    assert acknowledge(desk, 7, book="a")
    with desk.connect() as connection:
        assert find_acknowledgements(connection, Lineage("b", ()), [7]) == {7: []}


def test_what_was_acknowledged_before_a_restore_stays_so(desk: Engine) -> None:
    """As long as the book has the finding; one that went with what was lost has given its number away."""
    assert acknowledge(desk, 7, book="a")
    assert acknowledge(desk, 9, book="a")
    assert acknowledge(desk, 9, book="b", remark="another one")
    now = Lineage("b", [("a", 8)])
    with desk.connect() as connection:
        found = find_acknowledgements(connection, now, [7, 9])
    assert [(number, each["remark"]) for number in found for each in found[number]] == [
        (7, ""),
        (9, "another one"),
    ]
    with desk.begin() as connection:
        again = {"acknowledged_by": "Engineer 3", "remark": "", "acknowledged_at": DONE}
        assert not record_acknowledgement(connection, now, 7, **again)


def test_the_collector_can_read_the_desk_and_not_write_it(desk: Engine, book_address: StoreAddress) -> None:
    """What people record is the API's alone to write."""
    record(desk, TOOL, DONE)
    reader = open_desk_reader(book_address)
    with store_errors(), reader.connect() as connection:
        assert find_service_dates(connection) == {TOOL: [DONE]}
    with pytest.raises(StoreError), store_errors(), reader.begin() as connection:
        connection.execute(service.delete())
    reader.dispose()


def test_a_desk_that_is_not_there_yet_is_named(tmp_path: Path) -> None:
    """With who makes it; nothing is made by asking."""
    reader = open_desk_reader(StoreAddress(folder=tmp_path))
    with pytest.raises(StoreError, match=r"there is no desk at .*; start the API first"):
        with store_errors(), reader.connect():
            pass
    assert list(tmp_path.iterdir()) == []
