"""Undercut depth against closed forms: within 5 um of them beyond the facets of the body."""

from __future__ import annotations

import math

import numpy as np
import pytest
from bodies import ball, ball_on_plate, box, cast_of, frustum, sagitta_mm, surveyed, torus, united
from invariants import assert_within

from blockout.kernel.rays import RayScene
from blockout.mesh import Floats, Mesh
from blockout.surveying import depth, reading
from blockout.surveying.depth import Overhead, OverheadInPlace, undercut_depth_mm
from blockout.surveying.path import InsertionPath

RAYS_MM = 0.002
"""What the search by rays may be off beyond the facets, of the 5 um allowed."""
TILTS = [(0.0, 0.0), (5.0, 3.0), (-8.0, 6.0), (10.0, 0.0)]


def facet_gap_mm(body: Mesh, radius_mm: float) -> float:
    """How far the facets of a ball about the origin pass inside it at most."""
    return radius_mm - float(
        np.abs(np.einsum("ij,ij->i", body.face_normals, body.corners[:, 0])).min()
    )


def heights_mm(points: Floats, path: InsertionPath) -> Floats:
    return points @ path.direction


# --- ball ----------------------------------------------------------------------------------------
@pytest.mark.parametrize("tilt_deg", TILTS)
@pytest.mark.parametrize("radius_mm", [4.0, 5.0])
def test_ball(radius_mm: float, tilt_deg: tuple[float, float]) -> None:
    # closed form: u = R - sqrt(R^2 - h^2), h below the equator along the path
    body = ball(radius_mm, subdivisions=4)
    found = surveyed(cast_of(body), tilt_deg=tilt_deg)
    below = -heights_mm(body.vertices, found.path)
    under = below > 1e-9
    closed_mm = radius_mm - np.sqrt(np.maximum(radius_mm**2 - np.maximum(below, 0.0) ** 2, 0.0))
    # the faceted ball lies between the round one and one smaller by the gap: so does its outline
    gap_mm = facet_gap_mm(body, radius_mm)
    off = found.depth_mm[under] - closed_mm[under]
    assert off.max() <= RAYS_MM
    assert off.min() >= -gap_mm - RAYS_MM
    assert (found.depth_mm[~under] <= RAYS_MM).all()
    # the lowest vertex is as deep as the ball is wide, but for its own place off the axis
    assert found.max_depth_mm == found.depth_mm.max() > 0.95 * radius_mm
    deepest = int(found.depth_mm.argmax())
    assert found.max_depth_at_mm == tuple(body.vertices[deepest])


def test_ball_at_the_gauges() -> None:
    # closed form: h = sqrt(R^2 - (R - u)^2); R 5: u 0.25 / 0.50 / 0.75 at h 1.5612, 2.1794, 2.6339
    body = ball(5.0, subdivisions=4)
    gauges_mm = (0.25, 0.5, 0.75)
    found = surveyed(cast_of(body), tilt_deg=(6.0, -4.0), gauges_mm=gauges_mm)
    gap_mm = facet_gap_mm(body, 5.0)
    for gauge_mm, expected_mm in zip(gauges_mm, (1.5612, 2.1794, 2.6339), strict=True):
        closed_mm = math.sqrt(25.0 - (5.0 - gauge_mm) ** 2)
        assert closed_mm == pytest.approx(expected_mm, abs=1e-4)
        lines = found.iso_lines[gauge_mm]
        assert len(lines) == 1
        assert lines[0].closed
        below = -heights_mm(lines[0].points_mm, found.path)
        # a depth too small by the gap is that of a height too small by gap / (du/dh), and depth is
        # drawn straight across a facet, off by its curvature over an edge
        slope = closed_mm / math.sqrt(25.0 - closed_mm**2)
        edge_mm = float(np.linalg.norm(body.corners[:, 1] - body.corners[:, 0], axis=1).max())
        bend_mm = edge_mm**2 / 8.0 * 25.0 / (25.0 - closed_mm**2) ** 1.5
        assert_within(below, closed_mm, (gap_mm + bend_mm + RAYS_MM) / slope)


def test_depth_of_a_ball_comes_nearer_with_its_facets() -> None:
    errors = []
    for subdivisions in (2, 3, 4):
        body = ball(5.0, subdivisions=subdivisions)
        found = surveyed(cast_of(body), tilt_deg=(4.0, 2.0))
        below = -heights_mm(body.vertices, found.path)
        under = (below > 0.5) & (below < 4.0)
        closed_mm = 5.0 - np.sqrt(25.0 - below[under] ** 2)
        errors.append(float(np.abs(found.depth_mm[under] - closed_mm).mean()))
    # second order: a quarter each time, as far as an outline of changing shape shows it
    assert errors[0] > 3.0 * errors[1] > 9.0 * errors[2]


# --- cylinder ------------------------------------------------------------------------------------
@pytest.mark.parametrize("side", ["anterior", "lateral"])
@pytest.mark.parametrize("tilt", [2.0, 5.0, 10.0])
def test_tilted_cylinder(tilt: float, side: str) -> None:
    # closed form: s down its wall, in the plane of the tilt, u = s sin t; 8 mm down 0.2792 at 2,
    # 0.6972 at 5 and 1.3892 at 10 degrees
    around = 128
    body = frustum(5.0, 5.0, 8.0, around=around)
    scanned = body.face_normals[:, 2] > -0.5  # wall and lid
    tilt_deg = (tilt, 0.0) if side == "anterior" else (0.0, tilt)
    found = surveyed(cast_of(body, scanned=scanned), tilt_deg=tilt_deg)
    # a lowered front hides the wall in front, a lowered right side that on the right
    outward = np.array([0.0, 1.0, 0.0]) if side == "anterior" else np.array([1.0, 0.0, 0.0])
    meridian = np.linalg.norm(body.vertices[:, :2] - 5.0 * outward[:2], axis=1) < 1e-9
    down_mm = 8.0 - body.vertices[meridian, 2]
    depth_mm = found.depth_mm[meridian]
    assert len(down_mm) == 9
    closed_mm = down_mm * math.sin(math.radians(tilt))
    assert closed_mm.max() == pytest.approx(
        {2.0: 0.2792, 5.0: 0.6972, 10.0: 1.3892}[tilt], abs=1e-4
    )
    # the wall of U below a corner of the rim: its two flat sides lean by this angle as seen along
    # the path, so the nearest point lies on them
    lean = math.atan(math.tan(math.pi / around) * math.cos(math.radians(tilt)))
    assert_within(depth_mm, closed_mm * math.cos(lean), RAYS_MM)
    assert_within(depth_mm, closed_mm, sagitta_mm(5.0, around) + 0.005)
    # the far wall looks up
    far = np.linalg.norm(body.vertices[:, :2] + 5.0 * outward[:2], axis=1) < 1e-9
    assert (found.depth_mm[far] == 0.0).all()
    assert found.max_depth_mm == pytest.approx(depth_mm.max(), abs=RAYS_MM)


# --- cone ----------------------------------------------------------------------------------------
@pytest.mark.parametrize(("half_angle", "tilt"), [(15.0, 10.0), (15.0, 5.0), (20.0, 8.0)])
def test_tilted_inverted_cone(half_angle: float, tilt: float) -> None:
    # closed form: walls stand at a + t and a - t to the path in the plane of the tilt, so at a
    # height h under the rim u = h tan(a +- t)
    around, height_mm = 128, 4.0
    low_mm = 5.0 - height_mm * math.tan(math.radians(half_angle))
    body = frustum(low_mm, 5.0, height_mm, around=around)
    scanned = body.face_normals[:, 2] > -0.9  # wall and lid
    found = surveyed(cast_of(body, scanned=scanned), tilt_deg=(tilt, 0.0))
    for sign in (1.0, -1.0):
        meridian = (np.abs(body.vertices[:, 0]) < 1e-9) & (
            sign * body.vertices[:, 1] > low_mm - 1e-6
        )
        rim = np.array([0.0, sign * 5.0, height_mm])
        points = body.vertices[meridian & (np.abs(body.vertices[:, 2] - height_mm) > 1e-9)]
        depth_mm = found.depth_mm[meridian & (np.abs(body.vertices[:, 2] - height_mm) > 1e-9)]
        assert len(points) == 8
        below = (rim - points) @ found.path.direction
        closed_mm = below * math.tan(math.radians(half_angle + sign * tilt))
        lean = math.atan(math.tan(math.pi / around) * math.cos(math.radians(tilt)))
        assert_within(depth_mm, closed_mm * math.cos(lean), RAYS_MM)
        assert_within(depth_mm, closed_mm, sagitta_mm(5.0, around) + 0.005)


@pytest.mark.parametrize("angle", [10.0, 20.0])
def test_flat_wall(angle: float) -> None:
    # closed form: u = h tan a; a 20: u 0.25 / 0.50 / 0.75 at h 0.687 / 1.374 / 2.061
    run = math.tan(math.radians(angle))
    block = box((-6.0, -6.0, 0.0), (6.0, 6.0, 4.0))
    points = np.array(block.vertices)
    points[:, 0] -= np.sign(points[:, 0]) * (4.0 - points[:, 2]) * run
    body = Mesh(points, block.faces)
    path = surveyed(cast_of(body)).path
    below = np.array([0.1, 0.687, 1.374, 2.061, 3.0, 3.9])
    wall = np.column_stack([6.0 - below * run, np.linspace(-2.0, 2.0, 6), 4.0 - below])
    depth_mm = undercut_depth_mm(Overhead(body, path), wall, spacing_mm=0.2)
    assert_within(depth_mm, below * run, RAYS_MM)
    if angle == 20.0:
        assert_within(depth_mm[1:4], np.array([0.25, 0.5, 0.75]), RAYS_MM + 0.0005)


@pytest.mark.parametrize("around", [64, 96])
def test_the_foot_of_a_ball_that_stands_on_a_level_plate(around: int) -> None:
    # closed form: R - sqrt(R^2 - h^2), R 5, h 3; the plate lies at just the height of the foot
    body, scanned = ball_on_plate(around=around)
    depth_mm = surveyed(cast_of(body, scanned=scanned)).depth_mm
    assert depth_mm.max() == pytest.approx(1.0, abs=sagitta_mm(5.0, around))


def test_the_highest_surface_over_a_place_is_its_own_height() -> None:
    # closed form: seen along the path tilted by t the lid of a box is a plane through its middle,
    # which falls by tan t; beside the box there is nothing
    body = box((-5.0, -5.0, -8.0), (5.0, 5.0, -2.0))
    path = surveyed(cast_of(body), tilt_deg=(10.0, 0.0)).path
    slope = math.tan(math.radians(10.0))
    middle = path.to_path @ [0.0, 0.0, -2.0]
    ahead = path.to_path @ [0.0, 1.0, 0.0]
    steps = np.array([-3.0, 0.0, 2.5])
    flat = middle[:2] + steps[:, None] * ahead[:2] / np.linalg.norm(ahead[:2])
    for overhead in (Overhead(body, path), OverheadInPlace(body, RayScene(body), path)):
        found = overhead.top_mm(np.vstack([flat, [[30.0, 0.0]]]))
        assert_within(found[:3], middle[2] + np.sign(ahead[2]) * slope * steps, 1e-4)
        assert found[3] == -np.inf


# --- what is and is not undercut -----------------------------------------------------------------
def test_nothing_visible_has_depth_and_the_base_has_none() -> None:
    body, scanned = ball_on_plate(around=48)
    cast = cast_of(body, scanned=scanned)
    found = surveyed(cast, tilt_deg=(10.0, -10.0))
    assert (found.depth_mm[~cast.scanned_vertices] == 0.0).all()
    assert (found.undercut_share[~scanned] == 0.0).all()
    assert ((found.undercut_share >= 0.0) & (found.undercut_share <= 1.0)).all()
    slope = body.face_normals @ found.path.direction
    deep = found.depth_mm[body.faces].max(axis=1) > RAYS_MM
    assert (found.undercut_share[scanned & deep & (slope < -1e-6)] == 1.0).all()
    assert (found.undercut_share[~deep] == 0.0).all()


def test_area_of_the_undercut_surface() -> None:
    # closed form: zone of a sphere 2 pi R h from the plate to the equator; the plate under it is in
    # the shadow too: the ring between the ball's foot and its equator
    errors = []
    for around in (32, 64, 128):
        body, scanned = ball_on_plate(radius_mm=5.0, equator_mm=3.0, around=around)
        found = surveyed(cast_of(body, scanned=scanned))
        closed_mm2 = 2.0 * math.pi * 5.0 * 3.0 + math.pi * (25.0 - 16.0)
        errors.append(abs(found.area_mm2 - closed_mm2) / closed_mm2)
    # faces cut by the shadow's edge are told to a sixteenth of themselves
    assert errors[-1] < 0.01
    assert errors[-1] < errors[0]


def test_a_face_is_asked_in_the_middles_of_its_sixteen_like_parts() -> None:
    # closed form: over a triangle a barycentric coordinate has the mean 1/3 and the variance 1/18;
    # of which each of 16 parts, a quarter as wide, has a sixteenth within itself
    places = reading._SIXTEEN
    assert places.shape == (16, 3)
    assert (places > 0.0).all()
    assert_within(places.sum(axis=1), 1.0, 1e-12)
    assert_within(places.mean(axis=0), 1.0 / 3.0, 1e-12)
    assert_within(places.var(axis=0), 1.0 / 18.0 * (1.0 - 1.0 / 16.0), 1e-12)


def test_depth_through_a_tunnel_is_to_the_nearer_side() -> None:
    # closed form: the hole's wall is as near as the outer one: below the middle of a lying torus's
    # underside both are b away
    body = torus(6.0, 2.0, around=96)
    found = surveyed(cast_of(body))
    radius = np.linalg.norm(body.vertices[:, :2], axis=1)
    under = body.vertices[:, 2] < -1e-9
    closed_mm = 2.0 - np.abs(radius - 6.0)
    assert_within(found.depth_mm[under], closed_mm[under], sagitta_mm(8.0, 96) + 0.005)


def test_two_bodies_shade_one_another() -> None:
    # a lid over a block: closed form, its underside and the block's top corner lie as deep as the
    # lid overhangs, measured square to the nearest edge
    body = united([box((-2, -2, 0), (2, 2, 3)), box((-3, -4, 3), (3, 4, 4))])
    found = surveyed(cast_of(body))
    at = {tuple(np.round(p, 6)): d for p, d in zip(body.vertices, found.depth_mm, strict=True)}
    assert at[(2.0, 2.0, 0.0)] == pytest.approx(1.0, abs=RAYS_MM)
    assert at[(2.0, -2.0, 0.0)] == pytest.approx(1.0, abs=RAYS_MM)
    assert at[(3.0, 4.0, 4.0)] == 0.0


# --- how it is asked -----------------------------------------------------------------------------
def test_the_same_depths_to_the_bit_on_any_number_of_processors(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    body, _ = ball_on_plate(radius_mm=4.0, equator_mm=2.5, around=48)
    path = surveyed(cast_of(body), tilt_deg=(7.0, -5.0)).path
    monkeypatch.setattr(depth, "_BLOCK", 100)  # several blocks on a body of this size
    found = []
    for processors in (1, 2, 5):
        monkeypatch.setattr("os.cpu_count", lambda processors=processors: processors)
        overhead = Overhead(body, path)
        found.append(undercut_depth_mm(overhead, body.vertices, spacing_mm=0.2).tobytes())
    assert np.count_nonzero(np.frombuffer(found[0])) >= 300
    assert found[0] == found[1] == found[2]


@pytest.mark.parametrize("tilt_deg", TILTS)
def test_rays_about_the_surface_in_place_read_what_those_about_the_turned_one_do(
    tilt_deg: tuple[float, float],
) -> None:
    # single precision turned or not: 4 nm of place, and what that makes of a wall that leans
    body, _ = ball_on_plate(radius_mm=4.0, equator_mm=2.5, around=48)
    path = surveyed(cast_of(body), tilt_deg=tilt_deg).path
    turned, in_place = (
        undercut_depth_mm(overhead, body.vertices, spacing_mm=0.2)
        for overhead in (Overhead(body, path), OverheadInPlace(body, RayScene(body), path))
    )
    assert turned.max() > 1.0
    assert_within(in_place, turned, RAYS_MM)
