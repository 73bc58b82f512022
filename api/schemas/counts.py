"""Counts of any interval."""

from datetime import date, datetime

from pydantic import ConfigDict, Field

from api.schemas.common import Answer, LinesPage, Tool
from collector.model import Completion, Mode, Result


class CountRow(Answer):
    """Only the members that `by` names are there, and `cycles`."""

    line: str | None = None
    plant_day: date | None = None
    shift: str | None = None
    begins_at: datetime | None = None
    """Of the shift, plant day or hour, as far as it lies in the interval."""
    ends_at: datetime | None = None
    tool: Tool | None = None
    controller: str | None = None
    band: str | None = None
    """Null where the records name none."""
    mode: Mode | None = None
    result: Result | None = None
    completion: Completion | None = None
    cycles: int


class CountPage(LinesPage[CountRow]):
    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [
                {
                    "from": "2026-10-24T04:20:00Z",
                    "to": "2026-10-25T05:20:00Z",
                    "zone": "Europe/Berlin",
                    "lines": None,
                    "by": ["shift", "result"],
                    "complete": False,
                    "reasons": ["controller L1-07 was read through until 2026-10-25T03:11:08Z only"],
                    "items": [
                        {
                            "line": "line-1",
                            "plant_day": "2026-10-24",
                            "shift": "early",
                            "begins_at": "2026-10-24T04:20:00Z",
                            "ends_at": "2026-10-24T12:42:00Z",
                            "result": "ok",
                            "cycles": 1713,
                        }
                    ],
                    "next": None,
                }
            ]
        },
    )

    since: datetime = Field(alias="from")
    to: datetime
    complete: bool
    """No open gap reaches into the interval, and every controller was read through to its end."""
    reasons: list[str]
    """Why it is not complete."""
    zone: str
    by: list[str]
