"""Tolerance bands that were learnt already: learning from 200 curves takes some 100 ms, looking one up none.

The key names the very curves, and a curve never changes, so nothing here can be out of date.
"""

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable

from collector.analysis.tolerance import ToleranceBand

MOST_KEPT = 100
Outcome = ToleranceBand | str
"""The band, or in words why there is none."""


class LearntBands:
    """The bands asked for last; used from any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: OrderedDict[Hashable, Outcome] = OrderedDict()

    def get(self, key: Hashable, learn: Callable[[], Outcome]) -> Outcome:
        """What is kept under the key, or what `learn` gives. Two that ask at once may both learn."""
        with self._lock:
            kept = self._kept.get(key)
            if kept is not None:
                self._kept.move_to_end(key)
                return kept
        outcome = learn()
        with self._lock:
            self._kept[key] = outcome
            while len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)
        return outcome
