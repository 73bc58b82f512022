"""For whoever looks after the API: the tokens with their last use, and the audit trail."""

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request, Response

from api.answers import text_of
from api.paging import CursorParameter, Last, Row, cut, number, page, read_cursor
from api.schemas import access, common
from api.stores import Stores
from collector.store.access_log import find_accesses
from collector.store.tokens import Token, find_tokens

router = APIRouter(prefix="/v1", tags=["access"])

DESK = "desk"
"""What the cursors of the audit trail are of: it is not in the book."""
NO_TOKEN = "none was given, or none that was made here"  # noqa: S105
NO_END = "the API ended before it had answered, so it may be done or not"


@router.get("/tokens", response_model=common.Page[access.ListedToken])
def list_tokens(request: Request) -> Response:
    """All tokens that were ever made, newest first, without their secrets; `next` is always null."""
    stores: Stores = request.app.state.stores
    request.app.state.access.write(at_once=True)
    with stores.reading_desk() as desk:
        found = find_tokens(desk)
    now = datetime.now(UTC)
    return page(request, [_token(each, now) for each in found], None)


@router.get("/audit-trail", response_model=access.AuditTrail)
def list_accesses(
    request: Request,
    outcome: Annotated[
        Literal["refused"] | None,
        Query(description="Only refusals; without it, writes that were let in too."),
    ] = None,
    last: Last = 100,
    cursor: CursorParameter = None,
) -> Response:
    """Every write that was let in, with who, when, from where and how it ended; and what was refused,
    counted by address, token and kind of problem for each UTC day. Newest first."""
    (before,) = read_cursor(cursor, DESK, "audit-trail", (number,)) or (None,)
    stores: Stores = request.app.state.stores
    request.app.state.access.write(at_once=True)
    with stores.reading_desk() as desk:
        rows = find_accesses(desk, last=last + 1, before=before, refused=True if outcome else None)
    rows, following = cut(rows, last, DESK, "audit-trail", lambda row: (row["access_id"],))
    return page(request, [_access(row) for row in rows], following)


def _token(token: Token, now: datetime) -> dict[str, Any]:
    as_stored = ("name", "scopes", "lines", "created_at", "expires_at", "revoked_at", "last_used_at")
    shown = {name: getattr(token, name) for name in (*as_stored, "last_used_from")}
    return {"id": token.token_id, **shown, "state": token.state(now)}


def _access(row: Row) -> dict[str, Any]:
    token = row["token_id"] and {"id": row["token_id"], "name": row["token_name"]}
    unknown = {} if token else {"token": NO_TOKEN}
    if row["status"] is None:
        unknown["status"] = NO_END
    return {
        "id": text_of(row["access_id"]),
        **{name: row[name] for name in ("first_at", "last_at", "address", "method", "path", "status")},
        "times": text_of(row["times"]),
        "token": token,
        "outcome": _outcome(row),
        "problem": row["problem"] and f"/problems/{row['problem']}",
        "unknown": unknown,
    }


def _outcome(row: Mapping[str, Any]) -> str:
    if row["refused_on"] is not None:
        return "refused"
    if row["status"] is None:
        return "unknown"
    return "done" if row["status"] < 400 else "failed"
