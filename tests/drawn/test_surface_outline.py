"""Regions cut out of surfaces: exact along the outline, on the surface, the smaller side inside."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from bodies import ball, box
from invariants import assert_within, distance_to_mm
from patches import cylinder, patch, plane, rectangle

from blockout.drawn.band import band_around, strip_between
from blockout.drawn.curve import on_surface, surface_curve
from blockout.drawn.flat import flat_region
from blockout.drawn.outline import surface_region
from blockout.errors import InputError
from blockout.mesh import Mesh, solidity


def assert_region(mesh, outline, region):
    """The sheet is a disc on the surface whose border is the outline."""
    sheet = region.sheet
    found = solidity(sheet)
    assert found.collapsed_face_count == found.opposed_edge_count == 0
    assert found.crowded_edge_count == found.pinched_vertex_count == 0
    assert len(np.unique(sheet.face_components())) == 1
    # each part of a face lies in that face, and looks the same way
    normals = np.einsum("ij,ij->i", sheet.face_normals, mesh.face_normals[region.source_face])
    big = sheet.face_areas_mm2 > 1e-9
    assert normals[big].min() > 1.0 - 1e-6
    assert distance_to_mm(mesh, sheet.vertices).max() < 1e-9
    whole = region.whole_face
    assert np.array_equal(sheet.corners[whole], mesh.corners[region.source_face[whole]])
    # border: exactly the loop, and its own points are those of the outline
    start = sheet.halfedges[sheet.twin_halfedges < 0]
    loop = region.loops[0]
    assert len(region.loops) == 1
    assert len(start) == len(loop)
    assert set(map(tuple, start)) == set(zip(loop, np.roll(loop, -1), strict=True))
    assert np.array_equal(np.sort(region.corner_of), np.arange(len(outline.face)))
    off = sheet.vertices[region.corners] - outline.points_mm[region.corner_of]
    edge = np.linalg.norm(mesh.corners - np.roll(mesh.corners, 1, axis=1), axis=2).max()
    assert np.linalg.norm(off, axis=1).max() < 4e-4 * edge
    # Euler: a disc
    edges = (3 * sheet.triangle_count + len(start)) // 2
    assert len(sheet.vertices) - edges + sheet.triangle_count == 1


def test_a_rectangle_on_a_plane_has_its_area_to_the_rounding_of_its_corners():
    level = patch(plane, u=(-15.0, 15.0), v=(-10.0, 10.0), steps=(47, 31))
    outline = rectangle(plane, level, (-10.0, 10.0), (-5.0, 5.0))
    region = surface_region(level, outline)
    assert_region(level, outline, region)
    # closed form: 20 x 10 mm
    assert region.area_mm2 == pytest.approx(200.0, abs=0.01)
    inside = np.abs(region.sheet.face_centres) <= [10.001, 5.001, 0.0]
    assert inside.all()


@pytest.mark.parametrize("around", [24, 60])
def test_a_cap_of_a_ball_is_the_smaller_side(around):
    body = ball(5.0, subdivisions=4)
    for height in (3.0, -3.0):
        turn = np.linspace(0.0, 2.0 * np.pi, around + 1)[:-1]
        ring = np.stack([4.0 * np.cos(turn), 4.0 * np.sin(turn), np.full(around, height)], axis=1)
        for points in (ring, ring[::-1]):
            outline = on_surface(body, points, closed=True)
            region = surface_region(body, outline)
            assert_region(body, outline, region)
            # closed form: cap of height 2 on a ball of radius 5; chords of the ring and the
            # ball's facets take a little away
            cap = 2.0 * np.pi * 5.0 * 2.0
            ring_loss = 0.5 * (2.0 * np.pi / around) ** 2 / 3.0 * 2.0
            assert region.area_mm2 == pytest.approx(cap, rel=0.003 + ring_loss)
            assert (region.sheet.vertices[:, 2] * np.sign(height) > 2.9).all()
            # anticlockwise seen from outside
            loop = region.sheet.vertices[region.loops[0]]
            turns = np.cross(loop, np.roll(loop, -1, axis=0)).sum(axis=0)[2] * np.sign(height)
            assert turns > 0.0


def test_an_outline_within_one_facet_cuts_it():
    body = box((-5.0, -5.0, -5.0), (5.0, 5.0, 5.0))
    turn = np.linspace(0.0, 2.0 * np.pi, 17)[:-1]
    for centre in ((2.0, -3.0), (-2.0, 3.0), (0.3, 0.1)):
        ring = np.stack(
            [centre[0] + np.cos(turn), centre[1] + np.sin(turn), 5.0 + 0.0 * turn], axis=1
        )
        outline = on_surface(body, ring, closed=True)
        region = surface_region(body, outline)
        assert_region(body, outline, region)
        # closed form: a regular polygon of 16 corners
        assert region.area_mm2 == pytest.approx(8.0 * np.sin(np.pi / 8.0), rel=2e-3)


def test_random_outlines_on_a_noisy_surface_are_cut_exactly():
    shape = cylinder(6.0)
    smooth = patch(shape, u=(-1.4, 1.4), v=(-10.0, 10.0), steps=(70, 80))
    rng = np.random.default_rng(11)
    noisy = Mesh(smooth.vertices + rng.normal(scale=0.02, size=smooth.vertices.shape), smooth.faces)
    for _ in range(8):
        turn = np.linspace(0.0, 2.0 * np.pi, 10)[:-1]
        far = rng.uniform(0.6, 3.5) * (1.0 + 0.25 * rng.uniform(-1.0, 1.0, size=9))
        a, y = rng.uniform(-0.4, 0.4), rng.uniform(-5.0, 5.0)
        given = shape(a + far * np.cos(turn) / 6.0, y + far * np.sin(turn))
        outline = surface_curve(noisy, given, closed=True)
        region = surface_region(noisy, outline)
        assert_region(noisy, outline, region)
        flat = flat_region(noisy, outline, region)
        # laid flat and lifted again, a place is where it was
        places = region.sheet.face_centres
        back, _ = flat.lifted(flat.laid(places))
        assert np.linalg.norm(back - places, axis=1).max() < 1e-6


def test_what_is_no_outline_is_refused():
    level = patch(plane, u=(-5.0, 5.0), v=(-5.0, 5.0), steps=(23, 23))
    line = surface_curve(level, [(-3.0, 0.0, 0.0), (3.0, 0.0, 0.0)])
    with pytest.raises(InputError, match="is not closed"):
        surface_region(level, line)
    eight = np.array([(-2.0, -2.0, 0.0), (2.0, 2.0, 0.0), (2.0, -2.0, 0.0), (-2.0, 2.0, 0.0)])
    with pytest.raises(InputError, match="crosses or touches itself"):
        surface_region(level, on_surface(level, eight, closed=True))


def test_an_outline_around_a_tunnel_parts_nothing():
    from bodies import torus

    body = torus(6.0, 2.0, around=48)
    turn = np.linspace(0.0, 2.0 * np.pi, 25)[:-1]
    meridian = np.stack([6.0 + 2.0 * np.cos(turn), 0.1 + 0.0 * turn, 2.0 * np.sin(turn)], axis=1)
    with pytest.raises(InputError, match="does not part the surface in two"):
        surface_region(body, on_surface(body, meridian, closed=True))


def test_a_developable_surface_is_laid_flat_without_stretching():
    shape = cylinder(3.0)
    curved = patch(shape, u=(-1.2, 1.2), v=(-10.0, 10.0), steps=(30, 80))
    outline = rectangle(shape, curved, (-0.8, 0.8), (-7.0, 7.0))
    region = surface_region(curved, outline)
    flat = flat_region(curved, outline, region)
    # closed form: a rectangle of 14 by 2 x 0.8 x 3 mm unrolls to itself
    ring = flat.outline_mm
    sides = np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1)
    curve = outline.points_mm[region.corner_of]
    along = np.linalg.norm(np.roll(curve, -1, axis=0) - curve, axis=1)
    assert_within(sides, along, 2e-3)
    x, y = ring.T
    area = (x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2.0
    assert area == pytest.approx(14.0 * 4.8, rel=2e-3)


def test_a_band_on_a_cylinder_is_as_wide_along_the_surface_as_asked():
    shape = cylinder(4.0)
    curved = patch(shape, u=(-1.4, 1.4), v=(-10.0, 10.0), steps=(80, 80))
    crest = surface_curve(curved, [(0.0, -7.0, 4.0), (0.0, 7.0, 4.0)])
    band = band_around(curved, crest, width_mm=3.0)
    # closed form: 3 mm of arc on a radius of 4 mm is 0.75 rad
    angle = np.arctan2(band.right.points_mm[:, 0], band.right.points_mm[:, 2])
    assert_within(angle, 0.75, 2e-3)
    assert_within(np.arctan2(band.left.points_mm[:, 0], band.left.points_mm[:, 2]), -0.75, 2e-3)
    region = surface_region(curved, band.outline)
    assert region.area_mm2 == pytest.approx(14.0 * 6.0, rel=2e-3)
    with pytest.raises(InputError, match="runs off the surface"):
        band_around(curved, crest, width_mm=9.0)


def test_the_lower_part_of_a_strip():
    level = patch(plane, u=(-10.0, 10.0), v=(-5.0, 5.0), steps=(61, 31))
    upper = surface_curve(level, [(-8.0, 2.0, 0.0), (8.0, 2.0, 0.0)])
    lower = surface_curve(level, [(-8.0, -1.0, 0.0), (8.0, -1.0, 0.0)])
    for share in (1.0, 2.0 / 3.0):
        band = strip_between(level, upper, lower, share=share)
        region = surface_region(level, band.outline)
        assert region.area_mm2 == pytest.approx(16.0 * 3.0 * share, rel=1e-4)
        assert_within(band.left.points_mm[:, 1], -1.0 + 3.0 * share, 1e-9)


@pytest.mark.long
def test_regions_on_a_real_scan():
    folder = Path(__file__).parents[2] / "../shared/casts"
    if not folder.is_dir():
        pytest.skip("the folder of real arches, ../shared/casts, is not here")
    from blockout.cast.scan import read_scan

    scan = read_scan(folder / "lower_partial_open.ply").mesh
    rng = np.random.default_rng(2)
    done = 0
    for vertex in rng.choice(len(scan.vertices), 20, replace=False):
        middle, up = scan.vertices[vertex], scan.vertex_normals[vertex]
        one = np.cross(up, [0.3, 0.5, 0.8])
        one /= np.linalg.norm(one)
        turn = np.linspace(0.0, 2.0 * np.pi, 10)[:-1]
        radius = rng.uniform(0.3, 2.0)
        ring = middle + radius * (
            np.cos(turn)[:, None] * one + np.sin(turn)[:, None] * np.cross(up, one)
        )
        border = scan.vertices[scan.halfedges[scan.twin_halfedges < 0][:, 0]]
        if np.linalg.norm(border - middle, axis=1).min() < 3.0:
            continue
        outline = surface_curve(scan, ring, closed=True, limit_mm=2.0)
        region = surface_region(scan, outline)
        assert_region(scan, outline, region)
        done += 1
        if done == 4:
            break
    assert done == 4
