"""A small MQTT 3.1.1 broker inside the simulator, QoS 0 and 1, for loopback.

Clauses are those of the OASIS standard MQTT 3.1.1 (from memory). What it keeps for a client that asked for a
kept session (`clean_session` = 0) lies in its `Session`: subscriptions, messages waiting, and messages sent
but not acknowledged. Those are sent again, with their packet identifiers and DUP, when the client comes back
[4.4.0-1], before anything new. At most `in_flight_most` messages are sent without acknowledgement; at most
`queue_most` wait, and what comes beyond is lost, silently for its publisher, as with real brokers.
"""

import asyncio
import struct
from collections import Counter, deque
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import cycle
from types import TracebackType
from typing import Self

CONNECT, CONNACK, PUBLISH, PUBACK, SUBSCRIBE, SUBACK = 1, 2, 3, 4, 8, 9
UNSUBSCRIBE, UNSUBACK, PINGREQ, PINGRESP, DISCONNECT = 10, 11, 12, 13, 14
ACCEPTED, UNKNOWN_LEVEL, BAD_IDENTIFIER = 0, 1, 2
LEVEL_3_1_1 = 4
PACKET_MOST = 1_000_000
"""Bytes; a longer packet ends the connection."""


class Malformed(Exception):
    """Bytes that aren't MQTT 3.1.1, or a QoS that this broker doesn't know; the connection ends [4.8.0-1]."""


# ---- packets -------------------------------------------------------------------------------------


def remaining_length(length: int) -> bytes:
    """Seven bits a byte, low ones first, top bit: more follow (2.2.3).

    Raises: Malformed: it takes more than four bytes.
    """
    if not 0 <= length < 1 << 28:
        raise Malformed(f"remaining length {length} takes more than four bytes")
    coded = bytearray()
    while True:
        length, low = length >> 7, length & 0x7F
        coded.append(low | (0x80 if length else 0))
        if not length:
            return bytes(coded)


def read_remaining_length(data: bytes) -> tuple[int, int] | None:
    """(length, bytes it took) from the front of `data`; None where more bytes are needed.

    Raises: Malformed: a fifth byte would follow.
    """
    length = 0
    for i in range(4):
        if i == len(data):
            return None
        length |= (data[i] & 0x7F) << 7 * i
        if data[i] < 0x80:
            return length, i + 1
    raise Malformed("remaining length takes more than four bytes")


def packet(kind: int, flags: int, body: bytes) -> bytes:
    return bytes((kind << 4 | flags,)) + remaining_length(len(body)) + body


def text(value: str) -> bytes:
    """Two bytes of length, UTF-8 (1.5.3)."""
    coded = value.encode()
    return struct.pack(">H", len(coded)) + coded


def publish(
    topic: str, payload: bytes, packet_id: int | None, *, dup: bool = False, retain: bool = False
) -> bytes:
    """PUBLISH (3.3) with QoS 1, or with QoS 0 where there is no packet identifier."""
    qos = 0 if packet_id is None else 1
    identifier = b"" if packet_id is None else struct.pack(">H", packet_id)
    return packet(PUBLISH, dup << 3 | qos << 1 | retain, text(topic) + identifier + payload)


class Body:
    """Reads the fields of a packet one after the other. Raises: Malformed: not enough bytes."""

    def __init__(self, data: bytes) -> None:
        self.rest = data

    def take(self, count: int) -> bytes:
        if len(self.rest) < count:
            raise Malformed("packet ends too early")
        taken, self.rest = self.rest[:count], self.rest[count:]
        return taken

    def byte(self) -> int:
        return self.take(1)[0]

    def number(self) -> int:
        return int.from_bytes(self.take(2), "big")

    def binary(self) -> bytes:
        return self.take(self.number())

    def text(self) -> str:
        try:
            return self.binary().decode()
        except UnicodeDecodeError as error:
            raise Malformed("text is not UTF-8") from error


# ---- topics --------------------------------------------------------------------------------------


def is_filter(topic_filter: str) -> bool:
    """`#` only as the whole last level, `+` only as a whole level [4.7.1-2, 4.7.1-3]."""
    levels = topic_filter.split("/")
    whole = all(level in ("#", "+") or not {"#", "+"} & set(level) for level in levels)
    return bool(topic_filter) and whole and "#" not in levels[:-1]


def matches(topic_filter: str, topic: str) -> bool:
    """Does a topic fall under a filter (4.7)? No wildcard in front for a $ in front [4.7.2-1]."""
    wanted, given = topic_filter.split("/"), topic.split("/")
    if topic.startswith("$") and wanted[0] in ("#", "+"):
        return False
    for i, level in enumerate(wanted):
        if level == "#":
            return True
        if i == len(given) or level not in ("+", given[i]):
            return False
    return len(wanted) == len(given)


# ---- sessions ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Message:
    topic: str
    payload: bytes
    qos: int
    retain: bool = False
    """As it goes to the client: set only where it was kept before the client subscribed [3.3.1-8, -9]."""


@dataclass(slots=True)
class Session:
    """What the broker knows of one client; kept over connections unless the client asked for a clean one."""

    kept: bool
    subscriptions: dict[str, int] = field(default_factory=dict)
    """Topic filter -> QoS granted."""
    waiting: deque[Message] = field(default_factory=deque)
    in_flight: dict[int, Message] = field(default_factory=dict)
    """Sent with QoS 1 and not acknowledged, by packet identifier, oldest first."""
    packet_ids: "cycle[int]" = field(default_factory=lambda: cycle(range(1, 65536)))
    connection: "Connection | None" = None
    lost: int = 0
    """Messages that found the queue full."""

    def next_packet_id(self) -> int:
        return next(packet_id for packet_id in self.packet_ids if packet_id not in self.in_flight)


@dataclass(frozen=True, slots=True)
class Will:
    message: Message
    retain: bool


class Broker:
    """`async with` listens; `stop` and `start` keep the sessions, like a restart with persistence."""

    def __init__(
        self, host: str = "127.0.0.1", port: int = 0, *, queue_most: int = 1000, in_flight_most: int = 20
    ) -> None:
        self.host = host
        self.port = port
        self.queue_most = queue_most
        self.in_flight_most = in_flight_most
        self.sessions: dict[str, Session] = {}
        self.retained: dict[str, Message] = {}
        self.published: Counter[str] = Counter()
        """Messages taken from each client: whoever only listens isn't in here."""
        self._server: asyncio.Server | None = None
        self._connections: dict[asyncio.Task[None], Connection] = {}
        self._change = asyncio.Event()

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.stop()

    async def start(self) -> None:
        """Listen; a port that the system chose once stays."""
        if self._server is None:
            self._server = await asyncio.start_server(self._serve, self.host, self.port)
            self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self, *, forget: bool = False) -> None:
        """Close port and connections. `forget`: sessions and retained messages are gone with them."""
        if self._server is not None:
            self._server.close()
            self._server = None
        for connection in self._connections.values():
            connection.abort()
        await asyncio.gather(*self._connections)
        if forget:
            self.sessions.clear()
            self.retained.clear()

    async def wait_until(self, true: Callable[[], bool]) -> None:
        """Return once `true()` holds, looked at after each packet and each connection that came or went."""
        while not true():
            await self._change.wait()

    def changed(self) -> None:
        self._change.set()
        self._change = asyncio.Event()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        connection = self._connections[task] = Connection(self, reader, writer)
        try:
            await connection.run()
        except (Malformed, asyncio.IncompleteReadError, ConnectionError, TimeoutError):
            pass  # the connection is over, for whatever reason; what is kept is in the session
        finally:
            del self._connections[task]
            connection.leave()
            self.changed()

    def open_session(self, client_id: str, connection: "Connection", *, kept: bool) -> bool:
        """Bind a connection to its client's session; True where one was present (3.2.2.2).

        An older connection of the same client is closed [3.1.4-2].
        """
        session = self.sessions.get(client_id)
        if session is not None and session.connection is not None:
            session.connection.abort()
            session.connection = None
        present = kept and session is not None and session.kept
        if session is None or not present:
            session = self.sessions[client_id] = Session(kept)
        session.connection = connection
        connection.session = session
        return present

    def distribute(self, message: Message) -> None:
        """Hand a message to every session that subscribed to it, once each, at the highest QoS granted."""
        for session in self.sessions.values():
            granted = [qos for wanted, qos in session.subscriptions.items() if matches(wanted, message.topic)]
            if granted:
                self._hand_over(session, message, min(message.qos, max(granted)))

    def _hand_over(self, session: Session, message: Message, qos: int) -> None:
        if session.connection is None and qos == 0:
            return
        if len(session.waiting) >= self.queue_most:
            session.lost += 1
            return
        session.waiting.append(Message(message.topic, message.payload, qos, message.retain))
        if session.connection is not None:
            session.connection.send_waiting()

    def keep(self, message: Message) -> None:
        """A retained message replaces the one before; an empty payload clears it [3.3.1-10]."""
        if message.payload:
            self.retained[message.topic] = message
        else:
            self.retained.pop(message.topic, None)

    def hand_retained(self, session: Session, topic_filter: str, granted: int) -> None:
        for topic, kept in self.retained.items():
            if matches(topic_filter, topic):
                message = Message(topic, kept.payload, kept.qos, retain=True)
                self._hand_over(session, message, min(kept.qos, granted))


class Connection:
    """One client's connection: packets in, packets out."""

    def __init__(self, broker: Broker, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.broker = broker
        self.reader = reader
        self.writer = writer
        self.client_id = ""
        self.session: Session | None = None
        self.keep_alive_s: float | None = 10.0
        """Until CONNECT says otherwise, a client has this long to send it."""
        self.will: Will | None = None

    async def run(self) -> None:
        kind, _, body = await self._receive()
        if kind != CONNECT:
            raise Malformed("the first packet must be CONNECT")
        if not self._connect(Body(body)):
            return
        while True:
            kind, flags, body = await self._receive()
            if kind == DISCONNECT:
                self.will = None
                return
            self._take(kind, flags, Body(body))
            self.broker.changed()
            await self.writer.drain()

    def abort(self) -> None:
        self.writer.transport.abort()

    def leave(self) -> None:
        """Publish the will unless the client took its leave; keep the session if it asked for that."""
        self.writer.close()
        session = self.session
        if session is not None and session.connection is self:
            session.connection = None
            if not session.kept:
                self.broker.sessions.pop(self.client_id, None)
        if self.will is not None:
            self._publish_will(self.will)

    def _publish_will(self, will: Will) -> None:
        if will.retain:
            self.broker.keep(will.message)
        self.broker.distribute(will.message)

    async def _receive(self) -> tuple[int, int, bytes]:
        """(kind, flags, body) of the next packet; waits one and a half keep-alive times for it [3.1.2-24]."""
        async with asyncio.timeout(self.keep_alive_s):
            head = (await self.reader.readexactly(1))[0]
            coded = b""
            while (found := read_remaining_length(coded)) is None:
                coded += await self.reader.readexactly(1)
            if found[0] > PACKET_MOST:
                raise Malformed("packet is too long")
            return head >> 4, head & 0x0F, await self.reader.readexactly(found[0])

    def _connect(self, body: Body) -> bool:
        """CONNECT (3.1): True where the client was accepted."""
        protocol, level, flags, keep_alive_s = body.text(), body.byte(), body.byte(), body.number()
        if protocol != "MQTT" or level != LEVEL_3_1_1:
            self._send(packet(CONNACK, 0, bytes((0, UNKNOWN_LEVEL))))
            return False
        clean = bool(flags & 0x02)
        self.client_id = body.text()
        if not self.client_id and not clean:
            self._send(packet(CONNACK, 0, bytes((0, BAD_IDENTIFIER))))
            return False
        self.client_id = self.client_id or f"unnamed {id(self)}"
        if flags & 0x04:
            topic, payload = body.text(), body.binary()
            self.will = Will(Message(topic, payload, min(1, flags >> 3 & 3)), bool(flags & 0x20))
        self.keep_alive_s = 1.5 * keep_alive_s if keep_alive_s else None
        present = self.broker.open_session(self.client_id, self, kept=not clean)
        self._send(packet(CONNACK, 0, bytes((present, ACCEPTED))))
        self._send_again()
        self.send_waiting()
        self.broker.changed()
        return True

    def _take(self, kind: int, flags: int, body: Body) -> None:
        assert self.session is not None
        match kind:
            case 3:  # PUBLISH
                self._publish(flags, body)
            case 4:  # PUBACK
                self.session.in_flight.pop(body.number(), None)
                self.send_waiting()
            case 8:  # SUBSCRIBE
                self._subscribe(self.session, body)
            case 10:  # UNSUBSCRIBE
                packet_id = body.take(2)
                while body.rest:
                    self.session.subscriptions.pop(body.text(), None)
                self._send(packet(UNSUBACK, 0, packet_id))
            case 12:  # PINGREQ
                self._send(packet(PINGRESP, 0, b""))
            case _:
                raise Malformed(f"packet type {kind} is not for this broker")

    def _publish(self, flags: int, body: Body) -> None:
        qos, retain = flags >> 1 & 3, bool(flags & 1)
        if qos > 1:
            raise Malformed("QoS 2 is not for this broker")
        topic = body.text()
        packet_id = body.take(2) if qos else b""
        message = Message(topic, body.rest, qos)
        self.broker.published[self.client_id] += 1
        if retain:
            self.broker.keep(message)
        self.broker.distribute(message)
        if qos:
            self._send(packet(PUBACK, 0, packet_id))

    def _subscribe(self, session: Session, body: Body) -> None:
        packet_id, codes, added = body.take(2), bytearray(), []
        while body.rest:
            wanted, qos = body.text(), body.byte()
            if not is_filter(wanted) or qos > 2:
                codes.append(0x80)
                continue
            session.subscriptions[wanted] = min(1, qos)
            added.append(wanted)
            codes.append(min(1, qos))
        self._send(packet(SUBACK, 0, packet_id + bytes(codes)))
        for wanted in added:
            self.broker.hand_retained(session, wanted, session.subscriptions[wanted])

    def _send_again(self) -> None:
        assert self.session is not None
        for packet_id, message in self.session.in_flight.items():
            self._send(publish(message.topic, message.payload, packet_id, dup=True, retain=message.retain))

    def send_waiting(self) -> None:
        """Send what waits, as far as the in-flight window allows; QoS 0 passes through in its turn."""
        session = self.session
        assert session is not None
        while session.waiting and len(session.in_flight) < self.broker.in_flight_most:
            message = session.waiting.popleft()
            packet_id = None
            if message.qos:
                packet_id = session.next_packet_id()
                session.in_flight[packet_id] = message
            self._send(publish(message.topic, message.payload, packet_id, retain=message.retain))

    def _send(self, data: bytes) -> None:
        if not self.writer.is_closing():
            self.writer.write(data)
