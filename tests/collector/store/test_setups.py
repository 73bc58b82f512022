"""What is set at a station, the pressure proven there before, and curves to learn from: on both databases."""

from datetime import datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Connection, Engine

from collector.model import Entry, MountChange, Position, SettingChange, Status, StatusSeen, Value
from collector.store.changes import find_mounts_within, find_settings_of_tool
from collector.store.features import find_features_of
from collector.store.good_curves import find_good_curves, state_at
from collector.store.measures import Restart, find_restarts
from collector.store.queries import Record, find_tool
from collector.store.setups import find_proven, find_setups
from collector.store.writer import Writer
from tests.collector.store.rigs import IDENTITIES, MORNING, OTHER_TOOL, TOOL, curve, cycle

MODEL = (TOOL.maker, TOOL.model)
BANDS = ("THIN", "THICK")
THIN: dict[str, Any] = {"band": "THIN", "punch_pressure_kpa": 330.0, "mode": "automatic"}


def at(number: float) -> datetime:
    """When cycle so-and-so ends."""
    return MORNING + timedelta(seconds=10 * number)


def change(setting: str, before: Value, after: Value, number: float) -> SettingChange:
    """Set just after a cycle."""
    return SettingChange(setting, before, after, at(number), at(number + 0.5))


@pytest.fixture
async def book(book_engine: Engine, book_reader: Engine) -> Engine:
    """Cycles 1 to 30 with the thin band, each tenth with a curve, 31 to 35 with the thick one."""
    cycles = [cycle(number, **THIN) for number in range(1, 31)]
    cycles += [cycle(number, band="THICK", mode="automatic") for number in range(31, 36)]
    changes = (
        change("band", "THIN", "THICK", 30),
        change("punch_pressure_kpa", 330.0, 480.0, 33),
    )
    settings = {"band": "THICK", "punch_pressure_kpa": 480.0, "set_torque_nm": True}
    status = Status(35, tool=TOOL, supply_pressure_kpa=600.0, settings=settings)
    async with Writer(book_engine, now=lambda: MORNING) as writer:
        await writer.register(IDENTITIES)
        await writer.commit(
            Entry(
                "L1-01",
                None,
                Position(1, 35),
                cycles=tuple(cycles),
                curves=tuple(curve(number) for number in (10, 20, 30)),
                mounts=(MountChange(TOOL, MORNING),),
                settings=changes,
                seen=StatusSeen(status, at(36), None, None),
            )
        )
    return book_reader


def station(connection: Connection) -> Record:
    (found,) = find_setups(connection, "L1-01")
    return found


def test_what_is_set_is_the_statuss_else_the_last_cycles(book: Engine) -> None:
    """What has another form than the setting (here true for a torque) is taken for not told."""
    with book.connect() as connection:
        found = station(connection)
    assert found["set"] == {
        "band": "THICK",
        "set_torque_nm": None,
        "tension_speed_mm_s": None,
        "punch_pressure_kpa": 480.0,
        "supply_pressure_kpa": 600.0,
    }
    assert set(found["told_by"].values()) == {"status"}
    assert found["last_cycle"]["id"] == "L1-01.1.35"


def test_the_pressure_of_the_band_before_is_proven_by_its_cycles(book: Engine) -> None:
    """All 30; not for another model's tool, and not where that band is unknown."""
    with book.connect() as connection:
        found = find_proven(connection, station(connection), MODEL, BANDS)
        other_model = find_proven(connection, station(connection), (TOOL.maker, "N50"), BANDS)
        unknown_band = find_proven(connection, station(connection), MODEL, ("THICK",))
    assert found == {
        "band": "THIN",
        "punch_pressure_kpa": 330.0,
        "cycles": 30,
        "ok": 30,
        "from_at": at(1),
        "to_at": at(30),
        "first_cycle": "L1-01.1.1",
        "last_cycle": "L1-01.1.30",
    }
    assert (other_model, unknown_band) == (None, None)


def test_good_curves_are_found_oldest_first(book: Engine) -> None:
    """Of one band, within a state, as many as are asked for; their features beside them."""
    with book.connect() as connection:
        tool_id = find_tool(connection, TOOL.serial)["tool_id"]
        restarts = find_restarts(connection, tool_id, [at(15)])
        now = find_good_curves(connection, tool_id, "THIN", state_at(restarts))
        thin = find_good_curves(connection, tool_id, "THIN", state_at(restarts, at(20)))
        nameless = find_good_curves(connection, tool_id, None, state_at(restarts, at(20)))
        features = find_features_of(connection, [(1, 1, 10), (1, 1, 11), (1, 1, 30)])
    assert [each["id"] for each in thin] == ["L1-01.1.20", "L1-01.1.30"]
    assert (now, nameless) == ([], [])
    assert set(features) == {(1, 1, 10), (1, 1, 30)}


async def test_a_tool_felt_what_was_set_from_when_it_came_to_when_it_last_left(
    book_engine: Engine, book_reader: Engine
) -> None:
    """Also what was set while another tool sat in its place for a while."""
    said = [("came", TOOL, 10), ("away", OTHER_TOOL, 20), ("back", TOOL, 30), ("gone", OTHER_TOOL, 40)]
    async with Writer(book_engine, now=lambda: MORNING) as writer:
        await writer.register(IDENTITIES)
        for _, tool, number in said:
            await writer.commit(Entry("L1-01", None, None, mounts=(MountChange(tool, at(number)),)))
        changes = tuple(change("band", number, number + 1, number) for number in (5, 15, 25, 35, 45))
        await writer.commit(Entry("L1-01", None, None, settings=changes))
    with book_reader.connect() as connection:
        tool_id = find_tool(connection, TOOL.serial)["tool_id"]
        felt = find_settings_of_tool(connection, tool_id, at(0), at(50))
        late = find_settings_of_tool(connection, tool_id, at(26), at(50))
        mounts = find_mounts_within(connection, at(20), at(35), tool_id=tool_id)
        on_controller = find_mounts_within(connection, at(20), at(35), controller_id=1)
    assert [each["before"] for each in felt] == [35, 25, 15]
    assert [each["before"] for each in late] == [35]
    assert [each["mounted_at"] for each in mounts] == [at(30), at(10)]
    assert [each["serial"] for each in on_controller] == ["T-1001", "T-1002", "T-1001"]


@given(st.lists(st.tuples(st.integers(0, 50), st.integers(0, 5)), max_size=8), st.integers(0, 60))
def test_a_state_never_reaches_over_a_restart(said: list[tuple[int, int]], number: int) -> None:
    """It holds the cycle that it was asked for, and no restart lies within it; what may be of the state
    before is not of it."""
    restarts = sorted(Restart(at(begin), "settings changed", "", at(begin + later)) for begin, later in said)
    state = state_at(restarts, at(number))
    if state.begun_by is not None:
        assert state.begun_by.at < at(number)
        assert state.after is not None
        assert state.after >= state.begun_by.seen_at
    assert state.until is None or state.until >= at(number)
    begin = state.begun_by.at if state.begun_by else at(-1)
    assert not [
        each for each in restarts if begin < each.at and (state.until is None or each.at < state.until)
    ]
    assert state_at(restarts).until is None
