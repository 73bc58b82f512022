"""Findings: what the analysis noticed by itself, with begin and end; and that somebody has seen them."""

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Query, Request, Response
from pydantic import BaseModel, ConfigDict

from api.answers import answer, recording, text_of
from api.cautions import CAUTIONS
from api.paging import CursorParameter, Last, Row, cut, number, page, read_cursor
from api.parameters import ControllerName, From, Maker, Model, Person, Remark, Text, To, in_order
from api.problems import path_as_sent
from api.resources.cycles import named
from api.schemas import findings
from api.stores import Stores
from collector.analysis.noticed import Kind
from collector.errors import StoreError
from collector.store.desk import find_acknowledgements, record_acknowledgement
from collector.store.findings import find_finding, find_findings
from collector.store.instances import Lineage, find_lineage
from collector.store.queries import find_tool

router = APIRouter(prefix="/v1/findings", tags=["findings"])

CommitNumber = Annotated[
    int, Path(ge=1, lt=2**63, description="Commit number of the finding, as the list has it.")
]


class NewAcknowledgement(BaseModel):
    """Somebody has seen a finding."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={"examples": [{"acknowledged_by": "Engineer 3", "remark": "punch ordered"}]},
    )

    acknowledged_by: Person
    remark: Remark = ""


@router.get("", response_model=findings.FindingPage)
def list_findings(
    request: Request,
    state: Annotated[
        Literal["open", "ended", "all"], Query(description="`open`: those that hold now.")
    ] = "all",
    kind: Annotated[Kind | None, Query(description="Only of this kind.")] = None,
    tool: Annotated[Text | None, Query(description="Only of this tool: its serial number.")] = None,
    maker: Maker = None,
    model: Model = None,
    controller: ControllerName = None,
    since: From = None,
    until: To = None,
    last: Last = 100,
    cursor: CursorParameter = None,
) -> Response:
    """What the analysis noticed, in order of commit, newest first. `from` and `to`: those that held within
    that half-open interval."""
    in_order(since, until, ("from", "to"))
    stores: Stores = request.app.state.stores
    with stores.book() as connection:
        lineage = find_lineage(connection)
        (before,) = read_cursor(cursor, lineage.instance, "findings", (number,)) or (None,)
        rows = find_findings(
            connection,
            last=last + 1,
            before=before,
            state=None if state == "all" else state,
            kind=kind,
            tool_id=None if tool is None else find_tool(connection, tool, maker, model)["tool_id"],
            controller_name=controller,
            since=since,
            until=until,
        )
    rows, following = cut(rows, last, lineage.instance, "findings", _key)
    return page(request, _with_acknowledgements(stores, lineage, rows), following, cautions=CAUTIONS)


@router.get("/{commit_number}", response_model=findings.ShownFinding)
def show_finding(request: Request, commit_number: CommitNumber) -> Response:
    """One finding."""
    stores: Stores = request.app.state.stores
    with stores.book() as connection:
        lineage = find_lineage(connection)
        found = find_finding(connection, commit_number)
    (shown,) = _with_acknowledgements(stores, lineage, [found])
    return answer(shown | {"cautions": CAUTIONS})


@router.post(
    "/{commit_number}/acknowledgement",
    response_model=findings.ShownFinding,
    status_code=201,
    responses=recording(findings.ShownFinding),
)
def acknowledge_finding(request: Request, commit_number: CommitNumber, body: NewAcknowledgement) -> Response:
    """Record that somebody has seen a finding. 201: recorded; 200: the same person and remark stand there
    already. Nothing is acknowledged at a controller."""
    stores: Stores = request.app.state.stores
    with stores.book() as connection:
        lineage = find_lineage(connection)
        found = find_finding(connection, commit_number)
    with stores.desk() as desk:
        is_new = record_acknowledgement(
            desk,
            lineage,
            commit_number,
            acknowledged_by=body.acknowledged_by,
            remark=body.remark,
            acknowledged_at=datetime.now(UTC),
        )
    (shown,) = _with_acknowledgements(stores, lineage, [found])
    where = {"location": path_as_sent(request.scope).removesuffix("/acknowledgement")}
    return answer(shown | {"cautions": CAUTIONS}, status=201 if is_new else 200, headers=where)


def open_finding(row: Row) -> dict[str, Any]:
    """In short, for the tool or the controller that it is of."""
    shown = ("kind", "measure", "says", "began_at", "noticed_at")
    return {"commit_number": text_of(row["commit_number"])} | {name: row[name] for name in shown}


def _with_acknowledgements(stores: Stores, lineage: Lineage, rows: Sequence[Row]) -> list[dict[str, Any]]:
    """The book is told even while the desk can't be had."""
    unknown: dict[str, str] = {}
    acknowledged: dict[int, list[dict[str, Any]]] = {}
    try:
        with stores.reading_desk() as desk:
            acknowledged = find_acknowledgements(desk, lineage, [row["commit_number"] for row in rows])
    except StoreError as error:
        unknown = {"acknowledgements": str(error)}
    as_stored = ("kind", "state", "controller", "measure", "says", "evidence", "began_at", "noticed_at")
    return [
        {name: row[name] for name in (*as_stored, "ended_at", "ended_because")}
        | {name: text_of(row[name]) for name in ("commit_number", "ended_commit_number")}
        | {
            "tool": named(row),
            "acknowledgements": acknowledged.get(row["commit_number"]),
            "unknown": unknown,
        }
        for row in rows
    ]


def _key(row: Row) -> tuple[int]:
    return (row["commit_number"],)
