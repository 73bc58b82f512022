"""Capability of a tool's measure against its specification limits, with intervals."""

from dataclasses import fields
from math import isinf
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response

from api.answers import answer
from api.measured import Confidence, LastCycles, Measure, Subject, find_recent, find_subject, looked_at
from api.parameters import Maker, Model, Serial, Since, Until, in_order, mistake
from api.problems import Problem
from api.schemas import charts as schemas
from collector.analysis.capability import Capability, Index, NoCapability, Specification, capability
from collector.config import Site

router = APIRouter(prefix="/v1/tools", tags=["analysis"])

NORMAL = ("cp", "cpk", "pp", "ppk")
DISTRIBUTION_FREE = ("percentile_pp", "percentile_ppk", "equivalent_ppk")
SPREADS = ("cp", "pp", "percentile_pp")
"""Indices that need both limits."""

Lower = Annotated[
    float | None, Query(description="Specification limit, in the measure's unit, instead of the site file's.")
]
Upper = Annotated[float | None, Query(description="As `lower`; one of both is enough.")]


@router.get("/{serial:path}/capability/{measure}", response_model=schemas.Capability)
def show_capability(
    request: Request,
    serial: Serial,
    measure: Measure,
    maker: Maker = None,
    model: Model = None,
    lower: Lower = None,
    upper: Upper = None,
    confidence: Confidence = 0.95,
    last: LastCycles = 10_000,
    since: Since = None,
    until: Until = None,
) -> Response:
    """Cp, Cpk, Pp and Ppk of a measure over a tool's working cycles since its last restart (a service, a
    swap, a setting), or since an instant; where the values are not normal, indices that need no
    distribution. Fewer than 25 values are refused, with the reason in the answer."""
    in_order(since, until)
    subject = find_subject(request.app.state.stores, serial, maker, model)
    specification, source = _specification(request.app.state.site, subject, measure, lower, upper)
    series, restarts = find_recent(request.app.state.stores, subject, measure, last, since, until)
    found = capability(series.values[measure], specification, confidence)
    figures = None if isinstance(found, NoCapability) else _figures(found)
    return answer(
        {
            "tool": subject.named,
            "measure": measure,
            "looked_at": looked_at(series, restarts, last),
            "specification": {
                "lower": specification.lower,
                "upper": specification.upper,
                "source": source,
            },
            "confidence": confidence,
            "refused": found.refused if isinstance(found, NoCapability) else None,
            "figures": figures,
            "unknown": _unknown(found, specification),
        }
    )


def _specification(
    site: Site, subject: Subject, measure: str, lower: float | None, upper: float | None
) -> tuple[Specification, str]:
    """Raises: Problem: no limits are known, or they are none."""
    if lower is not None or upper is not None:
        try:
            return Specification(lower, upper), "query"
        except ValueError as error:
            raise mistake("upper" if lower is None else "lower", str(error)) from None
    known = site.tool_model(subject.name.maker, subject.name.model)
    limits = None if known is None else known.limits.get(measure)
    if limits is None:
        raise Problem(
            "no-limits",
            f"no specification limits of {measure} are known for {subject.name.maker} {subject.name.model}: "
            "give lower, upper or both, or write them into limits of its [[tool_models]] in the site file",
        )
    return limits.specification, "site"


def _figures(found: Capability) -> dict[str, Any]:
    shown: dict[str, Any] = {
        each.name: getattr(found, each.name)
        for each in fields(found)
        if each.name not in ("count", "confidence")
    }
    return (
        shown
        | {"values": found.count}
        | {name: _index(shown[name]) for name in (*NORMAL, *DISTRIBUTION_FREE)}
    )


def _index(found: Index | None) -> dict[str, Any] | None:
    return (
        None if found is None else {each.name: _finite(getattr(found, each.name)) for each in fields(found)}
    )


def _finite(figure: Any) -> Any:
    return None if isinstance(figure, float) and isinf(figure) else figure


def _unknown(found: Capability | NoCapability, specification: Specification) -> dict[str, str]:
    if isinstance(found, NoCapability):
        return {"figures": found.refused}
    p_value = found.normality.p_value
    why = (
        dict.fromkeys(DISTRIBUTION_FREE, f"the values pass for normal (p = {p_value:.2g}): see cp to ppk")
        if found.normality.normal
        else dict.fromkeys(
            NORMAL, f"the values are not normal (p = {p_value:.2g}): see percentile_ppk and equivalent_ppk"
        )
    )
    if specification.lower is None or specification.upper is None:
        why = dict.fromkeys(SPREADS, "it needs both limits") | why
    for name in (*NORMAL, *DISTRIBUTION_FREE):
        index: Index | None = getattr(found, name)
        if index is not None and isinf(index.estimate):
            why[f"{name}.estimate"] = "no value is out of specification: only `low` can be told"
    return {f"figures.{name}": reason for name, reason in why.items()}
