"""The ledger, as the poller asks it, against a model that only remembers every cycle ever made.

The model knows no circles, epochs or counts. It has the cycles in the order of their making, each with the
bytes of its record, and asks of the book after every poll: between two stored cycles that follow each other,
are there gaps for just as many cycles as were made between them?

What nobody can know, the machine does not do:
- A counter that is lost with the memory, or cleared, and has then counted on until it fits the sequence and
  the count in the book: `_could_be_taken_for_ours`. Nothing but the record at our position could tell, and it
  may be overwritten.
- A memory cleared while the connection lasts whose number comes to stand some way ahead of ours, so that the
  record at our position is gone: an operator who clears a counter looks the same. (A controller that restarts
  ends its connections.)
- A counter that is cleared in an outage and counts past what it was: the difference looks like a count.
- More cycles than half a circle while somebody also changes the count: nothing is left that could tell the
  circles.
- Two such events in one outage, for the same reasons taken together.
- Another controller, without an identity, whose count is a little ahead of ours: it looks like a restart.
"""

import asyncio
import logging
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import cast

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from collector.errors import LinkDown, StalePosition, StoreError
from collector.layouts.schema import Block, ModbusLayout
from collector.model import ControllerMemory, Cycle, Entry, Gap, Position
from collector.poller import Polling
from collector.standing import Standing
from collector.store.writer import Writer
from tests.collector.tiny import COUNT, RECORD_SIZE, SEQUENCE, SLOTS, Memory, tiny_layout

BEGIN = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
CIRCLE = 256
FIRST_COUNT = 20_000


class Book:
    """What the writer does, in plain lists."""

    def __init__(self) -> None:
        self.memory = ControllerMemory()
        self.stored: dict[tuple[int, int], bytes] = {}
        self.gaps: list[Gap] = []
        self.refusals = 0

    async def recall(self, _controller: str) -> ControllerMemory:
        return self.memory

    async def find_known(
        self, _controller: str, _serial: str | None, cycles: Sequence[Cycle], _modulus: int
    ) -> list[bool]:
        return [cycle.raw in self.stored.values() for cycle in cycles]

    async def owner_of(self, _serial: str) -> str | None:
        return None

    async def commit(self, entry: Entry) -> None:
        if self.refusals and entry.seen is not None:
            self.refusals -= 1
            raise StoreError("the disk is full")
        if entry.expected != self.memory.position:
            raise StalePosition(entry.controller, entry.expected, self.memory.position)
        for each in entry.cycles:
            assert (each.epoch, each.sequence) not in self.stored, "two cycles with one number"
            assert each.cycle.raw not in self.stored.values(), "one cycle with two numbers"
            self.stored[each.epoch, each.sequence] = each.cycle.raw
        self.gaps += entry.gaps
        memory = replace(self.memory, position=entry.position)
        if entry.cycles:
            last = entry.cycles[-1]
            memory = replace(
                memory, last_ended_at=last.ended_at, last_uncertainty_ms=last.time_uncertainty_ms
            )
        if entry.seen is not None:
            memory = replace(memory, read_at=entry.seen.read_at)
        at = entry.position
        self.memory = replace(memory, last_raw=self.stored.get((at.epoch, at.sequence)) if at else None)


class GatedMemory(Memory):
    """Answers while the gate is open: one poll after the other, over one connection."""

    def __init__(self, layout: ModbusLayout) -> None:
        super().__init__(layout)
        self.gate = asyncio.Event()
        self.cut = False

    async def read(self, block: Block) -> bytes:
        await self.gate.wait()
        if self.cut:
            raise LinkDown("cut")
        return await super().read(block)


@dataclass(frozen=True)
class Missing:
    """Cycles that were made one after the other and are not stored, between two that are."""

    after: tuple[int, int]
    """Number of the stored cycle before them; (0, 0): none."""
    before: tuple[int, int]
    count: int


LAST = (10**9, 0)


@cache
def narrow_layout() -> ModbusLayout:
    """Circles of 256, and a cycle a second, which could be two."""
    narrow = "sequence_bits = 8\nshortest_cycle_ms = 500"
    with tempfile.TemporaryDirectory() as folder:
        return tiny_layout(Path(folder), lambda layout: layout.replace("sequence_bits = 16", narrow))


class LedgerMachine(RuleBasedStateMachine):
    def __init__(self) -> None:
        super().__init__()
        self.layout = narrow_layout()
        self.runner = asyncio.Runner()
        self.memory = GatedMemory(self.layout)
        self.memory.registers[COUNT] = FIRST_COUNT
        self.book = Book()
        self.clock = BEGIN
        self.made: list[bytes] = []
        """Every cycle that has to be accounted for, oldest first: the bytes of its record."""
        self.unseen = 0
        """How many of them were made since the last poll."""
        self.event = ""
        """What has happened to memory or count since then."""
        self.task: asyncio.Task[None] | None = None
        self.start_collector()

    # ---- the collector ----

    def start_collector(self) -> None:
        self.cut()
        writer = cast(Writer, self.book)
        standing = Standing("T-01", self.layout, writer, self.book.memory, lambda: self.clock)
        self.polling = Polling(standing, self.layout, poll_interval_s=0.0)

    def cut(self) -> None:
        """The connection ends."""
        if self.task is not None:
            self.runner.run(self._cut(self.task))
            self.task = None

    async def _cut(self, task: asyncio.Task[None]) -> None:
        self.memory.cut = True
        self.memory.gate.set()
        with pytest.raises(LinkDown):
            await task
        self.memory.cut = False
        self.memory.gate.clear()

    async def _poll(self) -> None:
        """One good poll, over the connection that there is, or a new one."""
        self.done = asyncio.Event()
        if self.task is None:
            self.task = asyncio.create_task(self.polling.work(self.memory, self._went_well))
        self.memory.gate.set()
        waiting = asyncio.create_task(self.done.wait())
        await asyncio.wait([waiting, self.task], return_when=asyncio.FIRST_COMPLETED, timeout=20)
        if self.task.done():
            await self.task
        assert self.done.is_set(), "no good poll"

    def _went_well(self) -> None:
        self.memory.gate.clear()
        self.done.set()

    def teardown(self) -> None:
        self.cut()
        self.runner.close()

    # ---- the controller ----

    @property
    def position(self) -> Position:
        assert self.book.memory.position is not None
        return self.book.memory.position

    @property
    def sequence(self) -> int:
        return self.memory.registers[SEQUENCE]

    def make_cycles(self, number: int) -> None:
        for _ in range(number):
            self.clock += timedelta(seconds=1)
            self.memory.finish(self.sequence + 1)
            self.made.append(self.record_at(self.sequence))
        self.unseen += number

    def record_at(self, sequence: int) -> bytes:
        at = self.memory.slot(sequence)
        return b"".join(r.to_bytes(2, "big") for r in self.memory.registers[at : at + RECORD_SIZE])

    def _could_be_taken_for_ours(self) -> bool:
        """A counter that begins with the sequence would fit ours, for ours did as well."""
        return (self.position.total_count or 0) % CIRCLE == self.position.sequence % CIRCLE

    @initialize(number=st.integers(0, 6), begin=st.integers(0, CIRCLE - 1))
    def first_contact(self, number: int, begin: int) -> None:
        """Anywhere in the circle; what no longer is in the memory was made before the book began."""
        self.memory.registers[SEQUENCE] = begin
        self.make_cycles(number)
        self.poll()
        self.made = [raw for raw in self.made if raw in self.book.stored.values()]
        assert len(self.made) == min(number, SLOTS)

    @rule(number=st.one_of(st.integers(1, 3), st.integers(1, 12), st.integers(1, 600)))
    def make(self, number: int) -> None:
        below_ours = (self.position.total_count or 0) - 1 - self.memory.registers[COUNT]
        room = {
            "count cleared": min(100 - self.unseen, below_ours),
            "memory swapped": below_ours,
        }
        self.make_cycles(min(number, max(room.get(self.event, number), 0)))

    @rule()
    def poll(self) -> None:
        self.clock += timedelta(seconds=1)
        self.runner.run(self._poll())
        self.unseen, self.event = 0, ""

    @rule()
    def store_refuses(self) -> None:
        self.book.refusals = 2

    @rule()
    def lose_contact(self) -> None:
        self.cut()

    @rule()
    def restart_collector(self) -> None:
        self.start_collector()

    # ---- what happens to memory and count ----

    @precondition(lambda self: self.event in ("", "memory lost"))
    @rule(number=st.integers(0, 12), count_is_lost=st.booleans())
    def lose_memory(self, number: int, count_is_lost: bool) -> None:
        """A restart: its connections end, its records are gone, it counts from 1 again."""
        if count_is_lost and self._could_be_taken_for_ours():
            return
        self.cut()
        self._clear(count_is_lost)
        self.make_cycles(number)

    @precondition(lambda self: self.event == "" and self.task is not None)
    @rule(number=st.integers(0, 300), count_is_lost=st.booleans())
    def clear_memory_while_connected(self, number: int, count_is_lost: bool) -> None:
        """Some cycles, and a poll."""
        ahead = (number - self.position.sequence) % CIRCLE
        proven = ahead <= SLOTS - 2 and self.book.memory.last_raw is not None
        if (ahead <= CIRCLE // 2 and not proven) or (count_is_lost and self._could_be_taken_for_ours()):
            return
        if not count_is_lost and number > CIRCLE // 2:
            return
        self._clear(count_is_lost)
        self.make_cycles(number)
        self.poll()

    def _clear(self, count_is_lost: bool) -> None:
        self.memory.clear()
        if count_is_lost:
            self.memory.registers[COUNT] = 0
        self.event = "memory and count lost" if count_is_lost else "memory lost"

    @precondition(lambda self: self.event == "" and self.unseen <= 100)
    @rule()
    def clear_count(self) -> None:
        self.memory.registers[COUNT] = 0
        self.event = "count cleared"

    @precondition(lambda self: self.event == "" and self.task is None)
    @rule(begin=st.integers(0, CIRCLE - 1), number=st.integers(0, 6), less=st.integers(1, 5000))
    def swap_memory(self, begin: int, number: int, less: int) -> None:
        """Another controller that tells no identity, with cycles of its own, and a lower count."""
        count = (self.position.total_count or 0) - less - number
        if count < 0 or (count - begin) % CIRCLE == 0:
            return  # a count that equals the sequence looks like both having begun anew
        other = GatedMemory(self.layout)
        other.made = self.memory.made
        other.registers[SEQUENCE], other.registers[COUNT] = begin, count
        self.memory = other
        self.make_cycles(number)
        forgotten = max(number - SLOTS, 0)  # made elsewhere, and gone before it came here
        del self.made[len(self.made) - number : len(self.made) - number + forgotten]
        self.unseen -= forgotten
        self.event = "memory swapped"

    # ---- what must hold ----

    def missing(self) -> list[Missing]:
        """Runs of cycles that are not stored, by the order of making."""
        numbers = {raw: number for number, raw in self.book.stored.items()}
        seen = self.made[: len(self.made) - self.unseen] if self.unseen else self.made
        runs, after, count = [], (0, 0), 0
        for raw in seen:
            if raw in numbers:
                runs.append(Missing(after, numbers[raw], count))
                after, count = numbers[raw], 0
            else:
                count += 1
        return [*runs, Missing(after, LAST, count)]

    @invariant()
    def every_cycle_is_stored_once_or_missing_at_its_place(self) -> None:
        """As many as the gaps between the neighbours say; a gap without a number covers any number."""
        if self.book.memory.position is None:
            return
        for run in self.missing():
            gaps = [gap for gap in self.book.gaps if run.after < (gap.epoch, gap.first_sequence) < run.before]
            listed = sum(
                gap.last_sequence - gap.first_sequence + 1 for gap in gaps if gap.last_sequence is not None
            )
            without_number = any(gap.last_sequence is None for gap in gaps)
            assert listed <= run.count, f"more missing than were made: {run}, {gaps}"
            assert listed == run.count or without_number, f"silently short: {run}, {gaps}"

    @invariant()
    def numbers_go_up_with_the_making(self) -> None:
        """Epoch by epoch, and within an epoch as the controller counts."""
        numbers = {raw: number for number, raw in self.book.stored.items()}
        stored = [numbers[raw] for raw in self.made if raw in numbers]
        assert stored == sorted(stored)
        assert len(stored) == len(numbers), "the book has a cycle that nobody made"
        for (_, number), raw in self.book.stored.items():
            assert number % CIRCLE == int.from_bytes(raw[:2], "big")

    @invariant()
    def gaps_and_cycles_do_not_overlap(self) -> None:
        """Within an epoch, nothing is both stored and missing, and nothing is missing twice."""
        taken: set[tuple[int, int]] = set(self.book.stored)
        for gap in self.book.gaps:
            last = gap.first_sequence if gap.last_sequence is None else gap.last_sequence
            numbers = {(gap.epoch, number) for number in range(gap.first_sequence, last + 1)}
            if gap.last_sequence is not None:
                assert not numbers & taken
                taken |= numbers


@pytest.fixture(autouse=True)
def quick_and_quiet(monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture) -> None:
    """The store refuses at once and takes it at once; nobody reads ten thousand warnings."""
    monkeypatch.setattr("collector.poller.STORE_PAUSE_S", 0.0)
    caplog.set_level(logging.ERROR, "collector")


TestLedger = LedgerMachine.TestCase
TestLedger.settings = settings(max_examples=100, stateful_step_count=25, deadline=None)
