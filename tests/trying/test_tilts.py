"""How far the path, and the framework, can be turned before it is stopped: closed forms, laws."""

from __future__ import annotations

import math

import numpy as np
import pytest
from bodies import box, cast_of, frustum, moved_cast, turn_about, turned, united
from frameworks import shell
from invariants import assert_within
from scipy.optimize import brentq

from blockout.case.settings import Arch, PathSettings
from blockout.cast.cast import Cast
from blockout.kernel.solids import Solid
from blockout.mesh import Floats, Mesh
from blockout.surveying.path import insertion_path
from blockout.trying.blocked import BlockedOut
from blockout.trying.tilts import AZIMUTHS, PRECISION_DEG, Range, Trial, leaning

HEIGHT_MM, WIDTH_MM, TOP_MM = 4.0, 24.0, 5.0
BAND_DEG = PRECISION_DEG + 0.004
"""The search's own precision; and the ring of directions that stands for a circle, 16 of them, by
which an allowance of 30 um is read up to 0.6 um short."""


def slot(clearance_mm: float, *, arch: Arch = "lower") -> Cast:
    """Two long guiding planes that face each other, along y, on a plate whose top is z = 0."""
    side = WIDTH_MM / 2.0 + clearance_mm
    body = [
        box((-side - 6, -9, -4), (side + 6, 9, -0.5)),
        box((-side - 6, -9, -1), (-side, 9, TOP_MM)),
        box((side, -9, -1), (side + 6, 9, TOP_MM)),
    ]
    return cast_of(united(body), arch=arch)


def plate() -> Mesh:
    """Between them, its upper side level with their edges."""
    return box(
        (-WIDTH_MM / 2.0, -4, TOP_MM - HEIGHT_MM), (WIDTH_MM / 2.0, 4, TOP_MM)
    )  # fmt: skip


def trial_of(
    cast: Cast, framework: Mesh, *, allowance_mm: float = 0.0, tilt_deg=(0.0, 0.0)
) -> Trial:
    path = insertion_path(
        cast.frame,
        arch=cast.arch,
        settings=PathSettings(anterior_tilt_deg=tilt_deg[0], lateral_tilt_deg=tilt_deg[1]),
    )
    metal = framework.reshaped(framework.vertices @ path.to_path.T)
    return Trial(BlockedOut(cast, path), metal, allowance_mm=allowance_mm)


def angles(found: Range) -> Floats:
    return np.array([one.angle_deg for one in found.limits])


@pytest.mark.parametrize(("clearance_mm", "allowance_mm"), [(0.05, 0.0), (0.05, 0.03), (0.2, 0.0)])
def test_guiding_planes_far_apart_bind_the_path(clearance_mm, allowance_mm):
    """Closed form: with clearance c beside walls h high the path may lean by atan(c / h) toward
    either; with an allowance a, by atan(c / h) + asin(a / hypot(c, h)). Along the walls it is free.
    """
    cast = slot(clearance_mm)
    found = trial_of(cast, plate(), allowance_mm=allowance_mm).range("path", within_deg=15.0)
    c, h, a = clearance_mm, HEIGHT_MM, allowance_mm
    expected = math.degrees(math.atan(c / h) + math.asin(a / math.hypot(c, h)))
    by_azimuth = {one.azimuth_deg: one for one in found.limits}
    for azimuth_deg in (0.0, 180.0):
        assert_within(by_azimuth[azimuth_deg].angle_deg, expected, BAND_DEG)
        assert not by_azimuth[azimuth_deg].open
    for azimuth_deg in (90.0, 270.0):
        assert by_azimuth[azimuth_deg].open
        assert by_azimuth[azimuth_deg].angle_deg == 15.0
    # closed form at any azimuth p, no allowance: the part of the lean across the walls counts
    if not a:
        for one in found.limits:
            across = abs(math.cos(math.radians(one.azimuth_deg)))
            if across > 0.1:
                limit = math.degrees(math.atan(c / h / across))
                assert_within(one.angle_deg, min(limit, 15.0), BAND_DEG)
    assert found.narrowest.angle_deg == pytest.approx(expected, abs=BAND_DEG)
    assert found.across_deg[0] == pytest.approx(2.0 * expected, abs=2.0 * BAND_DEG)
    assert by_azimuth[0.0].at_mm is not None
    # leaning right side down moves the path's top to -x: the plate's lower corner is caught there
    assert abs(abs(by_azimuth[0.0].at_mm[0]) - WIDTH_MM / 2.0) < 1e-6
    assert by_azimuth[0.0].at_mm[2] == pytest.approx(TOP_MM - HEIGHT_MM, abs=1e-6)


@pytest.mark.parametrize(("turn_deg", "allowance_mm"), [(1.0, 0.0), (2.0, 0.03), (5.0, 0.0)])
def test_a_framework_turned_by_what_the_clearance_allows_just_seats(turn_deg, allowance_mm):
    """Closed form: w cos t + h sin t = w + 2 c + 2 a is the greatest turn t of a plate w wide and h
    high between walls w + 2 c apart and higher than it. The clearance is chosen for t, so that a
    little less of a turn seats and a little more fails.
    """
    t = math.radians(turn_deg)
    clearance = (WIDTH_MM * math.cos(t) + HEIGHT_MM * math.sin(t) - WIDTH_MM) / 2.0 - allowance_mm
    assert clearance > 0.0
    body = slot(clearance)
    # walls that stand higher than the turned plate
    side = WIDTH_MM / 2.0 + clearance
    high = [box((-side - 6, -9, 1), (-side, 9, 12)), box((side, -9, 1), (side + 6, 9, 12))]
    cast = cast_of(united([body.mesh, *high]))
    trial = trial_of(cast, plate(), allowance_mm=allowance_mm)

    expected = turn_deg
    found = trial.range("framework", within_deg=10.0)
    by_azimuth = {one.azimuth_deg: one.angle_deg for one in found.limits}
    assert_within(by_azimuth[0.0], expected, BAND_DEG)
    assert_within(by_azimuth[180.0], expected, BAND_DEG)
    stops = dict(
        zip(by_azimuth, trial.stopped_at("framework", angle_deg=expected + 0.02), strict=True)
    )
    seats = dict(
        zip(by_azimuth, trial.stopped_at("framework", angle_deg=expected - 0.02), strict=True)
    )
    assert stops[0.0]
    assert stops[180.0]
    assert not seats[0.0]
    assert not seats[180.0]


@pytest.mark.parametrize("turn_deg", [1.0, 2.0, 3.0, 4.0, 5.0])
def test_turned_between_planes_far_apart_it_fails(turn_deg):
    """Fitted to 50 um between planes 24 mm apart, 4 mm high: 1.56 degrees by the formula."""
    expected = math.degrees(
        brentq(lambda t: WIDTH_MM * math.cos(t) + HEIGHT_MM * math.sin(t) - WIDTH_MM - 0.1, 0, 0.1)
    )
    stopped = trial_of(slot(0.05), plate()).stopped_at("framework", angle_deg=turn_deg)
    assert bool(stopped[0]) == (turn_deg > expected)
    assert bool(stopped[AZIMUTHS // 2]) == (turn_deg > expected)


@pytest.mark.parametrize("clearance_mm", [0.02, 0.3])
def test_a_cap_over_a_cone_leans_by_its_angle_and_its_clearance(clearance_mm):
    """Closed form: the shadow of a cone's top edge, radius r1, is moved by H tan t; the cap's inner
    rim, c outside of the foot r2 = r1 + H tan a, lets it through up to tan t = tan a + c / H. The
    sides of inscribed polygons bring the rims nearer by up to r2 (1 - cos(pi / n)).
    """
    low, high, tall, around = 5.0, 4.0, 5.0, 120
    cast = cast_of(frustum(low, high, tall, around=around))
    c = clearance_mm
    lid = [(0, tall + 0.5), (high + c, tall + 0.5), (low + c, 0.0)]
    outside = turned([(0, 0.0), (7.5, 0.0), (7.5, 7.0), (0, 7.0)], around=around)
    inside = turned([(0, -1.0), (low + c + 0.2, -1.0), *lid[::-1]], around=around)
    cap = (Solid.from_mesh(outside) - Solid.from_mesh(inside)).mesh()
    found = trial_of(cast, cap).range("path", within_deg=40.0)
    expected = math.degrees(math.atan((low - high + c) / tall))
    facet_deg = math.degrees(low * (1.0 - math.cos(math.pi / around)) / tall)
    assert_within(angles(found), np.full(AZIMUTHS, expected), BAND_DEG + facet_deg)


def test_a_framework_in_the_way_has_no_range():
    trial = trial_of(slot(0.05), united([plate(), box((-13, -1, 1.5), (-11, 1, 2.0))]))
    found = trial.range("path", within_deg=10.0)
    assert not found.seats
    assert (angles(found) == 0.0).all()
    assert found.limits[0].at_mm[0] == pytest.approx(-13.0, abs=1.0)


def test_the_path_it_was_made_for_is_found_from_another():
    """A plate that passes a slot leaning by 6 degrees: from upright, the nearest path tried."""
    turn = turn_about((0, 1, 0), 6.0)
    upright = slot(0.05)
    leaning_slot = moved_cast(upright, turn=turn, shift_mm=(0, 0, 0))
    cast = cast_of(leaning_slot.mesh)
    framework = Mesh(plate().vertices @ turn.T, plate().faces)
    trial = trial_of(cast, framework)
    assert not trial.range("path", within_deg=10.0).seats
    azimuth_deg, tilt_deg = trial.nearest_passing(within_deg=10.0)
    assert (azimuth_deg, tilt_deg) == (180.0, 6.0)  # the path's top goes to +x: left side down


# --- laws ----------------------------------------------------------------------------------------
def test_turning_everything_together_changes_no_range():
    cast = slot(0.1)
    turn, shift = turn_about((0.3, 1.0, -0.5), 41.0), np.array([5.0, -9.0, 3.0])
    moved = moved_cast(cast, turn=turn, shift_mm=shift)
    other = Mesh(plate().vertices @ turn.T + shift, plate().faces)
    for sense in ("path", "framework"):
        one = trial_of(cast, plate(), tilt_deg=(1.0, 0.5)).range(sense, within_deg=8.0)
        two = trial_of(moved, other, tilt_deg=(1.0, 0.5)).range(sense, within_deg=8.0)
        assert_within(angles(two), angles(one), 2.0 * PRECISION_DEG)


def test_ranges_about_two_paths_are_one_and_the_same_cone():
    """The paths that pass do not depend on which of them is called the path: asked from a path 1
    degree off, the limits across the planes move by 1 degree.
    """
    c, h = 0.2, HEIGHT_MM
    whole = math.degrees(math.atan(c / h))
    found = trial_of(slot(c), plate(), tilt_deg=(0.0, 1.0)).range("path", within_deg=8.0)
    by_azimuth = {one.azimuth_deg: one.angle_deg for one in found.limits}
    assert_within(by_azimuth[0.0], whole - 1.0, BAND_DEG)
    assert_within(by_azimuth[180.0], whole + 1.0, BAND_DEG)


@pytest.mark.parametrize("arch", ["lower", "upper"])
def test_azimuths_are_the_ways_the_cast_leans(arch):
    """By the tilts of the path room: a positive lateral tilt lowers the patient's right, a positive
    anterior tilt the front.
    """
    cast = slot(0.05, arch=arch)
    side = 1.0 if arch == "lower" else -1.0
    for azimuth_deg, tilts in ((0.0, (0.0, 7.0)), (90.0, (7.0, 0.0))):
        wanted = insertion_path(
            cast.frame,
            arch=arch,
            settings=PathSettings(anterior_tilt_deg=tilts[0], lateral_tilt_deg=tilts[1]),
        )
        along = leaning(np.array(azimuth_deg), np.array(7.0), arch_side=side)
        np.testing.assert_allclose(along, wanted.direction, atol=1e-12)


def test_more_clearance_never_narrows_and_nothing_seated_is_stopped_at_rest():
    cast = cast_of(united([box((-4, -4, 0), (4, 4, 3)), box((-8, -8, -3), (8, 8, 0.5))]))
    path = insertion_path(cast.frame, arch="lower", settings=PathSettings())
    ranges = []
    for clearance in (0.05, 0.15):
        made = shell(cast, path, (-6, -6, 1.5), (6, 6, 5), clearance_mm=clearance)
        ranges.append(angles(trial_of(cast, made).range("path", within_deg=20.0)))
    assert (ranges[0] > 0.0).all()
    assert (ranges[1] >= ranges[0] - PRECISION_DEG).all()
    # closed form: the shell's rim hangs 1.5 mm under the edge; beside the box's corners it stands
    # cos 30 of the clearance off, by the twelve ways in which the region was moved
    for angle, clearance in zip((ranges[0][0], ranges[1][0]), (0.05, 0.15), strict=True):
        off = clearance * math.cos(math.radians(30.0))
        assert_within(angle, math.degrees(math.atan(off / 1.5)), BAND_DEG)
