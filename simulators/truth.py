"""What really happened in a simulated plant: a line of JSON for each finished cycle and each other event."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from simulators.memory import Controller, Event, Finished

VALUES = (
    "duration_ms",
    "take_up_ms",
    "peak_tension_n",
    "lock_tension_n",
    "seating_loss_n",
    "set_torque_nm",
    "tension_speed_mm_s",
    "punch_pressure_kpa",
    "supply_pressure_kpa",
    "punch_velocity_m_s",
)


@dataclass(frozen=True, slots=True)
class TrueCycle:
    """One finished cycle, with values in SI after the controller's own rounding."""

    controller: str
    layout: str
    epoch: int
    """The controller's memory epoch: how often it has lost its memory, from 1."""
    sequence: int
    """Unwrapped within the epoch, from 1."""
    shown_sequence: int
    """As the controller counts."""
    ended_at: datetime
    """Wall time, UTC."""
    controller_time: datetime
    """As recorded, naive."""
    tool_maker: str
    tool_model: str
    tool_serial: str
    result: str
    completion: str
    mode: str
    fault_code: str | None
    """As the record spells it; None also where the record has no place for it."""
    part_id: str | None
    band: str
    total_count: int
    values: Mapping[str, float | None]
    """Those of `VALUES` that the controller records."""
    recorded: tuple[str, ...]
    """Names of all that the controller records of a cycle; the rest of this line it keeps for itself."""
    curve_sha256: str | None
    """Of the samples, little-endian 16-bit; None where the controller keeps no curve."""
    curve_samples: int
    before_start: bool
    """Made before the fronts were up (the ring was filled beforehand)."""


@dataclass(frozen=True, slots=True)
class TrueEvent:
    """A fault raised, acknowledged or cleared, a tool swap, a setting change ..."""

    controller: str
    what: str
    at: datetime
    detail: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Truth:
    cycles: list[TrueCycle]
    events: list[TrueEvent]


class TruthFile:
    """Appends to a file, each line flushed; `path` None writes nothing. Use as a context."""

    def __init__(self, path: Path | None, *, append: bool = False) -> None:
        self._file = path.open("a" if append else "w", encoding="utf-8") if path is not None else None
        self.before_start = True
        """Set to False once the fronts are up."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._file is not None:
            self._file.close()

    def follow(self, controller: Controller) -> None:
        """From now on, write down all that this controller does."""
        controller.on_cycle.append(lambda finished: self.write_cycle(controller, finished))
        controller.on_event.append(lambda event: self.write_event(controller.name, event))

    def write_cycle(self, controller: Controller, finished: Finished) -> None:
        self._write(true_cycle(controller, finished, self.before_start), "cycle")

    def write_event(self, controller: str, event: Event) -> None:
        self._write(TrueEvent(controller, event.what, event.at, event.detail), "event")

    def _write(self, line: TrueCycle | TrueEvent, kind: str) -> None:
        if self._file is None:
            return
        values = {name: getattr(line, name) for name in line.__slots__}
        self._file.write(json.dumps({"kind": kind} | values, default=_as_text, separators=(",", ":")) + "\n")
        self._file.flush()


def true_cycle(controller: Controller, finished: Finished, before_start: bool = False) -> TrueCycle:
    record, family, curve = finished.record, controller.family, finished.curve
    return TrueCycle(
        controller=controller.name,
        layout=family.layout,
        epoch=finished.epoch,
        sequence=finished.sequence,
        shown_sequence=record.sequence,
        ended_at=finished.ended_at,
        controller_time=record.controller_time,
        tool_maker=family.maker,
        tool_model=family.model,
        tool_serial=record.tool_serial,
        result=record.result,
        completion=record.completion,
        mode=record.mode,
        fault_code=None if record.fault is None else family.record_codes.get(record.fault),
        part_id=record.part_id,
        band=record.band,
        total_count=record.total_count,
        values={name: getattr(record, name) for name in VALUES if name in family.recorded},
        recorded=tuple(sorted(family.recorded)),
        curve_sha256=None if curve is None else hashlib.sha256(curve.samples).hexdigest(),
        curve_samples=0 if curve is None else curve.count,
        before_start=before_start,
    )


def read_truth(path: Path) -> Truth:
    """All whole lines of a truth file, in the order in which they were written."""
    truth = Truth([], [])
    for text in path.read_text(encoding="utf-8").splitlines(keepends=True):
        if text.endswith("\n"):
            _read_line(truth, json.loads(text))
    return truth


def _read_line(truth: Truth, line: dict[str, Any]) -> None:
    if line.pop("kind") == "event":
        truth.events.append(TrueEvent(**line | {"at": datetime.fromisoformat(line["at"])}))
        return
    instants = {name: datetime.fromisoformat(line[name]) for name in ("ended_at", "controller_time")}
    truth.cycles.append(TrueCycle(**line | instants | {"recorded": tuple(line["recorded"])}))


def _as_text(value: object) -> str:
    if isinstance(value, datetime):
        return value.isoformat()
    raise TypeError(f"{type(value).__name__} has no place in a truth file")
