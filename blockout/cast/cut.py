"""Distance along a surface, and cutting a surface where a number at its vertices is zero."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from blockout.mesh import Bools, Floats, Ints, Mesh

_SNAP = 0.25
"""A cut this near to a vertex, as a share of the edge, goes through the vertex: no slivers."""


@dataclass(frozen=True, eq=False)
class Cut:
    """What lies on the positive side.

    Parameters
    ----------
    mesh : Mesh
        Old vertices first, all of them and to the bit; the cut's own vertices after them.
    came_from : (m,) int
        The old face each face is, or -1 for a part of a split one.
    """

    mesh: Mesh
    came_from: Ints


def cut_where_positive(mesh: Mesh, level: Floats) -> Cut:
    """Keep where ``level`` (n,), straight along each edge, is positive; faces across are split.

    A crossing near a vertex is moved onto the vertex, so the cut wanders by up to a quarter of
    an edge and leaves no sliver.
    """
    level = _snapped(mesh, level)
    sign = np.sign(level).astype(np.int64)
    corners = sign[mesh.faces]
    plus, minus = (corners > 0).sum(axis=1), (corners < 0).sum(axis=1)
    whole = np.flatnonzero((plus > 0) & (minus == 0))
    crossed = np.flatnonzero((plus > 0) & (minus > 0))
    # roll each crossed face so that the corner that stands alone comes first
    faces, signs = mesh.faces[crossed], corners[crossed]
    alone = np.where(
        plus[crossed] == 1,
        (signs > 0).argmax(axis=1),
        np.where(minus[crossed] == 1, (signs < 0).argmax(axis=1), 0),
    )
    turn = (alone[:, None] + np.arange(3)) % 3
    a, b, c = np.take_along_axis(faces, turn, axis=1).T
    sa, sb, sc = np.take_along_axis(signs, turn, axis=1).T
    points, at_ab, at_ac = _crossings(mesh, level, a, b, c)
    single = (sa > 0) & (sb < 0) & (sc < 0)
    pair = (sa < 0) & (sb > 0) & (sc > 0)
    # one corner on the cut: a positive, and b on it or c on it
    b_on, c_on = (sa > 0) & (sb == 0) & (sc < 0), (sa > 0) & (sb < 0) & (sc == 0)
    split = [
        _rows(single, a, at_ab, at_ac),
        _rows(b_on, a, b, at_ac),
        _rows(c_on, a, at_ab, c),
    ]
    # the four-sided rest of a face is halved along its shorter diagonal
    every = np.vstack([mesh.vertices, points])
    first = np.linalg.norm(every[at_ab] - every[c], axis=1)
    second = np.linalg.norm(every[b] - every[at_ac], axis=1)
    short = first <= second
    split += [
        _rows(pair & short, at_ab, b, c),
        _rows(pair & short, at_ab, c, at_ac),
        _rows(pair & ~short, at_ab, b, at_ac),
        _rows(pair & ~short, b, c, at_ac),
    ]
    parts = np.concatenate(split)
    came_from = np.r_[whole, np.full(len(parts), -1)]
    return Cut(Mesh(every, np.vstack([mesh.faces[whole], parts])), came_from)


def _rows(chosen: Bools, *columns: Ints) -> Ints:
    return np.stack([column[chosen] for column in columns], axis=1)


def _snapped(mesh: Mesh, level: Floats) -> Floats:
    """The level with zero at vertices that a crossing comes too near."""
    start, end = mesh.halfedges.T
    one, other = level[start], level[end]
    across = one * other < 0.0
    share = np.abs(one[across]) / (np.abs(one[across]) + np.abs(other[across]))
    snapped = level.copy()
    snapped[start[across][share < _SNAP]] = 0.0
    snapped[end[across][share > 1.0 - _SNAP]] = 0.0
    return snapped


def _crossings(mesh: Mesh, level: Floats, a: Ints, b: Ints, c: Ints) -> tuple[Floats, Ints, Ints]:
    """New points where edges cross the cut, and for each face's edges ab and ac the number of
    the point on it (0 where there is none).
    """
    count = np.int64(len(mesh.vertices))
    start, end = np.concatenate([a, a]), np.concatenate([b, c])
    across = level[start] * level[end] < 0.0
    low, high = np.minimum(start, end)[across], np.maximum(start, end)[across]
    key, back = np.unique(low * count + high, return_inverse=True)
    low, high = key // count, key % count
    share = (level[low] / (level[low] - level[high]))[:, None]
    points = mesh.vertices[low] * (1.0 - share) + mesh.vertices[high] * share
    number = np.zeros(len(start), dtype=np.int64)
    number[across] = count + back
    at_ab, at_ac = number.reshape(2, -1)
    return points, at_ab, at_ac


def distance_along_surface_mm(
    mesh: Mesh, sources: Ints, *, limit_mm: float, ahead_mm: Floats | None = None
) -> Floats:
    """(n,) shortest way along the surface from the nearest source vertex, inf beyond the limit.

    ``ahead_mm`` (k,) is how far each source itself lies from where the way begins, 0 if left
    out. Edges give an upper bound; then each triangle carries a straight wave front across,
    until nothing gets nearer. Exact beside a straight border, a few percent long around corners.
    """
    start, end = mesh.halfedges.T
    length = np.linalg.norm(mesh.vertices[start] - mesh.vertices[end], axis=1)
    count = len(mesh.vertices)
    once = (mesh.twin_halfedges < 0) | (start < end)
    # one node more, from which every source is reached; a stored zero would be no edge
    ahead = np.zeros(len(sources)) if ahead_mm is None else ahead_mm
    weight = np.r_[length[once], np.maximum(ahead, 1e-12)]
    one = np.r_[start[once], np.full(len(sources), count)]
    graph = csr_array((weight, (one, np.r_[end[once], sources])), shape=(count + 1, count + 1))
    found = dijkstra(graph, directed=False, indices=np.array([count]), limit=limit_mm * 1.2)
    distance: Floats = found[0, :count]
    faces = mesh.faces[np.isfinite(distance[mesh.faces]).all(axis=1)]
    if not len(faces):
        return distance
    corner, first, second, q, sides = _wave_corners(mesh.vertices, faces)
    band_mm = 1.5 * float(np.median(length))
    waiting = np.isfinite(distance)
    while waiting.any():
        # nearest first: what lies further out is not worth carrying on before it has settled
        front = float(distance[waiting].min()) + band_mm
        moving = waiting & (distance <= front)
        waiting &= ~moving
        active = np.flatnonzero(moving[first] | moving[second])
        a, b, c = distance[first[active]], distance[second[active]], distance[corner[active]]
        sooner = np.minimum(a, b) < c
        active = active[sooner]
        near = np.stack([a, b], axis=1)[sooner]
        # along an edge as well: a front from outside the triangle comes no other way
        arrival = np.minimum(
            _wave_arrival(q[active], near), (near + sides[active]).min(axis=1, initial=np.inf)
        )
        nearer = arrival < c[sooner] - 1e-9
        at = corner[active[nearer]]
        np.minimum.at(distance, at, arrival[nearer])
        waiting[at] = True
    distance[distance > limit_mm] = np.inf
    return distance


def _wave_corners(vertices: Floats, faces: Ints) -> tuple[Ints, Ints, Ints, Floats, Floats]:
    """For every face corner: the corner, its two others, the inverse Gram matrix of the sides
    that meet there, packed as (xx, xy, yy), and the lengths of those sides.
    """
    corner = faces.T.reshape(-1)
    first = np.roll(faces, -1, axis=1).T.reshape(-1)
    second = np.roll(faces, -2, axis=1).T.reshape(-1)
    u, v = vertices[first] - vertices[corner], vertices[second] - vertices[corner]
    uu, uv, vv = (np.einsum("ij,ij->i", a, b) for a, b in ((u, u), (u, v), (v, v)))
    spread = uu * vv - uv * uv
    usable = spread > 1e-12 * uu * vv
    corner, first, second = corner[usable], first[usable], second[usable]
    packed = np.stack([vv, -uv, uu], axis=1)[usable] / spread[usable, None]
    sides = np.sqrt(np.stack([uu, vv], axis=1)[usable])
    return corner, first, second, packed, sides


def _wave_arrival(q: Floats, near: Floats) -> Floats:
    """When a straight front that passed two corners at ``near`` (k, 2) reaches the third; inf
    where it comes from outside the triangle.
    """
    xx, xy, yy = q.T
    one = xx + 2.0 * xy + yy
    toward = (xx + xy) * near[:, 0] + (xy + yy) * near[:, 1]
    square = xx * near[:, 0] ** 2 + 2.0 * xy * near[:, 0] * near[:, 1] + yy * near[:, 1] ** 2
    root = toward**2 - one * (square - 1.0)
    arrival = (toward + np.sqrt(np.maximum(root, 0.0))) / one
    lead = near - arrival[:, None]
    inward = (xx * lead[:, 0] + xy * lead[:, 1] < 0.0) & (xy * lead[:, 0] + yy * lead[:, 1] < 0.0)
    return np.where((root > 0.0) & inward, arrival, np.inf)
