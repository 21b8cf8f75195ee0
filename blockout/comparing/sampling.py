"""Points spread evenly over a surface, the same each time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blockout.mesh import Floats, Ints, Mesh

_STEPS = np.array([0.7548776662466927, 0.5698402909980532])
"""Multiples of these fill the unit square more evenly than chance does (the two-dimensional
generalisation of the golden ratio)."""


@dataclass(frozen=True, eq=False)
class Samples:
    """Points on a surface.

    Parameters
    ----------
    points_mm : (k, 3) float
    face : (k,) int
        Which face each lies on.
    normals : (k, 3) float
        Unit normals of those faces.
    each_mm2 : float
        Area that one point stands for.
    """

    points_mm: Floats
    face: Ints
    normals: Floats
    each_mm2: float


def spread_over(mesh: Mesh, count: int) -> Samples:
    """About evenly spread points on a mesh, as many to each area as to any other.

    Parameters
    ----------
    mesh : Mesh
    count : int
        How many; none on a mesh without area.
    """
    area = mesh.face_areas_mm2
    total = np.cumsum(area)
    if not len(total) or total[-1] <= 0.0:
        none = np.zeros((0, 3))
        return Samples(none, np.zeros(0, dtype=np.int64), none, 0.0)
    at = (np.arange(count) + 0.5) / count * total[-1]
    face = np.minimum(np.searchsorted(total, at), len(area) - 1)
    u, v = np.modf(np.arange(1, count + 1)[:, None] * _STEPS)[0].T
    over = u + v > 1.0
    u, v = np.where(over, 1.0 - u, u), np.where(over, 1.0 - v, v)
    weights = np.stack([1.0 - u - v, u, v], axis=1)
    points = np.einsum("ij,ijk->ik", weights, mesh.corners[face])
    return Samples(points, face, mesh.face_normals[face], float(total[-1]) / count)
