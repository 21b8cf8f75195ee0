"""A plate over two teeth of a real arch: it seats, and with a rod in an undercut it does not."""

from __future__ import annotations

import numpy as np
import pytest
from bodies import box
from frameworks import shell, with_rod
from real_arches import needs_casts

from blockout.case.settings import PathSettings
from blockout.case.trying_settings import TryInSettings
from blockout.mesh import Mesh
from blockout.surveying.path import insertion_path
from blockout.trying.blocked import BlockedOut
from blockout.trying.framework import framework_of, solid_of
from blockout.trying.interference import interferences_of
from blockout.trying.overlap import overlap, under_cast
from blockout.trying.tilts import Trial
from blockout.trying.try_in import try_in

pytestmark = pytest.mark.long

CLEARANCE_MM = 0.06
ALLOWANCE_MM = 0.03


@needs_casts
def test_a_plate_over_two_teeth_seats_and_with_a_rod_does_not(real_arch):
    cast = real_arch("lower").cast
    path = insertion_path(
        cast.frame, arch="lower", settings=PathSettings(anterior_tilt_deg=2.0, lateral_tilt_deg=0.0)
    )
    middle = cast.frame.points_to_file(np.array([[24.0, -8.0, 0.0]]))[0] @ path.to_path.T
    plate = shell(
        cast, path, middle - np.array([6.0, 3.0, 5.0]), middle + np.array([6.0, 5.0, 5.0]),
        clearance_mm=CLEARANCE_MM, thickness_mm=0.6, around=6, coarser_mm=0.003,
    )  # fmt: skip
    settings = TryInSettings(allowance_mm=ALLOWANCE_MM, tilt_within_deg=8.0)
    done = try_in(cast, path, framework_of(plate, cast), settings=settings)
    assert done.goes_to_place
    assert done.touching.pieces == 0
    # one path only: turned away it is stopped, all round, and not at the first trace of a turn
    assert not done.paths.widest.open
    assert done.paths.narrowest.angle_deg > 0.3
    assert all(one.at_mm is not None for one in done.paths.limits)

    # a rod whose tip lies a known depth inside: found by going in from the wall, square to it
    blocked = BlockedOut(cast, path)
    metal = plate.vertices @ path.to_path.T
    height = float(metal[:, 2].min()) + 0.3
    low, high = metal.min(axis=0), metal.max(axis=0)
    y = 0.5 * (low[1] + high[1])
    start = np.array([high[0] + 3.0, y, height])
    reach = np.linspace(0.0, 12.0, 12001)
    inside = blocked.covered(start - reach[:, None] * [1.0, 0.0, 0.0])
    wall = reach[int(np.argmax(inside))]
    tip = start - (wall + 0.35) * np.array([1.0, 0.0, 0.0])
    depth_mm = float(blocked.depth_mm(tip[None])[0])
    rod = box(tip - np.array([0.0, 0.02, 0.02]), tip + np.array([4.0, 0.02, 0.02]))
    rod = Mesh(rod.vertices @ path.to_path, rod.faces)
    hooked = with_rod(plate, rod)
    mesh = framework_of(hooked, cast).mesh
    metal = mesh.reshaped(mesh.vertices @ path.to_path.T)
    floor_mm = float(blocked.mesh.vertices[:, 2].min())
    under = under_cast(blocked.mesh, metal.bounds_mm, floor_mm=floor_mm)
    stopped = interferences_of(overlap(solid_of(metal), under), blocked, allowance_mm=ALLOWANCE_MM)
    (one,) = stopped.interferences
    # the tip's corners lie within 0.03 mm of its middle
    assert abs(one.depth_mm - depth_mm) < 0.03
    assert 0.1 < depth_mm <= 0.35 + 1e-3
    assert np.linalg.norm(one.at_mm @ path.to_path.T - tip) < 0.03
    assert one.first_touch_mm > 0.5
    trial = Trial(blocked, metal, allowance_mm=ALLOWANCE_MM)
    assert not trial.range("path", within_deg=8.0).seats
