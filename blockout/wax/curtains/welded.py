"""Points nearer to each other than any measure tells apart, made one."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from blockout.mesh import Bools, Floats, Ints, Mesh
from blockout.tolerances import TOLERANCES, Tolerances
from blockout.wax.curtains.apart import NotApartError

_ROUNDS = 100
_TRIES = 10


def points_as_one(
    points_mm: Floats, fixed: int, faces: Ints, *, tolerances: Tolerances = TOLERANCES
) -> Ints:
    """(p,) for each point the one that stands for it: those joined by an edge of ``faces`` (k, 3)
    that is shorter than ``tolerances.one_point_mm`` are one. The first ``fixed`` points stand
    for themselves.

    Raises
    ------
    NotApartError
        Two fixed points would become one.
    """
    start, end = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]).T
    free = np.flatnonzero((start >= fixed) | (end >= fixed))
    start, end = start[free], end[free]
    way_mm = points_mm.take(end, axis=0) - points_mm.take(start, axis=0)
    near = np.linalg.norm(way_mm, axis=1) < tolerances.one_point_mm
    start, end = start[near], end[near]
    count = len(points_mm)
    if not len(start):
        return np.arange(count)
    joined, row = np.unique(np.concatenate([start, end]), return_inverse=True)
    size = len(joined)
    graph = coo_matrix((np.ones(len(start)), tuple(row.reshape(2, -1))), shape=(size, size))
    _, label = connected_components(graph, directed=False)
    _, first = np.unique(label, return_index=True)
    if (np.bincount(label[joined < fixed]) > 1).any():
        raise NotApartError("two corners of the cast lie in one place")
    stands_for = np.arange(count)
    stands_for[joined] = joined[first][label]
    return stands_for


def contracted(points_mm: Floats, faces: Ints, twins: Ints, as_one: Ints) -> Mesh:
    """A closed surface of points (p, 3), with vertices of its own for every sheet where sheets only
    touch, and with points that are one made so.

    Faces that have lost an edge are taken out, and their neighbours joined across them; so are
    faces that lie back to back. Points stay apart where that would leave two edges in one place.

    Parameters
    ----------
    faces, twins : (k, 3), (3 k,) int
        Faces between the points, and how they hang together.
    as_one : (p,) int
        As :func:`points_as_one` gives it.

    Raises
    ------
    NotApartError
        Edges lie in one place all the same.
    """
    every = np.arange(len(points_mm))
    for _ in range(_TRIES):
        kept, across = _merged(as_one.take(faces), twins)
        apart, point = Mesh.hung_together(points_mm, kept, across).fans_apart()
        made = Mesh(apart.vertices, apart.faces)
        order, first, count = made.edge_runs
        crowded = point[made.halfedges[order[first[count != 2]]]]
        if not crowded.size:
            return made
        as_one = np.where(np.isin(as_one, crowded), every, as_one)
    raise NotApartError("what became one does not come apart")


def _merged(faces: Ints, twins: Ints) -> tuple[Ints, Ints]:
    """Faces and twins without the faces that have lost an edge, or lie back to back."""
    a, b, c = faces.T
    lost = np.flatnonzero(np.concatenate([a == b, b == c, c == a]))
    if not len(lost):
        return faces, twins
    size = len(faces)
    flat = np.zeros(size, dtype=bool)
    flat[lost % size] = True
    # from an edge of a face that goes, on to its other edge; a face that has lost all is not met
    partner = np.arange(3 * size)
    one, other = (lost + size) % (3 * size), (lost + 2 * size) % (3 * size)
    partner[one], partner[other] = other, one
    faces, twins = _without(faces, twins, flat, partner)
    for _ in range(_ROUNDS):
        fold, partner = _folds(faces, twins)
        if not fold.any():
            break
        faces, twins = _without(faces, twins, fold, partner)
    return faces, twins


def _without(faces: Ints, twins: Ints, gone: Bools, partner: Ints) -> tuple[Ints, Ints]:
    """Faces and twins without some faces; whoever had an edge in common with one of them is joined
    to what lies beyond its ``partner`` edge.
    """
    size = len(faces)
    kept = np.flatnonzero(~gone)
    halfedge = np.concatenate([k * size + kept for k in range(3)])
    beyond = twins[halfedge]
    for _ in range(size):
        inside = np.flatnonzero(gone[beyond % size])
        if not len(inside):
            break
        beyond[inside] = twins[partner[beyond[inside]]]
    place = np.full(size, -1, dtype=np.int64)
    place[kept] = np.arange(len(kept))
    return faces.take(kept, axis=0), beyond // size * len(kept) + place[beyond % size]


def _folds(faces: Ints, twins: Ints) -> tuple[Bools, Ints]:
    """(k,) faces to be taken out in pairs, the same three corners the other way round on both
    sides of an edge; and for each edge of theirs that of the other face between the same corners.
    """
    size = len(faces)
    fold, partner = np.zeros(size, dtype=bool), np.arange(3 * size)
    other = (twins % max(size, 1)).reshape(3, size)
    total = faces[:, 0] + faces[:, 1] + faces[:, 2]
    for edge in np.flatnonzero((total[other] == total).T.reshape(-1)).tolist():
        one, k = divmod(edge, 3)
        two = int(other[k, one])
        if fold[one] or fold[two] or one == two or set(faces[one]) != set(faces[two]):
            continue
        fold[one] = fold[two] = True
        ends = [(int(faces[two, k]), int(faces[two, (k + 1) % 3])) for k in range(3)]
        for k in range(3):
            mine = k * size + one
            yours = ends.index((int(faces[one, (k + 1) % 3]), int(faces[one, k]))) * size + two
            partner[mine], partner[yours] = yours, mine
    return fold, partner
