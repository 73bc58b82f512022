"""Statements: a shift is closed once, when it is proven that all of it is there, or says what is missing;
what comes later makes a numbered revision, and the sum over all statements is the truth.
"""

from collections import Counter
from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from hashlib import sha256
from random import Random
from typing import Any

import orjson
import pytest
from sqlalchemy import Engine, select

from collector.canonical_json import canonical
from collector.model import CountChange, Mark, Position
from collector.shifts import Shift, ShiftPlan
from collector.store import tables
from collector.store.statements import Seen, prepare
from tests.collector.store.line_rig import BERLIN, MET, MODULUS, PLAN, LineRig, line_rig
from tests.collector.store.rigs import OTHER_TOOL, TOOL, commit_numbers

EARLY = ("2026-10-23", "early")
LATE = ("2026-10-23", "late")
EARLY_ENDS = datetime(2026, 10, 23, 12, 42, tzinfo=UTC)
LATE_ENDS = datetime(2026, 10, 23, 20, 10, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
HOUR = timedelta(hours=1)


@pytest.fixture
async def line(book_engine: Engine, book_reader: Engine) -> AsyncIterator[LineRig]:
    async with line_rig(book_engine, book_reader, "L1-01", "L1-02") as rig:
        yield rig


def times(begin: datetime, number: int, apart: timedelta = MINUTE) -> list[datetime]:
    return [begin + apart * each for each in range(1, number + 1)]


def by_result(body: dict[str, Any]) -> Counter[str]:
    found = Counter[str]()
    for row in body["rows"]:
        found.update(row["by_result"])
    return +found


# ---- closing -----------------------------------------------------------------------------------------------


async def test_a_shift_is_closed_when_all_its_controllers_were_read_through(line: LineRig) -> None:
    """Not when it is over, and not when all but one were."""
    await line.work("L1-01", *times(MET, 5))
    await line.work("L1-02", *times(MET, 3), result="nok")
    await line.close(EARLY_ENDS - MINUTE)
    await line.read_through(EARLY_ENDS + MINUTE, "L1-01")
    await line.close(EARLY_ENDS + MINUTE)
    assert line.bodies() == []
    await line.read_through(EARLY_ENDS + MINUTE, "L1-02")
    await line.close(EARLY_ENDS + 2 * MINUTE)
    (body,) = line.bodies()
    assert (body["plant_day"], body["shift"], body["revision"]) == (*EARLY, 1)
    assert (body["state"], body["basis"], body["complete"], body["reasons"]) == (
        "closed",
        "read_through",
        True,
        [],
    )
    assert body["closed_at"] == "2026-10-23T12:44:00Z"
    assert [(row["controller"], row["cycles"]) for row in body["rows"]] == [("L1-01", 5), ("L1-02", 3)]
    assert by_result(body) == {"ok": 5, "nok": 3}
    assert body["rows"][0]["sequences"] == [{"epoch": 1, "first": "1", "last": "5"}]
    assert body["rows"][0]["tool"] == {"maker": TOOL.maker, "model": TOOL.model, "serial": TOOL.serial}


async def test_a_shift_without_cycles_is_stated_too(line: LineRig) -> None:
    """Zero is a result, and so is the time outside all shifts."""
    await line.read_through(LATE_ENDS + HOUR)
    await line.close(LATE_ENDS + HOUR)
    assert [(each["shift"], each["rows"], each["complete"]) for each in line.bodies()] == [
        ("early", [], True),
        ("late", [], True),
        ("outside-1", [], True),
    ]


async def test_a_controller_that_is_not_read_holds_a_shift_open_for_the_grace_time(line: LineRig) -> None:
    """Then it is closed, is not complete, and says which controller and since when."""
    await line.work("L1-01", *times(MET, 5))
    await line.read_through(EARLY_ENDS + 2 * HOUR, "L1-01")
    await line.close(EARLY_ENDS + HOUR - MINUTE)
    assert line.bodies() == []
    await line.close(EARLY_ENDS + HOUR)
    (body,) = line.bodies()
    assert (body["basis"], body["complete"], body["not_read_through"]) == ("grace", False, ["L1-02"])
    assert body["reasons"] == ["controller L1-02 was read through until 2026-10-23T04:20:00Z only"]


async def test_a_controller_that_comes_back_makes_a_revision(line: LineRig) -> None:
    """With what it had made; the one before stays as it was; and without anything new there is none."""
    await line.work("L1-01", *times(MET, 5))
    await line.work("L1-02", *times(MET, 2))
    await line.read_through(EARLY_ENDS + 2 * HOUR, "L1-01")
    await line.close(EARLY_ENDS + HOUR)
    (first,) = line.bodies()
    await line.work("L1-02", *times(EARLY_ENDS - HOUR, 4))
    await line.read_through(EARLY_ENDS + 2 * HOUR, "L1-02")
    for minutes in range(3):
        await line.close(EARLY_ENDS + 2 * HOUR + minutes * MINUTE)
    before, after = line.bodies()
    assert before == first
    assert (after["revision"], after["complete"], after["basis"]) == (2, True, "read_through")
    assert {(each["field"], each["from"], each["to"]) for each in after["changes"]} >= {
        ("cycles", 2, 6),
        ("ok", 2, 6),
        ("stored", 2, 6),
        ("counter_difference", 2, 6),
        ("complete", False, True),
    }
    assert all("read after the shift was closed" in each["cause"] for each in after["changes"])


async def test_a_controller_that_comes_back_empty_handed_completes_the_statement(line: LineRig) -> None:
    """No count changes, but now it is known that nothing is missing."""
    await line.read_through(EARLY_ENDS + 2 * HOUR, "L1-01")
    await line.close(EARLY_ENDS + HOUR)
    await line.close(EARLY_ENDS + HOUR + MINUTE)
    await line.read_through(EARLY_ENDS + 3 * HOUR)
    await line.close(EARLY_ENDS + 3 * HOUR)
    first, second = line.bodies()
    assert (first["complete"], second["complete"], second["revision"]) == (False, True, 2)
    assert second["changes"] == [
        {"field": "complete", "from": False, "to": True, "cause": "the controller was read through"}
    ]


async def test_shifts_close_in_order(line: LineRig) -> None:
    """One that waits for its grace time holds up those after it: a later one is never stated first."""
    await line.read_through(LATE_ENDS + MINUTE, "L1-01")
    await line.close(LATE_ENDS + MINUTE)
    assert list(line.latest()) == [EARLY]
    await line.close(LATE_ENDS + HOUR)
    assert list(line.latest()) == [EARLY, LATE]


async def test_nothing_is_closed_twice_after_a_restart(line: LineRig) -> None:
    """A pass that remembers nothing finds nothing to do."""
    await line.work("L1-01", *times(MET, 5))
    await line.read_through(LATE_ENDS + 2 * HOUR)
    await line.close(LATE_ENDS + 2 * HOUR)
    before = line.bodies()
    line.seen = Seen()
    await line.close(LATE_ENDS + 2 * HOUR + MINUTE)
    assert line.bodies() == before
    assert len(before) == 3


async def test_a_statement_that_something_overtakes_is_made_anew(line: LineRig) -> None:
    """What is committed between reading and writing is in it, or it is not written."""
    await line.work("L1-01", *times(MET, 5))
    await line.lose("L1-02", *times(MET, 2))
    await line.read_through(EARLY_ENDS + MINUTE)
    line.now = EARLY_ENDS + 2 * MINUTE
    with line.reader.connect() as connection:
        drafts, _ = prepare(connection, line.rules, Seen(), line.now)
    assert [each.occurrence.shift for each in drafts] == ["early"]
    await line.find("L1-02", 1)
    assert not await line.writer.close_shifts(drafts)
    assert line.bodies() == []
    await line.close(line.now)
    assert by_result(line.latest()[EARLY]) == {"ok": 6}


async def test_what_is_committed_beside_it_does_not_hold_it_up(line: LineRig) -> None:
    """Cycles of the shift that is on come all the time."""
    await line.work("L1-01", *times(MET, 5))
    await line.read_through(EARLY_ENDS + MINUTE)
    with line.reader.connect() as connection:
        drafts, _ = prepare(connection, line.rules, Seen(), EARLY_ENDS + 2 * MINUTE)
    await line.work("L1-01", *times(EARLY_ENDS + MINUTE, 5))
    assert await line.writer.close_shifts(drafts)


# ---- late data ---------------------------------------------------------------------------------------------


async def test_a_gap_makes_a_statement_incomplete_until_it_is_filled(line: LineRig) -> None:
    """Each file that fills a part of it makes a revision, which says by what."""
    await line.work("L1-01", *times(MET, 5))
    await line.lose("L1-01", *times(MET + HOUR, 3))
    await line.work("L1-01", *times(MET + 2 * HOUR, 4))
    await line.read_through(EARLY_ENDS + MINUTE)
    await line.close(EARLY_ENDS + 2 * MINUTE)
    body = line.latest()[EARLY]
    assert (body["complete"], body["basis"]) == (False, "read_through")
    assert "3 cycles of controller L1-01 are missing" in body["reasons"][0]
    assert [each["cycles"] for each in body["gaps"]] == [3]
    assert [(each["stored"], each["in_gaps"]) for each in body["reconciliation"]] == [(9, 3), (0, 0)]
    await line.find("L1-01", 7)
    await line.close(EARLY_ENDS + 3 * MINUTE)
    body = line.latest()[EARLY]
    assert (body["revision"], body["complete"], by_result(body)["ok"]) == (2, False, 10)
    assert {each["cause"] for each in body["changes"]} == {
        "came late: log file stick.csv; gap filled: log file stick.csv; gap noticed: history overwritten"
    }
    await line.find("L1-01", 6, 8, by="log file other.csv")
    await line.close(EARLY_ENDS + 4 * MINUTE)
    body = line.latest()[EARLY]
    assert (body["revision"], body["complete"], by_result(body)["ok"], body["gaps"]) == (3, True, 12, [])
    assert [each["revision"] for each in line.bodies()] == [1, 2, 3]


async def test_late_cycles_revise_the_shifts_in_which_they_ended_and_no_other(line: LineRig) -> None:
    """A gap over the bound of two shifts makes both incomplete; the third stays as it was."""
    await line.lose("L1-01", EARLY_ENDS - MINUTE, EARLY_ENDS, EARLY_ENDS + MINUTE)
    await line.read_through(LATE_ENDS + 2 * HOUR)
    await line.close(LATE_ENDS + 2 * HOUR)
    assert [each["complete"] for each in line.bodies()] == [False, False, True]
    await line.find("L1-01", 1, 2, 3)
    await line.close(LATE_ENDS + 2 * HOUR + MINUTE)
    found = line.latest()
    assert {key: (each["revision"], sum(by_result(each).values())) for key, each in found.items()} == {
        EARLY: (2, 1),
        LATE: (2, 2),
        ("2026-10-23", "outside-1"): (1, 0),
    }


async def test_what_was_seen_of_a_book_that_went_back_is_not_believed(line: LineRig) -> None:
    """Its numbers are given again: what came under them is looked at, and revises."""
    await line.lose("L1-01", EARLY_ENDS - HOUR, EARLY_ENDS - MINUTE, EARLY_ENDS - MINUTE)
    await line.read_through(LATE_ENDS)
    await line.close(LATE_ENDS)
    assert not line.latest()[EARLY]["complete"]
    await line.find("L1-01", 1, 2, 3)
    line.seen = replace(line.seen, commit=line.seen.commit + 1000)
    await line.close(LATE_ENDS + MINUTE)
    assert (line.latest()[EARLY]["revision"], by_result(line.latest()[EARLY])["ok"]) == (2, 3)


# ---- what a statement says ---------------------------------------------------------------------------------


async def test_a_tool_that_is_swapped_within_a_shift_has_a_row_of_its_own(line: LineRig) -> None:
    """In the counts, and in the equation with the controller's own count."""
    await line.work("L1-01", *times(MET, 5))
    await line.swap("L1-01", OTHER_TOOL, MET + HOUR)
    await line.work("L1-01", *times(MET + HOUR, 7))
    await line.read_through(EARLY_ENDS + MINUTE)
    await line.close(EARLY_ENDS + MINUTE)
    body = line.latest()[EARLY]
    assert [(row["tool"]["serial"], row["cycles"]) for row in body["rows"]] == [("T-1001", 5), ("T-1002", 7)]
    of_it = [each for each in body["reconciliation"] if each["controller"] == "L1-01"]
    assert [(each["tool"]["serial"], each["counter_begin"], each["counter_end"]) for each in of_it] == [
        ("T-1001", "5000", "5005"),
        ("T-1002", "5005", "5012"),
    ]
    assert all(each["unexplained"] == 0 for each in of_it)


async def test_a_count_that_is_cleared_is_explained(line: LineRig) -> None:
    """The equation holds with two clears in one shift, and with one between two shifts."""
    await line.work("L1-01", *times(MET, 5))
    await line.clear("L1-01", MET + HOUR)
    await line.work("L1-01", *times(MET + HOUR, 7))
    await line.clear("L1-01", MET + 2 * HOUR)
    await line.work("L1-01", *times(MET + 3 * HOUR, 2))
    await line.clear("L1-01", EARLY_ENDS + MINUTE)
    await line.work("L1-01", *times(EARLY_ENDS + MINUTE, 3))
    await line.read_through(LATE_ENDS + MINUTE)
    await line.close(LATE_ENDS + MINUTE)
    early, late = (line.latest()[key]["reconciliation"][0] for key in (EARLY, LATE))
    assert (early["counter_difference"], early["cleared"], early["stored"]) == (2 - 5000, 5005 + 7, 14)
    assert (late["counter_difference"], late["cleared"], late["stored"]) == (3 - 2, 2, 3)
    assert early["unexplained"] == late["unexplained"] == 0
    assert [len(each["count_changes"]) for each in (early, late)] == [2, 1]


async def test_where_records_do_not_tell_the_count_that_of_the_status_does(line: LineRig) -> None:
    """What stood at the bounds of the shift is told from there: a cycle a number, and the clears."""
    line.records_tell_count = False
    await line.work("L1-01", *times(MET, 5))
    await line.clear("L1-01", MET + HOUR)
    await line.work("L1-01", *times(MET + HOUR, 7))
    await line.work("L1-01", *times(EARLY_ENDS, 3))
    await line.clear("L1-01", EARLY_ENDS + HOUR)
    await line.work("L1-01", *times(EARLY_ENDS + HOUR, 2))
    await line.clear("L1-01", LATE_ENDS)
    await line.read_through(LATE_ENDS + MINUTE)
    await line.close(LATE_ENDS + MINUTE)
    early, late = (line.latest()[key]["reconciliation"][0] for key in (EARLY, LATE))
    assert (early["counter_begin"], early["counter_end"], early["cleared"]) == ("5000", "7", 5005)
    assert (late["counter_begin"], late["counter_end"], late["cleared"]) == ("7", "2", 10)
    assert early["unexplained"] == late["unexplained"] == 0


async def test_a_clear_that_is_noticed_late_revises_the_equation(line: LineRig) -> None:
    """Though no cycle came with it."""
    await line.work("L1-01", *times(MET, 5))
    await line.read_through(EARLY_ENDS + MINUTE)
    await line.close(EARLY_ENDS + MINUTE)
    before = line.positions["L1-01"]
    change = CountChange("cleared", Mark(1, 3, 5003), 5001, MET, EARLY_ENDS + HOUR)
    await line._commit("L1-01", before, counts=(change,))
    await line.close(EARLY_ENDS + HOUR)
    body = line.latest()[EARLY]
    assert body["revision"] == 2
    assert {each["cause"] for each in body["changes"]} == {"change of the count noticed: cleared"}


async def test_a_count_that_wraps_is_no_remainder(line: LineRig) -> None:
    """The record's count begins anew at its width; the difference is taken modulo that."""
    await line.clear("L1-02", MET)
    before = replace(line.positions["L1-01"], total_count=MODULUS - 3)
    mark = Mark(1, 0, 5000)
    change = CountChange("entered", mark, MODULUS - 3, MET, MET)
    await line._commit("L1-01", before, counts=(change,))
    await line.work("L1-01", *times(MET, 2))
    await line.read_through(EARLY_ENDS + MINUTE)
    await line.close(EARLY_ENDS + MINUTE)
    made = [line.make("L1-01", at, number) for number, at in enumerate(times(EARLY_ENDS, 4), start=1)]
    wrapped = [
        replace(each, cycle=replace(each.cycle, total_count=(each.cycle.total_count or 0) % MODULUS))
        for each in made
    ]
    position = Position(1, 6, MODULUS + 3, LATE_ENDS + MINUTE)
    await line._commit("L1-01", position, cycles=tuple(wrapped))
    await line.read_through(LATE_ENDS + MINUTE)
    await line.close(LATE_ENDS + MINUTE)
    late = line.latest()[LATE]["reconciliation"][0]
    assert (late["counter_begin"], late["counter_end"]) == (str(MODULUS - 1), "3")
    assert (late["counter_difference"], late["stored"], late["unexplained"]) == (4, 4, 0)


async def test_cycles_whose_end_may_lie_beyond_the_bound_are_counted_apart(line: LineRig) -> None:
    """By the uncertainty of their times; they are counted where their stored end lies."""
    near = timedelta(milliseconds=15)
    await line.work("L1-01", MET + near, MET + HOUR, EARLY_ENDS - near)
    await line.read_through(EARLY_ENDS + MINUTE)
    await line.close(EARLY_ENDS + MINUTE)
    (row,) = line.latest()[EARLY]["rows"]
    assert (row["cycles"], row["near_boundary"]) == (3, 2)


async def test_a_plan_that_is_changed_without_a_date_moves_nothing_that_is_stated(line: LineRig) -> None:
    """What is stated stays; the rest of a shift that has begun has a name of its own; no time is left out."""
    await line.work("L1-01", EARLY_ENDS - MINUTE, EARLY_ENDS + MINUTE)
    await line.read_through(EARLY_ENDS + MINUTE)
    await line.close(EARLY_ENDS + MINUTE)
    longer = [(None, Shift("early", time(6, 20), time(18))), (None, Shift("late", time(18), time(6, 20)))]
    line.rules = replace(line.rules, plan=ShiftPlan.of(BERLIN, longer))
    await line.read_through(MET + 30 * HOUR)
    await line.close(MET + 30 * HOUR)
    found = [(each["shift"], each["begins_at"][11:16], len(each["rows"])) for each in line.bodies()]
    assert found == [("early", "04:20", 1), ("replanned-20261023T1242Z", "12:42", 1), ("late", "16:00", 0)]


# ---- the chain ---------------------------------------------------------------------------------------------


async def test_statements_are_chained_and_numbered(line: LineRig, book_engine: Engine) -> None:
    """Each names the hash of the one before; hash and number can be had from the text alone."""
    await line.work("L1-01", *times(MET, 5))
    await line.lose("L1-02", *times(MET, 2))
    await line.read_through(LATE_ENDS + HOUR)
    await line.close(LATE_ENDS + HOUR)
    await line.find("L1-02", 1, 2)
    await line.close(LATE_ENDS + 2 * HOUR)
    with line.reader.connect() as connection:
        rows = connection.execute(select(tables.statement).order_by(tables.statement.c.commit_number)).all()
        instance = connection.scalar(select(tables.book.c.instance))
    assert len(rows) == 4
    previous = None
    for row in rows:
        body = orjson.loads(row.body)
        assert row.body == canonical(body)
        assert row.hash == sha256(row.body.encode()).hexdigest()
        assert body["previous_hash"] == row.previous_hash == previous
        assert (body["commit"], body["book"]) == (str(row.commit_number), instance)
        previous = row.hash
    numbers = commit_numbers(book_engine)
    assert numbers == list(range(1, len(numbers) + 1))


# ---- days --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2, 5])
async def test_the_sum_over_all_statements_is_the_truth(line: LineRig, seed: int) -> None:
    """Four days with the night on which the clocks go back: cycles, losses, files, swaps, cleared counts and
    controllers out of reach, passes at any time, a restart. Every shift's latest revision says what its time
    holds; every equation balances; what is missing is in listed gaps.
    """
    dice = Random(seed)
    at, end = MET, MET + timedelta(days=4)
    away: dict[str, datetime] = {}
    while at < end:
        at += timedelta(minutes=dice.randrange(1, 240), microseconds=dice.randrange(10**6))
        line.now = at
        controller = dice.choice(["L1-01", "L1-02"])
        for name, back in list(away.items()):
            if at >= back:
                del away[name]
                begin = line.positions[name].read_through_at or MET
                await line.work(name, *spread(dice, begin, at, dice.randrange(1, 6)))
        if controller not in away:
            through = line.positions[controller].read_through_at or MET
            match dice.randrange(10):
                case 0:
                    await line.swap(controller, dice.choice([TOOL, OTHER_TOOL]), at)
                case 1:
                    await line.clear(controller, at)
                case 2:
                    await line.lose(controller, *spread(dice, through, at, dice.randrange(1, 5)))
                case 3:
                    away[controller] = at + timedelta(hours=dice.randrange(1, 20))
                case _:
                    result = dice.choice(["ok", "ok", "nok"])
                    await line.work(
                        controller, *spread(dice, through, at, dice.randrange(1, 9)), result=result
                    )
        await line.read_through(at, *(name for name in line.positions if name not in away))
        await bring_some(line, dice)
        if dice.random() < 0.5:
            await line.close(at + timedelta(seconds=dice.randrange(60)))
        if dice.random() < 0.1:
            line.seen = Seen()
    await line.read_through(end + 2 * HOUR)
    await line.close(end + 2 * HOUR)
    check(line, end)
    for controller, sequence in list(line.missing):
        await line.find(controller, sequence)
    await line.close(end + 3 * HOUR)
    check(line, end)
    assert all(each["complete"] for each in line.latest().values())


def spread(dice: Random, begin: datetime, end: datetime, number: int) -> list[datetime]:
    """Instants in order within a stretch of time, sometimes on a bound of a shift."""
    span = (end - begin) // timedelta(microseconds=1)
    found = {begin + timedelta(microseconds=dice.randrange(1, span)) for _ in range(number)}
    bound = PLAN.occurrence_at(end).begins_at
    if bound > begin:
        found.add(bound)
    return sorted(found)


async def bring_some(line: LineRig, dice: Random) -> None:
    if line.missing and dice.random() < 0.2:
        await line.find(*dice.choice(list(line.missing)))


def check(line: LineRig, end: datetime) -> None:
    """The latest revisions against every cycle that was made, one by one."""
    found = line.latest()
    occurrences = [each for each in PLAN.occurrences(MET, end) if each.ends_at <= end]
    assert list(found)[: len(occurrences)] or not occurrences
    for each in occurrences:
        body = found[each.plant_day.isoformat(), each.shift]
        inside = [
            (name, booked) for name, booked in line.stored if each.begins_at <= booked.ended_at < each.ends_at
        ]
        naive = Counter((name, booked.tool.serial, booked.cycle.result) for name, booked in inside)
        told = Counter[tuple[str, str, str]]()
        for row in body["rows"]:
            for result, cycles in row["by_result"].items():
                told[row["controller"], row["tool"]["serial"], result] += cycles
        assert +told == naive
        for row in body["reconciliation"]:
            sides = row["stored"] + row["in_gaps"] + row["unexplained"]
            assert row["counter_difference"] + row["cleared"] == sides
            assert row["unexplained"] == 0
        lost = [
            booked for booked in line.missing.values() if each.begins_at <= booked.ended_at < each.ends_at
        ]
        assert not (lost and body["complete"])
    stated = sum(row["stored"] + row["in_gaps"] for body in found.values() for row in body["reconciliation"])
    assert stated <= len(line.stored) + len(line.missing)
