"""How controllers write values: one function a field type, canonical bytes in, raw value out; pure.

Canonical means high byte first. `canonical` brings bytes there from the order they stand in on the wire:

    type of field          word_order = "little"     byte_order = "little"
    numbers                16-bit words reversed     bytes swapped in each word (both: plain little-endian)
    runs of words          as it is                  bytes swapped in each word
    text, dates in bytes   as it is                  bytes swapped in each Modbus register, else as it is

A reader raises ValueError with a sentence where the bytes can't be such a value. A float that is not finite
is no value (None), and so are text without a visible character and a calendar date of zero bytes only.
Dates and times say no zone, so they are naive; what is finer than a microsecond is cut off.
"""

import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Literal

from collector.rfc3339 import parse_rfc3339

Raw = int | float | str | bool | datetime | None
"""What a reader finds, before scale, unit and enumeration."""
Kind = Literal["integer", "number", "text", "bool", "instant", "date", "time"]
Order = Literal["big", "little"]
Finish = Callable[[int], datetime | date | time]

EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 - controllers say no zone
S7_EPOCH = date(1990, 1, 1)
DAY_MS = 86_400_000
STRING_MOST = 254
"""Characters of an S7 STRING."""
WSTRING_MOST = 16382
"""Characters of an S7 WSTRING."""


@dataclass(frozen=True, slots=True)
class FieldType:
    """A type of fixed size. `order` says what byte and word order do to it."""

    kind: Kind
    size: int
    """Bytes."""
    read: Callable[[bytes], Raw]
    order: Literal["number", "words", "bytes"] = "number"
    finish: Finish | None = None
    """Where `read` gives a count of something since somewhere: the date or time that it means."""
    unit: str | None = None
    """Where the type itself has one."""
    resolution_ms: float = 1.0
    """Of an instant: how fine it can be."""


@dataclass(frozen=True, slots=True)
class TextType:
    """A type whose room is `header` bytes and then `length` characters of `width` bytes."""

    header: int
    width: int
    length_most: int
    read: Callable[[bytes, str], Raw]
    """(canonical bytes, encoding)"""


# ---- order -----------------------------------------------------------------------------------------------


def canonical(data: bytes, byte_order: Order, word_order: Order) -> bytes:
    """A number's bytes, high byte first. A single byte has no order."""
    if word_order == "little":
        data = data[::-1] if byte_order == "little" else swap_bytes(data[::-1])
    elif byte_order == "little":
        data = swap_bytes(data)
    return data


def swap_bytes(data: bytes) -> bytes:
    """The two bytes of each 16-bit word exchanged; one byte alone stays."""
    if len(data) % 2:
        return data
    swapped = bytearray(data)
    swapped[0::2], swapped[1::2] = data[1::2], data[0::2]
    return bytes(swapped)


# ---- numbers ---------------------------------------------------------------------------------------------


def read_unsigned(data: bytes) -> int:
    return int.from_bytes(data, "big")


def read_signed(data: bytes) -> int:
    return int.from_bytes(data, "big", signed=True)


def read_float_32(data: bytes) -> float | None:
    return finite(struct.unpack(">f", data)[0])


def read_float_64(data: bytes) -> float | None:
    return finite(struct.unpack(">d", data)[0])


def read_bcd(data: bytes) -> int:
    """Binary-coded decimal without a sign: two digits a byte."""
    digits = data.hex()
    if not digits.isdecimal():
        raise ValueError(f"{digits.upper()} is not BCD: each half byte must be 0 to 9")
    return int(digits)


def finite(value: float) -> float | None:
    """None for NaN and the infinities: they say that there is no value."""
    return value if value - value == 0 else None


# ---- text ------------------------------------------------------------------------------------------------


def read_text(data: bytes, encoding: str) -> str | None:
    return tidy(_decoded(data.split(b"\0", 1)[0], encoding))


def read_counted_text_1(data: bytes, encoding: str) -> str | None:
    return _counted(data[0], data[1:], encoding)


def read_counted_text_2(data: bytes, encoding: str) -> str | None:
    return _counted(int.from_bytes(data[:2], "big"), data[2:], encoding)


def read_s7_string(data: bytes, encoding: str) -> str | None:
    """STRING: one byte maximum length, one byte actual length, then the characters."""
    return _counted(_s7_length(data[0], data[1], STRING_MOST), data[2:], encoding)


def read_s7_wstring(data: bytes, _: str) -> str | None:
    """WSTRING: the same with 16-bit lengths and characters (UTF-16, high byte first)."""
    most, length = struct.unpack_from(">HH", data)
    return _counted(2 * _s7_length(most, length, WSTRING_MOST), data[4:], "utf-16-be")


def _s7_length(most: int, length: int, most_of_type: int) -> int:
    if most > most_of_type:
        raise ValueError(f"string header says at most {most} characters, and the type has {most_of_type}")
    if length > most:
        raise ValueError(f"string header says {length} characters of at most {most}")
    return length


def _counted(size: int, room: bytes, encoding: str) -> str | None:
    if size > len(room):
        raise ValueError(f"length says {size} bytes, and there is room for {len(room)}")
    return tidy(_decoded(room[:size], encoding))


def _decoded(data: bytes, encoding: str) -> str:
    try:
        return data.decode(encoding)
    except UnicodeDecodeError as error:
        raise ValueError(f"text is not {encoding}: {error.reason}") from error


def tidy(text: str) -> str | None:
    """Text up to the first NUL without trailing blanks; None where nothing is left."""
    return text.split("\0", 1)[0].rstrip() or None


# ---- dates and times -------------------------------------------------------------------------------------


def read_s7_dt(data: bytes) -> datetime | None:
    """DATE_AND_TIME: eight bytes of BCD; the last half byte is the weekday, which is not looked at.

    Years 90 to 99 are 1990 to 1999, 00 to 89 are 2000 to 2089.
    """
    if not any(data):
        return None
    digits = data.hex()
    if not digits[:15].isdecimal():
        raise ValueError(f"{digits.upper()} is not a DATE_AND_TIME: each half byte must be 0 to 9")
    year, month, day, hour, minute, second = (int(digits[at : at + 2]) for at in range(0, 12, 2))
    century = 1900 if year >= 90 else 2000
    return calendar(century + year, month, day, hour, minute, second, int(digits[12:15]) * 1000)


def read_s7_dtl(data: bytes) -> datetime | None:
    """DTL: year (2 bytes), month, day, weekday (not looked at), hour, minute, second, ns (4 bytes)."""
    if not any(data):
        return None
    year, month, day, _, hour, minute, second, ns = struct.unpack(">HBBBBBBI", data)
    return calendar(year, month, day, hour, minute, second, ns // 1000)


def read_datetime_words(data: bytes) -> datetime | None:
    """Year, month, day, hour, minute, second, millisecond: one 16-bit word each."""
    if not any(data):
        return None
    year, month, day, hour, minute, second, ms = struct.unpack(">7H", data)
    return calendar(year, month, day, hour, minute, second, ms * 1000)


def calendar(year: int, month: int, day: int, hour: int, minute: int, second: int, us: int) -> datetime:
    try:
        return datetime(year, month, day, hour, minute, second, us)  # noqa: DTZ001
    except (ValueError, OverflowError) as error:
        stands = f"{year}-{month}-{day} {hour}:{minute}:{second} and {us} µs"
        raise ValueError(f"{stands} is no date: {error}") from error


def read_s7_s5time(data: bytes) -> int:
    """S5TIME in ms: three BCD digits times 10 ms, 100 ms, 1 s or 10 s. Bits 14 and 15 are not looked at."""
    word = int.from_bytes(data, "big")
    digits = f"{word & 0xFFF:03x}"
    if not digits.isdecimal():
        raise ValueError(f"{data.hex().upper()} is no S5TIME: its three digits must be BCD")
    return int(digits) * (10, 100, 1000, 10_000)[word >> 12 & 3]


def instant_from_s(count: int) -> datetime:
    return _since_epoch(count * 1_000_000)


def instant_from_ms(count: int) -> datetime:
    return _since_epoch(count * 1000)


def instant_from_us(count: int) -> datetime:
    return _since_epoch(count)


def instant_from_ns(count: int) -> datetime:
    return _since_epoch(count // 1000)


def _since_epoch(us: int) -> datetime:
    try:
        return EPOCH + timedelta(microseconds=us)
    except OverflowError as error:
        raise ValueError(f"{us} µs since 1970 is no date of the years 1 to 9999") from error


def date_from_days(days: int) -> date:
    """S7 DATE: days since 1990-01-01."""
    return S7_EPOCH + timedelta(days=days)


def time_from_ms(ms: int) -> time:
    """S7 TIME_OF_DAY: milliseconds since midnight."""
    if ms >= DAY_MS:
        raise ValueError(f"{ms} ms is past the end of a day")
    return (EPOCH + timedelta(milliseconds=ms)).time()


# ---- the tables ------------------------------------------------------------------------------------------

FIELD_TYPES: Mapping[str, FieldType] = {
    "int8": FieldType("integer", 1, read_signed),
    "uint8": FieldType("integer", 1, read_unsigned),
    "int16": FieldType("integer", 2, read_signed),
    "uint16": FieldType("integer", 2, read_unsigned),
    "int32": FieldType("integer", 4, read_signed),
    "uint32": FieldType("integer", 4, read_unsigned),
    "int64": FieldType("integer", 8, read_signed),
    "uint64": FieldType("integer", 8, read_unsigned),
    "float32": FieldType("number", 4, read_float_32),
    "float64": FieldType("number", 8, read_float_64),
    "bcd8": FieldType("integer", 1, read_bcd),
    "bcd16": FieldType("integer", 2, read_bcd),
    "bcd32": FieldType("integer", 4, read_bcd),
    "bcd64": FieldType("integer", 8, read_bcd),
    "s7_dt": FieldType("instant", 8, read_s7_dt, order="bytes"),
    "s7_dtl": FieldType("instant", 12, read_s7_dtl, order="bytes", resolution_ms=0.001),
    "s7_ldt": FieldType("instant", 8, read_signed, finish=instant_from_ns, resolution_ms=0.001),
    "s7_date": FieldType("date", 2, read_unsigned, finish=date_from_days),
    "s7_tod": FieldType("time", 4, read_unsigned, finish=time_from_ms),
    "s7_time": FieldType("integer", 4, read_signed, unit="ms"),
    "s7_s5time": FieldType("integer", 2, read_s7_s5time, unit="ms"),
    "unix_s": FieldType("instant", 4, read_unsigned, finish=instant_from_s, resolution_ms=1000.0),
    "unix_ms": FieldType("instant", 8, read_unsigned, finish=instant_from_ms),
    "unix_us": FieldType("instant", 8, read_unsigned, finish=instant_from_us, resolution_ms=0.001),
    "datetime_words": FieldType("instant", 14, read_datetime_words, order="words"),
}
"""All types of fixed size but `bool`, which is one bit of the byte or register at its place."""

TEXT_TYPES: Mapping[tuple[str, int], TextType] = {
    ("text", 1): TextType(0, 1, 65535, read_text),
    ("counted_text", 1): TextType(1, 1, 255, read_counted_text_1),
    ("counted_text", 2): TextType(2, 1, 65535, read_counted_text_2),
    ("s7_string", 1): TextType(2, 1, STRING_MOST, read_s7_string),
    ("s7_wstring", 1): TextType(4, 2, WSTRING_MOST, read_s7_wstring),
}
"""(type, bytes of its prefix) -> how it is read; only `counted_text` has a choice of prefix."""

JSON_KINDS: Mapping[str, Kind] = {
    "integer": "integer",
    "number": "number",
    "text": "text",
    "bool": "bool",
    "rfc3339": "instant",
    "unix_s": "instant",
    "unix_ms": "instant",
}

# ---- values in JSON: already parsed, so only their type is in question -----------------------------------


def read_json_integer(value: object) -> int:
    """A whole number; 5.0 is one too, as long as a double holds it exactly."""
    if type(value) is float and value.is_integer() and abs(value) <= 2**53:
        return int(value)
    if type(value) is not int:
        raise ValueError(f"must be a whole number, not {_json_word(value)}")
    return value


def read_json_number(value: object) -> int | float | None:
    if type(value) is int:
        return value
    if type(value) is not float:
        raise ValueError(f"must be a number, not {_json_word(value)}")
    return finite(value)


def read_json_text(value: object) -> str | None:
    return tidy(_json_text(value))


def read_json_bool(value: object) -> bool:
    if type(value) is not bool:
        raise ValueError(f"must be true or false, not {_json_word(value)}")
    return value


def read_json_rfc3339(value: object) -> datetime | None:
    text = _json_text(value)
    return parse_rfc3339(text) if text else None


def _json_text(value: object) -> str:
    if type(value) is not str:
        raise ValueError(f"must be text, not {_json_word(value)}")
    return value


def _json_word(value: object) -> str:
    return {dict: "an object", list: "an array", bool: "true or false", str: "text"}.get(
        type(value), repr(value)[:40]
    )


JSON_READERS: Mapping[str, Callable[[object], Raw]] = {
    "integer": read_json_integer,
    "number": read_json_number,
    "text": read_json_text,
    "bool": read_json_bool,
    "rfc3339": read_json_rfc3339,
    "unix_s": read_json_number,
    "unix_ms": read_json_number,
}


def instant_from_json_s(count: int | float) -> datetime:
    return _since_epoch(_whole_us(count, 1_000_000))


def instant_from_json_ms(count: float) -> datetime:
    return _since_epoch(_whole_us(count, 1000))


def _whole_us(count: float, us: int) -> int:
    """Rounded, not cut: 0.1 s has no exact double."""
    return count * us if isinstance(count, int) else round(count * us)


JSON_INSTANTS: Mapping[str, Finish] = {
    "unix_s": instant_from_json_s,
    "unix_ms": instant_from_json_ms,
}
