"""What remains of undercut, on bodies where it is known by closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest
from ball_tooth import EQUATOR_MM, RADIUS_MM, ball_tooth
from bodies import ball_on_plate, cast_of, frustum, sagitta_mm, surveyed, worked
from hypothesis import given, settings
from made_arm import arm_on_parallel
from random_casts import casts, tilts
from said import assert_near, assert_said

from blockout.case import arbitrary_settings
from blockout.case.arbitrary_settings import ArbitrarySettings
from blockout.case.arm_settings import LedgeSettings
from blockout.case.settings import ParallelSettings
from blockout.cast.cast import Cast
from blockout.check.mould_warnings import RemainingUndercut, mould_warnings, remaining_undercut
from blockout.model.build import build_model
from blockout.tolerances import TOLERANCES
from blockout.wax.ledge import ledge_bulk
from blockout.wax.parallel import parallel_blockout
from blockout.wax.space import free_space

CLOSED_MM = 2.0 * TOLERANCES.depth_step_mm
"""What is read of a wall along the path."""


@pytest.fixture(scope="module")
def ball_cast() -> Cast:
    """The equator of a ball of radius 5 is 3 over the plate: 1 mm of undercut at the plate."""
    body, scanned = ball_on_plate(radius_mm=5.0, equator_mm=3.0, around=128)
    return cast_of(body, scanned=scanned)


def test_an_untouched_cast_keeps_all_its_undercut(ball_cast: Cast) -> None:
    """Closed form: R - sqrt(R^2 - h^2) = 5 - 4."""
    survey = surveyed(ball_cast)
    found = remaining_undercut(ball_cast.mesh, ball_cast, survey.path)
    assert found.depth_mm == pytest.approx(1.0, abs=sagitta_mm(5.0, 128) + CLOSED_MM)
    assert found.depth_mm == pytest.approx(survey.max_depth_mm, abs=CLOSED_MM)
    assert found.at_mm is not None
    assert found.at_mm[2] == pytest.approx(0.0, abs=1e-9)
    assert math.hypot(*found.at_mm[:2]) == pytest.approx(4.0, abs=sagitta_mm(4.0, 128) + 1e-9)
    assert found.elsewhere_mm == found.depth_mm
    assert found.elsewhere_at_mm == found.at_mm
    assert found.arm is None
    assert found.windows_mm == ()


@pytest.mark.parametrize("tilt_deg", [(0.0, 0.0), (5.0, 3.0), (-8.0, 6.0)])
def test_nothing_remains_after_blockout_everywhere(
    ball_cast: Cast, tilt_deg: tuple[float, float]
) -> None:
    done = worked(ball_cast, tilt_deg=tilt_deg)
    found = remaining_undercut(done.model.mesh, ball_cast, done.survey.path)
    assert found.depth_mm <= CLOSED_MM
    assert mould_warnings(found, mould_wall_mm=1.0) == ()


def test_what_a_zone_leaves_out_remains(ball_cast: Cast) -> None:
    half = ((-8.5, 0.0, 0.0), (8.5, 0.0, 0.0), (6.0, 6.0, 0.0), (0.0, 8.5, 0.0), (-6.0, 6.0, 0.0))
    done = worked(ball_cast, keep_out=(half,))
    found = remaining_undercut(done.model.mesh, ball_cast, done.survey.path)
    assert found.depth_mm == pytest.approx(1.0, abs=sagitta_mm(5.0, 128) + CLOSED_MM)
    assert found.at_mm is not None
    assert found.at_mm[1] > -1e-6


@pytest.mark.parametrize("tilt_deg", [2.0, 5.0, 10.0])
def test_a_tilted_cylinder_by_closed_form(tilt_deg: float) -> None:
    """Closed form: u = 8 sin t at the foot of a cylinder 8 mm long."""
    cast = cast_of(frustum(3.0, 3.0, 8.0, around=96))
    survey = surveyed(cast, tilt_deg=(tilt_deg, 0.0))
    found = remaining_undercut(cast.mesh, cast, survey.path)
    assert found.depth_mm == pytest.approx(
        8.0 * math.sin(math.radians(tilt_deg)), abs=sagitta_mm(3.0, 96) + CLOSED_MM
    )
    assert found.at_mm is not None
    assert found.at_mm[2] == pytest.approx(0.0, abs=1e-9)


def test_the_base_is_never_surveyed() -> None:
    """The same cylinder with only its top scanned: its wall is base, however it is tilted."""
    body = frustum(3.0, 3.0, 8.0, around=96)
    cast = cast_of(body, scanned=body.face_normals[:, 2] > 0.9)
    survey = surveyed(cast, tilt_deg=(10.0, 0.0))
    found = remaining_undercut(cast.mesh, cast, survey.path)
    assert found == RemainingUndercut(0.0, None, None, (), 0.0, None, 0.0)


@given(cast=casts(most=2), tilt_deg=tilts)
@settings(max_examples=4)
def test_it_reads_what_the_survey_reads(cast: Cast, tilt_deg: tuple[float, float]) -> None:
    survey = surveyed(cast, tilt_deg=tilt_deg)
    found = remaining_undercut(cast.mesh, cast, survey.path)
    deepest = float(survey.depth_mm.max())
    assert max(found.depth_mm, found.beside_base_mm) == pytest.approx(deepest, abs=0.005)


# --- windows of arms ---
def test_in_an_arm_s_window_the_asked_undercut_remains_and_nothing_elsewhere() -> None:
    survey, _ = ball_tooth(around=96)
    below_mm = math.sqrt(RADIUS_MM**2 - (RADIUS_MM - 0.25) ** 2)
    arm = arm_on_parallel(below_mm)
    ledge = ledge_bulk(survey, arm, LedgeSettings())
    space = free_space(survey.cast, survey.path)
    window = space.stand(ledge.window)
    parallel = parallel_blockout(survey, space, settings=ParallelSettings(), keep_free=[window])
    mesh, left = parallel.left.take(space.stand(ledge.solid))
    wax = type(parallel.wax)("ledge", "ledge", mesh, mesh.volume_mm3)
    model = build_model(left, [parallel.wax, wax]).mesh

    found = remaining_undercut(model, survey.cast, survey.path, arms=[arm])
    assert found.windows_mm[0][0] == arm.name
    # closed form: the ball is 0.25 mm deep at the arm's lower border
    assert found.windows_mm[0][1] == pytest.approx(0.25, abs=0.02)
    assert found.arm == arm.name
    assert found.depth_mm == found.windows_mm[0][1]
    assert found.at_mm is not None
    assert found.at_mm[2] == pytest.approx(EQUATOR_MM - below_mm, abs=0.1)
    assert found.elsewhere_mm < 0.02

    (warning,) = mould_warnings(found, mould_wall_mm=1.0)
    assert_said(
        warning, "undercut_over_mould",
        "An undercut of 0.2", "in the window of the arm made", "over a fifth (0.20 mm)",
        "mould wall of 1 mm", "make the wall 1.", "mould_wall_mm",
    )  # fmt: skip
    assert mould_warnings(found, mould_wall_mm=1.5) == ()


# --- the warning ---
def of_depth(depth_mm: float) -> RemainingUndercut:
    place = (1.0, 2.0, 3.0)
    return RemainingUndercut(depth_mm, place, None, (), depth_mm, place, 0.0)


def test_a_fifth_and_a_third_of_the_wall() -> None:
    """Published: a wall at least 5 times the deepest undercut, never under 3 times."""
    assert mould_warnings(of_depth(0.99), mould_wall_mm=5.0) == ()
    assert mould_warnings(of_depth(1.0), mould_wall_mm=5.0) == ()
    (warning,) = mould_warnings(of_depth(1.02), mould_wall_mm=5.0)
    assert_said(
        warning, "undercut_over_mould",
        "1.02 mm remains", "over a fifth (1.00 mm)", "mould wall of 5 mm", "make the wall 5.1 mm",
        "let wax fill",
    )  # fmt: skip
    assert warning.places_mm == ((1.0, 2.0, 3.0),)
    assert "third" not in mould_warnings(of_depth(1.66), mould_wall_mm=5.0)[0].message
    (warning,) = mould_warnings(of_depth(1.68), mould_wall_mm=5.0)
    assert_said(warning, "undercut_over_mould", "1.68 mm", "over a third (1.67 mm)", "may tear")
    assert mould_warnings(of_depth(1.68), mould_wall_mm=8.5) == ()


def test_on_a_ball_either_side_of_the_limit(ball_cast: Cast) -> None:
    """1 mm of undercut wants a wall of 5 mm."""
    found = remaining_undercut(ball_cast.mesh, ball_cast, surveyed(ball_cast).path)
    assert mould_warnings(found, mould_wall_mm=5.05) == ()
    (warning,) = mould_warnings(found, mould_wall_mm=4.9)
    assert_said(warning, "undercut_over_mould", "1.00 mm remains", "fifth (0.98 mm)")
    assert_near(warning.places_mm[0], found.at_mm or (0, 0, 0), 0.0)


def test_the_setting_has_range_and_mark() -> None:
    wall = arbitrary_settings.MOULD_WALL
    assert wall in arbitrary_settings.ALL
    assert ArbitrarySettings().mould_wall_mm == wall.default == 5.0
    assert ArbitrarySettings(mould_wall_mm="0.25 in").mould_wall_mm == pytest.approx(6.35)
    assert wall.mark == "common practice"
    with pytest.raises(ValueError, match="mould_wall_mm"):
        ArbitrarySettings(mould_wall_mm=0.5)


def test_the_facts_name_their_units() -> None:
    facts = of_depth(0.8).facts(mould_wall_mm=5.0)
    assert facts["wall_mm"] == 5.0
    assert facts["least_wall_mm"] == pytest.approx(4.0)
    assert facts["remaining_undercut_mm"] == 0.8
    assert facts["remaining_undercut_at_mm"] == [1.0, 2.0, 3.0]
    none = RemainingUndercut(0.0, None, None, (), 0.0, None, 0.0).facts(mould_wall_mm=5.0)
    assert none["remaining_undercut_at_mm"] is None
    assert none["least_wall_mm"] == 0.0
    numbers = [key for key, value in facts.items() if isinstance(value, float)]
    assert all(key.endswith("_mm") for key in numbers)
    assert np.isfinite([facts[key] for key in numbers]).all()
