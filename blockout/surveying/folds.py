"""Folds: where a patch of ceiling covers itself as seen along the path.

All faces of a patch look down, so a patch is nowhere folded over an edge; it covers itself where
one lobe of it passes under another. Every such place is bounded by border edges of the patch.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blockout.kernel.rays import RayScene
from blockout.mesh import Bools, Floats, Ints, Mesh
from blockout.runs import written_out
from blockout.surveying.patches import Ceilings, patch_surface
from blockout.tolerances import TOLERANCES, Tolerances

_INSIDE_MM = 1e-9
_PAIRS_A_BATCH = 2_000_000


@dataclass(frozen=True, eq=False)
class Cells:
    """Square cells over a plane, numbered together with a patch."""

    low: Floats
    cell_mm: float
    across: int

    @classmethod
    def over(cls, flat: Floats, cell_mm: float) -> Cells:
        """Cells of this size over all of ``flat`` (n, 2), with room to spare."""
        # column by column: along the first axis of two columns the library is twenty times slower
        low = np.array([column.min() for column in flat.T])
        high = np.array([column.max() for column in flat.T])
        across = int(np.ceil((high - low).max() / cell_mm)) + 8
        return cls(low - 3.0 * cell_mm, cell_mm, across)

    def touched(self, points: Floats, patch: Ints, *, spare: int = 1) -> tuple[Ints, Ints]:
        """Row and key (cell and patch) of every cell that the boxes of ``points`` (k, c, 2) touch,
        with ``spare`` cells more on each side.
        """
        lowest, highest = boxes(points)
        (low_i, low_j), (high_i, high_j) = self.numbers(lowest), self.numbers(highest)
        wide = high_j - low_j + 1 + 2 * spare
        count = (high_i - low_i + 1 + 2 * spare) * wide
        row, within = written_out(count)
        first = (patch * self.across + low_i - spare) * self.across + low_j - spare
        i, j = np.divmod(within, wide[row])
        return row, first[row] + i * self.across + j

    def numbers(self, flat: Floats) -> tuple[Ints, Ints]:
        """(n,) which cell each of (n, 2) points lies in, along both axes."""
        i, j = (
            np.floor((column - low) / self.cell_mm).astype(np.int64)
            for column, low in zip(flat.T, self.low, strict=True)
        )
        return i, j


def boxes(points: Floats) -> tuple[Floats, Floats]:
    """Lowest and highest coordinates (k, d) of points (k, c, d), c of them a row."""
    low = high = points[:, 0]
    for k in range(1, points.shape[1]):
        low, high = np.minimum(low, points[:, k]), np.maximum(high, points[:, k])
    return low, high


def widths_mm(points: Floats) -> Floats:
    """(k,) longer side of the boxes around (k, c, 2)."""
    low, high = boxes(points)
    wide = high - low
    widths: Floats = np.maximum(wide[:, 0], wide[:, 1])
    return widths


def lower_of_folds(
    mesh: Mesh,
    ceilings: Ceilings,
    flat: Floats,
    direction: Floats,
    *,
    tolerances: Tolerances = TOLERANCES,
) -> tuple[Bools, Bools]:
    """Which faces lie under their own patch.

    Parameters
    ----------
    mesh, ceilings
    flat : (n, 2)
        Vertices as seen along the path.
    direction : (3,)
        Unit vector of removal.

    Returns
    -------
    lower, hidden : (k,) bool
        Faces partly, and faces wholly, under another face of their patch.
    """
    height = mesh.vertices @ direction
    sheets, vertex = patch_surface(mesh, ceilings)
    count = len(ceilings.face)
    corners = mesh.faces[ceilings.face]
    border = np.flatnonzero(sheets.twin_halfedges < 0)
    owner = border % count
    ends = vertex[sheets.halfedges[border]]
    faces_flat = flat[corners]
    cell_mm = max(float(np.median(widths_mm(faces_flat))), 1e-3)
    grid = Cells.over(flat, cell_mm)
    edge_row, edge_key = grid.touched(flat[ends], ceilings.patch[owner], spare=0)
    face_row, face_key = grid.touched(faces_flat, ceilings.patch, spare=0)
    order = np.argsort(edge_key, kind="stable")
    edge_row, edge_key = edge_row[order], edge_key[order]
    first = np.searchsorted(edge_key, face_key, side="left")
    pairs = np.searchsorted(edge_key, face_key, side="right") - first
    met = pairs > 0
    face_row, first, pairs = face_row[met], first[met], pairs[met]
    lower = np.zeros(count, dtype=bool)
    crossed = np.zeros(count, dtype=bool)
    face_low, face_high = boxes(faces_flat)
    edge_low, edge_high = boxes(flat[ends])
    batches = np.searchsorted(
        np.cumsum(pairs), np.arange(_PAIRS_A_BATCH, pairs.sum() + 1, _PAIRS_A_BATCH)
    )
    for rows in np.split(np.arange(len(face_row)), batches):
        face = np.repeat(face_row[rows], pairs[rows])
        step = np.arange(len(face)) - np.repeat(np.cumsum(pairs[rows]) - pairs[rows], pairs[rows])
        edge = edge_row[np.repeat(first[rows], pairs[rows]) + step]
        near = (edge_low[edge] <= face_high[face]) & (edge_high[edge] >= face_low[face])
        near = near.all(axis=1) & (owner[edge] != face)
        face, edge = face[near], edge[near]
        inside, above = _crossing(flat, height, ends[edge], corners[face])
        under = face[inside & above]
        lower[under] = True
        crossed[under] = True
        lower[owner[edge[inside & ~above]]] = True
    covered = _under_own_patch(mesh, sheets, ceilings, flat, direction, tolerances.ray_margin_mm)
    hidden = covered & ~crossed
    return (lower | covered) & ~hidden, hidden


def _crossing(flat: Floats, height: Floats, ends: Ints, corners: Ints) -> tuple[Bools, Bools]:
    """Whether edges (k, 2) pass over or under the inside of triangles (k, 3), and whether over."""
    triangle = flat[corners]
    start, stop = flat[ends[:, 0]], flat[ends[:, 1]]
    low, high = np.zeros(len(ends)), np.ones(len(ends))
    depths = []
    side = np.sign(_cross(triangle[:, 1] - triangle[:, 0], triangle[:, 2] - triangle[:, 0]))
    for k in range(3):
        a, b = triangle[:, k], triangle[:, (k + 1) % 3]
        along = b - a
        length = np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-300)
        at_start = side * _cross(along, start - a) / length
        at_stop = side * _cross(along, stop - a) / length
        depths.append((at_start, at_stop))
        drop = at_start - at_stop
        share = at_start / np.where(np.abs(drop) > 1e-300, drop, 1e-300)
        low = np.where(drop < 0.0, np.maximum(low, share), low)
        high = np.where(drop > 0.0, np.minimum(high, share), high)
    middle = 0.5 * (low + high)
    depth = np.min([one + middle * (two - one) for one, two in depths], axis=0)
    inside = (high > low) & (depth > _INSIDE_MM)
    place = start + middle[:, None] * (stop - start)
    edge_height = height[ends[:, 0]] + middle * (height[ends[:, 1]] - height[ends[:, 0]])
    return inside, edge_height > _height_at(triangle, height[corners], place)


def _height_at(triangle: Floats, heights: Floats, place: Floats) -> Floats:
    u, v = triangle[:, 1] - triangle[:, 0], triangle[:, 2] - triangle[:, 0]
    w = place - triangle[:, 0]
    area = _cross(u, v)
    area = np.where(np.abs(area) > 1e-300, area, 1e-300)
    b, c = _cross(w, v) / area, _cross(u, w) / area
    found: Floats = heights[:, 0] + b * (heights[:, 1] - heights[:, 0])
    return found + c * (heights[:, 2] - heights[:, 0])


def _cross(a: Floats, b: Floats) -> Floats:
    return a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]


def _under_own_patch(
    mesh: Mesh,
    sheets: Mesh,
    ceilings: Ceilings,
    flat: Floats,
    direction: Floats,
    margin_mm: float,
) -> Bools:
    """(k,) whether the first ceiling above a face's middle is of its own patch.

    Rays work in single precision, and take a face that is nearly a wall for its own ceiling; so
    what they find is asked again in double precision.
    """
    corners = mesh.faces[ceilings.face]
    middle = mesh.face_centres[ceilings.face]
    above = RayScene(sheets).first_hit(middle + margin_mm * direction, direction).face
    own: Bools = (above >= 0) & (ceilings.patch[above] == ceilings.patch)
    face = np.flatnonzero(own)
    place = flat[corners[face]].mean(axis=1)
    roof = corners[above[face]]
    triangle = flat[roof]
    side = np.sign(_cross(triangle[:, 1] - triangle[:, 0], triangle[:, 2] - triangle[:, 0]))
    within = np.full(len(face), np.inf)
    for k in range(3):
        a, along = triangle[:, k], triangle[:, (k + 1) % 3] - triangle[:, k]
        length = np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-300)
        within = np.minimum(within, side * _cross(along, place - a) / length)
    height = mesh.vertices @ direction
    roof_mm = _height_at(triangle, height[roof], place)
    over = roof_mm > height[corners[face]].mean(axis=1) + margin_mm
    own[face] = (within > -_INSIDE_MM) & over
    return own
