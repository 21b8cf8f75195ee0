"""The cast as seen along the path, such that no place lies exactly over another.

Curtains meet the cast where lines cross as seen along the path. Whether they do is asked of every
pair of lines once, and all that follows from the answers must fit together; so no three points may
lie in one line, and no face may be seen exactly from its edge. Therefore the plan is moved a
little, by far less than a cast is known to:

- faces along the path lean outward at their foot, so that they are never undercut: by some
  hundredths of a nanometre over the height of a cast;
- every vertex moves by up to a femtometre of its own, some hundred times the rounding of the
  coordinates.

Only the plan is moved. Places on edges and faces are looked up by their shares of the corners,
which stay where they are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blockout.mesh import Bools, Floats, Ints, Mesh
from blockout.tolerances import TOLERANCES, Tolerances

_SEED = 0


@dataclass(frozen=True, eq=False)
class Plan:
    """An upright mesh and where its vertices are seen.

    Parameters
    ----------
    mesh : Mesh
        Closed, the path along +z.
    flat : (n, 2) float
        Places of the vertices in the plan, mm.
    """

    mesh: Mesh
    flat: Floats

    @classmethod
    def of(cls, mesh: Mesh, roof: Bools, *, tolerances: Tolerances = TOLERANCES) -> Plan:
        """Of a mesh whose faces ``roof`` (m,) are undercut, however little."""
        flat = mesh.vertices[:, :2].copy()
        along = np.abs(mesh.face_crosses[:, 2]) < tolerances.level_slope * 2.0 * mesh.face_areas_mm2
        upright = np.flatnonzero(along & ~roof)
        if len(upright):
            flat += _leaning(mesh, upright, tolerances)
        own = tolerances.plan_own_mm * np.random.default_rng(_SEED).random(flat.shape)
        return cls(mesh, flat + own)

    def at(self, vertices: Ints) -> Floats:
        """(..., 2) where vertices (...) are seen. Many rows are taken several times faster than
        indexed.
        """
        return self.flat.take(vertices, axis=0)

    def turn(self, a: Ints, b: Ints, c: Ints) -> Floats:
        """(k,) positive where vertex c lies to the left of the line from a to b, in mm2."""
        return turn(self.at(a), self.at(b), self.at(c))

    def across(self, low: Ints, high: Ints, a: Floats, b: Floats) -> Shares:
        """Where lines from a to b (k, 2) cross the edges between two vertices (k,)."""
        left = turn(a, b, self.at(low))
        share = left / (left - turn(a, b, self.at(high)))
        none = np.zeros_like(share)
        return Shares(np.stack([low, high, high], axis=1), np.stack([share, none], axis=1))

    def under(self, face: Ints, at: Floats) -> Shares:
        """Places on faces under (k, 2) places of the plan within them."""
        corner = self.mesh.faces.take(face, axis=0)
        a, b, c = (self.at(corner[:, k]) for k in range(3))
        of_b, of_c = turn(c, a, at), turn(a, b, at)
        whole = turn(b, c, at) + of_b + of_c
        return Shares(corner, np.stack([of_b, of_c], axis=1) / whole[:, None])


@dataclass(frozen=True, eq=False)
class Shares:
    """Places told by what share they have of some vertices; so they are found wherever these are.

    Parameters
    ----------
    corner : (k, 3) int
        Vertices.
    weight : (k, 2) float
        Share of the second and of the third one; the first one has the rest.
    """

    corner: Ints
    weight: Floats

    def among(self, points_mm: Floats) -> Floats:
        """(k, 3) where they are, with the vertices at ``points_mm`` (n, 3). What all three corners
        agree in, the place has to the bit.
        """
        first, second, third = (points_mm.take(self.corner[:, k], axis=0) for k in range(3))
        of_second, of_third = self.weight[:, :1], self.weight[:, 1:]
        places: Floats = first + of_second * (second - first) + of_third * (third - first)
        return places

    def chosen(self, rows: Ints) -> Shares:
        return Shares(self.corner[rows], self.weight[rows])


def _leaning(mesh: Mesh, upright: Ints, tolerances: Tolerances) -> Floats:
    """(n, 2) how far vertices move so that upright faces lean outward at their foot. A column of
    vertices moves one way, the further the lower they are.
    """
    corner, to_corner = np.unique(mesh.faces[upright], return_inverse=True)
    # number by number: the library is slow in telling rows apart
    x, y = np.round(mesh.vertices[corner, :2].T / tolerances.one_column_mm)
    (_, of_x), (_, of_y) = (np.unique(place, return_inverse=True) for place in (x, y))
    _, column = np.unique(of_x * len(corner) + of_y, return_inverse=True)
    outward = np.zeros((int(column.max()) + 1, 2))
    normals = mesh.face_normals[upright, :2]
    for k in range(3):
        np.add.at(outward, column[to_corner.reshape(-1, 3)[:, k]], normals)
    length = np.linalg.norm(outward, axis=1)
    outward /= np.where(length > 0.0, length, 1.0)[:, None]
    height = mesh.vertices[:, 2]
    moved = np.zeros((len(height), 2))
    moved[corner] = (
        tolerances.plan_lean * (height.max() - height[corner])[:, None] * outward[column]
    )
    return moved


def turn(a: Floats, b: Floats, c: Floats) -> Floats:
    """(k,) twice the area of triangles in the plan, positive where they run anticlockwise."""
    ab, ac = b - a, c - a
    twice: Floats = ab[:, 0] * ac[:, 1] - ab[:, 1] * ac[:, 0]
    return twice
