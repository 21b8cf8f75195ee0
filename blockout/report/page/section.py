"""A profile through an arm's terminal: what of cast and wax a plane along the path cuts.

The plane holds the path and the way, square to it, by which the wall of U is nearest: there the
gauge's disc lies when it reads the undercut at the terminal. Where nothing is above the terminal
the plane holds the outward side of the surface instead.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.cast.cast import Cast
from blockout.mesh import Bools, Floats, Mesh
from blockout.surveying.depth import Overhead
from blockout.surveying.path import InsertionPath
from blockout.surveying.section import section_lines
from blockout.tolerances import TOLERANCES

_WAYS: Final = 720
_FIRST_MM: Final = 0.01
_GROWTH: Final = 1.25
_FURTHEST_MM: Final = 20.0
_HALVINGS: Final = 18
_LEAST_MM: Final = 0.005
"""Less undercut is none: a dimension of it could not be drawn."""
_AROUND_MM: Final = 0.5
_TOUCHING_MM: Final = 0.03


@dataclass(frozen=True)
class CutBody:
    """A body that a section may cut: the cast, or a part of wax with its kind."""

    name: str
    kind: str
    mesh: Mesh


@dataclass(frozen=True, eq=False)
class Outline:
    """A closed line of a section, (k, 2) mm: outward from the terminal, and up along the path."""

    name: str
    kind: str
    points_mm: Floats


@dataclass(frozen=True, eq=False)
class Section:
    """A profile with the terminal at its origin.

    Parameters
    ----------
    depth_mm : float
        Undercut at the terminal as this section shows it: from the surface to the wall of U.
    outlines : tuple of Outline
        The cast's first.
    contour_mm : float or None
        Height above the terminal at which the rod touches the height of contour; None where
        nothing is undercut, or the cast touches the rod nowhere in this plane.
    """

    depth_mm: float
    outlines: tuple[Outline, ...]
    contour_mm: float | None


def terminal_sections(
    cast: Cast, waxes: Sequence[CutBody], path: InsertionPath, terminals_mm: Sequence[Floats]
) -> list[Section]:
    """A profile through each terminal.

    Parameters
    ----------
    cast : Cast
    waxes : sequence of CutBody
    path : InsertionPath
    terminals_mm : sequence of (3,)
        File coordinates.

    Returns
    -------
    list of Section
        In the order of the terminals.
    """
    if not len(terminals_mm):
        return []
    scanned = Mesh(cast.mesh.vertices, cast.mesh.faces[cast.scanned])
    overhead = Overhead(scanned, path)
    bodies = [
        CutBody(body.name, body.kind, _upright(body.mesh, path))
        for body in (CutBody("cast", "cast", cast.mesh), *waxes)
    ]
    return [
        _section(overhead, bodies, np.asarray(terminal) @ path.to_path.T)
        for terminal in terminals_mm
    ]


def _upright(mesh: Mesh, path: InsertionPath) -> Mesh:
    return Mesh(mesh.vertices @ path.to_path.T, mesh.faces)


def _section(overhead: Overhead, bodies: Sequence[CutBody], terminal: Floats) -> Section:
    depth_mm, heading = nearest_wall(overhead, terminal, outward=_outward(bodies[0].mesh, terminal))
    across = np.array([-heading[1], heading[0], 0.0])
    outlines = tuple(
        Outline(body.name, body.kind, line)
        for body in bodies
        for line in _cut(body.mesh, terminal, heading, across)
    )
    contour_mm = None
    if depth_mm > 0.0:
        profile = np.concatenate([line.points_mm for line in outlines if line.kind == "cast"])
        touching = (np.abs(profile[:, 0] - depth_mm) < _TOUCHING_MM) & (profile[:, 1] > 0.0)
        if touching.any():
            x, height = profile[touching].T
            contour_mm = float(height[x.argmax()])
    return Section(depth_mm, outlines, contour_mm)


def nearest_wall(overhead: Overhead, terminal: Floats, *, outward: Floats) -> tuple[float, Floats]:
    """How far from a point the wall of U is, at its own height, and which way.

    A circle about the point grows until some of it is free above; the middle of the free arc
    points the way. Found by rays all around, not by the survey's height map.

    Parameters
    ----------
    overhead : Overhead
    terminal : (3,) path coordinates, mm
    outward : (3,) level unit vector
        The way where nothing is above, and which of two arcs is meant.

    Returns
    -------
    depth_mm, heading : float, (3,) level unit vector
    """
    if not _free(overhead, terminal[None]).any():
        inner, outer = 0.0, _FIRST_MM
        while outer < _FURTHEST_MM and not _free(overhead, _circle(terminal, outer)).any():
            inner, outer = outer, outer * _GROWTH
        if outer >= _FURTHEST_MM:
            return 0.0, outward
        for _ in range(_HALVINGS):
            middle = 0.5 * (inner + outer)
            if _free(overhead, _circle(terminal, middle)).any():
                outer = middle
            else:
                inner = middle
        if outer >= _LEAST_MM:
            heading = _middle_of_arc(_free(overhead, _circle(terminal, outer)), outward)
            return outer, heading
    return 0.0, outward


def _free(overhead: Overhead, points: Floats) -> Bools:
    return ~overhead.covered(points, margin_mm=TOLERANCES.ray_margin_mm)


def _headings() -> Floats:
    turn = np.arange(_WAYS) * (2.0 * np.pi / _WAYS)
    return np.column_stack([np.cos(turn), np.sin(turn), np.zeros(_WAYS)])


def _circle(centre: Floats, radius_mm: float) -> Floats:
    around: Floats = centre + radius_mm * _headings()
    return around


def _middle_of_arc(free: Bools, outward: Floats) -> Floats:
    headings = _headings()
    ways = np.flatnonzero(free)
    first = ways[(headings[ways] @ outward).argmax()]
    left = right = int(first)
    while free[(left - 1) % _WAYS] and first - left < _WAYS:
        left -= 1
    while free[(right + 1) % _WAYS] and right - first < _WAYS:
        right += 1
    turn = 0.5 * (left + right) * (2.0 * np.pi / _WAYS)
    return np.array([np.cos(turn), np.sin(turn), 0.0])


def _outward(surface: Mesh, at: Floats) -> Floats:
    """Level unit vector: which way the surface looks around a point, by area."""
    off = np.linalg.norm(surface.face_centres - at, axis=1)
    near = off <= max(_AROUND_MM, float(off.min()))
    level = surface.face_crosses[near].sum(axis=0) * [1.0, 1.0, 0.0]
    size = float(np.linalg.norm(level))
    return level / size if size > 0.0 else np.array([1.0, 0.0, 0.0])


def _cut(mesh: Mesh, origin: Floats, heading: Floats, across: Floats) -> list[Floats]:
    """Closed lines in which a plane through ``origin`` cuts a solid, in the plane's own axes."""
    return [
        np.column_stack([(line.points_mm - origin) @ heading, line.points_mm[:, 2] - origin[2]])
        for line in section_lines(mesh, origin, across)
        if line.closed
    ]
