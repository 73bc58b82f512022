"""The bad network does what it says, and nothing else."""

import asyncio
import socket
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from itertools import islice

import pytest

from simulators import network as network_module
from simulators.network import FAULTS, STRANGER, BadNetwork, Fault, bad_networks
from tests.rigs import LoopbackServer

REPLY = bytes(range(200))


class Answering(LoopbackServer):
    """Answers every byte by a whole reply, and keeps what it was sent."""

    def __init__(self) -> None:
        super().__init__()
        self.got = b""
        self.left = 0

    async def talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while byte := await reader.read(1):
            self.got += byte
            writer.write(REPLY)
        self.left += 1


class Client:
    """One connection through the network."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader = reader
        self.writer = writer

    async def ask(self) -> bytes:
        self.writer.write(b"?")
        return await self.whole()

    async def whole(self) -> bytes:
        async with asyncio.timeout(5):
            return await self.reader.readexactly(len(REPLY))

    async def is_silent(self) -> bool:
        """Nothing comes, not even an end."""
        try:
            async with asyncio.timeout(0.1):
                await self.reader.read(1)
        except TimeoutError:
            return True
        return False

    async def all_there_is(self) -> tuple[bytes, bool]:
        """Until the end; True: it was a reset."""
        got = b""
        async with asyncio.timeout(5):
            try:
                while data := await self.reader.read(1000):
                    got += data
            except ConnectionResetError:
                return got, True
        return got, False


@asynccontextmanager
async def through(network: BadNetwork) -> AsyncIterator[Client]:
    reader, writer = await asyncio.open_connection(network.host, network.port)
    try:
        yield Client(reader, writer)
    finally:
        writer.close()
        with suppress(ConnectionError):
            await writer.wait_closed()


async def test_a_good_network_passes_everything_on() -> None:
    """And an end is passed on as well."""
    async with Answering() as server, BadNetwork(server.port) as network:
        async with through(network) as client:
            assert [await client.ask() for _ in range(3)] == 3 * [REPLY]
        await server.until_left()
    assert (server.got, server.left) == (b"???", 1)


async def test_a_connection_that_lost_bytes_stays_open_and_silent() -> None:
    """Also once the network is good again, and neither end learns of the other's leaving; a new one works."""
    async with Answering() as server, BadNetwork(server.port) as network:
        async with through(network) as client, through(network) as other:
            await client.ask()
            await network.switch("drop")
            client.writer.write(b"?")
            assert await client.is_silent()
            await network.switch("good")
            client.writer.write(b"?")
            assert await client.is_silent()
            assert await other.ask() == REPLY, "it had lost nothing"
        async with through(network) as client:
            assert await client.ask() == REPLY
        assert server.got == b"???"
        assert server.left <= 2, "the server still has the connection that is half open"
    assert network.met["drop"] == 2


async def test_a_slow_network_keeps_the_order() -> None:
    """Every byte comes, later."""
    async with Answering() as server, BadNetwork(server.port) as network:
        await network.switch("delay")
        async with through(network) as client:
            assert [await client.ask() for _ in range(2)] == 2 * [REPLY]
    assert network.met["delay"] >= 4


async def what_came_of_the_last_reply(network: BadNetwork) -> bytes:
    """Ask until a reset. By a bare socket: asyncio's reader drops what came before a reset."""
    loop = asyncio.get_running_loop()
    got = b""
    with socket.create_connection((network.host, network.port)) as client, suppress(ConnectionResetError):
        client.setblocking(False)
        while True:
            got = b""
            await loop.sock_sendall(client, b"?")
            while got != REPLY:
                got += await loop.sock_recv(client, len(REPLY) - len(got))
    return got


async def test_a_cut_is_a_reset_at_any_byte() -> None:
    """Of a request or of a reply; mostly in the middle."""
    came = []
    async with Answering() as server:
        for seed in range(20):
            async with BadNetwork(server.port, seed) as network:
                await network.switch("cut")
                came.append(await what_came_of_the_last_reply(network))
    assert all(REPLY.startswith(each) for each in came)
    assert b"" in came
    assert len({len(each) for each in came if each}) >= 5


async def test_a_trickle_comes_byte_by_byte_and_whole() -> None:
    """The reader sees the beginning of a frame long before its end."""
    async with Answering() as server, BadNetwork(server.port) as network:
        async with through(network) as client:
            await client.ask()
            await network.switch("trickle")
            client.writer.write(b"?")
            begin = await client.reader.read(1000)
            assert 0 < len(begin) < network_module.TRICKLED
            assert begin + await client.reader.readexactly(len(REPLY) - len(begin)) == REPLY


async def test_a_reply_comes_twice_and_a_request_does_not() -> None:
    """The copy is whole, at once or later."""
    async with Answering() as server, BadNetwork(server.port) as network:
        await network.switch("duplicate")
        async with through(network) as client:
            for _ in range(4):
                client.writer.write(b"?")
                assert [await client.whole(), await client.whole()] == [REPLY, REPLY]
            assert await client.is_silent()
    assert server.got == b"????"


async def test_a_closed_port_refuses_and_comes_back() -> None:
    """Open connections are reset; afterwards the port is the same."""
    async with Answering() as server, BadNetwork(server.port) as network:
        async with through(network) as client:
            await client.ask()
            await network.switch("refuse")
            assert await client.all_there_is() == (b"", True)
        with pytest.raises(ConnectionRefusedError):
            await asyncio.open_connection(network.host, network.port)
        await network.switch("good")
        async with through(network) as client:
            assert await client.ask() == REPLY


async def test_a_stranger_answers_in_its_own_protocol() -> None:
    """Whatever is asked; the server behind hears nothing."""
    async with Answering() as server, BadNetwork(server.port) as network:
        await network.switch("stranger")
        async with through(network) as client:
            client.writer.write(b"?")
            assert await client.all_there_is() == (STRANGER, False)
    assert server.connections == 0


async def stretches(seed: int, monkeypatch: pytest.MonkeyPatch) -> list[Fault]:
    """The first faults of a network that wanders."""
    seen: list[Fault] = []
    enough = asyncio.Event()
    monkeypatch.setattr(network_module, "GOOD_S", (0.0, 0.0))
    monkeypatch.setattr(network_module, "BAD_S", (0.0, 0.0))

    async def note(fault: Fault) -> None:
        seen.append(fault)
        if len(seen) == 60:
            enough.set()

    network = BadNetwork(1, seed)
    monkeypatch.setattr(network, "switch", note)
    wandering = asyncio.create_task(network.wander())
    async with asyncio.timeout(5):
        await enough.wait()
    wandering.cancel()
    return list(islice(seen, 60))


async def test_the_same_seed_brings_the_same_faults(monkeypatch: pytest.MonkeyPatch) -> None:
    """Good and bad in turn, all kinds of bad, and another seed brings another order."""
    first = await stretches(1, monkeypatch)
    assert first == await stretches(1, monkeypatch)
    assert first != await stretches(2, monkeypatch)
    assert set(first[::2]) == {"good"}
    assert set(first[1::2]) == set(FAULTS)


async def test_each_of_several_networks_has_its_own_faults() -> None:
    """One goes bad while the other does not."""
    async with Answering() as server:
        ports = {"a": server.port, "b": server.port}
        async with bad_networks(ports, 3) as networks:
            assert len({network.port for network in networks.values()}) == 2
            holds: Callable[[], bool] = lambda: networks["a"].fault != networks["b"].fault  # noqa: E731
            async with asyncio.timeout(10):
                while not holds():  # noqa: ASYNC110
                    await asyncio.sleep(0.05)
