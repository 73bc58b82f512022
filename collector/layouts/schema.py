"""What a layout file may say.

A layout is the description of where one kind of controller keeps what. Offsets count in the protocol's own
unit: registers for Modbus, bytes for S7 data blocks and binary MQTT payloads. See the files in `examples/`
for all of it in use.

    name, about, protocol, sequence_bits, [request_timeout_ms, shortest_cycle_ms, recording_ms,
    byte_order, word_order]
    [tool]      maker and model of the tools that this kind of controller drives
    [status]    where it is, and its fields; `last_sequence` is required
    [history]   the ring (or the last record), and the fields of one record; `sequence` is required
    [curve]     optional: the last curve; its fields are `sequence`, `sample_count`, `sample_interval_us`
    [log]       optional: the columns of the CSV log that the controller keeps; `sequence` is required
    [[faults]]  what a bit or a value of a status field means

`load_layout` refuses a file with a list of all its mistakes, each with line and key. What concerns several
sections at once (sequence widths, faults) is looked at when each section is right by itself.
"""

from collections.abc import Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Literal, Self, get_args

from pydantic import Field, RootModel, model_validator

from collector.errors import ConfigError, LayoutError
from collector.layouts.field_schema import (
    COLUMNS,
    SEQUENCES,
    BinaryField,
    ByteOrder,
    JsonField,
    LayoutField,
    LogField,
    Problems,
    SampleType,
    Strict,
)
from collector.layouts.fields import Kind
from collector.layouts.section_schema import (
    BinaryCurve,
    BinaryHistory,
    BinarySection,
    BinaryStatus,
    Block,
    DataBlock,
    DataCurve,
    DataHistory,
    DataStatus,
    JsonCurve,
    JsonHistory,
    JsonStatus,
    LogSection,
    RegisterBlock,
    RegisterCurve,
    RegisterHistory,
    RegisterStatus,
    Section,
)
from collector.model import Category, Status
from collector.toml_file import read_toml, refuse, validate

__all__ = [
    "Block",
    "BlockLayout",
    "Condition",
    "DataBlock",
    "FaultEntry",
    "Layout",
    "LayoutFile",
    "ModbusLayout",
    "MqttLayout",
    "RegisterBlock",
    "S7Layout",
    "SampleType",
    "Strict",
    "load_layout",
]

# ---- faults ----------------------------------------------------------------------------------------------


class Condition(Strict):
    """True when the field has the bit set, or equals the value (raw, before scale and enumeration)."""

    field: str
    bit: Annotated[int, Field(ge=0, le=63)] | None = None
    equals: int | str | bool | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        if (self.bit is None) == (self.equals is None):
            says = (
                "is missing; say which bit, or say equals"
                if self.bit is None
                else "can't stand beside equals"
            )
            refuse(type(self), [(("bit",), says)])
        return self

    def problems_in(self, status: Section) -> Problems:
        """What is wrong where this is about a field of the status."""
        field = status.find(self.field)
        if field is None:
            close = get_close_matches(self.field, [other.name for other in status.fields], n=1)
            hint = f"; did you mean {close[0]}?" if close else ""
            yield ("field",), f"{self.field!r} is no field of the status{hint}"
        elif self.bit is not None:
            bits = integer_bits(field)
            if bits is None:
                yield ("bit",), f"needs a field of whole numbers, and {self.field} is {field.type}"
            elif self.bit >= bits:
                yield ("bit",), f"is {self.bit}; {self.field} has bits 0 to {bits - 1}"
        elif _EQUALS_KIND[type(self.equals)] != field.kind:
            yield ("equals",), f"is {self.equals!r}, and {self.field} is {field.kind}"


_EQUALS_KIND: Mapping[type, Kind] = {int: "integer", str: "text", bool: "bool"}


class FaultEntry(Condition):
    code: Annotated[str, Field(min_length=1)]
    """The maker's own code."""
    text: str
    category: Category
    acknowledged: Condition | None = None
    """Where the status says that a person has acknowledged it."""

    def problems_in(self, status: Section) -> Problems:
        yield from super().problems_in(status)
        if self.acknowledged is not None:
            for key, says in self.acknowledged.problems_in(status):
                yield ("acknowledged", *key), says


def integer_bits(field: LayoutField) -> int | None:
    """Bits that a field of whole numbers has; None for any other (BCD has digits, not bits)."""
    if isinstance(field, BinaryField) and field.type.lstrip("u").startswith("int"):
        return 8 * field.size(1)
    return 64 if isinstance(field, JsonField | LogField) and field.type == "integer" else None


# ---- layouts ---------------------------------------------------------------------------------------------


class ToolModel(Strict):
    maker: Annotated[str, Field(min_length=1)]
    model: Annotated[str, Field(min_length=1)]


CountField = Literal["total_count", "count_since_cleared"]
"""In order of preference."""


def _resolution_ms(field: LayoutField | None) -> float:
    return 0.0 if field is None else field.resolution_ms or field.finest_ms


class CommonLayout(Strict):
    name: Annotated[str, Field(min_length=1, max_length=64)]
    about: str = ""
    sequence_bits: Annotated[int, Field(ge=8, le=64)]
    """Width of the controller's sequence: after 2^bits − 1 comes 0."""
    shortest_cycle_ms: Annotated[float, Field(gt=0, allow_inf_nan=False)] = 20.0
    """Least time between the ends of two cycles of one tool: tells new cycles from another controller's."""
    recording_ms: Annotated[float, Field(ge=0, le=60_000)] = 1000.0
    """Most time from a cycle's end until the controller tells of it: read through is so much earlier."""
    byte_order: ByteOrder = "big"
    word_order: ByteOrder = "big"
    tool: ToolModel
    status: Section
    history: Section
    curve: Section | None = None
    log: LogSection | None = None
    faults: tuple[FaultEntry, ...] = ()

    @model_validator(mode="after")
    def _check(self) -> Self:
        refuse(type(self), self.problems())
        return self

    @property
    def sections(self) -> dict[str, Section]:
        found = {"status": self.status, "history": self.history, "curve": self.curve, "log": self.log}
        return {key: section for key, section in found.items() if section is not None}

    @property
    def sequence_modulus(self) -> int:
        return 1 << self.sequence_bits

    @property
    def time_resolution_ms(self) -> float:
        """How fine the record's time stamp is; 0 where it has none."""
        return _resolution_ms(self.history.find("controller_time"))

    @property
    def log_time_resolution_ms(self) -> float:
        """The same of a time stamp in the log."""
        return 0.0 if self.log is None else _resolution_ms(self.log.find("controller_time"))

    @property
    def clock_resolution_ms(self) -> float:
        """How fine the clock in the status is; 0 where it has none."""
        return _resolution_ms(self.status.find("clock"))

    @property
    def count_field(self) -> CountField | None:
        """The status' counter that cycles are reconciled with: one that nobody clears, where there is one."""
        return next((name for name in get_args(CountField) if self.status.find(name)), None)

    @property
    def count_modulus(self) -> int | None:
        """How many numbers that counter runs through until it begins anew; None where nobody knows."""
        field = self.status.find(self.count_field) if self.count_field else None
        return field.modulus if field else None

    def problems(self) -> Problems:
        for place, section in self.sections.items():
            for number, field in enumerate(section.fields):
                if field.name in SEQUENCES and field.name in COLUMNS[section.role]:
                    for key, says in self._sequence_problems(field):
                        yield (place, "fields", number, *key), says
        codes: set[str] = set()
        for number, fault in enumerate(self.faults):
            if fault.code in codes:
                yield ("faults", number, "code"), f"is {fault.code}, as an earlier fault's"
            codes.add(fault.code)
            for key, says in fault.problems_in(self.status):
                yield ("faults", number, *key), says

    def _sequence_problems(self, field: LayoutField) -> Problems:
        bits = integer_bits(field)
        if bits is None:
            yield ("type",), f"is {field.type}; a sequence must be an integer type"
            return
        signed = isinstance(field, BinaryField) and field.type.startswith("int")
        if bits - signed < self.sequence_bits:
            yield ("type",), f"is {field.type}, which can't hold sequence_bits = {self.sequence_bits}"


class BlockLayout(CommonLayout):
    """Memory that is read block by block. All blocks are computed; nothing is read here."""

    request_timeout_ms: Annotated[int, Field(ge=10, le=60_000)] = 500
    """How long to wait for one reply."""

    status: RegisterStatus | DataStatus
    history: RegisterHistory | DataHistory
    curve: RegisterCurve | DataCurve | None = None

    @property
    def status_block(self) -> Block:
        return self.status.part(0, self.status.size)

    def record_block(self, slot: int, count: int = 1) -> Block:
        """So many records from the slot on. Raises: ValueError: they are not all in the ring."""
        self._check_slots(slot, count)
        return self.history.part(slot * self.history.size, count * self.history.size)

    @property
    def curve_block(self) -> Block | None:
        return None if self.curve is None else self.curve.part(0, self.curve.size)

    @property
    def curve_head_block(self) -> Block | None:
        """The curve block up to the end of its sequence: to see whether it is still the same curve."""
        if self.curve is None:
            return None
        return self.curve.part(0, _sequence_of(self.curve).end(self.curve.unit_bytes))

    def slot_of(self, raw_sequence: int, status: Status) -> int:
        """Where in the ring the record with this number (as the controller counts) stands, or stood.

        Raises: ValueError: the ring goes by `newest_slot`, and the status has none.
        """
        slots = self.history.slots
        if slots == 1:
            return 0
        if self.history.slot_by == "sequence":
            return raw_sequence % slots
        if status.newest_slot is None:
            raise ValueError("the ring's slots count from newest_slot, and the status has none")
        behind = (status.last_sequence - raw_sequence) % self.sequence_modulus
        return (status.newest_slot - behind) % slots

    def _check_slots(self, slot: int, count: int) -> None:
        if slot < 0 or count < 1 or slot + count > self.history.slots:
            raise ValueError(f"{count} slots from {slot} on are not in a ring of {self.history.slots}")

    def problems(self) -> Problems:
        yield from super().problems()
        if self.history.slot_by == "newest_slot" and self.status.find("newest_slot") is None:
            yield ("history", "slot_by"), 'is "newest_slot", and the status has no field newest_slot'
        if self.history.slots > self.sequence_modulus // 2:
            yield (
                ("history", "slots"),
                f"must be at most half of the {self.sequence_modulus} numbers of the sequence: new and old "
                "could not be told apart",
            )


def _sequence_of(section: BinarySection) -> BinaryField:
    return next(field for field in section.fields if field.name == "sequence")


class ModbusLayout(BlockLayout):
    protocol: Literal["modbus"]
    status: RegisterStatus
    history: RegisterHistory
    curve: RegisterCurve | None = None


class S7Layout(BlockLayout):
    protocol: Literal["s7"]
    status: DataStatus
    history: DataHistory
    curve: DataCurve | None = None


class MqttLayout(CommonLayout):
    """Messages that a broker hands on; a message of `history` is one cycle."""

    protocol: Literal["mqtt"]
    status: Annotated[JsonStatus | BinaryStatus, Field(discriminator="payload")]
    history: Annotated[JsonHistory | BinaryHistory, Field(discriminator="payload")]
    curve: Annotated[JsonCurve | BinaryCurve, Field(discriminator="payload")] | None = None

    def topics(self, address: str) -> dict[str, str]:
        """Topics of one controller under `status`, `cycle` and, where there are curves, `curve`."""
        found = {"status": self.status, "cycle": self.history, "curve": self.curve}
        return {
            name: section.topic.replace("{controller}", address)
            for name, section in found.items()
            if section is not None
        }

    def problems(self) -> Problems:
        yield from super().problems()
        seen: set[str] = set()
        for place, section in (("status", self.status), ("history", self.history), ("curve", self.curve)):
            if section is not None and section.topic in seen:
                yield (place, "topic"), "is the topic of another section too"
            seen.add(section.topic if section is not None else "")


Layout = ModbusLayout | S7Layout | MqttLayout


class LayoutFile(RootModel[Annotated[Layout, Field(discriminator="protocol")]]):
    """A layout file as a whole; `protocol` says which kind it is."""


def load_layout(path: Path) -> Layout:
    """One layout file, checked.

    Raises: LayoutError: with file, line and key of every mistake.
    """
    try:
        return validate(LayoutFile, read_toml(path)).root
    except ConfigError as error:
        raise LayoutError(error.mistakes) from error
