"""S7 communication (ISO on TCP): data blocks, read only.

The library (python-snap7) connects, builds requests and parses replies. It skips a stale reply, calls itself
alive after a garbage header and has one class of error for "no such block" and "wrong length"; so each reply
passes `fault_in` before the library parses it, and anything but a good reply ends the connection. Its client
could also change a controller: it never leaves this file.

Source of the frames: RFC 1006 and ISO 8073 for TPKT and COTP; S7 itself has no published standard, its codes
are those that python-snap7 3.3 lists.
"""

import asyncio
import logging
import struct
from collections.abc import Awaitable, Callable
from types import TracebackType
from typing import Any, Self

from snap7.async_client import AsyncClient, AsyncISOTCPConnection
from snap7.error import S7Error, S7TimeoutError, get_protocol_error_message
from snap7.s7protocol import S7Function, S7PDUType, S7Protocol, get_return_code_description

from collector.errors import BadReply, LinkDown, Refused, SourceError
from collector.layouts.schema import Block, DataBlock
from collector.sources.base import Answer, bounded

# It tells of every connection and every stale reply; our errors do so already.
logging.getLogger("snap7").setLevel(logging.ERROR)

log = logging.getLogger(__name__)

PDU_WANTED = 960
"""Bytes; what the largest controllers grant. Others answer with less, often 240."""
READ_OVERHEAD = 18
"""Bytes of a read reply that are not data: header 12, parameters 2, item header 4."""
S7_BASIC = 3
"""Connection type; 1 would take the slot that the programmer's laptop needs, and there may be only one."""
CLOSE_TIMEOUT_S = 1.0
PROTOCOL_ID = 0x32
ANSWERS = (S7PDUType.ACK, S7PDUType.ACK_DATA)
ITEM_OK = b"\xff"
HEADER = struct.Struct(">BBHHHHH")
"""protocol 1 | type 1 | reserved 2 | reference 2 | parameter bytes 2 | data bytes 2 | error 2"""
ITEM_AT = HEADER.size + 2
"""Behind the header and the two parameter bytes: return code 1 | transport size 1 | length 2 | data."""

DISCONNECT_REASONS = {
    0: "reason not specified",
    1: "congestion",
    2: "nothing is attached to that address",
    3: "address unknown",
    128: "normal disconnect",
    129: "congestion when the connection was asked for",
    130: "negotiation failed",
    133: "protocol error",
    136: "connection refused",
}
"""Of a COTP disconnect request (RFC 905, section 13.5.3; from memory)."""

CHECK_BETWEEN = "if it goes on, look for a gateway in between"
CHECK_PLACE = "check `rack` and `slot` in the site file"
CHECK_LINK = "check that it is switched on, its address, the cable, and how many connections it has free"


def fault_in(pdu: bytes, reference: int, size: int | None) -> tuple[str, str] | None:
    """What makes a reply one that can't be trusted; None for a good one and for a plain refusal.

    Args:
        reference: the number that the request carried.
        size: bytes asked for; None where the reply is to the setup of the connection.
    Returns: a kind of `BadReply`, and what was found.
    """
    if len(pdu) < HEADER.size:
        return "garbled", f"it has {len(pdu)} bytes, its header alone has {HEADER.size}"
    protocol, kind, _, answered, parameter_size, data_size, error = HEADER.unpack_from(pdu)
    function = S7Function.SETUP_COMMUNICATION if size is None else S7Function.READ_AREA
    stated = HEADER.size + parameter_size + data_size
    wanted = size or 0
    came = len(pdu) - ITEM_AT - 4 if size and pdu[ITEM_AT : ITEM_AT + 1] == ITEM_OK else wanted
    rules = (
        (
            protocol != PROTOCOL_ID,
            "garbled",
            f"its header names protocol {protocol:#x}, not {PROTOCOL_ID:#x}",
        ),
        (kind not in ANSWERS, "mislabelled", f"it is of type {kind}, which is no answer"),
        (answered != reference, "shifted", f"it answers request {answered}, not {reference}"),
        (stated != len(pdu), "garbled", f"its header states {stated} bytes, it has {len(pdu)}"),
        (
            not error and pdu[12:13] != bytes([function]),
            "mislabelled",
            f"it is not for function {function:#x}",
        ),
        (came < wanted, "short", f"{came} bytes came for {wanted}"),
        (came > wanted, "long", f"{came} bytes came for {wanted}"),
    )
    return next(((kind, says) for broken, kind, says in rules if broken), None)


def refusal_in(pdu: bytes, size: int | None) -> str | None:
    """The controller's "no" in a reply without fault, in words and with its code; None if it said yes."""
    error = int.from_bytes(pdu[10:12], "big")
    if error:
        return f"{get_protocol_error_message(error)} (error {error:#06x})"
    item = pdu[ITEM_AT : ITEM_AT + 1]
    if size is None or item in (ITEM_OK, b""):
        return None
    return f"{get_return_code_description(item[0])} (return code {item[0]:#04x})"


class _CheckedTransport(AsyncISOTCPConnection):
    """The library's transport; it tells a "no" and a lost connection from bytes that make no sense.

    A controller without a CPU at that rack and slot answers the connection request with a disconnect request
    (DR), or just closes the connection, which one without a free connection does as well.
    """

    def __init__(self, where: str, host: str, port: int, local_tsap: int, remote_tsap: int) -> None:
        super().__init__(host, port, local_tsap, remote_tsap)
        self._where = where

    async def _recv_exact(self, size: int) -> bytes:
        advice = CHECK_LINK if self.connected else f"{CHECK_PLACE}; {CHECK_LINK}"
        try:
            return await super()._recv_exact(size)
        except S7TimeoutError:
            raise
        except S7Error as error:
            raise LinkDown(f"{self._where} closed the connection ({error}); {advice}") from error

    def _parse_cotp_cc(self, data: bytes) -> None:
        if data[1:2] == bytes((self.COTP_DR,)):
            code = data[6] if len(data) > 6 else 0
            reason = f"{DISCONNECT_REASONS.get(code, 'reason without a name')} (reason {code})"
            raise Refused(reason, f"{self._where} refused the connection: {reason}; {CHECK_PLACE}")
        super()._parse_cotp_cc(data)


class _CheckedProtocol(S7Protocol):
    """The library's coder; every reply is looked at before it is parsed."""

    def __init__(self, check: Callable[[bytes], None]) -> None:
        super().__init__()
        self._check = check

    def parse_response(self, pdu: bytes) -> dict[str, Any]:
        self._check(pdu)
        return super().parse_response(pdu)


class S7Source:
    """One connection to one controller with S7 communication.

    Args:
        rack, slot: where the CPU sits; 0 and 1 for compact controllers, 0 and 2 for some modular ones.
        request_timeout_s, connect_timeout_s: s; after either the connection is over.
    """

    def __init__(
        self, host: str, port: int, rack: int, slot: int, request_timeout_s: float, connect_timeout_s: float
    ) -> None:
        self._host = host
        self._port = port
        self._rack = rack
        self._slot = slot
        self._request_timeout_s = request_timeout_s
        self._connect_timeout_s = connect_timeout_s
        self._where = f"S7 controller {host}:{port} rack {rack} slot {slot}"
        self._asked: DataBlock | None = None
        self._fault: SourceError | None = None

    async def __aenter__(self) -> Self:
        # A fresh client each time: the length that was granted overwrites the one to ask for.
        self._client = AsyncClient()
        self._protocol = self._client.protocol = _CheckedProtocol(self._check)
        self._client.pdu_length = PDU_WANTED
        await self._answer_to(self._connect(), self._connect_timeout_s)
        log.info("%s granted PDUs of %d bytes", self._where, self._client.pdu_length)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._end(LinkDown(f"the connection to {self._where} was closed by us"))

    async def read(self, block: Block) -> bytes:
        """Read bytes of a data block, each request within one PDU.

        Raises: LinkDown, BadReply, Refused; after any of them, or a cancellation, the connection is over.
        """
        assert isinstance(block, DataBlock)
        most = min(self._client.pdu_length, PDU_WANTED) - READ_OVERHEAD
        starts = range(0, block.size, most)
        return b"".join([await self._read_part(block.part(at, min(most, block.size - at))) for at in starts])

    async def _connect(self) -> None:
        """What the library's own `connect` does, over a transport that knows a refusal."""
        called = S7_BASIC << 8 | self._rack << 5 | self._slot
        transport = _CheckedTransport(self._where, self._host, self._port, self._client.local_tsap, called)
        self._client.connection = transport
        await transport.connect()
        await self._client._setup_communication()
        self._client.connected = True

    async def _read_part(self, part: DataBlock) -> bytes:
        if self._fault is not None:
            raise self._fault
        self._asked = part
        reading = self._client.db_read(part.db, part.start, part.size)
        return bytes(await self._answer_to(reading, self._request_timeout_s))

    async def _answer_to(self, call: Awaitable[Answer], most_s: float) -> Answer:
        try:
            return await bounded(call, most_s)
        except (TimeoutError, S7Error, SourceError) as error:
            cause = self._cause_of(error, most_s)
            await self._end(cause)
            if cause is error:
                raise
            raise cause from error
        except BaseException:
            await self._end(LinkDown(f"a request to {self._where} was given up before its answer"))
            raise

    def _check(self, pdu: bytes) -> None:
        size = self._asked.size if self._asked else None
        if fault := fault_in(pdu, self._protocol.sequence, size):
            kind, says = fault
            raise BadReply(kind, f"{self._where}: {says} ({pdu[:24].hex(' ')}); {CHECK_BETWEEN}")
        if words := refusal_in(pdu, size):
            raise Refused(words, self._refusal(words))

    def _refusal(self, words: str) -> str:
        """A "no" with the three settings of a CPU that are behind nearly all of them."""
        if self._asked is None:
            return (
                f"{self._where} refused the connection's setup: {words}. Check `rack` and `slot` in the site."
            )
        db, first, last = self._asked.db, self._asked.start, self._asked.start + self._asked.size - 1
        return (
            f"{self._where} refused DB {db}, bytes {first} to {last}: {words}. Check that DB {db} exists and "
            f"is that long, and in the CPU's configuration: PUT/GET communication from remote partners is "
            f"permitted; optimised block access of DB {db} is off (turning it off re-initialises the block); "
            f"the protection level allows reading by absolute address."
        )

    def _cause_of(self, error: TimeoutError | S7Error | SourceError, most_s: float) -> SourceError:
        """The one map from the library's errors to ours."""
        behind = error.__context__
        if isinstance(error, SourceError):
            return error
        if isinstance(behind, SourceError):  # the library wraps what `_check` raises while it connects
            return behind
        if isinstance(error, (TimeoutError, S7TimeoutError)):
            says = f"{self._where} did not answer within {1000 * most_s:g} ms; {CHECK_LINK}"
            return LinkDown(says) if self._asked is None else BadReply("late", says)
        if isinstance(behind, (OSError, EOFError)):
            return LinkDown(
                f"{self._where} can't be reached or closed the connection ({error}); {CHECK_LINK}"
            )
        return BadReply(
            "garbled", f"{self._where}: {error}; check that this is the address of an S7 controller"
        )

    async def _end(self, fault: SourceError) -> None:
        """Close, saying goodbye so that the controller's slot is free at once; the first cause is the one
        that stays."""
        if self._fault is None:
            self._fault = fault
            # In a task of its own: a cancellation that comes meanwhile leaves no socket open.
            self._closing = asyncio.ensure_future(self._client.disconnect())
            await asyncio.wait({self._closing}, timeout=CLOSE_TIMEOUT_S)
