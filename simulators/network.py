"""A bad network: a TCP proxy on loopback in front of any server of the plant.

It stands for whatever lies between a collector and a controller: a loose cable, a switch that restarts, a
gateway that stores and repeats, a second device at the same address. One fault at a time, switched by hand
or by dice:

    good        every byte is passed on as it comes
    drop        bytes are swallowed in both directions; a connection that lost some stays open and silent for
                good (half-open), also when one end has left
    delay       each chunk waits up to `LATE_S`; their order stays
    cut         one chunk in two, a request or a reply, is cut at any byte and the connection reset
    trickle     the first `TRICKLED` bytes of a chunk come one by one with pauses, the rest behind them
    duplicate   what the server sent comes twice, the copy at once or up to `LATE_S` later
    refuse      the port is closed, connections are reset
    stranger    something else has the address: connections are reset, new ones get an HTTP answer

A chunk is what one read of the socket brings: on loopback a whole reply of a server that answers one
request after the other. TCP itself never repeats bytes; a gateway that does repeats whole replies. Protocols
without a checksum can't tell a reply half of which came twice from a true one, so that is not among the
faults.
"""

import asyncio
import socket
import struct
from collections import Counter
from collections.abc import AsyncIterator, Mapping
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from dataclasses import dataclass, field
from random import Random
from types import TracebackType
from typing import Literal, NoReturn, Self, get_args

Fault = Literal["good", "drop", "delay", "cut", "trickle", "duplicate", "refuse", "stranger"]
FAULTS: tuple[Fault, ...] = get_args(Fault)[1:]

CHUNK = 65536
LATE_S = 0.7
"""Beyond the time that an example layout gives a request, so that some answers come too late."""
CUT_SHARE = 0.5
TRICKLED = 60
TRICKLE_PAUSE_S = 0.01
GOOD_S = (0.5, 2.0)
BAD_S = (0.2, 1.5)
"""Stretches of a network that wanders."""
STRANGER = b"HTTP/1.1 400 Bad Request\r\nContent-Length: 0\r\nConnection: close\r\n\r\n"


@dataclass(eq=False, slots=True)
class Way:
    """One direction of a connection."""

    reader: asyncio.StreamReader
    writer: asyncio.StreamWriter
    is_reply: bool
    turn: asyncio.Lock = field(default_factory=asyncio.Lock)
    """A chunk goes out whole: a late copy does not fall into the middle of another."""
    copies: set[asyncio.Task[None]] = field(default_factory=set)


@dataclass(eq=False, slots=True)
class Connection:
    """A client's connection with the one to the server behind it."""

    ways: tuple[Way, ...]
    silent: bool = False
    """It has lost bytes; nothing comes through any more."""

    def reset(self) -> None:
        """End both sides without a goodbye (RST)."""
        for way in self.ways:
            with suppress(OSError):  # closed already
                link = way.writer.get_extra_info("socket")
                link.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            way.writer.transport.abort()


class BadNetwork:
    """The way to one server: `async with BadNetwork(port) as network:`, then clients use `network.port`.

    Args:
        target_port: of the server, on loopback.
        seed: the same one brings the same stretches of faults, see `wander`.
    """

    def __init__(self, target_port: int, seed: int = 0) -> None:
        self.host = "127.0.0.1"
        self.port = 0
        self.fault: Fault = "good"
        self.connections = 0
        self.met: Counter[Fault] = Counter()
        """How many chunks or new connections met each fault."""
        self._target_port = target_port
        self._stretches, self._dice = Random(f"{seed} stretches"), Random(f"{seed} bytes")
        self._server: asyncio.Server | None = None
        self._open: dict[asyncio.Task[None], Connection | None] = {}

    async def __aenter__(self) -> Self:
        # Bound all the time, and not listening: nobody else gets the port while it is closed.
        self._kept = socket.socket()
        self._kept.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._kept.bind((self.host, 0))
        self.port = self._kept.getsockname()[1]
        await self.switch("good")
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.switch("refuse")
        self._kept.close()

    async def switch(self, fault: Fault) -> None:
        """From now on this is what happens to every chunk and connection."""
        self.fault = fault
        if fault == "refuse" and self._server is not None:
            self._server.close()
            self._server = None
        if fault in ("refuse", "stranger"):
            await self._hang_up()
        if fault != "refuse" and self._server is None:
            self._server = await asyncio.start_server(self._accept, self.host, self.port)

    async def wander(self) -> NoReturn:
        """Good and bad stretches in turn until cancelled."""
        while True:
            await self.switch("good")
            await asyncio.sleep(self._stretches.uniform(*GOOD_S))
            await self.switch(self._stretches.choice(FAULTS))
            await asyncio.sleep(self._stretches.uniform(*BAD_S))

    async def _hang_up(self) -> None:
        for task, connection in list(self._open.items()):
            if connection is not None:
                connection.reset()
            task.cancel()
        await asyncio.gather(*self._open, return_exceptions=True)

    # ---- connections -----------------------------------------------------------------------------

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        # `_hang_up` cancels a task of ours and not this one: asyncio's own callback can't take that on 3.11.
        task = asyncio.create_task(self._converse(reader, writer))
        self._open[task] = None
        await asyncio.wait({task})
        del self._open[task]
        writer.transport.abort()

    async def _converse(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self.fault == "refuse":  # it was accepted in the very moment of the switch
            return
        if self.fault == "stranger":
            self.met["stranger"] += 1
            await self._answer_as_stranger(reader, writer)
            return
        try:
            far_reader, far_writer = await asyncio.open_connection(self.host, self._target_port)
        except OSError:
            return
        ways = (Way(reader, far_writer, is_reply=False), Way(far_reader, writer, is_reply=True))
        connection = Connection(ways)
        task = asyncio.current_task()
        assert task is not None
        self._open[task] = connection
        try:
            await asyncio.gather(*(self._pass_on(connection, way) for way in ways))
        finally:
            for copy in (copy for way in ways for copy in way.copies):
                copy.cancel()
            far_writer.transport.abort()

    async def _answer_as_stranger(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(ConnectionError):
            if await reader.read(CHUNK):
                writer.write(STRANGER)
                writer.close()
                await writer.wait_closed()

    async def _pass_on(self, connection: Connection, way: Way) -> None:
        with suppress(ConnectionError):
            while data := await way.reader.read(CHUNK):
                await self._pass_chunk(connection, way, data)
        if self.fault == "drop" or connection.silent:
            connection.silent = True  # the other end learns nothing of it
            return
        for each in connection.ways:
            each.writer.close()

    async def _pass_chunk(self, connection: Connection, way: Way, data: bytes) -> None:
        fault = "drop" if connection.silent else self.fault
        self.met[fault] += 1
        match fault:
            case "drop":
                connection.silent = True
                return
            case "delay":
                await asyncio.sleep(self._dice.uniform(0.0, LATE_S))
            case "cut" if self._dice.random() < CUT_SHARE:
                await self._send(way, data[: self._dice.randrange(len(data) + 1)])
                connection.reset()
                return
            case "trickle":
                await self._trickle(way, data)
                return
            case "duplicate" if way.is_reply:
                self._copy_later(way, data)
        await self._send(way, data)

    async def _send(self, way: Way, data: bytes) -> None:
        async with way.turn:
            if not way.writer.is_closing():
                way.writer.write(data)
                await way.writer.drain()

    async def _trickle(self, way: Way, data: bytes) -> None:
        async with way.turn:
            for byte in data[:TRICKLED]:
                if way.writer.is_closing():
                    return
                way.writer.write(bytes((byte,)))
                await asyncio.sleep(self._dice.uniform(0.0, TRICKLE_PAUSE_S))
            way.writer.write(data[TRICKLED:])
            await way.writer.drain()

    def _copy_later(self, way: Way, data: bytes) -> None:
        late_s = self._dice.choice((0.0, self._dice.uniform(0.0, LATE_S)))

        async def copy() -> None:
            await asyncio.sleep(late_s)
            with suppress(ConnectionError):
                await self._send(way, data)

        task = asyncio.create_task(copy())
        way.copies.add(task)
        task.add_done_callback(way.copies.discard)


@asynccontextmanager
async def bad_networks(ports: Mapping[str, int], seed: int) -> AsyncIterator[dict[str, BadNetwork]]:
    """A wandering network of its own in front of each port; leaves all of them."""
    async with AsyncExitStack() as stack:
        networks = {
            name: await stack.enter_async_context(BadNetwork(port, seed + number))
            for number, (name, port) in enumerate(ports.items())
        }
        wandering = [asyncio.create_task(each.wander()) for each in networks.values()]
        try:
            yield networks
        finally:
            for task in wandering:
                task.cancel()
            for ended in await asyncio.gather(*wandering, return_exceptions=True):
                if isinstance(ended, Exception):
                    raise ended
