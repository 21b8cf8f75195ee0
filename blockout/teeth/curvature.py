"""How a surface bends: the tensor of curvature at its vertices, averaged over a stated distance.

Bending outward, as a cusp does, is positive; a hollow, such as the gingival margin, is negative.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix

from blockout.mesh import Floats, Ints, Mesh

_SYMMETRIC = ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))
"""The six different entries of a symmetric 3 x 3 matrix."""
_ROUNDS_MOST = 40
_TINY = 1e-12


@dataclass(frozen=True, eq=False)
class Curvature:
    """Curvature at the vertices of a surface.

    Parameters
    ----------
    tensor : (n, 3, 3) float, 1/mm
        ``u . tensor . u`` is the normal curvature in the unit direction u of the surface.
    """

    tensor: Floats

    @cached_property
    def least(self) -> Floats:
        """(n,) curvature in the direction of the deepest hollow, 1/mm; 0 where there is none."""
        return np.asarray(np.linalg.eigvalsh(self.tensor)[:, 0], dtype=np.float64)

    def along(self, edges: Ints, directions: Floats) -> Floats:
        """(k,) normal curvature along unit directions (k, 3) of edges (k, 2), mean of both ends."""
        mean = (self.tensor[edges[:, 0]] + self.tensor[edges[:, 1]]) / 2.0
        found: Floats = np.einsum("ki,kij,kj->k", directions, mean, directions)
        return found


def edges_of(surface: Mesh) -> Ints:
    """(e, 2) each edge once, lower vertex first."""
    order, first, _ = surface.edge_runs
    edges: Ints = np.sort(surface.halfedges[order[first]], axis=1)
    return edges


def curvature(surface: Mesh, *, blur_mm: float) -> Curvature:
    """Curvature of a surface, averaged over about ``blur_mm`` around each vertex.

    On each face the change of the vertex normals along its edges gives, by least squares, the
    second fundamental form; vertices take the mean of their faces by area, and then of their
    neighbours as often as the blur asks for. Vertices on a border know only one side and follow
    their neighbours.

    Own derivation; the closed forms it is held against are sphere, cylinder and saddle.
    """
    edges = edges_of(surface)
    length_mm = np.linalg.norm(
        surface.vertices[edges[:, 1]] - surface.vertices[edges[:, 0]], axis=1
    )
    typical_mm = float(np.median(length_mm)) if len(edges) else 1.0
    rounds = int(np.clip(round((blur_mm / max(typical_mm, _TINY)) ** 2), 0, _ROUNDS_MOST))
    six, weight = _at_vertices(surface, _on_faces(surface))
    six = _blurred(six, weight, edges, rounds)
    tensor = np.empty((len(six), 3, 3))
    for column, (i, j) in enumerate(_SYMMETRIC):
        tensor[:, i, j] = tensor[:, j, i] = six[:, column]
    return Curvature(tensor)


def _on_faces(surface: Mesh) -> Floats:
    """(m, 6) the symmetric tensor of each face."""
    normals = surface.vertex_normals[surface.faces]
    corners = surface.corners
    one = corners[:, 2] - corners[:, 1]
    u_axis = one / np.maximum(np.linalg.norm(one, axis=1), _TINY)[:, None]
    v_axis = np.cross(surface.face_normals, u_axis)
    # least squares for (a, b, c) in [[a, b], [b, c]] (u, v) = change of the normal
    system = np.zeros((len(corners), 3, 3))
    right = np.zeros((len(corners), 3))
    for k in range(3):
        edge = corners[:, (k + 2) % 3] - corners[:, (k + 1) % 3]
        turn = normals[:, (k + 2) % 3] - normals[:, (k + 1) % 3]
        u, v = (np.einsum("ij,ij->i", edge, axis) for axis in (u_axis, v_axis))
        du, dv = (np.einsum("ij,ij->i", turn, axis) for axis in (u_axis, v_axis))
        system[:, 0, 0] += u * u
        system[:, 0, 1] += u * v
        system[:, 1, 1] += u * u + v * v
        system[:, 2, 2] += v * v
        right += np.stack([u * du, v * du + u * dv, v * dv], axis=1)
    system[:, 1, 0] = system[:, 1, 2] = system[:, 2, 1] = system[:, 0, 1]
    # a needle without width says nothing of one direction: no bend there
    size = np.trace(system, axis1=1, axis2=2)
    system += (1e-9 * size + _TINY)[:, None, None] * np.eye(3)
    a, b, c = np.linalg.solve(system, right[:, :, None])[:, :, 0].T
    return np.stack(
        [
            a * u_axis[:, i] * u_axis[:, j]
            + b * (u_axis[:, i] * v_axis[:, j] + v_axis[:, i] * u_axis[:, j])
            + c * v_axis[:, i] * v_axis[:, j]
            for i, j in _SYMMETRIC
        ],
        axis=1,
    )


def _at_vertices(surface: Mesh, on_faces: Floats) -> tuple[Floats, Floats]:
    """(n, 6) mean of the faces around by area, and (n,) that area, mm2."""
    size, count = surface.triangle_count, len(surface.vertices)
    area = np.repeat(surface.face_areas_mm2, 3)
    gather = coo_matrix(
        (area, (surface.faces.reshape(-1), np.repeat(np.arange(size), 3))), shape=(count, size)
    ).tocsr()
    weight = np.asarray(gather.sum(axis=1)).reshape(-1)
    return gather @ on_faces / np.maximum(weight, _TINY)[:, None], weight


def _blurred(values: Floats, weight: Floats, edges: Ints, rounds: int) -> Floats:
    """Each vertex the mean of itself and its neighbours, ``rounds`` times."""
    if not rounds:
        return values
    count = len(values)
    here = np.r_[edges[:, 0], edges[:, 1], np.arange(count)]
    there = np.r_[edges[:, 1], edges[:, 0], np.arange(count)]
    mean = csr_matrix((weight[there], (here, there)), shape=(count, count))
    total = np.asarray(mean.sum(axis=1)).reshape(-1)
    for _ in range(rounds):
        values = mean @ values / np.maximum(total, _TINY)[:, None]
    return values
