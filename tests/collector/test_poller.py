"""One controller's task: polls, commits, pauses and new connections, over a real book."""

import asyncio
import logging
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Table

from collector.backoff import Backoff
from collector.errors import BadReply, LinkDown, OtherController, Refused, SourceError, StoreError
from collector.ledger import NO_TOOL
from collector.model import ControllerIdentity, Cycle, Entry
from collector.poller import Polling, each_interval, follow
from collector.standing import Standing
from collector.store import tables
from collector.store.writer import Writer
from tests.collector.book_rig import BookRig, writer_of
from tests.collector.tiny import COUNT, SEQUENCE, STATE, Memory, tiny_layout, without

NAME, OTHER = "T-01", "T-02"
BEGIN = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)


def identity(name: str) -> ControllerIdentity:
    return ControllerIdentity(name, "T", "T-10", "modbus", "tiny", "127.0.0.1:502")


class Rig(BookRig):
    """A tiny controller that makes a cycle a second, a book, and the poller between them."""

    def __init__(
        self,
        folder: Path,
        writer: Writer,
        change: Callable[[str], str] = str,
        *,
        name: str = NAME,
        own_serial: str | None = None,
    ) -> None:
        super().__init__(folder, writer)
        self.name = name
        self.own_serial = own_serial
        self.layout = tiny_layout(folder, change)
        self.memory = Memory(self.layout)
        self.clock = BEGIN
        self.polling: Polling | None = None

    def later(self, **span: float) -> None:
        self.clock += timedelta(**span)

    def make(self, *numbers: int, tool: str = "") -> None:
        """Cycles, a second each."""
        for number in numbers:
            self.later(seconds=1)
            self.memory.finish(number, tool=tool)
        self.later(seconds=1)

    async def standing(self) -> Standing:
        memory = await self.writer.recall(self.name)
        return Standing(self.name, self.layout, self.writer, memory, lambda: self.clock, self.own_serial)

    async def poll(self, *steps: Callable[[], None]) -> None:
        """A collector that begins with what the book knows: one good poll, and one after each step."""
        self.polling = Polling(await self.standing(), self.layout, poll_interval_s=0.001)
        await self.reconnect(*steps)

    async def reconnect(self, *steps: Callable[[], None]) -> None:
        """The same collector over a new connection: one good poll, and one after each step."""
        assert self.polling is not None
        left = list(steps)

        def went_well() -> None:
            if not left:
                raise Enough
            left.pop(0)()

        with pytest.raises(Enough):
            await self.polling.work(self.memory, went_well)

    def of(self, table: Table) -> list[Any]:
        """Rows of this controller."""
        numbers = {row.name: row.controller_id for row in self.rows(tables.controller)}
        return [row for row in self.rows(table) if row.controller_id == numbers[self.name]]

    def of_controllers(self) -> list[Any]:
        return sorted(self.rows(tables.controller), key=lambda row: str(row.name))

    def gaps(self) -> list[tuple[int, int, int | None, str]]:
        return [(row.epoch, row.first_sequence, row.last_sequence, row.reason) for row in self.of(tables.gap)]

    def counts(self) -> list[tuple[str, int, int, int, int]]:
        """Changes of the count: kind, epoch and sequence, what it should have been, what it was."""
        return [
            (row.kind, row.epoch, row.sequence, row.expected, row.found)
            for row in self.of(tables.count_change)
        ]

    def made_by(self) -> list[tuple[int, str]]:
        """Sequence and tool of each cycle."""
        serials = {row.tool_id: row.serial for row in self.rows(tables.tool)}
        cycles = sorted(self.of(tables.cycle), key=lambda row: (row.epoch, row.sequence))
        return [(row.sequence, serials[row.tool_id]) for row in cycles]

    def mounts(self) -> list[tuple[str, int | None, int | None]]:
        """Serial of each tool that was mounted, the cycles before it, and its last cycle."""
        serials = {row.tool_id: row.serial for row in self.rows(tables.tool)}
        return [
            (serials[row.tool_id], row.after_sequence, row.until_sequence) for row in self.of(tables.mount)
        ]


def another_memory(rig: Rig, serial: str) -> Memory:
    """Another controller of the same kind, which has made other cycles."""
    memory = Memory(rig.layout)
    memory.made = 1000
    memory.show(serial=serial)
    return memory


class Enough(Exception):
    """Ends a poller that would go on for ever."""


def nothing() -> None:
    """Another poll, and nothing has happened."""


@pytest.fixture
async def writer(tmp_path: Path) -> AsyncIterator[Writer]:
    async with writer_of(tmp_path, identity(NAME)) as writer:
        await writer.register([identity(OTHER)])
        yield writer


@pytest.fixture
def rig(tmp_path: Path, writer: Writer) -> Rig:
    return Rig(tmp_path, writer)


# ---- the memory ----


async def test_the_memory_is_taken_once_however_often_it_is_polled(rig: Rig) -> None:
    """Four records are remembered; three polls and a restart of the poller bring each of them once."""
    rig.make(*range(1, 7))
    await rig.poll(nothing, nothing)
    await rig.poll()
    assert rig.sequences() == [(1, 3), (1, 4), (1, 5), (1, 6)]
    assert not rig.rows(tables.gap)


async def test_what_was_overwritten_before_this_collector_looked_says_that_it_did_not_run(rig: Rig) -> None:
    """Ten cycles while no collector ran, four of them remembered: six are listed, between two instants."""
    rig.make(1)
    await rig.poll(nothing)
    seen_at = rig.clock
    rig.make(*range(2, 12))
    await rig.poll()
    assert rig.gaps() == [(1, 2, 7, "reader stopped")]
    (gap,) = rig.rows(tables.gap)
    assert seen_at - timedelta(seconds=2) <= gap.after_at <= gap.before_at <= rig.clock
    assert rig.sequences() == [(1, 1), (1, 8), (1, 9), (1, 10), (1, 11)]


async def test_what_was_overwritten_while_the_collector_ran_says_so(rig: Rig) -> None:
    """The way to the controller was cut, or the polls were too slow: the collector has seen it before."""
    rig.make(1)
    await rig.poll(lambda: rig.make(*range(2, 8)))
    rig.make(*range(8, 14))
    await rig.reconnect()
    assert rig.gaps() == [(1, 2, 3, "history overwritten"), (1, 8, 9, "history overwritten")]


async def test_a_curve_goes_into_the_book_with_its_cycle(rig: Rig) -> None:
    """The controller keeps one curve, that of its last cycle."""
    for number in (1, 2):
        rig.memory.curve(number, [number, 5, 9])
        rig.make(number)
    await rig.poll()
    (curve,) = rig.rows(tables.curve)
    assert (curve.sequence, curve.sample_count) == (2, 3)


async def test_an_unreadable_status_is_kept_once_and_polling_goes_on(rig: Rig) -> None:
    """State 9 means nothing in this layout: its bytes are in quarantine, once, not once a poll."""
    rig.make(1)
    rig.memory.registers[STATE] = 9
    await rig.poll(*[nothing] * 4)
    (kept,) = rig.rows(tables.quarantine)
    assert (kept.what, kept.raw) == ("status", bytes.fromhex("000100090001") + bytes(16))
    rig.memory.registers[STATE] = 0
    await rig.poll()
    assert rig.sequences() == [(1, 1)]


def spoil(rig: Rig, number: int) -> None:
    """Result 9 means nothing in this layout."""
    rig.memory.registers[rig.memory.slot(number) + 2] = 9


async def test_an_unreadable_record_at_first_contact_says_so(rig: Rig) -> None:
    """A fresh controller: its numbers were lifted by a circle to look back over the wrap, and put back."""
    rig.make(1, 2)
    spoil(rig, 2)
    await rig.poll()
    assert rig.gaps() == [(1, 2, 2, "record unreadable")]


async def test_an_unreadable_record_at_the_position_is_kept_once(rig: Rig) -> None:
    """There is nothing to compare it with: it is not read again as a proof."""
    rig.make(1, 2)
    await rig.poll()
    rig.make(3)
    spoil(rig, 3)
    await rig.poll(nothing)
    rig.make(4)
    await rig.poll(nothing)
    assert rig.gaps() == [(1, 3, 3, "record unreadable")]
    assert len(rig.rows(tables.quarantine)) == 1


async def test_an_unreadable_record_after_a_restart_is_missing_once(rig: Rig) -> None:
    """The count says that three were made; two came, and the third is listed in the new epoch."""
    rig.memory.registers[COUNT] = 500
    rig.make(*range(1, 8))
    await rig.poll()
    rig.memory.clear()
    rig.make(1, 2, 3)
    spoil(rig, 2)
    await rig.poll()
    assert rig.gaps() == [(2, 2, 2, "record unreadable")]


async def test_a_row_of_a_log_is_no_proof_of_another_memory(rig: Rig) -> None:
    """A log closed the gap at the position; then the layout was put right, and the record can be read."""
    rig.make(1, 2, 3)
    whole = list(rig.memory.registers)
    spoil(rig, 3)
    await rig.poll()
    row = Cycle(sequence=3, total_count=3, raw=b"3;ok;3")
    outcome = await (await rig.standing()).take_late([row], brought_by="log file a.csv")
    assert outcome.stored == 1
    rig.memory.registers = whole
    await rig.poll(nothing)
    assert rig.sequences() == [(1, 1), (1, 2), (1, 3)]


# ---- is it the same memory? ----


async def test_a_restart_with_lost_memory_begins_an_epoch_and_lists_what_is_missing(rig: Rig) -> None:
    """The controller's own counter went on from 3 to 8: 2 of the 5 are in the new epoch, 3 are a gap."""
    rig.make(1, 2, 3)
    await rig.poll(nothing)
    rig.memory.clear()
    rig.memory.registers[COUNT] = 6
    rig.make(1, 2)
    await rig.poll(nothing)
    assert rig.sequences() == [(1, 1), (1, 2), (1, 3), (2, 1), (2, 2)]
    assert rig.gaps() == [(1, 4, 6, "controller restarted")]
    assert not rig.counts()


async def test_a_controller_that_is_starting_up_is_not_believed(rig: Rig) -> None:
    """Zeros in a status while it starts are no restart: when it is up, it goes on where it was."""
    rig.make(1, 2, 3)
    await rig.poll()
    kept = rig.memory.registers
    rig.memory.registers = [0, 1, *([0] * 98)]
    await rig.poll(nothing)
    rig.memory.registers = kept
    rig.make(4)
    await rig.poll()
    assert rig.sequences() == [(1, 1), (1, 2), (1, 3), (1, 4)]
    assert not rig.rows(tables.gap)


async def test_a_tool_that_shows_while_the_controller_starts_made_none_of_what_it_remembers(rig: Rig) -> None:
    """Cycle 2 was made before the power went, and read after it; the tool was swapped meanwhile."""
    rig.memory.show(tool="A")
    rig.make(1)
    await rig.poll(nothing)
    rig.make(2)
    kept = rig.memory.registers
    rig.memory.registers = [0, 1, *([0] * 98)]
    rig.memory.show(tool="B")
    await rig.poll(nothing)
    rig.memory.registers = kept
    rig.memory.show(tool="B")
    await rig.poll()
    assert rig.made_by() == [(1, "A"), (2, NO_TOOL.serial)]
    assert rig.mounts()[-1] == ("B", 2, None)


async def test_a_memory_cleared_while_connected_is_another_one_although_its_number_is_ahead(rig: Rig) -> None:
    """Cleared with its count after 2, it has come to 3: the record at 2 is not the one in the book."""

    def clear() -> None:
        rig.memory.clear()
        rig.memory.registers[COUNT] = 0
        rig.make(1, 2, 3)

    rig.make(1, 2)
    await rig.poll(clear, nothing)
    assert rig.sequences() == [(1, 1), (1, 2), (2, 1), (2, 2), (2, 3)]
    assert rig.gaps() == [(1, 3, None, "controller restarted")]
    assert rig.counts() == [("lost", 2, 0, 2, 0)]


async def test_a_memory_cleared_in_an_outage_is_another_one_although_it_stands_where_it_stood(
    rig: Rig,
) -> None:
    """Sequence and count are those of the book; the record at the position is not."""
    rig.make(1, 2, 3)
    await rig.poll()
    rig.memory.clear()
    rig.memory.registers[COUNT] = 0
    rig.make(1, 2, 3)
    await rig.reconnect()
    assert [epoch for epoch, _ in rig.sequences()] == [1, 1, 1, 2, 2, 2]
    assert rig.gaps() == [(1, 4, None, "controller restarted")]


async def test_a_memory_whose_count_does_not_fit_and_that_has_no_proof_is_another_one(rig: Rig) -> None:
    """After an outage the number is 8 ahead, the count went back, our record would be overwritten by now."""
    rig.memory.registers[COUNT] = 500
    rig.make(1, 2, 3)
    await rig.poll()
    rig.memory.clear()
    rig.memory.registers[COUNT] = 0
    rig.make(*range(1, 12))
    await rig.reconnect()
    assert rig.sequences() == [*((1, n) for n in (1, 2, 3)), *((2, n) for n in (8, 9, 10, 11))]
    assert rig.gaps() == [(1, 4, None, "controller restarted")]


async def test_a_number_that_fell_back_to_0_near_the_wrap_has_not_come_over_it(rig: Rig) -> None:
    """Two ahead by the numbers, and our record is still there; but 65535 was never made."""
    rig.memory.registers[COUNT] = 500
    rig.make(65_533, 65_534)
    await rig.poll()
    rig.memory.registers[SEQUENCE] = rig.memory.registers[COUNT] = 0
    rig.later(seconds=5)
    await rig.reconnect()
    rig.make(1, 2)
    await rig.reconnect()
    assert rig.sequences() == [(1, 65_533), (1, 65_534), (2, 1), (2, 2)]
    assert rig.gaps() == [(1, 65_535, None, "controller restarted")]


async def test_more_cycles_than_can_have_been_made_are_another_memory(rig: Rig) -> None:
    """30,000 numbers ahead after two seconds, from a controller that shows no count."""
    rig = Rig(rig.folder, rig.writer, without("total_count"))
    rig.make(1, 2)
    await rig.poll()
    rig.memory.clear()
    rig.make(30_000)
    await rig.reconnect()
    assert rig.sequences() == [(1, 1), (1, 2), (2, 30_000)]
    assert rig.gaps() == [(1, 3, None, "controller restarted")]


async def test_a_memory_that_falls_back_and_is_intact_brings_only_what_is_new(rig: Rig) -> None:
    """It stands at 2 again with the records that the book has; then it makes another 3."""
    rig.make(1, 2, 3, 4)
    await rig.poll()
    rig.memory.registers[SEQUENCE] = 2
    rig.make(3)
    await rig.poll(nothing)
    assert rig.sequences() == [(1, 1), (1, 2), (1, 3), (1, 4), (2, 3)]
    assert not rig.gaps()


async def test_a_memory_that_falls_back_a_little_in_an_outage_is_not_silently_short(rig: Rig) -> None:
    """2 and 3 were made, it fell back to 1 and made another 2: its record of 1 is ours, two are missing."""
    rig.memory.registers[COUNT] = 500
    rig.make(1)
    await rig.poll()
    rig.make(2, 3)
    rig.memory.registers[SEQUENCE] = 1
    rig.make(2)
    await rig.reconnect(nothing)
    assert (1, 1) in rig.sequences()
    assert (1, 2) not in rig.sequences()
    assert (2, 2) in rig.sequences()
    assert (1, 2, None, "controller restarted") in rig.gaps()


async def test_a_memory_that_falls_back_twice_brings_nothing_twice(rig: Rig) -> None:
    """What the book has is known from whichever epoch."""
    rig.make(1, 2, 3, 4)
    await rig.poll()
    for sequence in (3, 2):
        rig.memory.registers[SEQUENCE] = sequence
        await rig.poll(nothing)
    assert rig.sequences() == [(1, 1), (1, 2), (1, 3), (1, 4)]


async def test_without_a_record_of_ours_a_count_that_does_not_fit_is_another_memory(rig: Rig) -> None:
    """The record at the position was unreadable. In an outage memory is lost, the count goes on, 3 again."""
    rig.memory.registers[COUNT] = 500
    rig.make(1, 2, 3)
    spoil(rig, 3)
    await rig.poll()
    rig.memory.clear()
    rig.make(1, 2, 3)
    await rig.reconnect()
    assert rig.sequences() == [(1, 1), (1, 2), (2, 1), (2, 2), (2, 3)]


async def test_a_narrow_sequence_is_unwrapped_by_the_count(rig: Rig) -> None:
    """8 bits, 700 cycles in an outage of a quarter of an hour: the count says two circles and 188."""
    rig = Rig(
        rig.folder, rig.writer, lambda layout: layout.replace("sequence_bits = 16", "sequence_bits = 8")
    )
    rig.make(*range(1, 11))
    await rig.poll()
    rig.make(*range(11, 711))
    await rig.reconnect()
    assert rig.sequences()[-4:] == [(1, n) for n in (707, 708, 709, 710)]
    assert rig.gaps() == [(1, 11, 706, "history overwritten")]
    assert not rig.counts()


# ---- is it the same controller? ----


async def test_a_replaced_controller_begins_an_epoch_although_its_number_is_ahead(rig: Rig) -> None:
    """Another identity answers, its sequence and count a little higher than ours: nothing is reckoned."""
    rig.memory.show(serial="C-1")
    rig.make(1, 2)
    await rig.poll()
    rig.memory = another_memory(rig, "C-2")
    rig.make(1, 2, 3, 4)
    await rig.reconnect(nothing)
    await rig.poll()
    assert rig.sequences() == [(1, 1), (1, 2), (2, 1), (2, 2), (2, 3), (2, 4)]
    assert rig.gaps() == [(1, 3, None, "controller replaced")]
    assert [row.serial for row in rig.of_controllers()] == ["C-2", None]
    assert [(kind, epoch, sequence) for kind, epoch, sequence, *_ in rig.counts()] == [("lost", 2, 0)]


async def test_a_replaced_controller_brings_another_clock(rig: Rig) -> None:
    """It was not set: nothing of the old one's clock is believed of the new one's stamps."""
    rig.memory.show(serial="C-1")
    rig.memory.always = lambda: rig.memory.show_clock(rig.clock)
    rig.make(1)
    await rig.poll()
    rig.memory = another_memory(rig, "C-2")
    rig.memory.always = lambda: rig.memory.show_clock(rig.clock + timedelta(hours=2))
    rig.make(1)
    await rig.reconnect(lambda: rig.later(seconds=1))
    (status,) = rig.of(tables.controller_status)
    assert status.clock_offset_ms == pytest.approx(7_200_000, abs=1000)
    assert not rig.rows(tables.clock_change)


async def test_an_identity_that_is_told_for_the_first_time_is_no_replacement(rig: Rig) -> None:
    """A firmware that begins to tell its serial is the controller that it was."""
    rig.make(1)
    await rig.poll(lambda: rig.memory.show(serial="C-1"), lambda: rig.make(2))
    assert rig.sequences() == [(1, 1), (1, 2)]
    assert [row.serial for row in rig.of_controllers()] == ["C-1", None]


async def test_swapped_addresses_are_refused_on_both_sides_and_nothing_is_mixed(
    rig: Rig, writer: Writer
) -> None:
    """Each answers at the other's address: no cycle goes in, and a person is told what to look at."""
    other = Rig(rig.folder, writer, name=OTHER)
    for each, serial in ((rig, "C-1"), (other, "C-2")):
        each.memory.show(serial=serial)
        each.make(1, 2)
        await each.poll()
    rig.memory, other.memory = other.memory, rig.memory
    for each, serial, owner in ((rig, "C-2", OTHER), (other, "C-1", NAME)):
        each.make(3)
        assert each.polling is not None
        for polling in (each.polling, Polling(await each.standing(), each.layout, 0.001)):
            with pytest.raises(OtherController, match=f"{serial}, which the book knows as {owner}"):
                await polling.work(each.memory, nothing)
    rig.memory, other.memory = other.memory, rig.memory
    for each in (rig, other):
        await each.poll()
        assert [(row.epoch, row.sequence) for row in each.of(tables.cycle)] == [(1, 1), (1, 2), (1, 3)]
        assert not each.gaps()


async def test_a_controller_that_the_site_file_does_not_name_is_refused(rig: Rig) -> None:
    """Not even at first contact, and not if the book knows it nowhere."""
    rig = Rig(rig.folder, rig.writer, own_serial="C-1")
    rig.memory.show(serial="C-9")
    rig.make(1)
    polling = Polling(await rig.standing(), rig.layout, 0.001)
    with pytest.raises(OtherController, match="serial C-9, the site file says C-1"):
        await polling.work(rig.memory, nothing)
    assert not rig.sequences()
    rig.memory.show(serial="C-1")
    await rig.poll()
    assert rig.sequences() == [(1, 1)]


async def test_the_site_file_consents_to_a_controller_that_was_moved(rig: Rig, writer: Writer) -> None:
    """Its identity moves with it, and what the book has of it already is not taken again."""
    rig.memory.show(serial="C-1")
    rig.make(1, 2)
    await rig.poll()
    moved = Rig(rig.folder, writer, name=OTHER)
    moved.memory = another_memory(moved, "C-9")
    moved.make(1)
    await moved.poll()
    moved.memory, moved.own_serial = rig.memory, "C-1"
    moved.make(3)
    await moved.poll()
    assert [(row.epoch, row.sequence) for row in moved.of(tables.cycle)] == [(1, 1), (2, 3)]
    assert moved.gaps() == [(1, 2, None, "controller replaced")]
    assert [row.serial for row in rig.of_controllers()] == ["", "C-1"]


async def test_a_place_that_a_controller_was_taken_from_awaits_another_one(rig: Rig, writer: Writer) -> None:
    """C-1 and C-2 are swapped with the site file's consent, and the collector starts anew in between: C-1's
    cycles do not go on in C-2's epoch."""
    other = Rig(rig.folder, writer, name=OTHER)
    rig.memory.show(serial="C-1")
    other.memory = another_memory(other, "C-2")
    rig.make(*range(1, 101))
    other.make(*range(1, 121))
    await rig.poll()
    await other.poll()
    rig.memory, other.memory = other.memory, rig.memory
    rig.own_serial, other.own_serial = "C-2", "C-1"
    await rig.poll()
    other.later(hours=1)
    other.make(*range(101, 124))
    await other.poll()
    assert [(row.epoch, row.sequence) for row in other.of(tables.cycle)] == [
        *((1, n) for n in range(117, 121)),
        *((2, n) for n in range(120, 124)),
    ]
    assert other.gaps() == [(1, 121, None, "controller replaced")]


async def test_a_controller_that_comes_back_brings_nothing_twice(rig: Rig) -> None:
    """C-1 is away for repair, C-2 stands in for it: then C-1 is there again with its memory."""
    first = rig.memory
    first.show(serial="C-1")
    rig.make(1, 2)
    await rig.poll()
    rig.memory = another_memory(rig, "C-2")
    rig.make(1)
    await rig.poll()
    rig.memory = first
    rig.make(3)
    await rig.poll()
    assert rig.sequences() == [(1, 1), (1, 2), (2, 1), (3, 3)]


# ---- the controller's own count ----


async def test_a_count_cleared_between_polls_is_noted_where_it_happened(rig: Rig) -> None:
    """Cleared after 3, and one more made since: the count before it is kept as it should have stood."""

    def clear() -> None:
        rig.make(3)
        rig.memory.registers[COUNT] = 0
        rig.make(4)

    rig.memory.registers[COUNT] = 500
    rig.make(1, 2)
    await rig.poll(clear, lambda: rig.make(5), nothing)
    assert rig.sequences() == [(1, n) for n in range(1, 6)]
    assert rig.counts() == [("cleared", 1, 3, 503, 0)]
    (position,) = rig.of(tables.position)
    assert position.total_count == 2
    assert not rig.gaps()


async def test_a_count_cleared_while_nothing_was_made_is_noted_at_once(rig: Rig) -> None:
    """The sequence stands still; the count says 0."""
    rig.make(1, 2)
    await rig.poll(lambda: rig.memory.registers.__setitem__(COUNT, 0), nothing)
    assert rig.counts() == [("cleared", 1, 2, 2, 0)]
    assert not rig.gaps()


async def test_a_count_cleared_in_an_outage_leaves_the_epoch_where_the_records_prove_it(rig: Rig) -> None:
    """The record at the position is still there and ours: only the count is another."""
    rig.memory.registers[COUNT] = 500
    rig.make(1, 2)
    await rig.poll()
    rig.memory.registers[COUNT] = 0
    rig.make(3, 4)
    await rig.reconnect()
    await rig.poll()
    assert rig.sequences() == [(1, n) for n in range(1, 5)]
    assert rig.counts() == [("cleared", 1, 2, 502, 0)]
    assert not rig.gaps()


async def test_a_count_that_somebody_entered_is_noted_with_what_it_should_have_been(rig: Rig) -> None:
    """From 502 to 90,000 modulo 16 bits: more than cycles could have made it."""
    rig.memory.registers[COUNT] = 500
    rig.make(1, 2)
    await rig.poll(lambda: rig.memory.registers.__setitem__(COUNT, 24_464), lambda: rig.make(3))
    assert rig.counts() == [("entered", 1, 2, 502, 24_464)]
    assert rig.sequences() == [(1, 1), (1, 2), (1, 3)]


async def test_a_count_that_rose_by_a_few_too_many_is_unexplained(rig: Rig) -> None:
    """Two cycles without a number of their own: no gap, for none is missing in the sequence; but noted."""

    def step() -> None:
        rig.memory.registers[COUNT] += 2
        rig.make(3)

    rig.make(1, 2)
    await rig.poll(step, nothing)
    assert rig.counts() == [("unexplained", 1, 2, 2, 4)]
    assert not rig.gaps()


async def test_a_count_that_wraps_is_counted_on(rig: Rig) -> None:
    """16 bits: after 65,535 comes 0, and the book's count goes on."""
    rig.memory.registers[COUNT] = 65_533
    rig.make(1)
    await rig.poll(lambda: rig.make(2, 3, 4), nothing)
    (position,) = rig.of(tables.position)
    assert position.total_count == 65_537
    assert not rig.counts()


async def test_a_count_read_in_mid_step_is_looked_at_again(rig: Rig) -> None:
    """The status was read between the sequence and the count: half a step is no change of the count."""

    def half() -> None:
        rig.later(seconds=1)
        rig.memory.finish(3)
        rig.memory.registers[COUNT] -= 1
        rig.memory.before_read[len(rig.memory.reads) + 1] = rest

    def rest() -> None:
        rig.memory.registers[COUNT] += 1

    rig.make(1, 2)
    await rig.poll(half)
    assert rig.sequences() == [(1, 1), (1, 2), (1, 3)]
    assert not rig.counts()


# ---- the tool ----


async def test_tools_swapped_within_one_poll_keep_their_cycles_apart(rig: Rig) -> None:
    """The records name A, B and A again: three mounts, each behind the last cycle of the tool before."""
    rig.memory.show(tool="A")
    rig.make(1, tool="A")

    def swap_twice() -> None:
        for number, tool in ((2, "A"), (3, "B"), (4, "A")):
            rig.make(number, tool=tool)

    await rig.poll(swap_twice, nothing)
    assert rig.made_by() == [(1, "A"), (2, "A"), (3, "B"), (4, "A")]
    assert rig.mounts() == [("A", 0, 2), ("B", 2, 3), ("A", 3, None)]


async def test_a_swap_between_two_polls_belongs_to_the_cycles_after_it(rig: Rig) -> None:
    """Records that name no tool: swapped while nothing was made, it is plain who made what."""
    rig.memory.show(tool="A")
    rig.make(1)
    await rig.poll(lambda: rig.memory.show(tool="B"), lambda: rig.make(2))
    assert rig.made_by() == [(1, "A"), (2, "B")]
    assert rig.mounts() == [("A", 0, 1), ("B", 1, None)]


async def test_cycles_around_a_swap_that_nobody_saw_belong_to_no_tool(rig: Rig) -> None:
    """A before the outage, B after it, records without a name: those in between are of an unknown tool."""
    rig.memory.show(tool="A")
    rig.make(1)
    await rig.poll()
    rig.make(2, 3)
    rig.memory.show(tool="B")
    await rig.reconnect(lambda: rig.make(4))
    assert rig.made_by() == [(1, "A"), (2, NO_TOOL.serial), (3, NO_TOOL.serial), (4, "B")]
    assert rig.mounts() == [("A", 0, 1), (NO_TOOL.serial, 1, 3), ("B", 3, None)]


async def test_cycles_of_no_tool_are_one_mount(rig: Rig) -> None:
    """No tool is shown, or its chip can't be read: not a mount for each poll."""
    await rig.poll(lambda: rig.make(1), lambda: rig.make(2), lambda: rig.make(3), nothing)
    assert rig.mounts() == [(NO_TOOL.serial, 0, None)]


async def test_a_count_cleared_at_a_swap_splits_at_the_swap(rig: Rig) -> None:
    """A's count ends as it should have stood, B's begins with 0."""

    def swap() -> None:
        rig.memory.registers[COUNT] = 0
        rig.memory.show(tool="B")
        rig.make(3, 4, tool="B")

    rig.memory.show(tool="A")
    rig.memory.registers[COUNT] = 700
    rig.make(1, 2, tool="A")
    await rig.poll(swap)
    first, second = rig.of(tables.mount)
    assert (first.until_sequence, first.until_count) == (2, 702)
    assert (second.after_sequence, second.after_count) == (2, 702)
    assert rig.counts() == [("cleared", 1, 2, 702, 0)]


# ---- the store refuses ----


def refusing(rig: Rig, monkeypatch: pytest.MonkeyPatch, times: int) -> list[Entry]:
    """The book can't take a cycle so many times; the entries that it refused."""
    refused: list[Entry] = []
    commit = rig.writer.commit

    async def refuse(entry: Entry) -> None:
        if entry.cycles and len(refused) < times:
            refused.append(entry)
            raise StoreError("the disk is full")
        await commit(entry)

    monkeypatch.setattr("collector.poller.STORE_PAUSE_S", 0.0)
    monkeypatch.setattr(rig.writer, "commit", refuse)
    return refused


async def test_a_book_that_can_not_take_it_delays_a_cycle_and_loses_none(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Refused twice, the same work is done again from the same position."""
    refused = refusing(rig, monkeypatch, times=2)
    rig.make(1)
    await rig.poll()
    assert len(refused) == 2
    assert rig.sequences() == [(1, 1)]


@pytest.mark.parametrize(
    ("new", "says"),
    [
        (1, "the controller can make 3 more cycles before one is lost"),
        (3, "the controller can make 1 more cycles before one is lost"),
        (4, "the controller can make 0 more cycles before one is lost"),
        (5, "1 cycles or more are lost already"),
        (9, "5 cycles or more are lost already"),
    ],
)
async def test_a_book_that_can_not_take_it_says_how_long_the_controller_can_wait(
    rig: Rig, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, new: int, says: str
) -> None:
    """Four records are remembered; each that the book has not got takes one of them."""
    rig.make(1)
    await rig.poll()
    refusing(rig, monkeypatch, times=1)
    rig.make(*range(2, 2 + new))
    with caplog.at_level(logging.WARNING, "collector.poller"):
        await rig.reconnect()
    assert f"{NAME}: the book takes nothing now" in caplog.text
    assert says in caplog.text


async def test_before_the_first_contact_nobody_can_say_how_long(
    rig: Rig, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Only that the controller is the buffer."""
    refusing(rig, monkeypatch, times=1)
    rig.make(1)
    with caplog.at_level(logging.WARNING, "collector.poller"):
        await rig.poll()
    assert "the controller keeps its cycles meanwhile: the disk is full" in caplog.text


# ---- the link ----


def failing(*errors: Exception) -> Callable[[], Any]:
    """Sources that can't be opened, one error after the other; then the test has seen enough."""
    left = list(errors)

    @asynccontextmanager
    async def source() -> AsyncIterator[None]:
        if not left:
            raise asyncio.CancelledError
        raise left.pop(0)
        yield

    return source


async def follow_through(rig: Rig, *errors: Exception) -> Any:
    async def work(source: None, went_well: Callable[[], None]) -> None:
        raise AssertionError("there is no connection to work on")

    with pytest.raises(asyncio.CancelledError):
        await follow(await rig.standing(), failing(*errors), work, Backoff(lambda: 0.5))
    (row,) = rig.rows(tables.controller_status)
    return row


@pytest.fixture
def pauses(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """The pauses that the poller would have made."""
    made: list[float] = []

    async def note(pause_s: float) -> None:
        made.append(pause_s)

    monkeypatch.setattr("collector.poller.asyncio.sleep", note)
    return made


@pytest.mark.parametrize(
    ("error", "pause_s"),
    [
        (LinkDown("controller 10.0.0.7:502 refused the connection"), 1.0),
        (BadReply("short", "2 of 3 registers"), 1.0),
        (Refused("2", "illegal data address"), 30.0),
    ],
)
async def test_a_failed_connection_is_told_in_words_and_tried_again(
    rig: Rig, pauses: list[float], error: SourceError, pause_s: float
) -> None:
    """The book says what the trouble is, and the poller waits as long as such trouble deserves."""
    row = await follow_through(rig, error)
    assert row.last_error == str(error)
    assert row.reconnects == 1
    assert pauses == [pause_s]


async def test_replies_that_can_not_be_trusted_are_counted_by_kind(rig: Rig, pauses: list[float]) -> None:
    """Plant IT sees that a controller or its gateway mixes up answers."""
    shifted = BadReply("shifted", "an answer that nobody asked for")
    row = await follow_through(rig, shifted, BadReply("short", "2 of 3"), shifted)
    assert row.bad_replies == '{"shifted":2,"short":1}'
    assert len(pauses) == 3


async def test_a_mistake_of_ours_stops_neither_the_task_nor_its_siblings(
    rig: Rig, pauses: list[float]
) -> None:
    """Something unexpected is logged, shown, and tried again after the longest pause."""
    row = await follow_through(rig, ZeroDivisionError("in our own code"))
    assert row.last_error == "in our own code"
    assert pauses == [30.0]


async def test_polls_keep_their_beat_and_skip_what_they_missed() -> None:
    """Work that takes longer than the interval delays the next poll and is not made up for."""
    loop = asyncio.get_running_loop()
    begun = loop.time()
    beats = []
    async for _ in each_interval(0.05):
        beats.append(loop.time() - begun)
        if len(beats) == 2:
            await asyncio.sleep(0.12)
        if len(beats) == 4:
            break
    assert beats[1] == pytest.approx(0.05, abs=0.03)
    assert beats[2] == pytest.approx(0.17, abs=0.03)
    assert beats[3] == pytest.approx(0.22, abs=0.04)
