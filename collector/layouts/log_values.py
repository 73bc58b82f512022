"""How a controller's CSV log writes values: one reader a column type, text of a cell in, raw value out; pure.

A reader raises ValueError with a sentence where the text can't be such a value. Digits are those of ASCII,
and nothing stands between thousands. Dates and times say no zone, unless they are RFC 3339.
"""

import re
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from math import isfinite
from typing import Literal

from collector.layouts.fields import JSON_KINDS, Kind, Raw, calendar, tidy
from collector.rfc3339 import parse_rfc3339

LogType = Literal["integer", "number", "text", "rfc3339", "unix_s", "unix_ms", "datetime"]
Decimal = Literal[".", ","]
CellReader = Callable[[str], Raw]

LOG_KINDS: Mapping[str, Kind] = {**JSON_KINDS, "datetime": "instant"}

INTEGER = re.compile(r"[+-]?\d{1,30}", re.ASCII)
NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([Ee][+-]?\d+)?", re.ASCII)


def cell_reader(log_type: LogType, decimal: Decimal, time_format: str | None) -> CellReader:
    """The reader of one column; its cells have no blanks around them."""
    match log_type:
        case "integer":
            return read_integer
        case "number":
            return lambda cell: read_number(cell, decimal)
        case "unix_s" | "unix_ms":
            return lambda cell: int(cell) if INTEGER.fullmatch(cell) else read_number(cell, decimal)
        case "text":
            return tidy
        case "rfc3339":
            return parse_rfc3339
        case "datetime":
            return TimeFormat(time_format or "").reader()


def read_integer(cell: str) -> int:
    if not INTEGER.fullmatch(cell):
        raise ValueError(f"must be a whole number, not {cell[:40]!r}")
    return int(cell)


def read_number(cell: str, decimal: Decimal) -> float:
    text = cell if decimal == "." else cell.replace(".", "_").replace(",", ".")
    if not NUMBER.fullmatch(text) or not isfinite(value := float(text)):
        raise ValueError(f"must be a number with decimal mark {decimal!r}, not {cell[:40]!r}")
    return value


# ---- dates and times -------------------------------------------------------------------------------------

DIRECTIVES: Mapping[str, tuple[str, str]] = {
    "d": ("day", r"\d{1,2}"),
    "m": ("month", r"\d{1,2}"),
    "Y": ("year", r"\d{4}"),
    "y": ("year", r"\d{2}"),
    "H": ("hour", r"\d{1,2}"),
    "I": ("hour", r"\d{1,2}"),
    "M": ("minute", r"\d{1,2}"),
    "S": ("second", r"\d{1,2}"),
    "f": ("fraction", r"\d{1,9}"),
    "p": ("half", r"[AaPp][Mm]"),
}
"""What may stand after %: as in C's strptime, with %f for the digits of a second's fraction. %y: 69 to 99 are
1969 to 1999 (POSIX); %I goes with %p, which is AM or PM."""


class TimeFormat:
    """A date and time as a log writes it, such as `%d.%m.%Y %H:%M:%S`; blanks may be of any width.

    Numbers of two digits may have one, unless another number stands right beside them.
    """

    def __init__(self, text: str) -> None:
        self._text = text
        self._letters = re.findall("%(.?)", text)
        self._parts = [DIRECTIVES[letter][0] for letter in self._letters if letter in DIRECTIVES]

    @property
    def finest_ms(self) -> float:
        """How fine such a time can be."""
        return 1.0 if "f" in self._letters else 1000.0 if "S" in self._letters else 60_000.0

    def problems(self) -> Iterator[str]:
        for letter in self._letters:
            if letter not in DIRECTIVES:
                yield f"has %{letter}; known are {', '.join(f'%{each}' for each in DIRECTIVES)}"
        for part in sorted(set(self._parts)):
            if self._parts.count(part) > 1:
                yield f"says the {part} twice"
        missing = [part for part in ("year", "month", "day", "hour", "minute") if part not in self._parts]
        if missing:
            yield f"lacks {', '.join(missing)}"
        if ("I" in self._letters) != ("p" in self._letters):
            yield "must have %I and %p together, or %H"
        if "f" in self._letters and "S" not in self._letters:
            yield "has %f without %S"

    def reader(self) -> Callable[[str], datetime]:
        """Of a format without problems."""
        pattern = re.compile("".join(map(_pattern_of, _PARTS.finditer(self._text))), re.ASCII)

        def read(cell: str) -> datetime:
            found = pattern.fullmatch(cell)
            if found is None:
                raise ValueError(f"must be a time such as {self._text}, not {cell[:40]!r}")
            return _instant(**found.groupdict())

        return read


_PARTS = re.compile(
    r"(?P<beside>%[dmHIMS](?=%[dmYyHIMSf])|(?<=%[dmYyHIMSf])%[dmHIMS])"
    r"|(?P<alone>%.)|(?P<blank>\s+)|(?P<literal>[^%\s]+)"
)


def _pattern_of(part: re.Match[str]) -> str:
    if part.lastgroup == "blank":
        return r"\s+"
    if part.lastgroup == "literal":
        return re.escape(part[0])
    name, pattern = DIRECTIVES[part[0][-1]]
    return rf"(?P<{name}>{pattern})" if part.lastgroup == "alone" else rf"(?P<{name}>\d{{2}})"


def _instant(
    year: str,
    month: str,
    day: str,
    hour: str,
    minute: str,
    second: str = "0",
    fraction: str = "",
    half: str | None = None,
) -> datetime:
    """Raises: ValueError: there is no such date or time."""
    hours = int(hour)
    if half is not None:
        if not 1 <= hours <= 12:
            raise ValueError(f"{hour} {half} is no time of day")
        hours = hours % 12 + 12 * (half.upper() == "PM")
    years = int(year)
    if len(year) == 2:
        years += 1900 if years >= 69 else 2000
    us = int(fraction.ljust(6, "0")[:6])
    return calendar(years, int(month), int(day), hours, int(minute), int(second), us)
