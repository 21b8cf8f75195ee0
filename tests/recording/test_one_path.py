"""The cone of directions that contacts leave: closed forms, sampled directions, laws."""

from __future__ import annotations

import math

import numpy as np
import pytest
from bodies import turn_about
from hypothesis import given, settings
from hypothesis import strategies as st

from blockout.errors import InputError
from blockout.mesh import Floats
from blockout.recording.one_path import Contact, PathCone, path_cone

UP = np.array([0.0, 0.0, 1.0])
unit = (
    st.tuples(*[st.floats(-1.0, 1.0)] * 3)
    .map(np.array)
    .filter(lambda v: np.linalg.norm(v) > 0.2)
    .map(lambda v: v / np.linalg.norm(v))
)
walls = st.lists(
    st.tuples(st.floats(0.0, 2.0 * math.pi), st.floats(-0.1, 0.5)), min_size=1, max_size=8
)


def wall(azimuth: float, lean: float = 0.0) -> Floats:
    """Outward normal of a wall that opens upward by ``lean`` radians."""
    return np.array(
        [math.cos(lean) * math.cos(azimuth), math.cos(lean) * math.sin(azimuth), math.sin(lean)]
    )


def contacts_at(*rows: Floats) -> list[Contact]:
    return [Contact(f"wall {k}", np.atleast_2d(row)) for k, row in enumerate(rows, start=1)]


def sphere_of_directions(count: int = 30_000) -> Floats:
    """Evenly spread over the upper half sphere (golden-angle spiral)."""
    z = (np.arange(count) + 0.5) / count
    turn = np.arange(count) * math.pi * (3.0 - math.sqrt(5.0))
    ring = np.sqrt(1.0 - z * z)
    return np.column_stack([ring * np.cos(turn), ring * np.sin(turn), z])


DIRECTIONS = sphere_of_directions()


def names(cone: PathCone) -> set[str]:
    return {bound.name for bound in cone.bounded_by}


# --- closed forms --------------------------------------------------------------------------------
def test_nothing_touched_leaves_the_half_sphere():
    cone = path_cone([], UP)
    assert cone.kind == "cone"
    assert cone.widest_deg == pytest.approx(180.0)
    assert cone.narrowest_deg == pytest.approx(180.0)
    assert cone.solid_angle_sr == pytest.approx(2.0 * math.pi, rel=1e-12)
    assert cone.bounded_by == ()
    assert cone.open_to_horizon


@pytest.mark.parametrize("lean_deg", [0.0, 12.0, -20.0])
def test_one_plane_leaves_a_wedge_of_a_right_angle_and_its_lean(lean_deg):
    """Closed form: a wedge of angle b has the solid angle 2 b."""
    cone = path_cone(contacts_at(wall(0.7, math.radians(lean_deg))), UP)
    wedge_deg = 90.0 + lean_deg
    assert cone.solid_angle_sr == pytest.approx(2.0 * math.radians(wedge_deg), rel=1e-9)
    assert cone.narrowest_deg == pytest.approx(wedge_deg, abs=1e-6)
    assert cone.widest_deg == pytest.approx(180.0, abs=1e-9)
    assert names(cone) == {"wall 1"}
    assert cone.bounded_by[0].edge_deg == pytest.approx(180.0, abs=1e-9)


def test_two_parallel_planes_leave_an_arc_of_a_great_circle():
    cone = path_cone(contacts_at(wall(0.4), wall(0.4 + math.pi)), UP)
    assert cone.kind == "arc"
    assert cone.widest_deg == pytest.approx(180.0)
    assert cone.narrowest_deg == 0.0
    assert cone.solid_angle_sr == 0.0
    assert np.abs(cone.corners @ wall(0.4)).max() < 1e-12
    assert names(cone) == {"wall 1", "wall 2"}


def test_a_third_wall_and_a_fourth_end_the_arc():
    """Closed form: end walls that open by a and b leave an arc of a + b."""
    a, b = math.radians(6.0), math.radians(11.0)
    sides = [wall(0.0), wall(math.pi)]
    cone = path_cone(contacts_at(*sides, wall(math.pi / 2, a), wall(-math.pi / 2, b)), UP)
    assert cone.kind == "arc"
    assert cone.widest_deg == pytest.approx(17.0, abs=1e-9)
    assert names(cone) == {"wall 1", "wall 2", "wall 3", "wall 4"}
    half = path_cone(contacts_at(*sides, wall(math.pi / 2)), UP)
    assert half.widest_deg == pytest.approx(90.0, abs=1e-9)


@pytest.mark.parametrize("count", [3, 4, 5, 6, 17])
def test_a_prism_leaves_one_direction(count):
    turn = turn_about((1.0, -0.4, 0.2), 9.0)
    sides = [turn @ wall(0.3 + 2.0 * math.pi * k / count) for k in range(count)]
    cone = path_cone(contacts_at(*sides), UP)
    assert cone.kind == "one direction"
    assert cone.one_path_only
    np.testing.assert_allclose(cone.axis, turn @ UP, atol=1e-9)
    assert (cone.widest_deg, cone.narrowest_deg, cone.solid_angle_sr) == (0.0, 0.0, 0.0)
    assert len(cone.bounded_by) == count


@pytest.mark.parametrize("half_angle_deg", [0.5, 6.0, 30.0])
@pytest.mark.parametrize("around", [64, 256])
def test_a_truncated_cone_leaves_a_cone_of_its_own_half_angle(half_angle_deg, around):
    """Closed forms: opening 2 a to every side, solid angle 2 pi (1 - cos a); a polygon about the
    circle is wider by at most 1 / cos(pi / n).
    """
    a = math.radians(half_angle_deg)
    sides = np.array([wall(2.0 * math.pi * k / around, a) for k in range(around)])
    cone = path_cone([Contact("crown", sides)], UP)
    over = 1.0 / math.cos(math.pi / around)
    assert cone.kind == "cone"
    assert cone.narrowest_deg == pytest.approx(2.0 * half_angle_deg, abs=1e-6)
    assert 2.0 * half_angle_deg <= cone.widest_deg <= 2.0 * half_angle_deg * over * (1.0 + 1e-6)
    whole = 2.0 * math.pi * (1.0 - math.cos(a))
    assert whole <= cone.solid_angle_sr <= whole * over**2 * (1.0 + 1e-6)
    np.testing.assert_allclose(cone.axis, UP, atol=1e-9)
    assert names(cone) == {"crown"}


def test_walls_that_lean_over_each_other_leave_nothing():
    cone = path_cone(contacts_at(wall(0.0, -0.05), wall(math.pi, -0.05)), UP)
    assert cone.kind == "none"
    assert cone.axis is None
    assert path_cone(contacts_at(-UP), UP).kind == "none"


def test_a_clearance_opens_what_was_closed():
    """Closed form: two parallel walls, each taken as more open by c, leave 2 c between them."""
    pair = contacts_at(wall(0.0), wall(math.pi))
    cone = path_cone(pair, UP, clearance_deg=1.5)
    assert cone.kind == "cone"
    assert cone.narrowest_deg == pytest.approx(3.0, abs=1e-6)
    prism = contacts_at(*[wall(2.0 * math.pi * k / 4) for k in range(4)])
    square = path_cone(prism, UP, clearance_deg=1.0)
    assert square.narrowest_deg == pytest.approx(2.0, abs=1e-6)
    # across the corners of a square cone: tan of half the opening is sqrt(2) tan 1
    widest = 2.0 * math.degrees(math.atan(math.sqrt(2.0) * math.tan(math.radians(1.0))))
    assert square.widest_deg == pytest.approx(widest, abs=1e-9)
    assert [bound.edge_deg for bound in square.bounded_by] == pytest.approx([2.0] * 4, abs=1e-3)


def test_a_normal_without_length_is_refused():
    with pytest.raises(InputError, match="a contact has no normal; at 35 distal"):
        path_cone([Contact("35 distal", np.zeros((1, 3)))], UP)


# --- against directions tried one by one ---------------------------------------------------------
@settings(max_examples=30)
@given(walls)
def test_size_agrees_with_directions_tried_one_by_one(rows):
    normals = np.array([wall(*row) for row in rows])
    cone = path_cone(contacts_at(*normals), UP)
    inside = DIRECTIONS[(DIRECTIONS @ normals.T >= 0.0).all(axis=1)]
    share_sr = 2.0 * math.pi * len(inside) / len(DIRECTIONS)
    rim = 2.0 * math.pi * math.sqrt(2.0 * math.pi / len(DIRECTIONS))
    assert cone.solid_angle_sr == pytest.approx(share_sr, abs=1.5 * rim)
    if cone.kind == "cone":
        t = math.sin(math.radians(cone.narrowest_deg / 2.0))
        planes = np.vstack([normals, UP])
        assert (planes @ cone.axis).min() == pytest.approx(t, abs=1e-9)
        if len(inside):
            # no direction is further from all planes, none of them further apart
            assert (inside @ planes.T).min(axis=1).max() <= t + 1e-9
            some = inside[:: max(1, len(inside) // 400)]
            apart = np.degrees(np.arccos(np.clip(some @ some.T, -1.0, 1.0))).max()
            assert apart <= cone.widest_deg + 1e-5
        assert (cone.corners @ planes.T >= -1e-8).all()
    else:
        assert len(inside) < 20


@settings(max_examples=25)
@given(walls, unit, st.floats(0.0, 180.0))
def test_turning_everything_together_changes_nothing(rows, axis, angle_deg):
    turn = turn_about(axis, angle_deg)
    normals = np.array([wall(*row) for row in rows])
    one = path_cone(contacts_at(*normals), UP, clearance_deg=0.5)
    other = path_cone(contacts_at(*(normals @ turn.T)), turn @ UP, clearance_deg=0.5)
    assert one.kind == other.kind
    assert other.widest_deg == pytest.approx(one.widest_deg, abs=1e-5)
    assert other.narrowest_deg == pytest.approx(one.narrowest_deg, abs=1e-5)
    assert other.solid_angle_sr == pytest.approx(one.solid_angle_sr, abs=1e-7)


@settings(max_examples=25)
@given(walls, walls, st.floats(0.0, 3.0))
def test_more_contacts_never_leave_more_and_more_clearance_never_less(rows, more, clearance_deg):
    normals = np.array([wall(*row) for row in rows])
    added = np.vstack([normals, [wall(*row) for row in more]])
    one = path_cone(contacts_at(*normals), UP)
    fewer = path_cone(contacts_at(*added), UP)
    assert fewer.solid_angle_sr <= one.solid_angle_sr + 1e-9
    assert fewer.widest_deg <= one.widest_deg + 1e-5
    assert fewer.narrowest_deg <= one.narrowest_deg + 1e-6
    wider = path_cone(contacts_at(*normals), UP, clearance_deg=clearance_deg)
    assert wider.solid_angle_sr >= one.solid_angle_sr - 1e-9


@settings(max_examples=25)
@given(walls)
def test_what_is_said_to_bound_the_cone_does_and_the_rest_does_not(rows):
    normals = np.array([wall(*row) for row in rows])
    every = contacts_at(*normals)
    cone = path_cone(every, UP)
    if cone.kind != "cone":
        return
    bounding = [one for one in every if one.name in names(cone)]
    same = path_cone(bounding, UP)
    assert same.solid_angle_sr == pytest.approx(cone.solid_angle_sr, abs=1e-9)
