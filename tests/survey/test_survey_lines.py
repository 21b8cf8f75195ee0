"""The survey line against closed forms, and where there is none."""

from __future__ import annotations

import math

import numpy as np
import pytest
from bodies import (
    ball,
    box,
    cast_of,
    frustum,
    longest_edge_mm,
    mushroom,
    surveyed,
    torus,
    united,
)  # fmt: skip
from invariants import assert_within

from blockout.mesh import Floats
from blockout.surveying.survey import Survey


def all_points(found: Survey) -> Floats:
    return np.concatenate([line.points_mm for line in found.survey_lines])


# --- ball ----------------------------------------------------------------------------------------
@pytest.mark.parametrize("tilt_deg", [(0.0, 0.0), (10.0, 0.0), (5.0, 3.0), (-8.0, 6.0)])
def test_ball_has_its_great_circle_square_to_the_path(tilt_deg: tuple[float, float]) -> None:
    body = ball(5.0, subdivisions=4)
    found = surveyed(cast_of(body), tilt_deg=tilt_deg)
    assert len(found.survey_lines) == 1
    line = found.survey_lines[0]
    assert line.closed
    assert (line.points_mm[0] == line.points_mm[-1]).all()
    # a facet's normal turns by its edge over R; the line is found by corner normals, which are off
    # by a small share of that
    edge_mm = longest_edge_mm(body)
    assert_within(line.points_mm @ found.path.direction, 0.0, 0.1 * edge_mm)
    assert_within(np.linalg.norm(line.points_mm, axis=1), 5.0, edge_mm**2 / 8.0 / 5.0 * 1.5)
    assert line.length_mm == pytest.approx(2.0 * math.pi * 5.0, rel=0.005)


@pytest.mark.parametrize("tilt", [3.0, 10.0])
def test_tilting_moves_the_line_on_a_ball(tilt: float) -> None:
    # closed form: in the plane of the tilt the line moves R t along the surface
    body = ball(5.0, subdivisions=5)
    line = surveyed(cast_of(body), tilt_deg=(tilt, 0.0)).survey_lines[0].points_mm
    front = line[np.argmax(line[:, 1])]
    moved_mm = 5.0 * math.atan2(front[2], front[1])
    assert moved_mm == pytest.approx(5.0 * math.radians(tilt), abs=0.1 * longest_edge_mm(body))


def test_line_on_a_ball_comes_nearer_with_its_facets() -> None:
    errors = []
    for subdivisions in (3, 4, 5):
        found = surveyed(cast_of(ball(5.0, subdivisions=subdivisions)), tilt_deg=(7.0, 2.0))
        errors.append(np.abs(all_points(found) @ found.path.direction).mean())
    # how corner normals err hangs on how facets meet there: the order shows over two steps
    assert errors[0] > 6.0 * errors[2]


# --- cylinder and cone ---------------------------------------------------------------------------
def test_upright_cylinder_has_no_line_and_a_tilted_one_two_meridians() -> None:
    body = frustum(4.0, 4.0, 8.0, around=96)
    cast = cast_of(body, scanned=body.face_normals[:, 2] > -0.5)
    assert surveyed(cast).survey_lines == ()
    found = surveyed(cast, tilt_deg=(6.0, 0.0))
    points = all_points(found)
    # closed form: n . d = 0 on the meridians square to the plane of the tilt
    sector = 2.0 * math.pi / 96
    # and n of the rim turns from the lid's to the wall's where the wall looks down: in front, +y
    wall = points[points[:, 2] < 8.0 - 1e-9]
    azimuth = np.arctan2(wall[:, 1], wall[:, 0])
    off = np.minimum(np.abs(azimuth), np.abs(np.abs(azimuth) - math.pi))
    assert off.max() <= sector
    assert points[:, 1].min() >= -4.0 * math.sin(sector)
    total_mm = sum(line.length_mm for line in found.survey_lines)
    assert total_mm == pytest.approx(2.0 * 8.0 + 4.0 * math.pi, abs=2.0 * 4.0 * sector)


@pytest.mark.parametrize(
    ("half_angle", "tilt", "azimuth_deg", "share"),
    [(10.0, 15.0, 48.848, 0.72862), (5.0, 10.0, 60.253, 0.66526)],
)
def test_cone_tilted_beyond_its_angle(
    half_angle: float, tilt: float, azimuth_deg: float, share: float
) -> None:
    # closed form: n . d = 0 on two meridians at cos p = tan a / tan t from the plane of the tilt;
    # of the wall 1 - p / 180 is undercut
    closed_deg = math.degrees(
        math.acos(math.tan(math.radians(half_angle)) / math.tan(math.radians(tilt)))
    )
    assert closed_deg == pytest.approx(azimuth_deg, abs=1e-3)
    assert 1.0 - closed_deg / 180.0 == pytest.approx(share, abs=1e-5)
    shares = []
    for around in (96, 192):
        low_mm = 5.0 - 6.0 * math.tan(math.radians(half_angle))
        body = frustum(low_mm, 5.0, 6.0, around=around)
        wall = np.abs(body.face_normals[:, 2]) < 0.9
        # the lid looks up; the foot stays base
        lid = body.face_normals[:, 2] > 0.9
        found = surveyed(cast_of(body, scanned=wall | lid), tilt_deg=(tilt, 0.0))
        area = body.face_areas_mm2
        shares.append(float((found.undercut_share * area)[wall].sum() / area[wall].sum()))
        # each of the two meridians lies within one facet of the wall
        assert_within(shares[-1], share, 1.0 / around)
        # between rim and foot the line runs on those meridians: the visible part is behind, -y
        points = all_points(found)
        inner = (points[:, 2] > 0.1) & (points[:, 2] < 5.9)
        assert inner.sum() > 10
        from_plane_deg = np.degrees(np.abs(np.arctan2(points[inner, 0], -points[inner, 1])))
        assert_within(from_plane_deg, closed_deg, 360.0 / around)
        # and along the rim where the wall under it is undercut
        rim = points[points[:, 2] > 6.0 - 1e-9]
        rim_deg = np.degrees(np.abs(np.arctan2(rim[:, 0], -rim[:, 1])))
        assert rim_deg.min() >= closed_deg - 360.0 / around
        slant_mm = 6.0 / math.cos(math.radians(half_angle))
        closed_mm = 2.0 * slant_mm + 2.0 * math.pi * 5.0 * share
        total_mm = sum(line.length_mm for line in found.survey_lines)
        assert total_mm == pytest.approx(closed_mm, abs=2.0 * 2.0 * math.pi * 5.0 / around)


def test_tilt_short_of_the_cone_leaves_the_rim() -> None:
    # closed form: every wall of an inverted cone of 15 degrees is undercut at a tilt of 10, the
    # least by asin(sin a cos t) = 14.767 degrees at right angles to the tilt: the line is the rim
    low_mm = 5.0 - 4.0 * math.tan(math.radians(15.0))
    body = frustum(low_mm, 5.0, 4.0, around=96)
    found = surveyed(cast_of(body), tilt_deg=(10.0, 0.0))
    lean = math.degrees(math.asin(math.sin(math.radians(15.0)) * math.cos(math.radians(10.0))))
    assert lean == pytest.approx(14.767, abs=1e-3)
    wall = np.abs(body.face_normals[:, 2]) < 0.9
    side = wall & (np.abs(body.face_centres[:, 1]) < 0.2)
    leans = -np.degrees(np.arcsin(body.face_normals[side] @ found.path.direction))
    # the two facets on either side of the meridian stand half a facet from it
    assert_within(leans, lean, 1.02 * 10.0 * math.pi / 96)
    assert len(found.survey_lines) == 1
    assert found.survey_lines[0].closed
    points = found.survey_lines[0].points_mm
    assert_within(points[:, 2], 4.0, 1e-9)
    assert found.survey_lines[0].length_mm == pytest.approx(
        2.0 * 96 * 5.0 * math.sin(math.pi / 96), rel=1e-9
    )


# --- what is hidden is no survey line ------------------------------------------------------------
def test_contour_in_the_shadow_of_a_cap_is_none() -> None:
    found = surveyed(cast_of(mushroom(around=48)))
    assert len(found.survey_lines) == 1
    assert_within(found.survey_lines[0].points_mm[:, 2], 6.0, 1e-9)
    assert_within(np.linalg.norm(found.survey_lines[0].points_mm[:, :2], axis=1), 5.0, 0.011)


@pytest.mark.parametrize("small_on_top", [True, False])
def test_two_balls_stacked(small_on_top: bool) -> None:
    upper_mm, lower_mm = (3.0, 5.0) if small_on_top else (5.0, 3.0)
    gap_mm = upper_mm + lower_mm - 1.0
    body = united(
        [
            ball(lower_mm, subdivisions=3),
            ball(upper_mm, subdivisions=3, centre=(0.0, 0.0, gap_mm)),
        ]
    )
    found = surveyed(cast_of(body))
    points = all_points(found)
    at_lower = np.abs(points[:, 2]) < 0.2
    at_upper = np.abs(points[:, 2] - gap_mm) < 0.2
    # nothing but the two equators; the neck between and the shadow on the lower ball are none
    assert (at_lower | at_upper).all()
    assert at_upper.any()
    assert at_lower.any() == small_on_top
    assert len(found.survey_lines) == (2 if small_on_top else 1)
    assert all(line.closed for line in found.survey_lines)


def test_equator_partly_in_the_shadow_of_a_ball_beside() -> None:
    # closed form: of a circle of radius R, what lies outside an equal one a away is
    # 2 pi - 2 acos(a / 2R) of it
    aside_mm = 5.0
    body = united(
        [ball(5.0, subdivisions=4), ball(5.0, subdivisions=4, centre=(aside_mm, 0.0, 7.0))]
    )
    found = surveyed(cast_of(body))
    points = all_points(found)
    lower = points[np.abs(points[:, 2]) < 0.2]
    upper = points[np.abs(points[:, 2] - 7.0) < 0.2]
    # a cast-shadow border runs over the lower ball at other heights: none of it is drawn
    assert len(lower) + len(upper) == len(points)
    shown = [
        line.length_mm for line in found.survey_lines if np.abs(line.points_mm[:, 2]).max() < 0.2
    ]
    closed_mm = 5.0 * (2.0 * math.pi - 2.0 * math.acos(aside_mm / 10.0))
    assert sum(shown) == pytest.approx(
        closed_mm, abs=2.0 * longest_edge_mm(ball(5.0, subdivisions=4))
    )
    # the part shown lies outside the upper ball's outline
    assert np.linalg.norm(
        lower[:, :2] - [aside_mm, 0.0], axis=1
    ).min() > 5.0 - 0.5 * longest_edge_mm(ball(5.0, subdivisions=4))


def test_torus_has_both_of_its_equators() -> None:
    found = surveyed(cast_of(torus(6.0, 2.0, around=64)))
    assert [line.closed for line in found.survey_lines] == [True, True]
    points = all_points(found)
    assert_within(points[:, 2], 0.0, 0.02)
    # closed form: circles of radius A + b and A - b
    lengths = [line.length_mm for line in found.survey_lines]
    assert lengths == pytest.approx([16.0 * math.pi, 8.0 * math.pi], rel=0.002)


def test_overhang_has_one_line_around_its_upper_edge() -> None:
    body = united([box((-2, -2, 0), (2, 2, 3)), box((-3, -4, 3), (3, 4, 4))])
    found = surveyed(cast_of(body))
    points = all_points(found)
    # closed form: the lid's outline is 2 (6 + 8) long, at its lower edge: its walls stand along the
    # path and are touched all the way down
    assert sum(line.length_mm for line in found.survey_lines) == pytest.approx(28.0, rel=1e-6)
    assert ((points[:, 2] > 3.0 - 1e-9) & (points[:, 2] < 4.0 + 1e-9)).all()
