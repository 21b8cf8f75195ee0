"""Where terminals can lie and what undercut is there: closed forms on balls."""

from __future__ import annotations

import numpy as np
import pytest
from known_teeth import (
    MARGIN_BELOW_MM,
    RADIUS_MM,
    BallTooth,
    ball_depth_mm,
    balls_cast,
)

from blockout.arms.mechanics import half_round, tip_force_n
from blockout.case.choosing_settings import ChoosingSettings
from blockout.case.prescription import Prescription
from blockout.choosing.factors import measure, retention_mark, score
from blockout.choosing.ground import choosing_ground, facing_gaps
from blockout.choosing.tilts import LEVEL, Tilt, path_of
from blockout.errors import InputError

RIGHT = BallTooth(44, (11.0, 0.0, 0.0), (0.0, 1.0), (1.0, 0.0))
LEFT = BallTooth(34, (-11.0, 0.0, 0.0), (0.0, 1.0), (-1.0, 0.0))
FACET_MM = 0.002
"""Balls of 20,480 facets: middles of facets lie up to 1.6 um inside the ball (measured)."""


def arm(tooth: int, aspect: str = "buccal", **more) -> dict:
    return {"tooth": tooth, "aspect": aspect, "origin": "mesial", "role": "retentive", **more}


def asking(*arms: dict, missing=()) -> Prescription:
    return Prescription.model_validate({"arm": arms, "teeth": {"missing": missing}})


@pytest.fixture(scope="module")
def pair():
    return balls_cast([RIGHT, LEFT])


def test_places_lie_on_the_tooth_clear_of_the_margin_at_the_far_line_angle(pair):
    cast, teeth = pair
    ground = choosing_ground(
        cast, teeth=teeth, prescription=asking(arm(44, above_margin_mm=1.0), arm(34, "lingual"))
    )
    for site, tooth in zip(ground.sites, (RIGHT, LEFT), strict=True):
        own = (site.points_mm - tooth.centre_mm) @ tooth.axes.T
        assert np.abs(np.linalg.norm(own, axis=1) - RADIUS_MM).max() < FACET_MM
        # closed form: the chord from the margin's circle, 4 mm under the middle
        reach = np.hypot(own[:, 0], own[:, 1])
        margin = np.sqrt(RADIUS_MM**2 - MARGIN_BELOW_MM**2)
        chord = np.hypot(reach - margin, own[:, 2] + MARGIN_BELOW_MM)
        assert chord.min() == pytest.approx(1.0, abs=0.01)
        # distal and buccal, or lingual: the line angle of a round crown lies at 45 degrees
        out = own[:, 1] if site.side == "buccal" else -own[:, 1]
        turn = np.degrees(np.arctan2(-own[:, 0], out))
        assert turn.min() == pytest.approx(45.0 - 32.0, abs=0.1)
        assert turn.max() == pytest.approx(45.0 + 12.0, abs=0.1)


@pytest.mark.parametrize("tilt", [LEVEL, Tilt.of(7, 3), Tilt.of(-10, 8), Tilt.of(2, -13)])
def test_what_is_offered_is_what_the_ball_has_there(pair, tilt):
    cast, teeth = pair
    ground = choosing_ground(
        cast, teeth=teeth, prescription=asking(arm(44), arm(34, undercut_mm=0.5))
    )
    direction = path_of(cast, tilt).direction
    found = measure(ground, [tilt])[0].retention
    wanted = [
        ball_depth_mm(site.points_mm, tooth.centre_mm, direction).max()
        for site, tooth in zip(ground.sites, (RIGHT, LEFT), strict=True)
    ]
    offered = [site.offered_mm for site in found.sites]
    assert offered == pytest.approx(wanted, abs=0.005 + FACET_MM)
    lacking = [max(0.25 - wanted[0], 0.0), max(0.5 - wanted[1], 0.0)]
    assert found.spread_mm == pytest.approx(abs(lacking[0] - lacking[1]), abs=0.005 + FACET_MM)
    deepest = np.array(found.sites[0].place_mm)
    own = ball_depth_mm(deepest[None], RIGHT.centre_mm, direction)[0]
    assert own == pytest.approx(wanted[0], abs=0.005 + FACET_MM)


def test_forces_are_those_of_the_beam_up_to_the_asked_depth(pair):
    cast, teeth = pair
    ground = choosing_ground(cast, teeth=teeth, prescription=asking(arm(44), arm(34)))
    found = measure(ground, [Tilt.of(0, 9)])[0].retention
    for site, depth in zip(ground.sites, found.sites, strict=True):
        # from line angle to line angle of a round crown at mid height: a quarter of its girth
        assert site.length_mm == pytest.approx(np.pi / 2.0 * RADIUS_MM, abs=0.01)
        # closed form 3 E I0 t u / L^3, cobalt-chromium, 1.5 mm half-round, tip half the origin
        force = tip_force_n(
            half_round(0.75),
            modulus_gpa=220.0,
            tip_share=0.5,
            deflection_mm=min(depth.offered_mm, 0.25),
            length_mm=site.length_mm,
        )
        assert depth.force_n == pytest.approx(force)
    assert found.spread_n == pytest.approx(abs(found.sites[0].force_n - found.sites[1].force_n))


def test_mirrored_teeth_balance_at_no_lateral_tilt_and_trade_places_with_its_sign(pair):
    cast, teeth = pair
    ground = choosing_ground(
        cast, teeth=teeth, prescription=asking(arm(44, undercut_mm=2.0), arm(34, undercut_mm=2.0))
    )
    level, one, other = (
        m.retention for m in measure(ground, [Tilt.of(3, 0), Tilt.of(3, 6), Tilt.of(3, -6)])
    )
    assert level.spread_mm < 0.002
    assert one.spread_mm == pytest.approx(other.spread_mm, abs=0.002)
    assert one.spread_mm > 0.3
    # the right side down: the right tooth's outer wall looks further down
    assert one.sites[0].offered_mm > one.sites[1].offered_mm
    assert one.sites[0].offered_mm == pytest.approx(other.sites[1].offered_mm, abs=0.002)


def test_abutments_are_the_teeth_beside_gaps_with_the_better_of_two_sides(pair):
    cast, teeth = pair
    prescription = asking(missing=(45, 46, 35, 36, 37, 47))
    assert facing_gaps(cast, prescription, teeth) == ((44, "distal"), (34, "distal"))
    ground = choosing_ground(cast, teeth=teeth, prescription=prescription)
    assert [site.name for site in ground.sites] == [
        "44 buccal", "44 lingual", "34 buccal", "34 lingual",
    ]  # fmt: skip
    # clasped from the gap: the tip lies at the mesial line angle, forward of the tooth
    for site in ground.sites:
        assert (site.points_mm[:, 1] > 0.0).all()
    found = measure(ground, [Tilt.of(0, 8)])[0].retention
    assert {site.name for site in found.counted} == {"44 buccal", "34 lingual"}
    assert any("taken as an abutment" in note for note in ground.notes)


def test_a_missing_canine_between_two_teeth_faces_both_of_them():
    teeth = [
        BallTooth(44, (11.0, 0.0, 0.0), (0.0, 1.0), (1.0, 0.0)),
        BallTooth(42, (5.0, 12.0, 0.0), (-1.0, 0.0), (0.0, 1.0)),
        BallTooth(32, (-6.0, 12.0, 0.0), (1.0, 0.0), (0.0, 1.0)),
    ]
    cast, crowns = balls_cast(teeth, subdivisions=2)
    facing = facing_gaps(cast, asking(missing=(43, 41, 31)), crowns)
    assert facing == ((44, "mesial"), (42, "distal"), (42, "mesial"), (32, "mesial"))


def test_an_arm_by_hand_is_read_about_its_last_point(pair):
    cast, teeth = pair
    on_ball = np.array([[0.6, 0.0, 0.8], [0.8, 0.0, -0.6]]) * RADIUS_MM + RIGHT.centre_mm
    by_hand = arm(44, points=tuple(tuple(float(v) for v in p) for p in on_ball))
    ground = choosing_ground(cast, teeth=teeth, prescription=asking(by_hand))
    (site,) = ground.sites
    off_mm = np.linalg.norm(site.points_mm - on_ball[1], axis=1)
    assert off_mm.min() < 0.01
    assert off_mm.max() < 1.0
    found = measure(ground, [LEVEL])[0].retention.sites[0]
    wanted = ball_depth_mm(site.points_mm, RIGHT.centre_mm, np.array([0.0, 0.0, 1.0])).max()
    assert found.offered_mm == pytest.approx(wanted, abs=0.005 + FACET_MM)


def test_a_tooth_that_is_not_there_is_refused(pair):
    cast, teeth = pair
    with pytest.raises(InputError, match="tooth 45 is not on this cast"):
        choosing_ground(cast, teeth=teeth, prescription=asking(arm(45)))


def test_undercut_made_by_the_tilt_alone_is_named_and_does_not_count(pair):
    cast, teeth = pair
    # the equator is 4.47 mm from the margin: arms kept further than that find none at level
    ground = choosing_ground(
        cast,
        teeth=teeth,
        prescription=asking(arm(44, above_margin_mm=4.6), arm(34)),
        settings=ChoosingSettings(abutment_undercut_mm=0.25),
    )
    tilt = Tilt.of(0, 14)
    level, tilted = measure(ground, [LEVEL, tilt])
    assert level.retention.sites[0].offered_mm == 0.0
    assert tilted.retention.sites[0].offered_mm > 0.06
    found = score(tilted, level, ground.settings)
    assert found.tilt_made == ("44 buccal retentive",)
    counted = score(tilted, level, ChoosingSettings(count_tilt_made=True))
    assert counted.tilt_made == found.tilt_made
    gain = 50.0 * min(tilted.retention.sites[0].offered_mm / 0.25, 1.0) / 2.0
    assert counted.marks["retention"] - found.marks["retention"] == pytest.approx(gain)


def test_marks_follow_their_formula(pair):
    cast, teeth = pair
    ground = choosing_ground(cast, teeth=teeth, prescription=asking(arm(44), arm(34)))
    found = measure(ground, [Tilt.of(0, 11)])[0].retention
    reach = np.mean([min(site.offered_mm / 0.25, 1.0) for site in found.sites])
    balance = 0.25 / (0.25 + found.spread_mm)
    assert retention_mark(found) == pytest.approx(50.0 * reach + 50.0 * balance)
    full = measure(ground, [LEVEL])[0].retention
    assert retention_mark(full) == pytest.approx(100.0)
