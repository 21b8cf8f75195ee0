"""Trimming the border: distances along flat and curved sheets in closed form, cuts that move
nothing, prickles that go, and borders from which no plain skirt can hang.
"""

from __future__ import annotations

import numpy as np
import pytest
from open_scans import (
    Section,
    dome,
    folded_in,
    leaning,
    narrow_below,
    open_arch,
    rows_in,
    sheet,
    upright,
)

from blockout.cast.border import (
    LOCAL_LIMIT_MM,
    PRICKLE_MM,
    Trimmed,
    skirt_conflicts,
    trim_again,
    trim_border,
)
from blockout.cast.cut import cut_where_positive, distance_along_surface_mm
from blockout.cast.frame import CastFrame
from blockout.cast.holes import fill_hole
from blockout.cast.pieces import border_loops, one_sheet
from blockout.errors import DefectError
from blockout.kernel.outlines import is_simple, ring_area_mm2
from blockout.kernel.surfaces import self_intersections
from blockout.mesh import Floats, Mesh, solidity

LEVEL = CastFrame(np.eye(4))
TRIM_MM = 0.6


def border_of(mesh: Mesh) -> Mesh:
    return mesh.part(one_sheet(mesh))


def assert_one_clean_border(trimmed: Trimmed, before: Mesh, *, frame: CastFrame = LEVEL) -> None:
    """One loop, simple from above and anticlockwise, no skirt conflict, nothing moved."""
    (loop,) = border_loops(trimmed.mesh)
    assert set(loop.tolist()) == set(trimmed.loop.tolist())
    plan = frame.points_to_cast(trimmed.mesh.vertices[trimmed.loop])[:, :2]
    assert is_simple(plan)
    assert ring_area_mm2(plan) > 0.0
    assert len(skirt_conflicts(trimmed.mesh, trimmed.loop, frame=frame).lower_mm) == 0
    assert len(self_intersections(trimmed.mesh)) == 0
    found = solidity(trimmed.mesh)
    assert found.open_edge_count == len(loop)
    assert found.pinched_vertex_count == 0
    whole = trimmed.came_from >= 0
    assert np.array_equal(trimmed.mesh.corners[whole], before.corners[trimmed.came_from[whole]])
    assert trimmed.removed_count == before.triangle_count - int(whole.sum())
    assert trimmed.removed_area_mm2 == pytest.approx(
        before.face_areas_mm2.sum() - trimmed.mesh.face_areas_mm2.sum(), abs=1e-9
    )


def test_distance_from_a_straight_border_is_exact() -> None:
    """Closed form: a plane strip, the way to the edge x = 0 is x. Gains under 1e-9 mm a step are
    not followed up.
    """
    strip = sheet(8.0, 30.0, step_mm=0.4)
    edge = np.flatnonzero(strip.vertices[:, 0] == 0.0)
    found = distance_along_surface_mm(strip, edge, limit_mm=7.0)
    inside = strip.vertices[:, 0] <= 7.0 - 1e-9
    assert np.abs(found - strip.vertices[:, 0])[inside].max() < 1e-8
    assert np.isinf(found[strip.vertices[:, 0] > 7.0 + 1e-9]).all()


def test_distance_follows_the_surface() -> None:
    """Closed form: on a cylinder bent out of that strip, distances along it are unchanged."""
    strip = sheet(12.0, 9.0, step_mm=0.3)
    edge = np.flatnonzero(strip.vertices[:, 0] == 0.0)
    turn = strip.vertices[:, 0] / 5.0
    bent = Mesh(
        np.stack([5.0 * np.cos(turn), 5.0 * np.sin(turn), strip.vertices[:, 1]], axis=1),
        strip.faces,
    )
    found = distance_along_surface_mm(bent, edge, limit_mm=20.0)
    # chords of the facets are shorter than the arc by (0.3 / 5)^2 / 24 of it
    assert np.abs(found / np.maximum(strip.vertices[:, 0], 1e-9) - 1.0)[turn > 0].max() < 1e-3


def test_distance_around_a_point_is_a_few_percent_long() -> None:
    """Closed form: in a plane the straight line. Fronts are taken as straight over a triangle, so
    around a point they arrive late by a share of the mesh width that grows with its logarithm.
    """
    worst = []
    for step_mm in (0.5, 0.25):
        flat = sheet(10.0, 10.0, step_mm=step_mm)
        centre = int(np.argmin(np.linalg.norm(flat.vertices - [5.0, 5.0, 0.0], axis=1)))
        true_mm = np.linalg.norm(flat.vertices - flat.vertices[centre], axis=1)
        found = distance_along_surface_mm(flat, np.array([centre]), limit_mm=20.0)
        off = found - true_mm
        assert off.min() > -1e-9
        worst.append(off.max())
    assert worst[0] < 0.5
    assert worst[1] < 0.75 * worst[0]


def test_sources_may_start_ahead() -> None:
    strip = sheet(8.0, 4.0, step_mm=0.4)
    edge = np.flatnonzero(strip.vertices[:, 0] == 0.0)
    found = distance_along_surface_mm(strip, edge, limit_mm=20.0, ahead_mm=np.full(len(edge), 1.25))
    assert np.abs(found - strip.vertices[:, 0] - 1.25).max() < 1e-8


def test_a_cut_keeps_what_it_does_not_cross_to_the_bit() -> None:
    flat = sheet(10.0, 10.0, step_mm=0.5)
    level = flat.vertices @ np.array([0.8, 0.6, 0.0]) - 5.03
    cut = cut_where_positive(flat, level)
    whole = cut.came_from >= 0
    assert np.array_equal(cut.mesh.corners[whole], flat.corners[cut.came_from[whole]])
    clear = (level[flat.faces] > 0.25 * 0.8).all(axis=1)
    assert np.isin(np.flatnonzero(clear), cut.came_from).all()
    new = cut.mesh.vertices[len(flat.vertices) :]
    assert np.abs(new @ np.array([0.8, 0.6, 0.0]) - 5.03).max() < 1e-12
    # it wanders off the line by a quarter of an edge at most: 0.5 mm sides, shaken by 0.2 of it
    used = cut.mesh.vertices[np.unique(cut.mesh.faces)]
    assert (used @ np.array([0.8, 0.6, 0.0]) - 5.03).min() > -0.25 * 1.2
    sides = np.linalg.norm(cut.mesh.corners - np.roll(cut.mesh.corners, 1, axis=1), axis=2)
    height = 2.0 * cut.mesh.face_areas_mm2 / sides.max(axis=1)
    assert (height / sides.max(axis=1)).min() > 0.05
    assert (cut.mesh.face_crosses[:, 2] > 0.0).all()
    assert solidity(cut.mesh).crowded_edge_count == 0


def test_a_cut_through_vertices_splits_nothing() -> None:
    flat = sheet(10.0, 4.0, step_mm=0.5)
    square = Mesh(np.round(flat.vertices / 0.5) * 0.5, flat.faces)
    cut = cut_where_positive(square, square.vertices[:, 0] - 4.0)
    assert (cut.came_from >= 0).all()
    assert cut.mesh.face_areas_mm2.sum() == pytest.approx(6.0 * 4.0, rel=1e-12)


def test_a_plain_border_is_trimmed_by_the_chosen_depth() -> None:
    """Closed form: on half a ball of radius 10 the cut is the circle 0.6 mm up along the arc."""
    ball = dome(rings=40)
    trimmed = trim_border(ball, frame=LEVEL, trim_mm=TRIM_MM)
    assert_one_clean_border(trimmed, ball)
    assert len(trimmed.deeper_at_mm) == 0
    height = trimmed.mesh.vertices[trimmed.loop, 2]
    edge_mm = 10.0 * 0.5 * np.pi / 40
    assert np.abs(height - 10.0 * np.sin(0.06)).max() < 0.25 * edge_mm + 0.01
    assert trimmed.deepest_mm == pytest.approx(TRIM_MM, abs=0.25 * edge_mm)
    band_mm2 = 2.0 * np.pi * 10.0 * 10.0 * np.sin(0.06)  # Archimedes: a zone's area
    assert trimmed.removed_area_mm2 == pytest.approx(band_mm2, rel=0.05)


def prickly(mesh: Mesh, *, every: float, wide: float, long_mm: float) -> Mesh:
    """Half a ball whose border is cut ``long_mm`` up but for teeth left standing."""
    centre = mesh.face_centres
    turn = np.arctan2(centre[:, 1], centre[:, 0]) * 10.0
    tooth = np.abs((turn + every / 2.0) % every - every / 2.0) < wide / 2.0
    rest = 10.0 * np.arcsin(np.clip(centre[:, 2] / 10.0, -1.0, 1.0))
    return border_of(Mesh(mesh.vertices, mesh.faces[tooth | (rest > long_mm)]))


def test_prickles_are_cut_off_at_their_root() -> None:
    """Teeth narrower than twice the prickle width go; between them little more than asked."""
    long_mm = 3.0
    ball = prickly(dome(rings=60), every=7.85, wide=1.6, long_mm=long_mm)
    trimmed = trim_border(ball, frame=LEVEL, trim_mm=TRIM_MM)
    assert_one_clean_border(trimmed, ball)
    height = 10.0 * np.arcsin(trimmed.mesh.vertices[trimmed.loop, 2] / 10.0)
    edge_mm = 10.0 * 0.5 * np.pi / 60
    assert height.min() > long_mm  # no tooth is left
    assert height.max() < long_mm + TRIM_MM + 2.0 * edge_mm
    assert trimmed.deepest_mm <= TRIM_MM + PRICKLE_MM + edge_mm


def test_what_is_broad_is_no_prickle() -> None:
    long_mm, wide = 3.0, 10.0
    ball = prickly(dome(rings=60), every=31.416, wide=wide, long_mm=long_mm)
    trimmed = trim_border(ball, frame=LEVEL, trim_mm=TRIM_MM)
    assert_one_clean_border(trimmed, ball)
    points = trimmed.mesh.vertices[trimmed.loop]
    turn = np.abs(np.arctan2(points[:, 1], points[:, 0])) * 10.0
    height = 10.0 * np.arcsin(points[:, 2] / 10.0)
    edge_mm = 10.0 * 0.5 * np.pi / 60
    assert np.abs(height[turn < 1.0] - TRIM_MM).max() < edge_mm


@pytest.mark.parametrize("ragged", [0.0, 0.4])
@pytest.mark.parametrize("section", [upright, narrow_below, folded_in, leaning])
def test_awkward_borders_are_cut_back_only_there(section: Section, ragged: float) -> None:
    arch = border_of(open_arch(section, ragged=ragged))
    holes = border_loops(arch)[1:]
    assert len(holes) < 12
    for loop in holes:  # holes in the ragged zone are another step's work
        arch = fill_hole(arch, loop)
    trimmed = trim_border(arch, frame=LEVEL, trim_mm=TRIM_MM)
    assert_one_clean_border(trimmed, arch)
    assert trimmed.deepest_mm <= LOCAL_LIMIT_MM
    assert trimmed.removed_area_mm2 < 0.2 * arch.face_areas_mm2.sum()
    # away from the places where it had to go deeper, what lies further in than the prickle
    # width is all there
    field = trimmed.field
    kept = np.zeros(len(arch.vertices), dtype=bool)
    kept[arch.faces[trimmed.came_from[trimmed.came_from >= 0]].reshape(-1)] = True
    inside = field.from_border_mm > TRIM_MM + PRICKLE_MM + 1.0
    plain = field.depth_mm <= TRIM_MM + 1e-12
    assert kept[inside & plain].all()
    assert rows_in(trimmed.mesh.vertices[: int(kept.sum())], arch.vertices).all()


def test_a_narrow_ridge_needs_deeper_cuts() -> None:
    plain = trim_border(open_arch(upright), frame=LEVEL, trim_mm=TRIM_MM)
    narrow = trim_border(open_arch(narrow_below), frame=LEVEL, trim_mm=TRIM_MM)
    assert len(plain.deeper_at_mm) == 0
    # at both cut ends, left and right, which lie at y = 0, and nowhere else
    assert set(np.sign(narrow.deeper_at_mm[:, 0])) == {-1.0, 1.0}
    assert np.abs(narrow.deeper_at_mm[:, 1]).max() < 4.0


def test_conflicts_name_the_lower_of_two_surfaces() -> None:
    arch = open_arch(leaning)
    loop = border_loops(arch)[0]
    found = skirt_conflicts(arch, loop, frame=LEVEL)
    assert len(found.lower_mm) == len(found.upper_mm) >= 2
    assert (found.upper_mm[:, 2] >= found.lower_mm[:, 2] - 0.7).all()
    none = skirt_conflicts(dome(), border_loops(dome())[0], frame=LEVEL)
    assert len(none.lower_mm) == 0


def test_a_vase_is_refused_with_places() -> None:
    """Closed but for an opening on top that is narrower than its belly: every skirt from the
    opening falls through the belly, however far it is cut back within the limit.
    """
    ball = dome(rings=40)
    tilt = np.pi - np.arccos(np.clip(ball.vertices[:, 2] / 10.0, -1.0, 1.0)) * 1.75
    turn = np.arctan2(ball.vertices[:, 1], ball.vertices[:, 0])
    ring = 10.0 * np.sin(tilt)
    vase = Mesh(
        np.stack([ring * np.cos(turn), ring * np.sin(turn), 10.0 * np.cos(tilt)], axis=1),
        ball.faces[:, ::-1],
    )
    assert vase.face_crosses[0, 2] < 0.0  # its bottom looks down
    with pytest.raises(DefectError, match="no skirt can hang") as error:
        trim_border(vase, frame=LEVEL, trim_mm=TRIM_MM, limit_mm=3.0)
    assert "--border-trim" in str(error.value)
    assert "3 mm" in str(error.value)
    assert len(error.value.places_mm) > 5


def test_trimming_all_away_is_refused() -> None:
    with pytest.raises(DefectError, match="nothing is left"):
        trim_border(dome(radius_mm=2.0), frame=LEVEL, trim_mm=5.0)


def test_trimming_again_goes_deeper_there() -> None:
    ball = dome(rings=40)
    once = trim_border(ball, frame=LEVEL, trim_mm=TRIM_MM)
    place: Floats = once.mesh.vertices[once.loop[:1]]
    twice = trim_again(once, place, frame=LEVEL)
    assert_one_clean_border(twice, ball)
    near = np.linalg.norm(twice.mesh.vertices[twice.loop] - place[0], axis=1)
    assert near.min() > 0.2
    opposite = np.linalg.norm(twice.mesh.vertices[twice.loop] + place[0] * [1, 1, -1], axis=1)
    assert opposite.min() < 0.5
    assert len(twice.deeper_at_mm) == 1
