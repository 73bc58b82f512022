"""Statements in the book: what has to be stated now, what a statement says, and how it gets in.

`prepare` reads, in one snapshot, and takes its time; `write` is one short transaction of the writer. Between
the two anything may be committed: `write` looks for what came since the snapshot and falls into the
statements' time, and refuses them then; they are prepared anew. All that one pass over a line finds goes in
together, so the line's highest `as_of` says up to which commit all its statements are right.
"""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any, get_args

from sqlalchemy import BigInteger, Connection, Double, case, func, or_, select, type_coerce

from collector.completeness import Reading, stated_from, why_incomplete
from collector.model import Completion, Result
from collector.rfc3339 import format_rfc3339
from collector.shifts import Occurrence, ShiftPlan
from collector.statements import Basis, Draft, Json, basis_of, changes, due, is_changed, seal
from collector.store.completeness import find_gaps_in, find_readings
from collector.store.queries import Record, find_book, find_tool_names, records
from collector.store.shift_equations import find_equations
from collector.store.tables import book, controller, count_change, cycle, gap, statement, to_us
from collector.store.tallies import Dimension, count_by

SHIFTS_MOST = 20
"""Closed in one pass over a line: a collector that was away for long makes up for it in steps."""
ROW: tuple[Dimension, ...] = ("tool_id", "controller_id", "band", "mode")
"""What a row of a statement is of."""
WAS_READ = "the controller was read through"
IN_ORDER = "read after the shift was closed"


@dataclass(frozen=True, slots=True)
class LineRules:
    """What the site file says of a line."""

    line: str
    plan: ShiftPlan
    controllers: frozenset[str]
    """Those that are expected to be read."""
    moduli: Mapping[str, int | None]
    """Controller -> how far the count in its records goes until it begins anew."""
    grace: timedelta


@dataclass(slots=True)
class Seen:
    """What a pass has looked at, so that the next need not; kept in memory only."""

    commit: int = 0
    read_through: dict[str, datetime | None] = field(default_factory=dict)
    """Controller -> how far it was read then."""


@dataclass(frozen=True, slots=True)
class Event:
    """Something that came into the book and falls into a stretch of time, both bounds inclusive."""

    controller: str
    begin: datetime | None
    end: datetime | None
    says: str

    def reaches(self, begins_at: datetime, ends_at: datetime) -> bool:
        return (self.begin is None or self.begin < ends_at) and (self.end is None or self.end >= begins_at)


# ---- reading -----------------------------------------------------------------------------------------------


def prepare(connection: Connection, rules: LineRules, seen: Seen, now: datetime) -> tuple[list[Draft], Seen]:
    """All revisions and closings that a line needs now, in the order of time, and what was seen for them."""
    about = find_book(connection)
    as_of: int = about["commit_number"]
    if seen.commit > as_of:
        seen = Seen()  # the book went back to an earlier state
    readings = [each for each in find_readings(connection) if each.line == rules.line]
    pass_ = _Pass(connection, rules, readings, as_of)
    at = {each.controller: each.read_through_at for each in readings}
    drafts = [*pass_.revisions(seen), *pass_.closings(about["created_at"], now)]
    return drafts, Seen(as_of, at)


@dataclass(frozen=True, slots=True)
class _Pass:
    connection: Connection
    rules: LineRules
    readings: Sequence[Reading]
    as_of: int

    # ---- closing -------------------------------------------------------------------------------------------

    def closings(self, book_began: datetime, now: datetime) -> Iterator[Draft]:
        last = self.connection.scalar(
            select(func.max(statement.c.ends_at)).where(statement.c.line == self.rules.line)
        )
        expected = [each for each in self.readings if each.controller in self.rules.controllers]
        after = stated_from(self.rules.plan, expected, book_began) if last is None else last
        for number, each in enumerate(due(self.rules.plan, after, self._stated_near(after), now)):
            basis = basis_of(each.ends_at, expected, now, self.rules.grace)
            if basis is None or number == SHIFTS_MOST:
                return
            content, ids = self._content(each.begins_at, each.ends_at, self._on_the_line(each))
            zone = self.rules.plan.zone.key
            yield Draft(self.rules.line, each, zone, 1, basis, content, [], self.as_of, ids)

    def _stated_near(self, at: datetime) -> list[tuple[date, str]]:
        rows = self.connection.execute(
            select(statement.c.plant_day, statement.c.shift).where(
                statement.c.line == self.rules.line, statement.c.ends_at > at - timedelta(days=2)
            )
        )
        return [(date.fromisoformat(row.plant_day), row.shift) for row in rows]

    def _on_the_line(self, each: Occurrence) -> list[Reading]:
        """Those that are expected, and those that have left the line and made cycles of the shift before."""
        made = {
            row["controller_id"]
            for row in count_by(
                self.connection,
                ("controller_id",),
                each.begins_at,
                each.ends_at,
                controller_ids=[reading.controller_id for reading in self.readings],
            )
        }
        return [
            reading
            for reading in self.readings
            if reading.controller in self.rules.controllers or reading.controller_id in made
        ]

    # ---- revising ------------------------------------------------------------------------------------------

    def revisions(self, seen: Seen) -> Iterator[Draft]:
        about = self.connection.execute(
            select(func.max(statement.c.as_of), func.max(statement.c.ends_at)).where(
                statement.c.line == self.rules.line
            )
        ).one()
        if about[0] is None:
            return
        since = max(seen.commit, about[0])
        ids = [each.controller_id for each in self.readings]
        events = find_events(self.connection, ids, since, about[1])
        events += self._came_back(seen)
        begins = [each.begin for each in events if each.begin is not None]
        first = None if len(begins) < len(events) else min(begins, default=None)
        if not events:
            return
        follows = False
        for row in find_latest(self.connection, self.rules.line, ends_after=first):
            mine = [
                each
                for each in events
                if each.reaches(row["begins_at"], row["ends_at"]) and (row["waits"] or each.says != WAS_READ)
            ]
            if not mine and not follows:
                continue
            before, content, ids = self._again(row, mine)
            # The equation of the next shift begins where that of this one ends.
            follows = content["reconciliation"] != before["reconciliation"]
            if is_changed(before, content):
                yield self._revision(row, before, content, ids, mine)

    def _came_back(self, seen: Seen) -> list[Event]:
        """Controllers that were read further than at the pass before, for statements that wait for that."""
        waiting = self.connection.scalar(
            select(func.count()).where(statement.c.line == self.rules.line, statement.c.waits)
        )
        return [
            Event(each.controller, _a_day_before(seen.read_through.get(each.controller)), None, WAS_READ)
            for each in self.readings
            if waiting
            and each.read_through_at is not None
            and each.read_through_at != seen.read_through.get(each.controller)
        ]

    def _again(self, row: Record, events: Sequence[Event]) -> tuple[Json, Json, list[int]]:
        """What a statement says, what it would say now, and the ids of its controllers."""
        body = select(statement.c.body).where(statement.c.commit_number == row["commit_number"])
        before = json.loads(self.connection.scalars(body).one())
        named = set(before["controllers"])
        newly = [
            each for each in self.readings if each.first_read_at and each.first_read_at > row["begins_at"]
        ]
        readings = [each for each in self.readings if each.controller in named] + [
            each for each in newly if each.controller not in named
        ]
        waits = [each.controller for each in readings if not each.is_through(row["ends_at"])]
        only_read = events and all(each.says == WAS_READ for each in events)
        if only_read and waits == before["not_read_through"]:
            return before, before, []
        return before, *self._content(row["begins_at"], row["ends_at"], readings)

    def _revision(
        self, row: Record, before: Json, content: Json, ids: Sequence[int], events: Sequence[Event]
    ) -> Draft:
        causes: dict[str, list[str]] = {}
        for each in events:
            says = causes.setdefault(each.controller, [])
            if each.says not in says:
                says.append(each.says)
        at = Occurrence(
            date.fromisoformat(row["plant_day"]),
            row["shift"],
            row["begins_at"],
            row["ends_at"],
            row["plan_version"],
        )
        basis: Basis = row["basis"] if content["not_read_through"] else "read_through"
        told = changes(before, content, causes)
        return Draft(row["line"], at, row["zone"], row["revision"] + 1, basis, content, told, self.as_of, ids)

    # ---- what it says --------------------------------------------------------------------------------------

    def _content(self, begin: datetime, end: datetime, readings: Sequence[Reading]) -> tuple[Json, list[int]]:
        """What a statement of these controllers says, and their ids."""
        readings = sorted(readings, key=lambda each: each.controller)
        names = {each.controller_id: each.controller for each in readings}
        gaps = find_gaps_in(self.connection, begin, end, list(names.values()))
        reasons = list(why_incomplete(readings, gaps, begin, end))
        equations = [
            {"controller": each.controller, **row}
            for each in readings
            for row in find_equations(
                self.connection, each.controller_id, begin, end, self.rules.moduli.get(each.controller)
            )
        ]
        content = {
            "controllers": list(names.values()),
            "not_read_through": [each.controller for each in readings if not each.is_through(end)],
            "complete": not reasons,
            "reasons": reasons,
            "rows": find_rows(self.connection, begin, end, names),
            "reconciliation": equations,
            "gaps": [_gap(each) for each in gaps],
        }
        return content, list(names)


def _a_day_before(at: datetime | None) -> datetime | None:
    """Far enough for any uncertainty of a clock, and for one that became smaller."""
    return None if at is None else at - timedelta(days=1)


def find_events(
    connection: Connection, controller_ids: Sequence[int], after: int, ended_before: datetime
) -> list[Event]:
    """Cycles, gaps and changes of counts that came into the book behind a commit number and lie before an
    instant."""
    names = {
        row.controller_id: row.name
        for row in connection.execute(select(controller.c.controller_id, controller.c.name))
    }
    # What is computed can't be looked up by another index: few cycles are new, and all others are old.
    ended_us = type_coerce(cycle.c.ended_at, BigInteger) + 0
    cycles = connection.execute(
        select(cycle.c.controller_id, cycle.c.ended_at, cycle.c.brought_by).where(
            cycle.c.commit_number > after,
            (cycle.c.controller_id + 0).in_(controller_ids),
            ended_us < to_us(ended_before),
        )
    )
    found = [
        Event(
            names[row.controller_id], row.ended_at, row.ended_at, f"came late: {row.brought_by or IN_ORDER}"
        )
        for row in cycles
    ]
    gaps = connection.execute(
        select(gap).where(
            gap.c.controller_id.in_(controller_ids),
            or_(gap.c.commit_number > after, gap.c.closed_commit_number > after),
            or_(gap.c.after_at.is_(None), gap.c.after_at < ended_before),
        )
    )
    for row in gaps:
        says = f"gap noticed: {row.reason}" if row.closed_at is None else f"gap filled: {row.closed_by}"
        found.append(Event(names[row.controller_id], row.after_at, row.before_at, says))
    counts = connection.execute(
        select(count_change).where(
            count_change.c.controller_id.in_(controller_ids),
            count_change.c.commit_number > after,
            or_(count_change.c.after_at.is_(None), count_change.c.after_at < ended_before),
        )
    )
    for row in counts:
        says = f"change of the count noticed: {row.kind}"
        found.append(Event(names[row.controller_id], row.after_at, row.noticed_at, says))
    return found


def find_latest(
    connection: Connection, line: str | None = None, *, ends_after: datetime | None = None
) -> list[Record]:
    """The newest revision of each statement, of all lines or of one, in order of time: all columns but
    `body`.

    Args: ends_after: only those that end after that instant.
    """
    key = (statement.c.line, statement.c.plant_day, statement.c.shift)
    newest = select(*key, func.max(statement.c.revision).label("revision")).group_by(*key)
    if line is not None:
        newest = newest.where(statement.c.line == line)
    if ends_after is not None:
        newest = newest.where(statement.c.ends_at > ends_after)
    at = newest.subquery()
    same = [at.c[column.name] == column for column in (*key, statement.c.revision)]
    columns = [column for column in statement.c if column is not statement.c.body]
    wanted = select(*columns).join(at, same[0] & same[1] & same[2] & same[3])
    return records(connection.execute(wanted.order_by(statement.c.begins_at, statement.c.line)))


def find_rows(connection: Connection, begin: datetime, end: datetime, names: Mapping[int, str]) -> list[Json]:
    """Counts of these controllers (id -> name) by tool, controller, band and mode, from the tallies; with the
    numbers of their cycles by epoch, and how many of them may have ended outside by their uncertainty.
    """
    tools = find_tool_names(connection)
    rows: dict[tuple[Any, ...], Json] = {}
    counted = count_by(connection, (*ROW, "result", "completion"), begin, end, controller_ids=list(names))
    for each in counted:
        key = tuple(each[name] for name in ROW)
        row = rows.setdefault(
            key,
            {
                "tool": tools[each["tool_id"]],
                "controller": names[each["controller_id"]],
                "band": each["band"] or None,
                "mode": each["mode"],
                "cycles": 0,
                "by_result": dict.fromkeys(get_args(Result), 0),
                "by_completion": dict.fromkeys(get_args(Completion), 0),
                "near_boundary": 0,
                "sequences": [],
            },
        )
        row["cycles"] += each["cycles"]
        row["by_result"][each["result"]] += each["cycles"]
        row["by_completion"][each["completion"]] += each["cycles"]
    for found in _find_numbers(connection, begin, end, list(names)):
        row = rows[found.tool_id, found.controller_id, found.band, found.mode]
        row["near_boundary"] += found.near
        row["sequences"].append({"epoch": found.epoch, "first": str(found.first), "last": str(found.last)})
    return sorted(rows.values(), key=_order)


def _order(row: Json) -> tuple[str, ...]:
    of = row["tool"]
    return row["controller"], of["serial"], of["maker"], of["model"], row["band"] or "", row["mode"]


def _find_numbers(
    connection: Connection, begin: datetime, end: datetime, controller_ids: Sequence[int]
) -> list[Any]:
    ended_us = type_coerce(cycle.c.ended_at, BigInteger)
    reaches_us = type_coerce(cycle.c.time_uncertainty_ms, Double) * 1000
    near = or_(ended_us - to_us(begin) < reaches_us, to_us(end) - ended_us <= reaches_us)
    by = (cycle.c.tool_id, cycle.c.controller_id, cycle.c.band, cycle.c.mode, cycle.c.epoch)
    each = (
        select(*by[:2], func.coalesce(cycle.c.band, "").label("band"), *by[3:], cycle.c.sequence)
        .add_columns(case((near, 1), else_=0).label("near"))
        .where(cycle.c.controller_id.in_(controller_ids), cycle.c.ended_at >= begin, cycle.c.ended_at < end)
        .subquery()
    )
    grouped = (each.c.tool_id, each.c.controller_id, each.c.band, each.c.mode, each.c.epoch)
    sums = (
        func.min(each.c.sequence).label("first"),
        func.max(each.c.sequence).label("last"),
        func.sum(each.c.near).label("near"),
    )
    return list(connection.execute(select(*grouped, *sums).group_by(*grouped).order_by(*grouped)))


def _gap(found: Record) -> Json:
    return {
        "commit": str(found["commit_number"]),
        "controller": found["controller"],
        "epoch": found["epoch"],
        "first_sequence": str(found["first_sequence"]),
        "last_sequence": None if found["last_sequence"] is None else str(found["last_sequence"]),
        "cycles": found["cycles"],
        "reason": found["reason"],
        "after_at": found["after_at"] and format_rfc3339(found["after_at"]),
        "before_at": found["before_at"] and format_rfc3339(found["before_at"]),
    }


# ---- writing -----------------------------------------------------------------------------------------------


def write(connection: Connection, drafts: Sequence[Draft], now: datetime) -> bool:
    """Put statements into the book, in the transaction of the connection: all of them, with their numbers and
    their places in the chain. False: something came since they were prepared that changes them; none is in.
    """
    row = connection.execute(select(book).with_for_update()).one()
    for draft in drafts:
        at = draft.occurrence
        since = find_events(connection, draft.controller_ids, draft.as_of, at.ends_at)
        if any(each.reaches(at.begins_at, at.ends_at) for each in since):
            return False
    number: int = row.commit_number
    previous = connection.scalar(select(statement.c.hash).order_by(statement.c.commit_number.desc()).limit(1))
    for draft in drafts:
        number += 1
        body, own = seal(draft, book=row.instance, commit=number, closed_at=now, previous_hash=previous)
        connection.execute(statement.insert(), _row(draft, number, now, body, own, previous))
        previous = own
    connection.execute(book.update().values(commit_number=number))
    return True


def _row(draft: Draft, number: int, now: datetime, body: str, own: str, previous: str | None) -> Record:
    at = draft.occurrence
    return {
        "commit_number": number,
        "line": draft.line,
        "plant_day": at.plant_day.isoformat(),
        "shift": at.shift,
        "revision": draft.revision,
        "begins_at": at.begins_at,
        "ends_at": at.ends_at,
        "zone": draft.zone,
        "plan_version": at.plan_version,
        "closed_at": now,
        "as_of": draft.as_of,
        "basis": draft.basis,
        "complete": draft.content["complete"],
        "reasons": json.dumps(draft.content["reasons"], ensure_ascii=False),
        "waits": bool(draft.content["not_read_through"]),
        "body": body,
        "hash": own,
        "previous_hash": previous,
    }
