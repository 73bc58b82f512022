"""How often tools fault: Pareto with exposure, rates with exact intervals, means between faults."""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any

import numpy as np
from fastapi import APIRouter, Query, Request, Response
from sqlalchemy import Connection

from api.cautions import CAUTIONS
from api.paging import Row, page
from api.parameters import CategoryFilter, ControllerName, From, Maker, Model, Text, To, ToolFilter, mistake
from api.resources.cycles import named
from api.schemas import fault_rates
from collector.analysis.faults import Bar, Exposure, bursts, mean_between, pareto, rate
from collector.config import Site
from collector.model import ToolName
from collector.shifts import ShiftPlan
from collector.store.exposure import (
    HOUR_US,
    Fault,
    Made,
    Mounted,
    Place,
    Scope,
    count_cycles,
    count_stretches,
    find_faults_of,
    find_mounted,
    find_places,
    find_tool_names,
    gap_cycles_in,
    hours_in,
)
from collector.store.queries import NOBODY_COUNTED, find_controller_id, find_tool
from collector.store.tables import to_us

router = APIRouter(prefix="/v1/faults", tags=["faults"])

CONFIDENCE = 0.95
USUAL = timedelta(days=28)
MOST = timedelta(days=366)
OUTSIDE = "outside"
SECOND_US = 1_000_000
NO_CYCLE = "no cycle was made"
NO_HOUR = "no tool was seen mounted"
NO_FAULT = "no fault was seen: only the least that it can be is known"
NO_TOOL_KNOWN = "no tool was known at the controller when these were raised"

Code = Annotated[Text | None, Query(description="Only faults of this code.")]


@router.get("/summary", response_model=fault_rates.FaultSummary)
def summarize_faults(
    request: Request,
    by: Annotated[fault_rates.By, Query(description="What the bars are.")] = "code",
    since: From = None,
    until: To = None,
    tool: ToolFilter = None,
    maker: Maker = None,
    model: Model = None,
    controller: ControllerName = None,
    code: Code = None,
    category: CategoryFilter = None,
) -> Response:
    """Faults raised in [`from`, `to`) by code, tool, station or shift, the most first; usually the last 28
    days. A fault that was raised and cleared between two looks at a controller was seen by nobody. A shift is
    one of its line's plan; `outside` is what is in no shift."""
    begin, end = interval(since, until, datetime.now(UTC))
    site: Site = request.app.state.site
    with request.app.state.stores.book() as connection:
        asked = ask(connection, tool, maker, model, controller)
        known = read(connection, asked, begin, end, code, category)
        shifts = _shifts(connection, site, asked.scope, known)
    groups = _groups(by, known, shifts)
    stood = np.array([_stood_s(each) for each in known.faults], dtype=np.float64)
    bars = pareto(
        [groups.label_of(each) for each in known.faults],
        stood,
        exposure=groups.exposure,
        confidence=CONFIDENCE,
    )
    return page(
        request,
        [_bar(bar, groups) for bar in bars],
        None,
        by=by,
        tool=asked.tool,
        controller=controller,
        begins_at=begin,
        ends_at=end,
        total={
            "count": len(known.faults),
            "standing_s": float(np.nansum(stood)),
            "untimed": int(np.isnan(stood).sum()),
        },
        without_tool=sum(known.tools[each.tool_id] is None for each in known.faults),
        exposure=exposure(known),
        rates=rates(len(known.faults), known.exposure),
        bursts=_bursts(shifts),
        confidence=CONFIDENCE,
        cautions=CAUTIONS,
    )


# ---- what the book says ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Asked:
    """Whose faults."""

    scope: Scope
    tool: Row | None
    """As it goes out."""


@dataclass(frozen=True, slots=True)
class Known:
    """Faults of an interval and what they came out of, read within one transaction."""

    begin: datetime
    end: datetime
    faults: list[Fault]
    made: list[Made]
    mounted: list[Mounted]
    gap_cycles: int | None
    tools: dict[int, ToolName | None]
    places: dict[int, Place]

    @property
    def exposure(self) -> Exposure:
        return _sum(self.made, self.mounted)


def ask(
    connection: Connection, tool: str | None, maker: str | None, model: str | None, controller: str | None
) -> Asked:
    """Raises: NotInBook, AmbiguousTool, AmbiguousModel."""
    found = None if tool is None else find_tool(connection, tool, maker, model)
    controllers = None if controller is None else (find_controller_id(connection, controller),)
    if found is None:
        return Asked(Scope(None, controllers), None)
    return Asked(Scope(found["tool_id"], controllers), named(found))


def read(
    connection: Connection,
    asked: Asked,
    begin: datetime,
    end: datetime,
    code: str | None,
    category: str | None,
) -> Known:
    return Known(
        begin=begin,
        end=end,
        faults=find_faults_of(connection, asked.scope, begin, end, code=code, category=category),
        made=count_cycles(connection, asked.scope, begin, end),
        mounted=find_mounted(connection, asked.scope, begin, end),
        gap_cycles=gap_cycles_in(connection, asked.scope, begin, end),
        tools=find_tool_names(connection),
        places=find_places(connection),
    )


def interval(
    since: datetime | None,
    until: datetime | None,
    now: datetime,
    names: tuple[str, str] = ("from", "to"),
) -> tuple[datetime, datetime]:
    """Raises: Problem: it is empty, or longer than a year."""
    end = until or max(now, since or now)
    begin = since or end - USUAL
    if not begin < end:
        raise mistake(names[1], f"{names[1]} must be after {names[0]}")
    if end - begin > MOST:
        raise mistake(names[1], f"{names[1]} must be at most {MOST.days} days after {names[0]}")
    return begin, end


def _sum(made: Sequence[Made], mounted: Sequence[Mounted]) -> Exposure:
    hours = sum(each.end_us - each.begin_us for each in mounted) / HOUR_US
    return Exposure(sum(each.cycles for each in made), hours)


# ---- shifts ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Shifts:
    """The shifts of one plan that reach into the interval, cut to it; they tile it."""

    controller_ids: tuple[int, ...]
    """That work by it."""
    names: list[str]
    begins_us: list[int]
    exposures: list[Exposure]
    faults: list[int]

    def name_at(self, us: int) -> str:
        return self.names[bisect_right(self.begins_us, us) - 1]


def _shifts(connection: Connection, site: Site, scope: Scope, known: Known) -> list[Shifts]:
    plans: dict[ShiftPlan, list[int]] = defaultdict(list)
    for controller_id, place in known.places.items():
        if scope.controller_ids is None or controller_id in scope.controller_ids:
            plans[site.plan(place.line)].append(controller_id)
    if len(plans) == 1:  # of all that was asked for
        return [_of_plan(connection, plan, scope, known, tuple(ids)) for plan, ids in plans.items()]
    return [
        _of_plan(connection, plan, Scope(scope.tool_id, tuple(ids)), known, tuple(ids))
        for plan, ids in plans.items()
    ]


def _of_plan(
    connection: Connection, plan: ShiftPlan, scope: Scope, known: Known, controller_ids: tuple[int, ...]
) -> Shifts:
    occurrences = list(plan.occurrences(known.begin, known.end))
    stretches = [
        (to_us(max(each.begins_at, known.begin)), to_us(min(each.ends_at, known.end))) for each in occurrences
    ]
    begins = [begin for begin, _ in stretches]
    here = set(controller_ids)
    hours = hours_in([each for each in known.mounted if each.controller_id in here], stretches)
    cycles = count_stretches(connection, scope, stretches)
    raised = [each.raised_us for each in known.faults if each.controller_id in here]
    return Shifts(
        controller_ids=controller_ids,
        names=[OUTSIDE if each.is_outside else each.shift for each in occurrences],
        begins_us=begins,
        exposures=[
            Exposure(made, lasted) for made, lasted in zip(cycles.tolist(), hours.tolist(), strict=True)
        ],
        faults=np.bincount(np.searchsorted(begins, raised, side="right") - 1, minlength=len(begins)).tolist(),
    )


def _bursts(shifts: Sequence[Shifts]) -> dict[str, Any]:
    """Faults in shifts without a cycle are left out: nothing could be expected there."""
    counts = np.array([count for plan in shifts for count in plan.faults], dtype=np.int64)
    cycles = np.array([each.cycles for plan in shifts for each in plan.exposures], dtype=np.float64)
    found = bursts(counts[cycles > 0], cycles[cycles > 0])
    names = ("dispersion", "p_value")
    return {name: getattr(found, name) for name in names} | {
        "unknown": dict.fromkeys(names, found.refused) if found.refused else {}
    }


# ---- bars --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Groups:
    """What the bars are."""

    label_of: Callable[[Fault], str | None]
    exposure: Mapping[str, Exposure]
    of: Mapping[str, Mapping[str, Any]]
    """Label -> what it stands for."""


def _groups(by: fault_rates.By, known: Known, shifts: Sequence[Shifts]) -> Groups:
    match by:
        case "code":
            return _by_code(known)
        case "tool":
            return _by_tool(known)
        case "station":
            return _by_station(known)
        case "shift":
            return _by_shift(shifts)


def _by_code(known: Known) -> Groups:
    """A code can't be foreseen, so all codes have the whole exposure."""
    kinds = {(each.code, each.text, each.category) for each in known.faults}
    codes = [code for code, *_ in kinds]
    labels = {
        kind: kind[0] if codes.count(kind[0]) == 1 else f"{kind[0]} ({kind[1]}, {kind[2]})" for kind in kinds
    }
    of = {label: dict(zip(("code", "text", "category"), kind, strict=True)) for kind, label in labels.items()}
    return Groups(
        label_of=lambda each: labels[each.code, each.text, each.category],
        exposure=dict.fromkeys(of, known.exposure),
        of=of,
    )


def _by_tool(known: Known) -> Groups:
    """Tools that were there, or had a fault."""
    there = {each.tool_id for rows in (known.made, known.mounted, known.faults) for each in rows}
    names = {number: name for number, name in known.tools.items() if name is not None and number in there}
    serials = [name.serial for name in names.values()]
    labels = {
        number: name.serial
        if serials.count(name.serial) == 1
        else f"{name.serial} ({name.maker} {name.model})"
        for number, name in names.items()
    }
    return Groups(
        label_of=lambda each: labels.get(each.tool_id),
        exposure=_exposures(known, lambda each: labels.get(each.tool_id)),
        of={labels[number]: asdict(name) for number, name in names.items()},
    )


def _by_station(known: Known) -> Groups:
    labels = {number: f"{place.line}, {place.station}" for number, place in known.places.items()}
    return Groups(
        label_of=lambda each: labels[each.controller_id],
        exposure=_exposures(known, lambda each: labels[each.controller_id]),
        of={labels[number]: place._asdict() for number, place in known.places.items()},
    )


def _by_shift(shifts: Sequence[Shifts]) -> Groups:
    plans = {number: plan for plan in shifts for number in plan.controller_ids}
    sums: dict[str, Exposure] = defaultdict(lambda: Exposure(0, 0.0))
    for plan in shifts:
        for name, each in zip(plan.names, plan.exposures, strict=True):
            sums[name] = Exposure(sums[name].cycles + each.cycles, sums[name].hours + each.hours)
    return Groups(
        label_of=lambda each: plans[each.controller_id].name_at(each.raised_us),
        exposure=sums,
        of={name: {"shift": name} for name in sums},
    )


def _exposures(known: Known, label_of: Callable[[Made | Mounted], str | None]) -> dict[str, Exposure]:
    made, mounted = _by(known.made, label_of), _by(known.mounted, label_of)
    return {
        label: _sum(made.get(label, ()), mounted.get(label, ()))
        for label in (made | mounted)
        if label is not None
    }


def _by(rows: Sequence[Any], key_of: Callable[[Any], Hashable]) -> dict[Any, list[Any]]:
    found: dict[Any, list[Any]] = defaultdict(list)
    for each in rows:
        found[key_of(each)].append(each)
    return found


def _bar(bar: Bar, groups: Groups) -> dict[str, Any]:
    out_of = None if bar.label is None else groups.exposure.get(bar.label, Exposure(0, 0.0))
    nobody = dict.fromkeys(("label", "of", "exposure", "rates"), NO_TOOL_KNOWN)
    return {
        "label": bar.label,
        "of": None if bar.label is None else groups.of[bar.label],
        "count": bar.count,
        "share": bar.share,
        "cumulative_share": bar.cumulative_share,
        "standing_s": bar.standing_s,
        "untimed": bar.untimed,
        "exposure": None if out_of is None else asdict(out_of),
        "rates": None if out_of is None else rates(bar.count, out_of),
        "unknown": nobody if out_of is None else {},
    }


def _stood_s(each: Fault) -> float:
    return np.nan if each.cleared_us is None else (each.cleared_us - each.raised_us) / SECOND_US


# ---- shapes ------------------------------------------------------------------------------------------------


def exposure(known: Known) -> dict[str, Any]:
    unknown = {} if known.gap_cycles is not None else {"gap_cycles": NOBODY_COUNTED}
    return asdict(known.exposure) | {"gap_cycles": known.gap_cycles, "unknown": unknown}


def rates(count: int, out_of: Exposure) -> dict[str, Any]:
    """Rates and means between, null with the reason where nothing was made or run."""
    found = asdict(rate(count, out_of, CONFIDENCE))
    shown: dict[str, Any] = {name: found[name] for name in found if name not in ("count", "confidence")}
    unknown = {
        name: NO_CYCLE if name.endswith("cycles") else NO_HOUR
        for name, value in shown.items()
        if value is None
    }
    for unit, amount, nothing in (("cycles", out_of.cycles, NO_CYCLE), ("hours", out_of.hours, NO_HOUR)):
        names = [f"{bound}_{unit}_between" for bound in ("mean", "low", "high")]
        if amount == 0:
            shown |= dict.fromkeys(names)
            unknown |= dict.fromkeys(names, nothing)
            continue
        between = mean_between(count, amount, CONFIDENCE)
        shown |= dict(zip(names, (between.mean, between.low, between.high), strict=True))
        if count == 0:
            shown[names[2]] = None
            unknown |= dict.fromkeys((names[0], names[2]), NO_FAULT)
    return shown | {"unknown": unknown}
