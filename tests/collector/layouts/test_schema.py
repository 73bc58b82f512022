"""What a layout file may say, that every mistake in one is found, and where the blocks of a good one are."""

from collections.abc import Callable, Mapping
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.errors import ConfigError, LayoutError
from collector.layouts.field_schema import COLUMNS, REQUIRED
from collector.layouts.schema import (
    DataBlock,
    Layout,
    ModbusLayout,
    MqttLayout,
    RegisterBlock,
    S7Layout,
    load_layout,
)
from collector.model import Curve, Cycle, Status

Examples = Mapping[str, Layout]
MistakesIn = Callable[[str], list[tuple[int | None, str, str]]]

EXAMPLES = Path(__file__).parents[3] / "collector" / "layouts" / "examples"
RING = (EXAMPLES / "ring-modbus.toml").read_text(encoding="utf-8")
LAST = (EXAMPLES / "last-record-modbus.toml").read_text(encoding="utf-8")
S7 = (EXAMPLES / "ring-s7.toml").read_text(encoding="utf-8")
MQTT = (EXAMPLES / "messages-mqtt.toml").read_text(encoding="utf-8")

PRESSURE = '{ name = "supply_pressure_kpa", type = "uint16", at = 19, scale = 0.1, unit = "psi" }'
FIRMWARE = '{ name = "firmware", type = "bcd16", at = 27 }'
RESULT = (
    '{ name = "result", type = "uint16", at = 6, values = { 1 = "ok", 2 = "nok" }, otherwise = "unknown" }'
)
SEQUENCE = '{ name = "sequence", type = "uint16", at = 0 }'
FIRST_FAULT = 'bit = 0\nacknowledged = { field = "acknowledged_word", bit = 0 }'


def field(text: str) -> str:
    """A status field of ring-modbus in place of `firmware`, the last one."""
    return RING.replace(FIRMWARE, text)


LAST_FIELD = "status.fields[15]"

ONE_MISTAKE = [
    # the file as a whole
    (
        RING.replace('protocol = "modbus"', 'protocol = "profibus"'),
        'protocol = "prof',
        "protocol",
        "one of 'modbus'",
    ),
    (RING.replace('protocol = "modbus"\n', ""), None, "protocol", "is missing"),
    (
        RING.replace("sequence_bits = 16", "sequence_bits = 7"),
        "sequence_bits",
        "sequence_bits",
        "must be 8 or more",
    ),
    (
        RING.replace("sequence_bits = 16", 'sequence_bits = "16"'),
        "sequence_bits",
        "sequence_bits",
        "a whole number",
    ),
    (
        RING.replace("sequence_bits = 16", "sequence_bits = 16\nshortest_cycle_ms = 0"),
        "shortest",
        "shortest_cycle_ms",
        "more than 0",
    ),
    (
        RING.replace("sequence_bits = 16", "sequence_bits = 16\nshortest_cycle_ms = inf"),
        "shortest",
        "shortest_cycle_ms",
        "finite",
    ),
    (RING.replace("byte_order =", "byteorder ="), "byteorder", "byteorder", "did you mean `byte_order`?"),
    (
        RING.replace('word_order = "little"', 'word_order = "low"'),
        "word_order",
        "word_order",
        "'big' or 'little'",
    ),
    (RING.replace('maker = "Sample Works"\n', ""), "[tool]", "tool.maker", "is missing"),
    (RING.replace("[tool]", '[tool]\nmakr = "x"'), "makr", "tool.makr", "did you mean `maker`?"),
    (
        RING.replace("request_timeout_ms = 500", "request_timeout_ms = 5"),
        "request_",
        "request_timeout_ms",
        "10 or more",
    ),
    # sections
    (
        RING.replace('table = "holding"\nstart = 0', 'table = "coils"\nstart = 0'),
        '"coils"',
        "status.table",
        "'holding'",
    ),
    (
        RING.replace("size = 32\nslots = 30", "size = 32\nslots = 0"),
        "slots = 0",
        "history.slots",
        "1 or more",
    ),
    (
        RING.replace('slot_by = "sequence"\n', ""),
        "[history]",
        "history.slot_by",
        "is missing; with several slots",
    ),
    (
        RING.replace("start = 100\nsize = 32", "start = 65000\nsize = 32"),
        "size = 32\nslots",
        "history.size",
        "65535",
    ),
    (RING.replace("slots = 30", "slots = 30\nslot = 1"), "slot = 1", "history.slot", "did you mean `slots`?"),
    (S7.replace("db = 101", "db = 0"), "db = 0", "history.db", "more than 0"),
    (
        S7.replace("start = 0\nsize = 2010", "start = 0\nsize = 2009"),
        "samples",
        "curve.samples.most",
        "end at 2010",
    ),
    (
        S7.replace('    { name = "newest_slot", type = "uint16", at = 4 },\n', ""),
        "slot_by",
        "history.slot_by",
        "no field newest_slot",
    ),
    # fields: keys and types
    (
        field('{ name = "firmware", type = "bcd12", at = 27 }'),
        '"bcd12"',
        f"{LAST_FIELD}.type",
        "must be 'bool'",
    ),
    (field('{ name = "firmware", at = 27 }'), '{ name = "firmware"', f"{LAST_FIELD}.type", "is missing"),
    (field('{ name = "firmware", type = "bcd16" }'), '"bcd16"', f"{LAST_FIELD}.at", "is missing"),
    (field('{ name = "firmware", type = "bcd16", at = -1 }'), "at = -1", f"{LAST_FIELD}.at", "0 or more"),
    (
        field('{ name = "firmware", type = "bcd16", at = 2.5 }'),
        "at = 2.5",
        f"{LAST_FIELD}.at",
        "a whole number",
    ),
    (
        field('{ name = "firmware", type = "bcd16", at = 27, att = 2 }'),
        "att = 2",
        f"{LAST_FIELD}.att",
        "did you mean `at`?",
    ),
    (field('{ name = "Firm ware", type = "bcd16", at = 27 }'), "Firm", f"{LAST_FIELD}.name", "pattern"),
    (
        field('{ name = "band", type = "bcd16", at = 27 }'),
        "bcd16",
        f"{LAST_FIELD}.name",
        "an earlier field's",
    ),
    (field('{ name = "firmware", type = "bcd32", at = 31 }'), "bcd32", f"{LAST_FIELD}.at", "(0 to 31)"),
    (field('{ name = "firmware", type = "bcd16", at = 32 }'), "bcd16", f"{LAST_FIELD}.at", "(0 to 31)"),
    (field('{ name = "flag", type = "bool", at = 27 }'), '"flag"', f"{LAST_FIELD}.bit", "say which bit"),
    (
        field('{ name = "flag", type = "bool", at = 27, bit = 16 }'),
        '"flag"',
        f"{LAST_FIELD}.bit",
        "15 or less",
    ),
    (
        field('{ name = "flag", type = "uint16", at = 27, bit = 1 }'),
        '"flag"',
        f"{LAST_FIELD}.bit",
        "bool only",
    ),
    (field('{ name = "x", type = "uint16", at = 27, byte = 1 }'), '"x"', f"{LAST_FIELD}.byte", "8-bit types"),
    (field('{ name = "x", type = "text", at = 27 }'), '"x"', f"{LAST_FIELD}.length", "how many characters"),
    (field('{ name = "x", type = "text", at = 27, length = 11 }'), '"x"', f"{LAST_FIELD}.at", "block has 32"),
    (
        field('{ name = "x", type = "uint16", at = 27, length = 2 }'),
        '"x"',
        f"{LAST_FIELD}.length",
        "text types only",
    ),
    (
        field('{ name = "x", type = "text", at = 27, length = 4, prefix = 2 }'),
        '"x"',
        f"{LAST_FIELD}.prefix",
        "counted_text only",
    ),
    (
        field('{ name = "x", type = "uint16", at = 27, encoding = "utf-8" }'),
        '"x"',
        f"{LAST_FIELD}.encoding",
        "is for text",
    ),
    (
        S7.replace(
            'name = "program", type = "s7_string", at = 78, length = 10',
            'name = "program", type = "bool", at = 78, bit = 8',
        ),
        '"program"',
        "status.fields[16].bit",
        "bits 0 to 7",
    ),
    (
        S7.replace(
            'name = "program", type = "s7_string", at = 78, length = 10',
            'name = "x", type = "uint8", at = 78, byte = 1',
        ),
        '"x"',
        "status.fields[16].byte",
        "Modbus registers only",
    ),
    (
        S7.replace("size = 102", "size = 600").replace("at = 78, length = 10", "at = 100, length = 255"),
        "length = 255",
        "status.fields[16].length",
        "254 or less",
    ),
    # fields: values
    (
        field('{ name = "x", type = "uint16", at = 27, scale = 0 }'),
        '"x"',
        f"{LAST_FIELD}.scale",
        "must not be 0",
    ),
    (field('{ name = "x", type = "uint16", at = 27, scale = nan }'), '"x"', f"{LAST_FIELD}.scale", "finite"),
    (
        field('{ name = "x", type = "text", at = 27, length = 2, scale = 2 }'),
        '"x"',
        f"{LAST_FIELD}.scale",
        "is for numbers",
    ),
    (
        field('{ name = "x", type = "uint16", at = 27, least = 2, most = 1 }'),
        '"x"',
        f"{LAST_FIELD}.least",
        "above most = 1",
    ),
    (
        field('{ name = "x", type = "uint16", at = 27, otherwise = "a" }'),
        '"x"',
        f"{LAST_FIELD}.otherwise",
        "goes with values",
    ),
    (
        field('{ name = "x", type = "uint16", at = 27, values = { 01 = "a" } }'),
        '"x"',
        f"{LAST_FIELD}.values.01",
        "can't be a raw value",
    ),
    (
        field('{ name = "x", type = "float32", at = 27, values = { 1 = "a" } }'),
        '"x"',
        f"{LAST_FIELD}.values",
        "this field is number",
    ),
    (
        field('{ name = "x", type = "uint16", at = 27, none = ["0"] }'),
        '"x"',
        f"{LAST_FIELD}.none[0]",
        "a number",
    ),
    (
        field('{ name = "x", type = "text", at = 27, length = 2, none = [0] }'),
        '"x"',
        f"{LAST_FIELD}.none[0]",
        "in quotation marks",
    ),
    (
        field('{ name = "x", type = "s7_dt", at = 27, none = [0] }'),
        '"x"',
        f"{LAST_FIELD}.none",
        "can't be compared",
    ),
    (
        field('{ name = "x", type = "bool", at = 27, bit = 0, none = [0] }'),
        '"x"',
        f"{LAST_FIELD}.none",
        "compared",
    ),
    (
        field('{ name = "x", type = "uint16", at = 27, resolution_ms = 1 }'),
        '"x"',
        f"{LAST_FIELD}.resolution_ms",
        "dates with time only",
    ),
    # fields: units
    (
        RING.replace(PRESSURE, PRESSURE.replace('"psi"', '"psig"')),
        '"psig"',
        "status.fields[10].unit",
        "did you mean psi?",
    ),
    (
        RING.replace(PRESSURE, PRESSURE.replace('"psi"', '"lbf.in"')),
        'at = 19, scale = 0.1, unit = "lbf.in"',
        "status.fields[10].unit",
        "measures torque, but supply_pressure_kpa is kept in kPa",
    ),
    (
        RING.replace(
            '{ name = "set_torque_nm", type = "uint16", at = 20, scale = 0.1, unit = "lbf.in"',
            '{ name = "set_torque_nm", type = "uint16", at = 20, scale = 0.1, unit = "in.lbf"',
        ),
        '"in.lbf"',
        "status.fields[11].unit",
        "must be one of N.m",
    ),
    (
        field('{ name = "air", type = "uint16", at = 27, unit = "bar" }'),
        '"air"',
        f"{LAST_FIELD}.unit",
        "such as _pa",
    ),
    (
        RING.replace(
            'quantity = "tension_n", scale = 0.1, unit = "lbf"',
            'quantity = "torque_nm", scale = 0.1, unit = "lbf"',
        ),
        '"torque_nm"',
        "curve.samples.unit",
        "kept in N.m",
    ),
    # fields: what their names ask
    (
        RING.replace('    { name = "last_sequence", type = "uint16", at = 0 },\n', ""),
        "fields = [",
        "status.fields",
        "has no field last_sequence",
    ),
    (
        RING.replace('    { name = "sample_count", type = "uint16", at = 1 },\n', ""),
        'fields = [\n    { name = "sequence", type = "uint16", at = 0 },\n    { name = "sample_interval_us"',
        "curve.fields",
        "has no field sample_count",
    ),
    (
        LAST.replace(
            '{ name = "sequence", type = "uint32", at = 0 }', '{ name = "number", type = "uint32", at = 0 }'
        ),
        'fields = [\n    { name = "number"',
        "history.fields",
        "has no field sequence",
    ),
    (
        LAST.replace(
            '{ name = "sequence", type = "uint32", at = 0 }', '{ name = "sequence", type = "uint16", at = 0 }'
        ),
        '"sequence", type = "uint16"',
        "history.fields[0].type",
        "can't hold sequence_bits = 32",
    ),
    (
        LAST.replace(
            '{ name = "sequence", type = "uint32", at = 0 }', '{ name = "sequence", type = "int32", at = 0 }'
        ),
        '"sequence", type = "int32"',
        "history.fields[0].type",
        "can't hold sequence_bits = 32",
    ),
    (
        LAST.replace(
            '{ name = "sequence", type = "uint32", at = 0 }', '{ name = "sequence", type = "bcd32", at = 0 }'
        ),
        '"sequence", type = "bcd32"',
        "history.fields[0].type",
        "an integer type",
    ),
    (
        LAST.replace(
            '{ name = "sequence", type = "uint32", at = 0 }',
            '{ name = "sequence", type = "uint32", at = 0, scale = 10 }',
        ),
        "scale = 10",
        "history.fields[0].scale",
        "taken as it is",
    ),
    (
        LAST.replace(RESULT, RESULT.replace('"ok"', '"good"')),
        '"good"',
        "history.fields[2].values.1",
        "is 'good'",
    ),
    (
        LAST.replace(RESULT, RESULT.replace('otherwise = "unknown"', 'otherwise = "what"')),
        '"what"',
        "history.fields[2].otherwise",
        "is 'what'",
    ),
    (
        LAST.replace(RESULT, '{ name = "result", type = "uint16", at = 6 }'),
        '{ name = "result"',
        "history.fields[2].values",
        "say which raw value means which of ok, nok, undecided, unknown",
    ),
    (
        LAST.replace('name = "clock", type = "unix_ms"', 'name = "clock", type = "uint64"'),
        '"clock"',
        "status.fields[4].type",
        "clock must be instant",
    ),
    (
        LAST.replace(
            'name = "set_torque_nm", type = "float32", at = 14',
            'name = "set_torque_nm", type = "float32", at = 14, setting = true',
        ),
        "setting = true",
        "history.fields[7].setting",
        "status fields",
    ),
    (
        MQTT.replace(
            '{ name = "sample_count", type = "uint16", at = 8 }',
            '{ name = "sample_count", type = "uint16", at = 8 }, { name = "extra_n", type = "int8", at = 8 }',
        ),
        '"extra_n"',
        "curve.fields[3].name",
        "a curve has the fields",
    ),
    (
        RING.replace('"%d.%m.%Y %H:%M:%S"', '"%d.%b.%Y %H:%M:%S"'),
        "%b",
        "log.fields[1].format",
        "has %b; known are",
    ),
    (RING.replace('"%d.%m.%Y %H:%M:%S"', '"%d.%m.%y %H:%M:%H"'), "%H:%M:%H", "log.fields[1].format", "twice"),
    (RING.replace('"%d.%m.%Y %H:%M:%S"', '"%d.%m.%Y"'), '"%d.%m.%Y"', "log.fields[1].format", "lacks hour"),
    (RING.replace('"%d.%m.%Y %H:%M:%S"', '"%d.%m.%Y %H:%M:%"'), "%M:%", "log.fields[1].format", "has %;"),
    (
        RING.replace('"%d.%m.%Y %H:%M:%S"', '"%d.%m.%Y %I:%M"'),
        "%I:%M",
        "log.fields[1].format",
        "%I and %p together",
    ),
    (
        RING.replace('"%d.%m.%Y %H:%M:%S"', '"%d.%m.%Y %H:%M.%f"'),
        "%M.%f",
        "log.fields[1].format",
        "%f without %S",
    ),
    (
        RING.replace(', format = "%d.%m.%Y %H:%M:%S"', ""),
        '["Date", "Time"]',
        "log.fields[1].format",
        "is missing",
    ),
    (RING.replace('["Date", "Time"]', "[]"), "column = []", "log.fields[1].column", "must name a column"),
    (RING.replace('["Date", "Time"]', '["Date", 0]'), '["Date", 0]', "log.fields[1].column", None),
    (
        RING.replace('column = "Tool"', 'column = "Tool", format = "%H"'),
        'column = "Tool"',
        "log.fields[2].format",
        "is for datetime only",
    ),
    (
        RING.replace('column = "Tool", none = ["0"]', 'column = "Tool", none = [0]'),
        'column = "Tool", none = [0]',
        "log.fields[2].none[0]",
        "must be text",
    ),
    (RING.replace('encoding = "cp1252"', 'encoding = "ebcdic"'), '"ebcdic"', "log.encoding", "'utf-8'"),
    (RING.replace('delimiter = ";"', 'delimiter = ";;"'), '";;"', "log.delimiter", "must be ','"),
    (
        RING.replace('    { name = "sequence", type = "integer", column = "No." },\n', ""),
        'fields = [\n    { name = "controller_time", type = "datetime"',
        "log.fields",
        "has no field sequence",
    ),
    (
        RING.replace('type = "integer", column = "No."', 'type = "text", column = "No."'),
        'column = "No."',
        "log.fields[0].type",
        "must be integer",
    ),
    (
        LAST.replace("column = 8", 'column = "Torque"'),
        '"Torque"',
        "log.fields[7].column",
        "since header is false",
    ),
    # messages
    (
        MQTT.replace('"clamps/{controller}/cycle"', '"clamps/cycle"'),
        '"clamps/cycle"',
        "history.topic",
        "{controller}",
    ),
    (
        MQTT.replace('"clamps/{controller}/cycle"', '"{controller}/#"'),
        '"{controller}/#"',
        "history.topic",
        "wildcards",
    ),
    (
        MQTT.replace("{controller}/cycle", "{controller}/status"),
        '/status"\npayload = "json"\nfields = [\n    { name = "sequence',
        "history.topic",
        "another section",
    ),
    (MQTT.replace('path = "estop"', 'path = "a..b"'), '"a..b"', "status.fields[5].path", "pattern"),
    (MQTT.replace('path = "estop"', "at = 4"), "at = 4 }", "status.fields[5]", None),
    (
        MQTT.replace('payload = "binary"', 'payload = "xml"'),
        '"xml"',
        "curve.payload",
        "one of 'json', 'binary'",
    ),
    # faults
    (
        RING.replace('field = "fault_word"\nbit = 0', 'field = "fault_words"\nbit = 0'),
        '"fault_words"',
        "faults[0].field",
        "mean fault_word?",
    ),
    (
        RING.replace(FIRST_FAULT, FIRST_FAULT.replace("bit = 0\n", "")),
        "[[faults]]",
        "faults[0].bit",
        "or say equals",
    ),
    (
        RING.replace(FIRST_FAULT, f"equals = 1\n{FIRST_FAULT}"),
        "bit = 0\nack",
        "faults[0].bit",
        "can't stand beside",
    ),
    (RING.replace("bit = 5\n", "bit = 16\n"), "bit = 16", "faults[5].bit", "bits 0 to 15"),
    (
        RING.replace('field = "fault_word"\nbit = 0', 'field = "band"\nbit = 0'),
        "bit = 0\nack",
        "faults[0].bit",
        "band is text",
    ),
    (
        RING.replace('code = "12"', 'code = "11"'),
        'code = "11"\ntext = "Tension',
        "faults[1].code",
        "an earlier fault's",
    ),
    (
        RING.replace('category = "safety"', 'category = "danger"'),
        '"danger"',
        "faults[4].category",
        "'hardware'",
    ),
    (LAST.replace("equals = 2", 'equals = "2"'), 'equals = "2"', "faults[1].equals", "fault_code is integer"),
    (
        RING.replace('{ field = "acknowledged_word", bit = 3 }', '{ field = "seen_word", bit = 3 }'),
        '"seen_word"',
        "faults[3].acknowledged.field",
        "no field of the status",
    ),
]


@pytest.mark.parametrize(
    ("text", "at", "key", "says"), ONE_MISTAKE, ids=[f"{row[2]}: {row[3]}" for row in ONE_MISTAKE]
)
def test_a_mistake_is_reported_with_line_key_and_what_is_allowed(
    mistakes_in: MistakesIn, text: str, at: str | None, key: str, says: str | None
) -> None:
    """Each class of mistake has its sentence, at the line where a person must edit the file."""
    assert text not in (RING, LAST, S7, MQTT)
    found = mistakes_in(text)
    line = None if at is None else text[: text.index(at)].count("\n") + 1
    if says is None:  # several mistakes at one place
        assert {found_line for found_line, _, _ in found} == {line}
        assert all(found_key.startswith(key) for _, found_key, _ in found)
        return
    assert [(found_line, found_key) for found_line, found_key, _ in found] == [(line, key)]
    assert says in found[0][2]


def test_all_mistakes_are_listed_at_once(mistakes_in: MistakesIn) -> None:
    """A person corrects a file once, not once a mistake: keys, fields of several sections, units,
    topics.
    """
    text = (
        RING.replace("byte_order =", "byteorder =")
        .replace(PRESSURE, PRESSURE.replace("psi", "psig"))
        .replace(FIRMWARE, '{ name = "band", type = "bcd16", at = 40 }')
        .replace("slots = 30", "slots = 0")
        .replace('quantity = "tension_n"', 'quantity = "force"')
    )
    keys = [key for _, key, _ in mistakes_in(text)]
    assert keys == ["byteorder", "status.fields[10].unit", "history.slots", "curve.samples.quantity"]
    text = RING.replace(FIRMWARE, '{ name = "band", type = "bcd16", at = 40 }').replace(
        'slot_by = "sequence"\n', ""
    )
    keys = [key for _, key, _ in mistakes_in(text)]
    assert keys == ["status.fields[15].name", "status.fields[15].at", "history.slot_by"]


def test_a_file_that_is_not_there_is_a_layout_error(tmp_path: Path) -> None:
    """The sentence says which file, and the catcher of ConfigError catches it too."""
    with pytest.raises(LayoutError, match=r"nowhere\.toml: can't be read") as caught:
        load_layout(tmp_path / "nowhere.toml")
    assert isinstance(caught.value, ConfigError)


def test_the_names_that_layouts_can_fill_are_those_of_the_model() -> None:
    """No field of Status, Cycle or Curve is out of a layout's reach, and none is invented."""
    made_by_us = {"tool", "faults", "settings", "extra", "raw"}
    status = set(Status.__dataclass_fields__) - made_by_us | {"tool_serial"}
    cycle = set(Cycle.__dataclass_fields__) - made_by_us
    assert set(COLUMNS["status"]) == status
    assert set(COLUMNS["cycle"]) == cycle
    assert set(COLUMNS["curve"]) - {"sample_count"} <= set(Curve.__dataclass_fields__)
    assert all(set(REQUIRED[role]) <= set(COLUMNS[role]) for role in REQUIRED)


# ---- the examples, and where their blocks are ------------------------------------------------------------


def test_the_examples_are_good_layouts_of_their_kinds(examples: Examples) -> None:
    """What comes along loads, and each protocol has its class."""
    kinds = {name: type(layout) for name, layout in examples.items()}
    assert kinds == {
        "last-record-modbus": ModbusLayout,
        "messages-mqtt": MqttLayout,
        "ring-modbus": ModbusLayout,
        "ring-s7": S7Layout,
    }
    assert {name: layout.sequence_modulus for name, layout in examples.items()} == {
        "last-record-modbus": 2**32,
        "messages-mqtt": 2**32,
        "ring-modbus": 2**16,
        "ring-s7": 2**32,
    }


def test_how_fine_a_time_stamp_is_follows_from_its_type(examples: Examples) -> None:
    """Seconds since 1970 are good to 1 s, BCD time to 1 ms; the JSON example says 1 ms itself."""
    assert {name: layout.time_resolution_ms for name, layout in examples.items()} == {
        "last-record-modbus": 1.0,
        "messages-mqtt": 1.0,
        "ring-modbus": 1000.0,
        "ring-s7": 1.0,
    }


def test_how_fine_the_clock_is_follows_from_its_type(examples: Examples) -> None:
    """By the same rules; a type of JSON says nothing, so whole seconds are assumed."""
    assert {name: layout.clock_resolution_ms for name, layout in examples.items()} == {
        "last-record-modbus": 1.0,
        "messages-mqtt": 1000.0,
        "ring-modbus": 1.0,
        "ring-s7": 0.001,
    }


def counting(around: Callable[..., Layout], *fields: dict[str, object]) -> Layout:
    """A data block whose status has these fields after its sequence."""
    sequence = {"name": "last_sequence", "type": "uint16", "at": 0}
    placed = tuple({"at": 2 + 8 * number, **each} for number, each in enumerate(fields))
    status = {"db": 1, "start": 0, "size": 40, "fields": (sequence, *placed)}
    return around(0, protocol="s7", status=status)


@pytest.mark.parametrize(
    ("field", "modulus"),
    [
        ({"type": "uint8"}, 2**8),
        ({"type": "int16"}, 2**15),
        ({"type": "uint32"}, 2**32),
        ({"type": "int64"}, 2**63),
        ({"type": "uint64"}, 2**64),
        ({"type": "bcd16"}, 10**4),
        ({"type": "bcd64"}, 10**16),
        ({"type": "float32"}, None),
        ({"type": "uint32", "scale": 10}, None),
        ({"type": "uint32", "offset": 1}, None),
    ],
)
def test_a_counters_modulus_follows_from_its_type(
    around: Callable[..., Layout], field: dict[str, object], modulus: int | None
) -> None:
    """As many numbers as the type has that are not negative; what is scaled or real says nothing."""
    layout = counting(around, {"name": "total_count", **field})
    assert (layout.count_field, layout.count_modulus) == ("total_count", modulus)


def test_the_counter_that_nobody_clears_comes_first(around: Callable[..., Layout]) -> None:
    """Of two counters the lifetime one counts; one that can be cleared is better than none."""
    total = {"name": "total_count", "type": "uint32"}
    cleared = {"name": "count_since_cleared", "type": "bcd32"}
    assert counting(around, cleared, total).count_field == "total_count"
    only = counting(around, cleared)
    assert (only.count_field, only.count_modulus) == ("count_since_cleared", 10**8)
    none = counting(around)
    assert (none.count_field, none.count_modulus, none.clock_resolution_ms) == (None, None, 0.0)


def test_a_counter_in_json_has_no_modulus(examples: Examples) -> None:
    """A number in text has no width."""
    layout = examples["messages-mqtt"]
    assert (layout.count_field, layout.count_modulus) == ("total_count", None)


def test_the_shortest_cycle_can_be_stated(around: Callable[..., Layout]) -> None:
    """20 ms unless the file knows better."""
    assert around(0).shortest_cycle_ms == 20.0
    assert around(0, shortest_cycle_ms=400).shortest_cycle_ms == 400.0


def test_blocks_of_registers(examples: Examples) -> None:
    """Status, records side by side, and the head of the curve, in registers."""
    layout = examples["ring-modbus"]
    assert isinstance(layout, ModbusLayout)
    assert layout.status_block == RegisterBlock(table="holding", start=0, size=32)
    assert layout.record_block(0) == RegisterBlock(table="holding", start=100, size=32)
    assert layout.record_block(28, 2) == RegisterBlock(table="holding", start=100 + 28 * 32, size=64)
    assert layout.curve_block == RegisterBlock(table="holding", start=2000, size=605)
    assert layout.curve_head_block == RegisterBlock(table="holding", start=2000, size=1)


def test_blocks_of_bytes(examples: Examples) -> None:
    """The same in bytes of data blocks; a layout without a curve has no block of it."""
    layout = examples["ring-s7"]
    assert isinstance(layout, S7Layout)
    assert layout.record_block(39) == DataBlock(db=101, start=39 * 98, size=98)
    assert layout.curve_head_block == DataBlock(db=102, start=0, size=4)
    last = examples["last-record-modbus"]
    assert isinstance(last, ModbusLayout)
    assert (last.curve_block, last.curve_head_block) == (None, None)


@pytest.mark.parametrize(("slot", "count"), [(-1, 1), (30, 1), (29, 2), (0, 31), (0, 0)])
def test_a_block_beyond_the_ring_is_never_asked_for(examples: Examples, slot: int, count: int) -> None:
    """A wrong slot must not read what lies behind the ring."""
    layout = examples["ring-modbus"]
    assert isinstance(layout, ModbusLayout)
    with pytest.raises(ValueError, match="not in a ring of 30"):
        layout.record_block(slot, count)


@given(sequence=st.integers(0, 65535))
def test_a_slot_by_sequence_is_the_sequence_modulo_slots(examples: Examples, sequence: int) -> None:
    """Whatever the status says, the number alone gives the slot."""
    layout = examples["ring-modbus"]
    assert isinstance(layout, ModbusLayout)
    assert layout.slot_of(sequence, Status(last_sequence=0)) == sequence % 30


@given(last=st.integers(0, 2**32 - 1), newest=st.integers(0, 39), behind=st.integers(0, 39))
def test_a_slot_by_newest_slot_counts_back_around_the_ring(
    examples: Examples, last: int, newest: int, behind: int
) -> None:
    """The last record is in the newest slot, those before it a slot earlier each, around sequence
    and ring.
    """
    layout = examples["ring-s7"]
    assert isinstance(layout, S7Layout)
    status = Status(last_sequence=last, newest_slot=newest)
    slot = layout.slot_of((last - behind) % 2**32, status)
    assert slot == (newest - behind if behind <= newest else newest - behind + 40)


def test_a_ring_by_newest_slot_needs_it(examples: Examples) -> None:
    """Without the status's slot nothing is guessed."""
    layout = examples["ring-s7"]
    assert isinstance(layout, S7Layout)
    with pytest.raises(ValueError, match="newest_slot"):
        layout.slot_of(3, Status(last_sequence=5))


def test_a_last_record_is_always_slot_0(examples: Examples) -> None:
    """A ring of one has one place."""
    layout = examples["last-record-modbus"]
    assert isinstance(layout, ModbusLayout)
    assert layout.slot_of(12345, Status(last_sequence=12346)) == 0


def test_topics_carry_the_controllers_address(examples: Examples) -> None:
    """The placeholder of each topic is the address in the site file."""
    layout = examples["messages-mqtt"]
    assert isinstance(layout, MqttLayout)
    assert layout.topics("cell-7") == {
        "status": "clamps/cell-7/status",
        "cycle": "clamps/cell-7/cycle",
        "curve": "clamps/cell-7/curve",
    }
