"""Cycles that come after the book has listed them as missing: each at its place, once, or nowhere."""

from collections import Counter
from collections.abc import AsyncIterator, Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine

from collector.errors import StoreError
from collector.ledger import NO_TOOL
from collector.model import (
    BookedCycle,
    Cycle,
    Entry,
    Gap,
    LateCycle,
    LateEntry,
    LateOutcome,
    Mark,
    MountChange,
    Position,
    Quarantined,
    ToolName,
)
from collector.store import tables
from collector.store.writer import Writer
from tests.collector.store.rigs import (
    IDENTITIES,
    MORNING,
    OTHER_TOOL,
    TOOL,
    commit_numbers,
    cycle,
    rows,
    statements,
    whole_book,
)

LOG = "log file L1-01.csv"
NOTICED = MORNING + timedelta(hours=9)


@pytest.fixture
def clock() -> list[datetime]:
    """What the writer's clock shows."""
    return [NOTICED]


@pytest.fixture
async def writer(book_engine: Engine, clock: list[datetime]) -> AsyncIterator[Writer]:
    """A writer of a new book that knows three controllers."""
    async with Writer(book_engine, now=lambda: clock[0]) as writer:
        await writer.register(IDENTITIES)
        yield writer


def minutes(number: float) -> datetime:
    return MORNING + timedelta(minutes=number)


def told(number: int, *, epoch: int = 1, **said: Any) -> BookedCycle:
    """A cycle a minute, that says when."""
    given = {"ended_at": minutes(number), "controller_time": minutes(number).replace(tzinfo=None), **said}
    return cycle(number, epoch=epoch, **given)


def late(
    sequence: int, minute: float | None = None, *, uncertainty_ms: float | None = 1000.0, **said: Any
) -> LateCycle:
    """A row of a log. `minute`: when it ended; None: it does not say."""
    when = None if minute is None else minutes(minute)
    given = {"controller_time": when.replace(tzinfo=None) if when else None, **said}
    row = Cycle(sequence=sequence, raw=f"{sequence};{minute};{said}".encode(), **given)
    return LateCycle(row, when, uncertainty_ms if when else None)


def gap(first: int, last: int | None, after: float | None, before: float | None, epoch: int = 1) -> Gap:
    return Gap(
        epoch,
        first,
        last,
        "history overwritten",
        None if after is None else minutes(after),
        None if before is None else minutes(before),
    )


async def book(
    writer: Writer,
    *gaps: Gap,
    cycles: Iterable[BookedCycle] = (),
    position: Position | None = None,
    **more: Any,
) -> None:
    """Cycles 1 and 20 of epoch 1, unless others are given, and these gaps."""
    booked = tuple(cycles) or (told(1), told(20))
    at = position or Position(booked[-1].epoch, booked[-1].sequence)
    await writer.commit(Entry("L1-01", None, at, cycles=booked, gaps=gaps, **more))


SHORTEST = timedelta(milliseconds=20)


async def take(writer: Writer, *cycles: LateCycle, modulus: int = 2**16, **more: Any) -> LateOutcome:
    given = {"brought_by": LOG, "from_log": True, "shortest_cycle": SHORTEST, **more}
    return await writer.take_late(
        LateEntry("L1-01", cycles, modulus, maker=TOOL.maker, model=TOOL.model, **given)
    )


def stored(engine: Engine) -> list[tuple[int, int]]:
    return [(row["epoch"], row["sequence"]) for row in rows(engine, tables.cycle)]


def open_gaps(engine: Engine) -> list[tuple[int, int, int | None]]:
    return [
        (row["epoch"], row["first_sequence"], row["last_sequence"])
        for row in rows(engine, tables.gap)
        if row["closed_at"] is None
    ]


def reasons(engine: Engine) -> list[str]:
    return [row["reason"] for row in rows(engine, tables.quarantine)]


# ---- into a gap ----


async def test_a_whole_gap_is_closed(writer: Writer, book_reader: Engine) -> None:
    """Every missing cycle came: the gap is closed, by what and when; it leaves no rest."""
    await book(writer, gap(2, 4, 1, 5), cycles=[told(1), told(5)])
    assert await take(writer, late(2, 2), late(3, 3), late(4, 4)) == LateOutcome(3, 0, 0, 0)
    assert stored(book_reader) == [(1, n) for n in range(1, 6)]
    assert open_gaps(book_reader) == []
    (closed,) = rows(book_reader, tables.gap)
    assert (closed["closed_at"], closed["closed_by"], closed["part_of"]) == (NOTICED, LOG, None)


async def test_a_part_of_a_gap_leaves_the_rest_open(writer: Writer, book_reader: Engine) -> None:
    """Of 2 to 19, 5 and 6 came: what is left says what it was part of, and why it is missing."""
    await book(writer, gap(2, 19, 1, 20))
    assert await take(writer, late(5, 5), late(6, 6)) == LateOutcome(2, 0, 0, 0)
    assert open_gaps(book_reader) == [(1, 2, 4), (1, 7, 19)]
    whole, first, second = rows(book_reader, tables.gap)
    assert {first["part_of"], second["part_of"]} == {whole["commit_number"]}
    assert {first["reason"], second["reason"]} == {"history overwritten"}
    assert {first["noticed_at"], second["noticed_at"]} == {whole["noticed_at"]}
    assert first["after_at"] == minutes(1)
    assert minutes(5) <= first["before_at"] <= minutes(5) + timedelta(seconds=1)
    assert minutes(6) - timedelta(seconds=1) <= second["after_at"] <= minutes(6)
    assert second["before_at"] == minutes(20)


async def test_what_is_left_of_a_gap_can_be_closed_later(writer: Writer, book_reader: Engine) -> None:
    """Three files, in any order; each cycle once."""
    await book(writer, gap(2, 9, 1, 20))
    for numbers in ((8, 9), (4,), (2, 3, 5, 6, 7)):
        outcome = await take(writer, *(late(n, n) for n in numbers))
        assert outcome.stored == len(numbers)
    assert open_gaps(book_reader) == []
    assert stored(book_reader) == [(1, n) for n in [*range(1, 10), 20]]


async def test_the_same_file_again_brings_nothing(writer: Writer, book_reader: Engine) -> None:
    """All of its rows are known by then; nothing is put into quarantine."""
    await book(writer, gap(2, 19, 1, 20))
    rows_of_file = [late(n, n) for n in (1, 5, 6, 20)]
    assert await take(writer, *rows_of_file) == LateOutcome(2, 2, 0, 0)
    before = whole_book(book_reader)
    assert await take(writer, *rows_of_file) == LateOutcome(0, 4, 0, 0)
    after = whole_book(book_reader)
    assert after == before


async def test_a_row_that_comes_twice_in_one_file_is_stored_once(writer: Writer, book_reader: Engine) -> None:
    """Also if the two differ in what does not name the cycle."""
    await book(writer, gap(2, 19, 1, 20))
    twice = late(5, 5)
    outcome = await take(writer, twice, twice, replace(twice, cycle=replace(twice.cycle, raw=b"5;")))
    assert outcome.stored == 1
    assert stored(book_reader) == [(1, 1), (1, 5), (1, 20)]


async def test_numbers_are_unwrapped_to_those_of_the_gap(writer: Writer, book_reader: Engine) -> None:
    """16 bits: 65,534 … 1 are the numbers 65,534 to 65,537."""
    await book(
        writer,
        gap(65_534, 65_537, 1, 9),
        cycles=[told(65_533, ended_at=minutes(1)), told(65_538, ended_at=minutes(9))],
    )
    outcome = await take(writer, *(late(n % 65_536, 2 + i) for i, n in enumerate(range(65_534, 65_538))))
    assert outcome == LateOutcome(4, 0, 0, 0)
    assert stored(book_reader) == [(1, n) for n in range(65_533, 65_539)]


async def test_numbers_below_0_find_their_gap(writer: Writer, book_reader: Engine) -> None:
    """The upper numbers of a 64-bit sequence are counted from below 0 in the book."""
    await book(writer, gap(-3, 1, 1, 9), cycles=[told(-4, ended_at=minutes(1)), told(2, ended_at=minutes(9))])
    outcome = await take(writer, late(2**64 - 2, 3), late(0, 4), modulus=2**64)
    assert outcome == LateOutcome(2, 0, 0, 0)
    assert open_gaps(book_reader) == [(1, -3, -3), (1, -1, -1), (1, 1, 1)]


async def test_a_gap_without_a_number_stays_open(writer: Writer, book_reader: Engine) -> None:
    """Nobody can say how many are missing: what came is in the book, and the rest may still be missing."""
    await book(
        writer,
        gap(8, None, 7, 60),
        cycles=[told(7), told(1, epoch=2, ended_at=minutes(60), controller_time=minutes(60))],
    )
    assert await take(writer, late(8, 8), late(9, 9)) == LateOutcome(2, 0, 0, 0)
    assert open_gaps(book_reader) == [(1, 10, None)]
    assert stored(book_reader) == [(1, 7), (1, 8), (1, 9), (2, 1)]


async def test_the_position_is_not_moved(writer: Writer) -> None:
    """A late cycle is behind it; the poller's next entry is built on what it knows."""
    await book(writer, gap(2, 19, 1, 20))
    before = (await writer.recall("L1-01")).position
    await take(writer, late(5, 5))
    assert (await writer.recall("L1-01")).position == before


async def test_what_a_log_brought_is_no_record_of_the_memory(writer: Writer, book_reader: Engine) -> None:
    """Its bytes are the log's: they prove nothing about the record at the position."""
    await book(writer, gap(20, 20, 19, 25), cycles=[told(19)], position=Position(1, 20))
    assert await take(writer, late(20, 20)) == LateOutcome(1, 0, 0, 0)
    assert (await writer.recall("L1-01")).last_raw is None
    assert [row["brought_by"] for row in rows(book_reader, tables.cycle)] == [None, LOG]
    record = Cycle(sequence=20, controller_time=minutes(20).replace(tzinfo=None), raw=b"\x00\x14")
    assert await writer.find_known("L1-01", None, [record], 2**16) == [True], "by its time"


async def test_late_cycles_are_numbered_and_counted_like_all_others(
    writer: Writer, book_reader: Engine
) -> None:
    """Behind all that was there, and so is the gap that they closed; in the tallies of their own time."""
    await book(writer, gap(2, 19, 1, 20))
    before = commit_numbers(book_reader)
    await take(writer, late(5, 5), late(16, 16))
    numbers = commit_numbers(book_reader)
    assert numbers == list(range(1, len(numbers) + 1))
    late_ones = [row for row in rows(book_reader, tables.cycle) if row["brought_by"]]
    (closed,) = [row for row in rows(book_reader, tables.gap) if row["closed_at"]]
    assert len(late_ones) == 2
    assert min(closed["closed_commit_number"], *(row["commit_number"] for row in late_ones)) > max(before)
    buckets = Counter[datetime]()
    for row in rows(book_reader, tables.tally):
        buckets[row["bucket_at"]] += row["cycles"]
    assert buckets == {minutes(0): 2, minutes(15): 2}


# ---- when, and by which tool ----


async def test_a_cycle_without_a_time_lies_between_the_bounds_of_its_gap(
    writer: Writer, book_reader: Engine
) -> None:
    """In the middle, with an uncertainty that reaches to both."""
    await book(writer, gap(2, 19, 2, 20))
    await take(writer, late(5))
    kept = next(row for row in rows(book_reader, tables.cycle) if row["sequence"] == 5)
    assert (kept["ended_at"], kept["time_uncertainty_ms"]) == (minutes(11), 9 * 60_000.0)


async def test_a_late_cycle_keeps_its_own_time(writer: Writer, book_reader: Engine) -> None:
    """Corrected, with what was known of the clock; what the controller said stands beside it."""
    await book(writer, gap(2, 19, 1, 20))
    await take(writer, late(5, 5.5, uncertainty_ms=750.0))
    kept = next(row for row in rows(book_reader, tables.cycle) if row["sequence"] == 5)
    assert (kept["ended_at"], kept["time_uncertainty_ms"]) == (minutes(5.5), 750.0)
    assert kept["controller_time"] == "2026-03-02T06:05:30"


async def test_a_late_cycle_belongs_to_the_tool_that_it_names(writer: Writer, book_reader: Engine) -> None:
    """Else to the one that was mounted then by the numbers, and to nobody before the first mount."""
    mounts = (
        MountChange(TOOL, minutes(1), Mark(1, 3, None)),
        MountChange(OTHER_TOOL, minutes(9), Mark(1, 9, None)),
    )
    await book(writer, gap(2, 19, 1, 20), mounts=mounts)
    await take(writer, late(2, 2), late(4, 4), late(9, 9), late(10, 10), late(11, 11, tool_serial="T-9"))
    tools = {
        row["tool_id"]: ToolName(row["maker"], row["model"], row["serial"])
        for row in rows(book_reader, tables.tool)
    }
    made = {row["sequence"]: tools[row["tool_id"]] for row in rows(book_reader, tables.cycle)}
    assert [made[n] for n in (2, 4, 9, 10)] == [NO_TOOL, TOOL, TOOL, OTHER_TOOL]
    assert made[11] == replace(TOOL, serial="T-9")


AT_FIRST = MountChange(TOOL, minutes(1), Mark(1, 0, None))


@pytest.mark.parametrize(
    ("around", "mounts"),
    [
        ((NO_TOOL, NO_TOOL), (AT_FIRST,)),
        ((TOOL, NO_TOOL), (AT_FIRST,)),
        ((NO_TOOL, TOOL), (AT_FIRST,)),
        # seen together with cycle 20: it may have been there for all that was missing before it
        ((TOOL, OTHER_TOOL), (AT_FIRST, MountChange(OTHER_TOOL, minutes(20), Mark(1, 19, None)))),
    ],
)
async def test_a_late_cycle_about_a_swap_that_nobody_saw_belongs_to_no_tool(
    writer: Writer,
    book_reader: Engine,
    around: tuple[ToolName, ToolName],
    mounts: tuple[MountChange, ...],
) -> None:
    """Beside cycles of two tools, or of one that nobody knows, the numbers of a mount prove nothing."""
    before, after = (told(number, tool=tool) for number, tool in zip((1, 20), around, strict=True))
    await book(writer, gap(2, 19, 1, 20), cycles=[before, after], mounts=mounts)
    await take(writer, late(5, 5))
    nobody = next(row["tool_id"] for row in rows(book_reader, tables.tool) if row["serial"] == NO_TOOL.serial)
    assert [row["tool_id"] for row in rows(book_reader, tables.cycle) if row["sequence"] == 5] == [nobody]


# ---- nowhere ----


NOWHERE = "the book has no gap that this cycle fits in by sequence, time and count"


@pytest.mark.parametrize(
    "row",
    [
        late(21, 5),  # no such number is missing
        late(5, 25),  # it ended after the gap
        late(1, 3),  # another one than the 1 that is in the book
        late(2, 61),  # the number of another circle
    ],
)
async def test_what_fits_nowhere_is_set_aside_with_its_row(
    writer: Writer, book_reader: Engine, row: LateCycle
) -> None:
    """Its raw row is in quarantine, with the reason and where it came from; the gap stays as it was."""
    await book(writer, gap(2, 19, 1, 20))
    assert await take(writer, row) == LateOutcome(0, 0, 0, 1)
    (aside,) = rows(book_reader, tables.quarantine)
    assert (aside["what"], aside["raw"], aside["reason"]) == ("record", row.cycle.raw, NOWHERE)
    assert aside["place"] == f"{LOG}, sequence {row.cycle.sequence}"
    assert open_gaps(book_reader) == [(1, 2, 19)]


async def test_what_fits_nowhere_is_set_aside_once(writer: Writer, book_reader: Engine) -> None:
    """The same log is brought again every week."""
    await book(writer, gap(2, 19, 1, 20))
    for _ in range(3):
        assert await take(writer, late(21, 5)) == LateOutcome(0, 0, 0, 1)
    assert len(rows(book_reader, tables.quarantine)) == 1


async def test_what_is_older_than_the_book_is_nothing_to_set_aside(
    writer: Writer, book_reader: Engine
) -> None:
    """A log reaches back to before the collector was there."""
    await book(writer, gap(2, 19, 1, 20))
    assert await take(writer, late(65_530, -90), late(5, 5)) == LateOutcome(1, 0, 1, 0)
    assert not rows(book_reader, tables.quarantine)


async def test_what_is_left_of_a_gap_has_bounds_that_hold(writer: Writer, book_reader: Engine) -> None:
    """5 came without a time: nobody knows that 3 ended before the middle of the gap, and so it did not."""
    await book(writer, gap(2, 19, 1, 20))
    assert await take(writer, late(5)) == LateOutcome(1, 0, 0, 0)
    assert await take(writer, late(3, 12)) == LateOutcome(1, 0, 0, 0)


async def test_a_row_that_could_be_in_several_circles_is_nobodys_guess(
    writer: Writer, book_reader: Engine
) -> None:
    """8 bits, a gap of 700: 100 may be 100, 356 or 612, unless its count says which."""
    cycles = [
        told(10, ended_at=minutes(1), total_count=1010),
        told(707, ended_at=minutes(60), total_count=1707),
    ]
    await book(writer, gap(11, 706, 1, 60), cycles=cycles)
    assert await take(writer, late(100), modulus=256) == LateOutcome(0, 0, 0, 1)
    assert await take(writer, late(100, 30, total_count=1356), modulus=256) == LateOutcome(1, 0, 0, 0)
    assert stored(book_reader) == [(1, 10), (1, 356), (1, 707)]


async def test_rows_of_an_older_circle_are_known(writer: Writer, book_reader: Engine) -> None:
    """8 bits, 300 cycles in the book: a log of all of them brings nothing, and sets nothing aside."""
    cycles = [told(n) for n in range(1, 301)]
    await book(
        writer,
        cycles=[replace(each, cycle=replace(each.cycle, sequence=each.sequence % 256)) for each in cycles],
    )
    outcome = await take(writer, *(late(n % 256, n) for n in range(1, 301)), modulus=256)
    assert outcome == LateOutcome(0, 300, 0, 0)


async def test_a_row_is_not_known_by_its_sequence_alone(writer: Writer, book_reader: Engine) -> None:
    """The record of 5 in epoch 1 told neither time nor count; 5 of epoch 2 is missing, and tells its time."""
    cycles = [cycle(n, ended_at=minutes(n)) for n in range(1, 10)]
    cycles += [cycle(9, epoch=2, ended_at=minutes(40))]
    await book(writer, gap(1, 8, 20, 40, epoch=2), cycles=cycles)
    assert await take(writer, late(5, 35)) == LateOutcome(1, 0, 0, 0)
    assert (2, 5) in stored(book_reader)


async def test_a_log_that_rounds_its_seconds_is_known(writer: Writer, book_reader: Engine) -> None:
    """The record says 06:05:30.600, the log 06:05:31."""
    when = minutes(5) + timedelta(seconds=30.6)
    await book(writer, cycles=[told(5, ended_at=when, controller_time=when.replace(tzinfo=None))])
    assert await take(writer, late(5, 5 + 31 / 60)) == LateOutcome(0, 1, 0, 0)


async def test_a_count_that_wraps_fits_its_neighbour(writer: Writer, book_reader: Engine) -> None:
    """16 bits of a count: 65,534 before the gap, then 65,535, 0, 1, and 2 after it."""
    await book(writer, gap(2, 4, 1, 5), cycles=[told(1, total_count=65_534), told(5, total_count=2)])
    given = (late(2, 2, total_count=65_535), late(3, 3, total_count=0))
    assert await take(writer, *given, count_modulus=2**16) == LateOutcome(2, 0, 0, 0)


async def test_a_count_cleared_inside_a_gap_fits_one_neighbour(writer: Writer, book_reader: Engine) -> None:
    """501 before it, 10 after it, cleared after 10: up to there the one before says what the count must be,
    then the one after."""
    await book(writer, gap(2, 19, 1, 20), cycles=[told(1, total_count=501), told(20, total_count=10)])
    given = [late(n, n, total_count=500 + n if n <= 10 else n - 10) for n in range(2, 20)]
    assert await take(writer, *given) == LateOutcome(18, 0, 0, 0)


async def test_a_message_without_a_time_closes_no_old_gap(
    writer: Writer, clock: list[datetime], book_reader: Engine
) -> None:
    """It can only have been overtaken by messages of just now; hours later it is another memory's."""
    await book(writer, gap(2, 19, 1, 20))
    message = {"from_log": False, "overtaken_since": clock[0]}
    assert await take(writer, late(5), **message) == LateOutcome(1, 0, 0, 0)
    message["overtaken_since"] += timedelta(hours=1)
    assert await take(writer, late(6), **message) == LateOutcome(0, 0, 0, 1)
    assert await take(writer, late(7, 7), **message) == LateOutcome(1, 0, 0, 0), "its time says it"


async def test_a_time_at_the_edge_fits_by_its_uncertainty(writer: Writer, book_reader: Engine) -> None:
    """It may have ended inside the bounds: it is stored there, not outside them."""
    await book(writer, gap(2, 19, 1, 20))
    assert (await take(writer, late(19, 20.5, uncertainty_ms=31_000.0))).stored == 1
    kept = next(row for row in rows(book_reader, tables.cycle) if row["sequence"] == 19)
    assert kept["ended_at"] == minutes(20)
    assert kept["time_uncertainty_ms"] == 1000.0, "19:59 to 20:00 is left of 20:30 ± 31 s"


async def test_a_cycle_that_could_be_two_is_nobodys_guess(writer: Writer, book_reader: Engine) -> None:
    """The same sequence is missing in two epochs, and the row says neither when nor how many."""
    gaps = (gap(2, 19, 1, 20), gap(1, 8, 30, 40, epoch=2))
    cycles = [told(1), told(20), told(9, epoch=2, ended_at=minutes(40), controller_time=minutes(40))]
    await book(writer, *gaps, cycles=cycles)
    assert await take(writer, late(5)) == LateOutcome(0, 0, 0, 1)
    assert reasons(book_reader) == [
        "this cycle could be 5 of epoch 1 and 5 of epoch 2; nothing in it says which"
    ]
    assert await take(writer, late(5, 35)) == LateOutcome(1, 0, 0, 0), "its time says which"
    assert (2, 5) in stored(book_reader)


async def test_a_count_says_which_of_two_it_is(writer: Writer, book_reader: Engine) -> None:
    """Each gap's neighbour before it says what the count must be."""
    cycles = [
        told(1, total_count=501),
        told(20, total_count=520),
        told(3, epoch=2, ended_at=minutes(30), controller_time=minutes(30), total_count=603),
        told(9, epoch=2, ended_at=minutes(40), controller_time=minutes(40), total_count=609),
    ]
    await book(writer, gap(2, 19, 1, 20), gap(4, 8, 30, 40, epoch=2), cycles=cycles)
    assert await take(writer, late(5, total_count=605)) == LateOutcome(1, 0, 0, 0)
    assert await take(writer, late(5, total_count=700)) == LateOutcome(0, 0, 0, 1)
    assert await take(writer, late(6, total_count=506)) == LateOutcome(1, 0, 0, 0)
    assert stored(book_reader) == [(1, 1), (1, 6), (1, 20), (2, 3), (2, 5), (2, 9)]


async def test_a_message_that_fits_nowhere_is_left_to_its_inbox(writer: Writer, book_reader: Engine) -> None:
    """It is only counted: it may be the first one of a new epoch."""
    await book(writer, gap(2, 19, 1, 20))
    assert await take(writer, late(21, 5), from_log=False) == LateOutcome(0, 0, 0, 1)
    assert not rows(book_reader, tables.quarantine)


async def test_rows_that_made_no_sense_are_kept_beside_the_others(
    writer: Writer, book_reader: Engine
) -> None:
    """In the same transaction."""
    bad = Quarantined("record", f"{LOG}, line 7", "no sequence", b";;", NOTICED)
    await book(writer, gap(2, 19, 1, 20))
    assert await take(writer, late(5, 5), quarantined=(bad,)) == LateOutcome(1, 0, 0, 0)
    assert reasons(book_reader) == ["no sequence"]


async def test_gaps_of_other_controllers_are_not_closed(writer: Writer, book_reader: Engine) -> None:
    """The same numbers are missing at L1-02."""
    await writer.commit(Entry("L1-02", None, Position(1, 20), cycles=(told(20),), gaps=(gap(2, 19, 1, 20),)))
    await book(writer, cycles=[told(1), told(20)])
    assert await take(writer, late(5, 5)) == LateOutcome(0, 0, 0, 1)
    assert open_gaps(book_reader) == [(1, 2, 19)]


# ---- all or nothing ----


async def test_late_cycles_go_in_whole_or_not_at_all(
    writer: Writer, book_engine: Engine, book_reader: Engine
) -> None:
    """Whichever statement fails, nothing is in the book; afterwards the same rows go in."""
    await book(writer, gap(2, 19, 1, 20))
    before = whole_book(book_reader)
    given = [late(5, 5), late(6, 6, tool_serial="T-9"), late(99, 99)]
    tried = 0
    while True:
        left = tried

        def fail_at_turn(statement: str) -> None:
            nonlocal left
            if left == 0:
                left = -1
                raise RuntimeError("a mistake of ours")
            left -= 1

        with statements(book_engine, fail_at_turn):
            try:
                assert await take(writer, *given) == LateOutcome(2, 0, 0, 1)
                break
            except RuntimeError:
                assert whole_book(book_reader) == before
        tried += 1
    assert tried > 8
    assert stored(book_reader) == [(1, 1), (1, 5), (1, 6), (1, 20)]


async def test_the_next_entry_knows_what_late_cycles_made_known(writer: Writer, book_reader: Engine) -> None:
    """A tool that a log named first is one tool, whoever names it next."""
    await book(writer, gap(2, 19, 1, 20))
    await take(writer, late(5, 5, tool_serial="T-9"))
    named = told(21, tool=replace(TOOL, serial="T-9"))
    await writer.commit(Entry("L1-01", Position(1, 20), Position(1, 21), cycles=(named,)))
    assert [row["serial"] for row in rows(book_reader, tables.tool)] == [TOOL.serial, "T-9"]


async def test_late_cycles_of_an_unknown_controller_are_refused(writer: Writer) -> None:
    """Nothing goes in for a controller that was not registered."""
    nobody = LateEntry("L9-99", (late(5, 5),), 2**16, "", "", LOG, from_log=True, shortest_cycle=SHORTEST)
    with pytest.raises(StoreError, match="L9-99 is not in the book"):
        await writer.take_late(nobody)
