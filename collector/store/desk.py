"""What people record: services done. The desk is a file (or schema) of its own, written by the API alone.

A tool is named by maker, model and serial number, not by the book's number for it: a desk outlives a book.
"""

from datetime import datetime
from typing import Any

from sqlalchemy import Connection, select

from collector.model import ToolName
from collector.store.queries import records
from collector.store.tables import service


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
