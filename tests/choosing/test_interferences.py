"""Undercut in the way: closed forms on balls over a plate, weights and zones, thinned places."""

from __future__ import annotations

import numpy as np
import pytest
from bodies import moved_cast, turn_about
from known_teeth import PLATE_TOP_MM, RADIUS_MM, BallTooth, ball_depth_mm, balls_cast

from blockout.case.choosing_settings import ChoosingSettings
from blockout.case.prescription import Prescription
from blockout.choosing.factors import interferences_mark, measure
from blockout.choosing.ground import choosing_ground
from blockout.choosing.tilts import LEVEL, Tilt, path_of
from blockout.surveying.columns import volume_under_mm3

BALL = BallTooth(46, (0.0, 0.0, 0.0), (1.0, 0.0), (0.0, 1.0))


@pytest.fixture(scope="module")
def alone():
    cast, teeth = balls_cast([BALL])
    return cast, teeth, choosing_ground(cast, teeth=teeth)


def closed_volume_mm3(tilt: Tilt) -> float:
    """Air under the lower half of a ball down to the plate, along a path tilted by t: over the
    disk of the ball each line runs D / cos t from the middle's plane to the plate on average, less
    the half ball in it: pi R^2 D / cos t - 2/3 pi R^3.
    """
    cos = np.cos(np.radians(tilt.from_level_deg))
    return float(np.pi * RADIUS_MM**2 * -PLATE_TOP_MM / cos - 2.0 / 3.0 * np.pi * RADIUS_MM**3)


@pytest.mark.parametrize("tilt", [LEVEL, Tilt.of(9, 0), Tilt.of(-6, 12)])
def test_the_volume_under_a_ball_is_that_of_its_closed_form(alone, tilt):
    _, _, ground = alone
    found = measure(ground, [tilt])[0].interferences
    assert found.volume_mm3["teeth"] == pytest.approx(closed_volume_mm3(tilt), rel=5e-4)
    assert found.volume_mm3["tissue"] == 0.0
    assert found.weighted_mm3 == pytest.approx(found.volume_mm3["teeth"])


def test_the_deepest_place_under_a_ball_is_its_lowest_facet(alone):
    # closed form: depth R at the pole, where every way out is as far
    _, _, ground = alone
    found = measure(ground, [Tilt.of(5, -5)])[0].interferences
    assert RADIUS_MM - 0.35 < found.deepest_mm["teeth"] <= RADIUS_MM + 0.05
    assert found.deepest_mm["tissue"] == 0.0
    points, areas = ground.places.points_mm, ground.places.areas_mm2
    direction = path_of(ground.cast, Tilt.of(5, -5)).direction
    under = np.flatnonzero(areas @ direction < 0.0)
    assert ball_depth_mm(points[under], (0, 0, 0), direction).max() == pytest.approx(
        found.deepest_mm["teeth"], abs=0.35
    )


def test_the_volume_is_that_of_the_survey_s_own_columns(alone):
    cast, _, ground = alone
    tilt = Tilt.of(7, -4)
    path = path_of(cast, tilt)
    down = np.flatnonzero(cast.scanned & (cast.mesh.face_crosses @ path.direction < 0.0))
    told = volume_under_mm3(cast, path, down).sum()
    found = measure(ground, [tilt])[0].interferences
    assert found.total_mm3 == pytest.approx(told, rel=1e-6)


def test_fewer_places_give_nearly_the_same_volume_and_stand_for_all_of_the_area(alone):
    _, _, ground = alone
    places = ground.places
    fewer = places.thinned(4000)
    # the plate's parts are larger than a share, and are each kept once
    assert 1500 < len(fewer.points_mm) <= 4000
    whole = np.linalg.norm(places.areas_mm2, axis=1).sum()
    assert np.linalg.norm(fewer.areas_mm2, axis=1).sum() == pytest.approx(whole, rel=2e-3)
    assert places.thinned(len(places.points_mm)) is places
    tilts = [LEVEL, Tilt.of(10, 5)]
    for one, other in zip(
        measure(ground, tilts), measure(ground.sampled(4000), tilts), strict=True
    ):
        assert other.interferences.total_mm3 == pytest.approx(one.interferences.total_mm3, rel=0.02)


def test_without_teeth_all_of_it_is_tissue(alone):
    cast, _, ground = alone
    bare = choosing_ground(cast)
    found = measure(bare, [LEVEL])[0]
    known = measure(ground, [LEVEL])[0].interferences
    assert found.interferences.volume_mm3["tissue"] == pytest.approx(known.total_mm3)
    assert found.retention is found.guiding is found.appearance is None
    assert any("no teeth are named" in note for note in bare.notes)


def test_weights_count_teeth_and_what_is_rigid_and_leave_out_what_arms_want(alone):
    cast, teeth, ground = alone
    plain = measure(ground, [LEVEL])[0].interferences
    doubled = choosing_ground(cast, teeth=teeth, settings=ChoosingSettings(tooth_weight=2.0))
    twice = measure(doubled, [LEVEL])[0].interferences
    assert twice.weighted_mm3 == pytest.approx(2.0 * plain.weighted_mm3)
    assert twice.volume_mm3 == pytest.approx(plain.volume_mm3)

    arm = {"tooth": 46, "aspect": "lingual", "origin": "mesial", "role": "reciprocal"}
    rigid = choosing_ground(
        cast,
        teeth=teeth,
        prescription=Prescription.model_validate({"arm": (arm,)}),
        settings=ChoosingSettings(connector_weight=3.0),
    )
    found = measure(rigid, [LEVEL])[0].interferences
    under_arm = found.zone_volume_mm3["46 lingual reciprocal"]
    # four like sides: a quarter of the ball's undercut, closed form by symmetry
    assert under_arm == pytest.approx(plain.total_mm3 / 4.0, rel=0.02)
    assert found.weighted_mm3 == pytest.approx(plain.total_mm3 + 2.0 * under_arm, rel=1e-9)

    arm = {"tooth": 46, "aspect": "buccal", "origin": "mesial", "role": "retentive"}
    wanting = choosing_ground(
        cast, teeth=teeth, prescription=Prescription.model_validate({"arm": (arm,)})
    )
    left = measure(wanting, [LEVEL])[0].interferences
    assert left.total_mm3 == pytest.approx(plain.total_mm3)
    assert 0.7 * plain.total_mm3 < left.weighted_mm3 < 0.99 * plain.total_mm3


def test_a_bead_s_connector_counts_within_its_reach(alone):
    cast, teeth, _ = alone
    bead = {"line": ((8.0, -3.0, PLATE_TOP_MM), (8.0, 3.0, PLATE_TOP_MM)), "on_lower": True}
    ground = choosing_ground(
        cast, teeth=teeth, prescription=Prescription.model_validate({"bead": (bead,)})
    )
    places = ground.places
    inside = places.zone == 0
    assert places.zones == ("bead 1",)
    assert inside.any()
    # by the plane's own geometry: within 3 mm of the straight line, and places no further do
    off = np.linalg.norm(
        places.points_mm
        - np.column_stack(
            [
                np.full(len(inside), 8.0),
                np.clip(places.points_mm[:, 1], -3.0, 3.0),
                np.full(len(inside), PLATE_TOP_MM),
            ]
        ),
        axis=1,
    )
    assert off[inside].max() < 3.05
    assert off[~inside].min() > 2.95


def test_turning_cast_and_path_together_changes_nothing(alone):
    cast, _, ground = alone
    turn = turn_about((1.0, 2.0, 3.0), 77.0)
    moved = moved_cast(cast, turn=turn, shift_mm=(30.0, -12.0, 8.0))
    tilt = Tilt.of(6, -9)
    one = measure(ground, [tilt])[0].interferences
    other = measure(choosing_ground(moved, teeth=None), [tilt])[0].interferences
    assert other.total_mm3 == pytest.approx(one.total_mm3, rel=1e-6)


def test_marks_are_50_at_level_100_without_undercut_and_fall_with_it(alone):
    _, _, ground = alone
    level, steep = (m.interferences for m in measure(ground, [LEVEL, Tilt.of(14, 0)]))
    assert interferences_mark(level, level) == pytest.approx(50.0)
    # more air under a ball the further it is tilted
    assert steep.total_mm3 > level.total_mm3
    assert interferences_mark(steep, level) < 50.0
    none = type(level)({"teeth": 0.0, "tissue": 0.0}, {"teeth": 0.0, "tissue": 0.0}, {}, 0.0)
    assert interferences_mark(none, level) == 100.0
