"""What a source owes its poller.

A source object is one connection: entered once, left once, thrown away after any error, timeout or
cancellation. It only fetches; it has no method that writes, acknowledges a fault or commands anything. It
never retries and never reconnects: the poller alone does.
"""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Sequence
from dataclasses import dataclass
from datetime import datetime
from types import TracebackType
from typing import Any, Protocol, Self, TypeVar

from collector.layouts.schema import Block

Answer = TypeVar("Answer")


class BlockSource(Protocol):
    """A controller whose memory is read block by block (Modbus TCP, S7)."""

    async def __aenter__(self) -> Self:
        """Connect. Raises: LinkDown, Refused, BadReply."""
        ...

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...

    async def read(self, block: Block) -> bytes:
        """Read one block whole: exactly its bytes, in wire order (a register is two bytes, high byte first).

        A block longer than one protocol unit is several reads and not atomic.
        Raises: LinkDown, BadReply, Refused; after any of them the connection is closed.
        """
        ...


@dataclass(frozen=True, slots=True)
class Message:
    """One message as the broker handed it over, not acknowledged yet."""

    topic: str
    payload: bytes
    retained: bool
    received_at: datetime
    handle: object
    """What the source needs to acknowledge it; nobody else looks into it."""


class MessageSource(Protocol):
    """A controller that pushes its cycles through a broker (MQTT)."""

    session_kept: bool
    """False where the broker knew nothing of our session: what came while we were away may be lost."""

    async def __aenter__(self) -> Self:
        """Connect and subscribe. Raises: LinkDown, Refused."""
        ...

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...

    def batches(self) -> AsyncIterator[list[Message]]:
        """Messages in order of arrival, at most `BATCH_MOST` or `BATCH_WAIT_S` together.

        Raises: LinkDown when the connection ends.
        """
        ...

    async def acknowledge(self, messages: Sequence[Message]) -> None:
        """Tell the broker that these are safe with us; called after the commit that holds them."""
        ...


async def bounded(call: Awaitable[Answer], most_s: float, over: asyncio.Future[None] | None = None) -> Answer:
    """What a library's call returns, waited for at most that long, or until `over` is done.

    The call runs in a task of its own because `asyncio.wait_for`, which the libraries use, drops a
    cancellation that comes in the same instant as the answer (Python before 3.12): a poller would then
    outlive its own shutdown.

    Raises: TimeoutError: no answer in time, or `over` came first; and whatever the call raises.
    """
    task = asyncio.ensure_future(call)
    # An error that comes after we gave up is looked at here, or asyncio reports it as forgotten.
    task.add_done_callback(lambda done: done.cancelled() or done.exception())
    try:
        waited_for: list[asyncio.Future[Any]] = [task] if over is None else [task, over]
        await asyncio.wait(waited_for, timeout=most_s, return_when=asyncio.FIRST_COMPLETED)
        if not task.done():
            raise TimeoutError
        return task.result()
    finally:
        task.cancel()
