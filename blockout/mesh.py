"""The frozen triangle mesh, and the one answer to "is it a solid?"."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
AnyT = TypeVar("AnyT", bound=np.generic)


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
        points = _triples(np.array(vertices, dtype=np.float64, order="C"), "vertices")
        triangles = _triples(_whole_numbers(faces), "faces")
        if triangles.size and not 0 <= triangles.min() <= triangles.max() < len(points):
            raise ValueError("a face names a vertex that is not there")
        if not np.isfinite(points).all():
            raise ValueError("a coordinate is not a finite number")
        object.__setattr__(self, "vertices", _locked(points))
        object.__setattr__(self, "faces", _locked(triangles))

    @property
    def triangle_count(self) -> int:
        """How many faces."""
        return len(self.faces)

    @cached_property
    def corners(self) -> Floats:
        """(m, 3, 3) coordinates of each face's corners, mm."""
        # taken row by row: an index of many rows is three times slower
        return _locked(self.vertices.take(self.faces, axis=0))

    @cached_property
    def face_crosses(self) -> Floats:
        """(m, 3) normals of twice the area's length, mm2."""
        a, b, c = (self.corners[:, k] for k in range(3))
        u, v = (b - a).T, (c - a).T
        crosses = np.empty_like(a, order="C")
        for k, i, j in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
            crosses[:, k] = u[i] * v[j] - u[j] * v[i]
        return _locked(crosses)

    @cached_property
    def face_areas_mm2(self) -> Floats:
        """(m,) mm2."""
        return _locked(np.linalg.norm(self.face_crosses, axis=1) / 2.0)

    @cached_property
    def face_normals(self) -> Floats:
        """(m, 3) unit normals; zero for a face without area."""
        length = 2.0 * self.face_areas_mm2
        return _locked(self.face_crosses / np.where(length > 0.0, length, 1.0)[:, None])

    @cached_property
    def face_centres(self) -> Floats:
        """(m, 3) middle of each face, mm."""
        return _locked(self.corners.mean(axis=1))

    @cached_property
    def volume_mm3(self) -> float:
        """Signed volume by the divergence theorem, about the centre of the box; positive when
        the faces look outward. It means something only where the mesh is closed.
        """
        if not self.triangle_count:
            return 0.0
        x, y, z = (np.ascontiguousarray(column) for column in (self.vertices - self.centre).T)
        a, b, c = (np.ascontiguousarray(corner) for corner in self.faces.T)
        sixfold = (
            x[a] * (y[b] * z[c] - z[b] * y[c])
            + y[a] * (z[b] * x[c] - x[b] * z[c])
            + z[a] * (x[b] * y[c] - y[b] * x[c])
        )
        return float(sixfold.sum() / 6.0)

    @cached_property
    def bounds_mm(self) -> Floats:
        """(2, 3) lowest and highest coordinates of the vertices that faces use."""
        if not self.triangle_count:
            return _locked(np.zeros((2, 3)))
        used = np.zeros(len(self.vertices), dtype=bool)
        used[self.faces.reshape(-1)] = True
        columns = [self.vertices[used, axis] for axis in range(3)]
        return _locked(np.array([[c.min() for c in columns], [c.max() for c in columns]]))

    @property
    def centre(self) -> Floats:
        """(3,) middle of the box, mm."""
        middle: Floats = self.bounds_mm.mean(axis=0)
        return middle

    @cached_property
    def halfedges(self) -> Ints:
        """(3 m, 2) directed edges; row ``k * m + f`` is edge k of face f, corner k to k + 1."""
        a, b, c = self.faces.T
        return _locked(np.stack([np.concatenate([a, b, c]), np.concatenate([b, c, a])], axis=1))

    @cached_property
    def edge_runs(self) -> tuple[Ints, Ints, Ints]:
        """Halfedges gathered by the edge they lie on, whichever way they run.

        ``order`` (3 m,) lists the halfedges edge by edge; edge e owns ``order[first[e]:first[e] +
        count[e]]``, the lowest first.
        """
        start, end = self.halfedges.T
        low, high = np.minimum(start, end), np.maximum(start, end)
        key = low * np.int64(max(len(self.vertices), 1)) + high
        # halfedges lie in runs already, which a stable sort makes use of
        order = np.argsort(key, kind="stable")
        ordered = key[order]
        first = np.flatnonzero(np.r_[True, ordered[1:] != ordered[:-1]]) if len(order) else order
        return _locked(order), _locked(first), _locked(np.diff(np.r_[first, len(order)]))

    @cached_property
    def twin_halfedges(self) -> Ints:
        """(3 m,) the one halfedge that runs the other way, or -1 at a border and wherever an
        edge does not join exactly two faces that agree on their outside.
        """
        start, end = self.halfedges.T
        order, first, count = self.edge_runs
        pair = first[count == 2]
        one, other = order[pair], order[pair + 1]
        agree = (start[one] == end[other]) & (start[one] != end[one])
        twins = np.full(len(order), -1, dtype=np.int64)
        twins[one[agree]] = other[agree]
        twins[other[agree]] = one[agree]
        return _locked(twins)

    @cached_property
    def face_neighbours(self) -> Ints:
        """(m, 3) the face across edge k, or -1."""
        twins = self.twin_halfedges.reshape(3, -1).T
        return _locked(np.where(twins >= 0, twins % max(self.triangle_count, 1), -1))

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
        return _locked(total / np.where(length > 0.0, length, 1.0)[:, None])

    def normals_at(self, vertices: Ints) -> Floats:
        """(k, 3) unit normals at some vertices (k,), as :attr:`vertex_normals` has them."""
        asked = np.zeros(len(self.vertices), dtype=bool)
        asked[vertices] = True
        around = asked[self.faces].any(axis=1)
        return Mesh(self.vertices, self.faces[around]).vertex_normals[vertices]

    def face_components(self) -> Ints:
        """(m,) number of the edge-connected piece each face belongs to, from 0."""
        return connected_faces(self.face_neighbours)

    @classmethod
    def hung_together(cls, vertices: Floats, faces: Ints, twins: Ints) -> Mesh:
        """A mesh of which it is known how its faces hang together: its :attr:`twin_halfedges`."""
        mesh = cls(vertices, faces)
        mesh.__dict__["twin_halfedges"] = _locked(twins)
        return mesh

    def fans_apart(self) -> tuple[Mesh, Ints]:
        """The same faces, hung together as they are, with a vertex of its own for every fan: sheets
        that only touch share none. And the vertex that each of the vertices was.
        """
        fans = corner_fans(self)
        vertex = _middle_of_fans(self, fans)
        faces = fans.reshape(3, self.triangle_count).T
        points = self.vertices.take(vertex, axis=0)
        return Mesh.hung_together(points, faces, self.twin_halfedges), vertex

    def part(self, keep: Bools) -> Mesh:
        """The faces where ``keep`` (m,) holds, without unused vertices, order kept."""
        faces = self.faces.compress(keep, axis=0)
        used = np.zeros(len(self.vertices), dtype=bool)
        used[faces.reshape(-1)] = True
        renumber = np.cumsum(used) - 1
        return Mesh(self.vertices.compress(used, axis=0), renumber.take(faces))

    def reversed(self) -> Mesh:
        """The same surface with its outside turned in."""
        return Mesh(self.vertices, self.faces[:, ::-1])

    def reshaped(self, vertices: Floats) -> Mesh:
        """The same faces between other vertices (n, 3); what is known of how they hang together is
        kept.
        """
        mesh = Mesh(vertices, self.faces)
        for known in ("halfedges", "edge_runs", "twin_halfedges", "face_neighbours"):
            if known in self.__dict__:
                mesh.__dict__[known] = self.__dict__[known]
        return mesh

    def moved(self, matrix: Floats) -> Mesh:
        """Vertices under a rigid 4 x 4 ``matrix`` (file to file, mm)."""
        return Mesh(self.vertices @ matrix[:3, :3].T + matrix[:3, 3], self.faces)

    def scaled(self, factor: float) -> Mesh:
        """Every coordinate times ``factor``; the outside stays outside for a positive one."""
        return Mesh(self.vertices * factor, self.faces)


def _triples(rows: NDArray[AnyT], name: str) -> NDArray[AnyT]:
    if rows.size and rows.shape[1:] != (3,):
        raise ValueError(f"{name} come as rows of three, not in the shape {rows.shape}")
    return rows.reshape(-1, 3)


def _whole_numbers(faces: ArrayLike) -> Ints:
    given = np.asarray(faces)
    if given.dtype.kind not in "biu" and not (given == np.floor(given)).all():
        raise ValueError("a face names a vertex by something that is not a whole number")
    return np.array(given, dtype=np.int64, order="C")


def _locked(array: NDArray[AnyT]) -> NDArray[AnyT]:
    """The same array, no longer to be written: it is kept and handed out again."""
    array.setflags(write=False)
    return array


def connected_faces(neighbours: Ints) -> Ints:
    """Label faces by connection; ``neighbours`` (m, 3) holds face numbers or -1."""
    count = len(neighbours)
    linked = neighbours >= 0
    # row by row, as the library wants it: it need not gather them
    first = np.zeros(count + 1, dtype=np.int32)
    np.cumsum(linked.sum(axis=1), out=first[1:])
    other = neighbours[linked].astype(np.int32)
    graph = csr_matrix((np.ones(len(other)), other, first), shape=(count, count))
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
        """Closed, nowhere only touching itself, no collapsed face, and outside out."""
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
    a, b, c = mesh.faces.T
    collapsed = (a == b) | (b == c) | (c == a)
    _, _, count = mesh.edge_runs
    joined_well = int((mesh.twin_halfedges >= 0).sum()) // 2
    return Solidity(
        triangle_count=mesh.triangle_count,
        open_edge_count=int((count == 1).sum()),
        crowded_edge_count=int((count > 2).sum()),
        opposed_edge_count=int((count == 2).sum()) - joined_well,
        pinched_vertex_count=int(pinched_vertices(mesh).sum()),
        collapsed_face_count=int(collapsed.sum()),
        volume_mm3=mesh.volume_mm3,
    )


def corner_fans(mesh: Mesh, *, across: Bools | None = None) -> Ints:
    """(3 m,) number of the fan each face corner belongs to, row ``k * m + f`` for corner k.

    A fan is a run of faces around one vertex, each sharing with the next an edge that joins
    exactly those two. A vertex with more than one fan is where sheets only touch. Where ``across``
    (3 m,) is given, only the halfedges that it names join faces.
    """
    size = mesh.triangle_count
    twins = mesh.twin_halfedges if across is None else np.where(across, mesh.twin_halfedges, -1)
    corner = np.arange(3 * size)
    # the twin of the edge that leaves a corner ends there: its face is the next one of the fan
    following = np.where(twins >= 0, (twins + size) % max(3 * size, 1), corner)
    # every corner leaps ahead 1, 2, 4, ... places until all have been round the longest fan
    longest = int(np.bincount(mesh.faces.reshape(-1)).max()) if size else 0
    ahead, lowest = following, corner
    for _ in range(longest.bit_length()):
        lowest = np.minimum(lowest, lowest[ahead])
        ahead = ahead[ahead]
    # an open fan is known by its last corner, where the leaps end; a closed one by its lowest
    known_by = np.where(following[ahead] == ahead, ahead, lowest)
    is_first = np.zeros(3 * size, dtype=bool)
    is_first[known_by] = True
    fans: Ints = (np.cumsum(is_first) - 1)[known_by]
    return fans


def pinched_vertices(mesh: Mesh) -> Bools:
    """(n,) where more than one fan of faces meets at a vertex."""
    middle = _middle_of_fans(mesh, corner_fans(mesh))
    return np.bincount(middle, minlength=len(mesh.vertices)) > 1


def _middle_of_fans(mesh: Mesh, fans: Ints) -> Ints:
    """The vertex that each fan runs around, of the ``fans`` (3 m,) of a mesh."""
    vertex = np.zeros(int(fans.max(initial=-1)) + 1, dtype=np.int64)
    vertex[fans] = mesh.faces.T.reshape(-1)
    return vertex


def joined(meshes: list[Mesh]) -> Mesh:
    """Several meshes in one, side by side, nothing merged."""
    offsets = np.cumsum([0] + [len(mesh.vertices) for mesh in meshes])
    if not meshes:
        return Mesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64))
    return Mesh(
        np.concatenate([mesh.vertices for mesh in meshes]),
        np.concatenate([mesh.faces + shift for mesh, shift in zip(meshes, offsets, strict=False)]),
    )
