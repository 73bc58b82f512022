"""What one transaction does with the entries of several controllers.

`take` checks an entry's position against the book's and, if they agree, sets down what the entry brings;
cycles, curves and tallies, of which there are many, are gathered and written together by `finish`. Nothing
is visible to anybody before the commit, and nothing is remembered here after a rollback: a booking is used
for one transaction."""

from collections import Counter
from collections.abc import Callable
from dataclasses import astuple, dataclass
from datetime import datetime
from operator import attrgetter
from typing import Any, Literal, TypeVar

import orjson
from sqlalchemy import Connection, CursorResult, Executable, Table, Update, select

from collector.analysis.features import Features, features
from collector.errors import StalePosition, StoreError
from collector.model import (
    BookedCurve,
    BookedCycle,
    ClockChange,
    CountChange,
    Curve,
    Entry,
    Extra,
    FaultAcknowledged,
    FaultChange,
    FaultCleared,
    FaultRaised,
    Gap,
    Link,
    Mark,
    MountChange,
    Position,
    Quarantined,
    SettingChange,
    StatusSeen,
    ToolName,
)
from collector.store import tables
from collector.store.curves import dtype_of, encode
from collector.store.driver_sql import (
    LAST_NUMBER,
    POSITIONS,
    SET_LAST_NUMBER,
    add_to_tally_text,
    insert_text,
    text,
    upsert_text,
)
from collector.store.tables import from_us, to_us
from collector.store.tallies import bucket_of

AS_THE_CONTROLLER_SAID = (
    "result",
    "completion",
    "mode",
    "fault_code",
    "part_id",
    "band",
    "duration_ms",
    "take_up_ms",
    "peak_tension_n",
    "lock_tension_n",
    "seating_loss_n",
    "set_torque_nm",
    "tension_speed_mm_s",
    "punch_pressure_kpa",
    "supply_pressure_kpa",
    "punch_velocity_m_s",
    "total_count",
)
"""Columns of `cycle` that are attributes of `Cycle`, both in this order."""
said_by_controller = attrgetter(*AS_THE_CONTROLLER_SAID)

Row = dict[str, Any]
Each = TypeVar("Each")
CycleKey = tuple[int, int, int]
"""controller_id, epoch, sequence."""
Booked = tuple[int, float | None]
"""What a curve needs of its cycle: its end in µs, the tension speed in mm/s."""
TallyKey = tuple[int, int, int, str, str, str, str]
"""tool_id, bucket in µs, controller_id, mode, band, result, completion."""


@dataclass(frozen=True, slots=True)
class Known:
    """Ids of controllers and tools, as committed."""

    controllers: dict[str, int]
    tools: dict[ToolName, int]

    @classmethod
    def read(cls, connection: Connection) -> "Known":
        controllers = select(tables.controller.c.name, tables.controller.c.controller_id)
        tools = select(tables.tool)
        return cls(
            {row.name: row.controller_id for row in connection.execute(controllers)},
            {ToolName(row.maker, row.model, row.serial): row.tool_id for row in connection.execute(tools)},
        )


def not_registered(controller: str) -> StoreError:
    return StoreError(f"controller {controller} is not in the book; it has to be registered first")


class Booking:
    """One transaction's worth of entries on their way into the book."""

    def __init__(self, connection: Connection, known: Known, now: datetime) -> None:
        self._connection = connection
        self._known = known
        self._now = now
        self._dialect = connection.dialect.name
        self._number: int = self._ask(LAST_NUMBER).scalars().one()
        self._first_number = self._number
        self._positions = {
            row.controller_id: position_of(row.epoch, row.sequence, row.total_count, row.read_through_at)
            for row in self._ask(POSITIONS)
        }
        self._moved: dict[int, Position] = {}
        self._cycles: list[tuple[Any, ...]] = []
        self._booked: dict[CycleKey, Booked] = {}
        self._curves: dict[CycleKey, tuple[Any, ...]] = {}
        self._features: list[tuple[Any, ...]] = []
        self._tallies: Counter[TallyKey] = Counter()
        self._gaps: list[Row] = []
        self._quarantined: list[Row] = []
        self._links: dict[int, Link] = {}
        self._seen: dict[int, StatusSeen] = {}
        self.new_tools: dict[ToolName, int] = {}
        """To be remembered after the commit, not before."""

    def take(self, entry: Entry) -> StoreError | None:
        """Set down an entry, or none of it: then the return says why. Raises: what the database raises."""
        controller_id = self._known.controllers.get(entry.controller)
        if controller_id is None:
            return not_registered(entry.controller)
        found = self._positions.get(controller_id)
        if entry.expected != found:
            return StalePosition(entry.controller, entry.expected, found)
        if entry.controller_serial is not None:
            self._set_serial(controller_id, entry.controller_serial)
        for mount in entry.mounts:
            self._change_mount(controller_id, mount)
        for cycle in entry.cycles:
            self.add_cycle(controller_id, cycle)
        for curve in entry.curves:
            self._add_curve(controller_id, curve)
        for fault in entry.faults:
            self._change_fault(controller_id, fault)
        for gap in entry.gaps:
            self.add_gap(controller_id, gap, self._now)
        for count in entry.counts:
            self._change_count(controller_id, count)
        for setting in entry.settings:
            self._change_setting(controller_id, setting, entry.position)
        for clock in entry.clocks:
            self._change_clock(controller_id, clock)
        for quarantined in entry.quarantined:
            self.quarantine(controller_id, quarantined)
        if entry.seen is not None:
            self._seen[controller_id] = entry.seen
        if entry.link is not None:
            self._links[controller_id] = entry.link
        if entry.position is not None and (found is None or entry.position.epoch != found.epoch):
            self._begin_epoch(controller_id, entry.position.epoch)
        if entry.position is not None and entry.position != found:
            self._positions[controller_id] = self._moved[controller_id] = entry.position
        return None

    def finish(self) -> None:
        """Write what was gathered. Raises: what the database raises: IntegrityError for a cycle it has."""
        self._write_tuples(tables.cycle, self._cycles)
        self._write_tuples(tables.curve, list(self._curves.values()))
        self._write_tuples(tables.curve_feature, self._features)
        self._write_text(
            add_to_tally_text(self._dialect),
            [tally_row(key, cycles) for key, cycles in self._tallies.items()],
        )
        self._write(tables.gap.insert(), self._gaps)
        self._write(tables.quarantine.insert(), self._quarantined)
        self._upsert(tables.position, self._moved, position_row)
        both = {id_: (link, self._seen[id_]) for id_, link in self._links.items() if id_ in self._seen}
        self._upsert(tables.controller_status, both, lambda each: link_row(each[0]) | seen_row(each[1]))
        links = {id_: link for id_, link in self._links.items() if id_ not in both}
        self._upsert(tables.controller_status, links, link_row)
        seen = {id_: each for id_, each in self._seen.items() if id_ not in both}
        self._upsert(tables.controller_status, seen, seen_row)
        if self._number != self._first_number:
            self._connection.exec_driver_sql(text(self._dialect, SET_LAST_NUMBER), (self._number,))

    def _ask(self, statement: Executable) -> CursorResult[Any]:
        return self._connection.exec_driver_sql(text(self._dialect, statement))

    def _write_tuples(self, table: Table, rows: list[tuple[Any, ...]]) -> None:
        self._write_text(insert_text(self._dialect, table), rows)

    def _write_text(self, sql: str, rows: list[tuple[Any, ...]]) -> None:
        if rows:
            self._connection.exec_driver_sql(sql, rows)

    def _write(self, statement: Executable, rows: list[Row]) -> None:
        if rows:
            self._connection.execute(statement, rows)

    def _upsert(self, table: Table, by_controller: dict[int, Each], row: Callable[[Each], Row]) -> None:
        rows = [{"controller_id": id_, **row(each)} for id_, each in by_controller.items()]
        if rows:
            upserting = upsert_text(self._dialect, table, tuple(rows[0]))
            self._write_text(upserting.sql, upserting.rows(rows))

    def next_number(self) -> int:
        self._number += 1
        return self._number

    def _tool_id(self, name: ToolName) -> int:
        known = self._known.tools.get(name) or self.new_tools.get(name)
        if known is not None:
            return known
        row = {
            "maker": name.maker,
            "model": name.model,
            "serial": name.serial,
            "first_seen_at": self._now,
        }
        made = self._connection.execute(tables.tool.insert(), row).inserted_primary_key
        assert made is not None
        tool_id: int = made[0]
        self.new_tools[name] = tool_id
        return tool_id

    def add_cycle(self, controller_id: int, booked: BookedCycle, brought_by: str | None = None) -> None:
        cycle = booked.cycle
        tool_id = self._tool_id(booked.tool)
        ended_us = to_us(booked.ended_at)
        self._booked[controller_id, booked.epoch, booked.sequence] = (ended_us, cycle.tension_speed_mm_s)
        self._cycles.append(
            (
                controller_id,
                booked.epoch,
                booked.sequence,
                self.next_number(),
                tool_id,
                ended_us,
                booked.time_uncertainty_ms,
                cycle.controller_time.isoformat() if cycle.controller_time else None,
                *said_by_controller(cycle),
                _json(cycle.extra) if cycle.extra else None,
                cycle.raw,
                brought_by,
            )
        )
        key = (
            tool_id,
            bucket_of(ended_us),
            controller_id,
            cycle.mode,
            cycle.band or "",
            cycle.result,
            cycle.completion,
        )
        self._tallies[key] += 1

    def _add_curve(self, controller_id: int, booked: BookedCurve) -> None:
        """A curve that can't be kept beside its cycle is kept in quarantine: it never holds up a cycle."""
        key = (controller_id, booked.epoch, booked.sequence)
        curve = booked.curve
        try:
            coded = encode(curve)
        except ValueError as error:
            return self._quarantine_curve(key, booked, f"its samples can't be coded: {error}")
        cycle = self._booked.get(key) or self._find_booked(key)
        if cycle is None:
            return self._quarantine_curve(key, booked, "its cycle is not in the book")
        ended_us, speed_mm_s = cycle
        row = (
            *key,
            ended_us,
            curve.quantity,
            curve.sample_interval_us,
            len(curve.samples) // dtype_of(curve.sample_type).itemsize,
            curve.scale,
            curve.offset,
            coded,
        )
        kept = self._curves.get(key) or self._find_curve(key)
        if kept is None:
            self._curves[key] = row
            self._features.append((*key, *feature_columns(curve, speed_mm_s)))
        elif kept != row:
            self._quarantine_curve(key, booked, "the book has another curve of this cycle")
        return None

    def _find_booked(self, key: CycleKey) -> Booked | None:
        columns = (tables.cycle.c.ended_at, tables.cycle.c.tension_speed_mm_s)
        row = self._connection.execute(select(*columns).where(*_has_key(tables.cycle, key))).one_or_none()
        return None if row is None else (to_us(row.ended_at), row.tension_speed_mm_s)

    def _find_curve(self, key: CycleKey) -> tuple[Any, ...] | None:
        if key in self._booked:
            return None  # its cycle is new, and no curve precedes its cycle
        row = self._connection.execute(select(tables.curve).where(*_has_key(tables.curve, key))).one_or_none()
        return None if row is None else (*row[:3], to_us(row.ended_at), *row[4:])

    def _quarantine_curve(self, key: CycleKey, booked: BookedCurve, reason: str) -> None:
        self.quarantine(
            key[0],
            Quarantined(
                what="curve",
                where=f"epoch {booked.epoch}, sequence {booked.sequence}",
                reason=reason,
                raw=booked.curve.samples,
                received_at=self._now,
            ),
        )

    def quarantine(self, controller_id: int, quarantined: Quarantined) -> None:
        self._quarantined.append(
            {
                "commit_number": self.next_number(),
                "controller_id": controller_id,
                "what": quarantined.what,
                "place": quarantined.where,
                "reason": quarantined.reason,
                "raw": quarantined.raw,
                "received_at": quarantined.received_at,
            }
        )

    def add_gap(self, controller_id: int, gap: Gap, noticed_at: datetime, part_of: int | None = None) -> None:
        """List a gap, or what is left of one: `part_of` is that one's commit number."""
        self._gaps.append(
            {
                "commit_number": self.next_number(),
                "controller_id": controller_id,
                "epoch": gap.epoch,
                "first_sequence": gap.first_sequence,
                "last_sequence": gap.last_sequence,
                "reason": gap.reason,
                "after_at": gap.after_at,
                "before_at": gap.before_at,
                "noticed_at": noticed_at,
                "part_of": part_of,
            }
        )

    def _set_serial(self, controller_id: int, serial: str) -> None:
        """A controller that moved here takes its identity along; where it was is known to have had one."""
        controller = tables.controller
        self._connection.execute(controller.update().where(controller.c.serial == serial).values(serial=""))
        self._connection.execute(
            controller.update().where(controller.c.controller_id == controller_id).values(serial=serial)
        )
        found = self._positions.get(controller_id)
        if found is not None:
            # an epoch whose controller had told no identity yet
            epoch = tables.epoch
            here = [epoch.c.controller_id == controller_id, epoch.c.epoch == found.epoch]
            self._connection.execute(
                epoch.update().where(*here, epoch.c.serial.is_(None)).values(serial=serial)
            )

    def _begin_epoch(self, controller_id: int, epoch: int) -> None:
        controller = tables.controller
        serial = self._connection.scalar(
            select(controller.c.serial).where(controller.c.controller_id == controller_id)
        )
        row = {
            "controller_id": controller_id,
            "epoch": epoch,
            "serial": serial or None,
            "noticed_at": self._now,
        }
        self._connection.execute(tables.epoch.insert(), row)

    def _change_count(self, controller_id: int, change: CountChange) -> None:
        row = {
            "commit_number": self.next_number(),
            "controller_id": controller_id,
            "kind": change.kind,
            "epoch": change.mark.epoch,
            "sequence": change.mark.sequence,
            "expected": change.mark.total_count,
            "found": change.found,
            "after_at": change.after_at,
            "noticed_at": change.noticed_at,
        }
        self._connection.execute(tables.count_change.insert(), row)

    def _change_setting(self, controller_id: int, change: SettingChange, position: Position | None) -> None:
        row = {
            "commit_number": self.next_number(),
            "controller_id": controller_id,
            "setting": change.setting,
            "value_before": orjson.dumps(change.before).decode(),
            "value_after": orjson.dumps(change.after).decode(),
            "not_before": change.not_before,
            "noticed_at": change.at,
            "epoch": position.epoch if position else None,
            "sequence": position.sequence if position else None,
        }
        self._connection.execute(tables.setting_change.insert(), row)

    def _change_clock(self, controller_id: int, change: ClockChange) -> None:
        row = {
            "commit_number": self.next_number(),
            "controller_id": controller_id,
            "before_ms": change.before_ms,
            "after_ms": change.after_ms,
            "noticed_at": change.noticed_at,
        }
        self._connection.execute(tables.clock_change.insert(), row)

    def _change_mount(self, controller_id: int, change: MountChange) -> None:
        mount = tables.mount
        self._connection.execute(
            mount.update()
            .where(mount.c.controller_id == controller_id, mount.c.unmounted_at.is_(None))
            .values(unmounted_at=change.at, **mark_columns("until", change.mark))
        )
        if change.tool is not None:
            row = {
                "commit_number": self.next_number(),
                "controller_id": controller_id,
                "tool_id": self._tool_id(change.tool),
                "mounted_at": change.at,
                **mark_columns("after", change.mark),
            }
            self._connection.execute(mount.insert(), row)

    def _change_fault(self, controller_id: int, change: FaultChange) -> None:
        fault = tables.fault
        is_open = [
            fault.c.controller_id == controller_id,
            fault.c.code == change.code,
            fault.c.cleared_at.is_(None),
        ]
        match change:
            case FaultRaised():
                row = {
                    "commit_number": self.next_number(),
                    "controller_id": controller_id,
                    "tool_id": self._tool_id(change.tool),
                    "code": change.code,
                    "text": change.text,
                    "category": change.category,
                    "not_before": change.not_before,
                    "raised_at": change.raised_at,
                }
                self._connection.execute(fault.insert(), row)
            case FaultAcknowledged():
                unseen = fault.update().where(*is_open, fault.c.acknowledged_at.is_(None))
                self._set_numbered(
                    unseen, "acknowledged_commit_number", acknowledged_at=change.acknowledged_at
                )
            case FaultCleared():
                self._set_numbered(
                    fault.update().where(*is_open), "cleared_commit_number", cleared_at=change.cleared_at
                )

    def _set_numbered(self, update: Update, column: str, **values: Any) -> None:
        """Change rows, if there are any, under a commit number of their own."""
        number = self._number + 1
        if self._connection.execute(update.values({column: number, **values})).rowcount:
            self._number = number


# ---- rows --------------------------------------------------------------------------------------------------


def position_of(epoch: int, sequence: int, total_count: int | None, through_us: int | None) -> Position:
    """Of a row as the driver gives it."""
    return Position(epoch, sequence, total_count, None if through_us is None else from_us(through_us))


def position_row(position: Position) -> Row:
    return {
        "epoch": position.epoch,
        "sequence": position.sequence,
        "total_count": position.total_count,
        "read_through_at": position.read_through_at,
    }


def mark_columns(prefix: Literal["after", "until"], mark: Mark | None) -> Row:
    return {
        f"{prefix}_epoch": mark.epoch if mark else None,
        f"{prefix}_sequence": mark.sequence if mark else None,
        f"{prefix}_count": mark.total_count if mark else None,
    }


def link_row(link: Link) -> Row:
    return {
        "link_state": link.state,
        "link_since": link.since,
        "last_error": link.last_error,
        "last_error_at": link.last_error_at,
        "bad_replies": _json(link.bad_replies),
        "reconnects": link.reconnects,
    }


def seen_row(seen: StatusSeen) -> Row:
    status = seen.status
    return {
        "read_at": seen.read_at,
        "last_sequence": str(status.last_sequence),
        "mode": status.mode,
        "state": status.state,
        "emergency_stop": status.emergency_stop,
        "total_count": status.total_count,
        "count_since_cleared": status.count_since_cleared,
        "controller_clock": status.clock.isoformat() if status.clock else None,
        "clock_offset_ms": seen.clock_offset_ms,
        "clock_uncertainty_ms": seen.clock_uncertainty_ms,
        "clock_drift_ppm": seen.clock_drift_ppm,
        "clock_stands_still": seen.clock_stands_still,
        "supply_pressure_kpa": status.supply_pressure_kpa,
        "settings": _json(status.settings),
        "extra": _json(status.extra),
    }


def feature_columns(curve: Curve, speed_mm_s: float | None) -> tuple[Any, ...]:
    """Columns of `curve_feature` after the key."""
    try:
        found = features(curve, speed_mm_s if speed_mm_s is not None and speed_mm_s > 0 else None)
    except ValueError as error:
        found = Features(curve.quantity, 0, notes=(str(error),))
    *values, notes = astuple(found)
    return (*values, orjson.dumps(notes).decode())


def tally_row(key: TallyKey, cycles: int) -> tuple[Any, ...]:
    """In the order of the columns."""
    tool_id, bucket_us, controller_id, mode, band, result, completion = key
    return tool_id, bucket_us, controller_id, mode, band, result, completion, cycles


def _has_key(table: Table, key: CycleKey) -> list[Any]:
    columns = (table.c.controller_id, table.c.epoch, table.c.sequence)
    return [column == value for column, value in zip(columns, key, strict=True)]


def _json(extra: Extra) -> str:
    return orjson.dumps(dict(extra)).decode()
