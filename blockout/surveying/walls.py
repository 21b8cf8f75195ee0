"""The walls of U: upright pieces under the edges past which a point has its way out.

U is everything at or under the scanned surface, as seen along the path. Its wall stands under the
edges in which the surface turns from looking up to looking down, and under its border, wherever
there is lower ground outside: from the height of what is over the edge down to that ground.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Final
from weakref import WeakKeyDictionary

import numpy as np
from scipy.spatial import cKDTree

from blockout.mesh import Bools, Floats, Ints, Mesh
from blockout.runs import written_out

_PIECE_MM: Final = 0.4
"""Longer edges are taken in several pieces."""
_BESIDE_MM: Final = 0.01
"""How far inside and outside an edge the height of the surface is asked."""
_NEAREST: Final = (6, 48)
"""How many pieces are tried for a point; the second time for those that found none."""


@dataclass(frozen=True, eq=False)
class Edges:
    """The edges of a surface, each once.

    Parameters
    ----------
    ends : (k, 2) int
        Vertices.
    face, other_face : (k,) int
        The faces that meet there; -1 for the other one at a border, and where more than two meet.
    opposite : (k,) int
        The vertex of ``face`` that is not on the edge.
    """

    ends: Ints
    face: Ints
    other_face: Ints
    opposite: Ints


_EDGES: WeakKeyDictionary[Mesh, Edges] = WeakKeyDictionary()
"""The edges of each surface that was asked, kept as long as the surface is."""


def edges_of(surface: Mesh) -> Edges:
    """The edges of a surface; found at the first asking."""
    if surface not in _EDGES:
        size = surface.triangle_count
        twins = surface.twin_halfedges
        half = np.flatnonzero(np.arange(3 * size) > twins)  # borders have no twin
        face = half % max(size, 1)
        other = np.where(twins[half] >= 0, twins[half] % max(size, 1), -1)
        opposite = surface.faces[face, (half // max(size, 1) + 2) % 3]
        _EDGES[surface] = Edges(surface.halfedges[half], face, other, opposite)
    return _EDGES[surface]


@dataclass(frozen=True, eq=False)
class Walls:
    """Upright pieces of wall, path coordinates.

    Parameters
    ----------
    start_mm, along_mm : (k, 2) float
        One end of each, and from there to the other.
    low_mm, high_mm : (k,) float
        From where to where up a point that has the wall beside it is covered on one side only, as
        told in the middle of the piece.
    """

    start_mm: Floats
    along_mm: Floats
    low_mm: Floats
    high_mm: Floats

    @cached_property
    def tree(self) -> cKDTree:
        """Of the middles of the pieces."""
        return cKDTree(self.start_mm + 0.5 * self.along_mm)

    def nearest(self, points: Floats) -> Floats:
        """(k, 2) offset from points (k, 3) to the nearest place of a wall that stands at their
        height; infinite where none is found.
        """
        offset = np.full((len(points), 2), np.inf)
        if not len(self.low_mm):
            return offset
        asked = np.arange(len(points))
        for count in _NEAREST:
            near = self.tree.query(points[asked, :2], k=min(count, len(self.low_mm)), workers=-1)[1]
            offset[asked] = self._among(points[asked], near.reshape(len(asked), -1))
            asked = asked[np.isinf(offset[asked, 0])]
            if not len(asked):
                break
        return offset

    def _among(self, points: Floats, near: Ints) -> Floats:
        height = points[:, 2:]
        stands = (self.low_mm[near] < height) & (height < self.high_mm[near])
        x, y = ((self.start_mm[:, k][near] - points[:, k : k + 1]) for k in (0, 1))
        u, v = self.along_mm[:, 0][near], self.along_mm[:, 1][near]
        share = np.clip(-(x * u + y * v) / np.maximum(u * u + v * v, 1e-18), 0.0, 1.0)
        x += share * u
        y += share * v
        away = np.where(stands, x * x + y * y, np.inf)
        row, pick = np.arange(len(points)), away.argmin(axis=1)
        found = np.column_stack([x[row, pick], y[row, pick]])
        found[np.isinf(away[row, pick])] = np.inf
        return found


def walls_of(
    surface: Mesh,
    to_path: Floats,
    looks_up: Bools,
    top_mm: Callable[[Floats], Floats],
    *,
    margin_mm: float,
) -> Walls:
    """The walls of a surface seen along a path.

    Parameters
    ----------
    surface : Mesh
        File coordinates.
    to_path : (3, 3) float
        Turns them so that the path is +z.
    looks_up : (m,) bool
        Faces that look up along the path.
    top_mm : function
        (k,) height of the highest surface over places (k, 2) of path coordinates; -inf where there
        is none.
    margin_mm : float
        Surface no higher than this over a point does not cover it.
    """
    edges = edges_of(surface)
    turns = looks_up[edges.face] != looks_up[edges.other_face]
    edge = np.flatnonzero(turns | (edges.other_face < 0))
    vertices = surface.vertices
    ends = vertices[edges.ends[edge]] @ to_path[:2].T
    inner = vertices[edges.opposite[edge]] @ to_path[:2].T
    start, along = ends[:, 0], ends[:, 1] - ends[:, 0]
    count = np.maximum(np.ceil(np.linalg.norm(along, axis=1) / _PIECE_MM), 1.0).astype(np.int64)
    if (count > 1).any():
        row, number = written_out(count)
        along = along[row] / count[row, None]
        start = start[row] + number[:, None] * along
        inner = inner[row]
    middle = start + 0.5 * along
    # both faces lie on the same side of a contour as seen along the path
    outward = np.column_stack([along[:, 1], -along[:, 0]])
    outward /= np.maximum(np.linalg.norm(outward, axis=1), 1e-12)[:, None]
    outward *= np.where(((inner - middle) * outward).sum(axis=1) > 0.0, -1.0, 1.0)[:, None]
    high = top_mm(middle - _BESIDE_MM * outward)
    low = top_mm(middle + _BESIDE_MM * outward)
    stands = high > low + _BESIDE_MM
    return Walls(start[stands], along[stands], low[stands] - margin_mm, high[stands] - margin_mm)
