"""How the path is recorded on the cast, and how sure the way back to it is."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from blockout.case.recording_parameters import (
    CLEARANCE,
    KEEP_AWAY,
    LEAST_SPAN,
    LINE_DEPTH,
    LINE_LENGTH,
    LINE_WIDTH,
    MARK_DEPTH,
    MARK_DIAMETER,
    READING_ERROR,
    REPOSITIONING_ERROR,
    SAMPLES,
    SCAN_NOISE,
    SEED,
)
from blockout.case.settings import Length, Settings, field_of
from blockout.case.values import Number, Outline, Whole, YesOrNo

MarkShape = Literal["cross", "dimple"]


class RecordingSettings(Settings):
    """Tripod marks, and lines scored on the base."""

    reading_error_mm: Length = field_of(READING_ERROR)
    keep_away_mm: Length = field_of(KEEP_AWAY)
    least_span_mm: Length = field_of(LEAST_SPAN)
    keep_off: tuple[Outline, ...] = Field(
        default=(),
        description="Outlines, points on the cast in file coordinates, inside which there is no "
        "mark: where metal will lie.",
    )
    engrave: YesOrNo = Field(default=False, description="Whether the marks are cut into the model.")
    mark_shape: MarkShape = Field(
        default="cross", description="cross: two crossing grooves; dimple: a round hollow."
    )
    mark_diameter_mm: Length = field_of(MARK_DIAMETER)
    mark_depth_mm: Length = field_of(MARK_DEPTH)
    score: YesOrNo = Field(
        default=False,
        description="Whether lines parallel to the path are cut into the sides of the base.",
    )
    line_width_mm: Length = field_of(LINE_WIDTH)
    line_depth_mm: Length = field_of(LINE_DEPTH)
    line_length_mm: Length = field_of(LINE_LENGTH)


class SurenessSettings(Settings):
    """How far what depends on the path moves when the cast is not put back exactly."""

    repositioning_error_deg: Number = field_of(REPOSITIONING_ERROR)
    scan_noise_mm: Length | None = field_of(SCAN_NOISE)
    samples: Whole = field_of(SAMPLES)
    seed: Whole = field_of(SEED)
    clearance_deg: Number = field_of(CLEARANCE)
