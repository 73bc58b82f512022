"""Two stretches of a tool's cycles, before and after something, as `causes` compares them.

A cycle that was made by hand or cut short measures nothing, but its fault code counts.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from collector.analysis.causes import Window
from collector.analysis.tension import Wheel, tension_n

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

OF_WINDOWS = (
    "punch_velocity_m_s",
    "supply_pressure_kpa",
    "punch_pressure_kpa",
    "slope_n_s",
    "peak_tension_n",
    "seating_loss_n",
    "take_up_ms",
    "tension_speed_mm_s",
    "set_torque_nm",
)
"""Measures that a comparison asks for; those that nobody records may be NaN throughout."""
SIDE_CYCLES = 300
"""On either side, where nobody says how many."""


@dataclass(frozen=True, slots=True)
class Cycles:
    """Cycles of one tool in their order of time; all arrays are (n,)."""

    ended_us: NDArray[np.int64]
    """µs since 1970 in UTC."""
    working: Flags
    """Made in automatic mode, and completed."""
    values: Mapping[str, Floats]
    """Measure -> its values; NaN where a cycle has none."""
    band: Sequence[str | None]
    fault_code: Sequence[str | None]
    ids: Sequence[str]
    """Such as L1-03.1.4711."""

    def __len__(self) -> int:
        return self.ended_us.size


def window(cycles: Cycles, part: slice, wheel: Wheel | None) -> Window:
    """One side of a comparison. `wheel`: of the tool; None: nobody has said, so the set torque stands for no
    tension."""
    values = {name: np.where(cycles.working, cycles.values[name], np.nan)[part] for name in OF_WINDOWS}
    torque_nm = values.pop("set_torque_nm")
    if wheel is not None:
        values["set_tension_n"] = tension_n(np.where(torque_nm < 0, np.nan, torque_nm), wheel)
    return Window(**values, fault_codes=cycles.fault_code[part])
