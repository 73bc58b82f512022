"""What must hold of whatever a decoder hands out, so that the book can keep it."""

from collections.abc import Mapping
from dataclasses import fields
from datetime import datetime
from math import isfinite
from types import UnionType
from typing import Any, Literal, get_args, get_origin, get_type_hints

import orjson

from collector.layouts.schema import Layout
from collector.model import ActiveFault, Curve, Cycle, Status, ToolName

STORED_MOST = 2**63 - 1
SAMPLE_BYTES = {"int16": 2, "uint16": 2, "int32": 4, "uint32": 4, "float32": 4, "float64": 8}
SEQUENCES = ("last_sequence", "sequence")
HINTS = {kind: get_type_hints(kind) for kind in (Status, Cycle, Curve, ToolName, ActiveFault)}


def check(decoded: Status | Cycle | Curve, layout: Layout) -> None:
    """Raises: AssertionError: with the field that the model does not allow."""
    _check_fields(decoded)
    sequence = decoded.last_sequence if isinstance(decoded, Status) else decoded.sequence
    assert 0 <= sequence < layout.sequence_modulus, "sequence beyond its width"
    if isinstance(decoded, Curve):
        _check_curve(decoded, layout)
        return
    for name in ("settings", "extra"):
        _check_extra(getattr(decoded, name, {}))


def _check_fields(decoded: Any) -> None:
    for field in fields(decoded):
        value = getattr(decoded, field.name)
        assert _fits(value, HINTS[type(decoded)][field.name]), f"{field.name} is {value!r:.80}"
        if type(value) is int and field.name not in SEQUENCES:
            assert 0 <= value <= STORED_MOST, f"{field.name} is {value}"


def _fits(value: Any, hint: Any) -> bool:
    """Exactly of the type: True is no number here, and an integer no float."""
    origin = get_origin(hint)
    if origin is UnionType:
        return any(_fits(value, each) for each in get_args(hint))
    if origin is Literal:
        return value in get_args(hint)
    if origin is tuple:
        return type(value) is tuple and all(_fits(each, get_args(hint)[0]) for each in value)
    if origin is Mapping or (isinstance(origin, type) and issubclass(origin, Mapping)):
        return type(value) is dict
    if type(value) is not hint:
        return False
    if hint in (ToolName, ActiveFault):
        _check_fields(value)
    return _is_storable(value)


def _is_storable(value: Any) -> bool:
    if type(value) is float:
        return isfinite(value)
    if type(value) is str:
        return "\0" not in value and value.encode("utf-8", "strict") is not None and bool(value.strip())
    return not isinstance(value, datetime) or value.year >= 1


def _check_extra(extra: Mapping[str, Any]) -> None:
    for name, value in extra.items():
        assert value is None or type(value) in (int, float, str, bool), f"{name} is {value!r:.80}"
        assert type(value) is not int or -STORED_MOST - 1 <= value <= STORED_MOST, f"{name} is {value}"
        assert _is_storable(value), f"{name} is {value!r:.80}"
    assert orjson.loads(orjson.dumps(extra)) == extra


def _check_curve(curve: Curve, layout: Layout) -> None:
    assert layout.curve is not None
    width = SAMPLE_BYTES[curve.sample_type]
    assert len(curve.samples) % width == 0, "half a sample"
    assert len(curve.samples) // width <= layout.curve.samples.most, "more samples than the layout allows"
    assert not curve.samples or curve.sample_interval_us > 0, "no time between the samples"
