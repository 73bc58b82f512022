"""How long it goes well between faults, whether that changes, and what is to be expected; in cycles.

Ages are cycles made since the interval began, or since the fault before. Of a fault it is only known between
which two cycles it came, so it is put half way.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

import numpy as np
from fastapi import APIRouter, Request, Response
from sqlalchemy import Connection

from api.answers import answer
from api.cautions import CAUTIONS
from api.parameters import CategoryFilter, ControllerName, From, Maker, Model, To, ToolFilter, mistake
from api.resources.fault_rates import (
    CONFIDENCE,
    NO_CYCLE,
    Asked,
    Code,
    Known,
    ask,
    exposure,
    interval,
    read,
)
from api.schemas import fault_rates
from collector.analysis.life import (
    Floats,
    Lives,
    Refused,
    Weibull,
    changing_counts,
    changing_rate,
    fit_weibull,
    lives,
    mean_cumulative,
)
from collector.store.exposure import Scope, count_stretches
from collector.store.tables import to_us

router = APIRouter(prefix="/v1/faults", tags=["faults"])

MOST_FAULTS = 5_000
MOST_STEPS = 200
STRETCHES = 12
"""Equal stretches of time in which the faults of several tools are counted."""
HALF_WAY = 0.5
TREND = ("shape", "p_value", "cycles_between_at_end", "low_cycles_between", "high_cycles_between")
LIFE = ("shape", "low_shape", "high_shape", "scale", "low_scale", "high_scale")
FROM_NOW = ("cycles_since_last", "cycles_at_90_percent", "cycles_at_50_percent")
SEVERAL = "several tools were watched: name one"
NO_FAULT = "it had no fault in this interval"


@router.get("/life", response_model=fault_rates.FaultLife)
def fault_lives(
    request: Request,
    since: From = None,
    until: To = None,
    tool: ToolFilter = None,
    maker: Maker = None,
    model: Model = None,
    controller: ControllerName = None,
    code: Code = None,
    category: CategoryFilter = None,
) -> Response:
    """How many cycles go well between two faults of a tool, of those raised in [`from`, `to`), usually the
    last 28 days: their Weibull life, the last stretch of each tool cut off by the interval's end; whether
    they come ever faster; of one tool, how many more it makes until the next; and how many faults a tool has
    had on average by so many cycles."""
    begin, end = interval(since, until, datetime.now(UTC))
    with request.app.state.stores.book() as connection:
        asked = ask(connection, tool, maker, model, controller)
        known = read(connection, asked, begin, end, code, category)
        if len(known.faults) > MOST_FAULTS:
            raise mistake(
                "from", f"{len(known.faults)} faults are too many: ask for a shorter time, or a code"
            )
        watched = _watched(connection, asked, known)
        trend = _trend(watched) or _trend_of_several(connection, asked, known)
    stretches = [lives(at, 0.0, length, new_at_begin=False) for at, length in watched.values()]
    life = _life(stretches)
    return answer(
        {
            "tool": asked.tool,
            "controller": controller,
            "begins_at": begin,
            "ends_at": end,
            "count": len(known.faults),
            "exposure": exposure(known),
            "life": _shown_life(stretches, life),
            "trend": trend,
            "from_now": _from_now(watched, life),
            "mean_faults": _mean_faults(watched),
            "confidence": CONFIDENCE,
            "cautions": CAUTIONS,
        }
    )


Watched = Mapping[int, tuple[Floats, float]]
"""Tool -> its age in cycles at each of its faults, and at the interval's end."""


def _watched(connection: Connection, asked: Asked, known: Known) -> Watched:
    """Tools that made a cycle."""
    made = {each.tool_id: 0 for each in known.made if known.tools[each.tool_id] is not None}
    for each in known.made:
        if each.tool_id in made:
            made[each.tool_id] += each.cycles
    found: dict[int, tuple[Floats, float]] = {}
    for tool_id, cycles in made.items():
        raised = [each.raised_us for each in known.faults if each.tool_id == tool_id]
        stretches = [(to_us(known.begin), at) for at in raised]
        before = count_stretches(connection, Scope(tool_id, asked.scope.controller_ids), stretches)
        found[tool_id] = before.astype(np.float64) + HALF_WAY, cycles + HALF_WAY
    return found


# ---- life --------------------------------------------------------------------------------------------------


def _life(stretches: Sequence[Lives]) -> Weibull | Refused:
    if not stretches:
        return Refused(NO_CYCLE)
    ages = np.concatenate([each.ages for each in stretches])
    failed = np.concatenate([each.failed for each in stretches])
    return fit_weibull(ages, failed, CONFIDENCE)


def _shown_life(stretches: Sequence[Lives], life: Weibull | Refused) -> dict[str, Any]:
    ended = sum(int(each.failed.sum()) for each in stretches)
    counted = {"stretches": ended, "cut_off": sum(each.ages.size for each in stretches) - ended}
    if isinstance(life, Refused):
        return counted | dict.fromkeys(LIFE) | {"unknown": dict.fromkeys(LIFE, life.reason)}
    return counted | {name: getattr(life, name) for name in LIFE} | {"unknown": {}}


def _from_now(watched: Watched, life: Weibull | Refused) -> dict[str, Any]:
    """Of one tool: how many more cycles, given how many it made since its last fault."""
    why = None
    if len(watched) != 1:
        why = SEVERAL if watched else NO_CYCLE
    ages, length = next(iter(watched.values()), (np.zeros(0), 0.0))
    if why is None and not ages.size:
        why = NO_FAULT
    if why is not None:
        return dict.fromkeys(FROM_NOW) | {"unknown": dict.fromkeys(FROM_NOW, why)}
    since_last = length - float(ages.max())
    if isinstance(life, Refused):
        expected = dict.fromkeys(FROM_NOW[1:])
        return {"cycles_since_last": since_last, **expected, "unknown": dict.fromkeys(expected, life.reason)}
    return {
        "cycles_since_last": since_last,
        "cycles_at_90_percent": life.remaining(since_last, 0.9),
        "cycles_at_50_percent": life.remaining(since_last, 0.5),
        "unknown": {},
    }


# ---- trend -------------------------------------------------------------------------------------------------


def _trend(watched: Watched) -> dict[str, Any] | None:
    """None: there are several tools."""
    if len(watched) > 1:
        return None
    if not watched:
        return dict.fromkeys(TREND) | {"unknown": dict.fromkeys(TREND, NO_CYCLE)}
    ((ages, length),) = watched.values()
    found = changing_rate(ages, length, CONFIDENCE)
    if isinstance(found, Refused):
        return dict.fromkeys(TREND) | {"unknown": dict.fromkeys(TREND, found.reason)}
    values = asdict(found)
    between = [values[name] for name in ("mean_between_at_end", "low_mean_between", "high_mean_between")]
    is_bounded = np.isfinite(between[2])
    shown = (found.unbiased_shape, found.p_value, *between[:2], between[2] if is_bounded else None)
    unknown = {} if is_bounded else {TREND[4]: "so few faults set no upper bound"}
    return dict(zip(TREND, shown, strict=True)) | {"unknown": unknown}


def _trend_of_several(connection: Connection, asked: Asked, known: Known) -> dict[str, Any]:
    """By the faults of all tools in equal stretches of time, against the cycles of all tools."""
    bounds = np.linspace(to_us(known.begin), to_us(known.end), STRETCHES + 1).astype(np.int64).tolist()
    cycles = count_stretches(connection, asked.scope, list(pairwise(bounds)))
    raised = [each.raised_us for each in known.faults if known.tools[each.tool_id] is not None]
    counts = np.histogram(raised, bounds)[0]
    worked = cycles > 0
    if worked.sum() < 2:
        return dict.fromkeys(TREND) | {"unknown": dict.fromkeys(TREND, NO_CYCLE)}
    found = changing_counts(np.cumsum(cycles[worked]).astype(np.float64), counts[worked])
    if isinstance(found, Refused):
        return dict.fromkeys(TREND) | {"unknown": dict.fromkeys(TREND, found.reason)}
    unknown = dict.fromkeys((TREND[1], *TREND[3:]), SEVERAL)
    shown = {TREND[0]: found.shape, TREND[2]: 1 / found.rate_at_end}
    return dict.fromkeys(TREND) | shown | {"unknown": unknown}


# ---- many tools --------------------------------------------------------------------------------------------


def _mean_faults(watched: Watched) -> list[dict[str, float]]:
    """At most MOST_STEPS of its steps, evenly, and always the last."""
    if not watched:
        return []
    ages = np.concatenate([ages for ages, _ in watched.values()])
    found = mean_cumulative(ages, np.array([length for _, length in watched.values()]))
    count = found.ages.size
    places = np.unique(np.linspace(0, count - 1, min(count, MOST_STEPS)).round().astype(int)) if count else ()
    return [{"cycles": float(found.ages[at]), "faults": float(found.faults[at])} for at in places]
