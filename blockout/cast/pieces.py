"""Pieces, fans and loops of a surface: what hangs together, what only touches, where it ends."""

from __future__ import annotations

import numpy as np

from blockout.mesh import Bools, Ints, Mesh, corner_fans


def piece_areas_mm2(mesh: Mesh) -> tuple[Ints, list[float]]:
    """(m,) number of the piece each face belongs to, largest piece first, and each one's area."""
    labels = mesh.face_components()
    areas = np.bincount(labels, mesh.face_areas_mm2)
    order = np.argsort(-areas, kind="stable")
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    return rank[labels], [float(area) for area in areas[order]]


def lesser_fans(mesh: Mesh) -> Bools:
    """(m,) faces that meet the rest at a vertex in a smaller fan than the largest one there."""
    size = mesh.triangle_count
    if not size:
        return np.zeros(0, dtype=bool)
    fans = corner_fans(mesh)
    vertex = mesh.faces.T.reshape(-1)
    fan_count = int(fans.max()) + 1
    fan_vertex = np.zeros(fan_count, dtype=np.int64)
    fan_vertex[fans] = vertex
    share = np.bincount(fans, np.tile(mesh.face_areas_mm2, 3), minlength=fan_count)
    # of the fans at one vertex the last in this order is the largest
    order = np.lexsort((np.arange(fan_count), share, fan_vertex))
    last = np.r_[fan_vertex[order][1:] != fan_vertex[order][:-1], True]
    lesser = np.zeros(fan_count, dtype=bool)
    lesser[order[~last]] = True
    among: Bools = np.logical_or.reduce(lesser[fans].reshape(3, size), axis=0)
    return among


def one_sheet(mesh: Mesh) -> Bools:
    """(m,) the largest piece, less what would make sheets touch at a single vertex."""
    keep = np.ones(mesh.triangle_count, dtype=bool)
    while True:
        index = np.flatnonzero(keep)
        part = Mesh(mesh.vertices, mesh.faces[index])
        drop = piece_areas_mm2(part)[0] > 0 if len(index) else np.zeros(0, dtype=bool)
        if not drop.any():
            drop = lesser_fans(part)
        if not drop.any():
            return keep
        keep[index[drop]] = False


def border_loops(mesh: Mesh) -> list[Ints]:
    """Closed border loops, each a run of vertices with the surface on its left, longest first.

    Raises
    ------
    ValueError
        Two borders meet at a vertex.
    """
    open_edges = np.flatnonzero(mesh.twin_halfedges < 0)
    start, end = mesh.halfedges[open_edges].T
    if len(np.unique(start)) != len(start) or not np.array_equal(np.sort(start), np.sort(end)):
        raise ValueError("two borders meet at a vertex")
    after = np.full(len(mesh.vertices), -1, dtype=np.int64)
    after[start] = end
    following = after.tolist()
    waiting = set(start.tolist())
    loops = []
    for first in np.sort(start).tolist():
        loop, at = [], first
        while at in waiting:
            waiting.remove(at)
            loop.append(at)
            at = following[at]
        if loop:
            loops.append(np.array(loop, dtype=np.int64))
    return sorted(loops, key=lambda loop: -loop_length_mm(mesh, loop))


def loop_length_mm(mesh: Mesh, loop: Ints) -> float:
    """Length all around a closed loop of vertices, from the last back to the first, mm."""
    points = mesh.vertices[loop]
    return float(np.linalg.norm(points - np.roll(points, -1, axis=0), axis=1).sum())
