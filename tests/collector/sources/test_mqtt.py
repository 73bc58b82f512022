"""The MQTT source hands over every message at least once; the broker forgets only what was acknowledged."""

import asyncio
import gc
import socket
import threading
import uuid
from collections.abc import AsyncIterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import aiomqtt
import pytest

from collector.errors import LinkDown, Refused
from collector.sources.base import Message
from collector.sources.mqtt import BATCH_MOST, MqttSource
from simulators.broker import Broker
from tests.rigs import RecordingProxy, ScriptedServer, mqtt_packet_types

Address = tuple[str, int]

PUBACK, DISCONNECT = 4, 14
CONNACK_NEW = bytes.fromhex("20 02 00 00")
SUBACK = bytes.fromhex("90 03 00 01 01")


@pytest.fixture
def name() -> str:
    """A client identifier and topic of this test alone."""
    return f"clampbook-test-{uuid.uuid4().hex[:12]}"


@pytest.fixture(params=["mosquitto", "simulated"])
async def broker(request: pytest.FixtureRequest, name: str) -> AsyncIterator[Address]:
    """A real broker and the simulators' one; the session that the test left in the real one is removed."""
    if request.param == "simulated":
        async with Broker() as simulated:
            yield simulated.host, simulated.port
        return
    mosquitto = request.getfixturevalue("mosquitto")
    yield mosquitto
    async with aiomqtt.Client(*mosquitto, identifier=name, clean_session=True):
        pass


async def publish(broker: Address, topic: str, count: int, *, first: int = 1, qos: int = 1) -> None:
    async with aiomqtt.Client(*broker) as client:
        for number in range(first, first + count):
            await client.publish(topic, str(number), qos=qos)


async def take(source: MqttSource, count: int) -> list[Message]:
    """The next messages, `count` or a few more."""
    taken: list[Message] = []
    async with asyncio.timeout(10):
        async for batch in source.batches():
            taken += batch
            if len(taken) >= count:
                return taken
    raise AssertionError("batches() ended by itself")


def numbers(messages: list[Message]) -> list[int]:
    return [int(message.payload) for message in messages]


async def test_a_session_is_new_at_first_and_kept_from_then_on(broker: Address, name: str) -> None:
    """`session_kept` tells whether the broker has queued for us while we were away."""
    async with MqttSource(*broker, name, {f"{name}/#": 1}) as source:
        assert source.session_kept is False
    async with MqttSource(*broker, name, {f"{name}/#": 1}) as source:
        assert source.session_kept is True


async def test_messages_come_in_order_with_topic_and_payload(broker: Address, name: str) -> None:
    """What was published is what is handed over."""
    async with MqttSource(*broker, name, {f"{name}/+/cycle": 1}) as source:
        await publish(broker, f"{name}/a/cycle", 30)
        taken: list[Message] = []
        async with asyncio.timeout(10):
            async for batch in source.batches():
                taken += batch
                await source.acknowledge(batch)
                if len(taken) == 30:
                    break
    assert numbers(taken) == list(range(1, 31))
    assert {message.topic for message in taken} == {f"{name}/a/cycle"}
    assert not any(message.retained for message in taken)


async def test_what_was_not_acknowledged_comes_again_after_we_vanished(broker: Address, name: str) -> None:
    """A message that was taken but not committed is not lost when the line PC goes dark without a goodbye."""
    async with RecordingProxy(*broker) as proxy:
        async with MqttSource(proxy.host, proxy.port, name, {f"{name}/cycle": 1}) as source:
            await publish(broker, f"{name}/cycle", 5)
            taken = await take(source, 5)
            await source.acknowledge(taken[:2])
            await proxy.until(lambda: mqtt_packet_types(proxy.sent).count(PUBACK) == 2)
            await proxy.hang_up()
            with pytest.raises(LinkDown):
                await take(source, 1)
            with pytest.raises(LinkDown):
                await source.acknowledge(taken[2:])
        assert DISCONNECT not in mqtt_packet_types(proxy.sent)
    async with MqttSource(*broker, name, {f"{name}/cycle": 1}) as source:
        assert source.session_kept is True
        again = await take(source, 3)
        await source.acknowledge(again)
    assert numbers(again) == [3, 4, 5]


async def test_what_was_acknowledged_does_not_come_again(broker: Address, name: str) -> None:
    """After an acknowledgement only newer messages come."""
    async with MqttSource(*broker, name, {f"{name}/cycle": 1}) as source:
        await publish(broker, f"{name}/cycle", 5)
        await source.acknowledge(await take(source, 5))
    await publish(broker, f"{name}/cycle", 2, first=6)
    async with MqttSource(*broker, name, {f"{name}/cycle": 1}) as source:
        assert numbers(await take(source, 2)) == [6, 7]


async def test_what_came_while_we_were_away_is_handed_over(broker: Address, name: str) -> None:
    """The broker's queue is the ring."""
    async with MqttSource(*broker, name, {f"{name}/cycle": 1}):
        pass
    await publish(broker, f"{name}/cycle", 15)
    async with MqttSource(*broker, name, {f"{name}/cycle": 1}) as source:
        assert numbers(await take(source, 15)) == list(range(1, 16))


async def test_a_batch_has_at_most_twenty_messages(broker: Address, name: str) -> None:
    """A flood comes in batches that one commit can take, and no message is lost between two of them."""
    sizes = []
    seen: list[int] = []
    async with MqttSource(*broker, name, {f"{name}/cycle": 1}) as source:
        await publish(broker, f"{name}/cycle", 70, qos=0)
        async with asyncio.timeout(10):
            async for batch in source.batches():
                sizes.append(len(batch))
                seen += numbers(batch)
                if len(seen) == 70:
                    break
    assert max(sizes) == BATCH_MOST
    assert seen == list(range(1, 71))


async def test_one_message_alone_does_not_wait_for_company(broker: Address, name: str) -> None:
    """A single message is a batch after a moment."""
    async with MqttSource(*broker, name, {f"{name}/cycle": 1}) as source:
        await publish(broker, f"{name}/cycle", 1)
        assert numbers(await take(source, 1)) == [1]


async def test_a_retained_message_says_so(broker: Address, name: str) -> None:
    """A status that lay in the broker is told from one that was just published."""
    async with aiomqtt.Client(*broker) as client:
        await client.publish(f"{name}/status", "1", qos=1, retain=True)
    async with MqttSource(*broker, name, {f"{name}/status": 1}) as source:
        assert [message.retained for message in await take(source, 1)] == [True]
    async with aiomqtt.Client(*broker) as client:
        await client.publish(f"{name}/status", None, retain=True)


async def test_no_broker_at_the_address_is_a_link_that_is_down(unused_tcp_port: int, name: str) -> None:
    """A refused connection is LinkDown and says what to check."""
    with pytest.raises(LinkDown, match=f"127.0.0.1:{unused_tcp_port}.*check that the broker runs"):
        async with MqttSource("127.0.0.1", unused_tcp_port, name, {"clamps/#": 1}):
            pytest.fail("connected to nothing")


def broker_that(*answers: bytes) -> ScriptedServer:
    """A broker that answers CONNECT by the first, SUBSCRIBE by the second, and then is silent."""

    async def script(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        for answer in answers:
            await reader.read(4096)
            writer.write(answer)
            await writer.drain()
        await reader.read()

    return ScriptedServer(script)


@pytest.mark.parametrize(
    ("answers", "error"),
    [
        ([bytes.fromhex("20 02 00 02")], Refused),
        ([bytes.fromhex("20 02 00 03")], LinkDown),
        ([bytes.fromhex("20 02 00 04")], Refused),
        ([bytes.fromhex("20 02 00 05")], Refused),
        ([CONNACK_NEW, bytes.fromhex("90 03 00 01 80")], Refused),
        ([], LinkDown),
        ([CONNACK_NEW], LinkDown),
    ],
    ids=[
        "identifier rejected",
        "server unavailable",
        "bad user name or password",
        "not authorized",
        "subscription not granted",
        "silence at CONNECT",
        "silence at SUBSCRIBE",
    ],
)
async def test_a_broker_that_says_no_is_told_from_one_that_is_not_there(
    answers: list[bytes], error: type[Exception], name: str
) -> None:
    """Credentials and rights are for a person to mend (Refused), the rest for time (LinkDown); both close."""
    async with broker_that(*answers) as server:
        with pytest.raises(error, match=f"{server.host}:{server.port}"):
            async with MqttSource(
                server.host, server.port, name, {"clamps/#": 1}, "user", "wrong", timeout_s=0.2
            ):
                pytest.fail("entered a connection that the broker did not grant")
        await server.until_left()


async def test_a_cancelled_connection_attempt_leaves_nothing_open(name: str) -> None:
    """`asyncio.timeout` around the entry raises TimeoutError, and the broker sees the connection close."""
    async with broker_that() as server:
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.2), MqttSource(server.host, server.port, name, {"clamps/#": 1}):
                pytest.fail("entered a connection that the broker did not grant")
        await server.until_left()


async def test_an_attempt_that_was_cancelled_while_it_dialled_stays_silent(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The library dials in a thread that can't be stopped; when it gets through at last, it must not take the
    session (and its messages) away from the next connection."""
    dialling, go_on = threading.Event(), threading.Event()
    dial = socket.create_connection

    def slow_dial(*args: Any, **options: Any) -> socket.socket:
        dialling.set()
        go_on.wait(10)
        return dial(*args, **options)

    said = asyncio.get_running_loop().create_future()

    async def script(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        said.set_result(await reader.read(1))

    monkeypatch.setattr(socket, "create_connection", slow_dial)
    loop = asyncio.get_running_loop()
    loop.set_default_executor(ThreadPoolExecutor(1))
    async with ScriptedServer(script) as server:
        source = MqttSource(server.host, server.port, name, {"clamps/#": 1})
        entering = asyncio.create_task(source.__aenter__())
        with ThreadPoolExecutor(1) as other_thread:
            await loop.run_in_executor(other_thread, dialling.wait, 10)
        entering.cancel()
        with pytest.raises(asyncio.CancelledError):
            await entering
        go_on.set()
        await asyncio.to_thread(lambda: None)  # the one thread has got through when it takes the next job
        assert await asyncio.wait_for(said, 5) == b"", "closed without a word"


async def test_a_broker_that_vanishes_is_a_link_that_is_down(name: str) -> None:
    """Waiting for messages ends at once when the broker is gone, and an acknowledgement then is refused."""
    published = bytes.fromhex(
        "32 07 00 03 612f62 000a"
    )  # MQTT 3.1.1 section 3.3: PUBLISH a/b, QoS 1, id 10, empty

    async with broker_that(CONNACK_NEW, SUBACK + published) as server:
        async with MqttSource(server.host, server.port, name, {"a/b": 1}) as source:
            (message,) = await take(source, 1)
            assert (message.topic, message.payload) == ("a/b", b"")
            await server.hang_up()
            with pytest.raises(LinkDown, match="closed the connection"):
                await take(source, 1)
            with pytest.raises(LinkDown):
                await source.acknowledge([message])


@pytest.mark.parametrize("forgets", [False, True])
async def test_a_broker_that_comes_back_says_whether_it_forgot_us(forgets: bool, name: str) -> None:
    """After a restart the source ends, and the next one knows whether messages may have been lost."""
    async with Broker() as broker:
        async with MqttSource(broker.host, broker.port, name, {f"{name}/cycle": 1}) as source:
            await publish((broker.host, broker.port), f"{name}/cycle", 2)
            assert numbers(await take(source, 2)) == [1, 2]
            await broker.stop(forget=forgets)
            with pytest.raises(LinkDown):
                await take(source, 1)
        await broker.start()
        async with MqttSource(broker.host, broker.port, name, {f"{name}/cycle": 1}) as source:
            assert source.session_kept is not forgets
            await publish((broker.host, broker.port), f"{name}/cycle", 1, first=3)
            assert numbers(await take(source, 1 if forgets else 3)) == ([3] if forgets else [1, 2, 3])


async def test_a_broker_that_falls_silent_is_noticed(name: str) -> None:
    """A connection that is open at our end only is LinkDown after at most twice the keep-alive time."""
    async with broker_that(CONNACK_NEW, SUBACK) as server:
        async with MqttSource(server.host, server.port, name, {"a/b": 1}, keepalive_s=1) as source:
            with pytest.raises(LinkDown):
                await take(source, 1)


async def test_a_connection_that_was_left_is_over(broker: Address, name: str) -> None:
    """Leaving the source closes it for good."""
    async with MqttSource(*broker, name, {f"{name}/cycle": 1}) as source:
        pass
    with pytest.raises(LinkDown):
        await take(source, 1)


async def test_a_broker_that_vanishes_while_we_work_leaves_no_error_behind(
    name: str, loop_errors: list[dict[str, Any]]
) -> None:
    """The loss is told by the next call, and not once more by the event loop."""
    async with broker_that(CONNACK_NEW, SUBACK) as server:
        async with MqttSource(server.host, server.port, name, {"a/b": 1}) as source:
            await server.hang_up()
            with pytest.raises(LinkDown):
                await take(source, 1)
        async with MqttSource(server.host, server.port, name, {"a/b": 1}) as source:
            await server.hang_up()
            for _ in range(20):
                await asyncio.sleep(0)  # the loss arrives, and nobody asks
    del source
    gc.collect()
    assert loop_errors == []


async def test_a_message_of_an_earlier_connection_is_not_acknowledged_on_a_later_one(name: str) -> None:
    """The same message identifier may mean another message there."""
    published = bytes.fromhex("32 07 00 03 612f62 000a")
    async with (
        broker_that(CONNACK_NEW, SUBACK + published) as server,
        RecordingProxy(server.host, server.port) as proxy,
    ):
        async with MqttSource(proxy.host, proxy.port, name, {"a/b": 1}) as earlier:
            (message,) = await take(earlier, 1)
        async with MqttSource(proxy.host, proxy.port, name, {"a/b": 1}) as later:
            await take(later, 1)
            with pytest.raises(LinkDown):
                await later.acknowledge([message])
        await proxy.until_left()
    assert PUBACK not in mqtt_packet_types(proxy.sent)
