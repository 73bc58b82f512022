"""Findings: a process of its own (`analyst`) looks at the book; what it noticed goes in by the one writer.

Nothing that the analysis does reaches the pollers: it runs beside them at low priority, its answer has to
come in time, and when it dies, hangs or talks nonsense it is ended and begun again. The log says so once,
and once more when it works again. What could not be stored is found again at the next look: the process
remembers nothing, and its mark moves on only when the book has it.
"""

import asyncio
import logging
import sys
from asyncio.subprocess import PIPE, Process
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping, Sequence
from contextlib import asynccontextmanager, suppress
from typing import Any

import orjson

from collector.config import Site
from collector.errors import StoreError
from collector.store.findings import FindingEnd, NewFinding
from collector.store.tables import from_us
from collector.store.writer import Writer

log = logging.getLogger(__name__)

COMMAND = (sys.executable, "-m", "collector.analyst")
READY_WITHIN_S = 600.0
"""It works out the design of the control charts first, and gives way to everything else meanwhile."""
LOOK_WITHIN_S = 120.0
LONGEST_PAUSE_S = 600.0
LONGEST_ANSWER_BYTES = 64 * 1024 * 1024
GONE_WITHIN_S = 1.0
"""After a kill."""

Ask = Callable[[Any], Awaitable[Mapping[str, Any]]]


class AnalysisFailed(Exception):
    """In words that follow "the analysis"."""


async def follow_findings(site: Site, writer: Writer, command: Sequence[str] = COMMAND) -> None:
    """Look every `look_every_s`, the first time after so long; only cancellation ends it."""
    every_s = site.analysis.look_every_s
    watch = _Watch(writer, every_s)
    while True:
        await asyncio.sleep(watch.pause_s)
        try:
            async with _analyst(site, command) as ask:
                await watch.look_again_and_again(ask)
        except (AnalysisFailed, OSError) as error:
            watch.failed(f"the analysis {error}")
        except Exception:
            log.exception("findings can't be followed: a mistake of our own")
            watch.failed("findings are not followed for now")


class _Watch:
    """What outlives one process of the analysis."""

    def __init__(self, writer: Writer, every_s: float) -> None:
        self._writer, self._every_s = writer, every_s
        self._mark: Any = None
        """Of the last look that is in the book."""
        self._is_told = False
        self.pause_s = every_s
        """Until it is begun again."""

    async def look_again_and_again(self, ask: Ask) -> None:
        loop = asyncio.get_running_loop()
        while True:
            began_s = loop.time()
            await self._take(await ask(self._mark))
            await asyncio.sleep(max(0.0, began_s + self._every_s - loop.time()))

    async def _take(self, answer: Mapping[str, Any]) -> None:
        begins, ends = _read(answer)
        try:
            if begins or ends:
                await self._writer.note_findings(begins, ends)
        except StoreError as error:
            return self._tell(f"findings wait for the store: {error}")
        self._mark = answer["mark"]
        if self._is_told:
            log.info("findings are followed again")
        self._is_told, self.pause_s = False, self._every_s
        return None

    def failed(self, says: str) -> None:
        self._tell(f"{says}; it is begun again in {self.pause_s:.1f} s, then after longer pauses")
        self.pause_s = min(self.pause_s * 2, max(self._every_s, LONGEST_PAUSE_S))

    def _tell(self, says: str) -> None:
        if not self._is_told:
            log.warning("%s", says)
        self._is_told = True


def _read(answer: Mapping[str, Any]) -> tuple[list[NewFinding], list[FindingEnd]]:
    try:
        begins = [NewFinding(**each | {"began_at": from_us(each["began_at"])}) for each in answer["begins"]]
        ends = [FindingEnd(**each | {"ended_at": from_us(each["ended_at"])}) for each in answer["ends"]]
        _ = answer["mark"]
    except (KeyError, TypeError, OverflowError) as error:
        raise AnalysisFailed(f"has given an answer that is none ({error!r})") from error
    return begins, ends


@asynccontextmanager
async def _analyst(site: Site, command: Sequence[str]) -> AsyncIterator[Ask]:
    """The process, ready; ended on leaving. It only reads, so it is not asked to leave but killed."""
    process = await asyncio.create_subprocess_exec(
        *command, stdin=PIPE, stdout=PIPE, limit=LONGEST_ANSWER_BYTES
    )

    async def ask(mark: Any) -> Mapping[str, Any]:
        return await _exchange(process, orjson.dumps(mark), LOOK_WITHIN_S)

    try:
        begin = {"site": site.model_dump_json(), "path": str(site.path)}
        await _exchange(process, orjson.dumps(begin), READY_WITHIN_S)
        log.info("the analysis has started, process %d", process.pid)
        yield ask
    finally:
        with suppress(ProcessLookupError):
            process.kill()
        await _leave(process)


async def _leave(process: Process) -> None:
    """Wait a little for what has ended; one that hangs in the kernel is left to it."""
    with suppress(TimeoutError):
        await asyncio.wait_for(process.wait(), GONE_WITHIN_S)


async def _exchange(process: Process, line: bytes, within_s: float) -> Mapping[str, Any]:
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        async with asyncio.timeout(within_s):
            process.stdin.write(line + b"\n")
            await process.stdin.drain()
            answer = await process.stdout.readline()
    except TimeoutError:
        raise AnalysisFailed(f"(process {process.pid}) did not answer within {within_s:.0f} s") from None
    except ConnectionError:
        answer = b""
    except ValueError as error:
        raise AnalysisFailed(f"(process {process.pid}) has given too long an answer") from error
    if not answer.endswith(b"\n"):
        await _leave(process)
        raise AnalysisFailed(f"(process {process.pid}) has ended with code {process.returncode}")
    try:
        content = orjson.loads(answer)
    except ValueError as error:
        raise AnalysisFailed(f"(process {process.pid}) has given an answer that is none") from error
    if not isinstance(content, dict):
        raise AnalysisFailed(f"(process {process.pid}) has given an answer that is none")
    return content
