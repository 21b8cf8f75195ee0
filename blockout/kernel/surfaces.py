"""The only door to libigl: questions about a triangle surface, answered without changing it."""

from __future__ import annotations

import igl
import igl.predicates
import numpy as np

from blockout.errors import KernelError
from blockout.mesh import Floats, Ints, Mesh


def self_intersections(mesh: Mesh) -> Ints:
    """(k, 2) pairs of faces that cut through each other, by exact predicates.

    Faces that share a corner or an edge count only where they meet elsewhere as well.

    Raises
    ------
    KernelError
        The library gave something that is no list of pairs.
    """
    if mesh.triangle_count < 2:
        return np.zeros((0, 2), dtype=np.int64)
    try:
        _, pairs, _ = igl.predicates.find_self_intersections(mesh.vertices, mesh.faces)
    except (RuntimeError, ValueError, TypeError) as error:
        raise KernelError(
            "the search for self-intersections failed", measured=str(error)
        ) from error
    found = np.asarray(pairs, dtype=np.int64).reshape(-1, 2)
    if found.size and not 0 <= found.min() <= found.max() < mesh.triangle_count:
        raise KernelError("the search for self-intersections named faces that are not there")
    return found


def distance_mm(mesh: Mesh, points_mm: Floats) -> Floats:
    """(k,) distance from points (k, 3) to the nearest place on the surface, mm.

    Raises
    ------
    KernelError
        The mesh has no triangles, or the library gave no distances.
    """
    if not mesh.triangle_count:
        raise KernelError("there is no surface to measure a distance to", measured="0 triangles")
    points = np.array(points_mm, dtype=np.float64, order="C").reshape(-1, 3)
    if not len(points):
        return np.zeros(0)
    try:
        squared, _, _ = igl.point_mesh_squared_distance(
            points, np.array(mesh.vertices), np.array(mesh.faces)
        )
    except (RuntimeError, ValueError, TypeError) as error:
        raise KernelError("the search for distances failed", measured=str(error)) from error
    return np.sqrt(np.asarray(squared, dtype=np.float64).reshape(-1))
