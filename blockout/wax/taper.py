"""The outer wall of tapered blockout: cones hung under the survey line.

The wall leaves the edge of the undercut and leans outward by the taper. A cone is stood for by a
pyramid with flat sides around it, so the wall lies between the true cone and a little outside
of it, by no more than :func:`taper_error_mm`.
"""

from __future__ import annotations

import math

import numpy as np

from blockout.kernel.solids import Solid
from blockout.mesh import Floats, Ints, Mesh
from blockout.surveying.patches import Ceilings, patch_surface
from blockout.wax.space import Space

SIDES = 48


def taper_error_mm(drop_mm: float, taper_deg: float) -> float:
    """How far the flat-sided wall lies outside the round one at most, ``drop_mm`` below the edge.

    The pyramid is circumscribed: its sides touch the cone, its edges lie ``1 / cos(pi / n)``
    further out.
    """
    radius_mm = drop_mm * math.tan(math.radians(taper_deg))
    return radius_mm * (1.0 / math.cos(math.pi / SIDES) - 1.0)


def tapered_skirt(
    space: Space,
    ceilings: Ceilings,
    taper_deg: float,
    *,
    floor_mm: float,
    near_mm: Floats | None = None,
    sides: int = SIDES,
) -> Solid:
    """Everything within the taper under the borders of the ceilings, down to the floor; upright.

    Each border edge hangs the convex hull of the pyramids under its two ends.

    Parameters
    ----------
    floor_mm : float
        Height over the cast's flat bottom.
    near_mm : (2, 2) float
        Lowest and highest x and y, upright: skirts that do not reach in there are left out.
    sides : int
        Of the pyramids.
    """
    ends = _borders(space.upright, ceilings)
    points = _above(space.upright.vertices[ends], floor_mm)
    if not len(points):
        return Solid.empty()
    # down along the path and outward, for every side; lengths along the path are 1
    angles = 2.0 * np.pi * np.arange(sides) / sides
    slope = math.tan(math.radians(taper_deg)) / math.cos(math.pi / sides)
    falls = np.column_stack([np.cos(angles), np.sin(angles)]) * slope
    up_x, up_y, up_along = space.up_seen_along
    drop = up_along - falls @ np.array([up_x, up_y])
    length_mm = (points[:, :, None, 2] - floor_mm) / drop
    rings_flat = points[:, :, None, :2] + length_mm[..., None] * falls
    if near_mm is not None:
        flat = rings_flat.reshape(len(points), -1, 2)
        reaches = (flat.max(axis=1) >= near_mm[0]) & (flat.min(axis=1) <= near_mm[1])
        points, rings_flat = points[reaches.all(axis=1)], rings_flat[reaches.all(axis=1)]
        length_mm = length_mm[reaches.all(axis=1)]
    rings = np.concatenate([rings_flat, np.full((*length_mm.shape, 1), floor_mm)], axis=-1)
    return Solid.union(
        Solid.hull(np.concatenate([pair, ring.reshape(-1, 3)]))
        for pair, ring in zip(points, rings, strict=True)
    )


def _above(edges: Floats, floor_mm: float) -> Floats:
    """Edges (k, 2, 3) cut off at the floor; those under it are left out."""
    height_mm = edges[:, :, 2] - floor_mm
    edges, height_mm = edges[(height_mm > 0.0).any(1)], height_mm[(height_mm > 0.0).any(1)]
    low = np.argmin(height_mm, axis=1)
    row = np.flatnonzero(height_mm[np.arange(len(low)), low] < 0.0)
    low = low[row]
    share = height_mm[row, 1 - low] / (height_mm[row, 1 - low] - height_mm[row, low])
    cut = edges.copy()
    upper, lower = edges[row, 1 - low], edges[row, low]
    cut[row, low] = upper + share[:, None] * (lower - upper)
    cut[row, low, 2] = floor_mm
    return cut


def _borders(mesh: Mesh, ceilings: Ceilings) -> Ints:
    """(k, 2) vertices of the edges where ceilings end, each once.

    Edges at which one patch was split from another are inside the ceilings and hang nothing.
    """
    if not ceilings.patch_count:
        return np.zeros((0, 2), dtype=np.int64)
    one = Ceilings(face=ceilings.face, patch=np.zeros_like(ceilings.patch))
    sheet, vertex = patch_surface(mesh, one)
    border = np.flatnonzero(sheet.twin_halfedges < 0)
    return np.unique(np.sort(vertex[sheet.halfedges[border]], axis=1), axis=0)
