"""Logs on a stick: into the book first, then moved; whatever can't be read is kept and said."""

import asyncio
import logging
import os
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import asynccontextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from collector import log_folder
from collector.config import EXAMPLE_LAYOUTS
from collector.errors import StoreError
from collector.layouts.schema import load_layout
from collector.log_folder import follow_logs
from collector.model import Cycle, LateOutcome, Quarantined
from tests.processes import eventually

NOON = datetime(2026, 11, 24, 12, 0, tzinfo=UTC)
LAYOUT = load_layout(EXAMPLE_LAYOUTS / "last-record-modbus.toml")


def row(number: int) -> bytes:
    return b"%d,2026-11-24 12:00:00.000,ok,completed,512.5,1.5,600,9.4\n" % number


class Book:
    """Takes late cycles as a standing does: the even ones were missing, the others are known."""

    name = "L1-07"

    def __init__(self) -> None:
        self.layout = LAYOUT
        self.cycles: list[int] = []
        self.quarantined: list[Quarantined] = []
        self.brought_by: list[str] = []
        self.trouble: StoreError | None = None

    def now(self) -> datetime:
        return NOON

    async def take_late(
        self, cycles: Sequence[Cycle], *, brought_by: str, quarantined: Sequence[Quarantined]
    ) -> LateOutcome:
        if self.trouble is not None:
            raise self.trouble
        self.cycles += [cycle.sequence for cycle in cycles]
        self.quarantined += quarantined
        self.brought_by.append(brought_by)
        missing = sum(cycle.sequence % 2 == 0 for cycle in cycles)
        return LateOutcome(stored=missing, known=len(cycles) - missing, older=0, set_aside=0)


@pytest.fixture
def book() -> Book:
    return Book()


@asynccontextmanager
async def following(book: Any, folder: Path) -> AsyncIterator[None]:
    task = asyncio.create_task(follow_logs(book, book.layout, folder, look_every_s=0.01))
    try:
        yield
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


async def becomes(condition: Callable[[], bool], what: str) -> None:
    async def asked() -> bool:
        return condition()

    await eventually(asked, what)


def in_folder(folder: Path) -> dict[str, list[str]]:
    """Names of the files in the folder itself and in its subfolders."""
    return {
        place: sorted(path.name for path in (folder / place).glob("*") if path.is_file())
        for place in (".", "taken", "refused")
    }


async def handled(book: Any, folder: Path, files: Mapping[str, bytes]) -> None:
    """Put files there and follow until they are gone."""
    for name, content in files.items():
        (folder / name).write_bytes(content)
    async with following(book, folder):
        await becomes(lambda: not in_folder(folder)["."], "all files are moved")


async def test_a_log_goes_into_the_book_and_is_moved(
    book: Book, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """One line says what became of it."""
    caplog.set_level(logging.INFO)
    await handled(book, tmp_path, {"a.csv": b"".join(map(row, range(1, 6)))})
    assert book.cycles == [1, 2, 3, 4, 5]
    assert set(book.brought_by) == {"log file a.csv"}
    assert in_folder(tmp_path) == {".": [], "taken": ["a.csv"], "refused": []}
    (line,) = [record.message for record in caplog.records if record.name == log_folder.__name__]
    assert line == (
        "L1-07: log file a.csv: 2 cycles were missing, 3 known, 0 older than the book, "
        "0 belong nowhere, 0 rows unreadable"
    )


async def test_rows_that_make_no_sense_are_kept_in_quarantine(book: Book, tmp_path: Path) -> None:
    """With their bytes, file and line, and nothing else is lost."""
    await handled(book, tmp_path, {"a.csv": row(1) + b"nonsense\n" + row(3) + row(4)[:-9]})
    assert book.cycles == [1, 3]
    assert [(each.where, each.raw) for each in book.quarantined] == [
        ("log file a.csv, line 2, the row", b"nonsense"),
        ("log file a.csv, line 4, the row", row(4)[:-9]),
    ]
    assert all(each.received_at == NOON and "line" in each.reason for each in book.quarantined)
    assert in_folder(tmp_path)["taken"] == ["a.csv"]


async def test_a_file_in_which_nothing_can_be_read_is_refused(book: Book, tmp_path: Path) -> None:
    """One entry says why, with its first bytes."""
    await handled(book, tmp_path, {"photo.jpg": b"\xff\xd8\xff\n" * 300})
    assert book.cycles == []
    (kept,) = book.quarantined
    assert (kept.where, kept.raw) == ("log file photo.jpg", b"\xff\xd8\xff")
    assert "none of its 300 rows can be read; the first: " in kept.reason
    assert in_folder(tmp_path) == {".": [], "taken": [], "refused": ["photo.jpg"]}


async def test_a_file_with_another_header_is_refused(book: Book, tmp_path: Path) -> None:
    """It is another controller's, or its firmware is new."""
    book.layout = load_layout(EXAMPLE_LAYOUTS / "ring-modbus.toml")
    await handled(book, tmp_path, {"a.csv": b"Sample Works\nNo.;Date\n1;2\n"})
    (kept,) = book.quarantined
    assert "must have the column 'Time' once; there are No., Date" in kept.reason
    assert in_folder(tmp_path)["refused"] == ["a.csv"]


async def test_a_file_that_is_too_large_is_refused_unread(
    book: Book, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its first bytes are kept, and it stays on the disk."""
    monkeypatch.setattr(log_folder, "FILE_MOST", 1000)
    monkeypatch.setattr(log_folder, "RAW_MOST", 10)
    content = b"".join(map(row, range(100)))
    await handled(book, tmp_path, {"a.csv": content})
    assert book.cycles == []
    (kept,) = book.quarantined
    assert kept.raw == content[:10]
    assert f"has {len(content)} bytes; a log has 1000 at most" in kept.reason
    assert (tmp_path / "refused" / "a.csv").read_bytes() == content


async def test_a_long_log_is_committed_in_parts(book: Book, tmp_path: Path) -> None:
    """In its order, so that a commit stays short."""
    await handled(book, tmp_path, {"a.csv": b"".join(map(row, range(1200)))})
    assert book.cycles == list(range(1200))
    assert len(book.brought_by) == 6


async def test_very_many_bad_rows_do_not_flood_the_quarantine(
    book: Book, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first of them, and one entry that says how many there are."""
    monkeypatch.setattr(log_folder, "BAD_ROWS_MOST", 20)
    await handled(book, tmp_path, {"a.csv": b"x\n" * 700 + row(1)})
    assert book.cycles == [1]
    assert len(book.quarantined) == 21
    assert book.quarantined[-1].reason.startswith("700 rows can't be read")


async def test_while_the_book_takes_nothing_the_file_stays(
    book: Book, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """And is read again at the next look; the trouble is told once."""
    book.trouble = StoreError("the disk is full")
    (tmp_path / "a.csv").write_bytes(row(1))
    (tmp_path / "b.csv").write_bytes(b"nonsense\n")
    async with following(book, tmp_path):
        await becomes(lambda: "disk is full" in caplog.text, "the trouble is told")
        assert in_folder(tmp_path) == {".": ["a.csv", "b.csv"], "taken": [], "refused": []}
        book.trouble = None
        await becomes(lambda: not in_folder(tmp_path)["."], "all files are moved")
    assert caplog.text.count("disk is full") == 1
    assert in_folder(tmp_path) == {".": [], "taken": ["a.csv"], "refused": ["b.csv"]}
    assert book.cycles == [1]


async def test_a_folder_that_comes_back_is_followed_on(
    book: Book, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """A stick in the port itself may be pulled."""
    folder = tmp_path / "stick"
    async with following(book, folder):
        await becomes(lambda: "can't be read" in caplog.text, "the trouble is told")
        folder.mkdir()
        (folder / "a.csv").write_bytes(row(1))
        await becomes(lambda: book.cycles == [1], "the log is taken")


async def test_one_file_in_trouble_does_not_hold_up_the_others(
    book: Book, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file that nobody may read is told, and the next one is taken."""
    read = log_folder.LogFolder.read

    def refused(logs: log_folder.LogFolder, file: log_folder.LogFile, most: int) -> bytes:
        if file.path.name == "a.csv":
            raise log_folder.LinkDown("log folder: may not be read")
        return read(logs, file, most)

    monkeypatch.setattr(log_folder.LogFolder, "read", refused)
    for name in ("a.csv", "b.csv"):
        (tmp_path / name).write_bytes(row(1))
        os.utime(tmp_path / name, (1, 1))
    async with following(book, tmp_path):
        await becomes(lambda: in_folder(tmp_path)["taken"] == ["b.csv"], "the good one is taken")
    assert in_folder(tmp_path)["."] == ["a.csv"]
