"""Parallel blockout of round bodies against closed forms, within the body's own facets and coming
nearer as these are refined; and exactly against the closed form of the faceted body.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

import numpy as np
import pytest
from bodies import (
    ball,
    ball_of_rings,
    ball_on_plate,
    cast_of,
    frustum,
    polygon_share,
    sagitta_mm,
    standing,
    torus,
    worked,
)  # fmt: skip
from invariants import (
    assert_apart,
    assert_no_undercut,
    assert_solid,
    assert_under_cast,
    assert_walls_parallel,
    assert_within,
)  # fmt: skip

from blockout.mesh import Floats, Mesh

AROUND = (32, 64, 128)


def frusta_mm3(radius_mm: Floats, height_mm: Floats, around: int) -> float:
    """Volume of a profile of radii at rising heights turned with ``around`` flat sides: frusta
    pi h / 3 (a^2 + a b + b^2), times the polygon's share of the circle.
    """
    a, b, step = radius_mm[:-1], radius_mm[1:], np.diff(height_mm)
    round_mm3 = float((math.pi * step / 3.0 * (a * a + a * b + b * b)).sum())
    return polygon_share(around) * round_mm3


def rings(mesh: Mesh, low_mm: float, high_mm: float) -> tuple[Floats, Floats]:
    """Radius and height of a turned body's outer rings between two heights."""
    radius = np.linalg.norm(mesh.vertices[:, :2], axis=1)
    height = mesh.vertices[:, 2]
    levels = np.unique(np.round(height, 9))
    levels = levels[(levels > low_mm - 1e-6) & (levels < high_mm + 1e-6)]
    return np.array([radius[np.abs(height - z) < 1e-6].max() for z in levels]), levels


def assert_halves_twice(errors: list[float]) -> None:
    """Each time the facets are halved, a second order error falls to a quarter."""
    for coarse, fine in itertools.pairwise(errors):
        assert coarse / fine == pytest.approx(4.0, rel=0.1)


# --- ball ----------------------------------------------------------------------------------------
@pytest.mark.parametrize("depth_mm", [1.0, 2.0, 3.0])
def test_floating_ball_down_to_a_depth(depth_mm: float) -> None:
    # closed form: column pi R^2 h less the slice pi (R^2 h - h^3 / 3) of the ball: pi h^3 / 3
    closed_mm3 = math.pi * depth_mm**3 / 3.0
    errors = []
    for around in AROUND:
        body = ball_of_rings(around=around, depth_mm=depth_mm)
        done = worked(cast_of(body), floor_mm=-depth_mm)
        radius, height = rings(body, -depth_mm, 0.0)
        column = polygon_share(around) * math.pi * 25.0 * depth_mm
        faceted_mm3 = column - frusta_mm3(radius, height, around)
        assert done.volume_mm3 == pytest.approx(faceted_mm3, rel=1e-6)
        errors.append(done.volume_mm3 - closed_mm3)
    # the wax gains the film between facets and sphere
    facets_mm3 = 2.0 * math.pi * 5.0 * depth_mm * sagitta_mm(5.0, AROUND[-1])
    assert_within(errors[-1], 0.0, facets_mm3)
    # one ring was moved onto the floor, so the rings are uneven and the order only about two
    assert abs(errors[0]) > 2.5 * abs(errors[1]) > 6.25 * abs(errors[2])


def test_floating_ball_down_to_its_lowest_point() -> None:
    closed_mm3 = math.pi * 125.0 / 3.0
    errors = []
    for around in AROUND:
        body = ball_of_rings(around=around)
        done = worked(cast_of(body))
        radius, height = rings(body, -5.0, 0.0)
        faceted_mm3 = polygon_share(around) * math.pi * 125.0 - frusta_mm3(radius, height, around)
        assert done.volume_mm3 == pytest.approx(faceted_mm3, rel=1e-6)
        errors.append(abs(done.volume_mm3 - closed_mm3))
    assert_halves_twice(errors)


@pytest.mark.parametrize("tilt_deg", [(0.0, 0.0), (10.0, 0.0), (-6.0, 8.0)])
def test_a_tilted_ball_is_a_ball(tilt_deg: tuple[float, float]) -> None:
    """A ball looks the same along every path. The floor stays square to the cast, at R under the
    centre, so it cuts the column aslant: R / cos t under the centre along the path, which is the
    column's mean length.
    """
    closed_mm3 = []
    volume_mm3 = []
    for subdivisions in (2, 3, 4):
        body = ball(subdivisions=subdivisions)
        done = worked(cast_of(body, floor_mm=-5.0), tilt_deg=tilt_deg)
        cos_tilt = float(done.survey.path.direction_cast[2])
        # closed form: column pi R^2 from the equator down R / cos t along the path, less half a
        # ball
        closed_mm3.append(math.pi * 125.0 / cos_tilt - 2.0 / 3.0 * math.pi * 125.0)
        volume_mm3.append(done.volume_mm3)
        assert_walls_parallel(done.wax, done.cast, done.survey.path.direction)
    errors = np.abs(np.array(volume_mm3) - closed_mm3)
    # corners on the sphere: the faceted ball differs from the round one by its missing volume
    missing_mm3 = 4.0 / 3.0 * math.pi * 125.0 - ball(subdivisions=4).volume_mm3
    assert errors[2] < missing_mm3
    # the outline of an icosphere changes shape as it is refined: the order shows over two steps
    assert errors[0] > 7.0 * errors[2]


@pytest.mark.parametrize("equator_mm", [1.0, 2.0, 3.0])
def test_ball_on_a_plate(equator_mm: float) -> None:
    # closed form: pi h^3 / 3 with h the height of the equator over the plate, whatever the radius
    closed_mm3 = math.pi * equator_mm**3 / 3.0
    for radius_mm in (4.0, 5.0):
        errors = []
        for around in AROUND:
            body, scanned = ball_on_plate(radius_mm=radius_mm, equator_mm=equator_mm, around=around)
            cast = cast_of(body, scanned=scanned)
            done = worked(cast)
            radius, height = rings(body, 0.001, equator_mm)
            radius = np.r_[math.sqrt(radius_mm**2 - equator_mm**2), radius]
            height = np.r_[0.0, height]
            column = polygon_share(around) * math.pi * radius_mm**2 * equator_mm
            faceted_mm3 = column - frusta_mm3(radius, height, around)
            # the plate ends the wax, not the floor under it
            assert done.volume_mm3 == pytest.approx(faceted_mm3, rel=2e-6)
            errors.append(abs(done.volume_mm3 - closed_mm3))
        assert_halves_twice(errors)
    assert_solid(done.wax)
    assert_under_cast(done.wax, cast, done.survey.path.direction)
    assert_apart(done.wax, cast.mesh, slack_mm3=1e-6)
    assert_no_undercut(done.model, cast, tilt_deg=(0.0, 0.0), wax_mm3=done.volume_mm3)


# --- cone ----------------------------------------------------------------------------------------
@pytest.mark.parametrize("half_angle_deg", [10.0, 20.0])
def test_inverted_cone(half_angle_deg: float) -> None:
    # closed form: pi R^2 h - pi h / 3 (R^2 + R r + r^2), r = R - h tan a; 24.0486 at 10 degrees,
    # 47.7095 at 20; the faceted cone has the polygon's share of it, exactly
    low = 5.0 - 3.0 * math.tan(math.radians(half_angle_deg))
    closed_mm3 = math.pi * (75.0 - (25.0 + 5.0 * low + low**2))
    assert closed_mm3 == pytest.approx({10.0: 24.0486, 20.0: 47.7095}[half_angle_deg], abs=1e-4)
    for around in AROUND:
        done = worked(cast_of(frustum(low, 5.0, 3.0, around=around)))
        assert done.volume_mm3 == pytest.approx(polygon_share(around) * closed_mm3, rel=1e-6)
        assert_walls_parallel(done.wax, done.cast, done.survey.path.direction)


@pytest.mark.parametrize("tilt_deg", [2.0, 5.0, 10.0])
def test_tilted_cylinder(tilt_deg: float) -> None:
    """Wall of a cylinder R 4, L 8 tilted by t, its foot not scanned.

    Closed form: the wall that looks down, x > 0, has at each x of its plan a vertical drop below:
    it stands over the floor as the wall's shadow L tan t along the floor, so the fill is the wedge
    between wall and path: (its width 2 R) x (L^2 tan t / 2), where the floor is square to the
    axis. No facet error but the width's, which is exact with corners at the sides.
    """
    body = frustum(4.0, 4.0, 8.0, around=64)
    scanned = body.face_normals[:, 2] > -0.5
    done = worked(cast_of(body, scanned=scanned), tilt_deg=(0.0, tilt_deg))
    wedge_mm3 = 8.0 * 64.0 * math.tan(math.radians(tilt_deg)) / 2.0
    # the wall's upper edge shifted along the floor sweeps a lune: its area is width x shift
    assert done.volume_mm3 == pytest.approx(wedge_mm3, rel=1e-6)
    assert_walls_parallel(done.wax, done.cast, done.survey.path.direction)


# --- torus: a body with a tunnel -----------------------------------------------------------------
def test_torus_lying_flat() -> None:
    # closed form: ring 2 A x 2 b wide and b high, less the lower half of the torus pi^2 A b^2
    closed_mm3 = math.pi * 12.0 * 4.0 * 2.0 - math.pi**2 * 6.0 * 4.0
    assert closed_mm3 == pytest.approx(64.722, abs=1e-3)
    errors = []
    for around in (24, 48, 96):
        done = worked(cast_of(torus(6.0, 2.0, around=around)))
        errors.append(abs(done.volume_mm3 - closed_mm3))
        assert_solid(done.wax)
    assert_halves_twice(errors)
    assert errors[-1] < _missing_mm3(torus(6.0, 2.0, around=96))


def test_torus_standing() -> None:
    # closed form: at y of the plan the tube's half width is w = sqrt(b^2 - y^2); the column over
    # x is outer(x) + 8 high less the tube, 2 (outer - inner), with outer and inner the half
    # circles of radius A + w and A - w: over all x  16 (A + w) - pi (A + w)^2 / 2 + pi (A - w)^2;
    # over all y, by the moments of w: its area pi b^2 / 2 and that of w^2, 4 b^3 / 3
    a, b = 6.0, 2.0
    w1, w2 = math.pi * b**2 / 2.0, 4.0 * b**3 / 3.0
    outer2, inner2 = 2.0 * b * a**2 + 2.0 * a * w1 + w2, 2.0 * b * a**2 - 2.0 * a * w1 + w2
    closed_mm3 = 16.0 * (2.0 * b * a + w1) - math.pi / 2.0 * outer2 + math.pi * inner2
    assert closed_mm3 == pytest.approx(372.175, abs=1e-3)
    errors = []
    for around in (24, 48, 96):
        cast = cast_of(standing(torus(6.0, 2.0, around=around)))
        done = worked(cast)
        errors.append(abs(done.volume_mm3 - closed_mm3))
        assert_solid(done.wax)
        assert_solid(done.model.mesh)
    assert_halves_twice(errors)
    assert errors[-1] < 3.0 * _missing_mm3(torus(6.0, 2.0, around=96))
    assert_walls_parallel(done.wax, cast, done.survey.path.direction)
    assert_no_undercut(done.model, cast, tilt_deg=(0.0, 0.0), wax_mm3=done.volume_mm3)


def _missing_mm3(body: Mesh) -> float:
    """What the facets of a torus leave out of 2 pi^2 A b^2."""
    return 2.0 * math.pi**2 * 6.0 * 4.0 - body.volume_mm3


# --- several paths on one body -------------------------------------------------------------------
@pytest.mark.parametrize(
    "make",
    [lambda: ball(subdivisions=3), lambda: torus(around=32), lambda: standing(torus(around=32))],
)
@pytest.mark.parametrize("tilt_deg", [(5.0, 3.0), (-8.0, 6.0)])
def test_what_holds_for_every_body_and_path(
    make: Callable[[], Mesh], tilt_deg: tuple[float, float]
) -> None:
    cast = cast_of(make())
    done = worked(cast, tilt_deg=tilt_deg)
    direction = done.survey.path.direction
    assert_solid(done.wax)
    assert_solid(done.model.mesh)
    assert_walls_parallel(done.wax, cast, direction)
    assert_under_cast(done.wax, cast, direction)
    assert_apart(done.wax, cast.mesh, slack_mm3=1e-6)
    assert done.model.volume_mm3 == pytest.approx(cast.mesh.volume_mm3 + done.volume_mm3, rel=1e-6)
    assert_no_undercut(done.model, cast, tilt_deg=tilt_deg, wax_mm3=done.volume_mm3)
