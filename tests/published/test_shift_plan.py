"""Shifts and plant days where the clocks change, against the IANA time zone database and the laws behind it.

The expected lengths are told three ways, none of them the product's: the rules of law (Directive 2000/84/EC,
articles 2 and 3: the last Sundays of March and October at 01:00 UTC; US Energy Policy Act of 2005, section
110, with 15 U.S.C. 260a: the second Sunday of March and the first of November at 02:00 local; both from
memory), the database through another reader than the product's (dateutil), and values noted from release
2026f of the database.
"""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from dateutil import tz

from collector.rfc3339 import parse_rfc3339
from collector.shifts import Occurrence, Shift, ShiftPlan, instant_of

THREE = [
    (None, Shift("early", time(6, 20), time(14, 42))),
    (None, Shift("late", time(14, 42), time(22, 10))),
    (None, Shift("night", time(22, 10), time(6, 20))),
]
MIDNIGHT: list[tuple[None, Shift]] = []
SUNDAY = 6


def plan(zone: str, shifts: list[tuple[None, Shift]] = THREE) -> ShiftPlan:
    return ShiftPlan.of(ZoneInfo(zone), shifts)


def night_of(zone: str, day: date) -> Occurrence:
    return plan(zone).of_day(day)[-1]


def sunday(year: int, month: int, number: int) -> date:
    """The first, second … Sunday of a month; -1: the last."""
    days = [date(year, month, 1) + timedelta(days=each) for each in range(28 if month == 2 else 30)]
    if month in (3, 10):
        days.append(date(year, month, 31))
    return [day for day in days if day.weekday() == SUNDAY][number - 1 if number > 0 else number]


@pytest.mark.parametrize("year", range(2008, 2037))
@pytest.mark.parametrize(
    ("zone", "longer", "shorter"),
    [
        ("Europe/Berlin", (10, -1), (3, -1)),
        ("Europe/Dublin", (10, -1), (3, -1)),
        ("America/Detroit", (11, 1), (3, 2)),
        ("America/Los_Angeles", (11, 1), (3, 2)),
    ],
)
def test_the_night_before_a_legal_change_is_an_hour_longer_or_shorter(
    zone: str, longer: tuple[int, int], shorter: tuple[int, int], year: int
) -> None:
    """22:10 to 06:20 is 8 h 10 min, the plant day has 25 or 23 hours; the nights around it are as usual."""
    usual = 8 + 10 / 60
    for (month, number), more in ((longer, 1), (shorter, -1)):
        changed = sunday(year, month, number) - timedelta(days=1)
        for offset in range(-3, 4):
            day = changed + timedelta(days=offset)
            expected = more if offset == 0 else 0
            assert night_of(zone, day).hours == pytest.approx(usual + expected)
            begin, end = plan(zone).day_bounds(day)
            assert (end - begin) / timedelta(hours=1) == 24 + expected


@pytest.mark.parametrize(
    "zone",
    [
        "Europe/Berlin", "Europe/London", "America/Detroit", "America/Sao_Paulo", "America/St_Johns",
        "Australia/Lord_Howe", "Australia/Adelaide", "Asia/Tehran", "Africa/Casablanca", "Pacific/Chatham",
    ],
)  # fmt: skip
def test_every_shift_of_six_years_has_the_length_that_another_reader_says(zone: str) -> None:
    """Its length by the wall clock, less what the offset rose meanwhile; the offsets by dateutil."""
    other = tz.gettz(zone)
    assert other is not None

    def offset(at: datetime) -> timedelta:
        found = at.astimezone(other).utcoffset()
        assert found is not None
        return found

    changes = 0
    for each in plan(zone).occurrences(datetime(2010, 1, 1, tzinfo=UTC), datetime(2016, 1, 1, tzinfo=UTC)):
        (shift,) = (shift for _, shift in THREE if shift.name == each.shift)
        rose = offset(each.ends_at) - offset(each.begins_at)
        changes += bool(rose)
        assert each.ends_at - each.begins_at == shift.length - rose
        for at, wall in ((each.begins_at, shift.begins), (each.ends_at, shift.ends)):
            assert at.astimezone(other).time() == wall
    assert changes >= 5, "the zone has none to show"


@pytest.mark.parametrize("year", [2000, 2010, 2026])
def test_the_instant_of_the_change_is_that_of_the_directive(year: int) -> None:
    """01:00 UTC: a local time that is skipped begins there, at the change and not an hour later."""
    change = datetime.combine(sunday(year, 3, -1), time(1), tzinfo=UTC)
    for minute in (0, 20, 59):
        skipped = datetime.combine(change.date(), time(2, minute))
        assert instant_of(skipped, ZoneInfo("Europe/Berlin")) == change


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        ("America/Detroit", "2025-03-09", 23), ("America/Detroit", "2025-11-02", 25),
        ("America/Detroit", "2026-03-08", 23), ("America/Detroit", "2026-11-01", 25),
        ("Europe/Berlin", "2025-03-30", 23), ("Europe/Berlin", "2025-10-26", 25),
        ("Europe/Berlin", "2026-03-29", 23), ("Europe/Berlin", "2026-10-25", 25),
        ("America/Sao_Paulo", "2018-11-04", 23), ("America/Sao_Paulo", "2018-02-17", 25),
        ("America/Sao_Paulo", "2019-02-16", 25), ("America/Sao_Paulo", "2026-10-18", 24),
        ("Australia/Lord_Howe", "2026-04-05", 24.5), ("Australia/Lord_Howe", "2026-10-04", 23.5),
    ],
)  # fmt: skip
def test_a_day_has_the_hours_of_the_time_zone_database(zone: str, day: str, hours: float) -> None:
    """From midnight to midnight, or where there is no midnight, from the first instant of the day."""
    begin, end = plan(zone, MIDNIGHT).day_bounds(date.fromisoformat(day))
    assert (end - begin) / timedelta(hours=1) == hours


def test_a_day_without_midnight_begins_with_its_first_instant() -> None:
    """Sao Paulo skipped the hour from 00:00 to 01:00 on 2018-11-04."""
    begin, _ = plan("America/Sao_Paulo", MIDNIGHT).day_bounds(date(2018, 11, 4))
    assert begin == datetime(2018, 11, 4, 3, tzinfo=UTC)


@pytest.mark.parametrize(
    ("zone", "day", "begin", "hours"),
    [
        ("America/Detroit", "2026-03-07", "2026-03-08T03:00:00Z", 7),
        ("America/Detroit", "2026-10-31", "2026-11-01T02:00:00Z", 9),
        ("Europe/Berlin", "2026-03-28", "2026-03-28T21:00:00Z", 7),
        ("Europe/Berlin", "2026-10-24", "2026-10-24T20:00:00Z", 9),
    ],
)
def test_the_nights_in_which_the_clocks_change(zone: str, day: str, begin: str, hours: int) -> None:
    """From 22:00 to 06:00 by the wall clock: seven hours or nine, not eight."""
    shifts = [(None, Shift("day", time(6), time(22))), (None, Shift("night", time(22), time(6)))]
    night = plan(zone, shifts).of_day(date.fromisoformat(day))[-1]
    assert (night.shift, night.begins_at, night.hours) == ("night", parse_rfc3339(begin), hours)


@pytest.mark.parametrize(
    ("zone", "day", "at", "begin"),
    [
        ("America/Detroit", "2026-11-01", time(1, 30), "2026-11-01T05:30:00Z"),
        ("Europe/Berlin", "2026-10-25", time(2, 30), "2026-10-25T00:30:00Z"),
        ("America/Detroit", "2026-03-08", time(2, 30), "2026-03-08T07:00:00Z"),
    ],
)
def test_an_hour_that_comes_twice_counts_once_and_one_that_is_missing_is_moved(
    zone: str, day: str, at: time, begin: str
) -> None:
    """The first of the two; and 02:30 in Detroit, which did not exist, is the change from 02:00 to 03:00."""
    local = datetime.combine(date.fromisoformat(day), at)
    assert instant_of(local, ZoneInfo(zone)) == parse_rfc3339(begin)
