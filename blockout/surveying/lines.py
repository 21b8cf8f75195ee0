"""Lines on a surface: where a value given at face corners passes a level, and creases between."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from blockout.mesh import Bools, Floats, Ints, Mesh, corner_fans


@dataclass(frozen=True, eq=False)
class Polyline:
    """A line of points on the cast.

    Parameters
    ----------
    points_mm : (k, 3) float
        File coordinates; the first point is repeated at the end of a closed line.
    closed : bool
    """

    points_mm: Floats
    closed: bool

    @property
    def length_mm(self) -> float:
        return float(np.linalg.norm(np.diff(self.points_mm, axis=0), axis=1).sum())


@dataclass(frozen=True, eq=False)
class Segments:
    """Loose straight pieces of lines, each on a face or on the edge between two.

    Parameters
    ----------
    ends_mm : (k, 2, 3) float
    face : (k, 2) int
        The two faces that meet at the piece; the same twice for a piece that lies on one.
    """

    ends_mm: Floats
    face: Ints

    def where(self, keep: Bools) -> Segments:
        return Segments(self.ends_mm[keep], self.face[keep])


def crease_normals(surface: Mesh, *, crease_deg: float) -> Floats:
    """(m, 3, 3) unit normals at face corners, smooth over edges that bend less than
    ``crease_deg`` and split over those that bend more.
    """
    twins = surface.twin_halfedges
    size = surface.triangle_count
    normals = surface.face_normals
    here = np.arange(3 * size) % size
    bend = np.einsum("ij,ij->i", normals[here], normals[np.where(twins >= 0, twins % size, 0)])
    smooth = (twins >= 0) & (bend > np.cos(np.radians(crease_deg)))
    fans = corner_fans(surface, across=smooth)
    total = np.zeros((int(fans.max()) + 1, 3))
    for k in range(3):
        u = surface.corners[:, (k + 1) % 3] - surface.corners[:, k]
        v = surface.corners[:, (k + 2) % 3] - surface.corners[:, k]
        angle = np.arctan2(np.linalg.norm(np.cross(u, v), axis=1), np.einsum("ij,ij->i", u, v))
        for axis in range(3):
            total[:, axis] += np.bincount(
                fans[k * size : (k + 1) * size], angle * normals[:, axis], minlength=len(total)
            )
    length = np.linalg.norm(total, axis=1)
    total /= np.where(length > 0.0, length, 1.0)[:, None]
    return total[fans].reshape(3, size, 3).transpose(1, 0, 2)


def level_segments(surface: Mesh, values: Floats, level: float) -> Segments:
    """Where corner values (m, 3), linear on each face, pass ``level``: one piece on each face.

    A corner exactly at the level counts as above it, so that no face is missed or met twice.
    """
    above = values >= level
    count = above.sum(axis=1)
    face = np.flatnonzero((count == 1) | (count == 2))
    # the corner that stands alone on its side
    alone = np.where((count == 1)[:, None], above, ~above)[face].argmax(axis=1)
    rows = np.arange(len(face))
    ends = np.empty((len(face), 2, 3))
    for end, step in enumerate((1, 2)):
        other = (alone + step) % 3
        a, b = values[face, alone], values[face, other]
        share = (level - a) / (b - a)
        start, stop = surface.corners[face, alone], surface.corners[face, other]
        ends[:, end] = start + share[:, None] * (stop - start)
        # a shared edge gives the same point from both of its faces, to the bit
        swap = surface.faces[face, alone] > surface.faces[face, other]
        mirrored = stop + (1.0 - share)[:, None] * (start - stop)
        ends[swap, end] = mirrored[swap]
    turn = above[face][rows, alone]
    ends[turn] = ends[turn, ::-1]
    return Segments(ends, np.stack([face, face], axis=1))


def crease_segments(surface: Mesh, values: Floats) -> Segments:
    """The parts of edges on whose two sides the corner values (m, 3) differ in sign."""
    size = surface.triangle_count
    twins = surface.twin_halfedges
    half = np.flatnonzero((twins >= 0) & (np.arange(3 * size) < twins))
    edge, face = half // size, half % size
    twin_edge, twin_face = twins[half] // size, twins[half] % size
    left = np.stack([values[face, edge], values[face, (edge + 1) % 3]], axis=1)
    # the twin runs the other way
    right = np.stack([values[twin_face, (twin_edge + 1) % 3], values[twin_face, twin_edge]], axis=1)
    split = np.abs(left - right).max(axis=1) > 1e-9
    half, left, right = half[split], left[split], right[split]
    edge, face = half // size, half % size
    meeting = np.stack([face, twin_face[split]], axis=1)
    start = surface.corners[face, edge]
    stop = surface.corners[face, (edge + 1) % 3]

    def zero(pair: Floats) -> Floats:
        drop = pair[:, 0] - pair[:, 1]
        share = pair[:, 0] / np.where(np.abs(drop) > 1e-300, drop, 1e-300)
        return np.clip(share, 0.0, 1.0)

    cuts = np.sort(np.stack([zero(left), zero(right)], axis=1), axis=1)
    marks = np.column_stack([np.zeros(len(half)), cuts, np.ones(len(half))])
    ends, faces = [], []
    for k in range(3):
        low, high = marks[:, k], marks[:, k + 1]
        middle = 0.5 * (low + high)
        one = left[:, 0] + middle * (left[:, 1] - left[:, 0])
        two = right[:, 0] + middle * (right[:, 1] - right[:, 0])
        differ = ((one >= 0.0) != (two >= 0.0)) & (high - low > 1e-12)
        along = (stop - start)[differ]
        ends.append(
            np.stack(
                [
                    start[differ] + low[differ, None] * along,
                    start[differ] + high[differ, None] * along,
                ],
                axis=1,
            )
        )
        faces.append(meeting[differ])
    return Segments(np.concatenate(ends), np.concatenate(faces))


def both(first: Segments, second: Segments) -> Segments:
    """The pieces of two sets in one."""
    return Segments(
        np.concatenate([first.ends_mm, second.ends_mm]), np.concatenate([first.face, second.face])
    )


def chained(segments: Segments, *, join_mm: float = 1e-6) -> tuple[Polyline, ...]:
    """Pieces that share an end, to ``join_mm``, joined into lines, longest first.

    Where more than two pieces meet, lines end.
    """
    ends = segments.ends_mm
    if not len(ends):
        return ()
    points = ends.reshape(-1, 3)
    _, first, node = np.unique(
        np.round(points / join_mm).astype(np.int64), axis=0, return_index=True, return_inverse=True
    )
    a, b = node.reshape(-1, 2).T
    return run_through(np.stack([a, b], axis=1), points[first])


def run_through(pieces: Ints, places_mm: Floats, *, directed: bool = False) -> tuple[Polyline, ...]:
    """Pieces (k, 2) between places (n, 3), given by their rows, joined into lines, longest first.

    Where more than two pieces meet, lines end. With ``directed``, lines run the way their pieces
    do, where these agree.
    """
    a, b = pieces.T
    real = a != b
    a, b = a[real], b[real]
    degree = np.bincount(np.r_[a, b], minlength=len(places_mm))
    # every meeting of more than two pieces, and every loose end, gets its own copy for each piece
    ends_here = degree[np.stack([a, b], axis=1)] != 2
    copies = len(places_mm) + np.cumsum(ends_here.reshape(-1)) - 1
    own = np.where(ends_here, copies.reshape(-1, 2), np.stack([a, b], axis=1))
    place = np.concatenate([places_mm, places_mm[np.stack([a, b], axis=1)[ends_here]]])
    return _walked(own, place, directed=directed)


def _walked(pieces: Ints, place: Floats, *, directed: bool) -> tuple[Polyline, ...]:
    """Lines through pieces (k, 2) whose nodes have one or two pieces each."""
    count = len(place)
    graph = coo_matrix(
        (np.ones(len(pieces), dtype=np.int8), (pieces[:, 0], pieces[:, 1])), shape=(count, count)
    )
    label = connected_components(graph, directed=False)[1]
    partners = np.full((count, 2), -1, dtype=np.int64)
    flat = pieces.reshape(-1)
    leads_away = np.arange(len(flat)) % 2 == 0
    order = np.lexsort((~leads_away, flat)) if directed else np.argsort(flat, kind="stable")
    partner = pieces[:, ::-1].reshape(-1)[order]
    ordered = flat[order]
    first = np.r_[True, ordered[1:] != ordered[:-1]]
    partners[ordered[first], 0] = partner[first]
    partners[ordered[~first], 1] = partner[~first]
    used = np.flatnonzero(partners[:, 0] >= 0)
    single = partners[used, 1] < 0
    if directed:
        single &= np.isin(used, pieces[:, 0])
    # start each line at a loose end where it has one, else anywhere
    starts: dict[int, int] = {}
    for node, loose in zip(used.tolist(), single.tolist(), strict=True):
        key = int(label[node])
        if loose or key not in starts:
            starts[key] = node
    following = partners.tolist()
    lines = []
    for start in starts.values():
        walk, before, at = [start], -1, start
        closed = False
        while True:
            one, two = following[at]
            step = two if one == before else one
            if step < 0:
                break
            if step == start:
                closed = len(walk) > 2
                break
            walk.append(step)
            before, at = at, step
        points = place[[*walk, start]] if closed else place[walk]
        lines.append(Polyline(points, closed))
    return tuple(sorted(lines, key=lambda line: -line.length_mm))
