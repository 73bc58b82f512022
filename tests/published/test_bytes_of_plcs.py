"""Bytes as PLCs write them, decoded as published sources or independent arithmetic say.

Each table names its source. "Published" means that input and answer were both seen in a public copy;
"computed" that they follow from the named rule by independent arithmetic; "from memory" that the rule was
not looked up.
"""

import struct
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from collector.errors import DecodeError
from collector.layouts.decoder import Decoder
from collector.layouts.schema import Layout, LayoutFile

ORDERS = [("big", "big"), ("big", "little"), ("little", "big"), ("little", "little")]
"""(byte order, word order), as the columns of the tables below: ABCD, CDAB, BADC, DCBA."""


def layout_with(field: dict[str, Any], size: int, protocol: str) -> Layout:
    """A block layout whose record is a 16-bit sequence and the field after it."""
    place, unit, at = ({"table": "holding"}, 2, 1) if protocol == "modbus" else ({"db": 1}, 1, 2)
    sequence = {"type": "uint16", "at": 0, "byte_order": "big"}
    content = {
        "name": "published",
        "protocol": protocol,
        "sequence_bits": 16,
        "tool": {"maker": "Sample Works", "model": "C-4"},
        "status": {**place, "start": 0, "size": 2, "fields": ({"name": "last_sequence", **sequence},)},
        "history": {
            **place,
            "start": 8,
            "size": -(-(2 + size) // unit),
            "slots": 1,
            "fields": ({"name": "sequence", **sequence}, {"name": "reading", "at": at, **field}),
        },
    }
    return LayoutFile.model_validate(content).root


def value(hexadecimal: str, protocol: str = "modbus", **field: Any) -> object:
    """What one field decodes to whose bytes stand on the wire like this."""
    data = bytes.fromhex(hexadecimal)
    padding = bytes(len(data) % 2 if protocol == "modbus" else 0)
    decoder = Decoder(layout_with(field, len(data), protocol))
    return decoder.decode_cycle(b"\x00\x01" + data + padding).extra["reading"]


def in_every_order(field_type: str, columns: tuple[str, ...]) -> list[object]:
    return [
        value(wire, type=field_type, byte_order=byte, word_order=word)
        for wire, (byte, word) in zip(columns, ORDERS, strict=False)
    ]


# ---- registers -------------------------------------------------------------------------------------------


def test_the_register_values_of_the_specifications_example() -> None:
    """Modbus Application Protocol V1.1b3, section 6.3: registers 108 to 110 hold 555, 0 and 100
    (published).
    """
    response = "022B00000064"
    assert [value(response[at : at + 4], type="uint16") for at in (0, 4, 8)] == [555, 0, 100]


def test_the_register_value_of_the_specifications_other_example() -> None:
    """Modbus Application Protocol V1.1b3, section 6.4: input register 9 holds 10 (published)."""
    assert value("000A", type="uint16") == 10


FLOAT32 = [
    (1.0, ("3F800000", "00003F80", "803F0000", "0000803F")),
    (-1.0, ("BF800000", "0000BF80", "80BF0000", "000080BF")),
    (0.10000000149011612, ("3DCCCCCD", "CCCD3DCC", "CC3DCDCC", "CDCCCC3D")),
    (100.0, ("42C80000", "000042C8", "C8420000", "0000C842")),
    (123.45600128173828, ("42F6E979", "E97942F6", "F64279E9", "79E9F642")),
    (1234.5, ("449A5000", "5000449A", "9A440050", "00509A44")),
    (-2.5, ("C0200000", "0000C020", "20C00000", "000020C0")),
    (827.2999877929688, ("444ED333", "D333444E", "4E4433D3", "33D34E44")),
    (12.5, ("41480000", "00004148", "48410000", "00004841")),
    (3.4028234663852886e38, ("7F7FFFFF", "FFFF7F7F", "7F7FFFFF", "FFFF7F7F")),
    (1.401298464324817e-45, ("00000001", "00010000", "00000100", "01000000")),
]
"""IEEE 754 single precision in the four orders of bytes and words; computed. The last two are the
largest and the smallest positive single."""


@pytest.mark.parametrize(("expected", "columns"), FLOAT32)
def test_float32_in_four_orders(expected: float, columns: tuple[str, ...]) -> None:
    """IEEE 754 (computed): the same single from ABCD, CDAB, BADC and DCBA, exactly."""
    assert in_every_order("float32", columns) == [expected] * 4


def test_the_registers_of_one_float() -> None:
    """IEEE 754 (computed): 123.456 is 17142 and 59769 as registers, high word first."""
    assert value(struct.pack(">HH", 17142, 59769).hex(), type="float32") == 123.45600128173828


@pytest.mark.parametrize("special", ["7F800000", "FF800000", "7FC00000"])
def test_what_is_not_finite_is_no_value(special: str) -> None:
    """IEEE 754 (computed): the infinities and the quiet NaN; that they are no value is our choice."""
    assert value(special, type="float32") is None


def test_negative_zero_is_zero() -> None:
    """IEEE 754 (computed)."""
    assert value("80000000", type="float32") == 0.0


@pytest.mark.parametrize(
    ("expected", "columns"),
    [
        (-1, ("FFFFFFFF", "FFFFFFFF")),
        (123456789, ("075BCD15", "CD15075B")),
        (-123456, ("FFFE1DC0", "1DC0FFFE")),
        (2147483647, ("7FFFFFFF", "FFFF7FFF")),
        (-2147483648, ("80000000", "00008000")),
    ],
)
def test_int32_in_two_orders(expected: int, columns: tuple[str, ...]) -> None:
    """Two's complement (computed): high word first and low word first."""
    assert in_every_order("int32", columns) == [expected] * 2


@pytest.mark.parametrize(
    ("expected", "wire"), [(123456789.12345679, "419D6F34547E6B75"), (3.141592653589793, "400921FB54442D18")]
)
def test_float64(expected: float, wire: str) -> None:
    """IEEE 754 double precision (computed; the first is also a published S7 LREAL)."""
    assert value(wire, type="float64") == expected


# ---- S7 --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("s7_type", "wire", "field", "expected"),
    [
        ("REAL", "444ED333", {"type": "float32"}, 827.2999877929688),
        ("LREAL", "419D6F34547E6B75", {"type": "float64"}, 123456789.12345679),
        ("DINT", "80000000", {"type": "int32"}, -2147483648),
        ("DWORD", "FFFFFFFF", {"type": "uint32"}, 4294967295),
        ("UINT", "3039", {"type": "uint16"}, 12345),
        ("UDINT", "075BCD15", {"type": "uint32"}, 123456789),
        ("SINT", "7F", {"type": "int8"}, 127),
        ("STRING[4]", "040474657374", {"type": "s7_string", "length": 4}, "test"),
        ("WSTRING[4]", "0004000403A90073007400C4", {"type": "s7_wstring", "length": 4}, "ΩstÄ"),
        ("S5TIME", "0010", {"type": "s7_s5time"}, 100),
        ("DATE", "2DEB", {"type": "s7_date"}, "2022-03-09"),
        ("TIME_OF_DAY", "02B32980", {"type": "s7_tod"}, "12:34:56"),
        ("DATE_AND_TIME", "2007121732028541", {"type": "s7_dt"}, "2020-07-12T17:32:02.854000"),
        ("DTL", "07E60309040C222D00000000", {"type": "s7_dtl"}, "2022-03-09T12:34:45"),
    ],
)
def test_published_values_of_s7_types(
    s7_type: str, wire: str, field: dict[str, Any], expected: object
) -> None:
    """Published: the unit tests of the general-purpose client library python-snap7, state of
    August 2026.
    """
    assert value(wire, protocol="s7", **field) == expected, s7_type


def test_the_longest_s7_time() -> None:
    """Published (same source): TIME 7FFFFFFF is 24 days 20:31:23.647."""
    longest = timedelta(days=24, hours=20, minutes=31, seconds=23, milliseconds=647)
    assert value("7FFFFFFF", protocol="s7", type="s7_time") == longest // timedelta(milliseconds=1)


@pytest.mark.parametrize(
    ("wire", "expected"),
    [
        ("2603290159599991", "2026-03-29T01:59:59.999000"),
        ("9312250812345677", "1993-12-25T08:12:34.567000"),
        ("9001010000000002", "1990-01-01T00:00:00"),
        ("8912312359599997", "2089-12-31T23:59:59.999000"),
        ("2402291200000015", "2024-02-29T12:00:00.001000"),
    ],
)
def test_edges_of_date_and_time(wire: str, expected: str) -> None:
    """Computed from the published rule of the type: year byte 90 to 99 is 1990 to 1999, 00 to 89
    is 2000 to 2089.
    """
    assert value(wire, protocol="s7", type="s7_dt") == expected


@pytest.mark.parametrize(
    ("wire", "expected"),
    [
        ("07EA0B0101011E00075BCD15", "2026-11-01T01:30:00.123456"),
        ("07B201010500000000000000", "1970-01-01T00:00:00"),
    ],
)
def test_edges_of_dtl(wire: str, expected: str) -> None:
    """Computed from the published rule of the type; nanoseconds are cut to microseconds."""
    assert value(wire, protocol="s7", type="s7_dtl") == expected


@pytest.mark.parametrize(
    ("wire", "ms"), [("0001", 10), ("0999", 9990), ("1005", 500), ("2127", 127_000), ("3999", 9_990_000)]
)
def test_edges_of_s5time(wire: str, ms: int) -> None:
    """Computed from a published page on the elementary data types: bases 10 ms, 100 ms, 1 s, 10 s;
    at most 9990 s.
    """
    assert value(wire, protocol="s7", type="s7_s5time") == ms


def test_the_two_free_bits_of_s5time_are_not_looked_at() -> None:
    """Bits 14 and 15 have no meaning on the controller; 4001 is read as 0001 (our choice, not to
    refuse it).
    """
    assert (
        value("4001", protocol="s7", type="s7_s5time") == value("C001", protocol="s7", type="s7_s5time") == 10
    )


@pytest.mark.parametrize(("wire", "expected"), [("80", -128), ("FF", -1)])
def test_edges_of_sint(wire: str, expected: int) -> None:
    """Two's complement (computed)."""
    assert value(wire, protocol="s7", type="int8") == expected


@pytest.mark.parametrize(("wire", "ms"), [("FFFFFFFF", -1), ("00000000", 0), ("80000000", -2147483648)])
def test_edges_of_time(wire: str, ms: int) -> None:
    """Two's complement (computed): TIME is signed milliseconds."""
    assert value(wire, protocol="s7", type="s7_time") == ms


def test_an_empty_string_is_no_value() -> None:
    """Published rule: byte 0 is the maximum, byte 1 the actual length; 10 and 0 is empty."""
    assert value("0A00" + "41" * 10, protocol="s7", type="s7_string", length=10) is None


@pytest.mark.parametrize(
    ("wire", "field"),
    [
        ("00A0", {"type": "s7_s5time"}),
        ("0205414243", {"type": "s7_string", "length": 3}),
        ("FF0161", {"type": "s7_string", "length": 1}),
    ],
)
def test_what_can_not_be_such_a_value(wire: str, field: dict[str, Any]) -> None:
    """Computed from the published rules: A is no BCD digit, actual is never above maximum, maximum
    never above 254.
    """
    with pytest.raises(DecodeError):
        value(wire, protocol="s7", **field)


# ---- RFC 3339 --------------------------------------------------------------------------------------------


def json_clock(text: str) -> datetime | None:
    """The clock that a JSON status says."""
    fields = (
        {"name": "last_sequence", "type": "integer", "path": "n"},
        {"name": "clock", "type": "rfc3339", "path": "at"},
    )
    sequence = {"name": "sequence", "type": "integer", "path": "n"}
    content = {
        "name": "published",
        "protocol": "mqtt",
        "sequence_bits": 16,
        "tool": {"maker": "Sample Works", "model": "C-4"},
        "status": {"topic": "{controller}/status", "payload": "json", "fields": fields},
        "history": {"topic": "{controller}/cycle", "payload": "json", "fields": (sequence,)},
    }
    return (
        Decoder(LayoutFile.model_validate(content).root)
        .decode_status(f'{{"n": 1, "at": "{text}"}}'.encode())
        .clock
    )


@pytest.mark.parametrize(
    ("text", "milliseconds"),
    [
        ("1985-04-12T23:20:50.52Z", 482196050520),
        ("1996-12-19T16:39:57-08:00", 851042397000),
        ("1937-01-01T12:00:27.87+00:20", -1041337172130),
        ("2026-11-01t01:30:00z", 1793496600000),
        ("2026-11-01T01:30:00-00:00", 1793496600000),
    ],
)
def test_instants_of_rfc3339(text: str, milliseconds: int) -> None:
    """RFC 3339, section 5.8 (published examples; the last two computed): lower case and unknown
    offset are allowed.
    """
    clock = json_clock(text)
    assert clock is not None
    assert clock.utcoffset() is not None
    assert (clock - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(milliseconds=1) == milliseconds


@pytest.mark.parametrize("text", ["1990-12-31T23:59:60Z", "1990-12-31T15:59:60-08:00"])
def test_a_leap_second_keeps_its_day(text: str) -> None:
    """RFC 3339, section 5.8 (published examples). Ours is the last microsecond before midnight,
    662688000 s.
    """
    clock = json_clock(text)
    assert clock == datetime.fromtimestamp(662688000, UTC) - timedelta(microseconds=1)


@pytest.mark.parametrize(
    "text",
    [
        "2026-02-29T00:00:00Z",
        "2026-11-01T24:00:00Z",
        "2026-11-01T01:30Z",
        "2026-11-01T01:30:00",
        "20261101T013000Z",
        "2026-13-01T00:00:00Z",
        "2026-11-01T01:30:61Z",
        "2100-02-29T00:00:00Z",
    ],
)
def test_what_is_no_instant_of_rfc3339(text: str) -> None:
    """RFC 3339, sections 5.6 and 5.7 (computed from the grammar): no such day, no seconds, no
    offset, basic format.
    """
    with pytest.raises(DecodeError):
        json_clock(text)
