"""Canonical JSON (RFC 8785): one text for one value, so that a hash of it can be checked by anybody. Pure.

Members in the order of their names' UTF-16 code units, no white space, text as ECMAScript escapes it, numbers
as ECMAScript writes them (ECMA-262, Number::toString): the shortest digits that read back as the same double.
"""

import json
import math
from typing import Any

EXACT = 2**53
"""Beyond ± it whole numbers are no doubles of their own and travel as text (RFC 8785, appendix D)."""


def canonical(value: Any) -> str:
    """The text. Raises: ValueError: not JSON: NaN, an infinity, a lone surrogate, a whole number beyond 2^53,
    a name that is no text, or another type."""
    match value:
        case None:
            return "null"
        case bool():
            return "true" if value else "false"
        case str():
            return _text(value)
        case int():
            if abs(value) > EXACT:
                raise ValueError(
                    f"{value} can't be told from its neighbours as a JSON number; write it as text"
                )
            return str(value)
        case float():
            return _number(value)
        case list() | tuple():
            return "[" + ",".join(canonical(each) for each in value) + "]"
        case dict():
            names = sorted(value, key=_code_units)
            return "{" + ",".join(f"{_text(name)}:{canonical(value[name])}" for name in names) + "}"
    raise ValueError(f"{value!r} is nothing that JSON knows")


def _text(text: str) -> str:
    text.encode("utf-8")  # refuses lone surrogates (UnicodeEncodeError is a ValueError)
    return json.dumps(text, ensure_ascii=False)


def _code_units(name: Any) -> bytes:
    if not isinstance(name, str):
        raise ValueError(f"{name!r} can't be the name of a member")
    return name.encode("utf-16-be")


def _number(number: float) -> str:
    if not math.isfinite(number):
        raise ValueError(f"{number} is no JSON number")
    if number == 0:
        return "0"
    sign = "-" if number < 0 else ""
    mantissa, _, exponent = f"{abs(number)!r}".partition("e")  # the shortest digits, as ECMAScript asks for
    whole, _, fraction = mantissa.partition(".")
    digits = (whole + fraction).lstrip("0")
    point = len(whole) + int(exponent or 0) - (len(whole + fraction) - len(digits))
    digits = digits.rstrip("0")
    count = len(digits)
    if count <= point <= 21:
        return sign + digits.ljust(point, "0")
    if 0 < point <= 21:
        return f"{sign}{digits[:point]}.{digits[point:]}"
    if -6 < point <= 0:
        return f"{sign}0.{'0' * -point}{digits}"
    power = f"e{point - 1:+d}"
    return sign + digits[0] + (f".{digits[1:]}" if count > 1 else "") + power
