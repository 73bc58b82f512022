"""Small layouts around one field, and bytes as a controller would put them on the wire."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from collector.errors import LayoutError
from collector.layouts.decoder import Decoder
from collector.layouts.schema import Layout, LayoutFile, load_layout
from collector.model import Cycle

settings.register_profile("patient", deadline=None)  # what is timed here is a busy machine, not the code
settings.load_profile("patient")

EXAMPLES = Path(__file__).parents[3] / "collector" / "layouts" / "examples"


@pytest.fixture(scope="session")
def examples() -> dict[str, Layout]:
    """The layouts that come along, by name."""
    return {layout.name: layout for layout in map(load_layout, sorted(EXAMPLES.glob("*.toml")))}


@pytest.fixture(scope="session")
def around() -> Callable[..., Layout]:
    """A block layout whose record is a 16-bit sequence and then `size` bytes with the fields given."""

    def layout(size: int, *fields: dict[str, Any], protocol: str = "modbus", **keys: Any) -> Layout:
        place = {"table": "holding"} if protocol == "modbus" else {"db": 1}
        unit = 2 if protocol == "modbus" else 1
        sequence = {"type": "uint16", "at": 0}
        content = {
            "name": "around",
            "protocol": protocol,
            "sequence_bits": 16,
            "tool": {"maker": "Sample Works", "model": "C-4"},
            "status": {**place, "start": 0, "size": 2, "fields": ({"name": "last_sequence", **sequence},)},
            "history": {
                **place,
                "start": 8,
                "size": (2 + size + unit - 1) // unit,
                "slots": 1,
                "fields": ({"name": "sequence", **sequence}, *fields),
            },
            **keys,
        }
        return LayoutFile.model_validate(content).root

    return layout


@pytest.fixture(scope="session")
def decoded(around: Callable[..., Layout]) -> Callable[..., Cycle]:
    """The cycle that a record with one more field decodes to: `decoded(bytes, name=..., type=...)`."""

    def decode(
        data: bytes, *, protocol: str = "modbus", layout: dict[str, Any] | None = None, **field: Any
    ) -> Cycle:
        at = {"at": 1 if protocol == "modbus" else 2}
        built = around(len(data), {**at, **field}, protocol=protocol, **(layout or {}))
        padding = bytes(len(data) % 2 if protocol == "modbus" else 0)
        return Decoder(built).decode_cycle(b"\x00\x07" + data + padding)

    return decode


@pytest.fixture(scope="session")
def value(decoded: Callable[..., Cycle]) -> Callable[..., object]:
    """What a field without a column of its own decodes to."""

    def find(data: bytes, **field: Any) -> object:
        return decoded(data, **{"name": "reading", **field}).extra[field.get("name", "reading")]

    return find


@pytest.fixture(scope="session")
def on_wire() -> Callable[[bytes, str, str], bytes]:
    """A value's bytes, high byte first, as a controller with these orders sends them."""

    def send(canonical: bytes, byte_order: str, word_order: str) -> bytes:
        words = [canonical[at : at + 2] for at in range(0, len(canonical), 2)]
        if word_order == "little":
            words.reverse()
        return b"".join(word[::-1] if byte_order == "little" else word for word in words)

    return send


@pytest.fixture
def mistakes_in(tmp_path: Path) -> Callable[[str], list[tuple[int | None, str, str]]]:
    """(line, key, sentence) of every mistake that is found in the text of a layout file."""

    def load(text: str) -> list[tuple[int | None, str, str]]:
        path = tmp_path / "layout.toml"
        path.write_text(text, encoding="utf-8")
        with pytest.raises(LayoutError) as caught:
            load_layout(path)
        assert {mistake.file for mistake in caught.value.mistakes} == {str(path)}
        return [(mistake.line, mistake.key, mistake.says) for mistake in caught.value.mistakes]

    return load
