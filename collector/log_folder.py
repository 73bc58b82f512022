"""Logs that people bring: what a controller's memory lost may still be in the CSV log that it keeps.

A file is moved away after the commit of all that it holds. If the collector ends in between, the file is read
again, and its cycles are known.
"""

import asyncio
import logging
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

from collector.errors import DecodeError, LinkDown, StoreError
from collector.layouts.decoder import Decoder
from collector.layouts.schema import Layout
from collector.model import Cycle, Quarantined
from collector.sources.logfile import LogFile, LogFolder
from collector.standing import Standing

log = logging.getLogger(__name__)

LOOK_EVERY_S = 10.0
FILE_MOST = 64 * 2**20
"""Bytes; what is larger is no log of a controller."""
BATCH_MOST = 200
"""Rows that are committed together."""
BAD_ROWS_MOST = 1000
"""Rows of one file that are kept in quarantine; the file itself is kept anyway."""
RAW_MOST = 65_536
"""Bytes of a row, or of a refused file, that are kept there."""


async def follow_logs(
    standing: Standing, layout: Layout, folder: Path, look_every_s: float = LOOK_EVERY_S
) -> None:
    """Take in whatever log of the controller is put into the folder; only cancellation ends it."""
    logs, decoder = LogFolder(folder), Decoder(layout)
    said = ""
    while True:
        trouble = await _look(standing, decoder, logs)
        if trouble and trouble != said:
            log.warning("%s: %s", standing.name, trouble)
        said = trouble
        await asyncio.sleep(look_every_s)


async def _look(standing: Standing, decoder: Decoder, logs: LogFolder) -> str:
    """Take in all files that stand still; what went wrong with them, in words: they are tried again."""
    trouble = []
    try:
        for file in await asyncio.to_thread(logs.still):
            try:
                await _take(standing, decoder, logs, file)
            except LinkDown as error:
                trouble.append(str(error))
    except (LinkDown, StoreError) as error:
        trouble.append(str(error))
    return "; ".join(trouble)


async def _take(standing: Standing, decoder: Decoder, logs: LogFolder, file: LogFile) -> None:
    """Raises: LinkDown, StoreError: the file stays where it is."""
    reading = _Reading(standing, f"log file {file.path.name}")
    try:
        await reading.take(await asyncio.to_thread(_rows, decoder, logs, file))
    except DecodeError as error:
        await reading.refuse(error)
        await asyncio.to_thread(logs.put, file, "refused")
        log.warning("%s: %s is refused: %s", standing.name, reading.what, error)
        return
    await asyncio.to_thread(logs.put, file, "taken")
    log.info("%s: %s", standing.name, reading)


def _rows(decoder: Decoder, logs: LogFolder, file: LogFile) -> Iterator[Cycle | DecodeError]:
    """Raises: LinkDown; DecodeError: nothing can be read in it."""
    if file.size > FILE_MOST:
        says = f"has {file.size} bytes; a log has {FILE_MOST} at most"
        raise DecodeError(decoder.name, "all", "the file", logs.read(file, RAW_MOST), says)
    return decoder.decode_log(logs.read(file, FILE_MOST))


@dataclass(slots=True)
class _Reading:
    """One file on its way into the book."""

    standing: Standing
    what: str
    stored: int = 0
    known: int = 0
    older: int = 0
    set_aside: int = 0
    bad: int = 0
    _aside: list[Quarantined] = field(default_factory=list)
    """Rows that make no sense; they are committed with the cycles beside them."""

    def __str__(self) -> str:
        return (
            f"{self.what}: {self.stored} cycles were missing, {self.known} known, "
            f"{self.older} older than the book, "
            f"{self.set_aside} belong nowhere, {self.bad} rows unreadable"
        )

    async def take(self, rows: Iterator[Cycle | DecodeError]) -> None:
        """Raises: StoreError; DecodeError: of the first row, if no row makes sense."""
        first: DecodeError | None = None
        while batch := await asyncio.to_thread(lambda: list(islice(rows, BATCH_MOST))):
            for error in batch:
                if isinstance(error, DecodeError):
                    first = first or error
                    self._put_aside(error)
            cycles = [cycle for cycle in batch if isinstance(cycle, Cycle)]
            if cycles:
                await self._hand_over(cycles)
        if first is not None and not self.stored + self.known + self.older + self.set_aside:
            raise first
        if self.bad > BAD_ROWS_MOST:
            says = (
                f"{self.bad} rows can't be read; the first {BAD_ROWS_MOST} of them are here, all in the file"
            )
            self._aside.append(self._quarantined(self.what, says, b""))
        if self._aside:
            await self._hand_over([])

    async def refuse(self, error: DecodeError) -> None:
        """Say why nothing of the file is taken. Raises: StoreError."""
        rows = f"none of its {self.bad} rows can be read; the first: " if self.bad else ""
        self._aside = [self._quarantined(self.what, f"{rows}{error}", error.raw)]
        await self._hand_over([])

    def _put_aside(self, error: DecodeError) -> None:
        self.bad += 1
        if self.bad <= BAD_ROWS_MOST:
            self._aside.append(self._quarantined(f"{self.what}, {error.offset}", str(error), error.raw))

    def _quarantined(self, where: str, reason: str, raw: bytes) -> Quarantined:
        return Quarantined("record", where, reason, raw[:RAW_MOST], self.standing.now())

    async def _hand_over(self, cycles: Sequence[Cycle]) -> None:
        outcome = await self.standing.take_late(cycles, brought_by=self.what, quarantined=self._aside)
        self._aside = []
        self.stored += outcome.stored
        self.known += outcome.known
        self.older += outcome.older
        self.set_aside += outcome.set_aside
