"""Surfaces that only touch, pulled apart, so that a file without connection keeps a solid solid.

The boolean kernel may leave two sheets of a result at one place, told apart only by which faces
share which vertex. An STL file holds places in single precision and no connection: whoever reads it
joins what lies at one place, and finds an edge with four faces. So vertices that single precision
does not tell apart are joined here, what collapses by it goes, and where sheets then only touch,
each sheet's own copy of the vertex moves a little toward its sheet.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from blockout.mesh import Bools, Floats, Ints, Mesh

_ROUNDS = 6


def pulled_apart(mesh: Mesh, *, steps: float) -> Mesh:
    """The mesh, a solid also after rounding to single precision.

    Parameters
    ----------
    mesh : Mesh
        A closed solid.
    steps : float
        How far a touching vertex moves, in steps of single precision at the size of the mesh;
        more only where that is not enough.

    Returns
    -------
    Mesh
        The same mesh where nothing touches; one without faces where single precision leaves
        nothing of it. Else only vertices that touched have moved, by
        that much or a few times it. The caller checks the result: a fold deeper than that is
        not mended here.
    """
    if not mesh.triangle_count:
        return mesh
    step_mm = steps * float(np.spacing(np.float32(np.abs(mesh.bounds_mm).max())))
    for turn in range(_ROUNDS):
        joined = _joined(mesh)
        if not joined.triangle_count:
            return joined
        twins = _twins(joined)
        fans = _fans(joined, twins)
        vertex_of_fan = np.empty(int(fans.max()) + 1, dtype=np.int64)
        vertex_of_fan[fans] = joined.faces.T.reshape(-1)
        shared = np.bincount(vertex_of_fan, minlength=len(joined.vertices))[vertex_of_fan] > 1
        if not shared.any():
            crowded = np.flatnonzero(joined.twin_halfedges < 0)
            if not len(crowded):
                return joined if len(joined.vertices) < len(mesh.vertices) else mesh
            mesh = _edges_split(joined, crowded, twins, 2**turn * step_mm)
            continue
        faces = fans.reshape(3, joined.triangle_count).T
        places = joined.vertices[vertex_of_fan]
        toward = _toward_sheet(Mesh(places, faces), shared)
        mesh = Mesh(places + (2**turn * step_mm) * toward, faces)
    return mesh


def _joined(mesh: Mesh) -> Mesh:
    """Vertices at one place in single precision made one, and what has collapsed by it gone."""
    single = mesh.vertices.astype(np.float32) + np.float32(0.0)  # no minus zero
    _, first, number = np.unique(single, axis=0, return_index=True, return_inverse=True)
    if len(first) == len(single):
        return mesh
    # the one that came first stays where it is, to the bit
    order = np.argsort(first)
    place = np.empty(len(first), dtype=np.int64)
    place[order] = np.arange(len(first))
    faces = place[number.reshape(-1)][mesh.faces]
    whole = (faces != np.roll(faces, 1, axis=1)).all(axis=1)
    faces = _without_opposites(faces[whole])
    return Mesh(mesh.vertices[np.sort(first)], faces)


def _without_opposites(faces: Ints) -> Ints:
    """Without pairs of faces that lie back to back on the same three vertices."""
    ordered = np.sort(faces, axis=1)
    turn = np.where((faces[:, [0, 1, 2]] == ordered).all(axis=1), 1, 0)
    for shift in (1, 2):
        turn = np.where((np.roll(faces, shift, axis=1) == ordered).all(axis=1), 1, turn)
    turn = np.where(turn == 1, 1, -1)
    _, group, count = np.unique(ordered, axis=0, return_inverse=True, return_counts=True)
    group = group.reshape(-1)
    if (count == 1).all():
        return faces
    keep = np.ones(len(faces), dtype=bool)
    for one in np.flatnonzero(count > 1):
        members = np.flatnonzero(group == one)
        up, down = members[turn[members] > 0], members[turn[members] < 0]
        pairs = min(len(up), len(down))
        keep[up[:pairs]] = False
        keep[down[:pairs]] = False
    return faces[keep]


def _twins(mesh: Mesh) -> Ints:
    """(3 m,) partner of each halfedge; where four or more faces meet at an edge, the two that
    bound the same piece of material are partners.
    """
    twins = mesh.twin_halfedges.copy()
    size = mesh.triangle_count
    open_edges = np.flatnonzero(twins < 0)
    if not len(open_edges):
        return twins
    start, end = mesh.halfedges[open_edges].T
    key = np.minimum(start, end) * np.int64(len(mesh.vertices)) + np.maximum(start, end)
    for one in np.unique(key):
        members = open_edges[key == one]
        _pair_by_material(mesh, members, twins, size)
    return twins


def _pair_by_material(mesh: Mesh, members: Ints, twins: Ints, size: int) -> None:
    """Pair the halfedges of one crowded edge, in place of -1 in ``twins``."""
    low = mesh.halfedges[members].min()
    forward = mesh.halfedges[members, 0] == low
    if forward.sum() * 2 != len(members):
        return
    a, b = mesh.vertices[low], mesh.vertices[mesh.halfedges[members].max()]
    axis = (b - a) / max(float(np.linalg.norm(b - a)), 1e-300)
    apex = mesh.vertices[mesh.faces[members % size, (members // size + 2) % 3]] - a
    flat = apex - np.outer(apex @ axis, axis)
    x = flat[0] / max(float(np.linalg.norm(flat[0])), 1e-300)
    angle = np.arctan2(flat @ np.cross(axis, x), flat @ x) % (2.0 * np.pi)
    # seen along the edge, material lies on the clockwise side of a face that runs forward
    order = np.lexsort((forward, angle))
    unpaired: list[int] = []
    ring = [int(k) for k in order] * 2
    done: set[int] = set()
    for k in ring:
        if k in done:
            continue
        if not forward[k]:
            if k not in unpaired:
                unpaired.append(k)
        elif unpaired:
            other = unpaired.pop()
            twins[members[k]], twins[members[other]] = members[other], members[k]
            done |= {k, other}


def _fans(mesh: Mesh, twins: Ints) -> Ints:
    """Fans of face corners joined across ``twins``; see :func:`blockout.mesh.corner_fans`."""
    size = mesh.triangle_count
    half = np.flatnonzero(twins >= 0)
    there = (twins[half] + size) % (3 * size)
    graph = coo_matrix((np.ones(len(half), dtype=np.int8), (half, there)), shape=(3 * size,) * 2)
    fans: Ints = connected_components(graph, directed=False)[1].astype(np.int64)
    return fans


def _edges_split(mesh: Mesh, crowded: Ints, twins: Ints, step_mm: float) -> Mesh:
    """Two sheets on one edge, though at neither end: one of them gets a vertex of its own in the
    middle of the edge, moved toward it. A face is split at most once.
    """
    size = mesh.triangle_count
    start, end = mesh.halfedges[crowded].T
    key = np.minimum(start, end) * np.int64(len(mesh.vertices)) + np.maximum(start, end)
    vertices, faces = [mesh.vertices], mesh.faces.copy()
    added: list[Ints] = []
    busy: set[int] = set()
    for one in np.unique(key):
        halfedge = int(crowded[key == one][0])
        pair = (halfedge, int(twins[halfedge]))
        owners = {half % size for half in pair}
        if pair[1] < 0 or busy & owners:
            continue
        busy |= owners
        a, b = mesh.vertices[mesh.halfedges[halfedge]]
        tips = [mesh.faces[half % size, (half // size + 2) % 3] for half in pair]
        middle = 0.5 * (a + b)
        toward = mesh.vertices[tips].mean(axis=0) - middle
        middle = middle + step_mm * toward / max(float(np.linalg.norm(toward)), 1e-300)
        number = len(mesh.vertices) + len(vertices) - 1
        vertices.append(middle[None])
        for half in pair:
            face, corner = half % size, half // size
            whole = mesh.faces[face]
            second = whole.copy()
            second[corner] = number
            faces[face, (corner + 1) % 3] = number
            added.append(second[None])
    return Mesh(np.concatenate(vertices), np.concatenate([faces, *added]))


def _toward_sheet(mesh: Mesh, which: Bools) -> Floats:
    """(n, 3) unit steps toward the middle of a vertex's own ring; zero where ``which`` is not."""
    start, end = mesh.halfedges.T
    total = np.zeros_like(mesh.vertices)
    offset = mesh.vertices[end] - mesh.vertices[start]
    offset /= np.maximum(np.linalg.norm(offset, axis=1), 1e-300)[:, None]
    for axis in range(3):
        total[:, axis] = np.bincount(start, offset[:, axis], minlength=len(total))
    length = np.linalg.norm(total, axis=1)
    flat = length < 1e-3
    total[flat], length[flat] = -mesh.vertex_normals[flat], 1.0
    steps: Floats = np.where(which[:, None], total / length[:, None], 0.0)
    return steps
