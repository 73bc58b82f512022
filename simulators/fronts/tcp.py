"""What the TCP fronts share: a server that can be switched off and on at one port, and a log of requests."""

import asyncio
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from types import TracebackType
from typing import Self

LOG_MOST = 5000
"""Requests kept for tests to look at; older ones are forgotten, the counters are not."""


@dataclass(frozen=True, slots=True)
class Request:
    """One request as it came over the wire."""

    function: int
    area: int
    """Data block for S7, 0 for Modbus."""
    address: int
    count: int


class TcpFront(ABC):
    """One controller's server; `async with` switches it on. Port 0 lets the system choose, and the choice
    stays.
    """

    def __init__(self, clock: Callable[[], datetime], host: str = "127.0.0.1", port: int = 0) -> None:
        self.clock = clock
        self.host = host
        self.port = port
        self.requests: deque[Request] = deque(maxlen=LOG_MOST)
        self.read_requests = 0
        self.write_requests = 0
        """Requests that would have changed something in a real controller; all were refused."""
        self.other_requests = 0
        self._server: asyncio.Server | None = None
        self._talks: dict[asyncio.Task[None], asyncio.StreamWriter] = {}

    async def __aenter__(self) -> Self:
        await self.switch_on()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.switch_off()

    async def switch_on(self) -> None:
        if self._server is None:
            self._server = await asyncio.start_server(self._talk, self.host, self.port)
            self.port = self._server.sockets[0].getsockname()[1]

    async def switch_off(self) -> None:
        """Close the port and every connection, as a cabinet without power does."""
        if self._server is None:
            return
        self._server.close()
        self._server = None
        await self.hang_up()

    async def hang_up(self) -> None:
        """End every connection; the port stays open."""
        for writer in self._talks.values():
            writer.transport.abort()
        await asyncio.gather(*self._talks)

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._talks[task] = writer
        try:
            await self.converse(reader, writer)
        except (asyncio.IncompleteReadError, ConnectionError):
            pass  # the other end is gone, in mid-frame or not
        finally:
            del self._talks[task]
            writer.close()

    @abstractmethod
    async def converse(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Answer requests until the client leaves or sends something that isn't the protocol."""
