"""What a mesh is, and what is wrong with it. Changes nothing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from blockout.cast.change import gathered, places
from blockout.cast.noise import estimate_noise_mm
from blockout.cast.weld import weld
from blockout.errors import Place
from blockout.kernel.surfaces import self_intersections
from blockout.mesh import (
    Bools,
    Floats,
    Ints,
    Mesh,
    Solidity,
    corner_fans,
    pinched_vertices,
    solidity,
)

FLAT_HEIGHT_MM: Final = 1e-6
"""A face lower than this has no area to speak of: 1 nm is under the step of 32-bit coordinates
at the size of an arch."""

LISTED: Final = 20
"""Loops and components told one by one; the counts are of all."""

_SAMPLE: Final = 2000
_PAIRS_LIMIT: Final = 10_000_000
_PAIRS_PER_FACE: Final = 20
"""Pairs of faces with overlapping boxes that the search is given: a scan has a few a face, which
takes seconds; a heap of crossing faces has as many as faces squared, which takes days."""


@dataclass(frozen=True)
class Findings:
    """How many of one kind of fault, and where the first few are (file coordinates)."""

    count: int
    places_mm: tuple[Place, ...] = ()


@dataclass(frozen=True)
class BoundaryLoop:
    """One run of open edges, and a point on it."""

    length_mm: float
    edge_count: int
    place_mm: Place


@dataclass(frozen=True)
class EdgeLengths:
    """Spread of the lengths of all edges, mm."""

    min_mm: float
    p05_mm: float
    median_mm: float
    p95_mm: float
    max_mm: float


@dataclass(frozen=True, eq=False)
class Inspection:
    """Everything said of one mesh.

    Parameters
    ----------
    solidity : Solidity
        The one answer to "is it a solid?".
    vertex_count, unused_vertex_count : int
    coincident_vertex_count : int
        Vertices at exactly the place of an earlier one: surfaces that touch without being joined.
    component_count : int
        Pieces connected by edges, whichever way their faces are turned.
    component_triangles : tuple of int
        Sizes of the largest pieces, largest first.
    inverted_component_count : int
        Closed pieces that are turned inside out: hollows, or mistakes.
    loop_count, boundary_mm
        Of all boundary loops.
    loops : tuple of BoundaryLoop
        The longest, longest first.
    crowded_edges, opposed_edges, pinched_vertices : Findings
        Edges with more than two faces; edges whose two faces disagree on the outside; vertices
        where sheets only touch.
    degenerate_faces, duplicate_faces : Findings
        Faces lower than ``FLAT_HEIGHT_MM``, and faces with the corners of an earlier one.
    intersections : Findings or None
        Pairs of faces that cut through each other; None where they were not counted.
    intersections_not_counted : str
        Why not; empty where they were.
    bounds_mm : (2, 3) float
    area_mm2 : float
    edge_lengths : EdgeLengths
    noise_mm : float
        Estimated standard deviation of the scan's noise; 0 where it cannot be told.
    """

    solidity: Solidity
    vertex_count: int
    unused_vertex_count: int
    coincident_vertex_count: int
    component_count: int
    component_triangles: tuple[int, ...]
    inverted_component_count: int
    loop_count: int
    boundary_mm: float
    loops: tuple[BoundaryLoop, ...]
    crowded_edges: Findings
    opposed_edges: Findings
    pinched_vertices: Findings
    degenerate_faces: Findings
    duplicate_faces: Findings
    intersections: Findings | None
    intersections_not_counted: str
    bounds_mm: Floats
    area_mm2: float
    edge_lengths: EdgeLengths
    noise_mm: float

    @property
    def closed(self) -> bool:
        return self.solidity.closed

    @property
    def volume_mm3(self) -> float | None:
        """Only a closed mesh has one."""
        return self.solidity.volume_mm3 if self.closed else None

    @property
    def inside_out(self) -> bool | None:
        """None where the mesh is open, so that it has no inside."""
        return self.solidity.volume_mm3 < 0.0 if self.closed else None

    @property
    def size_mm(self) -> Floats:
        """(3,) sides of the box."""
        size: Floats = self.bounds_mm[1] - self.bounds_mm[0]
        return size

    def facts(self) -> dict[str, Any]:
        """The same as plain values for JSON."""

        def found(findings: Findings) -> dict[str, Any]:
            return {"count": findings.count, "places_mm": [list(p) for p in findings.places_mm]}

        intersections: dict[str, Any] = (
            {"count": None, "not_counted": self.intersections_not_counted, "places_mm": []}
            if self.intersections is None
            else found(self.intersections)
        )
        lengths = self.edge_lengths
        return {
            "triangles": self.solidity.triangle_count,
            "vertices": self.vertex_count,
            "unused_vertices": self.unused_vertex_count,
            "coincident_vertices": self.coincident_vertex_count,
            "closed": self.closed,
            "is_solid": self.solidity.is_solid,
            "not_solid_because": list(self.solidity.reasons()),
            "oriented": not self.opposed_edges.count,
            "inside_out": self.inside_out,
            "components": {
                "count": self.component_count,
                "triangles": list(self.component_triangles),
                "inside_out": self.inverted_component_count,
            },
            "boundary_loops": {
                "count": self.loop_count,
                "length_mm": self.boundary_mm,
                "longest": [
                    {
                        "length_mm": loop.length_mm,
                        "edges": loop.edge_count,
                        "place_mm": list(loop.place_mm),
                    }
                    for loop in self.loops
                ],
            },
            "crowded_edges": found(self.crowded_edges),
            "opposed_edges": found(self.opposed_edges),
            "pinched_vertices": found(self.pinched_vertices),
            "degenerate_faces": found(self.degenerate_faces),
            "duplicate_faces": found(self.duplicate_faces),
            "self_intersections": intersections,
            "bounds_mm": self.bounds_mm.tolist(),
            "size_mm": self.size_mm.tolist(),
            "area_mm2": self.area_mm2,
            "volume_mm3": self.volume_mm3,
            "edge_length_mm": {
                "min": lengths.min_mm,
                "p05": lengths.p05_mm,
                "median": lengths.median_mm,
                "p95": lengths.p95_mm,
                "max": lengths.max_mm,
            },
            "noise_mm": self.noise_mm,
        }

    def sentences(self) -> tuple[str, ...]:
        """What is wrong with it, in plain words, each with a place where there is one."""
        return tuple(self._sentences())

    def _sentences(self) -> Iterator[str]:
        if not self.solidity.triangle_count:
            yield "It has no triangles."
            return
        if self.inside_out:
            yield f"It is inside out: its volume is {self.solidity.volume_mm3:.4g} mm3."
        elif self.closed and self.solidity.volume_mm3 == 0.0:
            yield "It is closed but flat: it encloses nothing."
        if self.loop_count:
            longest = self.loops[0]
            one = self.loop_count == 1
            yield (
                f"It is open: {_many(self.loop_count, 'boundary loop')}, "
                f"{'' if one else 'the longest '}{longest.length_mm:.1f} mm long, "
                f"through {_at(longest.place_mm)}."
            )
        if self.component_count > 1:
            sizes = ", ".join(str(size) for size in self.component_triangles[:5])
            more = " ..." if self.component_count > 5 else ""
            yield (
                f"It is in {self.component_count} pieces that share no edge, "
                f"of {sizes}{more} triangles."
            )
        if self.inverted_component_count and not self.inside_out:
            yield (
                f"{_many(self.inverted_component_count, 'closed piece')} turned inside out: "
                "a hollow, or a mistake."
            )
        yield from _said(self.crowded_edges, "edge", "with more than two faces")
        yield from _said(
            self.opposed_edges, "edge", "where two faces disagree on which side is outside"
        )
        yield from _said(self.pinched_vertices, "vertex", "where two sheets only touch")
        yield from _said(self.degenerate_faces, "face", "without area")
        yield from _said(self.duplicate_faces, "face", "that repeats an earlier one")
        if self.coincident_vertex_count:
            yield (
                f"{_many(self.coincident_vertex_count, 'vertex')} at exactly the place of an "
                "earlier one: faces that touch there are not joined."
            )
        if self.unused_vertex_count:
            yield f"{_many(self.unused_vertex_count, 'vertex')} that no face uses."
        if self.intersections is None:
            yield f"Self-intersections were not counted: {self.intersections_not_counted}."
        else:
            yield from _said(self.intersections, "pair", "of faces that cut through each other")


def inspect_mesh(mesh: Mesh) -> Inspection:
    """Look at a mesh in millimetres from all sides.

    Any mesh will do, however broken. On a heap of faces that cross everywhere the
    self-intersections are left uncounted, and that is said.

    >>> corners = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1.0]])
    >>> faces = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]])
    >>> found = inspect_mesh(Mesh(corners, faces))
    >>> found.closed, round(found.volume_mm3, 6), found.sentences()
    (True, 0.166667, ())
    """
    edges = _Edges.of(mesh)
    labels = _pieces(mesh, edges)
    sizes = np.sort(np.bincount(labels))[::-1] if len(labels) else labels
    loops, loop_count, boundary_mm = _loops(mesh, edges)
    middles = edges.middles_mm
    used = np.zeros(len(mesh.vertices), dtype=bool)
    used[mesh.faces.reshape(-1)] = True
    welded = weld(mesh.vertices, mesh.faces)
    crossings, not_counted = _crossings(welded.mesh)
    pinched = pinched_vertices(mesh)
    return Inspection(
        solidity=solidity(mesh),
        vertex_count=len(mesh.vertices),
        unused_vertex_count=int((~used).sum()),
        coincident_vertex_count=welded.merged_count,
        component_count=len(sizes),
        component_triangles=tuple(sizes[:LISTED].tolist()),
        inverted_component_count=_inverted(mesh, edges, labels),
        loop_count=loop_count,
        boundary_mm=boundary_mm,
        loops=loops,
        crowded_edges=_findings(middles[edges.faces > 2]),
        opposed_edges=_findings(middles[edges.opposed]),
        pinched_vertices=_findings(mesh.vertices[pinched]),
        degenerate_faces=_findings(mesh.face_centres[_degenerate(mesh)]),
        duplicate_faces=_findings(mesh.face_centres[_duplicates(mesh)]),
        intersections=crossings,
        intersections_not_counted=not_counted,
        bounds_mm=mesh.bounds_mm,
        area_mm2=float(mesh.face_areas_mm2.sum()),
        edge_lengths=_spread(edges.lengths_mm),
        noise_mm=estimate_noise_mm(mesh),
    )


@dataclass(frozen=True, eq=False)
class _Edges:
    """Each edge once, whichever way faces run along it."""

    ends_mm: Floats  # (e, 2, 3)
    of_halfedge: Ints  # (3 m,)
    faces: Ints  # (e,) how many
    opposed: Bools  # (e,) exactly two faces, which run the same way

    @classmethod
    def of(cls, mesh: Mesh) -> _Edges:
        start, end = mesh.halfedges.T
        low, high = np.minimum(start, end), np.maximum(start, end)
        size = max(len(mesh.vertices), 1)
        distinct, of_halfedge, faces = np.unique(
            low * np.int64(size) + high, return_inverse=True, return_counts=True
        )
        forward = np.bincount(of_halfedge, start < end, minlength=len(distinct))
        ends = np.stack([distinct // size, distinct % size], axis=1)
        return cls(
            ends_mm=mesh.vertices[ends],
            of_halfedge=of_halfedge.reshape(-1),
            faces=faces,
            opposed=(faces == 2) & (forward != 1),
        )

    @property
    def lengths_mm(self) -> Floats:
        lengths: Floats = np.linalg.norm(self.ends_mm[:, 1] - self.ends_mm[:, 0], axis=1)
        return lengths

    @property
    def middles_mm(self) -> Floats:
        middles: Floats = self.ends_mm.mean(axis=1)
        return middles


def _pieces(mesh: Mesh, edges: _Edges) -> Ints:
    """(m,) piece of each face, joined through any edge, however its faces are turned."""
    count, edge_count = mesh.triangle_count, len(edges.faces)
    face = np.tile(np.arange(count), 3)
    graph = coo_matrix(
        (np.ones(3 * count, dtype=np.int8), (face, count + edges.of_halfedge)),
        shape=(count + edge_count, count + edge_count),
    )
    labels = connected_components(graph, directed=False)[1][:count]
    return np.unique(labels, return_inverse=True)[1].reshape(-1).astype(np.int64)


def _inverted(mesh: Mesh, edges: _Edges, labels: Ints) -> int:
    """Closed pieces whose own volume is negative."""
    if not mesh.triangle_count:
        return 0
    a, b, c = (mesh.corners[:, k] - mesh.centre for k in range(3))
    volumes = np.bincount(labels, np.einsum("ij,ij->i", a, np.cross(b, c)) / 6.0)
    whole = (edges.faces == 2) & ~edges.opposed
    broken = ~whole[edges.of_halfedge].reshape(3, -1).all(axis=0)
    open_pieces = np.bincount(labels, broken) > 0
    return int(((volumes < 0.0) & ~open_pieces).sum())


def _loops(mesh: Mesh, edges: _Edges) -> tuple[tuple[BoundaryLoop, ...], int, float]:
    """Runs of open edges, the faces always on one side: edges are linked through the fans of
    faces at their ends. So two sheets that only touch have a loop each, and the rim of two holes
    that meet at a corner is one.
    """
    halfedge = np.flatnonzero(edges.faces[edges.of_halfedge] == 1)
    if not len(halfedge):
        return (), 0, 0.0
    size = mesh.triangle_count
    fans = corner_fans(mesh)
    start, end = fans[halfedge], fans[(halfedge + size) % (3 * size)]
    count = int(fans.max()) + 1
    graph = coo_matrix((np.ones(len(halfedge), np.int8), (start, end)), shape=(count, count))
    loop = np.unique(
        connected_components(graph, directed=False)[1][start],
        return_index=True,
        return_inverse=True,
    )
    first, of_edge = loop[1], loop[2].reshape(-1)
    each_mm = edges.lengths_mm[edges.of_halfedge[halfedge]]
    lengths_mm = np.bincount(of_edge, each_mm)
    edge_counts = np.bincount(of_edge)
    points = mesh.vertices[mesh.halfedges[halfedge[first], 0]]
    longest = np.argsort(-lengths_mm, kind="stable")[:LISTED]
    listed = tuple(
        BoundaryLoop(length_mm=float(length), edge_count=int(edge_count), place_mm=place)
        for length, edge_count, place in zip(
            lengths_mm[longest], edge_counts[longest], places(points[longest]), strict=True
        )
    )
    return listed, len(lengths_mm), float(lengths_mm.sum())


def _degenerate(mesh: Mesh) -> Bools:
    """(m,) faces with a height under ``FLAT_HEIGHT_MM`` over their longest side."""
    sides = mesh.corners - np.roll(mesh.corners, 1, axis=1)
    longest_mm = np.linalg.norm(sides, axis=2).max(axis=1, initial=0.0)
    flat: Bools = 2.0 * mesh.face_areas_mm2 <= FLAT_HEIGHT_MM * longest_mm
    return flat


def _duplicates(mesh: Mesh) -> Bools:
    """(m,) faces whose three corners an earlier face has, in any order."""
    a, b, c = np.sort(mesh.faces, axis=1).T
    first_two = a * np.int64(max(len(mesh.vertices), 1)) + b
    order = np.lexsort((c, first_two))
    repeats = np.zeros(mesh.triangle_count, dtype=bool)
    same = (first_two[order][1:] == first_two[order][:-1]) & (c[order][1:] == c[order][:-1])
    repeats[order[1:][same]] = True
    return repeats


def _crossings(mesh: Mesh) -> tuple[Findings | None, str]:
    """Pairs of faces that cut through each other, unless there are too many to look at."""
    mesh = mesh.part(~(_degenerate(mesh) | _duplicates(mesh)))
    expected = _overlapping_boxes(mesh)
    limit = max(_PAIRS_LIMIT, _PAIRS_PER_FACE * mesh.triangle_count)
    if expected > limit:
        return None, (
            f"about {expected:.1g} pairs of faces lie close enough to cross, "
            f"more than {limit:.1g} are not looked at"
        )
    pairs = self_intersections(mesh)
    return _findings(mesh.face_centres[pairs[:, 0]], count=len(pairs)), ""


def _overlapping_boxes(mesh: Mesh) -> float:
    """How many pairs of faces without a common corner have overlapping boxes, guessed from a
    random sample of faces.
    """
    count = mesh.triangle_count
    if count < 2:
        return 0.0
    chosen = np.arange(count)
    if count > _SAMPLE:
        chosen = np.random.default_rng(0).choice(count, _SAMPLE, replace=False)
    low, high = mesh.corners[chosen].min(axis=1), mesh.corners[chosen].max(axis=1)
    overlap = np.ones((len(chosen), len(chosen)), dtype=bool)
    for axis in range(3):
        overlap &= low[:, None, axis] <= high[None, :, axis]
        overlap &= high[:, None, axis] >= low[None, :, axis]
    one, other = np.nonzero(np.triu(overlap, k=1))
    corners = mesh.faces[chosen]
    apart = ~(corners[one][:, :, None] == corners[other][:, None, :]).any(axis=(1, 2))
    return float(apart.sum()) * count * (count - 1) / (len(chosen) * (len(chosen) - 1))


def _spread(lengths_mm: Floats) -> EdgeLengths:
    if not len(lengths_mm):
        return EdgeLengths(0.0, 0.0, 0.0, 0.0, 0.0)
    return EdgeLengths(*(float(q) for q in np.quantile(lengths_mm, (0.0, 0.05, 0.5, 0.95, 1.0))))


def _findings(points_mm: Floats, *, count: int | None = None) -> Findings:
    return Findings(
        count=len(points_mm) if count is None else count, places_mm=places(gathered(points_mm))
    )


def _many(count: int, noun: str) -> str:
    plural = {"vertex": "vertices"}.get(noun, f"{noun}s")
    return f"{count} {noun if count == 1 else plural}"


def _at(place: Place) -> str:
    x, y, z = place
    return f"({x:.2f}, {y:.2f}, {z:.2f}) mm"


def _said(findings: Findings, noun: str, words: str) -> Iterator[str]:
    if findings.count:
        yield f"{_many(findings.count, noun)} {words}, near {_at(findings.places_mm[0])}."
