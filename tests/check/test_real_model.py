"""A real arch without wax: all its undercut remains; its walls stand, and nothing is shut in."""

from __future__ import annotations

import numpy as np
import pytest
from real_arches import needs_casts
from said import assert_said

from blockout.case.settings import PathSettings
from blockout.check.mould_warnings import mould_warnings, remaining_undercut
from blockout.check.wall_warnings import find_voids, void_warnings, wall_warnings
from blockout.kernel.rays import RayScene
from blockout.kernel.surfaces import nearest_places
from blockout.mesh import Bools, Floats
from blockout.surveying.path import insertion_path


@pytest.mark.long
@needs_casts
def test_on_a_real_cast(real_arch) -> None:
    cast = real_arch("upper").cast
    # no tooth, no ridge is thin; a spur of the base's own may be, where the border turns back
    thin = [place for warning in wall_warnings(cast.mesh) for place in warning.places_mm]
    if thin:
        on = nearest_places(cast.mesh, np.array(thin))
        assert on.distance_mm.max() < 1e-6
        assert not cast.scanned[on.face].any()
    assert find_voids(cast.mesh) == ()
    assert void_warnings(cast.mesh) == ()

    asked = PathSettings(anterior_tilt_deg=5.0, lateral_tilt_deg=3.0)
    path = insertion_path(cast.frame, arch=cast.arch, settings=asked)
    found = remaining_undercut(cast.mesh, cast, path)
    assert found.at_mm is not None

    # by rays alone: at that place nothing nearer is free, and something is free just beyond
    scene = RayScene(cast.mesh.part(cast.scanned))
    turn = np.linspace(0.0, 2.0 * np.pi, 1440, endpoint=False)
    around = np.outer(np.cos(turn), path.to_path[0]) + np.outer(np.sin(turn), path.to_path[1])

    def covered(points: Floats) -> Bools:
        return scene.blocked(points, path.direction, beyond_mm=0.0005)

    assert covered(np.array(found.at_mm) + (found.depth_mm - 0.003) * around).all()
    assert not covered(np.array(found.at_mm) + (found.depth_mm + 0.003) * around).all()
    # and no other place is deeper: 0.02 mm beyond that, all are free on some side
    points = cast.mesh.vertices[cast.scanned_vertices]
    hidden = points[covered(points)]
    for heading in around[::60]:
        hidden = hidden[covered(hidden + (found.depth_mm + 0.02) * heading)]
    assert not len(hidden)

    wall_mm = 5.0 * found.depth_mm
    assert mould_warnings(found, mould_wall_mm=1.01 * wall_mm) == ()
    (warning,) = mould_warnings(found, mould_wall_mm=0.99 * wall_mm)
    assert_said(warning, "undercut_over_mould", f"{found.depth_mm:.2f} mm remains", "over a fifth")
    assert warning.places_mm == (found.at_mm,)
