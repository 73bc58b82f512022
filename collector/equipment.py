"""What the plant works with, as the site file has it: bands, kinds of tools with their limits, and what the
analysis is told. Values that a maker or a test on the site's own tools gives; clampbook makes none up."""

from collections.abc import Iterator, Mapping
from typing import Annotated

from pydantic import Field, model_validator

from collector.analysis.capability import Specification
from collector.analysis.setup import LEAST_SUPPLY_KPA
from collector.analysis.tension import Band, Wheel, implausible
from collector.layouts.field_schema import Strict
from collector.store.measures import MEASURES
from collector.toml_file import refuse

Number = Annotated[float, Field(strict=False, allow_inf_nan=False)]
Positive = Annotated[float, Field(strict=False, gt=0, allow_inf_nan=False)]


class BandPart(Strict):
    """[[bands]]: see `collector.analysis.tension.Band`; the name is the one that controllers tell."""

    name: Annotated[str, Field(min_length=1)]
    width_mm: Positive
    thickness_mm: Positive
    recommended_torque_nm: Positive
    """At the wheel."""
    maximum_torque_nm: Positive
    recommended_pressure_kpa: Positive | None = None
    """Punch pressure, gauge."""
    minimum_pressure_kpa: Positive | None = None
    maximum_pressure_kpa: Positive | None = None
    minimum_speed_mm_s: Positive | None = None
    maximum_speed_mm_s: Positive | None = None
    modulus_gpa: Positive = 193.0
    yield_mpa: Positive | None = None
    shear_strength_mpa: Positive | None = None

    @model_validator(mode="after")
    def plausible(self) -> "BandPart":
        refuse(BandPart, (((name,), says) for name, says in implausible(self.model_dump())))
        return self

    @property
    def band(self) -> Band:
        return Band(**self.model_dump())


class Limits(Strict):
    """What a measure may be; at least one of both."""

    lower: Number | None = None
    upper: Number | None = None

    @model_validator(mode="after")
    def plausible(self) -> "Limits":
        if self.lower is None and self.upper is None:
            raise ValueError("has neither lower nor upper; give at least one of them")
        if self.lower is not None and self.upper is not None and self.lower >= self.upper:
            refuse(Limits, [(("lower",), f"{self.lower:g} is not below upper {self.upper:g}")])
        return self

    @property
    def specification(self) -> Specification:
        return Specification(self.lower, self.upper)


class ToolModelPart(Strict):
    """[[tool_models]]: what all tools of one maker's model have in common."""

    maker: str
    model: str
    wheel_radius_mm: Positive | None = None
    """None: nobody has said, so torque is not made into tension."""
    gear_ratio: Positive = 1.0
    """Motor turns a turn of the wheel; 1 where the controller gives torque at the wheel."""
    efficiency: Annotated[float, Field(strict=False, gt=0, le=1)] = 1.0
    service_cycle_span: Annotated[int, Field(ge=1)] | None = None
    """Cycles between two services, by the maker."""
    limits: Mapping[str, Limits] = {}
    """Measure (`punch_velocity_m_s` …) -> its specification limits."""

    @model_validator(mode="after")
    def plausible(self) -> "ToolModelPart":
        refuse(ToolModelPart, self._mistakes())
        return self

    def _mistakes(self) -> Iterator[tuple[tuple[str, ...], str]]:
        wheel = {"radius_mm": self.wheel_radius_mm} | self.model_dump(include={"gear_ratio", "efficiency"})
        for name, says in implausible(wheel):
            yield ("wheel_radius_mm" if name == "radius_mm" else name,), says
        for measure in self.limits:
            if measure not in MEASURES:
                yield ("limits", measure), f"is no measure; there are {', '.join(MEASURES)}"

    @property
    def wheel(self) -> Wheel | None:
        return (
            None
            if self.wheel_radius_mm is None
            else Wheel(self.wheel_radius_mm, self.gear_ratio, self.efficiency)
        )


class AnalysisPart(Strict):
    """[analysis]"""

    look_every_s: Annotated[float, Field(strict=False, ge=0, le=86_400, allow_inf_nan=False)] = 60.0
    """How often the book is looked at for findings; 0: never."""
    least_supply_kpa: Positive = LEAST_SUPPLY_KPA
    values_between_false_alarms: Annotated[int, Field(ge=50, le=100_000)] = 2000
    """For which each control chart is designed."""
    no_band_codes: tuple[str, ...] = ()
    """Fault codes of the makers that say: no band was in the tool."""
    not_formed_codes: tuple[str, ...] = ()
    """Fault codes that say: the lock was not formed, or the punch did not return."""
