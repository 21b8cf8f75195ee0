"""Each warning about arms: it comes beyond its limit, not before, and says where and what to do."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from ball_tooth import EQUATOR_MM, RADIUS_MM, ball_tooth, height_for_mm
from bodies import box
from made_arm import arm_of, arm_on_parallel, made_arm
from said import assert_near, assert_said, codes

from blockout.arms.arm import Arm
from blockout.case.arm_settings import ArmSettings
from blockout.case.prescription import Prescription
from blockout.check.arm_warnings import arm_warnings
from blockout.check.warnings import TradeWarning
from blockout.mesh import Floats, Mesh
from blockout.wax.wax import Wax

TIP = (20.0, 0.0, 0.0)


def arm(**changed: Any) -> Arm:
    """Straight, 20 mm long, so slender that nothing strains it; below the survey line with its
    terminal third alone, where it is retentive.
    """
    one = made_arm(**({"length_mm": 20.0, "depth_mm": 0.4} | changed))
    flexes = np.arange(len(one.lower)) > 2 * len(one.lower) / 3
    return replace(one, depth_mm=np.where(flexes, one.depth_mm, 0.0))


def asked(**more: Any) -> Prescription:
    one = {"tooth": 46, "aspect": "buccal", "origin": "mesial", "role": "retentive"}
    return Prescription(arm=(ArmSettings.model_validate(one | more),))


def warned(one: Arm, *waxes: Wax, teeth: Any = None, **more: Any) -> tuple[TradeWarning, ...]:
    return arm_warnings([one], waxes, prescription=asked(**more), teeth=teeth)


def wax(mesh: Mesh | None, name: str = "relief") -> Wax:
    return Wax(name, "relief", mesh, 0.0 if mesh is None else mesh.volume_mm3)


def with_depth(depth_mm: Floats, **changed: Any) -> Arm:
    """An arm of 101 points, 20 mm long, with a depth at each of its lower border."""
    lower = np.column_stack([np.linspace(0.0, 20.0, 101), np.zeros(101), np.zeros(101)])
    return replace(arm_of(lower, depth_mm=0.4, **changed), depth_mm=depth_mm.copy())


def test_an_arm_as_it_should_be_is_not_warned_of() -> None:
    assert warned(arm()) == ()
    assert warned(arm(), wax(None)) == ()
    assert arm_warnings([], [], prescription=Prescription()) == ()


# --- undercut at the terminal ---
@pytest.mark.parametrize("depth_mm", [0.235, 0.25, 0.254, 0.50, 0.75, 0.762, 0.765])
def test_every_gauge_of_the_set_is_usable(depth_mm: float) -> None:
    """The sets 0.25 / 0.50 / 0.75 mm and 0.010 / 0.020 / 0.030 in (published)."""
    assert warned(arm(depth_mm=depth_mm, length_mm=30.0)) == ()


def test_too_little_undercut() -> None:
    (warning,) = warned(arm(depth_mm=0.22))
    assert_said(
        warning, "undercut_small", "arm made", "0.22 mm", "under 0.25", "may not hold", "Ask for"
    )
    assert_near(warning.places_mm[0], TIP, 1e-12)


def test_too_much_undercut() -> None:
    (warning,) = warned(arm(depth_mm=0.78, length_mm=30.0))
    assert_said(
        warning, "undercut_large", "arm made", "0.78 mm", "over 0.75", "strains", "Ask for less"
    )
    assert_near(warning.places_mm[0], (30.0, 0.0, 0.0), 1e-12)


def test_a_reciprocal_arm_needs_no_undercut() -> None:
    assert warned(arm(role="reciprocal", depth_mm=0.0, undercut_mm=0.0)) == ()


# --- margin ---
def test_near_the_margin() -> None:
    assert warned(arm(margin_mm=1.0)) == ()
    assert warned(arm(margin_mm=None)) == ()
    (warning,) = warned(arm(margin_mm=0.97))
    assert_said(warning, "arm_near_margin", "arm made", "0.97 mm", "margin, under 1:", "lay it")
    assert_near(warning.places_mm[0], TIP, 1e-12)
    # a limit of the user's own
    assert codes(warned(arm(margin_mm=1.9), above_margin_mm=2.0)) == ["arm_near_margin"]
    assert warned(arm(margin_mm=0.6), above_margin_mm=0.5) == ()
    # an arm that crosses it is told as 0
    assert "0.00 mm" in warned(arm(margin_mm=-0.4))[0].message


def test_the_place_is_where_the_border_is_nearest_to_the_margin() -> None:
    """On a ball in a plate the margin is a circle about the axis: an arm that goes down toward its
    middle is nearest to it there.
    """
    _, teeth = ball_tooth(around=48)
    angle = np.radians(np.linspace(-40.0, 40.0, 81))
    below = 2.9 - np.abs(angle)
    radius = np.sqrt(RADIUS_MM**2 - below**2)
    lower = np.column_stack([radius * np.sin(angle), radius * np.cos(angle), EQUATOR_MM - below])
    one = arm_of(lower, depth_mm=0.0, margin_mm=0.7, role="reciprocal")
    (warning,) = warned(one, teeth=teeth)
    assert warning.code == "arm_near_margin"
    assert_near(warning.places_mm[0], lower[40], 0.1)
    # teeth without this one know nothing of it
    (warning,) = arm_warnings([arm(tooth=47, margin_mm=0.7)], [], prescription=asked(), teeth=teeth)
    assert_near(warning.places_mm[0], TIP, 1e-12)


# --- rigid below the survey line ---
def test_a_reciprocal_arm_below_the_survey_line() -> None:
    depth = np.zeros(101)
    depth[30] = 0.018
    rigid = {"role": "reciprocal", "terminal_depth_mm": 0.0, "undercut_mm": 0.0}
    assert warned(with_depth(depth, **rigid)) == ()
    depth[30] = 0.023
    (warning,) = warned(with_depth(depth, **rigid))
    assert_said(
        warning, "rigid_below_survey_line",
        "reciprocal arm made", "dips 0.02 mm below the survey line", "height of contour",
    )  # fmt: skip
    assert_near(warning.places_mm[0], (6.0, 0.0, 0.0), 1e-12)


def test_the_rigid_part_of_a_retentive_arm_below_the_survey_line() -> None:
    """Published: only the terminal third, or quarter, lies below it."""
    flexes = np.where(np.arange(101) > 66, 0.4, 0.0)
    assert warned(with_depth(flexes)) == ()
    early = flexes.copy()
    early[55] = 0.045
    assert warned(with_depth(early)) == ()
    early[55] = 0.055
    (warning,) = warned(with_depth(early))
    assert_said(
        warning, "rigid_below_survey_line",
        "rigid part of the arm made", "dips 0.06 mm", "Lay it at the height of contour",
    )  # fmt: skip
    assert_near(warning.places_mm[0], (11.0, 0.0, 0.0), 1e-12)
    # the approach arm of a bar clasp comes from the gingiva
    assert warned(with_depth(early, form="bar")) == ()


def test_on_a_ball_an_arm_wholly_below_the_equator_is_warned_of() -> None:
    """Closed form: h below the equator a ball is R - sqrt(R^2 - h^2) deep."""
    over = {"role": "reciprocal", "undercut_mm": 0.0}
    base = arm_on_parallel(height_for_mm(0.1))
    below = arm_of(base.lower, depth_mm=0.1, **over)
    level = arm_of(arm_on_parallel(0.0).lower, depth_mm=0.0, **over)
    assert codes(warned(below)) == ["rigid_below_survey_line"]
    assert "dips 0.10 mm" in warned(below)[0].message
    assert warned(level) == ()


# --- stress ---
def test_stress_over_the_proof_stress() -> None:
    """Closed form: peak stress of a half-round Co-Cr arm of radius 0.9 tapering to half, 0.25 mm
    bent: 506.5 MPa at 10 mm and 351.7 at 12; ISO 22674 type 5 allows 500.
    """
    assert warned(arm(length_mm=12.0, width_mm=1.8, depth_mm=0.25)) == ()
    assert warned(arm(length_mm=10.2, width_mm=1.8, depth_mm=0.25)) == ()
    (warning,) = warned(arm(length_mm=10.0, width_mm=1.8, depth_mm=0.25))
    assert_said(
        warning, "stress_over_proof", "arm 'made'", "507 MPa", "proof stress", "500 MPa", "longer"
    )
    assert_near(warning.places_mm[0], (10.0, 0.0, 0.0), 1e-12)


def test_each_arm_s_stress_is_told_at_its_own_terminal() -> None:
    two = Prescription(arm=asked().arm * 3)
    arms = [
        arm(width_mm=1.8, depth_mm=0.25),
        arm(role="reciprocal", depth_mm=0.0, undercut_mm=0.0),
        arm(length_mm=8.0, width_mm=1.8, depth_mm=0.25, name="short"),
    ]
    (warning,) = arm_warnings(arms, [], prescription=two)
    assert warning.code == "stress_over_proof"
    assert "'short'" in warning.message
    assert_near(warning.places_mm[0], (8.0, 0.0, 0.0), 1e-12)


# --- covered ---
def test_wax_on_a_terminal() -> None:
    """The arm's bearing surface at its tip is z = 0 to 1; wax beside it does not cover it."""
    on = box((15.0, 0.0, 0.0), (25.0, 1.0, 2.0))
    (warning,) = warned(arm(), wax(None), wax(on, "sheet"))
    assert_said(
        warning, "terminal_covered", "Wax of sheet", "terminal of the arm made", "not open", "Keep"
    )
    assert_near(warning.places_mm[0], TIP, 1e-12)
    assert warned(arm(), wax(box((15.0, 0.05, 0.0), (25.0, 1.0, 2.0)))) == ()
    # the ledge itself ends at the lower border
    assert warned(arm(), wax(box((0.0, 0.0, -2.0), (25.0, 1.0, 0.0)))) == ()
    rigid = arm(role="reciprocal", depth_mm=0.0, undercut_mm=0.0)
    assert warned(rigid, wax(on)) == ()
