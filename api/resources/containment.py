"""Containment: which cycles are suspect once a change of a tool's measure was noticed."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from typing import Annotated, Any

import numpy as np
from fastapi import APIRouter, Query, Request, Response
from numpy.typing import NDArray
from sqlalchemy import Connection

from api.answers import text_of
from api.cautions import CAUTIONS
from api.csv_export import FILES, WantedParameters
from api.measured import (
    Confidence,
    MeasureName,
    Subject,
    begin_after,
    cycle_at,
    find_beginning,
    find_subject,
    newest,
    restart_shown,
)
from api.paging import CursorParameter, Last, Row, cut, instant, number, page, read_cursor, signed_number
from api.parameters import Instant, Maker, Model, Text
from api.parquet_export import Column, columns_of
from api.resources.charts import site_design
from api.schemas import charts as schemas
from collector.analysis.baseline import Baseline, NoBaseline, phase_one
from collector.analysis.change_point import ChangePoint
from collector.analysis.chart_design import Design, Test
from collector.analysis.charts import Chart, chart_stretches
from collector.analysis.containment import Containment, contain
from collector.errors import NotInBook
from collector.store.measures import Restart, Series, find_restarts, find_series
from collector.store.queries import find_book
from collector.store.tables import MICROSECOND, to_us

router = APIRouter(prefix="/v1", tags=["analysis"])

MOST_LOOKED_BACK_ON = 50_000
"""Cycles."""
BASELINE_CYCLES = 100
NOT_LOOKED_FOR = "told only where the charts found the detection: leave detected_at out"
PLAIN = ("result", "completion", "mode", "band", "fault_code", "part_id")
COLUMNS = [
    *columns_of(text="id", name="controller", integer="epoch sequence", instant="ended_at"),
    *columns_of(name="result completion mode band fault_code", text="part_id"),
]
"""Of a file; the measure comes behind them."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """What can be suspect: a tool's cycles since a restart, whether they were work or not."""

    measure: str
    series: Series
    is_cut: bool
    """There are more; these are the newest."""
    ends: Restart | None
    """The service after the detection."""
    baseline: Baseline | NoBaseline | None
    """From the first cycles since the restart, where those are not among the series."""

    @property
    def working(self) -> NDArray[np.intp]:
        """The places of those that were work: only they say how the tool does."""
        return np.flatnonzero(self.series.is_working())


@router.get("/containment", response_model=schemas.Containment, responses=FILES)
def list_suspects(
    request: Request,
    wanted: WantedParameters,
    tool: Annotated[Text, Query(description="Serial number of the tool.")],
    measure: Annotated[MeasureName, Query(description="A value of the cycle or of its curve.")],
    maker: Maker = None,
    model: Model = None,
    detected_at: Annotated[
        Instant | None,
        Query(
            description="When the change was noticed. Left out: at the first signal of the control charts "
            "after the baseline, since the last restart."
        ),
    ] = None,
    confidence: Confidence = 0.95,
    last: Last = 100,
    cursor: CursorParameter = None,
) -> Response:
    """The cycles that are suspect once a change was noticed, newest first: from the earliest at which it may
    have begun, though not before the last restart, to the detection, or to the service that followed. Cycles
    that were no work, or have no such value, lie among them and are suspect like the others. A file has all
    of them."""
    stores = request.app.state.stores
    subject = find_subject(stores, tool, maker, model)
    with stores.book() as connection:
        instance = find_book(connection)["instance"]
        after = read_cursor(
            cursor, instance, "containment", (instant, instant, number, number, signed_number)
        )
        at = after[0] if after else detected_at
        restarts = find_restarts(connection, subject.tool_id, subject.services)
        stretch = _find_stretch(connection, subject, measure, restarts, detected_at)
    drawn = _chart(stretch, site_design(request.app.state.site))
    detected = _first_signal(stretch, drawn) if at is None else _place_at(stretch, at)
    found = None if detected is None else _contain(stretch, detected, confidence)
    suspects = range(0) if found is None else range(found.end - 1, found.first - 1, -1)
    rows = (_row(stretch, place) for place in suspects)
    name = f"suspects-{tool}-{measure}"
    if wanted.is_file:
        valued = (row | {measure: row["value"]} for row in rows)
        columns = [*COLUMNS, Column(measure, "number")]
        return wanted.file(name, columns, valued, (_suspect(row) for row in rows))
    if after:
        rows = (row for row in rows if _key(row) < tuple(after[1:]))
    if at is None and detected is not None:
        at = stretch.series.at(detected)  # so that the next page is of the same suspects
    shown, following = cut(
        list(islice(rows, last + 1)),
        last,
        instance,
        "containment",
        lambda row: [*filter(None, [at]), *_key(row)],
    )
    body = page(
        request,
        [_suspect(row) for row in shown],
        following,
        tool=subject.named,
        measure=measure,
        confidence=confidence,
        detection=None
        if detected is None
        else {
            "source": "chart" if detected_at is None else "query",
            "cycle": cycle_at(stretch.series, detected),
            "tests": _tests_at(stretch, drawn, detected),
        },
        says=_no_signal(drawn) if found is None else _says(stretch, found, confidence),
        **_ends(stretch, found),
        suspects=len(suspects),
        is_cut=stretch.is_cut and found is not None and found.first == 0,
        later_signals=_later_signals(stretch, drawn, detected) if detected_at is None else None,
        unknown={} if detected_at is None else {"later_signals": NOT_LOOKED_FOR},
        cautions=CAUTIONS,
    )
    return wanted.negotiated(body)


# ---- what is looked at -------------------------------------------------------------------------------------


def _find_stretch(
    connection: Connection,
    subject: Subject,
    measure: str,
    restarts: Sequence[Restart],
    detected_at: datetime | None,
) -> Stretch:
    """From the last restart before the detection to the service after it; without a detection, to now."""
    began = newest(restarts, detected_at)
    ends = (
        None
        if detected_at is None
        else next((each for each in restarts if each.reason == "service" and each.at >= detected_at), None)
    )
    until = ends.at if ends else detected_at
    series = find_series(
        connection,
        subject.tool_id,
        [measure],
        last=MOST_LOOKED_BACK_ON,
        since=begin_after(began),
        until=None if until is None else until + MICROSECOND,
        working_only=False,
    )
    is_cut = len(series) == MOST_LOOKED_BACK_ON
    beginning = find_beginning(connection, subject, measure, restarts, series, BASELINE_CYCLES)
    baseline = phase_one(beginning.values[measure]) if is_cut and beginning else None
    return Stretch(measure, series, is_cut, ends, baseline)


def _chart(stretch: Stretch, design: Design) -> Chart | NoBaseline | None:
    """Of the work in it; None: there is none."""
    values = stretch.series.values[stretch.measure][stretch.working]
    drawn = chart_stretches(values, (), design, BASELINE_CYCLES, first_baseline=stretch.baseline)
    return drawn[0].chart if drawn else None


def _first_signal(stretch: Stretch, drawn: Chart | NoBaseline | None) -> int | None:
    """The place of the first cycle after the baseline at which a test signals."""
    if not isinstance(drawn, Chart):
        return None
    signalled = drawn.signalled()
    behind = signalled[signalled >= (0 if stretch.baseline else BASELINE_CYCLES)]
    return int(stretch.working[behind[0]]) if behind.size else None


def _place_at(stretch: Stretch, detected_at: datetime) -> int:
    """The place of the last cycle that had ended then. Raises: NotInBook: there is none."""
    place = stretch.series.first_after(to_us(detected_at)) - 1
    if place < 0:
        raise NotInBook(
            "no cycle of the tool ended between its last restart and detected_at (of the "
            f"{MOST_LOOKED_BACK_ON} that are looked back on): give a later instant",
        )
    return place


def _contain(stretch: Stretch, detected: int, confidence: float) -> Containment:
    values = stretch.series.values[stretch.measure].copy()
    values[~stretch.series.is_working()] = np.nan
    return contain(values, detected, (), len(values) if stretch.ends else None, confidence)


# ---- as it is shown ----------------------------------------------------------------------------------------


def _tests_at(stretch: Stretch, drawn: Chart | NoBaseline | None, place: int) -> list[Test]:
    """Those that signal at that cycle."""
    if not isinstance(drawn, Chart):
        return []
    charted = np.flatnonzero(stretch.working[drawn.places] == place)
    return [test for test, flags in drawn.drawing.signals.items() if flags[charted].any()]


def _later_signals(stretch: Stretch, drawn: Chart | NoBaseline | None, detected: int | None) -> int:
    if detected is None or not isinstance(drawn, Chart):
        return 0
    return int((stretch.working[drawn.signalled()] > detected).sum())


def _no_signal(drawn: Chart | NoBaseline | None) -> str:
    if drawn is None:
        return "the tool has done no work since its last restart"
    if isinstance(drawn, NoBaseline):
        return f"there is no chart that could signal: {drawn.refused}"
    return (
        "no signal after the baseline since the last restart; give detected_at to ask about another instant"
    )


def _says(stretch: Stretch, found: Containment, confidence: float) -> str:
    change = found.change
    if not isinstance(change, ChangePoint):
        return (
            f"when it began can't be told ({change.reason}): all cycles since the last restart are suspect"
            if not stretch.is_cut
            else f"when it began can't be told ({change.reason}): all cycles looked back on are suspect"
        )
    began, first = stretch.series.id(change.place), stretch.series.id(found.first)
    return (
        f"a change ({change.kind}, p = {change.p_value:.2g}) began at cycle {began}, not before {first} at "
        f"{confidence:.0%} confidence"
    )


def _ends(stretch: Stretch, found: Containment | None) -> dict[str, Any]:
    if found is None:
        return dict.fromkeys(("first", "sure_from", "last", "corrected_by"))
    series = stretch.series
    return {
        "first": cycle_at(series, found.first),
        "sure_from": None if found.sure_from is None else cycle_at(series, found.sure_from),
        "last": cycle_at(series, found.end - 1),
        "corrected_by": restart_shown(stretch.ends),
    }


def _row(stretch: Stretch, place: int) -> Row:
    series = stretch.series
    value = float(series.values[stretch.measure][place])
    return {
        "id": series.id(place),
        "controller_id": int(series.controller_id[place]),
        "controller": series.controllers[int(series.controller_id[place])],
        "epoch": int(series.epoch[place]),
        "sequence": int(series.sequence[place]),
        "ended_at": series.at(place),
        **{name: getattr(series, name)[place] for name in PLAIN},
        "value": None if np.isnan(value) else value,
    }


def _key(row: Row) -> tuple[datetime, int, int, int]:
    return (row["ended_at"], row["controller_id"], row["epoch"], row["sequence"])


def _suspect(row: Row) -> Row:
    """As JSON has it."""
    shown = {name: value for name, value in row.items() if name != "controller_id"}
    return shown | {"sequence": text_of(row["sequence"])}
