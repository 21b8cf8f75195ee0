"""Survey results by tooth and aspect: closed forms on a ball, sums on a sample arch."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from bodies import surveyed

sys.path.insert(0, str(Path(__file__).parents[1] / "teeth"))
from sample_arch import found_teeth
from toothlike import CREASE_MM, EQUATOR_MM, RADIUS_MM, TOP_MM, ball_crown

from blockout.errors import InputError
from blockout.surveying.by_tooth import ToothSurvey, survey_by_tooth
from blockout.surveying.survey import Survey
from blockout.teeth.aspects import ASPECTS
from blockout.teeth.crowns import Teeth, find_crowns

WALLS = ("mesial", "distal", "buccal", "lingual")
AROUND = 120
EDGE_MM = 2.0 * np.pi * RADIUS_MM / AROUND


def _depth_mm(under_mm):
    """Closed form: at h under the equator a sphere is R - sqrt(R^2 - h^2) undercut."""
    return RADIUS_MM - np.sqrt(RADIUS_MM**2 - under_mm**2)


@pytest.fixture(scope="module")
def ball() -> tuple[Teeth, Survey, ToothSurvey]:
    cast = ball_crown(around=AROUND)
    teeth = find_crowns(cast, {46: TOP_MM})
    survey = surveyed(cast)
    (tooth,) = survey_by_tooth(survey, teeth)
    return teeth, survey, tooth


@pytest.fixture(scope="module")
def arch() -> tuple[Teeth, Survey, tuple[ToothSurvey, ...]]:
    teeth = found_teeth()
    survey = surveyed(teeth.cast, tilt_deg=(4.0, -3.0))
    return teeth, survey, survey_by_tooth(survey, teeth)


# --- a ball --------------------------------------------------------------------------------------
@pytest.mark.parametrize("side", WALLS)
def test_the_deepest_undercut_of_a_ball_is_at_its_margin(ball, side):
    _, _, tooth = ball
    found = tooth.aspect(side)
    x, y, z = found.max_depth_at_mm
    # the depth is that of its own place, to a facet's bulge
    assert found.max_depth_mm == pytest.approx(_depth_mm(EQUATOR_MM - z), abs=0.01)
    assert np.hypot(x, y) == pytest.approx(RADIUS_MM - found.max_depth_mm, abs=0.01)
    # and the place is the lowest ring of the crown: within an edge of the margin's R - crease
    assert _depth_mm(EQUATOR_MM - EDGE_MM) <= found.max_depth_mm <= RADIUS_MM - CREASE_MM


@pytest.mark.parametrize("side", WALLS)
def test_the_survey_line_of_a_ball_is_its_equator(ball, side):
    _, _, tooth = ball
    found = tooth.aspect(side)
    # closed form: a quarter of the equator, as high above the margin as the equator is
    assert found.line_length_mm == pytest.approx(2.0 * np.pi * RADIUS_MM / 4.0, rel=0.04)
    assert found.line_height_mean_mm == pytest.approx(EQUATOR_MM, abs=0.5 * EDGE_MM)
    assert found.line_height_min_mm == pytest.approx(EQUATOR_MM, abs=0.5 * EDGE_MM)
    assert found.line_height_min_mm <= found.line_height_mean_mm


@pytest.mark.parametrize("side", WALLS)
@pytest.mark.parametrize("gauge_mm", [0.25, 0.5, 0.75])
def test_each_gauge_of_a_ball_touches_along_a_circle(ball, side, gauge_mm):
    _, _, tooth = ball
    # closed form: where the depth is u the ball's level section has the radius R - u
    due_mm = 2.0 * np.pi * (RADIUS_MM - gauge_mm)
    lengths = [tooth.aspect(aspect).length_at_gauge_mm[gauge_mm] for aspect in WALLS]
    assert sum(lengths) == pytest.approx(due_mm, rel=0.002)
    assert tooth.aspect(side).length_at_gauge_mm[gauge_mm] == pytest.approx(due_mm / 4.0, rel=0.04)


def test_areas_of_a_ball(ball):
    teeth, _, tooth = ball
    total = sum(aspect.area_mm2 for aspect in tooth.aspects)
    assert total == pytest.approx(teeth.crown(46).area_mm2)
    # closed form: a zone of height h has 2 pi R h of surface; the margin runs within half an edge
    under = [tooth.aspect(side).undercut_area_mm2 for side in WALLS]
    assert sum(under) == pytest.approx(2.0 * np.pi * RADIUS_MM * EQUATOR_MM, rel=0.03)
    assert max(under) / min(under) < 1.05
    top = tooth.aspect("occlusal")
    assert (top.undercut_area_mm2, top.max_depth_mm, top.max_depth_at_mm) == (0.0, 0.0, None)
    assert (top.line_length_mm, top.line_height_min_mm, top.line_height_mean_mm) == (
        0.0,
        None,
        None,
    )


def test_where_no_survey_line_runs_there_is_no_height_of_one(ball):
    teeth, survey, _ = ball
    (tooth,) = survey_by_tooth(replace(survey, survey_lines=()), teeth)
    for aspect in tooth.aspects:
        assert aspect.line_length_mm == 0.0
        assert aspect.line_height_min_mm is aspect.line_height_mean_mm is None


def test_a_tilt_lowers_the_line_on_one_side_and_raises_it_on_the_other(ball):
    teeth, _, _ = ball
    tilt_deg = 12.0
    survey = surveyed(teeth.cast, tilt_deg=(tilt_deg, 0.0))
    (tooth,) = survey_by_tooth(survey, teeth)
    # closed form: the front of the equator rises along the path's plane to the same height over
    # the ball's middle, 0, while the margin's front sinks below it by crease x sin(tilt)
    for side, sign in (("buccal", 1.0), ("lingual", -1.0)):
        middle_mm = EQUATOR_MM * np.cos(np.radians(tilt_deg)) + sign * CREASE_MM * np.sin(
            np.radians(tilt_deg)
        )
        at_45_mm = EQUATOR_MM * np.cos(np.radians(tilt_deg)) + sign * CREASE_MM * np.sin(
            np.radians(tilt_deg)
        ) * np.cos(np.pi / 4.0)
        found = tooth.aspect(side)
        low, high = sorted((middle_mm, at_45_mm))
        assert low - EDGE_MM < found.line_height_min_mm < low + EDGE_MM
        assert low < found.line_height_mean_mm < high + 0.5 * EDGE_MM


# --- a sample arch -------------------------------------------------------------------------------
def test_every_tooth_is_there_in_order_with_every_aspect(arch):
    teeth, _, found = arch
    assert tuple(tooth.number for tooth in found) == teeth.numbers
    for tooth, crown in zip(found, teeth.crowns, strict=True):
        assert tuple(aspect.aspect for aspect in tooth.aspects) == ASPECTS
        assert tooth.margin_doubtful_share == crown.doubtful_share
        assert not tooth.margin_by_hand
    assert found[3].aspect("buccal").word == "labial"


def test_the_aspects_add_up_to_the_crown_and_the_crowns_to_the_survey(arch):
    teeth, survey, found = arch
    areas = survey.undercut_share * survey.cast.mesh.face_areas_mm2
    on_teeth = 0.0
    for tooth, crown in zip(found, teeth.crowns, strict=True):
        under = sum(aspect.undercut_area_mm2 for aspect in tooth.aspects)
        assert under == pytest.approx(areas[crown.face].sum())
        on_teeth += under
        mine = teeth.tooth_of_vertex == crown.number
        corner = np.zeros(len(mine), dtype=bool)
        corner[survey.cast.mesh.faces[crown.face].reshape(-1)] = True
        assert tooth.max_depth_mm == pytest.approx(survey.depth_mm[mine & corner].max())
        for aspect in tooth.aspects:
            assert 0.0 <= aspect.undercut_area_mm2 <= aspect.area_mm2 * (1.0 + 1e-9)
            if aspect.max_depth_at_mm is not None:
                at = np.flatnonzero(
                    (survey.cast.mesh.vertices == aspect.max_depth_at_mm).all(axis=1)
                )
                assert survey.depth_mm[at[0]] == aspect.max_depth_mm
    assert on_teeth == pytest.approx(areas[teeth.tooth_of_face > 0].sum())
    # every gauge line on a tooth belongs to one aspect, and none is longer than the survey's own
    for gauge_mm, lines in survey.iso_lines.items():
        total_mm = sum(a.length_at_gauge_mm[gauge_mm] for t in found for a in t.aspects)
        assert 0.0 < total_mm < sum(line.length_mm for line in lines)
    line_mm = sum(a.line_length_mm for t in found for a in t.aspects)
    assert 0.0 < line_mm < sum(line.length_mm for line in survey.survey_lines)


def test_a_tipped_molar_is_undercut_on_the_side_it_leans_to(arch):
    _, _, found = arch
    # 37 leans to the midline by 20 degrees and to the tongue by 10
    molar = next(tooth for tooth in found if tooth.number == 37)
    assert molar.aspect("mesial").max_depth_mm > molar.aspect("distal").max_depth_mm + 0.5
    assert molar.aspect("lingual").max_depth_mm > molar.aspect("buccal").max_depth_mm + 0.3


def test_facts_are_plain_and_complete(arch):
    _, _, found = arch
    facts = [tooth.facts() for tooth in found]
    again = json.loads(json.dumps(facts, allow_nan=False))
    assert again == facts
    first = again[0]
    assert (first["number"], first["name"]) == (47, "lower right second molar")
    assert [aspect["aspect"] for aspect in first["aspects"]] == list(ASPECTS)
    assert [g["gauge_mm"] for g in first["aspects"][0]["gauges"]] == [0.25, 0.5, 0.75]
    numbers = {k for a in first["aspects"] for k, v in a.items() if isinstance(v, float)}
    assert all(key.endswith(("_mm", "_mm2")) for key in numbers)


def test_what_does_not_belong_together_is_refused(arch, ball):
    teeth, _, found = arch
    _, survey, _ = ball
    with pytest.raises(ValueError, match="different casts"):
        survey_by_tooth(survey, teeth)
    with pytest.raises(InputError, match="'upper' is no aspect of a tooth"):
        found[0].aspect("upper")
