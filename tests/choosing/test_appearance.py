"""How front teeth look: the survey line's height and the gap beside a ball, by closed form."""

from __future__ import annotations

import numpy as np
import pytest
from known_teeth import RADIUS_MM, BallTooth, balls_cast
from scipy.integrate import quad

from blockout.case.choosing_settings import ChoosingSettings
from blockout.case.prescription import Prescription
from blockout.choosing.appearance import FrontLook, line_heights, shade_mm2
from blockout.choosing.factors import appearance_mark, measure
from blockout.choosing.ground import choosing_ground
from blockout.choosing.tilts import LEVEL, Tilt, path_of

CANINE = BallTooth(43, (6.0, 8.0, 0.0), (-1.0, 0.0), (0.0, 1.0))
PREMOLAR = BallTooth(44, (17.0, -4.0, 0.0), (0.0, 1.0), (1.0, 0.0))


@pytest.fixture(scope="module")
def ground():
    cast, teeth = balls_cast([CANINE, PREMOLAR])
    prescription = Prescription.model_validate({"teeth": {"missing": (42, 41)}})
    return choosing_ground(cast, teeth=teeth, prescription=prescription)


def test_front_teeth_are_the_incisors_and_canines_unless_they_are_marked(ground):
    assert [tooth.tooth for tooth in ground.fronts] == [43]
    assert [side.end for side in ground.fronts[0].sides] == ["mesial"]
    cast = ground.cast
    _, teeth = balls_cast([CANINE, PREMOLAR])
    marked = choosing_ground(cast, teeth=teeth, settings=ChoosingSettings(front_teeth=(44,)))
    assert [tooth.tooth for tooth in marked.fronts] == [44]
    assert marked.fronts[0].sides == ()


@pytest.mark.parametrize("tilt", [LEVEL, Tilt.of(12, 0), Tilt.of(-9, 4), Tilt.of(5, -11)])
def test_the_survey_line_of_a_ball_is_its_great_circle(ground, tilt):
    # closed form: at azimuth a the circle square to d lies at height R sin f, tan f = -(h . d)/d_z
    direction = path_of(ground.cast, tilt).direction
    found = measure(ground, [tilt])[0].appearance.teeth[0]
    azimuth = np.radians(np.linspace(-40.0, 40.0, 11))
    level = np.column_stack([-np.sin(azimuth), np.cos(azimuth)])
    up = np.arctan(-(level @ direction[:2]) / direction[2])
    share = (RADIUS_MM * np.sin(up) + RADIUS_MM) / (2.0 * RADIUS_MM)
    # a hundredth of the crown's height: columns end at the last row that meets the ball
    assert found.line_share == pytest.approx(share.mean(), abs=0.01)
    assert found.in_incisal_third_share == pytest.approx((share > 2.0 / 3.0).mean(), abs=0.1)


def test_front_down_raises_the_line_and_back_down_lowers_it(ground):
    down, level, up = (
        m.appearance for m in measure(ground, [Tilt.of(10, 0), LEVEL, Tilt.of(-10, 0)])
    )
    # oracle: a survey line on a ball moves R t along the surface, t in radians
    moved = RADIUS_MM * np.sin(np.radians(10.0)) / (2.0 * RADIUS_MM)
    mean_cos = np.mean(np.cos(np.radians(np.linspace(-40.0, 40.0, 11))))
    assert down.line_share - level.line_share == pytest.approx(moved * mean_cos, abs=0.01)
    assert level.line_share - up.line_share == pytest.approx(moved * mean_cos, abs=0.01)


@pytest.mark.parametrize("tilt", [LEVEL, Tilt.of(0, -10), Tilt.of(0, 10), Tilt.of(-6, 9)])
def test_the_gap_beside_a_ball_is_the_area_under_its_overhang(ground, tilt):
    # closed form: integral of R - sqrt(R^2 - h^2) from the great circle square to the path down to
    # the side's lowest place along the path
    (side,) = ground.fronts[0].sides
    below = (np.array(CANINE.centre_mm) - side.points_mm) @ path_of(ground.cast, tilt).direction
    low_mm = min(float(below.max()), RADIUS_MM)
    wanted = quad(lambda h: RADIUS_MM - np.sqrt(max(RADIUS_MM**2 - h * h, 0.0)), 0.0, low_mm)[0]
    found = measure(ground, [tilt])[0].appearance.teeth[0]
    assert found.gap_mm2 == pytest.approx(wanted, rel=0.06)


def test_the_shade_of_a_straight_overhang_is_its_triangle():
    # closed form: half height times depth
    tall = np.linspace(0.0, 6.0, 4001)
    assert shade_mm2(0.25 * tall, tall) == pytest.approx(0.5 * 6.0 * 1.5, rel=0.03)
    assert shade_mm2(-0.25 * tall, tall) == pytest.approx(0.0, abs=1e-9)


def test_the_line_of_a_column_is_its_highest_place_over_which_nothing_looks_down():
    share = np.tile(np.linspace(0.0, 1.0, 5), (4, 1))
    lean = np.array(
        [
            [-0.3, -0.1, 0.1, 0.3, 0.5],
            [0.1, 0.2, 0.3, 0.4, 0.5],
            [-0.1, 0.1, -0.2, 0.2, 0.5],
            [-0.5, -0.4, -0.3, -0.2, -0.1],
        ]
    )
    np.testing.assert_allclose(line_heights(lean, share), [0.375, 0.0, 0.625, 1.0])


def test_marks_follow_their_formula(ground):
    settings = ground.settings
    look = FrontLook(43, 0.5, 0.0, None)
    shown = measure(ground, [LEVEL])[0].appearance
    both = type(shown)((look, FrontLook(42, 1.0 / 3.0, 0.0, 1.5)))
    # half the way from the gingival to the incisal third; no line shown, half of the worst gap
    assert appearance_mark(both, settings) == pytest.approx(50.0 * (0.5 + 0.75))
    worst = type(shown)((FrontLook(43, 0.9, 1.0, 9.0),))
    assert appearance_mark(worst, settings) == 0.0
