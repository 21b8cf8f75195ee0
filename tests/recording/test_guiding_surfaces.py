"""Guiding surfaces on a ball and on a flat wall, of which normals and walls have closed forms."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from bodies import ball_on_plate, cast_of, frustum, surveyed

from blockout.errors import InputError
from blockout.mesh import Ints
from blockout.recording.guiding import (
    PARALLEL_WITHIN_DEG,
    contacts_of,
    guiding_surfaces,
    planes_of,
)
from blockout.recording.one_path import path_cone
from blockout.surveying.survey import Survey


@dataclass(frozen=True, eq=False)
class OneCrown:
    """All of a body is tooth 46; its side is what is named."""

    tooth_of_face: np.ndarray
    side: Ints

    def crown(self, number: int) -> OneCrown:
        assert number == 46
        return self

    def faces_of(self, aspect: str) -> Ints:
        return self.side


def facing_y(survey: Survey, within_deg: float) -> OneCrown:
    """The side that lies within an angle of +y, seen from above the body's axis."""
    middle = survey.cast.mesh.face_centres
    turn = np.degrees(np.arctan2(middle[:, 0], middle[:, 1]))
    side = np.flatnonzero((np.abs(turn) < within_deg) & survey.cast.scanned)
    return OneCrown(np.full(survey.cast.mesh.triangle_count, 46, dtype=np.uint8), side)


def test_on_a_ball_plane_and_wall_are_those_of_its_zone():
    """Closed forms: the mean normal of the zone from the equator to 20 degrees over a quarter turn
    leans by atan((pi/2) sin^2 b / (2 sqrt(2) (b/2 + sin 2b / 4))); the survey line looks evenly
    round the quarter turn, so all but a tenth at each end looks within 36 degrees.
    """
    body, scanned = ball_on_plate(radius_mm=5.0, equator_mm=3.5, around=256, plate_mm=9.0)
    survey = surveyed(cast_of(body, scanned=scanned))
    (side,) = guiding_surfaces(survey, facing_y(survey, 45.0), [(46, "mesial")])
    b = math.radians(PARALLEL_WITHIN_DEG)
    up = math.pi / 2.0 * math.sin(b) ** 2 / 2.0
    out = math.sqrt(2.0) * (b / 2.0 + math.sin(2.0 * b) / 4.0)
    assert side.name == "46 mesial"
    assert side.lean_deg == pytest.approx(math.degrees(math.atan(up / out)), abs=0.5)
    assert side.area_mm2 == pytest.approx(25.0 * math.pi / 2.0 * math.sin(b), rel=0.06)
    assert side.height_mm == pytest.approx(5.0 * math.sin(b), rel=0.1)
    assert side.wall_length_mm == pytest.approx(5.0 * math.pi / 2.0, rel=0.02)
    np.testing.assert_allclose(side.wall_normals[:, 2], 0.0, atol=1e-12)
    looks = np.degrees(np.arctan2(side.wall_normals[:, 0], side.wall_normals[:, 1]))
    np.testing.assert_allclose(np.sort(looks), [-36.0, 36.0], atol=1.0)
    # of such a wall alone the path may lean away within a wedge; its opposite leaves one path
    opposite = OneCrown(
        np.full(survey.cast.mesh.triangle_count, 46, dtype=np.uint8),
        np.flatnonzero(
            (np.abs(np.degrees(np.arctan2(body.face_centres[:, 0], -body.face_centres[:, 1]))) < 45)
            & scanned
        ),
    )
    (other,) = guiding_surfaces(survey, opposite, [(46, "distal")])
    both = path_cone(contacts_of([side, other]), survey.path.direction)
    assert both.kind == "one direction"
    np.testing.assert_allclose(both.axis, survey.path.direction, atol=1e-9)
    alone = path_cone(planes_of([side, other]), survey.path.direction)
    assert alone.narrowest_deg == pytest.approx(side.lean_deg + other.lean_deg, abs=0.01)


@pytest.mark.parametrize("lean_deg", [2.0, 8.0])
def test_a_tapered_post_guides_by_its_own_angle_and_has_no_wall(lean_deg):
    """Closed form: the wall of a cone leans by its half-angle; over a narrow side its mean normal
    does as well, to the cosine of half the side's angle.
    """
    height_mm = 8.0
    top_mm = 4.0 - height_mm * math.tan(math.radians(lean_deg))
    post = frustum(4.0, top_mm, height_mm, around=180)
    survey = surveyed(cast_of(post, scanned=post.face_normals[:, 2] > -0.5))
    (side,) = guiding_surfaces(survey, facing_y(survey, 8.0), [(46, "buccal")])
    assert side.lean_deg == pytest.approx(lean_deg, rel=0.01)
    assert side.wall_normals.shape == (0, 3)
    assert side.height_mm == pytest.approx(height_mm, rel=0.15)
    (contact,) = contacts_of([side])
    assert contact.normals.shape == (1, 3)


def test_an_undercut_side_has_no_plane_but_a_wall():
    survey = surveyed(cast_of(frustum(3.0, 4.5, 8.0, around=96)))
    (side,) = guiding_surfaces(survey, facing_y(survey, 40.0), [(46, "buccal")])
    assert side.normal is None
    assert side.lean_deg is None
    assert planes_of([side]) == ()
    with pytest.raises(InputError, match="'upside' is no side of a tooth"):
        guiding_surfaces(survey, facing_y(survey, 40.0), [(46, "upside")])
