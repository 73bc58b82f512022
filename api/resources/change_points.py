"""When a tool's measure changed: the one change among its cycles, and where it may have begun."""

from typing import Any

import numpy as np
from fastapi import APIRouter, Request, Response

from api.answers import answer
from api.measured import Confidence, LastCycles, Measure, cycle_at, find_recent, find_subject, looked_at
from api.parameters import Maker, Model, Serial, Since, Until, in_order
from api.schemas import charts as schemas
from collector.analysis.change_point import ChangePoint, NoChange, change_point
from collector.store.measures import Series

router = APIRouter(prefix="/v1/tools", tags=["analysis"])


@router.get("/{serial:path}/change-point/{measure}", response_model=schemas.ChangePoint)
def show_change_point(
    request: Request,
    serial: Serial,
    measure: Measure,
    maker: Maker = None,
    model: Model = None,
    confidence: Confidence = 0.95,
    last: LastCycles = 10_000,
    since: Since = None,
    until: Until = None,
) -> Response:
    """The one change of a measure (of its mean, its spread, both, or the onset of a drift) over a tool's
    working cycles since its last restart (a service, a swap, a setting), or since an instant."""
    in_order(since, until)
    subject = find_subject(request.app.state.stores, serial, maker, model)
    series, restarts = find_recent(request.app.state.stores, subject, measure, last, since, until)
    found = change_point(series.values[measure], confidence)
    reason = found.reason if isinstance(found, NoChange) else None
    return answer(
        {
            "tool": subject.named,
            "measure": measure,
            "looked_at": looked_at(series, restarts, last),
            "confidence": confidence,
            "change": _change(found, series, measure) if isinstance(found, ChangePoint) else None,
            "no_change": reason,
            "p_value": found.p_value,
            "unknown": {"p_value": reason} if found.p_value is None and reason else {},
        }
    )


def _change(found: ChangePoint, series: Series, measure: str) -> dict[str, Any]:
    return {
        "kind": found.kind,
        "first_after": cycle_at(series, found.place),
        "earliest": cycle_at(series, found.earliest),
        "latest": cycle_at(series, found.latest),
        "ranges": _ranges(found, series, measure),
        **{
            name: getattr(found, name)
            for name in ("p_value", "mean_before", "mean_after", "sigma_before", "sigma_after", "lag_1")
        },
    }


def _ranges(found: ChangePoint, series: Series, measure: str) -> list[dict[str, Any]]:
    """The set as runs of cycles; those without the value, which can't be in it, break no run."""
    number = np.cumsum(np.isfinite(series.values[measure]))
    parts = np.split(found.set_places, np.flatnonzero(np.diff(number[found.set_places]) > 1) + 1)
    return [
        {
            "first": cycle_at(series, int(part[0])),
            "last": cycle_at(series, int(part[-1])),
            "cycles": part.size,
        }
        for part in parts
    ]
