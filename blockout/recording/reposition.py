"""The way back: from three tripod marks to the path they record.

All three marks were made at one height of the locked spindle, so the plane through them is square
to the path. Where the cast lies on another table, the heights of its marks over that table say
how the table's upright lies in the cast, and so what tilt brings the marks level again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from blockout.case.parameters import TILT_LIMIT
from blockout.case.settings import PathSettings
from blockout.cast.cast import Cast
from blockout.errors import InputError
from blockout.mesh import Floats
from blockout.recording.triangle import TiltError, heights_of, three_points, tilt_error
from blockout.surveying.path import InsertionPath, insertion_path


@dataclass(frozen=True, eq=False)
class Repositioned:
    """A direction told by three marks.

    Parameters
    ----------
    path : InsertionPath
        What the marks say: the recorded path, or the upright of the table on which they were read.
    marks_mm : (3, 3) float
        File coordinates.
    heights_mm : (3,) float
        Of the triangle over each side, as seen along the path.
    error : TiltError
    """

    path: InsertionPath
    marks_mm: Floats
    heights_mm: Floats
    error: TiltError

    def off_deg(self, other: InsertionPath) -> float:
        """Angle between this direction and another path."""
        return angle_deg(self.path.direction, other.direction)


def angle_deg(one: Floats, other: Floats) -> float:
    """Angle between two directions, exact also where it is small."""
    cross = float(np.linalg.norm(np.cross(one, other)))
    return math.degrees(math.atan2(cross, float(np.dot(one, other))))


def path_from_marks(
    cast: Cast,
    marks_mm: ArrayLike,
    *,
    reading_error_mm: float,
    max_tilt_deg: float = TILT_LIMIT.high,
) -> Repositioned:
    """The path that three marks record: square to their plane, away from the base.

    Parameters
    ----------
    cast : Cast
    marks_mm : (3, 3)
        The marks as they were measured, file coordinates.
    reading_error_mm : float
        No mark is wrong by more than this, square to their plane.
    max_tilt_deg : float
        What is tilted further from the occlusal plane's normal is no path.

    Raises
    ------
    InputError
        Not three points, or three nearly in a line.
    PathError
        Their plane is tilted too far.
    """
    marks = three_points(marks_mm)
    normal = np.cross(marks[1] - marks[0], marks[2] - marks[0])
    length = float(np.linalg.norm(normal))
    if length == 0.0:
        raise InputError(
            "the three marks lie in a line",
            fix="Use marks that are widely apart in both directions.",
        )
    normal = normal / length
    return _told(cast, marks, normal, reading_error_mm, max_tilt_deg)


def upright_from_heights(
    cast: Cast,
    marks_mm: ArrayLike,
    heights_mm: ArrayLike,
    *,
    reading_error_mm: float,
    max_tilt_deg: float = TILT_LIMIT.high,
) -> Repositioned:
    """The upright of a table, in the cast, told by the heights at which a gauge meets the marks.

    The upright d solves ``d . (p2 - p1) = h2 - h1`` and ``d . (p3 - p1) = h3 - h1`` with unit
    length; of its two solutions the one on the occlusal side is meant. With all heights equal it
    is the recorded path.

    Parameters
    ----------
    cast : Cast
    marks_mm : (3, 3)
        Where the marks are, file coordinates.
    heights_mm : (3,)
        Over the table, in the same order.
    reading_error_mm : float
        No height is wrong by more than this.

    Raises
    ------
    InputError
        Not three marks and heights, marks nearly in a line, or heights further apart than the
        marks.
    PathError
        The table is tilted too far.
    """
    marks = three_points(marks_mm)
    heights = np.array(heights_mm, dtype=np.float64)
    if heights.shape != (3,) or not np.isfinite(heights).all():
        raise InputError(
            "three heights are due, one for each mark",
            measured=f"{heights.size} given",
            fix="Give the height at which the gauge meets each mark, mm.",
        )
    recorded = path_from_marks(
        cast, marks, reading_error_mm=reading_error_mm, max_tilt_deg=max_tilt_deg
    )
    normal = recorded.path.direction
    sides = marks[1:] - marks[0]
    rise_mm = heights[1:] - heights[0]
    level = np.linalg.lstsq(np.vstack([sides, normal]), np.r_[rise_mm, 0.0], rcond=None)[0]
    share = float(np.linalg.norm(level))
    if share >= 1.0:
        raise InputError(
            "the heights lie further apart than the marks themselves",
            measured=f"heights {rise_mm.min(initial=0.0):.2f} to {rise_mm.max(initial=0.0):.2f} mm "
            "from the first",
            fix="Give the heights in the order of the marks.",
        )
    upright = level + math.sqrt(1.0 - share * share) * normal
    return _told(cast, marks, upright, reading_error_mm, max_tilt_deg)


def _told(
    cast: Cast, marks: Floats, direction: Floats, reading_error_mm: float, max_tilt_deg: float
) -> Repositioned:
    if float(direction @ cast.frame.up) < 0.0:
        direction = -direction
    error = tilt_error(marks, direction, reading_error_mm=reading_error_mm)
    x, y, z = (float(value) for value in direction)
    path = insertion_path(
        cast.frame,
        arch=cast.arch,
        settings=PathSettings(direction=(x, y, z), max_tilt_deg=max_tilt_deg),
    )
    return Repositioned(path, marks, heights_of(marks, path.direction), error)
