"""The simulator's broker against the bytes of the standard.

Source: OASIS MQTT 3.1.1, sections 2.2.3, 3.1 to 3.4, 3.12 to 3.14 and 4.7: packets and lengths from memory,
topic filters as several public test suites quote them. Collected as CHK-MQ-01 to CHK-MQ-03.
"""

import asyncio

import pytest

from simulators.broker import (
    Broker,
    Malformed,
    is_filter,
    matches,
    packet,
    publish,
    read_remaining_length,
    remaining_length,
)

LENGTHS = [
    (0, "00"),
    (64, "40"),
    (127, "7F"),
    (128, "8001"),
    (321, "C102"),
    (16383, "FF7F"),
    (16384, "808001"),
    (2097151, "FFFF7F"),
    (2097152, "80808001"),
    (268435455, "FFFFFF7F"),
]


@pytest.mark.parametrize(("length", "coded"), LENGTHS)
def test_remaining_length_is_coded_as_in_the_standard(length: int, coded: str) -> None:
    """CHK-MQ-01, both ways."""
    assert remaining_length(length) == bytes.fromhex(coded)
    assert read_remaining_length(bytes.fromhex(coded) + b"rest") == (length, len(coded) // 2)


@pytest.mark.parametrize("coded", ["", "80", "8080", "FFFFFF"])
def test_remaining_length_that_is_cut_short_waits_for_more(coded: str) -> None:
    """CHK-MQ-01: the top bit says that another byte follows."""
    assert read_remaining_length(bytes.fromhex(coded)) is None


def test_a_fifth_byte_of_remaining_length_is_malformed() -> None:
    """CHK-MQ-01: FF FF FF FF 01 is refused, and so is a length that would need it."""
    with pytest.raises(Malformed):
        read_remaining_length(bytes.fromhex("FFFFFFFF01"))
    with pytest.raises(Malformed):
        remaining_length(268435456)


FILTERS = [
    ("sport/tennis/player1/#", "sport/tennis/player1", True),
    ("sport/tennis/player1/#", "sport/tennis/player1/ranking", True),
    ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
    ("sport/#", "sport", True),
    ("#", "sport/tennis/player1", True),
    ("sport/tennis/+", "sport/tennis/player1", True),
    ("sport/tennis/+", "sport/tennis/player1/ranking", False),
    ("sport/+", "sport", False),
    ("sport/+", "sport/", True),
    ("+/+", "/finance", True),
    ("/+", "/finance", True),
    ("+", "/finance", False),
    ("#", "$SYS/broker/uptime", False),
    ("+/monitor/Clients", "$SYS/monitor/Clients", False),
    ("$SYS/#", "$SYS/broker/uptime", True),
]


@pytest.mark.parametrize(("topic_filter", "topic", "expected"), FILTERS)
def test_topic_filters_match_as_in_the_standard(topic_filter: str, topic: str, expected: bool) -> None:
    """CHK-MQ-02."""
    assert matches(topic_filter, topic) is expected


@pytest.mark.parametrize("topic_filter", ["sport/tennis#", "sport/tennis/#/ranking", "sport+", ""])
def test_filters_with_a_misplaced_wildcard_are_refused(topic_filter: str) -> None:
    """CHK-MQ-02, and the empty filter [4.7.3-1]."""
    assert not is_filter(topic_filter)


@pytest.mark.parametrize("topic_filter", sorted({case[0] for case in FILTERS}))
def test_the_standards_own_filters_are_accepted(topic_filter: str) -> None:
    """CHK-MQ-02: every filter that the standard uses as an example."""
    assert is_filter(topic_filter)


@pytest.mark.parametrize(
    ("flags", "expected"),
    [
        ({}, "32070003612F62000A"),
        ({"dup": True}, "3A070003612F62000A"),
        ({"retain": True}, "33070003612F62000A"),
    ],
)
def test_publish_with_qos_1_has_the_standards_bytes(flags: dict[str, bool], expected: str) -> None:
    """CHK-MQ-03: topic a/b, packet identifier 10, empty payload."""
    assert publish("a/b", b"", 10, **flags) == bytes.fromhex(expected)


@pytest.mark.parametrize(
    ("kind", "body", "expected"),
    [(4, b"\x00\x0a", "4002000A"), (12, b"", "C000"), (13, b"", "D000"), (14, b"", "E000")],
)
def test_short_packets_have_the_standards_bytes(kind: int, body: bytes, expected: str) -> None:
    """CHK-MQ-03: PUBACK 10, PINGREQ, PINGRESP, DISCONNECT."""
    assert packet(kind, 0, body) == bytes.fromhex(expected)


async def test_the_broker_speaks_these_bytes_over_a_socket() -> None:
    """CHK-MQ-03 on the wire: that PUBLISH is answered with that PUBACK, PINGREQ with PINGRESP."""
    async with Broker() as broker, asyncio.timeout(5):
        reader, writer = await asyncio.open_connection(broker.host, broker.port)
        connect = bytes.fromhex("100D00044D5154540402003C000161")
        writer.write(connect)
        assert await reader.readexactly(4) == bytes.fromhex("20020000")
        writer.write(bytes.fromhex("32070003612F62000A"))
        assert await reader.readexactly(4) == bytes.fromhex("4002000A")
        writer.write(bytes.fromhex("C000"))
        assert await reader.readexactly(2) == bytes.fromhex("D000")
        writer.write(bytes.fromhex("E000"))
        assert await reader.read() == b""
        writer.close()
        await writer.wait_closed()
