"""How a framework is tried in: what counts as touching, and how far around it is tilted."""

from __future__ import annotations

from pydantic import Field

from blockout.case.settings import Length, Point, Settings, field_of
from blockout.case.trying_parameters import (
    ALLOWANCE,
    GAP_WITHIN,
    REST_RADIUS,
    TILT_WITHIN,
    TURN,
)
from blockout.case.values import Number


class RestSettings(Settings):
    """One rest whose gap is read."""

    name: str | None = Field(
        default=None, min_length=1, max_length=60, description="What the rest is called."
    )
    point_mm: Point = Field(
        description="Middle of the rest's seat on the cast, in the file's coordinates."
    )


class TryInSettings(Settings):
    """What counts as touching when a framework is tried in, and what else is read."""

    allowance_mm: Length = field_of(ALLOWANCE)
    tilt_within_deg: Number = field_of(TILT_WITHIN)
    turn_deg: Number = field_of(TURN)
    gap_within_mm: Length = field_of(GAP_WITHIN)
    rest_radius_mm: Length = field_of(REST_RADIUS)
    rest: tuple[RestSettings, ...] = Field(
        default=(),
        description="Rests, one table each; left out, gaps are read on every occlusal surface.",
    )
