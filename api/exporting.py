"""Exports: lists that are too long for one answer, made into files beside the API's answers, one by one.

Rows are read by key within one transaction on the book, so a file is of one instant, and written as they
come: no more is in memory than a page of rows, of Parquet a row group of columns besides. A file is made
under another name, brought to the disk and renamed, and only then is the desk told: `done` means whole.
What was under way when the API ended is begun again, and given up after `ATTEMPTS`.

A full disk would stop the collector too: exports end before the last `LEAVE_FREE_BYTES` of it.
"""

import asyncio
import hashlib
import logging
import os
import re
import shutil
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator, Mapping
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, BinaryIO

from sqlalchemy import Connection
from starlette.concurrency import run_in_threadpool

from api.access.sight import Sight
from api.cautions import CAUTIONS
from api.csv_export import Row, write_csv_to, write_ndjson_to
from api.parquet_export import Column, write_parquet_to
from api.push.threads import in_thread
from api.resources import cycles, faults, gaps
from api.stores import Stores
from collector.config import Site
from collector.errors import QueryError, StoreError, TookTooLong
from collector.store.engine import interrupter
from collector.store.exports import (
    begin_next,
    count_exports,
    drop_export,
    find_exports,
    find_over,
    note_done,
    note_failed,
    put_back,
)
from collector.store.queries import Record, find_book, find_tool, find_tool_names
from collector.store.streams import stream_cycles, stream_faults, stream_gaps

LONGEST_BUILD_S = 3600.0
LEAVE_FREE_BYTES = 2 * 1024**3
GIGABYTE = 10**9
ATTEMPTS = 5
AGAIN_AFTER_S = 10.0
"""After the store failed; longer each time."""
LOOK_EVERY_S = 60.0
"""For files that are too old."""
ROWS_BETWEEN_LOOKS = 1000
"""At the disk, and at whether it is still wanted."""
BYTES_BETWEEN_LOOKS = 1024**2
"""At whether it is still wanted, while its digest is made."""
INTERRUPT_EVERY_S = 0.1
"""When the API ends: what begins just after one is ended by the next."""
FILE_NAME = re.compile(r"[a-z2-9]{12}\.(csv|ndjson|parquet|part)")

log = logging.getLogger(__name__)


class GivenUp(Exception):
    """Nobody wants it any more."""


class Stopped(Exception):
    """The API ends."""


class NoRoom(Exception):
    """The sentence is for the asker."""


# ---- what can be had ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Asked:
    """What is in a file. Args as the lists have them."""

    begins_at: datetime
    ends_at: datetime
    filters: Mapping[str, str]
    sight: Sight
    is_flat: bool
    """Rows with the columns of CSV and Parquet; else items, as in JSON."""

    @property
    def interval(self) -> dict[str, Any]:
        return {"since": self.begins_at, "until": self.ends_at}

    def of(self, *names: str) -> dict[str, Any]:
        """These filters, those that were not given as None."""
        return {name: self.filters.get(name) for name in names}

    def tool_id(self, connection: Connection) -> int | None:
        """Raises: NotInBook, AmbiguousTool, AmbiguousModel."""
        if "tool" not in self.filters:
            return None
        named = self.of("maker", "model")
        return int(find_tool(connection, self.filters["tool"], **named)["tool_id"])


@dataclass(frozen=True, slots=True)
class Exported:
    """A list that can be had as an export."""

    columns: list[Column]
    filters: frozenset[str]
    rows: Callable[[Connection, Asked], Iterator[Row]]


def _cycles(connection: Connection, asked: Asked) -> Iterator[Row]:
    tools = find_tool_names(connection)
    rows = stream_cycles(
        connection,
        asked.tool_id(connection),
        among=asked.sight.controllers,
        **asked.interval,
        **asked.of("controller", "result", "completion"),
    )
    if asked.is_flat:
        return cycles.flattened(rows, tools)
    return (cycles.listed(row) | {"tool": tools[row["tool_id"]]} for row in rows)


def _faults(connection: Connection, asked: Asked) -> Iterator[Row]:
    rows = stream_faults(
        connection,
        tool_id=asked.tool_id(connection),
        among=asked.sight.controllers,
        **asked.interval,
        **asked.of("controller", "category", "state"),
    )
    return faults.flattened(rows) if asked.is_flat else map(faults.shown, rows)


def _gaps(connection: Connection, asked: Asked) -> Iterator[Row]:
    rows = stream_gaps(
        connection, among=asked.sight.controllers, **asked.interval, **asked.of("controller", "state")
    )
    return rows if asked.is_flat else map(gaps.shown, rows)


EXPORTED: Mapping[str, Exported] = {
    "cycles": Exported(
        cycles.COLUMNS, frozenset({"controller", "tool", "maker", "model", "result", "completion"}), _cycles
    ),
    "faults": Exported(
        faults.COLUMNS, frozenset({"controller", "tool", "maker", "model", "category", "state"}), _faults
    ),
    "gaps": Exported(gaps.COLUMNS, frozenset({"controller", "state"}), _gaps),
}


# ---- who makes them ----------------------------------------------------------------------------------------


class Exporter:
    """Args: stores: of the application, as it is when it is asked for."""

    def __init__(self, site: Site, stores: Callable[[], Stores]) -> None:
        self._site = site
        self._stores = stores
        self.folder = site.exports_folder
        self._given_up: set[str] = set()
        self._ending = threading.Event()
        self._woken = asyncio.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._is_found = False
        """Whether what is under way on the desk, and by nobody, was looked for."""
        self._rows = 0
        self._interrupt: Callable[[], None] | None = None
        """Ends what is read of the book; None: nothing is."""

    @asynccontextmanager
    async def open(self) -> AsyncIterator[None]:
        """Make what waits from here on; on leaving, what is under way waits again."""
        self._ending.clear()
        self._is_found = False
        self._woken, self._loop = asyncio.Event(), asyncio.get_running_loop()
        task = asyncio.create_task(self._run(), name="exports")
        try:
            yield
        finally:
            self._ending.set()
            while not task.done():
                task.cancel()
                if (interrupt := self._interrupt) is not None:
                    await run_in_threadpool(interrupt)
                await asyncio.wait([task], timeout=INTERRUPT_EVERY_S)
            self._loop = None

    # ---- for the resources, from any thread ----------------------------------------------------------------

    def wake(self) -> None:
        """Something waits."""
        if self._loop is not None:
            self._loop.call_soon_threadsafe(self._woken.set)

    def give_up(self, export: Record) -> None:
        """It is not on the desk any more: whoever makes it stops, its file goes."""
        if export["state"] == "building":
            self._given_up.add(export["export_id"])
        self._unlink(export)

    def path(self, export: Record) -> Path:
        return self.folder / f"{export['export_id']}.{export['format']}"

    def rows_so_far(self, export: Record) -> int | None:
        """None: it is not being made."""
        return self._rows if export["state"] == "building" else None

    def require_room(self, used: int) -> None:
        """Args: used: bytes of all files. Raises: NoRoom: there is none for another."""
        most = self._site.api.exports_most_gb * GIGABYTE
        if used >= most:
            raise NoRoom(
                f"the exports together have {used / GIGABYTE:.1f} GB, and may have "
                f"{most / GIGABYTE:g} GB ([api] exports_most_gb of the site file)"
            )
        try:
            free = shutil.disk_usage(next(each for each in self._ways_up() if each.exists())).free
        except OSError as error:
            raise NoRoom(self._unusable(error)) from error
        if free < LEAVE_FREE_BYTES:
            least = LEAVE_FREE_BYTES / GIGABYTE
            raise NoRoom(f"less than {least:.1f} GB are free on the disk, which are left to the collector")

    def kept_until(self, export: Record) -> datetime | None:
        """None: it is not over yet."""
        over_at: datetime | None = export["over_at"]
        return None if over_at is None else over_at + timedelta(days=self._site.api.exports_keep_days)

    # ---- in the event loop ---------------------------------------------------------------------------------

    async def _run(self) -> None:
        failed = 0
        while True:
            self._woken.clear()
            try:
                export = await in_thread(self._next)
                is_made = export is None or await in_thread(self._make, export)
            except StoreError as error:
                log.warning("exports wait for the desk: %s", error)
                export, is_made, self._is_found = None, False, False
            failed = 0 if is_made else failed + 1
            if not is_made:
                await asyncio.sleep(min(AGAIN_AFTER_S * failed, LOOK_EVERY_S))
            elif export is None:
                with suppress(TimeoutError):
                    async with asyncio.timeout(LOOK_EVERY_S):
                        await self._woken.wait()

    # ---- in a thread ---------------------------------------------------------------------------------------

    def _next(self) -> Record | None:
        """Raises: StoreError."""
        now = datetime.now(UTC)
        is_found = self._is_found
        with self._stores().desk() as desk:
            if not is_found:
                is_found = self._take_up(desk, now)
            over = find_over(desk, now - timedelta(days=self._site.api.exports_keep_days))
            for each in over:
                drop_export(desk, each["export_id"])
            begun = begin_next(desk)
        self._is_found = is_found
        for each in over:
            self._unlink(each)
        self._rows = 0
        return begun

    def _take_up(self, desk: Connection, now: datetime) -> bool:
        """What an earlier process left, or a desk that was away: exports under way, files nobody knows.

        False: not all files could be looked at."""
        there = find_exports(desk)
        for each in there:
            export_id = each["export_id"]
            if each["state"] == "building" and each["attempts"] >= ATTEMPTS:
                says = f"the API has ended {ATTEMPTS} times while it was made; ask for less"
                note_failed(desk, export_id, says, now)
            elif each["state"] == "building":
                put_back(desk, export_id, counts=True)
        try:
            self._take_up_files(desk, [each for each in there if each["state"] == "done"], now)
        except OSError as error:
            log.warning("the files of the exports are looked at again later: %s", self._unusable(error))
            return False
        return True

    def _take_up_files(self, desk: Connection, done: list[Record], now: datetime) -> None:
        """Raises: OSError."""
        known: set[str] = set()
        for each in done:
            if self.path(each).is_file():
                known.add(self.path(each).name)
            else:
                note_failed(desk, each["export_id"], "its file is gone; ask anew", now)
        if self.folder.is_dir():
            for path in self.folder.iterdir():
                if FILE_NAME.fullmatch(path.name) and path.name not in known:
                    path.unlink()

    def _make(self, export: Record) -> bool:
        """False: not now, the store failed; it waits. Raises: StoreError: of the desk."""
        export_id = export["export_id"]
        temporary = self.folder / f"{export_id}.part"
        try:
            self.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            made = self._build(export, temporary)
            temporary.rename(self.path(export))
            _bring_to_disk(self.folder)
            with self._stores().desk() as desk:
                is_wanted = note_done(desk, export_id, now=datetime.now(UTC), **made)
            if not is_wanted:
                self._unlink(export)
            else:
                log.info("export %s is made: %d rows, %d bytes", export_id, made["rows"], made["size"])
        except GivenUp:
            log.info("export %s was given up", export_id)
        except Stopped:
            self._put_back(export_id, counts=False)
        except TookTooLong:
            self._fail(export_id, f"it took more than {LONGEST_BUILD_S / 60:.0f} minutes; ask for less")
        except StoreError as error:
            if export["attempts"] < ATTEMPTS:
                log.warning("export %s waits for the store: %s", export_id, error)
                self._put_back(export_id, counts=True)
                return False
            self._fail(export_id, str(error))
        except (NoRoom, QueryError) as error:
            self._fail(export_id, str(error))
        except OSError as error:
            self._fail(export_id, self._unusable(error))
        except Exception:
            log.exception("export %s failed", export_id)
            self._fail(export_id, "something unexpected happened; the log of the API has the details")
        finally:
            with suppress(OSError):  # what stays is taken up with the next start
                temporary.unlink(missing_ok=True)
            self._given_up.discard(export_id)
        return True

    def _build(self, export: Record, path: Path) -> dict[str, Any]:
        """What the desk is told of it. Raises: GivenUp, Stopped, NoRoom, StoreError, QueryError, OSError."""
        kind = EXPORTED[export["what"]]
        line_of = {each.name: each.line for each in self._site.controllers}
        asked = Asked(
            export["begins_at"],
            export["ends_at"],
            export["filters"],
            Sight.of(export["lines"], line_of),
            is_flat=export["format"] != "ndjson",
        )
        with self._stores().desk() as desk:
            used = count_exports(desk, None)[2]
        stores = Stores(self._stores().address, LONGEST_BUILD_S)
        try:
            with path.open("wb") as file, stores.book() as connection:
                self._interrupt = interrupter(connection)
                book = find_book(connection)
                rows = self._watched(kind.rows(connection, asked), export, file, used)
                _write(export, kind.columns, rows, file, book["instance"])
                file.flush()
                os.fsync(file.fileno())
        except TookTooLong:
            self._require_wanted(export)  # where it is not, it was interrupted
            raise
        finally:
            self._interrupt = None
            stores.close()
        return {
            "book": book["instance"],
            "commit_number": book["commit_number"],
            "rows": self._rows,
            "size": path.stat().st_size,
            "sha256": self._sha256(export, path),
        }

    def _watched(self, rows: Iterator[Row], export: Record, file: BinaryIO, used: int) -> Iterator[Row]:
        began_s = time.monotonic()
        for number, row in enumerate(rows):
            if number % ROWS_BETWEEN_LOOKS == 0:
                self._require_wanted(export)
                if time.monotonic() - began_s > LONGEST_BUILD_S:  # on PostgreSQL only a statement is ended
                    raise TookTooLong("making it took too long")
                self.require_room(used + file.tell())
            yield row
            self._rows = number + 1

    def _sha256(self, export: Record, path: Path) -> str:
        digest = hashlib.sha256()
        with path.open("rb") as file:
            while part := file.read(BYTES_BETWEEN_LOOKS):
                self._require_wanted(export)
                digest.update(part)
        return digest.hexdigest()

    def _require_wanted(self, export: Record) -> None:
        """Raises: Stopped, GivenUp."""
        if self._ending.is_set():
            raise Stopped
        if export["export_id"] in self._given_up:
            raise GivenUp

    def _put_back(self, export_id: str, *, counts: bool) -> None:
        with self._stores().desk() as desk:
            put_back(desk, export_id, counts=counts)

    def _fail(self, export_id: str, says: str) -> None:
        log.warning("export %s failed: %s", export_id, says)
        with self._stores().desk() as desk:
            note_failed(desk, export_id, says, datetime.now(UTC))

    def _unlink(self, export: Record) -> None:
        try:
            self.path(export).unlink(missing_ok=True)
        except OSError as error:
            log.warning("the file of export %s stays: %s", export["export_id"], error)

    def _unusable(self, error: OSError) -> str:
        return (
            f"the folder {self.folder} of the exports can't be used; check [api] exports_folder of the site "
            f"file, its rights, and whether its disk is mounted read-only or full ({error.strerror})"
        )

    def _ways_up(self) -> Iterator[Path]:
        yield self.folder
        yield from self.folder.absolute().parents


def _write(export: Record, columns: list[Column], rows: Iterator[Row], file: BinaryIO, book: str) -> None:
    match export["format"]:
        case "csv":
            write_csv_to(file, columns, rows)
        case "parquet":
            lines = {} if export["lines"] is None else {"lines": ", ".join(export["lines"])}
            about = {"list": export["what"], "book": book, "cautions": " ".join(CAUTIONS), **lines}
            write_parquet_to(file, columns, rows, about)
        case _:
            write_ndjson_to(file, rows)


def _bring_to_disk(folder: Path) -> None:
    """The name too."""
    number = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)
