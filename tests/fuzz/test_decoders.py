"""Spoilt bytes for every decoder: a value that the model allows, or an error with the bytes; nothing else.

`python -m tests.fuzz --inputs 1000000` does the same for longer.
"""

from typing import get_args

import pytest

from collector.layouts import decoder
from collector.layouts.field_schema import BinaryType, JsonType
from collector.layouts.log_values import LogType
from collector.layouts.schema import Layout
from tests.fuzz import targets
from tests.fuzz.__main__ import run
from tests.fuzz.layouts import by_chance
from tests.fuzz.targets import Escape, feed

INPUTS = 12_000


def test_nothing_escapes_from_a_decoder() -> None:
    """Every example and layouts made by chance; each decoder sees good ones and bad ones."""
    done, escapes = run(INPUTS, seed=20261125)
    assert escapes == []
    assert sum(count for count, _ in done.values()) == INPUTS
    for name, (_, outcome) in done.items():
        share = outcome.decoded / (outcome.decoded + outcome.refused)
        assert 0.1 < share < 0.9, f"{name}: {share:.0%} decoded"


def test_an_input_is_the_same_for_the_same_seed() -> None:
    """So that what was found can be looked at again."""
    for target in targets.targets():
        inputs = [targets.raw_of(target, seed, 7) for seed in (1, 1, 2)]
        assert inputs[0] == inputs[1] != inputs[2]


def test_layouts_by_chance_have_every_type() -> None:
    """No type of field that only the examples try."""
    found = {field.type for number in range(150) for field in _fields(by_chance(f"types/{number}"))}
    assert found >= {*get_args(BinaryType), *get_args(JsonType), *get_args(LogType)}


def _fields(layout: Layout) -> list[object]:
    return [field for section in layout.sections.values() for field in section.fields]


def _feed_many(target: str) -> None:
    for number in range(100):
        feed(target, 1, number)


@pytest.mark.parametrize(
    ("planted", "target"),
    [
        (lambda cycle: {**cycle, "mode": "auto"}, "ring-s7 cycle"),
        (lambda cycle: {**cycle, "peak_tension_n": float("nan")}, "ring-s7 cycle"),
        (lambda cycle: {**cycle, "peak_tension_n": 5}, "ring-modbus log"),
        (lambda cycle: {**cycle, "sequence": 2**32}, "messages-mqtt cycle"),
        (lambda cycle: {**cycle, "total_count": 2**63}, "messages-mqtt cycle"),
        (lambda cycle: {**cycle, "part_id": "a\0b"}, "last-record-modbus cycle"),
        (lambda cycle: {**cycle, "extra": {"reading": 2**64}}, "by-chance cycle"),
        (lambda cycle: {**cycle, "raw": b""}, "ring-modbus cycle"),
        (lambda cycle: 1 / 0, "ring-modbus cycle"),
    ],
    ids=["word", "nan", "kind", "width", "range", "zero byte", "extra", "bytes", "exception"],
)
def test_what_must_not_come_out_is_found(
    monkeypatch: pytest.MonkeyPatch, planted: object, target: str
) -> None:
    """A decoder with a mistake in it does not pass."""
    honest = decoder.Cycle
    monkeypatch.setattr(decoder, "Cycle", lambda **cycle: honest(**planted(cycle)))  # type: ignore[operator]
    with pytest.raises(Escape):
        _feed_many(target)
