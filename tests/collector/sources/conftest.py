"""What all tests of the sources hold: nothing goes wrong unseen in the event loop."""

import asyncio
from collections.abc import AsyncIterator
from typing import Any

import pytest


@pytest.fixture(autouse=True)
async def loop_errors() -> AsyncIterator[list[dict[str, Any]]]:
    """What asyncio would only log: errors in callbacks, and errors that nobody fetched."""
    errors: list[dict[str, Any]] = []
    asyncio.get_running_loop().set_exception_handler(lambda _, context: errors.append(context))
    yield errors
    await asyncio.sleep(0)
    assert errors == []
