"""The base under a sample cast: walls that get coarser downward, and a flat bottom."""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.spatial import Delaunay

from blockout.mesh import Bools, Floats, Ints, Mesh

_COARSEST_MM: Final = 1.6


def rim_of(mesh: Mesh) -> Ints:
    """Vertices of the one open border in order, the surface on their left seen from outside.

    Raises
    ------
    ValueError
        The border is not one simple loop; a plan that does this is a defect of the generator.
    """
    start, end = mesh.halfedges[mesh.twin_halfedges < 0].T
    follow = np.full(len(mesh.vertices), -1, dtype=np.int64)
    follow[start] = end
    rim = [int(start[0])]
    while (nxt := int(follow[rim[-1]])) != rim[0]:
        rim.append(nxt)
        if len(rim) > len(start):
            break
    if len(rim) != len(start):
        raise ValueError("the skin has more than one border")
    return np.array(rim)


def poured(mesh: Mesh, *, bottom_mm: float, spacing_mm: float) -> tuple[Mesh, Bools]:
    """The skin with walls straight down to a flat bottom; and (m,) which faces are skin."""
    rim = rim_of(mesh)
    vertices, faces = [mesh.vertices], [mesh.faces]
    ring, count = rim, len(mesh.vertices)
    outline = mesh.vertices[rim]
    height, step = float(outline[0, 2]), spacing_mm
    while height > bottom_mm:
        height -= step
        if height - bottom_mm < step:
            height = bottom_mm
        around = np.linalg.norm(np.roll(outline, -1, axis=0) - outline, axis=1)
        coarser = float(np.median(around)) * 1.6 < _COARSEST_MM
        outline = outline[::2] if coarser else outline.copy()
        outline = np.c_[outline[:, :2], np.full(len(outline), height)]
        below = np.arange(count, count + len(outline))
        faces.append(_band(ring, below, 2 if coarser else 1))
        vertices.append(outline)
        ring, count = below, count + len(outline)
        step = min(step * 1.7, _COARSEST_MM)
    inner, cap = _bottom(outline[:, :2])
    vertices.append(np.c_[inner, np.full(len(inner), bottom_mm)])
    numbers = np.r_[ring, np.arange(count, count + len(inner))]
    faces.append(numbers[cap])
    whole = np.concatenate(faces)
    skin = np.arange(len(whole)) < mesh.triangle_count
    return Mesh(np.concatenate(vertices), whole), skin


def _band(above: Ints, below: Ints, stride: int) -> Ints:
    """Triangles between two rings; ``below[i]`` hangs under ``above[stride * i]``."""
    n, m = len(above), len(below)
    here = np.arange(n)
    under = here // stride
    # each edge of the upper ring looks down at the lower vertex of its own or the next step
    down = (under + (here % stride)) % m
    upper = np.stack([above[(here + 1) % n], above[here], below[down]], axis=1)
    step = np.arange(m)
    apex = above[(stride * step + 1) % n]
    lower = np.stack([below[step], below[(step + 1) % m], apex], axis=1)
    return np.concatenate([upper, lower])


def _bottom(outline: Floats) -> tuple[Floats, Ints]:
    """Points inside a closed outline and triangles, facing down, over outline and points."""
    pitch = _COARSEST_MM
    low, high = outline.min(axis=0), outline.max(axis=0)
    rows = np.arange(low[1], high[1], pitch * np.sqrt(3.0) / 2.0)
    columns = np.arange(low[0], high[0], pitch)
    grid = np.concatenate(
        [
            np.c_[columns + (k % 2) * pitch / 2.0, np.full(len(columns), row)]
            for k, row in enumerate(rows)
        ]
    )
    gap = np.linalg.norm(grid[:, None] - outline[None], axis=2).min(axis=1)
    inner = grid[(gap > 0.75 * pitch) & _within(grid, outline)]
    points = np.concatenate([outline, inner])
    cells = Delaunay(points).simplices.astype(np.int64)
    cells = cells[_within(points[cells].mean(axis=1), outline)]
    a, b, c = (points[cells[:, k]] for k in range(3))
    (ux, uy), (vx, vy) = (b - a).T, (c - a).T
    upward = ux * vy - uy * vx > 0.0
    cells[upward] = cells[upward][:, ::-1]
    return inner, cells


def _within(points: Floats, outline: Floats) -> Bools:
    """(n,) inside a closed polygon, by counting crossings."""
    x, y = points[:, :1], points[:, 1:]
    (x0, y0), (x1, y1) = outline.T, np.roll(outline, -1, axis=0).T
    spans = (y0 > y) != (y1 > y)
    with np.errstate(divide="ignore", invalid="ignore"):
        cross = x0 + (y - y0) * (x1 - x0) / (y1 - y0)
    return np.asarray((spans & (x < cross)).sum(axis=1) % 2 == 1)
