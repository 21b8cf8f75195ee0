"""A sheet of wax over a zone of the cast: everything outside it that is no further from the
zone's surface than the thickness.

The zone is laid flat and divided into well-shaped triangles. On each of their corners stands a
column along the surface normal, from a little under the surface up to where the distance to the
zone is the thickness asked for: that distance, not a length along the column, is what makes the
thickness right over curved tissue. The triangles are made finer where the outer surface between
the columns is off, so that a groove narrower than the thickness gets its sharp valley.

Columns set up along the bare normals would cross over tissue that is hollow with a radius under
the thickness; there their directions are smoothed, along the outline as well, just as far as it
takes for no two to cross.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array, diags_array, eye_array
from scipy.sparse.linalg import splu
from scipy.spatial import cKDTree

from blockout.drawn.curve import SurfaceCurve, normals_at
from blockout.drawn.flat import FlatRegion, flat_region
from blockout.drawn.outline import SurfaceRegion
from blockout.errors import InputError
from blockout.kernel.solids import Solid
from blockout.kernel.surfaces import nearest_places, self_intersections
from blockout.mesh import Bools, Floats, Ints, Mesh
from blockout.wax.sheet_plan import ZONE, Plan, sheet_plan

SPACING_MM: Final = 0.25
SINK_MM: Final = 0.02
"""How far the sheet reaches into the cast, so that the two overlap instead of touching."""
TOLERANCE_MM: Final = 0.004
"""The outer surface is made finer where it is off by more than this between two columns."""
FEATHER_END_MM: Final = 0.01
"""Thickness a feathered edge ends with: less is no wax, but ragged islands on the scan's noise."""
LATE_TOLERANCE_MM: Final = 0.006
"""The same after the first rounds: what noise leaves is not chased further."""
_STRICT_ROUNDS: Final = 3
_SHORTEST_MM: Final = 0.01
_STEEPEST: Final = 0.05
_PIECE_MM: Final = 0.1
_ROUNDS: Final = 8
_MARCH: Final = 80
_MARCH_END_MM: Final = 2e-7
_SMOOTHING: Final = (0.0, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0)
"""Tries, in thicknesses: over which length column directions are smoothed."""
_REACH: Final = 2.0
"""Directions are smoothed within this many of those lengths around where columns crossed."""
_SHARES: Final = np.array([0.14, 0.26, 0.38, 0.5, 0.62, 0.74, 0.86])
_KINKED: Final = 1.15
"""A deviation this much larger beside the middle of an edge than at it: there is a valley."""


@dataclass(frozen=True, eq=False)
class Feather:
    """A feathered edge: the thickness goes to nearly nothing toward some lines.

    At a distance x of the tissue from the nearest of the lines the thickness is e + (t - e)
    sin(90 deg x / width), t beyond the width; e is :data:`FEATHER_END_MM`.

    Parameters
    ----------
    lines_mm : tuple of (k, 3) float
        Rows of points along the parts of the outline that are feathered.
    width_mm : float
    """

    lines_mm: tuple[Floats, ...]
    width_mm: float


@dataclass(frozen=True, eq=False)
class Sheet:
    """A sheet over a zone.

    Parameters
    ----------
    body : Mesh
        Closed, reaching into the cast by ``SINK_MM``.
    outer : (m,) bool
        Which faces of the body are the outer surface.
    solid : Solid
        The same for the kernel.
    windows : tuple of (k, 3) float
        The rings of the windows on the surface.
    off_mm : float
        Largest difference from the asked thickness, of the outer surface's distance to the zone,
        at its corners and at the middle of its edges and facets.
    smoothed_mm : float
        Over which length the directions of the columns were smoothed.
    """

    body: Mesh
    outer: Bools
    solid: Solid
    windows: tuple[Floats, ...]
    off_mm: float
    smoothed_mm: float


def sheet_over(
    mesh: Mesh,
    outline: SurfaceCurve,
    region: SurfaceRegion,
    *,
    thickness_mm: float,
    feather: Feather | None = None,
    windows: Sequence[SurfaceCurve] = (),
    spacing_mm: float = SPACING_MM,
    name: str = "zone",
) -> Sheet:
    """The sheet over a region of a surface.

    Parameters
    ----------
    mesh : Mesh
        The whole surface.
    outline : SurfaceCurve
        On it; what ``region`` was cut along.
    region : SurfaceRegion
    thickness_mm : float
        Measured normal to the tissue.
    feather : Feather, optional
        Where the edge is not butt.
    windows : sequence of SurfaceCurve
        Closed curves inside the outline; the columns inside them are left out.
    spacing_mm : float
        Distance of the columns before any is added.

    Raises
    ------
    InputError
        The surface folds too sharply for a sheet, or a window does not lie within the outline.
    KernelError
        The kernel does not take the sheet.
    """
    flat = flat_region(mesh, outline, region, name=name)
    thickness = _Thickness(region.sheet, thickness_mm, feather)
    plan, base, face = _first_plan(flat, windows, spacing_mm, name)
    base[plan.rings[0]] = region.sheet.vertices[region.corners]
    normals = normals_at(mesh, face, base)
    ring = outline.normals[region.corner_of]
    normals[plan.rings[0]] = ring
    crossed_mm = np.zeros((0, 3))
    for share in _SMOOTHING:
        smoothed_mm = share * thickness_mm
        direction = _smoothed(plan, base, normals, smoothed_mm, around_mm=crossed_mm)
        columns = _Columns(plan, base, direction, thickness.exits(base, direction))
        found_mm = columns.crossed_mm()
        if not len(found_mm):
            columns, off_mm = _refined(columns, flat, thickness, spacing_mm)
            body, outer = columns.body()
            cut = np.unique(self_intersections(body))
            found_mm = np.vstack([columns.crossed_mm(), body.face_centres[cut]])
        if not len(found_mm):
            solid = Solid.from_mesh(body)
            rings = tuple(columns.base[ring] for ring in columns.plan.rings[1:])
            return Sheet(body, outer, solid, rings, off_mm, smoothed_mm)
        crossed_mm = np.vstack([crossed_mm, found_mm])
    place = crossed_mm[-1]
    raise InputError(
        f"the surface of the {name} folds too sharply for a sheet",
        measured=f"columns of {thickness_mm:g} mm cross, even smoothed over "
        f"{_SMOOTHING[-1] * thickness_mm:g} mm",
        places_mm=[(float(place[0]), float(place[1]), float(place[2]))],
        fix="Draw the zone beside the fold, or make the sheet thinner.",
    )


def _first_plan(
    flat: FlatRegion,
    windows: Sequence[SurfaceCurve],
    spacing_mm: float,
    name: str,
) -> tuple[Plan, Floats, Ints]:
    """The plan at its first spacing, its points on the surface, and the face of each."""
    rings = []
    for window in windows:
        ring = flat.laid(window.points_mm)
        x, y = ring.T
        turns = float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) > 0.0
        rings.append(ring if turns else ring[::-1])
    plan = sheet_plan(flat.outline_mm, rings, spacing_mm=spacing_mm, name=name)
    base, face = flat.lifted(plan.flat_mm)
    return plan, base, face


@dataclass(frozen=True, eq=False)
class _Thickness:
    """How thick the sheet is at each place of the zone."""

    zone: Mesh
    full_mm: float
    feather: Feather | None

    @cached_property
    def _lines(self) -> _Lines:
        return _Lines.of(self.feather.lines_mm if self.feather else ())

    def at(self, places_mm: Floats) -> Floats:
        """(k,) thickness at places on the zone, mm."""
        if self.feather is None:
            return np.full(len(places_mm), self.full_mm)
        off_mm = self._lines.distance_mm(places_mm)
        share = np.clip(off_mm / self.feather.width_mm, 0.0, 1.0)
        end_mm = min(FEATHER_END_MM, self.full_mm)
        thick: Floats = end_mm + (self.full_mm - end_mm) * np.sin(np.pi / 2.0 * share)
        return thick

    def off(self, points_mm: Floats, above_mm: Floats) -> Floats:
        """(k,) how much further points are from the zone than the thickness at the places
        ``above_mm`` (k, 3) that their columns stand on, mm.
        """
        off: Floats = nearest_places(self.zone, points_mm).distance_mm - self.at(above_mm)
        return off

    def exits(self, base: Floats, direction: Floats) -> Floats:
        """(k,) length of each column: where it first gets as far from the zone as the thickness.

        A step as long as what is still lacking never goes too far, since the distance grows by
        no more than the step; so no gap between two walls is leapt over.
        """
        thick = self.at(base)
        length = np.zeros(len(base))
        active = np.arange(len(base))
        for _ in range(_MARCH):
            if not len(active):
                break
            reached = base[active] + length[active, None] * direction[active]
            lacking = thick[active] - nearest_places(self.zone, reached).distance_mm
            length[active] += lacking
            active = active[np.abs(lacking) > _MARCH_END_MM]
        return length


@dataclass(frozen=True, eq=False)
class _Lines:
    """Rows of points, asked for the distance of places from them."""

    start: Floats
    end: Floats
    tree: cKDTree

    @classmethod
    def of(cls, rows: Sequence[Floats]) -> _Lines:
        """Cut into pieces so short that the nearest middle tells the nearest piece, or the one
        beside it.
        """
        starts, ends = [], []
        for row in rows:
            length = np.linalg.norm(np.diff(row, axis=0), axis=1)
            pieces = np.ceil(length / _PIECE_MM).astype(np.int64).clip(1)
            at = np.repeat(np.arange(len(length)), pieces)
            step = np.arange(len(at)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
            ahead = (row[at + 1] - row[at]) / pieces[at, None]
            starts.append(row[at] + step[:, None] * ahead)
            ends.append(starts[-1] + ahead)
        start, end = np.concatenate(starts), np.concatenate(ends)
        return cls(start, end, cKDTree((start + end) / 2.0))

    def distance_mm(self, points: Floats) -> Floats:
        """(k,) distance of points (k, 3) from the nearest piece."""
        count = min(3, len(self.start))
        near = np.asarray(self.tree.query(points, k=count)[1]).reshape(len(points), count)
        ahead = self.end[near] - self.start[near]
        away = points[:, None] - self.start[near]
        length2 = np.maximum(np.einsum("ijk,ijk->ij", ahead, ahead), 1e-18)
        share = np.clip(np.einsum("ijk,ijk->ij", away, ahead) / length2, 0.0, 1.0)
        off: Floats = np.linalg.norm(away - share[..., None] * ahead, axis=2).min(axis=1)
        return off


@dataclass(frozen=True, eq=False)
class _Columns:
    """A column on each point of a plan."""

    plan: Plan
    base: Floats
    direction: Floats
    length: Floats

    @property
    def top(self) -> Floats:
        top: Floats = self.base + self.length[:, None] * self.direction
        return top

    @property
    def foot(self) -> Floats:
        foot: Floats = self.base - SINK_MM * self.direction
        return foot

    def crossed_mm(self) -> Floats:
        """(k, 3) middles of the triangles over which columns cross: turned over on the way up."""
        triangles = self.plan.triangles[0]
        mean = self.direction[triangles].sum(axis=1)
        bad = np.zeros(len(triangles), dtype=bool)
        for share in (0.0, 1.0 / 3.0, 2.0 / 3.0, 1.0):
            corners = (self.foot + share * (self.top - self.foot))[triangles]
            up = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
            bad |= np.einsum("ij,ij->i", up, mean) <= 0.0
        middles: Floats = self.base[triangles[bad]].mean(axis=1)
        return middles

    def body(self) -> tuple[Mesh, Bools]:
        """The closed body without the windows' columns, and which faces are its outer surface."""
        triangles, window = self.plan.triangles
        triangles = triangles[window == ZONE]
        count = len(self.base)
        low, high = triangles[:, ::-1], triangles + count
        walls = []
        for k, ring in enumerate(self.plan.rings):
            a, b = (ring, np.roll(ring, -1)) if k == 0 else (np.roll(ring, -1), ring)
            walls += [
                np.stack([a, b, b + count], axis=1),
                np.stack([a, b + count, a + count], axis=1),
            ]
        faces = np.concatenate([high, low, *walls])
        used = np.zeros(2 * count, dtype=bool)
        used[faces.reshape(-1)] = True
        renumber = np.cumsum(used) - 1
        body = Mesh(np.vstack([self.foot, self.top])[used], renumber[faces])
        outer = np.zeros(len(faces), dtype=bool)
        outer[: len(high)] = True
        return body, outer


def _refined(
    columns: _Columns, flat: FlatRegion, thickness: _Thickness, spacing_mm: float
) -> tuple[_Columns, float]:
    """Columns added until the outer surface between them is right, and how far off it still is."""
    off_mm = 0.0
    known = _Known()
    for turn in range(_ROUNDS + 1):
        plan = columns.plan
        ends, _ = plan.edges
        one, other = columns.top[ends[:, 0]], columns.top[ends[:, 1]]
        low, high = columns.base[ends[:, 0]], columns.base[ends[:, 1]]
        lean = columns.direction[ends].sum(axis=1)
        off, raised = known.of(
            ends,
            lambda at, one=one, other=other, low=low, high=high, lean=lean: (  # type: ignore[misc]
                np.abs(thickness.off((one[at] + other[at]) / 2.0, (low[at] + high[at]) / 2.0)),
                _raised_mm(thickness.zone, (low[at] + high[at]) / 2.0, lean[at]),
            ),
        )
        corners, feet = columns.top[plan.triangles[0]], columns.base[plan.triangles[0]]
        leans = columns.direction[plan.triangles[0]].sum(axis=1)
        inner, inner_raised = known.of(
            np.sort(plan.triangles[0], axis=1),
            lambda at, corners=corners, feet=feet, leans=leans: (  # type: ignore[misc]
                np.abs(thickness.off(corners[at].mean(axis=1), feet[at].mean(axis=1))),
                _raised_mm(thickness.zone, feet[at].mean(axis=1), leans[at]),
            ),
        )
        off_mm = float(max(off.max(), inner.max()))
        off = np.maximum(off, _on_longest_edge(plan, inner, ends))
        raised = np.maximum(raised, _on_longest_edge(plan, inner_raised, ends))
        length = np.linalg.norm(one - other, axis=1)
        wide = np.linalg.norm(high - low, axis=1)
        wrong = (off > (TOLERANCE_MM if turn < _STRICT_ROUNDS else LATE_TOLERANCE_MM)) | (
            raised > 0.4 * SINK_MM
        )
        wrong &= (length > 2.0 * _SHORTEST_MM) | (wide > 0.1)
        wrong |= wide > 2.0 * spacing_mm
        edge = np.flatnonzero(wrong)
        if turn == _ROUNDS or not len(edge):
            break
        edge = edge[np.argsort(-np.maximum(off, raised)[edge], kind="stable")]
        share = _best_shares(columns, flat, thickness, ends[edge])
        plan, pair, share = plan.with_points(ends[edge], share)
        base, direction = _between(columns, flat, pair, share)
        columns = _Columns(
            plan,
            np.vstack([columns.base, base]),
            np.vstack([columns.direction, direction]),
            np.r_[columns.length, thickness.exits(base, direction)],
        )
    return columns, off_mm


@dataclass(eq=False)
class _Known:
    """Two numbers for each edge or triangle, worked out once."""

    found: dict[int, tuple[NDArray[np.void], Floats]] = field(default_factory=dict)

    def of(
        self, corners: Ints, work_out: Callable[[Ints], tuple[Floats, Floats]]
    ) -> tuple[Floats, Floats]:
        """The numbers for rows of corners (k, 2) or (k, 3), each in ascending order."""
        width = corners.shape[1]
        key = np.ascontiguousarray(corners).view([("", corners.dtype)] * width).ravel()
        values = np.empty((len(key), 2))
        new = np.ones(len(key), dtype=bool)
        if width in self.found:
            old, kept = self.found[width]
            at = np.minimum(np.searchsorted(old, key), len(old) - 1)
            new = old[at] != key
            values[~new] = kept[at[~new]]
        rows = np.flatnonzero(new)
        values[rows, 0], values[rows, 1] = work_out(rows)
        order = np.argsort(key)
        self.found[width] = key[order], values[order]
        return values[:, 0], values[:, 1]


def _raised_mm(zone: Mesh, middle: Floats, lean: Floats) -> Floats:
    """(k,) how far points stand above the zone, measured along ``lean``; 0 under it. On a wall
    that leans away this is more than the distance.
    """
    found = nearest_places(zone, middle)
    rise = np.einsum("ij,ij->i", middle - found.points_mm, _unit(lean))
    steep = np.maximum(rise / np.maximum(found.distance_mm, 1e-12), _STEEPEST)
    raised: Floats = np.where(rise > 0.0, found.distance_mm / steep, 0.0)
    return raised


def _best_shares(columns: _Columns, flat: FlatRegion, thickness: _Thickness, ends: Ints) -> Floats:
    """(e,) where along edges (e, 2) a column mends most: at a valley if one is crossed, in the
    middle otherwise.
    """
    one, other = columns.top[ends[:, 0]], columns.top[ends[:, 1]]
    tops = one[:, None] + _SHARES[:, None] * (other - one)[:, None]
    low, high = columns.base[ends[:, 0]], columns.base[ends[:, 1]]
    feet = low[:, None] + _SHARES[:, None] * (high - low)[:, None]
    off = np.abs(thickness.off(tops.reshape(-1, 3), feet.reshape(-1, 3))).reshape(len(ends), -1)
    share = np.full(len(ends), 0.5)
    kinked = np.flatnonzero(off.max(axis=1) > _KINKED * off[:, len(_SHARES) // 2])
    pair, chord = ends[kinked], (other - one)[kinked]
    chord = chord / np.maximum(np.linalg.norm(chord, axis=1, keepdims=True), 1e-12)
    best = share[kinked]
    for step in (0.12, 0.03):
        tried = best[:, None] + step * (np.arange(7) - 3)
        away = np.zeros(tried.shape)
        for k in range(tried.shape[1]):
            base, direction = _between(columns, flat, pair, tried[:, k])
            rise = base + thickness.exits(base, direction)[:, None] * direction - one[kinked]
            away[:, k] = np.linalg.norm(
                rise - np.einsum("ij,ij->i", rise, chord)[:, None] * chord, axis=1
            )
        best = np.take_along_axis(tried, away.argmax(axis=1)[:, None], axis=1)[:, 0]
    share[kinked] = np.clip(best, 0.12, 0.88)
    return share


def _between(
    columns: _Columns, flat: FlatRegion, pair: Ints, share: Floats
) -> tuple[Floats, Floats]:
    """Foot points and directions of columns at a share of the way between two others."""
    part = share[:, None]
    low, high = columns.plan.flat_mm[pair[:, 0]], columns.plan.flat_mm[pair[:, 1]]
    base, _ = flat.lifted((1.0 - part) * low + part * high)
    from_low, from_high = columns.direction[pair[:, 0]], columns.direction[pair[:, 1]]
    return base, _unit((1.0 - part) * from_low + part * from_high)


def _on_longest_edge(plan: Plan, of_triangle: Floats, ends: Ints) -> Floats:
    """(e,) the largest of the values of the triangles whose longest edge each edge is."""
    triangles = plan.triangles[0]
    corners = plan.flat_mm[triangles]
    length = np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2)
    longest = length.argmax(axis=1)
    rows = np.arange(len(triangles))
    pair = np.sort(
        np.stack([triangles[rows, longest], triangles[rows, (longest + 1) % 3]], axis=1), axis=1
    )
    size = np.int64(len(plan.flat_mm))
    at = np.searchsorted(ends[:, 0] * size + ends[:, 1], pair[:, 0] * size + pair[:, 1])
    value = np.zeros(len(ends))
    np.maximum.at(value, at, of_triangle)
    return value


def _smoothed(
    plan: Plan, base: Floats, normals: Floats, over_mm: float, *, around_mm: Floats
) -> Floats:
    """(n, 3) directions evened out over a length around some points (k, 3); along the outline
    among themselves, so that what lies within does not pull its walls over.
    """
    if over_mm == 0.0 or not len(around_mm):
        return normals
    off_mm: Floats = np.asarray(cKDTree(around_mm).query(base)[0])
    far: Bools = off_mm > _REACH * over_mm
    border = plan.rings[0]
    ring = np.stack([np.arange(len(border)), np.roll(np.arange(len(border)), -1)], axis=1)
    start = normals.copy()
    start[border] = _unit(
        _diffused(base[border], ring, normals[border], over_mm, 1.0, held=far[border])
    )
    held = far.copy()
    held[border] = True
    # six neighbours in the plane act as one and a half of one dimension's two
    return _unit(_diffused(base, plan.edges[0], start, over_mm, 1.5, held=held))


def _diffused(
    points: Floats,
    edges: Ints,
    values: Floats,
    over_mm: float,
    share: float,
    *,
    held: Bools,
) -> Floats:
    """Values (n, 3) spread along edges as heat would over a length; held ones stay."""
    count = len(points)
    length = np.linalg.norm(points[edges[:, 0]] - points[edges[:, 1]], axis=1)
    weight = over_mm**2 / (share * np.maximum(length, 1e-3) ** 2)
    rows = np.r_[edges[:, 0], edges[:, 1]]
    columns = np.r_[edges[:, 1], edges[:, 0]]
    links = csr_array((np.r_[weight, weight], (rows, columns)), shape=(count, count))
    matrix = diags_array(np.asarray(links.sum(axis=1)).ravel()) - links
    matrix = diags_array((~held).astype(np.float64)) @ matrix
    solved: Floats = splu((eye_array(count) + matrix).tocsc()).solve(values)
    return solved


def _unit(vectors: Floats) -> Floats:
    length = np.linalg.norm(vectors, axis=1, keepdims=True)
    unit: Floats = vectors / np.where(length > 0.0, length, 1.0)
    return unit
