"""The Modbus source hands over exactly what the controller holds, or an error and the connection's end."""

import asyncio
import socket
import struct
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from itertools import pairwise
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from collector.errors import BadReply, LinkDown, Refused, SourceError
from collector.layouts.schema import RegisterBlock
from collector.sources.modbus import ModbusSource, barrier_size, fault_in, is_whole, part_sizes
from tests.rigs import ScriptedServer

UNIT = 7
BLOCK = RegisterBlock(table="holding", start=107, size=3)
TRUE_DATA = bytes.fromhex("022b00000064")
WRONG_DATA = bytes.fromhex("dead dead dead")
PATIENT_S = 60.0
"""Longer than a test may take: an error that comes is prompt, not the timeout's."""
SHORT_S = 0.2

Frames = Callable[[bytes], list[bytes]]


def reply(request: bytes, data: bytes = TRUE_DATA, **other: int) -> bytes:
    """A reply frame to a request frame; `other` replaces single fields of a true one."""
    transaction = other.get("transaction", int.from_bytes(request[:2], "big"))
    protocol = other.get("protocol", 0)
    length = other.get("length", 3 + len(data))
    unit, function = other.get("unit", request[6]), other.get("function", request[7])
    header = transaction.to_bytes(2, "big") + protocol.to_bytes(2, "big") + length.to_bytes(2, "big")
    return header + bytes((unit, function, other.get("count", len(data)))) + data


def refusal(request: bytes, code: int, function: int = 0x83) -> bytes:
    return request[:4] + b"\x00\x03" + bytes((request[6], function, code))


def server_that(*answers: Frames) -> ScriptedServer:
    """A server that answers the first request by the first, the second by the second; then it is silent."""

    async def script(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        for answer in answers:
            for chunk in answer(await reader.readexactly(12)):
                writer.write(chunk)
                await writer.drain()
                await asyncio.sleep(0)  # lets a chunk go out alone
        await reader.read()  # until the client leaves

    return ScriptedServer(script)


def source_at(server: ScriptedServer, request_timeout_s: float = PATIENT_S, **other: bool) -> ModbusSource:
    return ModbusSource(server.host, server.port, UNIT, request_timeout_s, 5.0, **other)


def truth(request: bytes) -> list[bytes]:
    return [reply(request)]


@dataclass(frozen=True)
class Row:
    name: str
    answer: Frames
    error: type[SourceError]
    kind: str | None = None
    request_timeout_s: float = PATIENT_S


DISTRUSTED = [
    Row("two registers for three", lambda r: [reply(r, WRONG_DATA[:4])], BadReply, "short"),
    Row("no register at all", lambda r: [reply(r, b"")], BadReply, "short"),
    Row("four registers for three", lambda r: [reply(r, WRONG_DATA + b"\0\0")], BadReply, "long"),
    Row("a byte more than asked", lambda r: [reply(r, WRONG_DATA + b"\0")], BadReply, "long"),
    Row("another function", lambda r: [reply(r, WRONG_DATA, function=4)], BadReply, "mislabelled"),
    Row("an unknown function", lambda r: [reply(r, WRONG_DATA, function=0x55)], BadReply, "mislabelled"),
    Row("refusal of another function", lambda r: [refusal(r, 2, 0x84)], BadReply, "mislabelled"),
    Row("another unit", lambda r: [reply(r, WRONG_DATA, unit=8)], BadReply, "mislabelled"),
    Row("another transaction", lambda r: [reply(r, WRONG_DATA, transaction=9)], BadReply, "shifted"),
    Row("transaction 0", lambda r: [reply(r, WRONG_DATA, transaction=0)], BadReply, "shifted"),
    Row("one answer behind", lambda r: [reply(r, WRONG_DATA, transaction=1)], BadReply, "shifted"),
    Row("two replies at once", lambda r: [reply(r) + reply(r, WRONG_DATA)], BadReply, "shifted"),
    Row("a reply and then another", lambda r: [reply(r), reply(r, WRONG_DATA)], BadReply, "shifted"),
    Row("a long pile of replies", lambda r: [reply(r) + 90 * reply(r, WRONG_DATA)], BadReply, "shifted"),
    Row("a refusal and a reply", lambda r: [refusal(r, 6) + reply(r, WRONG_DATA)], BadReply, "shifted"),
    Row("another protocol", lambda r: [reply(r, WRONG_DATA, protocol=1)], BadReply, "garbled"),
    Row("text for a header", lambda r: [b"login: \r\npassword: "], BadReply, "garbled"),
    Row("a length of nothing", lambda r: [reply(r, WRONG_DATA, length=0)], BadReply, "garbled"),
    Row("a length beyond any frame", lambda r: [reply(r, WRONG_DATA, length=65535)], BadReply, "garbled"),
    Row("a byte count too high", lambda r: [reply(r, WRONG_DATA, count=200)], BadReply, "garbled"),
    Row("a byte count too low", lambda r: [reply(r, WRONG_DATA, count=4)], BadReply, "garbled"),
    Row("a header length too low", lambda r: [reply(r, WRONG_DATA, length=7)], BadReply, "garbled"),
    Row(
        "a refusal with a tail",
        lambda r: [r[:4] + b"\0\5" + bytes((UNIT, 0x83, 2, 0, 0))],
        BadReply,
        "garbled",
    ),
    Row("cut in mid-frame, then silence", lambda r: [reply(r)[:-1]], BadReply, "late", SHORT_S),
    Row("cut in mid-header, then silence", lambda r: [reply(r)[:5]], BadReply, "late", SHORT_S),
    Row("silence", lambda r: [], BadReply, "late", SHORT_S),
]


@pytest.mark.parametrize("row", DISTRUSTED, ids=lambda row: row.name)
async def test_an_answer_that_cant_be_trusted_is_an_error_and_the_end(row: Row) -> None:
    """Whatever a server answers, wrong data is never handed over, and the connection is over."""
    async with (
        server_that(truth, row.answer, truth) as server,
        source_at(server, row.request_timeout_s) as source,
    ):
        assert await source.read(BLOCK) == TRUE_DATA
        with pytest.raises(row.error) as caught:
            await source.read(BLOCK)
        assert getattr(caught.value, "kind", None) == row.kind
        assert f"{server.host}:{server.port}" in str(caught.value)
        with pytest.raises(row.error):
            await source.read(BLOCK)
        await server.until_left()
        assert server.connections == 1


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (1, "illegal function"),
        (2, "illegal data address"),
        (3, "illegal data value"),
        (4, "server device failure"),
        (5, "acknowledge"),
        (6, "server device busy"),
        (8, "memory parity error"),
        (10, "gateway path unavailable"),
        (11, "gateway target device failed to respond"),
        (99, "exception without a name"),
    ],
)
async def test_a_refusal_names_its_code_and_the_registers(code: int, words: str) -> None:
    """An exception reply is the controller's "no", in the specification's words, and the end."""
    async with server_that(lambda r: [refusal(r, code)]) as server, source_at(server) as source:
        with pytest.raises(Refused, match="holding registers 107 to 109") as caught:
            await source.read(BLOCK)
        assert caught.value.code == words
        assert f"exception code {code}" in str(caught.value)
        with pytest.raises(Refused):
            await source.read(BLOCK)


async def test_a_reply_in_single_bytes_is_read() -> None:
    """A frame that arrives byte by byte is a good frame."""

    def in_bytes(request: bytes) -> list[bytes]:
        return [bytes((byte,)) for byte in reply(request)]

    async with server_that(in_bytes, in_bytes) as server, source_at(server) as source:
        assert await source.read(BLOCK) == TRUE_DATA
        assert await source.read(BLOCK) == TRUE_DATA


async def test_a_late_answer_is_never_taken_for_another() -> None:
    """After a timeout the connection is over, so the answer that comes late has nobody to go to."""
    asked_twice = asyncio.Event()

    async def script(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        request = await reader.readexactly(12)
        await asked_twice.wait()
        writer.write(reply(request, WRONG_DATA))
        await reader.read()

    async with ScriptedServer(script) as server, source_at(server, SHORT_S) as source:
        with pytest.raises(BadReply, match=r"late reply.*did not answer within 200 ms"):
            await source.read(BLOCK)
        asked_twice.set()
        with pytest.raises(BadReply):
            await source.read(BLOCK)


async def test_bytes_that_nobody_asked_for_end_the_connection() -> None:
    """A second copy of an answer, sent after the first was taken, is seen before the next answer is."""
    send_copy: asyncio.Future[Callable[[], None]] = asyncio.get_running_loop().create_future()

    async def script(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        request = await reader.readexactly(12)
        send_copy.set_result(lambda: writer.write(reply(request, WRONG_DATA)))
        writer.write(reply(request))
        await reader.read()

    async with ScriptedServer(script) as server, source_at(server) as source:
        assert await source.read(BLOCK) == TRUE_DATA
        send_copy.result()()  # in the socket at once, and not yet looked at when the next read begins
        with pytest.raises(BadReply) as caught:
            await source.read(BLOCK)
        assert caught.value.kind == "shifted"


# ---- servers that answer every request with transaction 0 --------------------------------------------------

Copies = Callable[[int], list[int]]
"""Number of a request, from 0 -> numbers of earlier requests whose answers come once more with its own."""


def none(number: int) -> list[int]:
    return []


def zero_server(before: Copies = none, after: Copies = none) -> ScriptedServer:
    """Each register holds the number of the request, so that an answer tells what it answers. Old answers
    come when a request has been received, before or after its own: the worst moment."""

    async def script(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        replies: list[bytes] = []
        while True:
            request = await reader.readexactly(12)
            number, count = len(replies), int.from_bytes(request[10:], "big")
            replies.append(reply(request, count * number.to_bytes(2, "big"), transaction=0))
            for each in (*before(number), number, *after(number)):
                writer.write(replies[each])
                await writer.drain()
                await asyncio.sleep(0)  # lets it go out alone

    return ScriptedServer(script)


async def read_until_distrusted(server: ScriptedServer, block: RegisterBlock, most: int = 12) -> int:
    """How many blocks were handed over; each of them holds the answers to its own requests."""
    taken = 0
    requests = len(part_sizes(block.size)) + 1
    async with source_at(server, 2.0, echoes_transaction_id=False) as source:
        try:
            for taken in range(most):
                truth = b"".join(
                    size * (taken * requests + part).to_bytes(2, "big")
                    for part, size in enumerate(part_sizes(block.size))
                )
                assert await source.read(block) == truth
        except BadReply:
            return taken
    return most


BLOCKS = [
    RegisterBlock(table="holding", start=start, size=size)
    for start, size in ((107, 3), (0, 1), (65535, 1), (0, 2), (0, 125), (0, 126), (0, 250), (0, 605))
]


@pytest.mark.parametrize("block", BLOCKS, ids=lambda block: f"{block.size} from {block.start}")
async def test_a_server_without_transaction_ids_is_read_when_told_so(block: RegisterBlock) -> None:
    """`echoes_transaction_id=False` takes answers with transaction 0, of blocks of any size."""
    async with zero_server() as server:
        assert await read_until_distrusted(server, block) == 12


@pytest.mark.parametrize("block", BLOCKS, ids=lambda block: f"{block.size} from {block.start}")
@pytest.mark.parametrize("late", range(1, 8))
@pytest.mark.parametrize("first", ["the old answer", "the new answer"])
async def test_an_answer_that_comes_twice_is_never_taken_for_another(
    block: RegisterBlock, late: int, first: str
) -> None:
    """A server without transaction identifiers repeats each answer, some requests late: nothing old is handed
    over, and the connection ends."""

    def copies(number: int) -> list[int]:
        return [number - late] if number >= late else []

    when = {"the old answer": "before", "the new answer": "after"}[first]
    async with zero_server(**{when: copies}) as server:
        assert await read_until_distrusted(server, block) < 12


@pytest.mark.parametrize("seed", range(8))
async def test_no_mixture_of_old_answers_is_handed_over(seed: int) -> None:
    """Any old answer at any moment, at most one with each new one."""
    dice = Random(seed)

    def copies(number: int) -> list[int]:
        return [dice.randrange(number)] if number and dice.random() < 0.2 else []

    def either(number: int) -> bool:
        return dice.random() < 0.5

    for _ in range(25):
        sides = [copies, none] if either(0) else [none, copies]
        async with zero_server(*sides) as server:
            await read_until_distrusted(server, dice.choice(BLOCKS))


@pytest.mark.parametrize("behind", range(1, 8))
async def test_a_server_that_stays_behind_is_not_believed(behind: int) -> None:
    """From its fifteenth answer on it answers each by the answer to an older one."""

    async def script(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        replies: list[bytes] = []
        while request := await reader.readexactly(12):
            number, size = len(replies), int.from_bytes(request[10:], "big")
            replies.append(reply(request, size * number.to_bytes(2, "big"), transaction=0))
            writer.write(replies[number if number < 14 else number - behind])

    async with ScriptedServer(script) as server:
        assert await read_until_distrusted(server, BLOCKS[4]) == 7


async def test_a_server_that_answers_an_old_connection_on_a_new_one_is_not_believed() -> None:
    """A gateway that queues: what the last connection asked for and did not wait for comes first."""
    kept: list[bytes] = []

    async def script(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while request := await reader.readexactly(12):
            value = b"\0\1" if server.connections == 1 else b"\0\2"
            kept.append(reply(request, int.from_bytes(request[10:], "big") * value, transaction=0))
            writer.write(kept[-1] if server.connections == 1 else kept.pop(0))

    async with ScriptedServer(script) as server:
        async with source_at(server, echoes_transaction_id=False) as source:
            assert await source.read(BLOCK) == 3 * b"\0\1"
        async with source_at(server, echoes_transaction_id=False) as source:
            with pytest.raises(BadReply):
                await source.read(BLOCK)


async def test_a_barrier_that_is_refused_is_one() -> None:
    """Behind a block of one register there may be no other."""

    async def script(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while request := await reader.readexactly(12):
            one = request[10:] == b"\0\1"
            writer.write(reply(request, b"\0\7", transaction=0) if one else refusal(b"\0\0" + request[2:], 2))

    async with ScriptedServer(script) as server, source_at(server, echoes_transaction_id=False) as source:
        for _ in range(3):
            assert await source.read(RegisterBlock(table="holding", start=9, size=1)) == b"\0\7"


@given(st.integers(1, 2000), st.integers(0, 1000))
def test_no_two_requests_in_a_row_ask_for_the_same_number(registers: int, turn: int) -> None:
    """Neither the parts of a block nor the last part and the barrier; and the barrier stays in the block."""
    sizes = part_sizes(registers)
    assert sum(sizes) == registers
    assert all(1 <= size <= 125 for size in sizes)
    assert all(one != next_one for one, next_one in pairwise(sizes))
    barrier = barrier_size(registers, sizes[-1], turn)
    assert barrier != sizes[-1]
    assert barrier <= max(registers, 2)


async def test_a_lost_connection_is_told_at_once() -> None:
    """A request whose connection is closed by the server does not wait for its timeout."""

    async def script(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readexactly(12)

    async with ScriptedServer(script) as server, source_at(server, PATIENT_S) as source:
        with pytest.raises(LinkDown, match="closed the connection"):
            await source.read(BLOCK)


async def test_a_cancelled_read_is_cancelled_and_the_end() -> None:
    """`asyncio.timeout` around a read raises TimeoutError, and the connection can't be used any more."""
    async with server_that() as server, source_at(server) as source:
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.05):
                await source.read(BLOCK)
        with pytest.raises(LinkDown, match="given up"):
            await source.read(BLOCK)


async def test_no_server_at_the_address_is_a_link_that_is_down(unused_tcp_port: int) -> None:
    """A refused connection is LinkDown and says what to check."""
    with pytest.raises(LinkDown, match=f"127.0.0.1:{unused_tcp_port}.*check that it is switched on"):
        async with ModbusSource("127.0.0.1", unused_tcp_port, UNIT, 1.0, 1.0):
            pytest.fail("connected to nothing")


async def test_bytes_that_nobody_confirms_end_the_connection_where_the_system_can_do_so() -> None:
    """On Linux a cable that was pulled is noticed by the network stack too."""
    option = getattr(socket, "TCP_USER_TIMEOUT", None)
    async with server_that() as server, source_at(server, 0.5) as source:
        link = source._client.ctx.transport.get_extra_info("socket")
        assert option is None or link.getsockopt(socket.IPPROTO_TCP, option) == 500


async def test_a_connection_that_was_left_is_over() -> None:
    """Leaving the source closes it for good."""
    async with server_that(truth) as server:
        async with source_at(server) as source:
            pass
        with pytest.raises(LinkDown, match="closed by us"):
            await source.read(BLOCK)


# ---- against an independent server -------------------------------------------------------------------------


@pytest.fixture
async def independent_port() -> AsyncIterator[int]:
    """The library's own server: registers 0 to 299 hold their number, 300 upwards do not exist."""
    held = SimData(0, values=list(range(300)), datatype=DataType.REGISTERS)
    server = ModbusTcpServer(SimDevice(UNIT, simdata=[held]), address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    yield server.transport.sockets[0].getsockname()[1]
    await server.shutdown()


@pytest.mark.parametrize("table", ["holding", "input"])
@pytest.mark.parametrize(("start", "size"), [(0, 1), (0, 125), (0, 126), (3, 250), (0, 300), (299, 1)])
@pytest.mark.parametrize("echoes", [True, False], ids=["plain", "with a barrier"])
async def test_a_block_of_any_size_comes_whole(
    independent_port: int, table: str, start: int, size: int, echoes: bool
) -> None:
    """More than 125 registers are several requests, put together without a seam."""
    async with ModbusSource(
        "127.0.0.1", independent_port, UNIT, 5.0, 5.0, echoes_transaction_id=echoes
    ) as source:
        block = RegisterBlock(table=table, start=start, size=size)
        assert await source.read(block) == b"".join(n.to_bytes(2, "big") for n in range(start, start + size))


async def test_an_independent_server_that_refuses_is_understood(independent_port: int) -> None:
    """Registers that don't exist are an illegal data address."""
    async with ModbusSource("127.0.0.1", independent_port, UNIT, 5.0, 5.0) as source:
        with pytest.raises(Refused) as caught:
            await source.read(RegisterBlock(table="holding", start=298, size=4))
        assert caught.value.code == "illegal data address"


# ---- the check itself, without a socket --------------------------------------------------------------------

REQUEST = bytes.fromhex("0001 0000 0006 07 03 006b 0003")
GOOD = reply(REQUEST)


@given(
    header=st.tuples(
        st.sampled_from([0, 1, 2]), st.sampled_from([0, 1]), st.sampled_from([0, 2, 3, 4, 8, 9, 10, 300])
    ),
    labels=st.tuples(
        st.sampled_from([6, 7]), st.sampled_from([3, 4, 0x83, 0x84]), st.sampled_from([2, 4, 6, 7, 8])
    ),
    data=st.sampled_from([b"", b"\0", 4 * b"\0", 6 * b"\0", 7 * b"\0", 8 * b"\0", 15 * b"\0"]),
)
def test_no_frame_but_the_right_one_passes(
    header: tuple[int, int, int], labels: tuple[int, int, int], data: bytes
) -> None:
    """Of all frames nearly right, the one reply passes, and a refusal of this very function."""
    received = struct.pack(">HHHBBB", *header, *labels) + data
    passes = fault_in(received, REQUEST) is None and is_whole(received)
    is_reply = header == (1, 0, 9) and labels == (7, 3, 6) and len(data) == 6
    is_refusal = header == (1, 0, 3) and labels[:2] == (7, 0x83) and data == b""
    assert passes == (is_reply or is_refusal)


@given(st.integers(0, 8), st.integers(0, 255))
def test_a_change_in_any_byte_of_the_header_is_a_fault_or_a_refusal(at: int, value: int) -> None:
    """No single byte of the header can be other than it should."""
    received = bytearray(GOOD)
    received[at] = value
    assert (fault_in(bytes(received), REQUEST) is None) == (bytes(received) == GOOD)


@given(st.integers(0, len(GOOD) - 1))
def test_the_beginning_of_a_good_reply_is_no_fault_and_not_whole(size: int) -> None:
    """A frame that is still coming is waited for."""
    assert fault_in(GOOD[:size], REQUEST) is None
    assert not is_whole(GOOD[:size])
