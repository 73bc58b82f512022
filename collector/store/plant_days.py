"""Which stretch of time a plant day is. Pure: no I/O, no clock of its own.

A plant day runs from the local time at which its first shift begins to the same local time of the next date:
23 or 25 hours where the clocks change, half-open, each joined to the next without a hole.
"""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo


def begins_at(day: date, zone: ZoneInfo, day_begins: time) -> datetime:
    """Where the plant day begins, in UTC.

    A local time that comes twice is the first of the two; one that the clocks skip is as long after the
    change as it would have been without it (02:30 becomes 03:30). Both are what `fold=0` means (PEP 495).
    """
    return datetime.combine(day, day_begins, tzinfo=zone).astimezone(UTC)


def bounds(day: date, zone: ZoneInfo, day_begins: time) -> tuple[datetime, datetime]:
    """Begin (inside) and end (outside) of the plant day, in UTC."""
    return begins_at(day, zone, day_begins), begins_at(day + timedelta(days=1), zone, day_begins)


def plant_day_of(at: datetime, zone: ZoneInfo, day_begins: time) -> date:
    """The plant day in which an instant lies."""
    day = at.astimezone(zone).date()
    return day if at >= begins_at(day, zone, day_begins) else day - timedelta(days=1)
