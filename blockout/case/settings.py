"""What each step is asked to do: frozen, validated, made from :mod:`blockout.case.parameters`."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from blockout.case import parameters as p
from blockout.errors import InputError
from blockout.units import length_mm

Arch = Literal["lower", "upper"]
Point = tuple[float, float, float]


def _length(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    try:
        return length_mm(value)
    except InputError as error:
        raise ValueError(str(error)) from error


def _field(parameter: p.Parameter) -> Any:
    return Field(
        default=parameter.default,
        ge=parameter.low,
        le=parameter.high,
        description=parameter.help,
        json_schema_extra={
            "unit": parameter.unit,
            "mark": parameter.mark,
            "source": parameter.source,
        },
    )


Length = Annotated[float, BeforeValidator(_length)]
"""Millimetres, or text such as "0.010 in" or "30 ga"."""


class Settings(BaseModel):
    """Frozen; an unknown key, a wrong type or a number that is not finite is an error."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=False, revalidate_instances="never"
    )


class PrepareSettings(Settings):
    """How a scan becomes a closed cast."""

    up: str | None = Field(
        default=None,
        description="Occlusal direction in the file, such as +z, -y or 0,1,1; found when left out.",
    )
    front: str | None = Field(
        default=None,
        description="Anterior direction in the file; found when left out. With both up and front "
        "given, the cast frame is exactly these axes.",
    )
    arch: Arch | None = Field(
        default=None,
        description="lower or upper; decides on which side the patient's right lies.",
    )
    stray_share: float = _field(p.STRAY_SHARE)
    hole_length_mm: Length = _field(p.HOLE_LENGTH)
    border_trim_mm: Length = _field(p.BORDER_TRIM)
    land_mm: Length = _field(p.LAND)
    base_thickness_mm: Length = _field(p.BASE_THICKNESS)


class PathSettings(Settings):
    """The path of insertion: two tilts from the occlusal plane held level, or a direction."""

    anterior_tilt_deg: float = Field(
        default=0.0, description="Positive lowers the front of the cast.", ge=-90.0, le=90.0
    )
    lateral_tilt_deg: float = Field(
        default=0.0, description="Positive lowers the patient's right side.", ge=-90.0, le=90.0
    )
    direction: Point | None = Field(
        default=None,
        description="Direction of removal in the file's coordinates, instead of the tilts.",
    )
    warn_tilt_deg: float = _field(p.TILT_WARNING)
    max_tilt_deg: float = _field(p.TILT_LIMIT)


class SurveySettings(Settings):
    """What the survey reads off."""

    gauges_mm: tuple[Length, ...] = Field(
        default=p.GAUGES_MM, description="Undercut gauges whose iso-lines are drawn."
    )
    noise_depth_mm: Annotated[float, BeforeValidator(_length)] | None = _field(p.NOISE_DEPTH)


class ParallelSettings(Settings):
    """Parallel blockout: where it goes and how its wall stands."""

    taper_deg: float = _field(p.TAPER)
    floor_mm: float | None = _field(p.FLOOR)
    keep_in: tuple[tuple[Point, ...], ...] = Field(
        default=(),
        description="Outlines, points on the cast in file coordinates; wax only inside them.",
    )
    keep_out: tuple[tuple[Point, ...], ...] = Field(
        default=(), description="Outlines inside which there is no wax."
    )
