"""The book's questions, on SQLite and on PostgreSQL alike, against a naive scan of what was put in."""

import asyncio
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection, event

from collector.errors import AmbiguousModel, AmbiguousTool, NotInBook
from collector.ledger import NO_TOOL
from collector.model import Gap, MountChange, ToolName
from collector.store.engine import StoreAddress, open_book_reader
from collector.store.queries import (
    CycleId,
    CycleKey,
    FaultKey,
    ToolKey,
    count_of_controllers,
    find_book,
    find_conflicts,
    find_controllers,
    find_curve,
    find_cycle,
    find_cycles,
    find_faults,
    find_gaps,
    find_gaps_while_mounted,
    find_last_curves,
    find_mounts,
    find_quarantined,
    find_tool,
    find_tools,
)
from tests.api.plant import (
    AUTUMN,
    BEGAN,
    IDENTITIES,
    MOVED,
    MOVED_TO_1,
    MOVED_TO_2,
    SPRING,
    TWIN_1,
    TWIN_2,
    Plant,
    id_of,
    make_plant,
    writing,
)
from tests.collector.store.told import Told


@pytest.fixture
def plant(book_address: StoreAddress) -> Plant:
    return asyncio.run(make_plant(book_address))


@pytest.fixture
def connection(plant: Plant) -> Iterator[Connection]:
    engine = open_book_reader(plant.address)
    with engine.connect() as connection:
        yield connection
    engine.dispose()


def tool_id(connection: Connection, tool: ToolName) -> int:
    return int(find_tool(connection, tool.serial, tool.maker)["tool_id"])


def test_a_tools_cycles_equal_a_naive_scan_page_by_page(connection: Connection, plant: Plant) -> None:
    """With cycles of the same instant across a page's end."""
    number = tool_id(connection, MOVED)
    truth = [id_of(*each) for each in plant.of(MOVED)]
    assert [each["id"] for each in find_cycles(connection, number, last=1000)] == truth
    for size in (3, 250):
        seen: list[str] = []
        before: CycleKey | None = None
        while page := find_cycles(connection, number, last=size, before=before):
            seen += [each["id"] for each in page]
            newest = page[-1]
            before = CycleKey(
                newest["ended_at"], newest["controller_id"], newest["epoch"], newest["sequence"]
            )
            assert len(seen) <= len(truth)
        assert seen == truth


async def test_cycles_are_read_in_the_order_of_the_index(tmp_path: Path) -> None:
    """The last 500 of a tool cost 500 rows, whatever the size of the book: no sorting, no scan.

    On SQLite, whose planner goes by the statement alone; PostgreSQL's goes by how little is here.
    """
    plant = await make_plant(StoreAddress(folder=tmp_path))
    engine = open_book_reader(plant.address)
    plans: list[str] = []
    with engine.connect() as connection:
        number = tool_id(connection, MOVED)

        @event.listens_for(connection, "before_cursor_execute")
        def explain(_c: object, cursor: Any, statement: str, parameters: object, *_: object) -> None:
            if "FROM cycle" in statement:
                cursor.execute(f"EXPLAIN QUERY PLAN {statement}", parameters)
                plans.append(" ".join(row[3] for row in cursor.fetchall()))

        find_cycles(connection, number, last=500)
        find_cycles(connection, number, before=CycleKey(AUTUMN, 2, 2, 100), since=SPRING, result="ok")
    engine.dispose()
    assert len(plans) == 2
    for plan in plans:
        assert "USING INDEX ix_cycle_tool_id_ended_at_controller_id_epoch_sequence" in plan
        assert "TEMP B-TREE" not in plan


def test_cycles_are_filtered_by_value_and_half_open_interval(connection: Connection, plant: Plant) -> None:
    """Together, and each equal to the naive scan."""
    number = tool_id(connection, MOVED)
    since, until = datetime(2026, 3, 29, 4, 20, tzinfo=UTC), datetime(2026, 10, 25, 5, 20, tzinfo=UTC)
    truth = [
        id_of(name, booked)
        for name, booked in plant.of(MOVED)
        if since <= booked.ended_at < until and booked.cycle.result == "ok" and name == "A-02"
    ]
    found = find_cycles(
        connection, number, last=1000, since=since, until=until, result="ok", controller="A-02"
    )
    assert [each["id"] for each in found] == truth
    assert len(truth) > 50
    with pytest.raises(NotInBook, match="B-01"):
        find_cycles(connection, number, controller="B-01")


def test_a_cycle_comes_back_as_it_was_booked(connection: Connection, plant: Plant) -> None:
    """Every column, to the bit and the microsecond."""
    for name, booked in plant.cycles[::37]:
        found = find_cycle(connection, CycleId(name, booked.epoch, booked.sequence))
        assert found["ended_at"] == booked.ended_at
        assert found["raw"] == booked.cycle.raw
        assert found["peak_tension_n"] == booked.cycle.peak_tension_n
        assert found["extra"] == (booked.cycle.extra or None)
        assert found["controller_time"] == booked.cycle.controller_time.isoformat()  # type: ignore[union-attr]
        assert found["tool"] == {
            "maker": booked.tool.maker,
            "model": booked.tool.model,
            "serial": booked.tool.serial,
        }


@pytest.mark.parametrize(
    "cycle_id", [CycleId("A-02", 2, 10**17), CycleId("A-02", 2**31 - 1, 1), CycleId("x", 1, 1)]
)
def test_a_cycle_that_is_not_there_is_said_to_be_so(connection: Connection, cycle_id: CycleId) -> None:
    """For the curve as for the cycle."""
    for find in (find_cycle, find_curve):
        with pytest.raises(NotInBook, match="not in the book"):
            find(connection, cycle_id)


def test_curves_are_found_by_cycle_and_by_tool(connection: Connection, plant: Plant) -> None:
    """The newest first."""
    found = find_last_curves(connection, tool_id(connection, MOVED), last=7)
    truth = [id_of(*each) for each in plant.of(MOVED) if id_of(*each) in plant.curves]
    assert [each["id"] for each in found] == truth[:7]
    one = find_curve(connection, CycleId.parse(truth[3]))
    assert {name: one[name] for name in ("id", "coded", "scale", "offset")} == {
        name: found[3][name] for name in ("id", "coded", "scale", "offset")
    }


def test_a_serial_number_that_two_makers_share_needs_the_maker(connection: Connection) -> None:
    """And one that a maker gave to two models, the model."""
    with pytest.raises(AmbiguousTool) as told:
        find_tool(connection, "2041")
    assert told.value.makers == [TWIN_1.maker, TWIN_2.maker]
    assert find_tool(connection, "2041", TWIN_1.maker)["model"] == TWIN_1.model
    with pytest.raises(NotInBook):
        find_tool(connection, "2041", "nobody")
    with pytest.raises(NotInBook):
        find_tool(connection, "2041", TWIN_1.maker, "no model")


async def test_one_maker_may_have_given_a_serial_number_to_two_models(book_address: StoreAddress) -> None:
    """Then the model tells them apart."""
    plant = await make_plant(book_address)
    other = replace(MOVED, model="C-5")
    async with writing(plant) as filling:
        await filling.commit("A-01", mounts=(MountChange(other, AUTUMN),))
    engine = open_book_reader(plant.address)
    with engine.connect() as connection:
        with pytest.raises(AmbiguousModel) as told:
            find_tool(connection, MOVED.serial)
        assert told.value.models == ["C-4", "C-5"]
        assert find_tool(connection, MOVED.serial, model="C-5")["model"] == "C-5"
    engine.dispose()


def test_tools_and_mounts_tell_where_a_tool_sat(connection: Connection) -> None:
    """Page by page, in the order of serial number, maker and model."""
    first, second = find_tools(connection, last=2)
    (third,) = find_tools(
        connection, last=2, after=ToolKey(second["serial"], second["maker"], second["model"])
    )
    assert [first["maker"], second["maker"], third["serial"]] == [TWIN_1.maker, TWIN_2.maker, MOVED.serial]
    assert [each["controller"] for each in third["mounted_on"]] == ["A-02"]
    mounts = find_mounts(connection, third["tool_id"])
    assert [(each["controller"], each["unmounted_at"] is None) for each in mounts] == [
        ("A-02", True),
        ("A-01", False),
    ]


def test_controllers_come_with_position_gaps_faults_and_tool(connection: Connection, plant: Plant) -> None:
    """All of one instant, since one transaction reads them."""
    first, second = find_controllers(connection)
    assert find_controllers(connection, "A-02") == [second]
    assert (first["gap_count"], first["gap_cycles"]) == (1, 5)
    assert second["position_sequence"] == plant.positions["A-02"].sequence
    assert second["total_count"] == 2**40
    assert second["settings"] == {"set_torque_nm": 2.5}
    assert [each["serial"] for each in second["tools"]] == [MOVED.serial]
    assert [each["code"] for each in second["open_faults"]] == ["E03"]
    assert first["tools"] == first["open_faults"] == []
    with pytest.raises(NotInBook, match="B-01"):
        find_controllers(connection, "B-01")


def test_controllers_cycles_are_counted_whatever_the_tool(connection: Connection, plant: Plant) -> None:
    """As their own counters do."""
    ids = {each["name"]: each["controller_id"] for each in find_controllers(connection)}
    counted = count_of_controllers(connection, list(ids.values()))
    for name, number in ids.items():
        assert counted[number] == sum(controller == name for controller, _ in plant.cycles)
    assert count_of_controllers(connection, []) == {}


def test_faults_gaps_and_quarantine_page_by_their_keys(connection: Connection) -> None:
    """Each once, newest first."""
    faults = find_faults(connection)
    assert [each["code"] for each in faults] == ["E06", "E03", "E01"]
    key = FaultKey(faults[0]["raised_at"], faults[0]["commit_number"])
    assert find_faults(connection, before=key) == faults[1:]
    assert [each["code"] for each in find_faults(connection, state="open")] == ["E03"]
    assert (
        len(find_faults(connection, state="cleared", controller="A-02", tool_id=tool_id(connection, MOVED)))
        == 2
    )
    assert find_faults(connection, tool_id=tool_id(connection, TWIN_1)) == []
    newest, older = find_gaps(connection)
    assert find_gaps(connection, before=newest["commit_number"]) == [older]
    assert find_gaps(connection, controller="A-01") == [older]
    assert [each["raw"] for each in find_quarantined(connection)] == [b"\x00\xff\x10"]
    assert find_quarantined(connection, controller="A-01") == []


@pytest.mark.parametrize(
    ("after", "before", "concerns"),
    [
        (timedelta(days=2), timedelta(days=2, hours=1), True),
        (timedelta(hours=1), timedelta(hours=2), False),  # before the tool sat there
        (timedelta(days=10), timedelta(days=11), False),  # after it had left
        (timedelta(hours=1), timedelta(days=2), True),  # may have been the other tool's, or this one's
        (None, timedelta(hours=2), False),
        (None, timedelta(days=2), True),
        (timedelta(days=2), None, True),
        (timedelta(days=10), None, False),
        (None, None, True),
    ],
)
async def test_a_gap_concerns_the_tools_that_may_have_been_mounted(
    book_address: StoreAddress, after: timedelta | None, before: timedelta | None, concerns: bool
) -> None:
    """The moved tool sat on A-01 from 1.5 to 3.5 days after the beginning."""
    plant = Plant(book_address)
    async with writing(plant) as filling:
        await filling.writer.register(IDENTITIES)
        await filling.commit("A-01", mounts=(MountChange(TWIN_2, SPRING),))
        await filling.commit("A-01", mounts=(MountChange(MOVED, MOVED_TO_1),))
        await filling.commit("A-01", mounts=(MountChange(None, MOVED_TO_2),))
        bounds = [None if each is None else SPRING + each for each in (after, before)]
        await filling.commit("A-01", gaps=(Gap(1, 5, 9, "history overwritten", *bounds),))
    engine = open_book_reader(book_address)
    with engine.connect() as connection:
        found = find_gaps_while_mounted(connection, tool_id(connection, MOVED))
    engine.dispose()
    assert [each["cycles"] for each in found] == ([5] if concerns else [])


def test_rows_have_plain_text_as_keys(connection: Connection) -> None:
    """The library's own kind of text is refused by JSON writers."""
    rows = [*find_controllers(connection), *find_faults(connection), find_book(connection)]
    assert {type(name) for row in rows for name in row} == {str}


def test_the_book_names_itself(connection: Connection) -> None:
    """Instance, beginning, and the last commit number that was given out."""
    found = find_book(connection)
    assert found["created_at"] == BEGAN
    assert found["commit_number"] > 900


@pytest.mark.parametrize(
    "text",
    [
        "",
        "L1-03",
        "L1-03.1",
        "L1-03.1.x",
        ".1.1",
        f"L1.1.{2**63}",
        f"L1.1.-{2**63 + 1}",
        f"L1.{2**31}.1",
        "L1.-1.1",
    ],
)
def test_what_is_no_cycle_id_is_not_in_the_book(text: str) -> None:
    """Also where the database could not hold the number."""
    with pytest.raises(NotInBook, match="no cycle id"):
        CycleId.parse(text)


def test_a_cycle_id_reads_as_it_is_written() -> None:
    """Controller, epoch, sequence; a controller's name may have points in it."""
    for name in ("L1-03", "a.b"):
        assert CycleId.parse(f"{name}.1.4711") == CycleId(name, 1, 4711)
        assert str(CycleId(name, 1, 4711)) == f"{name}.1.4711"
        assert CycleId.parse(f"{name}.1.-5") == CycleId(name, 1, -5)
        assert str(CycleId(name, 1, -5)) == f"{name}.1.-5"


async def test_only_open_gaps_are_summed(book_address: StoreAddress) -> None:
    """A gap that late cycles have closed is history: what is still missing of it is listed anew."""
    async with writing(Plant(book_address)) as filling:
        await filling.writer.register(IDENTITIES)
        told = Told(filling.writer, "A-01")
        await told.begin(tool=MOVED)
        await told.make(2)
        await told.lose(10)
        await told.make(1)
        await told.find(5, 6)
    engine = open_book_reader(book_address)
    with engine.connect() as connection:
        (controller, _) = find_controllers(connection)
        assert (controller["gap_count"], controller["gap_cycles"]) == (2, 8)
        mine = find_gaps_while_mounted(connection, tool_id(connection, MOVED))
        assert sorted(each["cycles"] for each in mine) == [2, 6]
        gaps = find_gaps(connection)
        assert [(each["state"], each["cycles"]) for each in gaps] == [
            ("open", 6),
            ("open", 2),
            ("closed", 10),
        ]
        assert {each["part_of"] for each in gaps[:2]} == {gaps[2]["commit_number"]}
        assert find_gaps(connection, state="open") == gaps[:2]
        assert find_gaps(connection, state="closed") == gaps[2:]
    engine.dispose()


async def test_a_tool_on_two_controllers_is_a_conflict(book_address: StoreAddress) -> None:
    """Known by maker, model and serial together; the unknown tool is none."""
    plant = await make_plant(book_address)
    async with writing(plant) as filling:
        await filling.mount("A-01", replace(MOVED, maker="Example Tools"), AUTUMN)
        engine = open_book_reader(plant.address)
        with engine.connect() as connection:
            assert find_conflicts(connection) == []
        for tool in (NO_TOOL, MOVED):
            for name in ("A-01", "A-02"):
                await filling.mount(name, tool, AUTUMN)
        with engine.connect() as connection:
            (found,) = find_conflicts(connection)
            number = tool_id(connection, MOVED)
            assert found["controllers"] == {"A-01": AUTUMN, "A-02": AUTUMN}
            assert find_conflicts(connection, number) == [found]
            assert find_conflicts(connection, number + 1000) == []
            assert [each["conflicts"] for each in find_controllers(connection)] == [[found], [found]]
    engine.dispose()
