"""What the hand-packed memory maps share."""

import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from simulators.memory import Completion, Controller, Family, Mode, Record, Result, Slot, State

MODES: Sequence[Mode] = ("automatic", "manual", "setup", "maintenance")
STATES: Sequence[State] = ("starting", "idle", "executing", "stopped", "out_of_service")
RESULTS: Sequence[Result] = ("ok", "nok", "undecided")
COMPLETIONS: Sequence[Completion] = ("completed", "aborted", "failed")
"""The place in the sequence is the number on the wire (from 0 or 1, by controller)."""


@dataclass(frozen=True, slots=True)
class Area:
    """A run of bytes that a controller offers."""

    number: int
    """First register, or data block."""
    size: int
    """Bytes."""
    packed: Callable[[Controller, datetime], bytes]

    def now(self, controller: Controller, now: datetime) -> bytes | None:
        """As it is at this instant; None while the controller refuses to answer."""
        if not controller.starting(now) or controller.while_starting == "zeroed":
            return self.packed(controller, now)
        return bytes(self.size) if controller.while_starting == "blank" else None


@dataclass(frozen=True, slots=True)
class Map:
    """Where one kind of controller keeps what."""

    family: Family
    table: str
    """Modbus: "holding" or "input". S7: "db"."""
    areas: Sequence[Area]


def steps(value: float, step: float) -> int:
    return round(value / step)


def stepped(value: float, step: float) -> float:
    """The value as a controller has it that counts in whole steps."""
    return steps(value, step) * step


def float32(value: float) -> float:
    """The nearest IEEE 754 single."""
    return float(struct.unpack(">f", struct.pack(">f", value))[0])


def float32_in(value: float, unit: float) -> float:
    """The value as a controller has it that keeps it as an IEEE 754 single in a unit of its own."""
    return float32(value / unit) * unit


def to_second(at: datetime) -> datetime:
    return at.replace(microsecond=0)


def to_millisecond(at: datetime) -> datetime:
    return at.replace(microsecond=at.microsecond // 1000 * 1000)


def unix_ms(naive: datetime) -> int:
    """Milliseconds since 1970 of a naive clock, read as if it were UTC."""
    return (naive.replace(tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(milliseconds=1)


def bcd(value: int, digits: int) -> bytes:
    """Two decimal digits a byte."""
    return bytes.fromhex(f"{value:0{digits}d}")


def ring_bytes(controller: Controller, size: int, packed: Callable[[Record], bytes]) -> bytes:
    """All slots, `size` bytes each."""
    return b"".join(slot_bytes(slot, size, packed) for slot in controller.ring)


def slot_bytes(slot: Slot | None, size: int, packed: Callable[[Record], bytes]) -> bytes:
    """The bytes of a slot; a half-written record stands over the second half of the one before."""
    if slot is None:
        return bytes(size)
    new = packed(slot.record)
    if not slot.half:
        return new
    old = packed(slot.under) if slot.under is not None else bytes(size)
    return new[: size // 2] + old[size // 2 :]
