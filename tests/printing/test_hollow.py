"""Hollowing: volumes by closed form, the least wall, vents, pools, and what is refused."""

import math

import numpy as np
import pytest
import trimesh
from bodies import ball, box, frustum, united
from invariants import assert_solid, assert_within, distance_to_mm

from blockout.errors import CheckError, InputError
from blockout.kernel.solids import Solid
from blockout.printing import hollow as hollow_room
from blockout.printing.hollow import hollowed
from blockout.printing.level_surface import level_error_mm, level_surface

SIDES = (26.0, 20.0, 11.0)
BLOCK = box([0.0, 0.0, 0.0], SIDES)


def as_trimesh(mesh):
    return trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)


def depth_in_block(points):
    """Closed form: the way to the nearest side of the block."""
    return np.minimum(points, np.array(SIDES) - points).min(axis=1)


def round_area_mm2(diameter_mm, around=64):
    """Closed form: the regular polygon that a vent is."""
    return around / 8.0 * diameter_mm**2 * math.sin(2.0 * math.pi / around)


@pytest.fixture(scope="module")
def block():
    return hollowed(BLOCK, wall_mm=2.0, vent_mm=4.0, vents=2)


def test_hollow_of_a_box_is_a_smaller_box(block):
    inner = [side - 2.0 * block.level_mm for side in SIDES]
    edges_mm = 4.0 * sum(inner)
    exact_mm3 = math.prod(inner)
    # inside a convex body depth is concave, so what is linear between cells lies within; along
    # edges at most half of a cell's section is cut off
    assert exact_mm3 - edges_mm * (2.0 / 6.0) ** 2 / 2.0 <= block.hollow_mm3
    assert block.hollow_mm3 <= exact_mm3 * (1.0 + 1e-9)
    assert_within(block.hollow_mm3, exact_mm3, 5e-4 * exact_mm3)
    # what is left: the box less the hollow less two straight bores through the floor
    bores_mm3 = 2.0 * round_area_mm2(4.0) * block.level_mm
    assert_within(block.mesh.volume_mm3, math.prod(SIDES) - block.hollow_mm3 - bores_mm3, 1e-4)


def test_edges_come_nearer_to_the_closed_form_with_smaller_cells():
    off = []
    for cell_mm in (0.5, 0.25):  # the sides cut both kinds of cell alike
        found = level_surface(BLOCK, 2.0, cell_mm=cell_mm)
        assert_solid(found.mesh)
        off.append(22.0 * 16.0 * 7.0 - found.mesh.volume_mm3)
    # second order: a quarter
    assert_within(off[1], off[0] / 4.0, 0.02 * off[0])
    assert off[1] > 0.0


def test_the_shell_is_one_open_piece_and_nowhere_thinner(block):
    assert_solid(block.mesh)
    judge = as_trimesh(block.mesh)
    assert judge.is_watertight
    assert judge.body_count == 1
    # a ball with two openings is a ring: Euler's number 0
    assert judge.euler_number == 0
    depth = depth_in_block(block.mesh.vertices)
    inside = depth > 1e-6
    assert inside.sum() > 100
    assert depth[inside].min() >= 2.0
    assert_within(block.least_wall_mm, depth[inside].min(), 1e-9)
    assert block.pool_mm3 == 0.0
    assert block.left_solid == ()


def test_vents_are_at_the_lowest_points_far_apart_and_go_through(block):
    assert len(block.vents) == 2
    one, other = (np.array(vent.at_mm) for vent in block.vents)
    # over half of the floor's diagonal
    assert np.linalg.norm(one - other) > math.hypot(22.0, 16.0) / 2.0
    for vent in block.vents:
        x, y, z = vent.at_mm
        assert z == 0.0
        ring = np.array([[x + 1.9 * math.cos(a), y + 1.9 * math.sin(a), -1.0]
                         for a in np.arange(0.0, 6.28, 0.5)])  # fmt: skip
        hits, _, _ = as_trimesh(block.mesh).ray.intersects_location(
            ring, np.tile([0.0, 0.0, 1.0], (len(ring), 1)), multiple_hits=False
        )
        # nothing until the hollow's roof
        assert_within(hits[:, 2], SIDES[2] - block.level_mm, 0.02)


def test_hollow_of_a_cylinder():
    around, radius, height = 96, 12.0, 12.0
    body = frustum(radius, radius, height, around=around)
    made = hollowed(body, wall_mm=2.5, vent_mm=3.0, vents=3)
    # closed form: the prism over the polygon drawn in by the level
    apothem = radius * math.cos(math.pi / around) - made.level_mm
    area = around * math.tan(math.pi / around) * apothem**2
    tall = height - 2.0 * made.level_mm
    cell_mm = 0.4
    rims_mm = 2.0 * 2.0 * math.pi * apothem
    # 10 um may be lost to fewer triangles on the round wall
    lost_mm3 = rims_mm * cell_mm**2 / 2.0 + 0.01 * 2.0 * math.pi * apothem * tall
    assert area * tall - lost_mm3 <= made.hollow_mm3 <= area * tall + lost_mm3 / 2.0
    assert_within(made.hollow_mm3, area * tall, 3e-3 * area * tall)
    bores_mm3 = 3.0 * round_area_mm2(3.0) * made.level_mm
    assert_within(made.mesh.volume_mm3, body.volume_mm3 - made.hollow_mm3 - bores_mm3,
                  3.0 * round_area_mm2(3.0) * 0.01)  # fmt: skip
    assert as_trimesh(made.mesh).euler_number == 2 - 2 * (3 - 1)
    assert made.least_wall_mm >= 2.5
    assert len({vent.at_mm for vent in made.vents}) == 3


def test_around_a_dent_the_surface_keeps_to_the_stated_bound():
    # near a small dent depth bends most: there the bound is what keeps the wall
    dent = Solid.from_mesh(ball(0.6, subdivisions=2, centre=(8.0, 8.0, 10.0)))
    body = (Solid.from_mesh(box([0.0, 0.0, 0.0], [16.0, 16.0, 10.0])) - dent).mesh()
    for cell_mm in (0.5, 0.25):
        found = level_surface(body, 2.0, cell_mm=cell_mm)
        away = distance_to_mm(body, np.concatenate([found.mesh.vertices, found.mesh.face_centres]))
        assert away.min() >= 2.0 - level_error_mm(2.0, cell_mm)
    assert hollowed(body, wall_mm=2.0, vent_mm=3.0, vents=2).least_wall_mm >= 2.0


def test_the_bound_is_second_order():
    assert level_error_mm(2.0, 0.3) == pytest.approx(
        0.75 * 0.09 / (2.0 * (2.0 - 0.3 * math.sqrt(3.0)))
    )
    with pytest.raises(ValueError, match="smaller than the depth"):
        level_error_mm(0.5, 0.4)


def test_a_hollow_without_room_for_vents_stays_solid():
    # a second, small hollow in a post at the end of a thin bridge
    body = united([
        box([0.0, 0.0, 0.0], [24.0, 24.0, 12.0]),
        box([23.0, 10.0, 0.0], [40.0, 14.0, 3.0]),
        box([39.0, 8.0, 0.0], [47.0, 16.0, 12.0]),
    ])  # fmt: skip
    made = hollowed(body, wall_mm=2.0, vent_mm=4.0, vents=2)
    (place,) = made.left_solid
    assert_within(np.array(place), np.array([43.0, 12.0, 6.0]), 0.3)
    level = made.level_mm
    assert_within(made.left_solid_mm3, (8.0 - 2.0 * level) ** 2 * (12.0 - 2.0 * level), 3.0)
    assert all(vent.at_mm[0] < 24.0 for vent in made.vents)
    assert as_trimesh(made.mesh).body_count == 1


def test_a_pool_is_measured():
    # a foot, a shelf 8 mm up beside it, and a sump at the shelf's far end, 4 mm deeper
    body = united([
        box([0.0, 0.0, 0.0], [20.0, 20.0, 20.0]),
        box([19.0, 0.0, 10.0], [45.0, 20.0, 20.0]),
        box([33.0, 0.0, 6.0], [45.0, 20.0, 11.0]),
    ])  # fmt: skip
    made = hollowed(body, wall_mm=2.0, vent_mm=4.0, vents=2)
    level = made.level_mm
    # closed form: the sump's hollow under the shelf's floor; half a cell of 0.5 mm all around
    sides = np.array([12.0 - 2.0 * level, 20.0 - 2.0 * level, 4.0])
    low, high = np.prod(sides - 0.5), np.prod(sides + 0.5)
    assert low <= made.pool_mm3 <= high


@pytest.mark.parametrize(
    ("low", "high", "words", "place"),
    [
        ([0, 0, 0], [40, 30, 3.5], "too slender to be hollow", 1.75),
        ([0, 0, 0], [7, 7, 20], "no room for its vents", 10.0),
    ],
)
def test_a_slender_model_is_refused_with_its_place(low, high, words, place):
    with pytest.raises(InputError, match=words) as refused:
        hollowed(box(low, high), wall_mm=2.0, vent_mm=4.0, vents=2)
    (x, y, z), *_ = refused.value.places_mm
    assert 0.0 < x < high[0]
    assert 0.0 < y < high[1]
    assert z == pytest.approx(place, abs=1.0)
    assert "--hollow" in refused.value.fix


def test_a_model_with_a_void_is_refused():
    void = Solid.from_mesh(ball(1.0, subdivisions=2, centre=(13.0, 10.0, 5.5)))
    with pytest.raises(InputError, match="void of its own") as refused:
        hollowed((Solid.from_mesh(BLOCK) - void).mesh(), wall_mm=2.0, vent_mm=4.0, vents=2)
    assert_within(np.array(refused.value.places_mm[0]), np.array([13.0, 10.0, 5.5]), 0.2)


def test_a_thin_wall_or_a_shut_hollow_would_be_told(monkeypatch):
    with monkeypatch.context() as patch:
        patch.setattr(hollow_room, "level_error_mm", lambda level_mm, cell_mm: -0.1)
        with pytest.raises(CheckError, match="thinner than asked"):
            hollowed(BLOCK, wall_mm=2.0, vent_mm=4.0, vents=2)
    with monkeypatch.context() as patch:
        patch.setattr(hollow_room, "_bore", lambda *given: Solid.empty())
        with pytest.raises(CheckError, match="is shut"):
            hollowed(BLOCK, wall_mm=2.0, vent_mm=4.0, vents=2)
