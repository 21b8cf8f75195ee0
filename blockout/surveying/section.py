"""A mesh cut by a plane: the lines in which the plane meets it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from blockout.errors import InputError
from blockout.mesh import Floats, Mesh
from blockout.surveying.lines import Polyline, run_through


def section_lines(mesh: Mesh, point_mm: ArrayLike, normal: ArrayLike) -> tuple[Polyline, ...]:
    """The section of a mesh by the plane through ``point_mm`` square to ``normal``, longest line
    first.

    A vertex in the plane counts as lying on the side that the normal points to. So a closed mesh
    gives closed lines only, whichever vertices, edges or faces lie in the plane: where a face does,
    the section is that just before the plane, coming from the other side. Seen against the normal,
    material lies to the left of each line. Lines end where more than two faces meet in one edge,
    and at borders.

    Parameters
    ----------
    mesh : Mesh
    point_mm : (3,)
    normal : (3,)
        Any length but 0.

    Raises
    ------
    InputError
        Point or normal are not three finite numbers, or the normal has no length.
    """
    at, unit = plane_of(point_mm, normal)
    height = (mesh.vertices - at) @ unit
    above = height >= 0.0
    count = above[mesh.faces].sum(axis=1)
    face = np.flatnonzero((count == 1) | (count == 2))
    if not len(face):
        return ()
    corners = mesh.faces[face]
    up = above[corners]
    # the corner that stands alone on its side, and the two edges that lead away from it
    alone = np.where((count[face] == 1)[:, None], up, ~up).argmax(axis=1)
    rows = np.arange(len(face))
    tip, after, before = (corners[rows, (alone + step) % 3] for step in range(3))
    turn = ~up[rows, alone]
    ends = np.stack([np.stack([tip, after], axis=1), np.stack([tip, before], axis=1)], axis=1)
    ends[turn] = ends[turn, ::-1]
    low, high = ends.min(axis=2).reshape(-1), ends.max(axis=2).reshape(-1)
    # one place an edge, whichever of its faces asks
    key, first, place = np.unique(
        low * np.int64(len(mesh.vertices)) + high, return_index=True, return_inverse=True
    )
    del key
    start, stop = low[first], high[first]
    share = height[start] / (height[start] - height[stop])
    points = mesh.vertices[start] + share[:, None] * (mesh.vertices[stop] - mesh.vertices[start])
    for end in (start, stop):
        exact = height[end] == 0.0
        points[exact] = mesh.vertices[end[exact]]
    lines = run_through(place.reshape(-1, 2), points, directed=True)
    return tuple(line for line in map(_without_stops, lines) if len(line.points_mm) > 1)


def plane_of(point_mm: ArrayLike, normal: ArrayLike) -> tuple[Floats, Floats]:
    """The point, and the normal made a unit.

    Raises
    ------
    InputError
        As :func:`section_lines`.
    """
    return point_and_way(point_mm, normal, what="plane")


def point_and_way(point_mm: ArrayLike, way: ArrayLike, *, what: str) -> tuple[Floats, Floats]:
    """A point (3,) and a unit direction (3,), as a plane or a ray has them.

    Raises
    ------
    InputError
        They are not three finite numbers each, or the direction has no length.
    """
    at = np.asarray(point_mm, dtype=np.float64)
    along = np.asarray(way, dtype=np.float64)
    length = float(np.linalg.norm(along)) if along.shape == (3,) else 0.0
    if at.shape != (3,) or not np.isfinite(at).all() or not 1e-9 < length < np.inf:
        raise InputError(
            f"this is no {what}",
            measured=f"point {at.tolist()}, direction {along.tolist()}",
            fix="Give three finite numbers each, the direction not all zero.",
        )
    return at, along / length


def _without_stops(line: Polyline) -> Polyline:
    """Edges that meet in a vertex of the plane give one place several times over."""
    moves = np.r_[True, (np.diff(line.points_mm, axis=0) != 0.0).any(axis=1)]
    return Polyline(line.points_mm[moves], line.closed)
