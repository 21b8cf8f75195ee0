"""An arm along points of the user's: round a tooth, or up to it from the gingiva."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from blockout.arms.alloys import ALLOYS
from blockout.arms.arm import Arm
from blockout.arms.band import (
    SPACING_MM,
    banded,
    finished_arm,
    surface_near,
    tapered_width_mm,
    tip_share,
)
from blockout.arms.wall import LocalDepth, Wall
from blockout.case.arm_settings import ArmSettings
from blockout.drawn.curve import surface_curve
from blockout.surveying.reading import Reading

_OFF_ASKED_MM = 0.02


def arm_by_hand(survey: Reading, wall: Wall, settings: ArmSettings) -> Arm:
    """An arm whose middle line runs through the settings' points, laid onto the cast.

    What comes of it is measured and said; it is not moved.

    Parameters
    ----------
    survey : Reading
    wall : Wall
        Of the tooth that the settings name.
    settings : ArmSettings
        With ``points`` from the origin to the tip.

    Raises
    ------
    InputError
        A point is too far from the surface, or there are too few.
    """
    curve = surface_curve(
        survey.cast.mesh,
        np.array(settings.points, dtype=np.float64),
        spacing_mm=SPACING_MM,
        name=f"arm {settings.title!r}",
    )
    centre = curve.points_mm
    surface = surface_near(survey, centre)
    width = tapered_width_mm(centre, origin_mm=settings.width_mm, tip_share=tip_share(settings))
    band = banded(surface, centre, width, survey.path.direction)
    asked_mm = 0.0
    if settings.role == "retentive":
        asked_mm = (
            ALLOYS[settings.alloy].usual_undercut.value
            if settings.undercut_mm is None
            else settings.undercut_mm
        )
    arm = finished_arm(
        survey,
        band,
        settings,
        wall=wall,
        depth=LocalDepth(survey, centre),
        undercut_mm=asked_mm,
        by_hand=True,
    )
    return replace(arm, notes=(*arm.notes, *_hand_notes(arm)))


def _hand_notes(arm: Arm) -> tuple[str, ...]:
    """Where an arm by hand is not what its role asks for."""
    notes = []
    if arm.role == "retentive" and abs(arm.terminal_depth_mm - arm.undercut_mm) > _OFF_ASKED_MM:
        notes.append(
            f"the terminal lies {arm.terminal_depth_mm:.3f} mm deep, {arm.undercut_mm:g} mm was "
            "asked for"
        )
    deepest = int(arm.depth_mm.argmax())
    if arm.role == "reciprocal" and arm.depth_mm[deepest] > _OFF_ASKED_MM:
        x, y, z = arm.lower[deepest]
        notes.append(
            f"the lower border lies {arm.depth_mm[deepest]:.3f} mm deep in an undercut near "
            f"({x:.2f}, {y:.2f}, {z:.2f}); a reciprocal arm is rigid"
        )
    return tuple(notes)
