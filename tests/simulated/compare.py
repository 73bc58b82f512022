"""The book against the ground truth. Every disagreement is a sentence.

Every record carries the true number of its cycle, so a row in the book names the cycle that it is, however
the book numbers it. What is not in the book is looked for between the rows that are its neighbours: there,
the listed gaps have to make room for all of it and, where they are counted, for no more than it.
"""

from bisect import bisect
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from itertools import pairwise
from typing import Any

import orjson
from sqlalchemy import Connection, select

from collector.store import tables
from collector.store.audit import find_audits
from collector.store.curves import decode
from tests.balance import tallies_against_a_full_scan
from tests.simulated.collector import LOG_FILE
from tests.simulated.kinds import Kind
from tests.simulated.truth import Made, log_row_of, peak_of

Row = Mapping[str, Any]
Key = tuple[int, int]
"""Epoch and sequence, as the book numbers."""

SLACK_MS = 2.0
"""For a clock that tells milliseconds."""


@dataclass(frozen=True, slots=True)
class Told:
    """What truly happened at one place, in order."""

    name: str
    kind: Kind
    made: Sequence[Made]
    tools: frozenset[int]
    """Mounted there at some time."""
    last_shown: int


@dataclass(slots=True)
class Comparison:
    wrong: list[str] = field(default_factory=list)
    made: int = 0
    stored: int = 0
    in_gaps: int = 0
    curves: int = 0


def compare(book: Connection, truth: Sequence[Told]) -> Comparison:
    result = Comparison()
    result.wrong += tallies_against_a_full_scan(book)
    for audit in find_audits(book):
        result.wrong += (f"{audit['controller']}: {mistake}" for mistake in audit["mistakes"])
        result.wrong += (f"{audit['controller']}: {says}" for says in _left_over(audit))
    ids = dict(book.execute(select(tables.controller.c.name, tables.controller.c.controller_id)).all())
    for told in truth:
        if told.name not in ids:
            result.wrong.append(f"{told.name}: not in the book")
            continue
        page = _Page(book, ids[told.name], told)
        result.wrong += (f"{told.name}: {says}" for says in page.disagreements())
        result.made += len(page.expected)
        result.stored += len(page.cycles)
        result.in_gaps += len(page.expected) - len(page.cycles)
        result.curves += page.curves
    return result


def _left_over(audit: Row) -> Iterator[str]:
    """What is left of the controller's own count: nothing, but for what the book lists as unexplained."""
    for row in audit["rows"]:
        listed = sum(
            change["found"] - change["expected"]
            for change in row["count_changes"]
            if change["kind"] == "unexplained"
        )
        if row["unexplained"] not in (None, listed):
            yield f"{row['unexplained']} cycles of the controller's count are unexplained, {listed} listed"


class _Page:
    """What the book has of one controller."""

    def __init__(self, book: Connection, controller_id: int, told: Told) -> None:
        self.told = told
        self._by_id = {made.true_id: index for index, made in enumerate(told.made)}
        self.cycles = _rows(book, tables.cycle, controller_id)
        self.cycles.sort(key=_key)
        self.curve_rows = _rows(book, tables.curve, controller_id)
        self.quarantine = _rows(book, tables.quarantine, controller_id)
        gaps = _rows(book, tables.gap, controller_id)
        self.gaps = [each for each in gaps if each.get("closed_at") is None]
        found = book.execute(
            select(tables.position).where(tables.position.c.controller_id == controller_id)
        ).one_or_none()
        self.position: Row | None = None if found is None else dict(found._mapping)
        mount = tables.mount.c
        mounts = select(mount.after_epoch, mount.after_sequence).where(
            mount.controller_id == controller_id, mount.after_epoch.is_not(None)
        )
        self.no_tool_until: Key = min(map(tuple, book.execute(mounts)), default=(0, 0))
        """The last number before anybody told the book which tool is there."""
        serials = select(tables.tool.c.tool_id, tables.tool.c.serial)
        self.serials = dict(book.execute(serials).all())
        self.expected: list[Made] = []
        self.curves = len(self.curve_rows)

    def disagreements(self) -> Iterator[str]:
        if self.position is None:
            yield "the book has no position"
            return
        yield from self._of_position()
        indices: list[int] = []
        seen: Counter[int] = Counter()
        for row in self.cycles:
            true_id = orjson.loads(row["extra"])["true_id"]
            seen[true_id] += 1
            index = self._by_id.get(true_id)
            if index is None:
                yield f"{_name(row)} was never made here (true cycle {true_id})"
                return
            indices.append(index)
            yield from (f"{_name(row)}: {says}" for says in self._of_row(row, self.told.made[index]))
        yield from (f"true cycle {each} is stored {times} times" for each, times in seen.items() if times > 1)
        for before, after, row in zip(indices, indices[1:], self.cycles[1:], strict=False):
            if after <= before:
                yield f"{_name(row)} happened before the cycle that the book has before it"
                return
        yield from self._of_numbers()
        yield from self._of_gaps(indices)
        yield from self._of_curves(dict(zip(map(_key, self.cycles), indices, strict=True)))

    def _of_position(self) -> Iterator[str]:
        assert self.position is not None
        if self.position["sequence"] % self.told.kind.modulus != self.told.last_shown:
            stands = self.position["sequence"]
            yield f"the book stands at {stands}, the controller shows {self.told.last_shown}"

    # ---- one row -------------------------------------------------------------------------------------------

    def _of_row(self, row: Row, made: Made) -> Iterator[str]:
        kind = self.told.kind
        if not made.readable:
            yield "its record could not be read"
        if row["sequence"] % kind.modulus != made.sequence:
            yield f"the controller numbers it {made.sequence}"
        from_log = row["brought_by"] is not None and row["brought_by"].startswith(LOG_FILE)
        expected = [log_row_of(made.true_id, each) for each in (True, False)] if from_log else [made.raw]
        if row["raw"] not in expected:
            yield "its record has other bytes"
        if row["result"] != made.result:
            yield f"{row['result']}, truly {made.result}"
        if row["peak_tension_n"] != peak_of(made.true_id):
            yield f"a peak of {row['peak_tension_n']}, truly {peak_of(made.true_id)}"
        told = "total_count" in kind.record_shows and not (from_log and row["total_count"] is None)
        if told and row["total_count"] != made.total_count:
            yield f"count {row['total_count']}, truly {made.total_count}"
        is_told = "tool_serial" in kind.record_shows and row["raw"] != log_row_of(made.true_id, False)
        yield from self._of_tool(row, made, is_told)
        off_ms = abs((row["ended_at"] - made.ended_at) / timedelta(milliseconds=1))
        stated = row["time_uncertainty_ms"]
        if stated is not None and off_ms > stated + SLACK_MS:
            yield f"ended {off_ms:.0f} ms off, stated uncertainty {stated:.0f} ms"

    def _of_tool(self, row: Row, made: Made, is_told: bool) -> Iterator[str]:
        """`is_told`: its own record names its tool."""
        serial = self.serials[row["tool_id"]]
        if serial == str(made.tool):
            return
        shown = self.told.kind.record_shows | self.told.kind.status_shows
        may_be_unknown = not is_told and (
            "tool_serial" not in shown or len(self.told.tools) > 1 or _key(row) <= self.no_tool_until
        )
        if serial != "unknown" or not may_be_unknown:
            yield f"tool {serial}, truly {made.tool}"

    # ---- all numbers ---------------------------------------------------------------------------------------

    def _of_numbers(self) -> Iterator[str]:
        """Within an epoch every number from the first on is stored or in one gap; nothing is both."""
        stored = set(map(_key, self.cycles))
        listed: Counter[Key] = Counter()
        for gap in self.gaps:
            if gap["last_sequence"] is None:
                continue
            if gap["last_sequence"] - gap["first_sequence"] > 1_000_000:
                yield f"a gap of {gap['last_sequence'] - gap['first_sequence'] + 1} cycles is listed"
                return
            numbers = range(gap["first_sequence"], gap["last_sequence"] + 1)
            listed.update((gap["epoch"], number) for number in numbers)
            for number in numbers:
                if (gap["epoch"], number) in stored:
                    yield f"cycle {(gap['epoch'], number)} is stored and listed as missing"
        yield from (f"{key} is listed as missing {times} times" for key, times in listed.items() if times > 1)
        assert self.position is not None
        end = (self.position["epoch"], self.position["sequence"])
        covered = sorted(stored | listed.keys())
        for (epoch, number), after in zip(covered, [*covered[1:], None], strict=False):
            if after is not None and after[0] == epoch and after[1] != number + 1:
                yield f"nothing is said of the numbers between {(epoch, number)} and {after}"
            if (epoch, number) > end:
                yield f"{(epoch, number)} lies beyond the position {end}"

    def _of_gaps(self, indices: list[int]) -> Iterator[str]:
        keys = list(map(_key, self.cycles))
        places: list[list[Row]] = [[] for _ in range(len(keys) + 1)]
        for gap in self.gaps:
            places[bisect(keys, (gap["epoch"], gap["first_sequence"]))].append(gap)
        if not indices:
            yield from self._of_stretch([], places[0], "the whole book")
            return
        self.expected = list(self.told.made[indices[0] :])
        bounds = [*indices, len(self.told.made)]
        for number, (before, after) in enumerate(pairwise(bounds)):
            unstored = self.told.made[before + 1 : after]
            gaps = [*places[number + 1], *self._of_the_restart(self.cycles[number])]
            yield from self._of_stretch(unstored, gaps, f"after {_name(self.cycles[number])}")
        if places[0] and not self._may_begin_with(places[0]):
            yield f"a gap before the first cycle: {places[0]}"

    def _of_the_restart(self, cycle: Row) -> Iterator[Row]:
        """A gap without a number, listed with the cycles that a restart brought: it may lie among them."""
        for gap in self.gaps:
            before = gap["last_sequence"] is None and gap["epoch"] == cycle["epoch"] - 1
            if before and gap["commit_number"] > cycle["commit_number"]:
                yield gap

    def _may_begin_with(self, gaps: list[Row]) -> bool:
        """Of cycles before the first that is stored, the book may list what the controller counted."""
        return sum(map(_counted, gaps)) <= self._by_id[orjson.loads(self.cycles[0]["extra"])["true_id"]]

    def _of_stretch(self, unstored: Sequence[Made], gaps: list[Row], where: str) -> Iterator[str]:
        owed = sum(not made.elsewhere for made in unstored)
        counted = sum(map(_counted, gaps))
        open_end = any(gap["last_sequence"] is None for gap in gaps)
        if counted > len(unstored):
            yield f"{where}: {counted} cycles listed as missing, truly {len(unstored)}"
        elif counted < owed and not open_end:
            yield f"{where}: {owed} cycles truly missing, {counted} listed"
        after, before = [gap["after_at"] for gap in gaps], [gap["before_at"] for gap in gaps]
        for made in unstored:
            if made.elsewhere or not gaps:
                continue
            if None not in after and made.ended_at < min(after):
                yield f"{where}: a missing cycle ended {min(after) - made.ended_at} before the gap begins"
            if None not in before and made.ended_at > max(before):
                yield f"{where}: a missing cycle ended {made.ended_at - max(before)} after the gap's end"
        unreadable = {made.raw for made in unstored if not made.readable}
        told = sum(_counted(gap) for gap in gaps if gap["reason"] == "record unreadable")
        # An unreadable record that has just overwritten one that was sought stands for that one, too.
        if told > len(unreadable) and not any(not made.readable for made in self.told.made):
            yield f"{where}: {told} records listed as unreadable, truly {len(unreadable)}"
        elif told and unreadable and not any(row["raw"] in unreadable for row in self.quarantine):
            yield f"{where}: the bytes of an unreadable record are not in quarantine"

    def _of_curves(self, index_of: dict[Key, int]) -> Iterator[str]:
        for row in self.curve_rows:
            index = index_of.get(_key(row))
            if index is None:
                yield f"curve of {_key(row)} without its cycle"
                continue
            _, samples = decode(row["coded"])
            if tuple(samples.tolist()) != self.told.made[index].samples:
                yield f"the curve of {_name(row)} is not its own"


def _rows(book: Connection, table: Any, controller_id: int) -> list[Row]:
    found = book.execute(select(table).where(table.c.controller_id == controller_id))
    return [dict(row._mapping) for row in found]


def _key(row: Row) -> Key:
    return row["epoch"], row["sequence"]


def _counted(gap: Row) -> int:
    return 0 if gap["last_sequence"] is None else gap["last_sequence"] - gap["first_sequence"] + 1


def _name(row: Row) -> str:
    return f"cycle {_key(row)}"
