"""What a look at a tool's cycles can come to: something holds, or it is over. See `findings`."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, Literal, NamedTuple

import numpy as np

from collector.analysis.before_after import Cycles
from collector.analysis.causes import FaultCodes
from collector.analysis.chart_design import Design
from collector.analysis.setup import LEAST_SUPPLY_KPA
from collector.analysis.tension import Band, Wheel

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

Kind = Literal[
    "measure_shifted",
    "punch_slowing",
    "supply_pressure_low",
    "setup_misfit",
    "fault_repeats",
    "service_overdue",
]


class Subject(NamedTuple):
    """What a finding of a tool on a controller is about: open at most once."""

    kind: Kind
    measure: str
    """With `fault_repeats` the code; '' where it is of no measure."""


@dataclass(frozen=True, slots=True)
class Holds:
    subject: Subject
    began_at: datetime
    says: str
    evidence: Mapping[str, Any]
    """Plain JSON values, units in the names."""


@dataclass(frozen=True, slots=True)
class Over:
    subject: Subject
    ended_at: datetime
    because: str


Verdict = Holds | Over


@dataclass(frozen=True, slots=True)
class Restart:
    """Every cycle that ended later is of the new state."""

    at: datetime
    says: str


@dataclass(frozen=True, slots=True)
class Expected:
    """What a site says of a tool and its station."""

    design: Design
    """Of each control chart."""
    bands: Mapping[str, Band] = field(default_factory=dict)
    least_supply_kpa: float = LEAST_SUPPLY_KPA
    codes: FaultCodes = field(default_factory=FaultCodes)
    wheel: Wheel | None = None


def ended_at(cycles: Cycles, place: int | np.intp) -> datetime:
    return EPOCH + timedelta(microseconds=int(cycles.ended_us[place]))


def to_us(at: datetime) -> int:
    return (at - EPOCH) // timedelta(microseconds=1)
