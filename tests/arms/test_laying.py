"""Arms laid on a tooth of which everything is known, and by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from ball_tooth import EQUATOR_MM, RADIUS_MM, ball_tooth, height_for_mm
from bodies import sagitta_mm
from invariants import distance_to_mm
from pydantic import ValidationError

from blockout.arms.arm import Arm
from blockout.arms.laying import CROSSING_SHARE, lay_arm
from blockout.case.arm_settings import ALL, ArmSettings, LedgeSettings
from blockout.errors import InputError
from blockout.surveying.survey import Survey

AROUND = 192
FACET_MM = sagitta_mm(RADIUS_MM, AROUND)
NOISE_MM = 0.008


@pytest.fixture(scope="module")
def plain() -> tuple[Survey, Any]:
    return ball_tooth(around=AROUND)


@pytest.fixture(scope="module")
def noisy() -> tuple[Survey, Any]:
    return ball_tooth(around=AROUND, noise_mm=NOISE_MM, noise_depth_mm=3 * NOISE_MM)


def prescribed(**changed: Any) -> ArmSettings:
    values = {"tooth": 46, "aspect": "buccal", "origin": "mesial", "role": "retentive"}
    return ArmSettings(**(values | changed))


def azimuth_deg(arm: Arm, points: np.ndarray) -> np.ndarray:
    """About the ball's axis, 0 toward buccal (+y), 90 toward distal (-x)."""
    return np.degrees(np.arctan2(-points[:, 0], points[:, 1]))


def below_mm(survey: Survey, points: np.ndarray) -> np.ndarray:
    """How far under the height of contour along the path: the ball's own, whatever the path."""
    return -(points - [0.0, 0.0, EQUATOR_MM]) @ survey.path.direction


@pytest.mark.parametrize(
    ("origin", "undercut"), [("mesial", 0.25), ("distal", "0.010 in"), ("distal", 0.40)]
)
def test_a_retentive_arm(plain: tuple[Survey, Any], origin: str, undercut: float | str) -> None:
    survey, teeth = plain
    arm = lay_arm(survey, teeth, prescribed(origin=origin, undercut_mm=undercut))
    asked_mm = {"0.010 in": 0.254}.get(str(undercut), undercut)
    assert arm.undercut_mm == pytest.approx(asked_mm, abs=1e-12)
    low, middle = -below_mm(survey, arm.lower), -below_mm(survey, arm.centre)
    # closed form: u = R - sqrt(R^2 - h^2); a facet error in u moves h by that over the slope
    band_mm = 2.0 * FACET_MM * RADIUS_MM / height_for_mm(asked_mm)
    assert -low[-1] == pytest.approx(height_for_mm(asked_mm), abs=band_mm)
    assert arm.terminal_depth_mm == pytest.approx(asked_mm, abs=0.001)
    assert np.array_equal(arm.terminal_mm, arm.lower[-1])
    # nowhere deeper than at the terminal
    assert arm.depth_mm.max() <= asked_mm + 0.001
    # closed form: the wall of a ball leans by asin(h / R)
    lean_deg = np.degrees(np.arcsin(height_for_mm(asked_mm) / RADIUS_MM))
    assert arm.terminal_wall_deg == pytest.approx(lean_deg, abs=0.5)
    # origin above the survey line, and no way back once the middle line has passed below it
    assert low[0] >= 0.25
    crossing = np.flatnonzero((middle[:-1] >= 0.0) & (middle[1:] < 0.0))
    assert len(crossing) == 1
    at = int(crossing[0])
    passed = (at + middle[at] / (middle[at] - middle[at + 1])) / (len(middle) - 1)
    assert passed >= 2 / 3
    assert passed <= 3 / 4
    assert arm.crossing_share == pytest.approx(passed, abs=0.01)
    assert (middle[:at] >= 0.0).all()
    # from line angle (45 degrees on a round tooth) to near the other
    side = 1.0 if origin == "mesial" else -1.0
    turned = side * azimuth_deg(arm, arm.centre)
    assert turned[0] == pytest.approx(-45.0, abs=2.0)
    assert turned[-1] == pytest.approx(45.0, abs=8.0)
    assert (np.diff(turned) > 0.0).all()
    # the nearest place of the margin is the circle where the ball meets the plate
    reach_mm = np.sqrt(RADIUS_MM**2 - EQUATOR_MM**2)
    nearest = np.hypot(np.hypot(*arm.lower[:, :2].T) - reach_mm, arm.lower[:, 2]).min()
    assert arm.margin_mm == pytest.approx(nearest, abs=0.01)


def assert_well_drawn(survey: Survey, arm: Arm, *, rough_mm: float) -> None:
    """On the surface, as wide as asked, smooth and evenly spaced."""
    for line in (arm.centre, arm.lower, arm.upper):
        assert distance_to_mm(survey.cast.mesh, line).max() < 1e-9
        off_mm = np.linalg.norm(line - [0.0, 0.0, EQUATOR_MM], axis=1) - RADIUS_MM
        assert np.abs(off_mm).max() <= 2.0 * FACET_MM + rough_mm
    across = np.linalg.norm(arm.upper - arm.lower, axis=1)
    # half a width is measured straight to either side; over both, the ball's bend takes its share:
    # chord 2 c sqrt(1 - (c / 2 R)^2) for two chords c of one circle
    half = 0.5 * arm.width_mm
    expected = 2.0 * half * np.sqrt(1.0 - (half / (2.0 * RADIUS_MM)) ** 2)
    assert np.abs(across - expected).max() <= 0.01 + rough_mm
    step = np.diff(arm.centre, axis=0)
    length = np.linalg.norm(step, axis=1)
    assert length.max() < 0.2
    assert arm.length_mm == pytest.approx(length.sum(), rel=1e-12)
    unit = step / length[:, None]
    turn_deg = np.degrees(np.arccos(np.clip((unit[1:] * unit[:-1]).sum(axis=1), -1.0, 1.0)))
    # 0.15 mm of a circle of 5 mm is 1.7 degrees, and a facet of the surface as much again
    assert turn_deg.max() < 5.0 + np.degrees(4.0 * rough_mm / 0.15)


@pytest.mark.parametrize("role", ["retentive", "reciprocal"])
def test_lines_lie_on_the_surface_and_run_smoothly(
    plain: tuple[Survey, Any], noisy: tuple[Survey, Any], role: str
) -> None:
    for (survey, teeth), rough_mm in ((plain, 0.0), (noisy, 4.0 * NOISE_MM)):
        assert_well_drawn(survey, lay_arm(survey, teeth, prescribed(role=role)), rough_mm=rough_mm)


def test_a_noisy_tooth_gets_the_same_arm(
    plain: tuple[Survey, Any], noisy: tuple[Survey, Any]
) -> None:
    smooth, rough = (lay_arm(*tooth, prescribed()) for tooth in (plain, noisy))
    assert rough.terminal_depth_mm == pytest.approx(0.25, abs=0.001)
    # noise on the wall moves the place of a depth by itself over the wall's slope, about 3
    assert np.linalg.norm(rough.terminal_mm - smooth.terminal_mm) < 12.0 * NOISE_MM
    assert rough.length_mm == pytest.approx(smooth.length_mm, abs=0.15)
    assert rough.crossing_share == pytest.approx(smooth.crossing_share, abs=0.02)
    assert rough.depth_mm.max() <= 0.25 + 0.01


def test_width_and_taper(plain: tuple[Survey, Any]) -> None:
    tapered = lay_arm(*plain, prescribed(width_mm=1.2))
    assert tapered.width_mm[0] == pytest.approx(1.2)
    assert tapered.width_mm[-1] == pytest.approx(0.6)
    # evenly spaced points, so even steps of width
    assert np.abs(np.diff(tapered.width_mm, n=2)).max() < 1e-5
    even = lay_arm(*plain, prescribed(role="reciprocal", width_mm="1.4 mm"))
    assert np.allclose(even.width_mm, 1.4)


@pytest.mark.parametrize("aspect", ["buccal", "palatal"])
def test_a_reciprocal_arm_follows_the_height_of_contour(
    plain: tuple[Survey, Any], aspect: str
) -> None:
    survey, teeth = plain
    arm = lay_arm(survey, teeth, prescribed(role="reciprocal", aspect=aspect))
    over_mm = -below_mm(survey, arm.lower)
    assert over_mm.min() >= -1e-9
    assert over_mm.max() <= 0.1
    assert arm.depth_mm.max() <= 0.0
    assert arm.undercut_mm == 0.0
    assert arm.crossing_share is None
    assert np.sign(arm.centre[:, 1].mean()) == (1.0 if aspect == "buccal" else -1.0)


def test_a_noisy_reciprocal_arm_stays_out_of_every_undercut(noisy: tuple[Survey, Any]) -> None:
    survey, teeth = noisy
    arm = lay_arm(survey, teeth, prescribed(role="reciprocal"))
    assert arm.depth_mm.max() <= survey.noise_depth_mm
    assert np.abs(below_mm(survey, arm.lower)).max() <= 0.25


def test_on_a_tilted_path_the_same_holds() -> None:
    survey, teeth = ball_tooth(around=AROUND, tilt_deg=(6.0, -4.0))
    arm = lay_arm(survey, teeth, prescribed(aspect="lingual", above_margin_mm=0.8))
    band_mm = 2.0 * FACET_MM * RADIUS_MM / height_for_mm(0.25)
    assert below_mm(survey, arm.lower)[-1] == pytest.approx(height_for_mm(0.25), abs=band_mm)
    rigid = lay_arm(survey, teeth, prescribed(aspect="lingual", role="reciprocal"))
    assert below_mm(survey, rigid.lower).max() <= 1e-9


def test_a_depth_that_is_not_there_is_refused(plain: tuple[Survey, Any]) -> None:
    with pytest.raises(InputError, match="tooth 46 does not offer the undercut") as refused:
        lay_arm(*plain, prescribed(undercut_mm=1.2))
    # closed form: 1 mm (a chord) above the margin at 44.43 degrees under the equator
    margin = np.arcsin(EQUATOR_MM / RADIUS_MM)
    allowed = margin - 2.0 * np.arcsin(0.5 / RADIUS_MM)
    deepest_mm = RADIUS_MM * (1.0 - np.cos(allowed))
    said = float(str(refused.value.measured).split()[2])
    assert said == pytest.approx(deepest_mm, abs=0.04)  # the grid is 0.08 mm, the slope half
    assert "1.2 asked for" in str(refused.value.measured)
    place = np.array(refused.value.places_mm[0])
    assert np.linalg.norm(place - [0.0, 0.0, EQUATOR_MM]) == pytest.approx(RADIUS_MM, abs=0.01)
    assert EQUATOR_MM - place[2] == pytest.approx(RADIUS_MM * np.sin(allowed), abs=0.1)
    assert refused.value.fix is not None


def test_a_margin_too_near_is_refused_or_kept(plain: tuple[Survey, Any]) -> None:
    # the terminal at 0.25 lies 1.94 above the plate and 2.27 mm from the margin
    arm = lay_arm(*plain, prescribed(above_margin_mm=2.2))
    assert arm.margin_mm is not None
    assert arm.margin_mm >= 2.19
    with pytest.raises(InputError, match="does not offer"):
        lay_arm(*plain, prescribed(above_margin_mm=2.5))


def test_laying_changes_nothing_and_repeats(plain: tuple[Survey, Any]) -> None:
    survey, teeth = plain
    before = survey.cast.mesh.vertices.copy(), survey.depth_mm.copy()
    first, second = (lay_arm(survey, teeth, prescribed()) for _ in range(2))
    assert np.array_equal(first.lower, second.lower)
    assert np.array_equal(before[0], survey.cast.mesh.vertices)
    assert np.array_equal(before[1], survey.depth_mm)
    with pytest.raises(ValueError, match="read-only"):
        first.centre[0] = 0.0


# --- by hand -------------------------------------------------------------------------------------
def on_ball(angle_deg: float, below: float) -> tuple[float, float, float]:
    radius = np.sqrt(RADIUS_MM**2 - below**2)
    angle = np.radians(angle_deg)
    return (
        float(-radius * np.sin(angle)), float(radius * np.cos(angle)), float(EQUATOR_MM - below),
    )  # fmt: skip


def test_an_arm_by_hand_is_measured_not_moved(plain: tuple[Survey, Any]) -> None:
    survey, teeth = plain
    points = tuple(on_ball(a, h) for a, h in ((-45, -1.0), (-15, -0.8), (15, 0.0), (42, 1.0)))
    arm = lay_arm(survey, teeth, prescribed(points=points, undercut_mm=0.25))
    assert arm.by_hand
    for point in points:
        assert np.linalg.norm(arm.centre - point, axis=1).min() < 0.1
    # measured at the lower border's end, by the ball's own depth there
    h = below_mm(survey, arm.lower[-1:])[0]
    depth_mm = RADIUS_MM - np.sqrt(RADIUS_MM**2 - h**2)
    assert arm.terminal_depth_mm == pytest.approx(depth_mm, abs=3.0 * FACET_MM)
    assert any("0.25 mm was asked for" in note for note in arm.notes) == (
        abs(depth_mm - 0.25) > 0.02
    )
    assert_well_drawn(survey, arm, rough_mm=0.002)


def test_a_rigid_arm_by_hand_in_an_undercut_is_said(plain: tuple[Survey, Any]) -> None:
    points = tuple(on_ball(a, 1.0) for a in (-40, 0, 40))
    arm = lay_arm(*plain, prescribed(role="reciprocal", points=points))
    assert any("a reciprocal arm is rigid" in note for note in arm.notes)


def test_a_bar_arm_comes_up_from_the_gingiva(plain: tuple[Survey, Any]) -> None:
    survey, teeth = plain
    points = ((0.0, 6.5, 0.0), (0.0, 5.0, 0.0), on_ball(0.0, 2.2), on_ball(0.0, 1.2))
    arm = lay_arm(survey, teeth, prescribed(form="bar", points=points, width_mm=1.2))
    assert arm.form == "bar"
    assert arm.crossing_share is None
    assert arm.margin_mm is None
    assert arm.centre[0, 1] == pytest.approx(6.5, abs=0.01)
    assert arm.centre[-1, 2] == pytest.approx(EQUATOR_MM - 1.2, abs=0.02)


def test_a_point_off_the_cast_is_named(plain: tuple[Survey, Any]) -> None:
    with pytest.raises(InputError, match="point 2 of the arm"):
        lay_arm(*plain, prescribed(points=(on_ball(0, 1.0), (0.0, 30.0, 0.0), on_ball(30, 1.0))))


# --- settings ------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"role": "reciprocal", "undercut_mm": 0.25}, "a reciprocal arm has no undercut"),
        ({"points": ((0.0, 0.0, 0.0),)}, "two points at least"),
        ({"form": "bar"}, "given by its points"),
        ({"form": "bar", "role": "reciprocal", "points": ((0, 0, 0), (1, 1, 1))}, "is retentive"),
        ({"width_mm": 9.0}, "less than or equal to 4"),
        ({"alloy": "lead"}, "Input should be"),
    ],
)
def test_settings_that_contradict_themselves(changed: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        prescribed(**changed)


def test_every_number_says_where_it_comes_from() -> None:
    assert len({parameter.name for parameter in ALL}) == len(ALL)
    for parameter in ALL:
        assert parameter.source
        assert parameter.default is None or parameter.low <= parameter.default <= parameter.high
        owner = LedgeSettings if parameter.name in LedgeSettings.model_fields else ArmSettings
        assert owner.model_fields[parameter.name].default == parameter.default


def test_the_crossing_lies_in_the_last_third_to_quarter() -> None:
    assert 2 / 3 <= CROSSING_SHARE <= 3 / 4
