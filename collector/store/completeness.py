"""Whether the counts of an interval are all that there will be, and if not, why not, in sentences.

A controller was *read through* up to an instant when all that ended before it is in the book or in a listed
gap; less the uncertainty of its clock, since that is how far off the stored end of a cycle may be.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import Connection, func, select

from collector.rfc3339 import format_rfc3339
from collector.store.queries import Record, find_gaps
from collector.store.tables import controller, controller_status, epoch, position


@dataclass(frozen=True, slots=True)
class Reading:
    """How far a controller was read."""

    controller: str
    controller_id: int
    line: str
    first_read_at: datetime | None
    """When the book met it; what it had made before may be missing without a gap. None: not yet."""
    read_through_at: datetime | None
    uncertainty_ms: float
    """± of its clock, 0 where it shows none: then times are those of our own polls."""

    def is_through(self, end: datetime) -> bool:
        return self.read_through_at is not None and self.read_through_at >= end + self.uncertainty

    @property
    def uncertainty(self) -> timedelta:
        return timedelta(milliseconds=self.uncertainty_ms)


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


def why_incomplete(
    readings: Sequence[Reading], gaps: Sequence[Record], begin: datetime, end: datetime
) -> Iterator[str]:
    """Why the counts of these controllers in [begin, end) may not be all; nothing: they are. Pure.

    Args: gaps: those that may reach into the interval.
    """
    for each in readings:
        if each.first_read_at is None:
            yield f"controller {each.controller} was never read"
            continue
        if each.first_read_at > begin:
            yield f"controller {each.controller} was first read at {format_rfc3339(each.first_read_at)}"
        if each.read_through_at is None:
            yield f"controller {each.controller} never tells how far it was read"
        elif not each.is_through(end):
            since = format_rfc3339(each.read_through_at)
            yield f"controller {each.controller} was read through until {since} only"
        of_it = [gap["cycles"] for gap in gaps if gap["controller"] == each.controller]
        if of_it:
            missing = "an unknown number of" if None in of_it else sum(of_it)
            yield (
                f"{missing} cycles of controller {each.controller} are missing in gaps that may reach into "
                "it; see /v1/gaps?state=open"
            )
