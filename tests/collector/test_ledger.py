"""The ledger: which cycles exist, which are new, which are lost."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector import ledger
from collector.ledger import Counted, Mounted, Numbering
from collector.model import (
    ActiveFault,
    BookedCycle,
    CountChange,
    Cycle,
    FaultAcknowledged,
    FaultCleared,
    FaultRaised,
    Gap,
    GapReason,
    LateCycle,
    Mark,
    MountChange,
    Position,
    ToolName,
)

NOW = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
TOOL = ToolName("Example Tools", "BT-20", "M-1")
OTHER_TOOL = replace(TOOL, serial="M-2")
MOST = 5000
"""Cycles that can have been made meanwhile, where that does not matter."""


def numbering(bits: int = 16, slots: int = 30, count_bits: int | None = 32) -> Numbering:
    """A cycle a second at most."""
    return Numbering(2**bits, slots, None if count_bits is None else 2**count_bits, timedelta(seconds=1))


TEN = numbering(slots=10)
THIRTY = numbering()


def record(number: int, modulus: int, mark: str = "") -> Cycle:
    return Cycle(sequence=number % modulus, total_count=number, raw=f"{number}{mark}".encode())


# ---- what to fetch ----


def test_first_contact_takes_the_whole_memory() -> None:
    """A controller that the book never met is read as far back as it remembers."""
    plan = ledger.plan(None, 100, None, THIRTY)
    assert (plan.kind, plan.epoch, plan.last) == ("first contact", 1, 100)
    assert plan.wanted == range(71, 101)


def test_first_contact_near_the_wrap_reaches_back_over_it() -> None:
    """With 3 as last sequence, the records 65530 … 65535 before it are older, not newer."""
    plan = ledger.plan(None, 3, None, TEN)
    found = {number: record(number, 2**16) for number in plan.wanted}
    last, numbered, _ = ledger.begin_epoch(plan, found, {}, 2**16)
    assert last == 65536 + 3
    assert sorted(numbered) == list(range(65530, 65540))
    assert [numbered[n].sequence for n in (65535, 65536)] == [65535, 0]


def test_a_fresh_controller_is_numbered_as_it_counts() -> None:
    """Where nothing lies before the wrap, the book's numbers are the controller's."""
    plan = ledger.plan(None, 3, None, TEN)
    found = {number: record(number, 2**16) for number in plan.wanted if number > 65536}
    last, numbered, _ = ledger.begin_epoch(plan, found, {}, 2**16)
    assert (last, sorted(numbered)) == (3, [1, 2, 3])


@pytest.mark.parametrize("why", ["skipped sequence", "history overwritten"])
def test_a_memory_that_has_no_number_0_has_not_come_over_the_wrap(why: GapReason) -> None:
    """It fell back to 0 and kept its records; those from below the wrap are of a time before."""
    plan = ledger.plan(None, 3, None, TEN)
    found = {number: record(number, 2**16) for number in (65531, 65532, 65537, 65538, 65539)}
    lost: dict[int, GapReason] = dict.fromkeys((65533, 65534, 65535, 65536), why)
    last, numbered, _ = ledger.begin_epoch(plan, found, lost, 2**16)
    assert (last, sorted(numbered)) == (3, [1, 2, 3])


@pytest.mark.parametrize(
    ("at", "shown", "number"),
    [(65530, 2, 65535), (65534, 0, 65535), (65535, 0, 65536), (65535, 2, 65536), (65530, 65535, None)],
)
def test_the_last_number_before_the_wrap_tells_who_came_over_it(
    at: int, shown: int, number: int | None
) -> None:
    """Where our own position is that number, the one behind it."""
    plan = ledger.plan(Position(1, at), shown, None, TEN, new_connection=True)
    assert ledger.at_the_wrap(plan, 2**16) == number


def test_what_was_lost_of_a_new_epoch_is_numbered_as_what_was_found() -> None:
    """Also where the numbers are put back by a circle: the reason goes with its number."""
    plan = ledger.plan(None, 3, None, TEN)
    found = {number: record(number, 2**16) for number in (65537, 65539)}
    assert ledger.begin_epoch(plan, found, {65538: "record unreadable"}, 2**16) == (
        3,
        {1: found[65537], 3: found[65539]},
        {2: "record unreadable"},
    )


def test_what_no_longer_fits_in_the_memory_is_planned_as_overwritten() -> None:
    """100 new cycles against 30 records: 70 are lost, 30 are fetched."""
    plan = ledger.plan(Position(1, 1000), 1100, None, THIRTY)
    assert plan.overwritten == range(1001, 1071)
    assert plan.wanted == range(1071, 1101)


def test_a_wrap_is_no_restart() -> None:
    """A 16-bit counter from 65535 to 0 is one cycle."""
    plan = ledger.plan(Position(1, 65535), 0, None, THIRTY)
    assert (plan.kind, plan.wanted) == ("new cycles", range(65536, 65537))


def test_a_fall_back_begins_a_new_epoch() -> None:
    """From 5,000 to 12 is a restart, and its numbers are those of a new epoch."""
    plan = ledger.plan(Position(3, 5000), 12, None, THIRTY)
    assert (plan.kind, plan.epoch) == ("restarted", 4)


@pytest.mark.parametrize(
    ("sequence", "count", "most", "new"),
    [
        (110, None, None, 10),
        (110, 5010, MOST, 10),
        (110, 5266, MOST, 266),  # the count says a circle of 256 more
        (110, 5522, MOST, 522),
        (110, 5266, 100, 10),  # which can't have been made in the time
        (110, 5266, None, 10),  # or nobody knows the time
        (110, 5267, MOST, 10),  # the count fits no circle: it was changed
        (110, 4000, MOST, 10),  # so it was here
        (250, 5150, MOST, 150),  # more than half a circle, and the count agrees
        (250, 5406, MOST, 406),
        (250, None, MOST, None),  # more than half a circle is a fall-back
        (250, 5151, MOST, None),
        (200, None, 99, None),  # more than can have been made
        (200, None, 100, 100),
        (100, 5000, MOST, 0),
        (100, 5256, MOST, 256),
        (100, None, MOST, 0),
        (90, 4990, MOST, None),
    ],
)
def test_how_far_a_narrow_sequence_is_ahead(
    sequence: int, count: int | None, most: int | None, new: int | None
) -> None:
    """8 bits, 100 with count 5,000 in the book: the shorter way round, the count, and the time tell."""
    narrow = numbering(bits=8, slots=20)
    assert ledger.ahead(Position(1, 100, 5000), sequence, count, narrow, most).new == new


@pytest.mark.parametrize(
    ("known", "shown", "up"),
    [(None, 7, None), (7, None, None), (65_534, 3, 5), (131_070, 3, 5), (500, 499, 65_535)],
)
def test_a_count_goes_up_round_its_own_circle(known: int | None, shown: int | None, up: int | None) -> None:
    """16 bits of a count; the book's own is unwrapped."""
    assert ledger.count_since(Position(1, 1, known), shown, numbering(count_bits=16)) == up


def test_how_many_cycles_can_have_been_made_follows_from_the_time() -> None:
    """A cycle a second, and the memory's own size over, for what the clocks do not agree on."""
    assert THIRTY.most(NOW, NOW + timedelta(hours=1)) == 3630
    assert THIRTY.most(NOW, NOW) == 30
    assert THIRTY.most(None, NOW) is None
    assert THIRTY.most(NOW, NOW - timedelta(seconds=1)) is None, "our own clock was set back"


# ---- is it the same memory? ----


@pytest.mark.parametrize(
    ("last", "count", "new_connection", "proof"),
    [
        (100, 5000, False, None),  # nothing has happened while we looked
        (100, 5000, True, 100),
        (100, 4000, False, 100),
        (101, 5001, False, 100),
        (128, 5028, False, 100),
        (129, 5029, False, None),  # its slot is the next to be written
        (129, 5029, True, None),
        (140, 5040, True, None),
        (140, 99, False, None),  # while a connection lasts, a count may be changed by a person
    ],
)
def test_the_record_at_our_position_is_read_again_where_it_is_still_there(
    last: int, count: int, new_connection: bool, proof: int | None
) -> None:
    """After every outage, and with every new cycle."""
    plan = ledger.plan(Position(1, 100, 5000), last, count, THIRTY, most=MOST, new_connection=new_connection)
    assert plan.epoch == 1
    assert plan.proof == proof


def test_without_a_proof_a_count_that_does_not_agree_is_another_memory() -> None:
    """After an outage, where the record at our position is gone."""
    plan = ledger.plan(Position(1, 100, 5000), 140, 99, THIRTY, most=MOST, new_connection=True)
    assert (plan.kind, plan.epoch) == ("restarted", 2)


def test_a_count_that_rose_by_more_than_the_sequence_in_an_outage_is_another_memory() -> None:
    """It went on to 102, fell back to 100 and made another 101: ours is still there, and two are lost."""
    position = Position(1, 100, 5000)
    outage = ledger.plan(position, 101, 5003, THIRTY, most=MOST, new_connection=True)
    assert (outage.kind, outage.epoch, outage.agrees) == ("restarted", 2, False)
    connected = ledger.plan(position, 101, 5003, THIRTY, most=MOST)
    assert (connected.kind, connected.proof) == ("new cycles", 100), "somebody changed the count"
    entered = ledger.plan(position, 101, 5000 + MOST + 1, THIRTY, most=MOST, new_connection=True)
    assert (entered.kind, entered.proof) == ("new cycles", 100), "cycles can't have made it so"


def test_a_controller_that_keeps_only_its_last_record_proves_itself_where_it_stands() -> None:
    """With one new cycle the record at our position is gone; with none it is the last."""
    only = numbering(slots=1)
    assert ledger.plan(Position(1, 100), 100, None, only, new_connection=True).proof == 100
    assert ledger.plan(Position(1, 100), 101, None, only, new_connection=True).proof is None


@pytest.mark.parametrize(
    ("known", "found", "why", "same"),
    [
        (b"7", b"7", None, True),
        (b"7", b"7 again", None, False),
        (b"7", None, "skipped sequence", False),  # erased, or of an older round
        (b"7", None, "history overwritten", None),  # it has moved on meanwhile
        (b"7", None, "record unreadable", None),
        (None, b"7", None, None),  # the book has no record there
    ],
)
def test_bytes_say_whether_it_is_the_same_memory(
    known: bytes | None, found: bytes | None, why: GapReason | None, same: bool | None
) -> None:
    """The same record, another one, or nothing to compare."""
    records = {} if found is None else {7: Cycle(sequence=7, raw=found)}
    assert ledger.is_same_memory(7, known, records, {} if why is None else {7: why}) is same


@pytest.mark.parametrize(("time", "count", "says"), [(NOW, None, True), (None, 7, True), (None, None, False)])
def test_a_record_that_looks_like_one_in_the_book_is_that_one_if_it_says_so(
    time: datetime | None, count: int | None, says: bool
) -> None:
    """By its time or its count; else two clamps may look alike: rather one too many than one too few."""
    cycle = Cycle(sequence=7, controller_time=time, total_count=count, raw=b"7")
    assert ledger.says_which(cycle) is says


# ---- sequences of 64 bits ----


WIDE = numbering(bits=64, slots=10)


@pytest.mark.parametrize(
    "sequence", [0, 5, 2**32, 2**62 - 1, 2**62, 2**63 - 1, 2**63, 2**63 + 5, 2**64 - 3, 2**64 - 1]
)
def test_numbers_of_64_bits_fit_the_store_and_stay_what_the_controller_says(sequence: int) -> None:
    """The store's numbers have a sign: the upper half of the circle is counted from below 0."""
    first = ledger.first_number(sequence)
    assert -(2**63) <= first < 2**63
    assert first % 2**64 == sequence


def test_a_wrap_of_64_bits_is_no_restart() -> None:
    """From 2⁶⁴ − 2 over 0 to 3: five new cycles, and the numbers go up through 0."""
    begun = ledger.plan(None, 2**64 - 2, None, WIDE)
    assert (begun.last, begun.wanted) == (-2, range(-11, -1))
    found = {n: record(n, 2**64) for n in begun.wanted}
    assert [cycle.sequence for cycle in found.values()] == list(range(2**64 - 11, 2**64 - 1))
    last, numbered, _ = ledger.begin_epoch(begun, found, {}, 2**64)
    assert (last, numbered) == (-2, found)
    plan = ledger.plan(Position(1, last), 3, None, WIDE)
    assert (plan.kind, plan.wanted, plan.proof) == ("new cycles", range(-1, 4), -2)


def test_first_contact_just_above_the_wrap_of_64_bits_reaches_back_over_it() -> None:
    """With 3 as last sequence, the records before the wrap have numbers below 0."""
    plan = ledger.plan(None, 3, None, WIDE)
    found = {number: record(number, 2**64) for number in plan.wanted}
    assert ledger.begin_epoch(plan, found, {}, 2**64) == (3, found, {})
    assert found[-1].sequence == 2**64 - 1


def test_a_memory_that_counts_across_the_stores_largest_number_begins_a_new_epoch() -> None:
    """From 2⁶³ − 2 on three cycles: there is no number for them in the same epoch, and none is lost."""
    plan = ledger.plan(Position(1, 2**63 - 2), 2**63 + 1, None, WIDE, most=MOST)
    assert (plan.kind, plan.epoch, plan.last) == ("restarted", 2, -(2**63) + 1)
    assert all(number % 2**64 == 2**63 + 1 - behind for behind, number in enumerate(reversed(plan.wanted)))
    near = ledger.plan(Position(1, 2**63 - 2), 2**63 - 1, None, WIDE, most=MOST)
    assert (near.kind, near.last) == ("new cycles", 2**63 - 1)


def test_a_fall_back_of_64_bits_begins_a_new_epoch() -> None:
    """From 2⁶⁴ − 2 to 2⁶⁴ − 40."""
    plan = ledger.plan(Position(1, -2), 2**64 - 40, None, WIDE)
    assert (plan.kind, plan.epoch, plan.last) == ("restarted", 2, -40)


# ---- settling ----


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
    settled = [n for n, _ in cycles] + [n for gap in gaps for n in numbers_of(gap)]
    assert sorted(settled) == list(numbers)
    for one, two in pairwise(gaps):
        assert two.first_sequence > numbers_of(one).stop or one.reason != two.reason
    for gap in gaps:
        assert {lost.get(n, "history overwritten") for n in numbers_of(gap)} == {gap.reason}


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
    follow_bursts(numbering(bits, slots, None), start, bursts, counts=False)


@given(
    slots=st.integers(1, 50),
    start=st.integers(0, 2**20),
    bursts=st.lists(st.integers(0, 1500), min_size=1, max_size=20),
)
def test_a_count_gives_every_cycle_of_a_narrow_sequence_its_number(
    slots: int, start: int, bursts: list[int]
) -> None:
    """8 bits, and several circles between two polls: no more is lost than the memory had room for."""
    follow_bursts(numbering(8, slots), start, bursts, counts=True)


def follow_bursts(numbering: Numbering, start: int, bursts: list[int], counts: bool) -> None:
    modulus, slots = numbering.modulus, numbering.slots
    position = Position(1, start, start if counts else None)
    made = start
    stored: list[int] = []
    missing: list[int] = []
    for burst in bursts:
        made += burst
        count = made if counts else None
        plan = ledger.plan(position, made % modulus, count, numbering, most=burst + slots)
        found = {n: record(n, modulus) for n in plan.wanted if n > made - slots}
        cycles, gaps = ledger.settle(plan.epoch, plan.wanted, found, {})
        gaps = [*ledger.whole_gap(plan.epoch, plan.overwritten, "history overwritten"), *gaps]
        stored += [n for n, _ in cycles]
        missing += [n for gap in gaps for n in numbers_of(gap)]
        counted = ledger.counted(position, plan.epoch, plan.last, count, numbering, None, NOW)
        assert counted.change is None
        position = counted.position(plan.epoch, plan.last, NOW)
    assert sorted(stored + missing) == list(range(start + 1, made + 1))
    assert len(missing) == sum(max(burst - slots, 0) for burst in bursts)


def numbers_of(gap: Gap) -> range:
    assert gap.last_sequence is not None
    return range(gap.first_sequence, gap.last_sequence + 1)


# ---- restarts ----


Lost = list[tuple[int, int, int | None]]


def restart(before: Position, begun: Position, first: int, most: int | None = MOST) -> ledger.Restart:
    return ledger.restart(before, begun, first, THIRTY, most, NOW)


def lost(before: Position, begun: Position, first: int, most: int | None = MOST) -> Lost:
    gaps = restart(before, begun, first, most).gaps
    assert {gap.reason for gap in gaps} <= {"controller restarted"}
    return [(gap.epoch, gap.first_sequence, gap.last_sequence) for gap in gaps]


def test_cycles_lost_in_a_restart_are_counted_by_the_controllers_own_counter() -> None:
    """Counter 5,000 at our position, 5,012 now, 4 of them in the new epoch: 8 were lost in it."""
    assert lost(Position(2, 700, 5000), Position(3, 4, 5012), first=1) == [(2, 701, 708)]


def test_numbers_before_the_first_of_a_new_epoch_are_missing_in_it() -> None:
    """It counts from 1 again and brought 3 and 4: of 8 missing cycles, 1 and 2 are the new epoch's."""
    assert lost(Position(2, 700, 5000), Position(3, 4, 5010), 3) == [(2, 701, 706), (3, 1, 2)]


def test_a_restart_that_lost_nothing_makes_up_no_gap() -> None:
    """The counter explains every cycle; the numbers before 650 were counted in the epoch before."""
    assert lost(Position(2, 700, 5000), Position(3, 4, 5004), first=1) == []
    assert lost(Position(2, 700, 5000), Position(3, 650, 5001), first=650) == []


def test_a_count_that_went_on_is_unwrapped_across_a_restart() -> None:
    """32 bits of a count that had wrapped before, and a restart that lost three."""
    before, begun = Position(2, 700, 2**32 + 5), Position(3, 4, 12)
    found = restart(before, begun, 1)
    assert (found.total_count, found.change) == (2**32 + 12, None)
    assert [len(numbers_of(gap)) for gap in found.gaps] == [3]


def test_a_counter_that_began_anew_with_the_sequence_tells_of_the_new_epoch_only() -> None:
    """Counter and sequence both at 7, 6 and 7 brought: 1 to 5 are missing, and before that nobody knows."""
    assert lost(Position(2, 700, 5000), Position(3, 7, 7), 6) == [(2, 701, None), (3, 1, 5)]


@pytest.mark.parametrize(
    ("before", "begun", "first"),
    [
        (Position(2, 700, 702), Position(3, 800, 800), 771),  # ahead of ours
        (Position(2, 11, 10), Position(3, 10, 10), 11),  # as it was
    ],
)
def test_a_counter_that_equals_the_sequence_and_did_not_go_back_tells_nothing(
    before: Position, begun: Position, first: int
) -> None:
    """Both may have begun anew, or the count was kept and equals the sequence by chance: nobody knows what is
    missing."""
    assert lost(before, begun, first) == [(2, before.sequence + 1, None)]


@pytest.mark.parametrize(
    ("before", "now", "most"),
    [
        (None, 5012, MOST),
        (5000, None, MOST),
        (5000, 99, MOST),
        (5000, 5003, MOST),  # fewer than came
        (5000, 90_000, MOST),  # more than can have been made
        (5000, 5012, None),
    ],
)
def test_where_nobody_can_count_a_restart_is_a_gap_without_a_number(
    before: int | None, now: int | None, most: int | None
) -> None:
    """No counter, or one that was lost and set to something: a count must not be silently short."""
    assert lost(Position(2, 700, before), Position(3, 4, now), 1, most) == [(2, 701, None)]


def test_nothing_is_reckoned_from_one_controller_to_another() -> None:
    """The count of the new one says nothing of what the old one made before it was taken away."""
    found = ledger.restart(
        Position(2, 700, 5000), Position(3, 4, 5012), 1, THIRTY, MOST, NOW, "controller replaced"
    )
    assert found.gaps == [Gap(2, 701, None, "controller replaced", None, None)]
    assert found.total_count == 5012


def test_a_count_that_did_not_go_on_is_noted_at_the_new_epochs_begin() -> None:
    """What it was last, and what it is instead, before the first cycle of the new epoch."""
    before = Position(2, 700, 5000, NOW - timedelta(hours=1))
    found = restart(before, Position(3, 7, 97), 6)
    assert found.total_count == 97
    assert found.change == CountChange("lost", Mark(3, 5, 5000), 95, NOW - timedelta(hours=1), NOW)


# ---- the controller's own count ----


def counted(count: int | None, last: int = 105, most: int | None = MOST) -> Counted:
    """100 with count 5,000 in the book."""
    before = Position(1, 100, 5000, NOW - timedelta(seconds=9))
    return ledger.counted(before, 1, last, count, numbering(count_bits=16), most, NOW)


def change(kind: str, at: int, expected: int, found: int) -> CountChange:
    return CountChange(kind, Mark(1, at, expected), found, NOW - timedelta(seconds=9), NOW)  # type: ignore[arg-type]


def test_a_count_that_goes_up_with_the_sequence_is_as_it_should_be() -> None:
    """Five cycles, five up; so each number on the way has its count."""
    found = counted(5005)
    assert (found.total_count, found.change) == (5005, None)
    assert [found.at(number) for number in (100, 103, 105)] == [5000, 5003, 5005]
    assert found.position(1, 103, NOW) == Position(1, 103, 5003, NOW)


@pytest.mark.parametrize(
    ("count", "most", "expected"),
    [
        (2, MOST, change("cleared", 103, 5003, 0)),
        (0, MOST, change("cleared", 105, 5005, 0)),
        (5, MOST, change("cleared", 100, 5000, 0)),
        (4010, MOST, change("entered", 100, 5000, 4005)),  # it went back by less
        (20_005, MOST, change("entered", 100, 5000, 20_000)),  # more than cycles can have made it
        (5008, MOST, change("unexplained", 100, 5000, 5003)),  # three more than have a number
        (5008, None, change("entered", 100, 5000, 5003)),
        (5003, MOST, change("entered", 100, 5000, 4998)),  # it rose by less
    ],
)
def test_a_count_that_is_not_what_its_cycles_make_it(
    count: int, most: int | None, expected: CountChange
) -> None:
    """Five cycles since 5,000."""
    found = counted(count, most=most)
    assert found.change == expected
    assert (found.number, found.total_count) == (105, count)


def test_a_count_wraps_at_its_own_width() -> None:
    """16 bits: from 65,533 to 2 are five, and the book counts on."""
    found = ledger.counted(Position(1, 100, 65_533), 1, 105, 2, numbering(count_bits=16), MOST, NOW)
    assert (found.total_count, found.change) == (65_538, None)


def test_up_to_a_change_the_count_is_what_it_should_have_been() -> None:
    """Cleared after 103: a tool that was taken off then had 5,003."""
    found = counted(2)
    assert [found.at(number) for number in range(101, 106)] == [5001, 5002, 5003, 1, 2]


def test_where_no_count_is_shown_none_is_made_up() -> None:
    """Nor where it is shown for the first time."""
    assert counted(None) == Counted(105, None)
    assert ledger.counted(Position(1, 100), 1, 105, 7, THIRTY, MOST, NOW) == Counted(105, 7)
    assert Counted(105, None).position(1, 103, NOW) == Position(1, 103, None, NOW)


# ---- gaps ----


def booked(number: int, ends_s: float, uncertainty_ms: float | None = 1.0, epoch: int = 1) -> BookedCycle:
    at = NOW + timedelta(seconds=ends_s)
    return BookedCycle(epoch, number, at, uncertainty_ms, TOOL, record(number, 2**16))


def test_a_gap_lies_between_the_cycles_around_it() -> None:
    """Its bounds are the end of the cycle before at the earliest, and of the cycle after at the latest."""
    around = [booked(n, n, 100.0) for n in (1, 2, 6, 7)]
    (gap,) = ledger.bound(
        [Gap(1, 3, 5, "history overwritten", None, None)],
        around,
        NOW - timedelta(hours=1),
        NOW + timedelta(hours=1),
    )
    assert (gap.after_at, gap.before_at) == (NOW + timedelta(seconds=1.9), NOW + timedelta(seconds=6.1))


def test_a_cycle_of_whose_time_nothing_is_known_bounds_no_gap() -> None:
    """Its end is what the controller says, and its clock was not read yet."""
    (gap,) = ledger.bound(
        [Gap(1, 2, 2, "messages lost", None, None)],
        [booked(1, -9000, None), booked(3, -8999, None)],
        None,
        NOW,
    )
    assert (gap.after_at, gap.before_at) == (None, NOW)


def test_a_gap_without_a_number_lies_anywhere_until_the_look() -> None:
    """What is missing around a restart may lie before, among or after what the new epoch brought."""
    open_ended = Gap(2, 701, None, "controller restarted", None, None)
    (gap,) = ledger.bound(
        [open_ended], [booked(1, 0, 0.0, epoch=3)], NOW - timedelta(hours=1), NOW + timedelta(hours=1)
    )
    assert (gap.after_at, gap.before_at) == (NOW - timedelta(hours=1), NOW + timedelta(hours=1))


def test_a_gap_with_nothing_around_it_lies_between_the_polls() -> None:
    """Without neighbours, the last proof of completeness and the present bound it."""
    (gap,) = ledger.bound([Gap(1, 3, 5, "messages lost", None, None)], [], NOW - timedelta(hours=1), NOW)
    assert (gap.after_at, gap.before_at) == (NOW - timedelta(hours=1), NOW)


HOUR = Gap(1, 101, 110, "history overwritten", NOW, NOW + timedelta(hours=1))
UNCOUNTED = replace(HOUR, last_sequence=None)


@pytest.mark.parametrize(
    ("gap", "number", "minutes", "uncertainty_ms", "fits"),
    [
        (HOUR, 101, 30, 10.0, True),
        (HOUR, 110, 30, 10.0, True),
        (HOUR, 100, 30, 10.0, False),
        (HOUR, 111, 30, 10.0, False),
        (HOUR, 105, -1, 10.0, False),
        (HOUR, 105, -1, 60_001.0, True),
        (HOUR, 105, 61, 10.0, False),
        (HOUR, 105, 61, 60_001.0, True),
        (HOUR, 105, None, None, True),  # it does not say when
        (HOUR, 105, 300, None, True),  # nothing is known of its time
        (UNCOUNTED, 20_000, 30, 10.0, True),
        (UNCOUNTED, 40_000, 30, 10.0, False),  # further than half a circle
        (UNCOUNTED, 100, 30, 10.0, False),
        (replace(UNCOUNTED, before_at=NOW + timedelta(seconds=2)), 201, 0, 10.0, True),
        (replace(UNCOUNTED, before_at=NOW + timedelta(seconds=2)), 202, 0, 10.0, False),  # 101 in 2 s
        (replace(HOUR, after_at=None, before_at=None), 105, -9999, 10.0, True),
    ],
)
def test_a_late_cycle_fits_a_gap_by_its_number_and_its_time(
    gap: Gap, number: int, minutes: int | None, uncertainty_ms: float | None, fits: bool
) -> None:
    """It may have ended within the bounds, by all that is known."""
    ended_at = None if minutes is None else NOW + timedelta(minutes=minutes)
    late = LateCycle(record(number, 2**16), ended_at, uncertainty_ms)
    assert ledger.fits(gap, number, late, ledger.room_in(gap, 2**16, timedelta(milliseconds=20))) is fits


@given(
    first=st.integers(-50, 50),
    size=st.one_of(st.none(), st.integers(1, 40)),
    data=st.data(),
)
def test_what_is_left_of_a_gap_is_what_was_not_found(
    first: int, size: int | None, data: st.DataObject
) -> None:
    """No number twice, none forgotten, in order; and a cycle a minute that is left lies within its bounds."""
    last = None if size is None else first + size - 1
    gap = Gap(1, first, last, "messages lost", NOW, NOW + timedelta(hours=1))
    up_to = first + 40 if last is None else last

    def ended(number: int) -> datetime:
        return NOW + timedelta(minutes=number - first)

    numbers = data.draw(st.sets(st.integers(first, up_to)))
    found: dict[int, ledger.Bounds] = {
        n: (ended(n) - timedelta(seconds=data.draw(st.integers(0, 300))), ended(n) + timedelta(seconds=90))
        for n in numbers
    }
    left = ledger.remainders(gap, found)
    if last is None:
        assert left[-1].last_sequence is None
    missing = [
        (n, each)
        for each in left
        for n in range(each.first_sequence, (up_to if each.last_sequence is None else each.last_sequence) + 1)
    ]
    assert sorted([*(n for n, _ in missing), *numbers]) == list(range(first, up_to + 1))
    for n, each in missing:
        assert (each.epoch, each.reason) == (1, "messages lost")
        assert each.after_at is not None
        assert each.before_at is not None
        assert each.after_at <= ended(n) <= each.before_at


# ---- messages ----


@pytest.mark.parametrize(
    ("sequence", "count", "kind", "number", "missing"),
    [
        (8, None, "next", 65544, range(0)),
        (8, 501, "next", 65544, range(0)),
        (8, 1, "next", 65544, range(0)),  # its count was cleared
        (12, None, "after a gap", 65548, range(65544, 65548)),
        (12, 505, "after a gap", 65548, range(65544, 65548)),
        (12, 5, "another memory", 12, range(0)),  # numbers missing and a count that does not say so
        (20_000, None, "another memory", 20_000, range(0)),  # more than can have been made
        (7, None, "repeated", 65543, range(0)),
        (3, None, "repeated", 65539, range(0)),
        (65530, None, "repeated", 65530, range(0)),
    ],
)
def test_a_message_finds_its_place(
    sequence: int, count: int | None, kind: str, number: int, missing: range
) -> None:
    """Next, after a gap, not new, or of another memory; over the wrap."""
    arrival = ledger.arrival(Position(1, 65543, 500), sequence, count, THIRTY, MOST)
    assert (arrival.kind, arrival.number) == (kind, number)
    assert list(arrival.missing) == list(missing)


def test_the_first_message_of_all_begins_the_book() -> None:
    """Also where its number has 64 bits."""
    assert ledger.arrival(None, 2**64 - 1, None, WIDE, None) == ledger.Arrival("first contact", -1)
    assert ledger.arrival(Position(1, -1), 0, None, WIDE, MOST).number == 0


def test_a_curve_belongs_to_the_latest_number_that_its_sequence_can_mean() -> None:
    """65,543 is 7 in 16 bits."""
    numbers = [ledger.number_of(Position(1, 65543), sequence, 2**16) for sequence in (7, 6, 8)]
    assert numbers == [65543, 65542, 8]


# ---- faults ----


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


# ---- tools ----


def cycles_by(*tools: ToolName) -> list[BookedCycle]:
    return [replace(booked(101 + i, i), tool=tool) for i, tool in enumerate(tools)]


def test_tools_that_cycles_show_are_mounted_behind_the_last_cycle_of_the_one_before() -> None:
    """A, B and A again: each begins at the end of its first cycle, with the count that stood there."""
    changes = ledger.mount_changes(TOOL, cycles_by(TOOL, OTHER_TOOL, OTHER_TOOL, TOOL), Counted(104, 5004))
    assert changes == (
        MountChange(OTHER_TOOL, NOW + timedelta(seconds=1), Mark(1, 101, 5001)),
        MountChange(TOOL, NOW + timedelta(seconds=3), Mark(1, 103, 5003)),
    )


def test_cycles_of_the_mounted_tool_are_no_mount() -> None:
    """The same tool is none; the first one ever is one."""
    assert ledger.mount_changes(TOOL, cycles_by(TOOL, TOOL), Counted(102, None)) == ()
    assert ledger.mount_changes(None, cycles_by(TOOL), Counted(101, None)) == (
        MountChange(TOOL, NOW, Mark(1, 100, None)),
    )


@pytest.mark.parametrize(
    ("before", "now", "ended_s", "tool"),
    [
        (TOOL, TOOL, 5, TOOL),
        (TOOL, OTHER_TOOL, 0, TOOL),  # it had ended when the one before was seen
        (TOOL, OTHER_TOOL, 1, ledger.NO_TOOL),  # either of them, or a third one
        (TOOL, OTHER_TOOL, None, ledger.NO_TOOL),
        (TOOL, None, 1, ledger.NO_TOOL),
        (None, TOOL, 1, ledger.NO_TOOL),
        (None, None, 1, ledger.NO_TOOL),
    ],
)
def test_a_tool_that_was_swapped_between_two_looks_is_not_guessed(
    before: ToolName | None, now: ToolName | None, ended_s: float | None, tool: ToolName
) -> None:
    """The first look was at NOW."""
    ended = None if ended_s is None else NOW + timedelta(seconds=ended_s)
    assert Mounted(before, NOW, now).at(None, ended) == tool


def test_the_first_look_believes_the_tool_that_it_sees() -> None:
    """There is no other one to be told from."""
    assert Mounted(None, None, TOOL).at(None, NOW) == TOOL


def test_a_message_sent_after_a_swap_was_seen_is_of_the_new_tool() -> None:
    """One that may have been made before it, and not before the look before, is nobody's."""
    seen = NOW + timedelta(seconds=10)
    mounted = Mounted(replace(TOOL, serial="M-0"), NOW, TOOL, seen)
    assert mounted.at(seen, seen + timedelta(seconds=1)) == TOOL
    assert mounted.at(seen - timedelta(seconds=1), seen + timedelta(seconds=1)) == ledger.NO_TOOL
    assert mounted.at(None, NOW).serial == "M-0"


def test_a_cycle_belongs_to_the_tool_that_its_record_names() -> None:
    """The record's word comes first, then the status, and a cycle of nobody is kept as of an unknown tool."""
    named = Cycle(sequence=1, tool_serial="M-9")
    shown = Mounted(TOOL, NOW, TOOL)
    assert ledger.tool_of(named, shown, (None, NOW), "Example Tools", "BT-20") == replace(TOOL, serial="M-9")
    assert ledger.tool_of(Cycle(sequence=1), shown, (None, NOW), "", "") == TOOL
    assert ledger.tool_of(Cycle(sequence=1), Mounted(None, None, None), (None, NOW), "", "") == ledger.NO_TOOL
