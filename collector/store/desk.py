"""What people record: services done, findings acknowledged. The desk is a file (or schema) of its own,
written by the API alone.

A tool is named by maker, model and serial number, not by the book's number for it, and a finding by the
book's instance and its commit number there: a desk outlives a book.
"""

from collections.abc import Collection
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, and_, or_, select

from collector.model import ToolName
from collector.store.instances import Lineage
from collector.store.queries import records
from collector.store.tables import acknowledgement, service


def find_services(connection: Connection, tool: ToolName) -> list[dict[str, Any]]:
    """done_at, done_by, remark, at_count, recorded_at of each service of the tool, the newest first."""
    columns = (
        service.c.done_at,
        service.c.done_by,
        service.c.remark,
        service.c.at_count,
        service.c.recorded_at,
    )
    wanted = select(*columns).where(*_of(tool))
    newest_first = wanted.order_by(service.c.done_at.desc(), service.c.service_id.desc())
    return records(connection.execute(newest_first))


def find_service_dates(connection: Connection) -> dict[ToolName, list[datetime]]:
    """Tool -> when its services were done, oldest first; a tool without any is left out."""
    found: dict[ToolName, list[datetime]] = {}
    tool = (service.c.maker, service.c.model, service.c.serial)
    for *name, done_at in connection.execute(select(*tool, service.c.done_at).order_by(service.c.done_at)):
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
) -> bool:
    """Record a service done. False: the same service (tool, instant, person) stands there already, and stays
    as it is; so a request whose answer was lost can be sent again."""
    same = select(service.c.service_id).where(
        *_of(tool), service.c.done_at == done_at, service.c.done_by == done_by
    )
    if connection.execute(same).first() is not None:
        return False
    connection.execute(
        service.insert().values(
            maker=tool.maker,
            model=tool.model,
            serial=tool.serial,
            done_at=done_at,
            done_by=done_by,
            remark=remark,
            at_count=at_count,
            recorded_at=recorded_at,
        )
    )
    return True


def _of(tool: ToolName) -> list[Any]:
    return [service.c.serial == tool.serial, service.c.maker == tool.maker, service.c.model == tool.model]


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
        .order_by(acknowledgement.c.acknowledgement_id)
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
    if connection.execute(select(acknowledgement.c.acknowledgement_id).where(*same)).first() is not None:
        return False
    values = {"book": lineage.instance, "acknowledged_at": acknowledged_at, **said}
    connection.execute(acknowledgement.insert().values(values))
    return True
