"""Pieces of surface given by formulas, lines on them, and casts over them. Lengths in mm."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from bodies import cast_of

from blockout.case.settings import Arch
from blockout.cast.cast import Cast
from blockout.drawn.curve import SurfaceCurve, joined_curve, on_surface
from blockout.mesh import Floats, Mesh

Formula = Callable[[Floats, Floats], Floats]
"""Places (k, 3) for two rows of parameters (k,)."""


def plane(u: Floats, v: Floats) -> Floats:
    return np.stack([u, v, 0.0 * u], axis=-1)


def cylinder(radius_mm: float) -> Formula:
    """Outside of a cylinder along y, or its inside for a negative radius; u is an angle."""
    r = abs(radius_mm)
    sign = np.sign(radius_mm)
    return lambda u, v: np.stack([r * np.sin(u), v, sign * r * np.cos(u)], axis=-1)


def saddle(radius_mm: float) -> Formula:
    return lambda u, v: np.stack([u, v, (u * u - v * v) / (2.0 * radius_mm)], axis=-1)


def valley(slope: float) -> Formula:
    return lambda u, v: np.stack([u, v, slope * np.abs(u)], axis=-1)


def groove(depth_mm: float, width_mm: float) -> Formula:
    """A level surface with a narrow groove along y."""
    return lambda u, v: np.stack([u, v, -depth_mm * np.exp(-((u / width_mm) ** 2))], axis=-1)


def channel(radius_mm: float) -> Formula:
    """A level surface with a half-round channel along y; its rims are sharp."""

    def formula(u: Floats, v: Floats) -> Floats:
        angle = np.clip(u, -1.0, 1.0) * np.pi / 2.0
        beside = np.maximum(np.abs(u) - 1.0, 0.0) * np.sign(u)
        low = np.where(np.abs(u) < 1.0, -radius_mm * np.cos(angle), 0.0)
        return np.stack([radius_mm * np.sin(angle) + beside, v, low], axis=-1)

    return formula


def patch(
    formula: Formula,
    *,
    u: tuple[float, float],
    v: tuple[float, float],
    steps: tuple[int, int],
) -> Mesh:
    """A grid of triangles that face up, with diagonals in turn."""
    across = [np.linspace(*span, count + 1) for span, count in zip((u, v), steps, strict=True)]
    grid = np.meshgrid(*across, indexing="ij")
    points = formula(grid[0].ravel(), grid[1].ravel())
    i, j = np.meshgrid(np.arange(steps[0]), np.arange(steps[1]), indexing="ij")
    a = (i * (steps[1] + 1) + j).ravel()
    b, d = a + steps[1] + 1, a + 1
    c = b + 1
    even = ((i + j) % 2 == 0).ravel()[:, None]
    first = np.where(even, np.stack([a, b, c], axis=1), np.stack([a, b, d], axis=1))
    second = np.where(even, np.stack([a, c, d], axis=1), np.stack([b, c, d], axis=1))
    return Mesh(points, np.concatenate([first, second]))


def line(formula: Formula, mesh: Mesh, start: Floats, end: Floats, *, count: int) -> SurfaceCurve:
    """Straight in the parameters."""
    share = np.linspace(0.0, 1.0, count)[:, None]
    u, v = (np.asarray(start) + share * (np.asarray(end) - np.asarray(start))).T
    return on_surface(mesh, formula(u, v), closed=False)


def rectangle(
    formula: Formula,
    mesh: Mesh,
    u: tuple[float, float],
    v: tuple[float, float],
    *,
    spacing_mm: float = 0.25,
) -> SurfaceCurve:
    """A closed curve around a rectangle in the parameters; its corners are sharp."""
    corners = np.array([[u[0], v[0]], [u[1], v[0]], [u[1], v[1]], [u[0], v[1]]])
    sides = []
    for one, other in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        many = formula(*(one + np.linspace(0.0, 1.0, 400)[:, None] * (other - one)).T)
        length_mm = np.linalg.norm(np.diff(many, axis=0), axis=1).sum()
        count = max(2, round(float(length_mm) / spacing_mm) + 1)
        sides.append(line(formula, mesh, one, other, count=count))
    return joined_curve(sides)


def cast_over(surface: Mesh, *, floor_mm: float, arch: Arch = "lower") -> Cast:
    """A cast whose scanned surface is the patch, on upright walls and a level bottom."""
    count = len(surface.vertices)
    low = surface.vertices * [1.0, 1.0, 0.0] + [0.0, 0.0, floor_mm]
    start, end = surface.halfedges[surface.twin_halfedges < 0].T
    walls = np.concatenate(
        [
            np.stack([end, start, start + count], axis=1),
            np.stack([end, start + count, end + count], axis=1),
        ]
    )
    faces = np.concatenate([surface.faces, surface.faces[:, ::-1] + count, walls])
    scanned = np.zeros(len(faces), dtype=bool)
    scanned[: surface.triangle_count] = True
    return cast_of(Mesh(np.vstack([surface.vertices, low]), faces), scanned=scanned, arch=arch)
