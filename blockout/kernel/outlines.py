"""The only door to shapely: closed outlines in the plane, and triangles inside them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.ndimage import distance_transform_edt
from scipy.spatial import Delaunay

from blockout.errors import KernelError
from blockout.mesh import Bools, Floats, Ints

_CELL_MM = 0.25


@dataclass(frozen=True, eq=False)
class Region:
    """A plane region: outer ring anticlockwise, rings of holes clockwise, none closed twice.

    Parameters
    ----------
    outer : (n, 2) float, mm
    holes : tuple of (k, 2) float, mm
    """

    outer: Floats
    holes: tuple[Floats, ...] = ()

    @property
    def rings(self) -> tuple[Floats, ...]:
        return (self.outer, *self.holes)

    @property
    def area_mm2(self) -> float:
        return float(sum(ring_area_mm2(ring) for ring in self.rings))


def ring_area_mm2(ring: Floats) -> float:
    """Signed area of a closed ring (n, 2); positive when it runs anticlockwise."""
    x, y = (ring - ring.mean(axis=0)).T
    return float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2.0


def is_simple(ring: Floats) -> bool:
    """True where the closed ring (n, 2) neither touches nor crosses itself.

    >>> is_simple(np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]]))
    True
    >>> is_simple(np.array([[0.0, 0.0], [1.0, 1.0], [1.0, 0.0], [0.0, 1.0]]))
    False
    """
    return len(ring) >= 3 and bool(shapely.is_simple(shapely.LinearRing(ring)))


def inside(region: Region, points: Floats) -> Bools:
    """(k,) which of the points (k, 2) lie inside the region, its border left out."""
    polygon = shapely.Polygon(region.outer, region.holes)
    shapely.prepare(polygon)
    within: Bools = shapely.contains_xy(polygon, points[:, 0], points[:, 1])
    return within


def grown(ring: Floats, by_mm: float) -> tuple[Floats, ...]:
    """Outer rings of what a simple ring (n, 2) encloses, grown by a length, or shrunk by a negative
    one; several where it falls apart, none where nothing is left.

    >>> square = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 2.0], [0.0, 2.0]])
    >>> [ring_area_mm2(ring) for ring in grown(square, 1.0)]
    [16.0]
    """
    grown = shapely.Polygon(ring).buffer(by_mm, join_style="mitre")
    pieces = shapely.get_parts(grown)
    rings = [shapely.get_coordinates(shapely.orient_polygons(one).exterior) for one in pieces]
    return tuple(ring[:-1] for ring in rings if len(ring) > 3)


def distance_to_rings(region: Region, points: Floats) -> Floats:
    """(k,) distance of each point (k, 2) from the nearest ring, mm."""
    rings = shapely.MultiLineString([np.vstack([ring, ring[:1]]) for ring in region.rings])
    shapely.prepare(rings)
    distance: Floats = shapely.distance(rings, shapely.points(points))
    return distance


def widened(
    ring: Floats,
    points: Floats,
    *,
    by_mm: float,
    round_mm: float,
    fill_below_mm2: float,
) -> Region:
    """Everything within ``by_mm`` of the ring's inside or of one of the points, as one region;
    around points it may reach up to a quarter of a millimetre further.

    Parameters
    ----------
    ring : (n, 2) float, mm
        A simple ring.
    points : (k, 2) float, mm
    round_mm : float
        Inner corners are rounded with this radius, so gaps narrower than twice of it close.
    fill_below_mm2 : float
        Holes smaller than this are filled.

    Raises
    ------
    KernelError
        The result is not one piece.
    """
    # discs around thousands of points would take minutes: cells are joined first, no further
    # than the widening itself closes
    cells = _cells_around(points, close_mm=by_mm)
    merged = shapely.union_all([shapely.Polygon(ring), *cells])
    merged = merged.simplify(_CELL_MM / 8.0)
    merged = merged.buffer(by_mm + round_mm, quad_segs=12).buffer(-round_mm, quad_segs=12)
    if merged.geom_type != "Polygon" or merged.is_empty:
        raise KernelError("the outline around the cast is not one piece")
    merged = shapely.orient_polygons(merged)
    holes = [
        np.asarray(hole.coords)[:-1]
        for hole in merged.interiors
        if shapely.Polygon(hole).area >= fill_below_mm2
    ]
    return Region(np.asarray(merged.exterior.coords)[:-1], tuple(holes))


def _cells_around(points: Floats, *, close_mm: float) -> list[shapely.Polygon]:
    """Boxes that hold the points, cells of a quarter millimetre in runs, row by row; gaps that a
    disc of radius ``close_mm`` does not enter are filled.
    """
    if not len(points):
        return []
    margin = int(np.ceil(close_mm / _CELL_MM)) + 2
    # a share of a cell off the extreme point, so that no point lies on a cell's edge by design
    origin = points.min(axis=0) - (margin + 0.37) * _CELL_MM
    column, row = np.floor((points - origin) / _CELL_MM).astype(np.int64).T
    held = np.zeros((row.max() + margin + 1, column.max() + margin + 1), dtype=bool)
    held[row, column] = True
    near = distance_transform_edt(~held) <= close_mm / _CELL_MM
    held |= distance_transform_edt(near) > close_mm / _CELL_MM + 0.5
    row, column = np.nonzero(held)
    first = np.flatnonzero(np.r_[True, (row[1:] != row[:-1]) | (column[1:] != column[:-1] + 1)])
    last = np.r_[first[1:] - 1, len(row) - 1]
    low_x = column[first] * _CELL_MM + origin[0]
    high_x = (column[last] + 1) * _CELL_MM + origin[0]
    low_y = row[first] * _CELL_MM + origin[1]
    return list(shapely.box(low_x, low_y, high_x, low_y + _CELL_MM))


def resampled(ring: Floats, *, step_mm: float) -> Floats:
    """The closed ring (n, 2) walked in equal steps of about ``step_mm``, at least eight."""
    closed = np.vstack([ring, ring[:1]])
    along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))]
    count = max(8, round(along[-1] / step_mm))
    # start midway along the first segment: no decision hangs on where the ring begins
    at = (np.arange(count) + 0.5) * along[-1] / count
    return np.stack([np.interp(at, along, closed[:, k]) for k in range(2)], axis=1)


def hex_points(region: Region, *, step_mm: float, clear_mm: float, axis: Floats) -> Floats:
    """(k, 2) points of a hexagonal lattice inside the region, ``clear_mm`` off its rings.

    ``axis`` (2, 2) holds the origin and one lattice direction, so that a turned region gets
    turned points.
    """
    origin, along = axis
    along = along / np.linalg.norm(along)
    basis = np.stack([along, np.array([-along[1], along[0]])])
    local = (region.outer - origin) @ basis.T
    low, high = local.min(axis=0), local.max(axis=0)
    rise = step_mm * np.sqrt(3.0) / 2.0
    rows = np.arange(np.floor(low[1] / rise), np.ceil(high[1] / rise) + 1)
    columns = np.arange(np.floor(low[0] / step_mm) - 1, np.ceil(high[0] / step_mm) + 2)
    grid_y, grid_x = np.meshgrid(rows, columns, indexing="ij")
    lattice = np.stack(
        [(grid_x + 0.5 * (grid_y % 2)).ravel() * step_mm, grid_y.ravel() * rise], axis=1
    )
    points = lattice @ basis + origin
    points = points[inside(region, points)]
    kept: Floats = points[distance_to_rings(region, points) > clear_mm]
    return kept


def triangles_inside(region: Region, points: Floats) -> Ints:
    """(t, 3) anticlockwise triangles that fill the region.

    Indices run over the rings in order, then ``points`` (k, 2), which lie inside. Every ring
    edge is an edge of a triangle; no vertex is added or moved.

    Raises
    ------
    KernelError
        No such triangles were found.
    """
    corners = _framed(np.concatenate([*region.rings, points.reshape(-1, 2)]))
    segments = _ring_segments(region)
    triangles = _delaunay(corners)
    if triangles is not None:
        triangles = _with_segments(corners, triangles, segments)
    if triangles is not None:
        triangles = triangles[inside(region, corners[triangles].mean(axis=1))]
        if _fills(region, corners, triangles, segments):
            return _in_order(triangles)
    raise KernelError(
        "an outline could not be filled with triangles",
        measured=f"{len(segments)} edges, {len(points)} points inside",
    )


def _in_order(triangles: Ints) -> Ints:
    """Least corner first, then row by row, so that the same triangles come in the same order
    however the points were found.
    """
    turn = (triangles.argmin(axis=1)[:, None] + np.arange(3)) % 3
    rolled = np.take_along_axis(triangles, turn, axis=1)
    return rolled[np.lexsort(rolled.T[::-1])]


def _ring_segments(region: Region) -> Ints:
    segments, start = [], 0
    for ring in region.rings:
        index = np.arange(start, start + len(ring))
        segments.append(np.stack([index, np.roll(index, -1)], axis=1))
        start += len(ring)
    return np.concatenate(segments)


def _framed(corners: Floats) -> Floats:
    """The points and four more far around them, so that every point lies well inside."""
    low, high = corners.min(axis=0), corners.max(axis=0)
    reach = float((high - low).max()) * 2.0 + 1.0
    around = np.array([[-1.0, -1.1], [1.2, -1.0], [1.0, 1.3], [-1.1, 1.0]])
    return np.vstack([corners, (low + high) / 2.0 + reach * around])


def _delaunay(corners: Floats) -> Ints | None:
    """Anticlockwise Delaunay triangles, or None where two points fell together."""
    found = Delaunay(corners)
    if len(found.coplanar):
        return None
    triangles = found.simplices.astype(np.int64)
    turned = _turn(*(corners[triangles[:, k]] for k in range(3))) < 0.0
    triangles[turned] = triangles[turned][:, ::-1]
    return triangles


def _turn(a: Floats, b: Floats, c: Floats) -> Floats:
    """Twice the signed area of a, b, c."""
    u, v = b - a, c - a
    turn: Floats = u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0]
    return turn


def _with_segments(corners: Floats, triangles: Ints, segments: Ints) -> Ints | None:
    """The triangles with each segment made an edge, by turning the edges that cross it."""
    size = np.int64(len(corners))
    ends = np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=-1).reshape(-1, 2)
    there = np.unique(np.sort(ends, axis=1) @ np.array([size, 1]))
    missing = segments[~np.isin(np.sort(segments, axis=1) @ np.array([size, 1]), there)]
    if not len(missing):
        return triangles
    third = {
        (a, b): c for p, q, r in triangles.tolist() for a, b, c in ((p, q, r), (q, r, p), (r, p, q))
    }
    for a, b in missing.tolist():
        if not _recover(corners, third, a, b):
            return None
    seen = {tuple(_rolled(a, b, c)) for (a, b), c in third.items()}
    return np.array(sorted(seen), dtype=np.int64)


def _rolled(a: int, b: int, c: int) -> tuple[int, int, int]:
    return min((a, b, c), (b, c, a), (c, a, b))


def _recover(corners: Floats, third: dict[tuple[int, int], int], a: int, b: int) -> bool:
    """Turn edges until a-b is one (after S. W. Sloan, 1993)."""

    def side(p: int, q: int, r: int) -> float:
        return float(_turn(corners[p], corners[q], corners[r]))

    waiting = [
        (p, q)
        for (p, q) in list(third)
        if p < q
        and (q, p) in third
        and not {a, b} & {p, q}
        and side(a, b, p) * side(a, b, q) < 0.0
        and side(p, q, a) * side(p, q, b) < 0.0
    ]
    for _ in range(50 * len(waiting) + 50):
        if not waiting:
            return (a, b) in third or (b, a) in third
        p, q = waiting.pop(0)
        r, s = third[p, q], third[q, p]
        if side(s, r, p) <= 0.0 or side(r, s, q) <= 0.0:
            waiting.append((p, q))  # the two triangles make no convex quad yet
            continue
        for edge in ((p, q), (q, r), (r, p), (q, p), (p, s), (s, q)):
            del third[edge]
        for x, y, z in ((p, s, r), (s, q, r)):
            third[x, y], third[y, z], third[z, x] = z, x, y
        if not {a, b} & {r, s} and side(a, b, r) * side(a, b, s) < 0.0:
            waiting.append((r, s))
    return False


def _fills(region: Region, corners: Floats, triangles: Ints, segments: Ints) -> bool:
    if not len(triangles):
        return False
    doubled = _turn(*(corners[triangles[:, k]] for k in range(3)))
    edges = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    size = np.int64(len(corners))
    key = edges[:, 0] * size + edges[:, 1]
    back = edges[:, 1] * size + edges[:, 0]
    border = np.sort(key[~np.isin(key, back)])
    wanted = np.sort(segments[:, 0] * size + segments[:, 1])
    area = region.area_mm2
    return bool(
        (doubled > 0.0).all()
        and len(np.unique(key)) == len(key)
        and np.array_equal(border, wanted)
        and abs(float(doubled.sum()) / 2.0 - area) <= 1e-9 * area
    )
