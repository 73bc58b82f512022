"""Instants as RFC 3339 writes them (section 5.6), and nothing that merely looks like them.

`datetime.fromisoformat` takes what RFC 3339 does not (a blank for the T, no seconds, no offset, basic format)
and refuses what it does (lower-case t and z, second 60), so the grammar is spelled out here.

A leap second (:60, at 23:59 UTC on the last day of a month only) becomes :59.999999: it keeps its day, and
its place before the next midnight. Digits beyond the microsecond are cut. The offset -00:00, "local offset
unknown" (section 4.3), is UTC.
"""

import re
from calendar import monthrange
from datetime import UTC, datetime, timedelta, timezone

DATE_TIME = re.compile(
    r"(?P<year>[0-9]{4})-(?P<month>[0-9]{2})-(?P<day>[0-9]{2})[Tt]"
    r"(?P<hour>[0-9]{2}):(?P<minute>[0-9]{2}):(?P<second>[0-9]{2})(?:\.(?P<fraction>[0-9]+))?"
    r"(?:(?P<zulu>[Zz])|(?P<sign>[+-])(?P<offset_hour>[0-9]{2}):(?P<offset_minute>[0-9]{2}))?"
)


def parse_rfc3339(text: str) -> datetime:
    """An instant in UTC.

    Raises: ValueError: not RFC 3339, no UTC offset, or no such instant; its text is a predicate ("must ...").
    """
    found = DATE_TIME.fullmatch(text)
    if found is None:
        raise ValueError("must be an RFC 3339 date-time, such as 2026-11-24T06:00:00Z")
    if found["zulu"] is None and found["sign"] is None:
        raise ValueError("must carry a UTC offset, such as 2026-11-24T06:00:00Z")
    leap = found["second"] == "60"
    try:
        at = datetime(
            int(found["year"]),
            int(found["month"]),
            int(found["day"]),
            int(found["hour"]),
            int(found["minute"]),
            59 if leap else int(found["second"]),
            int((found["fraction"] or "").ljust(6, "0")[:6]),
            tzinfo=_zone(found),
        ).astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise ValueError(f"must be an instant that exists, in the years 1 to 9999 ({error})") from error
    return _clamp_leap_second(at) if leap else at


def format_rfc3339(at: datetime) -> str:
    """In UTC with Z; a fraction of six digits where there is one. Raises: ValueError: a naive datetime."""
    if at.tzinfo is None:
        raise ValueError("an instant without a zone can't be written as RFC 3339")
    return at.astimezone(UTC).isoformat().replace("+00:00", "Z")


def _zone(found: re.Match[str]) -> timezone:
    if found["zulu"] is not None:
        return UTC
    hour, minute = int(found["offset_hour"]), int(found["offset_minute"])
    if hour > 23 or minute > 59:
        raise ValueError("the offset goes to 23:59")
    offset = timedelta(hours=hour, minutes=minute)
    return timezone(-offset if found["sign"] == "-" else offset)


def _clamp_leap_second(at: datetime) -> datetime:
    """Source: RFC 3339, section 5.7 and appendix D: a positive leap second ends a month, at 23:59:60 UTC."""
    ends_month = at.day == monthrange(at.year, at.month)[1]
    if (at.hour, at.minute) != (23, 59) or not ends_month:
        raise ValueError("must not have second 60: a leap second ends a month, at 23:59 UTC")
    return at.replace(microsecond=999_999)
