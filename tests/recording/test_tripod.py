"""Where the three marks lie: on bodies whose widest triangle has a closed form, and by its laws."""

from __future__ import annotations

import math

import numpy as np
import pytest
from bodies import ball, ball_on_plate, box, cast_of, moved_cast, turn_about, united
from invariants import distance_to_mm

from blockout.case.recording_settings import RecordingSettings
from blockout.case.settings import PathSettings
from blockout.cast.cast import Cast
from blockout.errors import InputError
from blockout.kernel.rays import RayScene
from blockout.mesh import Mesh
from blockout.recording.triangle import heights_of
from blockout.recording.tripod import STEEPEST_DEG, Tripod, place_tripod
from blockout.surveying.path import InsertionPath, insertion_path

RADIUS_MM = 20.0
EVEN_ANYWHERE = RecordingSettings(mark_diameter_mm=0.6, mark_depth_mm=2.0, least_span_mm=8.0)
"""So small and deep a mark that no hill here is too rounded for it."""


def path_of(cast: Cast, tilt_deg: tuple[float, float] = (0.0, 0.0)) -> InsertionPath:
    tilts = PathSettings(anterior_tilt_deg=tilt_deg[0], lateral_tilt_deg=tilt_deg[1])
    return insertion_path(cast.frame, arch=cast.arch, settings=tilts)


def dome() -> Cast:
    return cast_of(ball(RADIUS_MM, subdivisions=5))


def hills() -> Cast:
    """Three unlike hills on a plate, none of them symmetrical to another."""
    parts = [box((-30.0, -25.0, -6.0), (30.0, 25.0, -2.0))]
    for size, centre in (
        ((9, 7, 6), (-15, -12, 0)),
        ((6, 8, 9), (16, -9, -1)),
        ((8, 6, 7), (1, 14, 0)),
    ):
        round_body = ball(1.0, subdivisions=4)
        parts.append(Mesh(round_body.vertices * size + np.array(centre, float), round_body.faces))
    return cast_of(united(parts))


def assert_marks_hold(cast: Cast, tripod: Tripod) -> None:
    """On the surface, at one height, seen from above, not too steep."""
    along = tripod.path.direction
    heights = tripod.marks_mm @ along
    assert np.ptp(heights) < 1e-9
    lowest = (cast.mesh.vertices @ along).min()
    assert tripod.height_mm == pytest.approx(heights[0] - lowest, abs=1e-9)
    assert distance_to_mm(cast.mesh, tripod.marks_mm).max() < 1e-6
    slope = cast.mesh.face_normals[tripod.face] @ along
    assert (slope > math.cos(math.radians(STEEPEST_DEG)) - 1e-12).all()
    assert cast.scanned[tripod.face].all()
    above = tripod.marks_mm + 0.01 * along
    assert not RayScene(cast.mesh).blocked(above, along).any()


@pytest.mark.parametrize("tilt_deg", [(0.0, 0.0), (9.0, -6.0)])
def test_on_a_ball_the_marks_span_the_widest_circle_that_is_not_too_steep(tilt_deg):
    """Closed form: of all triangles in a circle of radius r the equilateral one has the largest
    least height, 1.5 r; the surface is 60 degrees steep where r = R sin 60.
    """
    cast = dome()
    tripod = place_tripod(cast, path_of(cast, tilt_deg))
    assert_marks_hold(cast, tripod)
    best_mm = 1.5 * RADIUS_MM * math.sin(math.radians(STEEPEST_DEG))
    least_mm = tripod.heights_mm.min()
    # facets are about 0.7 mm long: whole facets are steep or not, and marks lie at their middles
    assert 0.955 * best_mm < least_mm < 1.02 * best_mm
    np.testing.assert_allclose(
        tripod.heights_mm, heights_of(tripod.marks_mm, tripod.path.direction)
    )
    np.testing.assert_allclose(
        np.sort(tripod.spans_mm),
        np.sort([np.linalg.norm(tripod.marks_mm[i] - tripod.marks_mm[i - 1]) for i in range(3)]),
    )


def test_no_other_three_places_at_that_height_are_wider():
    """Brute force: every triple of a fine set of places on the level line that was chosen."""
    cast = hills()
    tripod = place_tripod(cast, path_of(cast, (3.0, -4.0)), settings=EVEN_ANYWHERE)
    assert_marks_hold(cast, tripod)
    along = tripod.path.direction
    level = tripod.marks_mm[0] @ along
    value = (cast.mesh.vertices @ along)[cast.mesh.faces] - level
    crossed = (value.min(axis=1) < 0.0) & (value.max(axis=1) > 0.0)
    steep = cast.mesh.face_normals @ along > math.cos(math.radians(STEEPEST_DEG))
    middle = cast.mesh.face_centres[crossed & steep]
    some = middle[np.random.default_rng(2).permutation(len(middle))[:70]]
    i, j, k = (np.array(c) for c in np.unravel_index(np.arange(70**3), (70, 70, 70)))
    keep = (i < j) & (j < k)
    a, b, c = some[i[keep]], some[j[keep]], some[k[keep]]
    twofold = np.abs(np.cross(b - a, c - a) @ along)
    sides = [s - np.outer(s @ along, along) for s in (b - a, c - b, a - c)]
    longest = np.max([np.linalg.norm(s, axis=1) for s in sides], axis=0)
    assert (twofold / np.maximum(longest, 1e-9)).max() <= 1.01 * tripod.heights_mm.min()


def test_marks_keep_away_from_the_design_and_from_the_border():
    cast = hills()
    path = path_of(cast)
    free = place_tripod(cast, path, settings=EVEN_ANYWHERE)
    design = np.vstack([free.marks_mm, free.marks_mm + np.array([1.0, 0.0, 0.0])])
    kept = place_tripod(
        cast,
        path,
        design_mm=design,
        settings=EVEN_ANYWHERE.model_copy(update={"keep_away_mm": 4.0}),
    )
    assert_marks_hold(cast, kept)
    off_mm = np.linalg.norm(kept.marks_mm[:, None] - design[None], axis=2).min()
    assert off_mm > 4.0 - 0.6  # a face's middle is judged, its marks lie anywhere on it
    assert kept.heights_mm.min() <= free.heights_mm.min() + 1e-6
    faces = np.zeros(cast.mesh.triangle_count, dtype=bool)
    faces[cast.mesh.face_centres[:, 1] > 8.0] = True
    without = place_tripod(cast, path, design_faces=faces, settings=EVEN_ANYWHERE)
    assert (without.marks_mm[:, 1] < 8.0 - 1.5).all()
    body, scanned = ball_on_plate(radius_mm=18.0, equator_mm=2.0, plate_mm=26.0)
    with_base = cast_of(body, scanned=scanned)
    tripod = place_tripod(with_base, path_of(with_base), settings=RecordingSettings())
    assert_marks_hold(with_base, tripod)


def test_tissue_is_preferred_and_teeth_are_taken_where_it_is_not_enough():
    cast = hills()
    path = path_of(cast)

    class Labelled:
        def __init__(self, tooth_of_face):
            self.tooth_of_face = tooth_of_face

    left = cast.mesh.face_centres[:, 0] < 0.0
    high = cast.mesh.face_centres[:, 2] > 4.0
    on_tissue = place_tripod(
        cast,
        path,
        teeth=Labelled(np.where(high, 46, 0).astype(np.uint8)),
        settings=EVEN_ANYWHERE,
    )
    assert on_tissue.on_tissue is True
    assert (on_tissue.marks_mm[:, 2] <= 4.0 + 0.5).all()
    mixed = place_tripod(
        cast,
        path,
        teeth=Labelled(np.where(left, 46, 0).astype(np.uint8)),
        settings=EVEN_ANYWHERE.model_copy(update={"least_span_mm": 20.0}),
    )
    assert mixed.on_tissue is False
    assert any("some lie on teeth" in note for note in mixed.notes)
    unknown = place_tripod(cast, path, settings=EVEN_ANYWHERE)
    assert unknown.on_tissue is None
    assert any("no teeth are named" in note for note in unknown.notes)


def test_turning_and_shifting_everything_together_changes_nothing():
    cast = hills()
    turn, shift = turn_about((0.3, -1.0, 2.0), 131.0), np.array([40.0, -9.0, 75.0])
    turned = moved_cast(cast, turn=turn, shift_mm=shift)
    one = place_tripod(cast, path_of(cast, (5.0, 2.0)))
    other = place_tripod(turned, path_of(turned, (5.0, 2.0)))
    np.testing.assert_allclose(other.heights_mm, one.heights_mm, atol=0.05)
    np.testing.assert_allclose(other.marks_mm, one.marks_mm @ turn.T + shift, atol=0.3)
    assert other.height_mm == pytest.approx(one.height_mm, abs=0.01)


def test_asking_changes_nothing_and_answers_the_same_again():
    cast = hills()
    before = cast.mesh.vertices.tobytes(), cast.mesh.faces.tobytes(), cast.scanned.tobytes()
    one, other = (place_tripod(cast, path_of(cast)) for _ in range(2))
    assert (one.marks_mm == other.marks_mm).all()
    assert before == (
        cast.mesh.vertices.tobytes(),
        cast.mesh.faces.tobytes(),
        cast.scanned.tobytes(),
    )


def test_a_cast_without_room_is_refused_with_the_best_there_is():
    small = cast_of(ball(5.0, subdivisions=4))
    with pytest.raises(InputError) as error:
        place_tripod(small, path_of(small), settings=RecordingSettings(mark_depth_mm=2.0))
    best_mm = 1.5 * 5.0 * math.sin(math.radians(STEEPEST_DEG))
    assert "wide enough apart for tripod marks" in error.value.what
    told_mm = float(error.value.measured.split("is ")[1].split(" mm")[0])
    # told to a tenth; a facet is steep or not as a whole
    assert 0.9 * best_mm < told_mm < best_mm + 0.1
    assert "15 mm needed" in error.value.measured
    assert len(error.value.places_mm) == 3
    assert "--least-span" in error.value.fix
    narrow = place_tripod(
        small, path_of(small), settings=RecordingSettings(least_span_mm=4.0, mark_depth_mm=2.0)
    )
    assert narrow.error.one_mark_deg > 2.0


def test_a_cast_with_nothing_to_mark_is_refused():
    body = ball(20.0, subdivisions=3)
    scanned = np.zeros(body.triangle_count, dtype=bool)
    scanned[0] = True  # all of it is base but one facet
    cast = cast_of(body, scanned=scanned)
    with pytest.raises(InputError, match="no three places at one height can be marked"):
        place_tripod(cast, path_of(cast))
