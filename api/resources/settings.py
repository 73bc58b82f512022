"""What people set at controllers: everything that was changed, and what of it may lie behind a drift."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response

from api.answers import text_of
from api.cautions import CAUTIONS
from api.paging import CursorParameter, Last, Row, cut, number, page, read_cursor
from api.parameters import (
    ControllerName,
    From,
    Instant,
    Maker,
    Model,
    Text,
    To,
    in_order,
    mistake,
)
from api.resources.cycles import named
from api.resources.histories import commit_number
from api.resources.service import name_of
from api.schemas.settings import ChangesBefore, SettingChangePage
from api.stores import Stores
from collector.analysis.setup import Measure, changes_before
from collector.errors import StoreError
from collector.model import SettingChange
from collector.store.changes import find_mounts_within, find_settings_of_tool
from collector.store.desk import find_services
from collector.store.measures import find_setting_changes
from collector.store.queries import find_book, find_controller_id, find_tool

router = APIRouter(prefix="/v1/settings/changes", tags=["settings"])

NO_CYCLE_YET = "no cycle of the controller was in the book then"


@router.get("", response_model=SettingChangePage)
def list_setting_changes(
    request: Request,
    controller: ControllerName = None,
    setting: Annotated[Text | None, Query(description="Only of this setting, such as set_torque_nm.")] = None,
    since: From = None,
    until: To = None,
    last: Last = 100,
    cursor: CursorParameter = None,
) -> Response:
    """What people set at controllers, in order of commit, newest first. `from` and `to`: those noticed in
    that half-open interval."""
    in_order(since, until, ("from", "to"))
    with request.app.state.stores.book() as connection:
        instance = find_book(connection)["instance"]
        (before,) = read_cursor(cursor, instance, "settings", (number,)) or (None,)
        rows = find_setting_changes(
            connection,
            last=last + 1,
            before=before,
            controller_id=None if controller is None else find_controller_id(connection, controller),
            setting=setting,
            since=since,
            until=until,
        )
    rows, following = cut(rows, last, instance, "settings", commit_number)
    return page(request, [shown(row) for row in rows], following, cautions=CAUTIONS)


@router.get("/before", response_model=ChangesBefore)
def find_changes_before(
    request: Request,
    at: Annotated[Instant, Query(description="By when the drift had begun.")],
    tool: Annotated[Text | None, Query(description="Serial number of the tool that drifts.")] = None,
    maker: Maker = None,
    model: Model = None,
    controller: ControllerName = None,
    not_before: Annotated[
        Instant | None, Query(description="When it had not begun yet; left out: it began at `at`.")
    ] = None,
    measure: Annotated[Measure | None, Query(description="What drifts.")] = None,
    ratio: Annotated[
        float | None, Query(gt=0, le=1000, description="Its level after the drift over that before it.")
    ] = None,
    look_back_days: Annotated[float, Query(gt=0, le=366, description="How far before it to look.")] = 7,
) -> Response:
    """What was changed before a drift, most likely first: changes of settings that explain its size, then
    those that move the measure, then the rest, the latest first; and services and swaps beside them. Of a
    tool: at the controllers that it sat on. It says what came first and what fits, not what caused it."""
    in_order(not_before, at, ("not_before", "at"))
    if (tool is None) == (controller is None):
        raise mistake("tool", "give either tool or controller")
    if ratio is not None and measure is None:
        raise mistake("ratio", "ratio needs measure: give what drifts, too")
    begins_at = not_before or at
    look_back = timedelta(days=look_back_days)
    since = begins_at - look_back
    stores: Stores = request.app.state.stores
    with stores.book() as connection:
        if tool is not None:
            known = find_tool(connection, tool, maker, model)
            rows = find_settings_of_tool(connection, known["tool_id"], since, at)
            mounts = find_mounts_within(connection, since, at, tool_id=known["tool_id"])
        else:
            known, number_ = None, find_controller_id(connection, controller or "")
            rows = find_setting_changes(
                connection, controller_id=number_, since=since, begun_by=at, last=None
            )
            mounts = find_mounts_within(connection, since, at, controller_id=number_)
    services, unknown = _services(stores, [known] if known else mounts, since, at)
    happenings = sorted([*_swaps(mounts, since), *services], key=lambda each: each["at"], reverse=True)
    return page(
        request,
        list(_ranked(rows, at, begins_at, begins_at - since, measure, ratio)),
        None,
        tool=named(known) if known else None,
        controller=controller,
        at=at,
        not_before=begins_at,
        looked_back_to=since,
        measure=measure,
        ratio=ratio,
        happenings=[each | {"before_drift_s": (at - each["at"]).total_seconds()} for each in happenings],
        unknown=unknown,
        cautions=CAUTIONS,
    )


def _ranked(
    rows: list[Row],
    at: datetime,
    begins_at: datetime,
    look_back: timedelta,
    measure: Measure | None,
    ratio: float | None,
) -> Iterator[dict[str, Any]]:
    changes = [
        SettingChange(row["setting"], row["before"], row["after"], row["not_before"], row["noticed_at"])
        for row in rows
    ]
    row_of = {id(change): row for change, row in zip(changes, rows, strict=True)}
    for each in changes_before(
        changes,
        at,
        drift_not_before=begins_at,
        measure=measure,
        observed_ratio=ratio,
        look_back=look_back,
    ):
        change = shown(row_of[id(each.change)])
        if each.expected_ratio is None:
            says = (
                "no measure was given"
                if measure is None
                else f"no formula leads from this change to {measure}"
            )
            change["unknown"]["expected_ratio"] = says
        yield change | {
            "before_drift_s": each.before_drift.total_seconds(),
            "certain": each.certain,
            "explains": each.explains,
            "expected_ratio": each.expected_ratio,
        }


def _swaps(mounts: list[Row], since: datetime) -> Iterator[dict[str, Any]]:
    for each in mounts:
        if each["mounted_at"] >= since:
            yield {
                "at": each["mounted_at"],
                "what": "swap",
                "tool": named(each),
                "controller": each["controller"],
                "says": f"tool {each['serial']} was mounted on {each['controller']}",
            }


def _services(
    stores: Stores, tools: list[Row], since: datetime, until: datetime
) -> tuple[list[dict[str, Any]], dict[str, str]]:
    """Services of these tools, or why they are not known: the book is told even while the desk can't be
    had."""
    try:
        with stores.reading_desk() as desk:
            done = {name: find_services(desk, name) for name in map(name_of, tools)}
    except StoreError as error:
        return [], {"happenings": f"services are not in it: {error}"}
    return [
        {
            "at": each["done_at"],
            "what": "service",
            "tool": {"maker": name.maker, "model": name.model, "serial": name.serial},
            "controller": None,
            "says": f"{each['done_by']} did a service of tool {name.serial}"
            + (f": {each['remark']}" if each["remark"] else ""),
        }
        for name, services in done.items()
        for each in services
        if since <= each["done_at"] <= until
    ], {}


def shown(row: Row) -> dict[str, Any]:
    """A change as lists show it."""
    as_stored = ("controller", "setting", "before", "after", "not_before", "noticed_at", "epoch")
    return {name: row[name] for name in as_stored} | {
        "commit_number": text_of(row["commit_number"]),
        "sequence": text_of(row["sequence"]),
        "unknown": {name: NO_CYCLE_YET for name in ("epoch", "sequence") if row[name] is None},
    }
