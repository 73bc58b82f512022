"""The broker keeps its word: sessions, windows, queues, redelivery, retained messages, wills."""

import asyncio
import threading
from collections.abc import AsyncIterator, Callable
from typing import Self

import aiomqtt
import paho.mqtt.client as paho
import pytest

from simulators.broker import Broker

TOPIC = "clamps/a/cycle"
FILTER = "clamps/+/cycle"
WITHIN_S = 10


@pytest.fixture
async def broker() -> AsyncIterator[Broker]:
    async with Broker() as broker:
        yield broker


class Book:
    """A client with a thread of its own that acknowledges by hand; `async with` connects, and leaving it
    vanishes."""

    def __init__(
        self, broker: Broker, *, acknowledges: bool = True, subscribe: bool = True, clean: bool = False
    ) -> None:
        self.broker = broker
        self.acknowledges = acknowledges
        self.subscribe = subscribe
        self.session_present: bool | None = None
        self.got: list[paho.MQTTMessage] = []
        self._change = threading.Condition()
        self._ready = threading.Event()
        self._leaving = threading.Event()
        self.ended = threading.Event()
        """Set once the connection is over."""
        self._thread = threading.Thread(target=self._run)
        self.client = paho.Client(
            paho.CallbackAPIVersion.VERSION2,
            "book",
            clean_session=clean,
            protocol=paho.MQTTv311,
            manual_ack=True,
        )
        self.client.on_connect = self._connected
        self.client.on_message = self._received
        self.client.on_subscribe = lambda *_: self._ready.set()

    async def __aenter__(self) -> Self:
        await asyncio.to_thread(self._open)
        return self

    async def __aexit__(self, *_: object) -> None:
        """No DISCONNECT: the socket is simply gone; the broker has noticed when this returns."""
        self._leaving.set()
        await asyncio.to_thread(self._thread.join)
        self.client._sock_close()
        await self.broker.wait_until(lambda: "book" not in self.broker.sessions or not self.connected)

    @property
    def connected(self) -> bool:
        return self.broker.sessions["book"].connection is not None

    @property
    def numbers(self) -> list[int]:
        return [int(message.payload) for message in self.got]

    async def until(self, true: Callable[[], bool]) -> None:
        def wait() -> bool:
            with self._change:
                return self._change.wait_for(true, WITHIN_S)

        assert await asyncio.to_thread(wait)

    def _open(self) -> None:
        self.client.connect(self.broker.host, self.broker.port)
        self._thread.start()
        assert self._ready.wait(WITHIN_S)

    def _run(self) -> None:
        while not self._leaving.is_set() and self.client.loop(0.02) == paho.MQTT_ERR_SUCCESS:
            pass
        self.ended.set()

    def _connected(self, client: paho.Client, _: object, flags: paho.ConnectFlags, *__: object) -> None:
        self.session_present = flags.session_present
        if self.subscribe:
            client.subscribe(FILTER, qos=1)
        else:
            self._ready.set()

    def _received(self, client: paho.Client, _: object, message: paho.MQTTMessage) -> None:
        with self._change:
            self.got.append(message)
            if self.acknowledges:
                client.ack(message.mid, message.qos)
            self._change.notify_all()


async def publish(broker: Broker, numbers: range, topic: str = TOPIC, *, retain: bool = False) -> None:
    """One message a number, each acknowledged by the broker."""
    async with aiomqtt.Client(broker.host, broker.port, identifier="plc") as client:
        for number in numbers:
            await client.publish(topic, str(number), qos=1, retain=retain)


# ---- sessions ----------------------------------------------------------------------------------------


async def test_a_session_is_present_only_where_it_was_kept(broker: Broker) -> None:
    """CONNACK says so (MQTT 3.1.1, section 3.2.2.2); a clean session ends the one before."""
    present = []
    for clean in (False, False, True, False):
        async with Book(broker, clean=clean) as book:
            present.append(book.session_present)
    assert present == [False, True, False, False]


async def test_messages_wait_for_a_subscriber_that_is_away(broker: Broker) -> None:
    """It need not subscribe again, and gets them in order."""
    async with Book(broker):
        pass
    await publish(broker, range(50))
    async with Book(broker, subscribe=False) as book:
        await book.until(lambda: len(book.got) == 50)
        assert book.numbers == list(range(50))
        assert not any(message.dup for message in book.got)


async def test_what_was_not_acknowledged_comes_again_after_the_client_vanished(broker: Broker) -> None:
    """With its packet identifier and DUP, before anything new [MQTT-4.4.0-1]."""
    async with Book(broker, acknowledges=False) as book:
        await publish(broker, range(30))
        await book.until(lambda: len(book.got) == 20)
        first = [(message.mid, message.payload) for message in book.got]
    await publish(broker, range(30, 40))
    async with Book(broker) as book:
        await book.until(lambda: len(book.got) == 40)
        assert book.session_present
        assert book.numbers == list(range(40))
        assert [(message.mid, message.payload) for message in book.got[:20]] == first
        assert [message.dup for message in book.got] == [True] * 20 + [False] * 20


async def test_what_was_acknowledged_does_not_come_again(broker: Broker) -> None:
    """The broker has nothing left to send."""
    async with Book(broker) as book:
        await publish(broker, range(30))
        session = broker.sessions["book"]
        await broker.wait_until(lambda: not session.in_flight and not session.waiting)
        assert book.numbers == list(range(30))
    async with Book(broker, subscribe=False) as book:
        await publish(broker, range(30, 31))
        await book.until(lambda: bool(book.got))
        assert book.numbers == [30]


async def test_no_more_than_the_window_is_sent_without_acknowledgement(broker: Broker) -> None:
    """20, as a common broker has it; the rest waits."""
    async with Book(broker, acknowledges=False) as book:
        await publish(broker, range(25))
        await book.until(lambda: len(book.got) == 20)
        session = broker.sessions["book"]
        assert (len(session.in_flight), len(session.waiting)) == (20, 5)
        book.client.ack(book.got[0].mid, 1)
        await book.until(lambda: len(book.got) == 21)


async def test_a_full_queue_loses_messages_while_the_publisher_is_told_that_all_is_well() -> None:
    """As real brokers do: the first ones stay, the rest is gone."""
    async with Broker(queue_most=10) as broker:
        async with Book(broker):
            pass
        await publish(broker, range(25))
        assert broker.sessions["book"].lost == 15
        async with Book(broker, subscribe=False) as book:
            await publish(broker, range(99, 100))
            await book.until(lambda: len(book.got) == 11)
            assert book.numbers == [*range(10), 99]


async def test_a_second_connection_of_the_same_client_ends_the_first(broker: Broker) -> None:
    """[MQTT-3.1.4-2]: and takes its session over."""
    async with Book(broker, acknowledges=False) as first:
        await publish(broker, range(3))
        await first.until(lambda: len(first.got) == 3)
        async with Book(broker) as second:
            assert await asyncio.to_thread(first.ended.wait, WITHIN_S)
            await second.until(lambda: len(second.got) == 3)
            assert second.session_present


async def test_sessions_outlive_a_restart_unless_the_broker_forgets() -> None:
    """With and without persistence."""
    async with Broker() as broker:
        async with Book(broker):
            pass
        await publish(broker, range(3))
        for forget, present in ((False, True), (True, False)):
            await broker.stop(forget=forget)
            await broker.start()
            async with Book(broker, acknowledges=False) as book:
                assert book.session_present is present
                await publish(broker, range(7, 8))
                await book.until(lambda: 7 in book.numbers)
                assert (book.numbers[:3] == [0, 1, 2]) is present


# ---- retained messages, wills, accounting -------------------------------------------------------------


async def test_a_retained_message_meets_new_subscribers_with_the_flag_and_others_without(
    broker: Broker,
) -> None:
    """CHK-MQ-05: RETAIN is 1 for what was kept, 0 for what is live; the last one replaces those before."""
    await publish(broker, range(3), retain=True)
    async with Book(broker) as book:
        await publish(broker, range(3, 4), retain=True)
        await book.until(lambda: len(book.got) == 2)
        assert [(int(message.payload), message.retain) for message in book.got] == [(2, True), (3, False)]


async def test_an_empty_retained_message_clears_the_one_before(broker: Broker) -> None:
    """CHK-MQ-05."""
    await publish(broker, range(1), retain=True)
    async with aiomqtt.Client(broker.host, broker.port) as client:
        await client.publish(TOPIC, b"", qos=1, retain=True)
    assert broker.retained == {}


@pytest.mark.parametrize("unclean", [True, False])
async def test_a_will_is_published_only_when_the_client_vanishes(broker: Broker, unclean: bool) -> None:
    """CHK-MQ-05."""
    goodbye = "" if unclean else "E000"
    async with Book(broker) as book:
        _, writer = await asyncio.open_connection(broker.host, broker.port)
        writer.write(
            bytes.fromhex("1021 00044D515454 04 0E 003C 0001 61 000E") + TOPIC.encode() + b"\0\x0266"
        )
        await broker.wait_until(lambda: "a" in broker.sessions)
        writer.write(bytes.fromhex(goodbye))
        writer.close()
        await broker.wait_until(lambda: "a" not in broker.sessions)
        await publish(broker, range(1, 2))
        await book.until(lambda: 1 in book.numbers)
        assert book.numbers == ([66, 1] if unclean else [1])


async def test_a_client_that_falls_silent_is_cut_off(broker: Broker) -> None:
    """After one and a half times its keep-alive time [MQTT-3.1.2-24]."""
    async with asyncio.timeout(WITHIN_S):
        reader, writer = await asyncio.open_connection(broker.host, broker.port)
        writer.write(bytes.fromhex("100D00044D51545404020001000161"))
        started_at = asyncio.get_running_loop().time()
        assert await reader.read() == bytes.fromhex("20020000")
        assert asyncio.get_running_loop().time() - started_at > 1.4
        writer.close()
        await writer.wait_closed()


async def test_the_broker_counts_what_each_client_published(broker: Broker) -> None:
    """So that a test can prove that a listener only listens."""
    async with Book(broker) as book:
        await publish(broker, range(4))
        await book.until(lambda: len(book.got) == 4)
    assert broker.published == {"plc": 4}


@pytest.mark.parametrize(
    ("sent", "answer"),
    [
        ("1014 00064D514973647003 02 003C 0006 626F6F6B3031", "20020001"),
        ("100D 00044D515454 05 02 003C 0001 61", "20020001"),
        ("100C 00044D515454 04 00 003C 0000", "20020002"),
        ("C000", ""),
        ("FFFFFFFFFF", ""),
        ("100D 00044D515454 04 02 003C 0001 61 34070003612F62000A", "20020000"),
    ],
)
async def test_what_this_broker_does_not_speak_ends_the_connection(
    broker: Broker, sent: str, answer: str
) -> None:
    """MQTT 3.1, MQTT 5, no identifier for a kept session, no CONNECT, nonsense, QoS 2."""
    async with asyncio.timeout(WITHIN_S):
        reader, writer = await asyncio.open_connection(broker.host, broker.port)
        writer.write(bytes.fromhex(sent))
        assert await reader.read() == bytes.fromhex(answer)
        writer.close()
        await writer.wait_closed()


async def test_a_misplaced_wildcard_is_refused_in_the_answer(broker: Broker) -> None:
    """SUBACK 0x80 for it, the granted QoS for the others; never more than 1."""
    async with asyncio.timeout(WITHIN_S):
        reader, writer = await asyncio.open_connection(broker.host, broker.port)
        writer.write(bytes.fromhex("100D 00044D515454 04 02 003C 0001 61"))
        writer.write(bytes.fromhex("8211 0007 0001 23 02 0003 612F23 01 0002 612B 01"))
        assert await reader.readexactly(4) == bytes.fromhex("20020000")
        assert await reader.readexactly(7) == bytes.fromhex("9005 0007 01 01 80")
        writer.write(bytes.fromhex("E000"))
        writer.close()
        await writer.wait_closed()
