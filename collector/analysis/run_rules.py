"""Run rules of a control chart for individuals, by their textbook definitions.

The values are standardised: z = (value − center line) / sigma. Beyond a line means strictly beyond it. A
rule signals at the value that completes its pattern; in every rule that value itself has to take part in
it. The textbook's limits lie at 3 sigmas; a design may set others for `beyond_limits`.

Sources: the first four (`beyond_limits`, `two_of_three_beyond_2_sigma`, `four_of_five_beyond_1_sigma`,
`eight_on_one_side`): Statistical Quality Control Handbook, 1956, p. 25, in the form of Champ & Woodall,
Technometrics 29 (1987) 393; the others: L. S. Nelson, Journal of Quality Technology 16 (1984) 237.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf
from typing import Literal

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

Rule = Literal[
    "beyond_limits",
    "two_of_three_beyond_2_sigma",
    "four_of_five_beyond_1_sigma",
    "eight_on_one_side",
    "nine_on_one_side",
    "six_rising_or_falling",
    "fourteen_alternating",
    "fifteen_within_1_sigma",
    "eight_outside_1_sigma",
]

Interval = tuple[float, float]
"""Open, in sigmas."""


@dataclass(frozen=True, slots=True)
class Zones:
    """`needed` of the last `window` values lie in one of the regions; a region is a union of intervals."""

    needed: int
    window: int
    regions: tuple[tuple[Interval, ...], ...]


def _one_side(needed: int, window: int, sigmas: float) -> Zones:
    return Zones(needed, window, (((sigmas, inf),), ((-inf, -sigmas),)))


ZONES: dict[Rule, Zones] = {
    "beyond_limits": _one_side(1, 1, 3),
    "two_of_three_beyond_2_sigma": _one_side(2, 3, 2),
    "four_of_five_beyond_1_sigma": _one_side(4, 5, 1),
    "eight_on_one_side": _one_side(8, 8, 0),
    "nine_on_one_side": _one_side(9, 9, 0),
    "fifteen_within_1_sigma": Zones(15, 15, (((-1, 1),),)),
    "eight_outside_1_sigma": Zones(8, 8, (((1, inf), (-inf, -1)),)),
}
"""The rules that ask only in which zones values lie; the other two compare neighbours."""


def zones_of(rule: Rule, limit_sigmas: float = 3.0) -> Zones:
    """Raises: KeyError: the rule compares neighbours."""
    return _one_side(1, 1, limit_sigmas) if rule == "beyond_limits" else ZONES[rule]


def signals(z: Floats, rule: Rule, limit_sigmas: float = 3.0) -> Flags:
    """Where a rule signals: (..., n) standardised values, no NaN, in order along the last axis -> (...,
    n)."""
    if rule == "six_rising_or_falling":
        return _trend(z, 6)
    if rule == "fourteen_alternating":
        return _alternation(z, 14)
    zones = zones_of(rule, limit_sigmas)
    first, *rest = (_completed(_inside(z, region), zones) for region in zones.regions)
    for flags in rest:
        first |= flags
    return first


def _inside(z: Floats, region: Sequence[Interval]) -> Flags:
    first, *rest = (_between(z, low, high) for low, high in region)
    for flags in rest:
        first |= flags
    return first


def _between(z: Floats, low: float, high: float) -> Flags:
    if high == inf:
        return z > low
    return z < high if low == -inf else (z > low) & (z < high)


def _completed(inside: Flags, zones: Zones) -> Flags:
    if zones.needed == zones.window:
        return in_a_row(inside, zones.window)
    ones = inside.view(np.uint8)
    among = ones.copy()
    for back in range(1, zones.window):
        among[..., back:] += ones[..., :-back]
    return inside & (among >= zones.needed)


def in_a_row(flags: Flags, length: int) -> Flags:
    """Where `flags`, (..., n), has been true `length` times in a row; by doubling, in log₂(length)
    passes."""
    held, reach = flags, 1
    while reach < length:
        step = min(reach, length - reach)
        longer = held.copy()
        longer[..., :step] = False
        longer[..., step:] &= held[..., :-step]
        held, reach = longer, reach + step
    return held


def _trend(z: Floats, points: int) -> Flags:
    flags = np.zeros(z.shape, bool)
    for rising in (z[..., 1:] > z[..., :-1], z[..., 1:] < z[..., :-1]):
        flags[..., 1:] |= in_a_row(rising, points - 1)
    return flags


def _alternation(z: Floats, points: int) -> Flags:
    up, down = z[..., 1:] > z[..., :-1], z[..., 1:] < z[..., :-1]
    turns = (up[..., 1:] & down[..., :-1]) | (down[..., 1:] & up[..., :-1])
    flags = np.zeros(z.shape, bool)
    flags[..., 2:] = in_a_row(turns, points - 2)
    return flags
