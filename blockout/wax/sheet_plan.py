"""The plan of a wax sheet: the zone laid flat, divided into well-shaped triangles, with the rings
of its outline and its windows among their edges; and finer where it must be.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from scipy.spatial import cKDTree

from blockout.errors import InputError
from blockout.kernel.outlines import (
    Region,
    hex_points,
    inside,
    is_simple,
    triangles_inside,
)
from blockout.mesh import Floats, Ints

_CLEAR_SHARE: Final = 0.55
"""Inner points keep this share of the spacing off the rings."""
_APART_SHARE: Final = 0.3
"""New points keep this share of the edge they halve off each other."""
_CIRCLE: Final = 1.001
"""A ring's edge stays an edge of the triangles while no point lies in the circle over it."""
ZONE: Final = -1
"""The window number of what lies in no window."""


@dataclass(frozen=True, eq=False)
class Plan:
    """Points in the plane and the rings among them.

    Parameters
    ----------
    flat_mm : (n, 2) float
    rings : tuple of (k,) int
        The outline's points, then those of each window, all anticlockwise.
    window : (n,) int
        For points of no ring the window that each lies in, or ``ZONE``.
    """

    flat_mm: Floats
    rings: tuple[Ints, ...]
    window: Ints

    @cached_property
    def on_ring(self) -> Ints:
        """All points on rings, ring by ring."""
        return np.concatenate(self.rings)

    @cached_property
    def triangles(self) -> tuple[Ints, Ints]:
        """(t, 3) anticlockwise triangles that fill the outline, and (t,) the window each is in,
        or ``ZONE``.
        """
        free = np.ones(len(self.flat_mm), dtype=bool)
        free[self.on_ring] = False
        rows, windows = [], []
        holes = [ring[::-1] for ring in self.rings[1:]]
        for window, rings in [(ZONE, [self.rings[0], *holes])] + [
            (k, [ring]) for k, ring in enumerate(self.rings[1:])
        ]:
            within = np.flatnonzero(free & (self.window == window))
            outer, *others = (self.flat_mm[ring] for ring in rings)
            found = triangles_inside(Region(outer, tuple(others)), self.flat_mm[within])
            rows.append(np.concatenate([*rings, within])[found])
            windows.append(np.full(len(found), window))
        return np.concatenate(rows), np.concatenate(windows)

    @cached_property
    def edges(self) -> tuple[Ints, Ints]:
        """(e, 2) edges of the triangles, lower number first, and (e,) the window of a triangle
        beside each.
        """
        triangles, window = self.triangles
        every = np.sort(
            np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]]),
            axis=1,
        )
        size = np.int64(len(self.flat_mm))
        _, first = np.unique(every[:, 0] * size + every[:, 1], return_index=True)
        return every[first], np.tile(window, 3)[first]

    def with_points(self, pair: Ints, share: Floats) -> tuple[Plan, Ints, Floats]:
        """The plan with points put on some of its edges.

        Parameters
        ----------
        pair : (k, 2) int
            Edges, lower number first, the most wanted first.
        share : (k,) float
            Where on the way from the lower to the higher number.

        Returns
        -------
        plan : Plan
        pair : (j, 2) int
            The edges on which points were put: none of two close together, and in place of a
            point too near to a ring the edge of that ring, so that rings stay edges of triangles.
        share : (j,) float
        """
        pair, share = self._off_rings(pair, share)
        one, other = self.flat_mm[pair[:, 0]], self.flat_mm[pair[:, 1]]
        points = one + share[:, None] * (other - one)
        length = np.linalg.norm(other - one, axis=1)
        taken = np.array(_apart(points, _APART_SHARE * length), dtype=np.int64)
        first = len(self.flat_mm)
        number = {(int(a), int(b)): first + k for k, (a, b) in enumerate(pair[taken])}
        ends, windows = self.edges
        size = np.int64(first)
        at = np.searchsorted(ends[:, 0] * size + ends[:, 1], pair[taken, 0] * size + pair[taken, 1])
        plan = Plan(
            np.vstack([self.flat_mm, points[taken]]),
            tuple(_with_points_between(ring, number) for ring in self.rings),
            np.r_[self.window, windows[at]],
        )
        return plan, pair[taken], share[taken]

    def _off_rings(self, pair: Ints, share: Floats) -> tuple[Ints, Floats]:
        """The same, with a ring's edge halved instead wherever a point would lie in the circle
        over it.
        """
        ring = np.sort(
            np.concatenate([np.stack([r, np.roll(r, -1)], axis=1) for r in self.rings]), axis=1
        )
        size = np.int64(len(self.flat_mm))
        on_ring = np.isin(pair[:, 0] * size + pair[:, 1], ring[:, 0] * size + ring[:, 1])
        one, other = self.flat_mm[ring[:, 0]], self.flat_mm[ring[:, 1]]
        half = np.linalg.norm(other - one, axis=1) / 2.0
        low, high = self.flat_mm[pair[:, 0]], self.flat_mm[pair[:, 1]]
        points = low + share[:, None] * (high - low)
        count = min(4, len(ring))
        off, near = cKDTree((one + other) / 2.0).query(points, k=count)
        off, near = np.reshape(off, (-1, count)), np.reshape(near, (-1, count))
        within = (off < half[near] * _CIRCLE) & ~on_ring[:, None]
        kept = ~within.any(axis=1)
        halved = np.setdiff1d(near[within], [])
        wanted = pair[on_ring][:, 0] * size + pair[on_ring][:, 1]
        halved = halved[~np.isin(ring[halved, 0] * size + ring[halved, 1], wanted)]
        return (
            np.vstack([ring[halved], pair[kept]]),
            np.r_[np.full(len(halved), 0.5), share[kept]],
        )


def sheet_plan(
    outline_mm: Floats, windows_mm: Sequence[Floats], *, spacing_mm: float, name: str
) -> Plan:
    """Divide an outline (k, 2), anticlockwise, with the rings of its windows.

    Raises
    ------
    InputError
        A ring crosses itself, or a window lies over the outline or another window.
    """
    whole = Region(outline_mm)
    if not is_simple(outline_mm):
        raise InputError(f"the {name} crosses itself", fix="Give its points in order.")
    for k, ring in enumerate(windows_mm):
        others = [Region(other) for j, other in enumerate(windows_mm) if j != k]
        clear = inside(whole, ring).all() and not any(inside(r, ring).any() for r in others)
        if not (clear and is_simple(ring)):
            raise InputError(
                f"the tissue stop {k + 1} does not lie within the {name}",
                fix="Move it inside, or make it smaller.",
            )
    rings = [outline_mm, *windows_mm]
    clear_mm = _CLEAR_SHARE * spacing_mm
    axis = np.stack([outline_mm[0], outline_mm[len(outline_mm) // 2]])
    axis[1] -= axis[0]
    points, window = list(rings), [np.full(len(ring), ZONE) for ring in rings]
    holed = Region(outline_mm, tuple(ring[::-1] for ring in windows_mm))
    for number, region in [(ZONE, holed), *((k, Region(r)) for k, r in enumerate(windows_mm))]:
        inner = hex_points(region, step_mm=spacing_mm, clear_mm=clear_mm, axis=axis)
        points.append(inner)
        window.append(np.full(len(inner), number))
    ends = np.cumsum([0] + [len(ring) for ring in rings])
    numbered = tuple(np.arange(a, b) for a, b in itertools.pairwise(ends))
    return Plan(np.concatenate(points), numbered, np.concatenate(window))


def _apart(points: Floats, reach_mm: Floats) -> list[int]:
    """Points in order, without those that lie within the reach of one before."""
    near = cKDTree(points).query_ball_point(points, reach_mm)
    dropped = np.zeros(len(points), dtype=bool)
    kept = []
    for k, around in enumerate(near):
        if not dropped[k]:
            kept.append(k)
            dropped[around] = True
    return kept


def _with_points_between(ring: Ints, number: dict[tuple[int, int], int]) -> Ints:
    out: list[int] = []
    for a, b in zip(ring.tolist(), np.roll(ring, -1).tolist(), strict=True):
        out.append(a)
        between = number.get((min(a, b), max(a, b)))
        if between is not None:
            out.append(between)
    return np.array(out, dtype=np.int64)
