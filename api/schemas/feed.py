"""The feed: what is new, in the book and on the desk, each in order of commit."""

from typing import Any

from pydantic import ConfigDict, Field

from api.schemas.common import Answer, Cautions, Lines, Number64, Unknown
from api.schemas.records import SERVICE


class Event(Answer):
    """Something that was committed."""

    id: str
    """Of this event and no other, whenever and however it is told again: what tells a repeat from news."""
    number: Number64
    """Commit number under which it happened: in the book or, of what people recorded, on the desk."""
    kind: str = Field(description="See `kinds`; a consumer must pass over kinds that it does not know.")
    controller: str | None
    """Null: it is of none, or of several, or what people recorded."""
    data: dict[str, Any] = Field(
        description="The record as the list of its kind shows it, as it is now: a fault that was raised may "
        "be cleared already. Cycles and services have their `tool` as well."
    )


class Feed(Answer):
    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [
                {
                    "book": "0b64a9f6-3a52-4c0e-9d6f-0f4f3a0f3a52",
                    "desk": "7d1c2b80-55ab-4a0e-8a43-2b1f0c9d6e11",
                    "lines": None,
                    "items": [
                        {
                            "id": "7d1c2b80-55ab-4a0e-8a43-2b1f0c9d6e11-18",
                            "number": "18",
                            "kind": "service.recorded",
                            "controller": None,
                            "data": {
                                **SERVICE,
                                "tool": {"maker": "Sample Works", "model": "C-4", "serial": "M-2041"},
                            },
                        },
                        {
                            "id": "0b64a9f6-3a52-4c0e-9d6f-0f4f3a0f3a52-184223",
                            "number": "184223",
                            "kind": "setting.changed",
                            "controller": "L1-03",
                            "data": {"setting": "set_torque_nm", "before": 9.4, "after": 9.8},
                        },
                    ],
                    "next": "WyJib29rIGFuZCBkZXNrIiwiZmVlZCIsIjBiNjRhOWY2LTNh",
                    "more": False,
                    "unknown": {},
                    "cautions": ["…"],
                }
            ]
        },
    )

    book: str
    """Instance of the book."""
    desk: str | None
    """Instance of the desk; null: it can't be read now, and what is new there comes later."""
    lines: Lines
    items: list[Event]
    """What is new on the desk, then what is new in the book, each in order of commit."""
    next: str
    """Cursor to ask with next time; given on every answer, also where nothing is new."""
    more: bool
    """There is more already: ask again at once. A token for some lines may get an answer without items then:
    what it looked through was of other lines."""
    unknown: Unknown
    cautions: Cautions
