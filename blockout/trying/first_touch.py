"""How high above its seat a framework first touches, lowered along the path.

Over each column of a piece of overlap the cast's top stands some way above the framework's
underside; raised by that much the two just touch there. The greatest of these heights over the
piece's columns is where, coming down, the framework first touches with that piece. Cast and piece
are faceted, so that the greatest lies over a corner of the piece, under a corner of the cast, or
where an edge of one crosses an edge of the other as seen along the path; all of these are tried.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.kernel.rays import RayScene
from blockout.mesh import Bools, Floats, Ints, Mesh
from blockout.surveying.folds import Cells
from blockout.trying.blocked import BlockedOut

_UP: Final = np.array([0.0, 0.0, 1.0])
_ASIDE_MM: Final = 0.001
_ASIDE_WAYS: Final = 8
_STEEPEST: Final = 60.0
"""The slope that a facet may have: at its foot a micron aside it stands this many microns lower."""
_PAIRS_A_BATCH: Final = 2_000_000


@dataclass(frozen=True, eq=False)
class FirstTouch:
    """Height above seat, and the place on the cast at which it touches, path coordinates."""

    height_mm: float
    cast_mm: Floats


def first_touch(
    blocked: BlockedOut, piece: Mesh, *, around_mm: Floats | None = None, reach_mm: float = 0.0
) -> FirstTouch:
    """The height at which a piece of overlap (closed, path coordinates) first touches.

    ``around_mm`` (k, 3) limits the columns to those within ``reach_mm`` of these points, square to
    the path.
    """
    columns = _Columns(blocked, piece, around_mm, reach_mm)
    cast, low_mm = blocked.mesh, float(piece.vertices[:, 2].min())
    low, high = piece.bounds_mm[:, :2]
    over = (cast.corners[:, :, :2].max(axis=1) >= low).all(axis=1)
    over &= (cast.corners[:, :, :2].min(axis=1) <= high).all(axis=1)
    over &= cast.corners[:, :, 2].max(axis=1) >= low_mm
    faces = cast.faces[over]
    corner = np.unique(faces)
    corner = corner[
        ((cast.vertices[corner, :2] >= low) & (cast.vertices[corner, :2] <= high)).all(axis=1)
    ]
    flat = np.concatenate([piece.vertices[:, :2], cast.vertices[corner, :2]])
    best = columns.highest(flat, np.concatenate([np.full(len(piece.vertices), np.nan),
                                                 cast.vertices[corner, 2]]))  # fmt: skip
    edges, own = _edges(faces), _lower_edges(piece)
    crossing = _crossings(cast.vertices[edges], piece.vertices[own], best.height_mm)
    if len(crossing):
        found = columns.highest(crossing[:, :2], crossing[:, 2], crossing[:, 3])
        best = found if found.height_mm > best.height_mm else best
    return best


@dataclass(frozen=True, eq=False)
class _Columns:
    """Columns of one piece of overlap."""

    blocked: BlockedOut
    piece: Mesh
    around_mm: Floats | None
    reach_mm: float

    def highest(self, flat: Floats, top_mm: Floats, under_mm: Floats | None = None) -> FirstTouch:
        """Over which of the columns at (k, 2) the cast stands highest above the piece.

        ``top_mm`` (k,) is the cast's height there where a corner or an edge gives it, nan where a
        ray is to; ``under_mm`` the piece's. They count only where the columns next to them bear
        them out: a wall that stands beside the piece, touching it, is not above it.
        """
        if self.around_mm is not None and len(flat):
            apart = _flat_distance(flat, self.around_mm[:, :2])
            keep = apart <= self.reach_mm
            flat, top_mm = flat[keep], top_mm[keep]
            under_mm = None if under_mm is None else under_mm[keep]
        scene = RayScene(self.piece)
        turn = 2.0 * np.pi * (np.arange(_ASIDE_WAYS) + 0.37) / _ASIDE_WAYS
        borne = np.full(len(flat), -np.inf)
        for angle in turn:
            aside = flat + _ASIDE_MM * np.array([np.cos(angle), np.sin(angle)])
            borne = np.fmax(borne, self._height(scene, aside))
        exact = self._exact(scene, flat, top_mm, under_mm)
        taken: Bools = np.isfinite(exact) & (exact <= borne + _ASIDE_MM * _STEEPEST)
        height = np.where(taken, np.fmax(exact, borne), borne)
        if not len(height) or not np.isfinite(height.max()):
            return FirstTouch(0.0, self.piece.vertices[self.piece.vertices[:, 2].argmin()])
        at = int(height.argmax())
        top = top_mm[at]
        if not np.isfinite(top):
            top = float(self.blocked.top_mm(flat[at : at + 1])[0])
        return FirstTouch(float(height[at]), np.array([*flat[at], top]))

    def _height(self, scene: RayScene, flat: Floats) -> Floats:
        """(k,) how far the cast's top stands above the piece's underside; -inf beside either."""
        low_mm = self._low(scene, flat)
        top_mm = self.blocked.top_mm(flat)
        both = np.isfinite(low_mm) & np.isfinite(top_mm)
        return np.where(both, np.where(both, top_mm, 0.0) - np.where(both, low_mm, 0.0), -np.inf)

    def _low(self, scene: RayScene, flat: Floats) -> Floats:
        start_mm = float(self.piece.vertices[:, 2].min()) - 1.0
        below = np.column_stack([flat, np.full(len(flat), start_mm)])
        return start_mm + scene.first_hit(below, _UP).distance_mm

    def _exact(
        self, scene: RayScene, flat: Floats, top_mm: Floats, under_mm: Floats | None
    ) -> Floats:
        top = top_mm.copy()
        ask = np.flatnonzero(~np.isfinite(top))
        top[ask] = self.blocked.top_mm(flat[ask])
        under = self._low(scene, flat) if under_mm is None else under_mm
        sound = np.isfinite(top) & np.isfinite(under)
        return np.where(sound, np.where(sound, top, 0.0) - np.where(sound, under, 0.0), -np.inf)


def _flat_distance(flat: Floats, around: Floats) -> Floats:
    from scipy.spatial import cKDTree

    distance: Floats = np.asarray(cKDTree(around).query(flat)[0], dtype=np.float64)
    return distance


def _edges(faces: Ints) -> Ints:
    """(k, 2) edges of faces, each once."""
    if not len(faces):
        return np.zeros((0, 2), dtype=np.int64)
    sides = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    return np.unique(np.sort(sides, axis=1), axis=0)


def _lower_edges(piece: Mesh) -> Ints:
    """Edges of faces that look down or stand upright: the piece's underside."""
    down = piece.face_crosses[:, 2] <= 1e-9 * (2.0 * piece.face_areas_mm2)
    return _edges(piece.faces[down])


def _crossings(cast: Floats, piece: Floats, more_than_mm: float) -> Floats:
    """(k, 4) where edges (n, 2, 3) of the cast and (m, 2, 3) of the piece cross as seen along the
    path: place, height on the cast, height on the piece; only those higher than ``more_than_mm``.
    """
    if not len(cast) or not len(piece):
        return np.zeros((0, 4))
    cast = cast[cast[:, :, 2].max(axis=1) - piece[:, :, 2].min() > more_than_mm]
    if not len(cast):
        return np.zeros((0, 4))
    piece = piece[cast[:, :, 2].max() - piece[:, :, 2].min(axis=1) > more_than_mm]
    if not len(piece):
        return np.zeros((0, 4))
    flat = np.concatenate([cast, piece])[:, :, :2]
    size_mm = float(np.median(np.ptp(flat, axis=1).max(axis=1)))
    extent_mm = float(np.ptp(flat.reshape(-1, 2), axis=0).max())
    grid = Cells.over(flat.reshape(-1, 2), max(size_mm, extent_mm / 400.0, 1e-3))
    none = np.zeros(len(flat), dtype=np.int64)
    row, key = grid.touched(cast[:, :, :2], none[: len(cast)], spare=0)
    own, own_key = grid.touched(piece[:, :, :2], none[: len(piece)], spare=0)
    order = np.argsort(own_key, kind="stable")
    own, own_key = own[order], own_key[order]
    first = np.searchsorted(own_key, key, side="left")
    count = np.searchsorted(own_key, key, side="right") - first
    found = []
    batches = np.searchsorted(
        np.cumsum(count), np.arange(_PAIRS_A_BATCH, count.sum() + 1, _PAIRS_A_BATCH)
    )
    for rows in np.split(np.arange(len(row)), batches):
        a = np.repeat(row[rows], count[rows])
        step = np.arange(len(a)) - np.repeat(np.cumsum(count[rows]) - count[rows], count[rows])
        b = own[np.repeat(first[rows], count[rows]) + step]
        higher = cast[a, :, 2].max(axis=1) - piece[b, :, 2].min(axis=1) > more_than_mm
        found.append(_met(cast[a[higher]], piece[b[higher]], more_than_mm))
    return np.concatenate([*found, np.zeros((0, 4))])


def _met(one: Floats, other: Floats, more_than_mm: float) -> Floats:
    p, r = one[:, 0], one[:, 1] - one[:, 0]
    q, s = other[:, 0], other[:, 1] - other[:, 0]
    across = r[:, 0] * s[:, 1] - r[:, 1] * s[:, 0]
    size = np.linalg.norm(r[:, :2], axis=1) * np.linalg.norm(s[:, :2], axis=1)
    slanted = np.abs(across) > 1e-12 * size
    p, r, q, s, across = p[slanted], r[slanted], q[slanted], s[slanted], across[slanted]
    gap = q - p
    t = (gap[:, 0] * s[:, 1] - gap[:, 1] * s[:, 0]) / across
    u = (gap[:, 0] * r[:, 1] - gap[:, 1] * r[:, 0]) / across
    slack = 1e-9
    on = (t >= -slack) & (t <= 1.0 + slack) & (u >= -slack) & (u <= 1.0 + slack)
    t, u = np.clip(t[on], 0.0, 1.0), np.clip(u[on], 0.0, 1.0)
    top = p[on] + t[:, None] * r[on]
    under = q[on] + u[:, None] * s[on]
    higher = top[:, 2] - under[:, 2] > more_than_mm
    return np.column_stack([top[higher], under[higher, 2]])
