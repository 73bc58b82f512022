"""The change point: found, placed, told apart, and not found where there is none."""

import numpy as np
import pytest

from collector.analysis.change_point import ChangePoint, NoChange, change_point
from collector.analysis.run_rules import Floats
from tests.benchmarks.change_point import WORLDS, World, score, seconds


def changed(values: Floats, confidence: float = 0.95) -> ChangePoint:
    found = change_point(values, confidence)
    assert isinstance(found, ChangePoint), found
    return found


@pytest.mark.parametrize(
    ("world", "kind"),
    [
        (World(step=2.0), "mean"),
        (World(step=-2.0), "mean"),
        (World(spread=2.5), "spread"),
        (World(spread=0.3), "spread"),
        (World(step=2.0, spread=3.0), "mean and spread"),
        (World(slope=0.05), "drift"),
    ],
    ids=["up", "down", "wider", "narrower", "both", "drift"],
)
def test_the_kind_of_change_is_told(world: World, kind: str) -> None:
    found = changed(world.draw(np.random.default_rng(3)))
    assert found.kind == kind
    assert found.earliest <= found.place <= found.latest
    assert found.earliest - 5 <= world.true <= found.latest + 5
    assert found.p_value < 1e-6


def test_levels_and_spreads_are_told_in_the_unit_of_the_values() -> None:
    found = changed(1000 + 50 * World(step=3.0, spread=2.0).draw(np.random.default_rng(1)))
    assert (found.mean_before, found.mean_after) == pytest.approx((1000, 1150), abs=20)
    assert (found.sigma_before, found.sigma_after) == pytest.approx((50, 100), rel=0.2)


def test_a_drift_ends_at_the_level_of_its_last_value() -> None:
    found = changed(World(slope=0.1).draw(np.random.default_rng(1)))
    assert (found.mean_before, found.mean_after) == pytest.approx((0.0, 10.0), abs=0.6)


@pytest.mark.parametrize("unit", [1e-12, 1.0, 1e12])
@pytest.mark.parametrize("origin", [0.0, 1e4, -1e4])
def test_unit_and_origin_change_nothing(unit: float, origin: float) -> None:
    values = World(step=1.5).draw(np.random.default_rng(2))
    here, there = changed(values), changed((values + origin) * unit)
    assert (here.kind, here.place) == (there.kind, there.place)
    assert np.array_equal(here.set_places, there.set_places)


@pytest.mark.parametrize("step", [2.0, 4.0])
def test_read_backwards_a_step_is_at_the_same_place(step: float) -> None:
    values = World(step=step).draw(np.random.default_rng(4))
    there, back = changed(values), changed(values[::-1])
    assert back.place == values.size - there.place
    assert np.array_equal(np.sort(values.size - back.set_places), there.set_places)


def test_a_higher_confidence_takes_in_more() -> None:
    values = World(step=1.0).draw(np.random.default_rng(5))
    sets = [set(changed(values, confidence).set_places.tolist()) for confidence in (0.5, 0.9, 0.99)]
    assert sets[0] < sets[1] < sets[2]


def test_cycles_without_the_value_count_as_places() -> None:
    values = World(step=4.0).draw(np.random.default_rng(6))
    sparse = np.full(3 * values.size, np.nan)
    sparse[::3] = values
    assert changed(sparse).place == 3 * changed(values).place
    assert all(np.isfinite(sparse[place]) for place in changed(sparse).set_places)


def test_one_last_value_far_out_is_a_change() -> None:
    """What an individuals chart signals at once: the set holds the value itself."""
    values = np.append(World(count=100).draw(np.random.default_rng(1)), 12.0)
    assert changed(values).place == 100


def test_a_sensor_that_sticks_is_a_change_of_spread() -> None:
    values = World().draw(np.random.default_rng(7))
    values[180:] = values[180]
    found = changed(values)
    assert "spread" in found.kind
    assert abs(found.place - 180) <= 1
    assert found.sigma_after == 0


def test_coarse_values_don_t_make_false_spreads() -> None:
    """Values in whole steps, with long stretches of equal ones."""
    rng = np.random.default_rng(8)
    found = [change_point(np.rint(0.6 * rng.normal(size=200))) for _ in range(60)]
    assert sum(isinstance(each, ChangePoint) for each in found) <= 4


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (np.array([]), "only 0 values"),
        (np.arange(19.0), "only 19 values"),
        (np.full(50, np.nan), "only 0 values"),
        (np.full(50, 4.2), "all values are equal"),
        (World().draw(np.random.default_rng(1)), "stands out from chance"),
    ],
)
def test_where_there_is_none_it_says_why(values: Floats, words: str) -> None:
    found = change_point(values)
    assert isinstance(found, NoChange)
    assert words in found.reason


def test_senseless_questions_are_refused() -> None:
    for confidence, doubt in ((0.0, 0.01), (1.0, 0.01), (0.95, 0.0), (float("nan"), 0.01)):
        with pytest.raises(ValueError, match="between 0 and 1"):
            change_point(np.zeros(50), confidence, doubt)
    with pytest.raises(ValueError, match="one row"):
        change_point(np.zeros((5, 5)))


@pytest.mark.parametrize(
    "name",
    ["step 1", "step 1, skewed", "step 1.5, dependent", "spread 2", "step 1 and spread 2", "drift 0.03"],
)
def test_the_set_holds_the_true_place_as_often_as_it_says(name: str) -> None:
    """A small run of `python -m tests.benchmarks.change_point`; within 4 standard errors below 95 %."""
    found = score(WORLDS[name], runs=80)
    assert found.found > 0.97
    assert found.covered >= 0.95 - 4 * (0.95 * 0.05 / 80) ** 0.5


@pytest.mark.parametrize("name", [name for name in WORLDS if name.startswith("nothing")])
def test_false_changes_are_rare(name: str) -> None:
    """Asked for 1 in 100; no more than 6 in 100 here, whatever the noise."""
    assert score(WORLDS[name], runs=100).found <= 0.06


def test_a_hundred_thousand_values_take_less_than_a_second() -> None:
    assert min(seconds(100_000) for _ in range(3)) < 1.0
