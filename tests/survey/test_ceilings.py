"""Ceilings: which faces, in which patches, and that folds are really opened."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from bodies import ball, ball_on_plate, box, cast_of, ramp, surveyed, torus, united, worked
from invariants import assert_solid, assert_under_cast, assert_walls_parallel

from blockout.mesh import Floats, Mesh
from blockout.surveying.ceilings import find_ceilings, unfolded, uppermost
from blockout.surveying.columns import volume_under_mm3
from blockout.surveying.folds import lower_of_folds
from blockout.surveying.patches import Ceilings, seen_along

UP = np.array([0.0, 0.0, 1.0])


def everything(mesh: Mesh) -> np.ndarray:
    return np.ones(mesh.triangle_count, dtype=bool)


def columns_mm3(mesh: Mesh, floor_mm: float) -> float:
    """Air under a body whose top and underside have one plan, by summing over its columns.

    Closed form: over each triangle of the plan the faces are planes, so a column's length is the
    mean of its corners. Going down: under each ceiling there is air to the next face or the floor.
    """
    slope = mesh.face_crosses[:, 2] / 2.0
    level = np.abs(slope) > 1e-12
    plan = np.round(mesh.corners[level][:, :, :2].mean(axis=1), 6)
    height = mesh.corners[level][:, :, 2].mean(axis=1)
    area = slope[level]
    _, column = np.unique(plan, axis=0, return_inverse=True)
    total = 0.0
    for one in range(int(column.max()) + 1):
        faces = np.flatnonzero(column.reshape(-1) == one)
        faces = faces[np.argsort(-height[faces])]
        bounds = np.append(height[faces], floor_mm)
        for k, face in enumerate(faces):
            if area[face] < 0.0:
                total += -area[face] * (bounds[k] - bounds[k + 1])
    return total


def overlap_mm2(mesh: Mesh, faces: np.ndarray, to_plan: Floats) -> float:
    """Area counted more than once when faces are seen from above, by shapely."""
    triangles = [shapely.Polygon(corners @ to_plan.T) for corners in mesh.corners[faces]]
    return sum(t.area for t in triangles) - shapely.union_all(triangles, grid_size=1e-9).area


# --- which faces ---------------------------------------------------------------------------------
def test_ceilings_are_the_scanned_faces_that_look_down() -> None:
    body, scanned = ball_on_plate(around=32)
    direction = surveyed(cast_of(body, scanned=scanned), tilt_deg=(6.0, 2.0)).path.direction
    found = find_ceilings(body, scanned, direction)
    expected = scanned & (body.face_normals @ direction < -1e-9)
    assert set(found.face.tolist()) == set(np.flatnonzero(expected).tolist())
    assert found.patch_count == 1


def test_the_base_is_never_a_ceiling() -> None:
    """A base wall becomes an undercut at the first degree of tilt; it must count for nothing."""
    body = box((-5.0, -5.0, 0.0), (5.0, 5.0, 8.0))
    top_only = body.face_normals[:, 2] > 0.5
    cast = cast_of(body, scanned=top_only)
    done = worked(cast, tilt_deg=(10.0, 8.0))
    assert find_ceilings(body, top_only, done.survey.path.direction).patch_count == 0
    assert done.blockout.wax.mesh is None
    assert done.volume_mm3 == done.survey.volume_mm3 == done.survey.area_mm2 == 0.0
    assert done.survey.max_depth_mm == 0.0
    # the same walls, scanned, are undercut on two sides
    scanned = worked(cast_of(body), tilt_deg=(10.0, 8.0))
    assert scanned.survey.area_mm2 > 100.0
    assert scanned.volume_mm3 > 50.0


def test_walls_along_the_path_are_no_ceilings() -> None:
    body = box((0.0, 0.0, 0.0), (1.0, 2.0, 3.0))
    found = find_ceilings(body, body.face_normals[:, 2] > -0.5, UP)
    assert len(found.face) == 0
    assert found.patch_count == 0
    # under a tilt, the faces of the box that hold the path as their line are still none
    tilted = np.array([0.0, np.sin(0.1), np.cos(0.1)])
    found = find_ceilings(body, everything(body), tilted)
    normals = {tuple(np.round(normal, 6)) for normal in body.face_normals[found.face]}
    assert normals == {(0.0, 0.0, -1.0), (0.0, -1.0, 0.0)}


def test_patches_are_connected_and_numbered() -> None:
    body = united([ball(2.0, subdivisions=2, centre=(6.0 * k, 0.0, 0.0)) for k in range(3)])
    found = find_ceilings(body, everything(body), UP)
    assert found.patch_count == 3
    for patch in range(3):
        middle = body.face_centres[found.face[found.patch == patch]]
        assert np.ptp(middle[:, 0]) < 4.1
    kept = found.without(np.array([False, True, False]))
    assert kept.patch_count == 2
    assert len(kept.face) == (found.patch != 1).sum()


# --- folds ---------------------------------------------------------------------------------------
def test_the_faces_under_their_own_patch_are_those_a_turn_below() -> None:
    """Closed form: of a ramp of 2.5 turns the lower 1.5 lie under the same ramp."""
    body = ramp(turns=2.5, around=20, pitch_mm=3.0)
    found = find_ceilings(body, everything(body), UP)
    lower, hidden = lower_of_folds(body, found, seen_along(body, UP), UP)
    under = body.face_centres[found.face][:, 2] < 1.5 * 3.0
    assert ((lower | hidden) == under).all()


@pytest.mark.parametrize("turns", [0.9, 1.5, 2.5])
@pytest.mark.parametrize("tilt_deg", [(0.0, 0.0), (4.0, -3.0)])
def test_a_ramp_of_more_than_one_turn_is_opened(
    turns: float, tilt_deg: tuple[float, float]
) -> None:
    body = ramp(turns=turns, around=20)
    path = surveyed(cast_of(body), tilt_deg=tilt_deg).path
    whole = find_ceilings(body, everything(body), path.direction)
    opened = unfolded(body, whole, path.direction)
    to_plan = path.to_path[:2]
    # faces may be dropped only where those kept roof them over
    left = np.setdiff1d(whole.face, opened.face)
    assert len(np.setdiff1d(opened.face, whole.face)) == 0
    roof = shapely.union_all(
        [shapely.Polygon(corners @ to_plan.T) for corners in body.corners[opened.face]],
        grid_size=1e-9,
    )
    for face in left:
        assert roof.buffer(1e-6).contains(shapely.Polygon(body.corners[face] @ to_plan.T))
    folded = [
        overlap_mm2(body, whole.face[whole.patch == patch], to_plan) > 1e-6
        for patch in range(whole.patch_count)
    ]
    # the underside is one patch and covers itself from the second turn on: the code must fire
    assert any(folded) or turns < 1.0
    changed = len(left) > 0 or opened.patch_count > whole.patch_count
    assert changed == any(folded)
    if tilt_deg == (0.0, 0.0):
        assert any(folded) == (turns > 1.0)
    for patch in range(opened.patch_count):
        assert overlap_mm2(body, opened.face[opened.patch == patch], to_plan) < 1e-6


@pytest.mark.parametrize("turns", [0.9, 1.5, 2.5, 3.75])
def test_fill_under_a_ramp(turns: float) -> None:
    body = ramp(turns=turns, around=20)
    cast = cast_of(body)
    done = worked(cast)
    closed_mm3 = columns_mm3(body, 0.0)
    assert done.volume_mm3 == pytest.approx(closed_mm3, rel=1e-6)
    assert_solid(done.wax)
    assert_walls_parallel(done.wax, cast, UP)
    assert_under_cast(done.wax, cast, UP)


def test_a_folded_patch_pulled_down_whole_would_be_wrong() -> None:
    """The trap that opening avoids: the patch's own prism counts what is covered twice."""
    body = ramp(turns=2.5, around=20)
    whole = find_ceilings(body, everything(body), UP)
    shadow_mm2 = -body.face_crosses[whole.face, 2].sum() / 2.0
    # closed form: the plan is one ring of the polygon's area
    ring_mm2 = 20.0 / 2.0 * np.sin(2.0 * np.pi / 20.0) * (36.0 - 9.0)
    assert shadow_mm2 == pytest.approx(2.5 * ring_mm2, rel=1e-9)
    opened = unfolded(body, whole, UP)
    for patch in range(opened.patch_count):
        part = opened.face[opened.patch == patch]
        assert -body.face_crosses[part, 2].sum() / 2.0 <= ring_mm2 * (1.0 + 1e-9)


# --- what is roofed already ----------------------------------------------------------------------
def test_faces_wholly_under_another_patch_add_nothing() -> None:
    body = united(
        [
            box((-1.0, -1.0, 0.0), (1.0, 1.0, 10.0)),
            box((-5.0, -5.0, 8.0), (5.0, 5.0, 10.0)),
            ball(2.5, subdivisions=3, centre=(0.0, 0.0, 4.0)),
        ]
    )
    found = find_ceilings(body, everything(body), UP)
    kept = uppermost(body, found, UP)
    assert set(kept.face.tolist()) < set(found.face.tolist())
    # what is left is the lid's underside; the ball under it is roofed
    height = body.face_centres[kept.face, 2]
    assert (np.abs(height - 8.0) < 1e-9).any()
    lost = set(found.face.tolist()) - set(kept.face.tolist())
    assert (body.face_centres[sorted(lost), 2] < 8.0 - 1e-9).all()
    # and every one of them lies under the lid
    assert np.abs(body.corners[sorted(lost)][:, :, :2]).max() <= 5.0
    # closed form: the lid's column less stem and ball outside the stem
    done = worked(cast_of(body))
    column_mm3 = 100.0 * 8.0
    under_mm3 = body.volume_mm3 - 200.0
    assert done.volume_mm3 == pytest.approx(column_mm3 - under_mm3, rel=1e-6)


def test_a_face_partly_under_another_patch_stays() -> None:
    body = united([ball(3.0, subdivisions=2), ball(3.0, subdivisions=2, centre=(3.0, 0.0, 5.0))])
    found = find_ceilings(body, everything(body), UP)
    kept = uppermost(body, found, UP)
    left = np.setdiff1d(found.face, kept.face)
    upper = [t for t in body.corners[found.face] if t[:, 2].min() > 1.0]
    roof = shapely.union_all([shapely.Polygon(t[:, :2]) for t in upper], grid_size=1e-9)
    for face in left:
        assert roof.buffer(1e-6).contains(shapely.Polygon(body.corners[face][:, :2]))


# --- volume by rays ------------------------------------------------------------------------------
@pytest.mark.parametrize("tilt_deg", [(0.0, 0.0), (6.0, -4.0)])
@pytest.mark.parametrize("make", [lambda: torus(around=16), lambda: ramp(turns=1.5, around=12)])
def test_columns_by_rays_add_up_to_the_solid(make: object, tilt_deg: tuple[float, float]) -> None:
    cast = cast_of(make())  # type: ignore[operator]
    done = worked(cast, tilt_deg=tilt_deg)
    under_mm3 = volume_under_mm3(cast, done.survey.path, done.survey.ceilings.face)
    assert (under_mm3 >= 0.0).all()
    assert under_mm3.sum() == done.survey.volume_mm3
    assert under_mm3.sum() == pytest.approx(done.volume_mm3, rel=0.005)


def test_one_large_face_is_asked_in_many_places() -> None:
    # closed form: a square table 8 x 8 on a leg 2 x 2, 3 mm high: (64 - 4) x 3; one ray from the
    # middle of a face would give the leg's share all or nothing
    body = united(
        [box((-1.0, -1.0, 0.0), (1.0, 1.0, 4.0)), box((-4.0, -4.0, 3.0), (4.0, 4.0, 5.0))]
    )
    found = surveyed(cast_of(body))
    assert found.volume_mm3 == pytest.approx(180.0, rel=0.01)
    empty = volume_under_mm3(found.cast, found.path, np.zeros(0, dtype=np.int64))
    assert empty.shape == (0,)
    assert Ceilings(np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)).patch_count == 0
