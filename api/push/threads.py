"""Work with the store, in a thread, that is over when its waiter is."""

import asyncio
from collections.abc import Callable
from contextlib import suppress
from typing import ParamSpec, TypeVar

from starlette.concurrency import run_in_threadpool

Asked = ParamSpec("Asked")
Result = TypeVar("Result")


async def in_thread(function: Callable[Asked, Result], *args: Asked.args, **more: Asked.kwargs) -> Result:
    """A cancellation waits for the thread: the store may be closed then, and whoever is cancelled knows what
    was written."""
    work = asyncio.ensure_future(run_in_threadpool(function, *args, **more))
    try:
        return await asyncio.shield(work)
    except asyncio.CancelledError:
        while not work.done():
            with suppress(asyncio.CancelledError):
                await asyncio.wait([work])
        if not work.cancelled():
            work.exception()  # looked at, so that nobody complains
        raise
