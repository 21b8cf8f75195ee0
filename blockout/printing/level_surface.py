"""The surface at one depth under the outside of a solid.

The depth of a point is its distance to the nearest place on the solid's surface, positive inside.
It is read at the corners of cubes around that surface only: blocks of space that cannot hold it are
left out, since a depth changes by no more than the way gone. Each cube is parted into six
tetrahedra along one diagonal, and the depth is taken as linear in each, so the surface is closed
and never pinched at an edge.

How far off that is: d(x) - |x|^2 / (2 R) is concave where every place within is at least R deep
(the distance to a set is semiconcave; P. Cannarsa, C. Sinestrari, 2004). So in a tetrahedron that
fits into a ball of radius r, the true depth on the surface is at least the level less r^2 / (2 R).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.kernel.rays import RayScene
from blockout.kernel.surfaces import distance_mm
from blockout.mesh import Bools, Floats, Ints, Mesh

_BLOCK: Final = 16
"""Cells along the side of the first blocks."""
_CORNERS: Final = np.array(list(itertools.product((0, 1), repeat=3)), dtype=np.int64)
# the six tetrahedra of a cube: one for each order of steps along x, y, z from corner to corner
_STEPS: Final = [
    [np.zeros(3, dtype=np.int64), *np.cumsum(np.eye(3, dtype=np.int64)[list(order)], axis=0)]
    for order in itertools.permutations(range(3))
]
_TETS: Final = np.array([[4 * x + 2 * y + z for x, y, z in steps] for steps in _STEPS])
_ODD: Final = np.array([np.linalg.det(np.array(steps[1:], dtype=float)) < 0.0 for steps in _STEPS])
_RAYS: Final = np.array([[0.0, 0.0, 1.0], [0.36, 0.48, -0.8], [-0.8, 0.36, 0.48]])
_NUDGE: Final = 1e-6


@dataclass(frozen=True, eq=False)
class LevelSurface:
    """All places at one depth.

    Parameters
    ----------
    mesh : Mesh
        Its outside looks toward the solid's own surface; no triangles where nothing is so deep.
    deepest_mm : float
        The greatest depth that was read anywhere in the solid.
    deepest_at_mm : (3,) float
        Where.
    """

    mesh: Mesh
    deepest_mm: float
    deepest_at_mm: Floats


def level_error_mm(level_mm: float, cell_mm: float) -> float:
    """How much less deep than ``level_mm`` the surface may lie at most, from cells of this size.

    r is half the diagonal of a cell, which holds each tetrahedron; R is the least depth there.

    >>> round(level_error_mm(2.0, 0.3), 4)
    0.0228
    """
    diagonal_mm = np.sqrt(3.0) * cell_mm
    if level_mm <= diagonal_mm:
        raise ValueError("cells must be smaller than the depth")
    return float((diagonal_mm / 2.0) ** 2 / (2.0 * (level_mm - diagonal_mm)))


def level_surface(solid: Mesh, level_mm: float, *, cell_mm: float) -> LevelSurface:
    """The surface ``level_mm`` deep in a closed solid, to within :func:`level_error_mm`.

    Raises
    ------
    KernelError
    """
    depth = _Depth(solid)
    # half a cell off, so that corners do not lie on level faces of the solid by design
    low = solid.bounds_mm[0] - 0.5 * cell_mm
    blocks = np.ceil((solid.bounds_mm[1] - low) / (_BLOCK * cell_mm)).astype(np.int64)
    cells = np.stack(np.meshgrid(*(np.arange(n) for n in blocks), indexing="ij"), axis=-1).reshape(
        -1, 3
    )
    deepest, deepest_at = -np.inf, solid.centre
    size = _BLOCK
    while True:
        centres = low + (cells + 0.5) * (size * cell_mm)
        depths = depth(centres)
        if len(depths) and depths.max() > deepest:
            deepest, deepest_at = float(depths.max()), centres[depths.argmax()]
        reach = np.sqrt(3.0) / 2.0 * size * cell_mm
        # what may hold the level, and on the way what may be deeper than all so far
        near = np.abs(depths - level_mm) <= reach
        cells = cells[near]
        if size == 1:
            break
        cells = (2 * cells[:, None, :] + _CORNERS[None, :, :]).reshape(-1, 3)
        size //= 2
    if not len(cells):
        return LevelSurface(Mesh(np.zeros((0, 3)), np.zeros((0, 3))), deepest, deepest_at)
    counts = blocks * _BLOCK + 1
    numbers = np.ravel_multi_index(
        tuple((cells[:, None, :] + _CORNERS).reshape(-1, 3).T), tuple(counts.tolist())
    )
    number, of_cell = np.unique(numbers, return_inverse=True)
    corners = np.stack(np.unravel_index(number, tuple(counts.tolist())), axis=1)
    points = low + corners * cell_mm
    over = depth(points) - level_mm
    # no corner lies on the surface itself: its triangles would have no area
    over = np.where(np.abs(over) < _NUDGE * cell_mm, _NUDGE * cell_mm, over)
    mesh = _tetrahedra_crossed(points, over, of_cell.reshape(-1, 8))
    return LevelSurface(mesh, deepest, deepest_at)


class _Depth:
    """Signed distance to a closed surface, positive inside."""

    def __init__(self, solid: Mesh) -> None:
        self._solid = solid
        self._scene = RayScene(solid)

    def __call__(self, points: Floats) -> Floats:
        away = distance_mm(self._solid, points)
        # inside, most of three rays leave through the back of a face
        votes = sum(self._leaves(points, along).astype(np.int64) for along in _RAYS)
        signed: Floats = np.where(votes >= 2, away, -away)
        return signed

    def _leaves(self, points: Floats, along: Floats) -> Bools:
        hits = self._scene.first_hit(points, along)
        normals = self._solid.face_normals[np.maximum(hits.face, 0)]
        out: Bools = (hits.face >= 0) & (normals @ along > 0.0)
        return out


def _tetrahedra_crossed(points: Floats, over: Floats, cells: Ints) -> Mesh:
    """The zero of values that are linear in each tetrahedron; outside is where they are less."""
    crossed = np.ptp(np.sign(over[cells]), axis=1) > 0.0
    tets = cells[crossed][:, _TETS].reshape(-1, 4)
    odd = np.tile(_ODD, int(crossed.sum()))
    # the same sense of turning for all
    tets[odd] = tets[odd][:, [0, 1, 3, 2]]
    inside = over[tets] > 0.0
    count = inside.sum(axis=1)
    size = np.int64(len(points))
    faces: list[Ints] = []

    def cut(tet: Ints, a: int, b: int) -> Ints:
        low, high = np.minimum(tet[:, a], tet[:, b]), np.maximum(tet[:, a], tet[:, b])
        key: Ints = low * size + high
        return key

    for lone in range(4):
        # the other three, in the order in which they turn seen from outside the lone corner
        i, j, k = {0: (1, 2, 3), 1: (0, 3, 2), 2: (0, 1, 3), 3: (0, 2, 1)}[lone]
        for many in (1, 3):
            chosen = (count == many) & (inside[:, lone] == (many == 1))
            tet = tets[chosen]
            ring = [cut(tet, lone, i), cut(tet, lone, j), cut(tet, lone, k)]
            faces.append(np.stack(ring if many == 1 else ring[::-1], axis=1))
    for a, b, c, d in ((0, 1, 2, 3), (0, 2, 3, 1), (0, 3, 1, 2), (2, 3, 0, 1), (3, 1, 0, 2),
                       (1, 2, 0, 3)):  # fmt: skip
        # corners a and b inside; a, b, c, d turn as the tetrahedron does
        chosen = (count == 2) & inside[:, a] & inside[:, b]
        tet = tets[chosen]
        p, q, r, s = cut(tet, a, c), cut(tet, b, c), cut(tet, b, d), cut(tet, a, d)
        faces += [np.stack([p, r, q], axis=1), np.stack([p, s, r], axis=1)]
    keys, of_face = np.unique(np.concatenate(faces), return_inverse=True)
    one, other = keys // size, keys % size
    share = over[one] / (over[one] - over[other])
    vertices = points[one] + share[:, None] * (points[other] - points[one])
    return Mesh(vertices, of_face.reshape(-1, 3))
