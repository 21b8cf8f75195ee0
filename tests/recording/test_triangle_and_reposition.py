"""The error of tilt by closed form and by lifting marks; the way back from three marks."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from bodies import box, cast_of, moved_cast, turn_about
from hypothesis import given, settings
from hypothesis import strategies as st

from blockout.case.settings import PathSettings
from blockout.errors import InputError, PathError
from blockout.mesh import Floats
from blockout.recording.reposition import angle_deg, path_from_marks, upright_from_heights
from blockout.recording.triangle import heights_of, slopes_of, tilt_error
from blockout.surveying.path import insertion_path

UP = np.array([0.0, 0.0, 1.0])
CAST = cast_of(box((-30.0, -25.0, -10.0), (30.0, 25.0, 5.0)))
flat = st.tuples(*[st.floats(-40.0, 40.0)] * 6).map(lambda v: np.array(v).reshape(3, 2))
wide = flat.filter(lambda v: heights_of(np.c_[v, [0.0] * 3], UP).min() > 5.0)
tilts = st.tuples(st.floats(-14.0, 14.0), st.floats(-14.0, 14.0))


def marks_along(flat_mm: Floats, tilt_deg: tuple[float, float], height_mm: float = 3.0):
    """Marks at one height along a path, and that path."""
    path = insertion_path(
        CAST.frame,
        arch="lower",
        settings=PathSettings(anterior_tilt_deg=tilt_deg[0], lateral_tilt_deg=tilt_deg[1]),
    )
    return np.c_[flat_mm, np.full(3, height_mm)] @ path.to_path, path


# --- the triangle --------------------------------------------------------------------------------
def test_one_mark_wrong_over_a_span_of_40_mm_tilts_by_0_358_degrees():
    """Closed form: atan(0.25 / 40) = 0.358 degrees."""
    marks = np.array([[-40.0, 0.0, 0.0], [40.0, 0.0, 0.0], [0.0, 40.0, 0.0]])
    error = tilt_error(marks, UP, reading_error_mm=0.25)
    assert error.one_mark_deg == pytest.approx(math.degrees(math.atan(0.25 / 40.0)), abs=1e-12)
    assert round(error.one_mark_deg, 3) == 0.358


def test_heights_of_known_triangles():
    """Closed forms: equilateral of side a, a sin 60; right triangle 3, 4, 5: 4, 3 and 2.4."""
    side = 40.0
    even = np.array([[0.0, 0, 0], [side, 0, 0], [side / 2, side * math.sqrt(3) / 2, 0]])
    np.testing.assert_allclose(heights_of(even, UP), side * math.sqrt(3) / 2, rtol=1e-12)
    right = np.array([[0.0, 0, 0], [3.0, 0, 7], [0.0, 4.0, -2]])
    np.testing.assert_allclose(heights_of(right, UP), [2.4, 3.0, 4.0], rtol=1e-12)


@settings(max_examples=25)
@given(wide, st.floats(0.01, 1.0))
def test_bounds_are_what_lifting_marks_really_does(flat_mm, dz_mm):
    """Every way of reading three marks wrong by up to dz, the plane worked out anew each time: the
    worst single mark and the worst of all are met exactly.
    """
    marks = np.c_[flat_mm, np.zeros(3)]
    error = tilt_error(marks, UP, reading_error_mm=dz_mm)

    def tilted_deg(lifted):
        moved = marks + np.outer(lifted, UP)
        normal = np.cross(moved[1] - moved[0], moved[2] - moved[0])
        return min(angle_deg(normal, UP), angle_deg(-normal, UP))

    single = [tilted_deg(sign * dz_mm * np.eye(3)[k]) for k in range(3) for sign in (-1, 1)]
    assert error.one_mark_deg == pytest.approx(max(single), rel=1e-9)
    corners = [tilted_deg(np.array(s) * dz_mm) for s in itertools.product((-1, 0, 1), repeat=3)]
    assert error.all_marks_deg == pytest.approx(max(corners), rel=1e-9)
    random = np.random.default_rng(1).uniform(-dz_mm, dz_mm, (60, 3))
    tried = np.array([tilted_deg(lifted) for lifted in random])
    assert tried.max() <= error.all_marks_deg * (1 + 1e-12)
    usual_deg = np.degrees(np.arctan(np.sqrt((np.tan(np.radians(tried)) ** 2).mean())))
    assert error.usual_deg == pytest.approx(usual_deg, rel=0.35)
    assert error.usual_deg < error.all_marks_deg


@settings(max_examples=25)
@given(wide, st.floats(0.0, 1.0), st.floats(1.0, 3.0))
def test_more_reading_error_never_less_tilt(flat_mm, dz_mm, factor):
    marks = np.c_[flat_mm, np.zeros(3)]
    less = tilt_error(marks, UP, reading_error_mm=dz_mm)
    more = tilt_error(marks, UP, reading_error_mm=factor * dz_mm)
    for one in ("one_mark_deg", "all_marks_deg", "usual_deg"):
        assert getattr(more, one) >= getattr(less, one)
    assert less.one_mark_deg <= less.all_marks_deg


@settings(max_examples=25)
@given(wide)
def test_slopes_sum_to_nothing_and_are_one_over_the_heights(flat_mm):
    slopes = slopes_of(np.c_[flat_mm, np.zeros(3)], UP)
    heights = heights_of(np.c_[flat_mm, np.zeros(3)], UP)
    np.testing.assert_allclose(np.linalg.norm(slopes, axis=1), 1.0 / heights, rtol=1e-9)
    np.testing.assert_allclose(slopes.sum(axis=0), 0.0, atol=1e-12)


def test_marks_in_a_line_are_refused():
    row = np.array([[0.0, 0, 0], [20.0, 0, 0], [40.0, 0.5, 0]])
    with pytest.raises(InputError, match=r"nearly in a line; the triangle is 0\.25 mm high"):
        tilt_error(row, UP, reading_error_mm=0.1)


# --- the way back --------------------------------------------------------------------------------
@settings(max_examples=25)
@given(wide, tilts)
def test_marks_made_at_one_height_give_their_path_back(flat_mm, tilt_deg):
    marks, path = marks_along(flat_mm, tilt_deg)
    for order in ((0, 1, 2), (2, 1, 0)):
        told = path_from_marks(CAST, marks[list(order)], reading_error_mm=0.25)
        assert told.off_deg(path) < 1e-9
        assert told.path.anterior_tilt_deg == pytest.approx(tilt_deg[0], abs=1e-8)
        assert told.path.lateral_tilt_deg == pytest.approx(tilt_deg[1], abs=1e-8)


@settings(max_examples=25)
@given(wide, tilts, tilts)
def test_heights_on_another_table_tell_how_the_cast_stands_there(flat_mm, tilt_deg, table_deg):
    marks, path = marks_along(flat_mm, tilt_deg)
    _, table = marks_along(flat_mm, table_deg)
    heights = marks @ table.direction + 17.0
    told = upright_from_heights(CAST, marks, heights, reading_error_mm=0.25)
    assert told.off_deg(table) < 1e-8
    level = upright_from_heights(CAST, marks, [4.0, 4.0, 4.0], reading_error_mm=0.25)
    assert level.off_deg(path) < 1e-9


@settings(max_examples=25)
@given(wide, tilts, st.integers(0, 10_000))
def test_the_true_path_lies_within_the_told_error(flat_mm, tilt_deg, seed):
    marks, path = marks_along(flat_mm, tilt_deg)
    dz_mm = 0.25
    wrong = np.random.default_rng(seed).uniform(-dz_mm, dz_mm, 3)
    told = path_from_marks(CAST, marks + np.outer(wrong, path.direction), reading_error_mm=dz_mm)
    # told of the triangle as measured, which differs by its tilt's cosine
    assert told.off_deg(path) <= told.error.all_marks_deg * 1.02
    read = upright_from_heights(CAST, marks, 9.0 + wrong, reading_error_mm=dz_mm)
    assert read.off_deg(path) <= read.error.all_marks_deg * 1.02


def test_turning_everything_together_changes_nothing():
    marks, _ = marks_along(np.array([[-20.0, -15.0], [22.0, -12.0], [3.0, 19.0]]), (4.0, -7.0))
    turn, shift = turn_about((1.0, 2.0, -0.5), 77.0), np.array([100.0, -40.0, 12.0])
    turned = moved_cast(CAST, turn=turn, shift_mm=shift)
    one = path_from_marks(CAST, marks, reading_error_mm=0.2)
    other = path_from_marks(turned, marks @ turn.T + shift, reading_error_mm=0.2)
    assert other.path.anterior_tilt_deg == pytest.approx(one.path.anterior_tilt_deg, abs=1e-9)
    assert other.path.lateral_tilt_deg == pytest.approx(one.path.lateral_tilt_deg, abs=1e-9)
    np.testing.assert_allclose(other.heights_mm, one.heights_mm, atol=1e-9)
    assert other.error.one_mark_deg == pytest.approx(one.error.one_mark_deg, abs=1e-12)


@pytest.mark.parametrize(
    ("marks", "heights", "error", "words"),
    [
        ([[0, 0, 0], [1, 0, 0]], None, InputError, "2 points given, due 3"),
        ([[0, 0, 0], [9, 0, 0], [9, np.nan, 0]], None, InputError, "three finite numbers"),
        ([[0, 0, 0], [9, 0, 0], [18, 0, 0]], None, InputError, "in a line"),
        ([[0, 0, 0], [0, 20, 0], [0, 0, 20]], None, PathError, "tilted too far"),
        ([[0, 0, 0], [20, 0, 0], [0, 20, 0]], [0, 30, 0], InputError, "further apart than"),
        ([[0, 0, 0], [20, 0, 0], [0, 20, 0]], [0, 1], InputError, "three heights are due"),
    ],
)
def test_what_cannot_be_told_is_refused_in_words(marks, heights, error, words):
    def ask():
        if heights is None:
            return path_from_marks(CAST, marks, reading_error_mm=0.25)
        return upright_from_heights(CAST, marks, heights, reading_error_mm=0.25)

    with pytest.raises(error, match=words):
        ask()
