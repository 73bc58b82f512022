"""What people record: services done, findings acknowledged. The desk is a file (or schema) of its own,
written by the API alone.

A tool is named by maker, model and serial number, not by the book's number for it, and a finding by the
book's instance and its commit number there: a desk outlives a book.

Commit numbers are given out and become visible in one order, as in the book, though several processes may
write: whoever records has the desk's row to itself until its transaction is over (on PostgreSQL by the row's
lock, on SQLite since the transaction began IMMEDIATE), and a rolled-back transaction gives its number back.

A record of a service is never changed: a mistake is corrected by a further record, which stands in its place
or withdraws it. What counts are the records that stand: neither corrected nor a withdrawal.
"""

from collections.abc import Collection
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Table, and_, or_, select

from collector.errors import NotCorrectable
from collector.model import ToolName
from collector.store.instances import Lineage
from collector.store.queries import Record, records
from collector.store.tables import acknowledgement, desk, service

RECORDED = "recorded"
"""Of a connection: its transaction has taken a commit number."""
_later = service.alias("later")
CORRECTED_BY = (
    select(_later.c.commit_number).where(_later.c.corrects == service.c.commit_number).scalar_subquery()
)
"""Commit number of the record that corrects this row of `service`; NULL: there is none."""
STANDS = and_(service.c.withdrawn.is_(False), CORRECTED_BY.is_(None))


def find_desk(connection: Connection) -> Record:
    """instance, commit_number."""
    (found,) = records(connection.execute(select(desk.c.instance, desk.c.commit_number)))
    return found


# ---- services ----------------------------------------------------------------------------------------------


def find_service_records(connection: Connection, tool: ToolName) -> list[Record]:
    """All that was recorded of services of the tool, by when they were done, the newest first: columns of
    `service` and `corrected_by`, a commit number or None. A withdrawal has the instant, the person and the
    count of what it withdraws."""
    wanted = select(service, CORRECTED_BY.label("corrected_by")).where(*_of(tool))
    newest_first = wanted.order_by(service.c.done_at.desc(), service.c.commit_number.desc())
    return records(connection.execute(newest_first))


def find_services(connection: Connection, tool: ToolName) -> list[Record]:
    """The services that count, the newest first: of `find_service_records` those that stand."""
    return [each for each in find_service_records(connection, tool) if stands(each)]


def stands(row: Record) -> bool:
    return row["corrected_by"] is None and not row["withdrawn"]


def find_service_dates(connection: Connection) -> dict[ToolName, list[datetime]]:
    """Tool -> when its services were done, oldest first; a tool without any that counts is left out."""
    found: dict[ToolName, list[datetime]] = {}
    wanted = select(service.c.maker, service.c.model, service.c.serial, service.c.done_at).where(STANDS)
    for *name, done_at in connection.execute(wanted.order_by(service.c.done_at)):
        found.setdefault(ToolName(*name), []).append(done_at)
    return found


def record_service(
    connection: Connection,
    tool: ToolName,
    *,
    done_at: datetime,
    done_by: str,
    remark: str,
    at_count: int,
    recorded_at: datetime,
    corrects: int | None = None,
) -> tuple[Record, bool]:
    """Record a service done, in the place of the record whose number is `corrects`, if any.

    Returns: the record, and whether it is new. Not new: the same service (tool, instant, person), or the very
    same correction, was recorded already, and stays as it is, corrected since or not; so a request whose
    answer was lost can be sent again. Raises: NotCorrectable.
    """
    said = {"done_at": done_at, "done_by": done_by, "remark": remark, "withdrawn": False}
    last_number = take_turn(connection)
    found = find_service_records(connection, tool)
    same = [each for each in found if _is_service(each, done_at, done_by)]
    if corrects is None:
        if same:
            return min(same, key=_number), False
    else:
        corrected = _numbered(found, tool, corrects)
        if (before := _corrected_so(found, corrected, said)) is not None:
            return before, False
        if twin := next((each for each in same if stands(each) and each is not corrected), None):
            raise NotCorrectable(
                f"record {twin['commit_number']} is of the same service, at the same instant by the same "
                f"person: withdraw record {corrects} instead"
            )
    return _record_service(connection, last_number, tool, said, at_count, recorded_at, corrects), True


def withdraw_service(
    connection: Connection, tool: ToolName, corrects: int, *, remark: str, recorded_at: datetime
) -> tuple[Record, bool]:
    """Record that the service of the record whose number is `corrects` was not done at all.

    Returns, raises: as `record_service`.
    """
    last_number = take_turn(connection)
    found = find_service_records(connection, tool)
    corrected = _numbered(found, tool, corrects)
    said = {"done_at": corrected["done_at"], "done_by": corrected["done_by"]}
    said |= {"remark": remark, "withdrawn": True}
    if (before := _corrected_so(found, corrected, said)) is not None:
        return before, False
    if corrected["withdrawn"]:
        raise NotCorrectable(f"record {corrects} says already that the service was not done")
    at_count = corrected["at_count"]
    return _record_service(connection, last_number, tool, said, at_count, recorded_at, corrects), True


def find_service_record(connection: Connection, tool: ToolName, number: int) -> Record:
    """Raises: NotCorrectable: the tool has no record of that number."""
    return _numbered(find_service_records(connection, tool), tool, number)


def _record_service(
    connection: Connection,
    last_number: int,
    tool: ToolName,
    said: dict[str, Any],
    at_count: int,
    recorded_at: datetime,
    corrects: int | None,
) -> Record:
    named = {"maker": tool.maker, "model": tool.model, "serial": tool.serial}
    row = {**named, **said, "at_count": at_count, "recorded_at": recorded_at, "corrects": corrects}
    number = _record(connection, service, last_number, row)
    return {"commit_number": number, **row, "corrected_by": None}


def _is_service(row: Record, done_at: datetime, done_by: str) -> bool:
    return not row["withdrawn"] and (row["done_at"], row["done_by"]) == (done_at, done_by)


def _numbered(found: list[Record], tool: ToolName, number: int) -> Record:
    for each in found:
        if each["commit_number"] == number:
            return each
    raise NotCorrectable(f"tool {tool.serial} has no service record {number}; the list shows their numbers")


def _corrected_so(found: list[Record], corrected: Record, said: dict[str, Any]) -> Record | None:
    """The correction that there is, where it says just that; None: there is none.

    Raises: NotCorrectable: it says something else.
    """
    for each in found:
        if each["corrects"] == corrected["commit_number"]:
            if said.items() <= each.items():
                return each
            raise NotCorrectable(
                f"record {corrected['commit_number']} was corrected already, by record "
                f"{each['commit_number']}: correct that one"
            )
    return None


def _number(row: Record) -> int:
    return int(row["commit_number"])


def _of(tool: ToolName) -> list[Any]:
    return [service.c.serial == tool.serial, service.c.maker == tool.maker, service.c.model == tool.model]


# ---- commit numbers ----------------------------------------------------------------------------------------


def take_turn(connection: Connection) -> int:
    """Nobody else records until this transaction is over, and what it looks up now is all there is.

    Returns: the last number that was given out.
    """
    return int(connection.execute(select(desk.c.commit_number).with_for_update()).scalar_one())


def _record(connection: Connection, table: Table, last_number: int, row: dict[str, Any]) -> int:
    """Returns: the row's number, the next after the last."""
    number = last_number + 1
    connection.info[RECORDED] = True
    connection.execute(desk.update().values(commit_number=number))
    connection.execute(table.insert().values(commit_number=number, **row))
    return number


# ---- findings acknowledged ---------------------------------------------------------------------------------


def find_acknowledgements(
    connection: Connection, lineage: Lineage, findings: Collection[int]
) -> dict[int, list[dict[str, Any]]]:
    """Of these findings of one book: commit number -> acknowledged_by, acknowledged_at, remark of each
    acknowledgement, oldest first; an empty list where there is none. What was acknowledged before the book
    became another instance counts, where the book has kept the finding."""
    found: dict[int, list[dict[str, Any]]] = {number: [] for number in findings}
    columns = (acknowledgement.c.acknowledged_by, acknowledgement.c.acknowledged_at, acknowledgement.c.remark)
    wanted = (
        select(acknowledgement.c.finding, *columns)
        .where(_in_book(lineage), acknowledgement.c.finding.in_(found))
        .order_by(acknowledgement.c.commit_number)
    )
    for row in records(connection.execute(wanted)):
        found[row.pop("finding")].append(row)
    return found


def _in_book(lineage: Lineage) -> ColumnElement[bool]:
    former = [
        and_(acknowledgement.c.book == instance, acknowledgement.c.finding <= last)
        for instance, last in lineage.former
    ]
    return or_(acknowledgement.c.book == lineage.instance, *former)


def record_acknowledgement(
    connection: Connection,
    lineage: Lineage,
    finding: int,
    *,
    acknowledged_by: str,
    remark: str,
    acknowledged_at: datetime,
) -> bool:
    """Record that somebody has seen a finding. False: the same (finding, person, remark) stands there
    already, and stays as it is; so a request whose answer was lost can be sent again."""
    said = {"finding": finding, "acknowledged_by": acknowledged_by, "remark": remark}
    same = [_in_book(lineage), *(acknowledgement.c[name] == value for name, value in said.items())]
    last_number = take_turn(connection)
    if connection.execute(select(acknowledgement.c.commit_number).where(*same)).first() is not None:
        return False
    values = {"book": lineage.instance, "acknowledged_at": acknowledged_at, **said}
    _record(connection, acknowledgement, last_number, values)
    return True
