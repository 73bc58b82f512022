"""The plan: which shifts a line works, and when."""

from datetime import date, datetime
from typing import Literal

from pydantic import ConfigDict

from api.schemas.common import Answer, LinesPage

ShiftState = Literal["ahead", "open", "closing", "closed", "unknown"]


class ShiftOccurrence(Answer):
    """One shift of one plant day, or a stretch of the day that is in no shift; half-open."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [
                {
                    "line": "line-1",
                    "plant_day": "2026-10-24",
                    "shift": "night",
                    "outside": False,
                    "begins_at": "2026-10-24T20:10:00Z",
                    "ends_at": "2026-10-25T05:20:00Z",
                    "hours": 9.166666666666666,
                    "zone": "Europe/Berlin",
                    "plan_version": 1,
                    "state": "closed",
                    "says": None,
                }
            ]
        },
    )

    line: str
    plant_day: date
    """Local date on which the day's first shift begins."""
    shift: str
    outside: bool
    """In no shift: between two, after the last, or the whole of a day that is not worked."""
    begins_at: datetime
    ends_at: datetime
    hours: float
    """An hour more or less where the clocks change."""
    zone: str
    plan_version: int
    """Of the line's plan: counts up with each `valid_from`; 0: nobody has said when the line works."""
    state: ShiftState
    """`ahead`: it has not begun. `open`: it is on. `closing`: it is over, and has no statement yet.
    `unknown`: the book began after it, so it never has one."""
    says: str | None
    """Why it is `unknown`, if it is."""


class ShiftPage(LinesPage[ShiftOccurrence]):
    """In order of plant day, line and time; whole occurrences, also those that only reach in."""
