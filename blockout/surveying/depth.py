"""Undercut depth: what an undercut gauge reads.

U is everything at or under the cast's scanned surface, as seen along the path. The depth at a point
p is the distance, square to the path and at p's height, from p to the wall of U. A point lies in U
exactly when scanned surface is above it; so the wall at p's height is met where a ray along the
path is first free. Walls stand under edges and borders (:mod:`blockout.surveying.walls`), and rays
say whether the nearest of them is where U ends. Where it is not, a height map of the scanned
surface finds about where that is, and rays close in on it from the nearest directions.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import cached_property

import numpy as np
from scipy.ndimage import maximum_filter, minimum_filter
from scipy.spatial import cKDTree

from blockout.kernel.rays import RayScene
from blockout.mesh import Bools, Floats, Ints, Mesh
from blockout.surveying.path import InsertionPath
from blockout.surveying.walls import Walls, walls_of
from blockout.tolerances import TOLERANCES, Tolerances

_UP = np.array([0.0, 0.0, 1.0])
_MAP_STEPS_LIMIT = 1500
_HALVINGS = 14
_BLOCK = 12_000
"""Points are taken in blocks of about this many, a thread each; the same on any machine."""
_BINS = 96
_NEAREST = 8
_BESIDE = 8
_FANS = (0.35, 0.1, 0.03, 0.01)
_WIDEST_TURN = 0.8
_FEWEST_AROUND = 16
_MOST_AROUND = 128
_ROUNDS = 4
_WALL_SURE_MM = 0.0002
"""A wall under an edge is taken as it is when U ends within this of it: a fifth of a step."""
_PLACES_AT_ONCE = 40_000
_CROSS = np.array([[0, 1, 0], [1, 1, 1], [0, 1, 0]], dtype=bool)


class Overhead:
    """The scanned surface of one cast seen along one path: what is above a point?

    Works in path coordinates: ``path.to_path`` applied, z along the path.
    """

    def __init__(self, surface: Mesh, path: InsertionPath) -> None:
        self.to_path = path.to_path
        self._surface = surface
        turned = Mesh(surface.vertices @ self.to_path.T, surface.faces)
        self.scene = RayScene(turned)
        self.bounds_mm = turned.bounds_mm

    def covered(self, points_mm: Floats, *, margin_mm: float) -> Bools:
        """(k,) whether scanned surface lies more than ``margin_mm`` above each point (k, 3)."""
        return self.scene.blocked(points_mm, _UP, beyond_mm=margin_mm)

    @cached_property
    def walls(self) -> Walls:
        """The walls of U, as far as edges and borders make them."""
        looks_up = self._surface.face_crosses @ self.to_path[2] > 0.0
        margin_mm = TOLERANCES.ray_margin_mm
        return walls_of(self._surface, self.to_path, looks_up, self.top_mm, margin_mm=margin_mm)

    def top_mm(self, flat_mm: Floats) -> Floats:
        """(k,) height of the highest scanned surface over (k, 2); -inf where there is none."""
        start_mm = float(self.bounds_mm[1, 2]) + 1.0
        origins = np.column_stack([flat_mm, np.full(len(flat_mm), start_mm)])
        return start_mm - self.scene.first_hit(origins, -_UP).distance_mm


class OverheadInPlace(Overhead):
    """The same, asked by rays along the path about a surface that stays in file coordinates: what
    was made ready for rays once then serves every path.
    """

    def __init__(self, surface: Mesh, scene: RayScene, path: InsertionPath) -> None:
        self.to_path = path.to_path
        self._surface = surface
        self.scene = scene
        turned = surface.vertices @ self.to_path.T
        self.bounds_mm = np.stack([turned.min(axis=0), turned.max(axis=0)])

    def covered(self, points_mm: Floats, *, margin_mm: float) -> Bools:
        asked = points_mm @ self.to_path
        return self.scene.blocked(asked, self.to_path[2], beyond_mm=margin_mm)

    def top_mm(self, flat_mm: Floats) -> Floats:
        start_mm = float(self.bounds_mm[1, 2]) + 1.0
        origins = np.column_stack([flat_mm, np.full(len(flat_mm), start_mm)]) @ self.to_path
        return start_mm - self.scene.first_hit(origins, -self.to_path[2]).distance_mm


def undercut_depth_mm(
    overhead: Overhead,
    points_mm: Floats,
    *,
    spacing_mm: float,
    outward: Callable[[Ints], Floats] | None = None,
    tolerances: Tolerances = TOLERANCES,
) -> Floats:
    """(k,) undercut depth at points of the surface, mm; zero where nothing is above.

    Parameters
    ----------
    overhead : Overhead
    points_mm : (k, 3)
        File coordinates.
    spacing_mm : float
        Typical edge length of the surface; the height map is about as fine.
    outward : function, optional
        Which way the surface looks, (j, 3), at the points of these rows (j,): where it does so into
        a cleft with upright walls, hardly any other way leads out.
    """
    points = np.asarray(points_mm) @ overhead.to_path.T
    depth = np.zeros(len(points))
    hidden = np.flatnonzero(overhead.covered(points, margin_mm=tolerances.ray_margin_mm))
    if not len(hidden):
        return depth
    hidden = hidden[np.argsort(points[hidden, 2], kind="stable")]
    first = np.full((len(hidden), 3), np.nan)
    if outward is not None:
        first = outward(hidden) @ overhead.to_path.T
    search = _Search(overhead, spacing_mm, tolerances)
    blocks = np.array_split(np.arange(len(hidden)), max(1, len(hidden) // _BLOCK))

    def found(rows: Ints) -> Floats:
        return search.depth_mm(points[hidden[rows]], first[rows])

    if len(blocks) == 1:
        depth[hidden] = found(blocks[0])
        return depth
    search.prepare()
    with ThreadPoolExecutor(min(len(blocks), os.cpu_count() or 1)) as pool:
        depth[hidden] = np.concatenate(list(pool.map(found, blocks)))
    return depth


class _Search:
    """The depth of hidden points of one surface along one path, path coordinates."""

    def __init__(self, overhead: Overhead, spacing_mm: float, tolerances: Tolerances) -> None:
        self._overhead = overhead
        self._spacing_mm = spacing_mm
        self._tolerances = tolerances

    @cached_property
    def heights(self) -> _HeightMap:
        margin_mm = self._tolerances.ray_margin_mm
        return _HeightMap(self._overhead, self._spacing_mm, margin_mm=margin_mm)

    def prepare(self) -> None:
        """Make what several threads would else make at once."""
        _ = self.heights, self._overhead.walls.tree

    def depth_mm(self, points: Floats, outward: Floats) -> Floats:
        """(k,) undercut depth; ``outward`` as for :func:`undercut_depth_mm`, or not a number."""
        depth = _beside_mm(self._overhead, points, outward, self._tolerances)
        left = np.flatnonzero(np.isinf(depth))
        if len(left):
            depth[left] = _distance_out(
                self._overhead, self.heights, points[left], self._tolerances
            )
        return depth


def _beside_mm(
    overhead: Overhead, points: Floats, outward: Floats, tolerances: Tolerances
) -> Floats:
    """(k,) distance to where nothing is above, where that is within two steps of depth; else
    infinite.

    At the foot of a wall along the path rounding decides whether the wall is above; the way out is
    a gap far narrower than the height map can show.
    """
    far_mm = 2.0 * tolerances.depth_step_mm
    ways = [(np.full(len(points), k * (2.0 * np.pi / _BESIDE)), far_mm) for k in range(_BESIDE)]
    # a cleft may be no wider than this
    ways.insert(0, (np.arctan2(outward[:, 1], outward[:, 0]), 0.1 * far_mm))
    way_out = np.full(len(points), np.nan)
    reach = np.zeros(len(points))
    asked = np.flatnonzero(np.isfinite(ways[0][0]))
    for turn, reach_mm in ways:
        angle = turn[asked]
        step = reach_mm * np.column_stack([np.cos(angle), np.sin(angle), np.zeros(len(angle))])
        free = ~overhead.covered(points[asked] + step, margin_mm=tolerances.ray_margin_mm)
        way_out[asked[free]], reach[asked[free]] = angle[free], reach_mm
        asked = np.flatnonzero(np.isnan(way_out))
    found = np.flatnonzero(np.isfinite(way_out))
    beside = np.full(len(points), np.inf)
    beside[found] = _wall_distance(
        overhead, points[found], way_out[found], reach[found], tolerances
    )
    return beside


class _HeightMap:
    """Heights of the scanned surface on a square grid, with an empty margin."""

    def __init__(self, overhead: Overhead, spacing_mm: float, *, margin_mm: float) -> None:
        low, high = overhead.bounds_mm[:, :2]
        extent_mm = float((high - low).max())
        self.step_mm = max(float(np.clip(spacing_mm, 0.05, 0.2)), extent_mm / _MAP_STEPS_LIMIT)
        steps = np.ceil((high - low) / self.step_mm).astype(np.int64) + 5
        grid = np.indices(tuple(steps)).reshape(2, -1).T
        self.cells_mm = low - 2.0 * self.step_mm + grid * self.step_mm
        # surface no higher than rays keep off their start covers nothing: a point lies on its own
        self.top_mm = overhead.top_mm(self.cells_mm) - margin_mm
        square = self.top_mm.reshape(tuple(steps))
        self._shape = (int(steps[0]), int(steps[1]))
        self._low_mm = minimum_filter(square, size=3).reshape(-1)
        self._beside_mm = maximum_filter(
            square, footprint=_CROSS, mode="constant", cval=-np.inf
        ).reshape(-1)
        self._corner_mm = self.cells_mm[0]

    def low_near(self, x_mm: Floats, y_mm: Floats) -> Floats:
        """Lowest height in the nine cells around each place; -inf outside the map."""
        # the outermost cells are empty, and so is what lies beyond them
        i, j = (
            np.clip(np.rint((along - corner) / self.step_mm), 0, size - 1).astype(np.int32)
            for along, corner, size in zip((x_mm, y_mm), self._corner_mm, self._shape, strict=True)
        )
        low: Floats = self._low_mm[i * np.int32(self._shape[1]) + j]
        return low

    def nearest_free(self, points: Floats) -> Floats:
        """(k, 2) offset in mm from each point (k, 3) to about the nearest cell whose height is
        under the point's own.

        The points are taken in bins of height. A cell that is free somewhere in a bin is either
        free in all of it, and then the nearest such one lies at the rim of those, or its own
        height lies in the bin.
        """
        offset = np.empty((len(points), 2))
        order = np.argsort(points[:, 2], kind="stable")
        for group in np.array_split(order, max(1, min(_BINS, len(order) // 50))):
            low_mm, high_mm = points[group[0], 2], points[group[-1], 2]
            rim = (self.top_mm < low_mm) & (self._beside_mm >= low_mm)
            some = rim | ((self.top_mm >= low_mm) & (self.top_mm < high_mm))
            offset[group] = self._nearest(points[group], some, rim)
        return offset

    def _nearest(self, points: Floats, some: Bools, rim: Bools) -> Floats:
        flat = points[:, :2]
        cell = np.flatnonzero(some)
        _, near = cKDTree(self.cells_mm[cell]).query(flat, k=_NEAREST)
        known = near < len(cell)
        near = cell[np.where(known, near, 0)]
        free = known & (self.top_mm[near] < points[:, 2:])
        pick = near[np.arange(len(points)), free.argmax(axis=1)]
        none = ~free.any(axis=1)
        if none.any():
            cell = np.flatnonzero(rim)
            pick[none] = cell[cKDTree(self.cells_mm[cell]).query(flat[none])[1]]
        offset: Floats = self.cells_mm[pick] - flat
        return offset


def _distance_out(
    overhead: Overhead, heights: _HeightMap, points: Floats, tolerances: Tolerances
) -> Floats:
    """(k,) distance from hidden points to where nothing is above, at their own height."""
    best, angle = _at_walls(overhead, points, tolerances)
    lost = np.flatnonzero(np.isinf(best))
    if len(lost):
        offset = heights.nearest_free(points[lost])
        best[lost], angle[lost] = _closed_in(overhead, points[lost], offset, tolerances)
    unsure = np.arange(len(points))
    for _ in range(_ROUNDS):
        # all around, just inside the distance found, everything must be covered
        opening = _opening_inside(
            overhead, heights, points[unsure], best[unsure], angle[unsure], tolerances
        )
        found = np.isfinite(opening)
        unsure = unsure[found]
        if not len(unsure):
            break
        reach_mm = best[unsure] - tolerances.depth_step_mm
        towards = np.column_stack([np.cos(opening[found]), np.sin(opening[found])])
        again, turned = _closed_in(
            overhead, points[unsure], reach_mm[:, None] * towards, tolerances
        )
        nearer = again < best[unsure]
        best[unsure[nearer]], angle[unsure[nearer]] = again[nearer], turned[nearer]
    return best


def _at_walls(overhead: Overhead, points: Floats, tolerances: Tolerances) -> tuple[Floats, Floats]:
    """Distance to the nearest wall under an edge, and its direction; infinite where U does not end
    just there: rays on both sides of it say so.
    """
    best, angle = np.full(len(points), np.inf), np.zeros(len(points))
    offset = overhead.walls.nearest(points)
    away_mm = np.hypot(offset[:, 0], offset[:, 1])
    known = np.flatnonzero(np.isfinite(away_mm) & (away_mm > _WALL_SURE_MM))
    away_mm, way = away_mm[known], offset[known]
    step = np.column_stack([way / away_mm[:, None], np.zeros(len(known))])
    for off_mm, wanted in ((-_WALL_SURE_MM, True), (_WALL_SURE_MM, False)):
        asked = points[known] + (away_mm + off_mm)[:, None] * step
        fits = overhead.covered(asked, margin_mm=tolerances.ray_margin_mm) == wanted
        known, away_mm, way, step = known[fits], away_mm[fits], way[fits], step[fits]
    best[known] = away_mm
    angle[known] = np.arctan2(way[:, 1], way[:, 0])
    return best, angle


def _opening_inside(
    overhead: Overhead,
    heights: _HeightMap,
    points: Floats,
    best_mm: Floats,
    angle: Floats,
    tolerances: Tolerances,
) -> Floats:
    """(k,) direction in which a point just inside the distance found is free; nan where none is.

    The deeper the point, the more directions: a straight wall nearer by ``depth_step_mm`` twice
    over opens a gap between no two of them. Only directions are asked in which the height map has
    something free near by, and not those next to ``angle``, where the wall is known.
    """
    direction = np.full(len(points), np.nan)
    inside_mm = best_mm - tolerances.depth_step_mm
    # a circle of that size is no larger than what rays tell apart
    asked = np.flatnonzero(inside_mm > tolerances.depth_step_mm)
    gap = 2.0 * np.arccos(inside_mm[asked] / best_mm[asked])
    around = np.maximum(np.ceil(2.0 * np.pi / gap), _FEWEST_AROUND)
    around = np.minimum(2 ** np.ceil(np.log2(around)).astype(np.int64), _MOST_AROUND)
    for count in np.unique(around):
        left = asked[around == count]
        turns = np.arange(count) * (2.0 * np.pi / count)
        while len(left) and len(turns):
            now, turns = np.split(turns, [max(1, _PLACES_AT_ONCE // len(left))])
            off = np.cos(now - angle[left, None]) < np.cos(_FANS[-1])
            x_mm, y_mm = (
                points[left, k, None] + inside_mm[left, None] * way
                for k, way in enumerate((np.cos(now), np.sin(now)))
            )
            off &= heights.low_near(x_mm, y_mm) < points[left, 2, None]
            row, turn = np.nonzero(off)
            moved = np.column_stack([x_mm[row, turn], y_mm[row, turn], points[left[row], 2]])
            free = ~overhead.covered(moved, margin_mm=tolerances.ray_margin_mm)
            row, first = np.unique(row[free], return_index=True)
            direction[left[row]] = now[turn[free][first]]
            left = np.delete(left, row)
    return direction


def _closed_in(
    overhead: Overhead, points: Floats, offset: Floats, tolerances: Tolerances
) -> tuple[Floats, Floats]:
    """Distance to the wall, and its direction, near the direction of ``offset`` (k, 2), by rays.

    Two more directions to either side show how the wall runs; the foot of the perpendicular on it
    is a better direction. A few rounds are enough, and the least distance seen is returned, which
    is never less than the true one.
    """
    angle = np.arctan2(offset[:, 1], offset[:, 0])
    reach_mm = np.linalg.norm(offset, axis=1)
    best = _wall_distance(overhead, points, angle, reach_mm, tolerances)
    # what was found free from above and covered from below lies on a wall: that is the distance
    best = np.where(np.isfinite(best), best, reach_mm)
    columns = np.arange(len(points))
    for half_fan in _FANS:
        reach_mm = best / np.cos(half_fan)
        left = _wall_distance(overhead, points, angle - half_fan, reach_mm, tolerances)
        right = _wall_distance(overhead, points, angle + half_fan, reach_mm, tolerances)
        turned = angle + _foot_of_wall(left, right, half_fan)
        there = _wall_distance(overhead, points, turned, best, tolerances)
        distances = np.stack([best, there, left, right])
        angles = np.stack([angle, turned, angle - half_fan, angle + half_fan])
        pick = distances.argmin(axis=0)
        best, angle = distances[pick, columns], angles[pick, columns]
    return best, angle


def _foot_of_wall(left: Floats, right: Floats, half_fan: float) -> Floats:
    """Angle from the middle to the foot of the perpendicular on the straight wall through two
    points seen at ``-half_fan`` and ``+half_fan``: along a straight wall 1 / distance is
    ``a cos + b sin`` of the angle. Infinite distances count as a wall that runs away.
    """
    near_left, near_right = 1.0 / np.maximum(left, 1e-9), 1.0 / np.maximum(right, 1e-9)
    a = (near_left + near_right) / np.cos(half_fan)
    b = (near_right - near_left) / np.sin(half_fan)
    turn: Floats = np.clip(np.arctan2(b, a), -_WIDEST_TURN, _WIDEST_TURN)
    return turn


def _wall_distance(
    overhead: Overhead, points: Floats, angle: Floats, reach_mm: Floats, tolerances: Tolerances
) -> Floats:
    """Distance along each direction to where nothing is above; infinite where ``reach_mm`` is
    still covered.
    """
    heading = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(len(angle))])
    margin_mm = tolerances.ray_margin_mm

    def covered(distance_mm: Floats) -> Bools:
        return overhead.covered(points + distance_mm[:, None] * heading, margin_mm=margin_mm)

    low, high = np.zeros(len(points)), reach_mm
    lost = covered(high)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        over = covered(middle)
        low = np.where(over, middle, low)
        high = np.where(over, high, middle)
    return np.where(lost, np.inf, 0.5 * (low + high))
