"""Counts from tallies and edges equal a full scan, for any cycles and any bounds."""

from collections import Counter
from collections.abc import AsyncIterator, Iterator
from datetime import UTC, datetime, timedelta
from itertools import count
from typing import Any, get_args

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Connection, Engine, select

from collector.model import Entry, Position, ToolName
from collector.store import tables
from collector.store.tables import from_us, to_us
from collector.store.tallies import (
    BUCKET_US,
    Count,
    Dimension,
    bucket_of,
    count_between,
    count_by,
    count_lifetime,
    edges,
    whole_buckets,
)
from collector.store.writer import Writer
from tests.collector.store.rigs import IDENTITIES, MORNING, OTHER_TOOL, TOOL, cycle, entry, statements

INSTANTS_US = st.integers(-(10**16), 10**16)
NEAR = st.one_of(
    st.integers(0, 3 * 3600 * 10**6),
    st.integers(0, 12).map(lambda bucket: bucket * BUCKET_US),
    st.integers(1, 12).map(lambda bucket: bucket * BUCKET_US - 1),
).map(lambda us: from_us(to_us(MORNING) + us))
"""Instants within three hours, often on a bucket's bound or just before it."""
CYCLES = st.lists(
    st.tuples(
        NEAR,
        st.sampled_from(["ok", "nok", "undecided", "unknown"]),
        st.sampled_from(["completed", "aborted", "failed"]),
        st.sampled_from(["automatic", "manual"]),
        st.sampled_from([None, "B12"]),
        st.sampled_from(["L1-01", "L1-02"]),
    ),
    max_size=25,
)

DIMENSIONS = st.lists(st.sampled_from(get_args(Dimension)), unique=True, max_size=4).map(tuple)


def test_a_bucket_is_a_quarter_of_an_hour_in_utc() -> None:
    """Buckets begin at :00, :15, :30 and :45 UTC, and hold their begin but not their end."""

    def begin(at: datetime) -> datetime:
        return from_us(bucket_of(to_us(at)))

    quarter = datetime(2026, 3, 29, 1, 15, tzinfo=UTC)
    assert begin(quarter) == quarter
    assert begin(quarter + timedelta(minutes=15, microseconds=-1)) == quarter
    assert begin(quarter - timedelta(microseconds=1)) == quarter - timedelta(minutes=15)
    assert begin(datetime(1969, 12, 31, 23, 59, tzinfo=UTC)) == datetime(1969, 12, 31, 23, 45, tzinfo=UTC)


@given(INSTANTS_US)
def test_every_instant_lies_in_its_bucket(at_us: int) -> None:
    """Begin of the bucket <= instant < end of the bucket, before 1970 as well."""
    assert bucket_of(at_us) <= at_us < bucket_of(at_us) + BUCKET_US
    assert bucket_of(at_us) % BUCKET_US == 0


@given(INSTANTS_US, st.integers(0, 10**12))
def test_buckets_and_edges_tile_an_interval(begin_us: int, length_us: int) -> None:
    """Whole buckets and at most two edges, each under 15 minutes, cover [begin, end) exactly."""
    end_us = begin_us + length_us
    whole, rest = whole_buckets(begin_us, end_us), edges(begin_us, end_us)
    assert len(rest) <= 2
    assert all(0 < end - begin < BUCKET_US for begin, end in rest)
    tiles = sorted([*rest, *((bucket, bucket + BUCKET_US) for bucket in whole)])
    bounds = [begin_us, *(end for _, end in tiles)]
    assert [begin for begin, _ in tiles] == bounds[: len(tiles)]
    assert bounds[-1] == end_us


@pytest.fixture
async def writer(book_engine: Engine) -> AsyncIterator[Writer]:
    async with Writer(book_engine) as writer:
        await writer.register(IDENTITIES)
        yield writer


@pytest.fixture
def numbers() -> Iterator[int]:
    """Each number once: for tools and epochs that no example before has used."""
    return iter(count(1))


def scan(connection: Connection, tool: ToolName, begin: datetime, end: datetime) -> list[Count]:
    """The same count the slow way: every cycle of the tool, looked at one by one."""
    of_tool = select(tables.cycle, tables.tool.c.serial).join(
        tables.tool, tables.tool.c.tool_id == tables.cycle.c.tool_id
    )
    counted = Counter(
        (row.controller_id, row.result, row.completion)
        for row in connection.execute(of_tool)
        if row.serial == tool.serial and begin <= row.ended_at < end
    )
    return [Count(*key, cycles) for key, cycles in sorted(counted.items())]


def tool_id_of(connection: Connection, tool: ToolName) -> int:
    return int(
        connection.scalar(select(tables.tool.c.tool_id).where(tables.tool.c.serial == tool.serial)) or 0
    )


@given(cycles=CYCLES, bounds=st.lists(st.tuples(NEAR, NEAR), min_size=1, max_size=4))
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
async def test_counts_equal_a_full_scan(
    writer: Writer, book_reader: Engine, numbers: Iterator[int], cycles: list[Any], bounds: list[Any]
) -> None:
    """Whatever cycles came, in whatever order, by whichever controller: any interval counts alike."""
    example = next(numbers)
    tool = ToolName(TOOL.maker, TOOL.model, f"T-{example}")
    for controller in ("L1-01", "L1-02"):
        await writer.commit(await entry_of(writer, controller, example, tool, cycles))
    with book_reader.connect() as connection:
        tool_id = tool_id_of(connection, tool)
        for one, other in bounds:
            begin, end = sorted((one, other))
            assert count_between(connection, tool_id, begin, end) == scan(connection, tool, begin, end)
        ages = (datetime(1970, 1, 1, tzinfo=UTC), datetime(2100, 1, 1, tzinfo=UTC))
        assert count_lifetime(connection, tool_id) == scan(connection, tool, *ages)
        assert count_between(connection, tool_id, *ages) == scan(connection, tool, *ages)


@given(cycles=CYCLES, bounds=st.lists(st.tuples(NEAR, NEAR), min_size=1, max_size=3), by=DIMENSIONS)
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
async def test_counts_by_anything_equal_a_full_scan(
    writer: Writer,
    book_reader: Engine,
    numbers: Iterator[int],
    cycles: list[Any],
    bounds: list[Any],
    by: tuple[Dimension, ...],
) -> None:
    """By tool, controller, result, completion, band and mode in any combination, over all tools, of all or of
    some controllers."""
    example = next(numbers)
    tool = ToolName(TOOL.maker, TOOL.model, f"T-{example}")
    for controller in ("L1-01", "L1-02"):
        await writer.commit(await entry_of(writer, controller, example, tool, cycles))
    with book_reader.connect() as connection:
        every = list(connection.execute(select(tables.cycle)))
        for one, other in bounds:
            begin, end = sorted((one, other))
            for ids in (None, [1], [1, 2, 3]):
                naive = Counter(
                    tuple(getattr(row, name) or "" if name == "band" else getattr(row, name) for name in by)
                    for row in every
                    if begin <= row.ended_at < end and (ids is None or row.controller_id in ids)
                )
                found = count_by(connection, by, begin, end, controller_ids=ids)
                assert {tuple(row[name] for name in by): row["cycles"] for row in found} == naive
                assert len(found) == len(naive)


async def entry_of(writer: Writer, controller: str, epoch: int, tool: ToolName, cycles: list[Any]) -> Entry:
    """Those of the cycles that belong to a controller, in an epoch of their own."""
    booked = [
        cycle(
            number,
            epoch=epoch,
            tool=tool,
            ended_at=at,
            result=result,
            completion=completion,
            mode=mode,
            band=band,
        )
        for number, (at, result, completion, mode, band, by) in enumerate(cycles, start=1)
        if by == controller
    ]
    return Entry(
        controller,
        expected=(await writer.recall(controller)).position,
        position=Position(epoch, len(cycles)),
        cycles=tuple(booked),
    )


async def test_a_count_follows_its_tool(writer: Writer, book_reader: Engine) -> None:
    """Cycles of a tool are counted on every controller on which it sat, and on none where it did not."""
    await writer.commit(entry("L1-01", 1, 3))
    await writer.commit(entry("L1-02", 1, 2, cycles=(cycle(1), cycle(2, tool=OTHER_TOOL))))
    with book_reader.connect() as connection:
        counted = count_lifetime(connection, tool_id_of(connection, TOOL))
    assert counted == [Count(1, "ok", "completed", 3), Count(2, "ok", "completed", 1)]


async def test_an_interval_costs_at_most_three_looks(writer: Writer, book_reader: Engine) -> None:
    """One statement; of `cycle` it looks at the two edges only, however long the interval is."""
    await writer.commit(entry("L1-01", 1, 3))
    asked: list[str] = []
    with book_reader.connect() as connection, statements(book_reader, asked.append):
        count_between(
            connection, 1, MORNING - timedelta(days=400, minutes=7), MORNING + timedelta(minutes=37)
        )
    looked = [statement for statement in asked if "FROM" in statement]
    assert len(looked) == 1
    assert looked[0].count("FROM cycle") == 2
    assert looked[0].count("FROM tally") == 1


async def test_an_empty_interval_counts_nothing(writer: Writer, book_reader: Engine) -> None:
    """No cycles in no time, and none of a tool that is not there."""
    await writer.commit(entry("L1-01", 1, 3))
    with book_reader.connect() as connection:
        assert count_between(connection, 1, MORNING, MORNING) == []
        assert count_between(connection, 1, MORNING + timedelta(hours=1), MORNING) == []
        assert count_lifetime(connection, 99) == []
