"""How the path of insertion is chosen: how far it is looked for, and what counts how much."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from blockout.case import choosing_parameters as c
from blockout.case.settings import Length, Settings, field_of
from blockout.case.tooth_settings import ToothNumber
from blockout.case.values import Number, YesOrNo, refused

Proximal = Literal["mesial", "distal"]


class GuidingSurface(Settings):
    """A proximal surface that is to guide the framework."""

    tooth: ToothNumber = Field(description="ISO 3950 number.")
    aspect: Proximal = Field(description="Side of the tooth: mesial or distal.")


class ChoosingSettings(Settings):
    """How the path of insertion is looked for and judged."""

    within_deg: Number = field_of(c.WITHIN)
    retention_weight: Number = field_of(c.RETENTION_WEIGHT)
    interferences_weight: Number = field_of(c.INTERFERENCES_WEIGHT)
    guiding_planes_weight: Number = field_of(c.GUIDING_WEIGHT)
    appearance_weight: Number = field_of(c.APPEARANCE_WEIGHT)
    guiding_plane: tuple[GuidingSurface, ...] = Field(
        default=(),
        description="Surfaces that are to guide; the sides of standing teeth that face a missing "
        "tooth when left out.",
    )
    front_teeth: tuple[ToothNumber, ...] = Field(
        default=(),
        description="Teeth whose looks count; the incisors and canines that stand when left out.",
    )
    abutment_undercut_mm: Length = field_of(c.ABUTMENT_UNDERCUT)
    least_at_level_mm: Length = field_of(c.LEAST_AT_LEVEL)
    count_tilt_made: YesOrNo = Field(
        default=False,
        description="Count undercut that is there only because of the tilt as retention.",
    )
    tooth_weight: Number = field_of(c.TOOTH_WEIGHT)
    tissue_weight: Number = field_of(c.TISSUE_WEIGHT)
    connector_weight: Number = field_of(c.CONNECTOR_WEIGHT)
    bead_reach_mm: Length = field_of(c.BEAD_REACH)
    parallel_within_deg: Number = field_of(c.PARALLEL_WITHIN)
    guiding_height_mm: Length = field_of(c.GUIDING_HEIGHT)
    guiding_angle_limit_deg: Number = field_of(c.GUIDING_ANGLE_LIMIT)
    front_gap_limit_mm2: Number = field_of(c.FRONT_GAP_LIMIT)
    as_good_share: Number = field_of(c.AS_GOOD_SHARE)
    level_good_share: Number = field_of(c.LEVEL_SHARE)
    apart_deg: Number = field_of(c.APART)

    @model_validator(mode="after")
    def _something_counts(self) -> Self:
        if not any(self.weights.values()):
            raise refused(
                "all four weights are 0, so no path is better than another", key="retention_weight"
            )
        said = [(each.tooth, each.aspect) for each in self.guiding_plane]
        twice = sorted({one for one in said if said.count(one) > 1})
        if twice:
            raise refused(
                f"the {twice[0][1]} side of tooth {twice[0][0]} is named twice", key="guiding_plane"
            )
        return self

    @property
    def weights(self) -> dict[str, float]:
        """Weight of each factor, by its name."""
        return {
            "retention": self.retention_weight,
            "interferences": self.interferences_weight,
            "guiding planes": self.guiding_planes_weight,
            "appearance": self.appearance_weight,
        }


__all__ = ["ChoosingSettings", "GuidingSurface"]
