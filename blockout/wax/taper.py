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
from blockout.surveying.undercut import ground_height_mm

SIDES = 48


def taper_error_mm(drop_mm: float, taper_deg: float) -> float:
    """How far the flat-sided wall lies outside the round one at most, ``drop_mm`` below the edge.

    The pyramid is circumscribed: its sides touch the cone, its edges lie ``1 / cos(pi / n)``
    further out.
    """
    radius_mm = drop_mm * math.tan(math.radians(taper_deg))
    return radius_mm * (1.0 / math.cos(math.pi / SIDES) - 1.0)


def tapered_skirt(
    mesh: Mesh,
    ceilings: Ceilings,
    direction: Floats,
    taper_deg: float,
    *,
    up: Floats,
    floor_offset_mm: float,
) -> Solid:
    """Everything within the taper under the borders of the ceilings, down to the floor, which is
    where ``up . p`` is ``floor_offset_mm``.

    Each border edge hangs the convex hull of the pyramids under its two ends.
    """
    ends = _borders(mesh, ceilings)
    if not len(ends):
        return Solid.empty()
    ground_mm = ground_height_mm(
        mesh,
        ceilings,
        direction,
        up=up,
        floor_offset_mm=floor_offset_mm,
        taper_deg=taper_deg,
    )
    angles = 2.0 * np.pi * np.arange(SIDES) / SIDES
    least = np.eye(3)[int(np.argmin(np.abs(direction)))]
    x = np.cross(direction, least)
    x /= np.linalg.norm(x)
    y = np.cross(direction, x)
    around = (np.outer(np.cos(angles), x) + np.outer(np.sin(angles), y)) / math.cos(math.pi / SIDES)
    slope = math.tan(math.radians(taper_deg))
    points = mesh.vertices[ends]
    drops_mm = points @ direction - ground_mm
    rings = (
        points[:, :, None, :]
        - drops_mm[:, :, None, None] * direction
        + slope * drops_mm[:, :, None, None] * around
    )
    skirt = Solid.union(
        Solid.hull(np.concatenate([pair, ring.reshape(-1, 3)]))
        for pair, ring in zip(points, rings, strict=True)
    )
    return skirt.above_plane(up, floor_offset_mm)


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
