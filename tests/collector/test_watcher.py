"""The analysis beside the collector: it may die, hang or talk nonsense, and is ended and begun again."""

import asyncio
import json
import os
import sys
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any, cast

import pytest

from collector import watcher
from collector.config import Site
from collector.errors import StoreError
from collector.store.findings import FindingEnd, NewFinding
from collector.store.tables import from_us
from collector.store.writer import Writer
from collector.watcher import follow_findings

SCRIPT = """
import json, os, sys, time
seen, trouble = sys.argv[1:]
first = not os.path.exists(seen)
site = json.loads(sys.stdin.readline())
assert json.loads(site["site"])["site"]["zone"] == "Europe/Berlin"
print("{}", flush=True)
for number, line in enumerate(sys.stdin, start=1):
    with open(seen, "a") as marks:
        print(json.dumps([os.getpid(), json.loads(line)]), file=marks)
    if first and number == 2:
        exec(trouble)
    begin = {"kind": "punch_slowing", "controller_id": 1, "tool_id": 2, "measure": "m", "says": "s",
             "evidence": {}, "began_at": 1000000}
    end = {"commit_number": 7, "ended_at": 2000000, "because": "b"}
    print(json.dumps({"mark": number, "begins": [begin], "ends": [end]}), flush=True)
"""
"""An analysis that finds the same at every look; in its first life it meets trouble at the second look."""
SITE = {
    "site": {"zone": "Europe/Berlin"},
    "store": {"folder": "book"},
    "analysis": {"look_every_s": 0.02},
    "controllers": (
        {
            "name": "L1-01",
            "line": "L1",
            "station": "1",
            "protocol": "modbus",
            "layout": "example:ring-modbus",
            "host": "127.0.0.1",
        },
    ),
}


class Book:
    """What a writer is told."""

    def __init__(self) -> None:
        self.noted: list[tuple[list[NewFinding], list[FindingEnd]]] = []
        self.refuses = 0
        self._told = asyncio.Event()

    async def note_findings(self, new: Sequence[NewFinding], ends: Sequence[FindingEnd]) -> int:
        if self.refuses:
            self.refuses -= 1
            raise StoreError("the disk is full; make room")
        self.noted.append((list(new), list(ends)))
        self._told.set()
        return len(new) + len(ends)

    async def until(self, looks: int) -> None:
        async with asyncio.timeout(30):
            while len(self.noted) < looks:
                self._told.clear()
                await self._told.wait()


class Rig:
    def __init__(self, folder: Path) -> None:
        self.book = Book()
        self._seen = folder / "seen"

    @asynccontextmanager
    async def following(self, trouble: str = "pass") -> AsyncIterator[None]:
        command = (sys.executable, "-c", SCRIPT, str(self._seen), trouble)
        site = Site.model_validate(SITE)
        task = asyncio.create_task(follow_findings(site, cast(Writer, self.book), command))
        try:
            yield
        finally:
            task.cancel()
            with suppress(asyncio.CancelledError):
                async with asyncio.timeout(5):
                    await task

    @property
    def asked(self) -> list[tuple[int, Any]]:
        """Process and mark of each look."""
        return [tuple(json.loads(line)) for line in self._seen.read_text().splitlines()]


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    return Rig(tmp_path)


def is_gone(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return True
    return False


def told(caplog: pytest.LogCaptureFixture, level: str) -> list[str]:
    return [each.getMessage() for each in caplog.records if each.levelname == level]


async def test_what_it_finds_goes_to_the_writer_and_its_mark_comes_back(rig: Rig) -> None:
    """The first look is at everything."""
    async with rig.following():
        await rig.book.until(3)
    assert [mark for _, mark in rig.asked][:3] == [None, 1, 2]
    begins, ends = rig.book.noted[0]
    assert begins == [NewFinding("punch_slowing", 1, 2, "m", "s", {}, from_us(1_000_000))]
    assert ends == [FindingEnd(7, from_us(2_000_000), "b")]


async def test_it_is_gone_when_the_collector_leaves(rig: Rig) -> None:
    """Also in the middle of a look that would take for ever."""
    async with rig.following("time.sleep(600)"):
        await rig.book.until(1)
        (process, _) = rig.asked[0]
        assert not is_gone(process)
    assert is_gone(process)


@pytest.mark.parametrize(
    ("trouble", "says"),
    [
        ("os.kill(os.getpid(), 9)", "has ended with code -9"),
        ("sys.exit(1)", "has ended with code 1"),
        ("time.sleep(600)", "did not answer within 0 s"),
        ("print('Traceback', flush=True)", "has given an answer that is none"),
        ("print('[]', flush=True)", "has given an answer that is none"),
        ("print('{}', flush=True)", "has given an answer that is none"),
        ("print('x' * 3000, flush=True)", "has given too long an answer"),
    ],
)
async def test_whatever_it_meets_it_is_ended_and_begun_again(
    rig: Rig, trouble: str, says: str, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """By another process, with the mark of the last look that is in the book; told once, and when it is
    over."""
    monkeypatch.setattr(watcher, "LOOK_WITHIN_S", 0.4)
    monkeypatch.setattr(watcher, "LONGEST_ANSWER_BYTES", 2000)
    caplog.set_level("INFO")
    async with rig.following(trouble):
        await rig.book.until(4)
    (first, second) = dict.fromkeys(process for process, _ in rig.asked)
    assert [mark for _, mark in rig.asked][:4] == [None, 1, 1, 1]
    assert is_gone(first)
    assert is_gone(second)
    (warning,) = told(caplog, "WARNING")
    assert says in warning
    assert told(caplog, "INFO").count("findings are followed again") == 1


async def test_what_could_not_be_stored_is_looked_at_again(
    rig: Rig, caplog: pytest.LogCaptureFixture
) -> None:
    """The mark stays where the book is; the process lives on; a full disk is told once."""
    rig.book.refuses = 3
    async with rig.following():
        await rig.book.until(2)
    assert [mark for _, mark in rig.asked][:5] == [None, None, None, None, 4]
    assert len({process for process, _ in rig.asked}) == 1
    (warning,) = told(caplog, "WARNING")
    assert "the disk is full" in warning


async def test_it_can_not_be_started_and_the_collector_goes_on(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Pauses grow; the log says so once."""
    pauses: list[float] = []
    enough = asyncio.Event()

    async def sleep(seconds: float) -> None:
        pauses.append(seconds)
        if len(pauses) == 5:
            enough.set()
        await real_sleep(0)

    real_sleep: Callable[[float], Any] = asyncio.sleep
    monkeypatch.setattr(watcher.asyncio, "sleep", sleep)
    site = Site.model_validate(SITE)
    task = asyncio.create_task(follow_findings(site, cast(Writer, Book()), ("/no/such/program",)))
    await enough.wait()
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task
    assert pauses[:5] == [0.02, 0.04, 0.08, 0.16, 0.32]
    assert len(told(caplog, "WARNING")) == 1
