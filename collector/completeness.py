"""Whether the counts of an interval are all that there will be, and if not, why not, in sentences. Pure.

A controller was *read through* up to an instant when all that ended before it is in the book or in a listed
gap; less the uncertainty of its clock, since that is how far off the stored end of a cycle may be.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from collector.rfc3339 import format_rfc3339
from collector.shifts import ShiftPlan


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


def stated_from(plan: ShiftPlan, readings: Sequence[Reading], created_at: datetime) -> datetime:
    """Begin of the first shift of a line that is ever closed: in it the book met a controller of the line.

    Args: readings: of the controllers that are expected on the line; created_at: of the book.
    """
    met = [each.first_read_at for each in readings if each.first_read_at is not None]
    return plan.occurrence_at(min(met, default=created_at)).begins_at


def why_incomplete(
    readings: Sequence[Reading], gaps: Sequence[Mapping[str, Any]], begin: datetime, end: datetime
) -> Iterator[str]:
    """Why the counts of these controllers in [begin, end) may not be all; nothing: they are.

    Args: gaps: those that may reach into the interval.
    """
    for each in readings:
        if each.first_read_at is None:
            yield f"controller {each.controller} was never read"
            continue
        first = format_rfc3339(each.first_read_at)
        if each.first_read_at >= end:
            yield f"controller {each.controller} was first read at {first}, after it; nothing is known of it"
        elif each.first_read_at > begin:
            yield f"controller {each.controller} was first read at {first}"
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
