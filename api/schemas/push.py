"""What receivers are told, and how that goes."""

from datetime import datetime
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field
from pydantic.config import JsonDict

from api.schemas import records
from api.schemas.common import Answer, Cautions, Number64, Page, Unknown
from api.schemas.feed import Event
from collector.model import Mode, State

RECEIVER: JsonDict = {
    "name": "mes",
    "way": "webhook",
    "address": "https://mes.plant.example/clamps",
    "kinds": ["statement.closed"],
    "state": "away",
    "says": "can't be reached: All connection attempts failed",
    "since": "2026-11-26T02:10:00Z",
    "book": "0b64a9f6-3a52-4c0e-9d6f-0f4f3a0f3a52",
    "told_through": "184223",
    "desk": "7d1c2b80-55ab-4a0e-8a43-2b1f0c9d6e11",
    "desk_told_through": "18",
    "told_at": "2026-11-26T02:09:58Z",
    "commits_behind": "41",
    "waiting": 1,
    "dead": 0,
    "unknown": {},
}
DELIVERY: JsonDict = {
    "id": "17",
    "receiver": "mes",
    "event": "0b64a9f6-3a52-4c0e-9d6f-0f4f3a0f3a52-184201",
    "kind": "statement.closed",
    "state": "dead",
    "attempts": 74,
    "since": "2026-11-23T02:10:00Z",
    "next_at": None,
    "last_error": "answered 500: no such work order",
    "last_error_at": "2026-11-26T02:10:00Z",
    "unknown": {"next_at": "it is sent again only when somebody asks"},
}


class ToldData(Event):
    """The item of the feed, with what is to be shown wherever it is shown."""

    cautions: Cautions


class ToldEvent(Answer):
    """The envelope of every event (CloudEvents 1.0): of a webhook's POST and of an MQTT message alike."""

    specversion: Literal["1.0"]
    id: str = Field(description="Of this event and no other; the same whenever it is told again.")
    source: str = Field(
        description="The book or, of what people recorded, the desk: `urn:uuid:` and its instance."
    )
    type: str = Field(
        description="`clampbook.` and the kind of the feed, such as clampbook.statement.closed."
    )
    time: datetime = Field(description="When it happened.")
    subject: str | None = Field(default=None, description="The controller; left out where it is of none.")
    datacontenttype: Literal["application/json"]
    data: ToldData


class ControllerState(Answer):
    """The last state of a controller: members of /v1/controllers/{name}."""

    name: str
    line: str
    station: str
    in_site_file: bool
    link: records.Link
    read_at: datetime | None
    mode: Mode | None
    state: State | None
    emergency_stop: bool | None
    health: records.Health | None
    health_reasons: list[str]
    tool: records.MountedTool | None
    total_count: Number64 | None
    count_since_cleared: Number64 | None
    read_through_at: datetime | None
    gap_totals: records.GapTotals
    unknown: Unknown
    cautions: Cautions


class Connection(Answer):
    """Whether the publisher is there; the broker itself says `down` when it is lost."""

    state: Literal["up", "down"]


class Receiver(Answer):
    """Somebody who is told what is new, by the site file."""

    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [RECEIVER]})

    name: str
    way: Literal["webhook", "broker"]
    address: str
    kinds: list[str]
    state: Literal["told", "away", "waits", "stopped"] = Field(
        description="`away`: the last attempt failed. `waits`: for the store. `stopped`: it wants no more, "
        "until somebody resumes it."
    )
    says: str | None = Field(description="What is the matter; null: nothing is.")
    since: datetime | None
    book: str | None
    told_through: Number64 | None = Field(
        description="Commit number of the book up to which it was told, but for what waits or is dead."
    )
    desk: str | None
    desk_told_through: Number64 | None = Field(description="The same of the desk.")
    told_at: datetime | None
    commits_behind: Number64 | None = Field(
        description="Of book and desk, of all kinds, also of those that it is not told."
    )
    waiting: int = Field(description="Events that it did not take and that are sent again.")
    dead: int = Field(description="Events that are sent again only when somebody asks.")
    unknown: Unknown


class Delivery(Answer):
    """An event that a receiver did not take."""

    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [DELIVERY]})

    id: Number64
    receiver: str
    event: str = Field(description="The event's id.")
    kind: str
    state: Literal["waiting", "dead"]
    attempts: int
    since: datetime = Field(description="Put aside, or last asked for.")
    next_at: datetime | None
    last_error: str
    last_error_at: datetime
    unknown: Unknown


class ReceiverPage(Page[Receiver]):
    """In the order of the site file; `next` is always null."""


class DeliveryPage(Page[Delivery]):
    """The newest first."""


class PublishingDocument(BaseModel):
    """An AsyncAPI document."""

    model_config = ConfigDict(extra="forbid")

    asyncapi: Literal["3.0.0"]
    info: dict[str, Any]
    defaultContentType: str
    servers: dict[str, Any]
    channels: dict[str, Any]
    operations: dict[str, Any]
    components: dict[str, Any]
