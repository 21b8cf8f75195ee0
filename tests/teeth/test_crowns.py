"""Crowns told from the gum: on a ball whose margin is a known circle, and on a sample arch."""

from __future__ import annotations

import numpy as np
import pytest
from bodies import ball, cast_of, moved_cast, turn_about, turned
from sample_arch import KnownArch, found_teeth, known_arch, overlap
from scipy.spatial import cKDTree
from toothlike import CREASE_MM, EQUATOR_MM, RADIUS_MM, TOP_MM, ball_crown

from blockout.case.tooth_settings import CrownSettings
from blockout.errors import InputError
from blockout.kernel.surfaces import distance_mm
from blockout.teeth.crowns import Teeth, find_crowns


@pytest.fixture(scope="module")
def arch() -> KnownArch:
    return known_arch()


@pytest.fixture(scope="module")
def teeth() -> Teeth:
    return found_teeth()


# --- a ball on a plate ---------------------------------------------------------------------------
@pytest.mark.parametrize(
    "from_top_deg", [0.0, 40.0, 80.0, 120.0], ids=["top", "shoulder", "equator", "under"]
)
def test_the_margin_of_a_ball_is_the_circle_in_which_it_meets_the_plate(from_top_deg):
    cast = ball_crown()
    turn = np.radians(from_top_deg)
    point = [RADIUS_MM * np.sin(turn), 0.0, EQUATOR_MM + RADIUS_MM * np.cos(turn)]
    crown = find_crowns(cast, {46: point}).crown(46)
    margin = crown.margin_mm
    edge_mm = 2.0 * np.pi * RADIUS_MM / 120
    # closed form: a circle of radius 3 at height 0; the line runs within half an edge of it
    assert np.abs(np.hypot(margin[:, 0], margin[:, 1]) - CREASE_MM).max() < 0.5 * edge_mm
    assert np.abs(margin[:, 2]).max() < 0.5 * edge_mm
    assert distance_mm(cast.mesh, margin).max() < 1e-9
    assert crown.margin.length_mm == pytest.approx(2.0 * np.pi * CREASE_MM, rel=0.04)
    # closed form: a zone of the sphere of height R + equator has 2 pi R h of surface
    assert crown.area_mm2 == pytest.approx(
        2.0 * np.pi * RADIUS_MM * (RADIUS_MM + EQUATOR_MM), rel=0.02
    )
    assert crown.doubtful_share == 0.0
    assert crown.doubtful_at_mm.shape == (0, 3)
    assert (crown.margin.neighbour == 0).all()


def test_a_finer_ball_has_its_margin_nearer_to_the_circle():
    off = []
    for around in (60, 120, 240):
        crown = find_crowns(
            ball_crown(around=around), {46: TOP_MM}, settings=CrownSettings(margin_blur_mm=0.0)
        ).crown(46)
        off.append(np.abs(np.hypot(*crown.margin_mm[:, :2].T) - CREASE_MM).mean())
    assert off[2] < off[1] < off[0]
    assert off[2] < 0.06


def test_a_ball_without_a_crease_has_a_doubtful_margin():
    # half a ball standing out of the plate through a fillet of 4 mm, more than doubt_radius_mm
    bend = np.linspace(0.0, np.pi / 2.0, 40)
    top = [(4.0 * np.sin(a), 4.0 + 4.0 * np.cos(a)) for a in bend]
    fillet = [(8.0 - 4.0 * np.cos(a), 4.0 - 4.0 * np.sin(a)) for a in bend]
    plate = [(r, 0.0) for r in np.linspace(8.0, 18.0, 40)[1:]]
    profile = [(0.0, -4.0), (18.0, -4.0), *plate[::-1], *fillet[::-1], *top[::-1][1:]]
    profile[-1] = (0.0, 8.0)
    body = turned(profile, around=120)
    base = (body.face_centres[:, 2] < -1e-9) & (np.abs(body.face_normals[:, 2] - 1.0) > 1e-9)
    cast = cast_of(body, scanned=~base)
    crown = find_crowns(cast, {46: [0.0, 0.0, 8.0]}).crown(46)
    assert crown.doubtful_share == 1.0
    assert len(crown.doubtful_at_mm) == 1
    # the same, where so wide a hollow is called sure, and only a second candidate makes doubt
    sure = find_crowns(
        cast, {46: [0.0, 0.0, 8.0]}, settings=CrownSettings(doubt_radius_mm=50.0)
    ).crown(46)
    assert sure.margin.hollow.max() == pytest.approx(0.25, rel=0.1)  # closed form: 1 / 4 mm


# --- a sample arch -------------------------------------------------------------------------------
def test_every_crown_of_a_sample_arch_is_found(arch, teeth):
    present = [place.number for place in arch.sample.standings if place.present]
    assert sorted(teeth.numbers) == sorted(present)
    assert teeth.numbers == (47, 45, 44, 43, 42, 41, 31, 32, 33, 34, 35, 37)
    shares = {c.number: overlap(arch.cast, arch.tooth, c.number, c.face) for c in teeth.crowns}
    # measured on this mesh of 0.45 mm: 0.969 and 0.948; half an edge all round is 0.95
    assert np.mean(list(shares.values())) > 0.965, shares
    assert min(shares.values()) > 0.94, shares


def test_faces_vertices_and_crowns_agree(arch, teeth):
    mesh = arch.cast.mesh
    seen = np.zeros(mesh.triangle_count, dtype=np.int64)
    for crown in teeth.crowns:
        seen[crown.face] += 1
        assert (teeth.tooth_of_face[crown.face] == crown.number).all()
        assert len(crown.aspect) == len(crown.face)
        assert crown.area_mm2 == pytest.approx(mesh.face_areas_mm2[crown.face].sum())
        assert (crown.margin.neighbour != crown.number).all()
        # one piece, and its outline is its margin
        part = np.zeros(mesh.triangle_count, dtype=bool)
        part[crown.face] = True
        piece = mesh.part(part)
        sizes = np.bincount(piece.face_components(), piece.face_areas_mm2)
        assert sizes.max() > 0.99 * sizes.sum()
        rim = piece.vertices[piece.halfedges[piece.twin_halfedges < 0].reshape(-1)]
        lines = np.concatenate([crown.margin_mm, *crown.margin.contacts_mm])
        assert np.percentile(cKDTree(lines).query(rim)[0], 99) < 0.5
    assert seen.max() == 1
    assert (seen > 0).sum() == (teeth.tooth_of_face > 0).sum()
    assert not (teeth.tooth_of_face[~arch.cast.scanned]).any()
    # who touches whom, by the truth: pairs of teeth that edges of the mesh join
    ends = arch.tooth[mesh.halfedges]
    for crown in teeth.crowns:
        met = np.bincount(ends[ends[:, 0] == crown.number, 1], minlength=50)
        met[[0, crown.number]] = 0
        touched = set(crown.margin.touches)
        assert set(np.flatnonzero(met >= 24)) <= touched <= set(np.flatnonzero(met)), crown.number
    assert teeth.crown(37).margin.touches == ()
    assert teeth.crown(33).margin.touches == (32, 34)


@pytest.mark.long
def test_where_on_a_crown_one_points_does_not_matter(arch, teeth):
    again = find_crowns(arch.cast, arch.clicks(off_mm=1.5, seed=1))
    for crown in teeth.crowns:
        other = again.crown(crown.number)
        both = len(np.intersect1d(crown.face, other.face))
        assert both > 0.99 * len(np.union1d(crown.face, other.face))


def test_turning_the_cast_turns_the_result(arch, teeth):
    turn = turn_about([1.0, 2.0, -0.5], 77.0)
    shift = np.array([4.0, -9.0, 30.0])
    moved = find_crowns(
        moved_cast(arch.cast, turn=turn, shift_mm=shift),
        {n: p @ turn.T + shift for n, p in arch.clicks().items()},
    )
    same = (moved.tooth_of_face == teeth.tooth_of_face).mean()
    assert same > 0.9995
    for crown in teeth.crowns:
        other = moved.crown(crown.number)
        assert np.abs(other.axes - crown.axes @ turn.T).max() < 0.02
        assert np.abs(other.centre_mm - (crown.centre_mm @ turn.T + shift)).max() < 0.1


def test_nothing_given_is_changed(arch):
    clicks = {n: arch.click(n) for n in (47, 45)}
    before = {n: p.copy() for n, p in clicks.items()}
    vertices = arch.cast.mesh.vertices.copy()
    find_crowns(arch.cast, clicks)
    assert all((clicks[n] == p).all() for n, p in before.items())
    assert (arch.cast.mesh.vertices == vertices).all()


# --- by hand -------------------------------------------------------------------------------------
def test_an_outline_by_hand_takes_the_place_of_the_margin_found(arch, teeth):
    found = teeth.crown(34)
    outline = found.margin_mm[::8] + 0.05
    clicks = {n: arch.click(n) for n in (33, 34, 35)}
    drawn = find_crowns(arch.cast, clicks, outlines_mm={34: outline})
    crown = drawn.crown(34)
    assert crown.by_hand
    assert not drawn.crown(35).by_hand
    both = len(np.intersect1d(crown.face, found.face))
    assert both > 0.95 * len(np.union1d(crown.face, found.face))
    assert cKDTree(found.margin_mm).query(crown.margin_mm)[0].max() < 0.4  # points 1.6 mm apart
    assert crown.doubtful_share == 0.0


def test_only_what_the_outline_encloses_is_the_crown(arch, teeth):
    found = teeth.crown(37)
    # a ring half way up the crown, one point in each of twelve directions
    corners = np.unique(arch.cast.mesh.faces[found.face])
    points = arch.cast.mesh.vertices[corners]
    own = (points - found.centre_mm) @ found.axes.T
    turn = np.arctan2(own[:, 1], own[:, 0])
    wall = np.hypot(*(own[:, :2] / found.half_mm[:2]).T) > 0.7
    ring = []
    for azimuth in np.linspace(-np.pi, np.pi, 13)[:-1]:
        beside = np.abs((turn - azimuth + np.pi) % (2.0 * np.pi) - np.pi) < 0.15
        here = np.flatnonzero(beside & wall)
        ring.append(points[here[np.argmin(np.abs(own[here, 2]))]])
    drawn = find_crowns(arch.cast, {35: arch.click(35)}, outlines_mm={37: ring}).crown(37)
    assert np.isin(drawn.face, found.face).mean() > 0.98
    height = (arch.cast.mesh.face_centres[drawn.face] - found.centre_mm) @ found.axes[2]
    assert height.min() > -1.0
    due = (arch.cast.mesh.face_centres[found.face] - found.centre_mm) @ found.axes[2] > 0.0
    due_mm2 = arch.cast.mesh.face_areas_mm2[found.face[due]].sum()
    assert drawn.area_mm2 == pytest.approx(due_mm2, rel=0.15)


def test_a_tooth_may_be_given_by_its_outline_alone(arch, teeth):
    found = teeth.crown(37)
    drawn = find_crowns(arch.cast, {}, outlines_mm={37: found.margin_mm[::6]})
    assert drawn.numbers == (37,)
    assert drawn.crown(37).area_mm2 == pytest.approx(found.area_mm2, rel=0.03)


# --- refusals ------------------------------------------------------------------------------------
def test_points_that_cannot_be_used_are_refused(arch):
    clicks = arch.clicks()
    with pytest.raises(InputError, match="tooth 16 does not belong to the lower arch"):
        find_crowns(arch.cast, {16: clicks[47]})
    far = clicks[47] + arch.cast.frame.up * 5.0
    with pytest.raises(InputError, match=r"point of tooth 47 .* \d\.\d\d mm .* limit 2") as refusal:
        find_crowns(arch.cast, {47: far})
    assert np.allclose(refusal.value.places_mm, [far])
    with pytest.raises(InputError, match="teeth 44 and 47 have their points on one crown"):
        find_crowns(arch.cast, {47: clicks[47], 44: clicks[47]})
    with pytest.raises(InputError, match="not three finite numbers"):
        find_crowns(arch.cast, {47: [0.0, np.nan, 1.0]})
    rim = find_crowns(arch.cast, {47: clicks[47]}).crown(47).margin_mm[::6]
    with pytest.raises(InputError, match="points on one crown"):
        find_crowns(arch.cast, {44: clicks[47]}, outlines_mm={47: rim})


def test_numbers_in_another_order_than_the_teeth_are_refused(arch):
    clicks = arch.clicks()
    swapped = {47: clicks[47], 33: clicks[34], 34: clicks[33]}
    with pytest.raises(InputError, match="teeth 33 and 34 stand the other way round"):
        find_crowns(arch.cast, swapped)
    # a row numbered from the wrong side, as when upper was taken for lower
    mirrored = {37: clicks[47], 34: clicks[44], 44: clicks[34]}
    with pytest.raises(InputError, match=r"left to the right.*arch if this is no lower one"):
        find_crowns(arch.cast, mirrored)


def test_a_body_without_gum_around_the_crown_is_refused():
    # all of the ball is scanned, and all of it lies within reach
    with pytest.raises(InputError, match="tooth 46 has no gum around it"):
        find_crowns(cast_of(ball(radius_mm=5.0)), {46: [0.0, 0.0, 5.0]})


def test_a_tooth_that_is_not_there_is_named(teeth):
    with pytest.raises(InputError, match="tooth 36 is not on this cast; teeth with a crown: 47, 4"):
        teeth.crown(36)


def test_outlines_that_overlap_are_refused(arch, teeth):
    ring = teeth.crown(34).margin_mm[::8]
    with pytest.raises(InputError, match="outlines of teeth 35 and 34 overlap"):
        find_crowns(arch.cast, {}, outlines_mm={34: ring, 35: ring + 0.02})
