"""What people set at controllers, and what of it may lie behind a drift."""

from datetime import datetime
from typing import Annotated, Literal

from pydantic import ConfigDict, Field
from pydantic.config import JsonDict

from api.schemas.common import Answer, Cautions, Number64, Page, Tool, Unknown
from collector.analysis.setup import Measure

Value = int | float | str | bool

CHANGE: JsonDict = {
    "commit_number": "48211",
    "controller": "L1-01",
    "setting": "set_torque_nm",
    "before": 9.4,
    "after": 10.2,
    "not_before": "2026-11-24T09:12:03.412Z",
    "noticed_at": "2026-11-24T09:12:04.415Z",
    "epoch": 1,
    "sequence": "65502",
    "unknown": {},
}
RANKED: JsonDict = CHANGE | {
    "before_drift_s": 40.6,
    "certain": True,
    "explains": "explains it",
    "expected_ratio": 1.085,
}
TOOL: JsonDict = {"maker": "Sample Works", "model": "C-4", "serial": "40117"}
SWAP: JsonDict = {
    "at": "2026-11-24T06:02:11Z",
    "what": "swap",
    "tool": TOOL,
    "controller": "L1-01",
    "says": "tool 40117 was mounted on L1-01",
    "before_drift_s": 11434.0,
}
BEFORE: JsonDict = {
    "tool": TOOL,
    "controller": None,
    "at": "2026-11-24T09:12:45Z",
    "not_before": "2026-11-24T09:11:50Z",
    "looked_back_to": "2026-11-17T09:11:50Z",
    "measure": "peak_tension_n",
    "ratio": 1.08,
    "items": [RANKED],
    "happenings": [SWAP],
    "next": None,
    "unknown": {},
    "cautions": [],
}


class SettingChange(Answer):
    """Somebody set a value, between `not_before` and `noticed_at`. A setting has its unit in its name."""

    model_config = ConfigDict(json_schema_extra={"examples": [CHANGE]})

    commit_number: Number64
    controller: str
    setting: str
    before: Value
    after: Value
    not_before: datetime
    """The last time that the old value was seen."""
    noticed_at: datetime
    """The first time that the new one was."""
    epoch: int | None
    """How far the book was with the controller's cycles then: about there in their order."""
    sequence: Number64 | None
    """Unwrapped."""
    unknown: Unknown


class SettingChangePage(Page[SettingChange]):
    cautions: Cautions


class RankedChange(SettingChange):
    """A change ahead of a drift, with how well it would explain it."""

    model_config = ConfigDict(json_schema_extra={"examples": [RANKED]})

    before_drift_s: float
    """From `noticed_at` to the drift; negative where the new value was seen later."""
    certain: bool
    """It lies before the drift for certain; else the two may have come in either order."""
    explains: Annotated[
        Literal["explains it", "touches it", "no known link"],
        Field(
            description="`explains it`: it makes a change of about the ratio that was given; `touches it`: "
            "it moves the measure, but not by as much, or no ratio was given."
        ),
    ]
    expected_ratio: float | None
    """After / before of the measure, by the change alone."""


class Happening(Answer):
    """A service or a swap."""

    at: datetime
    what: Literal["service", "swap"]
    tool: Tool
    controller: str | None
    """Null: of a service, which is the tool's, wherever it was done."""
    says: str
    before_drift_s: float


class ChangesBefore(Page[RankedChange]):
    """`next` is always null."""

    model_config = ConfigDict(json_schema_extra={"examples": [BEFORE]})

    tool: Tool | None
    """Null: asked for a controller."""
    controller: str | None
    """Null: asked for a tool."""
    at: datetime
    not_before: datetime
    """The drift began from here to `at`."""
    looked_back_to: datetime
    measure: Measure | None
    ratio: float | None
    happenings: list[Happening]
    """Services and swaps in the same time, newest first."""
    unknown: Unknown
    cautions: Cautions
