"""Lines drawn on a surface: a few points joined by a smooth curve that lies on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import CubicSpline

from blockout.errors import InputError, Place
from blockout.kernel.surfaces import nearest_places
from blockout.mesh import Floats, Ints, Mesh

OFF_SURFACE_LIMIT_MM: Final = 1.5
"""A point further than this from the surface was not meant for it: half a gingival papilla."""
SPACING_MM: Final = 0.25
"""Points of a curve lie about this far apart: a facet of a scan."""
_SAME_MM: Final = 1e-6
_ROUNDS: Final = 3
_STEP_LIMIT: Final = 4.0
"""Neighbours on the curve further apart than this many spacings: it leapt to another surface."""


@dataclass(frozen=True, eq=False)
class SurfaceCurve:
    """A curve on a surface as a row of points.

    Parameters
    ----------
    points_mm : (k, 3) float
        In order, on the surface; the last of a closed curve is not the first again.
    face : (k,) int
        The face each point lies on.
    normals : (k, 3) float
        Unit normals of the surface there, blended between its vertices.
    closed : bool
    """

    points_mm: Floats
    face: Ints
    normals: Floats
    closed: bool

    def __post_init__(self) -> None:
        for array in (self.points_mm, self.face, self.normals):
            array.setflags(write=False)

    @cached_property
    def along_mm(self) -> Floats:
        """(k,) length from the first point to each."""
        steps = np.linalg.norm(np.diff(self.points_mm, axis=0), axis=1)
        along: Floats = np.r_[0.0, np.cumsum(steps)]
        return along

    @property
    def length_mm(self) -> float:
        """Of the whole curve, with the way back where it is closed."""
        back = np.linalg.norm(self.points_mm[0] - self.points_mm[-1]) if self.closed else 0.0
        return float(self.along_mm[-1] + back)

    @cached_property
    def tangents(self) -> Floats:
        """(k, 3) unit directions along the curve."""
        points = self.points_mm
        if self.closed:
            ahead = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
        else:
            ahead = np.empty_like(points)
            ahead[1:-1] = points[2:] - points[:-2]
            ahead[0], ahead[-1] = points[1] - points[0], points[-1] - points[-2]
        length = np.linalg.norm(ahead, axis=1, keepdims=True)
        tangents: Floats = ahead / np.where(length > 0.0, length, 1.0)
        return tangents

    def reversed(self) -> SurfaceCurve:
        """The same curve walked the other way."""
        return SurfaceCurve(
            self.points_mm[::-1].copy(), self.face[::-1].copy(), self.normals[::-1].copy(),
            self.closed,
        )  # fmt: skip


def surface_curve(
    cast_mesh: Mesh,
    points_mm: ArrayLike,
    *,
    closed: bool = False,
    spacing_mm: float = SPACING_MM,
    limit_mm: float = OFF_SURFACE_LIMIT_MM,
    name: str = "line",
) -> SurfaceCurve:
    """A smooth curve on the surface through a few points.

    The points are moved to the nearest places on the surface and joined by a cubic spline over
    the square root of their distances, which neither loops nor swings wide. The spline is walked
    in equal steps and laid onto the surface. The given points, once on the surface, are on the
    spline, and within about a spacing of a point of the curve.

    Parameters
    ----------
    cast_mesh : Mesh
    points_mm : (j, 3)
        Two at least, three for a closed curve; neighbours that fall together count once.
    closed : bool
        Whether the last point is joined to the first.
    spacing_mm : float
        Distance of neighbours on the curve.
    limit_mm : float
        Largest distance of a point from the surface.
    name : str
        How the curve is called in messages.

    Raises
    ------
    InputError
        Too few points, a point too far from the surface, or points so far apart that the curve
        between them leaves the surface.
    """
    given = np.array(points_mm, dtype=np.float64).reshape(-1, 3)
    if not np.isfinite(given).all():
        raise InputError(f"a point of the {name} is not three finite numbers")
    if len(given):
        _check_near(cast_mesh, given, limit_mm, name)
    knots = _distinct(nearest_places(cast_mesh, given).points_mm, closed=closed)
    least = 3 if closed else 2
    if len(knots) < least:
        raise InputError(
            f"the {name} has too few points",
            measured=f"{len(knots)} different points on the surface, at least {least}",
            places_mm=_places(given[:3]),
            fix="Give more points, apart from each other.",
        )
    points = _walked(_spline(knots, closed=closed), closed=closed, step_mm=spacing_mm)
    for _ in range(_ROUNDS):
        # laid onto the surface the steps are no longer equal
        points = _resampled(nearest_places(cast_mesh, points).points_mm, closed, spacing_mm)
    curve = on_surface(cast_mesh, points, closed=closed)
    _check_steps(curve, spacing_mm, name)
    return curve


def on_surface(mesh: Mesh, points_mm: Floats, *, closed: bool) -> SurfaceCurve:
    """A curve through the nearest places on the surface to points (k, 3), none added."""
    found = nearest_places(mesh, points_mm)
    return SurfaceCurve(
        found.points_mm, found.face, normals_at(mesh, found.face, found.points_mm), closed
    )


def stretch(mesh: Mesh, curve: SurfaceCurve, from_mm: float, to_mm: float) -> SurfaceCurve:
    """The stretch of an open curve between two lengths along it, with new points at its ends.

    Raises
    ------
    InputError
        Nothing is left between them.
    """
    if not 0.0 <= from_mm < to_mm <= curve.length_mm + 1e-9:
        raise InputError(
            "a line is too short for what is to be left off its ends",
            measured=f"{curve.length_mm:.2f} mm long, from {from_mm:.2f} to {to_mm:.2f} mm asked",
            places_mm=_places(curve.points_mm[:1]),
        )
    within = (curve.along_mm > from_mm + 0.05) & (curve.along_mm < to_mm - 0.05)
    at = np.r_[from_mm, curve.along_mm[within], to_mm]
    return on_surface(mesh, points_along(curve, at), closed=False)


def points_along(curve: SurfaceCurve, at_mm: Floats) -> Floats:
    """(k, 3) points at lengths along an open curve, straight between its own points."""
    columns = [np.interp(at_mm, curve.along_mm, curve.points_mm[:, k]) for k in range(3)]
    return np.stack(columns, axis=1)


def joined_curve(pieces: Sequence[SurfaceCurve]) -> SurfaceCurve:
    """One closed curve of open ones that follow each other end to start; corners stay corners.

    Raises
    ------
    InputError
        A piece does not begin where the one before it ends, within 0.01 mm.
    """
    for piece, after in zip(pieces, [*pieces[1:], pieces[0]], strict=True):
        gap_mm = float(np.linalg.norm(piece.points_mm[-1] - after.points_mm[0]))
        if gap_mm > 0.01:
            raise InputError(
                "lines do not join into an outline",
                measured=f"a gap of {gap_mm:.3f} mm, limit 0.01",
                places_mm=_places(piece.points_mm[-1:]),
            )
    return SurfaceCurve(
        np.concatenate([piece.points_mm[:-1] for piece in pieces]),
        np.concatenate([piece.face[:-1] for piece in pieces]),
        np.concatenate([piece.normals[:-1] for piece in pieces]),
        closed=True,
    )


def normals_at(mesh: Mesh, face: Ints, places_mm: Floats) -> Floats:
    """(k, 3) unit normals at places (k, 3) on faces (k,), blended between the vertices."""
    weight = barycentric(mesh.corners[face], places_mm)
    blended = np.einsum("ij,ijk->ik", weight, mesh.vertex_normals[mesh.faces[face]])
    length = np.linalg.norm(blended, axis=1, keepdims=True)
    normals: Floats = np.where(
        length > 1e-9, blended / np.where(length > 0.0, length, 1.0), mesh.face_normals[face]
    )
    return normals


def barycentric(corners_mm: Floats, places_mm: Floats) -> Floats:
    """(k, 3) weights of each triangle's corners (k, 3, 3) at a place (k, 3) in it; at least 0."""
    u, v = corners_mm[:, 1] - corners_mm[:, 0], corners_mm[:, 2] - corners_mm[:, 0]
    w = places_mm - corners_mm[:, 0]
    uu, uv, vv, wu, wv = (
        np.einsum("ij,ij->i", a, b) for a, b in ((u, u), (u, v), (v, v), (w, u), (w, v))
    )
    spread = uu * vv - uv * uv
    safe = np.where(spread > 0.0, spread, 1.0)
    second = np.where(spread > 0.0, (vv * wu - uv * wv) / safe, 0.0)
    third = np.where(spread > 0.0, (uu * wv - uv * wu) / safe, 0.0)
    weights = np.maximum(np.stack([1.0 - second - third, second, third], axis=1), 0.0)
    total: Floats = weights / weights.sum(axis=1, keepdims=True)
    return total


def _check_near(mesh: Mesh, points: Floats, limit_mm: float, name: str) -> None:
    off_mm = nearest_places(mesh, points).distance_mm
    far = np.flatnonzero(off_mm > limit_mm)
    if len(far):
        numbers = ", ".join(str(k + 1) for k in far[:5])
        raise InputError(
            f"point {numbers} of the {name} is not on the surface"
            if len(far) == 1
            else f"points {numbers} of the {name} are not on the surface",
            measured=f"up to {off_mm.max():.2f} mm from it, limit {limit_mm:g}",
            places_mm=_places(points[far]),
            fix="Give points on the cast, in the scan's own coordinates, in mm.",
        )


def _distinct(points: Floats, *, closed: bool) -> Floats:
    apart = np.linalg.norm(np.diff(points, axis=0), axis=1) > _SAME_MM
    kept: Floats = points[np.r_[True, apart][: len(points)]]
    if closed and len(kept) > 1 and np.linalg.norm(kept[0] - kept[-1]) <= _SAME_MM:
        kept = kept[:-1]
    return kept


def _spline(knots: Floats, *, closed: bool) -> CubicSpline[np.float64]:
    through = np.vstack([knots, knots[:1]]) if closed else knots
    parameter = np.r_[0.0, np.cumsum(np.sqrt(np.linalg.norm(np.diff(through, axis=0), axis=1)))]
    if closed:
        return CubicSpline(parameter, through, bc_type="periodic")
    if len(knots) == 2:  # a straight line
        return CubicSpline(parameter, through)
    return CubicSpline(parameter, through, bc_type="natural")


def _walked(spline: CubicSpline[np.float64], *, closed: bool, step_mm: float) -> Floats:
    """Points of the spline at equal steps of about ``step_mm``."""
    ends = spline.x[[0, -1]]
    rough_mm = float(np.linalg.norm(np.diff(spline(spline.x), axis=0), axis=1).sum())
    many = np.linspace(ends[0], ends[1], max(64, int(8 * rough_mm / step_mm)))
    points: Floats = np.asarray(spline(many), dtype=np.float64)
    return _resampled(points[:-1] if closed else points, closed, step_mm)


def _resampled(points: Floats, closed: bool, step_mm: float) -> Floats:
    """The row of points walked again in equal steps; both ends of an open one are kept."""
    path = np.vstack([points, points[:1]]) if closed else points
    along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))]
    count = max(8 if closed else 2, round(along[-1] / step_mm))
    at = np.linspace(0.0, along[-1], count + 1)
    walked = np.stack([np.interp(at, along, path[:, k]) for k in range(3)], axis=1)
    return walked[:-1] if closed else walked


def _check_steps(curve: SurfaceCurve, spacing_mm: float, name: str) -> None:
    points = curve.points_mm
    after = np.roll(points, -1, axis=0) if curve.closed else points[1:]
    step_mm = np.linalg.norm(after - points[: len(after)], axis=1)
    far = np.flatnonzero(step_mm > _STEP_LIMIT * max(spacing_mm, float(np.median(step_mm))))
    if len(far):
        raise InputError(
            f"the {name} leaves the surface between its points",
            measured=f"a leap of {step_mm.max():.2f} mm, limit "
            f"{_STEP_LIMIT * spacing_mm:.2f} at this spacing",
            places_mm=_places(points[far]),
            fix="Give more points there.",
        )


def _places(points: Floats) -> list[Place]:
    return [(float(p[0]), float(p[1]), float(p[2])) for p in points]
