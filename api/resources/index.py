"""Where everything begins: the list of resources, and what the kinds of problems mean."""

from typing import Annotated

from fastapi import APIRouter, Path, Request, Response
from pydantic import WithJsonSchema

from api.answers import answer
from api.problems import PROBLEMS, Problem
from api.schemas import common, records

router = APIRouter(tags=["index"])

LINKS = {
    "controllers": "/v1/controllers",
    "controller": "/v1/controllers/{name}",
    "mounts": "/v1/controllers/{name}/mounts",
    "counter": "/v1/controllers/{name}/counter",
    "clock": "/v1/controllers/{name}/clock",
    "reconciliation": "/v1/controllers/{name}/reconciliation?from=&to=",
    "tools": "/v1/tools",
    "tool": "/v1/tools/{serial}",
    "cycles": "/v1/tools/{serial}/cycles?last=500",
    "curves": "/v1/tools/{serial}/curves?last=5",
    "counts": "/v1/tools/{serial}/counts?from=&to=",
    "service": "/v1/tools/{serial}/service",
    "forecast": "/v1/tools/{serial}/forecast",
    "causes": "/v1/tools/{serial}/causes?at=",
    "all_cycles": "/v1/cycles?from={from}&to={to}",
    "cycle": "/v1/cycles/{id}",
    "curve": "/v1/cycles/{id}/curve",
    "features": "/v1/cycles/{id}/features",
    "tolerance": "/v1/tools/{serial}/tolerance?band=",
    "distance": "/v1/cycles/{id}/tolerance",
    "setups": "/v1/setups",
    "setup": "/v1/controllers/{name}/setup",
    "setting_changes": "/v1/settings/changes",
    "changes_before": "/v1/settings/changes/before?tool={serial}&at=",
    "charts": "/v1/tools/{serial}/charts/{measure}",
    "capability": "/v1/tools/{serial}/capability/{measure}",
    "change_point": "/v1/tools/{serial}/change-point/{measure}",
    "containment": "/v1/containment?tool={serial}&measure={measure}",
    "faults": "/v1/faults",
    "fault_summary": "/v1/faults/summary?by=code",
    "fault_life": "/v1/faults/life",
    "fault_comparison": "/v1/faults/comparison?from={from}&second_from={second_from}&second_to={second_to}",
    "findings": "/v1/findings?state=open",
    "finding": "/v1/findings/{commit_number}",
    "gaps": "/v1/gaps?state=all",
    "quarantine": "/v1/quarantine",
    "feed": "/v1/feed?wait=0",
    "shifts": "/v1/shifts",
    "statements": "/v1/statements",
    "statement_status": "/v1/statements/status",
    "statement": "/v1/statements/{line}/{plant_day}/{shift}",
    "revisions": "/v1/statements/{line}/{plant_day}/{shift}/revisions",
    "revision": "/v1/statements/{line}/{plant_day}/{shift}/revisions/{revision}",
    "interval_counts": "/v1/counts?by=controller,result",
    "receivers": "/v1/receivers",
    "deliveries": "/v1/deliveries?state=dead",
    "exports": "/v1/exports",
    "export": "/v1/exports/{id}",
    "export_file": "/v1/exports/{id}/file",
    "receipts": "/v1/receipts",
    "publishing": "/v1/asyncapi.json",
    "tokens": "/v1/tokens",
    "audit_trail": "/v1/audit-trail",
    "alive": "/healthz",
    "ready": "/readyz",
    "document": "/v1/openapi.json",
}

ProblemKind = Annotated[
    str,
    WithJsonSchema({"type": "string", "enum": sorted(PROBLEMS)}),
    Path(description="Last part of a problem's `type`."),
]


@router.get("/", response_model=records.Index)
def show_index(request: Request) -> Response:
    """The resources there are."""
    return answer({"name": "clampbook", "site": request.app.state.site.site.name, "links": LINKS})


@router.get("/problems/{kind}", response_model=common.ProblemKind)
def show_problem_kind(kind: ProblemKind) -> Response:
    """What a kind of problem means, and what to do."""
    known = PROBLEMS.get(kind)
    if known is None:
        raise Problem("no-such-resource", f"there is no kind of problem called {kind}")
    return answer(
        {"type": f"/problems/{kind}", "title": known.title, "status": known.status, "advice": known.advice}
    )
