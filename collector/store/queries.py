"""What the book is asked. Every `find_` takes an open connection and returns plain rows: dicts with aware
datetimes, ints, floats, bytes, decoded JSON, and None for what is not known. The same statements serve SQLite
and PostgreSQL.

Lists are newest first and page by key, never by offset: `before` is the key of the last row that the asker
has, so rows that arrive meanwhile neither shift a page nor appear twice. Nothing here writes.
"""

import json
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal, NamedTuple, Self

from sqlalchemy import ColumnElement, Connection, Result, Select, func, select, tuple_

from collector.errors import AmbiguousModel, AmbiguousTool, NotInBook
from collector.ledger import NO_TOOL
from collector.rfc3339 import format_rfc3339
from collector.store.tables import (
    book,
    clock_change,
    controller,
    controller_status,
    count_change,
    curve,
    cycle,
    fault,
    gap,
    mount,
    position,
    quarantine,
    tool,
)

Record = dict[str, Any]

CURVES_SOUGHT_AMONG = 1000
"""How many of a tool's newest cycles are looked through for its last curves; bounds the query where curves
are rare."""

NOBODY_COUNTED = (
    "a controller restarted without a counter to go by: nobody can say how many cycles are missing"
)
"""Why the number of cycles in gaps is None."""

LARGEST_EPOCH = 2**31 - 1
SEQUENCES = range(-(2**63), 2**63)
CYCLE_ID = re.compile(r"(?P<controller>.+)\.(?P<epoch>[0-9]{1,10})\.(?P<sequence>-?[0-9]{1,19})")


@dataclass(frozen=True, slots=True)
class CycleId:
    """The natural key of a cycle, written `L1-03.1.4711`: controller, epoch, sequence (unwrapped; below zero
    where a 64-bit sequence began in its upper half)."""

    controller: str
    epoch: int
    sequence: int

    def __str__(self) -> str:
        return f"{self.controller}.{self.epoch}.{self.sequence}"

    @classmethod
    def parse(cls, text: str) -> Self:
        """Raises: NotInBook: no cycle can have that id."""
        found = CYCLE_ID.fullmatch(text)
        if found is None or int(found["epoch"]) > LARGEST_EPOCH or int(found["sequence"]) not in SEQUENCES:
            raise NotInBook(
                f"{text!r} is no cycle id; one reads controller.epoch.sequence, such as L1-03.1.4711"
            )
        return cls(found["controller"], int(found["epoch"]), int(found["sequence"]))


class CycleKey(NamedTuple):
    """A cycle's place in the order by time."""

    ended_at: datetime
    controller_id: int
    epoch: int
    sequence: int


class FaultKey(NamedTuple):
    """A fault's place in the order by time."""

    raised_at: datetime
    commit_number: int


class ToolKey(NamedTuple):
    """A tool's place in the order of names."""

    serial: str
    maker: str
    model: str


# ---- the book ----------------------------------------------------------------------------------------------


def find_book(connection: Connection) -> Record:
    """instance, created_at, since, commit_number, home. Raises: NotInBook: the book has no identity."""
    found = records(connection.execute(select(book)))
    if not found:
        raise NotInBook("the book has no identity; let the collector open it once")
    return found[0]


# ---- controllers -------------------------------------------------------------------------------------------


def find_controller_id(connection: Connection, name: str) -> int:
    """Raises: NotInBook: no controller of that name."""
    found = connection.scalar(select(controller.c.controller_id).where(controller.c.name == name))
    if found is None:
        raise NotInBook(f"controller {name!r} is not in the book")
    return int(found)


def find_controllers(connection: Connection, name: str | None = None) -> list[Record]:
    """All controllers by name, or the one called `name`: identity, link, status, position, and
    `tools` (mounted now), `open_faults`, `conflicts` (see `find_conflicts`), `gap_count`, `gap_cycles` (of
    the open gaps).

    Raises: NotInBook: no controller of that name.
    """
    wanted = (
        select(
            controller,
            *(
                column
                for column in controller_status.c
                if column.name not in ("controller_id", "total_count")
            ),
            controller_status.c.total_count,
            position.c.epoch.label("position_epoch"),
            position.c.sequence.label("position_sequence"),
            position.c.read_through_at,
        )
        .select_from(controller.outerjoin(controller_status).outerjoin(position))
        .order_by(controller.c.name)
    )
    if name is not None:
        wanted = wanted.where(controller.c.controller_id == find_controller_id(connection, name))
    found = records(connection.execute(wanted))
    ids = [each["controller_id"] for each in found]
    mounted, faults, conflicts, gaps = (
        _mounted_now(connection, ids),
        _open_faults(connection, ids),
        find_conflicts(connection),
        find_gap_totals(connection),
    )
    for each in found:
        number = each["controller_id"]
        for column in ("settings", "extra", "bad_replies"):
            each[column] = _decoded(each[column])
        each["tools"] = [mount for mount in mounted if mount["controller_id"] == number]
        each["open_faults"] = [fault for fault in faults if fault["controller_id"] == number]
        each["conflicts"] = [one for one in conflicts if each["name"] in one["controllers"]]
        each["gap_count"], each["gap_cycles"] = gaps.get(number, (0, 0))
    return found


def find_gap_totals(connection: Connection) -> dict[int, tuple[int, int | None]]:
    """Controller id -> (number of open gaps, cycles in them); a controller without any is left out. Cycles
    are None where nobody can say of one of the gaps how many it stands for."""
    missing = func.sum(gap.c.last_sequence - gap.c.first_sequence + 1)
    rows = connection.execute(
        select(gap.c.controller_id, func.count(), func.count(gap.c.last_sequence), missing)
        .where(gap.c.closed_at.is_(None))
        .group_by(gap.c.controller_id)
    )
    return {
        number: (int(gaps), int(cycles) if gaps == bounded else None)
        for number, gaps, bounded, cycles in rows
    }


def _mounted_now(connection: Connection, controller_ids: Sequence[int]) -> list[Record]:
    wanted = (
        select(mount.c.controller_id, mount.c.mounted_at, tool.c.maker, tool.c.model, tool.c.serial)
        .join_from(mount, tool)
        .where(mount.c.unmounted_at.is_(None), mount.c.controller_id.in_(controller_ids))
        .order_by(mount.c.mounted_at.desc())
    )
    return records(connection.execute(wanted))


def find_conflicts(connection: Connection, tool_id: int | None = None) -> list[Record]:
    """Tools that several controllers show as mounted at once, all or the one: tool_id, maker, model, serial,
    `controllers` (name -> mounted_at, oldest first), and `says`, a sentence that tells what to check."""
    now = mount.c.unmounted_at.is_(None)
    several = select(mount.c.tool_id).where(now).group_by(mount.c.tool_id).having(func.count() > 1)
    wanted = (
        select(tool, controller.c.name, mount.c.mounted_at)
        .join_from(mount, tool)
        .join(controller, controller.c.controller_id == mount.c.controller_id)
        .where(now, tool.c.serial != NO_TOOL.serial, mount.c.tool_id.in_(several))
        .where(*_equal((mount.c.tool_id, tool_id)))
        .order_by(tool.c.serial, tool.c.maker, tool.c.model, mount.c.mounted_at, controller.c.name)
    )
    found: dict[int, Record] = {}
    for row in connection.execute(wanted):
        named = {name: getattr(row, name) for name in ("tool_id", "maker", "model", "serial")}
        found.setdefault(row.tool_id, named | {"controllers": {}})["controllers"][row.name] = row.mounted_at
    return [each | {"says": _conflict_says(each)} for each in found.values()]


def _conflict_says(conflict: Record) -> str:
    where = " and ".join(
        f"on {name} since {format_rfc3339(at)}" for name, at in conflict["controllers"].items()
    )
    return (
        f"tool {conflict['serial']} ({conflict['maker']} {conflict['model']}) is shown as mounted {where}; "
        "it can sit on one of them only. Check which tool each really has: one controller may not have been "
        "read since the tool left it, or two tools were given the same serial number"
    )


def _open_faults(connection: Connection, controller_ids: Sequence[int]) -> list[Record]:
    columns = (fault.c.controller_id, fault.c.code, fault.c.text, fault.c.category, fault.c.raised_at)
    wanted = (
        select(*columns, fault.c.acknowledged_at)
        .where(fault.c.cleared_at.is_(None), fault.c.controller_id.in_(controller_ids))
        .order_by(fault.c.raised_at, fault.c.commit_number)
    )
    return records(connection.execute(wanted))


# ---- tools -------------------------------------------------------------------------------------------------


def find_tool(
    connection: Connection, serial: str, maker: str | None = None, model: str | None = None
) -> Record:
    """tool_id, maker, model, serial, first_seen_at.

    Raises: NotInBook: no such tool; AmbiguousTool, AmbiguousModel: the asker has to say which maker, or which
    model.
    """
    wanted = select(tool).where(tool.c.serial == serial).order_by(tool.c.maker, tool.c.model)
    if maker is not None:
        wanted = wanted.where(tool.c.maker == maker)
    if model is not None:
        wanted = wanted.where(tool.c.model == model)
    found = records(connection.execute(wanted))
    if not found:
        by = "".join(
            f" {what} {value!r}" for what, value in (("maker", maker), ("model", model)) if value is not None
        )
        raise NotInBook(f"tool {serial!r}{' of' + by if by else ''} is not in the book")
    makers = sorted({each["maker"] for each in found})
    if len(makers) > 1:
        raise AmbiguousTool(serial, makers)
    if len(found) > 1:
        raise AmbiguousModel(serial, [each["model"] for each in found])
    return found[0]


def find_tools(connection: Connection, *, last: int = 100, after: ToolKey | None = None) -> list[Record]:
    """Tools by serial, maker and model, each with `mounted_on`: the controllers on which it sits now."""
    key = (tool.c.serial, tool.c.maker, tool.c.model)
    wanted = select(tool).order_by(*key).limit(last)
    if after is not None:
        wanted = wanted.where(tuple_(*key) > _key_of(key, after))
    found = records(connection.execute(wanted))
    ids = [each["tool_id"] for each in found]
    mounts = connection.execute(
        select(mount.c.tool_id, controller.c.name, mount.c.mounted_at)
        .join_from(mount, controller)
        .where(mount.c.unmounted_at.is_(None), mount.c.tool_id.in_(ids))
        .order_by(mount.c.mounted_at.desc())
    ).all()
    for each in found:
        each["mounted_on"] = [
            {"controller": row.name, "mounted_at": row.mounted_at}
            for row in mounts
            if row.tool_id == each["tool_id"]
        ]
    return found


def find_tool_names(connection: Connection) -> dict[int, Record]:
    """tool_id -> maker, model, serial of every tool."""
    rows = records(connection.execute(select(tool.c.tool_id, tool.c.maker, tool.c.model, tool.c.serial)))
    return {each.pop("tool_id"): each for each in rows}


def find_mounts(connection: Connection, tool_id: int) -> list[Record]:
    """Where a tool sat, newest first: controller_id, controller (name), mounted_at, unmounted_at or None."""
    wanted = (
        select(
            mount.c.controller_id,
            controller.c.name.label("controller"),
            mount.c.mounted_at,
            mount.c.unmounted_at,
        )
        .join_from(mount, controller)
        .where(mount.c.tool_id == tool_id)
        .order_by(mount.c.mounted_at.desc(), mount.c.commit_number.desc())
    )
    return records(connection.execute(wanted))


def find_mounts_on(
    connection: Connection, controller_name: str, *, last: int = 100, before: int | None = None
) -> list[Record]:
    """What sat on a controller, in order of commit number, newest first: columns of `mount`, maker, model,
    serial.

    Raises: NotInBook: no controller of that name.
    """
    wanted = select(mount, tool.c.maker, tool.c.model, tool.c.serial).join_from(mount, tool)
    return _by_commit_number(connection, wanted, mount.c, last, before, controller_name)


# ---- what happened to a controller's own count and clock ---------------------------------------------------


def find_count_changes(
    connection: Connection, controller_name: str, *, last: int = 100, before: int | None = None
) -> list[Record]:
    """Where a controller's own count was not what its cycles make it, in order of commit number, newest
    first: columns of `count_change`.

    Raises: NotInBook: no controller of that name.
    """
    return _by_commit_number(connection, select(count_change), count_change.c, last, before, controller_name)


def find_clock_changes(
    connection: Connection, controller_name: str, *, last: int = 100, before: int | None = None
) -> list[Record]:
    """When a controller's clock was set or lost its time, in order of commit number, newest first: columns of
    `clock_change`.

    Raises: NotInBook: no controller of that name.
    """
    return _by_commit_number(connection, select(clock_change), clock_change.c, last, before, controller_name)


# ---- cycles and curves -------------------------------------------------------------------------------------

CYCLE_KEY = (cycle.c.ended_at, cycle.c.controller_id, cycle.c.epoch, cycle.c.sequence)


def find_cycles(
    connection: Connection,
    tool_id: int | None,
    *,
    last: int = 100,
    before: CycleKey | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    result: str | None = None,
    completion: str | None = None,
    controller: str | None = None,
    among: Collection[str] | None = None,
) -> list[Record]:
    """A tool's newest cycles (None: those of all), newest first: all columns of `cycle`, the controller's
    name as `controller`, `id`.

    Args: last: at most so many; before: only cycles older than that key; since, until: half-open interval of
    `ended_at`; result, completion, controller: only cycles with that value; among: only of these controllers.
    Raises: NotInBook: no controller of that name.
    """
    wanted = select(cycle)
    if tool_id is not None:
        wanted = wanted.where(cycle.c.tool_id == tool_id)
    elif controller is None and among is None:  # by the index of controller and time: none is of time alone
        wanted = wanted.where(cycle.c.controller_id.in_(list(named_controllers(connection))))
    wanted = wanted.where(*_among(connection, cycle.c.controller_id, among))
    if before is not None:
        wanted = wanted.where(tuple_(*CYCLE_KEY) < _key_of(CYCLE_KEY, before))
    if controller is not None:
        wanted = wanted.where(cycle.c.controller_id == find_controller_id(connection, controller))
    wanted = wanted.where(
        *_within(cycle.c.ended_at, since, until),
        *_equal((cycle.c.result, result), (cycle.c.completion, completion)),
    )
    wanted = wanted.order_by(*(column.desc() for column in CYCLE_KEY)).limit(last)
    return _cycles(connection, wanted)


def find_cycle(connection: Connection, cycle_id: CycleId) -> Record:
    """One cycle as `find_cycles` gives it, with `tool` (maker, model, serial) and `layout`.

    Raises: NotInBook.
    """
    wanted = (
        select(cycle, tool.c.maker, tool.c.model, tool.c.serial, controller.c.layout)
        .join_from(cycle, tool)
        .join(controller)
        .where(
            controller.c.name == cycle_id.controller,
            cycle.c.epoch == cycle_id.epoch,
            cycle.c.sequence == cycle_id.sequence,
        )
    )
    found = _cycles(connection, wanted)
    if not found:
        raise NotInBook(f"cycle {cycle_id} is not in the book; see /v1/gaps for cycles that were lost")
    tool_name = {name: found[0].pop(name) for name in ("maker", "model", "serial")}
    return found[0] | {"tool": tool_name}


def find_curve(connection: Connection, cycle_id: CycleId) -> Record:
    """The curve of one cycle: `id`, commit_number of the cycle, and all columns of `curve`.

    Raises: NotInBook: no such cycle, or the book has no curve of it.
    """
    owner = find_cycle(connection, cycle_id)
    key = {name: owner[name] for name in ("controller_id", "epoch", "sequence", "ended_at")}
    wanted = select(curve).where(*(curve.c[name] == value for name, value in key.items()))
    found = records(connection.execute(wanted))
    if not found:
        raise NotInBook(
            f"the book has no curve of cycle {cycle_id}; a controller may give that of its last cycle only"
        )
    return found[0] | {"id": owner["id"], "commit_number": owner["commit_number"]}


def find_last_curves(connection: Connection, tool_id: int, last: int = 5) -> list[Record]:
    """The newest curves among a tool's newest cycles (`CURVES_SOUGHT_AMONG`), newest first: columns of
    `curve`, `id`, and of their cycles the controller's name as `controller`, result and completion."""
    newest = (
        select(*CYCLE_KEY, cycle.c.result, cycle.c.completion)
        .where(cycle.c.tool_id == tool_id)
        .order_by(*(column.desc() for column in CYCLE_KEY))
        .limit(CURVES_SOUGHT_AMONG)
        .subquery()
    )
    same = [newest.c[name] == curve.c[name] for name in ("controller_id", "epoch", "sequence", "ended_at")]
    wanted = (
        select(curve, newest.c.result, newest.c.completion)
        .join_from(newest, curve, same[0] & same[1] & same[2] & same[3])
        .order_by(*(newest.c[column.name].desc() for column in CYCLE_KEY))
        .limit(last)
    )
    return [each | {"id": id_of(each)} for each in _named(connection, wanted)]


def count_of_controllers(connection: Connection, controller_ids: Sequence[int]) -> dict[int, int]:
    """Controller id -> its cycles in the book, whatever tool made them; one without cycles is left out.
    Counts the index, so its cost grows with the book."""
    rows = connection.execute(
        select(cycle.c.controller_id, func.count())
        .where(cycle.c.controller_id.in_(controller_ids))
        .group_by(cycle.c.controller_id)
    )
    return {number: int(cycles) for number, cycles in rows}


def id_of(found: Record) -> str:
    return str(CycleId(found["controller"], found["epoch"], found["sequence"]))


def _cycles(connection: Connection, wanted: Select[Any]) -> list[Record]:
    found = _named(connection, wanted)
    for each in found:
        each |= of_cycle(each)
    return found


def of_cycle(row: Record) -> Record:
    """What is made of a row of `cycle` that knows its controller's name: its id, `extra` decoded."""
    return {"id": id_of(row), "extra": _decoded(row["extra"])}


# ---- faults, gaps, quarantine ------------------------------------------------------------------------------


def find_faults(
    connection: Connection,
    *,
    last: int = 100,
    before: FaultKey | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    tool_id: int | None = None,
    controller: str | None = None,
    category: str | None = None,
    state: Literal["open", "cleared"] | None = None,
    among: Collection[str] | None = None,
) -> list[Record]:
    """Faults by `raised_at`, newest first: columns of `fault`, controller (name), maker, model, serial.

    Args: since, until: half-open interval of `raised_at`; state: `open` are those not cleared yet; among:
    only of these controllers.
    Raises: NotInBook: no controller of that name.
    """
    key = (fault.c.raised_at, fault.c.commit_number)
    wanted = select(fault, tool.c.maker, tool.c.model, tool.c.serial).join_from(fault, tool)
    if before is not None:
        wanted = wanted.where(tuple_(*key) < _key_of(key, before))
    if state is not None:
        cleared = fault.c.cleared_at.is_not(None)
        wanted = wanted.where(cleared if state == "cleared" else ~cleared)
    number = None if controller is None else find_controller_id(connection, controller)
    wanted = wanted.where(
        *_among(connection, fault.c.controller_id, among),
        *_within(fault.c.raised_at, since, until),
        *_equal((fault.c.tool_id, tool_id), (fault.c.controller_id, number), (fault.c.category, category)),
    )
    return _named(connection, wanted.order_by(*(column.desc() for column in key)).limit(last))


GapState = Literal["open", "closed"]


def find_gaps(
    connection: Connection,
    *,
    last: int | None = 100,
    before: int | None = None,
    controller: str | None = None,
    state: GapState | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    among: Collection[str] | None = None,
) -> list[Record]:
    """Gaps in order of commit number, newest first: columns of `gap`, controller (name), `cycles` missing in
    it (in a closed one: that were missing), `state`.

    Args: since, until: those that may reach into the half-open interval; among: only of these controllers.
    Raises: NotInBook: no controller of that name.
    """
    wanted = select(gap).where(*_among(connection, gap.c.controller_id, among))
    if state is not None:
        is_open = gap.c.closed_at.is_(None)
        wanted = wanted.where(is_open if state == "open" else ~is_open)
    if since is not None:
        wanted = wanted.where(gap.c.before_at.is_(None) | (gap.c.before_at >= since))
    if until is not None:
        wanted = wanted.where(gap.c.after_at.is_(None) | (gap.c.after_at < until))
    found = _by_commit_number(connection, wanted, gap.c, last, before, controller)
    return [
        each | {"cycles": cycles_in(each), "state": "open" if each["closed_at"] is None else "closed"}
        for each in found
    ]


def find_gaps_while_mounted(connection: Connection, tool_id: int) -> list[Record]:
    """The open gaps in which cycles of a tool may be missing: those of a controller that may overlap a mount
    of the tool on it. Columns of `gap`, `cycles` missing in it; each gap once. `after_at` None reaches back,
    and `before_at` None forward, without end."""
    ends_later = gap.c.before_at.is_(None) | (gap.c.before_at >= mount.c.mounted_at)
    left = mount.c.unmounted_at
    begins_earlier = gap.c.after_at.is_(None) | left.is_(None) | (gap.c.after_at < left)
    same = gap.c.controller_id == mount.c.controller_id
    while_mounted = (
        select(mount.c.commit_number)
        .where(mount.c.tool_id == tool_id, same, ends_later, begins_earlier)
        .exists()
    )
    wanted = select(gap).where(gap.c.closed_at.is_(None), while_mounted).order_by(gap.c.commit_number)
    found = records(connection.execute(wanted))
    return [each | {"cycles": cycles_in(each)} for each in found]


def cycles_in(found: Record) -> int | None:
    """How many cycles a gap stands for, its bounds being inclusive; None where nobody can say."""
    last = found["last_sequence"]
    return None if last is None else int(last - found["first_sequence"] + 1)


def find_quarantined(
    connection: Connection, *, last: int = 100, before: int | None = None, controller: str | None = None
) -> list[Record]:
    """What could not be used, in order of commit number, newest first: columns of `quarantine`, controller
    (name).

    Raises: NotInBook: no controller of that name.
    """
    return _by_commit_number(connection, select(quarantine), quarantine.c, last, before, controller)


def _by_commit_number(
    connection: Connection,
    wanted: Select[Any],
    columns: Any,
    last: int | None,
    before: int | None,
    controller: str | None,
) -> list[Record]:
    if before is not None:
        wanted = wanted.where(columns.commit_number < before)
    if controller is not None:
        wanted = wanted.where(columns.controller_id == find_controller_id(connection, controller))
    return _named(connection, wanted.order_by(columns.commit_number.desc()).limit(last))


# ---- parts of them -----------------------------------------------------------------------------------------


def records(result: Result[Any]) -> list[Record]:
    """Rows as dicts with plain text as keys: the library's are a kind of text that JSON writers refuse."""
    names = [str(name) for name in result.keys()]  # noqa: SIM118
    return [dict(zip(names, row, strict=True)) for row in result]


def named_controllers(connection: Connection) -> dict[int, str]:
    """controller_id -> name."""
    rows = connection.execute(select(controller.c.controller_id, controller.c.name))
    return {row.controller_id: row.name for row in rows}


def _named(connection: Connection, wanted: Select[Any]) -> list[Record]:
    """With the controller's name as `controller`. Names are looked up apart: controllers are few, and a join
    would give the planner a second, slower way in."""
    names = named_controllers(connection)
    found = records(connection.execute(wanted))
    for each in found:
        each["controller"] = names[each["controller_id"]]
    return found


def _among(
    connection: Connection, controller_id: ColumnElement[Any], names: Collection[str] | None
) -> list[ColumnElement[bool]]:
    if names is None:
        return []
    known = named_controllers(connection).items()
    return [controller_id.in_([number for number, name in known if name in names])]


def _key_of(columns: Sequence[ColumnElement[Any]], key: Sequence[Any]) -> ColumnElement[Any]:
    """Bound with the types of its columns: an instant is compared as the integer that it is stored as."""
    return tuple_(*key, types=[column.type for column in columns])


def _within(
    column: ColumnElement[Any], since: datetime | None, until: datetime | None
) -> list[ColumnElement[bool]]:
    bounds = [] if since is None else [column >= since]
    return bounds if until is None else [*bounds, column < until]


def _equal(*wanted: tuple[ColumnElement[Any], Any]) -> list[ColumnElement[bool]]:
    return [column == value for column, value in wanted if value is not None]


def _decoded(text: str | None) -> Any:
    return None if text is None else json.loads(text)
