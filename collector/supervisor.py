"""`clampbook run`: the collector and the API as two processes, watched. Neither can delay or stop the
other; one that dies is started again, after a pause that grows while it keeps dying.

Each child holds the read end of a pipe as its standard input. When this process ends, however it ends, the
pipe closes and the children leave too: a book never has a forgotten writer.
"""

import asyncio
import itertools
import logging
import signal
import sys
from collections.abc import Mapping, Sequence
from contextlib import suppress

log = logging.getLogger(__name__)

STOP_WITHIN_S = 5.0
FIRST_PAUSE_S = 0.2
LONGEST_PAUSE_S = 10.0
STEADY_AFTER_S = 30.0
"""A child that ran this long is no longer in a run of failures."""
UNUSABLE = 2
"""Exit code of a child that needs a person: a wrong site file, a taken port."""


async def supervise(commands: Mapping[str, Sequence[str]], stop: asyncio.Event) -> int:
    """Run all commands until `stop` is set or one says that a person is needed; returns the exit code."""
    watchers = [asyncio.create_task(_watch(name, command), name=name) for name, command in commands.items()]
    stopping = asyncio.create_task(stop.wait())
    done, _ = await asyncio.wait([*watchers, stopping], return_when=asyncio.FIRST_COMPLETED)
    stopping.cancel()
    for watcher in watchers:
        watcher.cancel()
    await asyncio.gather(*watchers, return_exceptions=True)
    return 0 if stopping in done else UNUSABLE


async def _watch(name: str, command: Sequence[str]) -> None:
    """Keep one process running; returns only when its very first start says that a person is needed.

    Later on the same answer (a port that somebody took meanwhile, a site file being edited) is waited out: it
    must not end the other process.
    """
    loop = asyncio.get_running_loop()
    pause_s = FIRST_PAUSE_S
    for start in itertools.count():
        began = loop.time()
        child = await asyncio.create_subprocess_exec(*command, stdin=asyncio.subprocess.PIPE)
        log.info("%s started, process %d", name, child.pid)
        try:
            code = await child.wait()
        except asyncio.CancelledError:
            await _end(name, child)
            raise
        if code == UNUSABLE and start == 0:
            log.error("%s can't run as it is set up; see its last line above", name)
            return
        if loop.time() - began >= STEADY_AFTER_S:
            pause_s = FIRST_PAUSE_S
        log.error("%s ended with code %s; starting it again in %.1f s", name, code, pause_s)
        await asyncio.sleep(pause_s)
        pause_s = min(pause_s * 2, LONGEST_PAUSE_S)


async def _end(name: str, child: asyncio.subprocess.Process) -> None:
    """SIGTERM, and SIGKILL where it does not leave in time: the book stands either."""
    with suppress(ProcessLookupError):
        child.send_signal(signal.SIGTERM)
    try:
        await asyncio.wait_for(child.wait(), STOP_WITHIN_S)
    except TimeoutError:
        log.error("%s did not leave within %.0f s; killing it", name, STOP_WITHIN_S)
        child.kill()
        await child.wait()


def commands(site_path: str) -> dict[str, list[str]]:
    """The two processes of a site. The API is named by its module only: nothing here imports it."""
    python = [sys.executable, "-m"]
    return {
        "collector": [*python, "collector", "collect", "--site", site_path, "--with-parent"],
        "api": [*python, "api", "--site", site_path, "--with-parent"],
    }
