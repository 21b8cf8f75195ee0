"""What an arm and its ledge are asked to be."""

from __future__ import annotations

from typing import Final, Literal, Self

from pydantic import Field, model_validator

from blockout.case.parameters import Parameter
from blockout.case.settings import (
    Length,
    Point,
    Settings,
    field_of,
)
from blockout.case.values import Number, Whole, refused

Aspect = Literal["buccal", "labial", "lingual", "palatal"]
End = Literal["mesial", "distal"]
Role = Literal["retentive", "reciprocal"]
Form = Literal["circumferential", "bar"]
SectionShape = Literal["half-round", "round"]
AlloyName = Literal["cobalt-chromium", "gold type IV", "titanium", "steel wire"]

ARM_UNDERCUT = Parameter(
    "undercut_mm",
    "mm",
    "Undercut in which a retentive arm's terminal lies; the alloy's usual one when left out.",
    None, 0.05, 2.0,
    "published", "by alloy: 0.25 mm for cast cobalt-chromium, 0.50 mm for the others",
)  # fmt: skip
ARM_WIDTH = Parameter(
    "width_mm",
    "mm",
    "Width of the arm at its origin, border to border along the tooth.",
    1.5, 0.5, 4.0,
    "common practice", "no source",
)  # fmt: skip
ARM_TIP_SHARE = Parameter(
    "tip_share",
    "share of the origin's width",
    "Width of the tip; half of the origin for a retentive arm and all of it for a reciprocal one "
    "when left out.",
    None, 0.2, 1.0,
    "published", "uniform taper, the tip half of the origin in width and thickness",
)  # fmt: skip
ARM_ABOVE_MARGIN = Parameter(
    "above_margin_mm",
    "mm",
    "Least distance of the arm's lower border from the gingival margin.",
    1.0, 0.0, 5.0,
    "common practice", "no source",
)  # fmt: skip
ARM_ORIGIN_RISE = Parameter(
    "origin_rise_mm",
    "mm",
    "How far above the survey line a retentive arm's lower border starts.",
    0.3, 0.0, 3.0,
    "ours", "the rigid part lies clear of the undercut by more than a scan's noise",
)  # fmt: skip
ARM_FRICTION = Parameter(
    "friction",
    "1",
    "Coefficient of friction between arm and tooth, for the withdrawal force.",
    0.2, 0.0, 0.8,
    "common practice", "no source",
)  # fmt: skip
LEDGE_SHELF = Parameter(
    "shelf_mm",
    "mm",
    "Width of the ledge beyond the wall of the undercut.",
    0.8, 0.2, 2.0,
    "common practice", "0.5 to 1.2 mm, no source",
)  # fmt: skip
LEDGE_FALL = Parameter(
    "fall_deg",
    "deg",
    "How much the ledge's top falls outward; 0 is square to the path.",
    0.0, 0.0, 10.0,
    "common practice", "square, or falling outward up to 10 degrees; no source",
)  # fmt: skip
LEDGE_RUN_OUT = Parameter(
    "run_out_mm",
    "mm",
    "Length over which the ledge runs out to nothing: past the arm's tip, and within its origin.",
    1.0, 0.0, 4.0,
    "ours", "about the width of an arm",
)  # fmt: skip

ALL: Final[tuple[Parameter, ...]] = (
    ARM_UNDERCUT, ARM_WIDTH, ARM_TIP_SHARE, ARM_ABOVE_MARGIN, ARM_ORIGIN_RISE, ARM_FRICTION,
    LEDGE_SHELF, LEDGE_FALL, LEDGE_RUN_OUT,
)  # fmt: skip


class ArmSettings(Settings):
    """One arm: laid on its tooth by the tool, or along points of the user's."""

    name: str | None = Field(
        default=None,
        min_length=1,
        max_length=60,
        description="What the arm is called in messages and files; tooth, aspect and role when "
        "left out.",
    )
    tooth: Whole = Field(ge=11, le=48, description="Tooth that the arm clasps, ISO 3950.")
    aspect: Aspect = Field(description="Side of the tooth along which the arm runs.")
    origin: End = Field(description="End of that side from which the arm starts.")
    role: Role = Field(
        description="retentive: its terminal lies in an undercut; reciprocal: it stays out of "
        "every undercut."
    )
    form: Form = Field(
        default="circumferential",
        description="circumferential: from the occlusal side, round the tooth; bar: an approach "
        "arm from the gingiva, which needs points.",
    )
    alloy: AlloyName = Field(default="cobalt-chromium", description="What it is cast or bent of.")
    section: SectionShape = Field(
        default="half-round",
        description="half-round with its flat side to the tooth, or round wire.",
    )
    undercut_mm: Length | None = field_of(ARM_UNDERCUT)
    width_mm: Length = field_of(ARM_WIDTH)
    tip_share: Number | None = field_of(ARM_TIP_SHARE)
    above_margin_mm: Length = field_of(ARM_ABOVE_MARGIN)
    origin_rise_mm: Length = field_of(ARM_ORIGIN_RISE)
    friction: Number = field_of(ARM_FRICTION)
    points: tuple[Point, ...] = Field(
        default=(),
        description="The arm by hand: points on the cast from its origin to its tip, file "
        "coordinates; its middle line runs through them.",
    )

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.role == "reciprocal" and self.undercut_mm is not None:
            raise refused(
                "a reciprocal arm has no undercut; it follows the height of contour",
                key="undercut_mm",
            )
        if len(self.points) == 1:
            raise refused("an arm by hand needs two points at least, this one has 1", key="points")
        if self.form == "bar" and not self.points:
            raise refused("a bar clasp's approach arm is given by its points", key="points")
        if self.form == "bar" and self.role == "reciprocal":
            raise refused("a bar clasp's approach arm is retentive", key="role")
        return self

    @property
    def title(self) -> str:
        """Its name, or one made of what it is."""
        return self.name or f"{self.tooth} {self.aspect} {self.role}"


class LedgeSettings(Settings):
    """Shaped blockout under the lower border of an arm."""

    shelf_mm: Length = field_of(LEDGE_SHELF)
    fall_deg: Number = field_of(LEDGE_FALL)
    run_out_mm: Length = field_of(LEDGE_RUN_OUT)
