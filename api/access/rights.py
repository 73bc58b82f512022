"""Who may do what: each operation of the API has its row here, and an operation without one stops the start.

A row names the scopes of which one is needed, the one that brings least first, and how an answer is held to a
line: a token that is for some lines only gets nothing where there is no telling.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from collector.store.tokens import SCOPES, Scope

LineBy = Literal["line", "controller"]


@dataclass(frozen=True, slots=True)
class Right:
    scopes: tuple[Scope, ...]
    """One of them is needed; all that read are let in where `read` is."""
    by: LineBy | None = None
    """The parameter, in path or query, that says of which line the answer is; None: there is none."""
    is_of_no_line: bool = False
    """It tells nothing of any line."""

    def held_by(self, by: LineBy) -> "Right":
        return replace(self, by=by)


ANYBODY = Right(SCOPES, is_of_no_line=True)
"""Any token."""
READ = Right(("read",))
COUNTS = Right(("integrate", "read"))
"""What an integrator pulls, and every reader sees: counts, statements, gaps, reconciliations, exports."""
SERVICE = Right(("service",))
ADMIN = Right(("admin",))
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
    "GET /v1/cycles": READ,
    "GET /v1/cycles/{id}": READ,
    "GET /v1/cycles/{id}/curve": READ,
    "GET /v1/faults": READ,
    "GET /v1/gaps": COUNTS.held_by("controller"),
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
    "GET /v1/feed": COUNTS,
    "GET /v1/shifts": COUNTS.held_by("line"),
    "GET /v1/counts": COUNTS.held_by("line"),
    "GET /v1/statements/status": COUNTS.held_by("line"),
    "GET /v1/statements": COUNTS.held_by("line"),
    "GET /v1/statements/{line}/{plant_day}/{shift}": COUNTS.held_by("line"),
    "GET /v1/statements/{line}/{plant_day}/{shift}/revisions": COUNTS.held_by("line"),
    "GET /v1/statements/{line}/{plant_day}/{shift}/revisions/{revision}": COUNTS.held_by("line"),
    "GET /v1/receivers": CARE,
    "POST /v1/receivers/{name}/resume": CARE,
    "GET /v1/deliveries": CARE,
    "POST /v1/deliveries/{id}/replay": CARE,
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
    """The lines that the answer is of; None stands for one that can't be told.

    Args:
        path: parameters of the path; a controller's name is `name` there, and `controller` in the query.
        line_of: controller -> its line, as the site file has them.
    """
    if right.by is None:
        return {None}
    in_path = {"line": "line", "controller": "name"}[right.by]
    named = [str(path[in_path])] if in_path in path else [value for name, value in query if name == right.by]
    if right.by == "controller":
        return {line_of.get(each) for each in named} or {None}
    return set(named) or {None}
