"""How long to wait after which error. Pure, but for the dice that the caller hands in."""

from collections.abc import Callable

from collector.errors import BadReply, LinkDown, Refused, SourceError

FIRST_S = 1.0
LONGEST_S = 30.0
REFUSED_S = 30.0
"""A controller that says "no" will say it again until a person changes something."""


class Backoff:
    """Doubles from `FIRST_S` to `LONGEST_S`, with jitter: controllers on one switch must not come in step."""

    def __init__(self, dice: Callable[[], float]) -> None:
        """dice: gives a number from 0 to 1."""
        self._dice = dice
        self._failures = 0

    def reset(self) -> None:
        self._failures = 0

    def after(self, error: SourceError) -> float:
        """Seconds to wait before the next connection."""
        self._failures += 1
        if isinstance(error, Refused):
            return REFUSED_S * self._jitter()
        assert isinstance(error, LinkDown | BadReply)
        return min(FIRST_S * 2.0 ** min(self._failures - 1, 10), LONGEST_S) * self._jitter()

    def longest(self) -> float:
        """Seconds to wait after an error of our own making."""
        return LONGEST_S * self._jitter()

    def _jitter(self) -> float:
        return 0.75 + 0.5 * self._dice()
