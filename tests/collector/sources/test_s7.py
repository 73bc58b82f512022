"""The S7 source hands over exactly what the data block holds, or an error and the connection's end."""

import asyncio
import socket
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st
from snap7.server import Server
from snap7.type import SrvArea

from collector.errors import BadReply, LinkDown, Refused, SourceError
from collector.layouts.schema import DataBlock
from collector.sources.s7 import S7Source, fault_in, refusal_in
from tests.rigs import RecordingProxy, ScriptedServer, s7_functions

BLOCK = DataBlock(db=100, start=2, size=6)
TRUE_DATA = bytes.fromhex("022b00000064")
WRONG_DATA = bytes.fromhex("dead dead dead")
PATIENT_S = 60.0
"""Longer than a test may take: an error that comes is prompt, not the timeout's."""
SHORT_S = 0.2

Frames = Callable[[bytes], list[bytes]]


def frame(payload: bytes) -> bytes:
    """TPKT around a COTP TPDU."""
    return struct.pack(">BBH", 3, 0, len(payload) + 4) + payload


def reply(request: bytes, data: bytes = TRUE_DATA, **other: int) -> bytes:
    """A read reply as a frame, to a request PDU; `other` replaces single fields of a true one."""
    item = struct.pack(
        ">BBH", other.get("code", 0xFF), other.get("transport", 4), other.get("bits", 8 * len(data))
    )
    parameters = bytes((other.get("function", 4), other.get("items", 1)))
    header = struct.pack(
        ">BBHHHHH",
        other.get("protocol", 0x32),
        other.get("type", 3),
        0,
        other.get("reference", int.from_bytes(request[4:6], "big")),
        len(parameters),
        other.get("data_size", len(item) + len(data)),
        0,
    )
    return frame(b"\x02\xf0\x80" + header + parameters + item + data)


def header_error(request: bytes, error: int) -> bytes:
    return frame(
        b"\x02\xf0\x80" + struct.pack(">BBH", 0x32, 2, 0) + request[4:6] + struct.pack(">HHH", 0, 0, error)
    )


def setup_reply(request: bytes, pdu_size: int) -> bytes:
    parameters = struct.pack(">BBHHH", 0xF0, 0, 1, 1, pdu_size)
    header = struct.pack(">BBH", 0x32, 3, 0) + request[4:6] + struct.pack(">HHH", len(parameters), 0, 0)
    return frame(b"\x02\xf0\x80" + header + parameters)


async def next_tpdu(reader: asyncio.StreamReader) -> bytes:
    _, _, length = struct.unpack(">BBH", await reader.readexactly(4))
    return await reader.readexactly(length - 4)


async def send(writer: asyncio.StreamWriter, chunks: list[bytes]) -> None:
    for chunk in chunks:
        writer.write(chunk)
        await writer.drain()
        await asyncio.sleep(0)  # lets a chunk go out alone


def reset(writer: asyncio.StreamWriter) -> None:
    link = writer.get_extra_info("socket")
    link.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    writer.transport.abort()


def controller_that(*answers: Frames, pdu_size: int = 480) -> ScriptedServer:
    """A controller that opens the connection properly, answers one read after another, and then is silent."""

    async def script(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await next_tpdu(reader)
        await send(writer, [frame(b"\x06\xd0\x00\x01\x00\x01\x00")])
        await send(writer, [setup_reply((await next_tpdu(reader))[3:], pdu_size)])
        for answer in answers:
            await send(writer, answer((await next_tpdu(reader))[3:]))
        await reader.read()  # until the client leaves

    return ScriptedServer(script)


def source_at(server: ScriptedServer, request_timeout_s: float = PATIENT_S) -> S7Source:
    return S7Source(server.host, server.port, 0, 1, request_timeout_s, 5.0)


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
    Row("four bytes for six", lambda r: [reply(r, WRONG_DATA[:4])], BadReply, "short"),
    Row("no byte at all", lambda r: [reply(r, b"")], BadReply, "short"),
    Row("seven bytes for six", lambda r: [reply(r, WRONG_DATA + b"\0")], BadReply, "long"),
    Row("another function", lambda r: [reply(r, WRONG_DATA, function=0xF0)], BadReply, "mislabelled"),
    Row("a request for a reply", lambda r: [reply(r, WRONG_DATA, type=1)], BadReply, "mislabelled"),
    Row("another kind of PDU", lambda r: [reply(r, WRONG_DATA, type=7)], BadReply, "mislabelled"),
    Row("another reference", lambda r: [reply(r, WRONG_DATA, reference=9)], BadReply, "shifted"),
    Row("one answer behind", lambda r: [reply(r, WRONG_DATA, reference=2)], BadReply, "shifted"),
    Row(
        "a surplus reply before", lambda r: [reply(r, WRONG_DATA, reference=2), reply(r)], BadReply, "shifted"
    ),
    Row("text for a header", lambda r: [b"login: \r\npassword: "], BadReply, "garbled"),
    Row("a TPKT too small", lambda r: [b"\x03\x00\x00\x04"], BadReply, "garbled"),
    Row(
        "a COTP type that carries no data",
        lambda r: [frame(b"\x02\xe0\x80" + bytes(20))],
        BadReply,
        "garbled",
    ),
    Row("no PDU in the frame", lambda r: [frame(b"\x02\xf0\x80")], BadReply, "garbled"),
    Row("another protocol", lambda r: [reply(r, WRONG_DATA, protocol=0x72)], BadReply, "garbled"),
    Row("a data size too high", lambda r: [reply(r, WRONG_DATA, data_size=200)], BadReply, "garbled"),
    Row("a data size too low", lambda r: [reply(r, WRONG_DATA, data_size=8)], BadReply, "garbled"),
    Row("an item size too high", lambda r: [reply(r, WRONG_DATA, bits=64)], BadReply, "garbled"),
    Row("an item size too low", lambda r: [reply(r, WRONG_DATA, bits=32)], BadReply, "garbled"),
    Row("two items", lambda r: [reply(r, WRONG_DATA, items=2)], BadReply, "garbled"),
    Row("an unknown transport size", lambda r: [reply(r, WRONG_DATA, transport=0x55)], BadReply, "garbled"),
    Row("no item", lambda r: [setup_reply(r, 480)], BadReply, "mislabelled"),
    Row("cut in mid-frame, then silence", lambda r: [reply(r)[:-1]], BadReply, "late", SHORT_S),
    Row("cut in mid-header, then silence", lambda r: [reply(r)[:3]], BadReply, "late", SHORT_S),
    Row("silence", lambda r: [], BadReply, "late", SHORT_S),
]


@pytest.mark.parametrize("row", DISTRUSTED, ids=lambda row: row.name)
async def test_an_answer_that_cant_be_trusted_is_an_error_and_the_end(row: Row) -> None:
    """Whatever a controller answers, wrong data is never handed over, and the connection is over."""
    async with (
        controller_that(truth, row.answer, truth) as server,
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


@pytest.mark.parametrize("code", [0x01, 0x03, 0x05, 0x06, 0x07, 0x0A])
async def test_a_refused_item_names_the_block_and_the_three_settings(code: int) -> None:
    """A return code is the controller's "no"; the error says which settings of the CPU to check."""

    def refuses(request: bytes) -> list[bytes]:
        return [reply(request, b"", code=code, transport=0, bits=0)]

    async with controller_that(refuses) as server, source_at(server) as source:
        with pytest.raises(Refused, match="DB 100, bytes 2 to 7") as caught:
            await source.read(BLOCK)
        for setting in ("PUT/GET", "optimised block access of DB 100", "absolute address"):
            assert setting in str(caught.value)
        assert f"{code:#04x}" in caught.value.code
        with pytest.raises(Refused):
            await source.read(BLOCK)
        await server.until_left()


async def test_an_error_in_the_header_is_a_refusal() -> None:
    """A CPU that does not permit the service says so in the header, without data."""
    async with controller_that(lambda r: [header_error(r, 0x8104)]) as server, source_at(server) as source:
        with pytest.raises(Refused, match="PUT/GET") as caught:
            await source.read(BLOCK)
        assert "0x8104" in caught.value.code


async def test_a_reply_in_single_bytes_is_read() -> None:
    """A frame that arrives byte by byte is a good frame."""

    def in_bytes(request: bytes) -> list[bytes]:
        return [bytes((byte,)) for byte in reply(request)]

    async with controller_that(in_bytes, in_bytes) as server, source_at(server) as source:
        assert await source.read(BLOCK) == TRUE_DATA
        assert await source.read(BLOCK) == TRUE_DATA


async def test_a_late_answer_is_never_taken_for_another() -> None:
    """After a timeout the connection is over, so the answer that comes late has nobody to go to."""
    async with controller_that(lambda r: [], lambda r: [reply(r, WRONG_DATA)]) as server:
        async with source_at(server, SHORT_S) as source:
            with pytest.raises(BadReply, match=r"late reply.*did not answer within 200 ms"):
                await source.read(BLOCK)
            with pytest.raises(BadReply):
                await source.read(BLOCK)


async def test_a_second_copy_of_an_answer_ends_the_connection() -> None:
    """A copy that comes behind an answer is met by the next read, which does not take it."""
    async with controller_that(lambda r: [reply(r) + reply(r, WRONG_DATA)], truth) as server:
        async with source_at(server) as source:
            assert await source.read(BLOCK) == TRUE_DATA
            with pytest.raises(BadReply) as caught:
                await source.read(BLOCK)
            assert caught.value.kind == "shifted"


async def test_a_lost_connection_is_told_at_once() -> None:
    """A request whose connection is closed by the controller does not wait for its timeout."""

    async def script(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await next_tpdu(reader)
        await send(writer, [frame(b"\x06\xd0\x00\x01\x00\x01\x00")])
        await send(writer, [setup_reply((await next_tpdu(reader))[3:], 480)])
        await next_tpdu(reader)

    async with ScriptedServer(script) as server, source_at(server) as source:
        with pytest.raises(LinkDown, match="closed the connection"):
            await source.read(BLOCK)


async def test_a_cancelled_read_is_cancelled_and_the_end() -> None:
    """`asyncio.timeout` around a read raises TimeoutError, and the connection can't be used any more."""
    async with controller_that(lambda r: [reply(r)[:-1]]) as server, source_at(server) as source:
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.05):
                await source.read(BLOCK)
        with pytest.raises(LinkDown, match="given up"):
            await source.read(BLOCK)
        await server.until_left()


async def test_a_connection_that_was_left_is_over() -> None:
    """Leaving the source closes it for good."""
    async with controller_that(truth) as server:
        async with source_at(server) as source:
            pass
        await server.until_left()
        with pytest.raises(LinkDown, match="closed by us"):
            await source.read(BLOCK)


# ---- connecting --------------------------------------------------------------------------------------------


async def test_no_controller_at_the_address_is_a_link_that_is_down(unused_tcp_port: int) -> None:
    """A refused connection is LinkDown and says what to check."""
    with pytest.raises(LinkDown, match=f"127.0.0.1:{unused_tcp_port}.*check that it is switched on"):
        async with S7Source("127.0.0.1", unused_tcp_port, 0, 1, 1.0, 1.0):
            pytest.fail("connected to nothing")


@pytest.mark.parametrize(
    ("greetings", "error", "kind"),
    [
        ([], LinkDown, None),
        ([b"login: \r\n"], BadReply, "garbled"),
        ([frame(b"\x06\x80\x00\x01\x00\x01\x03")], Refused, None),
        ([frame(b"\x06\x70\x00\x01\x00\x01\x00")], BadReply, "garbled"),
        ([frame(b"\x06\xd0\x00\x01\x00\x01\x00")], LinkDown, None),
        ([frame(b"\x06\xd0\x00\x01\x00\x01\x00"), b"login: \r\n"], BadReply, "garbled"),
        (
            [frame(b"\x06\xd0\x00\x01\x00\x01\x00"), header_error(bytes((0, 0, 0, 0, 0, 1)), 0x8104)],
            Refused,
            None,
        ),
        ([frame(b"\x06\xd0\x00\x01\x00\x01\x00"), reply(bytes((0, 0, 0, 0, 0, 1)))], BadReply, "mislabelled"),
        ([frame(b"\x06\xd0\x00\x01\x00\x01\x00"), setup_reply(bytes(6), 480)], BadReply, "shifted"),
    ],
    ids=[
        "silence",
        "text",
        "a COTP refusal",
        "a COTP error",
        "silence at the setup",
        "text at the setup",
        "a refused setup",
        "another answer to the setup",
        "an answer to another setup",
    ],
)
async def test_a_controller_that_opens_wrongly_is_an_error(
    greetings: list[bytes], error: type[SourceError], kind: str | None
) -> None:
    """Only a connection that was opened and set up properly is entered; all others are closed."""

    async def script(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        for greeting in greetings:
            await next_tpdu(reader)
            await send(writer, [greeting])
        await reader.read()

    async with ScriptedServer(script) as server:
        with pytest.raises(error) as caught:
            async with S7Source(server.host, server.port, 0, 1, 1.0, SHORT_S):
                pytest.fail("entered a connection that was not set up")
        assert getattr(caught.value, "kind", None) == kind
        await server.until_left()


async def test_a_refused_connection_names_the_reason_and_what_to_check() -> None:
    """Where there is no CPU at that rack and slot, a person must look: it is no garbled answer."""

    async def script(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await next_tpdu(reader)
        await send(writer, [frame(b"\x06\x80\x00\x01\x00\x01\x03")])
        await reader.read()

    async with ScriptedServer(script) as server:
        with pytest.raises(
            Refused, match=r"rack 0 slot 1 refused .*address unknown.*`rack` and `slot`"
        ) as caught:
            async with source_at(server):
                pytest.fail("entered a connection that was refused")
    assert caught.value.code == "address unknown (reason 3)"


@pytest.mark.parametrize("after", range(3), ids=["at once", "after the request", "after the confirmation"])
@pytest.mark.parametrize("how", ["closed", "reset"])
async def test_a_connection_that_ends_while_it_is_opened_is_a_link_that_is_down(after: int, how: str) -> None:
    """Some controllers refuse a wrong rack or slot by closing, so that is named among the things to check."""

    async def script(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if after > 0:
            await next_tpdu(reader)
        if after > 1:
            await send(writer, [frame(b"\x06\xd0\x00\x01\x00\x01\x00")])
            await next_tpdu(reader)
        if how == "reset":
            reset(writer)

    async with ScriptedServer(script) as server:
        with pytest.raises(LinkDown) as caught:
            async with source_at(server):
                pytest.fail("entered a connection that was not set up")
    if (after, how) == (1, "closed"):
        assert "check `rack` and `slot`" in str(caught.value)


async def test_a_reset_in_mid_frame_is_a_link_that_is_down() -> None:
    """And no garbled answer."""

    async def script(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await next_tpdu(reader)
        await send(writer, [frame(b"\x06\xd0\x00\x01\x00\x01\x00")])
        await send(writer, [setup_reply((await next_tpdu(reader))[3:], 480)])
        await send(writer, [reply((await next_tpdu(reader))[3:])[:20]])
        reset(writer)

    async with ScriptedServer(script) as server, source_at(server) as source:
        with pytest.raises(LinkDown, match="closed the connection"):
            await source.read(BLOCK)


# ---- against an independent server -------------------------------------------------------------------------

HELD = bytes(n % 251 for n in range(3000))


@pytest.fixture
def independent_port(unused_tcp_port: int) -> Iterator[int]:
    """The library's own server with one data block."""
    server = Server(log=False)
    server.register_area(SrvArea.DB, 102, bytearray(HELD))
    server.start_to("127.0.0.1", unused_tcp_port)
    yield unused_tcp_port
    server.stop()


@pytest.mark.parametrize(("start", "size"), [(0, 1), (10, 942), (0, 943), (1, 2010), (0, 3000)])
async def test_a_block_of_any_size_comes_whole(independent_port: int, start: int, size: int) -> None:
    """What does not fit one PDU is several requests, put together without a seam."""
    async with S7Source("127.0.0.1", independent_port, 0, 1, 5.0, 5.0) as source:
        assert await source.read(DataBlock(db=102, start=start, size=size)) == HELD[start : start + size]


async def test_an_independent_server_that_refuses_is_understood(independent_port: int) -> None:
    """A data block that does not exist is refused, and the error names it."""
    async with S7Source("127.0.0.1", independent_port, 0, 1, 5.0, 5.0) as source:
        with pytest.raises(Refused, match="DB 7, bytes 0 to 9"):
            await source.read(DataBlock(db=7, start=0, size=10))


async def test_the_largest_pdu_and_a_basic_connection_are_asked_for(independent_port: int) -> None:
    """The connection does not take the programmer's slot, asks for 960 bytes, and says goodbye."""
    async with RecordingProxy("127.0.0.1", independent_port) as proxy:
        async with S7Source(proxy.host, proxy.port, 1, 2, 5.0, 5.0) as source:
            await source.read(DataBlock(db=102, start=0, size=4))
        await proxy.until_left()
    sent = bytes(proxy.sent[0])
    assert bytes((0xC2, 2, 3, 1 << 5 | 2)) in sent[:22], "called TSAP: connection type 3, rack 1, slot 2"
    assert sent[22 + 17 :][:8] == struct.pack(">BBHHH", 0xF0, 0, 1, 1, 960), "setup communication"
    assert sent[-12:-6] == bytes((3, 0, 0, 12, 6, 0x80)), "COTP disconnect request"
    assert s7_functions(proxy.sent) == [0xF0, 0x04]


async def test_nothing_of_a_connection_goes_on_after_it_was_left(independent_port: int) -> None:
    """Leaving waits for the goodbye: no task is left behind."""
    before = asyncio.all_tasks()
    async with S7Source("127.0.0.1", independent_port, 0, 1, 5.0, 5.0) as source:
        await source.read(DataBlock(db=102, start=0, size=4))
    assert asyncio.all_tasks() == before


async def test_each_request_fits_the_pdu_that_was_granted() -> None:
    """A controller that grants 240 bytes is asked for 222 at a time, as bytes of the data block."""
    asked = []

    def answer(request: bytes) -> list[bytes]:
        transport, size, db, area = struct.unpack(">BHHB", request[15:21])
        start = int.from_bytes(request[21:24], "big") // 8
        asked.append((transport, db, area, start, size))
        return [reply(request, HELD[start : start + size])]

    async with controller_that(answer, answer, answer, pdu_size=240) as server, source_at(server) as source:
        assert await source.read(DataBlock(db=101, start=5, size=500)) == HELD[5:505]
    assert asked == [(2, 101, 0x84, 5, 222), (2, 101, 0x84, 227, 222), (2, 101, 0x84, 449, 56)]


# ---- the check itself, without a socket --------------------------------------------------------------------

GOOD = reply(bytes((0, 0, 0, 0, 0, 5)))[7:]
CHANGES_NOTHING = {2, 3, 13, 15, 16, 17}
"""Reserved bytes, and those that the library checks: item count, transport size, item size."""


@given(at=st.integers(0, 17), value=st.integers(0, 255))
def test_a_change_in_any_byte_of_the_header_is_seen(at: int, value: int) -> None:
    """No byte of the header that we look at can be other than it should, unless as a refusal."""
    pdu = bytearray(GOOD)
    pdu[at] = value
    passes = fault_in(bytes(pdu), 5, 6) is None and refusal_in(bytes(pdu), 6) is None
    assert passes == (pdu == GOOD or at in CHANGES_NOTHING or (at == 1 and value == 2))


@given(st.binary(max_size=60))
def test_arbitrary_bytes_never_pass(pdu: bytes) -> None:
    """Bytes that are no S7 reply are a fault."""
    if not pdu.startswith(b"\x32"):
        assert fault_in(pdu, 5, 6) is not None
