"""Simple bodies on a plate, for learning what undercut, survey line and blockout are.

Each is a polygon turned about z, closed, standing on a round plate whose top is z = 0; the path is
+z. Their parallel blockout has a closed form, given with each.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from blockout.mesh import Floats, Mesh

_PLATE_MM: Final = (12.0, 9.0, 7.0)
_PLATE_THICK_MM: Final = 5.0


def turned_body(profile_mm: ArrayLike, *, around: int = 64) -> Mesh:
    """A closed body from a profile (k, 2) of radius and height, first and last on the axis.

    The profile runs so that the solid lies on its left: up the outside. Corners of the body lie
    on the circle, so it is inscribed in the round one.
    """
    profile = np.asarray(profile_mm, dtype=np.float64)
    ring = profile[1:-1]
    angle = 2.0 * np.pi * np.arange(around) / around
    circle = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    wall = np.concatenate(
        [np.c_[circle * radius, np.full(around, height)] for radius, height in ring]
    )
    vertices = np.concatenate([[[0.0, 0.0, profile[0, 1]]], wall, [[0.0, 0.0, profile[-1, 1]]]])
    here = np.arange(around)
    after = (here + 1) % around
    top, last = len(vertices) - 1, 1 + around * (len(ring) - 1)
    faces = [np.stack([np.zeros(around, dtype=np.int64), 1 + after, 1 + here], axis=1)]
    for k in range(len(ring) - 1):
        low, high = 1 + k * around, 1 + (k + 1) * around
        faces.append(np.stack([low + here, low + after, high + after], axis=1))
        faces.append(np.stack([low + here, high + after, high + here], axis=1))
    faces.append(np.stack([last + here, last + after, np.full(around, top)], axis=1))
    return Mesh(vertices, np.concatenate(faces))


def sphere_on_plate(*, radius_mm: float = 5.0, equator_mm: float = 4.5, around: int = 64) -> Mesh:
    """A ball sunk a little into a plate.

    Between the plate and the equator, at height h, parallel blockout fills pi h^3 / 3 (closed
    form, whatever the radius): the column under the equator less the part of the ball in it.
    At a height t under the equator the undercut is R - sqrt(R^2 - t^2) deep.
    """
    start = -np.arcsin(equator_mm / radius_mm)
    arc = np.linspace(start, np.pi / 2.0, 1 + around // 2 * 7 // 8)
    ball = np.stack([np.cos(arc), np.sin(arc)], axis=1) * radius_mm + [0.0, equator_mm]
    ball[0, 1], ball[-1, 0] = 0.0, 0.0
    return turned_body(np.concatenate([_plate(float(ball[0, 0])), ball]), around=around)


def cone_on_plate(
    *,
    top_radius_mm: float = 5.0,
    height_mm: float = 3.0,
    half_angle_deg: float = 20.0,
    around: int = 64,
) -> Mesh:
    """A cone standing on its narrow end.

    With top radius R, height h and bottom radius r = R - h tan a, parallel blockout fills
    pi R^2 h - pi h / 3 (R^2 + R r + r^2) (closed form), and t under the top edge the undercut is
    t tan a deep.
    """
    foot = top_radius_mm - height_mm * float(np.tan(np.radians(half_angle_deg)))
    steps = np.linspace(0.0, 1.0, 7)
    wall = np.stack([foot + steps * (top_radius_mm - foot), steps * height_mm], axis=1)
    inward = np.linspace(top_radius_mm, 0.0, 6)[1:]
    lid = np.stack([inward, np.full(len(inward), height_mm)], axis=1)
    return turned_body(np.concatenate([_plate(foot), wall, lid]), around=around)


def _plate(foot_mm: float) -> Floats:
    """Profile of the plate from its middle below to near the body's foot above."""
    outer = _PLATE_MM[0]
    below = [(radius, -_PLATE_THICK_MM) for radius in (0.0, 2.0, 4.0, 6.5, 9.0, outer)]
    side = [(outer, -_PLATE_THICK_MM / 2.0)]
    above = [(radius, 0.0) for radius in (*_PLATE_MM, (foot_mm + _PLATE_MM[-1]) / 2.0)]
    return np.array(below + side + above)
