"""Reading a controller's memory while the controller writes it."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from collector.errors import TornRead
from collector.layouts.decoder import Decoder
from collector.ring import Harvest, Ring
from tests.collector.tiny import Memory, tiny_layout

NOW = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)


@pytest.fixture
def memory(tmp_path: Path) -> Memory:
    """Cycles 1 to 20 were made; 17 to 20 are remembered."""
    memory = Memory(tiny_layout(tmp_path))
    for number in range(1, 21):
        memory.finish(number)
    return memory


def ring(memory: Memory) -> Ring:
    return Ring(memory, memory.layout, Decoder(memory.layout), lambda: NOW)


async def harvest(memory: Memory, numbers: range, last: int = 20) -> Harvest:
    reader = ring(memory)
    return await reader.read_records(await reader.read_status(), last, numbers)


async def test_new_records_cost_one_read_and_a_status(memory: Memory) -> None:
    """In the steady state: status, record, status."""
    taken = await harvest(memory, range(20, 21))
    assert taken.found[20].peak_tension_n == 20
    assert memory.reads == [(0, 11), (20, 6), (0, 11)]


async def test_a_run_is_cut_where_the_ring_jumps_back(memory: Memory) -> None:
    """18 and 19 lie at the end of the ring, 20 at its begin: two reads, no more."""
    taken = await harvest(memory, range(18, 21))
    assert sorted(taken.found) == [18, 19, 20]
    assert memory.reads[1:3] == [(32, 12), (20, 6)]


async def test_the_oldest_record_is_read_until_two_readings_agree(memory: Memory) -> None:
    """Its slot is the next to be written: half of it was new, then the rest came."""
    memory.before_read = {1: lambda: memory.first_half(21), 4: lambda: memory.finish(21)}
    taken = await harvest(memory, range(17, 21))
    assert sorted(taken.found) == [18, 19, 20]
    assert taken.lost == {17: "history overwritten"}


async def test_a_record_that_was_whole_before_it_was_overwritten_is_taken(memory: Memory) -> None:
    """At the edge and untouched: two readings agree and it is a good record."""
    taken = await harvest(memory, range(17, 21))
    assert sorted(taken.found) == [17, 18, 19, 20]
    assert not taken.lost


async def test_a_record_that_never_holds_still_is_a_torn_read(memory: Memory) -> None:
    """Rather none than one made of two cycles."""

    def flicker() -> None:
        memory.registers[memory.slot(17) + 1] += 1

    memory.always = flicker
    with pytest.raises(TornRead, match="17"):
        await harvest(memory, range(17, 21))


async def test_a_fall_back_while_reading_is_a_torn_read(memory: Memory) -> None:
    """The controller restarted between our reads: nothing of it is taken."""
    memory.before_read = {2: lambda: memory.finish(1)}
    with pytest.raises(TornRead, match="fell back"):
        await harvest(memory, range(19, 21))


async def test_an_unreadable_record_is_kept_with_its_bytes(memory: Memory) -> None:
    """Result 9 means nothing in this layout: quarantine, and a gap that says why."""
    memory.record(19, result=9)
    taken = await harvest(memory, range(18, 21))
    assert sorted(taken.found) == [18, 20]
    assert taken.lost == {19: "record unreadable"}
    (kept,) = taken.quarantined
    assert kept.raw == bytes.fromhex("001300140009001400000000")
    assert "result" in kept.reason


async def test_a_number_that_the_controller_left_out_is_skipped(memory: Memory) -> None:
    """Its slot still holds the record of a round before."""
    memory.registers[0] = 22
    memory.record(22)
    taken = await harvest(memory, range(21, 23), last=22)
    assert sorted(taken.found) == [22]
    assert taken.lost == {21: "skipped sequence"}


async def test_a_curve_is_taken_with_its_own_cycle_only(memory: Memory) -> None:
    """The curve block names another cycle than the one asked for: no curve, not a wrong one."""
    memory.curve(20, [1, 5, 9])
    curve = await ring(memory).read_curve(20)
    assert curve is not None
    assert curve.samples == bytes.fromhex("010005000900")
    memory.curve(19, [1, 5, 9])
    assert await ring(memory).read_curve(20) is None


async def test_a_curve_that_changes_under_the_reader_is_read_again(memory: Memory) -> None:
    """The head is read before and after the samples."""
    memory.curve(19, [7, 7, 7])
    memory.before_read = {1: lambda: memory.curve(20, [1, 5, 9])}
    curve = await ring(memory).read_curve(20)
    assert curve is not None
    assert curve.samples == bytes.fromhex("010005000900")


async def test_a_curve_is_dropped_when_the_controller_moved_on(memory: Memory) -> None:
    """Its next cycle may be writing over it."""
    memory.curve(20, [1, 5, 9])
    memory.before_read = {2: lambda: memory.finish(21)}
    assert await ring(memory).read_curve(20) is None
