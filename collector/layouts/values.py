"""From the raw value of a field to the value that we keep: sentinel, enumeration, scale, unit, bounds; pure.

Scale, offset and the unit's factor are joined into one exact fraction, so a whole number is rounded once:
1234 in steps of 0.1 is 123.4 and nothing beside it. A converter raises ValueError with a sentence about the
field. Integers above 2⁶³ − 1 are refused, since the store keeps 64 bits with a sign; only a sequence has its
whole width.
"""

import struct
from collections.abc import Callable, Mapping
from datetime import date, datetime, time
from fractions import Fraction
from math import isfinite, lcm

from collector.layouts.field_schema import (
    COLUMNS,
    SEQUENCES,
    WORDS,
    CommonSamples,
    LayoutField,
    Role,
)
from collector.layouts.fields import Raw
from collector.layouts.units import conversion, kept_unit

Value = int | float | str | bool | datetime | None
Convert = Callable[[Raw], Value]

INTEGER_MOST = 2**63 - 1
"""That the store keeps; a sequence may be greater."""

WHOLE = (
    "last_sequence",
    "newest_slot",
    "sequence",
    "sample_count",
    "sample_interval_us",
    "total_count",
    "count_since_cleared",
)
"""Columns that are whole and not negative."""
LABELS = ("controller_serial", "tool_serial", "fault_code", "part_id", "band")
"""Columns that are text, also where the controller has numbers."""
ROUNDED = ("sample_interval_us",)
"""Whole by our choice of unit, so a fraction is rounded."""


def converter(
    field: LayoutField, role: Role, limits: Mapping[str, int], spelled: Mapping[int | str, str]
) -> Convert:
    """Raw value -> kept value of one field; None stays None.

    Args:   limits: name of a whole column -> what it must be less than; spelled: raw fault code -> its code.
    """
    convert = _column(field, limits, spelled) if field.name in COLUMNS[role] else _other(field)
    none = _sentinels(field)

    def value(raw: Raw) -> Value:
        return None if raw is None or raw in none else convert(raw)

    return value


def linear(field: LayoutField | CommonSamples, name: str, given: str | None) -> tuple[Fraction, Fraction]:
    """Factor and shift from raw value to the unit in the name."""
    scale, offset = Fraction(str(field.scale)), Fraction(str(field.offset))
    factor, shift = _to_kept(name, given)
    return scale * factor, offset * factor + shift


def _to_kept(name: str, given: str | None) -> tuple[Fraction, Fraction]:
    kept = kept_unit(name)
    return (Fraction(1), Fraction(0)) if given is None or kept is None else conversion(given, kept)


def _column(field: LayoutField, limits: Mapping[str, int], spelled: Mapping[int | str, str]) -> Convert:
    if field.name in WORDS:
        return _enumeration(field)
    if field.name in WHOLE:
        return _whole(field, limits.get(field.name))
    if field.name in LABELS:
        return _label(field, spelled if field.name == "fault_code" else {})
    if field.kind == "instant":
        return _instant(field)
    return _same if field.kind == "bool" else _quantity(field)


def _other(field: LayoutField) -> Convert:
    """A setting or a field without a column: what JSON can hold, so dates become text."""
    if field.values is not None:
        return _enumeration(field)
    if field.kind in ("instant", "date", "time"):
        return _date_text(field)
    if field.kind in ("integer", "number") and _is_quantity(field):
        return _quantity(field)
    own: dict[str, Convert] = {"integer": _storable, "number": _real}
    return own.get(field.kind, _same)


def _sentinels(field: LayoutField) -> frozenset[int | float | str]:
    """A controller's float32 can't be -999.9; it is the single next to it."""
    if field.type == "float32":
        return frozenset(struct.unpack(">f", struct.pack(">f", value))[0] for value in field.none)
    return frozenset(field.none)


def _same(raw: Raw) -> Value:
    return raw


def _real(raw: Raw) -> float:
    """JSON writes 5 where 5.0 is meant."""
    assert isinstance(raw, int | float)
    return float(raw)


def _storable(raw: Raw) -> int:
    assert isinstance(raw, int)
    if not -INTEGER_MOST - 1 <= raw <= INTEGER_MOST:
        raise ValueError(f"{raw} is beyond the 64-bit range with sign")
    return raw


def _words(field: LayoutField) -> dict[int | bool | str, str]:
    """Raw value, as it is read -> its word."""
    keys: dict[str, Callable[[str], int | bool | str]] = {"integer": int, "bool": "true".__eq__}
    key = keys.get(field.kind, str)
    return {key(raw): word for raw, word in (field.values or {}).items()}


def _enumeration(field: LayoutField) -> Convert:
    words, otherwise = _words(field), field.otherwise

    def word(raw: Raw) -> str:
        found = words.get(raw, otherwise)  # type: ignore[arg-type]
        if found is None:
            raise ValueError(f"is {raw!r}, which the layout's values do not list")
        return found

    return word


def _label(field: LayoutField, spelled: Mapping[int | str, str]) -> Convert:
    """A label that no list has is kept as it is: a new fault code must not cost the cycle."""
    listed, otherwise = {**spelled, **_words(field)}, field.otherwise
    return lambda raw: listed.get(raw) or otherwise or str(raw)  # type: ignore[arg-type]


def _instant(field: LayoutField) -> Convert:
    return field.finish or _same  # type: ignore[return-value]


def _date_text(field: LayoutField) -> Convert:
    finish = field.finish

    def text(raw: Raw) -> str:
        value = raw if finish is None else finish(raw)  # type: ignore[arg-type]
        assert isinstance(value, date | time)
        return value.isoformat()

    return text


def _is_quantity(field: LayoutField) -> bool:
    factor, shift = linear(field, field.name, field.given_unit)
    return factor != 1 or shift != 0 or _bounds(field) is not None


def _bounds(field: LayoutField) -> tuple[float, float] | None:
    """Least and most in the kept unit."""
    if field.least is None and field.most is None:
        return None
    factor, shift = _to_kept(field.name, field.given_unit)
    least = float("-inf") if field.least is None else float(Fraction(str(field.least)) * factor + shift)
    most = float("inf") if field.most is None else float(Fraction(str(field.most)) * factor + shift)
    return least, most


def _quantity(field: LayoutField) -> Callable[[Raw], float]:
    """A number in the unit of the field's name, within its bounds."""
    factor, shift = linear(field, field.name, field.given_unit)
    bounds = _bounds(field)
    below = lcm(factor.denominator, shift.denominator)
    times, plus = int(factor * below), int(shift * below)
    rate, begin = float(factor), float(shift)

    def quantity(raw: Raw) -> float:
        if type(raw) is int:
            value = (raw * times + plus) / below
        elif not isfinite(value := raw * rate + begin):  # type: ignore[operator]
            raise ValueError(f"is {raw!r}, which no number can hold after scaling")
        if bounds is not None and not bounds[0] <= value <= bounds[1]:
            raise ValueError(f"is {value:g}, which is not within {bounds[0]:g} to {bounds[1]:g}")
        return value

    return quantity


def _whole(field: LayoutField, limit: int | None) -> Callable[[Raw], int]:
    quantity = _quantity(field) if _is_quantity(field) else None
    rounded, keep = field.name in ROUNDED, int if field.name in SEQUENCES else _storable

    def whole(raw: Raw) -> int:
        value = raw if quantity is None else quantity(raw)
        number = keep(round(value))  # type: ignore[arg-type]
        if not rounded and abs(value - number) > 1e-6:  # type: ignore[operator]
            raise ValueError(f"is {value!r}, which is not a whole number")
        if number < 0 or (limit is not None and number >= limit):
            raise ValueError(
                f"is {number}; it must be 0 or more" + (f" and less than {limit}" if limit else "")
            )
        return number

    return whole
