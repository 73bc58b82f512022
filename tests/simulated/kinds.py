"""What kinds of controllers there are: real layouts, drawn by the dice, and how such a controller writes its
values.
"""

import random
import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from collector.layouts.schema import Layout, LayoutFile

Protocol = Literal["modbus", "s7", "mqtt"]

MAKER, MODEL = "Sample Works", "C-0"
RESULTS = {0: "ok", 1: "nok", 2: "undecided"}
MQTT_RESULTS = {"pass": "ok", "fail": "nok", "open": "undecided"}
STATES = {0: "starting", 1: "idle", 2: "stopped"}
BITS = (8, 9, 10, 12, 15, 16, 16, 24, 31, 32, 48, 63, 64)
CLOCKS = ("unix_s", "unix_ms", "datetime_words")
REGISTER_BYTES = 2


def _words(value: datetime) -> bytes:
    date, time = (value.year, value.month, value.day), (value.hour, value.minute, value.second)
    return struct.pack(">7H", *date, *time, value.microsecond // 1000)


def _unix_ms(value: datetime) -> int:
    return max(round(value.timestamp() * 1000), 0)


WRITE: Mapping[str, Callable[[Any], bytes]] = {
    "uint16": struct.Struct(">H").pack,
    "uint32": struct.Struct(">I").pack,
    "uint64": struct.Struct(">Q").pack,
    "unix_s": lambda value: struct.pack(">I", _unix_ms(value) // 1000),
    "unix_ms": lambda value: struct.pack(">Q", _unix_ms(value)),
    "datetime_words": _words,
}
"""Type -> a value's bytes, high byte first. Clocks are told in UTC here; which zone a naive one has is part
of its offset."""


@dataclass(frozen=True, slots=True)
class Item:
    """One field of a block."""

    name: str
    type: str
    keys: Mapping[str, Any]
    """What its layout says beside."""


def item(name: str, type_: str, **keys: Any) -> Item:
    return Item(name, type_, keys)


@dataclass(frozen=True, slots=True)
class Kind:
    """How one controller keeps its memory; `layout` says the same to the collector."""

    protocol: Protocol
    bits: int
    bits_enough: int
    """With so many it never runs through half of its circle in one world."""
    slots: int
    slot_by: str | None
    status_shows: frozenset[str]
    """Of total_count, tool_serial, controller_serial, clock."""
    record_shows: frozenset[str]
    """Of total_count, tool_serial, controller_time."""
    clock: str
    """Type of its clock and of its time stamps."""
    samples: int
    """Of a curve; 0: it keeps none."""
    shortest_cycle_s: float
    """Between the ends of two cycles."""
    recording_s: float
    """At most, from the end of a cycle to the last sequence that says so."""
    unit_bytes_most: int
    """What one request brings at most."""
    status: tuple[Item, ...]
    record: tuple[Item, ...]
    curve: tuple[Item, ...]
    layout: Layout

    @property
    def modulus(self) -> int:
        return 1 << self.bits

    @property
    def narrow(self) -> bool:
        """It may run through more than half of its circle while nobody reads; its count tells how often."""
        return self.bits < self.bits_enough

    def knows(self, name: str) -> bool:
        return name in self.status_shows


def size_of(items: tuple[Item, ...]) -> int:
    """Bytes."""
    return sum(SIZES[each.type] for each in items)


SIZES = {"uint16": 2, "uint32": 4, "uint64": 8, "unix_s": 4, "unix_ms": 8, "datetime_words": 14}


def integer_of(bits: int) -> str:
    return "uint16" if bits <= 16 else "uint32" if bits <= 32 else "uint64"


def draw_kind(dice: random.Random, protocol: Protocol, bits_enough: int) -> Kind:
    """Args: bits_enough: see `Kind`; fewer are for those that count their cycles beside."""
    slots = 0 if protocol == "mqtt" else dice.choice([1, 2, 3, 4, 8, 20, 30, 60, 100])
    slot_by = None if slots <= 1 else dice.choice(["sequence", "newest_slot"])
    status_shows = frozenset(
        name
        for name, likely in (
            ("total_count", 0.75),
            ("tool_serial", 0.8),
            ("controller_serial", 0.5),
            ("clock", 0.8),
        )
        if dice.random() < likely
    )
    record_shows = frozenset(
        name
        for name, likely in (("total_count", 0.5), ("tool_serial", 0.7), ("controller_time", 0.8))
        if dice.random() < likely
    )
    counts = "total_count" in (record_shows if protocol == "mqtt" else status_shows)
    bits = dice.choice([bits for bits in BITS if counts or bits >= bits_enough])
    clock = dice.choice(CLOCKS)
    samples = dice.choice([0, 5, 40]) if protocol == "mqtt" else dice.choice([0, 0, 5, 40, 150])
    status = _status_items(bits, slot_by, status_shows, clock)
    record = _record_items(bits, record_shows, clock, dice.randrange(6))
    curve = (
        item("sequence", integer_of(bits)),
        item("sample_count", "uint16"),
        item("sample_interval_us", "uint16"),
    )
    units = [each for each in (20, 40, 100, 250) if each >= size_of(status)]
    draft: dict[str, Any] = {
        "protocol": protocol,
        "bits": bits,
        "bits_enough": bits_enough,
        "slots": slots,
        "slot_by": slot_by,
        "status_shows": status_shows,
        "record_shows": record_shows,
        "clock": clock,
        "samples": samples,
        "shortest_cycle_s": dice.choice([0.02, 0.1, 0.5, 2.0]),
        "recording_s": dice.choice([0.01, 0.1, 0.4]),
        "unit_bytes_most": dice.choice(units),
        "status": status,
        "record": record,
        "curve": curve if samples else (),
    }
    layout = _message_layout(draft) if protocol == "mqtt" else _block_layout(draft)
    return Kind(**draft, layout=LayoutFile.model_validate(layout).root)


def _status_items(bits: int, slot_by: str | None, shows: frozenset[str], clock: str) -> tuple[Item, ...]:
    items = [
        item("last_sequence", integer_of(bits)),
        item("state", "uint16", values={str(raw): word for raw, word in STATES.items()}),
    ]
    if slot_by == "newest_slot":
        items.append(item("newest_slot", "uint16"))
    if "total_count" in shows:
        items += [item("total_count", "uint32"), item("count_since_cleared", "uint32")]
    if "tool_serial" in shows:
        items.append(item("tool_serial", "uint32", none=(0,)))
    if "controller_serial" in shows:
        items.append(item("controller_serial", "uint32"))
    if "clock" in shows:
        items.append(item("clock", clock))
    return tuple(items)


def _record_items(bits: int, shows: frozenset[str], clock: str, fillers: int) -> tuple[Item, ...]:
    items = [
        item("sequence", integer_of(bits)),
        item("peak_tension_n", "uint16"),
        item("true_id", "uint32"),
        item("result", "uint16", values={str(raw): word for raw, word in RESULTS.items()}),
    ]
    if "controller_time" in shows:
        items.append(item("controller_time", clock))
    if "total_count" in shows:
        items.append(item("total_count", "uint32"))
    if "tool_serial" in shows:
        items.append(item("tool_serial", "uint32", none=(0,)))
    items += [item(f"filler_{number}", "uint16") for number in range(fillers)]
    return tuple(items)


# ---- as a layout file says it ------------------------------------------------------------------------------

STATUS_AT, HISTORY_AT = 0, 100
"""Registers."""


def curve_at(kind: Kind | Mapping[str, Any]) -> int:
    """Register at which the curve block begins."""
    slots, record = (kind.slots, kind.record) if isinstance(kind, Kind) else (kind["slots"], kind["record"])
    return HISTORY_AT + slots * (size_of(record) // REGISTER_BYTES)


def _block_layout(draft: Mapping[str, Any]) -> dict[str, Any]:
    scale = 1 if draft["protocol"] == "modbus" else REGISTER_BYTES
    where: dict[str, Any] = {"table": "holding"} if draft["protocol"] == "modbus" else {"db": 7}

    def block(at: int, items: tuple[Item, ...], more: int = 0) -> dict[str, Any]:
        return {
            **where,
            "start": at * scale,
            "size": (size_of(items) // REGISTER_BYTES + more) * scale,
            "fields": _fields(items, 1 if scale == 2 else REGISTER_BYTES),
        }

    history = block(HISTORY_AT, draft["record"]) | {"slots": draft["slots"]}
    if draft["slot_by"]:
        history["slot_by"] = draft["slot_by"]
    layout = _common(draft) | {
        "request_timeout_ms": 500,
        "status": block(STATUS_AT, draft["status"]),
        "history": history,
    }
    if draft["samples"]:
        at = size_of(draft["curve"]) // REGISTER_BYTES * scale
        samples = {"type": "uint16", "at": at, "most": draft["samples"], "quantity": "tension_n"}
        layout["curve"] = block(curve_at(draft), draft["curve"], draft["samples"]) | {"samples": samples}
    return layout


def _fields(items: tuple[Item, ...], unit: int) -> tuple[dict[str, Any], ...]:
    fields, at = [], 0
    for each in items:
        fields.append({"name": each.name, "type": each.type, "at": at // unit, **each.keys})
        at += SIZES[each.type]
    return tuple(fields)


def _common(draft: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "name": f"{draft['protocol']}-{draft['bits']}",
        "protocol": draft["protocol"],
        "sequence_bits": draft["bits"],
        "shortest_cycle_ms": draft["shortest_cycle_s"] * 1000,
        "recording_ms": draft["recording_s"] * 1000,
        "tool": {"maker": MAKER, "model": MODEL},
    }


JSON_TYPES = {"uint16": "integer", "uint32": "integer", "uint64": "integer"} | {
    "unix_s": "unix_s",
    "unix_ms": "unix_ms",
    "datetime_words": "rfc3339",
}


def _message_layout(draft: Mapping[str, Any]) -> dict[str, Any]:
    layout = _common(draft) | {
        "status": {"topic": "{controller}/status", "payload": "json", "fields": _paths(draft["status"])},
        "history": {"topic": "{controller}/cycle", "payload": "json", "fields": _paths(draft["record"])},
    }
    if draft["samples"]:
        layout["curve"] = {
            "topic": "{controller}/curve",
            "payload": "binary",
            "fields": _fields(draft["curve"], 1),
            "samples": {
                "type": "uint16",
                "at": size_of(draft["curve"]),
                "most": draft["samples"],
                "quantity": "tension_n",
            },
        }
    return layout


def _paths(items: tuple[Item, ...]) -> tuple[dict[str, Any], ...]:
    return tuple(
        {"name": each.name, "type": JSON_TYPES[each.type], "path": each.name, **each.keys} for each in items
    )
