"""The undercut fill made independently: one prism for each face that looks down, all united with
libigl's exact booleans (CGAL's exact numbers inside), less the cast. Slow; for small bodies.
"""

from __future__ import annotations

import numpy as np
import pytest
from exact_booleans import exact

from blockout.cast.cast import Cast
from blockout.mesh import Floats, Mesh

if exact is None:
    pytest.skip("libigl was built without its exact booleans", allow_module_level=True)


def fill_by_prisms(cast: Cast, direction: Floats, *, floor_mm: float | None = None) -> Mesh:
    """Everything under scanned faces that look down along ``direction`` and outside the cast, down
    to the floor.
    """
    floor_mm = cast.floor_mm if floor_mm is None else floor_mm
    corners = cast.mesh.corners
    down = cast.scanned & (cast.mesh.face_normals @ direction < -1e-9)
    top = corners[down]
    # far enough down to end under the floor everywhere
    reach_mm = 3.0 * float(np.ptp(cast.mesh.vertices, axis=0).sum())
    bottom = top - reach_mm * direction
    count = len(top)
    points = np.concatenate([top, bottom], axis=1).reshape(-1, 3)
    # top looks up, so its corners run the other way than the face's
    prism = [
        (0, 2, 1), (3, 4, 5),
        (0, 1, 4), (0, 4, 3), (1, 2, 5), (1, 5, 4), (2, 0, 3), (2, 3, 5),
    ]  # fmt: skip
    faces = (6 * np.arange(count)[:, None, None] + np.array(prism)).reshape(-1, 3)
    pulled = exact("union", Mesh(points, faces))
    region = exact("minus", pulled, cast.mesh)
    frame = cast.frame
    wide, deep = 4.0 * reach_mm, 4.0 * reach_mm
    unit = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (0, 1)], dtype=float)
    ground = unit * [wide, wide, deep] + [0.0, 0.0, floor_mm - deep]
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    ground_faces = [face for a, b, c, d in quads for face in ((a, b, c), (a, c, d))]
    return exact("minus", region, Mesh(frame.points_to_file(ground), ground_faces))
