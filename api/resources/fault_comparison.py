"""Whether tools fault more often in one period than in another, or one tool more often than another."""

from datetime import UTC, datetime
from math import isinf
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response

from api.answers import answer
from api.cautions import CAUTIONS
from api.parameters import (
    CategoryFilter,
    ControllerName,
    From,
    Instant,
    Maker,
    Model,
    Text,
    To,
    ToolFilter,
    mistake,
)
from api.resources.fault_rates import (
    CONFIDENCE,
    Asked,
    Code,
    Known,
    ask,
    exposure,
    interval,
    rates,
    read,
)
from api.schemas import fault_rates
from collector.analysis.faults import compare

router = APIRouter(prefix="/v1/faults", tags=["faults"])

SecondFrom = Annotated[Instant | None, Query(description="Of the second; without: that of the first.")]
SecondTo = Annotated[Instant | None, Query(description="Of the second; without: that of the first.")]
SecondTool = Annotated[
    Text | None, Query(description="Serial number of the second tool; without: the first tool.")
]
SecondText = Annotated[Text | None, Query(description="As `maker` and `model`, of the second tool.")]


@router.get("/comparison", response_model=fault_rates.FaultComparison)
def compare_faults(
    request: Request,
    since: From = None,
    until: To = None,
    second_from: SecondFrom = None,
    second_to: SecondTo = None,
    tool: ToolFilter = None,
    maker: Maker = None,
    model: Model = None,
    second_tool: SecondTool = None,
    second_maker: SecondText = None,
    second_model: SecondText = None,
    controller: ControllerName = None,
    code: Code = None,
    category: CategoryFilter = None,
    per: Annotated[
        fault_rates.Per, Query(description="The exposure by which rates are compared.")
    ] = "cycles",
) -> Response:
    """The rate of faults in a second period against that in a first, or of a second tool against a first.
    Test and interval are exact where faults come independently; for bursts see /v1/faults/summary."""
    now = datetime.now(UTC)
    first_at = interval(since, until, now)
    second_at = interval(
        second_from or first_at[0], second_to or first_at[1], now, ("second_from", "second_to")
    )
    with request.app.state.stores.book() as connection:
        first = ask(connection, tool, maker, model, controller)
        second = (
            first
            if second_tool is None
            else ask(connection, second_tool, second_maker, second_model, controller)
        )
        _nothing_twice(first, second, first_at, second_at)
        sides = [
            read(connection, asked, *at, code, category)
            for asked, at in ((first, first_at), (second, second_at))
        ]
    return answer(
        {
            "per": per,
            "controller": controller,
            "first": _side(first, sides[0]),
            "second": _side(second, sides[1]),
            **_compared(per, *sides),
            "confidence": CONFIDENCE,
            "cautions": CAUTIONS,
        }
    )


def _nothing_twice(
    first: Asked, second: Asked, first_at: tuple[datetime, datetime], second_at: tuple[datetime, datetime]
) -> None:
    """Raises: Problem: a fault could be on both sides; then they can't be compared as independent."""
    tools = {first.scope.tool_id, second.scope.tool_id}
    apart = first_at[1] <= second_at[0] or second_at[1] <= first_at[0]
    if not apart and (len(tools) == 1 or None in tools):
        says = (
            "second_from and second_to must give a period apart from the first, or second_tool another tool: "
            "the same faults would be counted on both sides"
        )
        raise mistake("second_from", says)


def _side(asked: Asked, known: Known) -> dict[str, Any]:
    return {
        "tool": asked.tool,
        "begins_at": known.begin,
        "ends_at": known.end,
        "count": len(known.faults),
        "exposure": exposure(known),
        "rates": rates(len(known.faults), known.exposure),
    }


def _compared(per: fault_rates.Per, first: Known, second: Known) -> dict[str, Any]:
    exposures = [getattr(side.exposure, per) for side in (first, second)]
    for which, amount in zip(("first", "second"), exposures, strict=True):
        if amount == 0:
            names = ("ratio", "low_ratio", "high_ratio", "p_value")
            why = f"the {which} has no {per}, so it has no rate"
            return dict.fromkeys(names) | {"unknown": dict.fromkeys(names, why)}
    found = compare(len(first.faults), exposures[0], len(second.faults), exposures[1], CONFIDENCE)
    unknown = {}
    if found.ratio is None:
        unknown["ratio"] = "neither has a fault"
    elif isinf(found.ratio):
        unknown["ratio"] = "the first has no fault, so there is no bound to how many times as often it is"
    if isinf(found.high_ratio):
        unknown["high_ratio"] = unknown["ratio"]
    return {
        "ratio": None if "ratio" in unknown else found.ratio,
        "low_ratio": found.low_ratio,
        "high_ratio": None if "high_ratio" in unknown else found.high_ratio,
        "p_value": found.p_value,
        "unknown": unknown,
    }
