"""What every process of ours does about its surroundings: logging, signals, and the parent that started
it."""

import asyncio
import logging
import signal
import sys
import time

LEVELS = {"pymodbus": logging.CRITICAL, "snap7": logging.CRITICAL, "alembic": logging.WARNING}
"""Libraries that tell at length what our own log says in a sentence."""


def start_logging() -> None:
    """One line an event to stderr, in UTC; the service manager keeps it."""
    logging.basicConfig(
        level=logging.INFO, format="%(asctime)sZ %(levelname)s %(name)s: %(message)s", stream=sys.stderr
    )
    for handler in logging.getLogger().handlers:
        if handler.formatter is not None:
            handler.formatter.converter = time.gmtime
            handler.formatter.default_msec_format = "%s.%03d"
    for name, level in LEVELS.items():
        logging.getLogger(name).setLevel(level)


async def until_asked_to_stop(with_parent: bool = False) -> asyncio.Event:
    """An event that SIGTERM and SIGINT set; `with_parent`: so does the end of standard input."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for each in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(each, stop.set)
    if with_parent:
        await loop.connect_read_pipe(lambda: _EndOfInput(stop), sys.stdin.buffer)
    return stop


class _EndOfInput(asyncio.Protocol):
    def __init__(self, stop: asyncio.Event) -> None:
        self._stop = stop

    def connection_lost(self, exc: Exception | None) -> None:
        self._stop.set()
