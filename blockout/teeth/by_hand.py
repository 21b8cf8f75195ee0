"""A crown by an outline drawn by hand along its margin, in place of the margin that is found."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from blockout.drawn.curve import surface_curve
from blockout.drawn.outline import surface_region
from blockout.mesh import Bools, Floats
from blockout.teeth.ground import Ground


@dataclass(frozen=True, eq=False)
class DrawnCrown:
    """What an outline encloses.

    Parameters
    ----------
    inside : (n,) bool
        Vertices of the ground.
    margin_mm : (j, 3) float
        The outline as a smooth closed line on the surface; the last point joins the first.
    """

    inside: Bools
    margin_mm: Floats


def drawn_crown(ground: Ground, outline_mm: ArrayLike, *, number: int) -> DrawnCrown:
    """The crown inside an outline of points near the surface, all the way round.

    A vertex is inside where most of the surface around it is.

    Raises
    ------
    InputError
        A point too far from the surface, an outline that crosses itself or encloses nothing.
    """
    name = f"outline of tooth {number}"
    curve = surface_curve(ground.surface, outline_mm, closed=True, name=name)
    region = surface_region(ground.surface, curve, name=name)
    surface = ground.surface
    inside_mm2 = np.bincount(
        region.source_face, region.sheet.face_areas_mm2, minlength=surface.triangle_count
    )
    share = inside_mm2 / np.maximum(surface.face_areas_mm2, 1e-12)
    corner = surface.faces.reshape(-1)
    count = len(surface.vertices)
    most = np.bincount(corner, np.repeat(share, 3), minlength=count)
    faces = np.bincount(corner, minlength=count)
    return DrawnCrown(most > 0.5 * np.maximum(faces, 1), np.array(curve.points_mm))
