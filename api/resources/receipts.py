"""Receipts: a consumer tells up to where it has booked the statements, and plant IT sees who lags."""

from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request, Response
from pydantic import BaseModel, ConfigDict, Field, model_validator
from sqlalchemy import Connection

from api.access.askers import ASKER, Asker
from api.access.sight import Sight, sight_of
from api.answers import answer, text_of
from api.paging import page
from api.parameters import Day, Text
from api.problems import Problem
from api.resources.statements import read_since
from api.schemas import receipts
from api.stores import NoBookYet, Stores
from collector.store.queries import Record, find_book
from collector.store.receipts import count_receipts, drop_receipts, find_lag, find_receipts, keep_receipt
from collector.store.statement_queries import find_statement

router = APIRouter(prefix="/v1/receipts", tags=["receipts"])

MOST = 1000
OTHER_BOOK = "it is of another book than the one that is here: what was booked has to be pulled anew"
NO_BOOK = "there is no book yet"

Consumer = Annotated[
    str,
    Path(description="Any name that tells it from others.", pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$"),
]


NAME = ("line", "plant_day", "shift", "revision")
BY_CURSOR: dict[str, Any] = {"statement": {"type": "string"}} | {part: {"type": "null"} for part in NAME}
BY_NAME: dict[str, Any] = {"statement": {"type": "null"}} | {part: {"not": {"type": "null"}} for part in NAME}


class NewReceipt(BaseModel):
    """Either the cursor of the list of statements, up to which all is booked; or one revision of a statement,
    up to which all of its line is."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "oneOf": [
                {"required": ["statement"], "properties": BY_CURSOR},
                {"required": list(NAME), "properties": BY_NAME},
            ],
            "examples": [receipts.BY_CURSOR, receipts.BY_NAME],
        },
    )

    statement: Text | None = None
    """`next` of /v1/statements?after=."""
    line: Text | None = None
    plant_day: Day | None = None
    shift: Text | None = None
    revision: Annotated[int, Field(ge=1, le=2**31 - 1)] | None = None

    @property
    def name(self) -> tuple[str, str, str, int] | None:
        """Of a statement's revision: line, plant day, shift, number; None: it is not given whole."""
        if self.line is None or self.plant_day is None or self.shift is None or self.revision is None:
            return None
        return self.line, self.plant_day.isoformat(), self.shift, self.revision

    @model_validator(mode="after")
    def one_of_both(self) -> "NewReceipt":
        parts = (self.line, self.plant_day, self.shift, self.revision)
        if (self.statement is None) == (self.name is None) or (
            self.statement is not None and any(part is not None for part in parts)
        ):
            raise ValueError("must have either statement, or line, plant_day, shift and revision")
        return self


@router.put("/{consumer}", response_model=receipts.Receipt, responses={410: {}, 507: {}})
def tell(request: Request, consumer: Consumer, body: NewReceipt) -> Response:
    """Booked up to here. Told again it is replaced, also by one that is further back. A consumer's name is
    its token's until that is over or revoked; then the next token may go on under it."""
    asker: Asker = request.scope[ASKER]
    stores: Stores = request.app.state.stores
    sight = sight_of(request)
    now = datetime.now(UTC)
    with stores.book() as connection:
        book = find_book(connection)
        commit_number = _booked(connection, book, body, sight)
    with stores.desk() as desk:
        before = find_receipts(desk, consumer)
        _require_own(asker, before, now)
        if not before and count_receipts(desk) >= MOST:
            raise Problem("no-room", f"there are {MOST} receipts, and may be no more")
        keep_receipt(
            desk,
            consumer,
            token_id=asker.token_id,
            lines=sight.lines,
            line=body.line,
            book=book["instance"],
            commit_number=commit_number,
            now=now,
        )
        kept = next(each for each in find_receipts(desk, consumer) if each["line"] == body.line)
    with stores.book() as connection:
        return answer(_shown(connection, book["instance"], kept))


@router.get("", response_model=receipts.ReceiptPage)
def list_receipts(request: Request) -> Response:
    """How many revisions each consumer is behind, and since when. Whoever only integrates sees what its own
    token has told."""
    stores: Stores = request.app.state.stores
    with stores.reading_desk() as desk:
        found = [each for each in find_receipts(desk) if _is_for(request, each)]
    try:
        with stores.book() as connection:
            instance = find_book(connection)["instance"]
            items = [_shown(connection, instance, each) for each in found]
    except NoBookYet:
        items = [_shown(None, None, each) for each in found]
    return page(request, items, None)


@router.delete("/{consumer}", status_code=204, response_class=Response)
def forget(request: Request, consumer: Consumer) -> Response:
    """The consumer is no more: nobody shall wait for it."""
    asker: Asker = request.scope[ASKER]
    stores: Stores = request.app.state.stores
    with stores.desk() as desk:
        if "admin" not in asker.scopes:
            _require_own(asker, find_receipts(desk, consumer), datetime.now(UTC))
        if not drop_receipts(desk, consumer):
            raise Problem("no-such-resource", f"there is no receipt of {consumer}")
    return Response(status_code=204)


def _booked(connection: Connection, book: Record, body: NewReceipt, sight: Sight) -> int:
    """The commit number. Raises: Problem: another book or line; NotInBook: no such revision."""
    if body.name is not None:
        if not sight.sees_line(body.line):
            raise Problem("other-line", f"the token is not for line {body.line}")
        return int(find_statement(connection, *body.name)["commit_number"])
    return read_since(body.statement, book, "statement", where="body")


def _require_own(asker: Asker, found: list[Record], now: datetime) -> None:
    """Raises: Problem: another token, which is still valid, has told it."""
    for each in found:
        if each["token_id"] in (None, asker.token_id):
            continue
        if each["token_revoked_at"] is None and each["token_expires_at"] > now:
            raise Problem("other-consumer", f"the receipt of {each['consumer']} is told by another token")


def _is_for(request: Request, receipt: Record) -> bool:
    """Its own token; and whoever reads and sees all of its lines."""
    asker: Asker = request.scope[ASKER]
    if receipt["token_id"] is not None and receipt["token_id"] == asker.token_id:
        return True
    sight, lines = sight_of(request), _lines_of(receipt)
    sees = sight.lines is None or (lines is not None and all(sight.sees_line(line) for line in lines))
    return "read" in asker.scopes and sees


def _lines_of(receipt: Record) -> list[str] | None:
    """None: of all."""
    lines: list[str] | None = receipt["lines"] if receipt["line"] is None else [receipt["line"]]
    return lines


def _shown(connection: Connection | None, instance: str | None, receipt: Record) -> dict[str, Any]:
    """Args: connection, instance: of the book, if there is one."""
    shown = {name: receipt[name] for name in ("consumer", "line", "lines", "told_at", "book")} | {
        "told_by": receipt["token_name"],
        "commit": text_of(receipt["commit_number"]),
    }
    if connection is None or receipt["book"] != instance:
        why = NO_BOOK if connection is None else OTHER_BOOK
        return shown | {
            "behind": None,
            "behind_since": None,
            "unknown": dict.fromkeys(("behind", "behind_since"), why),
        }
    lag = find_lag(connection, receipt["commit_number"], _lines_of(receipt))
    return shown | {"behind": lag.revisions, "behind_since": lag.since, "unknown": {}}
