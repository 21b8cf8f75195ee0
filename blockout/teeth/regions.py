"""Crown regions grown from one point on each: which vertices of the ground belong to which tooth.

Twice over: first from the points as they were given, then from the tops of what was found, so that
it matters little where on a crown one pointed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

from blockout.mesh import Bools, Floats, Ints
from blockout.teeth.ground import CutOut, Ground, cut_out

_CORE_MM2 = 6.0
"""So much surface around the point is the same crown: the nearest by ways that avoid hollows, so
that a point in a fissure spreads to the cusps beside it, and one near the margin up the crown."""
_CORE_REACH_MM = 12.0
"""How far those ways are followed."""
_RIVAL_OUTWARD = (0.4, 2.0)
"""How the distance from the top weighs for a second candidate; 1 for the margin itself."""
_RIVAL_MM = 4.0
"""A second candidate lies no further out than this."""
_REACH_LEAST_MM = 10.0
"""The second cut looks at least this far, should the first have found only a part of the crown."""
_UPRIGHT = 0.2
"""Cosine against the occlusal direction from which a vertex may be the top of its crown."""


@dataclass(frozen=True, eq=False)
class Region:
    """One crown on the ground.

    Parameters
    ----------
    number : int
    inside : (n,) bool
        Vertices of the ground.
    top : int
        Vertex in the middle of the crown as seen from above.
    cost : float
        See :class:`~blockout.teeth.ground.CutOut`.
    rivals : tuple of (n,) bool
        The same crown where a margin near the top, or one far from it, is preferred.
    """

    number: int
    inside: Bools
    top: int
    cost: float
    rivals: tuple[Bools, ...] = ()


def grow_regions(
    ground: Ground,
    starts: Mapping[int, int],
    *,
    up: Floats,
    reach_mm: float,
    taken: Bools | None = None,
    with_rivals: bool = True,
) -> tuple[Region, ...]:
    """The crowns that hold the given vertices, no vertex in two of them.

    Parameters
    ----------
    ground : Ground
    starts : mapping from tooth number to vertex of the ground
    up : (3,) unit vector
        Occlusal direction.
    reach_mm : float
        No part of a crown lies further than this from its start.
    taken : (n,) bool
        Vertices that belong to none of these crowns.
    with_rivals : bool
        Whether to look for second candidates of each margin, which takes half again as long.
    """
    taken = np.zeros(len(ground.surface.vertices), dtype=bool) if taken is None else taken
    first = _cut_all(ground, starts, dict.fromkeys(starts, reach_mm), taken)
    tops = {
        number: top_of(ground, cut.inside, up=up, otherwise=starts[number])
        for number, cut in first.items()
    }
    reaches = {
        number: min(
            reach_mm,
            max(_furthest_mm(ground, cut.inside, tops[number]) + _RIVAL_MM, _REACH_LEAST_MM),
        )
        for number, cut in first.items()
    }
    again = _cut_all(ground, tops, reaches, taken)
    owner = _shared_out(ground, again, tops)
    cores = _cores(ground, tops)
    regions = []
    for number, cut in again.items():
        inside = _in_one_piece(ground, owner == number, tops[number])
        rivals: tuple[Bools, ...] = ()
        if with_rivals and inside.any():
            rivals = _rivals(ground, inside, number, cores, tops[number], reach_mm, taken)
        regions.append(Region(number, inside, tops[number], cut.cost, rivals))
    return tuple(regions)


def _rivals(
    ground: Ground,
    inside: Bools,
    number: int,
    cores: Mapping[int, Ints],
    top: int,
    reach_mm: float,
    taken: Bools,
) -> tuple[Bools, ...]:
    """The crown cut again with a liking for short margins and for far ones, no further from the
    margin found than a rival could lie.
    """
    middle = ground.surface.vertices[top]
    furthest_mm = _furthest_mm(ground, inside, top)
    return tuple(
        cut_out(
            ground,
            core=cores[number],
            others=_others(cores, number, taken),
            middle_mm=middle,
            reach_mm=min(reach_mm, furthest_mm + _RIVAL_MM),
            outward=outward,
        ).inside
        for outward in _RIVAL_OUTWARD
    )


def _furthest_mm(ground: Ground, inside: Bools, top: int) -> float:
    aside = ground.surface.vertices[inside] - ground.surface.vertices[top]
    return float(np.linalg.norm(aside, axis=1).max(initial=0.0))


def top_of(ground: Ground, inside: Bools, *, up: Floats, otherwise: int) -> int:
    """Vertex of a crown nearest to its middle as seen from above, among those that look up."""
    there = np.flatnonzero(inside & (ground.surface.vertex_normals @ up > _UPRIGHT))
    if not len(there):
        return otherwise
    points = ground.surface.vertices[inside]
    middle = np.average(points, axis=0, weights=ground.vertex_areas_mm2[inside])
    aside = ground.surface.vertices[there] - middle
    height = aside @ up
    aside = aside - height[:, None] * up
    # of two sheets over one another the upper one
    return int(there[np.argmin(np.linalg.norm(aside, axis=1) - 0.05 * height)])


def _cut_all(
    ground: Ground, starts: Mapping[int, int], reach_mm: Mapping[int, float], taken: Bools
) -> dict[int, CutOut]:
    cores = _cores(ground, starts)
    return {
        number: cut_out(
            ground,
            core=cores[number],
            others=_others(cores, number, taken),
            middle_mm=ground.surface.vertices[start],
            reach_mm=reach_mm[number],
        )
        for number, start in starts.items()
    }


def _others(cores: Mapping[int, Ints], number: int, taken: Bools) -> Ints:
    cores_of_others = [core for other, core in cores.items() if other != number]
    return np.concatenate([*cores_of_others, np.flatnonzero(taken)])


def _cores(ground: Ground, starts: Mapping[int, int]) -> dict[int, Ints]:
    """Vertices that are surely of each crown; one in two cores is in neither."""
    cores = {number: core_of(ground, start) for number, start in starts.items()}
    if cores:
        every, count = np.unique(np.concatenate(list(cores.values())), return_counts=True)
        shared = every[count > 1]
        cores = {number: np.setdiff1d(core, shared) for number, core in cores.items()}
    return cores


def core_of(ground: Ground, start: int) -> Ints:
    """Vertices around one, nearest first, that are surely of the same crown."""
    away_mm = ground.around(np.array([start]), within_mm=_CORE_REACH_MM)
    near = np.flatnonzero(np.isfinite(away_mm))
    near = near[np.argsort(away_mm[near], kind="stable")]
    grown = np.cumsum(ground.vertex_areas_mm2[near])
    return near[: int(np.searchsorted(grown, _CORE_MM2)) + 1]


def _shared_out(ground: Ground, cuts: Mapping[int, CutOut], tops: Mapping[int, int]) -> Ints:
    """(n,) number of the crown each vertex is given to, 0 for none; what two claim goes to the one
    whose top is nearer by the way that avoids hollows.
    """
    owner = np.zeros(len(ground.surface.vertices), dtype=np.int64)
    claims = np.zeros(len(owner), dtype=np.int64)
    for number, cut in cuts.items():
        claims += cut.inside
        owner[cut.inside] = number
    contested = claims > 1
    if contested.any():
        nearest = np.full(len(owner), np.inf)
        for number, cut in cuts.items():
            mine = contested & cut.inside
            if mine.any():
                away = ground.around(np.array([tops[number]]), within_mm=np.inf)
                better = mine & (away < nearest)
                owner[better], nearest[better] = number, away[better]
    return owner


def _in_one_piece(ground: Ground, inside: Bools, top: int) -> Bools:
    """The piece that holds the top, with what it encloses."""
    kept = _piece_with(ground, inside, top)
    # what is cut off from the border by the crown is enclosed by it
    label = _pieces(ground, ~kept)
    outside = np.unique(label[ground.border & ~kept])
    return kept | ~np.isin(label, outside)


def _piece_with(ground: Ground, inside: Bools, vertex: int) -> Bools:
    label = _pieces(ground, inside)
    here: Bools = inside & (label == label[vertex])
    return here


def _pieces(ground: Ground, inside: Bools) -> Ints:
    """(n,) number of the connected piece of ``inside``; each other vertex is one of its own."""
    a, b = ground.edges[inside[ground.edges[:, 0]] & inside[ground.edges[:, 1]]].T
    count = len(inside)
    graph = csr_array((np.ones(len(a), dtype=np.int8), (a, b)), shape=(count, count))
    labels: Ints = connected_components(graph, directed=False)[1].astype(np.int64)
    return labels
