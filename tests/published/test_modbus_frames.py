"""The Modbus source's bytes against published frames.

Sources, as collected in CHK-MOD-01 to CHK-MOD-04 of the project's reference checks:
- Modbus Application Protocol V1.1b3, read examples of sections 6.3 and 6.4: seen in the unit tests of a
  public C++ toolkit and in other public copies.
- Modbus Messaging on TCP/IP, the MBAP header examples: seen in the documentation of a public Rust library and
  on a web page with the request table.
- The limit of 125 registers, PDU 253 bytes, TCP frame 260 bytes: the specification, from memory.
"""

import asyncio

import pytest

from collector.errors import Refused
from collector.layouts.schema import RegisterBlock
from collector.sources.modbus import (
    LENGTH_MOST,
    REGISTERS_MOST,
    ModbusSource,
    fault_in,
    is_whole,
    part_sizes,
)
from tests.rigs import ScriptedServer

MBAP_SIZE = 7
PDU_MOST = 253
FRAME_MOST = 260


async def ask(unit: int, block: RegisterBlock, reply_pdu: bytes) -> tuple[list[bytes], bytes | Refused]:
    """The requests that the source sends for a block, and what it makes of this reply to each."""
    requests = []

    async def script(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            requests.append(request := await reader.readexactly(12))
            length = (1 + len(reply_pdu)).to_bytes(2, "big")
            writer.write(request[:4] + length + request[6:7] + reply_pdu)

    async with ScriptedServer(script) as server:
        async with ModbusSource(server.host, server.port, unit, 5.0, 5.0) as source:
            try:
                return requests, await source.read(block)
            except Refused as refused:
                return requests, refused


@pytest.mark.parametrize(
    ("table", "start", "size", "request_pdu", "reply_pdu", "data"),
    [
        ("holding", 107, 3, "03 006B 0003", "03 06 022B 0000 0064", "022B 0000 0064"),
        ("input", 8, 1, "04 0008 0001", "04 02 000A", "000A"),
    ],
    ids=["holding registers 108 to 110", "input register 9"],
)
async def test_the_published_read_examples_are_sent_and_understood(
    table: str, start: int, size: int, request_pdu: str, reply_pdu: str, data: str
) -> None:
    """CHK-MOD-01: request and response of the specification's own examples, byte by byte."""
    block = RegisterBlock(table=table, start=start, size=size)
    requests, answer = await ask(1, block, bytes.fromhex(reply_pdu))
    assert [request[MBAP_SIZE:] for request in requests] == [bytes.fromhex(request_pdu)]
    assert answer == bytes.fromhex(data)


async def test_the_published_values_stand_in_the_bytes() -> None:
    """CHK-MOD-01: the three registers are 555, 0 and 100."""
    block = RegisterBlock(table="holding", start=107, size=3)
    _, answer = await ask(1, block, bytes.fromhex("03 06 022B 0000 0064"))
    assert isinstance(answer, bytes)
    assert [int.from_bytes(answer[at : at + 2], "big") for at in (0, 2, 4)] == [555, 0, 100]


async def test_the_published_header_is_sent() -> None:
    """CHK-MOD-03: unit 255, one register from 4 on; all but the transaction, which counts from 1 here."""
    requests, answer = await ask(
        255, RegisterBlock(table="holding", start=4, size=1), bytes.fromhex("03 02 0005")
    )
    published = bytes.fromhex("1501 0000 0006 FF 03 0004 0001")
    assert [request[2:] for request in requests] == [published[2:]]
    assert answer == bytes.fromhex("0005")


@pytest.mark.parametrize(
    ("request_frame", "reply_frame"),
    [
        ("1501 0000 0006 FF 03 0004 0001", "1501 0000 0005 FF 03 02 0005"),
        ("0000 0000 0006 09 03 0004 0001", "0000 0000 0005 09 03 02 0005"),
        ("0002 0000 0006 01 03 0000 0001", "0002 0000 0003 01 83 02"),
    ],
    ids=["transaction 5377, unit 255", "transaction 0, unit 9", "exception"],
)
def test_the_published_frames_are_good_replies(request_frame: str, reply_frame: str) -> None:
    """CHK-MOD-03: the published response frames pass; the request of the exception example is constructed."""
    reply = bytes.fromhex(reply_frame)
    assert fault_in(reply, bytes.fromhex(request_frame)) is None
    assert is_whole(reply)


async def test_the_published_exception_code_is_an_illegal_data_address() -> None:
    """CHK-MOD-02: function code with bit 7 set, then code 2 (the published one is 81 02, for function 1)."""
    _, answer = await ask(1, RegisterBlock(table="holding", start=0, size=1), bytes.fromhex("83 02"))
    assert isinstance(answer, Refused)
    assert answer.code == "illegal data address"


async def test_no_request_asks_for_more_than_the_limit() -> None:
    """CHK-MOD-04: 125 registers at most in one request, so that a reply fits 253 and 260 bytes."""
    reply_pdu = bytes((3, 250)) + bytes(250)
    requests, answer = await ask(1, RegisterBlock(table="holding", start=0, size=125), reply_pdu)
    assert [request[8:] for request in requests] == [bytes.fromhex("0000 007D")]
    assert answer == bytes(250)
    assert max(part_sizes(10_000)) == REGISTERS_MOST == 125
    assert sum(part_sizes(10_000)) == 10_000
    assert len(reply_pdu) <= PDU_MOST
    assert len(reply_pdu) + MBAP_SIZE <= FRAME_MOST
    assert 2 + 2 * (REGISTERS_MOST + 1) + 1 > PDU_MOST - 2, (
        "one register more would still have to fit 253 bytes"
    )
    assert LENGTH_MOST == PDU_MOST + 1, "unit and PDU"
