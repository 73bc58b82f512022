"""An event loop whose time is virtual: when nothing is ready, it jumps to the next timer."""

import asyncio
import selectors
from collections.abc import Callable
from concurrent.futures import Executor
from typing import Any


class Deadlock(Exception):
    """Everybody waits and no timer is set: in real time this would hang for ever."""


class _Jumps(selectors.SelectSelector):
    """There are no sockets here, so waiting is nothing but moving the clock."""

    def __init__(self) -> None:
        super().__init__()
        self.now_s = 0.0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        if timeout is None:
            raise Deadlock("every task waits, and no timer is set")
        self.now_s += timeout
        return []


class VirtualLoop(asyncio.SelectorEventLoop):
    """Never sleeps. What is handed to a thread runs at once, in place: one order of events for one seed."""

    def __init__(self) -> None:
        self._jumps = _Jumps()
        super().__init__(self._jumps)
        # asyncio takes a timer as due this much early: covers the rounding of `when - now`.
        self._clock_resolution = 1e-6

    def time(self) -> float:
        return self._jumps.now_s

    def run_in_executor(  # type: ignore[override]
        self, executor: Executor | None, func: Callable[..., Any], *args: Any
    ) -> asyncio.Future[Any]:
        done = self.create_future()
        try:
            done.set_result(func(*args))
        except Exception as error:
            done.set_exception(error)
        return done

    def _write_to_self(self) -> None:
        """`call_soon_threadsafe` comes from this thread: nobody has to be woken."""
