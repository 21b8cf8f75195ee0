"""Retentive terminals: the one part of a framework that may lie below the survey line.

An arm's window is the space above its ledge. Of it, the last third of the arm is the terminal's:
metal there bends over the height of contour and may fill the undercut, down to the depth that was
asked for. The rest of the arm is rigid.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.arms.arm import Arm, length_mm
from blockout.case.arm_settings import LedgeSettings
from blockout.kernel.solids import Solid
from blockout.mesh import Floats
from blockout.surveying.survey import Survey
from blockout.trying.blocked import BlockedOut, places_on
from blockout.trying.overlap import Under
from blockout.wax.ledge import ledge_bulk

TERMINAL_FROM: Final = 2.0 / 3.0
"""Share of an arm from its origin at which its terminal begins: its last third (published; some
texts: its last quarter)."""
ENGAGES_MM: Final = 0.01
"""A shallower hold is none: a tenth of the shallowest that is usual."""
_SPACING_MM: Final = 0.05
_PLACES_LIMIT: Final = 20_000


@dataclass(frozen=True, eq=False)
class Window:
    """Where the terminal of one arm may lie; a solid in path coordinates."""

    arm: Arm
    solid: Solid


@dataclass(frozen=True, eq=False)
class Engagement:
    """What a framework has in the window of one arm's terminal.

    Parameters
    ----------
    name : str
        Of the arm.
    tooth : int
    asked_mm : float
        Undercut asked for.
    engages : bool
    depth_mm : float
        Greatest undercut depth of the metal there, as a gauge reads it.
    at_mm : (3,) float or None
        Where; file coordinates.
    volume_mm3 : float
        Of the metal below the survey line there.
    """

    name: str
    tooth: int
    asked_mm: float
    engages: bool
    depth_mm: float
    at_mm: Floats | None
    volume_mm3: float


def terminal_windows(
    survey: Survey, arms: Sequence[Arm], settings: LedgeSettings | None = None
) -> tuple[Window, ...]:
    """The window of each retentive arm, cut to its terminal.

    Raises
    ------
    InputError, CheckError
        As :func:`blockout.wax.ledge.ledge_bulk`.
    """
    to_path = np.eye(4)
    to_path[:3, :3] = survey.path.to_path
    windows = []
    for arm in arms:
        if arm.role != "retentive":
            continue
        solid = ledge_bulk(survey, arm, settings).window
        if arm.form != "bar":  # a bar's window is its last third already
            normal, offset_mm = _terminal_plane(arm, survey.path.direction)
            solid = solid.above_plane(normal, offset_mm)
        windows.append(Window(arm, solid.turned(to_path)))
    return tuple(windows)


def _terminal_plane(arm: Arm, direction: Floats) -> tuple[Floats, float]:
    """The plane along the path through the middle of the tooth and the point of the arm at which
    its terminal begins; its normal looks toward the tip.
    """
    steps = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(arm.centre, axis=0), axis=1))]
    share = steps / length_mm(arm.centre)
    start = np.array([np.interp(TERMINAL_FROM, share, column) for column in arm.centre.T])
    normal = np.cross(direction, start - arm.about_mm)
    normal /= np.linalg.norm(normal)
    if float(normal @ (arm.centre[-1] - start)) < 0.0:
        normal = -normal
    return normal, float(normal @ start)


def engagements(
    framework: Solid, under: Under, windows: Sequence[Window], gauge: BlockedOut
) -> tuple[Engagement, ...]:
    """Where the framework engages the undercut in each window, and how deep.

    Parameters
    ----------
    framework : Solid
        Path coordinates.
    gauge : BlockedOut
        Of the same cast and path.
    """
    found = []
    for window in windows:
        arm = window.arm
        held = ((framework ^ window.solid) ^ under.space) - under.cast
        depth_mm, at_mm, volume_mm3 = 0.0, None, 0.0
        if not held.is_empty:
            mesh = held.mesh()
            volume_mm3 = mesh.volume_mm3
            places = places_on(mesh, _SPACING_MM)
            places = places[:: max(1, len(places) // _PLACES_LIMIT)]
            depths = gauge.depth_mm(places)
            deepest = int(depths.argmax())
            depth_mm, at_mm = float(depths[deepest]), gauge.to_file(places[deepest])
        engages = depth_mm >= ENGAGES_MM
        found.append(
            Engagement(
                name=arm.name,
                tooth=arm.tooth,
                asked_mm=arm.undercut_mm,
                engages=engages,
                depth_mm=depth_mm,
                at_mm=at_mm if engages else None,
                volume_mm3=volume_mm3,
            )
        )
    return tuple(found)
