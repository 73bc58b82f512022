"""A controller of four records in a hundred registers, and what it does while we read."""

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Self

from collector.layouts.schema import Block, ModbusLayout, RegisterBlock, load_layout

SLOTS = 4
SEQUENCE, STATE, COUNT, SERIAL, TOOL, CLOCK = 0, 1, 2, 3, 5, 7
"""Registers of the status."""
STATUS_SIZE = 11
RING, RECORD_SIZE = 20, 6
CURVE = 50

LAYOUT = """
name = "tiny"
about = "four records of six registers"
protocol = "modbus"
sequence_bits = 16
request_timeout_ms = 100

[tool]
maker = "Sample Works"
model = "C-0"

[status]
table = "holding"
start = 0
size = 11
fields = [
    { name = "last_sequence", type = "uint16", at = 0 },
    { name = "state", type = "uint16", at = 1, values = { 0 = "idle", 1 = "starting" } },
    { name = "total_count", type = "uint16", at = 2 },
    { name = "controller_serial", type = "text", at = 3, length = 4, none = [""] },
    { name = "tool_serial", type = "text", at = 5, length = 4, none = [""] },
    { name = "clock", type = "unix_ms", at = 7, none = [0] },
]

[history]
table = "holding"
start = 20
size = 6
slots = 4
slot_by = "sequence"
fields = [
    { name = "sequence", type = "uint16", at = 0 },
    { name = "peak_tension_n", type = "uint16", at = 1 },
    { name = "result", type = "uint16", at = 2, values = { 0 = "ok", 1 = "nok" } },
    { name = "total_count", type = "uint16", at = 3 },
    { name = "tool_serial", type = "text", at = 4, length = 4, none = [""] },
]

[curve]
table = "holding"
start = 50
size = 8
fields = [
    { name = "sequence", type = "uint16", at = 0 },
    { name = "sample_count", type = "uint16", at = 1 },
    { name = "sample_interval_us", type = "uint16", at = 2 },
]
samples = { type = "uint16", at = 3, most = 5, quantity = "tension_n" }
"""


class Memory:
    """A controller's registers, and what it does just before each of our reads."""

    def __init__(self, layout: ModbusLayout) -> None:
        self.layout = layout
        self.registers = [0] * 100
        self.made = 0
        """Cycles ever made: the peak tension in a record, so that no two records look alike."""
        self.reads: list[tuple[int, int]] = []
        self.before_read: dict[int, Callable[[], None]] = {}
        self.always: Callable[[], None] = lambda: None

    @property
    def modulus(self) -> int:
        return self.layout.sequence_modulus

    @staticmethod
    def slot(number: int) -> int:
        """The register that the record of this number begins at."""
        return RING + RECORD_SIZE * (number % SLOTS)

    def first_half(self, number: int) -> None:
        at = self.slot(number)
        self.registers[at : at + 2] = [number % self.modulus, self.made % 65536]

    def record(self, number: int, result: int = 0, tool: str = "") -> None:
        self.first_half(number)
        at = self.slot(number)
        self.registers[at + 2 : at + RECORD_SIZE] = [result, self.registers[COUNT], *text(tool)]

    def curve(self, number: int, samples: list[int]) -> None:
        self.registers[CURVE : CURVE + 3 + len(samples)] = [number % 65536, len(samples), 1000, *samples]

    def finish(self, number: int, result: int = 0, tool: str = "") -> None:
        """Make the cycle with this number."""
        self.made += 1
        self.registers[COUNT] = (self.registers[COUNT] + 1) % 65536
        self.record(number, result, tool)
        self.registers[SEQUENCE] = number % self.modulus

    def clear(self) -> None:
        """Lose every record and the sequence; the count is kept."""
        self.registers[RING:] = [0] * (len(self.registers) - RING)
        self.registers[SEQUENCE] = 0

    def show(self, *, serial: str | None = None, tool: str | None = None) -> None:
        """In the status: the controller's own serial, the mounted tool's."""
        if serial is not None:
            self.registers[SERIAL : SERIAL + 2] = text(serial)
        if tool is not None:
            self.registers[TOOL : TOOL + 2] = text(tool)

    def show_clock(self, clock: datetime) -> None:
        said = int(clock.timestamp() * 1000).to_bytes(8, "big", signed=True)
        self.registers[CLOCK : CLOCK + 4] = [int.from_bytes(said[i : i + 2], "big") for i in range(0, 8, 2)]

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        pass

    async def read(self, block: Block) -> bytes:
        assert isinstance(block, RegisterBlock)
        self.before_read.pop(len(self.reads), self.always)()
        self.reads.append((block.start, block.size))
        return b"".join(r.to_bytes(2, "big") for r in self.registers[block.start : block.start + block.size])


def text(word: str) -> list[int]:
    """Four characters in two registers."""
    raw = word.encode().ljust(4, b"\0")
    return [int.from_bytes(raw[:2], "big"), int.from_bytes(raw[2:], "big")]


def tiny_layout(folder: Path, change: Callable[[str], str] = str) -> ModbusLayout:
    """`change` turns the layout's text into another controller's."""
    path = folder / "tiny.toml"
    path.write_text(change(LAYOUT))
    layout = load_layout(path)
    assert isinstance(layout, ModbusLayout)
    return layout


def without(*names: str) -> Callable[[str], str]:
    """A layout without these fields."""

    def change(layout: str) -> str:
        return "\n".join(
            line for line in layout.split("\n") if not any(f'name = "{name}"' in line for name in names)
        )

    return change
