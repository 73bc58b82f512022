"""Promise: every cycle is in the book exactly once, whatever is killed, at whatever moment."""

from pathlib import Path

import pytest

from tests.killing import Outcome, kill_again_and_again

REMEMBERING = ("F-01", "F-03", "F-04")
"""Their memory, 30 cycles or the broker's queue, holds more than an outage of this test brings."""


def holds(outcome: Outcome) -> None:
    """What no kill may change."""
    found = outcome.balance
    assert found.wrong == []
    assert not found.unread
    assert outcome.services_lost == set()
    assert outcome.mistakes == []
    assert {name: found.stored[name] + found.in_gaps[name] for name in found.made} == found.made
    assert found.in_gaps["F-04"] == 0
    assert found.curves["F-04"] == found.stored["F-04"]


@pytest.mark.timeout(240)
async def test_kills_at_random_moments_lose_and_double_nothing(tmp_path: Path) -> None:
    """24 kills of collector and API over a running plant: the book equals the ground truth, with no gap in it
    for controllers that remember more than an outage brings."""
    outcome = await kill_again_and_again(tmp_path, kills=24, seed=20261125, cycles_per_s=2.5)
    holds(outcome)
    found = outcome.balance
    assert {name: found.in_gaps[name] for name in REMEMBERING} == dict.fromkeys(REMEMBERING, 0)
    assert all(found.stored[name] > 60 for name in REMEMBERING)


@pytest.mark.timeout(240)
async def test_kills_behind_a_bad_network_lose_and_double_nothing(tmp_path: Path) -> None:
    """9 kills while bytes are swallowed, late, cut off, trickling or doubled: what was lost by being away too
    long is listed, all else is in the book once and right."""
    outcome = await kill_again_and_again(tmp_path, kills=9, seed=3, cycles_per_s=1.0, network_seed=7)
    holds(outcome)
    assert {"drop", "delay", "cut", "trickle", "duplicate"} <= set(outcome.faults)
    assert all(outcome.balance.stored[name] > 10 for name in REMEMBERING)
