"""Walls moved square to z: boxes, cylinders, cones and corners by closed form."""

import math

import numpy as np
import pytest
import trimesh
from bodies import box, frustum, polygon_share, united
from invariants import assert_solid, assert_within

from blockout.errors import CheckError, InputError
from blockout.printing import surface_offset
from blockout.printing.surface_offset import AROUND, walls_moved

LEAST = math.cos(math.pi / AROUND)


@pytest.mark.parametrize("by_mm", [0.05, -0.05, 0.3, -0.3])
def test_a_box_changes_in_x_and_y_alone(by_mm):
    moved = walls_moved(box([0.0, 0.0, 0.0], [20.0, 12.0, 8.0]), by_mm)
    assert_solid(moved.mesh)
    assert_within(
        moved.mesh.bounds_mm,
        np.array([[-by_mm, -by_mm, 0.0], [20.0 + by_mm, 12.0 + by_mm, 8.0]]),
        1e-9,
    )
    # single-precision rays
    assert_within(moved.measured_mm, by_mm, 5e-6)
    full_mm3 = (20.0 + 2.0 * by_mm) * (12.0 + 2.0 * by_mm) * 8.0
    # outward the corners are rounded: each loses at most the square between arc and corner
    lost_mm3 = 4.0 * 8.0 * by_mm**2 if by_mm > 0.0 else 0.0
    assert full_mm3 - lost_mm3 - 1e-6 <= moved.mesh.volume_mm3 <= full_mm3 + 1e-6


@pytest.mark.parametrize("by_mm", [0.1, -0.1])
def test_a_cylinder_s_radius_changes(by_mm):
    moved = walls_moved(frustum(8.0, 8.0, 10.0, around=72, rings=2), by_mm)
    judge = trimesh.Trimesh(moved.mesh.vertices, moved.mesh.faces)
    assert judge.is_watertight
    radius = np.sqrt(judge.volume / (math.pi * 10.0 * polygon_share(72)))
    # every wall moves by LEAST to 1 of what was asked; 1 um for the facets' azimuth
    assert LEAST * abs(by_mm) - 0.001 <= abs(radius - 8.0) <= abs(by_mm) + 0.003
    assert np.sign(radius - 8.0) == np.sign(by_mm)
    assert_within(np.sign(by_mm) * moved.measured_mm, abs(by_mm) * (1.0 + LEAST) / 2.0, 0.004)
    assert_within(moved.mesh.bounds_mm[:, 2], np.array([0.0, 10.0]), 1e-9)


def test_a_slope_is_moved_in_its_level_section():
    # a cone's wall at 45 degrees: 0.1 mm in each level section, 0.0707 along its normal
    body = frustum(10.0, 4.0, 6.0, around=48, rings=2)
    moved = walls_moved(body, 0.1)
    judge = trimesh.Trimesh(moved.mesh.vertices, moved.mesh.faces)
    for height, radius in ((1.5, 8.5), (4.5, 5.5)):
        section = judge.section(plane_origin=[0.0, 0.0, height], plane_normal=[0.0, 0.0, 1.0])
        reach = np.linalg.norm(section.vertices[:, :2], axis=1)
        facet = radius * (1.0 - math.cos(math.pi / 48))
        assert reach.min() >= radius - facet + 0.1 * LEAST - 0.004
        assert reach.max() <= radius + 0.1 + 0.004


def test_an_inner_corner_closes_and_a_thin_fin_goes():
    corner = united([box([0, 0, 0], [20, 6, 5]), box([0, 0, 0], [6, 20, 5])])
    moved = walls_moved(corner, 0.2)
    assert_solid(moved.mesh)
    # outward an inner corner stays sharp: closed form, less the five rounded outer corners
    full_mm2 = 20.4 * 6.4 * 2.0 - 6.4**2
    assert full_mm2 * 5.0 - 5.0 * 5.0 * 0.04 <= moved.mesh.volume_mm3 <= full_mm2 * 5.0 + 1e-6
    fin = united([box([0, 0, 0], [20, 20, 5]), box([9.9, 9, 4], [10.1, 15, 9])])
    assert walls_moved(fin, -0.15).mesh.bounds_mm[1, 2] == pytest.approx(5.0, abs=1e-9)


def test_nothing_left_is_refused():
    with pytest.raises(InputError, match="nothing is left") as refused:
        walls_moved(box([0, 0, 0], [20, 0.6, 5]), -0.4)
    assert "--xy" in refused.value.fix


def test_walls_that_stay_would_be_told(monkeypatch):
    monkeypatch.setattr(surface_offset, "_shift", lambda by: np.eye(4))
    with pytest.raises(CheckError, match="did not move"):
        walls_moved(box([0, 0, 0], [20, 12, 8]), 0.1)
