"""The blocked-out region U as a framework meets it: everything at or under the cast.

A point lies in U exactly when a ray along the path meets the cast. Here all of the cast counts, its
base too: metal under the land of a base cannot be lifted off either. How far a point lies inside is
told in two ways: ``depth_mm`` square to the path, as an undercut gauge reads it; and ``into_mm``,
the distance to the nearest place outside of U, whichever way that is: out to a wall, or up through
the cast's own surface.

All points here stand in path coordinates: ``path.to_path`` applied, z along the path.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import Final

import numpy as np
from scipy.spatial import cKDTree

from blockout.cast.cast import Cast
from blockout.kernel.rays import RayScene
from blockout.kernel.surfaces import nearest_places
from blockout.mesh import Bools, Floats, Ints, Mesh
from blockout.surveying.depth import Overhead, undercut_depth_mm
from blockout.surveying.path import InsertionPath
from blockout.tolerances import TOLERANCES, Tolerances

_RING: Final = 16
_SPACING_MM: Final = 0.2
_PAST_MM: Final = (0.0005, 0.005, 0.02)
_NEARER: Final = 0.995
_WAYS: Final = 96
_FANS: Final = (0.25, 0.12, 0.05, 0.02)
_PLACES_AIM: Final = 60_000
_FAN_WAYS: Final = 6
_HALVINGS: Final = 14
_UP: Final = np.array([0.0, 0.0, 1.0])


def shell_of_directions() -> Floats:
    """(25, 3) unit directions over a half ball whose pole is z: the rim first, then half way up,
    then the pole. A point whose ball of a radius lies in U has U in all of them.
    """
    rim = 2.0 * np.pi * np.arange(_RING) / _RING
    half = 2.0 * np.pi * np.arange(_RING // 2) / (_RING // 2)
    level = np.column_stack([np.cos(rim), np.sin(rim), np.zeros(_RING)])
    rising = np.column_stack([np.cos(half), np.sin(half), np.ones(len(half))]) / np.sqrt(2.0)
    return np.concatenate([level, rising, _UP[None]])


class BlockedOut:
    """U of one cast along one path, less the space that retentive terminals may fill.

    Parameters
    ----------
    cast : Cast
    path : InsertionPath
    spared : sequence of Mesh
        Closed meshes, path coordinates: undercut space in which metal may lie.
    """

    def __init__(
        self,
        cast: Cast,
        path: InsertionPath,
        *,
        spared: Sequence[Mesh] = (),
        tolerances: Tolerances = TOLERANCES,
    ) -> None:
        self.cast = cast
        self.path = path
        self.tolerances = tolerances
        self.mesh = cast.mesh.reshaped(cast.mesh.vertices @ path.to_path.T)
        self._overhead = Overhead(cast.mesh, path)
        self.spared = tuple(mesh for mesh in spared if mesh.triangle_count)
        self._spared_scenes = tuple(RayScene(mesh) for mesh in self.spared)

    def to_file(self, points_mm: Floats) -> Floats:
        """Path coordinates to those of the file."""
        return np.asarray(points_mm) @ self.path.to_path

    def covered(self, points_mm: Floats, *, along: Floats = _UP) -> Bools:
        """(k,) whether the cast is met from each point along ``along``, (3,) or (k, 3)."""
        return self._overhead.scene.blocked(
            points_mm, along, beyond_mm=self.tolerances.ray_margin_mm
        )

    def top_mm(self, flat_mm: Floats) -> Floats:
        """(k,) height of the cast over (k, 2); -inf beside it."""
        return self._overhead.top_mm(flat_mm)

    def deeper(
        self, points_mm: Floats, allowance_mm: float, *, along: Floats | None = None
    ) -> Bools:
        """(k,) whether a ball of the allowance about each point lies wholly in U.

        ``along`` (k, 3) gives each point a path of its own; left out it is the path.
        """
        points = np.asarray(points_mm, dtype=np.float64)
        deep = np.zeros(len(points), dtype=bool)
        paths = None if along is None else np.asarray(along, dtype=np.float64)
        left = np.flatnonzero(self.covered(points, along=_UP if paths is None else paths))
        if allowance_mm > 0.0:
            frames = None if paths is None else _frames(paths[left])
            # the pole first: most points near the surface are free there
            for way in allowance_mm * shell_of_directions()[::-1]:
                if not len(left):
                    break
                if frames is None:
                    left = left[self.covered(points[left] + way)]
                else:
                    moved = points[left] + np.einsum("k,nkx->nx", way, frames)
                    inside = self.covered(moved, along=frames[:, 2])
                    left, frames = left[inside], frames[inside]
        if len(left) and self.spared:
            left = left[self.off_spared_mm(points[left]) > allowance_mm]
        deep[left] = True
        return deep

    def depth_mm(self, points_mm: Floats) -> Floats:
        """(k,) distance to the wall of U square to the path; 0 outside of U."""
        return undercut_depth_mm(
            self._overhead,
            self.to_file(points_mm),
            spacing_mm=_SPACING_MM,
            tolerances=self.tolerances,
        )

    def into_mm(self, points_mm: Floats, depth_mm: Floats) -> Floats:
        """(k,) distance to the nearest place outside of U, given the depth square to the path.

        The nearest of: the wall of U at the point's height, the cast's top over it, the cast's seen
        surface, and what rays meet in ways all over the half ball above; then rays look closer in
        ways next to the best. It is never less than the true distance.
        """
        points = np.asarray(points_mm, dtype=np.float64)
        into = depth_mm.copy()
        ways = np.tile(_UP, (len(points), 1))
        up_mm = np.maximum(self.top_mm(points[:, :2]) - points[:, 2], 0.0)
        inside = np.flatnonzero(depth_mm > 0.0)
        if len(inside) and self._seen.triangle_count:
            near = nearest_places(self._seen, points[inside])
            toward = near.points_mm - points[inside]
            toward /= np.maximum(near.distance_mm, 1e-12)[:, None]
            for past_mm in _PAST_MM:
                self._closer(points, inside, near.distance_mm + past_mm, toward, into, ways)
            # the nearest place of a face that is seen in part may be hidden: then one that is seen
            nearest, at = self._seen_places.query(points[inside])
            away_mm = np.asarray(nearest, dtype=np.float64)
            toward = self._seen_places.data[at] - points[inside]
            toward /= np.maximum(away_mm, 1e-12)[:, None]
            self._closer(points, inside, away_mm + _PAST_MM[0], toward, into, ways)
        into[inside] = np.minimum(into[inside], up_mm[inside])
        for way in _half_ball(_WAYS):
            self._closer(points, inside, None, np.tile(way, (len(inside), 1)), into, ways)
        for fan in _FANS:
            for turn in 2.0 * np.pi * np.arange(_FAN_WAYS) / _FAN_WAYS:
                frames = _frames(ways[inside])
                aside = np.cos(turn) * frames[:, 0] + np.sin(turn) * frames[:, 1]
                toward = np.cos(fan) * ways[inside] + np.sin(fan) * aside
                self._closer(points, inside, None, toward, into, ways)
        return np.minimum(into, self.off_spared_mm(points)) if self.spared else into

    def _closer(
        self,
        points: Floats,
        rows: Ints,
        reach_mm: Floats | None,
        toward: Floats,
        into: Floats,
        ways: Floats,
    ) -> None:
        """Where U ends nearer than known in a direction, take that; ``into`` and ``ways`` are
        changed. ``reach_mm`` is where to look; left out, a little nearer than what is known.
        """
        reach = _NEARER * into[rows] if reach_mm is None else reach_mm
        ask = np.flatnonzero((toward[:, 2] >= -1e-9) & (reach < into[rows]))
        ask = ask[~self.covered(points[rows[ask]] + reach[ask, None] * toward[ask])]
        if not len(ask):
            return
        low, high = np.zeros(len(ask)), reach[ask]
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            over = self.covered(points[rows[ask]] + middle[:, None] * toward[ask])
            low, high = np.where(over, middle, low), np.where(over, high, middle)
        into[rows[ask]], ways[rows[ask]] = high, toward[ask]

    def off_spared_mm(self, points_mm: Floats) -> Floats:
        """(k,) distance to the space spared; 0 in it."""
        off = np.full(len(points_mm), np.inf)
        for mesh, scene in zip(self.spared, self._spared_scenes, strict=True):
            away = nearest_places(mesh, points_mm).distance_mm
            off = np.minimum(off, np.where(inside_of(mesh, scene, points_mm), 0.0, away))
        return off

    @cached_property
    def _seen_places(self) -> cKDTree:
        """Places all over the surface that looks up, those seen along the path."""
        up = self.mesh.part(self.mesh.face_crosses[:, 2] > 0.0)
        spacing_mm = max(0.2, float(np.sqrt(up.face_areas_mm2.sum() / _PLACES_AIM)))
        places = places_on(up, spacing_mm)
        margin = 4.0 * self.tolerances.ray_margin_mm
        return cKDTree(places[~self.covered(places + margin * _UP)])

    @cached_property
    def _seen(self) -> Mesh:
        """The faces of the cast that look up and are seen along the path, at least in part."""
        up = self.mesh.face_crosses[:, 2] > 0.0
        face = np.flatnonzero(up)
        margin = 4.0 * self.tolerances.ray_margin_mm
        open_ = np.zeros(len(face), dtype=bool)
        corners = self.mesh.corners[face]
        for share in ((1, 1, 1), (8, 1, 1), (1, 8, 1), (1, 1, 8)):
            weights = np.array(share, dtype=np.float64) / sum(share)
            places = np.einsum("k,fkx->fx", weights, corners)
            ask = np.flatnonzero(~open_)
            open_[ask] = ~self.covered(places[ask] + margin * _UP)
        keep = np.zeros(self.mesh.triangle_count, dtype=bool)
        keep[face[open_]] = True
        return self.mesh.part(keep)


def places_on(mesh: Mesh, spacing_mm: float) -> Floats:
    """(k, 3) the vertices of a surface, and places on its faces no further apart than about the
    spacing.
    """
    corners = mesh.corners
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    splits = np.ceil(longest / spacing_mm).astype(np.int64)
    found = [mesh.vertices]
    for split in np.unique(splits[splits > 1]).tolist():
        some = corners[splits == split]
        i, j = np.divmod(np.arange((split + 1) ** 2), split + 1)
        keep = (i + j <= split) & ~np.isin(np.maximum(np.maximum(i, j), split - i - j), (split,))
        i, j = i[keep], j[keep]
        weights = np.column_stack([split - i - j, i, j]) / split
        found.append(np.einsum("pk,fkx->fpx", weights, some).reshape(-1, 3))
    return np.concatenate(found)


def _half_ball(count: int) -> Floats:
    """(count, 3) directions spread evenly over the upper half ball, by the golden angle."""
    z = np.arange(count) / count
    turn = np.pi * (3.0 - np.sqrt(5.0)) * np.arange(count)
    out = np.sqrt(1.0 - z * z)
    return np.column_stack([out * np.cos(turn), out * np.sin(turn), z])


def inside_of(mesh: Mesh, scene: RayScene, points_mm: Floats) -> Bools:
    """(k,) whether points lie in a closed mesh: the first face met from within looks away."""
    hits = scene.first_hit(points_mm, _UP)
    inside: Bools = (hits.face >= 0) & (mesh.face_crosses[hits.face, 2] > 0.0)
    return inside


def _frames(along: Floats) -> Floats:
    """(k, 3, 3) rows: two directions square to each of ``along`` (k, 3), and itself."""
    aside = np.zeros_like(along)
    axis = (np.abs(along[:, 0]) > 0.9).astype(np.int64)
    rows = np.arange(len(along))
    aside[rows, axis] = 1.0
    aside -= along * along[rows, axis][:, None]
    aside /= np.linalg.norm(aside, axis=1)[:, None]
    return np.stack([aside, np.cross(along, aside), along], axis=1)
