"""The writer: all of an entry or nothing, once, and durable when it says so."""

import asyncio
import json
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import closing
from dataclasses import asdict, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, create_engine, event, text
from sqlalchemy.exc import OperationalError

from collector.analysis.features import features
from collector.errors import StalePosition, StoreError
from collector.model import (
    ControllerMemory,
    Cycle,
    FaultCleared,
    FaultRaised,
    Link,
    MountChange,
    Position,
    SettingChange,
    ToolName,
)
from collector.store import tables
from collector.store.curves import decode
from collector.store.engine import StoreAddress, migrate_book, open_book_reader, open_book_writer, shrink_log
from collector.store.writer import Writer
from tests.collector.store.rigs import (
    IDENTITIES,
    MORNING,
    OTHER_TOOL,
    SAMPLES,
    TOOL,
    Gate,
    another_writer,
    commit_numbers,
    count_rows,
    curve,
    cycle,
    entry,
    full_entry,
    rows,
    statements,
    whole_book,
)

MARK = ("epoch", "sequence", "count")


@pytest.fixture
async def writer(book_engine: Engine) -> AsyncIterator[Writer]:
    """A writer of a new book that knows three controllers."""
    async with Writer(book_engine, now=lambda: MORNING) as writer:
        await writer.register(IDENTITIES)
        yield writer


# ---- what goes in ----


async def test_every_part_of_an_entry_is_in_the_book(writer: Writer, book_reader: Engine) -> None:
    """Each kind of record is stored as it was handed over, beside its controller and tool."""
    await writer.commit(full_entry("L1-02", 1))
    book = whole_book(book_reader)
    at = MORNING + timedelta(seconds=10)
    tool_ids = {row["serial"]: row["tool_id"] for row in book["tool"]}
    mounts = [(row["tool_id"], row["mounted_at"], row["unmounted_at"]) for row in book["mount"]]
    assert mounts == [
        (tool_ids["T-1001"], at, at + timedelta(seconds=5)),
        (tool_ids["T-1002"], at + timedelta(seconds=5), None),
    ]
    marks = [[row[f"{end}_{of}"] for end in ("after", "until") for of in MARK] for row in book["mount"]]
    assert marks == [[None, None, None, 1, 1, 5000], [1, 1, 5000, None, None, None]]
    (count,) = book["count_change"]
    assert [count[of] for of in ("kind", "epoch", "sequence", "expected", "found")] == [
        "cleared",
        1,
        1,
        5000,
        0,
    ]
    assert (count["after_at"], count["noticed_at"]) == (at, at + timedelta(seconds=1))
    (clock,) = book["clock_change"]
    assert (clock["before_ms"], clock["after_ms"], clock["noticed_at"]) == (0.0, 3600000.0, at)
    assert [row["serial"] for row in book["controller"]] == [None, "cabinet of L1-02", None]
    assert [(row["epoch"], row["serial"]) for row in book["epoch"]] == [(1, "cabinet of L1-02")]
    faults = [(row["code"], row["acknowledged_at"], row["cleared_at"]) for row in book["fault"]]
    assert faults == [
        ("E12", at + timedelta(seconds=1), at + timedelta(seconds=2)),
        ("E7", None, None),
    ]
    (gap,) = book["gap"]
    assert (gap["first_sequence"], gap["last_sequence"], gap["reason"]) == (4, 6, "history overwritten")
    assert (gap["noticed_at"], gap["before_at"]) == (MORNING, at + timedelta(minutes=1))
    assert book["position"] == [
        {"controller_id": 2, "epoch": 1, "sequence": 3, "total_count": 5001, "read_through_at": at}
    ]
    (status,) = book["controller_status"]
    assert status == {
        "controller_id": 2,
        "link_state": "up",
        "link_since": at,
        "last_error": "reset",
        "last_error_at": at,
        "bad_replies": '{"short":2}',
        "reconnects": 3,
        "read_at": at,
        "last_sequence": "3",
        "mode": "automatic",
        "state": "idle",
        "emergency_stop": False,
        "total_count": 5001,
        "count_since_cleared": 17,
        "controller_clock": "2026-03-02T07:00:00",
        "clock_offset_ms": 3600000.0,
        "clock_uncertainty_ms": 40.0,
        "clock_drift_ppm": -12.5,
        "clock_stands_still": False,
        "supply_pressure_kpa": 612.5,
        "settings": '{"set_torque_nm":4.5}',
        "extra": '{"firmware":"2.1"}',
    }
    assert [row["place"] for row in book["quarantine"]] == ["epoch 1, sequence 901", "slot 4"]


async def test_a_cycle_keeps_all_that_the_controller_said(writer: Writer, book_reader: Engine) -> None:
    """Every column of a cycle comes back as it was handed over; what was not said is NULL, not zero."""
    said: dict[str, Any] = {
        "controller_time": (MORNING + timedelta(hours=1, microseconds=250)).replace(tzinfo=None),
        "result": "nok",
        "completion": "aborted",
        "mode": "manual",
        "fault_code": "E12",
        "part_id": "A-77",
        "band": "B12",
        "duration_ms": 812.5,
        "take_up_ms": 400.25,
        "peak_tension_n": 4210.5,
        "lock_tension_n": 3900.0,
        "seating_loss_n": 310.5,
        "set_torque_nm": 4.5,
        "tension_speed_mm_s": 120.0,
        "punch_pressure_kpa": 560.0,
        "supply_pressure_kpa": 610.0,
        "punch_velocity_m_s": 6.25,
        "total_count": 402118,
        "extra": {"angle_deg": 12.5, "operator": "two", "spare": None},
    }
    told, bare = cycle(1, **said), cycle(2)
    await writer.commit(entry("L1-01", 1, 2, cycles=(told, bare)))
    first, second = rows(book_reader, tables.cycle)
    assert first == {
        **said,
        "controller_id": 1,
        "epoch": 1,
        "sequence": 1,
        "commit_number": 1,
        "tool_id": 1,
        "ended_at": told.ended_at,
        "time_uncertainty_ms": 25.0,
        "controller_time": "2026-03-02T07:00:00.000250",
        "extra": '{"angle_deg":12.5,"operator":"two","spare":null}',
        "raw": b"record 1",
        "brought_by": None,
    }
    unsaid = [name for name, value in second.items() if value is None and name != "brought_by"]
    assert unsaid == [name for name in first if name in said and name not in ("result", "completion", "mode")]


async def test_a_curve_carries_the_end_of_its_cycle(writer: Writer, book_reader: Engine) -> None:
    """With its cycle or after it: a curve takes the cycle's frozen end; its samples are kept bit for bit."""
    await writer.commit(entry("L1-01", 1, 2, curves=(curve(1),)))
    await writer.commit(entry("L1-01", 3, 3, curves=(curve(2),)))
    stored = rows(book_reader, tables.curve)
    assert [(row["sequence"], row["ended_at"], row["sample_count"]) for row in stored] == [
        (1, cycle(1).ended_at, 200),
        (2, cycle(2).ended_at, 200),
    ]
    assert [decode(row["coded"])[1].tobytes() for row in stored] == [SAMPLES, SAMPLES]
    assert (stored[0]["scale"], stored[0]["offset"], stored[0]["sample_interval_us"]) == (0.5, -3.0, 500)


async def test_a_curve_has_its_features_beside_it(writer: Writer, book_reader: Engine) -> None:
    """As the analysis finds them, with the cycle's tension speed, in the transaction that stores the curve;
    one that comes later too. What it can't find is null, with the reason in `notes`."""
    told = cycle(1, tension_speed_mm_s=40.0), cycle(2)
    await writer.commit(entry("L1-01", 1, 2, cycles=told, curves=(curve(1),)))
    await writer.commit(entry("L1-01", 3, 3, curves=(curve(2, samples=SAMPLES[:6]),)))
    first, second = rows(book_reader, tables.curve_feature)
    expected = asdict(features(curve(1).curve, 40.0))
    notes = list(expected.pop("notes"))
    assert ({name: first[name] for name in expected}, json.loads(first["notes"])) == (expected, notes)
    assert (first["controller_id"], first["epoch"], first["sequence"]) == (1, 1, 1)
    assert (second["peak"], json.loads(second["notes"])) == (None, ["3 samples are too few for a curve"])


async def test_a_setting_that_was_changed_is_listed(writer: Writer, book_reader: Engine) -> None:
    """With what it was and is, between which looks, and where in the order of cycles."""
    at = MORNING + timedelta(seconds=10)
    change = SettingChange("band", "B15", "B20", MORNING, at)
    await writer.commit(entry("L1-01", 1, 2, settings=(change,)))
    (listed,) = rows(book_reader, tables.setting_change)
    assert (listed["setting"], listed["value_before"], listed["value_after"]) == ("band", '"B15"', '"B20"')
    assert (listed["not_before"], listed["noticed_at"]) == (MORNING, at)
    assert (listed["epoch"], listed["sequence"]) == (1, 2)


async def test_the_same_curve_again_is_nothing_new(writer: Writer, book_reader: Engine) -> None:
    """A curve that comes again, in the same entry or later, changes nothing."""
    await writer.commit(entry("L1-01", 1, 1, curves=(curve(1), curve(1))))
    before = rows(book_reader, tables.curve)
    await writer.commit(entry("L1-01", 2, 2, curves=(curve(1),)))
    assert rows(book_reader, tables.curve) == before
    assert rows(book_reader, tables.quarantine) == []


@pytest.mark.parametrize(
    ("bad", "reason"),
    [
        (curve(77), "its cycle is not in the book"),
        (curve(1, samples=SAMPLES[2:]), "the book has another curve of this cycle"),
        (curve(2, samples=b"\x01"), "its samples can't be coded"),
    ],
)
async def test_a_curve_that_does_not_fit_is_kept_apart(
    writer: Writer, book_reader: Engine, bad: Any, reason: str
) -> None:
    """It goes to quarantine with its samples and the reason, and never holds up a cycle."""
    await writer.commit(entry("L1-01", 1, 1, curves=(curve(1),)))
    await writer.commit(entry("L1-01", 2, 2, curves=(bad,)))
    assert count_rows(book_reader, tables.cycle) == 2
    assert count_rows(book_reader, tables.curve) == 1
    (kept,) = rows(book_reader, tables.quarantine)
    assert (kept["what"], kept["raw"], kept["received_at"]) == ("curve", bad.curve.samples, MORNING)
    assert kept["reason"].startswith(reason)


async def test_a_poller_finds_what_it_left(writer: Writer) -> None:
    """After a restart the book gives back position and its record, mounted tool, open faults, the clock's
    offset and the controller's identity."""
    assert await writer.recall("L1-01") == ControllerMemory()
    left = full_entry("L1-01", 1)
    await writer.commit(left)
    assert left.seen is not None
    assert await writer.recall("L1-01") == ControllerMemory(
        position=left.position,
        last_ended_at=max(each.ended_at for each in left.cycles),
        last_uncertainty_ms=25.0,
        last_raw=b"record 3",
        tool=OTHER_TOOL,
        read_at=left.seen.read_at,
        open_faults={"E7": False},
        clock_offset_ms=3600000.0,
        clock_uncertainty_ms=40.0,
        settings={"set_torque_nm": 4.5},
        controller_serial="cabinet of L1-01",
    )
    assert await writer.recall("L1-02") == ControllerMemory()


async def test_a_tool_taken_off_leaves_the_controller_bare(writer: Writer) -> None:
    """When no tool is mounted any more, none is recalled."""
    await writer.commit(entry("L1-01", 1, 1, mounts=(MountChange(TOOL, MORNING),)))
    await writer.commit(entry("L1-01", 2, 2, mounts=(MountChange(None, MORNING + timedelta(hours=1)),)))
    assert (await writer.recall("L1-01")).tool is None


async def test_a_fault_is_cleared_in_its_own_controller_only(writer: Writer) -> None:
    """Two controllers with the same fault code are two faults."""
    raised = FaultRaised("E7", "guard open", "safety", TOOL, MORNING, None)
    for controller in ("L1-01", "L1-02"):
        await writer.commit(entry(controller, 1, 1, faults=(raised,)))
    await writer.commit(entry("L1-01", 2, 2, faults=(FaultCleared("E7", MORNING + timedelta(minutes=1)),)))
    assert (await writer.recall("L1-01")).open_faults == {}
    assert (await writer.recall("L1-02")).open_faults == {"E7": False}


async def test_a_link_alone_leaves_the_last_status(writer: Writer, book_reader: Engine) -> None:
    """News of the link does not wipe out what was last seen, nor the other way round."""
    await writer.commit(full_entry("L1-01", 1))
    (before,) = rows(book_reader, tables.controller_status)
    down = Link("down", MORNING + timedelta(hours=1), "no route", MORNING + timedelta(hours=1), {}, 4)
    position = full_entry("L1-01", 1).position
    await writer.commit(entry("L1-01", 4, 3, expected=position, position=position, link=down))
    (after,) = rows(book_reader, tables.controller_status)
    changed = {name for name in after if after[name] != before[name]}
    assert changed == {
        "link_state",
        "link_since",
        "last_error",
        "last_error_at",
        "bad_replies",
        "reconnects",
    }


async def test_a_position_inside_a_gap_has_no_record(writer: Writer) -> None:
    """What the book has last is another cycle's: it must not be compared with the record there."""
    await writer.commit(entry("L1-01", 1, 2, position=Position(1, 4)))
    memory = await writer.recall("L1-01")
    assert memory.last_raw is None
    assert memory.last_ended_at == cycle(2).ended_at


async def test_records_are_known_by_their_bytes_in_any_epoch(writer: Writer) -> None:
    """Under the latest number that their sequence can mean, however many are asked for."""
    await writer.commit(entry("L1-01", 1, 5))
    begun = tuple(cycle(sequence, epoch=2) for sequence in (300, 301))
    await writer.commit(
        entry("L1-01", 1, 2, expected=Position(1, 5), position=Position(2, 301), cycles=begun)
    )
    asked = [Cycle(sequence=n, raw=b"record %d" % n) for n in (2, 5, 9)]
    asked += [Cycle(sequence=2, raw=b"another"), Cycle(sequence=301 - 256, raw=b"record 301")]
    asked += [Cycle(sequence=n % 256, raw=b"nowhere") for n in range(2000)]
    known = await writer.find_known("L1-01", None, asked, 256)
    assert known == [True, True, False, False, True, *([False] * 2000)]
    assert await writer.find_known("L1-02", None, asked[:2], 256) == [False, False]


async def test_records_of_a_controller_are_known_wherever_it_stood(writer: Writer) -> None:
    """One that was moved brings nothing twice; what others made at its place is not taken for its own."""
    await writer.commit(entry("L1-01", 1, 3, controller_serial="C-1"))
    await writer.commit(entry("L1-02", 1, 3, controller_serial="C-2"))
    asked = [Cycle(sequence=3, raw=b"record 3")]
    assert await writer.find_known("L1-03", "C-1", asked, 256) == [True]
    assert await writer.find_known("L1-01", "C-3", asked, 256) == [False]


async def test_an_identity_that_moves_leaves_its_place_marked(writer: Writer, book_reader: Engine) -> None:
    """Who owns it is the new place; the old one is known to have had another controller."""
    await writer.commit(entry("L1-01", 1, 3, controller_serial="C-1"))
    assert await writer.owner_of("C-1") == "L1-01"
    assert await writer.owner_of("C-9") is None
    await writer.commit(entry("L1-02", 1, 3, controller_serial="C-1"))
    assert await writer.owner_of("C-1") == "L1-02"
    assert (await writer.recall("L1-01")).controller_serial == ""
    assert [row["serial"] for row in rows(book_reader, tables.epoch)] == ["C-1", "C-1"]


async def test_registering_again_moves_a_controller(writer: Writer, book_reader: Engine) -> None:
    """A controller keeps its identity when the site file gives it another place."""
    await writer.register([replace(IDENTITIES[0], station="st-90")])
    await writer.register([])
    assert [
        (row["controller_id"], row["name"], row["station"]) for row in rows(book_reader, tables.controller)
    ] == [
        (1, "L1-01", "st-90"),
        (2, "L1-02", "st-20"),
        (3, "L1-03", "st-30"),
    ]


async def test_two_makers_may_share_a_serial(writer: Writer, book_reader: Engine) -> None:
    """A tool is maker, model and serial together; the same tool is one row, whoever reports it."""
    other_maker = ToolName("Kestrel Works", "KW2", TOOL.serial)
    await writer.commit(entry("L1-01", 1, 2, cycles=(cycle(1), cycle(2, tool=other_maker))))
    await writer.commit(entry("L1-02", 1, 1))
    assert len(rows(book_reader, tables.tool)) == 2
    tool_ids = [row["tool_id"] for row in rows(book_reader, tables.cycle)]
    assert tool_ids == [1, 2, 1]


# ---- all or nothing, and once ----


def broken() -> Exception:
    return OperationalError("a statement", None, Exception("the disk has gone"))


@pytest.mark.parametrize("failure", [broken, lambda: RuntimeError("a mistake of ours")])
async def test_an_entry_goes_in_whole_or_not_at_all(
    writer: Writer, book_engine: Engine, book_reader: Engine, failure: Callable[[], Exception]
) -> None:
    """Whichever statement fails, nothing of the entry is in the book; afterwards the same entry goes in."""
    await writer.commit(full_entry("L1-02", 1))
    before = whole_book(book_reader)
    tried = 0
    while True:
        left = tried

        def fail_at_turn(statement: str) -> None:
            nonlocal left
            if left == 0:
                left = -1
                raise failure()
            left -= 1

        with statements(book_engine, fail_at_turn):
            try:
                await writer.commit(full_entry("L1-01", 1))
                break
            except (StoreError, RuntimeError):
                assert whole_book(book_reader) == before
        tried += 1
    assert tried > 15
    assert count_rows(book_reader, tables.cycle) == 6
    numbers = commit_numbers(book_reader)
    assert numbers == list(range(1, len(numbers) + 1))


async def test_a_failed_commit_leaves_nothing(
    writer: Writer, book_engine: Engine, book_reader: Engine
) -> None:
    """When the very commit fails, nothing is in the book and the poller is told so."""
    before = whole_book(book_reader)

    def fail(_connection: Any) -> None:
        raise broken()

    event.listen(book_engine, "commit", fail)
    with pytest.raises(StoreError, match="the disk has gone"):
        await writer.commit(full_entry("L1-01", 1))
    event.remove(book_engine, "commit", fail)
    assert whole_book(book_reader) == before
    await writer.commit(full_entry("L1-01", 1))


async def test_the_same_cycle_is_refused_by_its_natural_key(writer: Writer, book_reader: Engine) -> None:
    """Controller, epoch and sequence name a cycle: what claims to follow but repeats one is refused whole."""
    await writer.commit(entry("L1-01", 1, 3))
    before = whole_book(book_reader)
    repeated = entry("L1-01", 4, 5, cycles=(cycle(4), cycle(3)))
    with pytest.raises(StoreError):
        await writer.commit(repeated)
    assert whole_book(book_reader) == before
    await writer.commit(entry("L1-01", 4, 5))


async def test_another_epoch_may_use_the_numbers_again(writer: Writer, book_reader: Engine) -> None:
    """After a restart of the controller its numbers begin again, and so do its cycles."""
    await writer.commit(entry("L1-01", 1, 3))
    begun = tuple(cycle(sequence, epoch=2) for sequence in (1, 2))
    await writer.commit(entry("L1-01", 1, 2, expected=Position(1, 3), position=Position(2, 2), cycles=begun))
    assert count_rows(book_reader, tables.cycle) == 5


@pytest.mark.parametrize(
    "expected",
    [
        None,
        Position(1, 2),
        Position(2, 3),
        Position(1, 3, total_count=9),
        Position(1, 3, read_through_at=MORNING),
    ],
)
async def test_work_on_another_position_is_refused(
    writer: Writer, book_reader: Engine, expected: Position | None
) -> None:
    """An entry built on a position that the book does not have is stale: nothing of it goes in."""
    await writer.commit(entry("L1-01", 1, 3))
    before = whole_book(book_reader)
    with pytest.raises(StalePosition, match="L1-01"):
        await writer.commit(replace(full_entry("L1-01", 4), expected=expected))
    assert whole_book(book_reader) == before


async def test_an_entry_that_comes_twice_goes_in_once(writer: Writer, book_reader: Engine) -> None:
    """A poller that never heard of its commit and tries again changes nothing."""
    await writer.commit(full_entry("L1-01", 1))
    before = whole_book(book_reader)
    with pytest.raises(StalePosition):
        await writer.commit(full_entry("L1-01", 1))
    assert whole_book(book_reader) == before


async def test_an_unknown_controller_is_refused(writer: Writer, book_reader: Engine) -> None:
    """Nothing goes in for a controller that was not registered."""
    with pytest.raises(StoreError, match="L9-99 is not in the book"):
        await writer.commit(entry("L9-99", 1, 1))
    with pytest.raises(StoreError, match="L9-99 is not in the book"):
        await writer.recall("L9-99")
    assert count_rows(book_reader, tables.cycle) == 0


# ---- groups ----


async def test_one_bad_entry_does_not_fail_its_group(book_engine: Engine, book_reader: Engine) -> None:
    """Of entries in one group, the repeated, the stale and the impossible fail alone; the others are in."""
    gate = Gate()
    async with Writer(book_engine, now=gate) as writer:
        await writer.register(IDENTITIES)
        first = asyncio.create_task(writer.commit(entry("L1-01", 1, 2)))
        await asyncio.to_thread(gate.reached.wait)
        group = [
            entry("L1-01", 3, 4, cycles=(cycle(3), cycle(2))),  # repeats a cycle
            entry("L1-02", 1, 3),
            entry("L1-03", 7, 9),  # stale
            entry("L1-03", 1, 1, cycles=(cycle(1, total_count=2**64),)),  # no database has such a number
            entry("L1-03", 1, 1, link="no link at all"),  # a mistake of ours
            entry("L1-01", 3, 3),
        ]
        waiting = [asyncio.create_task(writer.commit(each)) for each in group]
        await asyncio.sleep(0)  # each has handed its entry over
        gate.opened.set()
        await first
        outcomes = await asyncio.gather(*waiting, return_exceptions=True)
    assert [type(outcome) for outcome in outcomes] == [
        StoreError,
        type(None),
        StalePosition,
        StoreError,
        AttributeError,
        type(None),
    ]
    stored = [(row["controller_id"], row["sequence"]) for row in rows(book_reader, tables.cycle)]
    assert stored == [(1, 1), (1, 2), (1, 3), (2, 1), (2, 2), (2, 3)]
    assert commit_numbers(book_reader) == list(range(1, 7))


async def test_entries_that_wait_share_a_commit(book_engine: Engine, book_reader: Engine) -> None:
    """While one commit is under way the others gather, and go in together, up to the bound."""
    commits: list[Any] = []
    gate = Gate()
    async with Writer(book_engine, now=gate) as writer:
        await writer.register(IDENTITIES)
        first = asyncio.create_task(writer.commit(entry("L1-01", 1, 1)))
        await asyncio.to_thread(gate.reached.wait)
        waiting = [
            asyncio.create_task(writer.commit(entry("L1-01", 2, 200))),
            asyncio.create_task(writer.commit(entry("L1-02", 1, 200))),
            asyncio.create_task(writer.commit(entry("L1-03", 1, 200))),  # the 500 are full
        ]
        await asyncio.sleep(0)
        event.listen(book_engine, "commit", commits.append)
        gate.opened.set()
        await asyncio.gather(first, *waiting)
    assert len(commits) == 3
    assert count_rows(book_reader, tables.cycle) == 600


async def test_two_entries_of_one_controller_in_one_group_follow_each_other(
    book_engine: Engine, book_reader: Engine
) -> None:
    """The second is compared with the position that the first one leads to."""
    gate = Gate()
    async with Writer(book_engine, now=gate) as writer:
        await writer.register(IDENTITIES)
        plug = asyncio.create_task(writer.commit(entry("L1-02", 1, 1)))
        await asyncio.to_thread(gate.reached.wait)
        group = [asyncio.create_task(writer.commit(entry("L1-01", first, first))) for first in (1, 2)]
        group += [asyncio.create_task(writer.commit(entry("L1-01", 2, 2)))]
        await asyncio.sleep(0)
        gate.opened.set()
        outcomes = await asyncio.gather(plug, *group, return_exceptions=True)
    assert [type(outcome) for outcome in outcomes] == [type(None), type(None), type(None), StalePosition]


async def test_a_cancelled_poller_harms_nobody(book_engine: Engine, book_reader: Engine) -> None:
    """Its entry is committed whole, and the others hear of theirs."""
    gate = Gate()
    async with Writer(book_engine, now=gate) as writer:
        await writer.register(IDENTITIES)
        in_work = asyncio.create_task(writer.commit(full_entry("L1-01", 1)))
        await asyncio.to_thread(gate.reached.wait)
        queued = asyncio.create_task(writer.commit(full_entry("L1-02", 1)))
        other = asyncio.create_task(writer.commit(full_entry("L1-03", 1)))
        await asyncio.sleep(0)
        in_work.cancel()
        queued.cancel()
        gate.opened.set()
        outcomes = await asyncio.gather(in_work, queued, other, return_exceptions=True)
        assert [type(outcome) for outcome in outcomes] == [
            asyncio.CancelledError,
            asyncio.CancelledError,
            type(None),
        ]
        assert (await writer.recall("L1-02")).position == full_entry("L1-02", 1).position
    assert count_rows(book_reader, tables.cycle) == 9


async def test_commit_numbers_have_no_gaps(writer: Writer, book_reader: Engine) -> None:
    """Refused entries give their numbers back: the feed can rely on 1, 2, 3 …"""
    await writer.commit(full_entry("L1-01", 1))
    with pytest.raises(StoreError):
        await writer.commit(entry("L1-02", 1, 2, cycles=(cycle(1), cycle(1))))
    with pytest.raises(StalePosition):
        await writer.commit(full_entry("L1-03", 5))
    await writer.commit(full_entry("L1-02", 1))
    numbers = commit_numbers(book_reader)
    assert numbers == list(range(1, len(numbers) + 1))
    (book,) = rows(book_reader, tables.book)
    assert book["commit_number"] == len(numbers)
    assert book["instance"] == writer.instance


# ---- beginning, end, and trouble ----


async def test_what_was_committed_is_there_for_everybody(writer: Writer, book_address: StoreAddress) -> None:
    """When `commit` returns, another connection sees the cycles."""
    await writer.commit(entry("L1-01", 1, 4))
    reader = open_book_reader(book_address)
    assert count_rows(reader, tables.cycle) == 4
    reader.dispose()


async def test_leaving_commits_what_waits(book_engine: Engine, book_reader: Engine) -> None:
    """Nothing that was handed over is dropped at the end; what comes later is refused."""
    gate = Gate()
    async with Writer(book_engine, now=gate) as writer:
        await writer.register(IDENTITIES)
        tasks = [
            asyncio.create_task(writer.commit(entry(name, 1, 300))) for name in ("L1-01", "L1-02", "L1-03")
        ]
        await asyncio.to_thread(gate.reached.wait)
        gate.opened.set()
    await asyncio.gather(*tasks)
    assert count_rows(book_reader, tables.cycle) == 900
    with pytest.raises(StoreError, match="closed"):
        await writer.commit(entry("L1-01", 301, 301))


async def test_leaving_lets_the_next_collector_in(book_address: StoreAddress, book_engine: Engine) -> None:
    """The book's lock ends with the writer."""
    async with Writer(book_engine) as writer:
        instance = writer.instance
    second = open_book_writer(book_address)
    async with Writer(second) as writer:
        assert writer.instance == instance


async def test_a_full_queue_is_said_and_not_grown(
    book_engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The queue has a bound; beyond it an entry is refused, and comes again later."""
    monkeypatch.setattr("collector.store.writer.JOBS_MOST", 2)
    gate = Gate()
    async with Writer(book_engine, now=gate) as writer:
        await writer.register(IDENTITIES)
        tasks = [asyncio.create_task(writer.commit(entry("L1-01", 1, 1)))]
        await asyncio.to_thread(gate.reached.wait)
        tasks += [asyncio.create_task(writer.commit(entry(name, 1, 1))) for name in ("L1-02", "L1-03")]
        await asyncio.sleep(0)
        with pytest.raises(StoreError, match="2 entries wait"):
            await writer.commit(entry("L1-01", 2, 2))
        gate.opened.set()
        await asyncio.gather(*tasks)


async def test_a_book_that_was_not_migrated_is_refused(tmp_path: Path) -> None:
    """The writer begins only on tables that it knows."""
    engine = open_book_writer(StoreAddress(folder=tmp_path))
    with pytest.raises(StoreError, match="migrate"):
        async with Writer(engine):
            pass
    engine.dispose()


async def test_a_mistake_of_the_writer_is_heard_by_all(
    book_engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """If its thread ends by a mistake of ours, nobody waits for ever; whoever watches learns the cause."""
    async with Writer(book_engine) as writer:
        await writer.register(IDENTITIES)
        watch = asyncio.create_task(writer.watch())
        monkeypatch.setattr(writer, "_serve", lambda group: 1 / 0)
        with pytest.raises(StoreError, match="mistake of its own"):
            await writer.commit(entry("L1-01", 1, 1))
        with pytest.raises(ZeroDivisionError):
            await watch
        with pytest.raises(StoreError, match="closed"):
            await writer.commit(entry("L1-01", 1, 1))


async def test_a_locked_book_loses_and_doubles_nothing(book_address: StoreAddress) -> None:
    """While another writes, a commit fails after the busy timeout; afterwards the same entry goes in."""
    engine = open_book_writer(book_address, busy_timeout_s=0.05)
    migrate_book(engine)
    async with Writer(engine) as writer:
        await writer.register(IDENTITIES)
        await writer.commit(entry("L1-01", 1, 2))
        with another_writer(book_address), pytest.raises(StoreError, match="lock"):
            await writer.commit(entry("L1-01", 3, 4))
        await writer.commit(entry("L1-01", 3, 4))
        reader = open_book_reader(book_address)
        assert [row["sequence"] for row in rows(reader, tables.cycle)] == [1, 2, 3, 4]
        reader.dispose()


async def test_a_full_disk_loses_and_doubles_nothing(tmp_path: Path) -> None:
    """When there is no room, the commit fails and says so; with room again the same entry goes in."""

    def limit_pages(pages: int) -> None:
        with closing(engine.raw_connection()) as pooled:
            driver: Any = pooled.driver_connection
            driver.execute(f"PRAGMA max_page_count = {pages}").close()

    address = StoreAddress(folder=tmp_path)
    engine = open_book_writer(address)
    migrate_book(engine)
    async with Writer(engine) as writer:
        await writer.register(IDENTITIES)
        await writer.commit(entry("L1-01", 1, 10))
        limit_pages(1)  # that is: not a page more than there are
        with pytest.raises(StoreError, match="the disk is full; make room"):
            await writer.commit(entry("L1-01", 11, 400))
        limit_pages(2**31)
        await writer.commit(entry("L1-01", 11, 400))
    reader = open_book_reader(address)
    assert [row["sequence"] for row in rows(reader, tables.cycle)] == list(range(1, 401))
    assert commit_numbers(reader) == list(range(1, 401))
    reader.dispose()


async def test_leaving_a_locked_book_does_not_wait_again_and_again(book_address: StoreAddress) -> None:
    """What still waits fails together with the first that is refused: one busy timeout, not many."""
    engine = open_book_writer(book_address, busy_timeout_s=0.3)
    migrate_book(engine)
    asked: list[str] = []
    async with Writer(engine) as writer:
        await writer.register(IDENTITIES)
        with another_writer(book_address), statements(engine, asked.append):
            tasks = [asyncio.create_task(writer.commit(entry(each.name, 1, 400))) for each in IDENTITIES]
            await asyncio.sleep(0)
            await writer.__aexit__(None, None, None)
            outcomes = await asyncio.gather(*tasks, return_exceptions=True)
    assert [type(outcome) for outcome in outcomes] == [StoreError] * 3
    assert asked.count(asked[0]) == 1, "more than one transaction was tried"


async def test_a_cut_connection_is_made_anew(
    postgresql_database: str, request: pytest.FixtureRequest
) -> None:
    """When the server drops the writer, the commit fails and the next one takes a new connection."""
    address = StoreAddress(url=postgresql_database)
    engine = open_book_writer(address)
    migrate_book(engine)
    async with Writer(engine) as writer:
        identity = replace(IDENTITIES[0], name=f"cut-{request.node.name}")
        await writer.register([identity])
        server = create_engine(postgresql_database)
        with server.begin() as connection:
            connection.execute(
                text(
                    "SELECT pg_terminate_backend(pid) FROM pg_locks "
                    "WHERE locktype = 'advisory' AND database = (SELECT oid FROM pg_database "
                    "WHERE datname = current_database())"
                )
            )
        server.dispose()
        with pytest.raises(StoreError):
            await writer.commit(entry(identity.name, 1, 2))
        await writer.commit(entry(identity.name, 1, 2))
        memory = await writer.recall(identity.name)
        assert (memory.position, memory.last_raw) == (Position(1, 2), b"record 2")


async def test_an_idle_writer_shrinks_the_log(
    book_engine: Engine, book_address: StoreAddress, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After a while without work the write-ahead log is empty; while there is none, nothing runs."""
    shrunk = threading.Event()

    def shrink(engine: Engine) -> bool:
        done = shrink_log(engine)
        shrunk.set()
        return done

    monkeypatch.setattr("collector.store.writer.shrink_log", shrink)
    async with Writer(book_engine, idle_s=0.0) as writer:
        await writer.register(IDENTITIES)
        assert not shrunk.is_set()
        await writer.commit(entry("L1-01", 1, 50))
        assert await asyncio.to_thread(shrunk.wait, 10)
        if book_address.folder is not None:
            assert (book_address.folder / "book.sqlite-wal").stat().st_size == 0


def test_a_reader_keeps_the_log_and_nobody_waits_for_it(
    book_engine: Engine, book_reader: Engine, book_address: StoreAddress
) -> None:
    """Shrinking gives up at once while a reader needs the log, and keeps the busy timeout for commits."""
    if book_address.folder is None:
        assert shrink_log(book_engine)
        return
    with book_reader.connect() as reading:
        reading.execute(text("SELECT * FROM book"))
        with book_engine.begin() as connection:
            connection.execute(tables.book.update().values(commit_number=5))
        assert not shrink_log(book_engine)
    assert shrink_log(book_engine)
    with book_engine.connect() as connection:
        assert connection.exec_driver_sql("PRAGMA busy_timeout").scalar() == 5000
