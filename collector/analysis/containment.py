"""Containment: which cycles are suspect once a shift has been detected.

From the earliest plausible start of the shift to the cycle that gave it away, or to the service (or other
correction) that ended it. Cycles without the measure lie among them and are suspect like the others.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from collector.analysis.change_point import ChangePoint, NoChange, change_point
from collector.analysis.run_rules import Floats

DOUBT = 0.5
"""That there is a shift has been noticed already; asked is only where. Weak evidence makes a wide set."""


@dataclass(frozen=True, slots=True)
class Containment:
    """Suspect cycles, as places among the values given: `first` to `end` − 1."""

    first: int
    """The earliest at which the shift may have begun, at the confidence asked for."""
    sure_from: int | None
    """The latest at which it may have begun; None where no shift could be placed."""
    end: int
    """The place after the last suspect cycle."""
    corrected: bool
    """Whether a correction ends them; if not, cycles after the detection go on being made in the shifted
    state."""
    change: ChangePoint | NoChange
    reason: str
    """Why they begin where they begin, in a sentence."""

    @property
    def places(self) -> npt.NDArray[np.intp]:
        """All suspect cycles, ascending."""
        return np.arange(self.first, self.end)

    @property
    def count(self) -> int:
        return self.end - self.first


def contain(
    values: Floats,
    detected: int,
    restarts: Sequence[int] = (),
    corrected: int | None = None,
    confidence: float = 0.95,
) -> Containment:
    """Suspects among (n,) values of one tool and measure in time order; NaN is a cycle without the value.

    `detected`: place of the cycle at which the shift was noticed. `restarts`: first places after each
    service, swap or settings change; nothing before the last of them up to the detection is suspect.
    `corrected`: first place after what put it right. Where the change point can't be told, all cycles
    since that restart are suspect. Raises: ValueError: places that lie outside the values or in the wrong
    order.
    """
    values = np.asarray(values, np.float64)
    if values.ndim != 1 or not 0 <= detected < values.size:
        raise ValueError(f"the detection at place {detected} lies outside the values")
    if corrected is not None and not detected < corrected <= values.size:
        raise ValueError(
            f"the correction at place {corrected} does not come after the detection at {detected}"
        )
    begin = max((place for place in restarts if 0 <= place <= detected), default=0)
    end = detected + 1 if corrected is None else corrected
    change = change_point(values[begin:end], confidence, DOUBT)
    if isinstance(change, NoChange):
        reason = f"the start can't be told ({change.reason}): all cycles since the last restart are suspect"
        return Containment(begin, None, end, corrected is not None, change, reason)
    with_value = np.flatnonzero(np.isfinite(values[begin : begin + change.earliest]))
    first = begin + (int(with_value[-1]) + 1 if with_value.size else 0)
    reason = (
        f"a {change.kind} shift (p = {change.p_value:.2g}) began at place {begin + change.place}, "
        f"not before {first} at {confidence:.0%} confidence"
    )
    return Containment(first, begin + change.latest, end, corrected is not None, change, reason)
