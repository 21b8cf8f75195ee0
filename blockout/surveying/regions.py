"""Parts of the arch in which undercut is told: three around the arch, each on two sides.

The arch is taken as a half circle in front of its middle and two straight legs behind. A place
is in front when it lies within 45 degrees of the midline seen from that middle. Each part has the
side toward the cheek or lip and the side toward the tongue or palate, told apart by which way the
surface faces.
"""

from __future__ import annotations

import numpy as np

from blockout.cast.cast import Cast
from blockout.mesh import Floats, Ints

PARTS = ("right", "front", "left")
SIDES = ("outer", "inner")
NAMES: tuple[str, ...] = tuple(f"{part} {side}" for part in PARTS for side in SIDES)


def region_of_faces(cast: Cast, face: Ints) -> Ints:
    """(k,) index into :data:`NAMES` for each of the faces ``face`` (k,)."""
    centre = cast.frame.points_to_cast(cast.mesh.face_centres[face])
    normal = cast.frame.directions_to_cast(cast.mesh.face_normals[face])
    middle = _middle_mm(cast)
    offset = centre[:, :2] - middle
    # seen from above with the front up, the patient's right is +x on a lower cast, -x on an upper
    right = offset[:, 0] if cast.arch == "lower" else -offset[:, 0]
    in_front = offset[:, 1] >= np.abs(offset[:, 0])
    part = np.where(in_front, 1, np.where(right > 0.0, 0, 2))
    outward = np.column_stack([offset[:, 0], np.maximum(offset[:, 1], 0.0)])
    inner = np.einsum("ij,ij->i", outward, normal[:, :2]) < 0.0
    region: Ints = 2 * part + inner
    return region


def _middle_mm(cast: Cast) -> Floats:
    """(2,) middle of the scanned surface's box in the occlusal plane, cast frame."""
    points = cast.frame.points_to_cast(cast.mesh.vertices[cast.scanned_vertices])[:, :2]
    middle: Floats = (points.min(axis=0) + points.max(axis=0)) / 2.0
    return middle
