"""All that is new in a book, in order of commit: what machines follow.

Commit numbers are given out and become visible in one order (see `writer.py`), so that whoever has seen a
number has seen every smaller one, and nothing can slip in behind. What happens later to a record (a fault is
cleared, a gap closed) has a number of its own.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Literal, get_args

from sqlalchemy import Column, Connection, Table, select

from collector.store import tables
from collector.store.instances import find_lineage
from collector.store.queries import Record, named_controllers, records
from collector.store.tables import tool

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
]
KINDS: tuple[Kind, ...] = get_args(Kind)


@dataclass(frozen=True, slots=True)
class Source:
    table: Table
    number: Column[int]
    """The commit number under which it happened."""


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
}


def find_news(
    connection: Connection, after: int, *, last: int = 100, kinds: Collection[Kind] = KINDS
) -> list[Record]:
    """At most `last` records that were committed after a number, oldest first: `number` under which it
    happened, `instance` of the book that gave it out, `kind`, columns of its table, the controller's name
    (None where it is of none), maker, model and serial of its tool.

    A record that has changed since is shown as it is now.
    """
    found: list[Record] = []
    for kind in kinds:
        source = SOURCES[kind]
        wanted = select(source.table, source.number.label("number"))
        if "tool_id" in source.table.c:
            wanted = wanted.add_columns(tool.c.maker, tool.c.model, tool.c.serial)
            wanted = wanted.select_from(source.table.outerjoin(tool))
        wanted = wanted.where(source.number > after).order_by(source.number).limit(last)
        found += [row | {"kind": kind} for row in records(connection.execute(wanted))]
    newest = sorted(found, key=lambda row: int(row["number"]))[:last]
    names = named_controllers(connection)
    instance_of = find_lineage(connection).instance_of
    return [
        row | {"instance": instance_of(row["number"]), "controller": names.get(row.get("controller_id", 0))}
        for row in newest
    ]
