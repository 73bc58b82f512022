"""What a layout file may say of one field or of a curve's samples, and what a field's name asks of it."""

from abc import abstractmethod
from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from typing import Annotated, Literal, Self, get_args

from pydantic import BaseModel, ConfigDict, Field, model_validator

from collector.layouts.fields import (
    FIELD_TYPES,
    JSON_INSTANTS,
    JSON_KINDS,
    TEXT_TYPES,
    FieldType,
    Finish,
    Kind,
    TextType,
)
from collector.layouts.log_values import LOG_KINDS, LogType, TimeFormat
from collector.layouts.units import SUFFIXES, UNITS, kept_unit, same_dimension
from collector.model import Completion, Mode, Result, State
from collector.toml_file import KeyPath, refuse

ByteOrder = Literal["big", "little"]

BinaryType = Literal[
    "bool",
    "int8",
    "uint8",
    "int16",
    "uint16",
    "int32",
    "uint32",
    "int64",
    "uint64",
    "float32",
    "float64",
    "bcd8",
    "bcd16",
    "bcd32",
    "bcd64",
    "text",  # fixed length, ends at NUL, trailing blanks cut
    "counted_text",  # `prefix` bytes of length (1 or 2), then `length` bytes of room
    "s7_string",  # maximum length, actual length, then `length` characters of room
    "s7_wstring",  # the same in 16-bit units, UTF-16 big-endian
    "s7_dt",  # DATE_AND_TIME, 8 bytes BCD
    "s7_dtl",  # DTL, 12 bytes with nanoseconds
    "s7_ldt",  # LDT, ns since 1970 as int64
    "s7_date",  # days since 1990-01-01, uint16
    "s7_tod",  # TIME_OF_DAY, ms since midnight, uint32
    "s7_time",  # TIME, ms, int32
    "s7_s5time",  # BCD time with a time base, ms
    "unix_s",  # since 1970, uint32
    "unix_ms",  # uint64
    "unix_us",  # uint64
    "datetime_words",  # year, month, day, hour, minute, second, millisecond: seven 16-bit words
]
JsonType = Literal["integer", "number", "text", "bool", "rfc3339", "unix_s", "unix_ms"]
SampleType = Literal["int16", "uint16", "int32", "uint32", "float32", "float64"]
Role = Literal["status", "cycle", "curve"]

Problems = Iterator[tuple[KeyPath, str]]
"""Keys below the model that is looked at, and what is wrong there."""

Finite = Annotated[float, Field(allow_inf_nan=False, ge=-1e100, le=1e100)]
"""With room for a unit's factor."""
Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=64)]


class Strict(BaseModel):
    """Frozen, and an unknown key is a mistake, not a wish."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


# ---- what the names of the model ask of a field ----------------------------------------------------------

WORDS: Mapping[str, tuple[str, ...]] = {
    "mode": get_args(Mode),
    "state": get_args(State),
    "result": get_args(Result),
    "completion": get_args(Completion),
}
"""Fields whose values are words of ours."""

_ANY_WORD: tuple[Kind, ...] = ("integer", "text", "bool")
_NUMBER: tuple[Kind, ...] = ("integer", "number")
_LABEL: tuple[Kind, ...] = ("integer", "text")

COLUMNS: Mapping[Role, Mapping[str, tuple[Kind, ...]]] = {
    "status": {
        "last_sequence": ("integer",),
        "newest_slot": ("integer",),
        "controller_serial": _LABEL,
        "tool_serial": _LABEL,
        "mode": _ANY_WORD,
        "state": _ANY_WORD,
        "emergency_stop": ("bool",),
        "total_count": _NUMBER,
        "count_since_cleared": _NUMBER,
        "clock": ("instant",),
        "supply_pressure_kpa": _NUMBER,
    },
    "cycle": {
        "sequence": ("integer",),
        "controller_time": ("instant",),
        "tool_serial": _LABEL,
        "result": _ANY_WORD,
        "completion": _ANY_WORD,
        "mode": _ANY_WORD,
        "fault_code": _LABEL,
        "part_id": _LABEL,
        "band": _LABEL,
        "duration_ms": _NUMBER,
        "take_up_ms": _NUMBER,
        "peak_tension_n": _NUMBER,
        "lock_tension_n": _NUMBER,
        "seating_loss_n": _NUMBER,
        "set_torque_nm": _NUMBER,
        "tension_speed_mm_s": _NUMBER,
        "punch_pressure_kpa": _NUMBER,
        "supply_pressure_kpa": _NUMBER,
        "punch_velocity_m_s": _NUMBER,
        "total_count": _NUMBER,
    },
    "curve": {"sequence": ("integer",), "sample_count": ("integer",), "sample_interval_us": _NUMBER},
}
"""Section -> names with a place of their own in the model, and the kinds of field that can fill them."""

REQUIRED: Mapping[Role, tuple[str, ...]] = {
    "status": ("last_sequence",),
    "cycle": ("sequence",),
    "curve": ("sequence", "sample_count", "sample_interval_us"),
}
SEQUENCES = ("last_sequence", "sequence")
AS_THEY_ARE = (*SEQUENCES, "newest_slot", "sample_count")
"""Numbers that are compared or counted with: without scale, unit, enumeration, sentinel or bounds."""

# ---- fields ----------------------------------------------------------------------------------------------


class LayoutField(Strict):
    name: Name
    """A name of `model.Status` / `model.Cycle` / `model.Curve`, or any other: that goes into `extra`."""
    type: str
    scale: Finite = 1.0
    offset: Finite = 0.0
    """value = raw × scale + offset, in `unit`."""
    unit: str | None = None
    """The unit that the controller speaks; the name's suffix says the one we keep. None: already that one."""
    values: dict[str, str] | None = None
    """Enumeration: raw value, written as text -> our word. For bool: `true` and `false`."""
    otherwise: str | None = None
    """Word for a raw value that `values` does not list. Without it a label stays as it is, and any other such
    value can't be decoded."""
    none: tuple[int | Finite | str, ...] = ()
    """Raw values that mean "no value", compared before scaling; of a date, the count behind it."""
    least: Finite | None = None
    most: Finite | None = None
    """Bounds of a believable value after scaling, in `unit`; beyond them the whole block is not believed."""
    setting: bool = False
    """Something that a person set: kept in `Status.settings`."""
    resolution_ms: Annotated[float, Field(gt=0, le=60_000)] | None = None
    """Of a date and time: how fine the controller writes it. None: as fine as the type can be."""

    @property
    @abstractmethod
    def kind(self) -> Kind: ...

    @property
    @abstractmethod
    def finish(self) -> Finish | None:
        """Where the raw value is a count of something since somewhere: the date or time that it means."""

    @property
    @abstractmethod
    def finest_ms(self) -> float:
        """Of a date and time: how fine its type can be; one that says nothing of it is taken for 1 s."""

    @property
    def modulus(self) -> int | None:
        """How many numbers a counter of this type runs through; None where nobody knows."""
        return None

    @property
    def has_count(self) -> bool:
        """Whether a number stands behind the value, even if it is a date."""
        return self.kind in _NUMBER or self.finish is not None

    @property
    def given_unit(self) -> str | None:
        """The unit that the controller speaks, where the file or the type says one."""
        return self.unit

    @model_validator(mode="after")
    def _check(self) -> Self:
        refuse(type(self), self.problems())
        return self

    def problems(self) -> Problems:
        yield from self._number_problems()
        yield from unit_problems(self.given_unit, kept_unit(self.name), self.name)
        yield from self._value_problems()
        if self.resolution_ms is not None and self.kind != "instant":
            yield ("resolution_ms",), "is for dates with time only"

    def _number_problems(self) -> Problems:
        if self.kind not in _NUMBER:
            for key in ("scale", "offset", "unit", "least", "most"):
                if key in self.model_fields_set:
                    yield (key,), f"is for numbers, and this field is {self.kind}"
        if self.scale == 0:
            yield ("scale",), "must not be 0"
        if self.least is not None and self.most is not None and self.least > self.most:
            yield ("least",), f"is {self.least:g}, which is above most = {self.most:g}"

    def _value_problems(self) -> Problems:
        if self.values is not None and self.kind not in _ANY_WORD:
            yield ("values",), f"is for whole numbers, text and bool, and this field is {self.kind}"
        for raw in self.values or ():
            if not _is_raw(raw, self.kind):
                yield ("values", raw), f"can't be a raw value of a field that is {self.kind}"
        if self.otherwise is not None and self.values is None:
            yield ("otherwise",), "goes with values only"
        yield from self._none_problems()

    def _none_problems(self) -> Problems:
        if self.kind == "bool" or not (self.kind == "text" or self.has_count):
            if self.none:
                yield ("none",), f"can't be compared with a field of type {self.type}"
        else:
            wanted = "text in quotation marks" if self.kind == "text" else "a number"
            for number, raw_value in enumerate(self.none):
                if isinstance(raw_value, str) != (self.kind == "text"):
                    yield ("none", number), f"must be {wanted}, as the raw value is"


def _is_raw(text: str, kind: Kind) -> bool:
    """Whether the text spells a raw value of the kind, in the one way that is compared."""
    if kind == "integer":
        digits = text.removeprefix("-")
        return digits.isdecimal() and digits.isascii() and str(int(text[:25])) == text
    return text in ("true", "false") if kind == "bool" else True


def unit_problems(given: str | None, kept: str | None, name: str) -> Problems:
    if given is None:
        return
    if given not in UNITS:
        close = get_close_matches(given, UNITS, n=1)
        hint = f"did you mean {close[0]}? " if close else ""
        yield ("unit",), f"{given!r} is no unit that is known here; {hint}known are {', '.join(UNITS)}"
    elif kept is None:
        fitting = [suffix for suffix, unit in SUFFIXES.items() if unit in same_dimension(given)]
        yield (
            ("unit",),
            f"is {given}, so the name {name} must end in the unit to keep it in, such as {fitting[0]}",
        )
    elif UNITS[given].dimension != UNITS[kept].dimension:
        allowed = ", ".join(same_dimension(kept))
        measures = f"measures {UNITS[given].dimension}, but {name} is kept in {kept}"
        yield ("unit",), f"{given} {measures}; it must be one of {allowed}"


class BinaryField(LayoutField):
    type: BinaryType
    at: Annotated[int, Field(ge=0)]
    byte: Literal[0, 1] = 0
    """Modbus, 8-bit types: 0 is the register's high byte, 1 its low byte."""
    bit: Annotated[int, Field(ge=0, le=15)] | None = None
    """For bool: bit number, 0 is the lowest; up to 7 in a byte (S7, binary), 15 in a register (Modbus)."""
    length: Annotated[int, Field(gt=0)] | None = None
    """Text types: room for that many characters (bytes for `text`), without any length bytes in front."""
    prefix: Literal[1, 2] = 1
    encoding: Literal["ascii", "latin-1", "utf-8"] = "latin-1"
    byte_order: ByteOrder | None = None
    word_order: ByteOrder | None = None
    """None: the layout's."""

    @property
    def kind(self) -> Kind:
        if self.type == "bool":
            return "bool"
        return FIELD_TYPES[self.type].kind if self.type in FIELD_TYPES else "text"

    @property
    def finish(self) -> Finish | None:
        return None if self.fixed is None else self.fixed.finish

    @property
    def given_unit(self) -> str | None:
        """The type's own unit counts only where the name says what to turn it into."""
        own = self.fixed.unit if self.fixed and kept_unit(self.name) else None
        return self.unit or own

    @property
    def finest_ms(self) -> float:
        assert self.fixed is not None
        return self.fixed.resolution_ms

    @property
    def modulus(self) -> int | None:
        if self.fixed is None or (self.scale, self.offset, self.given_unit) != (1, 0, None):
            return None
        bits = 8 * self.fixed.size
        moduli = {"uint": 1 << bits, "int": 1 << (bits - 1), "bcd": 10 ** (bits // 4)}
        return moduli.get(self.type.rstrip("0123456789"))

    @property
    def fixed(self) -> FieldType | None:
        return FIELD_TYPES.get(self.type)

    @property
    def text(self) -> TextType | None:
        return TEXT_TYPES.get((self.type, self.prefix))

    def size(self, unit_bytes: int) -> int:
        """Bytes of the field where a unit of the block has so many."""
        if self.text is not None:
            return self.text.header + self.text.width * (self.length or 0)
        return unit_bytes if self.fixed is None else self.fixed.size

    def begin(self, unit_bytes: int) -> int:
        """First byte of the field in its block."""
        return self.at * unit_bytes + self.byte

    def end(self, unit_bytes: int) -> int:
        """First unit after the field."""
        return -(-(self.begin(unit_bytes) + self.size(unit_bytes)) // unit_bytes)

    def problems(self) -> Problems:
        yield from super().problems()
        if (self.bit is None) == (self.type == "bool"):
            yield ("bit",), "is missing; say which bit" if self.bit is None else "is for bool only"
        is_text = self.kind == "text"
        if (self.length is None) == is_text:
            yield ("length",), "is missing; say how many characters" if is_text else "is for text types only"
        if self.text is None and is_text:
            yield ("prefix",), "is for counted_text only"
        elif self.text is not None and (self.length or 0) > self.text.length_most:
            yield ("length",), f"must be {self.text.length_most} or less for {self.type}"
        for key, types in _ONLY_FOR.items():
            if key in self.model_fields_set and self.type not in types:
                yield (key,), f"is for {' and '.join(types)} only"

    def problems_in(self, unit_bytes: int) -> Problems:
        """What is wrong in a block whose unit has so many bytes."""
        if "byte" in self.model_fields_set and (unit_bytes == 1 or self.size(unit_bytes) != 1):
            yield ("byte",), "is for 8-bit types in Modbus registers only"
        if self.bit is not None and self.bit >= 8 * unit_bytes:
            yield ("bit",), f"is {self.bit}; a byte has bits 0 to 7"


_ONLY_FOR: Mapping[str, tuple[str, ...]] = {
    "prefix": ("counted_text",),
    "encoding": ("text", "counted_text", "s7_string"),
}
"""Key -> types that it is for."""


class JsonField(LayoutField):
    type: JsonType
    path: Annotated[str, Field(pattern=r"^[^.]+(\.[^.]+)*$")]
    """Dotted path into the message, such as `set.torque_nm`."""

    @property
    def kind(self) -> Kind:
        return JSON_KINDS[self.type]

    @property
    def finish(self) -> Finish | None:
        return JSON_INSTANTS.get(self.type)

    @property
    def finest_ms(self) -> float:
        return 1000.0


Column = Annotated[str, Field(min_length=1)] | Annotated[int, Field(ge=1)]


class LogField(LayoutField):
    """A column of a CSV log."""

    type: LogType
    column: Column | tuple[Column, ...]
    """Its name in the header, or its number from 1. Several are joined with a blank between: date and time
    often stand apart."""
    format: str | None = None
    """Of `datetime`: what stands where, such as `%d.%m.%Y %H:%M:%S`."""

    @property
    def columns(self) -> tuple[str | int, ...]:
        return self.column if isinstance(self.column, tuple) else (self.column,)

    @property
    def kind(self) -> Kind:
        return LOG_KINDS[self.type]

    @property
    def finish(self) -> Finish | None:
        return JSON_INSTANTS.get(self.type)

    @property
    def finest_ms(self) -> float:
        return 1000.0 if self.format is None else TimeFormat(self.format).finest_ms

    def problems(self) -> Problems:
        yield from super().problems()
        if (self.format is None) == (self.type == "datetime"):
            yield (
                ("format",),
                "is missing; say how the time is written"
                if self.format is None
                else ("is for datetime only"),
            )
        for says in TimeFormat(self.format).problems() if self.format is not None else ():
            yield ("format",), says
        if not self.columns:
            yield ("column",), "must name a column"

    def _none_problems(self) -> Problems:
        """Text is compared with the cell as it stands, whatever the type."""
        for number, value in enumerate(self.none):
            if not isinstance(value, str) and not self.has_count:
                yield ("none", number), "must be text in quotation marks, as the cell is"


class CommonSamples(Strict):
    type: SampleType
    most: Annotated[int, Field(gt=0, le=1_000_000)]
    """Samples that a curve may have."""
    quantity: Literal["tension_n", "torque_nm"]
    scale: Finite = 1.0
    offset: Finite = 0.0
    """value = sample × scale + offset, in `unit`."""
    unit: str | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        refuse(type(self), self._problems())
        return self

    def _problems(self) -> Problems:
        yield from unit_problems(self.unit, kept_unit(self.quantity), self.quantity)
        if self.scale == 0:
            yield ("scale",), "must not be 0"

    @property
    def width(self) -> int:
        """Bytes of one sample."""
        return FIELD_TYPES[self.type].size


class Samples(CommonSamples):
    at: Annotated[int, Field(ge=0)]


class JsonSamples(CommonSamples):
    """An array of numbers; `type` is what they are kept as."""

    path: Annotated[str, Field(pattern=r"^[^.]+(\.[^.]+)*$")]
