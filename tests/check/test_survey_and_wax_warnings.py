"""Warnings of a survey and of wax as a whole: steep paths, assumed arches, wax past the land."""

from __future__ import annotations

from dataclasses import replace

import pytest
from bodies import ball, ball_on_plate, box, cast_of, frustum, surveyed, worked
from said import assert_said, codes

from blockout.case import parameters
from blockout.case.settings import PathSettings
from blockout.cast.cast import Cast
from blockout.check.warnings import survey_warnings, wax_warnings
from blockout.surveying.survey import survey


@pytest.fixture(scope="module")
def cast() -> Cast:
    return cast_of(frustum(3.0, 3.0, 6.0, around=24))


def tilted(cast: Cast, anterior_deg: float, lateral_deg: float = 0.0, **more: float):
    path = PathSettings(anterior_tilt_deg=anterior_deg, lateral_tilt_deg=lateral_deg, **more)
    return survey_warnings(survey(cast, path=path), path=path)


def test_a_steep_path(cast: Cast) -> None:
    assert tilted(cast, 9.95) == ()
    assert tilted(cast, -9.95) == ()
    (warning,) = tilted(cast, 10.05)
    assert_said(warning, "steep_path", "tilted 10.1 degrees", "over 10:", "nearer to level")
    assert warning.places_mm == ()
    assert parameters.TILT_WARNING.default == 10.0


def test_both_tilts_count_together(cast: Cast) -> None:
    """Closed form: atan sqrt(tan^2 a + tan^2 b); 7.12 and 7.12 degrees make 10.02."""
    assert tilted(cast, 7.05, -7.05) == ()
    assert codes(tilted(cast, 7.12, -7.12)) == ["steep_path"]


def test_the_limit_of_tilt_is_a_setting(cast: Cast) -> None:
    assert tilted(cast, 14.0, warn_tilt_deg=15.0) == ()
    (warning,) = tilted(cast, 5.0, warn_tilt_deg=4.0)
    assert_said(warning, "steep_path", "5.0 degrees", "over 4:")


def test_an_assumed_arch_matters_to_a_lateral_tilt(cast: Cast) -> None:
    assumed = replace(cast, arch_stated=False)
    assert tilted(assumed, 5.0) == ()
    assert tilted(cast, 0.0, 5.0) == ()
    (warning,) = tilted(assumed, 0.0, 0.5)
    assert_said(warning, "arch_assumed", "patient's right", "--arch lower or --arch upper")


def test_nothing_undercut() -> None:
    body = box((0, 0, 0), (5, 5, 5))
    block = cast_of(body, scanned=body.face_normals[:, 2] > -0.5)
    (warning,) = wax_warnings(surveyed(block), [])
    assert_said(warning, "no_undercut", "Nothing is undercut along this path")
    assert wax_warnings(surveyed(cast_of(ball(subdivisions=1))), []) == ()


def test_wax_past_the_land() -> None:
    """Under a whole ball wax goes down to the floor; under one on a plate it ends on the plate."""
    done = worked(cast_of(ball(subdivisions=2)))
    (warning,) = wax_warnings(done.survey, [done.blockout.wax])
    assert_said(warning, "wax_past_land", "parallel wax", "past the land", "--land")
    assert warning.places_mm[0][2] == pytest.approx(-5.0, abs=0.01)
    body, scanned = ball_on_plate(around=24)
    done = worked(cast_of(body, scanned=scanned))
    assert wax_warnings(done.survey, [done.blockout.wax]) == ()
    assert wax_warnings(done.survey, [replace(done.blockout.wax, mesh=None)]) == ()
