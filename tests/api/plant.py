"""A small invented plant, brought into a book through the writer, with the truth beside it as a plain list.

Two controllers on one line in Berlin; the plant day begins at 06:20. Tool 2042 works on A-01, then moves to
A-02. Two makers have a tool 2041. Cycles lie in the weeks of both changes of the clocks, some exactly on
the bounds of plant days.
"""

import json
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from random import Random
from zoneinfo import ZoneInfo

from collector.closing import close_line
from collector.model import (
    BookedCurve,
    BookedCycle,
    ControllerIdentity,
    Curve,
    Cycle,
    Entry,
    FaultAcknowledged,
    FaultCleared,
    FaultRaised,
    Gap,
    Link,
    Mark,
    MountChange,
    Position,
    Quarantined,
    Status,
    StatusSeen,
    ToolName,
)
from collector.shifts import WEEKDAYS, Shift, ShiftPlan
from collector.store.engine import StoreAddress, migrate_book, open_book_reader, open_book_writer
from collector.store.findings import FindingEnd, NewFinding, find_findings
from collector.store.instances import find_home, write_head
from collector.store.queries import find_controller_id, find_tool
from collector.store.statements import LineRules, Seen
from collector.store.tables import book
from collector.store.writer import Writer

SITE = """
[site]
name = "Sample plant"
zone = "Europe/Berlin"

[store]
folder = "store"

[[shifts]]
name = "early"
begins = "06:20"
ends = "14:42"

[[shifts]]
name = "late"
begins = "14:42"
ends = "22:10"

[[shifts]]
name = "night"
begins = "22:10"
ends = "06:20"
weekdays = ["monday", "tuesday", "wednesday", "thursday", "friday"]

[[controllers]]
name = "A-01"
line = "line-1"
station = "station-1"
protocol = "modbus"
layout = "example:ring-modbus"
host = "127.0.0.1"

[[controllers]]
name = "A-02"
line = "line-1"
station = "station-2"
protocol = "s7"
layout = "example:ring-s7"
host = "127.0.0.1"

[analysis]
values_between_false_alarms = 370
"""

MOVED = ToolName("Sample Works", "C-4", "2042")
TWIN_1 = ToolName("Example Tools", "BT-20", "2041")
TWIN_2 = ToolName("Sample Works", "C-4", "2041")

SPRING = datetime(2026, 3, 27, tzinfo=UTC)
MOVED_TO_1 = SPRING + timedelta(days=1, hours=12)
MOVED_TO_2 = SPRING + timedelta(days=3, hours=12)
AUTUMN = datetime(2026, 10, 24, tzinfo=UTC)
LATEST = AUTUMN + timedelta(days=3)
BEGAN = SPRING - timedelta(days=1)

IDENTITIES = [
    ControllerIdentity("A-01", "line-1", "station-1", "modbus", "ring-modbus", "127.0.0.1:502"),
    ControllerIdentity("A-02", "line-1", "station-2", "s7", "ring-s7", "127.0.0.1:102"),
]
SHIFT_BOUNDS = [  # 06:20 in Berlin on the days around both changes of the clocks
    datetime(2026, 3, 28, 5, 20, tzinfo=UTC),
    datetime(2026, 3, 29, 4, 20, tzinfo=UTC),
    datetime(2026, 3, 30, 4, 20, tzinfo=UTC),
    datetime(2026, 10, 24, 4, 20, tzinfo=UTC),
    datetime(2026, 10, 25, 5, 20, tzinfo=UTC),
    datetime(2026, 10, 26, 5, 20, tzinfo=UTC),
]


@dataclass
class Plant:
    """The book at `address`, and what is in it."""

    address: StoreAddress
    cycles: list[tuple[str, BookedCycle]] = field(default_factory=list)
    """Controller and cycle, in the order in which they were booked."""
    curves: dict[str, Curve] = field(default_factory=dict)
    positions: dict[str, Position] = field(default_factory=dict)
    findings: list[int] = field(default_factory=list)
    """Commit numbers, in order; the first has ended."""

    def of(self, tool: ToolName) -> list[tuple[str, BookedCycle]]:
        """The tool's cycles, newest first: the naive scan."""
        number = {each.name: place for place, each in enumerate(IDENTITIES, start=1)}
        mine = [each for each in self.cycles if each[1].tool == tool]
        return sorted(
            mine,
            key=lambda each: (each[1].ended_at, number[each[0]], each[1].epoch, each[1].sequence),
            reverse=True,
        )


def id_of(controller: str, booked: BookedCycle) -> str:
    return f"{controller}.{booked.epoch}.{booked.sequence}"


class Filling:
    """A writer on the plant's book that keeps the positions, so that a test only says what happens."""

    def __init__(self, plant: Plant, writer: Writer) -> None:
        self.plant = plant
        self.writer = writer

    async def commit(self, controller: str, *, to: Position | None = None, **content: object) -> None:
        before = self.plant.positions.get(controller)
        after = to or before
        await self.writer.commit(Entry(controller, before, after, **content))  # type: ignore[arg-type]
        if after is not None:
            self.plant.positions[controller] = after

    async def mount(self, controller: str, tool: ToolName | None, at: datetime) -> None:
        """Behind the last cycle."""
        position = self.plant.positions.get(controller)
        mark = Mark(position.epoch, position.sequence, position.total_count) if position else None
        await self.commit(controller, mounts=(MountChange(tool, at, mark),))

    async def book(self, controller: str, booked: list[BookedCycle], curves: list[BookedCurve]) -> None:
        last = booked[-1]
        to = Position(last.epoch, last.sequence, last.cycle.total_count)
        await self.commit(controller, to=to, cycles=tuple(booked), curves=tuple(curves))
        self.plant.cycles += [(controller, each) for each in booked]
        self.plant.curves |= {f"{controller}.{each.epoch}.{each.sequence}": each.curve for each in curves}

    async def work(
        self, controller: str, tool: ToolName, begin: datetime, end: datetime, epoch: int, seed: int
    ) -> None:
        """Cycles at irregular intervals, with the bounds of plant days hit to the microsecond."""
        before = self.plant.positions.get(controller)
        first = before.sequence + 1 if before is not None and before.epoch == epoch else 1
        counted = (before.total_count if before is not None else None) or 400_000
        made = list(cycles_between(tool, begin, end, epoch, first, counted - first + 1, Random(seed)))
        for at in range(0, len(made), 40):
            chunk = made[at : at + 40]
            await self.book(controller, chunk, [curve_of(each) for each in chunk if each.sequence % 7 == 0])


def cycles_between(
    tool: ToolName,
    begin: datetime,
    end: datetime,
    epoch: int,
    first: int,
    count_ahead: int,
    random: Random,
) -> Iterator[BookedCycle]:
    """`count_ahead`: by how much the controller's own count is ahead of the sequence."""
    instants = [
        at + shift
        for at in SHIFT_BOUNDS
        for shift in (timedelta(microseconds=-1), timedelta(0), timedelta(0))
    ]
    at = begin
    while (at := at + timedelta(seconds=random.randint(300, 1500))) < end:
        instants.append(at)
    for sequence, ended_at in enumerate(
        sorted(each for each in instants if begin <= each < end), start=first
    ):
        peak_n = random.gauss(1000, 40)
        cycle = Cycle(
            sequence=sequence,
            controller_time=ended_at.replace(tzinfo=None),
            tool_serial=tool.serial,
            result=random.choices(["ok", "nok", "undecided", "unknown"], [90, 6, 3, 1])[0],
            completion=random.choices(["completed", "aborted", "failed"], [95, 3, 2])[0],
            mode="automatic",
            peak_tension_n=peak_n,
            set_torque_nm=2.5,
            total_count=count_ahead + sequence,
            extra={"motor_current_a": 3.5} if sequence % 3 == 0 else {},
            raw=struct.pack("<IQ", sequence, round(peak_n * 1000)),
        )
        yield BookedCycle(epoch, sequence, ended_at, 500.0, tool, cycle)


def curve_of(booked: BookedCycle) -> BookedCurve:
    samples = struct.pack("<50h", *(min(10 * number, 400) for number in range(50)))
    return BookedCurve(
        booked.epoch, booked.sequence, Curve(booked.sequence, 1000, "tension_n", samples, "int16", 0.5, 1.0)
    )


async def make_plant(address: StoreAddress, identities: Sequence[ControllerIdentity] = IDENTITIES) -> Plant:
    """Make the book and fill it. Args: identities: the two controllers, which may be on two lines."""
    plant = Plant(address)
    async with writing(plant, at=BEGAN) as filling:
        await filling.writer.register(identities)
        await filling.mount("A-01", TWIN_2, SPRING)
        await filling.mount("A-02", TWIN_1, SPRING)
        await filling.work("A-01", TWIN_2, SPRING, MOVED_TO_1, epoch=1, seed=1)
        await filling.mount("A-01", MOVED, MOVED_TO_1)
        await filling.work("A-01", MOVED, MOVED_TO_1, MOVED_TO_2, epoch=1, seed=2)
        await filling.mount("A-01", None, MOVED_TO_2)
        await filling.work("A-02", TWIN_1, SPRING, MOVED_TO_2, epoch=1, seed=3)
        await filling.mount("A-02", MOVED, MOVED_TO_2)
        await lose_some(filling)
        await filling.work("A-02", MOVED, AUTUMN, LATEST, epoch=2, seed=4)
        await show_faults(filling)
        await show_status(filling)
        await notice(filling)
        for line in dict.fromkeys(each.line for each in identities):
            names = [each.name for each in identities if each.line == line]
            await close_shifts(plant, filling.writer, line, names)
    return plant


async def close_shifts(
    plant: Plant, writer: Writer, line: str = "line-1", names: Sequence[str] = ("A-01", "A-02")
) -> None:
    """One pass over the line with these controllers: revisions, and the twenty shifts that are next."""
    early, late = Shift("early", time(6, 20), time(14, 42)), Shift("late", time(14, 42), time(22, 10))
    night = Shift("night", time(22, 10), time(6, 20), frozenset(WEEKDAYS[:5]))
    plan = ShiftPlan.of(ZoneInfo("Europe/Berlin"), [(None, early), (None, late), (None, night)])
    rules = LineRules(line, plan, frozenset(names), dict.fromkeys(names), timedelta(hours=1))
    reader = open_book_reader(plant.address)
    await close_line(reader, writer, rules, Seen(), lambda: LATEST)
    reader.dispose()


async def lose_some(filling: Filling) -> None:
    """A-01 counted five cycles during 29 March that nobody has; A-02 restarted in summer."""
    at = filling.plant.positions["A-01"]
    lost = Gap(
        1, at.sequence + 1, at.sequence + 5, "history overwritten",
        datetime(2026, 3, 29, 10, tzinfo=UTC), datetime(2026, 3, 29, 11, tzinfo=UTC),
    )  # fmt: skip
    await filling.commit("A-01", to=ahead(at, 5), gaps=(lost,))
    at = filling.plant.positions["A-02"]
    restarted = Gap(
        1, at.sequence + 1, at.sequence + 3, "controller restarted",
        SPRING + timedelta(days=60), SPRING + timedelta(days=61),
    )  # fmt: skip
    garbled = Quarantined("record", "slot 7", "field peak_tension_n: not a number", b"\x00\xff\x10", SPRING)
    await filling.commit("A-02", to=ahead(at, 3), gaps=(restarted,), quarantined=(garbled,))


def ahead(position: Position, cycles: int) -> Position:
    """So many cycles further."""
    assert position.total_count is not None
    return Position(position.epoch, position.sequence + cycles, position.total_count + cycles)


async def show_faults(filling: Filling) -> None:
    hour = timedelta(hours=1)
    for day, (code, category) in enumerate([("E01", "process"), ("E03", "hardware"), ("E06", "operator")]):
        at = AUTUMN + timedelta(days=day)
        raised = FaultRaised(code, f"Sample fault {code}", category, MOVED, at, at - timedelta(seconds=1))  # type: ignore[arg-type]
        await filling.commit("A-02", faults=(raised,))
        if code != "E03":
            await filling.commit("A-02", faults=(FaultAcknowledged(code, at + hour),))
            await filling.commit("A-02", faults=(FaultCleared(code, at + 2 * hour),))


async def notice(filling: Filling) -> None:
    """On A-02 the punch of 2042 slowed on 25 October, after its peak had been off for a day; and 2041 of the
    other maker is overdue for service."""
    engine = open_book_reader(filling.plant.address)
    with engine.connect() as connection:
        names = {name: find_tool(connection, name.serial, name.maker)["tool_id"] for name in (MOVED, TWIN_1)}
        controller_id = find_controller_id(connection, "A-02")
    day = timedelta(days=1)
    peak = NewFinding(
        "measure_shifted", controller_id, names[MOVED], "peak_tension_n", "peak tension went up",
        {"center": 1000.0}, AUTUMN,
    )  # fmt: skip
    slow = NewFinding(
        "punch_slowing", controller_id, names[MOVED], "punch_velocity_m_s", "punch slower",
        {"center": 2.0, "causes": []}, AUTUMN + day,
    )  # fmt: skip
    due = NewFinding("service_overdue", None, names[TWIN_1], "", "service is due", {}, SPRING + day)
    await filling.writer.note_findings([peak], [])
    with engine.connect() as connection:
        (found,) = find_findings(connection)
    end = FindingEnd(found["commit_number"], AUTUMN + day, "a service was done")
    await filling.writer.note_findings([slow, due], [end])
    with engine.connect() as connection:
        filling.plant.findings = [each["commit_number"] for each in find_findings(connection)][::-1]
    engine.dispose()


async def show_status(filling: Filling) -> None:
    """A-02 tells its own serial number and was read through to the end; A-01, which has no tool, never showed
    a total count."""
    for name, total, tool in (("A-01", None, None), ("A-02", 2**40, MOVED)):
        at = filling.plant.positions[name]
        status = Status(
            last_sequence=at.sequence, tool=tool, mode="automatic", state="idle", emergency_stop=False,
            total_count=total, count_since_cleared=total and 12, clock=LATEST.replace(tzinfo=None),
            supply_pressure_kpa=600.0, settings={"set_torque_nm": 2.5}, extra={"firmware": 12},
        )  # fmt: skip
        await filling.commit(
            name,
            to=Position(at.epoch, at.sequence, total and at.total_count, LATEST),
            seen=StatusSeen(status, LATEST, 3_600_000.0, 20.0, total and 12.5),
            controller_serial=total and "PLC-0002",
            link=Link("up", BEGAN, "connection reset", BEGAN, {"short": 2} if name == "A-01" else {}, 1),
        )


class writing:
    """A writer on the plant's book for as long as the context lasts; its clock stands at `at`."""

    def __init__(self, plant: Plant, at: datetime = LATEST) -> None:
        self._plant = plant
        self._at = at

    async def __aenter__(self) -> Filling:
        engine = open_book_writer(self._plant.address)
        migrate_book(engine)
        with engine.begin() as connection:
            connection.execute(book.update().values(created_at=BEGAN))
        self._writer = await Writer(engine, lambda: self._at).__aenter__()
        return Filling(self._plant, self._writer)

    async def __aexit__(self, *error: object) -> None:
        await self._writer.__aexit__(None, None, None)


def pass_for_the_original(address: StoreAddress) -> None:
    """A copied book would become another instance when it is opened; this one does not."""
    engine = open_book_writer(address)
    with engine.begin() as connection:
        connection.execute(book.update().values(home=json.dumps(find_home(connection, "book"))))
    write_head(engine)
    engine.dispose()


def write_site(folder: Path) -> Path:
    """The site file of the plant, with its store beside it."""
    path = folder / "site.toml"
    path.write_text(SITE, encoding="utf-8")
    return path
