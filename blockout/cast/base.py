"""Pouring a base: skirt, land, wall and flat bottom under an open surface with a clean border.

From the border a skirt goes down to the land, a shelf that runs all around just under the border
and follows its height, as it does on a trimmed stone cast, so that wax ends on it. At every place
the land lies under everything scanned within reach of it: it cannot cut into the scan. From its
outline a wall goes down to the flat bottom.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.ndimage import distance_transform_edt, gaussian_filter, map_coordinates, minimum_filter

from blockout.cast.change import places
from blockout.cast.frame import CastFrame
from blockout.errors import DefectError, KernelError
from blockout.kernel.outlines import (
    Region,
    hex_points,
    is_simple,
    resampled,
    ring_area_mm2,
    triangles_inside,
    widened,
)
from blockout.mesh import Bools, Floats, Ints, Mesh

LAND_DROP_MM: Final = 1.0
"""How far under the border the land lies at least; ours: enough for a hand to see the border."""

_CELL_MM = 0.5
_BLUR_MM = 3.0
_LAND_STEP_MM = 1.2
_WALL_STEP_MM = 2.4
_SKIRT_ROWS: Final = ((0.25, 0.2, 0.35, 0.02), (0.8, 0.6, 0.7, 0.05), (np.inf, 1.0, 1.1, 0.1))
"""Rows of the skirt: how far down, mm, but no more than this share of its height; the spacing of
the row's points, and how far the row may leave the border's outline, mm."""
_FILL_HOLE_MM2 = 80.0  # gaps in the land's outline smaller than this are filled


@dataclass(frozen=True, eq=False)
class Poured:
    """A closed surface.

    Parameters
    ----------
    mesh : Mesh
        The open surface's vertices and faces first, to the bit; then the base.
    base : (m,) bool
        The base's faces.
    floor_mm : float
        Height of the flat bottom in the cast frame.
    """

    mesh: Mesh
    base: Bools
    floor_mm: float


def pour_base(
    surface: Mesh,
    loop: Ints,
    *,
    frame: CastFrame,
    land_mm: float,
    base_thickness_mm: float,
    exact: Bools | None = None,
) -> Poured:
    """Close ``surface`` from its one border ``loop`` (k,) down to a flat bottom.

    Parameters
    ----------
    land_mm : float
        Width of the shelf beyond everything scanned, seen along the cast frame's z.
    base_thickness_mm : float
        Height of the lowest scanned point above the bottom.
    exact : (k,) bool, optional
        Points of the border under which the skirt keeps all its points and hangs straight down.
        Elsewhere they grow apart toward the land, which moves the skirt off the vertical by some
        hundredths of a millimetre.

    Raises
    ------
    DefectError
        The border's outline crosses itself or runs the wrong way round.
    """
    cast = frame.points_to_cast(surface.vertices)
    ring = cast[loop]
    if not is_simple(ring[:, :2]):
        raise _border_refused("the border crosses itself seen from above", surface, loop)
    if ring_area_mm2(ring[:, :2]) <= 0.0:
        raise _border_refused("the scan opens upward, not down", surface, loop)
    floor_mm = float(cast[surface.faces.reshape(-1), 2].min()) - base_thickness_mm
    scanned = cast[np.unique(surface.faces)]
    outline = widened(
        ring[:, :2],
        scanned[:, :2],
        by_mm=land_mm,
        round_mm=land_mm / 2.0,
        fill_below_mm2=_FILL_HOLE_MM2,
    )
    outline = Region(
        resampled(outline.outer, step_mm=_LAND_STEP_MM),
        tuple(resampled(hole, step_mm=_LAND_STEP_MM) for hole in outline.holes),
    )
    land = _LandHeight.under(scanned, reach_mm=land_mm)
    build = _Builder(len(surface.vertices))
    stay = np.zeros(len(loop), dtype=bool) if exact is None else exact
    rows = _skirt_rows(ring[:, :2], stay)
    inner = _hang_skirt(build, ring, loop, land, rows)
    rims = _lay_land(build, inner, outline, land)
    _stand_walls(build, rims, floor_mm)
    points = np.vstack([surface.vertices, frame.points_to_file(build.points())])
    faces = build.faces()
    return Poured(
        mesh=Mesh(points, np.vstack([surface.faces, faces])),
        base=np.r_[np.zeros(surface.triangle_count, dtype=bool), np.ones(len(faces), dtype=bool)],
        floor_mm=floor_mm,
    )


def _border_refused(what: str, surface: Mesh, loop: Ints) -> DefectError:
    return DefectError(
        what,
        measured=f"a border of {len(loop)} edges",
        places_mm=places(surface.vertices[loop[:1]]),
        fix="Crop the scan there, or say with --up where its teeth look.",
    )


class _Builder:
    """Collects the base's points (cast frame) and faces; numbers go on from the scan's."""

    def __init__(self, first: int) -> None:
        self._next = first
        self._points: list[Floats] = []
        self._faces: list[Ints] = []

    def add_points(self, points: Floats) -> Ints:
        numbers = np.arange(self._next, self._next + len(points), dtype=np.int64)
        self._points.append(points)
        self._next += len(points)
        return numbers

    def add_faces(self, faces: Ints) -> None:
        self._faces.append(faces)

    def points(self) -> Floats:
        return np.concatenate(self._points)

    def faces(self) -> Ints:
        return np.concatenate(self._faces)


@dataclass(frozen=True, eq=False)
class _Ring:
    """A closed run of points with their numbers; ``along`` in [0, 1) for each."""

    points: Floats
    numbers: Ints
    along: Floats


@dataclass(frozen=True, eq=False)
class _LandHeight:
    """Height of the land over the plane: smooth, and under all that is scanned nearby."""

    heights: Floats
    origin: Floats

    @classmethod
    def under(cls, scanned: Floats, *, reach_mm: float) -> _LandHeight:
        pad = int(np.ceil(2.0 * reach_mm / _CELL_MM)) + 4
        origin = scanned[:, :2].min(axis=0) - (pad + 0.37) * _CELL_MM
        cell = np.round((scanned[:, :2] - origin) / _CELL_MM).astype(np.int64)
        lowest = np.full(cell.max(axis=0) + pad + 1, np.inf)
        np.minimum.at(lowest, (cell[:, 0], cell[:, 1]), scanned[:, 2])
        blur_cells = int(np.ceil(_BLUR_MM / _CELL_MM))
        reach = int(np.ceil(reach_mm / _CELL_MM)) + blur_cells + 2
        grid = np.arange(-reach, reach + 1)
        disc = grid[:, None] ** 2 + grid[None, :] ** 2 <= reach**2
        # beyond the land's reach of anything scanned the height goes on as it is there
        beyond = distance_transform_edt(np.isinf(lowest)) > reach_mm / _CELL_MM + 2.0
        lowest = minimum_filter(lowest, footprint=disc, mode="constant", cval=np.inf)
        nearest = distance_transform_edt(beyond, return_distances=False, return_indices=True)
        lowest = lowest[tuple(nearest)]
        # the blur reaches less far than the search for the lowest point, so it stays under it
        smooth = gaussian_filter(lowest, blur_cells / 2.0, radius=blur_cells)
        return cls(smooth - LAND_DROP_MM, origin)

    def at(self, points: Floats) -> Floats:
        """(k,) heights at (k, 2) points of the cast frame, mm."""
        place = ((points - self.origin) / _CELL_MM).T
        height: Floats = map_coordinates(self.heights, place, order=1, mode="nearest")
        return height


def _skirt_rows(ring: Floats, stay: Bools) -> list[Ints]:
    """For each row of the skirt the numbers of the border's points it keeps; all of them where
    fewer would make the row cross itself.
    """
    rows, chosen = [], np.arange(len(ring))
    for _, _, step_mm, leave_mm in _SKIRT_ROWS:
        fewer = chosen[_sparser(ring[chosen], stay[chosen], step_mm=step_mm, leave_mm=leave_mm)]
        chosen = fewer if is_simple(ring[fewer]) else chosen
        rows.append(chosen)
    return rows


def _hang_skirt(
    build: _Builder, ring: Floats, loop: Ints, land: _LandHeight, rows: list[Ints]
) -> _Ring:
    """Strips from the border down to the land; returns the ring that lies on the land."""
    along = _along(ring[:, :2])
    upper = _Ring(ring, loop, along)
    foot = land.at(ring[:, :2])
    for (down_mm, share, _, _), chosen in zip(_SKIRT_ROWS, rows, strict=True):
        points = ring[chosen].copy()
        points[:, 2] -= np.minimum(down_mm, share * (points[:, 2] - foot[chosen]))
        lower = _Ring(points, build.add_points(points), along[chosen])
        build.add_faces(_strip(upper, lower))
        upper = lower
    return upper


def _along(ring: Floats) -> Floats:
    """(n,) share of the way round at which each point of a closed ring lies."""
    length = np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1)
    walked = np.cumsum(length)
    along: Floats = np.r_[0.0, walked[:-1]] / walked[-1]
    return along


def _sparser(ring: Floats, stay: Bools, *, step_mm: float, leave_mm: float) -> Ints:
    """Numbers of the points to keep so that they lie about ``step_mm`` apart, nearer where the
    chord would leave the outline.
    """
    points, stays = ring.tolist(), stay.tolist()
    count = len(points)
    kept = [0]
    walked = 0.0
    for k in range(1, count):
        x, y = points[k]
        px, py = points[k - 1]
        walked += ((x - px) ** 2 + (y - py) ** 2) ** 0.5
        ahead = points[(k + 1) % count]
        start = points[kept[-1]]
        longer = walked + ((ahead[0] - x) ** 2 + (ahead[1] - y) ** 2) ** 0.5
        if (
            stays[k]
            or longer > step_mm
            or _leaves(points[kept[-1] + 1 : k + 1], start, ahead, leave_mm)
        ):
            kept.append(k)
            walked = 0.0
    if len(kept) < 8:
        return np.arange(count)
    return np.array(kept, dtype=np.int64)


def _leaves(
    between: list[list[float]], start: list[float], end: list[float], leave_mm: float
) -> bool:
    dx, dy = end[0] - start[0], end[1] - start[1]
    length = (dx * dx + dy * dy) ** 0.5
    if length == 0.0:
        return True
    return any(
        abs((x - start[0]) * dy - (y - start[1]) * dx) > leave_mm * length for x, y in between
    )


def _strip(upper: _Ring, lower: _Ring) -> Ints:
    """Faces between two closed rings that run the same way, the lower one a choice of the upper
    one's places; outside is on the right of the way, seen from above.
    """
    m, n = len(upper.numbers), len(lower.numbers)
    top = np.r_[upper.along, 1.0]
    bottom = np.r_[lower.along, 1.0]
    # each step along a ring makes one face, whose third corner is the point of the other ring
    # that is current there; a step belongs to its own middle
    top_middle = (top[:-1] + top[1:]) / 2.0
    bottom_middle = (bottom[:-1] + bottom[1:]) / 2.0
    below = np.searchsorted(bottom_middle, top_middle, side="right") % n
    above = np.searchsorted(top_middle, bottom_middle, side="left") % m
    k, j = np.arange(m), np.arange(n)
    return np.vstack(
        [
            np.stack([upper.numbers[(k + 1) % m], upper.numbers[k], lower.numbers[below]], axis=1),
            np.stack([lower.numbers[j], lower.numbers[(j + 1) % n], upper.numbers[above]], axis=1),
        ]
    )


def _lay_land(build: _Builder, inner: _Ring, outline: Region, land: _LandHeight) -> list[_Ring]:
    """The shelf between the skirt's foot and the outline; returns the rings of its rim."""
    foot = inner.points[:, :2]
    shelf = Region(outline.outer, (foot[::-1], *outline.holes))
    axis = _own_axis(outline.outer)
    fill = hex_points(shelf, step_mm=_LAND_STEP_MM, clear_mm=0.6 * _LAND_STEP_MM, axis=axis)
    try:
        triangles = triangles_inside(shelf, fill)
    except KernelError as error:
        raise DefectError(
            "no land can be laid around the border",
            measured=str(error),
            fix="Set a larger --border-trim, or another --land.",
        ) from error
    rims = []
    numbers = []
    for place, ring in enumerate(shelf.rings):
        if place == 1:
            numbers.append(inner.numbers[::-1])
            continue
        points = np.c_[ring, land.at(ring)]
        rim = _Ring(points, build.add_points(points), _along(ring))
        rims.append(rim)
        numbers.append(rim.numbers)
    numbers.append(build.add_points(np.c_[fill, land.at(fill)]))
    build.add_faces(np.concatenate(numbers)[triangles])
    return rims


def _own_axis(ring: Floats) -> Floats:
    """(2, 2) centre of a ring and the direction from there to its first point."""
    middle = ring.mean(axis=0)
    return np.stack([middle, ring[0] - middle])


def _stand_walls(build: _Builder, rims: list[_Ring], floor_mm: float) -> None:
    """Walls from the land's rim straight down, and the flat bottom."""
    feet = []
    for rim in rims:
        upper = rim
        height = float((rim.points[:, 2] - floor_mm).max())
        rows = max(1, round(height / _WALL_STEP_MM))
        for row in range(1, rows + 1):
            points = rim.points.copy()
            points[:, 2] += (row / rows) * (floor_mm - points[:, 2])
            if row == rows:
                points[:, 2] = floor_mm
            lower = _Ring(points, build.add_points(points), rim.along)
            build.add_faces(_strip(upper, lower))
            upper = lower
        feet.append(upper)
    bottom = Region(feet[0].points[:, :2], tuple(foot.points[:, :2] for foot in feet[1:]))
    fill = hex_points(
        bottom, step_mm=2.0 * _LAND_STEP_MM, clear_mm=_LAND_STEP_MM, axis=_own_axis(bottom.outer)
    )
    triangles = triangles_inside(bottom, fill)
    numbers = [foot.numbers for foot in feet]
    numbers.append(build.add_points(np.c_[fill, np.full(len(fill), floor_mm)]))
    build.add_faces(np.concatenate(numbers)[triangles][:, ::-1])
