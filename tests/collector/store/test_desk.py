"""The desk: services by the tool's own name, acknowledgements by book and finding, each once, corrected by
further records alone, on SQLite and PostgreSQL alike."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Connection, Engine

from collector.errors import NotCorrectable, StoreError
from collector.model import ToolName
from collector.store.desk import (
    find_acknowledgements,
    find_desk,
    find_service_dates,
    find_service_records,
    find_services,
    record_acknowledgement,
    record_service,
    withdraw_service,
)
from collector.store.engine import StoreAddress, migrate_desk, open_desk, open_desk_reader, store_errors
from collector.store.instances import Lineage
from collector.store.tables import acknowledgement, service
from collector.store.tables import desk as desk_row

TOOL = ToolName("Sample Works", "C-4", "2042")
DONE = datetime(2026, 10, 25, tzinfo=UTC)


@pytest.fixture
def desk(book_address: StoreAddress) -> Iterator[Engine]:
    engine = open_desk(book_address)
    migrate_desk(engine)
    with engine.begin() as connection:
        connection.execute(service.delete())
        connection.execute(acknowledgement.delete())
        connection.execute(desk_row.update().values(commit_number=0))
    yield engine
    engine.dispose()


def record(desk: Engine, tool: ToolName, at: datetime, by: str = "Fitter 7", remark: str = "") -> bool:
    with desk.begin() as connection:
        _, is_new = record_service(
            connection, tool, done_at=at, done_by=by, remark=remark, at_count=12, recorded_at=DONE
        )
        return is_new


def correct(connection: Connection, number: int, days: int, by: str = "Fitter 7", remark: str = "") -> Any:
    return record_service(
        connection, TOOL, done_at=DONE + timedelta(days=days), done_by=by, remark=remark, at_count=13,
        recorded_at=DONE, corrects=number,
    )  # fmt: skip


def withdraw(connection: Connection, number: int, tool: ToolName = TOOL) -> Any:
    return withdraw_service(connection, tool, number, remark="", recorded_at=DONE)


def days_of(connection: Connection) -> list[int]:
    """Of the services that count, the newest first."""
    found = [(each["done_at"] - DONE).days for each in find_services(connection, TOOL)]
    dates = find_service_dates(connection).get(TOOL, [])
    assert [(at - DONE).days for at in dates] == found[::-1]
    return found


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


# ---- corrections -------------------------------------------------------------------------------------------


def test_a_correction_stands_in_the_place_of_what_it_corrects(desk: Engine) -> None:
    """Which stays on record as it was, and says by what it is corrected."""
    record(desk, TOOL, DONE, remark="new punch")
    with desk.begin() as connection:
        made, is_new = correct(connection, 1, days=2)
        assert (made["commit_number"], made["corrects"], is_new) == (2, 1, True)
        assert days_of(connection) == [2]
        second, first = find_service_records(connection, TOOL)
    assert second == made
    assert (first["done_at"], first["remark"], first["at_count"]) == (DONE, "new punch", 12)
    assert (first["corrected_by"], second["corrected_by"]) == (2, None)


def test_what_was_withdrawn_does_not_count_until_that_is_corrected(desk: Engine) -> None:
    """The withdrawal has instant, person and count of what it withdraws."""
    record(desk, TOOL, DONE)
    with desk.begin() as connection:
        made, _ = withdraw(connection, 1)
        assert (made["done_at"], made["done_by"], made["at_count"]) == (DONE, "Fitter 7", 12)
        assert days_of(connection) == []
        correct(connection, 2, days=0)
        assert days_of(connection) == [0]


def test_a_record_is_corrected_once(desk: Engine) -> None:
    """The same correction again is the one that stands there; another one is refused with what to do."""
    record(desk, TOOL, DONE)
    with desk.begin() as connection:
        made, _ = correct(connection, 1, days=2)
        assert correct(connection, 1, days=2) == (made, False)
        for other in (lambda: correct(connection, 1, days=3), lambda: withdraw(connection, 1)):
            with pytest.raises(
                NotCorrectable, match="1 was corrected already, by record 2: correct that one"
            ):
                other()
        withdrawn, _ = withdraw(connection, 2)
        assert withdraw(connection, 2) == (withdrawn, False)
        with pytest.raises(NotCorrectable, match="3 says already that the service was not done"):
            withdraw(connection, 3)
        assert find_desk(connection)["commit_number"] == 3


def test_a_record_of_another_tool_can_not_be_corrected(desk: Engine) -> None:
    """Nor one that there is not."""
    record(desk, TOOL, DONE)
    other = ToolName("Example Tools", "C-4", "2042")
    with desk.begin() as connection:
        for number, tool in ((1, other), (2, TOOL)):
            with pytest.raises(NotCorrectable, match=f"2042 has no service record {number}"):
                withdraw(connection, number, tool)


def test_no_service_stands_there_twice_by_a_correction(desk: Engine) -> None:
    """The second record of it is to be withdrawn."""
    record(desk, TOOL, DONE)
    record(desk, TOOL, DONE + timedelta(days=1))
    with desk.begin() as connection:
        with pytest.raises(NotCorrectable, match=r"1 is of the same service.*: withdraw record 2 instead"):
            correct(connection, 2, days=0)
        assert days_of(connection) == [1, 0]


def test_a_service_that_was_corrected_is_not_recorded_anew_by_its_request_sent_again(desk: Engine) -> None:
    """It may come late: it gets its own record, which says that it was corrected."""
    record(desk, TOOL, DONE)
    with desk.begin() as connection:
        correct(connection, 1, days=2)
        again, is_new = record_service(
            connection, TOOL, done_at=DONE, done_by="Fitter 7", remark="", at_count=99, recorded_at=DONE
        )
    assert (again["commit_number"], again["corrected_by"], again["at_count"], is_new) == (1, 2, 12, False)


DOINGS = st.lists(
    st.tuples(
        st.sampled_from(["record", "correct", "withdraw"]),
        st.integers(1, 8),
        st.integers(0, 3),
        st.sampled_from(["Fitter 7", "Fitter 8"]),
    ),
    max_size=12,
)


@pytest.fixture(scope="module")
def own_desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Engine]:
    engine = open_desk(StoreAddress(folder=tmp_path_factory.mktemp("desk")))
    migrate_desk(engine)
    yield engine
    engine.dispose()


@given(doings=DOINGS)
def test_whatever_people_do_no_record_changes_and_numbers_have_no_holes(
    own_desk: Engine, doings: list[tuple[str, int, int, str]]
) -> None:
    """What counts are the ends of the chains that are not withdrawals, each service once."""
    with own_desk.connect() as connection, connection.begin() as transaction:
        stood: dict[int, dict[str, Any]] = {}
        for what, number, days, by in doings:
            try:
                if what == "record":
                    at = DONE + timedelta(days=days)
                    record_service(
                        connection, TOOL, done_at=at, done_by=by, remark="", at_count=0, recorded_at=DONE
                    )
                elif what == "correct":
                    correct(connection, number, days, by)
                else:
                    withdraw(connection, number)
            except NotCorrectable:
                assert find_desk(connection)["commit_number"] == len(stood)
            found = {row["commit_number"]: row for row in find_service_records(connection, TOOL)}
            assert sorted(found) == list(range(1, find_desk(connection)["commit_number"] + 1))
            for each, row in stood.items():
                assert found[each] | {"corrected_by": None} == row | {"corrected_by": None}
                assert row["corrected_by"] in (None, found[each]["corrected_by"])
            stood = found
        ends = set(stood) - {row["corrects"] for row in stood.values()}
        counts = {each for each in ends if not stood[each]["withdrawn"]}
        services = find_services(connection, TOOL)
        assert {row["commit_number"] for row in services} == counts
        assert len({(row["done_at"], row["done_by"]) for row in services}) == len(services)
        transaction.rollback()


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
