"""Who may do what: each operation of the API has its row here, and an operation without one stops the start.

A row names the scopes of which one is needed, the one that brings least first, and how an answer is held to a
line. A token that is for some lines only must name one of them, or gets of a list what is of its lines, where
the resource sees to that; it gets nothing where there is no telling.

An integrator proves counts, so it sees which cycles there are: a row of `/v1/cycles` is what `cycle.stored`
is in the feed (identity, result, part, band, measured values), with nothing that the feed keeps from it. One
cycle by its id is more: the controller's raw record, which may hold anything, and the way to its curve; that
is for those who read.

An export is for whoever may ask for its list, and afterwards for the token that asked, and for the admin. A
receipt is its token's; whoever reads sees those of others.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from collector.store.tokens import SCOPES, Scope

LineBy = Literal["line", "controller", "cycle"]


@dataclass(frozen=True, slots=True)
class Right:
    scopes: tuple[Scope, ...]
    """One of them is needed; all that read are let in where `read` is."""
    by: LineBy | None = None
    """The parameter, in path or query, that says of which line the answer is; None: there is none."""
    is_of_no_line: bool = False
    """It tells nothing of any line."""
    is_cut: bool = False
    """Whoever names no line gets what is of its token's lines: the resource leaves out the rest."""

    def held_by(self, by: LineBy) -> "Right":
        return replace(self, by=by)

    def cut(self, by: LineBy | None = None) -> "Right":
        return replace(self, by=by, is_cut=True)


ANYBODY = Right(SCOPES, is_of_no_line=True)
"""Any token."""
READ = Right(("read",))
COUNTS = Right(("integrate", "read"))
"""What an integrator pulls, and every reader sees: counts, statements, gaps, reconciliations, exports."""
SERVICE = Right(("service",))
ADMIN = Right(("admin",))
BOOKING = Right(("integrate",))
"""Telling what was booked."""
LEAVING = Right(("integrate", "admin"))
"""Taking back what was told, or what somebody told who is gone."""
CARE = Right(("service", "admin"))
"""Looking after those who are told what is new."""

RIGHTS: Mapping[str, Right] = {
    "GET /": ANYBODY,
    "GET /problems/{kind}": ANYBODY,
    "GET /healthz": ANYBODY,
    "GET /readyz": ANYBODY,
    "GET /v1/controllers": READ,
    "GET /v1/controllers/{name}": READ,
    "GET /v1/controllers/{name}/mounts": READ,
    "GET /v1/controllers/{name}/counter": READ,
    "GET /v1/controllers/{name}/clock": READ,
    "GET /v1/controllers/{name}/reconciliation": COUNTS.held_by("controller"),
    "GET /v1/tools": READ,
    "GET /v1/tools/{serial}": READ,
    "GET /v1/tools/{serial}/cycles": READ,
    "GET /v1/tools/{serial}/curves": READ,
    "GET /v1/tools/{serial}/counts": COUNTS,
    "GET /v1/tools/{serial}/service": READ,
    "POST /v1/tools/{serial}/service": SERVICE,
    "GET /v1/cycles": COUNTS.cut("controller"),
    "GET /v1/cycles/{id}": READ.held_by("cycle"),
    "GET /v1/cycles/{id}/curve": READ,
    "GET /v1/faults": READ.cut("controller"),
    "GET /v1/gaps": COUNTS.cut("controller"),
    "GET /v1/quarantine": READ,
    "GET /v1/cycles/{id}/features": READ,
    "GET /v1/cycles/{id}/tolerance": READ,
    "GET /v1/tools/{serial}/tolerance": READ,
    "GET /v1/settings/changes": READ,
    "GET /v1/settings/changes/before": READ,
    "GET /v1/setups": READ,
    "GET /v1/controllers/{name}/setup": READ,
    "GET /v1/faults/summary": READ,
    "GET /v1/faults/comparison": READ,
    "GET /v1/faults/life": READ,
    "GET /v1/tools/{serial}/forecast": READ,
    "GET /v1/findings": READ,
    "GET /v1/findings/{commit_number}": READ,
    "POST /v1/findings/{commit_number}/acknowledgement": SERVICE,
    "GET /v1/tools/{serial}/causes": READ,
    "GET /v1/tools/{serial}/charts/{measure}": READ,
    "GET /v1/tools/{serial}/capability/{measure}": READ,
    "GET /v1/tools/{serial}/change-point/{measure}": READ,
    "GET /v1/containment": READ,
    "GET /v1/feed": COUNTS.cut(),
    "GET /v1/shifts": COUNTS.cut("line"),
    "GET /v1/counts": COUNTS.cut("line"),
    "GET /v1/statements/status": COUNTS.cut("line"),
    "GET /v1/statements": COUNTS.cut("line"),
    "GET /v1/statements/{line}/{plant_day}/{shift}": COUNTS.held_by("line"),
    "GET /v1/statements/{line}/{plant_day}/{shift}/revisions": COUNTS.held_by("line"),
    "GET /v1/statements/{line}/{plant_day}/{shift}/revisions/{revision}": COUNTS.held_by("line"),
    "GET /v1/receivers": CARE,
    "POST /v1/receivers/{name}/resume": CARE,
    "GET /v1/deliveries": CARE,
    "POST /v1/deliveries/{id}/replay": CARE,
    "POST /v1/exports": COUNTS.cut(),
    "GET /v1/exports": COUNTS.cut(),
    "GET /v1/exports/{id}": COUNTS.cut(),
    "GET /v1/exports/{id}/file": COUNTS.cut(),
    "DELETE /v1/exports/{id}": COUNTS.cut(),
    "GET /v1/receipts": COUNTS.cut(),
    "PUT /v1/receipts/{consumer}": BOOKING.cut(),
    "DELETE /v1/receipts/{consumer}": LEAVING.cut(),
    "GET /v1/asyncapi.json": ANYBODY,
    "GET /v1/tokens": ADMIN,
    "GET /v1/audit-trail": ADMIN,
}
"""Method and path as the OpenAPI document has them. The document itself is for anybody with a token."""

HEALTH = frozenset({"/healthz", "/readyz"})
"""Open to whoever asks on this machine, whatever the site file says of tokens."""
WITHOUT_TOKEN: frozenset[Scope] = frozenset({"read", "integrate", "service"})
"""What may be done on this machine without a token, where the site file lets it: all but watch others."""


def require_decisions(document: Mapping[str, Any]) -> None:
    """Raises: LookupError: the document has an operation without a row in RIGHTS, or a row is of none."""
    operations = {
        f"{method.upper()} {path}" for path, methods in document["paths"].items() for method in methods
    }
    if undecided := sorted(operations - set(RIGHTS)):
        raise LookupError(f"nobody has decided who may ask {', '.join(undecided)}: see api/access/rights.py")
    if idle := sorted(set(RIGHTS) - operations):
        raise LookupError(f"there is no operation {', '.join(idle)}: see api/access/rights.py")


def named_lines(
    right: Right, path: Mapping[str, Any], query: Sequence[tuple[str, str]], line_of: Mapping[str, str]
) -> set[str | None]:
    """The lines that were asked for; None stands for one that can't be told, and nothing: none was named.

    Args:
        path: parameters of the path; a controller's name is `name` there, and `controller` in the query.
        line_of: controller -> its line, as the site file has them.
    """
    if right.by is None:
        return set()
    in_path = {"line": "line", "controller": "name", "cycle": "id"}[right.by]
    named = [str(path[in_path])] if in_path in path else [value for name, value in query if name == right.by]
    if right.by == "line":
        return set(named)
    if right.by == "cycle":
        named = [each.rsplit(".", 2)[0] for each in named]
    return {line_of.get(each) for each in named}
