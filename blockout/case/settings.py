"""What each step is asked to do: frozen, validated, made from :mod:`blockout.case.parameters`."""

from __future__ import annotations

import math
from functools import partial
from typing import Any, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator
from pydantic.fields import FieldInfo

from blockout.case import parameters as p
from blockout.case.values import (
    Arch,
    Axis,
    Direction,
    Gauge,
    Length,
    Number,
    Outline,
    Point,
    axis_direction,
    number_or_text,
    refused,
)

__all__ = [
    "Arch",
    "Length",
    "ParallelSettings",
    "PathSettings",
    "Point",
    "PrepareSettings",
    "Settings",
    "SurveySettings",
    "field_of",
    "parameter_of",
]


def _describe(schema: dict[str, Any], *, parameter: p.Parameter) -> None:
    """Complete a field's JSON Schema with its parameter's range, unit and source."""
    kind = "integer" if schema.get("type") == "integer" else "number"
    for key in ("type", "anyOf", "ge", "le", "minimum", "maximum"):
        schema.pop(key, None)
    if parameter.unit == "mm":
        schema.update(number_or_text(parameter.low, parameter.high))
    else:
        schema.update({"type": kind, "minimum": parameter.low, "maximum": parameter.high})
    schema.update({"unit": parameter.unit, "mark": parameter.mark, "source": parameter.source})


def field_of(parameter: p.Parameter) -> Any:
    """A field that takes its default, range and description from a parameter."""
    return Field(
        default=parameter.default,
        ge=parameter.low,
        le=parameter.high,
        description=parameter.help,
        json_schema_extra=partial(_describe, parameter=parameter),
    )


def parameter_of(field: FieldInfo) -> p.Parameter | None:
    """The parameter that a field was made from, if it was."""
    made_by = field.json_schema_extra
    return made_by.keywords["parameter"] if isinstance(made_by, partial) else None


class Settings(BaseModel):
    """Frozen; an unknown key, a wrong type or a number that is not finite is an error."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=False, revalidate_instances="never"
    )


class PrepareSettings(Settings):
    """How a scan becomes a closed cast."""

    up: Axis | None = Field(
        default=None,
        description="Occlusal direction in the file, such as +z, -y or 0,1,1; found when left out.",
    )
    front: Axis | None = Field(
        default=None,
        description="Anterior direction in the file; found when left out. With both up and front "
        "given, the cast frame is exactly these axes.",
    )
    arch: Arch | None = Field(
        default=None,
        description="lower or upper; decides on which side the patient's right lies.",
    )
    stray_share: Number = field_of(p.STRAY_SHARE)
    hole_length_mm: Length = field_of(p.HOLE_LENGTH)
    border_trim_mm: Length = field_of(p.BORDER_TRIM)
    land_mm: Length = field_of(p.LAND)
    base_thickness_mm: Length = field_of(p.BASE_THICKNESS)
    base_height_mm: Length | None = field_of(p.BASE_HEIGHT)

    @model_validator(mode="after")
    def _axes_apart(self) -> Self:
        if self.up is not None and self.front is not None:
            a, b = axis_direction(self.up), axis_direction(self.front)
            product = sum(u * v for u, v in zip(a, b, strict=True))
            if abs(product) > (1.0 - 1e-9) * math.hypot(*a) * math.hypot(*b):
                raise refused(
                    f"up ({self.up}) and front ({self.front}) lie along one line; they must point "
                    "different ways",
                    key="front",
                )
        return self


class PathSettings(Settings):
    """The path of insertion: two tilts from the occlusal plane held level, or a direction."""

    anterior_tilt_deg: Number = field_of(p.ANTERIOR_TILT)
    lateral_tilt_deg: Number = field_of(p.LATERAL_TILT)
    direction: Direction | None = Field(
        default=None,
        description="Direction of removal in the file's coordinates, instead of the tilts.",
    )
    warn_tilt_deg: Number = field_of(p.TILT_WARNING)
    max_tilt_deg: Number = field_of(p.TILT_LIMIT)

    @model_validator(mode="after")
    def _said_once(self) -> Self:
        tilts = sorted({"anterior_tilt_deg", "lateral_tilt_deg"} & self.model_fields_set)
        if self.direction is not None and tilts:
            raise refused(
                f"the path is said twice, by direction and by {' and '.join(tilts)}; keep one",
                key="direction",
            )
        return self


class SurveySettings(Settings):
    """What the survey reads off."""

    gauges_mm: tuple[Gauge, ...] = Field(
        default=p.GAUGES_MM,
        description=p.GAUGE.help,
        json_schema_extra={"unit": p.GAUGE.unit, "mark": p.GAUGE.mark, "source": p.GAUGE.source},
    )
    noise_depth_mm: Length | None = field_of(p.NOISE_DEPTH)


class ParallelSettings(Settings):
    """Parallel blockout: where it goes and how its wall stands."""

    taper_deg: Number = field_of(p.TAPER)
    floor_mm: Length | None = field_of(p.FLOOR)
    keep_in: tuple[Outline, ...] = Field(
        default=(),
        description="Outlines, points on the cast in file coordinates; wax only inside them.",
    )
    keep_out: tuple[Outline, ...] = Field(
        default=(), description="Outlines inside which there is no wax."
    )
