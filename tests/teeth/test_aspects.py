"""Axes and aspects of crowns: closed form on a ball, the known stance on sample arches."""

from __future__ import annotations

import numpy as np
import pytest
from sample_arch import PLAN, KnownArch, found_teeth, known_arch
from toothlike import EQUATOR_MM, TOP_MM, ball_crown

from blockout.samples.plan import CastPlan, Drift
from blockout.teeth.arch_curve import ArchCurve, fit_arch_curve, left_side
from blockout.teeth.aspects import ASPECTS, aspect_named, aspect_word
from blockout.teeth.crowns import Crown, Teeth, find_crowns

UPPER = CastPlan(
    arch="upper",
    missing=(15, 16, 22, 25),
    drifts=(Drift(17, mesial_tip_deg=6.0), Drift(26, lingual_tip_deg=-3.0)),
    spacing_mm=0.45,
    seed=21,
)


@pytest.fixture(scope="module", params=["lower", "upper"])
def worked(request) -> tuple[KnownArch, Teeth]:
    plan = PLAN if request.param == "lower" else UPPER
    return known_arch(plan), found_teeth(plan)


# --- words ---------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("aspect", "tooth", "word"),
    [
        ("buccal", 11, "labial"),
        ("buccal", 43, "labial"),
        ("buccal", 44, "buccal"),
        ("lingual", 16, "palatal"),
        ("lingual", 36, "lingual"),
        ("lingual", 21, "palatal"),
        ("occlusal", 31, "incisal"),
        ("occlusal", 37, "occlusal"),
        ("mesial", 11, "mesial"),
        ("distal", 28, "distal"),
    ],
)
def test_the_mouth_has_its_own_words(aspect, tooth, word):
    assert aspect_word(aspect, tooth) == word
    # and both words are understood again
    assert aspect_named(word.upper(), tooth) == aspect_named(aspect, tooth) == aspect


def test_a_word_that_means_nothing_on_a_tooth_is_none():
    assert aspect_named("palatal", 36) is None
    assert aspect_named("labial", 36) is None
    assert aspect_named("upper side", 36) is None


# --- closed form: a ball at the front of its arch ------------------------------------------------
@pytest.mark.parametrize(("number", "mesial_x"), [(46, -1.0), (36, 1.0)])
def test_the_aspects_of_a_ball_are_quarters_parted_at_its_diagonals(number, mesial_x):
    # at the front of a lower arch the patient's right is +x, so a right tooth's mesial side is -x
    cast = ball_crown()
    crown = find_crowns(cast, {number: TOP_MM}).crown(number)
    assert crown.axes[0] == pytest.approx([mesial_x, 0.0, 0.0], abs=0.02)
    assert crown.axes[1] == pytest.approx([0.0, 1.0, 0.0], abs=0.02)
    assert crown.axes[2] == pytest.approx([0.0, 0.0, 1.0], abs=0.002)
    assert crown.centre_mm[:2] == pytest.approx([0.0, 0.0], abs=0.02)
    middle = cast.mesh.face_centres[crown.face] - [0.0, 0.0, EQUATOR_MM]
    x, y = mesial_x * middle[:, 0], middle[:, 1]
    steep = middle[:, 2] < 5.0 * np.cos(np.radians(54.0))  # four degrees off the border at 50
    flat = middle[:, 2] > 5.0 * np.cos(np.radians(46.0))
    off_diagonal = np.abs(np.abs(np.arctan2(y, np.abs(x))) - np.pi / 4.0) > np.radians(4.0)
    due = np.where(
        np.abs(x) > np.abs(y),
        np.where(x > 0.0, "mesial", "distal"),
        np.where(y > 0.0, "buccal", "lingual"),
    )
    named = np.array(ASPECTS)[crown.aspect]
    assert (named[flat] == "occlusal").all()
    wall = steep & off_diagonal
    assert wall.sum() > 0.4 * len(wall)
    assert (named[wall] == due[wall]).all()


# --- sample arches -------------------------------------------------------------------------------
def test_axes_are_orthonormal_and_near_the_teeth_s_own(worked):
    arch, teeth = worked
    turn = arch.sample.frame.matrix[:3, :3]
    lean = []
    for crown in teeth.crowns:
        assert np.abs(crown.axes @ crown.axes.T - np.eye(3)).max() < 1e-9
        place = arch.sample.tooth(crown.number)
        own = turn @ place.axes  # distal, buccal, out of the gum
        lean.append(_angle_deg(crown.axes[2], own[:, 2]))
        # the arch's direction, not the tooth's own turn about its axis
        turned_deg = abs(arch.sample.plan.drift_of(crown.number).turn_deg)
        assert _angle_deg(crown.axes[0], -own[:, 0]) < 18.0 + turned_deg
        assert _angle_deg(crown.axes[1], own[:, 1]) < 18.0 + turned_deg
    assert max(lean) < 12.0
    assert np.sqrt(np.mean(np.square(lean))) < 7.0


def _angle_deg(one, other) -> float:
    return float(np.degrees(np.arccos(np.clip(one @ other, -1.0, 1.0))))


def test_mesial_faces_the_neighbour_toward_the_midline(worked):
    _, teeth = worked
    for one, other in zip(teeth.crowns, teeth.crowns[1:], strict=False):
        toward = other.centre_mm - one.centre_mm
        right = one.number // 10 in (1, 4)
        assert (toward @ one.axes[0] > 0.0) == right, (one.number, other.number)
        still_right = other.number // 10 in (1, 4)
        assert (toward @ other.axes[0] > 0.0) == still_right


def test_each_side_is_without_specks_and_looks_its_way(worked):
    arch, teeth = worked
    for crown in teeth.crowns:
        mesh = arch.cast.mesh
        for k, aspect in enumerate(ASPECTS):
            faces = crown.faces_of(aspect)
            area = mesh.face_areas_mm2[faces]
            # sides in tight contact with a neighbour keep only their rims
            assert 0.01 < area.sum() / crown.area_mm2 < 0.6, (crown.number, aspect)
            kept = np.zeros(mesh.triangle_count, dtype=bool)
            kept[faces] = True
            part = mesh.part(kept)
            sizes = np.bincount(part.face_components(), part.face_areas_mm2)
            # a contact may part a side in two; nothing smaller is left over
            assert len(sizes) <= 2, (crown.number, aspect)
            assert len(sizes) == 1 or sizes.min() > 0.03 * crown.area_mm2, (crown.number, aspect)
            looks = (mesh.face_normals[faces] * area[:, None]).sum(axis=0) / area.sum()
            way = (crown.axes[0], -crown.axes[0], crown.axes[1], -crown.axes[1], crown.axes[2])[k]
            assert looks @ way > 0.4, (crown.number, aspect)


def test_buccal_lies_outward_of_lingual(worked):
    arch, teeth = worked
    middle = arch.cast.frame.points_to_file(np.array([*teeth.curve.middle_mm, 0.0]))
    for crown in teeth.crowns:
        outward = crown.centre_mm - middle
        buccal, lingual = (
            arch.cast.mesh.face_centres[crown.faces_of(a)].mean(axis=0)
            for a in ("buccal", "lingual")
        )
        assert (buccal - lingual) @ outward > 0.0, crown.number


# --- the curve -----------------------------------------------------------------------------------
def test_the_curve_runs_through_the_crowns_and_along_the_true_arch(worked):
    arch, teeth = worked
    from blockout.samples.arch import CastField

    true = CastField(arch.sample.plan).curve
    off = []
    for crown in teeth.crowns:
        flat = arch.cast.frame.points_to_cast(crown.centre_mm[None])[:, :2]
        along = teeth.curve.toward_left(flat)[0]
        tangent = true.tangent(arch.sample.tooth(crown.number).along_mm)
        off.append(np.degrees(np.arccos(np.clip(abs(along @ tangent), 0.0, 1.0))))
        azimuth = teeth.curve.azimuth(flat)
        assert np.linalg.norm(teeth.curve.points(azimuth) - flat) < 3.0
    assert np.sqrt(np.mean(np.square(off))) < 10.0
    assert max(off) < 16.0


def test_a_circle_of_crowns_gives_a_circle():
    # closed form: the tangent of a circle is square to its radius
    arch = ball_crown()
    curve = fit_arch_curve(arch, np.zeros((0, 3)))
    turn = np.linspace(-2.0, 2.0, 40)
    flat = curve.middle_mm + 12.0 * np.stack([np.sin(turn), np.cos(turn)], axis=1)
    assert left_side("lower") == -1.0
    assert left_side("upper") == 1.0
    round_curve = ArchCurve(curve.middle_mm, 1.0, _constant(12.0))
    assert np.abs(round_curve.points(turn) - flat).max() < 1e-12
    assert np.abs(round_curve.azimuth(flat) - turn).max() < 1e-12
    radial = (flat - curve.middle_mm) / 12.0
    assert np.abs((round_curve.toward_left(flat) * radial).sum(axis=1)).max() < 1e-12
    # from the patient's right to the left: +x at the front of an upper arch
    assert round_curve.toward_left(curve.middle_mm[None] + [0.0, 12.0])[0, 0] == pytest.approx(1.0)


def _constant(value):
    from numpy.polynomial import Polynomial

    return Polynomial([value])


def test_a_crown_gives_its_faces_by_aspect(worked):
    _, teeth = worked
    crown: Crown = teeth.crowns[0]
    gathered = np.concatenate([crown.faces_of(aspect) for aspect in ASPECTS])
    assert np.array_equal(np.sort(gathered), np.sort(crown.face))
