"""Tapered walls against closed forms of ball and cone, and within their stated error."""

from __future__ import annotations

import math

import numpy as np
import pytest
from bodies import ball_of_rings, cast_of, frustum, polygon_share, worked
from invariants import assert_contains, assert_solid

from blockout.wax.taper import SIDES, taper_error_mm

AROUND = 64


def ring_and_cones_mm3(around: int, radius_mm: float, height_mm: float, slope: float) -> float:
    """Everything within a cone of ``slope`` (tangent of the taper) under a level n-gon, down to
    ``height_mm`` below it.

    Steiner's formula over the height: area h + girth slope h^2 / 2 + pi slope^2 h^3 / 3.
    """
    area = polygon_share(around) * math.pi * radius_mm**2
    girth = 2.0 * around * radius_mm * math.sin(math.pi / around)
    return (
        area * height_mm
        + girth * slope * height_mm**2 / 2.0
        + math.pi * slope**2 * height_mm**3 / 3.0
    )


@pytest.mark.parametrize(
    ("taper_deg", "closed_mm3"), [(0.0, 8.3776), (2.0, 10.5819), (4.0, 12.8122), (6.0, 15.0740)]
)
def test_ball_down_to_two_millimetres(taper_deg: float, closed_mm3: float) -> None:
    # closed form: pi h / 3 (R^2 + R R2 + R2^2) - pi (R^2 h - h^3 / 3), R2 = R + h tan f
    wide = 5.0 + 2.0 * math.tan(math.radians(taper_deg))
    round_mm3 = math.pi * 2.0 / 3.0 * (25.0 + 5.0 * wide + wide**2) - math.pi * (50.0 - 8.0 / 3.0)
    assert round_mm3 == pytest.approx(closed_mm3, abs=1e-4)
    body = ball_of_rings(around=AROUND, depth_mm=2.0)
    plain = worked(cast_of(body), floor_mm=-2.0)
    done = worked(cast_of(body), floor_mm=-2.0, taper_deg=taper_deg)
    assert_solid(done.wax)
    assert_contains(done.wax, plain.wax, slack_mm3=1e-6)
    # the faceted ball's own tapered fill, with cones that are round and with cones that are as
    # much wider as the stated error allows
    inside_mm3 = ring_and_cones_mm3(AROUND, 5.0, 2.0, 0.0) - plain.volume_mm3
    slope = math.tan(math.radians(taper_deg))
    low_mm3 = ring_and_cones_mm3(AROUND, 5.0, 2.0, slope) - inside_mm3
    high_mm3 = ring_and_cones_mm3(AROUND, 5.0, 2.0, slope / math.cos(math.pi / SIDES)) - inside_mm3
    assert low_mm3 * (1.0 - 1e-6) <= done.volume_mm3 <= high_mm3 * (1.0 + 1e-6)
    # and the round body's, within the facets of body and cones
    facets_mm3 = abs(round_mm3 - low_mm3) + (high_mm3 - low_mm3)
    assert abs(done.volume_mm3 - closed_mm3) <= facets_mm3 + 1e-4
    assert facets_mm3 < 0.04 * closed_mm3


def test_a_wall_may_end_on_a_floor_near_under_its_edge() -> None:
    """Closed form as above, half a millimetre high."""
    body = ball_of_rings(around=AROUND, depth_mm=0.5)
    plain = worked(cast_of(body), floor_mm=-0.5)
    done = worked(cast_of(body), floor_mm=-0.5, taper_deg=6.0)
    slope = math.tan(math.radians(6.0))
    low_mm3, high_mm3 = (
        ring_and_cones_mm3(AROUND, 5.0, 0.5, wide) - ring_and_cones_mm3(AROUND, 5.0, 0.5, 0.0)
        for wide in (slope, slope / math.cos(math.pi / SIDES))
    )
    added_mm3 = done.volume_mm3 - plain.volume_mm3
    assert low_mm3 * (1.0 - 1e-5) <= added_mm3 <= high_mm3 * (1.0 + 1e-5)


@pytest.mark.parametrize(
    ("half_angle_deg", "closed_mm3"),
    [(10.0, (24.0486, 29.0198, 34.0725, 39.2197)), (20.0, (47.7095, 52.6807, 57.7334, 62.8806))],
)
def test_inverted_cone(half_angle_deg: float, closed_mm3: tuple[float, ...]) -> None:
    # closed form: pi h / 3 (R^2 + R R2 + R2^2 - R^2 - R r - r^2), r = R - h tan a, R2 = R + h tan f
    low = 5.0 - 3.0 * math.tan(math.radians(half_angle_deg))
    solid_mm3 = math.pi * (25.0 + 5.0 * low + low**2)
    # foot and lid are not scanned, or the edge of the foot would hang wax of its own
    body = frustum(low, 5.0, 3.0, around=AROUND, rings=3)
    cast = cast_of(body, scanned=np.abs(body.face_normals[:, 2]) < 0.99)
    for taper_deg, expected_mm3 in zip((0.0, 2.0, 4.0, 6.0), closed_mm3, strict=True):
        slope = math.tan(math.radians(taper_deg))
        wide = 5.0 + 3.0 * slope
        round_mm3 = math.pi * (25.0 + 5.0 * wide + wide**2) - solid_mm3
        assert round_mm3 == pytest.approx(expected_mm3, abs=1e-4)
        done = worked(cast, taper_deg=taper_deg)
        faceted_mm3 = polygon_share(AROUND) * solid_mm3
        low_mm3 = ring_and_cones_mm3(AROUND, 5.0, 3.0, slope) - faceted_mm3
        high_mm3 = (
            ring_and_cones_mm3(AROUND, 5.0, 3.0, slope / math.cos(math.pi / SIDES)) - faceted_mm3
        )
        assert low_mm3 * (1.0 - 1e-6) <= done.volume_mm3 <= high_mm3 * (1.0 + 1e-6)
        assert abs(done.volume_mm3 - expected_mm3) <= (
            abs(round_mm3 - low_mm3) + (high_mm3 - low_mm3) + 1e-4
        )
        assert done.blockout.undercut_volume_mm3 == pytest.approx(
            polygon_share(AROUND) * closed_mm3[0], rel=1e-5
        )


def test_the_stated_error_is_that_of_the_pyramid() -> None:
    # closed form: an n-gon around a circle of radius r reaches out to r / cos(pi / n)
    assert taper_error_mm(10.0, 6.0) == pytest.approx(
        10.0 * math.tan(math.radians(6.0)) * (1.0 / math.cos(math.pi / SIDES) - 1.0)
    )
    body = ball_of_rings(around=AROUND, depth_mm=2.0)
    done = worked(cast_of(body), floor_mm=-2.0, taper_deg=6.0)
    on_floor = np.abs(done.wax.vertices[:, 2] + 2.0) < 1e-9
    reach_mm = np.linalg.norm(done.wax.vertices[on_floor, :2], axis=1).max()
    round_mm = 5.0 + 2.0 * math.tan(math.radians(6.0))
    assert round_mm - 1e-9 <= reach_mm <= round_mm + done.blockout.taper_error_mm
    assert "um outside the round one" in done.blockout.wax.notes[0]


def test_more_taper_is_never_less_wax() -> None:
    body = ball_of_rings(around=32)
    cast = cast_of(body)
    volumes = []
    last = None
    for taper_deg in (0.0, 0.5, 2.0, 6.0, 10.0):
        done = worked(cast, tilt_deg=(4.0, -3.0), taper_deg=taper_deg)
        volumes.append(done.volume_mm3)
        if last is not None:
            assert_contains(done.wax, last, slack_mm3=1e-5)
        last = done.wax
    assert volumes == sorted(volumes)
    assert volumes[-1] > 1.5 * volumes[0]
