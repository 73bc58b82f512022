"""Tools: which there are, where they sit and sat, and how much they have done."""

from fastapi import APIRouter, Request, Response

from api.answers import answer
from api.cautions import CAUTIONS
from api.paging import CursorParameter, Last, Row, cut, page, read_cursor, word
from api.parameters import Maker, Model, Serial
from api.resources.cycles import named
from api.resources.findings import open_finding
from api.resources.service import (
    cycles_missing,
    last_service,
    name_of,
    service_state,
    shown,
    since_service,
    total,
    why_unknown,
)
from api.schemas import common, records
from collector.store.findings import find_findings
from collector.store.queries import (
    ToolKey,
    find_book,
    find_conflicts,
    find_gaps_while_mounted,
    find_mounts,
    find_tool,
    find_tools,
)
from collector.store.tallies import count_lifetime

router = APIRouter(prefix="/v1/tools", tags=["tools"])


@router.get("", response_model=common.Page[records.ListedTool])
def list_tools(request: Request, last: Last = 100, cursor: CursorParameter = None) -> Response:
    """All tools that the book knows, by serial number, maker and model."""
    with request.app.state.stores.book() as connection:
        instance = find_book(connection)["instance"]
        key = read_cursor(cursor, instance, "tools", (word, word, word))
        rows = find_tools(connection, last=last + 1, after=ToolKey(*key) if key else None)
    rows, following = cut(rows, last, instance, "tools", _key)
    shown = ("first_seen_at", "mounted_on")
    return page(request, [named(row) | {name: row[name] for name in shown} for row in rows], following)


@router.get("/{serial:path}", response_model=records.ToolDetail)
def show_tool(request: Request, serial: Serial, maker: Maker = None, model: Model = None) -> Response:
    """One tool."""
    stores = request.app.state.stores
    with stores.book() as connection:
        tool = find_tool(connection, serial, maker, model)
    done, not_served = last_service(stores, name_of(tool))
    with stores.book() as connection:
        made, why = since_service(connection, tool, done) if done else (None, not_served)
        mounts = find_mounts(connection, tool["tool_id"])
        lifetime = total(count_lifetime(connection, tool["tool_id"]))
        gaps = find_gaps_while_mounted(connection, tool["tool_id"])
        conflicts = find_conflicts(connection, tool["tool_id"])
        findings = find_findings(connection, state="open", tool_id=tool["tool_id"], last=None)
    missing = cycles_missing(gaps)
    state, unknown = service_state(request.app.state.site, tool, made, why)
    return answer(
        named(tool)
        | {
            "first_seen_at": tool["first_seen_at"],
            "mounts": [
                {name: each[name] for name in ("controller", "mounted_at", "unmounted_at")} for each in mounts
            ],
            "lifetime_count": lifetime,
            **missing,
            "conflicts": [each["says"] for each in conflicts],
            "findings": [open_finding(each) for each in findings],
            "last_service": done and shown(done),
            **state,
            "unknown": ({"last_service": not_served} if not_served else {}) | unknown | why_unknown(missing),
            "cautions": CAUTIONS,
        }
    )


def _key(row: Row) -> ToolKey:
    return ToolKey(row["serial"], row["maker"], row["model"])
