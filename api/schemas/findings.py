"""What the analysis noticed, and what may lie behind a change."""

from datetime import datetime
from typing import Any, Literal

from pydantic import ConfigDict

from api.schemas.common import Answer, Cautions, Number64, Page, Tool, Unknown
from collector.analysis.causes import Cause
from collector.analysis.noticed import Kind

FINDING: dict[str, Any] = {
    "commit_number": "184201",
    "kind": "punch_slowing",
    "state": "open",
    "tool": {"maker": "Sample Works", "model": "C-4", "serial": "2042"},
    "controller": "A-02",
    "measure": "punch_velocity_m_s",
    "says": "punch velocity went from 2.05 to 1.94 m/s (-5.4 %); likely cause: punch wear or lubrication",
    "evidence": {"center": 2.05, "newest_median": 1.94, "first_cycle": "A-02.2.7311"},
    "began_at": "2026-10-26T09:14:02Z",
    "noticed_at": "2026-10-26T09:21:30Z",
    "ended_at": None,
    "ended_because": None,
    "ended_commit_number": None,
    "acknowledgements": [
        {
            "acknowledged_by": "Engineer 3",
            "acknowledged_at": "2026-10-26T10:02:11Z",
            "remark": "punch ordered",
        }
    ],
    "unknown": {},
}


class OpenFinding(Answer):
    """In short; all of it, and who has acknowledged it, is at /v1/findings/{commit_number}."""

    commit_number: Number64
    kind: Kind
    measure: str
    """A measure with its unit, or a fault code; empty where it is of neither."""
    says: str
    began_at: datetime
    noticed_at: datetime


class Acknowledgement(Answer):
    """Somebody has seen it. That changes nothing about what it is of."""

    acknowledged_by: str
    acknowledged_at: datetime
    remark: str


class Finding(Answer):
    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [FINDING]})

    commit_number: Number64
    """Its name."""
    kind: Kind
    state: Literal["open", "ended"]
    tool: Tool
    controller: str | None
    """Null: it is of the tool, wherever that sits."""
    measure: str
    """A measure with its unit, or a fault code; empty where it is of neither."""
    says: str
    evidence: dict[str, Any]
    """Numbers with their units in the names, and the cycles that they come from."""
    began_at: datetime
    """As far as the cycles tell: see `not_before` and `not_after` of the evidence."""
    noticed_at: datetime
    ended_at: datetime | None
    """Null: it holds as far as the newest cycles tell."""
    ended_because: str | None
    ended_commit_number: Number64 | None
    acknowledgements: list[Acknowledgement] | None
    """Oldest first; null while the desk can't be read."""
    unknown: Unknown


class FindingPage(Page[Finding]):
    cautions: Cautions


class ShownFinding(Finding):
    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [FINDING | {"cautions": []}]})

    cautions: Cautions


# ---- causes ------------------------------------------------------------------------------------------------


class Side(Answer):
    """Cycles that are compared, of whatever result; what was made by hand or cut short gives no measures."""

    cycles: int
    first_cycle: str | None
    last_cycle: str | None
    begins_at: datetime | None
    """The end of the first."""
    ends_at: datetime | None


class LikelyCause(Answer):
    cause: Cause
    strength: float
    """The change in units of the least that matters."""
    low: float | None
    high: float | None
    """Interval of the strength; null where it has no end."""
    evidence: list[str]


class Effect(Answer):
    measure: str
    unit: str
    """`share`: of the cycles."""
    before: float
    after: float
    """Medians, or shares."""
    change: float
    """Share of the level before; with shares the difference."""
    low: float | None
    high: float | None
    """Interval of the change; null where it has no end."""
    values_before: int
    values_after: int
    says: str


class Causes(Answer):
    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [
                {
                    "tool": FINDING["tool"],
                    "split_at": "2026-10-26T09:14:02Z",
                    "split_by": "change of the punch velocity (p = 1e-12)",
                    "before": {
                        "cycles": 300,
                        "first_cycle": "A-02.2.7011",
                        "last_cycle": "A-02.2.7310",
                        "begins_at": "2026-10-26T07:02:10Z",
                        "ends_at": "2026-10-26T09:13:40Z",
                    },
                    "after": {
                        "cycles": 22,
                        "first_cycle": "A-02.2.7311",
                        "last_cycle": "A-02.2.7332",
                        "begins_at": "2026-10-26T09:14:02Z",
                        "ends_at": "2026-10-26T09:21:28Z",
                    },
                    "verdict": "punch wear or lubrication",
                    "why": "punch velocity 2.05 to 1.94 m/s (-5.4 %, interval -5.8 to -5.0 %, …",
                    "causes": [],
                    "effects": [],
                    "unknown": {},
                    "cautions": [],
                }
            ]
        },
    )

    tool: Tool
    split_at: datetime | None
    """Between before and after; null where the windows were given, or nothing splits them."""
    split_by: str
    """What splits them, in words."""
    before: Side | None
    after: Side | None
    verdict: Cause | None
    """Null: it can't be told; `why` says why not."""
    why: str
    causes: list[LikelyCause]
    """Strongest first. What is likely is for qualified people to check."""
    effects: list[Effect]
    """All that could be compared."""
    unknown: Unknown
    cautions: Cautions
