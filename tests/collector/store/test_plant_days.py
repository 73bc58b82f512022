"""Plant days: joined to each other without a hole, whatever the zone does to its clocks."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.store.plant_days import bounds, plant_day_of

ZONES = st.sampled_from(
    [
        "Europe/Berlin", "America/Detroit", "America/Sao_Paulo", "Australia/Lord_Howe", "Asia/Kathmandu",
        "Pacific/Apia", "UTC",
    ]
).map(ZoneInfo)  # fmt: skip
BEGINS = st.times(timezones=st.none()).map(lambda at: at.replace(second=0, microsecond=0))
DAYS = st.dates(date(1990, 1, 1), date(2037, 1, 1))
INSTANTS = st.datetimes(datetime(1990, 1, 1), datetime(2037, 1, 1), timezones=st.just(UTC))


@given(day=DAYS, zone=ZONES, day_begins=BEGINS)
def test_each_day_is_joined_to_the_next(day: date, zone: ZoneInfo, day_begins: time) -> None:
    """No instant between two of them, and none in both; a day lasts at most 26 hours."""
    begin, end = bounds(day, zone, day_begins)
    assert bounds(day + timedelta(days=1), zone, day_begins)[0] == end
    assert timedelta(0) <= end - begin <= timedelta(hours=26)


@given(at=INSTANTS, zone=ZONES, day_begins=BEGINS)
def test_an_instant_lies_in_its_plant_day(at: datetime, zone: ZoneInfo, day_begins: time) -> None:
    """The begin is inside, the end is not."""
    begin, end = bounds(plant_day_of(at, zone, day_begins), zone, day_begins)
    assert begin <= at < end


@pytest.mark.parametrize(
    ("at", "day"),
    [
        ("2026-03-29T04:19:59Z", "2026-03-28"),
        ("2026-03-29T04:20:00Z", "2026-03-29"),
        ("2026-10-25T05:19:59Z", "2026-10-24"),
        ("2026-10-25T05:20:00Z", "2026-10-25"),
    ],
)
def test_the_day_begins_at_the_plants_wall_clock(at: str, day: str) -> None:
    """06:20 in Berlin on the mornings after the clocks were changed."""
    assert plant_day_of(
        datetime.fromisoformat(at), ZoneInfo("Europe/Berlin"), time(6, 20)
    ) == date.fromisoformat(day)
