"""The frozen triangle mesh, and the one answer to "is it a solid?"."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Mesh:
    """Triangles in space; never changed in place.

    Parameters
    ----------
    vertices : (n, 3) float, mm
    faces : (m, 3) int
        Vertex indices, anticlockwise seen from outside.

    Raises
    ------
    ValueError
        Wrong shape, an index out of range, or a coordinate that is not finite. Readers check
        first and speak to the user; this is the last guard.
    """

    vertices: Floats
    faces: Ints

    def __init__(self, vertices: ArrayLike, faces: ArrayLike) -> None:
        points = np.array(vertices, dtype=np.float64, order="C").reshape(-1, 3)
        triangles = np.array(faces, dtype=np.int64, order="C").reshape(-1, 3)
        if triangles.size and not 0 <= triangles.min() <= triangles.max() < len(points):
            raise ValueError("a face names a vertex that is not there")
        if not np.isfinite(points).all():
            raise ValueError("a coordinate is not a finite number")
        points.setflags(write=False)
        triangles.setflags(write=False)
        object.__setattr__(self, "vertices", points)
        object.__setattr__(self, "faces", triangles)

    @property
    def triangle_count(self) -> int:
        return len(self.faces)

    @cached_property
    def corners(self) -> Floats:
        """(m, 3, 3) coordinates of each face's corners, mm."""
        corners: Floats = self.vertices[self.faces]
        return corners

    @cached_property
    def face_crosses(self) -> Floats:
        """(m, 3) normals of twice the area's length, mm2."""
        a, b, c = (self.corners[:, k] for k in range(3))
        return np.cross(b - a, c - a)

    @cached_property
    def face_areas_mm2(self) -> Floats:
        """(m,)"""
        areas: Floats = np.linalg.norm(self.face_crosses, axis=1) / 2.0
        return areas

    @cached_property
    def face_normals(self) -> Floats:
        """(m, 3) unit normals; zero for a face without area."""
        length = 2.0 * self.face_areas_mm2
        return self.face_crosses / np.where(length > 0.0, length, 1.0)[:, None]

    @cached_property
    def face_centres(self) -> Floats:
        """(m, 3) mm"""
        centres: Floats = self.corners.mean(axis=1)
        return centres

    @cached_property
    def volume_mm3(self) -> float:
        """Signed volume by the divergence theorem, about the centre of the box; positive when
        the faces look outward. It means something only where the mesh is closed.
        """
        if not self.triangle_count:
            return 0.0
        a, b, c = (self.corners[:, k] - self.centre for k in range(3))
        return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6.0)

    @cached_property
    def bounds_mm(self) -> Floats:
        """(2, 3) lowest and highest coordinates of the vertices that faces use."""
        used = self.corners.reshape(-1, 3)
        if not len(used):
            return np.zeros((2, 3))
        return np.stack([used.min(axis=0), used.max(axis=0)])

    @property
    def centre(self) -> Floats:
        """(3,) middle of the box, mm."""
        middle: Floats = self.bounds_mm.mean(axis=0)
        return middle

    @cached_property
    def halfedges(self) -> Ints:
        """(3 m, 2) directed edges; row ``k * m + f`` is edge k of face f, corner k to k + 1."""
        return np.concatenate([self.faces[:, [0, 1]], self.faces[:, [1, 2]], self.faces[:, [2, 0]]])

    @cached_property
    def twin_halfedges(self) -> Ints:
        """(3 m,) the one halfedge that runs the other way, or -1 at a border and wherever an
        edge does not join exactly two faces that agree on their outside.
        """
        start, end = self.halfedges.T
        low, high = np.minimum(start, end), np.maximum(start, end)
        key = low * np.int64(len(self.vertices)) + high
        order = np.argsort(key, kind="stable")
        ordered = key[order]
        first = np.flatnonzero(np.r_[True, ordered[1:] != ordered[:-1]]) if len(order) else order
        count = np.diff(np.r_[first, len(order)])
        pair = first[count == 2]
        one, other = order[pair], order[pair + 1]
        agree = start[one] == end[other]
        twins = np.full(len(key), -1, dtype=np.int64)
        twins[one[agree]] = other[agree]
        twins[other[agree]] = one[agree]
        return twins

    @cached_property
    def face_neighbours(self) -> Ints:
        """(m, 3) the face across edge k, or -1."""
        twins = self.twin_halfedges.reshape(3, -1).T
        return np.where(twins >= 0, twins % max(self.triangle_count, 1), -1)

    @cached_property
    def vertex_normals(self) -> Floats:
        """(n, 3) unit normals, faces weighted by their angle at the vertex."""
        unit = self.face_normals
        total = np.zeros_like(self.vertices)
        for k in range(3):
            u = self.corners[:, (k + 1) % 3] - self.corners[:, k]
            v = self.corners[:, (k + 2) % 3] - self.corners[:, k]
            angle = np.arctan2(np.linalg.norm(np.cross(u, v), axis=1), np.einsum("ij,ij->i", u, v))
            for axis in range(3):
                total[:, axis] += np.bincount(
                    self.faces[:, k], angle * unit[:, axis], minlength=len(self.vertices)
                )
        length = np.linalg.norm(total, axis=1)
        return total / np.where(length > 0.0, length, 1.0)[:, None]

    def face_components(self) -> Ints:
        """(m,) number of the edge-connected piece each face belongs to, from 0."""
        return connected_faces(self.face_neighbours)

    def part(self, keep: Bools) -> Mesh:
        """The faces where ``keep`` (m,) holds, without unused vertices, order kept."""
        faces = self.faces[keep]
        used = np.zeros(len(self.vertices), dtype=bool)
        used[faces.reshape(-1)] = True
        renumber = np.cumsum(used) - 1
        return Mesh(self.vertices[used], renumber[faces])

    def reversed(self) -> Mesh:
        """The same surface with its outside turned in."""
        return Mesh(self.vertices, self.faces[:, ::-1])

    def moved(self, matrix: Floats) -> Mesh:
        """Vertices under a rigid 4 x 4 ``matrix`` (file to file, mm)."""
        return Mesh(self.vertices @ matrix[:3, :3].T + matrix[:3, 3], self.faces)

    def scaled(self, factor: float) -> Mesh:
        return Mesh(self.vertices * factor, self.faces)


def connected_faces(neighbours: Ints) -> Ints:
    """Label faces by connection; ``neighbours`` (m, 3) holds face numbers or -1."""
    count = len(neighbours)
    face = np.repeat(np.arange(count), 3)
    other = neighbours.reshape(-1)
    linked = other >= 0
    graph = coo_matrix(
        (np.ones(int(linked.sum()), dtype=np.int8), (face[linked], other[linked])),
        shape=(count, count),
    )
    labels: Ints = connected_components(graph, directed=False)[1].astype(np.int64)
    return labels


@dataclass(frozen=True)
class Solidity:
    """Why a mesh is, or is not, a solid. Counts are exact and from topology alone, but for the
    sign of the volume.

    A solid is closed (every edge joins exactly two faces, running opposite ways), has no vertex
    where two sheets only touch, no face without three different corners, and encloses a
    positive volume.
    """

    triangle_count: int
    open_edge_count: int
    crowded_edge_count: int
    opposed_edge_count: int
    pinched_vertex_count: int
    collapsed_face_count: int
    volume_mm3: float

    @property
    def closed(self) -> bool:
        """No open edge, no edge with more than two faces, none where two faces disagree."""
        return self.triangle_count > 0 and not (
            self.open_edge_count or self.crowded_edge_count or self.opposed_edge_count
        )

    @property
    def is_solid(self) -> bool:
        return (
            self.closed
            and not self.pinched_vertex_count
            and not self.collapsed_face_count
            and self.volume_mm3 > 0.0
        )

    def reasons(self) -> tuple[str, ...]:
        """Plain words for each thing that keeps the mesh from being a solid; empty for a solid."""
        if not self.triangle_count:
            return ("it has no triangles",)
        said = [
            (self.open_edge_count, "open edges"),
            (self.crowded_edge_count, "edges with more than two faces"),
            (self.opposed_edge_count, "edges whose two faces disagree on the outside"),
            (self.pinched_vertex_count, "vertices where two sheets only touch"),
            (self.collapsed_face_count, "faces without three different corners"),
        ]
        reasons = [f"{count} {words}" for count, words in said if count]
        if self.closed and self.volume_mm3 <= 0.0:
            reasons.append(f"it is inside out or flat (volume {self.volume_mm3:.4g} mm3)")
        return tuple(reasons)


def solidity(mesh: Mesh) -> Solidity:
    """The one answer to "is it a solid?", used everywhere."""
    collapsed = (mesh.faces == np.roll(mesh.faces, 1, axis=1)).any(axis=1)
    start, end = mesh.halfedges.T
    low, high = np.minimum(start, end), np.maximum(start, end)
    key = low * np.int64(max(len(mesh.vertices), 1)) + high
    distinct, inverse, count = np.unique(key, return_inverse=True, return_counts=True)
    forward = np.bincount(inverse, (start < end).astype(np.float64), minlength=len(distinct))
    paired = count == 2
    return Solidity(
        triangle_count=mesh.triangle_count,
        open_edge_count=int((count == 1).sum()),
        crowded_edge_count=int((count > 2).sum()),
        opposed_edge_count=int((paired & (forward != 1)).sum()),
        pinched_vertex_count=int(pinched_vertices(mesh).sum()),
        collapsed_face_count=int(collapsed.sum()),
        volume_mm3=mesh.volume_mm3,
    )


def corner_fans(mesh: Mesh) -> Ints:
    """(3 m,) number of the fan each face corner belongs to, row ``k * m + f`` for corner k.

    A fan is a run of faces around one vertex, each sharing with the next an edge that joins
    exactly those two. A vertex with more than one fan is where sheets only touch.
    """
    size = mesh.triangle_count
    twins = mesh.twin_halfedges
    halfedge = np.flatnonzero(twins >= 0)
    twin = twins[halfedge]
    edge, face = halfedge // max(size, 1), halfedge % max(size, 1)
    twin_edge, twin_face = twin // max(size, 1), twin % max(size, 1)
    # halfedge runs corner `edge` -> `edge + 1`; its twin starts where this one ends
    here = edge * size + face
    there = ((twin_edge + 1) % 3) * size + twin_face
    graph = coo_matrix(
        (np.ones(len(here), dtype=np.int8), (here, there)), shape=(3 * size, 3 * size)
    )
    fans: Ints = connected_components(graph, directed=False)[1].astype(np.int64)
    return fans


def pinched_vertices(mesh: Mesh) -> Bools:
    """(n,) where more than one fan of faces meets at a vertex."""
    if not mesh.triangle_count:
        return np.zeros(len(mesh.vertices), dtype=bool)
    fans = corner_fans(mesh)
    vertex_of_fan = np.full(int(fans.max()) + 1, -1, dtype=np.int64)
    vertex_of_fan[fans] = mesh.faces.T.reshape(-1)
    return np.bincount(vertex_of_fan, minlength=len(mesh.vertices)) > 1


def joined(meshes: list[Mesh]) -> Mesh:
    """Several meshes in one, side by side, nothing merged."""
    offsets = np.cumsum([0] + [len(mesh.vertices) for mesh in meshes])
    if not meshes:
        return Mesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64))
    return Mesh(
        np.concatenate([mesh.vertices for mesh in meshes]),
        np.concatenate([mesh.faces + shift for mesh, shift in zip(meshes, offsets, strict=False)]),
    )
