"""Guiding planes: exact on planes, closed forms on balls, the one direction two planes share."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bodies import turn_about
from known_teeth import RADIUS_MM, BallTooth, balls_cast, block, cast_with
from scipy.optimize import brentq

from blockout.case.choosing_settings import ChoosingSettings
from blockout.case.prescription import Prescription
from blockout.choosing.factors import guiding_mark, measure
from blockout.choosing.ground import choosing_ground
from blockout.choosing.guiding import (
    Guide,
    angle_to_path_deg,
    best_fit_plane,
    parallel_height_mm,
    read_guiding,
)
from blockout.choosing.search import search
from blockout.choosing.tilts import Tilt, path_of, tilt_of

RIGHT_AXES = np.array([[0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
LEFT_AXES = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])


def flat_guide(normal, *, height_mm: float = 4.0, rows: int = 60) -> Guide:
    """A plane strip 3 mm wide and ``height_mm`` tall whose unit normal is given."""
    normal = np.asarray(normal) / np.linalg.norm(normal)
    up = np.array([0.0, 0.0, 1.0]) - normal * normal[2]
    up /= np.linalg.norm(up)
    aside = np.cross(normal, up)
    s, t = np.meshgrid((np.arange(rows) + 0.5) / rows * height_mm, np.linspace(-1.5, 1.5, 8))
    points = np.outer(s.reshape(-1), up) + np.outer(t.reshape(-1), aside)
    count = len(points)
    return Guide(46, "mesial", normal, points, np.tile(normal, (count, 1)), np.ones(count))


def test_the_plane_of_a_flat_surface_is_its_own_however_it_is_divided():
    normal = np.array([0.6, 0.64, 0.48])
    turn = np.linalg.qr(np.column_stack([normal, np.eye(3)[:, :2]]))[0]
    rng = np.random.default_rng(1)
    flat = rng.normal(size=(40, 3, 2))
    corners = flat[..., :1] * turn[:, 1] + flat[..., 1:] * turn[:, 2] + 3.0 * normal
    whole = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]) @ normal
    corners[whole < 0.0] = corners[whole < 0.0][:, ::-1]
    np.testing.assert_allclose(best_fit_plane(corners), normal, atol=1e-9)
    # one facet in four: the same plane of the same area
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    ab, bc, ca = (a + b) / 2, (b + c) / 2, (c + a) / 2
    finer = np.concatenate(
        [np.stack(t, axis=1) for t in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))]
    )
    bent = corners + 0.3 * np.sin(corners[..., :1]) * normal
    np.testing.assert_allclose(best_fit_plane(finer), best_fit_plane(corners), atol=1e-9)
    assert best_fit_plane(bent) @ normal > 0.9


@pytest.mark.parametrize("lean_deg", [-20.0, -3.0, 0.0, 0.5, 8.0])
def test_the_angle_of_a_plane_is_exact(lean_deg):
    lean = np.radians(lean_deg)
    plane = np.array([np.cos(lean), 0.0, np.sin(lean)])
    assert angle_to_path_deg(plane, np.array([0.0, 0.0, 1.0])) == pytest.approx(lean_deg, abs=1e-12)
    # turned about its own normal the path stays as far from it
    turn = turn_about(plane, 33.0)
    assert angle_to_path_deg(plane, turn @ [0.0, 0.0, 1.0]) == pytest.approx(lean_deg, abs=1e-9)


def test_a_plane_is_parallel_over_its_whole_height_or_not_at_all():
    up = np.array([0.0, 0.0, 1.0])
    along = flat_guide([1.0, 0.0, 0.0], height_mm=4.0)
    # places are middles of rows: their span is one row short of the strip
    assert parallel_height_mm(along, up, within_deg=1.0) == pytest.approx(4.0, abs=4.0 / 60 + 1e-9)
    leaning = flat_guide([np.cos(0.07), 0.0, np.sin(0.07)])
    assert parallel_height_mm(leaning, up, within_deg=np.degrees(0.07) + 1e-6) > 3.8
    assert parallel_height_mm(leaning, up, within_deg=np.degrees(0.07) - 1e-6) == 0.0


@pytest.mark.parametrize("within_deg", [2.0, 5.0, 12.0])
@pytest.mark.parametrize("tilt", [(0.0, 0.0), (6.0, -9.0)])
def test_a_ball_is_parallel_over_twice_the_sine(within_deg, tilt):
    # closed form: a level h over the middle looks h / R up, so 2 R sin a is within a
    cast, teeth = balls_cast([BallTooth(46, (0.0, 0.0, 0.0), (0.0, 1.0), (1.0, 0.0))])
    crown = teeth.crowns[0]
    mesh = cast.mesh
    face = crown.faces_of("mesial")
    guide = Guide(
        46, "mesial", np.array([0.0, 1.0, 0.0]), mesh.face_centres[face],
        mesh.face_normals[face], mesh.face_areas_mm2[face],
    )  # fmt: skip
    direction = path_of(cast, Tilt.of(*tilt)).direction
    wanted = 2.0 * RADIUS_MM * np.sin(np.radians(within_deg))
    found = parallel_height_mm(guide, direction, within_deg=within_deg)
    assert found == pytest.approx(wanted, abs=0.03)


def test_two_runs_are_told_apart_and_the_longer_one_counts():
    strip = flat_guide([1.0, 0.0, 0.0], height_mm=5.0)
    tall = strip.points_mm[:, 2]
    bump = (tall > 2.9) & (tall < 3.4)
    normals = strip.normals.copy()
    normals[bump] = [np.cos(0.5), 0.0, np.sin(0.5)]
    found = parallel_height_mm(
        replace(strip, normals=normals), np.array([0.0, 0.0, 1.0]), within_deg=3.0
    )
    # two levels of the forty, each half filled, blur the ends
    assert found == pytest.approx(2.9, abs=0.3)


@pytest.mark.parametrize("lean", [((4.0, 0.0), (0.0, -5.0)), ((-8.0, 2.0), (3.0, 7.0))])
def test_the_search_finds_the_one_direction_that_two_planes_share(lean):
    """Two blocks whose mesial faces lean by known angles: only the cross product of their normals
    is parallel to both (closed form).
    """
    one = np.array([np.sin(np.radians(lean[0][1])), 1.0, np.tan(np.radians(lean[0][0]))])
    other = np.array([1.0, np.sin(np.radians(lean[1][0])), np.tan(np.radians(lean[1][1]))])
    one, other = one / np.linalg.norm(one), other / np.linalg.norm(other)
    places = (np.array([9.0, -4.0, 0.0]), np.array([-9.0, 4.0, 0.0]))
    bodies = [block(one, places[0], RIGHT_AXES), block(other, places[1], LEFT_AXES)]
    cast, teeth = cast_with(bodies, [(44, RIGHT_AXES, places[0]), (34, LEFT_AXES, places[1])])
    settings = ChoosingSettings(
        retention_weight=0, interferences_weight=0, appearance_weight=0,
        guiding_plane=({"tooth": 44, "aspect": "mesial"}, {"tooth": 34, "aspect": "mesial"}),
    )  # fmt: skip
    ground = choosing_ground(cast, teeth=teeth, settings=settings)
    np.testing.assert_allclose([g.plane for g in ground.guides], [one, other], atol=1e-6)
    shared = np.cross(one, other)
    shared *= np.sign(shared[2]) / np.linalg.norm(shared)
    exact = read_guiding(ground.guides, shared, parallel_within_deg=3.0)
    assert exact.worst_deg < 1e-4
    assert guiding_mark(exact, settings) == pytest.approx(100.0, abs=1e-3)
    found = search(ground.sampled(300)).best
    assert found.tilt.apart_deg(tilt_of(cast, shared)) < 0.1
    assert found.measures.guiding.worst_deg < 0.1


def test_marks_follow_their_formula():
    cast, teeth = balls_cast([BallTooth(46, (0.0, 0.0, 0.0), (0.0, 1.0), (1.0, 0.0))])
    settings = ChoosingSettings(guiding_plane=({"tooth": 46, "aspect": "mesial"},))
    ground = choosing_ground(cast, teeth=teeth, settings=settings)
    found = measure(ground, [Tilt.of(7, 0)])[0].guiding
    (guide,) = found.guides
    wanted = 50.0 * (1.0 - abs(guide.angle_deg) / 15.0)
    wanted += 50.0 * min(guide.parallel_height_mm / 2.0, 1.0)
    assert guiding_mark(found, settings) == pytest.approx(wanted)
    # the front goes down by 7 degrees, and what looks to the front with it: exactly 7 less
    level = measure(ground, [Tilt.of(0, 0)])[0].guiding.guides[0]
    assert guide.angle_deg - level.angle_deg == pytest.approx(-7.0, abs=0.05)


def test_a_round_surface_is_parallel_to_the_path_at_which_its_plane_lies_in_it():
    cast, teeth = balls_cast([BallTooth(46, (0.0, 0.0, 0.0), (0.0, 1.0), (1.0, 0.0))])
    asked = ChoosingSettings(guiding_plane=({"tooth": 46, "aspect": "mesial"},))
    ground = choosing_ground(cast, teeth=teeth, settings=asked, prescription=Prescription())

    def angle(tilt_deg: float) -> float:
        direction = path_of(cast, Tilt.of(tilt_deg, 0)).direction
        return angle_to_path_deg(ground.guides[0].plane, direction)

    zero = brentq(angle, -40.0, 40.0)
    assert abs(angle(zero)) < 0.02
    assert abs(angle(zero + 4.0) + 4.0) < 0.1
