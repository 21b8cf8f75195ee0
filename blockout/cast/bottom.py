"""The flat bottom a cast stands on: the widest plane that the surface touches from outside.

A plane on which a body can stand is a face of its convex hull; of those, the bottom is the one
that most of the surface lies in. Nothing here depends on the winding or on the file's axes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from blockout.mesh import Bools, Floats, Mesh

FLAT_MM: Final = 0.1
"""Corners this near the plane lie in it: noise and warp of a scanned stone base."""
_SHARE_LEAST: Final = 0.2
"""Least part of the body's outline that a bottom covers: a horseshoe's rim does, cusps do not."""
_SAME_PLANE_DEG: Final = 2.0
_CANDIDATES: Final = 8
_REFITS: Final = 4


@dataclass(frozen=True, eq=False)
class FlatBottom:
    """A flat bottom.

    Parameters
    ----------
    outward : (3,) float
        Unit normal pointing away from the body, file coordinates.
    offset_mm : float
        ``outward . p`` for points p of the plane.
    faces : (m,) bool
        Faces with all corners within 0.1 mm of the plane.
    area_mm2 : float
        Area of those faces.
    """

    outward: Floats
    offset_mm: float
    faces: Bools
    area_mm2: float


def find_flat_bottom(
    mesh: Mesh, *, toward: Floats | None = None, within_deg: float = 180.0
) -> FlatBottom | None:
    """The flat bottom, or None where the surface has none.

    Parameters
    ----------
    toward : (3,) float, optional
        Unit direction the bottom looks in, when it is known.
    within_deg : float
        How far its normal may lie from ``toward``.
    """
    used = np.unique(mesh.faces)
    if len(used) < 4:
        return None
    try:
        hull = ConvexHull(mesh.vertices[used] - mesh.centre)
    except QhullError:  # all points in one plane
        return None
    normals, offsets_mm = hull.equations[:, :3], -hull.equations[:, 3]
    corners = hull.points[hull.simplices]
    sides = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    areas_mm2 = np.linalg.norm(sides, axis=1) / 2.0
    left = np.ones(len(normals), dtype=bool)
    if toward is not None:
        left = normals @ toward >= np.cos(np.radians(within_deg))
    best: FlatBottom | None = None
    for _ in range(_CANDIDATES):
        if not left.any():
            break
        lead = int(np.flatnonzero(left)[np.argmax(areas_mm2[left])])
        alike = normals @ normals[lead] >= np.cos(np.radians(_SAME_PLANE_DEG))
        alike &= np.abs(offsets_mm - offsets_mm[lead]) <= 5.0 * FLAT_MM
        left &= ~alike
        left[lead] = False
        found = _settle(mesh, normals[lead], float(offsets_mm[lead]))
        if found is not None and (best is None or found.area_mm2 > best.area_mm2):
            best = found
    if best is None:
        return None
    # the hull's outline seen along the bottom's normal: half of its faces' projected areas
    # sums, here and below: products of vectors depend on the number of threads in their last digits
    outline_mm2 = 0.5 * float((np.abs(normals @ best.outward) * areas_mm2).sum())
    return best if best.area_mm2 >= _SHARE_LEAST * outline_mm2 else None


def _settle(mesh: Mesh, outward: Floats, offset_mm: float) -> FlatBottom | None:
    """Fit the plane to the faces that lie in it, until they are the same faces."""
    points = mesh.vertices - mesh.centre
    chosen = np.zeros(mesh.triangle_count, dtype=bool)
    for _ in range(_REFITS):
        near = np.abs(points @ outward - offset_mm) <= FLAT_MM
        again = near[mesh.faces].all(axis=1) & (mesh.face_areas_mm2 > 0.0)
        if not again.any() or (again == chosen).all():
            break
        chosen = again
        crosses = mesh.face_crosses[chosen]
        total = (crosses * np.sign(crosses @ outward)[:, None]).sum(axis=0)
        outward = total / np.linalg.norm(total)
        weights = mesh.face_areas_mm2[chosen]
        heights_mm = (mesh.face_centres[chosen] - mesh.centre) @ outward
        offset_mm = float((weights * heights_mm).sum() / weights.sum())
    if not chosen.any():
        return None
    return FlatBottom(
        outward=outward,
        offset_mm=offset_mm + float(outward @ mesh.centre),
        faces=chosen,
        area_mm2=float(mesh.face_areas_mm2[chosen].sum()),
    )
