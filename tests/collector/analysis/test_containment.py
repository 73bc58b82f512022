"""Containment: which cycles are suspect."""

import numpy as np
import pytest

from collector.analysis.baseline import Baseline, phase_one
from collector.analysis.change_point import ChangePoint, NoChange
from collector.analysis.chart_design import Design
from collector.analysis.charts import chart
from collector.analysis.containment import contain
from collector.analysis.run_rules import Floats

CHARTS = Design(("beyond_limits",), moving_range=False)


def slowing(true: int = 400, count: int = 600, seed: int = 1) -> Floats:
    """A punch velocity that falls by two sigmas from `true` on."""
    velocity_m_s = np.random.default_rng(seed).normal(2.4, 0.05, count)
    velocity_m_s[true:] -= 0.1
    return velocity_m_s


def noticed(values: Floats, after: int) -> int:
    """Where the charts give the shift away."""
    baseline = phase_one(values[:100])
    assert isinstance(baseline, Baseline)
    signalled = chart(values, baseline, CHARTS).signalled()
    return int(signalled[signalled >= after][0])


def test_from_the_earliest_plausible_start_to_the_detection() -> None:
    values = slowing()
    detected = noticed(values, 408)
    found = contain(values, detected)
    assert isinstance(found.change, ChangePoint)
    assert 350 <= found.first <= 400
    assert found.sure_from is not None
    assert found.first <= found.sure_from <= found.end == detected + 1
    assert found.places.tolist() == list(range(found.first, detected + 1))
    assert (found.count, found.corrected) == (found.places.size, False)
    assert str(found.first) in found.reason


def test_a_single_value_far_out_leaves_many_suspects() -> None:
    """One cycle after the shift says little of where it began; the list says so by being long."""
    found = contain(slowing(), 400)
    assert found.first < 350
    assert isinstance(found.change, ChangePoint)
    assert found.change.place == 400


def test_or_to_the_service_that_put_it_right() -> None:
    found = contain(slowing(), 412, corrected=550)
    assert (found.end, found.corrected) == (550, True)
    assert 395 <= found.first <= 400


def test_nothing_before_the_last_restart_is_suspect() -> None:
    """A shift at 200 was put right by a service at 300."""
    values = slowing()
    values[200:300] -= 0.2
    found = contain(values, 420, restarts=[300, 500])
    assert 380 <= found.first <= 400


def test_where_the_start_can_t_be_told_everything_since_the_restart_is_suspect() -> None:
    found = contain(slowing(), 305, restarts=[100, 300])
    assert isinstance(found.change, NoChange)
    assert (found.first, found.sure_from, found.end) == (300, None, 306)
    assert "can't be told" in found.reason


def test_cycles_without_the_value_are_suspect_like_their_neighbours() -> None:
    """Nobody knows on which side of the shift they lie."""
    values = slowing()
    whole = contain(values, 430)
    values[whole.first - 4 : whole.first] = np.nan
    sparse = contain(values, 430)
    assert isinstance(sparse.change, ChangePoint)
    earliest = sparse.change.earliest
    assert sparse.first <= earliest
    assert np.isnan(values[sparse.first : earliest]).all()
    assert sparse.first == 0 or np.isfinite(values[sparse.first - 1])


def test_the_true_start_is_seldom_left_out() -> None:
    """Chart, detection, change point, list: at least 95 of 100 less 4 standard errors."""
    worlds = [slowing(seed=seed) for seed in range(60)]
    kept = sum(contain(values, noticed(values, 400)).first <= 400 for values in worlds)
    assert kept / 60 >= 0.95 - 4 * (0.95 * 0.05 / 60) ** 0.5


@pytest.mark.parametrize(("detected", "corrected"), [(-1, None), (600, None), (10, 10), (10, 601)])
def test_places_in_the_wrong_order_are_refused(detected: int, corrected: int | None) -> None:
    with pytest.raises(ValueError, match=r"outside|after"):
        contain(slowing(), detected, corrected=corrected)


def test_one_row_of_values_is_asked_for() -> None:
    with pytest.raises(ValueError, match="outside"):
        contain(np.zeros((3, 3)), 1)
