"""A folder that people put log files into: taken whole, moved, never changed."""

import os
from pathlib import Path

import pytest

from collector.errors import LinkDown
from collector.sources.logfile import LogFile, LogFolder


@pytest.fixture
def logs(tmp_path: Path) -> LogFolder:
    return LogFolder(tmp_path)


def stamped(path: Path, content: bytes, at_s: int = 1_800_000_000) -> Path:
    path.write_bytes(content)
    os.utime(path, (at_s, at_s))
    return path


def names(files: list[LogFile]) -> list[str]:
    return [file.path.name for file in files]


def only(logs: LogFolder) -> LogFile:
    """The one file that stands still."""
    logs.still()
    (file,) = logs.still()
    return file


def test_a_file_is_fetched_once_it_stands_still(logs: LogFolder, tmp_path: Path) -> None:
    """Who copies a file makes it longer, or sets its time, between two looks."""
    stamped(tmp_path / "a.csv", b"1")
    assert names(logs.still()) == []
    stamped(tmp_path / "a.csv", b"12")
    assert names(logs.still()) == []
    stamped(tmp_path / "a.csv", b"12", at_s=1_800_000_001)
    assert names(logs.still()) == []
    assert names(logs.still()) == ["a.csv"]
    assert names(logs.still()) == ["a.csv"]


def test_older_files_come_first(logs: LogFolder, tmp_path: Path) -> None:
    """By their time, then by name."""
    for name, at_s in {"c.csv": 3, "b.csv": 5, "a.csv": 5, "d.csv": 4}.items():
        stamped(tmp_path / name, b"1", at_s)
    logs.still()
    assert names(logs.still()) == ["c.csv", "d.csv", "a.csv", "b.csv"]


def test_only_plain_files_are_fetched(logs: LogFolder, tmp_path: Path) -> None:
    """No folders, no hidden files, and nothing that points elsewhere."""
    (tmp_path / "folder.csv").mkdir()
    stamped(tmp_path / ".hidden.csv", b"1")
    (tmp_path / "elsewhere.csv").symlink_to(stamped(tmp_path / "folder.csv" / "a.csv", b"1"))
    os.mkfifo(tmp_path / "pipe.csv")
    logs.still()
    assert logs.still() == []


def test_a_file_is_read_as_far_as_asked(logs: LogFolder, tmp_path: Path) -> None:
    """All its bytes, or the first ones."""
    stamped(tmp_path / "a.csv", b"12345")
    file = only(logs)
    assert (file.size, logs.read(file, 100), logs.read(file, 2)) == (5, b"12345", b"12")


def test_a_file_that_changes_meanwhile_is_not_taken(logs: LogFolder, tmp_path: Path) -> None:
    """Neither read nor moved: what was added would go with it unread."""
    stamped(tmp_path / "a.csv", b"1")
    file = only(logs)
    stamped(tmp_path / "a.csv", b"12")
    with pytest.raises(LinkDown, match=r"a\.csv changes while it is read"):
        logs.read(file, 100)
    with pytest.raises(LinkDown, match="changes"):
        logs.put(file, "taken")
    assert (tmp_path / "a.csv").read_bytes() == b"12"


def test_a_finished_file_is_moved_and_overwrites_nothing(logs: LogFolder, tmp_path: Path) -> None:
    """Controllers give every log the same name."""
    for content in (b"1", b"2", b"3"):
        stamped(tmp_path / "log.csv", content)
        logs.put(only(logs), "taken")
        assert not (tmp_path / "log.csv").exists()
    assert {path.name: path.read_bytes() for path in (tmp_path / "taken").iterdir()} == {
        "log.csv": b"1",
        "log-2.csv": b"2",
        "log-3.csv": b"3",
    }


def test_a_folder_that_is_gone_is_said(logs: LogFolder, tmp_path: Path) -> None:
    """A stick that was pulled, or a share that is down."""
    with pytest.raises(LinkDown, match="can't be read: No such file or directory; check"):
        LogFolder(tmp_path / "nowhere").still()
    file = LogFile(tmp_path / "a.csv", 1, 1)
    with pytest.raises(LinkDown, match=r"has a\.csv, which can't be read"):
        logs.read(file, 10)


def test_a_file_that_can_not_be_moved_is_left_alone(logs: LogFolder, tmp_path: Path) -> None:
    """Until it changes: else it would be read again every ten seconds."""
    stamped(tmp_path / "a.csv", b"1")
    (tmp_path / "taken").write_text("a file where the folder should be")
    os.utime(tmp_path / "taken", (1, 1))
    logs.still()
    file = logs.still()[-1]
    with pytest.raises(LinkDown, match="can't be moved to taken"):
        logs.put(file, "taken")
    assert "a.csv" not in names(logs.still())
    stamped(tmp_path / "a.csv", b"12")
    logs.still()
    assert "a.csv" in names(logs.still())
