"""Who may ask, and who did."""

from datetime import datetime
from typing import Literal

from pydantic import ConfigDict, Field
from pydantic.config import JsonDict

from api.schemas.common import Answer, Number64, Page, Unknown
from collector.store.tokens import Scope

LISTED_TOKEN: JsonDict = {
    "id": "cb_k7x2m9q4",
    "name": "mes-2027",
    "scopes": ["integrate"],
    "lines": ["line-1"],
    "state": "valid",
    "created_at": "2026-11-26T08:00:00Z",
    "expires_at": "2027-06-30T22:00:00Z",
    "revoked_at": None,
    "last_used_at": "2026-11-27T05:10:00Z",
    "last_used_from": "192.0.2.30",
}
WRITE: JsonDict = {
    "id": "812",
    "first_at": "2026-11-26T09:12:40.120Z",
    "last_at": "2026-11-26T09:12:40.120Z",
    "times": "1",
    "token": {"id": "cb_p3w8n5rt", "name": "tooling-shop"},
    "address": "192.0.2.41",
    "method": "POST",
    "path": "/v1/tools/M-2041/service",
    "status": 201,
    "outcome": "done",
    "problem": None,
    "unknown": {},
}
REFUSED: JsonDict = {
    "id": "811",
    "first_at": "2026-11-26T02:00:01Z",
    "last_at": "2026-11-26T05:43:18Z",
    "times": "96",
    "token": None,
    "address": "192.0.2.77",
    "method": "GET",
    "path": "/v1/tools",
    "status": 401,
    "outcome": "refused",
    "problem": "/problems/invalid-token",
    "unknown": {"token": "none was given, or none that was made here"},
}


class ListedToken(Answer):
    """A token without its secret."""

    model_config = ConfigDict(json_schema_extra={"examples": [LISTED_TOKEN]})

    id: str
    name: str
    scopes: list[Scope]
    lines: list[str] | None = Field(description="Only these lines; null: all.")
    state: Literal["valid", "revoked", "expired"]
    created_at: datetime
    expires_at: datetime
    revoked_at: datetime | None
    last_used_at: datetime | None = Field(description="Within a minute; null: never used.")
    last_used_from: str | None


class NamedToken(Answer):
    id: str
    name: str


class Access(Answer):
    """A write that was let in, or the refusals of one address, token and kind of problem on one UTC day."""

    model_config = ConfigDict(json_schema_extra={"examples": [WRITE, REFUSED]})

    id: Number64
    first_at: datetime
    last_at: datetime
    times: Number64
    token: NamedToken | None
    address: str = Field(description="`others`: of many addresses on a day with too many to keep apart.")
    method: str = Field(description="Of the first time, as are path and status.")
    path: str = Field(description="Without the query.")
    status: int | None
    outcome: Literal["done", "refused", "failed", "unknown"]
    problem: str | None
    unknown: Unknown


class AuditTrail(Page[Access]):
    """The newest first."""
