"""Whole plants under virtual time, with every fault drawn from a seed (see tests/simulated)."""

from collections.abc import Iterator
from itertools import count

import pytest
from sqlalchemy import text

from tests.simulated.book import Shelf
from tests.simulated.compare import compare
from tests.simulated.runner import run_worlds
from tests.simulated.world import World

WORLDS = range(300)


@pytest.mark.timeout(900)
def test_in_each_of_300_worlds_the_book_says_what_happened() -> None:
    """Every cycle stored once and right, or inside a listed gap; tallies equal a full scan."""
    wrong = {
        outcome.seed: outcome.comparison.wrong[0]
        for outcome in run_worlds(WORLDS, jobs=2)
        if outcome.comparison.wrong
    }
    assert not wrong


def test_a_seed_replays_exactly() -> None:
    """To the last row, so a failing world can be looked at again."""
    shelf = Shelf()
    first, second, other = (World(shelf, seed).run() for seed in (3, 3, 4))
    shelf.close()
    assert (first.story, first.digest) == (second.story, second.digest)
    assert other.digest != first.digest


@pytest.fixture(scope="module")
def eventful() -> Iterator[World]:
    """The first world with enough in it to be forged."""
    shelf = Shelf()
    for seed in count():
        world = World(shelf, seed)
        compared = world.run().comparison
        if compared.in_gaps > 20 and compared.stored > 200 and not compared.wrong:
            break
    yield world
    shelf.close()


@pytest.mark.parametrize(
    ("forgery", "says"),
    [
        ("DELETE FROM cycle WHERE commit_number = (SELECT max(commit_number) - 5 FROM cycle)", "missing"),
        ("UPDATE cycle SET result = 'unknown' WHERE sequence % 50 = 7", "tallies"),
        ("UPDATE cycle SET ended_at = ended_at + 3600000000, time_uncertainty_ms = 1", "off"),
        ("DELETE FROM gap", "missing"),
        ("UPDATE gap SET first_sequence = first_sequence - 1", "listed as missing"),
        ("UPDATE gap SET last_sequence = last_sequence + 1", "stored and listed as missing"),
        ("UPDATE tally SET cycles = cycles + 1", "tallies"),
        ("UPDATE position SET sequence = sequence - 1", "the book stands at"),
        ("UPDATE cycle SET extra = (SELECT max(extra) FROM cycle)", "stored"),
    ],
)
def test_a_forged_book_is_seen(eventful: World, forgery: str, says: str) -> None:
    """What compares can find fault."""
    with eventful.shelf.engine.connect() as book:
        assert book.execute(text(forgery)).rowcount
        wrong = compare(book, eventful.truth()).wrong
        book.rollback()
    assert any(says in each for each in wrong)
