"""Undercut depth made independently: outlines united by shapely instead of rays and a search."""

from __future__ import annotations

import numpy as np
import shapely

from blockout.mesh import Floats, Mesh

_CRACK_MM = 1e-6


def depth_by_outlines_mm(
    surface: Mesh, to_path: Floats, points_mm: Floats, reach_mm: Floats | None = None
) -> Floats:
    """(k,) distance, square to the path, from each point (k, 3) to the edge of all that lies at or
    under ``surface``, at the point's own height.

    At a height z that is the outline of the part of the surface above z, seen along the path.
    With ``reach_mm`` (k,) only faces that near are looked at: an edge further out is not seen, and
    the answer is right as far as it is less than the reach.
    """
    corners = surface.corners @ to_path.T
    low, high = corners.min(axis=1), corners.max(axis=1)
    depths = []
    for k, (x, y, z) in enumerate(points_mm @ to_path.T):
        above = high[:, 2] > z
        if reach_mm is not None:
            reach = reach_mm[k]
            above &= (low[:, 0] < x + reach) & (high[:, 0] > x - reach)
            above &= (low[:, 1] < y + reach) & (high[:, 1] > y - reach)
        pieces = [_above(triangle, z) for triangle in corners[above]]
        flat = [piece for piece in map(shapely.Polygon, filter(None, pieces)) if piece.area > 1e-12]
        if not flat:
            depths.append(0.0)
            continue
        # edges shared by two pieces agree to rounding: the grid makes them agree to the bit
        cover = shapely.union_all(shapely.make_valid(np.array(flat, dtype=object)), grid_size=1e-8)
        # rounding leaves cracks between neighbours: what is narrower than they can be is closed
        cover = cover.buffer(_CRACK_MM, join_style="mitre").buffer(-_CRACK_MM, join_style="mitre")
        point = shapely.Point(x, y)
        depths.append(cover.boundary.distance(point) if cover.covers(point) else 0.0)
    return np.array(depths)


def _above(triangle: Floats, height: float) -> list[tuple[float, float]]:
    """Plan of the part of a triangle above a height; nothing where that is less than a triangle."""
    plan: list[tuple[float, float]] = []
    for a, b in zip(triangle, np.roll(triangle, -1, axis=0), strict=True):
        if a[2] >= height:
            plan.append((a[0], a[1]))
        if (a[2] > height) != (b[2] > height) and a[2] != b[2]:
            share = (height - a[2]) / (b[2] - a[2])
            plan.append((a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1])))
    return plan if len(plan) >= 3 else []
