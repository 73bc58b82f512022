"""Receipts: how far those who book statements have come."""

from datetime import datetime

from pydantic import ConfigDict, Field
from pydantic.config import JsonDict

from api.schemas.common import Answer, Lines, Number64, Page, Unknown

RECEIPT: JsonDict = {
    "consumer": "mes",
    "line": None,
    "lines": ["line-1"],
    "told_by": "mes-2027",
    "told_at": "2026-11-26T05:10:04Z",
    "book": "0b64a9f6-3a52-4c0e-9d6f-0f4f3a0f3a52",
    "commit": "184223",
    "behind": 3,
    "behind_since": "2026-11-26T13:01:07Z",
    "unknown": {},
}
BY_CURSOR: JsonDict = {"statement": "WyIwYjY0YTlmNiIsInN0YXRlbWVudHMtc2luY2UiLDE4NDIyM10"}
BY_NAME: JsonDict = {"line": "line-1", "plant_day": "2026-11-25", "shift": "night", "revision": 1}


class Receipt(Answer):
    model_config = ConfigDict(json_schema_extra={"examples": [RECEIPT]})

    consumer: str
    line: str | None = Field(description="It is of this line; null: of all that the token is for.")
    lines: Lines
    told_by: str | None = Field(description="Name of the token; null: it was told without one.")
    told_at: datetime
    book: str = Field(description="Instance of the book that it speaks of.")
    commit: Number64 = Field(description="Statements up to here are booked.")
    behind: int | None = Field(description="Revisions of statements that were closed since, and not booked.")
    behind_since: datetime | None = Field(description="When the oldest of them was closed; null: none is.")
    unknown: Unknown


class ReceiptPage(Page[Receipt]):
    """By consumer and line; `next` is always null."""
