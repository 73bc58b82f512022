"""What is told: each item of the feed in an envelope that is the same whichever way it goes.

Source: CloudEvents 1.0.2, JSON event format, structured content mode. `id` is that of the feed's item:
whoever gets the same id again has had the event before, whatever has become of its record, and of the book.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import orjson

from api.cautions import CAUTIONS
from api.paging import Row
from api.resources.feed import event as feed_item
from api.resources.feed import event_id
from collector.store.feed import Kind

CONTENT_TYPE = "application/cloudevents+json; charset=utf-8"
TYPE_PREFIX = "clampbook."

HAPPENED_AT: Mapping[Kind, str] = {
    "cycle.stored": "ended_at",
    "fault.raised": "raised_at",
    "fault.acknowledged": "acknowledged_at",
    "fault.cleared": "cleared_at",
    "gap.listed": "noticed_at",
    "gap.closed": "closed_at",
    "setting.changed": "noticed_at",
    "finding.began": "noticed_at",
    "finding.ended": "ended_at",
    "statement.closed": "closed_at",
    "tool.mounted": "mounted_at",
    "count.changed": "noticed_at",
    "clock.changed": "noticed_at",
    "service.recorded": "recorded_at",
    "finding.acknowledged": "acknowledged_at",
}
"""Kind -> the column that says when it happened."""


@dataclass(frozen=True, slots=True)
class Event:
    number: int
    kind: Kind
    id: str
    body: bytes
    """The whole envelope: JSON in UTF-8."""


def event_of(row: Row) -> Event:
    """Args: row: as `find_news` gives it."""
    kind: Kind = row["kind"]
    happened_at: datetime = row[HAPPENED_AT[kind]]
    this = event_id(row["instance"], row["number"])
    envelope = {
        "specversion": "1.0",
        "id": this,
        "source": f"urn:uuid:{row['instance']}",
        "type": TYPE_PREFIX + kind,
        "time": happened_at,
        "datacontenttype": "application/json",
        "data": {**feed_item(row), "cautions": CAUTIONS},
    }
    if row["controller"] is not None:
        envelope["subject"] = row["controller"]
    return Event(row["number"], kind, this, orjson.dumps(envelope, option=orjson.OPT_UTC_Z))
