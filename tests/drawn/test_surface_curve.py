"""Curves on surfaces: on them, smooth, through the given points; refused where they cannot be."""

from __future__ import annotations

import numpy as np
import pytest
from bodies import ball
from invariants import assert_within, distance_to_mm
from patches import cylinder, patch, plane

from blockout.drawn.curve import joined_curve, points_along, stretch, surface_curve
from blockout.errors import InputError


def test_a_curve_on_a_ball_lies_on_it_and_is_evenly_spaced():
    body = ball(5.0, subdivisions=4)
    turn = np.linspace(0.0, 2.0 * np.pi, 13)[:-1]
    given = np.stack([4.0 * np.cos(turn), 4.0 * np.sin(turn), np.full(12, 3.0)], axis=1)
    curve = surface_curve(body, given, closed=True, spacing_mm=0.25)
    assert distance_to_mm(body, curve.points_mm).max() < 1e-9
    # closed form: a circle of radius 4; facets of the ball lie up to 1.5 % of an edge inside
    assert curve.length_mm == pytest.approx(2.0 * np.pi * 4.0, rel=2e-3)
    step = np.linalg.norm(np.roll(curve.points_mm, -1, axis=0) - curve.points_mm, axis=1)
    assert_within(step, 0.25, 0.02)
    radial = curve.points_mm / np.linalg.norm(curve.points_mm, axis=1, keepdims=True)
    assert (np.einsum("ij,ij->i", radial, curve.normals) > np.cos(np.radians(1.0))).all()
    assert_within(np.linalg.norm(curve.normals, axis=1), 1.0, 1e-12)
    # level all round, though only twelve points said so
    assert_within(curve.points_mm[:, 2], 3.0, 0.02)


def test_a_curve_passes_the_points_it_was_given():
    body = ball(5.0, subdivisions=4)
    rng = np.random.default_rng(3)
    start = np.array([1.0, 0.2, 0.3])
    given = [start]
    for _ in range(6):
        given.append(given[-1] + rng.normal(scale=0.35, size=3) + [0.0, 0.5, 0.1])
    places = 5.0 * np.array(given) / np.linalg.norm(given, axis=1)[:, None]
    curve = surface_curve(body, places, spacing_mm=0.1)
    near = np.linalg.norm(curve.points_mm[:, None] - places[None], axis=2).min(axis=0)
    assert near.max() < 0.1
    assert np.linalg.norm(curve.points_mm[[0, -1]] - places[[0, -1]], axis=1).max() < 0.02


def test_two_points_on_a_plane_make_a_straight_line():
    level = patch(plane, u=(-5.0, 5.0), v=(-5.0, 5.0), steps=(20, 20))
    curve = surface_curve(level, [(-3.0, -2.0, 0.4), (3.0, 1.0, -0.3)], spacing_mm=0.5)
    across = np.cross(curve.points_mm - [-3.0, -2.0, 0.0], [6.0, 3.0, 0.0])
    assert np.abs(across).max() < 1e-9
    assert curve.length_mm == pytest.approx(np.hypot(6.0, 3.0), abs=1e-9)
    assert_within(curve.tangents, np.array([2.0, 1.0, 0.0]) / np.sqrt(5.0), 1e-9)
    back = curve.reversed()
    assert np.array_equal(back.points_mm, curve.points_mm[::-1])
    assert np.array_equal(back.face, curve.face[::-1])


def test_a_stretch_of_a_line_begins_and_ends_where_it_is_told():
    level = patch(plane, u=(-5.0, 5.0), v=(-5.0, 5.0), steps=(20, 20))
    curve = surface_curve(level, [(-4.0, 0.0, 0.0), (4.0, 0.0, 0.0)])
    part = stretch(level, curve, 1.3, 6.21)
    assert_within(part.points_mm[[0, -1], 0], np.array([-2.7, 2.21]), 1e-9)
    assert part.length_mm == pytest.approx(4.91, abs=1e-9)
    assert_within(points_along(curve, np.array([0.0, 2.0]))[:, 0], np.array([-4.0, -2.0]), 1e-9)
    with pytest.raises(InputError, match="too short"):
        stretch(level, curve, 5.0, 9.0)


def test_a_point_off_the_surface_is_refused_by_its_number():
    level = patch(plane, u=(-5.0, 5.0), v=(-5.0, 5.0), steps=(20, 20))
    given = [(-3.0, 0.0, 0.0), (0.0, 0.0, 1.6), (3.0, 0.0, 0.0)]
    with pytest.raises(InputError) as caught:
        surface_curve(level, given, name="upper border")
    said = str(caught.value)
    assert "point 2 of the upper border is not on the surface" in said
    assert "up to 1.60 mm from it, limit 1.5" in said
    assert caught.value.places_mm == ((0.0, 0.0, 1.6),)
    assert surface_curve(level, given, limit_mm=2.0).length_mm == pytest.approx(6.0)


@pytest.mark.parametrize(
    ("given", "closed"),
    [([], False), ([(0.0, 0.0, 0.0)], False), ([(0.0, 0.0, 0.0), (1.0, 0.0, 0.0)] * 2, True)],
)
def test_too_few_points_are_refused(given, closed):
    level = patch(plane, u=(-5.0, 5.0), v=(-5.0, 5.0), steps=(20, 20))
    if len(given) == 4:  # two places, each said twice in a row
        given = [given[0], given[0], given[1], given[1]]
    with pytest.raises(InputError, match="too few points"):
        surface_curve(level, given, closed=closed)


def test_a_point_that_is_not_finite_is_refused():
    level = patch(plane, u=(-5.0, 5.0), v=(-5.0, 5.0), steps=(20, 20))
    with pytest.raises(InputError, match="not three finite numbers"):
        surface_curve(level, [(0.0, 0.0, 0.0), (np.nan, 0.0, 0.0)])


def test_points_on_two_sides_of_a_gap_are_refused():
    near = patch(plane, u=(-5.0, 0.0), v=(-1.0, 1.0), steps=(10, 4))
    far = patch(plane, u=(4.0, 9.0), v=(-1.0, 1.0), steps=(10, 4))
    both = type(near)(
        np.vstack([near.vertices, far.vertices]),
        np.vstack([near.faces, far.faces + len(near.vertices)]),
    )
    with pytest.raises(InputError, match="leaves the surface between its points"):
        surface_curve(both, [(-3.0, 0.0, 0.0), (7.0, 0.0, 0.0)])


def test_lines_that_do_not_meet_make_no_outline():
    level = patch(plane, u=(-5.0, 5.0), v=(-5.0, 5.0), steps=(20, 20))
    one = surface_curve(level, [(0.0, 0.0, 0.0), (2.0, 0.0, 0.0)])
    other = surface_curve(level, [(2.0, 0.0, 0.0), (2.0, 2.0, 0.0)])
    back = surface_curve(level, [(2.0, 2.0, 0.0), (0.0, 0.1, 0.0)])
    with pytest.raises(InputError, match=r"a gap of 0\.100 mm"):
        joined_curve([one, other, back])
    closing = surface_curve(level, [(2.0, 2.0, 0.0), (0.0, 0.0, 0.0)])
    closed = joined_curve([one, other, closing])
    assert closed.closed
    assert closed.length_mm == pytest.approx(4.0 + np.sqrt(8.0), abs=1e-9)


def test_noise_does_not_lengthen_a_curve_by_more_than_it_must():
    shape = cylinder(6.0)
    smooth = patch(shape, u=(-1.2, 1.2), v=(-10.0, 10.0), steps=(60, 80))
    rng = np.random.default_rng(5)
    noisy = type(smooth)(
        smooth.vertices + rng.normal(scale=0.02, size=smooth.vertices.shape), smooth.faces
    )
    given = [
        shape(np.array([a]), np.array([y]))[0] for a, y in [(-0.8, -8.0), (0.1, 0.0), (0.9, 7.0)]
    ]
    plain, rough = surface_curve(smooth, given), surface_curve(noisy, given)
    assert rough.length_mm == pytest.approx(plain.length_mm, rel=0.02)
    assert distance_to_mm(smooth, rough.points_mm).max() < 0.08
