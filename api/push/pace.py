"""How long to wait before what is sent again, and when to give up. Pure, but for the dice handed in."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta

AGAIN_AFTER = tuple(timedelta(seconds=s) for s in (5, 60, 300, 900, 3600))
"""What was put aside is sent again after these, then every hour."""


@dataclass(frozen=True, slots=True)
class Pace:
    look_every_s: float = 0.5
    """How often the book is asked for news."""
    first_pause_s: float = 1.0
    longest_pause_s: float = 300.0
    """Between two attempts while a receiver is away; doubled from the first to the longest."""
    hold_s: float = 900.0
    """So long an event that can't be told holds up what follows; then it is put aside."""
    again_after: tuple[timedelta, ...] = AGAIN_AFTER

    def pause_s(self, failures: int, dice: Callable[[], float], asked_s: float | None = None) -> float:
        """After so many failures in a row; never less than the receiver asked for, but for the longest.

        Args: dice: gives a number from 0 to 1: receivers must not come in step.
        """
        doubled_s = min(self.first_pause_s * 2.0 ** min(failures - 1, 30), self.longest_pause_s)
        pause_s: float = doubled_s * (0.75 + 0.5 * dice())
        return pause_s if asked_s is None else max(pause_s, min(asked_s, self.longest_pause_s))

    def again_in(self, attempts: int, dice: Callable[[], float]) -> timedelta:
        """After so many attempts at what was put aside."""
        wait = self.again_after[min(attempts, len(self.again_after)) - 1]
        return wait * (0.75 + 0.5 * dice())
