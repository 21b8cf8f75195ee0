"""Cusp tips and incisal edges, and the occlusal plane through them."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
from scipy.spatial import cKDTree

from blockout.mesh import Bools, Floats, Ints, Mesh

_TIP_RADIUS_MM: Final = 2.0
"""A tip is the highest point this far around: cusps of one tooth lie further apart."""
_SHARP_RING_MM: Final = (1.2, 2.5)
"""Where the fall around a tip is read."""
_RING_SAMPLE: Final = 40_000
"""Of so many vertices the fall is read, every second or third of a fine scan."""
_FALL_MOST_MM: Final = 2.0
"""Falls beyond this count as this: a neighbouring crevice says no more than a steep cusp."""
_FALL_FULL_MM: Final = 0.8
"""Mean fall from which a tip has its full weight: a cusp falls by 1 to 2 mm, a ridge by 0.2."""
_TOOTH_MM: Final = 6.5
"""Width of a tooth: a tip with a higher one this near is not what a plate would rest on."""
_OVERTOPPED_MM: Final = 0.5
_WEIGHT_LEAST: Final = 0.02
_NEAR_MM: Final = 1.2
"""Cusp tips of one arch lie about this near their plane (curves of Spee and Wilson, wear)."""
_ABOVE_COST: Final = 0.3
"""What a tip above the plane costs against one near it: a tall tooth little, a row of teeth over
a plane through ridge crests much."""
_REACH_MM: Final = 2.5
"""Tips further off have no say in the last fit: over-erupted teeth, spikes, ridge crests."""
_TRIPLE_TIPS: Final = 44
"""Sharpest tips of which every three are tried as a plane."""
_TILT_MOST_DEG: Final = 30.0
_TILT_TRUST_DEG: Final = 10.0
"""How well the first direction is trusted: it decides only where the tips say little."""
_TIP_TRUST_MM: Final = 0.7
_SPEAKS: Final = 0.3
"""Tips of at least this weight are counted and shown."""
_ROUNDS: Final = 6
"""The third changes the tilt by less than a tenth of a degree; more would only let a tip that
comes and goes decide how the search ends."""
_REWEIGHTS: Final = 60
_STILL: Final = 1e-11


@dataclass(frozen=True, eq=False)
class CuspPlane:
    """The plane through the cusp tips.

    Parameters
    ----------
    up : (3,) float
        Unit normal, file coordinates.
    height_mm : float
        ``up . p`` for points p of the plane.
    tips : (k,) int
        Vertices that are cusp tips near the plane.
    spread_mm : float
        Root mean square distance of those tips from the plane.
    reach_mm : (2,) float
        Standard deviation of the tips along the plane, in their longest direction and square to
        it: how far apart the plane is held.
    """

    up: Floats
    height_mm: float
    tips: Ints
    spread_mm: float
    reach_mm: tuple[float, float]


def used_vertices(mesh: Mesh) -> Ints:
    """Numbers of the vertices that faces use, in order."""
    count = np.bincount(mesh.faces.reshape(-1), minlength=len(mesh.vertices))
    return np.flatnonzero(count).astype(np.int64)


def plane_axes(up: Floats, toward: Floats) -> Floats:
    """(3, 3) rows: right, ahead and up, right-handed; ahead is ``toward`` made square to ``up``."""
    ahead = toward - up * float(toward @ up)
    ahead = ahead / np.linalg.norm(ahead)
    return np.stack([np.cross(ahead, up), ahead, up])


def find_cusp_plane(mesh: Mesh, eligible: Bools, *, up: Floats, toward: Floats) -> CuspPlane | None:
    """The occlusal plane near the direction ``up``, or None where fewer than three tips show.

    Tips are found, a plane is fitted to them, and both again along its normal a few times. The
    first plane is the best of all planes through three of the sharpest tips: the one that most
    tips lie near and few stand above, so that ridge crests, which lie lower, and a single tall
    tooth have no say.

    Parameters
    ----------
    eligible : (n,) bool
        Vertices that may be tips.
    up : (3,) float
        First guess of the occlusal direction, unit.
    toward : (3,) float
        Any direction fixed to the body and not along ``up``; it only lays the axes.
    """
    axes = plane_axes(up, toward)
    centre = mesh.face_centres.mean(axis=0)
    points = (mesh.vertices - centre) @ axes.T  # in axes of the body, never of the file
    plane: Floats | None = None
    tips: Ints = np.zeros(0, dtype=np.int64)
    weights = np.zeros(0)
    for _ in range(_ROUNDS):
        before = plane
        tips, weights = _tips(mesh, points, eligible, _normal(plane))
        if len(tips) < 3:
            return None
        if plane is None:
            plane = _first_plane(points[tips], weights)
            if plane is None:
                return None
        plane = _refit(points[tips], weights, plane)
        if before is not None and float(np.abs(plane - before).max()) < _STILL:
            break
    return None if plane is None else _described(centre, axes, points, plane, tips, weights)


def _normal(plane: Floats | None) -> Floats:
    if plane is None:
        return np.array([0.0, 0.0, 1.0])
    normal: Floats = np.array([-plane[0], -plane[1], 1.0])
    normal /= np.linalg.norm(normal)
    return normal


def _tips(mesh: Mesh, points: Floats, eligible: Bools, normal: Floats) -> tuple[Ints, Floats]:
    """Vertices that are highest along ``normal`` around them, and how much each says."""
    turn = plane_axes(normal, np.array([0.0, 1.0, 0.0]))
    placed = points @ turn.T
    height = placed[:, 2]
    start, end = mesh.halfedges.T
    top = eligible.copy()
    top[start[height[start] < height[end]]] = False
    top[end[height[end] < height[start]]] = False
    tops = np.flatnonzero(top)
    if not len(tops):
        return tops, np.zeros(0)
    pairs = cKDTree(placed[tops, :2]).query_pairs(_TIP_RADIUS_MM, output_type="ndarray")
    first, second = pairs[:, 0], pairs[:, 1]
    lower = np.where(height[tops[first]] < height[tops[second]], first, second)
    lonely = np.ones(len(tops), dtype=bool)
    lonely[lower] = False
    tips = tops[lonely]

    inner, outer = _SHARP_RING_MM
    used = used_vertices(mesh)
    used = used[:: max(1, len(used) // _RING_SAMPLE)]
    rings = cKDTree(placed[tips, :2]).sparse_distance_matrix(
        cKDTree(placed[used, :2]), outer, output_type="ndarray"
    )
    rings = rings[rings["v"] >= inner]
    row, near = rings["i"], used[rings["j"]]
    fall = np.clip(height[tips[row]] - height[near], -_FALL_MOST_MM, _FALL_MOST_MM)
    seen = np.bincount(row, minlength=len(tips))
    sharp = np.bincount(row, fall, minlength=len(tips)) / np.maximum(seen, 1)
    weights = np.clip(sharp / _FALL_FULL_MM, _WEIGHT_LEAST, 1.0)

    # a plate laid on the teeth rests on the highest cusps of each: the others lie 1 to 3 mm under
    # it, buccal ones in one arch and lingual ones in the other
    pairs = cKDTree(placed[tips, :2]).query_pairs(_TOOTH_MM, output_type="ndarray")
    first, second = np.concatenate([pairs, pairs[:, ::-1]]).T
    over = np.zeros(len(tips))
    np.maximum.at(over, first, height[tips[second]] - height[tips[first]])
    return tips, weights * np.exp(-np.minimum(over, _FALL_MOST_MM) / _OVERTOPPED_MM)


def _first_plane(tips: Floats, weights: Floats) -> Floats | None:
    """(3,) slopes and height of the best plane through three tips."""
    order = np.lexsort((-tips[:, 2], -weights))[:_TRIPLE_TIPS]
    triples = np.array(list(combinations(np.sort(order), 3)), dtype=np.int64)
    a, b, c = (tips[triples[:, k]] for k in range(3))
    normals = np.cross(b - a, c - a)
    flip = np.sign(normals[:, 2])
    length = np.linalg.norm(normals, axis=1)
    wide = length > 4.0  # mm2; thinner triangles say nothing of the tilt
    level = np.where(wide, normals[:, 2] * flip / np.where(wide, length, 1.0), 0.0)
    wide &= level >= np.cos(np.radians(_TILT_MOST_DEG))
    if not wide.any():
        return None
    normals, a, level = normals[wide], a[wide], level[wide]
    slopes = -normals[:, :2] / normals[:, 2:]
    height = a[:, 2] - np.einsum("ij,ij->i", slopes, a[:, :2])
    off = tips[None, :, 2] - slopes @ tips[:, :2].T - height[:, None]
    off *= level[:, None]
    on = np.clip(1.0 - (off / _NEAR_MM) ** 2, 0.0, None)
    above = np.clip(off / _NEAR_MM - 1.0, 0.0, 1.0)
    tilt_deg = np.degrees(np.arccos(np.clip(level, -1.0, 1.0)))
    score = (on - _ABOVE_COST * above) @ weights - 0.5 * (tilt_deg / _TILT_TRUST_DEG) ** 2
    best = int(np.argmax(score))
    return np.array([*slopes[best], height[best]])


def _refit(tips: Floats, weights: Floats, plane: Floats) -> Floats:
    """Reweighted least squares from ``plane`` until it stands still (Tukey's biweight)."""
    rows = np.column_stack([tips[:, :2], np.ones(len(tips))])
    prior = np.diag([1.0, 1.0, 0.0]) * (_TIP_TRUST_MM / np.tan(np.radians(_TILT_TRUST_DEG))) ** 2
    for _ in range(_REWEIGHTS):
        level = 1.0 / np.sqrt(1.0 + plane[0] ** 2 + plane[1] ** 2)
        off = (tips[:, 2] - rows @ plane) * level
        say = weights * np.clip(1.0 - (off / _REACH_MM) ** 2, 0.0, None) ** 2
        weighted = rows * say[:, None]
        system = rows.T @ weighted + prior
        if np.linalg.cond(system) > 1e12:
            return plane
        again = np.linalg.solve(system, weighted.T @ tips[:, 2])
        moved = float(np.abs(again - plane).max())
        plane = again
        if moved < _STILL:
            break
    return plane


def _described(
    centre: Floats, axes: Floats, points: Floats, plane: Floats, tips: Ints, weights: Floats
) -> CuspPlane:
    normal = _normal(plane)
    off = points[tips] @ normal - plane[2] * normal[2]
    near = (np.abs(off) <= _NEAR_MM) & (weights >= _SPEAKS)
    placed = points[tips[near]]
    reach_mm = (0.0, 0.0)
    if len(placed) >= 3:
        flat = placed @ plane_axes(normal, np.array([0.0, 1.0, 0.0]))[:2].T
        spans = np.sqrt(np.clip(np.linalg.eigvalsh(np.cov(flat.T)), 0.0, None))
        reach_mm = (float(spans[1]), float(spans[0]))
    up = normal @ axes
    return CuspPlane(
        up=up,
        height_mm=float(plane[2] * normal[2] + up @ centre),
        tips=tips[near],
        spread_mm=float(np.sqrt(np.mean(off[near] ** 2))) if near.any() else 0.0,
        reach_mm=reach_mm,
    )
