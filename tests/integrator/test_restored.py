"""The line PC was restored from a backup of three days ago. By the time anybody asks, the book has grown
beyond where it was: what an integrator kept would skip cycles without a word, so it is refused, and what is
pulled anew is what was really made."""

import copy
import json
import sqlite3
import subprocess
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from datetime import date, timedelta
from pathlib import Path
from random import Random
from typing import Any
from urllib.error import HTTPError
from urllib.parse import urlencode
from urllib.request import Request, urlopen

import pytest

from collector.model import Gap, Position
from collector.store.instances import find_former
from collector.store.queries import find_book
from collector.store.statements import Seen
from collector.store.verification import find_verification
from collector.store.writer import Writer
from tests.collector.store.line_rig import MET, PLAN, SECOND
from tests.integrator.served import Served, served_line
from tests.integrator.test_month import booked, close, made, pull, spread

FIRST_DAY = date(2026, 10, 23)
CONTROLLERS = ("L1-01", "L1-02")
BACKED_UP, RESTORED, END = 2, 5, 8
"""Nights."""
REMEMBERED = 6
"""Cycles that a controller still has when the collector comes back."""


async def test_after_a_restore_what_is_pulled_anew_is_what_was_made(tmp_path: Path) -> None:
    """410 instead of a gap that nobody sees; by plant day, and by the script, the sums are the truth."""
    dice = Random(11)
    counts = tmp_path / "counts.sqlite"
    (tmp_path / "backup").mkdir()
    async with served_line(tmp_path, *CONTROLLERS) as served:
        line = served.line
        for night in range(BACKED_UP + 1):
            await a_day(served, dice, night)
            assert await pull(served, counts) == (0, "")
        shell("sqlite3 -readonly store/book.sqlite \"VACUUM INTO 'backup/book.sqlite'\"", tmp_path)
        then = copy.deepcopy((line.positions, line.tools, line.stored))
        for night in range(BACKED_UP + 1, RESTORED + 1):
            await a_day(served, dice, night)
            assert await pull(served, counts) == (0, "")
        old = about(served)
        cursors = {
            "/v1/statements": place_of(counts),
            "/v1/feed": ask(served, "/v1/feed", limit=1000)["next"],
        }
        tag = tag_of(served, FIRST_DAY)

        await served.kill()
        await line.writer.__aexit__(None, None, None)
        line.reader.dispose()
        shell("cp backup/book.sqlite store/book.sqlite", tmp_path)
        since = line.stored[len(then[2]) :]
        line.positions, line.tools, line.stored = then
        line.seen = Seen()
        async with Writer(served.engine, lambda: line.now) as line.writer:
            await read_what_is_left(served, since)
            for night in range(RESTORED + 1, END + 1):
                await a_day(served, dice, night)
            await served.start()
            new = about(served)
            assert new["commit_number"] > old["commit_number"]
            assert new["instance"] != old["instance"]

            for path, after in cursors.items():
                with pytest.raises(HTTPError) as refused:
                    ask(served, path, after=after)
                problem = json.load(refused.value)
                assert (refused.value.code, problem["type"]) == (410, "/problems/book-replaced")
                assert problem["book"] == new["instance"]
                assert ("by plant_day" in problem["detail"]) is (path == "/v1/statements")
            assert tag_of(served, FIRST_DAY, known=tag) != tag

            days = [FIRST_DAY + timedelta(days=night) for night in range(END + 1)]
            _, end = PLAN.day_bounds(days[-1])
            lost = ask(served, "/v1/gaps", state="open")["items"]
            missing = sum(each["cycles"] for each in lost)
            assert missing == len(since) - REMEMBERED * len(CONTROLLERS) > 0
            truth = made(served, end).total() + missing
            assert await pull(served, counts) == (0, "")
            assert booked(counts) == by_plant_day(served, days) == made(served, end)

            for controller, sequence in list(line.missing):
                await line.find(controller, sequence)
            await close(served, line.now + timedelta(minutes=1))
            assert await pull(served, counts) == (0, "")
            assert booked(counts) == by_plant_day(served, days) == made(served, end)
            assert booked(counts).total() == truth

            with line.reader.connect() as connection:
                found = find_verification(connection)
                (former,) = find_former(connection)
            assert (found["verified"], found["mistakes"]) == (True, [])
            assert {each["book"] for each in line.bodies()} == {old["instance"], new["instance"]}
            status = ask(served, "/v1/statements/status")
            assert [each["book"] for each in status["former_books"]] == [former["instance"]]
            assert "was at" in status["former_books"][0]["because"]


# ---- the line ----------------------------------------------------------------------------------------------


async def a_day(served: Served, dice: Random, night: int) -> None:
    """Cycles of both controllers, read through; all its shifts are closed."""
    line = served.line
    _, end = PLAN.day_bounds(FIRST_DAY + timedelta(days=night))
    for controller in CONTROLLERS:
        begin = max(line.positions[controller].read_through_at or MET, end - timedelta(days=1))
        for result in ("ok", "ok", "nok"):
            begin = max(begin, line.positions[controller].read_through_at or MET)
            until = min(begin + timedelta(hours=7), end)
            await line.work(controller, *spread(dice, begin, until, dice.randrange(1, 9)), result=result)
    line.now = end + timedelta(minutes=1)
    await line.read_through(line.now)
    await close(served, end + timedelta(minutes=10))


async def read_what_is_left(served: Served, since: list[tuple[str, Any]]) -> None:
    """The book stands where it stood at the backup; the controllers went on, and remember a few cycles."""
    line = served.line
    for controller in CONTROLLERS:
        every = [each for name, each in since if name == controller]
        lost, left = every[:-REMEMBERED], every[-REMEMBERED:]
        before = line.positions[controller].read_through_at
        gap = Gap(1, lost[0].sequence, lost[-1].sequence, "history overwritten", before, left[0].ended_at)
        for each in lost:
            line.missing[controller, each.sequence] = each
        last = left[-1]
        to = Position(1, last.sequence, last.cycle.total_count, last.ended_at + SECOND)
        await line._commit(controller, to, cycles=tuple(left), gaps=(gap,))
        line.stored += [(controller, each) for each in left]


# ---- the integrator ----------------------------------------------------------------------------------------


def ask(served: Served, path: str, **query: Any) -> Any:
    with urlopen(f"{served.base}{path}?{urlencode(query)}", timeout=60) as answer:
        return json.load(answer)


def tag_of(served: Served, day: date, known: str = "") -> str:
    """Of the statements of a day. Raises: HTTPError: 304, it is the one that is known."""
    asked = Request(f"{served.base}/v1/statements?plant_day={day}", headers={"if-none-match": known})
    with urlopen(asked, timeout=60) as answer:
        return str(answer.headers["etag"])


def place_of(counts: Path) -> str:
    with closing(sqlite3.connect(counts)) as db:
        return str(db.execute("SELECT next FROM place").fetchone()[0])


def by_plant_day(served: Served, days: list[date]) -> Counter[tuple[Any, ...]]:
    """Plant day, shift, tool, result -> cycles: of each day what is said now."""
    return +Counter(
        {
            key: cycles
            for day in days
            for each in ask(served, "/v1/statements", plant_day=day, require="closed")["items"]
            for key, cycles in sums_of(each)
        }
    )


def sums_of(statement: dict[str, Any]) -> Iterator[tuple[tuple[Any, ...], int]]:
    sums = Counter[tuple[Any, ...]]()
    for row in statement["rows"]:
        for result, cycles in row["by_result"].items():
            sums[statement["plant_day"], statement["shift"], row["tool"]["serial"], result] += cycles
    yield from sums.items()


def shell(command: str, folder: Path) -> None:
    subprocess.run(["sh", "-c", command], cwd=folder, check=True)


def about(served: Served) -> dict[str, Any]:
    with served.line.reader.connect() as connection:
        return find_book(connection)
