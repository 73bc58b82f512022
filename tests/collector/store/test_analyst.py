"""The analyst on a real book and desk: what it looks at, and what it finds, on SQLite and on PostgreSQL."""

import io
import json
from collections.abc import AsyncIterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from sqlalchemy import Engine, text

from collector import analyst
from collector.analysis.chart_design import Cusum, Design, Ewma
from collector.analyst import Analyst, Look, Mark, work
from collector.config import Site
from collector.model import Entry, MountChange, Position, SettingChange, ToolName
from collector.store import tables
from collector.store.desk import record_service, withdraw_service
from collector.store.engine import StoreAddress, migrate_desk, open_desk
from collector.store.findings import find_findings
from collector.store.writer import Writer
from tests.collector.store.rigs import IDENTITIES, MORNING, OTHER_TOOL, TOOL, cycle

DESIGN = Design(("beyond_limits",), 3.7, False, Ewma(0.2, 3.65), Cusum(0.5, 7.3))
SPAN = 250
NOW = datetime(2026, 3, 3, tzinfo=UTC)


def seconds(number: float) -> datetime:
    """The cycle of that number ends then."""
    return MORNING + timedelta(seconds=10 * number)


@dataclass
class Rig:
    """A plant that makes cycles, an analyst that looks at them, and a writer that stores what it finds."""

    writer: Writer
    reader: Engine
    desk: Engine
    site: Site
    rng: np.random.Generator
    made: dict[str, int]

    async def mount(self, controller: str, tool: ToolName | None, at: datetime) -> None:
        await self.writer.commit(self._entry(controller, mounts=(MountChange(tool, at),)))

    async def make(
        self, controller: str, count: int, velocity: float = 2.0, tool: ToolName = TOOL, **said: Any
    ) -> None:
        first = self.made.get(controller, 0) + 1
        cycles = tuple(
            cycle(
                number,
                tool=tool,
                punch_velocity_m_s=float(velocity * self.rng.normal(1, 0.004)),
                supply_pressure_kpa=620.0,
                mode="automatic",
                **said,
            )
            for number in range(first, first + count)
        )
        await self.writer.commit(self._entry(controller, count, cycles=cycles))
        self.made[controller] = first + count - 1

    async def change(self, controller: str, setting: SettingChange) -> None:
        await self.writer.commit(self._entry(controller, settings=(setting,)))

    def _entry(self, controller: str, count: int = 0, **content: Any) -> Entry:
        made = self.made.get(controller, 0)
        before = Position(1, made) if made else None
        return Entry(controller, before, Position(1, made + count) if made + count else None, **content)

    def serve(self, tool: ToolName, at: datetime, corrects: int | None = None) -> int:
        """Returns: the record's number."""
        with self.desk.begin() as connection:
            made, _ = record_service(
                connection, tool, done_at=at, done_by="Fitter 7", remark="", at_count=0, recorded_at=NOW,
                corrects=corrects,
            )  # fmt: skip
        return int(made["commit_number"])

    def withdraw(self, tool: ToolName, number: int) -> None:
        with self.desk.begin() as connection:
            withdraw_service(connection, tool, number, remark="", recorded_at=NOW)

    async def look(self, mark: Mark | None = None) -> Look:
        """With a process of its own each time, as after any restart; what it finds is stored."""
        with closing(Analyst(self.site)) as looking:
            found = looking.look(mark)
        await self.writer.note_findings(found.begins, found.ends)
        return found

    def findings(self) -> list[tuple[str, str, str]]:
        """Kind, tool and state of each, in order of commit."""
        with self.reader.connect() as connection:
            rows = find_findings(connection, last=None)
        return [(row["kind"], row["serial"], row["state"]) for row in rows[::-1]]

    def newest(self) -> dict[str, Any]:
        with self.reader.connect() as connection:
            return find_findings(connection, last=1)[0]


@pytest.fixture
async def rig(
    book_engine: Engine, book_reader: Engine, book_address: StoreAddress, monkeypatch: pytest.MonkeyPatch
) -> AsyncIterator[Rig]:
    """Tool T-1001 sits on L1-01; nothing is made yet."""
    monkeypatch.setattr(analyst, "designed_for", lambda values: DESIGN)
    folder, url = book_address.folder, book_address.url
    site = Site.model_validate(
        {
            "site": {"zone": "Europe/Berlin"},
            "store": {"folder": str(folder)} if folder else {"url": url},
            "controllers": tuple(
                {
                    "name": each.name,
                    "line": each.line,
                    "station": each.station,
                    "protocol": "modbus",
                    "layout": "example:ring-modbus",
                    "host": "127.0.0.1",
                }
                for each in IDENTITIES
            ),
            "tool_models": ({"maker": TOOL.maker, "model": TOOL.model, "service_cycle_span": SPAN},),
        }
    )
    desk = open_desk(book_address)
    migrate_desk(desk)
    with desk.begin() as connection:
        connection.execute(tables.service.delete())
    with book_engine.begin() as connection:
        connection.execute(tables.book.update().values(created_at=MORNING - timedelta(days=1)))
    async with Writer(book_engine, now=lambda: NOW) as writer:
        await writer.register(IDENTITIES)
        rig = Rig(writer, book_reader, desk, site, np.random.default_rng(1), {})
        await rig.mount("L1-01", TOOL, MORNING)
        yield rig
    desk.dispose()


async def test_a_slowing_punch_is_one_finding_however_often_it_is_looked_at(rig: Rig) -> None:
    """Found with its begin; not found again with the mark, nor by a new process that looks at everything."""
    await rig.make("L1-01", 200)
    first = await rig.look()
    assert (first.begins, first.ends) == ([], [])
    await rig.make("L1-01", 100, velocity=1.85)
    second = await rig.look(first.mark)
    (found,) = second.begins
    assert (found.kind, found.controller_id, found.measure) == ("punch_slowing", 1, "punch_velocity_m_s")
    assert abs(found.began_at - seconds(201)) <= timedelta(seconds=20)
    await rig.make("L1-01", 10, velocity=1.85)
    for mark in (second.mark, None):
        assert (await rig.look(mark)).begins == []
    assert rig.findings() == [("punch_slowing", "T-1001", "open")]


async def test_only_tools_with_new_cycles_are_looked_at_again(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Or with a service recorded since."""
    looked: list[str] = []
    judge = Analyst._judge_cycles

    def spy(self: Analyst, mounted: Any, services: Sequence[datetime], open_since: Any) -> Any:
        looked.append(mounted.controller)
        return judge(self, mounted, services, open_since)

    monkeypatch.setattr(Analyst, "_judge_cycles", spy)
    await rig.mount("L1-02", OTHER_TOOL, MORNING)
    await rig.make("L1-01", 30)
    await rig.make("L1-02", 30, tool=OTHER_TOOL)
    mark = (await rig.look()).mark
    await rig.make("L1-02", 1, tool=OTHER_TOOL)
    mark = (await rig.look(mark)).mark
    mark = (await rig.look(mark)).mark
    rig.serve(TOOL, seconds(10))
    mark = (await rig.look(mark)).mark
    await rig.look(mark)
    assert looked == ["L1-01", "L1-02", "L1-02", "L1-01"]


async def test_a_service_ends_a_slow_punch_without_another_cycle(rig: Rig) -> None:
    """At the instant at which it was done."""
    await rig.make("L1-01", 200)
    await rig.make("L1-01", 40, velocity=1.85)
    mark = (await rig.look()).mark
    rig.serve(TOOL, seconds(240) + timedelta(seconds=5))
    await rig.look(mark)
    found = rig.newest()
    assert (found["ended_at"], found["ended_because"]) == (
        seconds(240) + timedelta(seconds=5),
        "a service was done",
    )
    await rig.make("L1-01", 60)
    assert (await rig.look()).begins == []


async def test_a_setting_ends_what_it_explains(rig: Rig) -> None:
    """What was set is named."""
    await rig.make("L1-01", 200)
    await rig.make("L1-01", 40, velocity=1.85)
    await rig.look()
    at = seconds(240) + timedelta(seconds=5)
    await rig.change("L1-01", SettingChange("punch_pressure_kpa", 330.0, 360.0, at, seconds(241)))
    await rig.make("L1-01", 1)
    await rig.look()
    found = rig.newest()
    assert found["ended_at"] == seconds(241)  # when it was seen
    assert found["ended_because"] == "punch_pressure_kpa was set from 330 to 360 on L1-01"


async def test_what_is_said_of_a_tool_on_a_controller_ends_when_it_leaves(rig: Rig) -> None:
    """When it was taken off, though it makes no cycle any more."""
    await rig.make("L1-01", 200)
    await rig.make("L1-01", 40, velocity=1.85)
    mark = (await rig.look()).mark
    await rig.mount("L1-01", None, seconds(250))
    await rig.look(mark)
    found = rig.newest()
    assert (found["ended_at"], found["ended_because"]) == (seconds(250), "the tool was taken off L1-01")


async def test_a_service_that_is_due_is_found_and_ends_while_the_tool_lies_on_a_bench(rig: Rig) -> None:
    """It begins with the cycle that reached the span, and is the tool's, not the controller's."""
    rig.serve(TOOL, seconds(10) + timedelta(seconds=1))
    await rig.make("L1-01", SPAN + 9)
    mark = (await rig.look()).mark
    assert rig.findings() == []
    await rig.make("L1-01", 5)
    mark = (await rig.look(mark)).mark
    found = rig.newest()
    assert (found["kind"], found["controller"], found["began_at"]) == (
        "service_overdue",
        None,
        seconds(SPAN + 10),
    )
    await rig.mount("L1-01", None, seconds(270))
    mark = (await rig.look(mark)).mark
    assert rig.newest()["state"] == "open"
    rig.serve(TOOL, seconds(275))
    await rig.look(mark)
    assert (rig.newest()["state"], rig.newest()["ended_at"]) == ("ended", seconds(275))


async def test_a_service_that_is_corrected_is_counted_from_anew(rig: Rig) -> None:
    """Though there is no other cycle, and as many services as before; withdrawn, nothing is due any more."""
    number = rig.serve(TOOL, seconds(200) + timedelta(seconds=1))
    await rig.make("L1-01", SPAN + 14)
    mark = (await rig.look()).mark
    assert rig.findings() == []
    number = rig.serve(TOOL, seconds(10) + timedelta(seconds=1), corrects=number)
    mark = (await rig.look(mark)).mark
    assert (rig.newest()["kind"], rig.newest()["began_at"]) == ("service_overdue", seconds(SPAN + 10))
    rig.withdraw(TOOL, number)
    await rig.look(mark)
    assert (rig.newest()["state"], rig.newest()["ended_because"]) == (
        "ended",
        "the service that it was counted from is not on record any more",
    )


async def test_a_desk_that_can_not_be_read_ends_nothing_that_is_due(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No services on record is another thing than no word of them."""
    rig.serve(TOOL, seconds(10) + timedelta(seconds=1))
    await rig.make("L1-01", SPAN + 14)
    mark = (await rig.look()).mark
    monkeypatch.setattr(Analyst, "_find_services", lambda _: None)
    await rig.look(mark)
    assert [(kind, state) for kind, _, state in rig.findings()] == [("service_overdue", "open")]


async def test_a_service_restarts_the_measures_also_while_the_desk_can_not_be_read(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A punch that was serviced in place is faster since: no finding comes of a look without the desk."""
    await rig.make("L1-01", 200)
    served_at = seconds(200) + timedelta(milliseconds=500)
    rig.serve(TOOL, served_at)
    await rig.make("L1-01", 60, velocity=2.2)
    mark = (await rig.look()).mark
    kinds = [kind for kind, *_ in rig.findings()]
    await rig.make("L1-01", 1, velocity=2.2)
    monkeypatch.setattr(Analyst, "_find_services", lambda _: None)
    await rig.look(mark)
    assert [kind for kind, *_ in rig.findings()] == kinds
    assert "measure_shifted" not in kinds


async def test_a_service_before_the_book_was_begun_tells_nothing(rig: Rig) -> None:
    """The cycles since are in nobody's book."""
    rig.serve(TOOL, MORNING - timedelta(days=9))
    await rig.make("L1-01", SPAN + 30)
    assert (await rig.look()).begins == []


async def test_without_a_desk_nothing_is_said_of_services(rig: Rig, book_address: StoreAddress) -> None:
    """The rest is: a site may run the collector alone."""
    if book_address.folder is None:
        with rig.desk.begin() as connection:
            connection.execute(text("DROP SCHEMA desk CASCADE"))
    else:
        rig.desk.dispose()
        (book_address.folder / "desk.sqlite").unlink()
    await rig.make("L1-01", 200)
    await rig.make("L1-01", 40, velocity=1.85)
    assert [each.kind for each in (await rig.look()).begins] == ["punch_slowing"]


async def test_a_mistake_about_one_tool_does_not_hide_the_others(
    rig: Rig, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """It is logged once a process."""
    judge = Analyst._judge_cycles

    def spoilt(self: Analyst, mounted: Any, services: Sequence[datetime], open_since: Any) -> Any:
        if mounted.tool == OTHER_TOOL:
            raise ZeroDivisionError
        return judge(self, mounted, services, open_since)

    monkeypatch.setattr(Analyst, "_judge_cycles", spoilt)
    await rig.mount("L1-02", OTHER_TOOL, MORNING)
    await rig.make("L1-02", 20, tool=OTHER_TOOL)
    await rig.make("L1-01", 200)
    await rig.make("L1-01", 40, velocity=1.85)
    with closing(Analyst(rig.site)) as looking:
        assert [len(looking.look(None).begins) for _ in range(2)] == [1, 1]
    assert sum("mistake of our own" in each.getMessage() for each in caplog.records) == 1


async def test_a_long_stretch_is_held_against_its_first_hundreds(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Those between them and the newest are not fetched, and nothing before the restart is."""
    monkeypatch.setattr(analyst, "NEWEST", 60)
    monkeypatch.setattr(analyst, "OLDEST", 110)
    await rig.make("L1-01", 50, velocity=3.0)
    at = seconds(50) + timedelta(seconds=5)
    await rig.change("L1-01", SettingChange("punch_pressure_kpa", 500.0, 330.0, at, seconds(51)))
    await rig.make("L1-01", 300)
    assert (await rig.look()).begins == []
    await rig.make("L1-01", 40, velocity=1.85)
    (found,) = (await rig.look()).begins
    assert abs(found.began_at - seconds(351)) <= timedelta(seconds=20)
    assert found.evidence["center"] == pytest.approx(2.0, rel=0.01)


async def test_it_speaks_lines_of_json(rig: Rig) -> None:
    """As the collector reads them: ready, then an answer a line; it ends with its input."""
    await rig.make("L1-01", 200)
    await rig.make("L1-01", 40, velocity=1.85)
    site = {"site": rig.site.model_dump_json(), "path": "site.toml"}
    asks = io.BytesIO(f"{json.dumps(site)}\nnull\n".encode())
    answers = io.BytesIO()
    work(asks, answers)
    ready, answer = (json.loads(line) for line in answers.getvalue().splitlines())
    assert ready == {}
    assert [each["kind"] for each in answer["begins"]] == ["punch_slowing"]
    assert answer["mark"]["commit_number"] > 0
