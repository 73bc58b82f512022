"""Findings in the book: stored once, ended once, each with a commit number, on SQLite and on PostgreSQL."""

from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine

from collector.errors import NotInBook, StoreError
from collector.model import MountChange
from collector.store import tables
from collector.store.findings import FindingEnd, NewFinding, find_finding, find_findings
from collector.store.writer import Writer
from tests.collector.store.rigs import (
    IDENTITIES,
    MORNING,
    TOOL,
    commit_numbers,
    entry,
    rows,
)

HOUR = timedelta(hours=1)
SLOW = NewFinding("punch_slowing", 1, 1, "punch_velocity_m_s", "slower", {"level_n": [1.5, None]}, MORNING)
OVERDUE = NewFinding("service_overdue", None, 1, "", "overdue", {}, MORNING + HOUR)


@pytest.fixture
def clock() -> list[datetime]:
    """What the writer's clock shows."""
    return [MORNING + HOUR]


@pytest.fixture
async def writer(book_engine: Engine, clock: list[datetime]) -> AsyncIterator[Writer]:
    """A writer of a book with a tool on a controller; its last commit number is 4."""
    async with Writer(book_engine, now=lambda: clock[0]) as writer:
        await writer.register(IDENTITIES)
        await writer.commit(entry("L1-01", 1, 3, mounts=(MountChange(TOOL, MORNING),)))
        yield writer


def findings(reader: Engine, **asked: Any) -> list[dict[str, Any]]:
    with reader.connect() as connection:
        return find_findings(connection, **asked)


def numbers(reader: Engine, **asked: Any) -> list[int]:
    return [each["commit_number"] for each in findings(reader, **asked)]


async def test_a_finding_comes_back_as_it_was_stored(writer: Writer, book_reader: Engine) -> None:
    """With its tool and controller by name, when it was noticed, and the next commit number."""
    assert await writer.note_findings([SLOW], []) == 1
    (found,) = findings(book_reader)
    assert (found["commit_number"], found["state"], found["ended_at"]) == (5, "open", None)
    assert (found["controller"], found["serial"], found["measure"]) == (
        "L1-01",
        TOOL.serial,
        "punch_velocity_m_s",
    )
    assert (found["began_at"], found["noticed_at"]) == (MORNING, MORNING + HOUR)
    assert found["evidence"] == {"level_n": [1.5, None]}


async def test_what_is_noticed_again_stays_the_row_that_it_is(
    writer: Writer, book_reader: Engine, clock: list[datetime]
) -> None:
    """While it is open: also one that is of no controller, where nothing equals nothing."""
    await writer.note_findings([SLOW, OVERDUE], [])
    before = rows(book_reader, tables.finding)
    clock[0] += HOUR
    assert await writer.note_findings([replace(SLOW, says="still slower"), OVERDUE], []) == 0
    assert rows(book_reader, tables.finding) == before
    assert (
        await writer.note_findings([replace(SLOW, controller_id=2), replace(SLOW, measure="other")], []) == 2
    )


async def test_an_end_has_its_own_commit_number_and_is_told_once(writer: Writer, book_reader: Engine) -> None:
    """And numbers stay gap-free; what begins anew afterwards is another finding."""
    await writer.note_findings([SLOW], [])
    end = FindingEnd(5, MORNING + 2 * HOUR, "a service was done")
    assert await writer.note_findings([], [end]) == 1
    assert (
        await writer.note_findings([], [replace(end, because="again"), replace(end, commit_number=99)]) == 0
    )
    (found,) = findings(book_reader)
    assert (found["state"], found["ended_at"], found["ended_because"]) == (
        "ended",
        MORNING + 2 * HOUR,
        "a service was done",
    )
    assert found["ended_commit_number"] == 6
    assert await writer.note_findings([SLOW], []) == 1
    assert commit_numbers(book_reader) == list(range(1, 8))
    assert numbers(book_reader) == [7, 5]


async def test_an_end_and_a_new_begin_come_in_one_transaction(writer: Writer, book_reader: Engine) -> None:
    """A restart ends a finding, and the tool may be found slow again at once."""
    await writer.note_findings([SLOW], [])
    assert (
        await writer.note_findings([replace(SLOW, began_at=MORNING + HOUR)], [FindingEnd(5, MORNING, "x")])
        == 2
    )
    assert [each["state"] for each in findings(book_reader)] == ["open", "ended"]


async def test_an_end_never_lies_before_its_begin(writer: Writer, book_reader: Engine) -> None:
    """A service can be recorded late, with an instant before the begin that was worked out."""
    await writer.note_findings([OVERDUE], [])
    await writer.note_findings([], [FindingEnd(5, MORNING, "a service was done")])
    assert findings(book_reader)[0]["ended_at"] == OVERDUE.began_at


async def test_findings_can_be_asked_for_by_what_they_are(writer: Writer, book_reader: Engine) -> None:
    """State, kind, tool, controller, the interval in which they held, and page by page."""
    await writer.note_findings([SLOW, OVERDUE], [])  # 5 holds from 6:00, 6 from 7:00
    await writer.note_findings([], [FindingEnd(5, MORNING + 2 * HOUR, "x")])
    assert numbers(book_reader) == [6, 5]
    assert numbers(book_reader, last=1) == [6]
    assert numbers(book_reader, before=6) == [5]
    assert numbers(book_reader, state="open") == [6]
    assert numbers(book_reader, state="ended") == [5]
    assert numbers(book_reader, kind="service_overdue") == [6]
    assert numbers(book_reader, tool_id=2) == []
    assert numbers(book_reader, controller_name="L1-01") == [5]
    assert numbers(book_reader, until=MORNING + HOUR) == [5]
    assert numbers(book_reader, since=MORNING + 3 * HOUR) == [6]
    assert numbers(book_reader, since=MORNING + 2 * HOUR) == [6, 5]
    with book_reader.connect() as connection:
        assert find_finding(connection, 5)["kind"] == "punch_slowing"
        with pytest.raises(NotInBook, match="no finding 4"):
            find_finding(connection, 4)


async def test_what_can_not_be_stored_leaves_nothing_behind(writer: Writer, book_reader: Engine) -> None:
    """All of one look goes in, or nothing; the next look brings it again."""
    with pytest.raises(StoreError):
        await writer.note_findings([SLOW, replace(OVERDUE, tool_id=77)], [])
    assert findings(book_reader) == []
    assert await writer.note_findings([SLOW], []) == 1
    assert commit_numbers(book_reader) == [1, 2, 3, 4, 5]
