"""CSV logs: what a layout may say of them, and that one bad row never costs another."""

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.errors import DecodeError
from collector.layouts.csv_rows import JOINED_MOST, LINE_MOST
from collector.layouts.decoder import Decoder
from collector.layouts.log_values import TimeFormat
from collector.layouts.schema import Layout
from collector.model import Cycle

Around = Callable[..., Layout]
Read = Callable[..., list[Cycle | DecodeError]]

FIELDS = (
    {"name": "sequence", "type": "integer", "column": "No"},
    {"name": "part_id", "type": "text", "column": "Part"},
    {"name": "peak_tension_n", "type": "number", "column": "Peak"},
)
"""Without the rest that a real log has."""


@pytest.fixture(scope="session")
def decoder_of(around: Around) -> Callable[..., Decoder]:
    """The decoder of a log with these columns, or those of `FIELDS`."""

    def build(*fields: dict[str, Any], **keys: Any) -> Decoder:
        return Decoder(around(0, log={"fields": fields or FIELDS, **keys}))

    return build


@pytest.fixture(scope="session")
def read(decoder_of: Callable[..., Decoder]) -> Read:
    """The rows of a log: `read(bytes, delimiter=...)`."""

    def rows(raw: bytes, *fields: dict[str, Any], **keys: Any) -> list[Cycle | DecodeError]:
        return list(decoder_of(*fields, **keys).decode_log(raw))

    return rows


def said(rows: list[Cycle | DecodeError]) -> list[int | str]:
    """The sequence of a cycle, the sentence of an error."""
    return [row.sequence if isinstance(row, Cycle) else str(row) for row in rows]


def cell(read: Read, text: str, decimal: str = ".", **field: Any) -> object:
    """What one cell decodes to. Raises: DecodeError."""
    columns = (
        {"name": "sequence", "type": "integer", "column": 1},
        {"name": "reading", "column": 2, **field},
    )
    (row,) = read(f"7|{text}\n".encode(), *columns, header=False, delimiter="|", decimal=decimal)
    if isinstance(row, DecodeError):
        raise row
    name = field.get("name", "reading")
    return row.extra[name] if name in row.extra else getattr(row, name)


# ---- rows ------------------------------------------------------------------------------------------------

LOG = b"No,Part,Peak\n41,P-1,512.5\n42,P-2,\n43,,500\n"


def test_a_log_is_read_row_by_row(read: Read) -> None:
    """An empty cell is no value, and each cycle keeps its own line."""
    found = read(LOG)
    assert [(row.sequence, row.part_id, row.peak_tension_n) for row in found if isinstance(row, Cycle)] == [
        (41, "P-1", 512.5),
        (42, "P-2", None),
        (43, None, 500.0),
    ]
    assert [row.raw for row in found] == LOG.splitlines()[1:]


@pytest.mark.parametrize(
    "raw",
    [
        LOG.replace(b"\n", b"\r\n"),
        b"\xef\xbb\xbf" + LOG,
        LOG.replace(b"\n", b"\n\n") + b"\n  \n",
        LOG.replace(b"42", b"\0\0\0\x0042"),
        LOG.replace(b"42,P-2,", b'" 42 ","P-2",'),
        LOG.replace(b"\n", b",\n").replace(b"43,,500,", b"43,,500"),
        b"Peak,No,Part,Note\n512.5,41,P-1,x\n,42,P-2,\n500,43,,\n",
    ],
    ids=["CRLF", "mark", "empty lines", "zero bytes", "quotes", "delimiter behind", "other order"],
)
def test_the_same_log_may_be_written_in_many_ways(read: Read, raw: bytes) -> None:
    """What editors, file systems and later firmware make of a file changes nothing in it."""
    assert [
        (row.sequence, row.part_id, row.peak_tension_n) for row in read(raw) if isinstance(row, Cycle)
    ] == [(41, "P-1", 512.5), (42, "P-2", None), (43, None, 500.0)]


@pytest.mark.parametrize(
    ("encoding", "codec"),
    [
        ("utf-8", "utf-8"),
        ("latin-1", "latin-1"),
        ("cp1252", "cp1252"),
        ("utf-16", "utf-16"),
        ("utf-16", "utf-16-le"),
        ("utf-16", "utf-16-be-with-mark"),
    ],
)
def test_every_encoding_is_read(read: Read, encoding: str, codec: str) -> None:
    """A character that takes several bytes, one of whose bytes is a line feed in UTF-16, cuts no line."""
    text = "No;Part;Peak\n41;Größe Ċ;1\n42;Ā;2\n" if codec.startswith("utf") else "No;Part;Peak\n41;Größe;1\n"
    mark, codec = (b"\xfe\xff", "utf-16-be") if codec.endswith("mark") else (b"", codec)
    found = read(mark + text.encode(codec), encoding=encoding, delimiter=";")
    parts = [row.part_id for row in found if isinstance(row, Cycle)]
    assert parts == [line.split(";")[1] for line in text.splitlines()[1:]]


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (b"x,P-2,1", "line 3, column No: must be a whole number, not 'x'"),
        (b",P-2,1", "line 3, its place: has no value"),
        (b"65536,P-2,1", "line 3, column No: is 65536; it must be 0 or more and less than 65536"),
        (b"42,P-2,1e999", "line 3, column Peak: must be a number"),
        (b"42,P-2,1,5", "line 3, the row: has 4 cells; it must have 3"),
        (b"42,P-2", "line 3, the row: has 2 cells; it must have 3"),
        (b"42,\xff,1", "line 3, the row: is not utf-8"),
        (b"42,P\rQ,1", "line 3, the row: is no row of cells"),
        (b'42,"P"Q,1', "line 3, the row: is no row of cells"),
        (b"\0\0\0\0", "line 3, the row: has zero bytes only"),
        (b"4\x002,P-2,1", "line 3, column No: must be a whole number"),
        (b"42," + bytes(LINE_MOST) + b",1", f"a line of a log has {LINE_MOST} at most"),
        (b'42,"P-2,1', "line 3, the row: is no row of cells"),
    ],
)
def test_a_bad_row_is_an_error_among_good_ones(read: Read, line: bytes, says: str) -> None:
    """It keeps its bytes, and the rows before and behind it are read."""
    before, good, behind = read(LOG.replace(b"42,P-2,", line))
    assert said([before, behind]) == [41, 43]
    assert isinstance(good, DecodeError)
    assert says in str(good)
    assert good.raw == line


def test_a_line_without_an_end_is_not_believed(read: Read) -> None:
    """Who knows whether the number went on when the power failed."""
    found = read(LOG.removesuffix(b"\n"))
    assert said(found)[:2] == [41, 42]
    assert isinstance(found[2], DecodeError)
    assert "the file stops within it" in str(found[2])
    assert found[2].raw == b"43,,500"


def test_a_cell_in_quotes_may_go_over_lines(read: Read) -> None:
    """Its row is one, with all its bytes."""
    row = b'42,"P-2\r\nand ""more""",1'
    found = read(LOG.replace(b"42,P-2,", row))
    assert said(found) == [41, 42, 43]
    assert isinstance(found[1], Cycle)
    assert (found[1].part_id, found[1].raw) == ('P-2\nand "more"', row)


def test_a_quote_that_is_never_closed_costs_one_row(read: Read) -> None:
    """Also where other rows have quotes of their own, and to the end of the file."""
    rows = b"".join(b'%d,"P-%d",1\n' % (number, number) for number in range(2, 30))
    found = read(b'No,Part,Peak\n1,"P-1,1\n' + rows)
    assert said(found)[1:] == list(range(2, 30))
    assert isinstance(found[0], DecodeError)
    assert found[0].raw == b'1,"P-1,1'
    endless = read(b"No,Part,Peak\n" + b'1,"P,1\n' * (2 * JOINED_MOST))
    assert len(endless) == 2 * JOINED_MOST
    assert not [row for row in endless if isinstance(row, Cycle)]


def test_a_quote_within_a_cell_is_a_character(read: Read) -> None:
    """As in a size in inches."""
    (row,) = read(b'No,Part,Peak\n41,5/8" band,1\n')
    assert isinstance(row, Cycle)
    assert row.part_id == '5/8" band'


def test_columns_can_go_by_number(read: Read) -> None:
    """With or without a header; without one a row may have more cells."""
    fields = ({"name": "sequence", "type": "integer", "column": 2},)
    assert said(read(b"a,7\nb,8,9,10\n", *fields, header=False)) == [7, 8]
    assert said(read(b"x\ny\nName,No\na,7\n", *fields, skip_lines=2)) == [7]


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (b"", "has no header"),
        (b"\n \n", "has no header"),
        (b"No,Part\n", "must have the column 'Peak' once; there are No, Part"),
        (b"No,Part,Peak,No\n", "must have the column 'No' once"),
        (b"No,Part,Peak", "the file stops within it"),
        (b"\xff\n", "is not utf-8"),
        (LOG.decode().encode("utf-16"), "is not utf-8"),
    ],
)
def test_a_file_without_its_header_is_refused_whole(
    decoder_of: Callable[..., Decoder], raw: bytes, says: str
) -> None:
    """Nothing is guessed about columns; the error has the file's bytes."""
    with pytest.raises(DecodeError, match=says) as caught:
        decoder_of().decode_log(raw)
    assert caught.value.raw == raw


def test_a_layout_without_a_log_says_so(examples: Mapping[str, Layout]) -> None:
    """Asking such a controller's decoder for a log is a DecodeError, as any other."""
    with pytest.raises(DecodeError, match="no log"):
        Decoder(examples["ring-s7"]).decode_log(LOG)


# ---- cells -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "field", "value"),
    [
        ("12", {"type": "integer"}, 12),
        ("+12", {"type": "integer"}, 12),
        ("-12", {"type": "integer"}, -12),
        ("12", {"type": "number"}, 12.0),
        (" 12.5 ", {"type": "number"}, 12.5),
        ("-.5e1", {"type": "number"}, -5.0),
        ("12,5", {"type": "number", "decimal": ","}, 12.5),
        ("150", {"type": "number", "name": "peak_tension_n", "unit": "lbf"}, 667.233242289075),
        ("150", {"type": "integer", "name": "peak_tension_n", "unit": "lbf"}, 667.233242289075),
        ("n/a", {"type": "number", "none": ("n/a", "-")}, None),
        ("-1", {"type": "number", "none": (-1,)}, None),
        ("OK", {"type": "text", "name": "result", "values": {"OK": "ok"}}, "ok"),
        ("1", {"type": "integer", "name": "result", "values": {"1": "nok"}}, "nok"),
        ("7", {"type": "integer", "name": "fault_code", "values": {"7": "E07"}}, "E07"),
        ("8", {"type": "integer", "name": "fault_code", "values": {"7": "E07"}}, "8"),
        ("1793514615", {"type": "unix_s"}, "2026-11-01T06:30:15"),
        ("1793514615.25", {"type": "unix_s"}, "2026-11-01T06:30:15.250000"),
        ("1793514615250", {"type": "unix_ms"}, "2026-11-01T06:30:15.250000"),
        ("0", {"type": "unix_s", "none": (0,)}, None),
        ("2026-11-01T06:10:15+01:00", {"type": "rfc3339"}, "2026-11-01T05:10:15+00:00"),
        ("00.00.0000", {"type": "datetime", "format": "%d.%m.%Y %H:%M", "none": ("00.00.0000",)}, None),
    ],
)
def test_a_cell_is_read_as_the_layout_says(
    read: Read, text: str, field: dict[str, Any], value: object
) -> None:
    """Numbers, words, times; the same units, enumerations and "no value" as in a record."""
    assert cell(read, text, **field) == value


@pytest.mark.parametrize(
    ("text", "field"),
    [
        ("12.5", {"type": "integer"}),
        ("1e3", {"type": "integer"}),
        ("1_000", {"type": "integer"}),
        ("１２", {"type": "integer"}),
        ("9" * 31, {"type": "integer"}),
        ("9223372036854775808", {"type": "integer"}),
        ("12,5", {"type": "number"}),
        ("12.5", {"type": "number", "decimal": ","}),
        ("1.234,5", {"type": "number", "decimal": ","}),
        ("1_000", {"type": "number"}),
        ("nan", {"type": "number"}),
        ("inf", {"type": "number"}),
        ("1e999", {"type": "number"}),
        (".", {"type": "number"}),
        ("0x1F", {"type": "number"}),
        ("BAD", {"type": "text", "name": "result", "values": {"OK": "ok"}}),
        ("1e40", {"type": "unix_s"}),
        ("2026-11-01 06:10:15", {"type": "rfc3339"}),
        ("700", {"type": "number", "name": "peak_tension_n", "most": 600}),
    ],
)
def test_a_cell_that_is_something_else_is_an_error(read: Read, text: str, field: dict[str, Any]) -> None:
    """Never a guess."""
    with pytest.raises(DecodeError):
        cell(read, text, **field)


@pytest.mark.parametrize(
    ("text", "time_format", "at"),
    [
        ("25.11.2026 06:01:02", "%d.%m.%Y %H:%M:%S", datetime(2026, 11, 25, 6, 1, 2)),
        ("5.1.2026   6:01:02", "%d.%m.%Y %H:%M:%S", datetime(2026, 1, 5, 6, 1, 2)),
        ("11/25/26 12:01:02 AM", "%m/%d/%y %I:%M:%S %p", datetime(2026, 11, 25, 0, 1, 2)),
        ("11/25/69 12:01:02pm", "%m/%d/%y %I:%M:%S%p", datetime(1969, 11, 25, 12, 1, 2)),
        ("20261125T060102", "%Y%m%dT%H%M%S", datetime(2026, 11, 25, 6, 1, 2)),
        ("2026-11-25 06:01:02.1234567", "%Y-%m-%d %H:%M:%S.%f", datetime(2026, 11, 25, 6, 1, 2, 123456)),
        ("2026-11-25 06:01", "%Y-%m-%d %H:%M", datetime(2026, 11, 25, 6, 1)),
    ],
)
def test_a_time_is_read_as_its_format_says(text: str, time_format: str, at: datetime) -> None:
    """Numbers and blanks may be narrow or wide, except where numbers stand side by side."""
    assert not list(TimeFormat(time_format).problems())
    assert TimeFormat(time_format).reader()(text) == at


@pytest.mark.parametrize(
    ("text", "time_format"),
    [
        ("31.11.2026 06:01:02", "%d.%m.%Y %H:%M:%S"),
        ("25.11.2026 24:01:02", "%d.%m.%Y %H:%M:%S"),
        ("25.11.2026 06:01:60", "%d.%m.%Y %H:%M:%S"),
        ("25.11.2026 06:01", "%d.%m.%Y %H:%M:%S"),
        ("25.11.2026 06:01:02 ", "%d.%m.%Y %H:%M:%S"),
        ("25x11x2026 06:01", "%d.%m.%Y %H:%M"),
        ("25.11.2026 13:01 PM", "%d.%m.%Y %I:%M %p"),
        ("25.11.2026 0:01 AM", "%d.%m.%Y %I:%M %p"),
        ("2026112560102", "%Y%m%d%H%M%S"),
        ("00.00.0000 00:00", "%d.%m.%Y %H:%M"),
        ("٢٥.11.2026 06:01", "%d.%m.%Y %H:%M"),
    ],
)
def test_a_time_that_is_none_is_an_error(text: str, time_format: str) -> None:
    """No day, hour or second that does not exist, and no other way of writing."""
    with pytest.raises(ValueError, match=r"must be a time|is no date|is no time"):
        TimeFormat(time_format).reader()(text)


@given(at=st.datetimes(datetime(1970, 1, 1), datetime(2068, 12, 31)))
@pytest.mark.parametrize(
    "time_format", ["%d.%m.%Y %H:%M:%S.%f", "%m/%d/%y %I:%M:%S.%f %p", "%Y%m%d%H%M%S,%f"]
)
def test_a_time_comes_back_from_its_text(time_format: str, at: datetime) -> None:
    """The standard library writes what we read."""
    assert TimeFormat(time_format).reader()(at.strftime(time_format)) == at


def test_date_and_time_may_stand_in_two_columns(read: Read) -> None:
    """And where both are empty there is no time."""
    fields = (
        {"name": "sequence", "type": "integer", "column": 1},
        {"name": "controller_time", "type": "datetime", "column": (3, 2), "format": "%d.%m.%Y %H:%M"},
    )
    found = read(b"7;06:01;25.11.2026\n8;;\n9;06:01;\n", *fields, header=False, delimiter=";")
    assert [row.controller_time for row in found if isinstance(row, Cycle)] == [
        datetime(2026, 11, 25, 6, 1),
        None,
    ]
    assert "line 3, column 3 and 2: must be a time" in str(found[2])


def test_a_time_with_a_zone_keeps_it(read: Read) -> None:
    """RFC 3339 says the zone; all else is naive."""
    field = {"name": "controller_time", "type": "rfc3339"}
    assert cell(read, "2026-11-01T06:10:15+01:00", **field) == datetime(2026, 11, 1, 5, 10, 15, tzinfo=UTC)


# ---- what a layout may say -------------------------------------------------------------------------------


def test_how_fine_a_logs_time_stamp_is_follows_from_its_format(around: Around) -> None:
    """A minute, a second or a millisecond, unless the field says better; 0 without a log."""

    def resolution_ms(**field: Any) -> float:
        time = {"name": "controller_time", "type": "datetime", "column": 1, **field}
        return around(0, log={"fields": (FIELDS[0], time)}).log_time_resolution_ms

    assert resolution_ms(format="%d.%m.%y %H:%M") == 60_000.0
    assert resolution_ms(format="%d.%m.%y %H:%M:%S") == 1000.0
    assert resolution_ms(format="%d.%m.%y %H:%M:%S.%f") == 1.0
    assert resolution_ms(format="%d.%m.%y %H:%M:%S.%f", resolution_ms=100) == 100.0
    assert resolution_ms(type="unix_ms") == 1000.0
    assert around(0).log_time_resolution_ms == 0.0


ASCII = st.text(st.characters(min_codepoint=0, max_codepoint=127), max_size=120)


@settings(max_examples=200)
@given(raw=st.binary(max_size=300) | ASCII.map(lambda text: b"No,Part,Peak\n" + text.encode()))
@pytest.mark.parametrize("encoding", ["utf-8", "latin-1", "cp1252", "utf-16"])
def test_whatever_stands_in_a_file_is_cycles_and_errors(
    decoder_of: Callable[..., Decoder], encoding: str, raw: bytes
) -> None:
    """No other exception; and what is no cycle has its bytes in an error, in the order of the file."""
    try:
        rows = list(decoder_of(encoding=encoding).decode_log(raw))
    except DecodeError as error:
        assert error.raw == raw  # noqa: PT017 - either outcome is fine
        return
    at = 0
    for row in rows:
        at = raw.index(row.raw, at) + len(row.raw)
