"""Tolerance bands: what the curves of a tool with a band look like when all is well, and how far one
strays."""

from collections import Counter
from dataclasses import asdict
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response

from api.answers import answer
from api.learnt import LearntBands, Outcome
from api.paging import Row
from api.parameters import Instant, Maker, Model, Serial, Text
from api.resources.cycles import CycleIdText, named
from api.resources.features import UNIT
from api.resources.service import name_of
from api.schemas.tolerance import CycleTolerance, ToolTolerance
from api.stores import Stores
from collector.analysis.features import Quantity
from collector.analysis.tolerance import ToleranceBand, distance, learn
from collector.store.curves import values
from collector.store.desk import find_services
from collector.store.good_curves import State, find_good_curves, state_at
from collector.store.measures import find_restarts
from collector.store.queries import CycleId, find_book, find_curve, find_cycle, find_cycles, find_tool

router = APIRouter(prefix="/v1", tags=["tolerance"])

SUMMARY = ("quantity", "sample_interval_us", "inside_share", "curves", "left_out")
ARRAYS = ("offset_ms", "centre", "half_width")


@router.get("/tools/{serial:path}/tolerance", response_model=ToolTolerance)
def show_tolerance(
    request: Request,
    serial: Serial,
    maker: Maker = None,
    model: Model = None,
    band: Annotated[
        Text | None,
        Query(description="Left out: that of the tool's newest cycle; cycles without one, if it names none."),
    ] = None,
    at: Annotated[Instant | None, Query(description="As the tool was then; left out: as it is now.")] = None,
) -> Response:
    """The tolerance band of a tool with a band, learnt from the oldest 200 accepted cycles with a curve since
    the last service, swap or change of a setting; it takes 50. Null, with the reason, where there are too
    few."""
    stores: Stores = request.app.state.stores
    with stores.book() as connection:
        tool = find_tool(connection, serial, maker, model)
        if band is None:
            newest = find_cycles(connection, tool["tool_id"], last=1, until=at)
            band = newest[0]["band"] if newest else None
    services = _services(stores, tool)
    with stores.book() as connection:
        instance = find_book(connection)["instance"]
        state = state_at(find_restarts(connection, tool["tool_id"], services), at)
        curves = find_good_curves(connection, tool["tool_id"], band, state)
    found = _learnt(request.app.state.learnt, instance, curves)
    body: dict[str, Any] = {
        "tool": named(tool),
        "band": band,
        "state": _state(state),
        "cycles": [each["id"] for each in curves],
        "tolerance": None,
        "unknown": {"band": "the tool's newest cycle names none"} if band is None else {},
    }
    if isinstance(found, str):
        body["unknown"]["tolerance"] = found
    else:
        body["tolerance"] = _summary(found) | {name: getattr(found, name) for name in ARRAYS}
    return answer(body)


@router.get("/cycles/{id}/tolerance", response_model=CycleTolerance)
def show_distance(request: Request, cycle_id: CycleIdText) -> Response:
    """How far a cycle's curve strays from the tolerance band of its tool and band, as the tool was then, and
    where it leaves it."""
    stores: Stores = request.app.state.stores
    which = CycleId.parse(cycle_id)
    with stores.book() as connection:
        cycle = find_cycle(connection, which)
    services = _services(stores, cycle["tool"])
    with stores.book() as connection:
        instance = find_book(connection)["instance"]
        curve = find_curve(connection, which)
        state = state_at(find_restarts(connection, cycle["tool_id"], services), cycle["ended_at"])
        curves = find_good_curves(connection, cycle["tool_id"], cycle["band"], state)
    body: dict[str, Any] = {
        **{name: cycle[name] for name in ("id", "tool", "band")},
        "state": _state(state),
        "first_cycle": curves[0]["id"] if curves else None,
        "last_cycle": curves[-1]["id"] if curves else None,
        "learnt_from": any(each["id"] == cycle["id"] for each in curves),
        **_held_against(curve, _learnt(request.app.state.learnt, instance, curves)),
    }
    if cycle["band"] is None:
        body["unknown"]["band"] = "the cycle's record names none"
    if not curves:
        body["unknown"] |= dict.fromkeys(("first_cycle", "last_cycle"), "there are none")
    return answer(body)


def _services(stores: Stores, tool: Row) -> list[datetime]:
    """When services were done. Raises: StoreError: without the desk a state of the tool can't be told."""
    with stores.reading_desk() as desk:
        return [each["done_at"] for each in find_services(desk, name_of(tool))]


def _learnt(kept: LearntBands, instance: str, curves: list[Row]) -> Outcome:
    """Curves of another form than most can't be laid over them: the fewer are passed over."""

    def learn_now() -> Outcome:
        forms = Counter[tuple[Quantity, int]](
            (each["quantity"], each["sample_interval_us"]) for each in curves
        )
        quantity, interval_us = max(forms, key=forms.__getitem__, default=("tension_n", 1000))
        samples = [
            values(each["coded"], each["scale"], each["offset"])
            for each in curves
            if (each["quantity"], each["sample_interval_us"]) == (quantity, interval_us)
        ]
        try:
            return learn(samples, interval_us, quantity)
        except ValueError as error:
            return str(error)

    return kept.get((instance, *(each["id"] for each in curves)), learn_now)


def _state(state: State) -> dict[str, Any]:
    begun_by = state.begun_by._asdict() if state.begun_by else None
    return {"begun_by": begun_by, "until": state.until}


def _summary(band: ToleranceBand) -> dict[str, Any]:
    return {name: getattr(band, name) for name in SUMMARY} | {"unit": UNIT[band.quantity]}


def _held_against(curve: Row, found: Outcome) -> dict[str, Any]:
    measured = ("inside", "distance", "typical_distance", "covered_share")
    nothing: dict[str, Any] = {"tolerance": None, "departures": [], **dict.fromkeys(measured)}
    if isinstance(found, str):
        return nothing | {"unknown": dict.fromkeys(("tolerance", *measured), found)}
    body = nothing | {"tolerance": _summary(found)}
    if curve["quantity"] != found.quantity:
        why = f"the curve is of {curve['quantity']}, the others are of {found.quantity}"
        return body | {"unknown": dict.fromkeys(measured, why)}
    held = distance(
        values(curve["coded"], curve["scale"], curve["offset"]), curve["sample_interval_us"], found
    )
    if held.distance is None:
        return body | {"unknown": dict.fromkeys(measured, held.refused)}
    return body | {
        "inside": held.distance <= 1,
        "distance": held.distance,
        "typical_distance": held.typical_distance,
        "covered_share": held.covered_share,
        "departures": [asdict(each) for each in held.departures],
        "unknown": {},
    }
