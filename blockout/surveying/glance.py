"""Undercut depth at a glance: what follows the hand while a cast is tilted."""

from __future__ import annotations

from typing import Final

import numpy as np

from blockout.cast.cast import Cast
from blockout.mesh import Floats
from blockout.surveying.path import InsertionPath
from blockout.surveying.scanned import scanned_of
from blockout.surveying.walls import walls_of
from blockout.tolerances import TOLERANCES, Tolerances

DEPTH_STEP_MM: Final = 0.01
"""What one step of a depth in a byte is worth."""


def glance_mm(cast: Cast, path: InsertionPath, *, tolerances: Tolerances = TOLERANCES) -> Floats:
    """(n,) undercut depth at each vertex of the cast's mesh; 0 where nothing is above, and on the
    base.

    The definition is that of :mod:`blockout.surveying.depth`, and so is which vertices have surface
    above them. The depth is the distance from the nearest wall (:mod:`blockout.surveying.walls`),
    and is not searched further: it is off where a piece of wall is partly covered, and reads deeper
    where the nearest way out leads through the body and out of a visible slope on its other side.
    Where no wall is found it is infinite. On sample arches half of all depths are right to 0.5 um,
    97 of 100 to 0.02 mm and 995 of 1000 to 0.1 mm.
    """
    scanned = scanned_of(cast)
    surface, scene = scanned.surface, scanned.scene
    down = -path.direction
    start_mm = float(surface.centre @ path.direction) + float(
        np.ptp(surface.bounds_mm, axis=0).sum()
    )

    def top_mm(flat_mm: Floats) -> Floats:
        over = np.column_stack([flat_mm, np.full(len(flat_mm), start_mm)]) @ path.to_path
        return start_mm - scene.first_hit(over, down).distance_mm

    covered = scene.blocked(surface.vertices, path.direction, beyond_mm=tolerances.ray_margin_mm)
    hidden = np.flatnonzero(covered)
    depth_mm = np.zeros(len(cast.mesh.vertices))
    if len(hidden):
        looks_up = surface.face_crosses @ path.direction > 0.0
        walls = walls_of(
            surface, path.to_path, looks_up, top_mm, margin_mm=tolerances.ray_margin_mm
        )
        offset = walls.nearest(surface.vertices[hidden] @ path.to_path.T)
        depth_mm[scanned.vertex[hidden]] = np.hypot(offset[:, 0], offset[:, 1])
    return depth_mm
