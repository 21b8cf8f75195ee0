"""Engraved marks and scored lines: volumes by closed form, directions, nothing undercut."""

from __future__ import annotations

import math

import numpy as np
import pytest
from bodies import box, cast_of, moved_cast, turn_about, united
from invariants import assert_solid, distance_to_mm

from blockout.case.recording_settings import RecordingSettings
from blockout.case.settings import PathSettings
from blockout.cast.cast import Cast
from blockout.errors import InputError
from blockout.mesh import Floats, Mesh
from blockout.recording.engraving import mark_grooves
from blockout.recording.groove import carve
from blockout.recording.scoring import LEAST_APART_DEG, scored_lines
from blockout.recording.triangle import heights_of, tilt_error
from blockout.recording.tripod import Tripod
from blockout.surveying.path import InsertionPath, insertion_path
from blockout.wax.space import free_space

TILTS = [(0.0, 0.0), (6.0, -4.0)]


def sloping_block(slope_deg: float = 0.0) -> Cast:
    """A block 50 x 40 mm whose top is a plane that rises along x; its sides and bottom are base."""
    body = box((-25.0, -20.0, -15.0), (25.0, 20.0, 0.0))
    vertices = np.array(body.vertices)
    top = vertices[:, 2] > -1.0
    vertices[top, 2] += vertices[top, 0] * math.tan(math.radians(slope_deg))
    mesh = Mesh(vertices, body.faces)
    return cast_of(mesh, scanned=mesh.face_normals[:, 2] > 0.5)


def path_of(cast: Cast, tilt_deg: tuple[float, float]) -> InsertionPath:
    tilts = PathSettings(anterior_tilt_deg=tilt_deg[0], lateral_tilt_deg=tilt_deg[1])
    return insertion_path(cast.frame, arch=cast.arch, settings=tilts)


def tripod_at(cast: Cast, path: InsertionPath, flat_mm: Floats) -> Tripod:
    """Marks put on the block's top by hand."""
    top = np.flatnonzero(cast.scanned)
    normal, point = cast.mesh.face_normals[top[0]], cast.mesh.corners[top[0], 0]
    z = (normal @ point - flat_mm @ normal[:2]) / normal[2]
    marks = np.c_[flat_mm, z]
    return Tripod(
        path=path,
        marks_mm=marks,
        face=np.full(3, top[0]),
        height_mm=0.0,
        spans_mm=np.linalg.norm(np.roll(marks, -1, axis=0) - marks, axis=1),
        heights_mm=heights_of(marks, path.direction),
        error=tilt_error(marks, path.direction, reading_error_mm=0.25),
        on_tissue=None,
    )


PLACES = np.array([[-15.0, -11.0], [14.0, -9.0], [2.0, 13.0]])


@pytest.mark.parametrize("tilt_deg", TILTS)
@pytest.mark.parametrize("slope_deg", [0.0, 25.0])
@pytest.mark.parametrize("shape", ["cross", "dimple"])
def test_a_mark_takes_its_closed_form_off_a_plane_of_any_slope(shape, slope_deg, tilt_deg):
    """Closed forms: cross of bars D by D/4, (2 D w - w^2) h; cone, pi D^2 h / 12. Leaning along the
    path changes no volume.
    """
    diameter, depth = 1.6, 0.45
    cast = sloping_block(slope_deg)
    path = path_of(cast, tilt_deg)
    settings = RecordingSettings(mark_shape=shape, mark_diameter_mm=diameter, mark_depth_mm=depth)
    grooves = mark_grooves(cast, tripod_at(cast, path, PLACES), settings)
    cut, space = carve(free_space(cast, path), grooves)
    width = diameter / 4.0
    area = 2.0 * diameter * width - width**2
    expected = area * depth if shape == "cross" else math.pi * diameter**2 * depth / 12.0
    assert len(cut) == 3
    for one, groove in zip(cut, grooves, strict=True):
        assert_solid(one.mesh)
        assert one.volume_mm3 == pytest.approx(expected, rel=1e-6)
        assert groove.level_volume_mm3 == pytest.approx(expected, rel=1e-12)
        # as deep as asked along the path, and no more
        on_top = distance_to_mm(cast.mesh, one.mesh.vertices)
        cosine = cast.mesh.face_normals[cast.scanned][0] @ path.direction
        assert on_top.max() == pytest.approx(depth * cosine, rel=1e-6)
    marked = space.mould_filled()
    assert_solid(marked)
    total = sum(one.volume_mm3 for one in cut)
    assert marked.volume_mm3 == pytest.approx(cast.mesh.volume_mm3 - total, rel=1e-9)


@pytest.mark.parametrize("shape", ["cross", "dimple"])
def test_no_mark_is_an_undercut(shape):
    """Seen from within the groove, every face looks up or aside, never down."""
    cast = sloping_block(25.0)
    path = path_of(cast, (6.0, -4.0))
    grooves = mark_grooves(cast, tripod_at(cast, path, PLACES), RecordingSettings(mark_shape=shape))
    cut, _ = carve(free_space(cast, path), grooves)
    for one in cut:
        looks_out = one.mesh.face_normals @ path.direction
        lid = distance_to_mm(cast.mesh, one.mesh.face_centres) < 1e-6
        assert (looks_out[lid] > 0.0).all()
        # the groove's own faces look the other way than the removed body's
        assert (looks_out[~lid] < 1e-9).all()
        assert (~lid).sum() > 4


def line_direction(carved: Mesh, cast: Cast) -> Floats:
    """Measured: where the groove's bottom meets its sides, from the normals of those faces."""
    off_side = distance_to_mm(cast.mesh, carved.face_centres) > 1e-4
    normals, areas = carved.face_normals[off_side], carved.face_areas_mm2[off_side]
    order = np.argsort(-areas)
    first = normals[order[0]]
    other = next(normals[k] for k in order if abs(normals[k] @ first) < 0.5)
    along = np.cross(first, other)
    return along / np.linalg.norm(along)


def looks_deg(grooves, cast: Cast) -> Floats:
    middles = np.array([g.ends_mm.mean(axis=0) for g in grooves])
    middle = cast.mesh.bounds_mm.mean(axis=0)
    return np.degrees(np.arctan2(*(middles - middle)[:, 1::-1].T))


@pytest.mark.parametrize("tilt_deg", TILTS)
def test_scored_lines_run_along_the_path_on_three_sides(tilt_deg):
    cast = sloping_block()
    path = path_of(cast, tilt_deg)
    settings = RecordingSettings(line_width_mm=0.9, line_depth_mm=0.5, line_length_mm=6.0)
    grooves = scored_lines(cast, path, settings)
    cut, space = carve(free_space(cast, path), grooves)
    assert len(cut) == 3
    for one, groove in zip(cut, grooves, strict=True):
        assert_solid(one.mesh)
        # within 0.01 degree of the path
        sine = np.linalg.norm(np.cross(line_direction(one.mesh, cast), path.direction))
        assert np.degrees(np.arcsin(sine)) < 0.01
        ends = np.diff(groove.ends_mm, axis=0)[0]
        assert np.linalg.norm(np.cross(ends, path.direction)) < 1e-9
        if tilt_deg == (0.0, 0.0):
            # closed form: width x depth x length on a side along the path
            length = np.linalg.norm(ends)
            assert length <= 6.0 + 1e-6
            # rays place the side to a few millionths of a millimetre
            assert one.volume_mm3 == pytest.approx(0.9 * 0.5 * length, rel=1e-5)
            assert groove.deepest_mm == pytest.approx(0.5, abs=1e-6)
        else:
            # a side that leans by a makes it deeper by length x tan a at one end
            deepest = distance_to_mm(cast.mesh, one.mesh.vertices).max()
            lean = math.tan(math.radians(math.hypot(*tilt_deg)))
            assert 0.5 * math.cos(math.atan(lean)) - 1e-3 <= deepest <= 0.5 + 6.1 * lean
            assert one.volume_mm3 > 0.9 * 0.5 * np.linalg.norm(ends) * 0.99
    turn = np.sort(looks_deg(grooves, cast))
    apart = np.diff(np.r_[turn, turn[0] + 360.0])
    assert apart.min() > LEAST_APART_DEG - 25.0  # as seen from the middle of an oblong block
    marked = space.mould_filled()
    total = sum(one.volume_mm3 for one in cut)
    assert marked.volume_mm3 == pytest.approx(cast.mesh.volume_mm3 - total, rel=1e-9)


def test_through_a_land_a_line_runs_out_so_that_no_mould_catches():
    """A base with a land 3 mm wide: the line reaches the land's top, and nothing in it looks down
    along the path.
    """
    body = united([box((-28, -23, -15), (28, 23, -3)), box((-25, -20, -14), (25, 20, 4))])
    scanned = (body.face_normals[:, 2] > 0.5) & (body.face_centres[:, 2] > 3.0)
    scanned |= (np.abs(body.face_normals[:, 2]) < 0.5) & (body.face_centres[:, 2] > -3.0)
    cast = cast_of(body, scanned=scanned)
    for tilt_deg in TILTS:
        path = path_of(cast, tilt_deg)
        grooves = scored_lines(cast, path, RecordingSettings())
        cut, _ = carve(free_space(cast, path), grooves)
        for one, groove in zip(cut, grooves, strict=True):
            own = distance_to_mm(cast.mesh, one.mesh.face_centres) > 1e-6
            assert (one.mesh.face_normals[own] @ path.direction < 1e-9).all()
            if tilt_deg == (0.0, 0.0):
                assert groove.ends_mm[1, 2] == pytest.approx(-3.0, abs=1e-4)
                length = groove.ends_mm[1, 2] - groove.ends_mm[0, 2]
                assert one.volume_mm3 == pytest.approx(0.8 * 0.4 * length, rel=1e-4)


def test_turning_everything_together_scores_the_same():
    cast = sloping_block(8.0)
    turn, shift = turn_about((1.0, 0.4, -0.2), 63.0), np.array([9.0, 80.0, -31.0])
    turned = moved_cast(cast, turn=turn, shift_mm=shift)
    volumes = []
    for one in (cast, turned):
        path = path_of(one, (4.0, 3.0))
        cut, _ = carve(free_space(one, path), scored_lines(one, path, RecordingSettings()))
        volumes.append(sorted(groove.volume_mm3 for groove in cut))
    np.testing.assert_allclose(volumes[0], volumes[1], rtol=1e-3)


def test_a_base_too_low_or_missing_is_refused():
    thin = box((-25.0, -20.0, -2.0), (25.0, 20.0, 0.0))
    cast = cast_of(thin, scanned=thin.face_normals[:, 2] > 0.5)
    with pytest.raises(InputError, match="no three sides") as error:
        scored_lines(cast, path_of(cast, (0.0, 0.0)), RecordingSettings())
    assert "--base-thickness" in error.value.fix
    whole = cast_of(box((-25.0, -20.0, -12.0), (25.0, 20.0, 0.0)))
    with pytest.raises(InputError, match="no three sides"):
        scored_lines(whole, path_of(whole, (0.0, 0.0)), RecordingSettings())
