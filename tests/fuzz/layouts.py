"""Layouts made by chance: every type, order, unit and key that the schema takes."""

from collections.abc import Mapping
from random import Random
from typing import Any, get_args

from pydantic import ValidationError

from collector.layouts.csv_rows import Delimiter, Encoding
from collector.layouts.field_schema import (
    COLUMNS,
    SEQUENCES,
    WORDS,
    BinaryType,
    JsonType,
    Role,
    SampleType,
)
from collector.layouts.fields import FIELD_TYPES, JSON_KINDS, Kind
from collector.layouts.log_values import LOG_KINDS, LogType
from collector.layouts.schema import Layout, LayoutFile
from collector.layouts.units import SUFFIXES, same_dimension
from collector.layouts.values import WHOLE

TRIES = 200
"""That a layout may take until the schema likes one."""
PATHS = ("a", "b", "c.d", "c.e.f", "g.h")
ROOM = 24
"""Bytes that a field has."""
UNITS = {suffix.removeprefix("_"): same_dimension(unit) for suffix, unit in SUFFIXES.items()}
FORMATS = ("%d.%m.%Y %H:%M:%S", "%Y%m%d%H%M%S.%f", "%m/%d/%y %I:%M %p")


def by_chance(seed: str) -> Layout:
    """The same one for the same seed."""
    random = Random(seed)
    for _ in range(TRIES):
        try:
            return LayoutFile.model_validate(_content(random)).root
        except ValidationError:
            continue
    raise AssertionError(f"the schema takes none of {TRIES} layouts of seed {seed}")


def _content(random: Random) -> dict[str, Any]:
    protocol = random.choice(("modbus", "s7", "mqtt"))
    bits = random.choice((8, 12, 16, 32, 63, 64))
    content: dict[str, Any] = {
        "name": "by-chance",
        "protocol": protocol,
        "sequence_bits": bits,
        "byte_order": random.choice(("big", "little")),
        "word_order": random.choice(("big", "little")),
        "tool": {"maker": "Sample Works", "model": "C-0"},
    }
    places: tuple[tuple[str, Role], ...] = (("status", "status"), ("history", "cycle"), ("curve", "curve"))
    for place, role in places:
        json = protocol == "mqtt" and random.random() < 0.6
        content[place] = _section(random, protocol, place, role, bits, json=json)
    if random.random() < 0.6:
        content["log"] = _log(random, bits)
    if random.random() < 0.6:
        fields = content["status"]["fields"]
        words = [field["name"] for field in fields if field["type"].startswith(("uint", "integer"))]
        content["faults"] = tuple(
            {
                "code": str(bit),
                "text": "a fault",
                "category": "system",
                "field": random.choice(words),
                "bit": bit,
            }
            for bit in random.sample(range(8), 3)
        )
    return content


def _section(
    random: Random, protocol: str, place: str, role: Role, bits: int, *, json: bool
) -> dict[str, Any]:
    make = _json_field if json else _binary_field
    fields = [make(random, role, name, bits) for name in _names(random, role)]
    if not json:
        _place(random, fields, ROOM // 2 if protocol == "modbus" else ROOM)
    section: dict[str, Any] = {"fields": tuple(fields)}
    if protocol == "mqtt":
        section |= {"topic": f"{{controller}}/{role}", "payload": "json" if json else "binary"}
    else:
        section |= {"start": 0, "size": 300} | ({"db": 1} if protocol == "s7" else {"table": "holding"})
    if role == "cycle" and protocol != "mqtt":
        section |= {"slots": random.choice((1, 30)), "slot_by": "sequence"}
    if role == "curve":
        samples = {
            "type": random.choice(get_args(SampleType)),
            "most": random.choice((1, 20)),
            "quantity": "tension_n",
        }
        section["samples"] = samples | ({"path": "samples"} if json else {"at": 120})
    return section


def _names(random: Random, role: Role) -> list[str]:
    """The required ones, some with a column, some of no name that we know."""
    required = {"status": ["last_sequence"], "cycle": ["sequence"], "curve": [*COLUMNS["curve"]]}[role]
    if role == "curve":
        return required
    known = random.sample(
        [name for name in COLUMNS[role] if name not in required and name != "newest_slot"], 6
    )
    other = [f"reading_{number}{random.choice(('', '_n', '_kpa', '_ms'))}" for number in range(3)]
    return [*required, *known, *other]


def _binary_field(random: Random, role: Role, name: str, bits: int) -> dict[str, Any]:
    kinds = {each: _kind(each) for each in get_args(BinaryType)}
    field = _field(random, role, name, kinds)
    if name in SEQUENCES:
        field["type"] = random.choice(
            [t for t in ("uint8", "uint16", "uint32", "uint64") if int(t[4:]) >= bits]
        )
    if field["type"] == "bool":
        field["bit"] = random.randrange(8)
    if field["type"] not in FIELD_TYPES and field["type"] != "bool":
        field["length"] = random.choice((1, 3, 10))
        if field["type"] == "counted_text":
            field["prefix"] = random.choice((1, 2))
        if field["type"] != "s7_wstring":
            field["encoding"] = random.choice(("ascii", "latin-1", "utf-8"))
    if random.random() < 0.2:
        field["byte_order"], field["word_order"] = random.choices(("big", "little"), k=2)
    return field


def _place(random: Random, fields: list[dict[str, Any]], room: int) -> None:
    """One behind the other, but for some that lie over another."""
    for number, field in enumerate(fields):
        field["at"] = room * (number if random.random() < 0.95 else random.randrange(len(fields)))


def _kind(field_type: str) -> Kind:
    if field_type == "bool":
        return "bool"
    return FIELD_TYPES[field_type].kind if field_type in FIELD_TYPES else "text"


def _json_field(random: Random, role: Role, name: str, bits: int) -> dict[str, Any]:
    field = _field(random, role, name, {each: JSON_KINDS[each] for each in get_args(JsonType)})
    return field | {"path": f"{random.choice(PATHS)}.{name}" if random.random() < 0.5 else name}


def _log(random: Random, bits: int) -> dict[str, Any]:
    header = random.random() < 0.7
    fields = []
    for number, name in enumerate(_names(random, "cycle"), 1):
        field = _field(random, "cycle", name, {each: LOG_KINDS[each] for each in get_args(LogType)})
        field["column"] = name if header and random.random() < 0.8 else number
        if field["type"] == "datetime":
            field["format"] = random.choice(FORMATS)
        fields.append(field)
    return {
        "fields": tuple(fields),
        "header": header,
        "encoding": random.choice(get_args(Encoding)),
        "delimiter": random.choice(get_args(Delimiter)),
        "decimal": random.choice((".", ",")),
        "skip_lines": random.choice((0, 2)),
    }


def _field(random: Random, role: Role, name: str, kinds: Mapping[str, Kind]) -> dict[str, Any]:
    """Without its place."""
    allowed = COLUMNS[role].get(name)
    field_type = random.choice([each for each, kind in kinds.items() if allowed is None or kind in allowed])
    field: dict[str, Any] = {"name": name, "type": field_type}
    kind = kinds[field_type]
    if name in SEQUENCES or name in ("sample_count", "newest_slot"):
        return field
    if name in WORDS:
        raw = {"integer": "1", "text": "P-1", "bool": "true"}[kind]
        field["values"] = {raw: random.choice(WORDS[name])}
        if random.random() < 0.7:
            field["otherwise"] = random.choice(WORDS[name])
    scaled = 0.05 if name in WHOLE else 0.5
    if kind in ("integer", "number") and name not in WORDS and random.random() < scaled:
        field |= {"scale": random.choice((0.1, 10, -3, 1e100)), "offset": random.choice((0, 1.5, -1e100))}
    if kind in ("integer", "number") and name not in WORDS and random.random() < 0.2:
        field |= {"least": -100, "most": 1e6}
    if kind in ("integer", "number") and random.random() < 0.3:
        field["none"] = (0, -1, 65535, 2**64 - 1)
    unit = next((units for suffix, units in UNITS.items() if name.endswith(f"_{suffix}")), None)
    if unit and kind in ("integer", "number") and not field_type.startswith("s7_") and random.random() < 0.7:
        field["unit"] = random.choice(unit)
    return field
