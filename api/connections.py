"""How many connections there may be, and how long each may take to ask, and to take its answer: by itself the
server waits for ever."""

import asyncio
import fcntl
import logging
import sys
import termios
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

from collector.listening import is_loopback

HEAD_WITHIN_S = 10.0
TAKE_WITHIN_S = 60.0
"""How long the other end may take nothing of an answer that waits for it."""
MARGIN = 20
"""Connections beyond the site file's number, so that one request too many is told so (503). Beyond these, a
connection is ended without an answer."""
RESERVE = 20
"""Connections over the loopback beyond those of others, so that whoever looks after the machine gets in."""
SAY_EVERY_S = 60.0
GOODBYE_S = 0.5
"""How long the other end has to answer the end of TLS, when the server stops; an idle client never does."""


log = logging.getLogger(__name__)


class PatientConnection(H11Protocol):
    """Hangs up where the head of a request is not there in time, the first one as any later one; where an
    answer is not taken; and at once where there are too many."""

    most: int | None = None
    """At once, by the site file; None: any number."""
    _hanging_up: asyncio.TimerHandle | None = None
    _giving_up: asyncio.TimerHandle | None = None
    _said_at_s = float("-inf")

    @classmethod
    def at_most(cls, number: int) -> type["PatientConnection"]:
        """So many by the site file."""
        return type(cls.__name__, (cls,), {"most": number})

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        if self._is_too_many():
            self._say_so()
            transport.abort()
            return
        self._wait()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self._is_asked():
            self._stop_waiting()
        elif self._hanging_up is None:
            self._wait()

    def pause_writing(self) -> None:
        super().pause_writing()
        self._wait_for_taking()

    def resume_writing(self) -> None:
        super().resume_writing()
        self._stop_giving_up()

    def connection_lost(self, exc: Exception | None) -> None:
        self._stop_waiting()
        self._stop_giving_up()
        super().connection_lost(exc)

    def shutdown(self) -> None:
        super().shutdown()
        if self.transport.is_closing():
            self.loop.call_later(GOODBYE_S, self.transport.abort)

    def _is_too_many(self) -> bool:
        if self.most is None:
            return False
        is_own = self.client is not None and is_loopback(self.client[0])
        return len(self.connections) > self.most + MARGIN + (RESERVE if is_own else 0)

    def _say_so(self) -> None:
        now_s = self.loop.time()
        if now_s - type(self)._said_at_s >= SAY_EVERY_S:
            type(self)._said_at_s = now_s
            says = "there are %d connections already ([api] connections = %d); more end without an answer"
            log.warning(says, len(self.connections) - 1, self.most)

    def _is_asked(self) -> bool:
        """Is there a request that is not answered yet?"""
        return self.cycle is not None and not self.cycle.response_complete

    def _wait(self) -> None:
        self._hanging_up = self.loop.call_later(HEAD_WITHIN_S, self._hang_up)

    def _stop_waiting(self) -> None:
        if self._hanging_up is not None:
            self._hanging_up.cancel()
            self._hanging_up = None

    def _stop_giving_up(self) -> None:
        if self._giving_up is not None:
            self._giving_up.cancel()
            self._giving_up = None

    def _wait_for_taking(self) -> None:
        self._giving_up = self.loop.call_later(TAKE_WITHIN_S, self._give_up, self._waiting())

    def _give_up(self, waited: tuple[int, int]) -> None:
        """Unless the other end has taken some of it since."""
        if self._waiting() != waited:
            self._wait_for_taking()
        else:
            self.transport.abort()

    def _waiting(self) -> tuple[int, int]:
        """Bytes that wait here, and in the socket: it takes none of ours before it has got rid of a good part
        of its own, which may be megabytes."""
        here = self.transport.get_write_buffer_size()
        in_socket = fcntl.ioctl(self.transport.get_extra_info("socket"), termios.TIOCOUTQ, bytes(4))
        return here, int.from_bytes(in_socket, sys.byteorder)

    def _hang_up(self) -> None:
        self._hanging_up = None
        if not self._is_asked():
            self.transport.close()
