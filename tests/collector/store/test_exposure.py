"""What faults came out of: cycles of any stretches equal a full scan, hours are those of the mounts."""

from collections import Counter
from collections.abc import AsyncIterator, Iterator
from datetime import datetime, timedelta
from itertools import count
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Connection, Engine, select

from collector.model import (
    Entry,
    FaultCleared,
    FaultRaised,
    Gap,
    MountChange,
    Position,
    Status,
    StatusSeen,
    ToolName,
)
from collector.store import tables
from collector.store.exposure import (
    Fault,
    Mounted,
    Scope,
    count_cycles,
    count_stretches,
    find_faults_of,
    find_mounted,
    find_places,
    find_tool_names,
    gap_cycles_in,
    hours_in,
)
from collector.store.tables import from_us, to_us
from collector.store.tallies import BUCKET_US
from collector.store.writer import Writer
from tests.collector.store.rigs import IDENTITIES, MORNING, OTHER_TOOL, TOOL, cycle, statements

HOUR = timedelta(hours=1)
MORNING_US = to_us(MORNING)
NEAR_US = st.one_of(
    st.integers(0, 3 * 3600 * 10**6),
    st.integers(0, 12).map(lambda bucket: bucket * BUCKET_US),
    st.integers(1, 12).map(lambda bucket: bucket * BUCKET_US - 1),
).map(lambda us: MORNING_US + us)
"""Instants within three hours, often on a bucket's bound or just before it."""
CYCLES = st.lists(
    st.tuples(NEAR_US, st.sampled_from([1, 2]), st.sampled_from(["L1-01", "L1-02"])), max_size=25
)
STRETCHES = st.lists(st.tuples(NEAR_US, NEAR_US).map(lambda two: tuple(sorted(two))), max_size=6)


@pytest.fixture
async def writer(book_engine: Engine) -> AsyncIterator[Writer]:
    async with Writer(book_engine) as writer:
        await writer.register(IDENTITIES)
        yield writer


@pytest.fixture
def numbers() -> Iterator[int]:
    """Each number once: for tools and epochs that no example before has used."""
    return iter(count(1))


def entry_of(controller: str, epoch: int, cycles: list[Any]) -> Entry:
    """The cycles of a controller, in an epoch of their own."""
    booked = [
        cycle(number, epoch=epoch, tool=ToolName("Nordhaven", "N40", f"{epoch}-{tool}"), ended_at=from_us(at))
        for number, (at, tool, by) in enumerate(cycles, start=1)
        if by == controller
    ]
    expected = Position(epoch - 1, 100) if epoch > 1 else None
    return Entry(controller, expected, Position(epoch, 100), cycles=tuple(booked))


def ids(connection: Connection) -> tuple[dict[str, int], dict[str, int]]:
    """Tools by serial number, controllers by name."""
    tool, controller = tables.tool, tables.controller
    return (
        {row.serial: row.tool_id for row in connection.execute(select(tool))},
        {row.name: row.controller_id for row in connection.execute(select(controller))},
    )


@given(cycles=CYCLES, stretches=STRETCHES)
@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
async def test_cycles_of_any_stretches_equal_a_full_scan(
    writer: Writer, book_reader: Engine, numbers: Iterator[int], cycles: list[Any], stretches: list[Any]
) -> None:
    """Stretches may overlap, be empty or lie in one bucket; one tool or all, one controller or all."""
    epoch = next(numbers)
    for controller in ("L1-01", "L1-02"):
        await writer.commit(entry_of(controller, epoch, cycles))
    with book_reader.connect() as connection:
        tools, controllers = ids(connection)
        every = connection.execute(
            select(tables.cycle.c.tool_id, tables.cycle.c.controller_id, tables.cycle.c.ended_at)
        ).all()
        scopes = [Scope(), Scope(controller_ids=(controllers["L1-02"],))]
        scopes += [
            Scope(tools[serial], by)
            for serial in (f"{epoch}-1", f"{epoch}-2")
            if serial in tools
            for by in (None, (controllers["L1-01"],))
        ]
        for scope in scopes:
            mine = [
                (tool, controller, to_us(at))
                for tool, controller, at in every
                if scope.tool_id in (None, tool)
                and (scope.controller_ids is None or controller in scope.controller_ids)
            ]
            scanned = [sum(begin <= at < end for *_, at in mine) for begin, end in stretches]
            assert count_stretches(connection, scope, stretches).tolist() == scanned
            for begin, end in stretches:
                made = count_cycles(connection, scope, from_us(begin), from_us(end))
                within = Counter((tool, by) for tool, by, at in mine if begin <= at < end)
                assert {(each.tool_id, each.controller_id): each.cycles for each in made} == within


async def commit(writer: Writer, controller: str, **content: Any) -> None:
    await writer.commit(Entry(controller, None, None, **content))


def seen(at: datetime, tool: ToolName | None) -> StatusSeen:
    return StatusSeen(Status(last_sequence=0, tool=tool), at, None, None)


async def test_hours_are_those_in_which_a_tool_was_seen_on_a_controller(
    writer: Writer, book_reader: Engine
) -> None:
    """Cut to the interval; a mount that goes on reaches to the latest status, not to now."""
    await commit(writer, "L1-01", mounts=(MountChange(TOOL, MORNING),))
    await commit(writer, "L1-01", mounts=(MountChange(None, MORNING + 2 * HOUR),))
    await commit(writer, "L1-01", mounts=(MountChange(OTHER_TOOL, MORNING + 3 * HOUR),))
    await commit(writer, "L1-01", seen=seen(MORNING + 5 * HOUR, OTHER_TOOL))
    await commit(writer, "L1-02", mounts=(MountChange(TOOL, MORNING + 2 * HOUR),))
    with book_reader.connect() as connection:
        tools, controllers = ids(connection)
        begin, end = MORNING + HOUR, MORNING + 9 * HOUR
        mounted = find_mounted(connection, Scope(), begin, end)
        own = find_mounted(connection, Scope(tools[OTHER_TOOL.serial]), begin, end)
        elsewhere = find_mounted(connection, Scope(controller_ids=(controllers["L1-02"],)), begin, end)
    at = [to_us(MORNING + hour * HOUR) for hour in range(10)]
    first, second = (
        Mounted(tools[TOOL.serial], controllers["L1-01"], at[1], at[2]),
        Mounted(tools[OTHER_TOOL.serial], controllers["L1-01"], at[3], at[5]),
    )
    assert mounted == [first, second]
    assert own == [second]
    assert elsewhere == []  # no status of it was ever read after the mount
    assert hours_in(mounted, [(at[0], at[9]), (at[1], at[4]), (at[4], at[9]), (at[6], at[7])]).tolist() == [
        3.0, 2.0, 1.0, 0.0,
    ]  # fmt: skip


async def test_faults_are_those_raised_in_the_interval(writer: Writer, book_reader: Engine) -> None:
    """Half-open; of a tool, a controller, a code, a category."""
    for hour, (code, tool) in enumerate([("E1", TOOL), ("E2", OTHER_TOOL), ("E1", TOOL)]):
        at = MORNING + hour * HOUR
        await commit(writer, "L1-01", faults=(FaultRaised(code, "sample", "process", tool, at, None),))
        if hour < 2:
            await commit(writer, "L1-01", faults=(FaultCleared(code, at + timedelta(minutes=30)),))
    with book_reader.connect() as connection:
        tools, controllers = ids(connection)
        names = find_tool_names(connection)

        def found(scope: Scope, hours: int = 3, **only: str) -> list[Fault]:
            return find_faults_of(connection, scope, MORNING, MORNING + hours * HOUR, **only)

        every = found(Scope())
        assert [each.code for each in found(Scope(), hours=2)] == ["E1", "E2"]
        assert [each.code for each in found(Scope(tools[OTHER_TOOL.serial]))] == ["E2"]
        assert found(Scope(controller_ids=(controllers["L1-02"],))) == []
        assert [each.raised_us for each in found(Scope(), code="E1")] == [
            MORNING_US,
            to_us(MORNING + 2 * HOUR),
        ]
        assert found(Scope(), category="safety") == []
        assert find_places(connection)[every[0].controller_id] == ("line-1", "st-10")
    assert [each.cleared_us for each in every] == [
        to_us(MORNING + timedelta(minutes=30)), to_us(MORNING + timedelta(minutes=90)), None,
    ]  # fmt: skip
    assert names[every[0].tool_id] == TOOL


async def test_cycles_in_gaps_that_may_reach_into_the_interval_are_told(
    writer: Writer, book_reader: Engine
) -> None:
    """None where one of them has no number; another controller's don't count for a tool."""
    gap = Gap(1, 1, 5, "history overwritten", MORNING, MORNING + HOUR)
    endless = Gap(1, 6, None, "controller restarted", MORNING + 2 * HOUR, MORNING + 3 * HOUR)
    await commit(writer, "L1-01", mounts=(MountChange(TOOL, MORNING - HOUR),))
    await commit(writer, "L1-02", mounts=(MountChange(OTHER_TOOL, MORNING - HOUR),))
    await writer.commit(Entry("L1-01", None, Position(1, 6), gaps=(gap, endless)))
    with book_reader.connect() as connection:
        tools, controllers = ids(connection)

        def missing(scope: Scope, first: int, last: int) -> int | None:
            return gap_cycles_in(connection, scope, MORNING + first * HOUR, MORNING + last * HOUR)

        assert missing(Scope(), -2, 0) == 0
        assert missing(Scope(), 0, 2) == 5
        assert missing(Scope(), 0, 3) is None
        assert missing(Scope(tools[TOOL.serial]), 0, 2) == 5
        assert missing(Scope(tools[OTHER_TOOL.serial]), 0, 9) == 0
        assert missing(Scope(controller_ids=(controllers["L1-02"],)), 0, 9) == 0


async def test_shifts_of_half_a_year_are_counted_with_a_handful_of_statements(
    writer: Writer, book_reader: Engine
) -> None:
    """However many cycles there are: by the index of the tool, never through the whole table."""
    await writer.commit(entry_of("L1-01", 1, [(MORNING_US + 1, 1, "L1-01")]))
    eight_h = 8 * 3600 * 10**6
    shifts = [(MORNING_US + n * eight_h + 7, MORNING_US + (n + 1) * eight_h + 7) for n in range(-5, 541)]
    with book_reader.connect() as connection:
        tools, _ = ids(connection)
        asked: list[str] = []
        with statements(book_reader, asked.append):
            counted = count_stretches(connection, Scope(tools["1-1"]), shifts)
    assert counted.sum() == 1
    assert np.flatnonzero(counted).tolist() == [4]
    assert len(asked) <= 4
