"""Where everything begins: the list of resources, and what the kinds of problems mean."""

from typing import Annotated

from fastapi import APIRouter, Path, Request, Response

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
    "charts": "/v1/tools/{serial}/charts/{measure}",
    "capability": "/v1/tools/{serial}/capability/{measure}",
    "change_point": "/v1/tools/{serial}/change-point/{measure}",
    "cycle": "/v1/cycles/{id}",
    "curve": "/v1/cycles/{id}/curve",
    "containment": "/v1/containment?tool={serial}&measure={measure}",
    "faults": "/v1/faults",
    "gaps": "/v1/gaps?state=all",
    "quarantine": "/v1/quarantine",
    "alive": "/healthz",
    "ready": "/readyz",
    "document": "/v1/openapi.json",
}


@router.get("/", response_model=records.Index)
def show_index(request: Request) -> Response:
    """The resources there are."""
    return answer({"name": "clampbook", "site": request.app.state.site.site.name, "links": LINKS})


@router.get("/problems/{kind}", response_model=common.ProblemKind)
def show_problem_kind(kind: Annotated[str, Path(description="Last part of a problem's `type`.")]) -> Response:
    """What a kind of problem means, and what to do."""
    known = PROBLEMS.get(kind)
    if known is None:
        raise Problem("no-such-resource", f"there is no kind of problem called {kind}")
    return answer(
        {"type": f"/problems/{kind}", "title": known.title, "status": known.status, "advice": known.advice}
    )
