"""Every kind of damage a scan comes with: made at a known place, mended, and told.

The undamaged surface is the judge: what was only added must be gone without a trace, and what
was replaced must differ from it nowhere else.
"""

from __future__ import annotations

import hashlib

import numpy as np
import pytest
from open_scans import (
    dome,
    inner_vertices,
    open_arch,
    rows_in,
    sheet,
    triangles_by_place,
)

from blockout.cast.change import Change
from blockout.cast.holes import fill_hole
from blockout.cast.pieces import border_loops, lesser_fans, loop_length_mm
from blockout.cast.repair import Repaired, repair
from blockout.errors import DefectError
from blockout.kernel.surfaces import self_intersections
from blockout.mesh import Floats, Mesh, joined, solidity

ARCH = open_arch()
INNER = inner_vertices(ARCH)


def mended(mesh: Mesh, *, stray_share: float = 0.1, hole_length_mm: float = 12.0) -> Repaired:
    """Repair, with what must hold after every repair: one clean sheet, nothing moved."""
    before = hashlib.sha256(mesh.vertices.tobytes() + mesh.faces.tobytes()).hexdigest()
    result = repair(mesh, stray_share=stray_share, hole_length_mm=hole_length_mm)
    after = hashlib.sha256(mesh.vertices.tobytes() + mesh.faces.tobytes()).hexdigest()
    assert after == before
    found = solidity(result.mesh)
    assert (
        found.crowded_edge_count,
        found.opposed_edge_count,
        found.pinched_vertex_count,
        found.collapsed_face_count,
    ) == (0, 0, 0, 0)
    assert len(border_loops(result.mesh)) <= 1
    assert len(np.unique(result.mesh.face_components())) == 1
    assert len(self_intersections(result.mesh)) == 0
    assert rows_in(
        result.mesh.vertices[np.unique(result.mesh.faces[result.original])], mesh.vertices
    ).all()
    return result


def the_change(result: Repaired, step: str) -> Change:
    (change,) = [change for change in result.changes if change.step == step]
    return change


def assert_told_near(change: Change, points_mm: Floats, *, within_mm: float) -> None:
    """Each place of the change lies near one of the points, and each point near a place."""
    told = np.array(change.places_mm)
    apart = np.linalg.norm(told[:, None] - np.atleast_2d(points_mm)[None], axis=2)
    assert apart.min(axis=1).max() <= within_mm
    assert apart.min(axis=0).max() <= within_mm


def test_a_clean_scan_is_left_alone() -> None:
    result = mended(ARCH)
    assert result.changes == ()
    assert result.original.all()
    assert np.array_equal(result.mesh.vertices, ARCH.vertices)
    assert np.array_equal(result.mesh.faces, ARCH.faces)


def test_islands_are_dropped() -> None:
    island = Mesh(
        dome(radius_mm=1.0, rings=4).vertices + np.array([0.0, 0.0, 5.0]), dome(rings=4).faces
    )
    result = mended(joined([ARCH, island]))
    change = the_change(result, "strays")
    assert (change.touched, change.unit) == (island.triangle_count, "faces")
    assert_told_near(change, island.face_centres, within_mm=2.0)
    assert triangles_by_place(result.mesh) == triangles_by_place(ARCH)


def test_a_second_large_piece_is_refused_with_its_place() -> None:
    with pytest.raises(DefectError, match="several pieces") as error:
        repair(
            joined([ARCH, Mesh(ARCH.vertices + np.array([0.0, 0.0, 40.0]), ARCH.faces)]),
            stray_share=0.1,
            hole_length_mm=12.0,
        )
    assert "--stray-share" in str(error.value)
    places = np.array(error.value.places_mm)
    assert len(places) == 1
    assert abs(abs(places[0, 2] - ARCH.face_centres[:, 2].mean()) - 40.0) < 1e-9 or (
        abs(places[0, 2] - ARCH.face_centres[:, 2].mean()) < 1e-9
    )


def test_a_piece_goes_where_the_user_lets_it() -> None:
    half = ARCH.part(ARCH.face_centres[:, 0] < 0.0)
    low = Mesh(half.vertices - [0.0, 0.0, 30.0], half.faces)
    share = low.face_areas_mm2.sum() / ARCH.face_areas_mm2.sum()
    result = mended(joined([low, ARCH]), stray_share=share + 0.01)
    assert the_change(result, "strays").touched == low.triangle_count
    with pytest.raises(DefectError, match="several pieces"):
        repair(joined([low, ARCH]), stray_share=share - 0.01, hole_length_mm=12.0)


def test_spikes_are_dropped_and_filled() -> None:
    tips = INNER[[100, 600, 1200, 1600]]
    rng = np.random.default_rng(5)
    way = rng.normal(size=(4, 3))
    way /= np.linalg.norm(way, axis=1)[:, None]
    points = np.array(ARCH.vertices)
    points[tips] += 5.0 * way
    result = mended(Mesh(points, ARCH.faces))
    change = the_change(result, "spikes")
    assert (change.touched, change.unit) == (4, "vertices")
    assert_told_near(change, points[tips], within_mm=1e-9)
    assert change.extent_mm == pytest.approx(5.0, abs=0.5)
    assert not rows_in(points[tips], result.mesh.vertices).any()
    around = np.isin(ARCH.faces, tips).any(axis=1)
    assert triangles_by_place(result.mesh.part(result.original)) == triangles_by_place(
        ARCH.part(~around)
    )
    # the film over each hole stays within what the missing vertex stood over its neighbours
    film = result.mesh.face_centres[~result.original]
    assert len(film) >= 4 * 4
    assert np.linalg.norm(film[:, None] - ARCH.vertices[tips][None], axis=2).min(axis=1).max() < 1.0


def test_a_hole_left_by_a_spike_is_filled_however_large() -> None:
    """What the step itself dropped is its own to close: no limit of the user's speaks of it."""
    points = np.array(ARCH.vertices)
    points[INNER[600]] += 5.0 * ARCH.vertex_normals[INNER[600]]
    result = mended(Mesh(points, ARCH.faces), hole_length_mm=0.5)
    assert the_change(result, "holes").touched == 1
    assert the_change(result, "spikes").touched == 1


def test_a_sharp_cusp_is_no_spike() -> None:
    points = np.array(ARCH.vertices)
    points[INNER[700], 2] += 1.0  # twice as high as its neighbours are apart
    result = mended(Mesh(points, ARCH.faces))
    assert result.changes == ()


def test_holes_are_filled_with_well_shaped_faces() -> None:
    spots = ARCH.vertices[INNER[[200, 900, 1500]]]
    reach = np.linalg.norm(ARCH.face_centres[:, None] - spots[None], axis=2)
    missing = (reach < [0.8, 1.2, 1.6]).any(axis=1)
    pierced = Mesh(ARCH.vertices, ARCH.faces[~missing])
    rims = [loop_length_mm(pierced, loop) for loop in border_loops(pierced)[1:]]
    assert len(rims) == 3
    result = mended(pierced, hole_length_mm=max(rims) + 0.01)
    change = the_change(result, "holes")
    assert (change.touched, change.unit) == (3, "holes")
    assert f"{max(rims):.2f} mm around" in change.message
    assert_told_near(change, spots, within_mm=1.0)
    film = result.mesh.part(~result.original)
    assert film.face_areas_mm2.sum() == pytest.approx(
        ARCH.face_areas_mm2[missing].sum(), rel=0.05
    )  # bent by a ridge of about 5 mm radius, so a film of 3 mm across is a little smaller
    sides = np.linalg.norm(film.corners - np.roll(film.corners, 1, axis=1), axis=2)
    height = 2.0 * film.face_areas_mm2 / sides.max(axis=1)
    assert (height / sides.max(axis=1)).min() > 0.1
    assert result.original.sum() == ARCH.triangle_count - missing.sum()
    with pytest.raises(DefectError, match="hole too large") as error:
        repair(pierced, stray_share=0.1, hole_length_mm=max(rims) - 0.01)
    assert "--hole-length" in str(error.value)
    assert np.linalg.norm(np.array(error.value.places_mm[0]) - spots[2]) < 1.0


def test_a_hole_in_a_plane_is_filled_in_the_plane() -> None:
    """Closed form: the area of the polygon, by the shoelace formula."""
    flat = sheet(20.0, 20.0, step_mm=0.5)
    missing = np.linalg.norm(flat.face_centres - [9.0, 11.0, 0.0], axis=1) < 3.0
    pierced = Mesh(flat.vertices, flat.faces[~missing])
    loop = border_loops(pierced)[1]
    filled = fill_hole(pierced, loop)
    x, y = flat.vertices[loop[::-1], :2].T
    shoelace_mm2 = 0.5 * float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))
    film = Mesh(filled.vertices, filled.faces[pierced.triangle_count :])
    assert film.face_areas_mm2.sum() == pytest.approx(shoelace_mm2, rel=1e-12)
    assert (film.face_crosses[:, 2] > 0.0).all()
    assert np.abs(filled.vertices[len(flat.vertices) :, 2]).max() < 1e-12
    # triangles as large as those around, not a fan over the whole hole
    assert film.face_areas_mm2.max() < 3.0 * flat.face_areas_mm2.max()


def test_a_film_is_harmonic() -> None:
    """Closed form: with the rim at z = 0.3 x y, the even film is z = 0.3 x y itself."""
    flat = sheet(20.0, 20.0, step_mm=0.5)
    points = np.array(flat.vertices)
    x, y = points[:, 0] - 10.0, points[:, 1] - 10.0
    points[:, 2] = 0.3 * x * y
    bent = Mesh(points, flat.faces)
    missing = np.hypot(bent.face_centres[:, 0] - 10.0, bent.face_centres[:, 1] - 10.0) < 3.0
    pierced = Mesh(bent.vertices, bent.faces[~missing])
    filled = fill_hole(pierced, border_loops(pierced)[1])
    new = filled.vertices[len(points) :]
    assert len(new) > 40
    assert np.abs(new[:, 2] - 0.3 * (new[:, 0] - 10.0) * (new[:, 1] - 10.0)).max() < 0.02


def test_a_slit_is_closed() -> None:
    """A rim that encloses no area seen from any side is laid out on a circle instead."""
    flat = sheet(10.0, 10.0, step_mm=0.5)
    points = np.array(flat.vertices)
    start = int(np.argmin(np.linalg.norm(points - [3.0, 5.0, 0.0], axis=1)))
    run = [
        int(np.argmin(np.linalg.norm(points - [3.0 + 0.5 * k, 5.0, 0.0], axis=1))) for k in range(7)
    ]
    assert start == run[0]
    upper = flat.face_centres[:, 1] > points[run, 1].mean()
    faces = np.array(flat.faces)
    extra = []
    for vertex in run[1:-1]:
        extra.append(points[vertex] + [0.0, 0.0, 0.3])
        at = upper & (faces == vertex).any(axis=1)
        faces[at] = np.where(faces[at] == vertex, len(points) + len(extra) - 1, faces[at])
    torn = Mesh(np.vstack([points, extra]), faces)
    assert len(border_loops(torn)) == 2
    result = mended(torn)
    assert the_change(result, "holes").touched == 1


def test_a_flipped_patch_is_turned_back() -> None:
    patch = np.linalg.norm(ARCH.face_centres - ARCH.vertices[INNER[900]], axis=1) < 3.0
    faces = np.array(ARCH.faces)
    faces[patch] = faces[patch][:, ::-1]
    result = mended(Mesh(ARCH.vertices, faces))
    change = the_change(result, "winding")
    assert (change.touched, change.unit) == (int(patch.sum()), "faces")
    assert np.array_equal(result.mesh.faces, ARCH.faces)


def test_an_inside_out_scan_is_turned() -> None:
    result = mended(ARCH.reversed())
    assert the_change(result, "outside").touched == ARCH.triangle_count
    assert triangles_by_place(result.mesh) == triangles_by_place(ARCH)


def test_duplicates_are_dropped() -> None:
    again = np.vstack([ARCH.faces[100:120], ARCH.faces[300:310][:, [1, 2, 0]]])
    turned = ARCH.faces[400:405][:, ::-1]
    result = mended(Mesh(ARCH.vertices, np.vstack([ARCH.faces, again, turned])))
    assert the_change(result, "duplicates").touched == 35
    assert np.array_equal(result.mesh.faces, ARCH.faces)


def test_collapsed_faces_are_dropped() -> None:
    a, b, _ = ARCH.faces[2000]
    result = mended(Mesh(ARCH.vertices, np.vstack([ARCH.faces, [[a, a, b], [b, b, b]]])))
    assert the_change(result, "collapsed").touched == 2
    assert np.array_equal(result.mesh.faces, ARCH.faces)


@pytest.mark.parametrize("joined_by", ["an edge", "two edges", "a corner"])
def test_wrong_triangles_are_dropped(joined_by: str) -> None:
    here = int(np.flatnonzero(np.isin(ARCH.faces, INNER).all(axis=1))[500])
    a, b, c = ARCH.faces[here]
    count = len(ARCH.vertices)
    tip = ARCH.face_centres[here] + 2.0 * ARCH.face_normals[here]
    wrong = {
        "an edge": [[a, b, count]],
        "two edges": [[a, b, count], [b, c, count]],
        "a corner": [[a, count, count + 1]],
    }[joined_by]
    points = np.vstack([ARCH.vertices, tip, tip + np.array([0.3, 0.0, 0.0])])
    result = mended(Mesh(points, np.vstack([ARCH.faces, wrong])))
    assert sum(change.touched for change in result.changes) == len(wrong)
    (change,) = result.changes
    assert_told_near(change, ARCH.face_centres[here], within_mm=2.5)
    assert triangles_by_place(result.mesh) == triangles_by_place(ARCH)


def test_a_blister_on_one_edge_is_dropped() -> None:
    """A small closed sheet that hangs on the surface by one edge, which then has four faces."""
    here = int(np.flatnonzero(np.isin(ARCH.faces, INNER).all(axis=1))[800])
    a, b, _ = ARCH.faces[here]
    count = len(ARCH.vertices)
    up = ARCH.face_normals[here]
    points = np.vstack([ARCH.vertices, ARCH.vertices[a] + up, ARCH.vertices[b] + up + [0.1, 0, 0]])
    p, q = count, count + 1
    blister = [[a, b, p], [b, a, q], [a, p, q], [b, q, p]]
    result = mended(Mesh(points, np.vstack([ARCH.faces, blister])))
    assert triangles_by_place(result.mesh) == triangles_by_place(ARCH)
    assert sum(change.touched for change in result.changes) == 4


def test_a_corner_on_an_edge_turns_the_edge() -> None:
    """A face whose three corners lie on a line has no area: the surface stays the same set of
    points, no vertex is lost.
    """
    here = int(np.flatnonzero(np.isin(ARCH.faces, INNER).all(axis=1))[600])
    a, b, c = (int(v) for v in ARCH.faces[here])
    points = np.array(ARCH.vertices)
    points[[a, b]] = np.round(points[[a, b]] * 1024.0) / 1024.0  # their middle is then exact
    middle = len(points)
    points = np.vstack([points, (points[a] + points[b]) / 2.0])
    faces = np.delete(ARCH.faces, here, axis=0)
    faces = np.vstack([faces, [[a, middle, c], [middle, b, c], [a, b, middle]]])
    result = mended(Mesh(points, faces))
    assert the_change(result, "flat faces").touched == 1
    assert result.mesh.triangle_count == len(faces)
    assert np.array_equal(result.mesh.vertices, points)
    assert result.mesh.face_areas_mm2.min() > 1e-3
    assert result.mesh.face_areas_mm2.sum() == pytest.approx(
        Mesh(points, faces).face_areas_mm2.sum(), rel=1e-12
    )


def test_a_needle_of_no_width_is_joined() -> None:
    here = int(np.flatnonzero(np.isin(ARCH.faces, INNER).all(axis=1))[600])
    a, b, c = ARCH.faces[here]
    twin = len(ARCH.vertices)
    points = np.vstack([ARCH.vertices, ARCH.vertices[a]])
    faces = np.delete(ARCH.faces, here, axis=0)
    faces = np.vstack([faces, [[twin, b, c], [a, b, twin], [a, twin, c]]])
    result = mended(Mesh(points, faces))
    change = the_change(result, "seams")
    assert (change.touched, change.unit) == (1, "vertices")
    assert triangles_by_place(result.mesh) == triangles_by_place(ARCH)


def test_a_scan_torn_into_triangles_is_joined() -> None:
    torn = Mesh(ARCH.corners.reshape(-1, 3), np.arange(3 * ARCH.triangle_count).reshape(-1, 3))
    result = mended(torn)
    assert the_change(result, "seams").touched == len(torn.vertices) - len(ARCH.vertices)
    assert triangles_by_place(result.mesh) == triangles_by_place(ARCH)


def test_crossing_faces_are_replaced() -> None:
    """One vertex pulled through the surface nearby, too near to be a spike."""
    points = np.array(ARCH.vertices)
    here = INNER[900]
    ring = np.unique(ARCH.faces[(ARCH.faces == here).any(axis=1)])
    far = ring[np.argmax(np.linalg.norm(points[ring] - points[here], axis=1))]
    points[here] += 1.6 * (points[far] - points[here])
    crossing = Mesh(points, ARCH.faces)
    assert len(self_intersections(crossing)) > 0
    result = mended(crossing)
    change = the_change(result, "crossings")
    assert_told_near(change, points[far], within_mm=2.0)
    assert 6 <= change.touched < 80
    # nothing else was touched
    kept = triangles_by_place(result.mesh.part(result.original))
    lost = triangles_by_place(crossing) - kept
    assert kept < triangles_by_place(crossing)
    assert len(lost) <= change.touched


def test_a_tangle_is_refused() -> None:
    shaken = ARCH.vertices + np.random.default_rng(3).normal(0.0, 0.6, ARCH.vertices.shape)
    with pytest.raises(DefectError, match="cuts through itself") as error:
        repair(Mesh(shaken, ARCH.faces), stray_share=0.1, hole_length_mm=12.0)
    assert len(error.value.places_mm) > 5


def test_a_twisted_band_is_refused() -> None:
    around, across = 60, 9
    turn = 2.0 * np.pi * np.arange(around) / around
    out = np.linspace(-5.0, 5.0, across)
    radius = 20.0 + out[None, :] * np.cos(turn / 2.0)[:, None]
    band = np.stack(
        [
            radius * np.cos(turn)[:, None],
            radius * np.sin(turn)[:, None],
            out[None, :] * np.sin(turn / 2.0)[:, None],
        ],
        axis=2,
    ).reshape(-1, 3)
    number = np.arange(around * across).reshape(around, across)
    after = np.vstack([number[1:], number[:1, ::-1]])
    a, b = number[:, :-1].ravel(), number[:, 1:].ravel()
    c, d = after[:, :-1].ravel(), after[:, 1:].ravel()
    faces = np.concatenate([np.stack([a, c, b], axis=1), np.stack([b, c, d], axis=1)])
    with pytest.raises(DefectError, match="no outside"):
        repair(Mesh(band, faces), stray_share=0.1, hole_length_mm=12.0)


@pytest.mark.parametrize("shared", ["corners", "nothing"])
def test_scattered_triangles_are_refused(shared: str) -> None:
    rng = np.random.default_rng(7)
    count = 100_000
    if shared == "corners":
        soup = Mesh(rng.uniform(0, 60, (count // 2, 3)), rng.integers(0, count // 2, (count, 3)))
    else:
        soup = Mesh(rng.uniform(0, 60, (3 * count, 3)), np.arange(3 * count).reshape(-1, 3))
    with pytest.raises(DefectError, match="not a surface"):
        repair(soup, stray_share=0.1, hole_length_mm=12.0)


def test_of_two_sheets_at_a_point_the_smaller_goes() -> None:
    flat = sheet(10.0, 10.0, step_mm=0.5)
    corner = int(np.argmin(np.linalg.norm(flat.vertices - [5.0, 0.0, 0.0], axis=1)))
    count = len(flat.vertices)
    points = np.vstack([flat.vertices, [[4.8, -0.3, 0.0], [5.2, -0.3, 0.0]]])
    touching = Mesh(points, np.vstack([flat.faces, [[corner, count, count + 1]]]))
    assert np.flatnonzero(lesser_fans(touching)).tolist() == [flat.triangle_count]
    assert not lesser_fans(flat).any()


def test_what_counts_as_cutting_through() -> None:
    """Two triangles each, placed so that the answer is plain to see."""
    flat = [[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]
    through = Mesh(
        [*flat, [0.2, 0.2, -1.0], [0.3, 0.3, 1.0], [0.9, 0.1, 0.5]], [[0, 1, 2], [3, 4, 5]]
    )
    assert self_intersections(through).tolist() == [[0, 1]]
    from_corner = Mesh([*flat, [0.5, 0.2, -1.0], [0.3, 0.3, 1.0]], [[0, 1, 2], [0, 3, 4]])
    assert self_intersections(from_corner).tolist() == [[0, 1]]
    folded = Mesh([*flat, [0.3, 0.3, 0.0]], [[0, 1, 2], [1, 0, 3]])
    assert self_intersections(folded).tolist() == [[0, 1]]
    touching = Mesh(
        [*flat, [0.25, 0.25, 0.0], [1.0, 1.0, 1.0], [0.0, 0.0, 1.0]], [[0, 1, 2], [3, 4, 5]]
    )
    assert self_intersections(touching).tolist() == [[0, 1]]
    neighbours = Mesh([*flat, [1.0, 1.0, 0.0]], [[0, 1, 2], [2, 1, 3]])
    assert self_intersections(neighbours).shape == (0, 2)
    assert self_intersections(Mesh(flat, [[0, 1, 2]])).shape == (0, 2)
