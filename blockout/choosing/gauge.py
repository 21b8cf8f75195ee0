"""Undercut depth at a few places along many paths, by rays against a cast that is never turned.

The same depth as :mod:`blockout.surveying.depth` reads: the wall of the undercut is looked for
where the surface faces, and rays close in on it from there. Every place has its own path, so that
many tilts are asked in one go.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.kernel.rays import RayScene
from blockout.mesh import Bools, Floats, Ints
from blockout.tolerances import TOLERANCES, Tolerances

DEEPEST_MM: Final = 12.0
"""A depth is not followed beyond this: deeper than any undercut a framework meets."""
_REACHES_MM: Final = (1.0, 3.0, DEEPEST_MM)
_ASIDE: Final = np.radians((35.0, -35.0, 70.0, -70.0, 105.0, -105.0, 150.0, -150.0))
_NEARER: Final = 0.97
_FANS: Final = (0.35, 0.1, 0.03)
_ROUGH_HALVINGS: Final = 6
_HALVINGS: Final = 11
_GAUGED_AT_ONCE: Final = 6


def deepest_of_groups(
    surface: RayScene,
    points_mm: Floats,
    normals: Floats,
    along: Floats,
    group: Ints,
    *,
    count: int,
    rounds: int | None = None,
    tolerances: Tolerances = TOLERANCES,
) -> tuple[Floats, Ints]:
    """The deepest place of each group: its depth (count,), 0 where nothing is undercut, and its
    number (count,), -1 there.

    Every place is first gauged straight out from the surface, which is never less than its depth;
    the deepest by that are gauged closely, until none that is left could be deeper.

    Parameters
    ----------
    surface : RayScene
        The scanned surface, in the coordinates of the places.
    points_mm, normals, along : (k, 3)
        Places on the surface, which way it faces there, and unit directions of removal.
    group : (k,) int
        From 0 to ``count`` - 1, in any order.
    rounds : int, optional
        Stop after gauging the few deepest so often, even where a deeper one may be left.
    """
    depth, place = np.zeros(count), np.full(count, -1, dtype=np.int64)
    frames = _Frames.of(points_mm, normals, along)
    hidden = np.flatnonzero(_covered(surface, points_mm, along, tolerances))
    most = np.zeros(len(points_mm))
    most[hidden] = _straight_out(
        surface, frames.at(hidden), halvings=_ROUGH_HALVINGS, tolerances=tolerances
    )[1]
    waiting = hidden[np.lexsort((-most[hidden], group[hidden]))]
    done = 0
    while len(waiting) and done != rounds:
        done += 1
        # of each group the first few; they stand together, deepest first
        start = np.r_[True, group[waiting][1:] != group[waiting][:-1]]
        rank = np.arange(len(waiting)) - np.maximum.accumulate(
            np.where(start, np.arange(len(waiting)), 0)
        )
        now = waiting[rank < _GAUGED_AT_ONCE]
        close = _closed_in(surface, frames.at(now), tolerances)
        order = np.argsort(close, kind="stable")
        better = order[close[order] > depth[group[now[order]]]]
        depth[group[now[better]]], place[group[now[better]]] = close[better], now[better]
        waiting = waiting[rank >= _GAUGED_AT_ONCE]
        waiting = waiting[most[waiting] > depth[group[waiting]]]
    return depth, place


def gauge_depth_mm(
    surface: RayScene,
    points_mm: Floats,
    normals: Floats,
    along: Floats,
    *,
    tolerances: Tolerances = TOLERANCES,
) -> Floats:
    """(k,) undercut depth of places along their paths; 0 where nothing is above. Parameters as
    :func:`deepest_of_groups`.
    """
    count = len(points_mm)
    return deepest_of_groups(
        surface, points_mm, normals, along, np.arange(count), count=count, tolerances=tolerances
    )[0]


@dataclass(frozen=True, eq=False)
class _Frames:
    """Places, each with its path and two unit directions square to it: outward, and to the side."""

    points: Floats
    along: Floats
    out: Floats
    side: Floats

    @classmethod
    def of(cls, points: Floats, normals: Floats, along: Floats) -> _Frames:
        out = normals - np.einsum("ij,ij->i", normals, along)[:, None] * along
        length = np.linalg.norm(out, axis=1)
        flat = length < 1e-9
        if flat.any():
            out[flat] = np.cross(along[flat], np.array([0.36, 0.48, 0.8]))
            length[flat] = np.linalg.norm(out[flat], axis=1)
        out = out / np.maximum(length, 1e-12)[:, None]
        return cls(points, along, out, np.cross(along, out))

    def at(self, some: Ints) -> _Frames:
        return _Frames(self.points[some], self.along[some], self.out[some], self.side[some])

    def heading(self, turn: Floats) -> Floats:
        turned: Floats = np.cos(turn)[:, None] * self.out + np.sin(turn)[:, None] * self.side
        return turned


def _covered(surface: RayScene, points: Floats, along: Floats, tolerances: Tolerances) -> Bools:
    """(k,) whether scanned surface is above each point along its path."""
    if not len(points):
        return np.zeros(0, dtype=bool)
    return surface.blocked(points, along, beyond_mm=tolerances.ray_margin_mm)


def _straight_out(
    surface: RayScene, frames: _Frames, *, halvings: int, tolerances: Tolerances
) -> tuple[Floats, Floats]:
    """Between which distances outward there is nothing above any more, each (k,)."""
    points, along, out = frames.points, frames.along, frames.out
    low, high = np.zeros(len(points)), np.full(len(points), DEEPEST_MM)
    left = np.arange(len(points))
    for reach_mm in _REACHES_MM:
        over = _covered(surface, points[left] + reach_mm * out[left], along[left], tolerances)
        high[left[~over]] = reach_mm
        left = left[over]
        low[left] = reach_mm
    for _ in range(halvings):
        middle = 0.5 * (low + high)
        over = _covered(surface, points + middle[:, None] * out, along, tolerances)
        low, high = np.where(over, middle, low), np.where(over, high, middle)
    return low, high


def _wall_within(
    surface: RayScene, frames: _Frames, turn: Floats, reach_mm: Floats, tolerances: Tolerances
) -> Floats:
    """(k,) distance to the wall along turned headings; infinite where ``reach_mm`` is still
    covered.
    """
    found = np.full(len(turn), np.inf)
    heading = frames.heading(turn)
    over = _covered(surface, frames.points + reach_mm[:, None] * heading, frames.along, tolerances)
    some = np.flatnonzero(~over)
    points, along, heading = frames.points[some], frames.along[some], heading[some]
    low, high = np.zeros(len(some)), reach_mm[some]
    for _ in range(_HALVINGS if len(some) else 0):
        middle = 0.5 * (low + high)
        over = _covered(surface, points + middle[:, None] * heading, along, tolerances)
        low, high = np.where(over, middle, low), np.where(over, high, middle)
    found[some] = 0.5 * (low + high)
    return found


def _closed_in(surface: RayScene, frames: _Frames, tolerances: Tolerances) -> Floats:
    """(k,) distance to the nearest wall."""
    low, high = _straight_out(surface, frames, halvings=_HALVINGS, tolerances=tolerances)
    best = 0.5 * (low + high)
    angle = np.zeros(len(best))
    for aside in _ASIDE:
        # a wall nearer than the one known shows as nothing above, a little within that distance
        turn = np.full(len(best), aside)
        there = _wall_within(surface, frames, turn, _NEARER * best, tolerances)
        nearer = there < best
        best, angle = np.where(nearer, there, best), np.where(nearer, turn, angle)
    for half_fan in _FANS:
        reach_mm = best / np.cos(half_fan)
        left = _wall_within(surface, frames, angle - half_fan, reach_mm, tolerances)
        right = _wall_within(surface, frames, angle + half_fan, reach_mm, tolerances)
        # along a straight wall 1 / distance is a cosine of the angle from its foot
        near_left, near_right = 1.0 / np.maximum(left, 1e-9), 1.0 / np.maximum(right, 1e-9)
        foot = np.arctan2(
            (near_right - near_left) / np.sin(half_fan),
            (near_left + near_right) / np.cos(half_fan),
        )
        turn = angle + np.clip(foot, -0.8, 0.8)
        there = _wall_within(surface, frames, turn, best, tolerances)
        for distance, turned in (
            (left, angle - half_fan),
            (right, angle + half_fan),
            (there, turn),
        ):
            nearer = distance < best
            best, angle = np.where(nearer, distance, best), np.where(nearer, turned, angle)
    return best
