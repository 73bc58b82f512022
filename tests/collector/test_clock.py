"""The controller's clock against ours."""

from datetime import UTC, datetime, timedelta, timezone

from hypothesis import given
from hypothesis import strategies as st

from collector.clock import ClockOffset, LeastDelay, ended_at, offset_by_message, offset_by_poll

NOW = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)


@given(
    ahead_ms=st.floats(-1e8, 1e8),
    there_ms=st.floats(0, 5000),
    back_ms=st.floats(0, 5000),
)
def test_the_true_offset_lies_within_the_stated_uncertainty(
    ahead_ms: float, there_ms: float, back_ms: float
) -> None:
    """However the round trip splits into there and back, the truth is inside offset ± uncertainty."""
    read_at = NOW + timedelta(milliseconds=there_ms)
    said = (read_at + timedelta(milliseconds=ahead_ms)).replace(tzinfo=None)
    offset = offset_by_poll(said, NOW, read_at + timedelta(milliseconds=back_ms))
    assert abs(offset.offset_ms - ahead_ms) <= offset.uncertainty_ms + 0.01


def test_a_clock_without_a_zone_carries_its_zone_in_the_offset() -> None:
    """Local time two hours ahead of UTC is an offset of two hours, and cycles come out right."""
    said = datetime(2026, 3, 2, 8, 0)
    offset = offset_by_poll(said, NOW, NOW)
    assert offset.offset_ms == 7_200_000
    at, uncertainty_ms = ended_at(said - timedelta(minutes=5), offset, 1000.0, NOW, None)
    assert (at, uncertainty_ms) == (NOW - timedelta(minutes=5), 1000.0)


def test_a_clock_with_a_zone_is_compared_in_utc() -> None:
    """RFC 3339 times of another zone are the same instant."""
    said = datetime(2026, 3, 2, 8, 0, 2, tzinfo=timezone(timedelta(hours=2)))
    assert offset_by_message(said, NOW).offset_ms == 2000.0


def test_a_message_that_queued_does_not_make_the_clock_look_slow() -> None:
    """The fastest of the last minutes is believed; a clock that was set back is, once they have passed."""
    told = LeastDelay(ClockOffset(500.0, 1000.0), NOW)
    later = [NOW + timedelta(minutes=minutes) for minutes in (1, 2, 3, 12, 20)]
    offsets = [-4000.0, 480.0, -9000.0, -7000.0, -7010.0]
    believed = [
        told.after(ClockOffset(ms, 1000.0), at).offset_ms for ms, at in zip(offsets, later, strict=True)
    ]
    assert believed == [500.0, 500.0, 500.0, 480.0, -7000.0]


def test_what_was_read_has_ended() -> None:
    """A stamp that comes out later than the reading is held back to it."""
    at, _ = ended_at(datetime(2026, 3, 2, 6, 0, 9), ClockOffset(0.0, 5.0), 0.0, NOW, None)
    assert at == NOW


def test_cycles_of_one_second_stay_in_the_order_of_their_sequence() -> None:
    """Stamps in whole seconds, an offset that trembles: the later cycle does not move before the earlier."""
    stamp = datetime(2026, 3, 2, 5, 59, 30)
    first, _ = ended_at(stamp, ClockOffset(-5.0, 1.0), 1000.0, NOW, None)
    second, _ = ended_at(stamp, ClockOffset(4.0, 1.0), 1000.0, NOW, first)
    assert second == first


def test_a_clock_that_was_set_back_is_not_hidden_by_the_order() -> None:
    """Beyond the uncertainty the stamp counts, although it lies before the cycle before."""
    stamp = datetime(2026, 3, 2, 4, 0)
    at, _ = ended_at(stamp, ClockOffset(0.0, 1.0), 1000.0, NOW, NOW - timedelta(hours=1))
    assert at == stamp.replace(tzinfo=UTC)


def test_nothing_known_is_stated_as_nothing_known() -> None:
    """Without a stamp or without an offset the uncertainty is unknown, not zero."""
    assert ended_at(None, ClockOffset(0.0, 5.0), 0.0, NOW, None) == (NOW, None)
    stamp = datetime(2026, 3, 2, 5, 59, tzinfo=UTC)
    assert ended_at(stamp, None, 0.0, NOW, None) == (stamp, None)
