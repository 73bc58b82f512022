"""What all answers are made of, lists, and problems."""

from datetime import datetime
from typing import Annotated, Generic, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field

Item = TypeVar("Item")

Number64 = Annotated[str, Field(pattern=r"^-?[0-9]+$", description="A 64-bit whole number, as text.")]
Hex = Annotated[str, Field(pattern=r"^([0-9a-f]{2})*$", description="Bytes as they came, in hexadecimal.")]
Unknown = Annotated[
    dict[str, str],
    Field(description="Why a member is null: its name -> the reason. Null is never the same as zero."),
]
Lines = Annotated[
    list[str] | None,
    Field(description="Only what is of these lines is here, since the token is for them; null: all lines."),
]
Cautions = Annotated[list[str], Field(description="To be shown wherever this is shown.")]


class Answer(BaseModel):
    """Unknown members are refused here so that the tests notice what the document does not tell."""

    model_config = ConfigDict(extra="forbid")


class Nothing(Answer):
    """An empty object: there is nothing to say. That it is JSON keeps forms on foreign pages out."""


class Mistake(Answer):
    where: Literal["path", "query", "body"]
    name: str
    says: str


class Problem(BaseModel):
    """Problem details (RFC 9457). `type` is relative to this API and can be followed."""

    model_config = ConfigDict(extra="allow")
    type: str
    title: str
    status: int
    detail: str
    instance: str
    mistakes: list[Mistake] | None = None
    makers: list[str] | None = None
    models: list[str] | None = None
    reasons: list[str] | None = None
    book: str | None = None
    desk: str | None = None
    next: str | None = None


class ProblemKind(Answer):
    type: str
    title: str
    status: int
    advice: str


class FormerBook(Answer):
    """An instance that the book was, until it was restored from a backup, or copied."""

    book: str
    since: datetime
    until: datetime
    last_commit: Number64
    """What is up to there has the number that it had then; what this instance had behind it is void."""
    because: str
    """Why it is another one since."""


class Page(Answer, Generic[Item]):
    items: list[Item]
    next: str | None
    """Cursor of the next page; null on the last."""


class LinesPage(Page[Item], Generic[Item]):
    lines: Lines


class Tool(Answer):
    maker: str
    model: str
    serial: str


class ToolPage(Page[Item], Generic[Item]):
    tool: Tool
