"""On the wire, a session of reading every block of a controller consists of reads alone."""

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

import simulators
from collector.layouts.schema import BlockLayout, ModbusLayout, MqttLayout, load_layout
from collector.sources.base import BlockSource
from collector.sources.modbus import ModbusSource
from collector.sources.mqtt import MqttSource
from collector.sources.s7 import S7Source
from simulators.fronts.tcp import TcpFront
from simulators.plant import Plant
from simulators.scenario import load_scenario
from tests.rigs import (
    MODBUS_READS,
    MQTT_READS,
    S7_READS,
    RecordingProxy,
    all_but,
    modbus_functions,
    mqtt_packet_types,
    s7_functions,
)

PUBACK = 4
ROOT = Path(__file__).parents[3]
LAYOUTS = ROOT / "collector" / "layouts" / "examples"
ONE_OF_EACH = Path(simulators.__file__).parent / "scenarios" / "fast.toml"


@pytest.fixture
async def plant() -> AsyncIterator[Plant]:
    """A simulated plant with one controller of each kind, all at work."""
    async with Plant(load_scenario(ONE_OF_EACH)) as plant:
        yield plant


async def read_all(source: BlockSource, layout: BlockLayout) -> int:
    """Read the status, each record alone, the whole ring and the curve; the bytes that came."""
    slots = layout.history.slots
    blocks = [layout.status_block, *(layout.record_block(slot) for slot in range(slots))]
    blocks += [layout.record_block(0, slots), layout.status_block]
    blocks += [block for block in (layout.curve_block, layout.curve_head_block) if block is not None]
    return sum([len(await source.read(block)) for block in blocks])


@pytest.mark.parametrize(
    ("controller", "layout_name"),
    [("F-01", "ring-modbus"), ("F-02", "last-record-modbus"), ("F-03", "ring-s7")],
)
async def test_a_session_of_reading_every_block_is_reads_alone(
    plant: Plant, controller: str, layout_name: str
) -> None:
    """Each request's function code, as our own reader finds it in the recorded bytes, is one that reads."""
    layout = load_layout(LAYOUTS / f"{layout_name}.toml")
    assert isinstance(layout, BlockLayout)
    front = plant.front(controller)
    assert isinstance(front, TcpFront)
    is_modbus = isinstance(layout, ModbusLayout)
    async with RecordingProxy("127.0.0.1", front.port) as proxy:
        source: ModbusSource | S7Source
        if is_modbus:
            source = ModbusSource(proxy.host, proxy.port, 1, 5.0, 5.0)
        else:
            source = S7Source(proxy.host, proxy.port, 0, 1, 5.0, 5.0)
        async with source:
            assert await read_all(source, layout) > 0
        await proxy.until_left()
    if is_modbus:
        seen, allowed = modbus_functions(proxy.sent), MODBUS_READS
    else:
        seen, allowed = s7_functions(proxy.sent), S7_READS
    assert all_but(allowed, seen) == []
    assert len(seen) > layout.history.slots
    assert front.read_requests >= layout.history.slots
    assert (front.write_requests, front.other_requests) == (0, 0)


async def test_a_session_of_taking_messages_publishes_nothing(plant: Plant) -> None:
    """We connect, subscribe, acknowledge and leave; the broker takes no message from us."""
    assert plant.broker is not None
    layout = load_layout(LAYOUTS / "messages-mqtt.toml")
    assert isinstance(layout, MqttLayout)
    topics = dict.fromkeys(layout.topics("F-04").values(), 1)
    taken = 0
    async with RecordingProxy(plant.broker.host, plant.broker.port) as proxy:
        async with (
            MqttSource(proxy.host, proxy.port, "clampbook read-only", topics) as source,
            asyncio.timeout(20),
        ):
            async for batch in source.batches():
                await source.acknowledge(batch)
                taken += len(batch)
                if taken >= 30:
                    break
            await proxy.until(lambda: mqtt_packet_types(proxy.sent).count(PUBACK) == taken)
        await proxy.until_left()
    seen = mqtt_packet_types(proxy.sent)
    assert all_but(MQTT_READS, seen) == []
    assert plant.broker.published["clampbook read-only"] == 0
    assert plant.broker.published["controller F-04"] > 0


# ---- the readers of recordings do see a write --------------------------------------------------------------

READ = bytes.fromhex("0001 0000 0006 01 03 006B 0003")
PUBLISHED_WRITES = [
    (5, "05 00AC FF00"),
    (6, "06 0001 0003"),
    (15, "0F 0013 000A 02 CD01"),
    (16, "10 0001 0002 04 000A 0102"),
    (22, "16 0004 00F2 0025"),
    (23, "17 0003 0006 000E 0003 06 00FF 00FF 00FF"),
]
"""Request PDUs of the Modbus Application Protocol V1.1b3 (CHK-MOD-01; seen in public test suites)."""


@pytest.mark.parametrize(("function", "pdu"), PUBLISHED_WRITES)
def test_a_modbus_write_in_a_recording_is_found(function: int, pdu: str) -> None:
    """Each published writing request, between two reads or cut off behind its function code, is seen."""
    body = bytes.fromhex(pdu)
    write = bytes.fromhex("0002 0000") + (1 + len(body)).to_bytes(2, "big") + b"\x01" + body
    assert all_but(MODBUS_READS, modbus_functions([READ + write + READ])) == [function]
    assert all_but(MODBUS_READS, modbus_functions([READ, READ + write[:8]])) == [function]


S7_READ = bytes.fromhex(
    "0300001f 02f080 3201000000010 00e0000 0401 120a1002 0004 0001 84 000000".replace(" ", "")
)


@pytest.mark.parametrize("function", [0x05, 0x1A, 0x1D, 0x28, 0x29])
def test_an_s7_write_in_a_recording_is_found(function: int) -> None:
    """Write variables, download, upload, start and stop are seen."""
    write = bytearray(S7_READ)
    write[17] = function
    assert all_but(S7_READS, s7_functions([S7_READ])) == []
    assert all_but(S7_READS, s7_functions([S7_READ + write + S7_READ])) == [function]


def test_s7_user_data_in_a_recording_is_found() -> None:
    """User data (clock, passwords, blocks) is no job and never allowed."""
    user_data = bytearray(S7_READ)
    user_data[8] = 7
    assert all_but(S7_READS, s7_functions([S7_READ, bytes(user_data)])) == [0x107]


def test_an_mqtt_publish_in_a_recording_is_found() -> None:
    """PUBLISH (3) is seen between other packets, also behind one with a long length."""
    pingreq, puback = bytes.fromhex("C000"), bytes.fromhex("4002000A")
    subscribe = bytes.fromhex("82 C102") + bytes(321)
    publish = bytes.fromhex("32 07 0003 612F62 000A")
    assert all_but(MQTT_READS, mqtt_packet_types([pingreq + subscribe + puback])) == []
    assert all_but(MQTT_READS, mqtt_packet_types([pingreq + subscribe + publish + puback])) == [3]


@pytest.mark.parametrize("reader", [modbus_functions, s7_functions])
def test_bytes_of_another_protocol_are_not_taken_for_silence(reader: object) -> None:
    """A recording that can't be read fails the check, and so does an empty one."""
    assert callable(reader)
    with pytest.raises(ValueError, match="not a"):
        reader([b"GET / HTTP/1.1\r\n\r\n"])
    with pytest.raises(ValueError, match="empty"):
        all_but(MODBUS_READS, [])
