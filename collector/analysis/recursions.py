"""The recursions of control charts, over many values: the EWMA, and the upper and lower CUSUM.

Each needs what it was at the value before: a loop, and compiled, since it may go over a million cycles.

Sources: EWMA: Roberts, Technometrics 1 (1959) 239; CUSUM: Page, Biometrika 41 (1954) 100, with the head start
of Lucas & Crosier, Technometrics 24 (1982) 199.
"""

from collections.abc import Callable
from functools import cache

from collector.analysis.run_rules import Floats


def recur(values: Floats, weight: float, allowance: float, before: Floats, lines: Floats) -> Floats:
    """EWMA, upper and lower sum of (..., n) values into `lines`, (3, ..., n).

    `before`, (3, ...), is where they stood; returns where they stand after the last value, (3, ...).

        z_t  = weight·x_t + (1 − weight)·z_{t−1}
        S⁺_t = max(0, S⁺_{t−1} + x_t − allowance)
        S⁻_t = max(0, S⁻_{t−1} − x_t − allowance)
    """
    stand, shape = before.copy(), (-1, values.shape[-1])
    _compiled()(values.reshape(shape), weight, allowance, stand.reshape(3, -1), lines.reshape(3, *shape))
    return stand


def _loop(values: Floats, weight: float, allowance: float, stand: Floats, lines: Floats) -> None:
    for row in range(values.shape[0]):
        ewma, high, low = stand[0, row], stand[1, row], stand[2, row]
        for at in range(values.shape[1]):
            value = values[row, at]
            lines[0, row, at] = ewma = weight * value + (1.0 - weight) * ewma
            lines[1, row, at] = high = max(0.0, high + (value - allowance))
            lines[2, row, at] = low = max(0.0, low - (value + allowance))
        stand[0, row], stand[1, row], stand[2, row] = ewma, high, low


@cache
def _compiled() -> Callable[[Floats, float, float, Floats, Floats], None]:
    """When the first chart is drawn: with the compiler's import it takes the better part of a second."""
    from numba import njit

    compiled: Callable[[Floats, float, float, Floats, Floats], None]
    compiled = njit("void(f8[:, :], f8, f8, f8[:, ::1], f8[:, :, ::1])")(_loop)
    return compiled
