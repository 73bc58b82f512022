"""From raw to kept: sentinels, enumerations, scale, units, bounds."""

import struct
from collections.abc import Callable
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.errors import DecodeError
from collector.layouts.schema import Layout
from collector.model import Cycle

Value = Callable[..., object]
Decoded = Callable[..., Cycle]


@given(raw=st.integers(0, 65535), tenths=st.integers(1, 999))
def test_a_scaled_integer_is_rounded_once(value: Value, raw: int, tenths: int) -> None:
    """The value of a scaled integer is the double next to the exact product."""
    found = value(struct.pack(">H", raw), type="uint16", scale=tenths / 1000)
    assert found == float(Fraction(raw * tenths, 1000))


@given(raw=st.integers(-32768, 32767))
def test_scale_comes_before_offset_and_both_before_the_unit(value: Value, raw: int) -> None:
    """A temperature in tenths of a degree Fahrenheit above -40 is kept in °C."""
    found = value(struct.pack(">h", raw), type="int16", name="oil_c", scale=0.1, offset=-40, unit="degF")
    assert found == float((Fraction(raw, 10) - 40 - 32) * 5 / 9)


def test_a_value_is_kept_in_the_unit_of_its_name(decoded: Decoded) -> None:
    """Pressure in bar becomes kPa and force in lbf newtons."""
    found = decoded(struct.pack(">f", 6.5), name="supply_pressure_kpa", type="float32", unit="bar")
    assert found.supply_pressure_kpa == 650.0
    found = decoded(struct.pack(">H", 1500), name="peak_tension_n", type="uint16", scale=0.1, unit="lbf")
    assert found.peak_tension_n == 667.233242289075


def test_an_integer_without_scale_stays_an_integer_unless_its_column_is_a_measure(
    value: Value, decoded: Decoded
) -> None:
    """Extra values keep their kind; measures are floats always."""
    assert type(value(b"\x00\x05", type="uint16")) is int
    found = decoded(b"\x00\x05", name="duration_ms", type="uint16")
    assert type(found.duration_ms) is float
    assert type(decoded(b"\x00\x05", name="total_count", type="uint16").total_count) is int


@pytest.mark.parametrize(
    ("data", "field"),
    [
        (b"\xff\xff", {"type": "uint16", "none": (65535,), "scale": 0.1}),
        (struct.pack(">f", -999.9), {"type": "float32", "none": (-999.9,)}),
        (struct.pack(">d", -999.9), {"type": "float64", "none": (-999.9,)}),
        (b"NONE    ", {"type": "text", "length": 8, "none": ("NONE",)}),
        (bytes(4), {"type": "unix_s", "none": (0,)}),
        (b"\xff\xff", {"type": "uint16", "none": (0, 65535), "values": {"1": "red"}}),
    ],
)
def test_a_sentinel_is_no_value(value: Value, data: bytes, field: dict[str, object]) -> None:
    """A raw value listed in `none` is None, before scale, enumeration and calendar."""
    assert value(data, **field) is None


def test_an_enumeration_gives_our_word(decoded: Decoded) -> None:
    """Whole numbers, text and bits can each be said in words."""
    words = {"name": "result", "values": {"1": "ok", "2": "nok"}}
    assert decoded(b"\x00\x02", type="uint16", **words).result == "nok"
    assert decoded(b"\x00\x63", type="uint16", otherwise="unknown", **words).result == "unknown"
    text = {"name": "result", "type": "text", "length": 4, "values": {"PASS": "ok", "FAIL": "nok"}}
    assert decoded(b"PASS", **text).result == "ok"
    bit = {"name": "result", "type": "bool", "bit": 0, "values": {"true": "ok", "false": "nok"}}
    assert decoded(b"\x00\x01", **bit).result == "ok"
    assert decoded(b"\x00\x00", **bit).result == "nok"


def test_a_raw_value_without_a_word_is_an_error(decoded: Decoded) -> None:
    """Without `otherwise`, a raw value that the layout does not list can't be decoded."""
    with pytest.raises(DecodeError, match="is 9, which the layout's values do not list"):
        decoded(b"\x00\x09", name="result", type="uint16", values={"1": "ok"})


@pytest.mark.parametrize(("raw", "good"), [(99, False), (100, True), (900, True), (901, False)])
def test_bounds_are_in_the_controllers_unit(decoded: Decoded, raw: int, good: bool) -> None:
    """A value outside of least and most is not believed; the bounds themselves are."""
    field = {
        "name": "supply_pressure_kpa",
        "type": "uint16",
        "scale": 0.01,
        "unit": "bar",
        "least": 1,
        "most": 9,
    }
    if good:
        assert decoded(struct.pack(">H", raw), **field).supply_pressure_kpa == float(raw)
    else:
        with pytest.raises(DecodeError, match="not within 100 to 900"):
            decoded(struct.pack(">H", raw), **field)


def test_a_number_that_overflows_is_an_error(value: Value) -> None:
    """Scaling never yields an infinity."""
    with pytest.raises(DecodeError, match="no number can hold"):
        value(struct.pack(">d", 1e308), type="float64", scale=1e10)


def test_a_count_must_be_whole_and_not_negative(decoded: Decoded) -> None:
    """A count that comes as a float is taken when it is whole; half a clamp is not."""
    assert decoded(struct.pack(">f", 12.0), name="total_count", type="float32").total_count == 12
    for wrong in (12.5, -1.0):
        with pytest.raises(DecodeError):
            decoded(struct.pack(">f", wrong), name="total_count", type="float32")


def test_labels_are_text_also_where_the_controller_has_numbers(decoded: Decoded) -> None:
    """A serial number, a part and a fault code are kept as text."""
    assert decoded(struct.pack(">I", 4711), name="tool_serial", type="uint32").tool_serial == "4711"
    assert decoded(b"\x00\x05", name="part_id", type="uint16").part_id == "5"
    assert decoded(b"\x00\x05", name="fault_code", type="uint16").fault_code == "5"


def test_a_label_that_is_not_listed_is_kept_as_it_is(decoded: Decoded) -> None:
    """A fault code that the layout does not know yet must not cost the cycle."""
    field = {"name": "fault_code", "type": "uint16", "values": {"1": "E01"}}
    assert decoded(b"\x00\x01", **field).fault_code == "E01"
    assert decoded(b"\x00\x63", **field).fault_code == "99"
    assert decoded(b"\x00\x63", otherwise="other", **field).fault_code == "other"


def test_a_fault_number_is_spelled_as_its_maker_does(around: Callable[..., Layout], decoded: Decoded) -> None:
    """Where the layout says which number is which fault, a record's number becomes the fault's code."""
    status = {
        "table": "holding",
        "start": 0,
        "size": 2,
        "fields": (
            {"name": "last_sequence", "type": "uint16", "at": 0},
            {"name": "fault_code", "type": "uint16", "at": 1},
        ),
    }
    fault = {
        "code": "E05",
        "text": "Supply air low",
        "category": "system",
        "field": "fault_code",
        "equals": 5,
    }
    layout = {"status": status, "faults": (fault,)}
    assert decoded(b"\x00\x05", name="fault_code", type="uint16", layout=layout).fault_code == "E05"
    assert decoded(b"\x00\x06", name="fault_code", type="uint16", layout=layout).fault_code == "6"
