"""Rows of a CSV file from its bytes, so that one bad line never costs another; pure.

Source: RFC 4180, with a choice of delimiter and encoding. What real files add:

    a line without an end           the last one, cut while it was written: it may end in half a number
    a quote that is never closed    a cell may go on over lines, but only where a whole row comes of it
    zero bytes around a line        what a controller leaves that lost power while it wrote
"""

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Literal

Encoding = Literal["utf-8", "latin-1", "cp1252", "utf-16"]
Delimiter = Literal[",", ";", "\t", "|"]

LINE_MOST = 65_536
"""Bytes; a longer line is no line of a log."""
JOINED_MOST = 8
"""Lines that a cell in quotes may go over."""
BYTE_ORDER_MARKS = {
    "utf-8": {b"\xef\xbb\xbf": "utf-8"},
    "utf-16": {b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"},
}
"""Encoding -> mark in front of the file -> what it is read as."""


@dataclass(frozen=True, slots=True)
class Line:
    """Text, or what is wrong."""

    number: int
    """From 1."""
    begin: int
    end: int
    """Bytes in the file, without the line's end."""
    text: str
    says: str = ""


@dataclass(frozen=True, slots=True)
class Row:
    """Cells, without blanks around them, or what is wrong."""

    number: int
    """Of its first line, from 1."""
    raw: bytes
    cells: list[str]
    says: str = ""


def lines_of(raw: bytes, encoding: Encoding) -> Iterator[Line]:
    """All lines, empty ones too."""
    mark = next((mark for mark in BYTE_ORDER_MARKS.get(encoding, ()) if raw.startswith(mark)), b"")
    codec: str = BYTE_ORDER_MARKS[encoding][mark] if mark else encoding
    codec = "utf-16-le" if codec == "utf-16" else codec
    line_feed, carriage_return = "\n".encode(codec), "\r".encode(codec)
    begin, number = len(mark), 0
    while begin < len(raw):
        number += 1
        found = _find(raw, line_feed, begin)
        end = len(raw) if found is None else found
        behind = end + len(line_feed)
        while raw.endswith(carriage_return, begin, end):
            end -= len(carriage_return)
        yield _line(raw, number, begin, end, codec, ends=found is not None)
        begin = behind


def _find(raw: bytes, sign: bytes, begin: int) -> int | None:
    """Where the sign stands next, in whole characters from the begin on."""
    at = raw.find(sign, begin)
    while at >= 0 and (at - begin) % len(sign):
        at = raw.find(sign, at + 1)
    return None if at < 0 else at


def _line(raw: bytes, number: int, begin: int, end: int, codec: str, *, ends: bool) -> Line:
    if end - begin > LINE_MOST:
        return Line(
            number, begin, end, "", f"has {end - begin} bytes; a line of a log has {LINE_MOST} at most"
        )
    try:
        text = raw[begin:end].decode(codec)
    except UnicodeDecodeError as error:
        return Line(number, begin, end, "", f"is not {codec}: {error.reason}")
    bare = text.strip("\0")
    if not bare and text:
        return Line(number, begin, end, "", "has zero bytes only")
    if not ends and bare.strip():
        return Line(number, begin, end, "", "has no end: the file stops within it")
    return Line(number, begin, end, bare)


def rows_of(raw: bytes, lines: Iterator[Line], delimiter: Delimiter, least: int, most: int) -> Iterator[Row]:
    """All rows that are not blank.

    Args: lines: those of the file that are left; least, most: cells of a row; blank ones behind are let go.
    """
    ahead = list(islice(lines, 1))
    while ahead:
        if ahead[0].text.count('"') % 2:
            ahead += islice(lines, JOINED_MOST - len(ahead))
        row, used = _row(raw, ahead, delimiter, least, most)
        if row is not None:
            yield row
        ahead = ahead[used:] or list(islice(lines, 1))


def _row(
    raw: bytes, lines: list[Line], delimiter: Delimiter, least: int, most: int
) -> tuple[Row | None, int]:
    """The row that begins with the first line, None for a blank one, and how many lines it takes."""
    first = lines[0]
    says = first.says
    if not says and not first.text.strip():
        return None, 1
    if not says:
        reader = csv.reader(_texts(lines), delimiter=delimiter, strict=True)
        try:
            cells = [cell.strip() for cell in next(reader)]
        except (csv.Error, ValueError) as error:
            says = f"is no row of cells: {error}"
        else:
            while len(cells) > most and not cells[-1]:
                cells.pop()
            if least <= len(cells) <= most:
                last = lines[reader.line_num - 1]
                return Row(first.number, raw[first.begin : last.end], cells), reader.line_num
            needs = least if least == most else f"{least} or more"
            says = f"has {len(cells)} cells; it must have {needs}"
    return Row(first.number, raw[first.begin : first.end], [], says), 1


def _texts(lines: list[Line]) -> Iterator[str]:
    for line in lines:
        if line.says:
            raise ValueError(f"line {line.number} {line.says}")
        yield line.text + "\n"
