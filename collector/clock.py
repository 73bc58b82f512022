"""The controller's clock against ours. Pure: every instant is an argument.

A naive controller clock is read as if it were UTC: its zone then is part of the offset, and no zone needs
to be known.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

MESSAGE_DELAY_MOST_MS = 1000.0
"""Assumed bound on the way of a live message through a broker on the plant's network; no published source."""


@dataclass(frozen=True, slots=True)
class ClockOffset:
    """Controller clock minus UTC, with ± uncertainty."""

    offset_ms: float
    uncertainty_ms: float


def as_utc(said: datetime) -> datetime:
    return said.replace(tzinfo=UTC) if said.tzinfo is None else said.astimezone(UTC)


def offset_by_poll(said: datetime, asked_at: datetime, received_at: datetime) -> ClockOffset:
    """From a clock that was read between two instants of ours.

    The reading was made at some moment between them: the middle, ± half the round trip (the rule of RFC
    5905, section 8, for an exchange whose two ways are not known apart).
    """
    half = (received_at - asked_at) / 2
    return ClockOffset(_ms(as_utc(said) - (asked_at + half)), _ms(half))


def offset_by_message(said: datetime, received_at: datetime) -> ClockOffset:
    """From a clock in a live message: its delay can't be measured, so it is assumed to be bounded."""
    return ClockOffset(_ms(as_utc(said) - received_at), MESSAGE_DELAY_MOST_MS)


def ended_at(
    said: datetime | None, offset: ClockOffset | None, resolution_ms: float, read_at: datetime
) -> tuple[datetime, float | None]:
    """When a cycle ended, in UTC, with ± uncertainty in ms (None where nothing is known of it).

    Args: said: by the controller's clock; resolution_ms: of the record's time stamp; read_at: when we had
    the record. Never later than `read_at`: what we have read has ended.
    """
    if said is None:
        return read_at, None
    corrected = as_utc(said) - timedelta(milliseconds=offset.offset_ms if offset else 0.0)
    return min(corrected, read_at), None if offset is None else offset.uncertainty_ms + resolution_ms


def _ms(span: timedelta) -> float:
    return span / timedelta(milliseconds=1)
