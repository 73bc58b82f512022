"""Counting the book again finds whatever is wrong with it, and nothing where nothing is.

On SQLite and on PostgreSQL alike."""

from collections.abc import AsyncIterator
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Engine, Executable, delete, update

from collector.errors import NotInBook
from collector.store.audit import Run, check_numbers, find_audit, find_audits, verdict
from collector.store.queries import Record, find_controllers
from collector.store.tables import cycle, gap, position, tally
from collector.store.writer import Writer
from tests.collector.store.rigs import IDENTITIES, MORNING, OTHER_TOOL
from tests.collector.store.told import Told


@pytest.fixture
async def book(book_engine: Engine) -> AsyncIterator[Engine]:
    """Two controllers with all that can happen to them, and the third never read; nobody writes any more."""
    engine = book_engine
    async with Writer(engine, now=lambda: MORNING) as writer:
        await writer.register(IDENTITIES)
        first, second = Told(writer), Told(writer, "L1-02")
        await first.begin()
        await first.make(200)
        await first.lose(10)
        await first.make(5)
        await first.find(203, 204)
        await first.swap(OTHER_TOOL)
        await first.change("cleared", 0)
        await first.restart(missing=2)
        await first.make(7)
        await second.begin()
        await second.make(3)
        await second.lose_memory(50)
        await second.find(4)
        await second.make(3)
    yield engine
    engine.dispose()


def audits(reader: Engine, name: str | None = None) -> list[Record]:
    with reader.connect() as connection:
        return list(find_audits(connection, name))


async def test_a_sound_book_has_no_mistakes(book: Engine, book_reader: Engine) -> None:
    """Late cycles, restarts and gaps without a number are none."""
    first, second, third = audits(book_reader)
    assert [each["mistakes"] for each in (first, second, third)] == [[], [], []]
    assert (first["balanced"], second["balanced"], third["balanced"]) == (True, None, None)
    assert (first["cycles"], first["epochs"]) == (214, [1, 2])
    assert (second["cycles"], second["epochs"]) == (7, [1, 2])
    assert verdict([first]) is True
    assert verdict([first, second]) is None
    with pytest.raises(NotInBook, match="B-01"):
        audits(book_reader, "B-01")


def _gap_begins_at(number: int) -> Executable:
    return update(gap).where(gap.c.first_sequence == 205).values(first_sequence=number)


NEITHER = "neither stored nor in an open gap"
MORE, LESS = "hold what a full scan of the cycles does not give", "do not hold what a full scan of the cycles"
LONG_AGO = MORNING - timedelta(days=99_999)
HARM: list[tuple[Executable, str]] = [
    (delete(cycle).where(cycle.c.sequence == 100), f"epoch 1: 100: {NEITHER}"),
    (delete(cycle).where(cycle.c.epoch == 2, cycle.c.sequence > 6), f"epoch 2: 7: {NEITHER}"),
    (delete(gap).where(gap.c.first_sequence == 205), f"205 to 210: {NEITHER}"),
    (_gap_begins_at(204), "204: stored, and in an open gap"),
    (_gap_begins_at(202), "202: in two open gaps"),
    (update(position).where(position.c.controller_id == 1).values(sequence=5), "6 to 7: beyond the position"),
    (update(tally).values(cycles=tally.c.cycles + 1), MORE),
    (delete(tally), LESS),
    (update(cycle).where(cycle.c.sequence == 3).values(ended_at=LONG_AGO), LESS),
]


@pytest.mark.parametrize(("harm", "says"), HARM, ids=[says for _, says in HARM])
async def test_what_is_wrong_is_said(book: Engine, book_reader: Engine, harm: Executable, says: str) -> None:
    """Which number, and what is the matter with it."""
    with book.begin() as connection:
        connection.execute(harm)
    (found,) = audits(book_reader, "L1-01")
    assert any(says in mistake for mistake in found["mistakes"]), found["mistakes"]
    assert verdict([found]) is False


async def test_an_audit_is_of_one_instant(book_engine: Engine, book_reader: Engine) -> None:
    """What the collector commits meanwhile is in none of its parts, so it contradicts nothing."""
    async with Writer(book_engine, now=lambda: MORNING) as writer:
        await writer.register(IDENTITIES)
        told = Told(writer)
        await told.begin()
        await told.make(5)
        with book_reader.connect() as connection:
            (controller, *_) = find_controllers(connection)
            await told.make(5)
            await told.lose(5)
            found = find_audit(connection, controller)
    assert (found["cycles"], found["mistakes"], found["balanced"]) == (5, [], True)
    assert found["totals"]["counter_difference"] == 5


RUNS = st.lists(st.tuples(st.integers(1, 30), st.integers(0, 5)), max_size=6).map(
    lambda runs: sorted((first, first + length) for first, length in runs)
)


@given(st.sets(st.integers(1, 30)), RUNS, st.none() | st.integers(1, 30))
def test_numbers_are_sound_just_when_each_has_one_place(
    stored: set[int], missing: list[Run], here: int | None
) -> None:
    """From the first to the position, counted one by one."""
    places = [*stored, *(number for first, last in missing for number in range(first, last + 1))]
    reached = max(places, default=0) if here is None else here
    sound = sorted(places) == list(range(min(places, default=reached + 1), reached + 1)) or not places
    wrong = check_numbers(runs_of(stored), missing, here)
    assert (not any(wrong.values())) == sound
    alone = {
        number for number in range(min(places, default=0), max(places, default=0)) if number not in places
    }
    said = {
        number
        for first, last in wrong["neither stored nor in an open gap"]
        for number in range(first, last + 1)
    }
    assert alone <= said
    assert said.isdisjoint(places)


def runs_of(stored: set[int]) -> list[Run]:
    runs: list[Run] = []
    for number in sorted(stored):
        if runs and runs[-1][1] == number - 1:
            runs[-1] = runs[-1][0], number
        else:
            runs.append((number, number))
    return runs
