"""An S7 communication server in front of a simulated controller: reads data blocks, refuses everything else.

    TPKT   3, 0, length of all (2)                                                              (RFC 1006)
    COTP   length of the rest, type, ...: E0 connect -> D0 confirm, F0 data, 80 disconnect      (ISO 8073)
    S7     32, kind, 0, 0, reference (2), parameter length (2), data length (2)
           an answer (kind 3) has two more: error class, error code
           parameters begin with the function: F0 set up communication, 04 read variables, 05 write variables

Source: the protocol as the public S7 libraries describe it (from memory).
"""

import asyncio
import struct
from collections.abc import Callable
from datetime import datetime

from simulators.fronts.packing import Area, Map
from simulators.fronts.tcp import Request, TcpFront
from simulators.memory import Controller

REQUEST, ANSWER, USER_DATA = 1, 3, 7
SET_UP, READ, WRITE = 0xF0, 0x04, 0x05
WRITES = {WRITE, 0x1A, 0x1B, 0x1C, 0x28, 0x29}
"""Write variables, download (three steps), start, stop: what would change something in a controller."""
ADDRESS_ITEM = b"\x12\x0a\x10"
BYTE_SIZES = {2: 1, 3: 1, 4: 2, 5: 2, 6: 4, 7: 4, 8: 4}
"""Transport size of a request item (byte, char, word, int, dword, dint, real) -> bytes."""
DATA_BLOCKS = 0x84
IN_BITS = 4
"""Transport size of an answer item: its length is in bits."""
GOOD, NOT_ALLOWED, OUT_OF_RANGE, NO_TYPE, NO_OBJECT = 0xFF, 0x03, 0x05, 0x06, 0x0A
NOT_SUPPORTED = (0x81, 0x04)
TOO_LONG = (0x85, 0x00)
"""Error class and code of an answer as a whole."""


class S7Front(TcpFront):
    """Answers for one controller; every TSAP is welcome."""

    def __init__(
        self,
        controller: Controller,
        memory_map: Map,
        clock: Callable[[], datetime],
        host: str = "127.0.0.1",
        port: int = 0,
        pdu_length: int = 480,
    ) -> None:
        super().__init__(clock, host, port)
        self.controller = controller
        self.areas = {area.number: area for area in memory_map.areas}
        self.pdu_length = pdu_length
        """The longest S7 message that the controller agrees to, in bytes: 240, 480 or 960 in practice."""

    async def converse(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        agreed = self.pdu_length
        while True:
            frame = await self._frame(reader)
            if frame is None or len(frame) < 2 or frame[1] == 0x80:
                return
            if frame[1] == 0xE0:
                answer = _confirm(frame)
            elif frame[1] == 0xF0 and len(frame) > 3:
                s7, agreed = self.answer(frame[3:], agreed)
                answer = b"\x02\xf0\x80" + s7
            else:
                return
            writer.write(struct.pack(">BBH", 3, 0, 4 + len(answer)) + answer)
            await writer.drain()

    async def _frame(self, reader: asyncio.StreamReader) -> bytes | None:
        """One COTP message; None for what isn't TPKT."""
        version, _, length = struct.unpack(">BBH", await reader.readexactly(4))
        return await reader.readexactly(length - 4) if version == 3 and length > 4 else None

    def answer(self, message: bytes, agreed: int) -> tuple[bytes, int]:
        """(S7 answer, agreed PDU length) to an S7 request under the PDU length agreed so far."""
        _, kind, _, reference, size, _ = struct.unpack(">BBHHHH", message[:10])
        parameters = message[10 : 10 + size]
        if kind == USER_DATA or not parameters:
            self.other_requests += 1
            return _answer(reference, b"", b"", NOT_SUPPORTED), agreed
        function = parameters[0]
        if function == SET_UP:
            agreed = min(self.pdu_length, *struct.unpack(">H", parameters[6:8]))
            return _answer(reference, struct.pack(">BBHHH", SET_UP, 0, 1, 1, agreed), b""), agreed
        if function == READ:
            return self._read(reference, parameters, agreed), agreed
        self.requests.append(Request(function, 0, 0, 0))
        if function in WRITES:
            self.write_requests += 1
        else:
            self.other_requests += 1
        return _answer(reference, b"", b"", NOT_SUPPORTED), agreed

    def _read(self, reference: int, parameters: bytes, agreed: int) -> bytes:
        self.read_requests += 1
        items = [parameters[2 + 12 * i : 14 + 12 * i] for i in range(parameters[1])]
        data = b""
        for item in items:
            code, found = self._read_item(item)
            data += b"\0" * (len(data) % 2)  # items start at even bytes
            data += struct.pack(">BBH", code, IN_BITS if found else 0, 8 * len(found)) + found
        if 14 + len(data) > agreed:
            return _answer(reference, b"", b"", TOO_LONG)
        return _answer(reference, bytes((READ, len(items))), data)

    def _read_item(self, item: bytes) -> tuple[int, bytes]:
        """(return code, bytes) for one address."""
        if item[:3] != ADDRESS_ITEM:
            return NO_TYPE, b""
        size, count, db, area_code, address = struct.unpack(">BHHB3s", item[3:12])
        first, bits = divmod(int.from_bytes(address, "big"), 8)
        self.requests.append(Request(READ, db, first, count))
        if size not in BYTE_SIZES or bits:
            return NO_TYPE, b""
        length = count * BYTE_SIZES[size]
        area = self.areas.get(db) if area_code == DATA_BLOCKS else None
        if area is None:
            return NO_OBJECT, b""
        return self._bytes(area, first, length)

    def _bytes(self, area: Area, first: int, length: int) -> tuple[int, bytes]:
        if first + length > area.size or length == 0:
            return OUT_OF_RANGE, b""
        data = area.now(self.controller, self.clock())
        if data is None:
            return NOT_ALLOWED, b""
        return GOOD, data[first : first + length]


def _confirm(request: bytes) -> bytes:
    """COTP connection confirm: the other end's reference comes back, with its own parameters."""
    body = b"\xd0" + request[4:6] + b"\x00\x01\x00" + request[7:]
    return bytes((len(body),)) + body


def _answer(reference: int, parameters: bytes, data: bytes, error: tuple[int, int] = (0, 0)) -> bytes:
    head = struct.pack(">BBHHHHBB", 0x32, ANSWER, 0, reference, len(parameters), len(data), *error)
    return head + parameters + data
