"""Modbus TCP: holding and input registers, read only.

The library (pymodbus) connects, builds requests and parses replies, but takes a reply's word for it: a short,
mislabelled or stale reply comes back as success, a wrong byte count shows as a timeout. So every byte passes
`fault_in` before the library parses it (its `trace_packet` hook), and the first thing that can't be trusted
ends the connection.

A server that answers every request with transaction 0 leaves nothing in a reply that tells which request it
answers. What tells it then is the number of registers, and that replies come in the order of the requests: no
two requests in a row ask for the same number, and a block is handed over only once the answer to one request
more, the barrier, has come right behind it. Had an old answer been taken for a part of the block, the true
one would still be to come, and come where one of another size is due.

Source of the frames: Modbus Application Protocol V1.1b3 and Modbus Messaging on TCP/IP V1.0b.
"""

import asyncio
import itertools
import logging
import socket
import struct
import sys
from collections.abc import Sequence
from types import TracebackType
from typing import Self

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException
from pymodbus.pdu import ExceptionResponse

from collector.errors import BadReply, LinkDown, Refused, SourceError
from collector.layouts.schema import Block, RegisterBlock
from collector.sources.base import bounded

# Whatever goes wrong is raised as an error of ours; the library would log each once more, with frames.
logging.getLogger("pymodbus").setLevel(logging.CRITICAL)

ADDRESSES = 1 << 16
REGISTERS_MOST = 125
"""In one request: the reply's byte count has to fit 253 bytes of PDU."""
LENGTH_LEAST, LENGTH_MOST = 3, 254
"""The header's length of a reply: unit, function and at least one byte; unit and 253 bytes of PDU."""
REPLY = struct.Struct(">HHHBBB")
"""transaction 2 | protocol 2 | length 2 | unit 1 | function 1 | byte count (or exception code) 1"""
REQUEST = struct.Struct(">HHHBBHH")
"""transaction 2 | protocol 2 | length 2 | unit 1 | function 1 | start 2 | registers 2"""
BARRIERS = 16
"""Sizes of barriers."""
TURNS = itertools.count()
"""Barriers take their sizes in turn, over connections too: an old one's answer does not fit the next."""
EXCEPTION_BIT = 0x80
ANY_AMOUNT = 1 << 20
"""Bytes; more than one read of the socket can bring."""

CHECK_LINK = "check that it is switched on, its address, the cable, and how many clients it allows at a time"
CHECK_BETWEEN = "if it goes on, look for a gateway or a second client in between"

EXCEPTIONS = {
    1: ("illegal function", "This controller may offer the other register table; see `table` in the layout."),
    2: ("illegal data address", "Check `start` and `size` in the layout; registers count from 0."),
    3: (
        "illegal data value",
        "Check `size` in the layout; the controller may allow fewer registers at a time.",
    ),
    4: ("server device failure", "Look at the controller itself."),
    5: ("acknowledge", "The controller is still at work on something long; it will be asked again later."),
    6: ("server device busy", "Another client may keep the controller busy; it will be asked again later."),
    8: ("memory parity error", "Look at the controller itself."),
    10: ("gateway path unavailable", "Check the gateway's routing and the unit number in the site file."),
    11: ("gateway target device failed to respond", "Check the line behind the gateway and the unit number."),
}
"""Exception code -> its name in the specification (section 7), and what to do."""


def fault_in(
    received: bytes, asked: bytes | None, echoes_transaction_id: bool = True
) -> tuple[str, str] | None:
    """What is wrong with the bytes received so far; None while they can still be, or are, the one good reply.

    Args:
        received: all bytes since the last good reply.
        asked: the request frame that waits for an answer; None if none does.
        echoes_transaction_id: False allows transaction 0 beside the request's own.
    Returns: a kind of `BadReply`, and what was found.
    """
    if asked is None:
        return "shifted", f"{len(received)} bytes came that nobody asked for"
    if len(received) < 9:
        return None
    transaction, protocol, length, unit, function, count = REPLY.unpack_from(received)
    asked_transaction, _, _, asked_unit, asked_function, _, registers = REQUEST.unpack(asked)
    refused = function == asked_function | EXCEPTION_BIT
    size = 3 if refused else 3 + count
    trusted = {asked_transaction} if echoes_transaction_id else {asked_transaction, 0}
    rules = (
        (protocol != 0, "garbled", f"the header names protocol {protocol}, Modbus is 0"),
        (not LENGTH_LEAST <= length <= LENGTH_MOST, "garbled", f"the header states a length of {length}"),
        (transaction not in trusted, "shifted", f"it answers request {transaction}, not {asked_transaction}"),
        (unit != asked_unit, "mislabelled", f"it comes from unit {unit}, not {asked_unit}"),
        (
            not (refused or function == asked_function),
            "mislabelled",
            f"function {function}, not {asked_function}",
        ),
        (length != size, "garbled", f"the header states a length of {length}, the content makes it {size}"),
        (not refused and count < 2 * registers, "short", f"{count} bytes came for {registers} registers"),
        (not refused and count > 2 * registers, "long", f"{count} bytes came for {registers} registers"),
        (len(received) > 6 + length, "shifted", f"{len(received) - 6 - length} bytes came behind the reply"),
    )
    return next(((kind, says) for broken, kind, says in rules if broken), None)


def is_whole(received: bytes) -> bool:
    """True when a reply without fault has come to its end."""
    return len(received) >= 9 and len(received) == 6 + int.from_bytes(received[4:6], "big")


def part_sizes(registers: int) -> list[int]:
    """A block in requests of at most 125 registers, no two in a row of the same size."""
    sizes: list[int] = []
    while rest := registers - sum(sizes):
        before = sizes[-1] if sizes else 0
        size = min(rest, REGISTERS_MOST - (before == REGISTERS_MOST))
        sizes.append(size - (size == before))
    return sizes


def barrier_size(block_registers: int, last_part: int, turn: int) -> int:
    """Registers to ask for behind a block: some of its own, and not as many as in its last part."""
    fitting = [size for size in range(1, min(block_registers, BARRIERS) + 1) if size != last_part]
    return fitting[turn % len(fitting)] if fitting else 2


class ModbusSource:
    """One connection to one unit behind one Modbus TCP server.

    Args:
        unit_id: 0 to 255; a controller with an address of its own mostly answers to 1 or 255.
        request_timeout_s, connect_timeout_s: s; after either the connection is over.
        echoes_transaction_id: False for a server that answers every request with transaction 0. Each block
            then takes one small request more, the barrier (see above). What it can't tell is an old answer
            with, right behind it, that to an old barrier which by chance had the size of the new one. Leave
            it True where the server allows.
    """

    def __init__(
        self,
        host: str,
        port: int,
        unit_id: int,
        request_timeout_s: float,
        connect_timeout_s: float,
        *,
        echoes_transaction_id: bool = True,
    ) -> None:
        self._host = host
        self._port = port
        self._unit_id = unit_id
        self._request_timeout_s = request_timeout_s
        self._connect_timeout_s = connect_timeout_s
        self._echoes_transaction_id = echoes_transaction_id
        self._where = f"Modbus controller {host}:{port} unit {unit_id}"
        self._asked: bytes | None = None
        self._fault: SourceError | None = None

    async def __aenter__(self) -> Self:
        self._over = asyncio.get_running_loop().create_future()
        self._client = AsyncModbusTcpClient(
            self._host,
            port=self._port,
            retries=0,
            reconnect_delay=0,
            # one number in the library for connecting and answering; ours are outside and come first
            timeout=self._request_timeout_s + self._connect_timeout_s,
            trace_packet=self._watch,
            trace_connect=self._watch_link,
        )
        # The library drops a longer pile of bytes unseen; all of them must pass `_watch`.
        self._client.ctx.max_buffer_size = ANY_AMOUNT
        try:
            connected = await bounded(self._client.connect(), self._connect_timeout_s)
        except TimeoutError as error:
            raise self._end(LinkDown(self._silence(self._connect_timeout_s))) from error
        except BaseException:
            self._end(LinkDown(f"connecting to {self._where} was given up"))
            raise
        if not connected:
            raise self._end(LinkDown(f"{self._where} can't be reached (refused, or no route); {CHECK_LINK}"))
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._end(LinkDown(f"the connection to {self._where} was closed by us"))

    async def read(self, block: Block) -> bytes:
        """Read registers, high byte first, in requests of at most 125 registers.

        Raises: LinkDown, BadReply, Refused; after any of them, or a cancellation, the connection is over.
        """
        assert isinstance(block, RegisterBlock)
        sizes = part_sizes(block.size)
        starts = itertools.accumulate(sizes[:-1], initial=block.start)
        parts = [await self._read_part(block.table, at, size) for at, size in zip(starts, sizes, strict=True)]
        if not self._echoes_transaction_id:
            await self._pass_barrier(block, sizes[-1])
        return b"".join(parts)

    async def _read_part(self, table: str, start: int, count: int) -> bytes:
        registers = await self._ask(table, start, count)
        if isinstance(registers, ExceptionResponse):
            what = f"{table} registers {start} to {start + count - 1}"
            raise self._end(self._refusal(registers.exception_code, what))
        return struct.pack(f">{count}H", *registers)

    async def _pass_barrier(self, block: RegisterBlock, last_part: int) -> None:
        """Ask for some registers and look at none of them. A refusal will do: behind a block of one register
        there may be no second one.
        """
        size = barrier_size(block.size, last_part, next(TURNS))
        await self._ask(block.table, min(block.start, ADDRESSES - size), size)

    async def _ask(self, table: str, start: int, count: int) -> Sequence[int] | ExceptionResponse:
        if self._fault is not None:
            raise self._fault
        client = self._client
        request = client.read_holding_registers if table == "holding" else client.read_input_registers
        try:
            call = request(start, count=count, device_id=self._unit_id)
            reply = await bounded(call, self._request_timeout_s, self._over)
        except (TimeoutError, ModbusException) as error:
            raise self._end(BadReply("late", self._silence(self._request_timeout_s))) from error
        except BaseException:
            self._end(LinkDown(f"a request to {self._where} was given up before its answer"))
            raise
        if self._fault is not None:
            raise self._fault
        return reply if isinstance(reply, ExceptionResponse) else reply.registers

    def _watch(self, sending: bool, data: bytes) -> bytes:
        """The library's hook: bytes about to be sent, or all bytes received since the last whole frame."""
        if sending:
            self._asked = data
            return data
        if fault := fault_in(data, self._asked, self._echoes_transaction_id):
            kind, says = fault
            self._end(BadReply(kind, f"{self._where}: {says} ({data[:16].hex(' ')}); {CHECK_BETWEEN}"))
            return b""
        if is_whole(data):
            self._asked = None
        return data

    def _watch_link(self, up: bool) -> None:
        """The library's hook: the connection came up, or was lost."""
        if not up:
            self._end(LinkDown(f"{self._where} closed the connection; {CHECK_LINK}"))
        elif sys.platform == "linux":  # bytes that the other side's network stack never confirms end it too
            link = self._client.ctx.transport.get_extra_info("socket")
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, int(1000 * self._request_timeout_s))

    def _silence(self, waited_s: float) -> str:
        return f"{self._where} did not answer within {1000 * waited_s:g} ms; {CHECK_LINK}"

    def _refusal(self, code: int, what: str) -> Refused:
        name, advice = EXCEPTIONS.get(code, ("exception without a name", "See the maker's manual."))
        return Refused(name, f"{self._where} refused {what}: {name} (exception code {code}). {advice}")

    def _end(self, fault: SourceError) -> SourceError:
        """Close; the first cause is the one that stays, and that every later read raises."""
        if self._fault is None:
            self._fault = fault
            self._over.set_result(None)
            self._client.close()
        return self._fault
