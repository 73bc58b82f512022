"""The controller's clock against ours."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.clock import (
    DRIFT_MOST_PPM,
    DRIFT_WITHIN_PPM,
    MESSAGE_DELAY_MOST_MS,
    SLOW_FOR,
    SLOW_MESSAGES,
    ClockOffset,
    Ended,
    Watch,
    Watched,
    between,
    ended_at,
    offset_by_message,
    offset_by_poll,
)

NOW = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)


def ms(value: float) -> timedelta:
    return timedelta(milliseconds=value)


# ---- one reading ----


@given(
    ahead_ms=st.floats(-1e8, 1e8),
    there_ms=st.floats(0, 5000),
    back_ms=st.floats(0, 5000),
    resolution_ms=st.sampled_from([0.0, 1.0, 10.0, 1000.0]),
    rounds=st.booleans(),
)
def test_the_true_offset_lies_within_the_stated_uncertainty(
    ahead_ms: float, there_ms: float, back_ms: float, resolution_ms: float, rounds: bool
) -> None:
    """However the round trip splits into there and back, however the clock makes its whole units."""
    read_at = NOW + ms(there_ms)
    said = shown(read_at + ms(ahead_ms), resolution_ms, rounds)
    offset = offset_by_poll(said, NOW, read_at + ms(back_ms), resolution_ms)
    assert abs(offset.offset_ms - ahead_ms) <= offset.uncertainty_ms + 0.01


def shown(at: datetime, resolution_ms: float, rounds: bool) -> datetime:
    """What a clock of that resolution shows: the unit that has begun, or the nearest one."""
    if not resolution_ms:
        return at.replace(tzinfo=None)
    unit = ms(resolution_ms)
    since = at - datetime(1970, 1, 1, tzinfo=UTC)
    units = (since + unit / 2) // unit if rounds else since // unit
    return datetime(1970, 1, 1) + units * unit


def test_a_clock_without_a_zone_carries_its_zone_in_the_offset() -> None:
    """Local time two hours ahead of UTC is an offset of two hours, and cycles come out right."""
    said = datetime(2026, 3, 2, 8, 0)
    offset = offset_by_poll(said, NOW, NOW)
    assert offset == ClockOffset(7_200_000, 0)
    ended = ended_at(said - timedelta(minutes=5), [offset], 0.0, NOW, None, None)
    assert abs(ended.at - (NOW - timedelta(minutes=5))) < ms(0.1)
    assert ended.uncertainty_ms == pytest.approx(300_000 * DRIFT_MOST_PPM * 1e-6)


def test_a_clock_with_a_zone_is_compared_in_utc() -> None:
    """RFC 3339 times of another zone are the same instant."""
    said = datetime(2026, 3, 2, 8, 0, 2, tzinfo=timezone(timedelta(hours=2)))
    offset = offset_by_message(said, NOW)
    assert (offset.least_ms, offset.most_ms) == (2000.0, 2000.0 + MESSAGE_DELAY_MOST_MS)


# ---- an honest clock ----


@dataclass(frozen=True)
class Clock:
    """A controller's clock that nobody sets: it drifts against ours, by another rate in every hour."""

    ahead_ms: float
    drifts_ppm: list[float]
    resolution_ms: float
    rounds: bool

    def says(self, at: datetime) -> datetime:
        hours = (at - NOW) / HOUR
        drifted_ms = 0.0
        for hour in range(int(hours) + 1):
            rate = self.drifts_ppm[hour % len(self.drifts_ppm)]
            drifted_ms += 3.6e6 * min(hours - hour, 1.0) * rate * 1e-6
        return shown(at + ms(self.ahead_ms + drifted_ms), self.resolution_ms, self.rounds)


NEARLY_MOST_PPM = DRIFT_MOST_PPM - 1.0
"""At the very bound, a microsecond cut off decides."""
CLOCKS = st.builds(
    Clock,
    ahead_ms=st.floats(-1e8, 1e8),
    drifts_ppm=st.lists(st.floats(-NEARLY_MOST_PPM, NEARLY_MOST_PPM), min_size=1, max_size=4),
    resolution_ms=st.sampled_from([0.0, 1.0, 1000.0]),
    rounds=st.booleans(),
)


@dataclass(frozen=True)
class Look:
    """One poll, or status message, and the cycles since the one before, as shares of the time between."""

    pause_s: float
    there_ms: float
    back_ms: float
    cycles: list[float]


def looks(pause_most_s: float, way_most_ms: float) -> st.SearchStrategy[list[Look]]:
    look = st.builds(
        Look,
        pause_s=st.floats(0.05, pause_most_s),
        there_ms=st.floats(0, way_most_ms),
        back_ms=st.floats(0, way_most_ms),
        cycles=st.lists(st.floats(0.05, 0.95), max_size=3).map(sorted),
    )
    return st.lists(look, min_size=1, max_size=8)


def assert_within(ended: Ended, true_end: datetime) -> None:
    assert ended.uncertainty_ms is not None
    # the drift over the uncertainty itself is a second-order term, which the statement leaves out
    around = ms(ended.uncertainty_ms * (1 + 3e-6 * DRIFT_MOST_PPM) + 0.02)
    assert ended.at - around <= true_end <= ended.at + around
    assert ended.earliest is not None
    assert ended.earliest <= ended.latest


@given(clock=CLOCKS, looks=st.one_of(looks(20.0, 2.0), looks(20.0, 5000.0), looks(3 * 86400.0, 200.0)))
def test_the_true_end_of_a_cycle_lies_within_what_is_stated_polls(clock: Clock, looks: list[Look]) -> None:
    """Any drift that quartzes have, over days, any round trip, any resolution; and no poll takes an honest
    clock for one that was set, or that stands still."""
    watch = Watch(None, None, clock.resolution_ms)
    at, before, not_before = NOW, None, None
    for look in looks:
        asked_at = at + timedelta(seconds=look.pause_s)
        read_at = asked_at + ms(look.there_ms)
        received_at = read_at + ms(look.back_ms)
        said = clock.says(read_at)
        watched = watch.read(
            said, offset_by_poll(said, asked_at, received_at, clock.resolution_ms), received_at
        )
        assert watched.offset is not None
        assert watched.set_from is None
        for share in look.cycles:
            true_end = at + share * (asked_at - at)
            before = ended_at(
                clock.says(true_end), [watched.offset], clock.resolution_ms, received_at, before, not_before
            )
            assert_within(before, true_end)
        at, not_before = received_at, asked_at


@given(
    clock=CLOCKS,
    looks=looks(600.0, MESSAGE_DELAY_MOST_MS),
    held_up=st.sets(st.integers(0, 7), max_size=SLOW_MESSAGES - 1),
    held_up_s=st.floats(1, 4000),
)
def test_the_true_end_of_a_cycle_lies_within_what_is_stated_messages(
    clock: Clock, looks: list[Look], held_up: set[int], held_up_s: float
) -> None:
    """Statuses that come within the delay assumed, a few that come much later, and cycles whenever."""
    watch = Watch(None, None, clock.resolution_ms, pushed=True)
    at, before = NOW, None
    for index, look in enumerate(looks):
        sent_at = at + timedelta(seconds=look.pause_s)
        received_at = sent_at + ms(look.there_ms)
        if index in held_up and index:  # the first one has nothing to be compared with
            received_at += timedelta(seconds=held_up_s)
        said = clock.says(sent_at)
        watched = watch.read(said, offset_by_message(said, received_at, clock.resolution_ms), received_at)
        known = watch.offset(received_at)
        assert known is not None
        assert watched.set_from is None
        assert watched.offset is not None
        for share in look.cycles:
            true_end = at + share * (sent_at - at)
            before = ended_at(
                clock.says(true_end),
                [known.around(watched.offset)],
                clock.resolution_ms,
                received_at,
                before,
                None,
            )
            assert_within(before, true_end)
        at = received_at


@pytest.mark.parametrize("drift_ppm", [-100.0, 100.0])
def test_a_drift_over_days_is_told_and_stays_within_the_uncertainty(drift_ppm: float) -> None:
    """A poll a minute for two days, 8 ms of round trip: how fast it runs, once that is known well enough."""
    clock = Clock(0.0, [drift_ppm], 1.0, rounds=False)
    watch = Watch(None, None, 1.0)
    for minute in range(2 * 24 * 60):
        asked_at = NOW + timedelta(minutes=minute)
        said = clock.says(asked_at + ms(5))
        watched = watch.read(said, offset_by_poll(said, asked_at, asked_at + ms(8), 1.0), asked_at + ms(8))
        assert watched.drift_ppm is not None or minute < 30
        assert watched.drift_ppm is None or abs(watched.drift_ppm - drift_ppm) <= DRIFT_WITHIN_PPM
    assert watched.drift_ppm == pytest.approx(drift_ppm, abs=1.0)
    assert watched.offset is not None
    assert watched.offset.uncertainty_ms < 8.0
    true_ms = (2 * 24 * 60 - 1) * 60e3 * drift_ppm * 1e-6
    assert abs(watched.offset.offset_ms - true_ms) <= watched.offset.uncertainty_ms + 0.02


def test_the_offset_is_cut_to_what_all_readings_agree_on() -> None:
    """A quick reading among slow ones counts, and is not forgotten by the slow ones after it."""
    watch = Watch(None, None, 0.0)
    widths = []
    for second, back_ms in enumerate((900.0, 4.0, 900.0, 900.0)):
        asked_at = NOW + timedelta(seconds=second)
        said = (asked_at + ms(back_ms / 2)).replace(tzinfo=None)
        watched = watch.read(said, offset_by_poll(said, asked_at, asked_at + ms(back_ms)), asked_at)
        assert watched.offset is not None
        widths.append(watched.offset.uncertainty_ms)
    assert widths == pytest.approx([450.18, 2.0, 2.2, 2.4], abs=0.01)


# ---- a clock that is not honest ----


def read(watch: Watch, said: datetime, at: datetime, uncertainty_ms: float = 5.0) -> ClockOffset | None:
    """A poll of a clock; the offset that is believed."""
    ahead_ms = (said.replace(tzinfo=UTC) - at) / ms(1)
    return watch.read(said, ClockOffset(ahead_ms, uncertainty_ms), at).offset


def watch_from_now() -> Watch:
    """Of a clock that was right at NOW."""
    watch = Watch(None, None, 1.0)
    read(watch, NOW.replace(tzinfo=None), NOW)
    return watch


@pytest.mark.parametrize("by", [HOUR, -HOUR, timedelta(seconds=2), timedelta(days=-365 * 36)])
def test_a_clock_that_was_set_is_told_with_what_it_was(by: timedelta) -> None:
    """By an hour, by two seconds, to the year 1990: the offset before and after."""
    watch = watch_from_now()
    at = NOW + timedelta(seconds=1)
    watched = watch.read((at + by).replace(tzinfo=None), ClockOffset(by / ms(1), 5.0), at)
    assert watched.set_from is not None
    assert watched.offset is not None
    assert watched.set_from.offset_ms == 0.0
    assert watched.offset.offset_ms == by / ms(1)
    again = watch.read((at + by + ms(500)).replace(tzinfo=None), ClockOffset(by / ms(1), 5.0), at + ms(500))
    assert again.set_from is None


def test_a_clock_that_stands_still_is_no_clock() -> None:
    """After some seconds of the same reading there is no offset; when it goes on, it was set."""
    watch = watch_from_now()
    said = (NOW + timedelta(seconds=1)).replace(tzinfo=None)
    for tenths in range(10, 110):
        at = NOW + ms(100 * tenths)
        watched = watch.read(said, ClockOffset((said.replace(tzinfo=UTC) - at) / ms(1), 5.0), at)
        assert watched.stands_still == (tenths > 40)
        assert (watched.offset is None) == watched.stands_still
        assert watched.set_from is None
    at = NOW + timedelta(seconds=11)
    watched = watch.read(at.replace(tzinfo=None) - timedelta(seconds=9), ClockOffset(-9000.0, 5.0), at)
    assert not watched.stands_still
    assert watched.set_from is not None


def test_what_a_clock_was_set_by_is_what_was_read_however_long_nobody_looked() -> None:
    """It stood, then nobody looked for three hours; it was set, nobody looked, and it was set again. What it
    may have been meanwhile is wider, and is for the stamps."""
    watch = watch_from_now()
    said = (NOW + timedelta(seconds=1)).replace(tzinfo=None)
    for tenths in range(10, 110):
        at = NOW + ms(100 * tenths)
        watch.read(said, ClockOffset((said.replace(tzinfo=UTC) - at) / ms(1), 5.0), at)
    for hours, ahead_ms, before_ms in ((3, 60_000.0, 0.0), (6, 7_000_000.0, 60_000.0)):
        at = NOW + hours * HOUR
        watched = watch.read((at + ms(ahead_ms)).replace(tzinfo=None), ClockOffset(ahead_ms, 5.0), at)
        assert watched.set_by_ms == (before_ms, ahead_ms)
        widest = max(each.uncertainty_ms for each in (watched.offset, watched.set_from) if each)
        assert widest > HOUR / ms(1)


def test_a_clock_of_whole_seconds_does_not_stand_still_between_them() -> None:
    """Ten polls a second of a clock that shows seconds."""
    watch = Watch(None, None, 1000.0)
    for tenths in range(100):
        at = NOW + ms(100 * tenths)
        said = shown(at, 1000.0, rounds=False)
        watched = watch.read(said, offset_by_poll(said, at, at, 1000.0), at)
        assert not watched.stands_still
        assert watched.set_from is None
    assert watched.offset is not None
    assert abs(watched.offset.offset_ms) <= watched.offset.uncertainty_ms < 751.0


def test_a_controller_without_a_clock_has_no_offset() -> None:
    """Nor one whose clock says nothing for a while; what was known is kept."""
    watch = Watch(None, None, 0.0)
    assert watch.read(None, None, NOW).offset is None
    assert watch.offset(NOW) is None
    watch = watch_from_now()
    assert watch.read(None, None, NOW + timedelta(seconds=1)).offset is None
    assert (
        read(watch, (NOW + timedelta(seconds=2)).replace(tzinfo=None), NOW + timedelta(seconds=2)) is not None
    )


def test_an_offset_from_before_a_restart_is_as_old_as_it_is() -> None:
    """A day later two quartzes may be 17 s apart, so a reading 10 s away is no clock that was set."""
    watch = Watch(ClockOffset(0.0, 5.0), NOW, 0.0)
    at = NOW + timedelta(days=1)
    known = watch.offset(at)
    assert known is not None
    assert known.uncertainty_ms == pytest.approx(5.0 + 86400e3 * DRIFT_MOST_PPM * 1e-6)
    said = (at + timedelta(seconds=10)).replace(tzinfo=None)
    assert watch.read(said, ClockOffset(10_000.0, 5.0), at).set_from is None


def test_a_message_that_queued_does_not_make_the_clock_look_slow() -> None:
    """It widens what is known while it counts, and is forgotten with the next one."""
    watch = Watch(ClockOffset(500.0, 500.0), NOW, 0.0, pushed=True)
    at = NOW + timedelta(seconds=1)
    watched = watch.read(at - timedelta(seconds=60), ClockOffset(-59_500.0, 500.0), at)
    assert watched.set_from is None
    assert watched.offset is not None
    assert watched.offset.least_ms == -60_000.0
    assert watched.offset.most_ms == pytest.approx(1000.0, abs=1)
    after = watch.read(at + ms(500), ClockOffset(500.0, 500.0), at + timedelta(seconds=1))
    assert after.offset is not None
    assert after.offset.least_ms == pytest.approx(0.0, abs=1)


def test_a_clock_that_was_set_back_is_believed_once_enough_messages_agree() -> None:
    """One slow message may have queued; so many, for so long, alike, are a clock that was set back."""
    watch = Watch(ClockOffset(500.0, 500.0), NOW, 0.0, pushed=True)
    times = [NOW + timedelta(seconds=10 * number) for number in range(1, 8)]
    told = [watch.read(at - HOUR, ClockOffset(-3_600_000.0, 500.0), at).set_from is not None for at in times]
    assert told == [at - times[0] >= SLOW_FOR for at in times]


def test_messages_that_were_held_up_together_are_no_clock_that_was_set() -> None:
    """A status a second, in whole seconds; the network holds six of them up and delivers them at once."""
    watch = Watch(None, None, 1000.0, pushed=True)
    for second in range(1, 40):
        sent_at = NOW + timedelta(seconds=second)
        received_at = NOW + timedelta(seconds=26) if 20 <= second < 26 else sent_at
        watched = watch.read(sent_at, offset_by_message(sent_at, received_at, 1000.0), received_at)
        assert watched.set_from is None


def test_a_message_a_little_later_than_assumed_does_not_cut_the_truth_away() -> None:
    """An exact clock; statuses take 0.9 s, 1.5 s, 0.1 s: only the lower bound of a message is sure."""
    watch = Watch(None, None, 0.0, pushed=True)
    for number, delay_ms in enumerate((900.0, 1500.0, 100.0)):
        sent_at = NOW + timedelta(seconds=10 * number)
        received_at = sent_at + ms(delay_ms)
        watched = watch.read(sent_at, offset_by_message(sent_at, received_at), received_at)
        known = watch.offset(received_at)
        assert watched.set_from is None
        assert known is not None
        assert known.least_ms <= 0.0 <= known.most_ms


def test_a_drift_is_told_once_it_is_known_well_enough() -> None:
    """An exact clock of whole seconds: half an hour says nothing about 20 ppm."""
    watch = Watch(None, None, 1000.0)
    for half in range(2 * 60 * 31):
        at = NOW + ms(500 * half + (half * 37) % 211)
        said = shown(at, 1000.0, rounds=False)
        watched = watch.read(said, offset_by_poll(said, at, at + ms(8), 1000.0), at + ms(8))
        assert watched.drift_ppm is None or abs(watched.drift_ppm) <= DRIFT_WITHIN_PPM


def test_messages_that_queued_for_different_times_agree_on_nothing() -> None:
    """However many of them there are."""
    watch = Watch(ClockOffset(500.0, 500.0), NOW, 0.0, pushed=True)
    for number in range(1, 10):
        at = NOW + timedelta(seconds=number)
        late = timedelta(minutes=10 * number)
        assert watch.read(at - late, ClockOffset(-(late / ms(1)), 500.0), at).set_from is None


def test_a_clock_that_was_set_forward_is_believed_at_once() -> None:
    """No delay makes a clock look fast."""
    watch = Watch(ClockOffset(500.0, 500.0), NOW, 0.0, pushed=True)
    at = NOW + timedelta(seconds=1)
    assert watch.read(at + HOUR, ClockOffset(3_600_000.0, 500.0), at).set_from is not None


# ---- when a cycle ended ----


RIGHT = ClockOffset(0.0, 5.0)
AN_HOUR_SLOW = ClockOffset(-3_600_000.0, 5.0)


def naive(seconds: float) -> datetime:
    return (NOW + timedelta(seconds=seconds)).replace(tzinfo=None)


def at(seconds: float, uncertainty_ms: float = 1.0) -> Ended:
    when = NOW + timedelta(seconds=seconds)
    return Ended(when, uncertainty_ms, when - ms(uncertainty_ms), when + ms(uncertainty_ms))


def test_what_was_read_has_ended() -> None:
    """A stamp within the uncertainty of the reading is cut there; one beyond it says nothing."""
    ended = ended_at(naive(0.003), [RIGHT], 0.0, NOW, None, None)
    assert ended.latest == NOW
    assert ended.at < NOW
    wrong = ended_at(naive(9), [RIGHT], 0.0, NOW, None, NOW - timedelta(seconds=20))
    assert (wrong.at, wrong.uncertainty_ms) == (NOW - timedelta(seconds=10), 10_000.0)


def test_cycles_of_one_second_stay_in_the_order_of_their_sequence() -> None:
    """Stamps in whole seconds, an offset that trembles: the later cycle does not move before the earlier."""
    first = ended_at(naive(-30), [ClockOffset(-5.0, 1.0)], 1000.0, NOW, None, None)
    second = ended_at(naive(-30), [ClockOffset(4.0, 1.0)], 1000.0, NOW, first, None)
    assert second.at >= first.at
    assert second.uncertainty_ms is not None
    assert second.at - ms(second.uncertainty_ms) <= second.latest


def test_a_stamp_that_contradicts_the_order_is_wrong() -> None:
    """Two hours before the cycle before it: it ended after that one, and before it was read."""
    before = at(-3600)
    ended = ended_at(naive(-7200), [RIGHT], 0.0, NOW, before, None)
    assert (ended.earliest, ended.latest) == (before.earliest, NOW)
    assert ended.uncertainty_ms == pytest.approx(1_800_000, abs=2)


def test_a_clock_that_was_set_lately_leaves_two_ways_to_read_a_stamp() -> None:
    """Made before, after, or standing still between them: it ended within all of that, and the bounds."""
    read_at, stamp = NOW + HOUR, naive(-30)
    ended = ended_at(stamp, [RIGHT, AN_HOUR_SLOW], 0.0, read_at, None, None)
    assert ended.earliest is not None
    assert ended.earliest < NOW - timedelta(seconds=30) < NOW + HOUR - timedelta(seconds=30) < ended.latest
    cut = ended_at(stamp, [RIGHT, AN_HOUR_SLOW], 0.0, read_at, None, NOW + timedelta(minutes=50))
    assert (cut.earliest, cut.latest) == (NOW + timedelta(minutes=50), ended.latest)


def test_a_clock_that_was_set_twice_may_have_stood_still_in_between() -> None:
    """Seen once while it stood, then set ahead: its stamp from in between was made at any time of it."""
    watch = Watch(None, None, 1.0)
    second = timedelta(seconds=1)

    def look(at: datetime, shown: datetime) -> Watched:
        return watch.read(shown, offset_by_poll(shown, at, at, 1.0), at)

    look(NOW, NOW)
    stood = look(NOW + 10 * second, NOW + 5 * second)
    assert stood.set_from is not None
    ahead = look(NOW + 30 * second, NOW + 300 * second)
    assert ahead.set_from is not None
    assert ahead.offset is not None
    offsets = [ahead.offset, ahead.set_from, stood.set_from]
    ended = ended_at(NOW + 5 * second, offsets, 1.0, NOW + 30 * second, None, NOW + 10 * second)
    assert ended.earliest == NOW + 10 * second
    assert ended.latest >= NOW + 29 * second


def test_a_clock_that_was_set_while_it_stood_may_go_on_standing() -> None:
    """Its stamp from after it was set was made at any time since the look before."""
    watch = Watch(None, None, 1.0)
    for after_s in (0, 10):
        at = NOW + timedelta(seconds=after_s)
        still = watch.read(NOW, offset_by_poll(NOW, at, at, 1.0), at)
    assert still.stands_still
    at, shown = NOW + timedelta(seconds=20), NOW + timedelta(days=30)
    found = watch.read(shown, offset_by_poll(shown, at, at, 1.0), at)
    assert found.offset is not None
    ended = ended_at(shown, [found.offset], 1.0, at, None, NOW + timedelta(seconds=10))
    assert ended.earliest is not None
    assert ended.earliest <= NOW + timedelta(seconds=11)
    assert ended.latest >= NOW + timedelta(seconds=20) - ms(1)


@pytest.mark.parametrize("said", [datetime(1970, 1, 1), datetime(1990, 1, 1), datetime(2099, 1, 1)])
def test_a_stamp_of_a_clock_that_had_lost_its_time_leaves_the_bounds(said: datetime) -> None:
    """The controller was powered up with an empty battery and set right before we read."""
    ended = ended_at(said, [RIGHT], 0.0, NOW, at(-600), NOW - timedelta(seconds=60))
    assert (ended.earliest, ended.latest) == (NOW - timedelta(seconds=60), NOW)
    assert (ended.at, ended.uncertainty_ms) == (NOW - timedelta(seconds=30), 30_000.0)


def test_a_clock_that_lost_its_time_and_runs_still_tells_when() -> None:
    """It says 1990; its offset is known, so its stamps are as good as any."""
    lost = datetime(1990, 1, 1)
    offset = offset_by_poll(lost + HOUR, NOW, NOW)
    ended = ended_at(lost + timedelta(minutes=40), [offset], 0.0, NOW, None, None)
    assert abs(ended.at - (NOW - timedelta(minutes=20))) < ms(1)


@pytest.mark.parametrize("said", [datetime.max, datetime.min, datetime.max.replace(tzinfo=UTC)])
def test_a_stamp_at_the_end_of_the_calendar_harms_nobody(said: datetime) -> None:
    """No overflow; it says nothing."""
    for offsets in ([RIGHT], [AN_HOUR_SLOW], [ClockOffset(9e13, 1.0)]):
        ended = ended_at(said, offsets, 1000.0, NOW, None, NOW - HOUR)
        assert (ended.earliest, ended.latest) == (NOW - HOUR, NOW)


def test_without_a_clock_the_bounds_are_what_is_known() -> None:
    """It ended after the last look that did not show it, and before the one that did."""
    ended = ended_at(None, [], 0.0, NOW, None, NOW - timedelta(seconds=2))
    assert ended == Ended(NOW - timedelta(seconds=1), 1000.0, NOW - timedelta(seconds=2), NOW)


def test_nothing_known_is_stated_as_nothing_known() -> None:
    """Without a stamp, an offset, or a bound, the uncertainty is unknown, not zero."""
    assert ended_at(None, [RIGHT], 0.0, NOW, None, None) == Ended(NOW, None, None, NOW)
    stamp = datetime(2026, 3, 2, 5, 59, tzinfo=UTC)
    assert ended_at(stamp, [], 0.0, NOW, None, None) == Ended(stamp, None, None, NOW)
    assert ended_at(naive(90), [RIGHT], 0.0, NOW, None, None) == Ended(NOW, None, None, NOW)


def test_intervals_of_offsets_are_cut_and_joined() -> None:
    """What both agree on, one or the other, and nothing in common."""
    one, two = between(0.0, 10.0), between(8.0, 20.0)
    assert one.within(two) == between(8.0, 10.0)
    assert one.around(two) == between(0.0, 20.0)
    assert not one.contradicts(two)
    assert one.contradicts(between(10.1, 20.0))
