"""The book against the ground truth: every cycle that a simulated controller made is in the book once and
right, or inside a listed gap. Cycles that it had forgotten before the book first met it don't count.
"""

import hashlib
import math
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, func, select

from collector.store.curves import decode
from collector.store.tables import controller, curve, cycle, gap, tally, tool
from simulators.truth import TrueCycle

Key = tuple[int, int]
"""Epoch and sequence, as the book numbers them."""

MODULUS = {"ring-modbus": 2**16, "last-record-modbus": 2**32, "ring-s7": 2**32, "messages-mqtt": 2**32}
WORDS = ("result", "completion", "mode", "fault_code", "part_id", "band", "total_count")
RECORDED_AS = {"fault_code": "fault"}
CLOCK_SLACK_MS = 50.0
"""For the simulators' own delay between a cycle's end and its stamp."""


@dataclass(slots=True)
class Balance:
    """What the comparison found; `wrong` says each disagreement in a sentence."""

    made: Counter[str] = field(default_factory=Counter)
    stored: Counter[str] = field(default_factory=Counter)
    in_gaps: Counter[str] = field(default_factory=Counter)
    unread: Counter[str] = field(default_factory=Counter)
    """Made after the last cycle that the book settled."""
    curves: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)


def balance(book: Connection, truth: list[TrueCycle]) -> Balance:
    """Compare a book, to which nothing is added any more, with all that the controllers made."""
    result = Balance()
    result.wrong += tallies_against_a_full_scan(book)
    for row in book.execute(select(controller)).all():
        made = [each for each in truth if each.controller == row.name]
        result.wrong += _controller(book, row.controller_id, made, result)
    return result


def tallies_against_a_full_scan(book: Connection) -> Iterator[str]:
    by = [cycle.c.tool_id, cycle.c.controller_id, cycle.c.result, cycle.c.completion]
    scanned = book.execute(select(*by, func.count()).group_by(*by)).all()
    kept = [tally.c[column.name] for column in by]
    tallied = book.execute(select(*kept, func.sum(tally.c.cycles)).group_by(*kept)).all()
    if sorted(tuple(row) for row in scanned) != sorted((*row[:-1], int(row[-1])) for row in tallied):
        yield "the tallies differ from a full scan of the cycles"


def _controller(
    book: Connection, controller_id: int, made: list[TrueCycle], result: Balance
) -> Iterator[str]:
    found = select(cycle, tool.c.serial).join_from(cycle, tool).where(cycle.c.controller_id == controller_id)
    stored = {(row.epoch, row.sequence): row._mapping for row in book.execute(found)}
    missing = set(_in_gaps(book, controller_id))
    uncounted = _uncounted(book, controller_id)
    name = made[0].controller
    if not stored:
        yield f"{name}: nothing in the book"
        return
    expected = dict(_numbered(made, min(stored.keys() | missing)[1]))
    result.made[name] = len(expected)
    result.stored[name] = len(stored)
    result.in_gaps[name] = len(missing)
    settled = max(stored.keys() | missing)
    for key in sorted(expected.keys() - stored.keys() - missing):
        if any(gap <= key for gap in uncounted if not any(gap <= other < key for other in stored)):
            result.in_gaps[name] += 1
        elif key > settled:
            result.unread[name] += 1
        else:
            yield f"{name}: cycle {key} is neither in the book nor in a gap"
    for key in sorted(stored.keys() - expected.keys()):
        yield f"{name}: cycle {key} is in the book, and the controller never made it"
    for key in sorted(missing - expected.keys()):
        yield f"{name}: cycle {key} is in a gap, and the controller never made it"
    for key in sorted(stored.keys() & missing):
        yield f"{name}: cycle {key} is in the book and in a gap"
    for key in sorted(stored.keys() & expected.keys()):
        yield from (f"{name}: cycle {key}: {says}" for says in _differences(stored[key], expected[key]))
    yield from _curves(book, controller_id, expected, result)


def _in_gaps(book: Connection, controller_id: int) -> Iterator[Key]:
    open_now = select(gap).where(gap.c.controller_id == controller_id, gap.c.closed_at.is_(None))
    for row in book.execute(open_now):
        if row.last_sequence is not None:
            yield from ((row.epoch, number) for number in range(row.first_sequence, row.last_sequence + 1))


def _uncounted(book: Connection, controller_id: int) -> list[Key]:
    """Where the gaps begin of which nobody can say how many they are; each ends with the next cycle."""
    open_now = select(gap).where(gap.c.controller_id == controller_id, gap.c.closed_at.is_(None))
    return [(row.epoch, row.first_sequence) for row in book.execute(open_now) if row.last_sequence is None]


def _numbered(made: list[TrueCycle], first: int) -> Iterator[tuple[Key, TrueCycle]]:
    """What the book has to number how: from its first cycle on, then each memory epoch from 1."""
    memories = sorted({each.epoch for each in made})
    old = [each for each in made if each.epoch == memories[0]]
    shown = first % MODULUS[made[0].layout]
    begin = next(number for number, true in enumerate(old) if true.shown_sequence == shown)
    yield from (((1, first + number), true) for number, true in enumerate(old[begin:]))
    for epoch, memory in enumerate(memories[1:], 2):
        yield from (((epoch, each.sequence), each) for each in made if each.epoch == memory)


def _differences(row: Mapping[str, Any], true: TrueCycle) -> Iterator[str]:
    if row["serial"] != true.tool_serial:
        yield f"tool {row['serial']}, truly {true.tool_serial}"
    for name in WORDS:
        recorded = RECORDED_AS.get(name, name) in true.recorded
        if recorded and row[name] != getattr(true, name):
            yield f"{name} {row[name]!r}, truly {getattr(true, name)!r}"
    for name, value in true.values.items():
        if not _same(row[name], value):
            yield f"{name} {row[name]!r}, truly {value!r}"
    off_ms = abs((row["ended_at"] - true.ended_at).total_seconds()) * 1000
    if row["time_uncertainty_ms"] is not None and off_ms > row["time_uncertainty_ms"] + CLOCK_SLACK_MS:
        yield f"ended {off_ms:.0f} ms off, stated uncertainty {row['time_uncertainty_ms']:.0f} ms"


def _same(got: float | None, true: float | None) -> bool:
    if got is None or true is None:
        return got is true
    return math.isclose(got, true, rel_tol=1e-9, abs_tol=1e-12)


def _curves(
    book: Connection, controller_id: int, expected: dict[Key, TrueCycle], result: Balance
) -> Iterator[str]:
    for row in book.execute(select(curve).where(curve.c.controller_id == controller_id)):
        true = expected[row.epoch, row.sequence]
        _, samples = decode(row.coded)
        result.curves[true.controller] += 1
        if hashlib.sha256(samples.tobytes()).hexdigest() != true.curve_sha256:
            yield f"{true.controller}: the curve of cycle {row.sequence} is not the one that was sampled"
