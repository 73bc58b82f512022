"""Findings: what the analysis noticed, stored when it is noticed and again when it has ended.

One row a finding. A kind, controller, tool and measure together are open at most once, so what is noticed
again stays the row that it is. A finding has two commit numbers: that of its begin, by which it is named, and
that of its end, so that a feed in order of commit tells both.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

import orjson
from sqlalchemy import ColumnElement, Connection, select

from collector.errors import NotInBook
from collector.ledger import NO_TOOL
from collector.model import ToolName
from collector.store.booking import Booking, Known
from collector.store.queries import Record, find_controller_id, find_mounts, records
from collector.store.tables import controller, controller_status, cycle, finding, mount, tool

FindingState = Literal["open", "ended"]


@dataclass(frozen=True, slots=True)
class NewFinding:
    """Ids are the book's own. None: it is of no controller, or of no tool."""

    kind: str
    controller_id: int | None
    tool_id: int | None
    measure: str
    """'' where it is of no measure."""
    says: str
    evidence: Mapping[str, Any]
    """Plain JSON values."""
    began_at: datetime


@dataclass(frozen=True, slots=True)
class FindingEnd:
    commit_number: int
    """Of the finding."""
    ended_at: datetime
    because: str


def note_findings(
    connection: Connection, known: Known, now: datetime, new: Sequence[NewFinding], ends: Sequence[FindingEnd]
) -> int:
    """End findings, then store new ones, in the transaction of the connection.

    What ended already, or is open already, stays as it is: the same work can be done twice. An end never lies
    before its begin. Returns: how many rows were stored or ended.
    """
    booking = Booking(connection, known, now)
    noted = sum(_end(connection, booking, each) for each in ends)
    noted += sum(_store(connection, booking, each, now) for each in new)
    booking.finish()
    return noted


def _end(connection: Connection, booking: Booking, end: FindingEnd) -> bool:
    here = (finding.c.commit_number == end.commit_number, finding.c.ended_at.is_(None))
    began_at = connection.scalar(select(finding.c.began_at).where(*here))
    if began_at is None:
        return False
    connection.execute(
        finding.update()
        .where(*here)
        .values(
            ended_at=max(began_at, end.ended_at),
            ended_because=end.because,
            ended_commit_number=booking.next_number(),
        )
    )
    return True


def _store(connection: Connection, booking: Booking, new: NewFinding, now: datetime) -> bool:
    same = (
        finding.c.kind == new.kind,
        finding.c.measure == new.measure,
        _is(finding.c.controller_id, new.controller_id),
        _is(finding.c.tool_id, new.tool_id),
        finding.c.ended_at.is_(None),
    )
    if connection.execute(select(finding.c.commit_number).where(*same)).first() is not None:
        return False
    row = {
        "commit_number": booking.next_number(),
        "kind": new.kind,
        "controller_id": new.controller_id,
        "tool_id": new.tool_id,
        "measure": new.measure,
        "says": new.says,
        "evidence": orjson.dumps(dict(new.evidence)).decode(),
        "began_at": new.began_at,
        "noticed_at": now,
    }
    connection.execute(finding.insert(), row)
    return True


def _is(column: ColumnElement[Any], value: int | None) -> ColumnElement[bool]:
    return column.is_(None) if value is None else column == value


# ---- what the book is asked --------------------------------------------------------------------------------


def find_findings(
    connection: Connection,
    *,
    last: int | None = 100,
    before: int | None = None,
    state: FindingState | None = None,
    kind: str | None = None,
    tool_id: int | None = None,
    controller_name: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> list[Record]:
    """Findings in order of commit number, newest first: columns of `finding` with `evidence` decoded,
    controller (name or None), maker, model, serial (None where it is of no tool), `state`.

    Args: last: None: all; before: only those with a smaller commit number; since, until: those that held
    within the half-open interval.
    Raises: NotInBook: no controller of that name.
    """
    wanted = []
    if before is not None:
        wanted.append(finding.c.commit_number < before)
    if state is not None:
        wanted.append(finding.c.ended_at.is_(None) if state == "open" else finding.c.ended_at.is_not(None))
    if kind is not None:
        wanted.append(finding.c.kind == kind)
    if tool_id is not None:
        wanted.append(finding.c.tool_id == tool_id)
    if controller_name is not None:
        wanted.append(finding.c.controller_id == find_controller_id(connection, controller_name))
    if since is not None:
        wanted.append(finding.c.ended_at.is_(None) | (finding.c.ended_at >= since))
    if until is not None:
        wanted.append(finding.c.began_at < until)
    return _found(connection, wanted, last)


def find_finding(connection: Connection, commit_number: int) -> Record:
    """One finding as `find_findings` gives it. Raises: NotInBook."""
    found = _found(connection, [finding.c.commit_number == commit_number], 1)
    if not found:
        raise NotInBook(f"there is no finding {commit_number}; see /v1/findings")
    return found[0]


def _found(connection: Connection, wanted: Sequence[ColumnElement[bool]], last: int | None) -> list[Record]:
    rows = (
        select(finding, controller.c.name.label("controller"), tool.c.maker, tool.c.model, tool.c.serial)
        .select_from(finding.outerjoin(controller).outerjoin(tool))
        .where(*wanted)
        .order_by(finding.c.commit_number.desc())
    )
    found = records(connection.execute(rows if last is None else rows.limit(last)))
    for each in found:
        each["evidence"] = json.loads(each["evidence"])
        each["state"] = "open" if each["ended_at"] is None else "ended"
    return found


# ---- what the analysis asks --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Mounted:
    """A tool on a controller, by the book's own ids."""

    tool_id: int
    tool: ToolName
    controller_id: int
    controller: str
    settings: Mapping[str, Any]
    """As the controller's status shows them."""


def find_mounted(connection: Connection) -> list[Mounted]:
    """Every tool that is known by name and sits on a controller, by controller."""
    columns = (tool.c.tool_id, tool.c.maker, tool.c.model, tool.c.serial, controller.c.controller_id)
    wanted = (
        select(*columns, controller.c.name, controller_status.c.settings)
        .select_from(mount.join(tool).join(controller).outerjoin(controller_status))
        .where(mount.c.unmounted_at.is_(None), tool.c.serial != NO_TOOL.serial)
        .order_by(controller.c.name)
    )
    return [
        Mounted(
            row.tool_id,
            ToolName(row.maker, row.model, row.serial),
            row.controller_id,
            row.name,
            orjson.loads(row.settings or "{}"),
        )
        for row in connection.execute(wanted)
    ]


def find_changed(connection: Connection, since: int) -> set[int]:
    """Ids of the tools that have cycles with a later commit number."""
    return set(connection.scalars(select(cycle.c.tool_id).where(cycle.c.commit_number > since).distinct()))


def find_nth_after(connection: Connection, tool_id: int, after: datetime, number: int) -> datetime | None:
    """When the nth cycle of a tool from an instant on ended; None: there are fewer."""
    wanted = select(cycle.c.ended_at).where(cycle.c.tool_id == tool_id, cycle.c.ended_at >= after)
    found: datetime | None = connection.scalar(wanted.order_by(cycle.c.ended_at).limit(1).offset(number - 1))
    return found


def find_left(
    connection: Connection, mounted: Sequence[Mounted], open_now: Sequence[Record]
) -> list[FindingEnd]:
    """Ends of the findings about tools that do not sit on that controller any more."""
    here = {(each.tool_id, each.controller_id) for each in mounted}
    ends = []
    for row in open_now:
        if row["controller_id"] is None or (row["tool_id"], row["controller_id"]) in here:
            continue
        mounts = find_mounts(connection, row["tool_id"])
        left = [each["unmounted_at"] for each in mounts if each["controller_id"] == row["controller_id"]]
        if left and left[0] is not None:
            because = f"the tool was taken off {row['controller']}"
            ends.append(FindingEnd(row["commit_number"], left[0], because))
    return ends
