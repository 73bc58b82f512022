"""A Modbus TCP server in front of a simulated controller: reads, and refuses everything else.

    MBAP header   transaction (2), protocol 0 (2), length of what follows (2), unit (1)
    PDU           function code (1), data
    read          3 holding or 4 input registers: first register (2), number (2) -> byte count (1), registers
    refusal       function code | 0x80 (1), exception code (1)

Source: Modbus Application Protocol V1.1b3 and Modbus Messaging on TCP/IP (from memory).
"""

import asyncio
import struct
from collections.abc import Callable
from datetime import datetime

from simulators.fronts.packing import Area, Map
from simulators.fronts.tcp import Request, TcpFront
from simulators.memory import Controller

READS = {3: "holding", 4: "input"}
WRITES = {5, 6, 15, 16, 21, 22, 23}
"""Write coil(s), register(s), file record, mask, read/write: what would change something in a controller."""
REGISTERS_MOST = 125
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, BUSY = 1, 2, 3, 6


class ModbusFront(TcpFront):
    """Answers for one controller, whatever unit is asked for."""

    def __init__(
        self,
        controller: Controller,
        memory_map: Map,
        clock: Callable[[], datetime],
        host: str = "127.0.0.1",
        port: int = 0,
    ) -> None:
        super().__init__(clock, host, port)
        self.controller = controller
        self.map = memory_map

    async def converse(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            transaction, protocol, length, unit = struct.unpack(">HHHB", await reader.readexactly(7))
            if protocol != 0 or not 2 <= length <= 254:
                return
            reply = self.answer(await reader.readexactly(length - 1))
            writer.write(struct.pack(">HHHB", transaction, 0, len(reply) + 1, unit) + reply)
            await writer.drain()

    def answer(self, pdu: bytes) -> bytes:
        """The reply PDU to a request PDU."""
        function = pdu[0]
        if function not in READS:
            return self._refuse(function, pdu)
        self.read_requests += 1
        if len(pdu) != 5:
            return _exception(function, ILLEGAL_VALUE)
        first, count = struct.unpack(">HH", pdu[1:])
        self.requests.append(Request(function, 0, first, count))
        if not 1 <= count <= REGISTERS_MOST:
            return _exception(function, ILLEGAL_VALUE)
        area = self._area(READS[function], first, count)
        if area is None:
            return _exception(function, ILLEGAL_ADDRESS)
        data = area.now(self.controller, self.clock())
        if data is None:
            return _exception(function, BUSY)
        at = 2 * (first - area.number)
        return bytes((function, 2 * count)) + data[at : at + 2 * count]

    def _area(self, table: str, first: int, count: int) -> Area | None:
        """What holds this run of registers; None where nothing holds all of it."""
        for area in self.map.areas if table == self.map.table else ():
            if area.number <= first and first + count <= area.number + area.size // 2:
                return area
        return None

    def _refuse(self, function: int, pdu: bytes) -> bytes:
        self.requests.append(Request(function, 0, int.from_bytes(pdu[1:3], "big"), 0))
        if function in WRITES:
            self.write_requests += 1
        else:
            self.other_requests += 1
        return _exception(function, ILLEGAL_FUNCTION)


def _exception(function: int, code: int) -> bytes:
    return bytes((function | 0x80, code))
