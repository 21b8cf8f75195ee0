"""Which teeth stand on the cast, where, and how their crowns are told from the gum."""

from __future__ import annotations

from typing import Annotated, Final, Self

from pydantic import Field, model_validator

from blockout.case.parameters import Parameter
from blockout.case.settings import Length, Point, Settings, field_of
from blockout.case.values import Outline, Whole, YesOrNo, refused

# --- parameters ----------------------------------------------------------------------------------
CROWN_REACH = Parameter(
    "crown_reach_mm",
    "mm",
    "No part of a crown lies further than this from the point given on it.",
    15.0, 6.0, 25.0,
    "ours", "a molar's margin lies up to 12 mm from the middle of its occlusal surface",
)  # fmt: skip
CREASE_RADIUS = Parameter(
    "crease_radius_mm",
    "mm",
    "A hollow as tight as this is halfway to a sure margin; a tighter one is surer.",
    8.0, 1.0, 50.0,
    "ours", "margins of real crowns are hollows of 0.5 to 3 mm; flanks are flatter than 20 mm",
)  # fmt: skip
CREASE_BLUR = Parameter(
    "crease_blur_mm",
    "mm",
    "Curvature is averaged over about this far, so that noise makes no margin.",
    0.35, 0.05, 1.5,
    "ours", "about two edges of a scan",
)  # fmt: skip
MARGIN_BLUR = Parameter(
    "margin_blur_mm",
    "mm",
    "The margin line is smoothed over about this far.",
    0.35, 0.0, 1.5,
    "ours", "about two edges of a scan",
)  # fmt: skip
DOUBT_RADIUS = Parameter(
    "doubt_radius_mm",
    "mm",
    "Where the hollow along the margin is wider than this, the margin is said to be doubtful.",
    2.5, 0.5, 50.0,
    "ours", "a usual margin is a hollow of 0.5 to 1 mm; the swell of a crown's own side is wider",
)  # fmt: skip

TOOTH_PARAMETERS: Final[tuple[Parameter, ...]] = (
    CROWN_REACH, CREASE_RADIUS, CREASE_BLUR, MARGIN_BLUR, DOUBT_RADIUS,
)  # fmt: skip

_ISO_NUMBERS: Final = tuple(
    10 * quadrant + place for quadrant in (1, 2, 3, 4) for place in range(1, 9)
)


# --- settings ------------------------------------------------------------------------------------
ToothNumber = Annotated[Whole, Field(json_schema_extra={"enum": list(_ISO_NUMBERS)})]
"""An ISO 3950 number of a permanent tooth."""


class CrownSettings(Settings):
    """How a crown is told from gum and neighbours."""

    crown_reach_mm: Length = field_of(CROWN_REACH)
    crease_radius_mm: Length = field_of(CREASE_RADIUS)
    crease_blur_mm: Length = field_of(CREASE_BLUR)
    margin_blur_mm: Length = field_of(MARGIN_BLUR)
    doubt_radius_mm: Length = field_of(DOUBT_RADIUS)


class ToothSettings(Settings):
    """One tooth that stands: its number, and where its crown is."""

    number: ToothNumber = Field(description="ISO 3950 number.")
    point_mm: Point | None = Field(
        default=None,
        description="A point on the crown, about the middle of its occlusal surface or edge; file "
        "coordinates.",
    )
    outline_mm: Outline | None = Field(
        default=None,
        description="Points along the gingival margin, all the way round, file coordinates; they "
        "replace the margin that would be found.",
    )

    @model_validator(mode="after")
    def _is_a_tooth_somewhere(self) -> Self:
        _check_number(self.number)
        if self.point_mm is None and self.outline_mm is None:
            raise refused(
                f"tooth {self.number} has neither point_mm nor outline_mm", key="point_mm"
            )
        return self


class TeethSettings(Settings):
    """The teeth of the case: each by number and point, or counted along the arch from one."""

    tooth: tuple[ToothSettings, ...] = Field(
        default=(), description="Teeth that stand, each with a point on its crown."
    )
    missing: tuple[ToothNumber, ...] = Field(
        default=(), description="ISO 3950 numbers of the missing teeth."
    )
    not_replaced: tuple[ToothNumber, ...] = Field(
        default=(),
        description="Missing second molars that are not to be replaced, left out of the class.",
    )
    count_along_arch: YesOrNo = Field(
        default=False,
        description="Number the other crowns along the arch from the one tooth that is named, "
        "leaving out the missing ones.",
    )
    crown: CrownSettings = Field(default_factory=CrownSettings)

    @model_validator(mode="after")
    def _each_said_once(self) -> Self:
        named = [tooth.number for tooth in self.tooth]
        for number in (*self.missing, *self.not_replaced):
            _check_number(number)
        for key, numbers in (("tooth", named), ("missing", [*self.missing])):
            twice = sorted({number for number in numbers if numbers.count(number) > 1})
            if twice:
                raise refused(f"tooth {twice[0]} is named twice", key=key)
        both = sorted({*named} & {*self.missing})
        if both:
            raise refused(f"tooth {both[0]} is said to stand and to be missing", key="missing")
        wrong = sorted({*self.not_replaced} - {*self.missing})
        if wrong:
            raise refused(
                f"tooth {wrong[0]} is said not to be replaced but is not missing",
                key="not_replaced",
            )
        if self.count_along_arch and (len(named) != 1 or self.tooth[0].point_mm is None):
            raise refused(
                f"counting along the arch starts from one tooth with a point, {len(named)} are "
                "named",
                key="count_along_arch",
            )
        return self

    @property
    def points_mm(self) -> dict[int, tuple[float, float, float]]:
        """The points given, by number."""
        return {t.number: t.point_mm for t in self.tooth if t.point_mm is not None}

    @property
    def outlines_mm(self) -> dict[int, tuple[tuple[float, float, float], ...]]:
        """The outlines given, by number."""
        return {t.number: t.outline_mm for t in self.tooth if t.outline_mm is not None}


def _check_number(number: int) -> None:
    if number not in _ISO_NUMBERS:
        raise refused(f"{number} is not an ISO 3950 number of a permanent tooth, such as 46")


__all__ = [
    "TOOTH_PARAMETERS",
    "CrownSettings",
    "TeethSettings",
    "ToothNumber",
    "ToothSettings",
]
