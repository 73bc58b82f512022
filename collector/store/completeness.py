"""How complete the book is: how far each controller was read, and the gaps that reach into an interval."""

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import Connection, func, select

from collector.completeness import Reading
from collector.store.queries import Record, find_gaps
from collector.store.tables import controller, controller_status, epoch, position


def find_readings(connection: Connection) -> list[Reading]:
    """Of all controllers in the book, by name."""
    met = select(epoch.c.controller_id, func.min(epoch.c.noticed_at).label("at")).group_by(
        epoch.c.controller_id
    )
    first = met.subquery()
    rows = connection.execute(
        select(
            controller.c.name,
            controller.c.controller_id,
            controller.c.line,
            first.c.at,
            position.c.read_through_at,
            controller_status.c.clock_uncertainty_ms,
        )
        .select_from(
            controller.outerjoin(first, first.c.controller_id == controller.c.controller_id)
            .outerjoin(position)
            .outerjoin(controller_status)
        )
        .order_by(controller.c.name)
    )
    return [Reading(*row[:5], row[5] or 0.0) for row in rows]


def find_gaps_in(
    connection: Connection, begin: datetime, end: datetime, controllers: Sequence[str]
) -> list[Record]:
    """Open gaps of these controllers that may reach into [begin, end); as `find_gaps` gives them."""
    wanted = set(controllers)
    found = find_gaps(connection, last=None, state="open", since=begin, until=end)
    return [each for each in reversed(found) if each["controller"] in wanted]
