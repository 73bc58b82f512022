"""The feed: what is new, in order of commit."""

from typing import Any

from pydantic import ConfigDict, Field

from api.schemas.common import Answer, Cautions, Lines, Number64


class Event(Answer):
    """Something that was committed."""

    number: Number64
    """Commit number under which it happened: what tells it from every other, and a repeat from news."""
    kind: str = Field(description="See `kinds`; a consumer must pass over kinds that it does not know.")
    controller: str | None
    """Null: it is of none, or of several."""
    data: dict[str, Any] = Field(
        description="The record as the list of its kind shows it, as it is now: a fault that was raised may "
        "be cleared already. Cycles have their `tool` as well."
    )


class Feed(Answer):
    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [
                {
                    "book": "0b64a9f6-3a52-4c0e-9d6f-0f4f3a0f3a52",
                    "lines": None,
                    "items": [
                        {
                            "number": "184223",
                            "kind": "setting.changed",
                            "controller": "L1-03",
                            "data": {"setting": "set_torque_nm", "before": 9.4, "after": 9.8},
                        }
                    ],
                    "next": "WyIwYjY0YTlmNiIsImZlZWQiLDE4NDIyM10",
                    "more": False,
                    "cautions": ["…"],
                }
            ]
        },
    )

    book: str
    """Instance of the book."""
    lines: Lines
    items: list[Event]
    next: str
    """Cursor to ask with next time; given on every answer, also where nothing is new."""
    more: bool
    """There is more already: ask again at once. A token for some lines may get an answer without items then:
    what it looked through was of other lines."""
    cautions: Cautions
