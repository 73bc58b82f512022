"""What every analysis of a tool's measure begins with: the measure, the tool, and where it begins to be
another. An analysis looks at so many cycles at most, so that an answer stays small and quick."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any

from fastapi import Path, Query
from pydantic import AfterValidator, WithJsonSchema
from sqlalchemy import Connection

from api.resources.cycles import named
from api.resources.service import name_of
from api.stores import Stores
from collector.analysis import charts
from collector.model import ToolName
from collector.store.desk import find_services
from collector.store.measures import MEASURES, Restart, Series, find_restarts, find_series
from collector.store.queries import find_tool
from collector.store.tables import MICROSECOND, to_us

MOST_CYCLES = 10_000


def known_measure(name: str) -> str:
    if name not in MEASURES:
        raise ValueError(f"must be one of {', '.join(MEASURES)}")
    return name


MeasureName = Annotated[
    str, AfterValidator(known_measure), WithJsonSchema({"type": "string", "enum": [*MEASURES]})
]
Measure = Annotated[MeasureName, Path(description="A value of the cycle or of its curve, with its unit.")]
LastCycles = Annotated[int, Query(ge=1, le=MOST_CYCLES, description="Of the newest so many cycles at most.")]
Confidence = Annotated[float, Query(ge=0.5, le=0.999, description="Of the intervals that are stated.")]


@dataclass(frozen=True, slots=True)
class Subject:
    """The tool that is asked for, and when services of it were done."""

    tool_id: int
    name: ToolName
    named: dict[str, Any]
    services: Sequence[datetime]


def find_subject(stores: Stores, serial: str, maker: str | None, model: str | None) -> Subject:
    """Raises: NotInBook, AmbiguousTool, AmbiguousModel, StoreError: limits that overlook a service would be
    wrong, so without the desk there are none."""
    with stores.book() as connection:
        tool = find_tool(connection, serial, maker, model)
    with stores.reading_desk() as desk:
        services = [each["done_at"] for each in find_services(desk, name_of(tool))]
    return Subject(tool["tool_id"], name_of(tool), named(tool), services)


def newest(restarts: Sequence[Restart], before: datetime | None = None) -> Restart | None:
    """The last restart of a list in order of time, or the last before an instant."""
    return next((each for each in reversed(restarts) if before is None or each.at < before), None)


def begin_after(restart: Restart | None) -> datetime | None:
    """The first instant of the new state."""
    return None if restart is None else restart.at + MICROSECOND


def find_beginning(
    connection: Connection,
    subject: Subject,
    measure: str,
    restarts: Sequence[Restart],
    series: Series,
    cycles: int,
    controller: str | None = None,
) -> Series | None:
    """The first working cycles of the stretch in which a series begins; None where they are in the series."""
    if not len(series):
        return None
    began = newest(restarts, series.at(0))
    following = next((each for each in restarts if began is None or each.at > began.at), None)
    found = find_series(
        connection,
        subject.tool_id,
        [measure],
        first=cycles,
        since=begin_after(began),
        until=begin_after(following),
        controller_name=controller,
    )
    is_elsewhere = len(found) > 0 and found.ended_us[0] < series.ended_us[0]
    return found if is_elsewhere else None


def places_of(restarts: Sequence[Restart], series: Series) -> list[charts.Restart]:
    """Where they fall among the cycles; before the first and behind the last, nothing begins anew."""
    places = [charts.Restart(series.first_after(to_us(each.at)), each.reason) for each in restarts]
    return [each for each in places if 0 < each.first < len(series)]


# ---- as it is shown ----------------------------------------------------------------------------------------


def cycle_at(series: Series, place: int) -> dict[str, Any]:
    return {"id": series.id(place), "ended_at": series.at(place)}


def restart_shown(restart: Restart | None) -> dict[str, Any] | None:
    return restart and restart._asdict()


def looked_at(series: Series, restarts: Sequence[Restart], last: int) -> dict[str, Any]:
    """Which cycles stand behind the figures; there were more than `last`, or as many."""
    ends = (cycle_at(series, 0), cycle_at(series, len(series) - 1)) if len(series) else None
    began = newest(restarts, ends[0]["ended_at"]) if ends else newest(restarts)
    among = [each for each in restarts if ends and ends[0]["ended_at"] <= each.at < ends[1]["ended_at"]]
    return {
        "cycles": len(series),
        "first": ends and ends[0],
        "last": ends and ends[1],
        "since_restart": restart_shown(began),
        "is_full": len(series) == last,
        "restarts": [restart_shown(each) for each in among],
    }


def find_recent(
    stores: Stores,
    subject: Subject,
    measure: str,
    last: int,
    since: datetime | None,
    until: datetime | None,
) -> tuple[Series, list[Restart]]:
    """The working cycles of an interval, the newest `last` of them, and the tool's restarts. Without `since`:
    those since the last restart (before `until`)."""
    with stores.book() as connection:
        restarts = find_restarts(connection, subject.tool_id, subject.services)
        begin = begin_after(newest(restarts, until)) if since is None else since
        series = find_series(connection, subject.tool_id, [measure], last=last, since=begin, until=until)
    return series, restarts
