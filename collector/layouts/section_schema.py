"""What a layout file may say of a block, a record or a message: where it is, and which fields it has.

A section is one of three roles (status, cycle, curve) in one of four ways of addressing: Modbus registers,
bytes of an S7 data block, members of a JSON message, bytes of a binary message.
"""

from abc import abstractmethod
from typing import Annotated, ClassVar, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from collector.layouts.csv_rows import Delimiter, Encoding
from collector.layouts.field_schema import (
    AS_THEY_ARE,
    COLUMNS,
    REQUIRED,
    WORDS,
    BinaryField,
    JsonField,
    JsonSamples,
    LayoutField,
    LogField,
    Problems,
    Role,
    Samples,
    Strict,
)
from collector.layouts.log_values import Decimal
from collector.toml_file import refuse


class Section(Strict):
    """Fields, and what their names ask of them."""

    role: ClassVar[Role]
    optional: ClassVar[tuple[str, ...]] = ()
    """Of the required names, those that this section can do without."""
    fields: tuple[LayoutField, ...]

    @model_validator(mode="after")
    def _check(self) -> Self:
        refuse(type(self), self.problems())
        return self

    def find(self, name: str) -> LayoutField | None:
        return next((field for field in self.fields if field.name == name), None)

    @abstractmethod
    def where(self, field: LayoutField) -> str:
        """The field's place for a person: register 7, byte 12, path set.torque_nm."""

    def problems(self) -> Problems:
        for name in REQUIRED[self.role]:
            if self.find(name) is None and name not in self.optional:
                yield ("fields",), f"has no field {name}, which every {self.role} needs"
        seen: set[str] = set()
        for number, field in enumerate(self.fields):
            if field.name in seen:
                yield ("fields", number, "name"), f"is {field.name}, as an earlier field's"
            seen.add(field.name)
            for key, says in self._field_problems(field):
                yield ("fields", number, *key), says

    def _field_problems(self, field: LayoutField) -> Problems:
        columns = COLUMNS[self.role]
        if field.name not in columns:
            if self.role == "curve":
                yield ("name",), f"is {field.name}; a curve has the fields {', '.join(columns)} only"
        elif field.kind not in columns[field.name]:
            yield ("type",), f"is {field.type}; {field.name} must be {' or '.join(columns[field.name])}"
        if field.setting and (self.role != "status" or field.name in columns):
            yield ("setting",), f"is for status fields other than {', '.join(columns)}"
        if field.name in AS_THEY_ARE and field.name in columns:
            for key in ("scale", "offset", "unit", "values", "none", "least", "most"):
                if key in field.model_fields_set:
                    yield (key,), f"is not for {field.name}, which is taken as it is"
        if field.name in WORDS and field.name in columns:
            yield from _word_problems(field)


def _word_problems(field: LayoutField) -> Problems:
    allowed = WORDS[field.name]
    if field.values is None:
        yield ("values",), f"is missing; say which raw value means which of {', '.join(allowed)}"
    for raw, word in (field.values or {}).items():
        if word not in allowed:
            yield ("values", raw), f"is {word!r}; a {field.name} must be one of {', '.join(allowed)}"
    if field.otherwise is not None and field.otherwise not in allowed:
        yield ("otherwise",), f"is {field.otherwise!r}; a {field.name} must be one of {', '.join(allowed)}"


class BinarySection(Section):
    """Fields at offsets. `size`, where a section has one, is its length in units."""

    unit: ClassVar[str] = "byte"
    unit_bytes: ClassVar[int] = 1
    fields: tuple[BinaryField, ...]

    @property
    def room(self) -> int | None:
        """Units of one block or record; None where the message decides."""
        return None

    def where(self, field: LayoutField) -> str:
        assert isinstance(field, BinaryField)
        return f"{self.unit} {field.at}"

    @property
    def extent(self) -> int:
        """Units up to the end of the last field."""
        return max((field.end(self.unit_bytes) for field in self.fields), default=0)

    def _field_problems(self, field: LayoutField) -> Problems:
        yield from super()._field_problems(field)
        assert isinstance(field, BinaryField)
        yield from field.problems_in(self.unit_bytes)
        if self.room is not None and field.end(self.unit_bytes) > self.room:
            ends = f"{self.unit} {field.end(self.unit_bytes) - 1}"
            yield (
                ("at",),
                f"lets the field end in {ends}, and the block has {self.room} (0 to {self.room - 1})",
            )


class Trace(BinarySection):
    """A curve among binary fields."""

    role = "curve"
    samples: Samples

    def problems(self) -> Problems:
        yield from super().problems()
        end = self.samples.at * self.unit_bytes + self.samples.most * self.samples.width
        if self.room is not None and end > self.room * self.unit_bytes:
            needs = -(-end // self.unit_bytes)
            yield (
                ("samples", "most"),
                f"lets the samples end at {needs}, and the block has a size of {self.room}",
            )


class Ring(BinarySection):
    """N places for records of one size; a last record is a ring of one."""

    role = "cycle"
    slots: Annotated[int, Field(ge=1, le=65536)]
    slot_by: Literal["sequence", "newest_slot"] | None = None
    """`sequence`: slot = sequence modulo slots. `newest_slot`: the status says the last record's slot, and
    older records lie before it, around the ring. Needed when there are several slots."""

    def problems(self) -> Problems:
        yield from super().problems()
        if self.slots > 1 and self.slot_by is None:
            yield ("slot_by",), 'is missing; with several slots it must be "sequence" or "newest_slot"'


# ---- blocks: one class a way of addressing ---------------------------------------------------------------


class RegisterBlock(Strict):
    """A run of Modbus registers."""

    table: Literal["holding", "input"]
    start: Annotated[int, Field(ge=0, le=65535)]
    size: Annotated[int, Field(gt=0, le=65536)]
    """Registers."""

    def part(self, begin: int, size: int) -> "RegisterBlock":
        """A run of registers that begins so many after this one's."""
        return RegisterBlock(table=self.table, start=self.start + begin, size=size)


class DataBlock(Strict):
    """A run of bytes in an S7 data block."""

    db: Annotated[int, Field(gt=0, le=65535)]
    start: Annotated[int, Field(ge=0, le=65535)]
    size: Annotated[int, Field(gt=0, le=65536)]
    """Bytes."""

    def part(self, begin: int, size: int) -> "DataBlock":
        """A run of bytes that begins so many after this one's."""
        return DataBlock(db=self.db, start=self.start + begin, size=size)


Block = RegisterBlock | DataBlock
"""What a block source can be asked for."""


class BlockSection(BinarySection):
    start: int
    size: int

    @property
    def room(self) -> int:
        return self.size

    @abstractmethod
    def part(self, begin: int, size: int) -> Block: ...

    def problems(self) -> Problems:
        yield from super().problems()
        count = self.slots if isinstance(self, Ring) else 1
        end = self.start + self.size * count
        if end > 65536:
            yield (
                ("size",),
                f"lets the section end at {self.unit} {end - 1}; the last one that can be read is 65535",
            )


class RegisterSection(RegisterBlock, BlockSection):
    unit = "register"
    unit_bytes = 2


class DataSection(DataBlock, BlockSection):
    pass


class RegisterStatus(RegisterSection):
    role = "status"


class RegisterHistory(RegisterSection, Ring):
    pass


class RegisterCurve(RegisterSection, Trace):
    pass


class DataStatus(DataSection):
    role = "status"


class DataHistory(DataSection, Ring):
    pass


class DataCurve(DataSection, Trace):
    pass


def _topic(topic: str) -> str:
    if topic.count("{controller}") != 1:
        raise ValueError(
            "must have {controller} once: the controller's address in the site file stands there"
        )
    if any(sign in topic for sign in "+#\0"):
        raise ValueError("must be one topic, without the wildcards + and #")
    return topic


class Message(Strict):
    topic: Annotated[str, AfterValidator(_topic)]
    """With the placeholder `{controller}`."""


class JsonSection(Message, Section):
    payload: Literal["json"]
    fields: tuple[JsonField, ...]

    def where(self, field: LayoutField) -> str:
        assert isinstance(field, JsonField)
        return f"path {field.path}"


class BinaryMessage(Message, BinarySection):
    """A message longer than its fields is taken (later firmware may append), a shorter one is not."""

    payload: Literal["binary"]


class JsonStatus(JsonSection):
    role = "status"


class JsonHistory(JsonSection):
    role = "cycle"


class JsonCurve(JsonSection):
    """`sample_count` may be left out: the array says it."""

    role = "curve"
    optional = ("sample_count",)
    samples: JsonSamples


class BinaryStatus(BinaryMessage):
    role = "status"


class BinaryHistory(BinaryMessage):
    role = "cycle"


class BinaryCurve(BinaryMessage, Trace):
    pass


class LogSection(Section):
    """The cycles once more: rows of the CSV log that the controller keeps."""

    role = "cycle"
    fields: tuple[LogField, ...]
    encoding: Encoding = "utf-8"
    """`utf-16` without a byte order mark is little-endian."""
    delimiter: Delimiter = ","
    decimal: Decimal = "."
    skip_lines: Annotated[int, Field(ge=0)] = 0
    """Lines in front that are neither header nor cycle."""
    header: bool = True
    """Whether the first line after those names the columns."""

    @property
    def columns(self) -> tuple[str | int, ...]:
        return tuple(dict.fromkeys(column for field in self.fields for column in field.columns))

    def where(self, field: LayoutField) -> str:
        assert isinstance(field, LogField)
        return f"column {' and '.join(str(column) for column in field.columns)}"

    def _field_problems(self, field: LayoutField) -> Problems:
        yield from super()._field_problems(field)
        assert isinstance(field, LogField)
        if not self.header and any(isinstance(column, str) for column in field.columns):
            yield ("column",), "must be a number, since header is false"
