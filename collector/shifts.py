"""When a plant works: which shift and which plant day an instant belongs to. Pure: no I/O, no clock.

A *plan* says which shifts a line works; a *plan version* holds from one plant day on until the next version
replaces the whole of it. The first shift of a version, in the order of the site file, begins the plant day,
every day, worked or not: a day runs from the local time at which that shift begins to the same of the next
date, or to another that a new version has. Shifts that begin earlier by the clock (a night shift from 00:30
in a day that begins at 06:00) are on the following date and still of that day. A shift's weekdays are plant
days.

Days tile time, half-open, without hole or overlap, and so do the *occurrences* of a day: its shifts, and
the stretches between and after them, which belong to the day and to no shift. Those have names too,
`outside-1`, `outside-2` …, so that no cycle falls out of a sum: the occurrences of a day add up to the day.

A local time is the first instant at which the wall clock shows it or a later one. So one that comes twice is
the first of the two, one that the clocks skip is the instant of the change, and of two local times the later
one is never the earlier instant, whatever a zone does. A day or a shift has 23 or 25 hours, 7 or 9, where
the clocks change; an occurrence that the clocks skip whole does not occur.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Literal, get_args
from zoneinfo import ZoneInfo

Weekday = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
WEEKDAYS: tuple[Weekday, ...] = get_args(Weekday)
OUTSIDE = "outside"
"""Begins the name of a stretch that is in no shift."""
ONE_DAY = timedelta(days=1)
MICROSECOND = timedelta(microseconds=1)


@dataclass(frozen=True, slots=True)
class Shift:
    """One shift of a plan, by the wall clock."""

    name: str
    begins: time
    ends: time
    """On the following date where it is not after `begins`; the same: 24 hours."""
    weekdays: frozenset[Weekday] = frozenset(WEEKDAYS)
    """The plant days on which it is worked."""

    @property
    def length(self) -> timedelta:
        """By the wall clock of a day without a change."""
        return _after(self.begins, self.ends) or ONE_DAY


WHOLE_DAY = Shift("day", time(0), time(0))
"""Where nobody has said when the plant works."""


@dataclass(frozen=True, slots=True)
class PlanVersion:
    """A line's shifts from one plant day on."""

    version: int
    """Counts up in the order of `valid_from`; 0: nobody has said when the line works."""
    valid_from: date
    shifts: tuple[Shift, ...]
    """The first begins the plant day."""

    @property
    def day_begins(self) -> time:
        return self.shifts[0].begins

    def of_weekday(self, weekday: Weekday) -> list[tuple[timedelta, Shift]]:
        """The shifts of such a plant day with their begins, counted from the day's begin; in order."""
        worked = (each for each in self.shifts if weekday in each.weekdays)
        return sorted(((_after(self.day_begins, each.begins), each) for each in worked), key=lambda at: at[0])


@dataclass(frozen=True, slots=True)
class Occurrence:
    """A shift of one plant day, or a stretch of it outside all shifts; half-open, UTC, never empty."""

    plant_day: date
    shift: str
    begins_at: datetime
    ends_at: datetime
    plan_version: int

    @property
    def hours(self) -> float:
        return (self.ends_at - self.begins_at) / timedelta(hours=1)

    @property
    def is_outside(self) -> bool:
        return self.shift.startswith(OUTSIDE)


@dataclass(frozen=True, slots=True)
class ShiftPlan:
    """All that was ever planned for a line."""

    zone: ZoneInfo
    versions: tuple[PlanVersion, ...]
    """In order; the first holds from the beginning of time."""

    @classmethod
    def of(cls, zone: ZoneInfo, dated: Sequence[tuple[date | None, Shift]]) -> "ShiftPlan":
        """From shifts with the plant day from which on each is planned (None: always), in the file's order.
        Shifts of one date are one version; before the first, a shift a day goes from midnight to midnight.
        """
        versions = [] if any(day is None for day, _ in dated) else [PlanVersion(0, date.min, (WHOLE_DAY,))]
        for number, day in enumerate(sorted({day or date.min for day, _ in dated}), start=1):
            shifts = tuple(shift for valid_from, shift in dated if (valid_from or date.min) == day)
            versions.append(PlanVersion(number, day, shifts))
        return cls(zone, tuple(versions))

    def version_of(self, day: date) -> PlanVersion:
        return next(each for each in reversed(self.versions) if each.valid_from <= day)

    def day_begins_at(self, day: date) -> datetime:
        return instant_of(datetime.combine(day, self.version_of(day).day_begins), self.zone)

    def day_bounds(self, day: date) -> tuple[datetime, datetime]:
        """Begin (inside) and end (outside) of a plant day. They are one where the zone skips it whole."""
        return self.day_begins_at(day), self.day_begins_at(day + ONE_DAY)

    def plant_day_of(self, at: datetime) -> date:
        """The plant day in which an instant lies."""
        day = at.astimezone(self.zone).date() + ONE_DAY  # the clocks may have gone back over midnight
        while self.day_begins_at(day) > at:
            day -= ONE_DAY
        return day

    def of_day(self, day: date) -> list[Occurrence]:
        """The occurrences of a plant day, in order. They begin with it, are joined, and end with it."""
        return list(self._of_day(day))

    def _of_day(self, day: date) -> Iterator[Occurrence]:
        version = self.version_of(day)
        reached, end = self.day_bounds(day)
        number = 0
        local = datetime.combine(day, version.day_begins)
        for offset, shift in version.of_weekday(WEEKDAYS[day.weekday()]):
            # A new version's day may begin before the last shift of the old one is over.
            begins_at = min(instant_of(local + offset, self.zone), end)
            ends_at = min(instant_of(local + offset + shift.length, self.zone), end)
            if reached < begins_at:
                number += 1
                yield Occurrence(day, f"{OUTSIDE}-{number}", reached, begins_at, version.version)
            if begins_at < ends_at:
                yield Occurrence(day, shift.name, begins_at, ends_at, version.version)
            reached = ends_at
        if reached < end:
            yield Occurrence(day, f"{OUTSIDE}-{number + 1}", reached, end, version.version)

    def occurrences(self, begin: datetime, end: datetime) -> Iterator[Occurrence]:
        """All that reach into [begin, end), in order."""
        day = self.plant_day_of(begin)
        while self.day_begins_at(day) < end:
            yield from (each for each in self._of_day(day) if each.ends_at > begin and each.begins_at < end)
            day += ONE_DAY

    def occurrence_at(self, at: datetime) -> Occurrence:
        """The one in which an instant lies."""
        return next(self.occurrences(at, at + MICROSECOND))


def instant_of(local: datetime, zone: ZoneInfo) -> datetime:
    """The first instant at which the wall clock shows a (naive) local time or a later one, in UTC."""
    # In a skipped hour, fold 0 takes the offset before the change and fold 1 the one after it (PEP 495).
    late = local.replace(tzinfo=zone).astimezone(UTC)
    if late.astimezone(zone).replace(tzinfo=None) == local:
        return late
    early = local.replace(tzinfo=zone, fold=1).astimezone(UTC)
    while late - early > MICROSECOND:
        middle = early + (late - early) // 2
        if middle.astimezone(zone).replace(tzinfo=None) < local:
            early = middle
        else:
            late = middle
    return late


def conflicts(shifts: Sequence[Shift]) -> Iterator[tuple[int, str]]:
    """What is wrong with a version: the place of a shift in it, and a sentence."""
    for place, each in enumerate(shifts):
        day_begins = shifts[0].begins
        begin = _after(day_begins, each.begins)
        if begin + each.length > ONE_DAY:
            yield (
                place,
                f"{each.name} lasts beyond {day_begins:%H:%M}, where {shifts[0].name}, the first shift in "
                "the file, begins the next plant day; let it end by then, or put another shift first",
            )
        for other in shifts[:place]:
            days = [day for day in WEEKDAYS if day in each.weekdays & other.weekdays]
            other_begin = _after(day_begins, other.begins)
            if not days:
                continue
            if each.name == other.name:
                yield (
                    place,
                    f"there is another shift named {each.name} on {days[0]}; a day has each name once",
                )
            elif begin < other_begin + other.length and other_begin < begin + each.length:
                yield place, f"{each.name} overlaps {other.name} on {days[0]}"


def _after(begin: time, at: time) -> timedelta:
    """How long after one time of day another comes next; nothing, if it is the same."""
    minutes = (at.hour - begin.hour) * 60 + at.minute - begin.minute
    return timedelta(minutes=minutes % (24 * 60))
