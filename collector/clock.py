"""The controller's clock against ours. Pure: every instant is an argument.

How it works. Each reading of the controller's clock tells its offset to UTC, with ± what could not be seen:
the round trip, and how fine the clock is. What is known is what all readings agree upon: an interval that
widens with time, by what two quartzes may drift apart, and is cut by each new reading, most by the one with
the smallest delay (compare the clock filter and the intersection of RFC 5905, sections 10 and 11.2.1). A
reading that agrees with nothing known is a clock that was set, or that lost its time: the interval begins
anew.

A cycle's end is then an interval and not an instant: its time stamp, corrected, ± all that; cut to what is
known without any clock, that it lies after the cycle before it and before we read it. Where the stamp
contradicts that, the stamp is wrong, and only the bounds count.

A naive controller clock is read as if it were UTC: its zone then is part of the offset, and no zone needs
to be known; summer time shows as a clock that was set.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

DRIFT_MOST_PPM = 200.0
"""Two quartzes drift apart by no more: 100 ppm each. Common practice, no published source."""
MESSAGE_DELAY_MOST_MS = 1000.0
"""Assumed bound on the way of a live message through a broker on the plant's network; no published source."""
STILL_AFTER = timedelta(seconds=3)
"""A clock that has shown the same for so long, and twice its resolution, stands still."""
DRIFT_FROM = timedelta(minutes=10)
"""The drift counts from the best that was known of the offset in so long."""
SLOW_MESSAGES, SLOW_FOR = 3, timedelta(minutes=1)
"""So many messages that agree on a slower clock, over so long, are believed; fewer may have been delayed, or
held up together."""
DRIFT_WITHIN_PPM = 20.0
"""A drift is told once it is known to within this."""


@dataclass(frozen=True, slots=True)
class ClockOffset:
    """Controller clock minus UTC, with ± uncertainty."""

    offset_ms: float
    uncertainty_ms: float

    def aged(self, age: timedelta) -> "ClockOffset":
        """The same some time later, or earlier."""
        return replace(self, uncertainty_ms=self.uncertainty_ms + _ms(abs(age)) * DRIFT_MOST_PPM * 1e-6)

    @property
    def least_ms(self) -> float:
        return self.offset_ms - self.uncertainty_ms

    @property
    def most_ms(self) -> float:
        return self.offset_ms + self.uncertainty_ms

    def contradicts(self, other: "ClockOffset") -> bool:
        """No offset lies within both."""
        return max(self.least_ms, other.least_ms) > min(self.most_ms, other.most_ms)

    def within(self, other: "ClockOffset") -> "ClockOffset":
        """What both agree upon."""
        return between(max(self.least_ms, other.least_ms), min(self.most_ms, other.most_ms))

    def around(self, other: "ClockOffset") -> "ClockOffset":
        """One or the other."""
        return between(min(self.least_ms, other.least_ms), max(self.most_ms, other.most_ms))


def between(least_ms: float, most_ms: float) -> ClockOffset:
    return ClockOffset((least_ms + most_ms) / 2, (most_ms - least_ms) / 2)


def as_utc(said: datetime) -> datetime:
    return said.replace(tzinfo=UTC) if said.tzinfo is None else said.astimezone(UTC)


def offset_by_poll(
    said: datetime, asked_at: datetime, received_at: datetime, resolution_ms: float = 0.0
) -> ClockOffset:
    """From a clock that was read between two instants of ours.

    The reading was made at some moment between them: the middle, ± half the round trip (the rule of RFC
    5905, section 8, for an exchange whose two ways are not known apart). A clock of whole seconds shows the
    second that has begun, or the nearest one.
    """
    said_ms = _ms(as_utc(said) - asked_at)
    back_ms = _ms(received_at - asked_at)
    drift_ms = back_ms * DRIFT_MOST_PPM * 1e-6
    return between(said_ms - resolution_ms / 2 - back_ms - drift_ms, said_ms + resolution_ms + drift_ms)


def offset_by_message(said: datetime, received_at: datetime, resolution_ms: float = 0.0) -> ClockOffset:
    """From a clock in a live message: its delay can't be measured, so it is assumed to be bounded."""
    ahead_ms = _ms(as_utc(said) - received_at)
    return between(ahead_ms - resolution_ms / 2, ahead_ms + MESSAGE_DELAY_MOST_MS + resolution_ms)


@dataclass(frozen=True, slots=True)
class Watched:
    """What is known of a controller's clock."""

    offset: ClockOffset | None
    """None: it shows no time, stands still, or was not read yet."""
    set_from: ClockOffset | None = None
    """Where this reading showed that it was set: what it may have been off since the reading before."""
    set_by_ms: tuple[float, float] | None = None
    """Then what it was off at the reading before, and at this one."""
    drift_ppm: float | None = None
    """By how much it runs fast against ours; None until it was watched for long enough."""
    stands_still: bool = False


class Watch:
    """Watches one controller's clock, reading by reading."""

    def __init__(
        self, known: ClockOffset | None, at: datetime | None, resolution_ms: float, pushed: bool = False
    ) -> None:
        """known, at: the offset from before a restart, and when it was that; pushed: readings come in
        messages, which may be delayed beyond any bound: that makes a clock look slow, never fast."""
        self._known = (at, known) if known is not None and at is not None else None
        self._anchor = self._known
        self._resolution_ms = resolution_ms
        self._pushed = pushed
        self._slow: list[tuple[datetime, ClockOffset]] = []
        self._said: datetime | None = None
        self._said_since: datetime | None = None
        self._read_at: datetime | None = None
        self._moved_after: datetime | None = None
        self._was_set = False
        self._stood = False
        """The last reading showed that it stands still."""
        self._alike = 0
        """Readings in a row that showed the same."""

    def offset(self, now: datetime) -> ClockOffset | None:
        """By what is known so far."""
        return self._known and self._known[1].aged(now - self._known[0])

    def read(self, said: datetime | None, reading: ClockOffset | None, at: datetime) -> Watched:
        """Take a reading, made at `at`, into account. `said`: what the clock showed; None: nothing."""
        if said is None or reading is None:
            return Watched(None)
        if said == self._said and self._said_since is not None:
            self._alike += 1
            still_ms = _ms(at - self._said_since)
            enough = not self._pushed or self._alike >= SLOW_MESSAGES
            if enough and still_ms > _ms(STILL_AFTER) + 2 * self._resolution_ms:
                self._read_at, self._stood = at, True
                return Watched(None, stands_still=True)
            self._read_at = at
            return Watched(self._if_still(at), drift_ppm=self._drift_ppm(at))
        self._moved_after, stood, self._stood = self._read_at or at, self._stood, False
        self._said, self._said_since, self._read_at, self._alike = said, at, at, 1
        known = self.offset(at)
        if known is None or not reading.contradicts(known):
            self._slow = []
            # The reading that showed that it was set may have been made while it still stood.
            anew = known is None or self._was_set
            offset = reading if anew or known is None else self._agreed(known, reading)
            self._known, self._was_set = (at, offset), False
            self._set_anchor()
            return Watched(offset, drift_ppm=self._drift_ppm(at))
        if self._pushed and reading.most_ms < known.least_ms and not self._is_slow(reading, at):
            return Watched(known.around(reading), drift_ppm=self._drift_ppm(at))
        set_by_ms = (known.offset_ms, reading.offset_ms)
        if self._was_set:  # twice in a row: in between nobody saw it go
            known = between(known.least_ms - _ms(at - self._moved_after), known.most_ms)
        self._slow = []
        self._known = self._anchor = (at, reading)
        self._was_set = True
        if stood:  # and may stand still there, since any time after the reading before
            reading = between(reading.least_ms, reading.most_ms + _ms(at - self._moved_after))
        return Watched(reading, set_from=known, set_by_ms=set_by_ms)

    def _if_still(self, at: datetime) -> ClockOffset | None:
        """The offset of a clock that shows the same as before, and may be standing still already: since any
        time after the reading before it moved for the last time."""
        known = self.offset(at)
        late_ms = _ms(at - (self._moved_after or at))
        if known is None or late_ms <= self._resolution_ms:
            return known
        return between(known.least_ms - late_ms, known.most_ms)

    def _agreed(self, known: ClockOffset, reading: ClockOffset) -> ClockOffset:
        """What both say. Of a message only the lower bound is sure; the upper one is that of the quickest."""
        if not self._pushed:
            return known.within(reading)
        quicker = reading if reading.least_ms >= known.least_ms else known
        return between(quicker.least_ms, quicker.most_ms)

    def _set_anchor(self) -> None:
        if self._anchor is None or self._known is None:
            self._anchor = self._known
        elif self._known[0] - self._anchor[0] < DRIFT_FROM:
            self._anchor = min(self._anchor, self._known, key=lambda each: each[1].uncertainty_ms)

    def _is_slow(self, reading: ClockOffset, at: datetime) -> bool:
        """Whether enough delayed messages agree that the clock itself is slow."""
        agreeing = [each for each in self._slow if not each[1].aged(at - each[0]).contradicts(reading)]
        self._slow = [*agreeing, (at, reading)]
        return len(self._slow) >= SLOW_MESSAGES and at - self._slow[0][0] >= SLOW_FOR

    def _drift_ppm(self, now: datetime) -> float | None:
        if self._anchor is None or self._known is None or now <= self._anchor[0]:
            return None
        (begun_at, begun), (_, latest) = self._anchor, self._known
        since_ms = _ms(now - begun_at)
        if 1e6 * (begun.uncertainty_ms + latest.uncertainty_ms) / since_ms > DRIFT_WITHIN_PPM:
            return None
        return 1e6 * (latest.offset_ms - begun.offset_ms) / since_ms


@dataclass(frozen=True, slots=True)
class Ended:
    """When a cycle ended, in UTC."""

    at: datetime
    uncertainty_ms: float | None
    """±; None where nothing is known of it."""
    earliest: datetime | None
    """It did not end before."""
    latest: datetime


def ended_at(
    said: datetime | None,
    offsets: Sequence[ClockOffset],
    resolution_ms: float,
    read_at: datetime,
    before: Ended | None,
    not_before: datetime | None,
) -> Ended:
    """When a cycle ended.

    Args: said: by the controller's clock; offsets: of that clock, with its uncertainty at `read_at`; several
    where it was set lately: it may have made the stamp before, after, or standing still between them;
    resolution_ms: of the stamp; read_at: when we had the record, so it had ended; before: the cycle before it
    on the same controller; not_before: an instant at which the controller had not made it yet.
    """
    known = (before.earliest if before else None, not_before)
    earliest = max((min(at, read_at) for at in known if at is not None), default=None)
    spans = list(_spans(said, offsets, resolution_ms, read_at)) if said else []
    begin = min((each[0] for each in spans), default=None)
    end = max((each[1] for each in spans), default=read_at)
    if begin is not None and begin <= read_at and (earliest is None or end >= earliest):
        begin, end = max(begin, earliest or begin), min(end, read_at)
    elif earliest is not None:
        begin, end = earliest, read_at
    else:
        at = read_at if said is None or spans else min(as_utc(said), read_at)
        return Ended(max(at, before.at) if before else at, None, None, read_at)
    at = begin + (end - begin) / 2
    if before is not None:
        at = max(at, before.at)  # in the order of their sequence, whatever the clock says
    return Ended(at, _ms(max(at - begin, end - at)), begin, end)


def _spans(
    said: datetime, offsets: Sequence[ClockOffset], resolution_ms: float, read_at: datetime
) -> Iterator[tuple[datetime, datetime]]:
    """Begin and end of the time in which a stamp was made: it was cut, or rounded, to its resolution."""
    for offset in offsets:
        try:
            at = as_utc(said) - timedelta(milliseconds=offset.offset_ms)
            around_ms = offset.aged(read_at - at).uncertainty_ms
            begin = at - timedelta(milliseconds=around_ms + resolution_ms / 2)
            yield begin, at + timedelta(milliseconds=around_ms + resolution_ms)
        except OverflowError:
            continue  # a stamp at the end of the calendar


def _ms(span: timedelta) -> float:
    return span / timedelta(milliseconds=1)
