"""The one decoder of the house: (layout, raw bytes) -> Status, Cycle, Curve, cycles of a log; pure.

How it works. `Decoder(layout)` looks at the layout once and turns every field into two functions:

    raw      bytes or parsed message -> raw value   where it stands, in which order, of which type: fields.py
    value    raw value -> what we keep              sentinel, enumeration, scale, unit, bounds: values.py

Decoding a block is then one walk over the fields. A field's name says where its value goes: into the field
of the model that has this name, into `settings` where the layout calls it one, else into `extra`. Status
fields that faults point at are looked at bit by bit, raw; they are not kept a second time in `extra`, for
`raw` has them.

Why it is safe. The length of a block is checked before anything is read in it, so a reader never sees too
little; a message must reach at least to the end of its last field. Readers and converters complain with
ValueError (and arithmetic with OverflowError); both become a DecodeError with layout, field, place and the
raw bytes, and the caller keeps those in quarantine. Nothing else comes out of here, whatever the bytes are.
A log is decoded row by row (csv_rows.py), so that a bad row is an error among good ones.
A JSON message is parsed by orjson: strict RFC 8259, no NaN, nesting bounded; a member that is absent or
null is no value. A required field without a value, a sequence that its width can't hold, a ring slot beyond
the ring and more samples than the layout allows are errors, since what follows would be guesswork; any
other missing value is just None.

Raw bytes are kept in `Status.raw` and `Cycle.raw`, so a layout that was wrong can be put right and the
record decoded anew. A curve keeps its samples as they were, turned to little-endian without loss, with one
factor and one shift that carry scale and unit.
"""

import struct
import sys
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

import orjson

from collector.errors import DecodeError
from collector.layouts.csv_rows import Line, Row, lines_of, rows_of
from collector.layouts.field_schema import (
    COLUMNS,
    REQUIRED,
    BinaryField,
    JsonField,
    JsonSamples,
    LayoutField,
    LogField,
)
from collector.layouts.fields import (
    JSON_READERS,
    FieldType,
    Order,
    Raw,
    TextType,
    canonical,
    read_json_integer,
    read_json_number,
    swap_bytes,
)
from collector.layouts.log_values import Decimal, cell_reader
from collector.layouts.schema import Condition, FaultEntry, Layout, MqttLayout
from collector.layouts.section_schema import (
    BinaryCurve,
    BinarySection,
    DataCurve,
    JsonCurve,
    LogSection,
    RegisterCurve,
    Section,
    Trace,
)
from collector.layouts.values import Value, converter, linear
from collector.model import ActiveFault, Curve, Cycle, Status, ToolName

Body = Any
"""bytes of a block or binary message, the parsed object of a JSON message, or cells of a log by column."""

CurveSection = RegisterCurve | DataCurve | BinaryCurve | JsonCurve
RawReader = Callable[[Body], Raw]
SamplesReader = Callable[[Body, int | None], bytes]
"""(body, sample count) -> samples, little-endian. Raises: ValueError, OverflowError."""

COLUMN: Final = 0
SETTING: Final = 1
EXTRA: Final = 2
NOWHERE: Final = 3


class Decoder:
    """Decodes what one kind of controller says. Raises: DecodeError, and nothing else."""

    def __init__(self, layout: Layout) -> None:
        self._tool = layout.tool
        self._status = _SectionReader(layout, layout.status)
        self._cycle = _SectionReader(layout, layout.history)
        self._curve = None if layout.curve is None else _CurveReader(layout, layout.curve)
        self._log = None if layout.log is None else _LogReader(layout, layout.log)
        self._faults = [_FaultReader(layout, fault) for fault in layout.faults]
        self.name = layout.name

    def decode_status(self, raw: bytes) -> Status:
        """The status block or message."""
        body = self._status.open(raw)
        columns, settings, extra = self._status.read(body, raw)
        serial = columns.pop("tool_serial", None)
        return Status(
            **columns,
            tool=ToolName(self._tool.maker, self._tool.model, serial) if serial else None,
            faults=tuple(active for fault in self._faults if (active := fault.read(body))),
            settings=settings,
            extra=extra,
            raw=raw,
        )

    def decode_cycle(self, raw: bytes) -> Cycle:
        """One record of the history, or a cycle's message."""
        columns, _, extra = self._cycle.read(self._cycle.open(raw), raw)
        return Cycle(**columns, extra=extra, raw=raw)

    def decode_curve(self, raw: bytes) -> Curve:
        """The curve block or message; a curve without samples, or without time between them, is an error."""
        if self._curve is None:
            raise DecodeError(self.name, "samples", "any place", raw, "this layout has no curve")
        return self._curve.read_curve(raw)

    def decode_log(self, raw: bytes) -> Iterator[Cycle | DecodeError]:
        """The cycles of a CSV log, row by row; a row that makes no sense is an error in its place.

        Raises: DecodeError: nothing can be read in such a file, for it lacks its header or a column of it.
        """
        if self._log is None:
            raise DecodeError(self.name, "all", "the file", raw, "this layout has no log")
        return self._log.read_log(raw)


# ---- sections --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _FieldReader:
    name: str
    where: str
    """Place for a person: register 7, byte 12, path set.torque_nm."""
    goes: int
    raw: RawReader
    value: Callable[[Raw], Value]


class _SectionReader:
    """All fields of one block, record or message."""

    def __init__(self, layout: Layout, section: Section) -> None:
        self._layout = layout.name
        self._required = [name for name in REQUIRED[section.role] if name not in section.optional]
        self._fields = [_field_reader(layout, section, field) for field in section.fields]
        self.open: Callable[[bytes], Body] = self._open_message
        if isinstance(section, BinarySection):
            self._least = section.extent * section.unit_bytes
            self._size = None if section.room is None else section.room * section.unit_bytes
            self.open = self._open_block

    def read(
        self, body: Body, raw: bytes, within: str = ""
    ) -> tuple[dict[str, Any], dict[str, Any], dict[str, Any]]:
        """Columns that have a value, settings, extra. `within`: what stands before a field's place."""
        found: tuple[dict[str, Any], ...] = ({}, {}, {}, {})
        for field in self._fields:
            try:
                found[field.goes][field.name] = field.value(field.raw(body))
            except (ValueError, OverflowError) as error:
                raise self.error(field.name, f"{within}{field.where}", raw, str(error)) from error
        columns = {name: value for name, value in found[COLUMN].items() if value is not None}
        for name in self._required:
            if name not in columns:
                raise self.error(
                    name, f"{within}its place", raw, "has no value, and nothing can be done without it"
                )
        return columns, found[SETTING], found[EXTRA]

    def error(self, field: str, where: str, raw: bytes, says: str) -> DecodeError:
        return DecodeError(self._layout, field, where, raw, says)

    def _open_block(self, raw: bytes) -> Body:
        if self._size is not None and len(raw) != self._size:
            raise self.error("all", "the block", raw, f"has {len(raw)} bytes; the layout says {self._size}")
        if len(raw) < self._least:
            says = f"has {len(raw)} bytes; the fields take {self._least}"
            raise self.error("all", "the message", raw, says)
        return raw

    def _open_message(self, raw: bytes) -> Body:
        try:
            body = orjson.loads(raw)
        except orjson.JSONDecodeError as error:
            raise self.error("all", "the message", raw, f"is not JSON: {error}") from error
        if type(body) is not dict:
            raise self.error("all", "the message", raw, "is JSON, but not an object")
        return body


def _field_reader(layout: Layout, section: Section, field: LayoutField) -> _FieldReader:
    goes = _goes(layout, section, field)
    convert = converter(field, section.role, _limits(layout), _spelled_faults(layout))
    return _FieldReader(
        name=field.name,
        where=section.where(field),
        goes=goes,
        raw=_raw_reader(layout, section, field),
        value=_not_kept if goes == NOWHERE else convert,
    )


def _not_kept(raw: Raw) -> None:
    """A fault word has only to be readable: all its 64 bits may be set."""


def _limits(layout: Layout) -> dict[str, int]:
    """What whole columns must stay below."""
    limits = {"last_sequence": layout.sequence_modulus, "sequence": layout.sequence_modulus}
    if not isinstance(layout, MqttLayout) and layout.history.slot_by == "newest_slot":
        limits["newest_slot"] = layout.history.slots
    if layout.curve is not None:
        limits["sample_count"] = layout.curve.samples.most + 1
    return limits


def _spelled_faults(layout: Layout) -> dict[int | str, str]:
    """A fault's number in a record -> the maker's code, where the layout says which number is which fault."""
    by_value = [
        fault for fault in layout.faults if fault.equals is not None and type(fault.equals) is not bool
    ]
    return {fault.equals: fault.code for fault in reversed(by_value) if fault.equals is not None}


def _goes(layout: Layout, section: Section, field: LayoutField) -> int:
    if field.name in COLUMNS[section.role]:
        return COLUMN
    if field.setting:
        return SETTING
    return NOWHERE if section.role == "status" and field.name in _fault_fields(layout) else EXTRA


def _fault_fields(layout: Layout) -> set[str]:
    acknowledged = {fault.acknowledged.field for fault in layout.faults if fault.acknowledged}
    return {fault.field for fault in layout.faults} | acknowledged


# ---- raw values ------------------------------------------------------------------------------------------


def _raw_reader(layout: Layout, section: Section, field: LayoutField) -> RawReader:
    if isinstance(field, JsonField):
        return _json_reader(field)
    if isinstance(field, LogField):
        assert isinstance(section, LogSection)
        return _log_reader(field, section.decimal)
    assert isinstance(field, BinaryField)
    assert isinstance(section, BinarySection)
    byte_order = field.byte_order or layout.byte_order
    word_order = field.word_order or layout.word_order
    begin = field.begin(section.unit_bytes)
    if field.type == "bool":
        return _bit_reader(begin, field.bit or 0, section.unit_bytes, byte_order)
    if field.text is not None:
        return _text_reader(field, field.text, section.unit_bytes, byte_order)
    assert field.fixed is not None
    return _fixed_reader(field.fixed, begin, section.unit_bytes, byte_order, word_order)


def _bit_reader(begin: int, bit: int, unit_bytes: int, byte_order: Order) -> RawReader:
    """A register's low byte, with bits 0 to 7, comes second, unless the controller swaps bytes."""
    low_byte_second = unit_bytes == 2 and byte_order == "big"
    at = begin + ((bit < 8) if low_byte_second else (bit >= 8))
    mask = 1 << bit % 8
    return lambda data: data[at] & mask != 0


def _text_reader(field: BinaryField, text: TextType, unit_bytes: int, byte_order: Order) -> RawReader:
    begin, size, encoding, read = field.begin(unit_bytes), field.size(unit_bytes), field.encoding, text.read
    if byte_order == "big" or (unit_bytes == 1 and field.type != "counted_text"):
        return lambda data: read(data[begin : begin + size], encoding)
    if unit_bytes == 2:
        end = field.end(unit_bytes) * unit_bytes
        return lambda data: read(swap_bytes(data[begin:end])[:size], encoding)
    start = begin + text.header  # the length in front is a number, so it has an order even among bytes
    return lambda data: read(data[begin:start][::-1] + data[start : begin + size], encoding)


def _fixed_reader(
    fixed: FieldType, begin: int, unit_bytes: int, byte_order: Order, word_order: Order
) -> RawReader:
    end, read = begin + fixed.size, fixed.read
    if fixed.size == 1 or (fixed.order == "bytes" and unit_bytes == 1):
        byte_order = "big"
    if fixed.size <= 2:
        word_order = byte_order  # a single word; what its order is makes no difference
    elif fixed.order != "number":
        word_order = "big"
    match byte_order, word_order:
        case "big", "big":
            return lambda data: read(data[begin:end])
        case "little", "little":
            return lambda data: read(data[begin:end][::-1])
        case _:
            return lambda data: read(canonical(data[begin:end], byte_order, word_order))


def _json_reader(field: JsonField) -> RawReader:
    *outer, last = field.path.split(".")
    read = JSON_READERS[field.type]

    def read_member(message: Body) -> Raw:
        for part in outer:
            message = message.get(part)
            if message is None:
                return None
            if type(message) is not dict:
                raise ValueError(f"{part} is not an object")
        value = message.get(last)
        return None if value is None else read(value)

    return read_member


def _log_reader(field: LogField, decimal: Decimal) -> RawReader:
    columns, read = field.columns, cell_reader(field.type, decimal, field.format)
    none = {"", *(value for value in field.none if isinstance(value, str))}

    def read_cells(cells: Body) -> Raw:
        cell = " ".join([cells[column] for column in columns]).strip()
        return None if cell in none else read(cell)

    return read_cells


# ---- faults ----------------------------------------------------------------------------------------------


class _FaultReader:
    """Whether one fault of the layout is present in a status."""

    def __init__(self, layout: Layout, fault: FaultEntry) -> None:
        self._is_present = _condition(layout, fault)
        self._is_acknowledged = None if fault.acknowledged is None else _condition(layout, fault.acknowledged)
        self._as = {
            known: ActiveFault(fault.code, fault.text, fault.category, known) for known in (False, True)
        }

    def read(self, body: Body) -> ActiveFault | None:
        if not self._is_present(body):
            return None
        return self._as[self._is_acknowledged is not None and self._is_acknowledged(body)]


def _condition(layout: Layout, condition: Condition) -> Callable[[Body], bool]:
    """On the raw value; the walk over all fields has already shown that it can be read."""
    field = layout.status.find(condition.field)
    assert field is not None
    raw = _raw_reader(layout, layout.status, field)
    mask, equals = 1 << (condition.bit or 0), condition.equals
    if condition.bit is None:
        return lambda body: raw(body) == equals
    return lambda body: ((raw(body) or 0) & mask) != 0  # type: ignore[operator]


# ---- curves ----------------------------------------------------------------------------------------------


class _CurveReader(_SectionReader):
    """The fields of a curve and its samples."""

    def __init__(self, layout: Layout, section: CurveSection) -> None:
        super().__init__(layout, section)
        samples = section.samples
        self._type, self._quantity = samples.type, samples.quantity
        scale, offset = linear(samples, samples.quantity, samples.unit)
        self._scale, self._offset = float(scale), float(offset)
        if isinstance(section, JsonCurve):
            self._samples, self._where = _json_samples(section.samples), f"path {section.samples.path}"
        else:
            self._samples = _binary_samples(section, layout.byte_order, layout.word_order)
            self._where = f"{section.unit} {section.samples.at}"

    def read_curve(self, raw: bytes) -> Curve:
        body = self.open(raw)
        columns, _, _ = self.read(body, raw)
        try:
            samples = self._samples(body, columns.get("sample_count"))
            if samples and not columns["sample_interval_us"]:
                raise ValueError("there is no time between the samples")
        except (ValueError, OverflowError) as error:
            raise self.error("samples", self._where, raw, str(error)) from error
        return Curve(
            sequence=columns["sequence"],
            sample_interval_us=columns["sample_interval_us"],
            quantity=self._quantity,
            samples=samples,
            sample_type=self._type,
            scale=self._scale,
            offset=self._offset,
        )


def _binary_samples(section: Trace, byte_order: Order, word_order: Order) -> SamplesReader:
    """Samples one behind the other. Where each byte of a sample comes from is worked out once."""
    width = section.samples.width
    begin = section.samples.at * section.unit_bytes
    comes_from = canonical(bytes(range(width)), byte_order, word_order)[::-1]

    def read(data: Body, count: int | None) -> bytes:
        end = begin + (count or 0) * width
        if end > len(data):
            raise ValueError(f"{count} samples end at byte {end}, and there are {len(data)} bytes")
        samples = bytearray(end - begin)
        for to, source in enumerate(comes_from):
            samples[to::width] = data[begin + source : end : width]
        return bytes(samples)

    return read


_SAMPLE_CODES: Mapping[str, str] = {
    "int16": "h",
    "uint16": "H",
    "int32": "i",
    "uint32": "I",
    "float32": "f",
    "float64": "d",
}
"""Sample type -> its letter in `struct`."""


def _json_samples(samples: JsonSamples) -> SamplesReader:
    *outer, last = samples.path.split(".")
    code = _SAMPLE_CODES[samples.type]
    read_one = read_json_number if samples.type.startswith("float") else read_json_integer

    def read(message: Body, count: int | None) -> bytes:
        for part in outer:
            message = message.get(part) if type(message) is dict else None
        values = message.get(last) if type(message) is dict else None
        if type(values) is not list or len(values) > samples.most:
            raise ValueError(f"must be an array of at most {samples.most} numbers")
        if count not in (None, len(values)):
            raise ValueError(f"sample_count is {count}, and the array has {len(values)}")
        try:
            return struct.pack(f"<{len(values)}{code}", *(read_one(value) for value in values))
        except struct.error as error:
            raise ValueError(f"a sample does not fit {samples.type}: {error}") from error

    return read


# ---- logs ------------------------------------------------------------------------------------------------


class _LogReader(_SectionReader):
    """The rows of a CSV log."""

    def __init__(self, layout: Layout, section: LogSection) -> None:
        super().__init__(layout, section)
        self._section = section

    def read_log(self, raw: bytes) -> Iterator[Cycle | DecodeError]:
        """Raises: DecodeError: the header is not as the layout says."""
        section = self._section
        lines = lines_of(raw, section.encoding)
        for _ in range(section.skip_lines):
            next(lines, None)
        if section.header:
            names = self._header(raw, lines)
            places = {column: self._place(column, names, raw) for column in section.columns}
            rows = rows_of(raw, lines, section.delimiter, len(names), len(names))
        else:
            places = {column: column - 1 for column in section.columns if isinstance(column, int)}
            rows = rows_of(raw, lines, section.delimiter, max(places.values()) + 1, sys.maxsize)
        return (self._cycle(row, places) for row in rows)

    def _header(self, raw: bytes, lines: Iterator[Line]) -> list[str]:
        line = next((line for line in lines if line.says or line.text.strip()), None)
        if line is None:
            raise self.error("all", "the file", raw, "has no header")
        (header,) = rows_of(raw, iter((line,)), self._section.delimiter, 1, sys.maxsize)
        if header.says:
            raise self.error("all", f"line {line.number}, the header", raw, header.says)
        names = header.cells
        while names and not names[-1]:
            names.pop()
        return names

    def _place(self, column: str | int, names: list[str], raw: bytes) -> int:
        """The cell of a row that is meant."""
        if isinstance(column, str) and names.count(column) == 1:
            return names.index(column)
        if isinstance(column, int) and column <= len(names):
            return column - 1
        says = f"must have the column {column!r} once; there are {', '.join(names)[:400]}"
        raise self.error("all", "the header", raw, says)

    def _cycle(self, row: Row, places: Mapping[str | int, int]) -> Cycle | DecodeError:
        within = f"line {row.number}, "
        if row.says:
            return self.error("all", f"{within}the row", row.raw, row.says)
        cells = {column: row.cells[place] for column, place in places.items()}
        try:
            columns, _, extra = self.read(cells, row.raw, within)
        except DecodeError as error:
            return error
        return Cycle(**columns, extra=extra, raw=row.raw)
