"""Interferences of known depth, place and height; what seats, seats."""

from __future__ import annotations

import functools
import math

import numpy as np
import pytest
from bodies import (
    ball_on_plate,
    box,
    cast_of,
    frustum,
    moved_cast,
    sagitta_mm,
    turn_about,
    turned,
    united,
)
from frameworks import shell, shifted, with_rod
from hypothesis import given, settings
from hypothesis import strategies as st
from invariants import assert_solid, assert_within
from random_casts import casts

from blockout.case.settings import PathSettings
from blockout.case.trying_parameters import ALLOWANCE
from blockout.cast.cast import Cast
from blockout.kernel.solids import Solid
from blockout.mesh import Floats, Mesh
from blockout.surveying.path import InsertionPath, insertion_path
from blockout.tolerances import TOLERANCES
from blockout.trying.blocked import BlockedOut
from blockout.trying.interference import Found, interferences_of
from blockout.trying.overlap import overlap, under_cast

AROUND = 128
DEPTH_MM = 0.003
"""A third of what is asked of a depth, 10 um."""


def level(cast: Cast, anterior_deg: float = 0.0, lateral_deg: float = 0.0) -> InsertionPath:
    return insertion_path(
        cast.frame,
        arch=cast.arch,
        settings=PathSettings(anterior_tilt_deg=anterior_deg, lateral_tilt_deg=lateral_deg),
    )


def laid(cast: Cast, path: InsertionPath, framework: Mesh) -> tuple[BlockedOut, Solid]:
    """The blocked-out region, and what the framework shares with it."""
    blocked = BlockedOut(cast, path)
    metal = framework.reshaped(framework.vertices @ path.to_path.T)
    floor_mm = float(blocked.mesh.vertices[:, 2].min())
    under = under_cast(blocked.mesh, metal.bounds_mm, floor_mm=floor_mm)
    return blocked, overlap(Solid.from_mesh(metal), under)


def found_on(
    cast: Cast, framework: Mesh, *, path: InsertionPath | None = None, allowance_mm: float = 0.03
) -> Found:
    blocked, shared = laid(cast, path or level(cast), framework)
    return interferences_of(shared, blocked, allowance_mm=allowance_mm)


@functools.cache
def ball_cast(around: int = AROUND) -> Cast:
    """A ball of radius 5 whose equator is 3 mm over its plate."""
    body, scanned = ball_on_plate(around=around)
    return cast_of(body, scanned=scanned)


@functools.cache
def cap(clearance_mm: float = 0.1) -> Mesh:
    """A cap over the ball: a round shell that ends above its equator, 3 mm up."""
    return shell(ball_cast(64), level(ball_cast(64)), (-7, -7, 3.5), (7, 7, 11),
                 clearance_mm=clearance_mm)  # fmt: skip


# --- what seats ----------------------------------------------------------------------------------
@pytest.mark.long
@pytest.mark.parametrize("low_mm", [0.2, 3.5])
def test_a_shell_over_a_blocked_out_cast_seats(low_mm):
    """Down to the plate as well: under the equator the shell stands clear of the blockout."""
    cast = ball_cast(64)
    found = found_on(cast, shell(cast, level(cast), (-7, -7, low_mm), (7, 7, 11)))
    assert found.interferences == ()
    assert found.touching.pieces == 0


@pytest.mark.parametrize("allowance_mm", [ALLOWANCE.low, ALLOWANCE.default])
def test_a_framework_that_just_touches_seats(allowance_mm):
    """What a box leaves of the blocked-out cast, without any clearance."""
    cast = ball_cast(64)
    blocked, _ = laid(cast, level(cast), box((20, 20, 5), (21, 21, 6)))
    low, high = (-7.0, -7.0, 0.5), (7.0, 7.0, 9.0)
    under = under_cast(blocked.mesh, np.array([low, high]), floor_mm=-4.0)
    mould = Solid.from_mesh(box(low, high)) - (under.cast + under.space)
    found = found_on(cast, mould.mesh(), allowance_mm=allowance_mm)
    assert found.interferences == ()
    assert found.touching.volume_mm3 < 1e-4


@pytest.mark.parametrize("pressed_mm", [0.02, 0.04])
def test_the_allowance_decides(pressed_mm):
    """A plate pressed flat on a flat top: 20 um is touching with an allowance of 30 um, 40 um is
    not; it lies as far inside as it is pressed, and first touches as high above its seat.
    """
    cast = cast_of(box((-5, -5, 0), (5, 5, 4)))
    plate = box((-3, -2, 4.0 - pressed_mm), (3, 2, 5.5))
    found = found_on(cast, plate, allowance_mm=0.03)
    if pressed_mm < 0.03:
        assert found.interferences == ()
        assert found.touching.pieces == 1
        assert_within(found.touching.volume_mm3, 24.0 * pressed_mm, 1e-6)
        return
    (one,) = found.interferences
    assert one.way == "up"
    assert one.in_cast
    assert_within(one.into_mm, pressed_mm, 1.01 * TOLERANCES.ray_margin_mm)
    assert_within(one.first_touch_mm, pressed_mm, 1e-6)
    assert_within(one.volume_mm3, 24.0 * pressed_mm, 1e-6)
    # closed form: in the middle of the plate the nearest side of the box is 5 mm away
    assert_within(one.depth_mm, 5.0, DEPTH_MM)


# --- rods of known depth -------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("undercut_mm", "height_mm"), [(0.10, 1.2), (0.25, 0.5), (0.50, 1.2), (0.75, 0.5)]
)
def test_a_rod_under_a_ball_reports_its_depth_and_first_touch(undercut_mm, height_mm):
    """Closed forms, ball of radius R with its equator e over the plate: the wall of the blocked-out
    region stands R off the axis, so a rod whose tip is at R - u lies u deep; the ball's top over
    that tip is at e + sqrt(R^2 - (R - u)^2), and the rod first touches as far above its underside.
    """
    radius, equator = 5.0, 3.0
    cast = ball_cast()
    tip = radius - undercut_mm
    rod = box((tip, -0.2, height_mm), (9.0, 0.2, height_mm + 0.3))
    found = found_on(
        cast, with_rod(cap(), united([rod, box((6.0, -0.2, height_mm), (6.4, 0.2, 6.0))]))
    )
    (one,) = found.interferences
    assert one.way == "aside"
    # the tip's corners are turned off the axis: their depth is a little less than the middle's
    assert_within(one.depth_mm, undercut_mm, DEPTH_MM)
    assert_within(one.into_mm, undercut_mm, DEPTH_MM)
    top = equator + math.sqrt(radius**2 - tip**2)
    # facets lie inside the ball, by more where it is steep
    slope = tip / math.sqrt(radius**2 - tip**2)
    assert_within(
        one.first_touch_mm, top - height_mm, sagitta_mm(radius, AROUND) * (3.0 + 2.0 * slope)
    )
    assert one.at_mm[0] == pytest.approx(tip, abs=0.02)
    assert_solid(one.mesh)
    assert_within(one.mesh.volume_mm3, one.volume_mm3, 1e-9)


def test_the_volume_of_a_rod_in_an_undercut():
    """Closed form: a rod b wide reaching in to R - u under a cylinder's overhang shares
    b (sqrt(R^2 - y^2) - (R - u)) of area integrated over its width, times its height.
    """
    wide = turned([(0, 0), (3, 0), (3, 4), (5, 4), (5, 8), (0, 8)], around=512)
    cast = cast_of(wide)
    undercut, half, tall = 0.6, 0.5, 0.4
    rod = box((5.0 - undercut, -half, 2.0), (8.0, half, 2.0 + tall))
    (one,) = found_on(cast, rod).interferences
    area = half * math.sqrt(25.0 - half**2) + 25.0 * math.asin(half / 5.0)
    area -= 2.0 * half * (5.0 - undercut)
    assert_within(one.volume_mm3, area * tall, 2.0 * half * tall * sagitta_mm(5.0, 512) + 2e-4)
    assert_within(one.depth_mm, undercut, DEPTH_MM)
    assert_within(one.first_touch_mm, 8.0 - 2.0, 1e-6)
    assert not one.in_cast
    assert one.surface_mm is None


def test_a_rod_in_the_cast_itself_reports_the_distance_to_its_surface():
    """Closed form: a needle from above, 0.4 deep in a flat top, 2 from the side wall."""
    cast = cast_of(box((-5, -5, 0), (5, 5, 4)))
    (one,) = found_on(cast, box((2.9, -0.1, 3.6), (3.1, 0.1, 6.0))).interferences
    assert one.in_cast
    assert one.surface_mm == pytest.approx(0.4, abs=1e-6)
    assert one.into_mm == pytest.approx(0.4, abs=1e-3)
    assert one.depth_mm == pytest.approx(5.0 - 2.9, abs=DEPTH_MM)
    assert one.first_touch_mm == pytest.approx(0.4, abs=1e-6)


def test_two_rods_are_two_interferences_the_first_to_touch_first():
    cast = ball_cast()
    low = box((4.6, -0.2, 0.5), (9.0, 0.2, 0.8))
    high = box((-9.0, -0.2, 2.0), (-4.9, 0.2, 2.3))
    one, two = found_on(cast, with_rod(low, high)).interferences
    assert one.first_touch_mm > two.first_touch_mm
    assert one.at_mm[0] > 4.5
    assert two.at_mm[0] < -4.8
    assert_within([one.depth_mm, two.depth_mm], [0.4, 0.1], DEPTH_MM)


def test_deep_places_joined_by_a_film_count_apart():
    """A plate 10 um too low all over a flat top, with two pins that go in 0.5 mm."""
    cast = cast_of(box((-6, -6, 0), (6, 6, 4)))
    plate = box((-5, -2, 3.99), (5, 2, 5))
    pins = [box((x - 0.2, -0.2, 3.5), (x + 0.2, 0.2, 4.5)) for x in (-3.0, 3.0)]
    found = found_on(cast, united([plate, *pins]))
    assert len(found.interferences) == 2
    assert sorted(round(float(one.at_mm[0])) for one in found.interferences) == [-3, 3]
    for one in found.interferences:
        assert_within(one.into_mm, 0.5, 0.02)  # aside of a pin's middle it is nearer to its own top
        # half the film, and a pin
        assert_within(one.volume_mm3, 20.0 * 0.01 + 0.16 * 0.49, 1e-6)
        assert_within(one.first_touch_mm, 0.5, 1e-6)


def test_space_under_the_land_of_a_base_counts():
    """All of the cast is in the way, not only what was scanned."""
    body = united([box((-3, -3, 1), (3, 3, 4)), box((-6, -6, 0), (6, 6, 2))])
    cast = cast_of(body, scanned=body.face_centres[:, 2] > 2.0)
    hook = box((5.0, -1, -3.0), (7.0, 1, -1.0))
    (one,) = found_on(cast, hook).interferences
    assert one.depth_mm == pytest.approx(1.0, abs=DEPTH_MM)
    assert one.first_touch_mm == pytest.approx(2.0 + 3.0, abs=1e-6)


# --- a cone: closed forms along a tilted path ----------------------------------------------------
@pytest.mark.parametrize("tilt_deg", [6.0, 12.0])
def test_a_peg_beside_a_tilted_cylinder(tilt_deg):
    """Closed form: tilted by t, the wall of a cylinder L long hangs L sin t out over its foot, so
    metal against the wall h below the top lies h sin t deep.
    """
    radius, length = 4.0, 8.0
    cast = cast_of(frustum(radius, radius, length, around=192))
    path = level(cast, anterior_deg=tilt_deg)
    lean = np.array(path.direction)
    side = -lean.copy()
    side[2] = 0.0
    side /= np.linalg.norm(side)  # the side that the cylinder overhangs
    tip = radius * side + np.array([0.0, 0.0, 2.0])
    turn = np.column_stack([side, np.cross([0.0, 0.0, 1.0], side), [0.0, 0.0, 1.0]])
    peg = box((0.0, -0.05, -0.05), (3.0, 0.05, 0.05))
    framework = Mesh(peg.vertices @ turn.T + tip, peg.faces)
    (one,) = found_on(cast, framework, path=path).interferences
    deepest = 2.0 - 0.05
    expected = (length - deepest) * math.sin(math.radians(tilt_deg))
    assert_within(one.depth_mm, expected, DEPTH_MM)


# --- laws ----------------------------------------------------------------------------------------
def test_turning_everything_together_changes_nothing():
    cast = ball_cast(64)
    rod = box((4.6, -0.2, 0.5), (9.0, 0.2, 0.8))
    (one,) = found_on(cast, rod).interferences
    turn, shift = turn_about((1.0, 2.0, -0.5), 37.0), np.array([11.0, -4.0, 7.0])
    moved = moved_cast(cast, turn=turn, shift_mm=shift)
    (other,) = found_on(moved, Mesh(rod.vertices @ turn.T + shift, rod.faces)).interferences
    for name, band in (("depth_mm", 2e-3), ("into_mm", 2e-3), ("volume_mm3", 1e-6),
                       ("first_touch_mm", 1e-5)):  # fmt: skip
        assert_within(getattr(other, name), getattr(one, name), band)
    # along the rod's end the depth hardly changes: the deepest place is not sharp
    np.testing.assert_allclose(other.at_mm, turn @ one.at_mm + shift, atol=0.1)


def lifted_mm3(cast: Cast, path: InsertionPath, framework: Mesh, by_mm: float) -> float:
    """Overlap of the framework, raised along the path, with the cast itself."""
    raised = Solid.from_mesh(framework).turned(shifted(by_mm * path.direction))
    return (raised ^ Solid.from_mesh(cast.mesh)).volume_mm3


def assert_stops_just_there(
    cast: Cast, path: InsertionPath, framework: Mesh, height: float
) -> None:
    """Raised a micron over the first touch, and further, the framework meets nothing of the cast;
    just under it, it does.
    """
    assert height > 0.0
    for more in (0.001, 0.05, 0.3, 1.0, 3.0, 8.0):
        assert lifted_mm3(cast, path, framework, height + more) <= 1e-9, more
    assert lifted_mm3(cast, path, framework, height - min(0.02, 0.5 * height)) > 0.0


@pytest.mark.parametrize(
    "rod",
    [
        box((4.7, -0.4, 0.9), (9.0, 0.4, 1.3)),
        box((-9.0, -3.0, 1.5), (9.0, -2.0, 2.5)),
        Mesh(
            box((0, -0.3, -0.3), (6, 0.3, 0.3)).vertices @ turn_about((0, 1, 0.3), 20.0).T
            + [3.9, 0.7, 2.2],
            box((0, 0, 0), (1, 1, 1)).faces,
        ),
    ],
)
def test_the_overlap_is_exactly_what_stops_it(rod):
    cast = ball_cast(64)
    path = level(cast)
    found = found_on(cast, rod, path=path, allowance_mm=0.0)
    height = max(one.first_touch_mm for one in found.interferences)
    assert_stops_just_there(cast, path, rod, height)


@settings(max_examples=4)
@given(
    casts(),
    st.tuples(*[st.floats(-4.0, 4.0)] * 3),
    st.floats(0.0, 360.0),
    st.floats(-12.0, 12.0),
)
def test_the_overlap_is_exactly_what_stops_any_bar_on_any_cast(cast, at, angle_deg, tilt_deg):
    path = level(cast, tilt_deg, -0.5 * tilt_deg)
    bar = box((-2.0, -0.4, -0.3), (2.0, 0.4, 0.3))
    turn = turn_about((0.3, -0.2, 1.0), angle_deg)
    middle = cast.mesh.centre + np.array(at)
    bar = Mesh(bar.vertices @ turn.T + middle, bar.faces)
    blocked, shared = laid(cast, path, bar)
    found = interferences_of(shared, blocked, allowance_mm=0.0)
    volumes = sum(one.volume_mm3 for one in found.interferences) + found.touching.volume_mm3
    assert_within(volumes, shared.volume_mm3, 1e-6)
    if not found.interferences or found.touching.volume_mm3 > 0.0:
        return
    height = max(one.first_touch_mm for one in found.interferences)
    for more in (0.001, 0.1, 1.0, 5.0):
        assert lifted_mm3(cast, path, bar, height + more) <= 1e-9
    assert lifted_mm3(cast, path, bar, height - min(0.02, 0.5 * height)) > 0.0


@settings(max_examples=4)
@given(casts(), st.tuples(*[st.floats(-4.0, 4.0)] * 3))
def test_the_overlap_is_the_sum_of_its_columns(cast, at):
    """Ray columns that never saw the boolean kernel: of each column of the bar, what lies under the
    cast's top.
    """
    path = level(cast)
    middle = cast.mesh.centre + np.array(at)
    half = np.array([1.5, 1.0, 0.4])
    low, high = middle - half, middle + half
    blocked, shared = laid(cast, path, box(low, high))
    side = 160
    x = low[0] + (np.arange(side) + 0.5) / side * 3.0
    y = low[1] + (np.arange(side) + 0.5) / side * 2.0
    flat: Floats = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    top = blocked.top_mm(flat)
    inside = np.clip(np.minimum(top, high[2]) - low[2], 0.0, None)
    assert_within(shared.volume_mm3, float(inside.mean()) * 6.0, 0.02 + 0.002 * 4.8)


@settings(max_examples=4)
@given(casts(), st.integers(0, 2**31))
def test_how_far_inside_agrees_with_directions_tried_one_by_one(cast, seed):
    """The distance to the nearest place outside, against balls of 2000 directions."""
    path = level(cast, 5.0)
    blocked = BlockedOut(cast, path)
    low, high = blocked.mesh.bounds_mm
    points = np.random.default_rng(seed).uniform(low, high, (400, 3))
    points = points[blocked.covered(points)][:40]
    depth = blocked.depth_mm(points)
    into = blocked.into_mm(points, depth)
    assert (into <= depth + 1e-9).all()
    k = np.arange(2000) + 0.5
    z, turn = k / 2000, k * math.pi * (3.0 - math.sqrt(5.0))
    ways = np.column_stack(
        [np.sqrt(1 - z * z) * np.cos(turn), np.sqrt(1 - z * z) * np.sin(turn), z]
    )
    for point, reach in zip(points, into, strict=True):
        assert blocked.covered(point + (0.99 * reach - 0.001) * ways).all()


def test_very_many_deep_places_in_one_film_are_all_told():
    """Closed form: 36 pins 0.3 mm deep under a film of 10 um; what is cut apart adds up."""
    cast = cast_of(box((-6, -6, 0), (6, 6, 4)))
    places = np.arange(6) * 1.6 - 4.0
    pins = [box((x - 0.2, y - 0.2, 3.7), (x + 0.2, y + 0.2, 4.5)) for x in places for y in places]
    found = found_on(cast, united([box((-5, -5, 3.99), (5, 5, 5)), *pins]))
    assert len(found.interferences) == 24
    volumes = [one.volume_mm3 for one in found.interferences]
    assert_within(sum(volumes), 100.0 * 0.01 + 36 * 0.16 * 0.29, 1e-6)
    assert_within([one.first_touch_mm for one in found.interferences], 0.3, 1e-6)
