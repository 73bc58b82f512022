"""A call into a library is bounded in time, and a cancellation during it always arrives."""

import asyncio
import gc
from typing import Any

import pytest

from collector.sources.base import bounded


async def turns_of_the_loop() -> None:
    """Let every task that can run do so."""
    for _ in range(5):
        await asyncio.sleep(0)


async def test_an_answer_is_handed_over() -> None:
    """What the call returns is returned, what it raises is raised."""

    async def answers() -> int:
        return 5

    async def fails() -> None:
        raise ValueError("as it was")

    assert await bounded(answers(), 60) == 5
    with pytest.raises(ValueError, match="as it was"):
        await bounded(fails(), 60)


async def test_silence_ends_at_the_time_limit_and_the_call_is_cancelled() -> None:
    """Nothing of a call that was given up goes on."""
    silence = asyncio.get_running_loop().create_future()

    async def waits() -> None:
        await silence

    with pytest.raises(TimeoutError):
        await bounded(waits(), 0.01)
    await turns_of_the_loop()
    assert silence.cancelled()


async def test_an_error_after_we_gave_up_is_no_news(loop_errors: list[dict[str, Any]]) -> None:
    """A library that fails while it is being cancelled is not reported as an error that was forgotten."""

    async def fails_late() -> None:
        try:
            await asyncio.Event().wait()
        except asyncio.CancelledError:
            raise ConnectionError("closed under us") from None

    with pytest.raises(TimeoutError):
        await bounded(fails_late(), 0.01)
    await turns_of_the_loop()
    gc.collect()
    assert loop_errors == []


async def test_the_end_of_the_connection_ends_the_wait() -> None:
    """`over` is not waited past."""
    over = asyncio.get_running_loop().create_future()
    waiting = asyncio.create_task(bounded(asyncio.Event().wait(), 60, over))
    await turns_of_the_loop()
    over.set_result(None)
    with pytest.raises(TimeoutError):
        await waiting


async def test_a_cancellation_in_the_instant_of_the_answer_is_not_lost() -> None:
    """A task that is cancelled while its answer lies ready ends, even where the library uses `wait_for`."""
    answer = asyncio.get_running_loop().create_future()

    async def library_call() -> None:
        await asyncio.wait_for(answer, 60)

    reading = asyncio.create_task(bounded(library_call(), 60))
    await turns_of_the_loop()
    answer.set_result(None)
    reading.cancel()
    with pytest.raises(asyncio.CancelledError):
        await reading
