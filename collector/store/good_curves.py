"""Curves of accepted cycles, from which a tool's tolerance band is learnt, and the state of the tool in which
they were made."""

from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import Connection, select

from collector.store.measures import DONE, GOOD_MODES, Restart
from collector.store.queries import CYCLE_KEY, CycleId, Record, records
from collector.store.tables import controller, curve, cycle

MOST_CURVES = 200
"""The oldest of a state, so that a drift does not teach itself."""
SOUGHT_AMONG = 5000
"""How many of a state's oldest accepted cycles are looked through for them; bounds the query where curves are
rare."""


class State(NamedTuple):
    """A stretch of a tool's life in which nothing was done to it that anybody knows of."""

    begun_by: Restart | None
    """None: it began with the tool's first cycle."""
    after: datetime | None
    """Cycles that ended later belong to it for certain."""
    until: datetime | None
    """Cycles that ended later belong to the next; None: it still holds."""


def state_at(restarts: Sequence[Restart], at: datetime | None = None) -> State:
    """The state of a tool in a cycle that ended at that instant, or now; `restarts` are in their order."""
    before = [each for each in restarts if at is None or each.at < at]
    after = restarts[len(before) :]
    return State(
        before[-1] if before else None,
        max((each.seen_at for each in before), default=None),
        after[0].at if after else None,
    )


def find_good_curves(connection: Connection, tool_id: int, band: str | None, state: State) -> list[Record]:
    """The oldest curves of a tool's accepted cycles with a band in a state, oldest first, at most
    `MOST_CURVES`: columns of `curve`, and `id` of the cycle.

    Accepted: the controller judged them ok, they ran to their end, and nobody was setting up or mending.
    """
    accepted = (
        select(*CYCLE_KEY)
        .where(
            cycle.c.tool_id == tool_id,
            cycle.c.band.is_(None) if band is None else cycle.c.band == band,
            cycle.c.result == "ok",
            cycle.c.mode.in_(GOOD_MODES),
            cycle.c.completion.in_(DONE),
        )
        .order_by(*CYCLE_KEY)
        .limit(SOUGHT_AMONG)
    )
    if state.after is not None:
        accepted = accepted.where(cycle.c.ended_at > state.after)
    if state.until is not None:
        accepted = accepted.where(cycle.c.ended_at <= state.until)
    oldest = accepted.subquery()
    key = [curve.c[column.name] for column in CYCLE_KEY]
    same = [oldest.c[column.name] == column for column in key]
    wanted = (
        select(curve, controller.c.name)
        .join_from(oldest, curve, same[0] & same[1] & same[2] & same[3])
        .join(controller, controller.c.controller_id == key[1])
        .order_by(*(oldest.c[column.name] for column in key))
        .limit(MOST_CURVES)
    )
    found = records(connection.execute(wanted))
    return [each | {"id": str(CycleId(each["name"], each["epoch"], each["sequence"]))} for each in found]
