"""Walls moved outward or inward, measured square to z, to make up for a printer's own spread.

Definition: outward by c, a level section of the result is the section of the model with every place
within c of it in the level plane (its dilation by a disc); inward, the places with a disc of c
about them all inside (its erosion). Level surfaces stay where they are; a slope whose normal leans
by a to the horizontal is moved by c cos a along its normal, c in its level section.

The disc is stood for by places evenly spaced on its circle and its middle: the result is the union,
or what is common, of the model moved to each of them, by the solid kernel. So it is closed
whatever the model is like, where moving corners along normals would fold it over itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.errors import CheckError, InputError
from blockout.kernel.rays import RayScene
from blockout.kernel.solids import Solid
from blockout.mesh import Floats, Mesh

AROUND: Final = 12
"""Places on the circle; between two of them a wall moves by c cos(15 deg), 3.4 % less than c."""
SIMPLIFIED_MM: Final = 0.002
"""How far a surface may move to save triangles: two microns in a wall are nothing to a printer."""
_UPRIGHT: Final = 0.9
"""All that leans by less than 64 degrees from upright is measured."""
_MEASURED: Final = 20_000
_SLACK_SHARE: Final = 0.05


@dataclass(frozen=True, eq=False)
class Moved:
    """A model with its walls moved.

    Parameters
    ----------
    mesh : Mesh
    asked_mm : float
        Positive outward.
    least_share, most_share : float
        By how much a straight wall moves for its azimuth, as shares of what was asked:
        cos(15 deg) and 1.
    measured_mm : float
        Median over walls, square to z, of how far the new surface lies from the old.
    """

    mesh: Mesh
    asked_mm: float
    least_share: float
    most_share: float
    measured_mm: float


def walls_moved(model: Mesh, by_mm: float) -> Moved:
    """Move the walls of a closed solid by ``by_mm`` square to z: outward for a positive number.

    Raises
    ------
    InputError
        Nothing is left of the model.
    CheckError
        The walls, measured, have not moved by what was asked.
    KernelError
    """
    body = Solid.from_mesh(model)
    azimuth = 2.0 * np.pi * np.arange(AROUND) / AROUND
    places = abs(by_mm) * np.column_stack([np.cos(azimuth), np.sin(azimuth), np.zeros(AROUND)])
    moved = [body.turned(_shift(place)) for place in places]
    if by_mm >= 0.0:
        result = Solid.union([body, *moved])
    else:
        result = body
        for one in moved:
            result = result ^ one
    if result.is_empty:
        raise InputError(
            "nothing is left of the model",
            measured=f"walls moved inward by {-by_mm:g} mm",
            fix="Write a smaller --xy.",
        )
    mesh = result.simplified(SIMPLIFIED_MM).mesh()
    share = float(np.cos(np.pi / AROUND))
    measured_mm = wall_shift_mm(model, mesh, by_mm)
    slack_mm = _SLACK_SHARE * abs(by_mm) + 2.0 * SIMPLIFIED_MM
    if not abs(by_mm) * share - slack_mm <= np.sign(by_mm) * measured_mm <= abs(by_mm) + slack_mm:
        raise CheckError(
            "the walls did not move by what was asked",
            measured=f"{measured_mm:.4f} mm, asked {by_mm:g}",
            fix="This is a fault of blockout; leave --xy out meanwhile.",
        )
    return Moved(mesh, by_mm, share, 1.0, measured_mm)


def wall_shift_mm(before: Mesh, after: Mesh, about_mm: float) -> float:
    """Median way, square to z, from the walls of one mesh to another near ``about_mm``
    outward, mm: positive outward.
    """
    upright = np.flatnonzero(np.abs(before.face_normals[:, 2]) < _UPRIGHT)
    step = max(1, len(upright) // _MEASURED)
    chosen = upright[::step]
    level = before.face_normals[chosen] * [1.0, 1.0, 0.0]
    level /= np.linalg.norm(level, axis=1, keepdims=True)
    # from well inside of where the new wall is due, outward
    start_mm = 4.0 * abs(about_mm)
    origin = before.face_centres[chosen] - (start_mm - about_mm) * level
    way = RayScene(after).first_hit(origin, level).distance_mm - start_mm + about_mm
    met = np.abs(way - about_mm) < start_mm
    weight = before.face_areas_mm2[chosen][met]
    if not len(weight):
        return 0.0
    order = np.argsort(way[met])
    half = np.searchsorted(np.cumsum(weight[order]), weight.sum() / 2.0)
    return float(way[met][order][half])


def _shift(by: Floats) -> Floats:
    matrix = np.eye(4)
    matrix[:3, 3] = by
    return matrix
