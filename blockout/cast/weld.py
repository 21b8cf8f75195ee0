"""Weld: vertices at one place become one. STL needs it, for it stores every triangle alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from blockout.mesh import Bools, Floats, Ints, Mesh


@dataclass(frozen=True, eq=False)
class Weld:
    """What welding did.

    Parameters
    ----------
    mesh : Mesh
        Vertices in the order in which their places first occur; every face is kept.
    merged_count : int
        Vertices that went into an earlier one.
    moved_count : int
        Those of them that lay elsewhere; 0 at tolerance 0.
    largest_move_mm : float
        At most the tolerance.
    collapsed_count : int
        Faces that have fewer than three different corners after it. At tolerance 0 these had no
        area before.
    """

    mesh: Mesh
    merged_count: int
    moved_count: int
    largest_move_mm: float
    collapsed_count: int

    def sentence(self) -> str:
        """What was done, in plain words."""
        moved = (
            f"{self.moved_count} moved by up to {self.largest_move_mm:.4g} mm"
            if self.moved_count
            else "none moved"
        )
        collapsed = (
            f"; {self.collapsed_count} faces without three different corners were kept"
            if self.collapsed_count
            else ""
        )
        return (
            f"{self.merged_count} vertices were welded to an earlier one at the same place, "
            f"{moved}{collapsed}"
        )


def weld(vertices: Floats, faces: Ints, *, tolerance_mm: float = 0.0) -> Weld:
    """Merge vertices that lie at one place, the first one staying where it is.

    At tolerance 0 only equal coordinates count as one place (minus zero is zero). With a
    tolerance, each vertex in turn goes to the first earlier vertex that stays and lies within it;
    so nothing moves further than the tolerance, and chains of close vertices do not run together.

    Parameters
    ----------
    vertices : (n, 3) float, mm
    faces : (m, 3) int
    tolerance_mm : float
        0 or more.

    >>> square = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 0, 0], [1, 1, 0], [0, 1.0, 0]])
    >>> weld(square, np.array([[0, 1, 2], [3, 4, 5]])).mesh.faces.tolist()
    [[0, 1, 2], [0, 2, 3]]
    """
    if not (np.isfinite(tolerance_mm) and tolerance_mm >= 0.0):
        raise ValueError("a welding tolerance is a length of 0 mm or more")
    goes_to = _first_at_same_place(vertices)
    if tolerance_mm > 0.0:
        goes_to = _first_within(vertices, goes_to, tolerance_mm)
    own = np.arange(len(vertices))
    stays = goes_to == own
    renumber = np.cumsum(stays) - 1
    mesh = Mesh(vertices[stays], renumber[goes_to][faces])
    moves_mm = np.linalg.norm(vertices - vertices[goes_to], axis=1)
    corners = mesh.faces
    collapsed = (corners == np.roll(corners, 1, axis=1)).any(axis=1)
    return Weld(
        mesh=mesh,
        merged_count=int((~stays).sum()),
        moved_count=int((moves_mm > 0.0).sum()),
        largest_move_mm=float(moves_mm.max(initial=0.0)),
        collapsed_count=int(collapsed.sum()),
    )


def _first_at_same_place(vertices: Floats) -> Ints:
    """(n,) the first vertex with exactly these coordinates."""
    count = len(vertices)
    if not count:
        return np.zeros(0, dtype=np.int64)
    places = np.ascontiguousarray(vertices + 0.0)  # minus zero becomes zero
    scattered = _scattered(places)
    order = np.argsort(scattered)
    fresh, mixed = _runs(places[order], scattered[order])
    if mixed:  # two places under one number: once in millions of scans, sorted in full then
        order = np.lexsort(places.T)
        fresh, _ = _runs(places[order], scattered[order])
    starts = np.flatnonzero(fresh)
    first = np.minimum.reduceat(order, starts)
    goes_to = np.empty(count, dtype=np.int64)
    goes_to[order] = np.repeat(first, np.diff(np.r_[starts, count]))
    return goes_to


def _scattered(places: Floats) -> NDArray[np.uint64]:
    """(n,) one number for each place, equal for equal coordinates; sorts faster than three."""
    scattered = np.zeros(len(places), dtype=np.uint64)
    for bits in places.view(np.uint64).T:
        # coordinates from 32-bit files end in 29 zeros, so the high bits are brought down first
        scattered = (scattered ^ bits ^ (bits >> np.uint64(29))) * np.uint64(0x9E3779B97F4A7C15)
        scattered ^= scattered >> np.uint64(31)
    return scattered


def _runs(places: Floats, scattered: NDArray[np.uint64]) -> tuple[Bools, bool]:
    """Where a new place begins, and whether two places share a number."""
    fresh = np.ones(len(places), dtype=bool)
    fresh[1:] = (places[1:] != places[:-1]).any(axis=1)
    mixed = bool((fresh[1:] & (scattered[1:] == scattered[:-1])).any())
    return fresh, mixed


def _first_within(vertices: Floats, goes_to: Ints, tolerance_mm: float) -> Ints:
    distinct = np.flatnonzero(goes_to == np.arange(len(vertices)))
    tree = cKDTree(vertices[distinct])
    pairs = tree.query_pairs(tolerance_mm, output_type="ndarray")
    pairs = pairs[np.lexsort((pairs[:, 0], pairs[:, 1]))]  # by the later one, then the earlier
    target = np.arange(len(distinct))
    for earlier, later in pairs.tolist():  # few: only places closer than the tolerance
        if target[later] == later and target[earlier] == earlier:
            target[later] = earlier
    back = np.full(len(vertices), -1, dtype=np.int64)
    back[distinct] = distinct[target]
    return back[goes_to]
