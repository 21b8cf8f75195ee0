"""Three marks as a triangle seen along the path: how far an error of reading tilts its plane.

A plane through three marks, one of which is lifted by ``dz`` along the path, turns about the line
through the other two by ``atan(dz / h)``, h the distance of the mark from that line square to the
path: the height of the triangle over that side (closed form). With all three wrong at once the
slopes add up as vectors ``dz_i / h_i``, square to the opposite sides; since the three vectors
``1 / h_i`` sum to nothing, the worst of all errors up to ``dz`` is that of one mark read wrong by
``2 dz`` over the least height.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from blockout.cast.change import place_of
from blockout.errors import InputError
from blockout.mesh import Floats

LEAST_HEIGHT_MM = 2.0
"""A flatter triangle says nothing of the tilt across it."""


@dataclass(frozen=True)
class TiltError:
    """How far the path may be off when marks are read wrong.

    Parameters
    ----------
    reading_error_mm : float
        No mark's height is wrong by more than this.
    one_mark_deg : float
        One mark wrong by all of it, the others right: ``atan(dz / least height)``.
    all_marks_deg : float
        The worst of all errors within it: ``atan(2 dz / least height)``.
    usual_deg : float
        Root mean square where each error lies anywhere within it, independently and evenly.
    """

    reading_error_mm: float
    one_mark_deg: float
    all_marks_deg: float
    usual_deg: float


def heights_of(points_mm: Floats, direction: Floats) -> Floats:
    """(3,) height of the triangle over the side opposite to each point (3, 3), as seen along a
    unit direction, mm; zero where the points lie in a line.

    >>> marks = np.array([[0.0, 0, 0], [40.0, 0, 0], [20.0, 30.0, 5.0]])
    >>> heights_of(marks, np.array([0.0, 0.0, 1.0])).round(3).tolist()
    [33.282, 33.282, 30.0]
    """
    sides = np.roll(points_mm, -2, axis=0) - np.roll(points_mm, -1, axis=0)
    flat = sides - np.outer(sides @ direction, direction)
    length = np.linalg.norm(flat, axis=1)
    twofold = abs(float(np.cross(flat[0], flat[1]) @ direction))
    heights: Floats = twofold / np.maximum(length, 1e-300)
    return heights


def slopes_of(points_mm: Floats, direction: Floats) -> Floats:
    """(3, 3) how the plane of three marks slopes, square to the path, for each mm that each mark
    is lifted along it; the rows sum to nothing.
    """
    sides = np.roll(points_mm, -2, axis=0) - np.roll(points_mm, -1, axis=0)
    twofold = float(np.cross(sides[0], sides[1]) @ direction)
    slopes: Floats = np.cross(direction, sides) / twofold
    return slopes


def tilt_error(points_mm: Floats, direction: Floats, *, reading_error_mm: float) -> TiltError:
    """What an error of reading does to the path recorded by three marks.

    Parameters
    ----------
    points_mm : (3, 3)
    direction : (3,) unit
        The path.
    reading_error_mm : float

    Raises
    ------
    InputError
        The marks lie nearly in a line.

    >>> a, h = 40.0, 40.0
    >>> marks = np.array([[-a, 0.0, 0], [a, 0.0, 0], [0.0, h, 0]])
    >>> error = tilt_error(marks, np.array([0.0, 0, 1]), reading_error_mm=0.25)
    >>> round(error.one_mark_deg, 3)
    0.358
    """
    least_mm = checked_height_mm(points_mm, direction)
    slopes = slopes_of(points_mm, direction)
    usual = reading_error_mm / math.sqrt(3.0) * float(np.linalg.norm(slopes))
    return TiltError(
        reading_error_mm=reading_error_mm,
        one_mark_deg=math.degrees(math.atan(reading_error_mm / least_mm)),
        all_marks_deg=math.degrees(math.atan(2.0 * reading_error_mm / least_mm)),
        usual_deg=math.degrees(math.atan(usual)),
    )


def three_points(points_mm: ArrayLike) -> Floats:
    """(3, 3) points, checked to be three and finite.

    Raises
    ------
    InputError
    """
    points = np.array(points_mm, dtype=np.float64)
    if points.shape != (3, 3) or not np.isfinite(points).all():
        raise InputError(
            "tripod marks are three points of three finite numbers",
            measured=f"{len(points)} points given, due 3",
            fix="Give each mark as x,y,z in the cast's file coordinates, mm.",
        )
    return points


def checked_height_mm(points_mm: Floats, direction: Floats) -> float:
    """The least height of the triangle of three points, seen along a direction.

    Raises
    ------
    InputError
        It is so flat that it says nothing of the tilt.
    """
    least_mm = float(heights_of(points_mm, direction).min())
    if not least_mm >= LEAST_HEIGHT_MM:
        raise InputError(
            "the three marks lie nearly in a line",
            measured=f"the triangle is {least_mm:.2f} mm high at the least, "
            f"{LEAST_HEIGHT_MM:g} mm needed",
            places_mm=[place_of(point) for point in points_mm],
            fix="Use marks that are widely apart in both directions.",
        )
    return least_mm
