"""Run rules of a control chart for individuals, by their textbook definitions.

The values are standardised: z = (value − center line) / sigma. Beyond a line means strictly beyond it. A
rule signals at the value that completes its pattern; in every rule that value itself has to take part in
it. The textbook's limits lie at 3 sigmas; a design may set others for `beyond_limits`.

Sources: the first four (`beyond_limits`, `two_of_three_beyond_2_sigma`, `four_of_five_beyond_1_sigma`,
`eight_on_one_side`): Statistical Quality Control Handbook, 1956, p. 25, in the form of Champ & Woodall,
Technometrics 29 (1987) 393; the others: L. S. Nelson, Journal of Quality Technology 16 (1984) 237.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cache, reduce
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


def signals(z: Floats, rules: Iterable[Rule], limit_sigmas: float = 3.0) -> dict[Rule, Flags]:
    """Where each rule signals: (..., n) standardised values, no NaN, in order along the last axis -> (...,
    n)."""
    compared = _Compared(z)
    return {rule: _signals(compared, rule, limit_sigmas) for rule in rules}


class _Compared:
    """Values that are compared with a line, or with their neighbours, once for all rules."""

    def __init__(self, z: Floats) -> None:
        self.above: Callable[[float], Flags] = cache(lambda line: z > line)
        self.below: Callable[[float], Flags] = cache(lambda line: z < line)
        self.rising: Callable[[], Flags] = cache(lambda: _after(z, np.greater, z))
        self.falling: Callable[[], Flags] = cache(lambda: _after(z, np.less, z))


def _after(values: Floats | Flags, holds: np.ufunc, before: Floats | Flags) -> Flags:
    """Whether it holds of each value and what is one place before it, (..., n); never at the first."""
    found = np.zeros(values.shape, bool)
    holds(values[..., 1:], before[..., :-1], out=found[..., 1:])
    return found


def _signals(compared: _Compared, rule: Rule, limit_sigmas: float) -> Flags:
    if rule == "six_rising_or_falling":
        return in_a_row(compared.rising(), 5) | in_a_row(compared.falling(), 5)
    if rule == "fourteen_alternating":
        up, down = compared.rising(), compared.falling()
        turns = _after(up, np.logical_and, down) | _after(down, np.logical_and, up)
        return in_a_row(turns, 12)
    zones = zones_of(rule, limit_sigmas)
    return _any(_completed(_inside(compared, region), zones) for region in zones.regions)


def _any(flags: Iterable[Flags]) -> Flags:
    found: Flags = reduce(np.logical_or, flags)
    return found


def _inside(compared: _Compared, region: Sequence[Interval]) -> Flags:
    return _any(_between(compared, low, high) for low, high in region)


def _between(compared: _Compared, low: float, high: float) -> Flags:
    if high == inf:
        return compared.above(low)
    return compared.below(high) if low == -inf else compared.above(low) & compared.below(high)


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
        longer = np.zeros_like(held)
        np.logical_and(held[..., step:], held[..., :-step], out=longer[..., step:])
        held, reach = longer, reach + step
    return held
