"""A plain dental arch as a height field, whose occlusal plane and midline are known exactly.

Every tooth reaches z = 0 and the arch is built along a curve that is its own mirror image in
x = 0, front at +y: the frame to be found is the identity but for the origin. The numbers are
everyday sizes of teeth and arches (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
from scipy.spatial import cKDTree

from blockout.mesh import Bools, Floats, Mesh

TEETH = (1, 2, 3, 4, 5, 6, 7)
"""Per side, from the midline."""
_LENGTH_MM = {1: 6.5, 2: 6.5, 3: 7.5, 4: 7.0, 5: 7.0, 6: 10.0, 7: 10.0}
_DEPTH_MM = {1: 5.0, 2: 5.5, 3: 7.0, 4: 8.0, 5: 8.5, 6: 10.0, 7: 10.0}
_CUSPS = {
    1: ((-1.8, 0.0), (1.8, 0.0)), 2: ((-1.8, 0.0), (1.8, 0.0)), 3: ((0.0, 0.0),),
    4: ((0.0, 2.4), (0.0, -2.4)), 5: ((0.0, 2.4), (0.0, -2.4)),
    6: ((-2.4, 2.6), (2.4, 2.6), (-2.4, -2.6), (2.4, -2.6)),
    7: ((-2.4, 2.6), (2.4, 2.6), (-2.4, -2.6), (2.4, -2.6)),
}  # fmt: skip
RIDGE_MM = -8.0
BORDER_MM = -14.0


def centre_line() -> tuple[Floats, Floats]:
    """Points every 0.1 mm along the middle of the arch, and how far along from the midline."""
    t = np.linspace(-np.pi / 2, np.pi / 2, 2001)
    front = np.stack([21.0 * np.sin(t), 24.0 * np.cos(t)], axis=1)
    down = np.linspace(0.0, 22.0, 600)[1:]
    leg = np.stack([21.0 + 0.12 * down, -down], axis=1)
    line = np.concatenate([(leg * [-1.0, 1.0])[::-1], front, leg])
    along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]
    even = np.arange(0.0, along[-1], 0.1)
    points = np.stack([np.interp(even, along, line[:, k]) for k in (0, 1)], axis=1)
    return points, even - along[-1] / 2.0


def heights(flat: Floats, *, missing: Collection[int], palate: bool) -> tuple[Floats, Bools]:
    """Height over the occlusal plane, and which points the scan covers.

    ``missing``: teeth left out, positive on +x, negative on -x.
    """
    line, along = centre_line()
    apart, nearest = cKDTree(line).query(flat)
    inside = np.linalg.norm(flat - [0.0, -3.0], axis=1) < np.linalg.norm(
        line[nearest] - [0.0, -3.0], axis=1
    )
    outward = np.where(inside, -apart, apart)
    position = along[nearest]
    height = RIDGE_MM + (BORDER_MM - RIDGE_MM) * (apart / 8.0) ** 2
    covered = (apart <= 8.0) & (nearest > 0) & (nearest < len(line) - 1)
    for side in (-1, 1):
        start = 0.2
        for tooth in TEETH:
            middle = start + _LENGTH_MM[tooth] / 2.0
            start += _LENGTH_MM[tooth]
            if side * tooth in missing:
                continue
            a = side * position - middle
            crown = (a / (_LENGTH_MM[tooth] / 2.0)) ** 4 + (outward / (_DEPTH_MM[tooth] / 2)) ** 4
            top = RIDGE_MM - 1.0 + 7.5 * np.clip(1.0 - crown, 0.0, None) ** 0.25
            for along_mm, across_mm in _CUSPS[tooth]:
                away2 = (a - along_mm) ** 2 + (outward - across_mm) ** 2
                top = np.where(crown < 1.0, top + 1.5 * np.exp(-away2 / (2 * 0.9**2)), top)
            height = np.where(crown < 1.0, np.maximum(height, top), height)
    if palate:
        vault = (np.abs(flat[:, 0]) < 21.0) & (flat[:, 1] > -21.0) & inside
        low = RIDGE_MM - 12.0 * (1.0 - (np.abs(flat[:, 0]) / 21.0) ** 2)
        low = np.maximum(low, RIDGE_MM + (BORDER_MM - RIDGE_MM) * (apart / 8.0) ** 2)
        fill = vault & (apart > 4.0)
        height = np.where(fill, np.maximum(low, np.where(covered, height, -50.0)), height)
        covered |= vault
    return height, covered


def plain_arch(
    *,
    missing: Collection[int] = (),
    palate: bool = False,
    step_mm: float = 0.45,
    noise_mm: float = 0.01,
    base_mm: float | None = None,
    keep: tuple[float, float] = (-99.0, 99.0),
) -> Mesh:
    """An open scan, or with ``base_mm`` a closed cast with upright walls and a flat bottom at
    that height. ``keep`` cuts the arch to a range of x.
    """
    x = np.arange(-34.0, 34.0 + step_mm, step_mm) + 0.013
    y = np.arange(-24.0, 34.0 + step_mm, step_mm) + 0.027
    i, j = np.meshgrid(np.arange(len(x)), np.arange(len(y)), indexing="ij")
    flat = np.stack([x[i.ravel()], y[j.ravel()]], axis=1)
    height, covered = heights(flat, missing=missing, palate=palate)
    covered &= (flat[:, 0] >= keep[0]) & (flat[:, 0] <= keep[1])
    height = height + np.random.default_rng(11).normal(0.0, noise_mm, len(height))
    corner = (len(y) * i + j)[:-1, :-1].ravel()
    across = len(y)
    whole = covered[corner] & covered[corner + 1]
    whole &= covered[corner + across] & covered[corner + across + 1]
    corner = corner[whole]
    faces = np.concatenate(
        [
            np.stack([corner, corner + across, corner + across + 1], axis=1),
            np.stack([corner, corner + across + 1, corner + 1], axis=1),
        ]
    )
    points = np.column_stack([flat, height])
    top = Mesh(points, faces).part(np.ones(len(faces), dtype=bool))
    return top if base_mm is None else based(top, base_mm)


def based(top: Mesh, base_mm: float) -> Mesh:
    """The height field closed by upright walls from its border to a flat bottom."""
    count = len(top.vertices)
    low = top.vertices.copy()
    low[:, 2] = base_mm
    a, b = top.halfedges[top.twin_halfedges < 0].T
    walls = np.concatenate(
        [np.stack([b, a, a + count], axis=1), np.stack([b, a + count, b + count], axis=1)]
    )
    return Mesh(
        np.concatenate([top.vertices, low]),
        np.concatenate([top.faces, walls, top.faces[:, ::-1] + count]),
    )
