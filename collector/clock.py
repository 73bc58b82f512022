"""The controller's clock against ours. Pure: every instant is an argument.

A naive controller clock is read as if it were UTC: its zone then is part of the offset, and no zone needs
to be known.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

MESSAGE_DELAY_MOST_MS = 1000.0
"""Assumed bound on the way of a live message through a broker on the plant's network; no published source."""

MESSAGE_WINDOW = timedelta(minutes=10)
"""How long a fast message is remembered; a quartz drifts by some 10 ms in it (100 ppm at most 60 ms)."""


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


class LeastDelay:
    """Among the messages of a while, the offset that the fastest one told.

    A delay can only make a clock look slow, so the largest offset is the truest; a message that queued behind
    others in the broker says nothing new. A clock that was set back is believed once the window has passed.
    """

    def __init__(self, known: ClockOffset | None, now: datetime) -> None:
        """known: the offset from before a restart, if there is one."""
        self._seen: list[tuple[datetime, ClockOffset]] = [] if known is None else [(now, known)]

    def after(self, offset: ClockOffset, now: datetime) -> ClockOffset:
        """The offset to go by, with this message counted in."""
        fresh = [(at, seen) for at, seen in self._seen if now - at <= MESSAGE_WINDOW]
        # A slower message will not be the fastest as long as a faster and later one is remembered.
        self._seen = [(at, seen) for at, seen in fresh if seen.offset_ms > offset.offset_ms] + [(now, offset)]
        return self._seen[0][1]


def ended_at(
    said: datetime | None,
    offset: ClockOffset | None,
    resolution_ms: float,
    read_at: datetime,
    after: datetime | None,
) -> tuple[datetime, float | None]:
    """When a cycle ended, in UTC, with ± uncertainty in ms (None where nothing is known of it).

    Args: said: by the controller's clock; resolution_ms: of the record's time stamp; read_at: when we had the
    record; after: the end of the cycle before it on the same controller.
    Never later than `read_at`: what we have read has ended. Not before `after`, where the uncertainty leaves
    the choice: cycles of one second, stamped in whole seconds, stay in the order of their sequence.
    """
    if said is None:
        return read_at, None
    corrected = as_utc(said) - timedelta(milliseconds=offset.offset_ms if offset else 0.0)
    at = min(corrected, read_at)
    if offset is None:
        return at, None
    uncertainty_ms = offset.uncertainty_ms + resolution_ms
    if after is not None and timedelta() < after - at <= timedelta(milliseconds=uncertainty_ms):
        at = after
    return at, uncertainty_ms


def _ms(span: timedelta) -> float:
    return span / timedelta(milliseconds=1)
