"""Ours against the controller's own count: for every mount the equation holds, or what is left over is shown.

On SQLite and on PostgreSQL alike."""

from collections.abc import AsyncIterator
from datetime import timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Engine, event

from collector.errors import NotInBook
from collector.model import Entry, Mark, MountChange, Position
from collector.store.engine import StoreAddress, migrate_book, open_book_reader, open_book_writer
from collector.store.queries import NOBODY_COUNTED, Record
from collector.store.reconciliation import (
    COUNT_LOST,
    COUNTED,
    NO_COUNT,
    NO_MOUNT,
    NOTHING_YET,
    Reconciliation,
    all_balanced,
    cut_to,
    equation,
    find_reconciliation,
    place,
    stays,
    stretches_of,
)
from collector.store.writer import Writer
from tests.collector.store.rigs import IDENTITIES, MORNING, OTHER_TOOL, TOOL
from tests.collector.store.told import Told


@pytest.fixture
async def told(book_engine: Engine) -> AsyncIterator[Told]:
    async with Writer(book_engine, now=lambda: MORNING) as writer:
        await writer.register(IDENTITIES)
        yield Told(writer)


def ask(reader: Engine, **asked: Any) -> Reconciliation:
    with reader.connect() as connection:
        return find_reconciliation(connection, "L1-01", **asked)


def numbers(found: Reconciliation) -> list[tuple[int | None, ...]]:
    """Of each row, newest first."""
    for row in found.rows:
        holds = row["balanced"]
        assert holds is None or holds == (row["unexplained"] == 0)
        if holds is not None:
            left = row["counter_difference"] + row["cleared"]
            assert left == row["stored"] + row["in_gaps"] + row["unexplained"]
    return [tuple(row[name] for name in COUNTED) for row in found.rows]


def tools(found: Reconciliation) -> list[str | None]:
    return [row["mount"] and row["mount"]["serial"] for row in found.rows]


async def test_a_swap_splits_the_rows(told: Told, book_reader: Engine) -> None:
    """Each tool's mount has an equation of its own; the open one ends at the position."""
    await told.begin()
    await told.make(30)
    await told.swap(OTHER_TOOL)
    await told.make(12)
    found = ask(book_reader)
    assert numbers(found) == [(12, 0, 12, 0, 0), (30, 0, 30, 0, 0)]
    assert tools(found) == [OTHER_TOOL.serial, TOOL.serial]
    assert [row["is_open"] for row in found.rows] == [True, False]
    assert found.rows[0]["begin"] == found.rows[1]["end"] == {"epoch": 1, "sequence": 30, "total_count": 1030}
    assert (found.balanced, found.totals["stored"], found.unknown) == (True, 42, {})


async def test_a_gap_explains_what_the_controller_counted_and_the_book_has_not(
    told: Told, book_reader: Engine
) -> None:
    """One that reaches over a swap is shared between the two mounts."""
    await told.begin()
    await told.make(5)
    await told.lose(4)
    await told.swap(OTHER_TOOL)
    await told.lose(3)
    await told.make(1)
    found = ask(book_reader)
    assert numbers(found) == [(4, 0, 1, 3, 0), (9, 0, 5, 4, 0)]
    assert [[each["cycles"] for each in row["gaps"]] for row in found.rows] == [[3], [4]]


async def test_late_cycles_that_close_a_gap_change_the_row(told: Told, book_reader: Engine) -> None:
    """They are stored now, and only what is still missing is in gaps."""
    await told.begin()
    await told.make(5)
    await told.lose(4)
    await told.make(1)
    assert (await told.find(7, 8)).stored == 2
    found = ask(book_reader)
    assert numbers(found) == [(10, 0, 8, 2, 0)]
    assert [(each["first_sequence"], each["cycles"]) for each in found.rows[0]["gaps"]] == [(6, 1), (9, 1)]


async def test_a_cleared_counter_is_listed_and_the_equation_holds(told: Told, book_reader: Engine) -> None:
    """With what it was, what it became, and between when and when."""
    await told.begin()
    await told.make(10)
    await told.change("cleared", 0)
    await told.make(5)
    await told.change("entered", 9000)
    await told.make(1)
    found = ask(book_reader)
    assert numbers(found) == [(8001, 1010 - 8995, 16, 0, 0)]
    changes = found.rows[0]["count_changes"]
    assert [(each["kind"], each["expected"], each["found"]) for each in changes] == [
        ("cleared", 1010, 0),
        ("entered", 5, 9000),
    ]
    assert found.balanced


async def test_an_unexplained_rise_is_shown_as_such(told: Told, book_reader: Engine) -> None:
    """It is listed, and explains nothing."""
    await told.begin()
    await told.make(10)
    await told.change("unexplained", 1013)
    await told.make(2)
    found = ask(book_reader)
    assert numbers(found) == [(15, 0, 12, 0, 3)]
    assert [each["kind"] for each in found.rows[0]["count_changes"]] == ["unexplained"]
    assert found.balanced is False


@pytest.mark.parametrize("when", ["before the swap", "in the same look", "after it"])
async def test_a_counter_cleared_around_a_swap_belongs_to_one_of_the_mounts(
    told: Told, book_reader: Engine, when: str
) -> None:
    """Without a cycle between, the count in the mark says which; both equations hold."""
    await told.begin()
    await told.make(10)
    if when == "before the swap":
        await told.change("cleared", 0)
    if when == "in the same look":
        await told.change("cleared", 0, swapped_to=OTHER_TOOL)
    else:
        await told.swap(OTHER_TOOL)
    if when == "after it":
        await told.change("cleared", 0)
    await told.make(3)
    found = ask(book_reader)
    before, after = ((3, 0, 3, 0, 0), (-1000, 1010, 10, 0, 0)), ((-1007, 1010, 3, 0, 0), (10, 0, 10, 0, 0))
    assert tuple(numbers(found)) == (before if when == "before the swap" else after)
    assert found.balanced


async def test_a_gap_without_a_number_gives_null_with_a_reason(told: Told, book_reader: Engine) -> None:
    """Across a restart that lost the counter nobody can say; before and after it the equation holds."""
    await told.begin()
    await told.make(10)
    await told.lose_memory(count=70)
    await told.make(4)
    assert (await told.find(11, 12)).stored == 2
    found = ask(book_reader)
    assert numbers(found) == [(4, 0, 4, 0, 0), (None, 0, 2, None, None), (10, 0, 10, 0, 0)]
    across = found.rows[1]
    assert (across["balanced"], across["is_open"]) == (None, False)
    assert across["unknown"]["counter_difference"] == COUNT_LOST
    assert across["unknown"]["in_gaps"] == NOBODY_COUNTED
    assert (across["begin"]["total_count"], across["end"]["total_count"]) == (1010, 70)
    assert tools(found) == [TOOL.serial] * 3
    assert (found.balanced, found.totals["in_gaps"], found.totals["stored"]) == (None, None, 16)
    assert found.unknown.keys() == {"balanced"}
    assert found.totals["unknown"]["in_gaps"] == NOBODY_COUNTED


async def test_a_tool_swapped_while_the_memory_was_lost_begins_behind_the_loss(
    told: Told, book_reader: Engine
) -> None:
    """The unknown stretch is the old tool's."""
    await told.begin()
    await told.make(10)
    await told.lose_memory(count=0, tool=OTHER_TOOL)
    await told.change("entered", 500)
    await told.make(4)
    found = ask(book_reader)
    assert numbers(found) == [(504, -500, 4, 0, 0), (None, 0, 0, None, None), (10, 0, 10, 0, 0)]
    assert tools(found) == [OTHER_TOOL.serial, TOOL.serial, TOOL.serial]


async def test_a_restart_over_which_the_count_went_on_is_one_row(told: Told, book_reader: Engine) -> None:
    """With the cycles that the count says are missing."""
    await told.begin()
    await told.make(10)
    await told.restart(missing=3)
    await told.make(4)
    found = ask(book_reader)
    assert numbers(found) == [(17, 0, 14, 3, 0)]
    assert (found.rows[0]["begin"]["epoch"], found.rows[0]["end"]["epoch"]) == (1, 2)


async def test_a_controller_without_a_count_can_not_be_reconciled(told: Told, book_reader: Engine) -> None:
    """What the book has is said all the same."""
    await told.begin(count=None)
    await told.make(10)
    await told.lose(2)
    found = ask(book_reader)
    assert numbers(found) == [(None, 0, 10, 2, None)]
    assert found.rows[0]["unknown"]["counter_difference"] == NO_COUNT
    assert found.balanced is None


async def test_cycles_while_no_tool_was_mounted_have_a_row_of_their_own(
    told: Told, book_reader: Engine
) -> None:
    """Nothing that the controller counted falls between two mounts."""
    await told.begin()
    await told.make(10)
    await told.swap(None)
    await told.lose(2)
    await told.swap(OTHER_TOOL)
    await told.make(1)
    await told.swap(None)
    await told.lose(1)
    found = ask(book_reader)
    assert numbers(found) == [(1, 0, 0, 1, 0), (1, 0, 1, 0, 0), (2, 0, 0, 2, 0), (10, 0, 10, 0, 0)]
    assert tools(found) == [None, OTHER_TOOL.serial, None, TOOL.serial]


async def test_a_tool_that_was_there_before_the_first_cycle_begins_with_it(
    told: Told, book_reader: Engine
) -> None:
    """Its mount has no mark; the count is that of the first record, less one."""
    await told.writer.commit(Entry("L1-01", None, None, mounts=(MountChange(TOOL, MORNING),)))
    told.position = Position(1, 40, 700)
    first, second = told.made(41), told.made(42)
    told.position = None
    await told.commit(Position(1, 42, 702), cycles=(first, second))
    found = ask(book_reader)
    assert numbers(found) == [(2, 0, 2, 0, 0)]
    assert found.rows[0]["begin"] == {"epoch": 1, "sequence": 40, "total_count": 700}


async def test_pages_hold_every_row_once(told: Told, book_reader: Engine) -> None:
    """Page by page the same rows as all at once, newest first."""
    await told.begin()
    for number in range(1, 8):
        await told.make(number)
        await told.swap((TOOL, OTHER_TOOL, None)[number % 3])
        await told.lose(1)
    whole = ask(book_reader, last=None)
    assert len(whole.rows) == 8
    for size in (1, 2, 3):
        seen: list[Record] = []
        page = ask(book_reader, last=size)
        seen += page.rows
        while page.next_before is not None:
            page = ask(book_reader, last=size, before=page.next_before)
            seen += page.rows
        assert seen == whole.rows


async def test_an_interval_gives_the_mounts_that_overlap_it(told: Told, book_reader: Engine) -> None:
    """Each whole; half-open."""
    await told.begin()
    await told.make(10)  # until 100 s after MORNING
    await told.swap(OTHER_TOOL)
    await told.make(10)

    def between(begin_s: int | None, end_s: int | None) -> Reconciliation:
        bounds = [None if s is None else MORNING + timedelta(seconds=s) for s in (begin_s, end_s)]
        return ask(book_reader, since=bounds[0], until=bounds[1])

    assert tools(between(0, 100)) == [TOOL.serial]
    assert tools(between(100, 101)) == [OTHER_TOOL.serial]
    assert tools(between(99, None)) == [OTHER_TOOL.serial, TOOL.serial]
    nothing = between(None, 0)
    assert (nothing.rows, nothing.balanced, nothing.unknown) == ([], None, {"balanced": NO_MOUNT})


async def test_of_a_controller_without_a_cycle_nothing_can_be_said(told: Told, book_reader: Engine) -> None:
    """Not that it is balanced."""
    found = ask(book_reader)
    assert (found.rows, found.balanced, found.unknown) == ([], None, {"balanced": NOTHING_YET})
    with book_reader.connect() as connection, pytest.raises(NotInBook, match="B-01"):
        find_reconciliation(connection, "B-01")


async def test_cycles_are_counted_on_the_primary_key(tmp_path: Path) -> None:
    """From the one mark to the other: no scan. On SQLite, whose planner goes by the statement alone."""
    engine = open_book_writer(StoreAddress(folder=tmp_path))
    migrate_book(engine)
    plans: list[str] = []
    async with Writer(engine, now=lambda: MORNING) as writer:
        await writer.register(IDENTITIES)
        told = Told(writer)
        await told.begin()
        await told.make(10)
        reader = open_book_reader(StoreAddress(folder=tmp_path))
        with reader.connect() as connection:

            @event.listens_for(connection, "before_cursor_execute")
            def explain(_c: object, cursor: Any, statement: str, parameters: object, *_: object) -> None:
                if "count(*)" in statement:
                    cursor.execute(f"EXPLAIN QUERY PLAN {statement}", parameters)
                    plans.append(" ".join(row[3] for row in cursor.fetchall()))

            find_reconciliation(connection, "L1-01")
        reader.dispose()
    (plan,) = plans
    assert "SEARCH cycle USING COVERING INDEX sqlite_autoindex_cycle_1" in plan
    assert "(epoch,sequence)>(?,?) AND (epoch,sequence)<(?,?)" in plan


# ---- any history -------------------------------------------------------------------------------------------

EVENTS = st.lists(
    st.one_of(
        st.tuples(st.just("make"), st.integers(0, 5)),
        st.tuples(st.just("lose"), st.integers(1, 5)),
        st.tuples(st.sampled_from(["cleared", "entered"]), st.integers(0, 9)),
        st.tuples(st.just("unexplained"), st.integers(1, 5)),
        st.tuples(st.sampled_from(["swap", "remove"]), st.just(0)),
        st.tuples(st.just("restart"), st.integers(0, 5)),
        st.tuples(st.just("lost"), st.integers(0, 5)),
    ),
    max_size=25,
)


class History:
    """A controller's history as rows of the book, without a book."""

    def __init__(self, events: list[tuple[str, int]]) -> None:
        self.epoch, self.sequence, self.count = 1, 0, 100
        self.origin = self.mark
        self.mounts: list[Record] = []
        self.changes: list[Record] = []
        self.gaps: list[Record] = []
        self.stored: list[tuple[int, int]] = []
        self.ends: dict[int, int] = {}
        self.rises = 0
        self.swap(True)
        for what, number in events:
            match what:
                case "make":
                    for _ in range(number):
                        self.sequence, self.count = self.sequence + 1, self.count + 1
                        self.stored.append((self.epoch, self.sequence))
                case "lose":
                    self.lose(number)
                case "swap" | "remove":
                    self.swap(what == "swap")
                case "unexplained":
                    self.rises += number
                    self.change(what, self.count + number)
                case "restart":
                    self.lose(number)
                    self.epoch, self.sequence = self.epoch + 1, 0
                case "lost":
                    self.ends[self.epoch] = self.sequence
                    self.gaps.append(self.gap(self.sequence + 1, None))
                    self.epoch, self.sequence = self.epoch + 1, 0
                    self.change(what, number)
                case _:
                    self.change(what, 0 if what == "cleared" else number)

    @property
    def mark(self) -> Mark:
        return Mark(self.epoch, self.sequence, self.count)

    def gap(self, first: int, last: int | None) -> Record:
        return {"epoch": self.epoch, "first_sequence": first, "last_sequence": last}

    def lose(self, cycles: int) -> None:
        if cycles:
            self.gaps.append(self.gap(self.sequence + 1, self.sequence + cycles))
        self.sequence, self.count = self.sequence + cycles, self.count + cycles

    def change(self, kind: str, found: int) -> None:
        row = {"kind": kind, "epoch": self.epoch, "sequence": self.sequence}
        self.changes.append(row | {"expected": self.count, "found": found})
        self.count = found

    def swap(self, mounted: bool) -> None:
        columns = ("epoch", "sequence", "count")
        mark = (self.epoch, self.sequence, self.count)
        if self.mounts and self.mounts[-1]["unmounted_at"] is None:
            self.mounts[-1] |= {f"until_{name}": value for name, value in zip(columns, mark, strict=True)}
            self.mounts[-1]["unmounted_at"] = MORNING
        if mounted:
            after = {f"after_{name}": value for name, value in zip(columns, mark, strict=True)}
            self.mounts.append({"unmounted_at": None, "until_epoch": None, **after})


@given(EVENTS)
def test_whatever_happened_only_unexplained_rises_are_left_over(events: list[tuple[str, int]]) -> None:
    """Stretches follow each other without a hole, hold every cycle once, and balance but for the rises."""
    history = History(events)
    here = history.mark
    every = stays(history.mounts, history.origin, history.origin, here, to_position=True)
    stretches = list(stretches_of(every, history.changes, history.ends))
    rows = []
    for each in stretches:
        within = [key for key in history.stored if place(each.begin) < key <= place(each.end)]
        rows.append(equation(each, len(within), list(cut_to(each, history.gaps))))
    assert place(stretches[0].begin) == (1, 0)
    assert place(stretches[-1].end) == place(here)
    for before, after in pairwise(stretches):
        assert place(before.end) == place(after.begin)
    assert sum(row["stored"] for row in rows) == len(history.stored)
    known = [row for row, each in zip(rows, stretches, strict=True) if not each.lost]
    assert all(row["unexplained"] is not None for row in known)
    assert sum(row["unexplained"] for row in known) == history.rises
    assert all(row["unexplained"] >= 0 for row in known)
    assert sum(each.lost for each in stretches) == len(history.ends)
    if history.rises:
        assert all_balanced(rows) is False
    else:
        assert all_balanced(rows) is (None if history.ends else True)
