"""How long to wait after which error."""

import pytest

from collector.backoff import LONGEST_S, REFUSED_S, Backoff
from collector.errors import BadReply, LinkDown, Refused


def test_waits_double_up_to_the_longest() -> None:
    """1, 2, 4 … seconds, and never more than the longest."""
    backoff = Backoff(lambda: 0.5)
    waits = [backoff.after(LinkDown("reset")) for _ in range(8)]
    assert waits == [1.0, 2.0, 4.0, 8.0, 16.0, LONGEST_S, LONGEST_S, LONGEST_S]


def test_a_good_poll_starts_from_the_shortest_again() -> None:
    """One success forgets the failures before it."""
    backoff = Backoff(lambda: 0.5)
    for _ in range(5):
        backoff.after(BadReply("short", "2 of 3 registers"))
    backoff.reset()
    assert backoff.after(LinkDown("reset")) == 1.0


def test_a_refusal_waits_longest_at_once() -> None:
    """A controller that says no will say it again until a person changes something."""
    assert Backoff(lambda: 0.5).after(Refused("2", "illegal data address")) == REFUSED_S


@pytest.mark.parametrize("dice", [0.0, 1.0])
def test_jitter_keeps_controllers_apart(dice: float) -> None:
    """A quarter more or less, so that those on one switch don't come back in step."""
    assert Backoff(lambda: dice).after(LinkDown("reset")) == 0.75 + dice / 2
