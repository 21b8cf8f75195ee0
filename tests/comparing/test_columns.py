"""Material on lines and in cells: bodies whose columns and volumes have closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from bodies import ball, box, turn_about, united
from invariants import assert_solid

from blockout.comparing.cells import Grid, grown, nearest_labels
from blockout.comparing.columns import crossings
from blockout.comparing.sampling import spread_over
from blockout.mesh import Mesh, joined


def test_a_line_through_a_ball_holds_its_chord() -> None:
    # closed form: 2 sqrt(R^2 - r^2); facets of the mesh lie inside by up to 9 um at 5 divisions
    body = ball(5.0, subdivisions=5)
    r = np.array([0.1, 1.0, 2.0, 3.0, 4.0])
    places = np.column_stack([r * math.cos(0.3), r * math.sin(0.3)])
    met = crossings(body, places, lowest_mm=-10.0)
    assert met.sound.all()
    assert np.allclose(met.above_one_mm(np.full(5, -9.0)), 2.0 * np.sqrt(25.0 - r**2), atol=0.02)
    upper = met.above_mm(np.array([0.0]), np.arange(5))[:, 0]
    assert np.allclose(upper, np.sqrt(25.0 - r**2), atol=0.01)


def test_what_lies_below_the_height_need_not_be_there() -> None:
    body = ball(5.0, subdivisions=4)
    top = body.part(body.face_centres[:, 2] > -1.0)
    places = np.random.default_rng(1).uniform(-2.0, 2.0, (200, 2))
    whole, part = (crossings(mesh, places, lowest_mm=-10.0) for mesh in (body, top))
    at = np.zeros(200)
    assert np.allclose(whole.above_one_mm(at), part.above_one_mm(at), atol=1e-6)
    assert part.sound.all()


def test_stacked_bodies_count_without_the_air_between() -> None:
    stack = joined([box((-1, -1, 0), (1, 1, 1)), box((-1, -1, 3), (1, 1, 5))])
    met = crossings(stack, np.array([[0.3, 0.2]]), lowest_mm=-1.0)
    assert met.above_one_mm(np.array([-1.0]))[0] == pytest.approx(3.0, abs=1e-5)
    assert met.above_one_mm(np.array([4.0]))[0] == pytest.approx(1.0, abs=1e-5)


def test_a_hole_on_top_makes_a_line_unsound() -> None:
    body = ball(5.0, subdivisions=4)
    hole = body.part(~((body.face_centres[:, 2] > 0) & (np.hypot(*body.face_centres.T[:2]) < 1)))
    met = crossings(hole, np.array([[0.0, 0.1], [3.0, 0.1]]), lowest_mm=-10.0)
    assert met.sound.tolist() == [False, True]


def test_a_line_beside_everything_meets_nothing() -> None:
    met = crossings(ball(1.0, subdivisions=2), np.array([[5.0, 5.0]]), lowest_mm=-3.0)
    assert met.above_one_mm(np.array([-3.0]))[0] == 0.0
    assert met.face.tolist() == [[-1]]


def test_cells_hold_the_volume_of_a_body_however_it_lies() -> None:
    body = united([ball(3.0, subdivisions=4), box((0, 0, 0), (4, 4, 4))])
    turn = turn_about((1.0, 2.0, 3.0), 40.0)
    grid = Grid.around(turn, body.vertices, size_mm=0.4, spare=2)
    zone = grown(grid.marked(spread_over(body, 60_000).points_mm), 8)
    lines = grid.lines_through(zone)
    met = lines.meet(grid, body)
    filled = lines.filled_mm3(grid, met, met.sound)
    # nine lines a cell column: measured 0.02 %; a walk along the border errs by about the area of
    # a line's own square each, at random
    assert filled.sum() == pytest.approx(body.volume_mm3, rel=1e-3)
    # no cell holds more than itself
    assert filled.max() <= 0.4**3 * (1.0 + 1e-6)
    assert filled.min() >= -1e-9


def test_the_solid_of_cells_has_their_volume() -> None:
    random = np.random.default_rng(3)
    grid = Grid.around(turn_about((0, 1, 1), 20.0), random.uniform(0, 4, (50, 3)), size_mm=0.5,
                       spare=1)  # fmt: skip
    inside = random.random(grid.shape) < 0.4
    solid = grid.solid_of(np.argwhere(inside))
    assert solid.volume_mm3 == pytest.approx(inside.sum() * 0.125, rel=1e-9)
    one = grid.solid_of(np.array([[1, 1, 1], [1, 1, 2], [2, 1, 1]]))
    assert_solid(one.mesh())


def test_labels_spread_to_the_nearest_and_no_further() -> None:
    labels = np.full((9, 1, 1), -1)
    labels[1], labels[7] = 0, 1
    assert nearest_labels(labels, within=2.0)[:, 0, 0].tolist() == [0, 0, 0, 0, -1, 1, 1, 1, 1]


def test_points_are_spread_evenly_and_always_the_same() -> None:
    body = box((0, 0, 0), (4, 2, 1))
    samples = spread_over(body, 28_000)
    assert samples.each_mm2 == pytest.approx(28.0 / 28_000)
    count = np.bincount(samples.face, minlength=12)
    # as many to each face as its area says, to one
    assert np.abs(count - body.face_areas_mm2 / samples.each_mm2).max() <= 1.0
    again = spread_over(body, 28_000)
    assert np.array_equal(samples.points_mm, again.points_mm)
    # and evenly within the top: quarters hold quarters
    top = samples.points_mm[samples.normals[:, 2] > 0.5]
    quarter, _, _ = np.histogram2d(top[:, 0], top[:, 1], bins=(4, 2), range=((0, 4), (0, 2)))
    assert np.abs(quarter - 1000.0).max() < 25.0


def test_nothing_has_no_points() -> None:
    assert len(spread_over(Mesh(np.zeros((0, 3)), np.zeros((0, 3), int)), 10).points_mm) == 0
