"""Control charts of a tool's measure: individuals with moving range, EWMA, CUSUM and run rules, from one
restart (a service, a swap, a setting) to the next."""

from collections.abc import Sequence
from threading import Lock
from typing import Annotated, Any, get_args

import numpy as np
import numpy.typing as npt
from fastapi import APIRouter, Query, Request, Response

from api.answers import answer
from api.measured import (
    LastCycles,
    Measure,
    cycle_at,
    find_beginning,
    find_subject,
    newest,
    places_of,
)
from api.parameters import ControllerName, Maker, Model, Serial, Since, Until, in_order, listed, mistake
from api.schemas import charts as schemas
from collector.analysis.baseline import Baseline, NoBaseline, phase_one
from collector.analysis.chart_design import Cusum, Design, Ewma
from collector.analysis.charts import Chart, Stretch, chart_stretches
from collector.analysis.run_length import RunLength, designed_for, run_length
from collector.analysis.run_rules import Flags, Rule
from collector.config import Site
from collector.store.measures import Restart, Series, find_restarts, find_series

router = APIRouter(prefix="/v1/tools", tags=["analysis"])

SIMULATING = Lock()
"""Run lengths take seconds to simulate, once for each design: who asks meanwhile waits for it."""

RULES: tuple[Rule, ...] = get_args(Rule)
TESTS = (*RULES, "moving_range", "ewma", "cusum")
FIRST_VALUES = "the tool's first cycles in the book"
NOBODY_KNOWS = "the limits are widened for values that depend on each other: nobody knows the distance then"

Tests = Annotated[
    Annotated[str, listed(TESTS)] | None,
    Query(
        description="Comma between tests: these alone, with the limits of the textbook. Left out: limits, "
        "EWMA and CUSUM for the distance between false alarms of the site file."
    ),
]
BaselineCycles = Annotated[
    int, Query(ge=25, le=1000, description="The first so many cycles of each stretch make its limits.")
]


@router.get("/{serial:path}/charts/{measure}", response_model=schemas.Charts)
def show_charts(
    request: Request,
    serial: Serial,
    measure: Measure,
    maker: Maker = None,
    model: Model = None,
    last: LastCycles = 1000,
    since: Since = None,
    until: Until = None,
    controller: ControllerName = None,
    tests: Tests = None,
    baseline_cycles: BaselineCycles = 100,
) -> Response:
    """Control charts of a measure over a tool's working cycles. Limits begin afresh at a service, a swap and
    a change of settings; each stretch has its own."""
    in_order(since, until)
    textbook = None if tests is None else textbook_design(tests)
    stores = request.app.state.stores
    subject = find_subject(stores, serial, maker, model)
    with stores.book() as connection:
        restarts = find_restarts(connection, subject.tool_id, subject.services)
        series = find_series(
            connection,
            subject.tool_id,
            [measure],
            last=last,
            since=since,
            until=until,
            controller_name=controller,
        )
        ahead = find_beginning(connection, subject, measure, restarts, series, baseline_cycles, controller)
    design = textbook or site_design(request.app.state.site)
    with SIMULATING:
        in_control = run_length(design)
    drawn = chart_stretches(
        series.values[measure],
        places_of(restarts, series),
        design,
        baseline_cycles,
        first_baseline=phase_one(ahead.values[measure]) if ahead else None,
    )
    shown = [
        _stretch(stretch, series, measure, restarts, None if stretch.first else ahead) for stretch in drawn
    ]
    return answer(
        {
            "tool": subject.named,
            "measure": measure,
            "design": design_shown(design, in_control, "textbook" if textbook else "site"),
            "baseline_cycles": baseline_cycles,
            "cycles": len(series),
            "stretches": shown,
        }
    )


def textbook_design(tests: str) -> Design:
    """Raises: Problem: a test that there is not, or none at all."""
    asked = {each.strip() for each in tests.split(",")}
    unknown = sorted(asked - set(TESTS))
    if unknown:
        raise mistake(
            "tests", f"tests: {', '.join(map(repr, unknown))} is none; there are {', '.join(TESTS)}"
        )
    return Design(
        tuple(rule for rule in RULES if rule in asked),
        moving_range="moving_range" in asked,
        ewma=Ewma() if "ewma" in asked else None,
        cusum=Cusum() if "cusum" in asked else None,
    )


def site_design(site: Site) -> Design:
    """For the distance between false alarms of the site file."""
    with SIMULATING:
        design = designed_for(site.analysis.values_between_false_alarms)
        run_length(design)  # remembered: every chart asks for it
    return design


def design_shown(design: Design, in_control: RunLength, source: str) -> dict[str, Any]:
    ewma, cusum = design.ewma, design.cusum
    return {
        "source": source,
        "tests": design.tests,
        "limit_sigmas": design.limit_sigmas,
        "moving_range_limit_sigmas": design.moving_range_limit if design.moving_range else None,
        "ewma": ewma
        and {
            "weight": ewma.weight,
            "limit_sigmas": ewma.limit_sigmas,
            "half_width_sigmas": float(ewma.half_width()),
        },
        "cusum": cusum and {"allowance_sigmas": cusum.allowance_sigmas, "limit_sigmas": cusum.limit_sigmas},
        "run_length": _run_length(in_control),
    }


def _run_length(found: RunLength) -> dict[str, Any]:
    return {"values": found.values, "standard_error": found.standard_error, "method": found.method}


def _stretch(
    stretch: Stretch, series: Series, measure: str, restarts: Sequence[Restart], ahead: Series | None
) -> dict[str, Any]:
    """`ahead`: the beginning of the stretch, where it is not among the cycles shown."""
    values = series.values[measure][stretch.first : stretch.end]
    drawn = stretch.chart if isinstance(stretch.chart, Chart) else None
    baseline = stretch.chart.baseline if isinstance(stretch.chart, Chart) else stretch.chart
    began = newest(restarts, series.at(stretch.first))
    signals = [] if drawn is None else _signals(drawn, series)
    has_value = np.isfinite(values)
    places = stretch.first + np.flatnonzero(has_value) if drawn is None else drawn.places
    return {
        "reason": began.reason if began else "first values",
        "says": began.says if began else FIRST_VALUES,
        "began_at": began and began.at,
        "is_cut": ahead is not None,
        "cycles": stretch.end - stretch.first,
        "without_value": int((~has_value).sum()),
        "verdict": "no limits" if drawn is None else "signals" if signals else "in control",
        "refused": baseline.refused if isinstance(baseline, NoBaseline) else None,
        "baseline": _baseline(baseline, *((series, stretch.first) if ahead is None else (ahead, 0))),
        "limits": drawn and {name: getattr(drawn.limits, name) for name in schemas.Limits.model_fields},
        "run_length": drawn and drawn.run_length and _run_length(drawn.run_length),
        "signals": signals,
        "points": _points(drawn, places, series, measure),
        "unknown": {"run_length": NOBODY_KNOWS} if drawn and drawn.run_length is None else {},
    }


def _baseline(found: Baseline | NoBaseline, series: Series, first: int) -> dict[str, Any] | None:
    if isinstance(found, NoBaseline):
        return None
    dependence = found.autocorrelation
    return {
        "values": found.count,
        "begin": cycle_at(series, first),
        "left_out": [cycle_at(series, each.index) | {"reason": each.reason} for each in found.left_out],
        "autocorrelation": {name: getattr(dependence, name) for name in schemas.Autocorrelation.model_fields},
        "treatment": found.treatment,
        "coefficients": found.coefficients,
        "center": found.center,
        "sigma": found.sigma,
        "long_run_sigma": found.long_run_sigma,
    }


def _signals(drawn: Chart, series: Series) -> list[dict[str, Any]]:
    found = [
        (int(drawn.places[first]), int(drawn.places[last]), last - first + 1, test)
        for test, flags in drawn.drawing.signals.items()
        for first, last in runs(flags)
    ]
    return [
        {
            "test": test,
            "first": cycle_at(series, first),
            "last": cycle_at(series, last),
            "cycles": cycles,
        }
        for first, last, cycles, test in sorted(found)
    ]


def runs(flags: Flags) -> list[tuple[int, int]]:
    """First and last place of each run of true values."""
    edges = np.diff(flags.astype(np.int8), prepend=0, append=0)
    return list(
        zip(np.flatnonzero(edges == 1).tolist(), (np.flatnonzero(edges == -1) - 1).tolist(), strict=True)
    )


def _points(
    drawn: Chart | None, places: npt.NDArray[np.intp], series: Series, measure: str
) -> dict[str, Any]:
    drawing = drawn.drawing if drawn else None
    return {
        "ids": [series.id(place) for place in places.tolist()],
        "ended_at": [series.at(place) for place in places.tolist()],
        "values": series.values[measure][places],
        "charted": drawn.charted if drawn else None,
        "moving_range_sigmas": drawing.moving_range if drawing else None,
        "ewma_sigmas": drawing.ewma if drawing else None,
        "cusum_high_sigmas": drawing.cusum_high if drawing else None,
        "cusum_low_sigmas": drawing.cusum_low if drawing else None,
    }
