"""Instants against published values.

RFC 3339, section 5.8, for the examples (published; the numbers of seconds computed, and independent of this
project); the rest of the grammar from section 5.6, from memory.
"""

from datetime import UTC, datetime, timedelta

import pytest

from collector.rfc3339 import format_rfc3339, parse_rfc3339


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
