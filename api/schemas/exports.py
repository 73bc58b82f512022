"""Exports: lists that are too long for one answer, as files."""

from datetime import datetime
from typing import Literal

from pydantic import ConfigDict, Field
from pydantic.config import JsonDict

from api.schemas.common import Answer, Cautions, Lines, Number64, Page, Unknown

NEW_EXPORT: JsonDict = {
    "what": "cycles",
    "from": "2026-11-01T00:00:00Z",
    "to": "2026-12-01T00:00:00Z",
    "format": "parquet",
    "filters": {"controller": "L1-03"},
}
DONE: JsonDict = {
    "id": "k7x2m9q4h3vw",
    **NEW_EXPORT,
    "lines": None,
    "state": "done",
    "says": None,
    "asked_by": "mes-2027",
    "asked_at": "2026-12-01T02:00:00Z",
    "over_at": "2026-12-01T02:03:11Z",
    "kept_until": "2026-12-08T02:03:11Z",
    "book": "0b64a9f6-3a52-4c0e-9d6f-0f4f3a0f3a52",
    "commit": "184230",
    "rows": 1841223,
    "bytes": 201338112,
    "repr_digest": "sha-256=:RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=:",
    "file": "/v1/exports/k7x2m9q4h3vw/file",
    "unknown": {},
    "cautions": ["…"],
}
WAITING: JsonDict = {
    **DONE,
    "state": "waiting",
    **dict.fromkeys(("over_at", "kept_until", "book", "commit", "rows", "bytes", "repr_digest")),
    "unknown": dict.fromkeys(
        ("over_at", "kept_until", "book", "commit", "rows", "bytes", "repr_digest"), "it is not made yet"
    ),
}


class Filters(Answer):
    """As the list has them; those that were not given are not there."""

    controller: str | None = None
    tool: str | None = None
    maker: str | None = None
    model: str | None = None
    result: str | None = None
    completion: str | None = None
    category: str | None = None
    state: str | None = None


class Export(Answer):
    model_config = ConfigDict(json_schema_extra={"examples": [DONE, WAITING]})

    id: str
    what: Literal["cycles", "faults", "gaps"]
    since: datetime = Field(alias="from")
    to: datetime
    format: Literal["csv", "ndjson", "parquet"]
    filters: Filters
    lines: Lines
    state: Literal["waiting", "building", "done", "failed"]
    says: str | None = Field(description="Why it failed.")
    asked_by: str | None = Field(description="Name of the token; null: it was asked for without one.")
    asked_at: datetime
    over_at: datetime | None = Field(description="When it was done, or failed.")
    kept_until: datetime | None = Field(description="Then it is forgotten, and its file deleted.")
    book: str | None = Field(description="Instance of the book that it was made from.")
    commit: Number64 | None = Field(description="The last in the book then: what came later is not here.")
    rows: int | None = Field(description="While it is built: so far.")
    bytes: int | None
    repr_digest: str | None = Field(description="Of the file (RFC 9530).")
    file: str = Field(description="Where the file is, or will be.")
    unknown: Unknown
    cautions: Cautions


class ExportPage(Page[Export]):
    """The newest first; `next` is always null."""
