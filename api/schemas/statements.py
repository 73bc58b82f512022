"""Statements: the closed results of shifts. A reader must pass over members that it does not know."""

from datetime import date, datetime
from typing import Any, Literal

from pydantic import ConfigDict, Field

from api.schemas.common import Answer, FormerBook, LinesPage, Number64, Tool, Unknown
from collector.model import Completion, GapReason, Mode, Result

HASH = r"^[0-9a-f]{64}$"

EXAMPLE: dict[str, Any] = {
    "line": "line-1",
    "plant_day": "2026-10-24",
    "shift": "night",
    "outside": False,
    "begins_at": "2026-10-24T20:10:00Z",
    "ends_at": "2026-10-25T05:20:00Z",
    "hours": 9.166666666666666,
    "zone": "Europe/Berlin",
    "plan_version": 3,
    "state": "closed",
    "revision": 2,
    "closed_at": "2026-10-25T07:01:07Z",
    "basis": "read_through",
    "complete": True,
    "reasons": [],
    "not_read_through": [],
    "controllers": ["L1-07"],
    "book": "b7c1f0a2-5d3e-4c8b-9a01-6e2f4d7c8b90",
    "commit": "184223",
    "as_of": "184221",
    "rows": [
        {
            "tool": {"maker": "Sample Works", "model": "C-1", "serial": "M-2041"},
            "controller": "L1-07",
            "band": "B15-048",
            "mode": "automatic",
            "cycles": 1719,
            "by_result": {"ok": 1713, "nok": 6, "undecided": 0, "unknown": 0},
            "by_completion": {"completed": 1717, "aborted": 2, "failed": 0, "unknown": 0},
            "near_boundary": 1,
            "sequences": [{"epoch": 4, "first": "88121", "last": "89839"}],
        }
    ],
    "reconciliation": [
        {
            "controller": "L1-07",
            "tool": {"maker": "Sample Works", "model": "C-1", "serial": "M-2041"},
            "begin": {"epoch": 4, "sequence": "88120"},
            "end": {"epoch": 4, "sequence": "89839"},
            "counter_begin": "402118",
            "counter_end": "403837",
            "counter_difference": 1719,
            "cleared": 0,
            "stored": 1719,
            "in_gaps": 0,
            "unexplained": 0,
            "count_changes": [],
            "unknown": {},
        }
    ],
    "gaps": [],
    "changes": [
        {
            "controller": "L1-07",
            "maker": "Sample Works",
            "model": "C-1",
            "tool": "M-2041",
            "band": "B15-048",
            "mode": "automatic",
            "field": "ok",
            "from": 1712,
            "to": 1713,
            "cause": "gap filled: log file L1-07.csv",
        }
    ],
    "previous_hash": "5feceb66ffc86f38d952786c6d696c79c2dbc239dd4e91b46729d73a27fb57e9",
    "hash": "6b86b273ff34fce19d6b804eff5a3f5747ada4eaa22f1d49c01e52ddb7875b4b",
}


class Numbers(Answer):
    """Of the cycles of a row, within one epoch."""

    epoch: int
    first: Number64
    last: Number64


class StatementRow(Answer):
    tool: Tool
    controller: str
    band: str | None
    """Null where the records name none."""
    mode: Mode
    cycles: int
    by_result: dict[Result, int]
    by_completion: dict[Completion, int]
    near_boundary: int
    """Of these cycles, those that may have ended outside of the shift, by the uncertainty of their times."""
    sequences: list[Numbers]


class Place(Answer):
    epoch: int
    sequence: Number64


class StatedCountChange(Answer):
    kind: Literal["cleared", "entered", "unexplained", "lost"]
    epoch: int
    sequence: Number64
    expected: Number64 | None
    found: Number64 | None
    noticed_at: datetime


class StatedEquation(Answer):
    """counter_difference + cleared = stored + in_gaps + unexplained, from one mount to the next; modulo the
    counter's width."""

    controller: str
    tool: Tool | None
    begin: Place
    """The equation is of the cycles after this one, up to that at the end."""
    end: Place
    counter_begin: Number64 | None
    counter_end: Number64 | None
    counter_difference: int | None
    cleared: int | None
    stored: int | None
    in_gaps: int | None
    unexplained: int | None
    count_changes: list[StatedCountChange]
    unknown: Unknown


class StatedGap(Answer):
    """An open gap that may reach into the shift: of its cycles, some may be of another."""

    commit: Number64
    controller: str
    epoch: int
    first_sequence: Number64
    last_sequence: Number64 | None
    cycles: int | None
    """Null where nobody can say."""
    reason: GapReason
    after_at: datetime | None
    before_at: datetime | None


class Change(Answer):
    """What this revision says otherwise than the one before. Without `tool`: of a controller's equation;
    without `controller`: of the statement."""

    controller: str | None = None
    tool: str | None = None
    maker: str | None = None
    model: str | None = None
    band: str | None = None
    mode: Mode | None = None
    field: str
    was: int | bool | None = Field(alias="from")
    to: int | bool | None
    cause: str


class Statement(Answer):
    """Kept by (line, plant_day, shift): of two revisions the higher replaces the lower; they are never added.

    `hash` is the SHA-256 of the canonical JSON (RFC 8785) of all other members.
    """

    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [EXAMPLE]})

    line: str
    plant_day: date
    shift: str
    outside: bool
    """In no shift."""
    begins_at: datetime
    ends_at: datetime
    hours: float
    zone: str
    plan_version: int
    state: Literal["closed"]
    """It does not change; whatever comes later makes another revision."""
    revision: int = Field(ge=1)
    closed_at: datetime
    basis: Literal["read_through", "grace"]
    complete: bool
    """Every controller was read through, and no open gap reaches in."""
    reasons: list[str]
    not_read_through: list[str]
    controllers: list[str]
    book: str
    commit: Number64
    as_of: Number64
    """The last commit of the book that it takes into account."""
    rows: list[StatementRow]
    reconciliation: list[StatedEquation]
    gaps: list[StatedGap]
    changes: list[Change]
    previous_hash: str | None = Field(pattern=HASH)
    """Of the statement that was written before this one, of whatever line."""
    hash: str = Field(pattern=HASH)


class StatementPage(LinesPage[Statement]):
    """With `after`, `next` is always there: to be kept, and asked with the next time."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [
                {
                    "lines": ["line-1"],
                    "closed": True,
                    "complete": True,
                    "reasons": [],
                    "items": [EXAMPLE],
                    "next": None,
                }
            ]
        },
    )

    closed: bool
    """No shift that was asked for is without a statement."""
    complete: bool
    """It is closed, and every statement here is complete."""
    reasons: list[str]


class StatementRevision(Answer):
    revision: int
    closed_at: datetime
    complete: bool
    commit: Number64
    hash: str
    address: str


# ---- how far they have come --------------------------------------------------------------------------------

STATUS_EXAMPLE: dict[str, Any] = {
    "book": EXAMPLE["book"],
    "book_since": "2026-10-20T05:12:44Z",
    "former_books": [
        {
            "book": "1d2e9a74-0c57-4f0e-8f6c-3b1d5a7e2c41",
            "since": "2026-02-02T09:00:00Z",
            "until": "2026-10-20T05:12:44Z",
            "last_commit": "171004",
            "because": "it stands at commit 171004 and was at 180377 already",
        }
    ],
    "commit": "184230",
    "now": "2026-10-25T07:02:00Z",
    "lines": None,
    "clock_offset_s": 1,
    "unknown": {},
    "items": [
        {
            "line": "line-1",
            "newest_closed": {
                **{name: EXAMPLE[name] for name in ("plant_day", "shift", "begins_at", "ends_at")},
                **{name: EXAMPLE[name] for name in ("revision", "complete", "closed_at", "commit")},
                "address": "/v1/statements/line-1/2026-10-24/night/revisions/2",
            },
            "oldest_not_closed": {
                "plant_day": "2026-10-25",
                "shift": "early",
                "outside": False,
                "begins_at": "2026-10-25T05:20:00Z",
                "ends_at": "2026-10-25T13:42:00Z",
                "hours": 8.366666666666667,
                "state": "open",
            },
            "waits_for": [],
            "says": "line-1, 2026-10-25, early: it is not over",
            "unknown": {},
        }
    ],
    "next": None,
}


class ClosedShift(Answer):
    plant_day: date
    shift: str
    begins_at: datetime
    ends_at: datetime
    revision: int
    complete: bool
    closed_at: datetime
    commit: Number64
    address: str


class ShiftNotClosed(Answer):
    plant_day: date
    shift: str
    outside: bool
    begins_at: datetime
    ends_at: datetime
    hours: float
    state: Literal["ahead", "open", "closing"]


class LineStatus(Answer):
    line: str
    newest_closed: ClosedShift | None
    oldest_not_closed: ShiftNotClosed
    waits_for: list[str]
    """Controllers that were not read through to the end of a shift that is over."""
    says: str
    """Why the oldest is not closed."""
    unknown: Unknown


class StatementStatus(LinesPage[LineStatus]):
    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [STATUS_EXAMPLE]})

    book: str
    """Its instance: another one after a backup was restored."""
    book_since: datetime
    """When it became this instance."""
    former_books: list[FormerBook]
    """What instances it was before, the oldest first."""
    commit: Number64
    """The last in the book, of whatever."""
    now: datetime
    """By the clock here."""
    clock_offset_s: int | None
    """The asker's clock, by its header `Date`, minus the clock here, and what the request took on its way."""
    unknown: Unknown
