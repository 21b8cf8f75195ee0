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
    near = np.linalg.norm(points_mm[end] - points_mm[start], axis=1) < tolerances.one_point_mm
    start, end = start[near], end[near]
    count = len(points_mm)
    every = np.arange(count)
    if not len(start):
        return every
    graph = coo_matrix((np.ones(len(start), dtype=np.int8), (start, end)), shape=(count, count))
    _, label = connected_components(graph, directed=False)
    first = np.full(int(label.max()) + 1, count)
    np.minimum.at(first, label, every)
    if (np.bincount(label[:fixed]) > 1).any():
        raise NotApartError("two corners of the cast lie in one place")
    stands_for: Ints = first[label]
    return stands_for


def contracted(mesh: Mesh, point: Ints, as_one: Ints, points_mm: Floats) -> Mesh:
    """A closed surface whose vertices (n,) are ``point`` of ``points_mm`` (p, 3), with points that
    are one made so: faces that have lost an edge are taken out, and their neighbours joined across
    them; so are faces that lie back to back. Points stay apart where that would leave two edges in
    one place.

    Raises
    ------
    NotApartError
        Edges lie in one place all the same.
    """
    every = np.arange(len(points_mm))
    for _ in range(_TRIES):
        made, own = _merged(mesh, as_one[point], points_mm)
        order, first, count = made.edge_runs
        crowded = own[made.halfedges[order[first[count != 2]]]]
        if not crowded.size:
            return made
        apart = np.isin(as_one, crowded)
        as_one = np.where(apart, every, as_one)
    raise NotApartError("what became one does not come apart")


def _merged(mesh: Mesh, point: Ints, points_mm: Floats) -> tuple[Mesh, Ints]:
    """The surface with its vertices (n,) at points, and the point of each of its vertices."""
    faces, twins = point[mesh.faces], mesh.twin_halfedges
    flat = (faces == np.roll(faces, -1, axis=1)).any(axis=1)
    if not flat.any():
        return mesh, point
    size = len(faces)
    start, end = faces.T.reshape(-1), np.roll(faces, -1, axis=1).T.reshape(-1)
    # from an edge of a face that goes, on to its other edge
    partner = np.arange(3 * size)
    for k in range(3):
        own, one, other = (turn % 3 * size + np.arange(size) for turn in (k, k + 1, k + 2))
        lost = flat & (start[own] == end[own])
        partner[one[lost]], partner[other[lost]] = other[lost], one[lost]
    faces, twins = _without(faces, twins, flat, partner)
    for _ in range(_ROUNDS):
        fold, partner = _folds(faces, twins)
        if not fold.any():
            break
        faces, twins = _without(faces, twins, fold, partner)
    apart, own = Mesh.hung_together(points_mm, faces, twins).fans_apart()
    return Mesh(apart.vertices, apart.faces), own


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
    return faces[kept], beyond // size * len(kept) + place[beyond % size]


def _folds(faces: Ints, twins: Ints) -> tuple[Bools, Ints]:
    """(k,) faces to be taken out in pairs, the same three corners the other way round on both
    sides of an edge; and for each edge of theirs that of the other face between the same corners.
    """
    size = len(faces)
    fold, partner = np.zeros(size, dtype=bool), np.arange(3 * size)
    other = (twins % max(size, 1)).reshape(3, size)
    corner = np.sort(faces, axis=1)
    back = (corner[None] == corner[other]).all(axis=2)
    for one in np.flatnonzero(back.any(axis=0)).tolist():
        two = int(other[int(back[:, one].argmax()), one])
        if fold[one] or fold[two] or one == two:
            continue
        fold[one] = fold[two] = True
        ends = [(int(faces[two, k]), int(faces[two, (k + 1) % 3])) for k in range(3)]
        for k in range(3):
            mine = k * size + one
            yours = ends.index((int(faces[one, (k + 1) % 3]), int(faces[one, k]))) * size + two
            partner[mine], partner[yours] = yours, mine
    return fold, partner
