"""How a built model is made ready to print."""

from __future__ import annotations

from functools import partial
from typing import Annotated, Final, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from blockout.case.parameters import Parameter
from blockout.case.printing_parameters import (
    BUILD_SIDE,
    HOLLOW_WALL,
    LABEL_DEPTH,
    LABEL_HEIGHT,
    LEAST_WALL,
    RESIN_DENSITY,
    SCALE,
    TURN_Z,
    VENT,
    VENTS,
    XY,
)
from blockout.case.settings import Length, Settings, field_of
from blockout.case.values import Number, Whole, YesOrNo, refused
from blockout.units import LengthUnit

LabelStyle = Literal["engraved", "raised"]

LEAST_HOLLOW_WALL_MM: Final = 1.0
"""Common practice, no source: a thinner wall of a model breaks."""
LEFT_UNDER_LABEL_MM: Final = 1.0
"""The same: what is left between a label and the hollow above it."""


def _within(value: float, parameter: Parameter) -> float:
    if not parameter.low <= value <= parameter.high:
        raise refused(
            f"{value:g} is outside {parameter.low:g} to {parameter.high:g} {parameter.unit}"
        )
    return value


Factor = Annotated[
    Number,
    Field(json_schema_extra={"minimum": SCALE.low, "maximum": SCALE.high}),
    AfterValidator(partial(_within, parameter=SCALE)),
]
Side = Annotated[
    Number,
    Field(json_schema_extra={"minimum": BUILD_SIDE.low, "maximum": BUILD_SIDE.high}),
    AfterValidator(partial(_within, parameter=BUILD_SIDE)),
]


class PrintSettings(Settings):
    """Everything the print technician may choose; the defaults change nothing but where the model
    stands: on its base, at z = 0.
    """

    unit: LengthUnit = Field(
        default="mm", description="Unit of the numbers in STL and PLY; 3MF and GLB have their own."
    )
    scale: tuple[Factor, Factor, Factor] = Field(
        default=(1.0, 1.0, 1.0), description=f"{SCALE.help} Along x, y and z."
    )
    turn_deg: Number = field_of(TURN_Z)
    xy_mm: Length = field_of(XY)
    build_volume_mm: tuple[Side, Side, Side] | None = Field(
        default=None, description="Width, depth and height that the printer builds in, mm."
    )
    least_wall_mm: Length = field_of(LEAST_WALL)
    wall_mm: Length = field_of(HOLLOW_WALL)
    vent_mm: Length = field_of(VENT)
    vents: Whole = field_of(VENTS)
    label: str = Field(
        default="",
        max_length=200,
        pattern=r"^[^\x00-\x1f\x7f]*$",
        description="Text in the underside, lines parted by |; auto writes the case's name, both "
        "tilts and the date; none when empty.",
    )
    label_date: str = Field(
        default="",
        max_length=30,
        pattern=r"^[^\x00-\x1f\x7f]*$",
        description="The date, as it is to stand in the last line of the label.",
    )
    label_style: LabelStyle = Field(
        default="engraved",
        description="engraved: cut in; raised: standing in a sunk field, level with the underside.",
    )
    label_height_mm: Length = field_of(LABEL_HEIGHT)
    label_depth_mm: Length = field_of(LABEL_DEPTH)
    resin_density_g_per_cm3: Number = field_of(RESIN_DENSITY)
    wax_apart: YesOrNo = Field(
        default=False, description="Whether each part of wax is written to a file of its own, too."
    )

    @model_validator(mode="after")
    def _date_has_a_label(self) -> Self:
        if self.label_date and not self.label:
            raise refused("label_date is given, but no label", key="label_date")
        return self

    @model_validator(mode="after")
    def _walls_hold(self) -> Self:
        if 0.0 < self.wall_mm < LEAST_HOLLOW_WALL_MM:
            raise refused(
                f"wall_mm is {self.wall_mm:g}, under {LEAST_HOLLOW_WALL_MM:g}: so thin a shell "
                "breaks; 0 leaves the model solid",
                key="wall_mm",
            )
        least_mm = self.label_depth_mm + LEFT_UNDER_LABEL_MM
        if self.label and 0.0 < self.wall_mm < least_mm:
            raise refused(
                f"a label {self.label_depth_mm:g} mm deep leaves less than "
                f"{LEFT_UNDER_LABEL_MM:g} mm of a wall of {self.wall_mm:g} mm",
                key="label_depth_mm",
            )
        return self
