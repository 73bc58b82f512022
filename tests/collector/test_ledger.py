"""The ledger: which cycles exist, which are new, which are lost."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector import ledger
from collector.model import (
    ActiveFault,
    BookedCycle,
    Cycle,
    FaultAcknowledged,
    FaultCleared,
    FaultRaised,
    Gap,
    GapReason,
    MountChange,
    Position,
    Status,
    ToolName,
)

NOW = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
TOOL = ToolName("Example Tools", "BT-20", "M-1")


def record(number: int, modulus: int, mark: str = "") -> Cycle:
    return Cycle(sequence=number % modulus, total_count=number, raw=f"{number}{mark}".encode())


def test_first_contact_takes_the_whole_memory() -> None:
    """A controller that the book never met is read as far back as it remembers."""
    plan = ledger.plan(None, 100, 2**16, 30)
    assert (plan.kind, plan.epoch, plan.last) == ("first contact", 1, 100)
    assert plan.wanted == range(71, 101)


def test_first_contact_near_the_wrap_reaches_back_over_it() -> None:
    """With 3 as last sequence, the records 65530 … 65535 before it are older, not newer."""
    plan = ledger.plan(None, 3, 2**16, 10)
    found = {number: record(number, 2**16) for number in plan.wanted}
    last, numbered = ledger.begin_epoch(plan, found, 2**16)
    assert last == 65536 + 3
    assert sorted(numbered) == list(range(65530, 65540))
    assert [numbered[n].sequence for n in (65535, 65536)] == [65535, 0]


def test_a_fresh_controller_is_numbered_as_it_counts() -> None:
    """Where nothing lies before the wrap, the book's numbers are the controller's."""
    plan = ledger.plan(None, 3, 2**16, 10)
    found = {number: record(number, 2**16) for number in plan.wanted if number > 65536}
    assert ledger.begin_epoch(plan, found, 2**16)[0] == 3
    assert sorted(ledger.begin_epoch(plan, found, 2**16)[1]) == [1, 2, 3]


def test_what_no_longer_fits_in_the_memory_is_planned_as_overwritten() -> None:
    """100 new cycles against 30 records: 70 are lost, 30 are fetched."""
    plan = ledger.plan(Position(1, 1000), 1100, 2**16, 30)
    assert plan.overwritten == range(1001, 1071)
    assert plan.wanted == range(1071, 1101)


def test_a_wrap_is_no_restart() -> None:
    """A 16-bit counter from 65535 to 0 is one cycle."""
    plan = ledger.plan(Position(1, 65535), 0, 2**16, 30)
    assert (plan.kind, plan.wanted) == ("new cycles", range(65536, 65537))


def test_a_fall_back_begins_a_new_epoch() -> None:
    """From 5,000 to 12 is a restart, and its numbers are those of a new epoch."""
    plan = ledger.plan(Position(3, 5000), 12, 2**16, 30)
    assert (plan.kind, plan.epoch) == ("restarted", 4)


def test_records_that_the_book_has_are_not_taken_again_in_a_new_epoch() -> None:
    """A controller that falls back to an older number with its memory intact brings only what is new."""
    found = {n: record(n, 2**16) for n in range(101, 122)}
    found[121] = record(121, 2**16, "again")
    known = {n: record(n, 2**16).raw for n in range(101, 141)}
    assert sorted(ledger.unseen(found, known, 2**16)) == [121]


def test_a_record_that_says_neither_when_nor_how_many_is_taken_again() -> None:
    """Two clamps may look alike; rather one too many under its own number than one too few."""
    found = {7: Cycle(sequence=7, raw=b"same")}
    assert ledger.unseen(found, {7: b"same"}, 2**16) == found


@given(
    st.integers(0, 200).flatmap(
        lambda size: st.tuples(
            st.integers(0, 10**6), st.lists(st.sampled_from("clru"), min_size=size, max_size=size)
        )
    )
)
def test_every_number_is_a_cycle_or_in_exactly_one_gap(case: tuple[int, list[str]]) -> None:
    """Settling leaves no number out, none twice, and merges neighbours lost for one reason."""
    begin, fates = case
    numbers = range(begin, begin + len(fates))
    found = {n: record(n, 2**32) for n, fate in zip(numbers, fates, strict=True) if fate == "c"}
    reasons: dict[str, GapReason] = {"r": "record unreadable", "u": "skipped sequence"}
    lost = {n: reasons[fate] for n, fate in zip(numbers, fates, strict=True) if fate in reasons}
    cycles, gaps = ledger.settle(1, numbers, found, lost)
    settled = [n for n, _ in cycles] + [n for g in gaps for n in range(g.first_sequence, g.last_sequence + 1)]
    assert sorted(settled) == list(numbers)
    for one, two in pairwise(gaps):
        assert two.first_sequence > one.last_sequence + 1 or one.reason != two.reason
    for gap in gaps:
        expected = {
            lost.get(n, "history overwritten") for n in range(gap.first_sequence, gap.last_sequence + 1)
        }
        assert expected == {gap.reason}


@given(
    bits=st.sampled_from([8, 16, 32, 64]),
    slots=st.integers(1, 50),
    start=st.integers(0, 2**20),
    bursts=st.lists(st.integers(0, 90), min_size=1, max_size=40),
)
def test_polls_of_any_rhythm_give_every_cycle_once_or_in_a_gap(
    bits: int, slots: int, start: int, bursts: list[int]
) -> None:
    """Over wraps of any width, each cycle made after first contact is stored once or inside a listed gap."""
    modulus = 2**bits
    position = Position(1, start)
    made = start
    stored: list[int] = []
    missing: list[int] = []
    for burst in bursts:
        made += burst
        plan = ledger.plan(position, made % modulus, modulus, slots)
        found = {n: record(n, modulus) for n in plan.wanted if n > made - slots}
        cycles, gaps = ledger.settle(plan.epoch, plan.wanted, found, {})
        gaps = [*ledger.whole_gap(plan.epoch, plan.overwritten, "history overwritten"), *gaps]
        stored += [n for n, _ in cycles]
        missing += [n for g in gaps for n in range(g.first_sequence, g.last_sequence + 1)]
        position = ledger.position_at(plan.epoch, plan.last, plan.last, None, NOW)
    assert sorted(stored + missing) == list(range(start + 1, made + 1))
    assert len(missing) == sum(max(burst - slots, 0) for burst in bursts)


def test_the_count_at_a_position_follows_from_the_count_at_the_last_sequence() -> None:
    """Three cycles before the last one, the controller's counter stood three lower."""
    assert ledger.position_at(1, 97, 100, 5000, NOW) == Position(1, 97, 4997, NOW)


Lost = list[tuple[int, int, int | None]]


def lost(before: Position, begun: Position, first: int, brought: int) -> Lost:
    gaps = ledger.lost_in_restart(before, begun, first, brought)
    assert {gap.reason for gap in gaps} <= {"controller restarted"}
    return [(gap.epoch, gap.first_sequence, gap.last_sequence) for gap in gaps]


def test_cycles_lost_in_a_restart_are_counted_by_the_controllers_own_counter() -> None:
    """Counter 5,000 at our position, 5,012 now, 4 of them in the new epoch: 8 were lost in it."""
    assert lost(Position(2, 700, 5000), Position(3, 4, 5012), first=1, brought=4) == [(2, 701, 708)]


def test_numbers_before_the_first_of_a_new_epoch_are_missing_in_it() -> None:
    """It counts from 1 again and brought 3 and 4: of 8 missing cycles, 1 and 2 are the new epoch's."""
    assert lost(Position(2, 700, 5000), Position(3, 4, 5010), 3, 2) == [(2, 701, 706), (3, 1, 2)]


def test_a_restart_that_lost_nothing_makes_up_no_gap() -> None:
    """The counter explains every cycle; the numbers before 650 were counted in the epoch before."""
    assert lost(Position(2, 700, 5000), Position(3, 4, 5004), first=1, brought=4) == []
    assert lost(Position(2, 700, 5000), Position(3, 650, 5001), first=650, brought=1) == []


def test_a_counter_that_began_anew_with_the_sequence_tells_of_the_new_epoch_only() -> None:
    """Counter and sequence both at 7, 6 and 7 brought: 1 to 5 are missing, and before that nobody knows."""
    assert lost(Position(2, 700, 5000), Position(3, 7, 7), 6, 2) == [(2, 701, None), (3, 1, 5)]


@pytest.mark.parametrize(("before", "now"), [(None, 5012), (5000, None), (5000, 99)])
def test_where_nobody_can_count_a_restart_is_a_gap_without_a_number(
    before: int | None, now: int | None
) -> None:
    """No counter, or one that was lost and set to something: a count must not be silently short."""
    assert lost(Position(2, 700, before), Position(3, 4, now), first=1, brought=4) == [(2, 701, None)]


def test_a_gap_lies_between_the_cycles_around_it() -> None:
    """Its bounds are the end of the cycle before and of the cycle after."""
    around = [
        BookedCycle(1, n, NOW + timedelta(seconds=n), 1.0, TOOL, record(n, 2**16)) for n in (1, 2, 6, 7)
    ]
    (gap,) = ledger.bound(
        [Gap(1, 3, 5, "history overwritten", None, None)],
        around,
        NOW - timedelta(hours=1),
        NOW + timedelta(hours=1),
    )
    assert (gap.after_at, gap.before_at) == (NOW + timedelta(seconds=2), NOW + timedelta(seconds=6))


def test_a_gap_without_a_number_ends_with_its_epoch() -> None:
    """What lies after it are the cycles of the next epoch."""
    after = BookedCycle(3, 1, NOW, 1.0, TOOL, record(1, 2**16))
    open_ended = Gap(2, 701, None, "controller restarted", None, None)
    (gap,) = ledger.bound([open_ended], [after], NOW - timedelta(hours=1), NOW + timedelta(hours=1))
    assert (gap.after_at, gap.before_at) == (NOW - timedelta(hours=1), NOW)


def test_a_gap_with_nothing_around_it_lies_between_the_polls() -> None:
    """Without neighbours, the last proof of completeness and the present bound it."""
    (gap,) = ledger.bound([Gap(1, 3, 5, "messages lost", None, None)], [], NOW - timedelta(hours=1), NOW)
    assert (gap.after_at, gap.before_at) == (NOW - timedelta(hours=1), NOW)


@pytest.mark.parametrize(
    ("sequence", "kind", "number", "missing"),
    [
        (8, "next", 65544, range(0)),
        (12, "after a gap", 65548, range(65544, 65548)),
        (7, "repeated", 65543, range(0)),
        (3, "repeated", 65539, range(0)),
        (65530, "repeated", 65530, range(0)),
    ],
)
def test_a_message_finds_its_place(sequence: int, kind: str, number: int, missing: range) -> None:
    """Next, after a gap, or not new: decided from the position alone, over the wrap."""
    arrival = ledger.arrival(Position(1, 65543), sequence, 2**16)
    assert (arrival.kind, arrival.number) == (kind, number)
    assert list(arrival.missing) == list(missing)


def test_faults_are_raised_acknowledged_and_cleared_once() -> None:
    """Three instants, three changes, none of them repeated while nothing changes."""
    air = ActiveFault("E04", "Supply air low", "system", acknowledged=False)
    seen = replace(air, acknowledged=True)
    before = NOW - timedelta(seconds=1)
    raised = ledger.fault_changes({}, [air], TOOL, NOW, before)
    assert raised == (FaultRaised("E04", "Supply air low", "system", TOOL, NOW, before),)
    assert ledger.fault_changes(ledger.open_after([air]), [air], TOOL, NOW, before) == ()
    assert ledger.fault_changes({"E04": False}, [seen], TOOL, NOW, before) == (FaultAcknowledged("E04", NOW),)
    assert ledger.fault_changes(ledger.open_after([seen]), [seen], TOOL, NOW, before) == ()
    assert ledger.fault_changes({"E04": True}, [], TOOL, NOW, before) == (FaultCleared("E04", NOW),)


def test_a_fault_that_comes_acknowledged_is_raised_and_acknowledged() -> None:
    """Between two polls both may have happened; neither instant is left out."""
    fault = ActiveFault("E01", "No band", "process", acknowledged=True)
    kinds = [type(change) for change in ledger.fault_changes({}, [fault], TOOL, NOW, None)]
    assert kinds == [FaultRaised, FaultAcknowledged]


def test_another_tool_in_the_status_is_a_mount() -> None:
    """A swap, a removal and a first sight are mount changes; the same tool is none."""
    status = Status(last_sequence=1, tool=TOOL)
    assert ledger.mount_changes(None, status, NOW) == (MountChange(TOOL, NOW),)
    assert ledger.mount_changes(TOOL, status, NOW) == ()
    assert ledger.mount_changes(TOOL, replace(status, tool=None), NOW) == (MountChange(None, NOW),)


def test_a_cycle_belongs_to_the_tool_that_its_record_names() -> None:
    """The record's word comes first, then the status, and a cycle of nobody is kept as of an unknown tool."""
    named = Cycle(sequence=1, tool_serial="M-9")
    assert ledger.tool_of(named, TOOL, "Example Tools", "BT-20").serial == "M-9"
    assert ledger.tool_of(Cycle(sequence=1), TOOL, "", "") == TOOL
    assert ledger.tool_of(Cycle(sequence=1), None, "", "") == ledger.NO_TOOL
