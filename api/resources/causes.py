"""What may lie behind a change in a tool's cycles: two stretches of them compared."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from math import expm1, isfinite
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response
from sqlalchemy import Connection

from api.answers import answer
from api.cautions import CAUTIONS
from api.parameters import ControllerName, Instant, Maker, Model, Serial, mistake
from api.resources.cycles import named
from api.schemas import findings
from collector.analysis.before_after import OF_WINDOWS, SIDE_CYCLES, Cycles, window
from collector.analysis.causes import Effect, FaultCodes, likely_causes
from collector.analysis.change_point import ChangePoint, change_point
from collector.analysis.noticed import ended_at
from collector.config import Site
from collector.store.findings import find_findings
from collector.store.measures import Series, cycles_of, find_series
from collector.store.queries import Record, find_tool

router = APIRouter(prefix="/v1/tools", tags=["findings"])

NEWEST = 1000
"""Cycles among which a change of the punch velocity is looked for."""
WINDOW_MOST = 5000
"""Cycles of a window that was asked for; of a longer one the newest."""
SHIFTS = frozenset({"punch_slowing", "measure_shifted"})
NOTHING_SPLITS = (
    "can't tell: neither does the punch velocity change among the newest cycles, nor is there a finding of a "
    "shift; say at which instant with at=, or give both windows"
)

At = Annotated[
    Instant | None,
    Query(description=f"The change: the {SIDE_CYCLES} cycles before it against those from it on."),
]
Bound = Annotated[
    Instant | None,
    Query(description="One of four bounds of two half-open windows, instead of `at`; give all four."),
]


@dataclass(frozen=True, slots=True)
class Split:
    before: Cycles
    after: Cycles
    by: str
    at: datetime | None = None


@router.get("/{serial:path}/causes", response_model=findings.Causes)
def show_causes(
    request: Request,
    serial: Serial,
    maker: Maker = None,
    model: Model = None,
    controller: ControllerName = None,
    at: At = None,
    before_from: Bound = None,
    before_to: Bound = None,
    after_from: Bound = None,
    after_to: Bound = None,
) -> Response:
    """Likely causes of a change in a tool's cycles, strongest first, with the evidence. Without bounds the
    change of the punch velocity among the newest 1,000 cycles splits them, else the begin of the newest
    finding of a shift. It can't always be told: then `verdict` is null and `why` says why."""
    bounds = {
        "before_from": before_from,
        "before_to": before_to,
        "after_from": after_from,
        "after_to": after_to,
    }
    _check_bounds(at, bounds)
    site: Site = request.app.state.site
    with request.app.state.stores.book() as connection:
        tool = find_tool(connection, serial, maker, model)
        split = _split(connection, tool["tool_id"], controller, at, bounds)
    if split is None:
        return answer(_nothing_to_compare(tool))
    kind = site.tool_model(tool["maker"], tool["model"])
    wheel = kind.wheel if kind else None
    codes = FaultCodes(site.analysis.no_band_codes, site.analysis.not_formed_codes)
    everything = slice(None)
    found = likely_causes(
        window(split.before, everything, wheel), window(split.after, everything, wheel), codes
    )
    unknown = {} if found.verdict else {"verdict": found.why}
    if split.at is None:
        unknown["split_at"] = "the windows were given"
    if not codes.no_band and not codes.not_formed:
        unknown["causes.no band"] = (
            "the site file names no fault codes in [analysis]: no_band_codes, not_formed_codes"
        )
    return answer(
        {
            "tool": named(tool),
            "split_at": split.at,
            "split_by": split.by,
            "before": _side(split.before),
            "after": _side(split.after),
            "verdict": found.verdict,
            "why": found.why,
            "causes": [
                {
                    "cause": each.cause,
                    "strength": each.strength,
                    "low": _finite(each.low),
                    "high": _finite(each.high),
                    "evidence": each.evidence,
                }
                for each in found.ranked
            ],
            "effects": [_effect(each) for each in found.effects],
            "unknown": unknown,
            "cautions": CAUTIONS,
        }
    )


def _check_bounds(at: datetime | None, bounds: Mapping[str, datetime | None]) -> None:
    """Raises: Problem."""
    given = [name for name, bound in bounds.items() if bound is not None]
    if at is not None and given:
        raise mistake("at", f"give either at or the four bounds, not at and {given[0]}")
    if given and len(given) < len(bounds):
        missing = ", ".join(name for name in bounds if name not in given)
        raise mistake(given[0], f"two windows have four bounds; not given: {missing}")
    told = [bound for bound in bounds.values() if bound is not None]
    if told != sorted(told):
        names = ", ".join(bounds)
        raise mistake(given[0], f"the bounds must follow one another: {names}")


def _split(
    connection: Connection,
    tool_id: int,
    controller: str | None,
    at: datetime | None,
    bounds: Mapping[str, datetime | None],
) -> Split | None:
    def cycles(**which: Any) -> Series:
        return find_series(
            connection, tool_id, OF_WINDOWS, controller_name=controller, working_only=False, **which
        )

    if bounds["before_from"] is not None:
        windows = [
            cycles(since=bounds[f"{side}_from"], until=bounds[f"{side}_to"], last=WINDOW_MOST)
            for side in ("before", "after")
        ]
        return Split(cycles_of(windows[0]), cycles_of(windows[1]), "the windows that were asked for")
    by = "the instant that was asked for"
    if at is None:
        found = _change(connection, tool_id, controller, cycles_of(cycles(last=NEWEST)))
        if found is None:
            return None
        at, by = found
    before, after = cycles(until=at, last=SIDE_CYCLES), cycles(since=at, first=SIDE_CYCLES)
    return Split(cycles_of(before), cycles_of(after), by, at)


def _change(
    connection: Connection, tool_id: int, controller: str | None, newest: Cycles
) -> tuple[datetime, str] | None:
    """When something changed, and what tells it."""
    velocity = newest.values["punch_velocity_m_s"].copy()
    velocity[~newest.working] = float("nan")
    change = change_point(velocity)
    if isinstance(change, ChangePoint):
        return ended_at(newest, change.place), f"change of the punch velocity (p = {change.p_value:.2g})"
    for each in find_findings(connection, tool_id=tool_id, controller_name=controller, last=None):
        if each["kind"] in SHIFTS:
            return each["began_at"], f"begin of finding {each['commit_number']}: {each['says']}"
    return None


def _nothing_to_compare(tool: Record) -> dict[str, Any]:
    unknown = dict.fromkeys(("split_at", "before", "after", "verdict"), NOTHING_SPLITS)
    return {
        "tool": named(tool),
        "split_at": None,
        "split_by": "nothing",
        "before": None,
        "after": None,
        "verdict": None,
        "why": NOTHING_SPLITS,
        "causes": [],
        "effects": [],
        "unknown": unknown,
        "cautions": CAUTIONS,
    }


def _side(cycles: Cycles) -> dict[str, Any]:
    count = len(cycles)
    return {
        "cycles": count,
        "first_cycle": cycles.ids[0] if count else None,
        "last_cycle": cycles.ids[-1] if count else None,
        "begins_at": ended_at(cycles, 0) if count else None,
        "ends_at": ended_at(cycles, -1) if count else None,
    }


def _effect(effect: Effect) -> dict[str, Any]:
    share = effect.unit == "share"
    change, low, high = (
        value if share or not isfinite(value) else expm1(value)
        for value in (effect.change, effect.low, effect.high)
    )
    return {
        "measure": effect.measure,
        "unit": effect.unit,
        "before": effect.before,
        "after": effect.after,
        "change": change,
        "low": _finite(low),
        "high": _finite(high),
        "values_before": effect.values_before,
        "values_after": effect.values_after,
        "says": effect.words,
    }


def _finite(value: float) -> float | None:
    return value if isfinite(value) else None
