"""Run rules, held against their definitions read out value by value."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.analysis.run_rules import Rule, in_a_row, signals

BY_DEFINITION = {
    "beyond_limits": (1, lambda w: abs(w[-1]) > 3),
    "two_of_three_beyond_2_sigma": (1, lambda w: _of(w[-3:], 2, 2)),
    "four_of_five_beyond_1_sigma": (1, lambda w: _of(w[-5:], 4, 1)),
    "eight_on_one_side": (8, lambda w: min(w[-8:]) > 0 or max(w[-8:]) < 0),
    "nine_on_one_side": (9, lambda w: min(w[-9:]) > 0 or max(w[-9:]) < 0),
    "six_rising_or_falling": (6, lambda w: _rises(w[-6:]) or _rises([-v for v in w[-6:]])),
    "fourteen_alternating": (14, lambda w: _alternates(w[-14:])),
    "fifteen_within_1_sigma": (15, lambda w: max(abs(v) for v in w[-15:]) < 1),
    "eight_outside_1_sigma": (8, lambda w: min(abs(v) for v in w[-8:]) > 1),
}


def _of(window: list[float], needed: int, sigmas: float) -> bool:
    """So many on one side beyond so many sigmas, the last among them."""
    return any(
        side * window[-1] > sigmas and sum(side * v > sigmas for v in window) >= needed for side in (1, -1)
    )


def _rises(window: list[float]) -> bool:
    return all(b > a for a, b in pairwise(window))


def _alternates(window: list[float]) -> bool:
    steps = [b - a for a, b in pairwise(window)]
    return all(a * b < 0 for a, b in pairwise(steps))


@pytest.mark.parametrize("rule", BY_DEFINITION)
@given(
    st.lists(
        st.sampled_from([-3.5, -3.0, -2.5, -1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5]),
        max_size=60,
    ),
    st.integers(0, 3),
)
def test_a_rule_signals_where_its_definition_says(rule: Rule, z: list[float], way: int) -> None:
    """On values that lie on and about the lines; some rows are bent so that long patterns come up."""
    bent = {
        0: z,
        1: sorted(z),
        2: [abs(v) for v in z],
        3: [v / 4 * (-1) ** at for at, v in enumerate(map(abs, z))],
    }
    values = bent[way]
    length, says = BY_DEFINITION[rule]
    expected = [at + 1 >= length and bool(says(values[: at + 1])) for at in range(len(values))]
    assert signals(np.array(values, np.float64), [rule])[rule].tolist() == expected


@pytest.mark.parametrize("length", range(1, 18))
def test_a_run_counts_every_length(length: int) -> None:
    flags = np.array([False, *[True] * 20, False, *[True] * 5])
    runs = [20 * [1], 5 * [1]]
    expected = sum(max(0, len(run) - length + 1) for run in runs)
    assert int(in_a_row(flags, length).sum()) == expected
    assert not in_a_row(flags, length)[:length].any()


def test_a_value_on_the_line_is_not_beyond_it() -> None:
    """Strictly beyond, as in the e-Handbook's count chart, where the value that equals the limit does not
    signal (6.3.3.1: 28 is on the limit, 31 beyond)."""
    z = (np.array([16, 14, 28, 16, 31, 4, 13]) - 16) / 4.0
    assert np.flatnonzero(signals(z, ["beyond_limits"])["beyond_limits"]).tolist() == [4]


@pytest.mark.parametrize("rule", BY_DEFINITION)
def test_rows_are_charted_one_by_one(rule: Rule) -> None:
    rows = np.random.default_rng(1).normal(0.5, 1.5, (5, 200))
    one_by_one = [signals(row, [rule])[rule] for row in rows]
    assert np.array_equal(signals(rows, [rule])[rule], np.array(one_by_one))


def test_rules_asked_for_together_signal_as_each_alone() -> None:
    z = np.random.default_rng(2).normal(0.3, 1.2, 5000)
    together = signals(z, BY_DEFINITION)
    for rule, flags in together.items():
        assert flags.any()
        assert np.array_equal(flags, signals(z, [rule])[rule])


@pytest.mark.parametrize("rule", BY_DEFINITION)
@pytest.mark.parametrize("count", [0, 1, 2])
def test_a_few_values_or_none(rule: Rule, count: int) -> None:
    found = signals(np.zeros(count), [rule])[rule]
    assert found.shape == (count,)
    assert not found.any()
