"""The shift plan: days and their occurrences tile time without hole or overlap, whatever a zone does to its
clocks and whatever is planned."""

from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.shifts import WEEKDAYS, Occurrence, Shift, ShiftPlan, conflicts, instant_of

ZONES = st.sampled_from(
    [
        "Europe/Berlin", "America/Detroit", "America/Sao_Paulo", "America/St_Johns", "Australia/Lord_Howe",
        "Asia/Kathmandu", "Pacific/Apia", "Africa/Casablanca", "UTC",
    ]
).map(ZoneInfo)  # fmt: skip
DAYS = st.dates(date(1990, 1, 1), date(2037, 1, 1))
INSTANTS = st.datetimes(datetime(1990, 1, 1), datetime(2037, 1, 1), timezones=st.just(UTC))
MINUTES = st.integers(0, 24 * 60 - 1)
BERLIN = ZoneInfo("Europe/Berlin")
WORKING = frozenset(WEEKDAYS[:5])

EARLY = Shift("early", time(6, 20), time(14, 42), WORKING)
LATE = Shift("late", time(14, 42), time(22, 10), WORKING)
NIGHT = Shift("night", time(22, 40), time(6, 20), WORKING)
THREE = [(None, EARLY), (None, LATE), (None, NIGHT)]


def clock(minutes: int) -> time:
    return time(minutes // 60 % 24, minutes % 60)


@st.composite
def versions(draw: st.DrawFn) -> list[Shift]:
    """Up to five shifts cut out of a day, in any order behind the one that begins it."""
    begin = draw(MINUTES)
    cuts = sorted(draw(st.lists(st.integers(1, 24 * 60), max_size=9, unique=True)))
    shifts = []
    for number, (first, last) in enumerate(zip([0, *cuts[1::2]], cuts[::2], strict=False)):
        days = draw(st.frozensets(st.sampled_from(WEEKDAYS), min_size=1))
        shifts.append(Shift(f"s{number}", clock(begin + first), clock(begin + last), days))
    if not shifts:
        shifts = [Shift("s", clock(begin), clock(begin))]
    return [shifts[0], *draw(st.permutations(shifts[1:]))]


@st.composite
def plans(draw: st.DrawFn) -> ShiftPlan:
    first: date | None = draw(st.none() | DAYS)
    dates = [first, *draw(st.lists(DAYS, max_size=2, unique=True))]
    made = {day: draw(versions()) for day in dates}
    return ShiftPlan.of(draw(ZONES), [(day, shift) for day, shifts in made.items() for shift in shifts])


@given(plan=plans(), day=DAYS)
def test_days_and_their_occurrences_tile_time(plan: ShiftPlan, day: date) -> None:
    """Each begins where the one before ends, none is empty, and no name comes twice in a day."""
    for offset in range(9):
        today = day + timedelta(days=offset)
        begin, end = plan.day_bounds(today)
        assert plan.day_bounds(today + timedelta(days=1))[0] == end
        found = plan.of_day(today)
        bounds = [begin, *(each.ends_at for each in found)]
        assert [each.begins_at for each in found] == bounds[:-1]
        assert bounds[-1] == end
        assert all(each.begins_at < each.ends_at for each in found)
        assert len({each.shift for each in found}) == len(found)


@pytest.mark.parametrize("zone", ["Europe/Berlin", "America/Detroit", "America/St_Johns", "Pacific/Apia"])
def test_twelve_years_are_tiled(zone: str) -> None:
    """Every occurrence of 2004 to 2015, with a plan that changes in between: joined, in order."""
    changed = [(date(2010, 7, 1), each) for each in (NIGHT, Shift("day", time(6, 20), time(18, 5)))]
    plan = ShiftPlan.of(ZoneInfo(zone), [*THREE, *changed])
    begin, end = datetime(2004, 1, 1, tzinfo=UTC), datetime(2016, 1, 1, tzinfo=UTC)
    found = list(plan.occurrences(begin, end))
    assert found[0].begins_at <= begin < found[0].ends_at
    assert found[-1].begins_at < end <= found[-1].ends_at
    joined = pairwise(found)
    assert all(one.ends_at == other.begins_at for one, other in joined)
    days = [each.plant_day for each in found]
    assert days == sorted(days)


@given(plan=plans(), at=INSTANTS)
def test_an_instant_lies_in_one_occurrence_of_its_plant_day(plan: ShiftPlan, at: datetime) -> None:
    """The begin is inside, the end is not."""
    begin, end = plan.day_bounds(plan.plant_day_of(at))
    assert begin <= at < end
    found = plan.occurrence_at(at)
    assert found.begins_at <= at < found.ends_at
    assert found in plan.of_day(plan.plant_day_of(at))


@given(plan=plans(), at=INSTANTS, hours=st.integers(1, 100))
def test_occurrences_between_two_instants_are_those_that_reach_in(
    plan: ShiftPlan, at: datetime, hours: int
) -> None:
    """No more and no fewer than a look at all days around them gives."""
    end = at + timedelta(hours=hours)
    days = [at.date() + timedelta(days=offset) for offset in range(-4, hours // 24 + 5)]
    expected = [
        each for day in days for each in plan.of_day(day) if each.begins_at < end and each.ends_at > at
    ]
    assert list(plan.occurrences(at, end)) == expected


@given(zone=ZONES, day=DAYS, first=MINUTES, minutes=st.integers(0, 3000))
def test_a_later_local_time_is_never_an_earlier_instant(
    zone: ZoneInfo, day: date, first: int, minutes: int
) -> None:
    """Not even where the clocks skip one of the two."""
    local = datetime.combine(day, clock(first))
    assert instant_of(local, zone) <= instant_of(local + timedelta(minutes=minutes), zone)


def hours(found: list[Occurrence]) -> list[tuple[str, float]]:
    return [(each.shift, each.hours) for each in found]


def test_time_between_shifts_is_of_the_day_and_of_no_shift() -> None:
    """It has names, so that the occurrences of a day add up to the day."""
    plan = ShiftPlan.of(BERLIN, THREE)
    found = plan.of_day(date(2026, 11, 24))
    assert [name for name, _ in hours(found)] == ["early", "late", "outside-1", "night"]
    assert found[2].hours == 0.5
    assert sum(each.hours for each in found) == pytest.approx(24)


def test_a_day_that_is_not_worked_is_a_day() -> None:
    """It begins when the others do, and is one stretch outside all shifts."""
    (found,) = ShiftPlan.of(BERLIN, THREE).of_day(date(2026, 11, 29))
    assert (found.shift, found.hours, found.is_outside) == ("outside-1", 24, True)
    assert found.begins_at == datetime(2026, 11, 29, 5, 20, tzinfo=UTC)


def test_a_night_shift_is_of_the_day_on_which_it_began() -> None:
    """Whatever the date when a cycle ends; and Friday's night ends on Saturday."""
    plan = ShiftPlan.of(BERLIN, THREE)
    found = plan.occurrence_at(datetime(2026, 11, 28, 3, tzinfo=UTC))
    assert (found.plant_day, found.shift) == (date(2026, 11, 27), "night")


def test_a_shift_that_begins_after_midnight_is_of_the_day_before() -> None:
    """Where the first shift of the plan begins later by the clock; and so are its weekdays."""
    night = Shift("night", time(0, 30), time(6), frozenset({"friday"}))
    plan = ShiftPlan.of(BERLIN, [(None, Shift("early", time(6), time(15))), (None, night)])
    found = plan.of_day(date(2026, 11, 27))[-1]
    assert (found.shift, found.begins_at) == ("night", datetime(2026, 11, 27, 23, 30, tzinfo=UTC))
    assert [each.shift for each in plan.of_day(date(2026, 11, 28))] == ["early", "outside-1"]


def test_a_new_plan_begins_with_a_plant_day() -> None:
    """The last day of the old one lasts until then: what it planned beyond is cut off, and what neither
    has is outside.
    """
    earlier = [(date(2026, 11, 17), Shift("day", time(5), time(17)))]
    plan = ShiftPlan.of(BERLIN, [*THREE, *earlier])
    assert hours(plan.of_day(date(2026, 11, 16)))[-1] == ("night", pytest.approx(6 + 20 / 60))
    assert [each.plan_version for each in plan.of_day(date(2026, 11, 17))] == [2, 2]
    later = [(date(2026, 11, 17), Shift("day", time(9), time(17)))]
    found = ShiftPlan.of(BERLIN, [*THREE, *later]).of_day(date(2026, 11, 16))
    assert hours(found)[-1] == ("outside-2", pytest.approx(2 + 40 / 60))


def test_without_a_plan_a_day_is_one_shift() -> None:
    """From midnight to midnight, and so it is before the first plan holds; that is version 0."""
    plan = ShiftPlan.of(BERLIN, [])
    assert hours(plan.of_day(date(2026, 10, 25))) == [("day", 25)]
    dated = ShiftPlan.of(BERLIN, [(date(2026, 11, 17), EARLY)])
    assert [(each.shift, each.plan_version) for each in dated.of_day(date(2026, 11, 15))] == [("day", 0)]


def test_a_shift_that_the_clocks_skip_does_not_occur() -> None:
    """And the day has no hole."""
    skipped = Shift("short", time(2, 15), time(2, 45))
    plan = ShiftPlan.of(BERLIN, [(None, Shift("long", time(22), time(2))), (None, skipped)])
    assert [each.shift for each in plan.of_day(date(2026, 3, 28))] == ["long", "outside-1"]
    assert sum(each.hours for each in plan.of_day(date(2026, 3, 28))) == 23


@given(made=versions())
def test_a_plan_that_fits_has_no_conflicts(made: list[Shift]) -> None:
    """However its shifts are ordered."""
    assert list(conflicts(made)) == []


@pytest.mark.parametrize(
    ("shifts", "place", "says"),
    [
        (
            [EARLY, Shift("late", time(14, 41), time(22), frozenset({"friday"}))],
            1,
            "overlaps early on friday",
        ),
        ([EARLY, Shift("night", time(22), time(6, 21))], 1, "lasts beyond 06:20"),
        ([EARLY, Shift("early", time(15), time(22))], 1, "another shift named early on monday"),
    ],
)
def test_a_conflict_is_told_in_a_sentence(shifts: list[Shift], place: int, says: str) -> None:
    """With the shift that has it."""
    ((at, told),) = conflicts(shifts)
    assert at == place
    assert says in told


def test_two_shifts_of_one_name_on_different_days_are_no_conflict() -> None:
    """Saturday's early shift may be a shorter one."""
    saturday = Shift("early", time(7), time(12), frozenset({"saturday"}))
    assert list(conflicts([EARLY, saturday])) == []
