"""Rigs that several tests share: scripted servers, a proxy that records, readers of what it recorded."""

import asyncio
from abc import ABC, abstractmethod
from collections.abc import Awaitable, Callable, Sequence
from contextlib import suppress
from types import TracebackType
from typing import Self

Script = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


class LoopbackServer(ABC):
    """A TCP server on loopback; `talk` serves each connection until it returns or the other end is gone."""

    def __init__(self) -> None:
        self.host = "127.0.0.1"
        self.port = 0
        self.connections = 0
        self._talks: dict[asyncio.Task[None], asyncio.StreamWriter] = {}
        self._failures: list[BaseException] = []

    @abstractmethod
    async def talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Serve one connection."""

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._serve, self.host, self.port)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._server.close()
        await self.hang_up()
        if self._failures and error is None:
            raise self._failures[0]

    async def hang_up(self) -> None:
        """End every connection without a goodbye."""
        for talk, writer in self._talks.items():
            writer.transport.abort()
            talk.cancel()
        await asyncio.gather(*self._talks, return_exceptions=True)

    async def until_left(self) -> None:
        """Wait until the other ends have closed every connection. Raises: TimeoutError: not within 5 s."""
        async with asyncio.timeout(5):
            await asyncio.gather(*self._talks, return_exceptions=True)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        talk = asyncio.create_task(self._talk_to_its_end(reader, writer))
        self._talks[talk] = writer
        # `hang_up` cancels the talk and not this task: asyncio's own callback can't take that on Python 3.11.
        await asyncio.wait({talk})
        del self._talks[talk]
        writer.close()
        if not talk.cancelled() and (failure := talk.exception()):
            self._failures.append(failure)

    async def _talk_to_its_end(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(asyncio.IncompleteReadError, ConnectionError):  # the other end has left
            await self.talk(reader, writer)


class ScriptedServer(LoopbackServer):
    """A server whose every connection runs one script."""

    def __init__(self, script: Script) -> None:
        super().__init__()
        self._script = script

    async def talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await self._script(reader, writer)


class RecordingProxy(LoopbackServer):
    """Passes bytes on in both directions and keeps them: what each connection sent, and what it got back."""

    def __init__(self, host: str, port: int) -> None:
        super().__init__()
        self._target = host, port
        self.sent: list[bytearray] = []
        """From the client, one entry a connection."""
        self.returned: list[bytearray] = []
        """From the server, one entry a connection."""
        self._passed = asyncio.Event()

    async def until(self, holds: Callable[[], bool]) -> None:
        """Wait until this holds, looked at whenever bytes passed. Raises: TimeoutError: after 5 s."""
        async with asyncio.timeout(5):
            while not holds():
                self._passed.clear()
                await self._passed.wait()

    async def talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        far_reader, far_writer = await asyncio.open_connection(*self._target)
        sent, returned = bytearray(), bytearray()
        self.sent.append(sent)
        self.returned.append(returned)
        ways = [
            asyncio.create_task(self._pass_on(reader, far_writer, sent)),
            asyncio.create_task(self._pass_on(far_reader, writer, returned)),
        ]
        try:
            await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for way in ways:
                way.cancel()
            await asyncio.gather(*ways, return_exceptions=True)
            far_writer.transport.abort()

    async def _pass_on(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, record: bytearray
    ) -> None:
        while data := await reader.read(65536):
            record += data
            writer.write(data)
            await writer.drain()
            self._passed.set()


# ---- reading a recording: own code, so that a client library's mistake can't hide itself -------------------

MODBUS_READS = {3, 4}
"""Read holding registers, read input registers (Modbus Application Protocol V1.1b3, sections 6.3 and 6.4)."""
S7_READS = {0xF0, 0x04}
"""Setup communication, read variable (S7 has no published standard; the codes are common practice)."""
MQTT_READS = {1, 4, 8, 12, 14}
"""CONNECT, PUBACK, SUBSCRIBE, PINGREQ, DISCONNECT (MQTT 3.1.1, section 2.2.1). PUBLISH is 3."""


def modbus_functions(sent: Sequence[bytes]) -> list[int]:
    """The function code of every request in the recordings of some Modbus TCP connections.

    Raises: ValueError: these bytes are not Modbus TCP.
    """
    functions = []
    for recording in sent:
        at = 0
        while len(recording) >= at + 8:
            protocol = int.from_bytes(recording[at + 2 : at + 4], "big")
            length = int.from_bytes(recording[at + 4 : at + 6], "big")
            if protocol != 0 or not 2 <= length <= 254:
                raise ValueError(
                    f"not a Modbus TCP header at byte {at}: {bytes(recording[at : at + 8]).hex(' ')}"
                )
            functions.append(recording[at + 7])
            at += 6 + length
    return functions


def s7_functions(sent: Sequence[bytes]) -> list[int]:
    """The function of every S7 job in the recordings; a PDU that is no job counts as 0x100 + its type.

    Raises: ValueError: these bytes are not S7 over ISO on TCP.
    """
    functions = []
    for recording in sent:
        at = 0
        while len(recording) >= at + 6:
            length = int.from_bytes(recording[at + 2 : at + 4], "big")
            if recording[at] != 3 or length < 7:
                raise ValueError(f"not a TPKT header at byte {at}: {bytes(recording[at : at + 6]).hex(' ')}")
            frame = recording[at : at + length]
            if (
                frame[5] & 0xF0 == 0xF0 and len(frame) > 17
            ):  # COTP data; the others open and close the connection
                job = frame[7] == 0x32 and frame[8] == 1
                functions.append(frame[17] if job else 0x100 + frame[8])
            at += length
    return functions


def mqtt_packet_types(sent: Sequence[bytes]) -> list[int]:
    """The control packet type of every packet in the recordings of some MQTT connections.

    Raises: ValueError: a remaining length of more than four bytes (MQTT 3.1.1, section 2.2.3).
    """
    types = []
    for recording in sent:
        at = 0
        while at < len(recording):
            types.append(recording[at] >> 4)
            size_bytes = 1
            while at + size_bytes < len(recording) and recording[at + size_bytes] & 0x80:
                size_bytes += 1
            if size_bytes > 4:
                raise ValueError(f"not an MQTT header at byte {at}: {bytes(recording[at : at + 6]).hex(' ')}")
            digits = recording[at + 1 : at + 1 + size_bytes]
            at += 1 + size_bytes + sum((digit & 0x7F) << (7 * place) for place, digit in enumerate(digits))
    return types


def all_but(allowed: set[int], seen: Sequence[int]) -> list[int]:
    """What of the seen is not allowed. Raises: ValueError: nothing was seen, so nothing would be proven."""
    if not seen:
        raise ValueError("the recording is empty")
    return [code for code in seen if code not in allowed]
