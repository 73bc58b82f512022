"""What truly happened: every cycle that a simulated controller made, as only its maker can know it."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class Made:
    """One cycle."""

    true_id: int
    """Of one world; the record carries it, so a row in the book names the cycle that it is."""
    sequence: int
    """As the controller shows it."""
    ended_at: datetime
    tool: int
    total_count: int
    result: str
    readable: bool
    """False: the controller wrote a value into it that its layout does not allow."""
    raw: bytes
    samples: tuple[int, ...]
    elsewhere: bool
    """Made before the controller came to this place: the book may have it and need not."""


def peak_of(true_id: int) -> int:
    return true_id * 7919 % 60_000


def filler_of(true_id: int, number: int) -> int:
    return true_id * (number + 3) * 31 % 65_536


def log_row_of(true_id: int, names_tool: bool) -> bytes:
    """The row of a log that tells of a cycle."""
    return b"row %d" % true_id + (b"" if names_tool else b", of no tool")


def samples_of(true_id: int, most: int) -> tuple[int, ...]:
    return tuple((true_id * 31 + each * 17) % 50_000 for each in range(most - true_id % max(most // 3, 1)))


def identities() -> Iterator[int]:
    true_id = 0
    while True:
        true_id += 1
        yield true_id
