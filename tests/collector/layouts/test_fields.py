"""Each field type reads what a controller wrote, in each order; and what can't be such a value is refused."""

import struct
from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.errors import DecodeError
from collector.layouts.field_schema import BinaryType, JsonType
from collector.layouts.fields import FIELD_TYPES, JSON_KINDS, JSON_READERS, TEXT_TYPES, read_bcd
from collector.model import Cycle

Value = Callable[..., object]

ORDERS = [(byte, word) for byte in ("big", "little") for word in ("big", "little")]
STRUCTS = {
    "int16": ">h",
    "uint16": ">H",
    "int32": ">i",
    "uint32": ">I",
    "int64": ">q",
    "float32": ">f",
    "float64": ">d",
}


def numbers(field_type: str) -> st.SearchStrategy[int | float]:
    if field_type.startswith("float"):
        return st.floats(width=int(field_type[5:]), allow_nan=False, allow_infinity=False)
    bits = int(field_type.lstrip("uint"))
    least, most = (
        (0, 2**bits - 1) if field_type.startswith("u") else (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
    )
    return st.integers(least, most)


TYPED_NUMBERS = st.sampled_from(sorted(STRUCTS)).flatmap(lambda name: st.tuples(st.just(name), numbers(name)))


def test_every_type_that_a_layout_may_name_has_a_reader() -> None:
    """The schema's types and the tables of readers are the same set."""
    texts = {name for name, _ in TEXT_TYPES}
    assert set(get_args(BinaryType)) == {"bool"} | set(FIELD_TYPES) | texts
    assert set(get_args(JsonType)) == set(JSON_READERS) == set(JSON_KINDS)


@given(typed=TYPED_NUMBERS, orders=st.sampled_from(ORDERS), protocol=st.sampled_from(["modbus", "s7"]))
def test_a_number_survives_every_order(
    value: Value,
    on_wire: Callable[[bytes, str, str], bytes],
    typed: tuple[str, int | float],
    orders: tuple[str, str],
    protocol: str,
) -> None:
    """What a controller packs in any byte and word order is decoded to the same number."""
    field_type, number = typed
    wire = on_wire(struct.pack(STRUCTS[field_type], number), *orders)
    found = value(wire, type=field_type, protocol=protocol, byte_order=orders[0], word_order=orders[1])
    assert found == number


@given(number=st.integers(0, 2**63 - 1), orders=st.sampled_from(ORDERS))
def test_a_64_bit_count_survives_every_order(
    value: Value, on_wire: Callable[[bytes, str, str], bytes], number: int, orders: tuple[str, str]
) -> None:
    """An unsigned 64-bit number that the store can hold is decoded exactly."""
    wire = on_wire(struct.pack(">Q", number), *orders)
    assert value(wire, type="uint64", byte_order=orders[0], word_order=orders[1]) == number


@given(digits=st.integers(0, 99_999_999), orders=st.sampled_from(ORDERS))
def test_bcd_survives_every_order(
    value: Value, on_wire: Callable[[bytes, str, str], bytes], digits: int, orders: tuple[str, str]
) -> None:
    """Eight BCD digits are decoded to the number that they spell."""
    wire = on_wire(bytes.fromhex(f"{digits:08d}"), *orders)
    assert value(wire, type="bcd32", byte_order=orders[0], word_order=orders[1]) == digits


@given(seconds=st.integers(0, 2**32 - 1), orders=st.sampled_from(ORDERS))
def test_unix_seconds_survive_every_order(
    value: Value, on_wire: Callable[[bytes, str, str], bytes], seconds: int, orders: tuple[str, str]
) -> None:
    """A count of seconds since 1970 becomes the naive date and time."""
    wire = on_wire(struct.pack(">I", seconds), *orders)
    expected = datetime(1970, 1, 1) + timedelta(seconds=seconds)
    assert value(wire, type="unix_s", byte_order=orders[0], word_order=orders[1]) == expected.isoformat()


@pytest.mark.parametrize(("byte", "expected"), [(0, 0x12), (1, 0xEF)])
def test_a_register_holds_two_bytes(value: Value, byte: int, expected: int) -> None:
    """Byte 0 is the register's high byte and byte 1 its low byte, whatever the orders are."""
    for order in ("big", "little"):
        assert value(b"\x12\xef", type="uint8", byte=byte, byte_order=order) == expected
    assert value(b"\x12\xef", type="int8", byte=1) == -17
    assert value(b"\x12\x42", type="bcd8", byte=byte) == (12, 42)[byte]


@pytest.mark.parametrize("bit", range(16))
def test_a_bit_of_a_register_is_found(value: Value, bit: int) -> None:
    """Bit 0 is the lowest of the register as a 16-bit number in the layout's byte order."""
    wire = struct.pack(">H", 1 << bit)
    assert [value(wire, type="bool", bit=other) for other in range(16)] == [
        other == bit for other in range(16)
    ]
    assert value(wire[::-1], type="bool", bit=bit, byte_order="little") is True


def test_a_bit_of_a_byte_is_found(value: Value) -> None:
    """In a data block, bit 3 is the fourth lowest bit of the byte."""
    found = [value(b"\x08", type="bool", bit=bit, protocol="s7") for bit in range(8)]
    assert found == [bit == 3 for bit in range(8)]


@pytest.mark.parametrize("special", [float("nan"), float("inf"), float("-inf")])
def test_a_float_that_is_not_finite_is_no_value(value: Value, special: float) -> None:
    """NaN and the infinities never get into the book as numbers."""
    assert value(struct.pack(">f", special), type="float32") is None
    assert value(struct.pack(">d", special), type="float64") is None


def test_an_integer_beyond_the_store_is_refused(value: Value) -> None:
    """An unsigned 64-bit number from 2⁶³ on can't be kept and is no date, so it is an error."""
    for field_type in ("uint64", "unix_ms", "unix_us"):
        says = "64-bit range" if field_type == "uint64" else "is no date"
        with pytest.raises(DecodeError, match=says):
            value(b"\x80" + bytes(7), type=field_type)


def test_a_sentinel_may_be_an_integer_beyond_the_store(value: Value) -> None:
    """All ones in 64 bits is a usual "no value"."""
    for field_type in ("uint64", "unix_ms"):
        assert value(b"\xff" * 8, type=field_type, none=(2**64 - 1,)) is None


@given(data=st.binary(min_size=1, max_size=8))
def test_bcd_takes_decimal_digits_only(data: bytes) -> None:
    """A half byte above 9 is an error, never a number."""
    digits = data.hex()
    if set(digits) <= set("0123456789"):
        assert read_bcd(data) == int(digits)
    else:
        with pytest.raises(ValueError, match="BCD"):
            read_bcd(data)


# ---- text ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "field", "expected"),
    [
        (b"B-19\0\0zz", {"type": "text", "length": 8}, "B-19"),
        (b"B-19    ", {"type": "text", "length": 8}, "B-19"),
        (b"  B     ", {"type": "text", "length": 8}, "  B"),
        (b"        ", {"type": "text", "length": 8}, None),
        (bytes(8), {"type": "text", "length": 8}, None),
        (b"ABC", {"type": "text", "length": 3}, "ABC"),
        (b"B\xb5m ", {"type": "text", "length": 4}, "Bµm"),
        ("µm".encode(), {"type": "text", "length": 3, "encoding": "utf-8"}, "µm"),
        (b"\x02ABCD", {"type": "counted_text", "length": 4}, "AB"),
        (b"\x00\x03ABCD", {"type": "counted_text", "length": 4, "prefix": 2}, "ABC"),
        (b"\x00ABCD", {"type": "counted_text", "length": 4}, None),
        (b"\x06\x02ABCDEF", {"type": "s7_string", "length": 6}, "AB"),
        (b"\x06\x00ABCDEF", {"type": "s7_string", "length": 6}, None),
        (b"\x00\x02\x00\x01\x03\xa9\x00A", {"type": "s7_wstring", "length": 2}, "Ω"),
    ],
)
def test_text_is_read(value: Value, data: bytes, field: dict[str, object], expected: str | None) -> None:
    """Text ends at its length or at NUL, loses trailing blanks, and is no value when nothing is
    left.
    """
    for protocol in ("modbus", "s7"):
        assert value(data, protocol=protocol, **field) == expected


@pytest.mark.parametrize(
    ("data", "field", "says"),
    [
        (b"\x05ABCD", {"type": "counted_text", "length": 4}, "length says 5 bytes"),
        (b"\xff\xffABCD", {"type": "counted_text", "length": 4, "prefix": 2}, "length says 65535"),
        (b"\x04\x05ABCDEF", {"type": "s7_string", "length": 6}, "says 5 characters of at most 4"),
        (b"\xfe\x07ABCDEF", {"type": "s7_string", "length": 6}, "room for 6"),
        (b"\xff\x02ABCDEF", {"type": "s7_string", "length": 6}, "the type has 254"),
        (
            b"\x00\x02\x00\x03\x00A\x00B",
            {"type": "s7_wstring", "length": 2},
            "says 3 characters of at most 2",
        ),
        (b"\x00\x02\x00\x01\xd8\x00\x00A", {"type": "s7_wstring", "length": 2}, "not utf-16-be"),
        (b"\xff\xff", {"type": "text", "length": 2, "encoding": "utf-8"}, "not utf-8"),
        (b"\xb5\x41", {"type": "text", "length": 2, "encoding": "ascii"}, "not ascii"),
    ],
)
def test_text_that_can_not_be_is_refused(
    value: Value, data: bytes, field: dict[str, object], says: str
) -> None:
    """A length beyond the room and bytes that are not the encoding are errors."""
    with pytest.raises(DecodeError, match=says):
        value(data, **field)


def test_text_in_swapped_registers_is_read(value: Value) -> None:
    """Byte order swaps the two characters of each register; word order has no say in text."""
    for word_order in ("big", "little"):
        orders = {"byte_order": "little", "word_order": word_order}
        assert value(b"-B91C ", type="text", length=6, **orders) == "B-19 C"
        assert value(b"-B\0" + b"1", type="text", length=3, **orders) == "B-1"
        assert value(b"A\x02CBED", type="counted_text", length=5, **orders) == "AB"


def test_byte_order_leaves_text_among_bytes_alone(value: Value) -> None:
    """In data blocks only the length in front of a counted text is a number that has an order."""
    orders = {"protocol": "s7", "byte_order": "little", "word_order": "little"}
    assert value(b"B-19", type="text", length=4, **orders) == "B-19"
    assert value(b"\x06\x02ABCDEF", type="s7_string", length=6, **orders) == "AB"
    assert value(b"\x03\x00ABCD", type="counted_text", length=4, prefix=2, **orders) == "ABC"


# ---- dates and times -------------------------------------------------------------------------------------

MOMENT = datetime(2026, 11, 1, 1, 30, 0, 123456)
MOMENT_US = (MOMENT - datetime(1970, 1, 1)) // timedelta(microseconds=1)


@pytest.mark.parametrize(
    ("field_type", "data", "expected"),
    [
        ("unix_s", struct.pack(">I", MOMENT_US // 10**6), MOMENT.replace(microsecond=0)),
        ("unix_ms", struct.pack(">Q", MOMENT_US // 1000), MOMENT.replace(microsecond=123000)),
        ("unix_us", struct.pack(">Q", MOMENT_US), MOMENT),
        ("s7_ldt", struct.pack(">q", MOMENT_US * 1000 + 789), MOMENT),
        ("s7_ldt", struct.pack(">q", -1), datetime(1969, 12, 31, 23, 59, 59, 999999)),
        ("s7_dt", bytes.fromhex("2611010130001231"), MOMENT.replace(microsecond=123000)),
        ("s7_dtl", struct.pack(">HBBBBBBI", 2026, 11, 1, 1, 1, 30, 0, 123456999), MOMENT),
        (
            "datetime_words",
            struct.pack(">7H", 2026, 11, 1, 1, 30, 0, 123),
            MOMENT.replace(microsecond=123000),
        ),
        ("s7_date", struct.pack(">H", 13453), date(2026, 11, 1)),
        ("s7_tod", struct.pack(">I", 5_400_123), time(1, 30, 0, 123000)),
    ],
)
def test_a_date_is_read(value: Value, field_type: str, data: bytes, expected: datetime | date | time) -> None:
    """Each form that PLCs have for dates and times gives a naive value, cut to microseconds."""
    for protocol in ("modbus", "s7"):
        assert value(data, type=field_type, protocol=protocol) == expected.isoformat()


def test_a_date_of_a_column_stays_a_date(decoded: Callable[..., Cycle]) -> None:
    """The controller's time is a datetime without zone, not text."""
    found = decoded(struct.pack(">Q", MOMENT_US), name="controller_time", type="unix_us")
    assert found.controller_time == MOMENT


def test_dates_in_swapped_registers_are_read(value: Value) -> None:
    """Byte order swaps inside each word of a calendar date; word order leaves the run of words as
    it is.
    """
    orders = {"byte_order": "little", "word_order": "little"}
    words = struct.pack("<7H", 2026, 11, 1, 1, 30, 0, 123)
    assert value(words, type="datetime_words", **orders) == "2026-11-01T01:30:00.123000"
    assert value(words, type="datetime_words", protocol="s7", **orders) == "2026-11-01T01:30:00.123000"
    dt = bytes.fromhex("1126010100303112")
    assert value(dt, type="s7_dt", **orders) == "2026-11-01T01:30:00.123000"
    assert value(bytes.fromhex("2611010130001231"), type="s7_dt", protocol="s7", **orders) is not None


@pytest.mark.parametrize("field_type", ["s7_dt", "s7_dtl", "datetime_words"])
def test_a_calendar_date_of_zeros_is_no_value(value: Value, field_type: str) -> None:
    """A controller whose clock was never set shows zeros; that is no date and no error."""
    assert value(bytes(FIELD_TYPES[field_type].size), type=field_type) is None


@pytest.mark.parametrize(
    ("field_type", "data"),
    [
        ("s7_dt", "2602290159599991"),  # 29 February 2026
        ("s7_dt", "26112A0159599991"),
        ("s7_dt", "2611010160009991"),
        ("s7_dtl", "07EA0D0101011E0000000000"),
        ("s7_dtl", "07EA0B0101011E003B9ACA00"),  # 10⁹ ns
        ("s7_dtl", "FFFF0B0101011E0000000000"),
        ("datetime_words", "07EA000B001F0001001E00000000"),  # 31 November
        ("datetime_words", "07EA000B000100010001000003E8"),  # 1000 ms
        ("s7_tod", "05265C00"),  # 24:00
        ("unix_us", "7FFFFFFFFFFFFFFF"),
        ("s7_s5time", "000A"),
    ],
)
def test_a_date_that_does_not_exist_is_refused(value: Value, field_type: str, data: str) -> None:
    """A day, an hour or a digit that the calendar has not is an error, never another date."""
    with pytest.raises(DecodeError):
        value(bytes.fromhex(data), type=field_type)


def test_durations_of_s7_are_milliseconds(value: Value, decoded: Callable[..., Cycle]) -> None:
    """TIME and S5TIME bring their unit along: a name in seconds gets seconds."""
    assert value(struct.pack(">i", -1500), type="s7_time") == -1500
    assert value(struct.pack(">i", -1500), type="s7_time", name="dwell_s") == -1.5
    assert value(bytes.fromhex("2127"), type="s7_s5time", name="dwell_s") == 127.0
    assert decoded(struct.pack(">i", 1500), type="s7_time", name="duration_ms").duration_ms == 1500.0
