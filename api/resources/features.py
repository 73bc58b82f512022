"""What one curve says: its features, as they were found when it was stored."""

from math import isfinite
from typing import Any

from fastapi import APIRouter, Request, Response

from api.answers import CACHEABLE, cacheable, entity_tag
from api.paging import Row
from api.resources.cycles import CycleIdText
from api.schemas.features import CycleFeatures
from collector.store.features import find_features
from collector.store.queries import CycleId, find_book

router = APIRouter(prefix="/v1", tags=["curves"])

UNIT = {"tension_n": "N", "torque_nm": "N·m"}
IN_UNITS = {
    "": ("peak", "lock", "settle", "seating_loss", "noise"),
    "/s": ("slope_per_s", "slope_standard_error_per_s"),
    "·s": ("rise_area_s",),
}
"""What follows the unit of the curve's quantity -> the members that are in it."""
UNITS = {
    quantity: {name: unit + follows for follows, names in IN_UNITS.items() for name in names}
    for quantity, unit in UNIT.items()
}

NO_SPEED = "the cycle's record tells no tension speed"
LEVEL = "the fitted rise is level where its slope is taken"
NOT_OF_TORQUE = "it is worked out for curves of tension only"


@router.get("/cycles/{id}/features", response_model=CycleFeatures, responses=CACHEABLE)
def show_features(request: Request, cycle_id: CycleIdText) -> Response:
    """The features of one cycle's curve: peak, take-up, rise, lock, seating loss. They never change. Every
    level is a share of the rise, from the drag of the band that is being reeled in up to the peak."""
    with request.app.state.stores.book() as connection:
        instance = find_book(connection)["instance"]
        found = find_features(connection, CycleId.parse(cycle_id))
    body = {"id": found["id"]} | features(found["features"])
    return cacheable(request, entity_tag(instance, found["commit_number"], "features"), body)


def features(found: Row) -> dict[str, Any]:
    """The features as an answer has them, with units, and why any of them is null."""
    shown = dict(found)
    why = "; ".join(shown["notes"]) or "not found in this curve"
    reasons = {}
    error = shown["slope_standard_error_per_s"]
    if error is not None and not isfinite(error):
        shown["slope_standard_error_per_s"] = None
        reasons["slope_standard_error_per_s"] = LEVEL
    if shown["take_up_ms"] is not None:
        reasons["take_up_travel_mm"] = NO_SPEED
    if shown["rise_area_s"] is not None:
        reasons["work_j"] = NO_SPEED if shown["quantity"] == "tension_n" else NOT_OF_TORQUE
    unknown = {name: reasons.get(name, why) for name, value in shown.items() if value is None}
    return shown | {"units": UNITS[shown["quantity"]], "unknown": unknown}
