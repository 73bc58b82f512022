"""All that is new in a book and on a desk, each in order of commit: what machines follow.

Commit numbers are given out and become visible in one order (see `writer.py` and `desk.py`), so that whoever
has seen a number has seen every smaller one, and nothing can slip in behind. What happens later to a record
(a fault is cleared, a gap closed) has a number of its own. The two rooms count apart: there is no order
between them, and whoever follows both keeps how far it has each.
"""

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from typing import Literal, get_args

from sqlalchemy import Column, Connection, Table, select

from collector.store import tables
from collector.store.desk import CORRECTED_BY, find_desk
from collector.store.instances import find_lineage
from collector.store.queries import Record, find_book, named_controllers, records
from collector.store.tables import Room, tool

Kind = Literal[
    "cycle.stored",
    "fault.raised",
    "fault.acknowledged",
    "fault.cleared",
    "gap.listed",
    "gap.closed",
    "setting.changed",
    "finding.began",
    "finding.ended",
    "statement.closed",
    "tool.mounted",
    "count.changed",
    "clock.changed",
    "service.recorded",
    "finding.acknowledged",
]
KINDS: tuple[Kind, ...] = get_args(Kind)


@dataclass(frozen=True, slots=True)
class Source:
    table: Table
    number: Column[int]
    """The commit number under which it happened."""

    @property
    def room(self) -> Room:
        return "desk" if self.table.metadata is tables.DESK else "book"


SOURCES: Mapping[Kind, Source] = {
    "cycle.stored": Source(tables.cycle, tables.cycle.c.commit_number),
    "fault.raised": Source(tables.fault, tables.fault.c.commit_number),
    "fault.acknowledged": Source(tables.fault, tables.fault.c.acknowledged_commit_number),
    "fault.cleared": Source(tables.fault, tables.fault.c.cleared_commit_number),
    "gap.listed": Source(tables.gap, tables.gap.c.commit_number),
    "gap.closed": Source(tables.gap, tables.gap.c.closed_commit_number),
    "setting.changed": Source(tables.setting_change, tables.setting_change.c.commit_number),
    "finding.began": Source(tables.finding, tables.finding.c.commit_number),
    "finding.ended": Source(tables.finding, tables.finding.c.ended_commit_number),
    "statement.closed": Source(tables.statement, tables.statement.c.commit_number),
    "tool.mounted": Source(tables.mount, tables.mount.c.commit_number),
    "count.changed": Source(tables.count_change, tables.count_change.c.commit_number),
    "clock.changed": Source(tables.clock_change, tables.clock_change.c.commit_number),
    "service.recorded": Source(tables.service, tables.service.c.commit_number),
    "finding.acknowledged": Source(tables.acknowledgement, tables.acknowledgement.c.commit_number),
}


@dataclass(frozen=True, slots=True)
class Reached:
    """Up to where somebody has what was committed in a room."""

    instance: str
    """Of the book, or of the desk."""
    number: int


def find_head(connection: Connection, room: Room) -> Reached:
    """The last commit. Raises: NotInBook: the book has no identity."""
    found = find_desk(connection) if room == "desk" else find_book(connection)
    return Reached(found["instance"], found["commit_number"])


@dataclass(frozen=True, slots=True)
class News:
    """What is new in a room."""

    rows: list[Record]
    """As `find_news` gives them."""
    reached: Reached
    """Whoever has these rows has everything up to here."""
    more: bool
    """There is more behind it."""


def find_first_news(
    connection: Connection, room: Room, head: Reached, after: int, *, most: int, kinds: Collection[Kind]
) -> News:
    """The first `most` of what is new after a number. `head`: of this very transaction."""
    if after == head.number:
        return News([], head, False)
    rows = find_news(connection, after, room=room, last=most + 1, kinds=kinds)
    if len(rows) <= most:
        return News(rows, head, False)
    rows = rows[:most]
    return News(rows, Reached(head.instance, rows[-1]["number"] if rows else after), True)


def find_news(
    connection: Connection,
    after: int,
    *,
    room: Room = "book",
    last: int = 100,
    kinds: Collection[Kind] = KINDS,
) -> list[Record]:
    """At most `last` records that were committed in a room after a number, oldest first: `number` under which
    it happened, `instance` of the room, `kind`, columns of its table, the controller's name (None where it is
    of none), maker, model and serial of its tool; of a service, by which record it is corrected.

    Kinds of the other room are passed over. A record that has changed since is shown as it is now.
    """
    found: list[Record] = []
    for kind in kinds:
        source = SOURCES[kind]
        if source.room != room:
            continue
        wanted = select(source.table, source.number.label("number"))
        if "tool_id" in source.table.c:
            wanted = wanted.add_columns(tool.c.maker, tool.c.model, tool.c.serial)
            wanted = wanted.select_from(source.table.outerjoin(tool))
        if source.table is tables.service:
            wanted = wanted.add_columns(CORRECTED_BY.label("corrected_by"))
        wanted = wanted.where(source.number > after).order_by(source.number).limit(last)
        found += [row | {"kind": kind} for row in records(connection.execute(wanted))]
    oldest = sorted(found, key=lambda row: int(row["number"]))[:last]
    names = named_controllers(connection) if room == "book" else {}
    instance_of = _instance_of(connection, room)
    return [
        row | {"instance": instance_of(row["number"]), "controller": names.get(row.get("controller_id", 0))}
        for row in oldest
    ]


def _instance_of(connection: Connection, room: Room) -> Callable[[int], str]:
    """Which instance gave a number out."""
    if room == "book":
        return find_lineage(connection).instance_of
    instance = find_head(connection, room).instance
    return lambda _: instance
