"""Instants and days against published values.

RFC 3339, section 5.8, for the examples (published; the numbers of seconds computed, and independent of this
project); the rest of the grammar from section 5.6, from memory. Days with 23 and 25 hours from the IANA
time zone database, which the interpreter brings or the system has; the expected values were taken from
release 2026f.
"""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from collector.rfc3339 import format_rfc3339, parse_rfc3339
from collector.store.plant_days import begins_at, bounds


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("1985-04-12T23:20:50.52Z", 482196050.52),
        ("1996-12-19T16:39:57-08:00", 851042397),
        ("1937-01-01T12:00:27.87+00:20", -1041337172.13),
    ],
)
def test_the_examples_of_rfc_3339_are_read(text: str, seconds: float) -> None:
    """Section 5.8, as seconds since 1970-01-01T00:00:00Z."""
    assert parse_rfc3339(text).timestamp() == pytest.approx(seconds, abs=1e-6)


@pytest.mark.parametrize(
    "text", ["1990-12-31T23:59:60Z", "1990-12-31T15:59:60-08:00", "2016-12-31t23:59:60.9z"]
)
def test_a_leap_second_keeps_its_day(text: str) -> None:
    """Section 5.8 has them as valid; our choice is the last microsecond before the following midnight."""
    at = parse_rfc3339(text)
    assert at + timedelta(microseconds=1) == datetime(at.year + 1, 1, 1, tzinfo=UTC)


def test_letters_may_be_small_and_the_unknown_offset_is_utc() -> None:
    """Section 5.6, the note on case; section 4.3, -00:00."""
    at = datetime(2026, 11, 1, 1, 30, tzinfo=UTC)
    assert parse_rfc3339("2026-11-01t01:30:00z") == at
    assert parse_rfc3339("2026-11-01T01:30:00-00:00") == at


@pytest.mark.parametrize(
    "text",
    [
        "2026-02-29T00:00:00Z", "2100-02-29T00:00:00Z", "2026-13-01T00:00:00Z", "2026-11-01T24:00:00Z",
        "2026-11-01T01:30:61Z", "2026-11-01T01:30Z", "2026-11-01T01:30:00", "20261101T013000Z",
        "2026-11-01 01:30:00Z", "2026-11-01T01:30:00+24:00", "2026-11-01T01:30:00+0100",
        "2026-11-01T01:30:00.Z", "2026-11-01T01:30:60Z",
        "2026-11-30T12:59:60Z", "2026-W45-7T01:30:00Z", "٢026-11-01T01:30:00Z",
        "2026-11-01T01:30:00Z\n", "0000-01-01T00:00:00Z", "0001-01-01T00:00:00+01:00", "",
    ],
)  # fmt: skip
def test_what_rfc_3339_does_not_allow_is_refused(text: str) -> None:
    """With a predicate for a sentence. Year 0 is in the grammar, but not in the calendar used here."""
    with pytest.raises(ValueError, match=r"^must "):
        parse_rfc3339(text)


@pytest.mark.parametrize(
    "text", ["2026-11-01T01:30:00Z", "2026-11-01T01:30:00.000001Z", "0001-01-01T00:00:00Z"]
)
def test_what_is_written_reads_as_it_was(text: str) -> None:
    """In UTC with Z; a fraction of six digits, or none."""
    assert format_rfc3339(parse_rfc3339(text)) == text


def test_an_instant_without_a_zone_is_not_written() -> None:
    """It would say what nobody knows."""
    with pytest.raises(ValueError, match="without a zone"):
        format_rfc3339(datetime(2026, 11, 1))


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
    begin, end = bounds(date.fromisoformat(day), ZoneInfo(zone), time(0))
    assert (end - begin) / timedelta(hours=1) == hours


def test_a_day_without_midnight_begins_with_its_first_instant() -> None:
    """Sao Paulo skipped the hour from 00:00 to 01:00 on 2018-11-04."""
    begin = begins_at(date(2018, 11, 4), ZoneInfo("America/Sao_Paulo"), time(0))
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
    night = date.fromisoformat(day)
    begins = begins_at(night, ZoneInfo(zone), time(22))
    ends = begins_at(night + timedelta(days=1), ZoneInfo(zone), time(6))
    assert (begins, ends - begins) == (parse_rfc3339(begin), timedelta(hours=hours))


@pytest.mark.parametrize(
    ("zone", "day", "at", "begin"),
    [
        ("America/Detroit", "2026-11-01", time(1, 30), "2026-11-01T05:30:00Z"),
        ("Europe/Berlin", "2026-10-25", time(2, 30), "2026-10-25T00:30:00Z"),
        ("America/Detroit", "2026-03-08", time(2, 30), "2026-03-08T07:30:00Z"),
    ],
)
def test_an_hour_that_comes_twice_counts_once_and_one_that_is_missing_is_moved(
    zone: str, day: str, at: time, begin: str
) -> None:
    """The first of the two; and 02:30 in Detroit, which did not exist, is 03:30-04:00 (PEP 495, fold 0)."""
    assert begins_at(date.fromisoformat(day), ZoneInfo(zone), at) == parse_rfc3339(begin)
