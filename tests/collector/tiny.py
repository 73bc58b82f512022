"""A controller of four records in a hundred registers, and what it does while we read."""

from collections.abc import Callable
from pathlib import Path

from collector.layouts.schema import Block, ModbusLayout, RegisterBlock, load_layout

SLOTS = 4

LAYOUT = """
name = "tiny"
about = "four records of four registers"
protocol = "modbus"
sequence_bits = 16
request_timeout_ms = 100

[tool]
maker = "Sample Works"
model = "C-0"

[status]
table = "holding"
start = 0
size = 3
fields = [
    { name = "last_sequence", type = "uint16", at = 0 },
    { name = "state", type = "uint16", at = 1, values = { 0 = "idle", 1 = "starting" } },
    { name = "total_count", type = "uint16", at = 2 },
]

[history]
table = "holding"
start = 10
size = 4
slots = 4
slot_by = "sequence"
fields = [
    { name = "sequence", type = "uint16", at = 0 },
    { name = "peak_tension_n", type = "uint16", at = 1 },
    { name = "result", type = "uint16", at = 2, values = { 0 = "ok", 1 = "nok" } },
    { name = "total_count", type = "uint16", at = 3 },
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
        self.reads: list[tuple[int, int]] = []
        self.before_read: dict[int, Callable[[], None]] = {}
        self.always: Callable[[], None] = lambda: None

    def first_half(self, number: int) -> None:
        at = 10 + 4 * (number % SLOTS)
        self.registers[at : at + 2] = [number % 65536, number % 1000]

    def record(self, number: int, result: int = 0) -> None:
        self.first_half(number)
        at = 10 + 4 * (number % SLOTS)
        self.registers[at + 2 : at + 4] = [result, self.registers[2]]

    def curve(self, number: int, samples: list[int]) -> None:
        self.registers[50 : 53 + len(samples)] = [number % 65536, len(samples), 1000, *samples]

    def finish(self, number: int) -> None:
        self.registers[2] += 1
        self.record(number)
        self.registers[0] = number % 65536

    async def __aenter__(self) -> "Memory":
        return self

    async def __aexit__(self, *_: object) -> None:
        pass

    async def read(self, block: Block) -> bytes:
        assert isinstance(block, RegisterBlock)
        self.before_read.pop(len(self.reads), self.always)()
        self.reads.append((block.start, block.size))
        return b"".join(r.to_bytes(2, "big") for r in self.registers[block.start : block.start + block.size])


def tiny_layout(folder: Path) -> ModbusLayout:
    path = folder / "tiny.toml"
    path.write_text(LAYOUT)
    layout = load_layout(path)
    assert isinstance(layout, ModbusLayout)
    return layout
