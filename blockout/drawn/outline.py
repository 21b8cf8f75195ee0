"""Outlines drawn on a surface, and the piece of surface inside one, cut exactly along it."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace

import numpy as np

from blockout.cast.change import place_of
from blockout.drawn.curve import SurfaceCurve, on_surface
from blockout.drawn.trace import Trace, trace
from blockout.errors import InputError, KernelError
from blockout.kernel.solids import filled_triangles
from blockout.mesh import Bools, Floats, Ints, Mesh, connected_faces


@dataclass(frozen=True, eq=False)
class SurfaceRegion:
    """The surface inside an outline.

    Parameters
    ----------
    sheet : Mesh
        The piece of surface; faces that the outline crosses are split along it.
    source_face : (m,) int
        The face of the whole surface that each face of the sheet is, or is a part of.
    loops : tuple of (k,) int
        Vertices of the sheet around its border, anticlockwise seen from outside; the first is
        the outline, others are borders of the surface itself that lie inside.
    whole_face : (m,) bool
        Which faces were not split.
    corners : (j,) int
        Vertices of the sheet that are the outline's own points, in the order of the first loop.
    corner_of : (j,) int
        The number that each of those has in the outline.
    """

    sheet: Mesh
    source_face: Ints
    loops: tuple[Ints, ...]
    whole_face: Bools
    corners: Ints
    corner_of: Ints

    @property
    def area_mm2(self) -> float:
        return float(self.sheet.face_areas_mm2.sum())


def surface_region(mesh: Mesh, outline: SurfaceCurve, *, name: str = "outline") -> SurfaceRegion:
    """The piece of surface inside a closed curve on it; the smaller side is inside.

    The curve is followed from point to point over the faces, each of those is split along it,
    and what is not connected across it is told apart. Its points are corners of the cut to
    1e-4 of a facet.

    Parameters
    ----------
    mesh : Mesh
        A closed surface, or a piece of one.
    outline : SurfaceCurve
        Closed, on that mesh.
    name : str
        How the outline is called in messages.

    Raises
    ------
    InputError
        The curve is open, crosses itself, or does not part the surface in two.
    """
    if not outline.closed:
        raise InputError(f"the {name} is not closed", fix="Draw it as a closed line.")
    way = trace(mesh, outline)
    if all(crossing is None for crossing in way.crossing):
        # all within one facet: a corner put inside it makes the way cross edges
        mesh, origin = _with_corner_inside(mesh, outline, name)
        inner = surface_region(mesh, on_surface(mesh, outline.points_mm, closed=True), name=name)
        return replace(inner, source_face=origin[inner.source_face])
    cut, source, ring = _split_along(mesh, way, name)
    given = np.array(way.given, dtype=np.int64)
    return _smaller_side(cut, source, ring, given, mesh.triangle_count, name)


def _with_corner_inside(mesh: Mesh, outline: SurfaceCurve, name: str) -> tuple[Mesh, Ints]:
    """The mesh with the one face that holds the outline split in three, at a point inside."""
    face = int(outline.face[0])
    flat = _in_plane(mesh.face_normals[face], outline.points_mm)
    triangles = filled_triangles([flat if _area(flat) > 0.0 else flat[::-1]])
    if not len(triangles):
        raise InputError(f"the {name} encloses nothing", places_mm=[place_of(outline.points_mm[0])])
    points = outline.points_mm if _area(flat) > 0.0 else outline.points_mm[::-1]
    corners = points[triangles]
    size = np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
    )
    inside = corners[size.argmax()].mean(axis=0)
    a, b, c = mesh.faces[face]
    new = len(mesh.vertices)
    keep = np.arange(mesh.triangle_count) != face
    faces = np.vstack([mesh.faces[keep], [[a, b, new], [b, c, new], [c, a, new]]])
    origin = np.r_[np.flatnonzero(keep), [face] * 3]
    return Mesh(np.vstack([mesh.vertices, inside]), faces), origin


def _split_along(mesh: Mesh, way: Trace, name: str) -> tuple[Mesh, Ints, Ints]:
    """The mesh with every face on the way split along it, the old face of each face, and the
    vertices of the way in order.
    """
    first, count = len(mesh.vertices), len(way.points_mm)
    on_edge: dict[tuple[int, int], list[tuple[float, int]]] = defaultdict(list)
    for k, crossing in enumerate(way.crossing):
        if crossing is not None:
            on_edge[crossing.low, crossing.high].append((crossing.share, first + k))
    vertices = np.vstack([mesh.vertices, np.array(way.points_mm)])
    triangles: list[Ints] = []
    sources: list[int] = []
    for face, chains in _chains(way, first).items():
        polygons = [_ring(mesh.faces[face], on_edge)]
        for chain in chains:
            polygons = _parted(polygons, chain, vertices, name)
        for polygon in polygons:
            filled = _filled(vertices, polygon, mesh.face_normals[face])
            triangles.append(filled)
            sources += [face] * len(filled)
    untouched = np.ones(mesh.triangle_count, dtype=bool)
    untouched[sources] = False
    faces = np.vstack([mesh.faces[untouched], *triangles])
    source = np.r_[np.flatnonzero(untouched), np.array(sources, dtype=np.int64)]
    return Mesh(vertices, faces), source, first + np.arange(count)


def _chains(way: Trace, first: int) -> dict[int, list[list[int]]]:
    """For each face on the way the runs of vertices across it, edge to edge."""
    count = len(way.points_mm)
    start = next(k for k in range(count) if way.crossing[k] is not None)
    chains: dict[int, list[list[int]]] = defaultdict(list)
    run: list[int] = []
    for step in range(count + 1):
        k = (start + step) % count
        crossing = way.crossing[k]
        run.append(first + k)
        if crossing is None or step == 0:
            continue
        chains[crossing.left_face].append(run)
        run = [first + k]
    return chains


def _ring(corners: Ints, on_edge: dict[tuple[int, int], list[tuple[float, int]]]) -> list[int]:
    """The face's corners and the crossings on its edges, in order around it."""
    ring: list[int] = []
    for k in range(3):
        one, other = int(corners[k]), int(corners[(k + 1) % 3])
        crossed = sorted(on_edge.get((min(one, other), max(one, other)), []))
        ring.append(one)
        ring += [number for _, number in (crossed if one < other else crossed[::-1])]
    return ring


def _parted(
    polygons: list[list[int]], chain: list[int], vertices: Floats, name: str
) -> list[list[int]]:
    """The polygons with the one that the chain crosses parted along it."""
    enters, leaves = chain[0], chain[-1]
    for at, polygon in enumerate(polygons):
        if enters in polygon and leaves in polygon:
            turn = polygon.index(enters)
            rolled = polygon[turn:] + polygon[:turn]
            far = rolled.index(leaves)
            right = rolled[: far + 1] + chain[-2:0:-1]
            left = rolled[far:] + chain[:-1]
            return [*polygons[:at], right, left, *polygons[at + 1 :]]
    raise InputError(
        f"the {name} crosses or touches itself",
        places_mm=[place_of(vertices[enters])],
        fix="Give its points in order around the zone, or draw two zones.",
    )


def _filled(vertices: Floats, polygon: list[int], normal: Floats) -> Ints:
    """(k - 2, 3) triangles between the corners of a polygon that lies in a face."""
    numbers = np.array(polygon, dtype=np.int64)
    if len(numbers) == 3:
        return numbers[None]
    found = filled_triangles([_in_plane(normal, vertices[numbers])])
    if len(found) != len(numbers) - 2:
        raise KernelError(
            "a facet could not be split along an outline",
            measured=f"{len(numbers)} corners, {len(found)} triangles",
        )
    return numbers[found]


def _in_plane(normal: Floats, points: Floats) -> Floats:
    """(k, 2) points of a plane seen along the axis that is most square to it, from its tip."""
    axis = int(np.abs(normal).argmax())
    across = [(axis + 1) % 3, (axis + 2) % 3]
    return points[:, across if normal[axis] > 0.0 else across[::-1]]


def _area(flat: Floats) -> float:
    x, y = flat.T
    return float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2.0


def _smaller_side(
    mesh: Mesh, source: Ints, ring: Ints, given: Ints, old_count: int, name: str
) -> SurfaceRegion:
    """The side of the ring of vertices with less area; ``given`` is the number in the outline of
    each of them that is a point of it, or -1.
    """
    start, end = mesh.halfedges.T
    size = np.int64(len(mesh.vertices))
    key = start * size + end
    ahead = ring * size + np.roll(ring, -1)
    back = np.roll(ring, -1) * size + ring
    on_new = np.flatnonzero((start >= ring[0]) & (end >= ring[0]))
    left = on_new[np.isin(key[on_new], ahead)]
    right = on_new[np.isin(key[on_new], back)]
    neighbours = mesh.face_neighbours.copy()
    count = mesh.triangle_count
    for edges in (left, right):
        neighbours[edges % count, edges // count] = -1
    piece = connected_faces(neighbours)
    sides = [np.unique(piece[edges % count]) for edges in (left, right)]
    if len(left) != len(ring) or len(right) != len(ring) or np.isin(sides[0], sides[1]).any():
        raise InputError(
            f"the {name} does not part the surface in two",
            places_mm=[place_of(mesh.vertices[ring[0]])],
            fix="Draw it around an area, off the surface's own borders.",
        )
    area_mm2 = np.bincount(piece, mesh.face_areas_mm2)
    first, second = (float(area_mm2[side].sum()) for side in sides)
    chosen = np.isin(piece, sides[0] if first <= second else sides[1])
    loop = ring if first <= second else ring[::-1]
    number = given if first <= second else given[::-1]
    used = np.zeros(size, dtype=bool)
    used[mesh.faces[chosen].reshape(-1)] = True
    renumber = np.cumsum(used) - 1
    sheet = mesh.part(chosen)
    kept_sources = source[chosen]
    whole = np.bincount(source, minlength=old_count)[kept_sources] == 1
    return SurfaceRegion(
        sheet=sheet,
        source_face=kept_sources,
        loops=(renumber[loop], *_other_loops(sheet, renumber[loop])),
        whole_face=whole,
        corners=renumber[loop[number >= 0]],
        corner_of=number[number >= 0],
    )


def _other_loops(sheet: Mesh, outline: Ints) -> list[Ints]:
    """Borders of the sheet but for the outline, each from its lowest vertex on."""
    start, end = sheet.halfedges.T
    border = sheet.twin_halfedges < 0
    onward = dict(zip(start[border].tolist(), end[border].tolist(), strict=True))
    for vertex in outline.tolist():
        onward.pop(vertex, None)
    loops: list[Ints] = []
    while onward:
        first = min(onward)
        loop = [first]
        after = onward.pop(first)
        while after != first and after in onward:
            loop.append(after)
            after = onward.pop(after)
        loops.append(np.array(loop, dtype=np.int64))
    return loops
