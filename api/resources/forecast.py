"""When a tool's next service is due by its count, and when its punch velocity comes to its limit.

A date is never given without its interval, and none where there is no ground for one: then the reason is in
words. What a date rests on, the tool's use by weekday and shift, stands beside it.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
from fastapi import APIRouter, Request, Response

from api.answers import answer
from api.cautions import CAUTIONS
from api.parameters import Maker, Model, Serial
from api.resources.cycles import named
from api.resources.service import (
    EARLIEST,
    cycles_missing,
    last_service,
    name_of,
    not_in_site_file,
    service_state,
    since_service,
    why_unknown,
)
from api.schemas import forecast
from collector.analysis.forecast import Forecast, limit_date, service_date, use_by_weekday_and_shift
from collector.analysis.trend import TrendToLimit, at_reference_pressure, velocity_to_limit
from collector.config import Site
from collector.shifts import WEEKDAYS
from collector.store.queries import Record, find_gaps_while_mounted, find_tool
from collector.store.use import Punches, Use, find_punches, find_use, line_of

router = APIRouter(prefix="/v1/tools", tags=["service"])

CONFIDENCE = 0.9
MEASURE = "punch_velocity_m_s"
NEWEST = 200
"""Cycles whose pressure is the reference."""
DATES = ("at", "low_at", "high_at")


@dataclass(frozen=True, slots=True)
class Known:
    """What the book says of a tool, read within one transaction."""

    use: Use
    state: Record
    """Service state as it goes out, with `gap_cycles` and `unknown`."""
    seen_from: datetime
    """Begin of the punch's watch."""
    punches: Punches


@router.get("/{serial:path}/forecast", response_model=forecast.ToolForecast)
def show_forecast(request: Request, serial: Serial, maker: Maker = None, model: Model = None) -> Response:
    """When a tool's next service is due, and when its punch velocity comes to its limit, from its use and its
    wear so far. A forecast decides nothing: it says when to look."""
    site: Site = request.app.state.site
    stores = request.app.state.stores
    now = datetime.now(UTC)
    with stores.book() as connection:
        tool = find_tool(connection, serial, maker, model)
    done, why = last_service(stores, name_of(tool))
    with stores.book() as connection:
        number = tool["tool_id"]
        plan = site.plan(line_of(connection, number))
        use = find_use(connection, number, tool["first_seen_at"], plan, now)
        made, why = since_service(connection, tool, done) if done else (None, why)
        state, unknown = service_state(site, tool, made, why)
        begin = done["done_at"] if done else EARLIEST
        missing = cycles_missing(find_gaps_while_mounted(connection, number), begin)
        seen_from = max(begin, use.seen_at)
        known = Known(
            use=use,
            state=state | missing | {"unknown": unknown | why_unknown(missing)},
            seen_from=seen_from,
            punches=find_punches(connection, number, seen_from, now),
        )
    return answer(
        {
            "tool": named(tool),
            "as_of": use.as_of,
            "mounted": use.mounted,
            "service": _service(known),
            "punch": _punch(site, tool, known),
            "use": _use(use),
            "confidence": CONFIDENCE,
            "cautions": CAUTIONS,
        }
    )


def _service(known: Known) -> dict[str, Any]:
    state, unknown = known.state, known.state["unknown"]
    if state["remaining_cycles"] is None:
        why = unknown["remaining_cycles"]
        return state | dict.fromkeys(DATES) | {"unknown": unknown | dict.fromkeys(DATES, why)}
    found = service_date(
        known.use.history,
        known.use.cycles,
        known.use.ahead,
        known.use.as_of,
        service_cycle_count=state["service_cycle_count"],
        service_cycle_span=state["service_cycle_span"],
        confidence=CONFIDENCE,
    )
    return state | _dates(found) | {"unknown": unknown | _why_no_dates(found)}


def _dates(found: Forecast) -> dict[str, datetime | None]:
    return {name: getattr(found, name) for name in DATES}


def _why_no_dates(found: Forecast) -> dict[str, str]:
    return dict.fromkeys(DATES, found.refused) if found.refused else {}


# ---- the punch ---------------------------------------------------------------------------------------------

SLOPE = {
    "slope": "slope_m_s_per_1000_cycles",
    "low": "low_slope_m_s_per_1000_cycles",
    "high": "high_slope_m_s_per_1000_cycles",
}
REMAINING = {
    "count": "remaining_cycles",
    "low_count": "low_remaining_cycles",
    "high_count": "high_remaining_cycles",
}
"""Bound of a trend or a crossing -> the member that shows it."""


def _punch(site: Site, tool: Mapping[str, Any], known: Known) -> dict[str, Any]:
    reference_kpa = _reference_kpa(known.punches)
    seen = {
        "seen_from": known.seen_from,
        "values": known.punches.counts.size,
        "reference_pressure_kpa": reference_kpa,
    }
    no_pressure = {} if reference_kpa else {"reference_pressure_kpa": "the records tell no pressure"}
    limit_m_s, why = _limit(site, tool)
    if limit_m_s is None:
        names = ("limit_m_s", *SLOPE.values(), "p_value", *REMAINING.values(), *DATES)
        return seen | dict.fromkeys(names) | {"unknown": no_pressure | dict.fromkeys(names, why)}
    velocity_m_s = known.punches.velocity_m_s
    if reference_kpa is not None:
        velocity_m_s = at_reference_pressure(velocity_m_s, known.punches.pressure_kpa, reference_kpa)
    trend = velocity_to_limit(known.punches.counts, velocity_m_s, limit_m_s, CONFIDENCE)
    crossing = _crossing(trend, known)
    unknown = no_pressure | crossing.pop("unknown")
    return seen | {"limit_m_s": limit_m_s} | _slope(trend) | crossing | {"unknown": unknown}


def _limit(site: Site, tool: Mapping[str, Any]) -> tuple[float | None, str]:
    kind = site.tool_model(tool["maker"], tool["model"])
    limits = None if kind is None else kind.limits.get(MEASURE)
    if limits is not None and limits.lower is not None:
        return limits.lower, ""
    return None, not_in_site_file(site, tool, f"lower limit of {MEASURE}")


def _reference_kpa(punches: Punches) -> float | None:
    told = punches.pressure_kpa[punches.pressure_kpa > 0]
    return float(np.median(told[-NEWEST:])) if told.size else None


def _slope(trend: TrendToLimit) -> dict[str, float | None]:
    slope = trend.slope_per_1000_cycles
    shown = {name: None if slope is None else getattr(slope, bound) for bound, name in SLOPE.items()}
    return shown | {"p_value": trend.p_value}


def _crossing(trend: TrendToLimit, known: Known) -> dict[str, Any]:
    crossing, count_now = trend.crossing, known.punches.count_now
    if crossing is None:
        names = [*REMAINING.values(), *DATES]
        names += [*SLOPE.values(), "p_value"] if trend.p_value is None else []
        return dict.fromkeys((*REMAINING.values(), *DATES)) | {"unknown": dict.fromkeys(names, trend.refused)}
    found = limit_date(
        known.use.history,
        known.use.cycles,
        known.use.ahead,
        known.use.as_of,
        crossing=crossing,
        count_now=count_now,
    )
    left = {name: max(0, round(getattr(crossing, bound) - count_now)) for bound, name in REMAINING.items()}
    return left | _dates(found) | {"unknown": _why_no_dates(found)}


# ---- use ---------------------------------------------------------------------------------------------------


def _use(use: Use) -> dict[str, Any]:
    shifts = len(use.history)
    return {
        "seen_from": _instant(use.history.begins_at[0]) if shifts else None,
        "seen_to": _instant(use.history.ends_at[-1]) if shifts else None,
        "shifts": shifts,
        "shifts_not_counted": int(np.isnan(use.cycles).sum()),
        "by_weekday_and_shift": [
            {name: value for name, value in asdict(each).items() if name != "confidence"}
            | {"weekday": WEEKDAYS[each.weekday]}
            for each in use_by_weekday_and_shift(use.history, use.cycles, CONFIDENCE)
        ],
    }


def _instant(at: np.datetime64) -> datetime:
    plain: datetime = at.astype(datetime)
    return plain.replace(tzinfo=UTC)
