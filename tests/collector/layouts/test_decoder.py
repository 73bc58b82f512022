"""Blocks and messages of the example layouts, packed by hand, give the right Status, Cycle and Curve."""

import json
import struct
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from random import Random
from typing import Any, get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.errors import DecodeError
from collector.layouts.decoder import Decoder
from collector.layouts.field_schema import BinaryType
from collector.layouts.schema import Layout, LayoutFile
from collector.model import ActiveFault, ToolName

Examples = Mapping[str, Layout]


def packed(size: int, *pieces: tuple[int, str, tuple[Any, ...]]) -> bytes:
    """A block of zeros with pieces (byte offset, struct format, values) put in."""
    block = bytearray(size)
    for at, form, values in pieces:
        struct.pack_into(form, block, at, *values)
    return bytes(block)


def with_low_word_first(value: int) -> tuple[int, int]:
    return value & 0xFFFF, value >> 16


RING_STATUS = packed(
    64,
    (0, ">H", (65535,)),
    (2, ">HH", (1, 2)),
    (6, ">HH", (0b101010, 0b001000)),
    (10, ">H", (1,)),
    (12, ">HH", with_low_word_first(70_001)),
    (16, ">HH", with_low_word_first(12)),
    (20, ">7H", (2026, 11, 1, 6, 30, 15, 250)),
    (34, ">HH", with_low_word_first(100_200)),
    (38, ">HHHH", (900, 500, 4000, 800)),
    (46, "8s", (b"B-19",)),
    (54, ">H", (0x1234,)),
    (56, "8s", (b"CB004711",)),
)


def test_a_status_of_registers_is_decoded(examples: Examples) -> None:
    """Counts, clock, tool, settings, faults and the rest come out of the block of ring-modbus."""
    status = Decoder(examples["ring-modbus"]).decode_status(RING_STATUS)
    assert status.last_sequence == 65535
    assert (status.mode, status.state, status.emergency_stop) == ("manual", "executing", True)
    assert (status.total_count, status.count_since_cleared) == (70_001, 12)
    assert status.clock == datetime(2026, 11, 1, 6, 30, 15, 250_000)
    assert status.tool == ToolName("Sample Works", "C-4", "100200")
    assert status.controller_serial == "CB004711"
    assert status.supply_pressure_kpa == pytest.approx(620.5281563851526, rel=1e-15)
    assert status.settings == {
        "set_torque_nm": pytest.approx(5.649241451380835, rel=1e-15),
        "tension_speed_mm_s": 400.0,
        "punch_pressure_kpa": pytest.approx(80 * 6.8947572931683613367, rel=1e-15),
        "band": "B-19",
    }
    assert status.extra == {"firmware": 1234}
    assert status.raw == RING_STATUS


def test_faults_are_the_bits_that_are_set(examples: Examples) -> None:
    """Each set bit is one fault, in the order of the layout, with its own acknowledgement."""
    status = Decoder(examples["ring-modbus"]).decode_status(RING_STATUS)
    assert status.faults == (
        ActiveFault("12", "Tension not reached", "process", False),
        ActiveFault("14", "Supply air low", "system", True),
        ActiveFault("16", "Trigger released during tensioning", "operator", False),
    )


def test_a_fault_can_be_a_number(examples: Examples) -> None:
    """In last-record-modbus the fault is one number, and 0 is none; the number is not kept twice."""
    decoder = Decoder(examples["last-record-modbus"])
    status = decoder.decode_status(packed(40, (6, "<H", (2,))))
    assert [fault.code for fault in status.faults] == ["2"]
    assert status.extra == {}
    assert decoder.decode_status(bytes(40)).faults == ()


def test_no_serial_is_no_tool(examples: Examples) -> None:
    """A controller whose serial number is its sentinel or blank has no tool mounted."""
    assert Decoder(examples["ring-modbus"]).decode_status(bytes(64)).tool is None
    assert Decoder(examples["last-record-modbus"]).decode_status(bytes(40)).tool is None


def test_a_record_of_registers_is_decoded(examples: Examples) -> None:
    """Words with the low one first, two bytes in one register, scaled units, sentinels and text."""
    record = packed(
        64,
        (0, ">H", (65535,)),
        (2, ">HH", with_low_word_first(1_793_514_615)),
        (6, ">HH", with_low_word_first(100_200)),
        (10, ">BB", (1, 2)),
        (12, ">HH", (0, 13)),
        (16, ">HH", (812, 431)),
        (20, ">HHH", (1500, 1400, 65535)),
        (26, ">HHHH", (500, 4000, 800, 900)),
        (34, ">H", (3125,)),
        (36, ">HH", with_low_word_first(70_001)),
        (40, "8s", (b"B-19",)),
        (48, "12s", (b"",)),
        (60, "4s", (bytes.fromhex("000041C8"),)),
    )
    cycle = Decoder(examples["ring-modbus"]).decode_cycle(record)
    assert cycle.sequence == 65535
    assert cycle.controller_time == datetime.fromtimestamp(1_793_514_615, UTC).replace(tzinfo=None)
    assert (cycle.tool_serial, cycle.fault_code, cycle.part_id, cycle.band) == ("100200", "13", None, "B-19")
    assert (cycle.result, cycle.completion, cycle.mode) == ("nok", "failed", "automatic")
    assert (cycle.duration_ms, cycle.take_up_ms) == (812.0, 431.0)
    assert cycle.peak_tension_n == 667.233242289075
    assert cycle.lock_tension_n == pytest.approx(140 * 4.4482216152605, rel=1e-15)
    assert cycle.seating_loss_n is None
    assert (cycle.punch_velocity_m_s, cycle.total_count) == (3.125, 70_001)
    assert cycle.extra == {"motor_current_a": 25.0}
    assert cycle.raw == record


def test_a_record_of_a_data_block_is_decoded(examples: Examples) -> None:
    """BCD time, length-prefixed strings, REAL and TIME of ring-s7."""
    record = packed(
        98,
        (0, ">I", (3_000_000_000,)),
        (4, "8s", (bytes.fromhex("2611010630152501"),)),
        (12, "18s", (b"\x10\x07BT-0042",)),
        (30, ">BBB", (3, 1, 9)),
        (34, ">H", (4,)),
        (36, ">ii", (812, 431)),
        (44, ">fff", (827.3, -1.0, 12.5)),
        (64, ">f", (5.5,)),
        (76, ">I", (70_001,)),
        (80, "16s", (b"\x0e\x00",)),
        (96, "2s", (bytes.fromhex("9876"),)),
    )
    cycle = Decoder(examples["ring-s7"]).decode_cycle(record)
    assert cycle.sequence == 3_000_000_000
    assert cycle.controller_time == datetime(2026, 11, 1, 6, 30, 15, 250_000)
    assert (cycle.tool_serial, cycle.part_id, cycle.fault_code) == ("BT-0042", None, "E04")
    assert (cycle.result, cycle.completion, cycle.mode) == ("undecided", "completed", "unknown")
    assert (cycle.duration_ms, cycle.peak_tension_n) == (812.0, 827.2999877929688)
    assert (cycle.lock_tension_n, cycle.seating_loss_n) == (None, 12.5)
    assert cycle.punch_pressure_kpa == 550.0
    assert cycle.extra == {"stroke_count": 9876}


def test_messages_are_decoded(examples: Examples) -> None:
    """JSON status and cycle: nested paths, absent and null members, an aware clock."""
    decoder = Decoder(examples["messages-mqtt"])
    status = decoder.decode_status(
        b'{"last": 7, "mode": "hand", "faults": {"active": 9, "acknowledged": 8}, "tool": {"serial": "S-1"},'
        b' "time": "2026-11-01T01:30:00.250-05:00", "air_bar": 6.2, "set": {"torque_nm": 5, "band": null}}'
    )
    assert (status.last_sequence, status.mode, status.state) == (7, "manual", "not_available")
    assert [(fault.code, fault.acknowledged) for fault in status.faults] == [
        ("F-BAND", False),
        ("F-AIR", True),
    ]
    assert status.clock == datetime(2026, 11, 1, 6, 30, 0, 250_000, tzinfo=UTC)
    assert status.tool == ToolName("Example Tools", "BT-30", "S-1")
    assert status.supply_pressure_kpa == 620.0
    assert status.settings == {
        "set_torque_nm": 5.0,
        "tension_speed_mm_s": None,
        "punch_pressure_kpa": None,
        "band": None,
    }
    cycle = decoder.decode_cycle(
        b'{"n": 8, "result": "pass", "end": "done", "ms": {"total": 800}, "n_peak": 512.5}'
    )
    assert (cycle.sequence, cycle.result, cycle.completion) == (8, "ok", "completed")
    assert (cycle.duration_ms, cycle.peak_tension_n, cycle.take_up_ms) == (800.0, 512.5, None)


# ---- curves ----------------------------------------------------------------------------------------------


@given(samples=st.lists(st.integers(0, 65535), min_size=1, max_size=600))
def test_samples_of_registers_become_little_endian(examples: Examples, samples: list[int]) -> None:
    """Nothing of a curve is lost, and scale and unit are joined into one factor."""
    head = packed(10, (0, ">H", (41,)), (2, ">H", (len(samples),)), (4, ">HH", with_low_word_first(500)))
    block = head + struct.pack(f">{len(samples)}H", *samples) + bytes(2 * (600 - len(samples)))
    curve = Decoder(examples["ring-modbus"]).decode_curve(block)
    assert (curve.sequence, curve.sample_interval_us) == (41, 500)
    assert (curve.quantity, curve.sample_type) == ("tension_n", "uint16")
    assert curve.samples == struct.pack(f"<{len(samples)}H", *samples)
    assert (curve.scale, curve.offset) == (0.44482216152605, 0.0)


@pytest.mark.parametrize("byte_order", ["big", "little"])
@pytest.mark.parametrize("word_order", ["big", "little"])
@pytest.mark.parametrize(
    ("sample_type", "code"), [("float32", "f"), ("int32", "i"), ("float64", "d"), ("int16", "h")]
)
def test_samples_of_every_order_become_little_endian(
    around: Callable[..., Layout],
    on_wire: Callable[[bytes, str, str], bytes],
    byte_order: str,
    word_order: str,
    sample_type: str,
    code: str,
) -> None:
    """The order is turned within each sample, and the samples stay in theirs."""
    values = [1, -2, 100, 3000]
    orders = {"byte_order": byte_order, "word_order": word_order}
    curve = {
        "table": "input",
        "start": 100,
        "size": 100,
        "fields": (
            {"name": "sequence", "type": "uint16", "at": 0},
            {"name": "sample_count", "type": "uint16", "at": 1},
            {"name": "sample_interval_us", "type": "uint16", "at": 2},
        ),
        "samples": {"type": sample_type, "at": 4, "most": 20, "quantity": "torque_nm", "offset": 1.5},
    }
    layout = around(0, curve=curve, **orders)
    head = b"".join(on_wire(struct.pack(">H", number), byte_order, word_order) for number in (9, 4, 1000, 0))
    body = b"".join(on_wire(struct.pack(f">{code}", value), byte_order, word_order) for value in values)
    found = Decoder(layout).decode_curve((head + body).ljust(200, b"\0"))
    assert found.samples == struct.pack(f"<4{code}", *values)
    assert (found.scale, found.offset, found.quantity) == (1.0, 1.5, "torque_nm")


def curve_message(count: int, samples: int, interval_us: int = 500) -> bytes:
    return struct.pack("<IIH", 5, interval_us, count) + bytes(2 * samples)


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (curve_message(1001, 1001), "less than 1001"),
        (curve_message(4, 3), "4 samples end at byte 18"),
        (curve_message(3, 3, interval_us=0), "no time between"),
        (b"short", "has 5 bytes; the fields take 10"),
    ],
)
def test_a_curve_that_can_not_be_is_refused(examples: Examples, raw: bytes, says: str) -> None:
    """More samples than the layout allows or the message holds, or no time between them."""
    with pytest.raises(DecodeError, match=says):
        Decoder(examples["messages-mqtt"]).decode_curve(raw)


def test_a_curve_may_be_empty(examples: Examples) -> None:
    """A cycle that was aborted at once has no samples; that is no mistake of anybody's."""
    assert Decoder(examples["messages-mqtt"]).decode_curve(curve_message(0, 0)).samples == b""


def test_a_layout_without_a_curve_says_so(examples: Examples) -> None:
    """Asking such a controller's decoder for a curve is a DecodeError, as any other."""
    with pytest.raises(DecodeError, match="no curve"):
        Decoder(examples["last-record-modbus"]).decode_curve(b"")


def json_curve_layout(sample_type: str) -> Layout:
    sequence = {"name": "sequence", "type": "integer", "path": "n"}
    fields = (sequence, {"name": "sample_interval_us", "type": "number", "path": "every_ms", "unit": "ms"})
    samples = {"type": sample_type, "path": "curve.y", "most": 5, "quantity": "tension_n", "unit": "kN"}
    status = ({"name": "last_sequence", "type": "integer", "path": "n"},)
    content = {
        "name": "json-curve",
        "protocol": "mqtt",
        "sequence_bits": 32,
        "tool": {"maker": "Example Tools", "model": "BT-30"},
        "status": {"topic": "{controller}/status", "payload": "json", "fields": status},
        "history": {"topic": "{controller}/cycle", "payload": "json", "fields": (sequence,)},
        "curve": {"topic": "{controller}/curve", "payload": "json", "fields": fields, "samples": samples},
    }
    return LayoutFile.model_validate(content).root


def test_a_curve_can_be_an_array_in_json() -> None:
    """The array says how many samples there are; the unit of the interval is turned into
    microseconds.
    """
    raw = b'{"n": 5, "every_ms": 0.25, "curve": {"y": [0, 0.5, 1.25]}}'
    curve = Decoder(json_curve_layout("float64")).decode_curve(raw)
    assert (curve.sequence, curve.sample_interval_us, curve.scale) == (5, 250, 1000.0)
    assert curve.samples == struct.pack("<3d", 0, 0.5, 1.25)


@pytest.mark.parametrize(
    "samples",
    ["[1, 2, 3, 4, 5, 6]", "[70000]", "[1.5]", "[null]", "[true]", '["1"]', "{}", "null", "[[1]]"],
)
def test_an_array_that_is_no_curve_is_refused(samples: str) -> None:
    """Too many samples, samples that don't fit, and anything that is not a number."""
    raw = f'{{"n": 5, "every_ms": 0.25, "curve": {{"y": {samples}}}}}'.encode()
    with pytest.raises(DecodeError):
        Decoder(json_curve_layout("int16")).decode_curve(raw)


# ---- what is refused -------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["ring-modbus", "last-record-modbus", "ring-s7"])
@pytest.mark.parametrize("change", [-2, -1, 1, 2])
def test_a_block_of_the_wrong_length_is_refused(examples: Examples, name: str, change: int) -> None:
    """A status or record that is shorter or longer than the layout says is not looked into."""
    layout = examples[name]
    decoder = Decoder(layout)
    for section, decode in ((layout.status, decoder.decode_status), (layout.history, decoder.decode_cycle)):
        size = section.size * section.unit_bytes
        with pytest.raises(DecodeError, match=f"has {size + change} bytes; the layout says {size}"):
            decode(bytes(size + change))


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"\xff\xfe",
        b"null",
        b"[1]",
        b"7",
        b'{"n": 7',
        b'{"n": 7} x',
        b'{"n": NaN}',
        b'{"n": 1e400}',
        b'{"n": ' + b"9" * 5000 + b"}",
        b"[" * 100_000,
        b'{"n":' * 5000,
        b'{"n": 7, "part": "\xff"}',
        b'{"n": 7, "part": "\\ud800"}',
    ],
)
def test_what_is_no_json_object_is_refused(examples: Examples, raw: bytes) -> None:
    """Garbage, other encodings, NaN, endless numbers and endless nesting are DecodeErrors."""
    with pytest.raises(DecodeError) as caught:
        Decoder(examples["messages-mqtt"]).decode_cycle(raw)
    assert caught.value.raw == raw


@pytest.mark.parametrize(
    ("member", "field"),
    [
        ('"n": null', "sequence"),
        ('"m": 7', "sequence"),
        ('"n": true', "sequence"),
        ('"n": "7"', "sequence"),
        ('"n": 7.5', "sequence"),
        ('"n": -1', "sequence"),
        ('"n": 4294967296', "sequence"),
        ('"n": 18446744073709551615', "sequence"),
        ('"n": 7, "n_peak": true', "peak_tension_n"),
        ('"n": 7, "n_peak": "5"', "peak_tension_n"),
        ('"n": 7, "n_peak": [5]', "peak_tension_n"),
        ('"n": 7, "ms": 5', "duration_ms"),
        ('"n": 7, "part": 5', "part_id"),
        ('"n": 7, "time": 5', "controller_time"),
        ('"n": 7, "time": "2026-11-01 01:30:00"', "controller_time"),
        ('"n": 7, "time": "2026-11-01T01:30:00"', "controller_time"),
    ],
)
def test_a_member_of_the_wrong_kind_is_refused(examples: Examples, member: str, field: str) -> None:
    """A required member that is missing, and any that is not what the layout says; the field is
    named.
    """
    with pytest.raises(DecodeError) as caught:
        Decoder(examples["messages-mqtt"]).decode_cycle(f"{{{member}}}".encode())
    assert (caught.value.layout, caught.value.field) == ("messages-mqtt", field)


@pytest.mark.parametrize("number", ["7", "7.0"])
def test_a_whole_number_may_be_written_with_a_point(examples: Examples, number: str) -> None:
    """7 and 7.0 are the same number in JSON."""
    assert Decoder(examples["messages-mqtt"]).decode_cycle(f'{{"n": {number}}}'.encode()).sequence == 7


def test_an_error_names_the_layout_the_field_and_the_place(examples: Examples) -> None:
    """A person must be able to find the bytes."""
    raw = packed(64, (2, ">H", (9,)))
    with pytest.raises(DecodeError) as caught:
        Decoder(examples["ring-modbus"]).decode_status(raw)
    error = caught.value
    assert (error.layout, error.field, error.offset, error.raw) == ("ring-modbus", "mode", "register 1", raw)
    assert str(error) == (
        "layout ring-modbus, field mode at register 1: is 9, which the layout's values do not list"
    )


def test_a_slot_beyond_the_ring_is_refused(examples: Examples) -> None:
    """The newest slot of a ring of 40 is 0 to 39."""
    decoder = Decoder(examples["ring-s7"])
    assert decoder.decode_status(packed(102, (4, ">H", (39,)))).newest_slot == 39
    with pytest.raises(DecodeError, match="less than 40"):
        decoder.decode_status(packed(102, (4, ">H", (40,))))


def test_a_sequence_beyond_its_width_is_refused(around: Callable[..., Layout]) -> None:
    """A sequence of 12 bits never is 4096."""
    decoder = Decoder(around(0, sequence_bits=12))
    assert decoder.decode_cycle(b"\x0f\xff").sequence == 4095
    with pytest.raises(DecodeError, match="less than 4096"):
        decoder.decode_cycle(b"\x10\x00")


@pytest.mark.parametrize("bits", range(8, 65))
def test_a_sequence_has_its_whole_width(around: Callable[..., Layout], bits: int) -> None:
    """From 8 to 64 bits, in both places, to the last number."""
    last = 2**bits - 1
    size = next(size for size in (8, 16, 32, 64) if size >= bits)
    sequence = {"type": f"uint{size}", "at": 0}
    place = {"db": 1, "start": 0, "size": 8}
    layout = around(
        0,
        protocol="s7",
        sequence_bits=bits,
        status={**place, "fields": ({"name": "last_sequence", **sequence},)},
        history={**place, "slots": 1, "fields": ({"name": "sequence", **sequence},)},
    )
    raw = last.to_bytes(size // 8, "big").ljust(8, b"\0")
    assert Decoder(layout).decode_status(raw).last_sequence == last
    assert Decoder(layout).decode_cycle(raw).sequence == last


def test_a_sequence_of_64_bits_in_json_has_its_whole_width() -> None:
    """JSON numbers up to 2⁶⁴ − 1 keep every digit; the next one is refused."""
    layout = json_curve_layout("float64").model_copy(update={"sequence_bits": 64})
    decoder = Decoder(layout)
    assert decoder.decode_cycle(b'{"n": 18446744073709551615}').sequence == 2**64 - 1
    with pytest.raises(DecodeError):
        decoder.decode_cycle(b'{"n": 18446744073709551616}')


def test_every_bit_of_a_64_bit_fault_word_is_a_fault(around: Callable[..., Layout]) -> None:
    """The highest bit makes the word greater than any number that is kept, and it is not kept."""
    fields = (
        {"name": "last_sequence", "type": "uint16", "at": 0},
        {"name": "word", "type": "uint64", "at": 2},
    )
    layout = around(
        0,
        protocol="s7",
        status={"db": 1, "start": 0, "size": 10, "fields": fields},
        faults=({"code": "63", "text": "Door open", "category": "safety", "field": "word", "bit": 63},),
    )
    status = Decoder(layout).decode_status(b"\0\1\x80" + bytes(7))
    assert [fault.code for fault in status.faults] == ["63"]


def test_a_message_may_be_longer_than_its_fields(examples: Examples) -> None:
    """Later firmware may append to a binary message; what we know stays where it is."""
    curve = Decoder(examples["messages-mqtt"]).decode_curve(curve_message(3, 3) + b"more")
    assert len(curve.samples) == 6


# ---- nothing but DecodeError -----------------------------------------------------------------------------

JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=6,
)
PATHS = (
    "last",
    "n",
    "mode",
    "state",
    "faults",
    "estop",
    "counts",
    "time",
    "tool",
    "air_bar",
    "set",
    "ms",
    "part",
)
JSON_MESSAGES = st.dictionaries(st.sampled_from(PATHS), JSON_VALUES).map(
    lambda body: json.dumps(body).encode()
)
WORKING_MESSAGES = JSON_MESSAGES.map(lambda raw: raw.replace(b"{", b'{"n": 1, "last": 1, ', 1))


def attempt(decode: Callable[[bytes], object], raw: bytes) -> None:
    try:
        decode(raw)
    except DecodeError as error:
        assert error.raw == raw  # noqa: PT017 - either outcome is fine, any other exception is not


@pytest.mark.parametrize("name", ["ring-modbus", "last-record-modbus", "ring-s7"])
def test_random_blocks_raise_nothing_but_decode_errors(examples: Examples, name: str) -> None:
    """Whatever stands in a controller's memory, decoding gives a value or a DecodeError."""
    layout, random = examples[name], Random(20261101)
    decoder = Decoder(layout)
    places = [(layout.status, decoder.decode_status), (layout.history, decoder.decode_cycle)]
    if layout.curve is not None:
        places.append((layout.curve, decoder.decode_curve))
    for section, decode in places:
        size = section.size * section.unit_bytes
        for _ in range(500):
            attempt(decode, random.randbytes(size))
            attempt(decode, bytes(byte & random.choice((0, 0, 1, 255)) for byte in random.randbytes(size)))


NEEDS: dict[str, list[dict[str, Any]]] = {
    "bool": [{"bit": 5}],
    "text": [{"length": 9}, {"length": 9, "encoding": "utf-8"}, {"length": 9, "encoding": "ascii"}],
    "counted_text": [{"length": 9}, {"length": 9, "prefix": 2, "encoding": "utf-8"}],
    "s7_string": [{"length": 9}],
    "s7_wstring": [{"length": 9}],
    "float32": [{}, {"scale": 1e100, "offset": 1e100, "name": "reading_n", "unit": "lbf"}],
    "float64": [{}, {"scale": 1e100, "offset": 1e100, "name": "reading_n", "unit": "lbf"}],
}
"""Type of field -> further keys to try it with."""
FIELDS = [
    {"name": "reading", "type": field_type, **more}
    for field_type in get_args(BinaryType)
    for more in NEEDS.get(field_type, [{}])
]


@pytest.mark.parametrize("protocol", ["modbus", "s7"])
@pytest.mark.parametrize("field", FIELDS, ids=str)
def test_random_bytes_of_a_field_raise_nothing_but_decode_errors(
    around: Callable[..., Layout], field: dict[str, Any], protocol: str
) -> None:
    """Each type of field alone, in each order, so that no other field's error hides its own."""
    random = Random(20261101)
    for byte_order in ("big", "little"):
        for word_order in ("big", "little"):
            at = 1 if protocol == "modbus" else 2
            orders = {"byte_order": byte_order, "word_order": word_order}
            decoder = Decoder(around(24, {"at": at, **field}, protocol=protocol, **orders))
            for _ in range(100):
                attempt(decoder.decode_cycle, b"\0\1" + random.randbytes(24))
                attempt(
                    decoder.decode_cycle, b"\0\1" + bytes(random.choice((0, 1, 9, 255)) for _ in range(24))
                )


@settings(max_examples=150)
@given(raw=st.binary(max_size=200) | JSON_MESSAGES | WORKING_MESSAGES)
def test_random_messages_raise_nothing_but_decode_errors(examples: Examples, raw: bytes) -> None:
    """Whatever a broker hands on, decoding gives a value or a DecodeError."""
    decoder = Decoder(examples["messages-mqtt"])
    for decode in (decoder.decode_status, decoder.decode_cycle, decoder.decode_curve):
        attempt(decode, raw)
