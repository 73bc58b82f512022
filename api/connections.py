"""How long a connection may take to ask: by itself the server waits for ever for the rest of a request."""

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_WITHIN_S = 10.0
GOODBYE_S = 0.5
"""How long the other end has to answer the end of TLS, when the server stops; an idle client never does."""


class PatientConnection(H11Protocol):
    """Hangs up where the head of a request is not there in time, the first one as any later one."""

    _hanging_up: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        self._wait()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self._is_asked():
            self._stop_waiting()
        elif self._hanging_up is None:
            self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        self._stop_waiting()
        super().connection_lost(exc)

    def shutdown(self) -> None:
        super().shutdown()
        if self.transport.is_closing():
            self.loop.call_later(GOODBYE_S, self.transport.abort)

    def _is_asked(self) -> bool:
        """Is there a request that is not answered yet?"""
        return self.cycle is not None and not self.cycle.response_complete

    def _wait(self) -> None:
        self._hanging_up = self.loop.call_later(HEAD_WITHIN_S, self._hang_up)

    def _stop_waiting(self) -> None:
        if self._hanging_up is not None:
            self._hanging_up.cancel()
            self._hanging_up = None

    def _hang_up(self) -> None:
        self._hanging_up = None
        if not self._is_asked():
            self.transport.close()
