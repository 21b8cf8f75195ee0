"""The only door to libigl: questions about a triangle surface, answered without changing it."""

from __future__ import annotations

from dataclasses import dataclass
from weakref import WeakKeyDictionary

import igl
import igl.predicates
import numpy as np

from blockout.errors import KernelError
from blockout.mesh import Floats, Ints, Mesh


def self_intersections(mesh: Mesh) -> Ints:
    """(k, 2) pairs of faces that cut through each other, by exact predicates; the lower number
    first, and pairs in order.

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
    # the library's threads give them in the order in which they were done
    found = np.sort(found, axis=1)
    return found[np.lexsort((found[:, 1], found[:, 0]))]


@dataclass(frozen=True, eq=False)
class Nearest:
    """Where on a surface points are nearest to it.

    Parameters
    ----------
    points_mm : (k, 3) float
        On the surface.
    face : (k,) int
    distance_mm : (k,) float
    """

    points_mm: Floats
    face: Ints
    distance_mm: Floats


_TREES: WeakKeyDictionary[Mesh, igl.AABB] = WeakKeyDictionary()
"""The search tree of each mesh that was asked, kept as long as the mesh is."""


def distance_mm(mesh: Mesh, points_mm: Floats) -> Floats:
    """(k,) distance from points (k, 3) to the nearest place on the surface, mm.

    Raises
    ------
    KernelError
        The mesh has no triangles, or the library gave no distances.
    """
    return nearest_places(mesh, points_mm).distance_mm


def nearest_places(mesh: Mesh, points_mm: Floats) -> Nearest:
    """The place on the surface nearest to each of the points (k, 3).

    Raises
    ------
    KernelError
        The mesh has no triangles, or the library gave no distances.
    """
    if not mesh.triangle_count:
        raise KernelError("there is no surface to measure a distance to", measured="0 triangles")
    points = np.array(points_mm, dtype=np.float64, order="C").reshape(-1, 3)
    if not len(points):
        return Nearest(points, np.zeros(0, dtype=np.int64), np.zeros(0))
    try:
        if mesh not in _TREES:
            tree = igl.AABB()
            tree.init(mesh.vertices, mesh.faces)
            _TREES[mesh] = tree
        squared, face, places = _TREES[mesh].squared_distance(mesh.vertices, mesh.faces, points)
    except (RuntimeError, ValueError, TypeError) as error:
        raise KernelError("the search for distances failed", measured=str(error)) from error
    return Nearest(
        points_mm=np.asarray(places, dtype=np.float64).reshape(-1, 3),
        face=np.asarray(face, dtype=np.int64).reshape(-1),
        distance_mm=np.sqrt(np.asarray(squared, dtype=np.float64).reshape(-1)),
    )


def flattened(mesh: Mesh, *, pinned: tuple[int, int]) -> Floats:
    """(n, 2) places in the plane, mm, where a piece of surface is laid with its angles kept as
    well as can be (least-squares conformal); ``pinned`` are two vertices far apart, laid at their
    distance in space.

    Raises
    ------
    KernelError
        The library gave no places.
    """
    one, other = pinned
    apart_mm = float(np.linalg.norm(mesh.vertices[one] - mesh.vertices[other]))
    try:
        places, _ = igl.lscm(
            mesh.vertices,
            mesh.faces,
            np.array([one, other], dtype=np.int64),
            np.array([[0.0, 0.0], [apart_mm, 0.0]]),
        )
    except (RuntimeError, ValueError, TypeError) as error:
        raise KernelError("a surface could not be flattened", measured=str(error)) from error
    flat = np.asarray(places, dtype=np.float64)
    if flat.shape != (len(mesh.vertices), 2) or not np.isfinite(flat).all():
        raise KernelError("a surface could not be flattened", measured="places are not numbers")
    return flat
