"""Log files that people bring on a USB stick: a folder that is looked into.

It only fetches, and puts away what is finished with: a file is moved, never changed or deleted.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import Literal

from collector.errors import LinkDown


@dataclass(frozen=True, slots=True)
class LogFile:
    """A file as it was at one look."""

    path: Path
    size: int
    """Bytes."""
    changed_ns: int
    """Modification time since 1970."""


class LogFolder:
    """One controller's folder; finished files go into its subfolders `taken` and `refused`."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._seen: set[LogFile] = set()
        self._stuck: set[LogFile] = set()

    def still(self) -> list[LogFile]:
        """Files that are as they were at the look before (who copies one takes a while), oldest first.

        Raises: LinkDown: the folder can't be read.
        """
        with self._trouble("can't be read"), os.scandir(self._folder) as entries:
            found = {_as_it_is(Path(entry.path)) for entry in entries if _may_be_log(entry)}
        still = (found & self._seen) - self._stuck
        self._seen = found
        self._stuck &= found
        return sorted(still, key=lambda file: (file.changed_ns, file.path))

    def read(self, file: LogFile, most: int) -> bytes:
        """Its first so many bytes. Raises: LinkDown: it can't be read, or is not as it was any more."""
        with self._trouble(f"has {file.path.name}, which can't be read"):
            with file.path.open("rb") as opened:
                content = opened.read(most)
            self._check(file)
        return content

    def put(self, file: LogFile, subfolder: Literal["taken", "refused"]) -> None:
        """Move the file into a subfolder, under a name that is free there.

        Raises: LinkDown: it can't be moved; it stays, and is left alone until it changes.
        """
        with self._trouble(f"has {file.path.name}, which can't be moved to {subfolder}"):
            self._check(file)
            self._stuck.add(file)
            target = self._folder / subfolder
            target.mkdir(exist_ok=True)
            free = _reserve(target, file.path)
            try:
                file.path.replace(free)
            except OSError:
                free.unlink()
                raise
            self._stuck.remove(file)

    def _check(self, file: LogFile) -> None:
        if _as_it_is(file.path) != file:
            raise LinkDown(f"log folder {self._folder}: {file.path.name} changes while it is read")

    @contextmanager
    def _trouble(self, what: str) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            says = f"log folder {self._folder} {what}: {error.strerror or error}"
            raise LinkDown(
                f"{says}; check that it is there and the collector's user may read and move"
            ) from error


def _may_be_log(entry: os.DirEntry[str]) -> bool:
    return entry.is_file(follow_symlinks=False) and not entry.name.startswith(".")


def _as_it_is(path: Path) -> LogFile:
    found = path.stat()
    return LogFile(path, found.st_size, found.st_mtime_ns)


def _reserve(folder: Path, path: Path) -> Path:
    """An empty file of ours: `L1-07.csv`, else `L1-07-2.csv` and so on; nothing is ever overwritten."""
    for number in count(1):
        name = path.name if number == 1 else f"{path.stem}-{number}{path.suffix}"
        try:
            (folder / name).touch(exist_ok=False)
        except FileExistsError:
            continue
        return folder / name
    raise AssertionError("numbers don't end")
