"""Exports: asked for now, made soon, fetched later; what is too long for one answer."""

import re
from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Request, Response
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import Connection
from starlette.responses import FileResponse

from api.access.askers import ASKER, Asker
from api.access.gate import require_scope
from api.access.rights import RIGHTS
from api.access.sight import sight_of
from api.answers import LOCATION, SECONDS, UNCHANGED, answer, is_fresh, text_of
from api.cautions import CAUTIONS
from api.csv_export import FILES, MEDIA_TYPES, file_headers, repr_digest, unchanged
from api.exporting import EXPORTED, Exporter, NoRoom
from api.paging import page
from api.parameters import Instant, Text
from api.parquet_export import require_parquet
from api.problems import Problem
from api.schemas import exports
from api.stores import Stores
from collector.model import Category, Completion, Result
from collector.store.exports import ask_export, count_exports, drop_export, find_export, find_exports
from collector.store.queries import Record, find_controller_id, find_tool

router = APIRouter(prefix="/v1/exports", tags=["exports"])

MOST, MOST_EACH = 50, 20
"""In all, and of one token."""
ASK_AGAIN_S = 5
ONE_PART = re.compile(r"bytes=(?P<first>[0-9]{1,18})-(?P<last>[0-9]{0,18})")
NOT_YET = "it is not made yet"
FAILED = "it failed"
AS_STORED = (
    "what",
    "format",
    "filters",
    "lines",
    "state",
    "says",
    "asked_at",
    "over_at",
    "book",
    "bytes",
)
LATER = ("over_at", "kept_until", "book", "commit", "rows", "bytes", "repr_digest")

ExportId = Annotated[Text, Path(alias="id", description="Of the list.")]


class NewFilters(BaseModel):
    model_config = ConfigDict(extra="forbid")

    controller: Text | None = None
    tool: Text | None = None
    """Serial number; with maker and model where that is not enough."""
    maker: Text | None = None
    model: Text | None = None
    result: Result | None = None
    completion: Completion | None = None
    category: Category | None = None
    state: Literal["open", "cleared", "closed"] | None = None
    """Of faults: open, cleared. Of gaps: open, closed."""

    @property
    def given(self) -> dict[str, str]:
        return self.model_dump(exclude_none=True)


class NewExport(BaseModel):
    """What the file shall hold: what ended, was raised or may be missing in the half-open interval."""

    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [exports.NEW_EXPORT]})

    what: Literal["cycles", "faults", "gaps"]
    since: Instant = Field(alias="from")
    until: Instant = Field(alias="to")
    format: Literal["csv", "ndjson", "parquet"]
    filters: NewFilters = NewFilters()


@router.post(
    "",
    response_model=exports.Export,
    status_code=202,
    responses={
        202: {"headers": {"Location": LOCATION | {"required": True}, "Retry-After": SECONDS}},
        **{status: {} for status in (404, 406, 409, 507)},
    },
)
def ask(request: Request, body: NewExport) -> Response:
    """Ask for a file with the columns of the list's own files. Location says where to see how far it is; the
    same asked again before it is made is the same export."""
    asker: Asker = request.scope[ASKER]
    exporter: Exporter = request.app.state.exporter
    stores: Stores = request.app.state.stores
    require_scope(asker, RIGHTS[f"GET /v1/{body.what}"])
    _require_sense(body)
    if body.format == "parquet":
        require_parquet()
    sight = sight_of(request)
    filters = body.filters.given
    if (name := filters.get("controller")) is not None and not sight.sees_controller(name):
        raise Problem("other-line", f"controller {name} is on no line of the token's")
    with stores.book() as connection:
        _require_there(connection, filters)
    token_id = asker.token_id
    with stores.desk() as desk:
        number, own, used = count_exports(desk, token_id)
        made = ask_export(
            desk,
            token_id=token_id,
            lines=sight.lines,
            what=body.what,
            format=body.format,
            begins_at=body.since,
            ends_at=body.until,
            filters=filters,
            now=datetime.now(UTC),
        )
        if count_exports(desk, token_id)[0] > number:
            _require_room(exporter, number, own, used)
        export = find_export(desk, made)
    assert export is not None
    exporter.wake()
    headers = {"location": _address(export), "retry-after": str(ASK_AGAIN_S)}
    return answer(_shown(exporter, export), status=202, headers=headers)


@router.get("", response_model=exports.ExportPage)
def list_exports(request: Request) -> Response:
    """Those that the token has asked for; the admin sees all."""
    stores: Stores = request.app.state.stores
    with stores.reading_desk() as desk:
        found = find_exports(desk)
    seen = [each for each in found if _is_for(request, each)]
    return page(request, [_shown(request.app.state.exporter, each) for each in seen], None)


@router.get(
    "/{id}",
    response_model=exports.Export,
    responses={
        303: {
            "description": "It is done: Location says where the file is",
            "headers": {"Location": LOCATION | {"required": True}},
            "model": exports.Export,
        }
    },
)
def show_export(request: Request, export_id: ExportId) -> Response:
    """How far it is; once it is done, 303 to its file."""
    stores: Stores = request.app.state.stores
    with stores.reading_desk() as desk:
        export = _find(request, desk, export_id)
    body = _shown(request.app.state.exporter, export)
    match export["state"]:
        case "done":
            return answer(body, status=303, headers={"location": _file(export)})
        case "failed":
            return answer(body)
        case _:
            return answer(body, headers={"retry-after": str(ASK_AGAIN_S)})


@router.get(
    "/{id}/file",
    response_class=FileResponse,
    responses={
        200: {**FILES[200], "description": "The file"},
        206: {**FILES[200], "description": "The part that the header Range names (RFC 9110, section 14)"},
        **UNCHANGED,
        **{status: {} for status in (409, 416)},
    },
)
def fetch(request: Request, export_id: ExportId) -> Response:
    """The file, with its length and digest. 503 while it is not made yet, so that a client that tries again
    by itself waits for it."""
    exporter: Exporter = request.app.state.exporter
    stores: Stores = request.app.state.stores
    with stores.reading_desk() as desk:
        export = _find(request, desk, export_id)
    if export["state"] == "failed":
        raise Problem("export-failed", f"export {export_id} failed: {export['says']}")
    if export["state"] != "done":
        raise Problem("not-made-yet", f"export {export_id} is not made yet: it is {export['state']}")
    path = exporter.path(export)
    try:
        stat = path.stat()
    except (FileNotFoundError, NotADirectoryError) as error:
        raise Problem("export-failed", f"the file of export {export_id} is gone; ask anew") from error
    name = f"{export['what']}-{export_id}"
    headers = file_headers(export["format"], name, bytes.fromhex(export["sha256"]))
    if is_fresh(request, headers["etag"]):
        return unchanged(headers)
    _look_at_range(request, export["bytes"])
    media_type = MEDIA_TYPES[export["format"]]
    return FileResponse(path, media_type=media_type, headers=headers, stat_result=stat)


@router.delete("/{id}", status_code=204, response_class=Response)
def give_up(request: Request, export_id: ExportId) -> Response:
    """It is not made, or its file deleted; there is room for another."""
    exporter: Exporter = request.app.state.exporter
    stores: Stores = request.app.state.stores
    with stores.desk() as desk:
        export = _find(request, desk, export_id)
        drop_export(desk, export_id)
    exporter.give_up(export)
    return Response(status_code=204)


def _look_at_range(request: Request, size: int) -> None:
    """One part is served, any other Range passed over (RFC 9110, section 14.2). Raises: Problem: it begins
    behind the end."""
    asked = request.headers.get("range")
    if asked is None:
        return
    part = ONE_PART.fullmatch(asked.strip())
    if part is None or (part["last"] and int(part["last"]) < int(part["first"])):
        headers = [each for each in request.scope["headers"] if each[0] != b"range"]
        request.scope["headers"] = headers
    elif int(part["first"]) >= size:
        says = f"the file has {size} bytes"
        raise Problem("no-such-part", says, headers={"content-range": f"bytes */{size}"})


# ---- what can't be asked -----------------------------------------------------------------------------------


def _require_sense(body: NewExport) -> None:
    """Raises: Problem."""
    known = EXPORTED[body.what].filters
    there_are = f"; there are {', '.join(sorted(known))}"
    mistakes = [
        (f"filters.{name}", f"filters.{name} is no filter of {body.what}{there_are}")
        for name in body.filters.given
        if name not in known
    ]
    states = {"faults": ("open", "cleared"), "gaps": ("open", "closed")}.get(body.what, ())
    state = body.filters.state
    if state is not None and states and state not in states:
        mistakes.append(("filters.state", f"filters.state of {body.what} is {' or '.join(states)}"))
    if body.filters.tool is None and (body.filters.maker or body.filters.model):
        mistakes.append(("filters.tool", "filters.tool is missing: maker and model only say which it is"))
    if body.until < body.since:
        mistakes.append(("to", "to must not be before from"))
    if mistakes:
        raise Problem(
            "invalid-request",
            "; ".join(says for _, says in mistakes),
            mistakes=[{"where": "body", "name": name, "says": says} for name, says in mistakes],
        )


def _require_there(connection: Connection, filters: dict[str, str]) -> None:
    """Raises: NotInBook, AmbiguousTool, AmbiguousModel: now, rather than when it is made."""
    if "controller" in filters:
        find_controller_id(connection, filters["controller"])
    if "tool" in filters:
        find_tool(connection, filters["tool"], filters.get("maker"), filters.get("model"))


def _require_room(exporter: Exporter, number: int, own: int, used: int) -> None:
    """Raises: Problem: 409, where it is the asker's to make room; 507, where it is not."""
    if own >= MOST_EACH:
        raise Problem("exports-enough", f"there are {own} exports of yours, and may be {MOST_EACH}")
    if number >= MOST:
        raise Problem("no-room", f"there are {number} exports in all, and may be {MOST}")
    try:
        exporter.require_room(used)
    except NoRoom as error:
        raise Problem("no-room", str(error)) from error


def _find(request: Request, desk: Connection, export_id: str) -> Record:
    """Raises: Problem: there is none, or it is another's."""
    export = find_export(desk, export_id)
    if export is None or not _is_for(request, export):
        days = request.app.state.site.api.exports_keep_days
        says = f"there is no export {export_id} of yours; they are kept for {days} days"
        raise Problem("no-such-resource", says)
    return export


def _is_for(request: Request, export: Record) -> bool:
    """Whoever asked for it; and the admin of its lines."""
    asker: Asker = request.scope[ASKER]
    if "admin" in asker.scopes:
        sight = sight_of(request)
        lines = export["lines"]
        if sight.lines is None or (lines is not None and all(sight.sees_line(line) for line in lines)):
            return True
    return bool(export["token_id"] == asker.token_id)


# ---- parts of the answer -----------------------------------------------------------------------------------


def _shown(exporter: Exporter, export: Record) -> dict[str, Any]:
    sha256 = export["sha256"]
    shown = {name: export[name] for name in AS_STORED} | {
        "id": export["export_id"],
        "from": export["begins_at"],
        "to": export["ends_at"],
        "asked_by": export["token_name"],
        "kept_until": exporter.kept_until(export),
        "commit": text_of(export["commit_number"]),
        "rows": export["rows"] if export["rows"] is not None else exporter.rows_so_far(export),
        "repr_digest": sha256 and repr_digest(bytes.fromhex(sha256)),
        "file": _file(export),
        "cautions": CAUTIONS,
    }
    why = FAILED if export["state"] == "failed" else NOT_YET
    return shown | {"unknown": {name: why for name in LATER if shown[name] is None}}


def _address(export: Record) -> str:
    return f"/v1/exports/{export['export_id']}"


def _file(export: Record) -> str:
    return f"{_address(export)}/file"
