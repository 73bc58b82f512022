"""An integrator who knows the API's documents and nothing else pulls a month of counts, night by night, and
in the end has what was really made: whatever came late, was revised, was killed or replaced in between."""

import asyncio
import sqlite3
import sys
from asyncio.subprocess import DEVNULL, PIPE
from collections import Counter
from contextlib import closing
from datetime import date, datetime, timedelta
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

import pytest

from collector.store.tables import book
from tests.collector.store.line_rig import MET, PLAN
from tests.collector.store.rigs import OTHER_TOOL, TOOL
from tests.integrator import nightly
from tests.integrator.served import Served, served_line

FIRST_DAY = date(2026, 10, 23)
NIGHTS = 30
OUT_OF_REACH = frozenset({3, 11, 17, 24})
"""Nights over whose end a controller can't be read: the pull has to wait for the grace time."""
API_IS_DOWN = frozenset({14})
MISSED = frozenset({20})
"""Nobody pulls; in the night after, the API is killed between two pages."""
BOOK_REPLACED = 25
MINUTE = timedelta(minutes=1)


@pytest.mark.timeout(240)
async def test_a_month_of_nightly_pulls_is_what_was_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each morning what is booked is what the book has of every shift that is over; at the end, all that was
    made, by tool and result."""
    dice = Random(4)
    counts = tmp_path / "counts.sqlite"
    refused = killed = 0
    async with served_line(tmp_path, "L1-01", "L1-02") as served:
        line = served.line
        for night in range(NIGHTS):
            _, end = PLAN.day_bounds(FIRST_DAY + timedelta(days=night))
            away = "L1-02" if night in OUT_OF_REACH else None
            await work_until(served, dice, end, away)
            await close(served, end + 10 * MINUTE)
            if away is not None:
                code, says = await pull(served, counts)
                assert code == 1
                assert "it is not closed; it waits for L1-02" in says
                refused += 1
                await close(served, end + 61 * MINUTE)
            if night in API_IS_DOWN:
                await served.kill()
                before = booked(counts)
                code, says = await pull(served, counts)
                assert (code, booked(counts)) == (1, before)
                assert "can't be reached" in says
                await served.start()
            if night in MISSED:
                continue
            if night - 1 in MISSED:
                await pull_while_the_api_dies(served, counts, monkeypatch)
                killed += 1
                await served.start()
            if night == BOOK_REPLACED:
                with served.engine.begin() as connection:
                    connection.execute(book.update().values(instance="restored from a backup"))
            assert await pull(served, counts) == (0, "")
            assert booked(counts) == made(served, end)
        assert (refused, killed) == (len(OUT_OF_REACH), len(MISSED))
        for controller, sequence in list(line.missing):
            await line.find(controller, sequence)
        await line.read_through(line.now)
        await close(served, line.now + MINUTE)
        assert await pull(served, counts) == (0, "")
        again = booked(counts), revisions(counts)
        assert await pull(served, counts) == (0, "")
        assert (booked(counts), revisions(counts)) == again
        assert again[0] == made(served, end)
    every = again[0].total()
    assert every == sum(ended_at < end for ended_at, _, _ in true_cycles(served)) > 1000
    found = revisions(counts)
    assert len(found) >= 3 * NIGHTS
    assert max(found.values()) > 2
    assert {(each["plant_day"], each["shift"]): each["revision"] for each in line.latest().values()} == found


# ---- the line ----------------------------------------------------------------------------------------------


async def work_until(served: Served, dice: Random, end: datetime, away: str | None) -> None:
    """A day of the line: cycles, losses, tools that are swapped, log files that bring what was lost, passes
    of the closing; `away` is not read from some time in its last shift on."""
    line = served.line
    at = max(line.now, MET)
    while (at := at + timedelta(minutes=dice.randrange(45, 240), microseconds=dice.randrange(10**6))) < end:
        line.now = at
        is_away = away is not None and at > end - timedelta(hours=5)
        controller = "L1-01" if is_away else dice.choice(["L1-01", "L1-02"])
        begin = line.positions[controller].read_through_at or MET
        match dice.randrange(9):
            case 0:
                await line.swap(controller, dice.choice([TOOL, OTHER_TOOL]), at)
            case 1:
                await line.lose(controller, *spread(dice, begin, at, dice.randrange(1, 5)))
            case _:
                result = dice.choice(["ok", "ok", "nok"])
                await line.work(controller, *spread(dice, begin, at, dice.randrange(1, 21)), result=result)
        if line.missing and dice.random() < 0.2:
            await line.find(*dice.choice(list(line.missing)))
        if dice.random() < 0.3:
            await line.close(at)
    line.now = end + MINUTE
    await line.read_through(end + MINUTE, *({"L1-01", "L1-02"} - {away}))


def spread(dice: Random, begin: datetime, end: datetime, number: int) -> list[datetime]:
    """Instants in order; one on a bound of a shift, where there is one between."""
    span = (end - begin) // timedelta(microseconds=1)
    found = {begin + timedelta(microseconds=dice.randrange(1, span)) for _ in range(number)}
    bound = PLAN.occurrence_at(end).begins_at
    return sorted(found | {bound} if bound > begin else found)


async def close(served: Served, now: datetime) -> None:
    await served.line.close(now)
    served.set_clock(now)


def true_cycles(served: Served) -> list[tuple[datetime, str, str]]:
    """End, tool and result of every cycle that was made and is not lost."""
    return [(each.ended_at, each.tool.serial, each.cycle.result) for _, each in served.line.stored]


def made(served: Served, end: datetime) -> Counter[tuple[Any, ...]]:
    """Plant day, shift, tool and result of those that ended before."""
    found = Counter[tuple[Any, ...]]()
    for ended_at, tool, result in true_cycles(served):
        if ended_at < end:
            at = shift_at(ended_at)
            found[at.plant_day.isoformat(), at.shift, tool, result] += 1
    return found


shift_at = cache(PLAN.occurrence_at)


# ---- the integrator ----------------------------------------------------------------------------------------


async def pull(served: Served, counts: Path) -> tuple[int | None, str]:
    """The script as a process of its own: exit code, and what it says."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, nightly.__file__, served.base, str(counts), stdin=DEVNULL, stderr=PIPE
    )
    _, said = await process.communicate()
    return process.returncode, said.decode()


async def pull_while_the_api_dies(served: Served, counts: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is killed when the first page has come; that page is booked, and the next run goes on behind it."""
    before = revisions(counts)
    real, pages = nightly.ask, []
    loop = asyncio.get_running_loop()

    def ask(base: str, after: str) -> Any:
        if pages:
            asyncio.run_coroutine_threadsafe(served.kill(), loop).result()
        pages.append(real(base, after))
        return pages[-1]

    with monkeypatch.context() as patched:
        patched.setattr(nightly, "ask", ask)
        patched.setattr(nightly, "STATEMENTS_A_PAGE", 2)
        assert await asyncio.to_thread(nightly.main, served.base, str(counts)) == 1
    (page,) = pages
    assert len(page["items"]) == 2
    changed = {key for key, revision in revisions(counts).items() if before.get(key) != revision}
    assert changed == {(each["plant_day"], each["shift"]) for each in page["items"]}


def booked(counts: Path) -> Counter[tuple[Any, ...]]:
    """Plant day, shift, tool, result -> cycles."""
    with closing(sqlite3.connect(counts)) as db:
        return +Counter(
            {
                tuple(key): cycles
                for *key, cycles in db.execute(
                    "SELECT plant_day, shift, tool, result, sum(cycles) FROM counted GROUP BY 1, 2, 3, 4"
                )
            }
        )


def revisions(counts: Path) -> dict[tuple[str, str], int]:
    with closing(sqlite3.connect(counts)) as db:
        return {
            (day, shift): revision
            for day, shift, revision in db.execute("SELECT plant_day, shift, revision FROM booked")
        }
