"""What a sound controller would send: the beginnings of what is then spoiled.

For the example layouts the simulators pack it; in a layout made by chance each field gets a value.
"""

import json
import struct
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from functools import cache
from random import Random
from typing import Any

from collector.layouts.field_schema import BinaryField, JsonField, LayoutField, LogField
from collector.layouts.fields import canonical
from collector.layouts.schema import Layout
from collector.layouts.section_schema import BinarySection, JsonCurve, JsonSection, LogSection, Section, Trace
from collector.layouts.values import WHOLE
from simulators.fronts import modbus_maps, mqtt, s7_map
from simulators.fronts.logfile import LOGS
from simulators.fronts.packing import Map
from simulators.memory import Controller
from tests.simulators.rigs import FAMILIES, NOON, new_controller, run_cycles

MAPS: Mapping[str, Map] = modbus_maps.MAPS | {"ring-s7": s7_map.MAP}
CYCLES = 24


@cache
def from_simulator(name: str) -> Mapping[str, Sequence[bytes]]:
    """Statuses, cycles, curves and logs of an eventful controller of one example layout."""
    controller = new_controller(
        FAMILIES[name], counted=65_520, no_band_share=0.2, trigger_share=0.2, loose_share=0.2
    )
    found: dict[str, list[bytes]] = {"status": [], "cycle": [], "curve": [], "log": []}
    for number in range(CYCLES):
        now = NOON + timedelta(seconds=number)
        run_cycles(controller, 1, start=now)
        packed = _messages(controller, now) if name not in MAPS else _blocks(controller, now)
        for what, raw in zip(("status", "cycle", "curve"), packed, strict=False):
            found[what].append(raw)
        if number % 7 == 6:
            controller.acknowledge(now)
    if name in LOGS:
        found["log"] = [LOGS[name](list(controller.log)[at : at + 4]) for at in range(0, CYCLES, 4)]
    return found


def _messages(controller: Controller, now: datetime) -> Iterator[bytes]:
    record, curve = controller.log[-1], controller.curve
    yield mqtt.status_payload(controller, now)
    yield mqtt.cycle_payload(record)
    yield mqtt.curve_payload(curve.sequence, curve.interval_us, curve.samples)


def _blocks(controller: Controller, now: datetime) -> Iterator[bytes]:
    status, ring, *curve = (area.packed(controller, now) for area in MAPS[controller.family.layout].areas)
    size = len(ring) // controller.family.slots
    yield status
    yield ring[controller.newest_slot * size :][:size]
    yield from curve


# ---- for layouts made by chance --------------------------------------------------------------------------


def for_section(layout: Layout, section: Section, random: Random) -> bytes:
    """A block, message or file with a value in every field."""
    if isinstance(section, LogSection):
        return _log(layout, section, random)
    if isinstance(section, JsonSection):
        return _json(layout, section, random)
    assert isinstance(section, BinarySection)
    return _binary(layout, section, random)


def _binary(layout: Layout, section: BinarySection, random: Random) -> bytes:
    unit = section.unit_bytes
    most = section.samples.most * section.samples.width if isinstance(section, Trace) else 0
    begin = section.samples.at * unit if isinstance(section, Trace) else 0
    room = max(section.extent * unit, begin + most) if section.room is None else section.room * unit
    block = bytearray(random.randbytes(room) if random.random() < 0.5 else bytes(room))
    for field in section.fields:
        at = field.begin(unit)
        wire = _on_wire(layout, field, _bytes_of(layout, field, random), unit)
        block[at : at + len(wire)] = wire
    return bytes(block)


def _on_wire(layout: Layout, field: BinaryField, value: bytes, unit: int) -> bytes:
    byte_order, word_order = field.byte_order or layout.byte_order, field.word_order or layout.word_order
    if field.fixed is not None and field.fixed.order == "number" and len(value) > 1:
        return canonical(value, byte_order, word_order if len(value) > 2 else byte_order)
    return canonical(value, byte_order, "big") if unit == 2 and not len(value) % 2 else value


def _bytes_of(layout: Layout, field: BinaryField, random: Random) -> bytes:
    """High byte first."""
    at = datetime(2026, 11, random.randint(1, 28), 6, 1, 2)
    size, length = field.size(1), field.length or 0
    made: dict[str, Callable[[], bytes]] = {
        "float32": lambda: struct.pack(">f", _real(field, random)),
        "float64": lambda: struct.pack(">d", _real(field, random)),
        "s7_dt": lambda: s7_map.date_and_time(at),
        "s7_dtl": lambda: s7_map.dtl(at),
        "datetime_words": lambda: struct.pack(">7H", 2026, 11, 5, 6, 1, 2, 3),
        "text": lambda: b"P-1".ljust(length, b"\0")[:length],
        "counted_text": lambda: (
            min(3, length).to_bytes(field.prefix, "big") + b"P-1".ljust(length, b"\0")[:length]
        ),
        "s7_string": lambda: bytes((length, min(3, length))) + b"P-1".ljust(length, b"\0")[:length],
        "s7_wstring": lambda: struct.pack(">HH", length, 0) + bytes(2 * length),
        "bool": lambda: random.randbytes(size),
    }
    if field.type in made:
        return made[field.type]()
    number = _number(layout, field, random, 3 * size if field.type.startswith("bcd") else 8 * size - 1)
    if field.type.startswith("bcd") or field.type == "s7_s5time":
        return bytes.fromhex(str(number)[-2 * size :].zfill(2 * size))
    return number.to_bytes(size, "big")


def _number(layout: Layout, field: LayoutField, random: Random, bits: int) -> int:
    """Mostly one that the layout lists, or a small one."""
    if field.values and random.random() < 0.8:
        return int(random.choice([*field.values])) % (1 << bits)
    if field.name == "sample_count":
        return random.randint(0, 1)
    bits = min(bits, layout.sequence_bits) if "sequence" in field.name else bits
    return random.getrandbits(bits if random.random() < 0.2 else min(bits, 7))


def _json(layout: Layout, section: JsonSection, random: Random) -> bytes:
    message: dict[str, Any] = {}
    for field in section.fields:
        _put(message, field.path, _json_value(layout, field, random))
    if isinstance(section, JsonCurve):
        count = message.get("sample_count", 1)
        _put(
            message, section.samples.path, [random.randint(0, 99)] * (count if isinstance(count, int) else 1)
        )
    return json.dumps(message).encode()


def _put(message: dict[str, Any], path: str, value: object) -> None:
    *outer, last = path.split(".")
    for part in outer:
        if not isinstance(message.get(part), dict):
            message[part] = {}
        message = message[part]
    message[last] = value


def _json_value(layout: Layout, field: JsonField | LogField, random: Random) -> object:
    if field.kind == "text":
        return random.choice([*field.values]) if field.values else "P-1"
    if field.kind == "bool":
        return random.random() < 0.5
    if field.type == "rfc3339":
        return "2026-11-25T06:01:02.5Z"
    if field.type in ("unix_s", "unix_ms"):
        return 1_793_514_615 * (1000 if field.type == "unix_ms" else 1)
    if field.type == "datetime":
        return datetime(2026, 11, 25, 6, 1, 2).strftime(getattr(field, "format", None) or "")
    return _number(layout, field, random, 53) if field.kind == "integer" else _real(field, random)


def _real(field: LayoutField, random: Random) -> float:
    return float(random.randrange(1000)) if field.name in WHOLE else random.uniform(-10, 1000)


def _log(layout: Layout, section: LogSection, random: Random) -> bytes:
    """Where a field's column has a number, it is the field's own."""
    names = [str(field.columns[0]) for field in section.fields]
    lines = ["skipped"] * section.skip_lines + [section.delimiter.join(names)] * section.header
    for _ in range(random.randint(1, 5)):
        cells = [_cell(layout, section, field, random) for field in section.fields]
        lines.append(section.delimiter.join(cells))
    return "".join(f"{line}\n" for line in lines).encode(section.encoding)


def _cell(layout: Layout, section: LogSection, field: LogField, random: Random) -> str:
    text = str(_json_value(layout, field, random))
    if field.type == "number":
        text = text.replace(".", section.decimal)
    return f'"{text}"' if section.delimiter in text or random.random() < 0.2 else text
