"""What is left alone for being shallower than the noise: counted, measured, never silent."""

from __future__ import annotations

import math

import numpy as np
import pytest
from bodies import ball, box, cast_of, surveyed, united, worked

from blockout.case.settings import PathSettings, SurveySettings
from blockout.cast.cast import Cast
from blockout.check.warnings import survey_warnings
from blockout.errors import InputError
from blockout.mesh import Mesh
from blockout.surveying.reading import MOST_TAKEN_FOR_NOISE_MM
from blockout.surveying.survey import survey

SMALL = ((-4.0, -4.0), (4.0, -4.0), (-4.0, 4.0))
EQUATOR_MM = 0.25


def bumps(noise_mm: float = 0.0) -> Cast:
    """One ball with a deep undercut and three knobs with shallow ones on a plate.

    Closed form: a knob of radius r whose equator is h over the plate is r - sqrt(r^2 - h^2) deep,
    here 0.032 mm, and takes pi h^3 / 3 of wax.
    """
    plate = box((-7.0, -7.0, -2.0), (7.0, 7.0, 0.0))
    knobs = [ball(1.0, subdivisions=3, centre=(x, y, EQUATOR_MM)) for x, y in SMALL]
    body = united([plate, ball(3.0, subdivisions=3, centre=(3.5, 3.5, 2.0)), *knobs])
    scanned = body.face_centres[:, 2] > -1e-6
    return cast_of(body, scanned=scanned, floor_mm=-2.0, noise_mm=noise_mm)


DEPTH_MM = 1.0 - math.sqrt(1.0 - EQUATOR_MM**2)
VOLUME_MM3 = math.pi * EQUATOR_MM**3 / 3.0


def test_nothing_is_dropped_at_zero() -> None:
    done = worked(bumps(), noise_depth_mm=0.0)
    assert done.survey.left_alone.patch_count == 0
    assert done.survey.left_alone.volume_mm3 == done.survey.left_alone.area_mm2 == 0.0
    assert done.blockout.wax.notes == ()
    assert done.survey.ceilings.patch_count == 4


def test_what_is_left_alone_has_no_survey_line() -> None:
    # a line about each knob, and about the ball alone once the knobs are left alone
    for noise_depth_mm, count in ((0.0, 1 + len(SMALL)), (0.1, 1)):
        found = surveyed(bumps(), noise_depth_mm=noise_depth_mm)
        assert len(found.survey_lines) == count
    # the ball's is the longest: closed form, its equator
    assert found.survey_lines[0].length_mm == pytest.approx(2.0 * math.pi * 3.0, rel=0.02)


def test_shallow_patches_are_left_counted_and_measured() -> None:
    cast = bumps()
    everything = worked(cast, noise_depth_mm=0.0)
    done = worked(cast, noise_depth_mm=0.1)
    left = done.survey.left_alone
    assert left.patch_count == len(SMALL)
    # closed forms: volume of each knob's fill, area of its zone 2 pi r h
    assert left.volume_mm3 == pytest.approx(len(SMALL) * VOLUME_MM3, rel=0.15)
    assert left.area_mm2 == pytest.approx(len(SMALL) * 2.0 * math.pi * EQUATOR_MM, rel=0.15)
    # what was left is what the wax lacks
    lacking_mm3 = everything.volume_mm3 - done.volume_mm3
    assert lacking_mm3 == pytest.approx(left.volume_mm3, rel=0.02)
    assert f"{len(SMALL)} patches, {left.volume_mm3:.3f} mm3" in done.blockout.wax.notes[0]
    assert "shallower than 100 um" in done.blockout.wax.notes[0]
    # and the survey speaks of the rest alone
    assert done.survey.volume_mm3 == pytest.approx(done.volume_mm3, rel=0.01)
    near_knobs = np.zeros(len(done.wax.vertices), dtype=bool)
    for x, y in SMALL:
        near_knobs |= np.hypot(done.wax.vertices[:, 0] - x, done.wax.vertices[:, 1] - y) < 1.1
    assert not near_knobs.any()


def test_the_depth_decides_not_the_area() -> None:
    assert surveyed(bumps(), noise_depth_mm=0.9 * DEPTH_MM).left_alone.patch_count == 0
    assert surveyed(bumps(), noise_depth_mm=1.2 * DEPTH_MM).left_alone.patch_count == len(SMALL)


def test_default_is_three_times_the_scans_noise() -> None:
    assert survey(bumps(noise_mm=0.004)).noise_depth_mm == pytest.approx(0.012)
    found = survey(bumps(noise_mm=0.02))
    assert found.noise_depth_mm == pytest.approx(0.06)
    assert found.left_alone.patch_count == len(SMALL)
    stated = survey(bumps(noise_mm=0.02), settings=SurveySettings(noise_depth_mm=0.0))
    assert stated.noise_depth_mm == 0.0
    assert stated.left_alone.patch_count == 0


def test_a_cast_with_nothing_but_noise_is_blocked_out_with_nothing() -> None:
    knob = ball(1.0, subdivisions=3, centre=(0.0, 0.0, EQUATOR_MM))
    body = united([box((-3.0, -3.0, -2.0), (3.0, 3.0, 0.0)), knob])
    scanned = body.face_centres[:, 2] > -1e-6
    done = worked(cast_of(body, scanned=scanned), noise_depth_mm=0.1)
    assert done.blockout.wax.mesh is None
    assert done.volume_mm3 == 0.0
    assert done.survey.max_depth_mm == 0.0
    assert done.survey.max_depth_at_mm is None
    assert done.survey.survey_lines == ()
    assert "1 patches" in done.blockout.wax.notes[0]
    assert "nothing to fill" in done.blockout.wax.notes[1]


@pytest.mark.parametrize("gauge_mm", [0.25, 0.5])
def test_iso_lines_only_where_it_is_that_deep(gauge_mm: float) -> None:
    found = surveyed(bumps(), gauges_mm=(gauge_mm,))
    assert set(found.iso_lines) == {gauge_mm}
    points = np.concatenate([line.points_mm for line in found.iso_lines[gauge_mm]])
    # the plate's triangles are as wide as the plate: what runs over them says nothing
    points = points[points[:, 2] > 1e-6]
    # the knobs are nowhere that deep
    assert np.hypot(*(points[:, :2] - 3.5).T).max() < 3.1


def test_gauges_out_of_range_are_refused() -> None:
    cast = bumps()
    with pytest.raises((InputError, ValueError), match=r"gauge|greater"):
        survey(cast, settings=SurveySettings(gauges_mm=(-0.25,)))


def test_a_survey_changes_nothing() -> None:
    cast = cast_of(ball(3.0, subdivisions=2))
    before = cast.mesh.vertices.tobytes(), cast.mesh.faces.tobytes(), cast.scanned.tobytes()
    worked(cast, tilt_deg=(3.0, 2.0), taper_deg=2.0)
    assert before == (
        cast.mesh.vertices.tobytes(), cast.mesh.faces.tobytes(), cast.scanned.tobytes(),
    )  # fmt: skip
    assert isinstance(cast.mesh, Mesh)


def test_however_noisy_a_scan_seems_deep_undercuts_are_not_left_alone() -> None:
    # three times 0.29 mm would leave what holds a clasp (0.25 mm: the published least gauge)
    cast = bumps(noise_mm=0.29)
    path, automatic = PathSettings(), survey(cast)
    assert automatic.noise_depth_mm == MOST_TAKEN_FOR_NOISE_MM < 0.25
    (warned,) = survey_warnings(automatic, path=path)
    assert warned.code == "noise_depth"
    assert "0.15 mm" in warned.message
    assert f"{len(SMALL)} patches" in warned.message
    asked = survey(cast, settings=SurveySettings(noise_depth_mm=0.4))
    assert asked.noise_depth_mm == 0.4
    # a usual scan leaves little alone, and says it in a note
    usual = survey(bumps(noise_mm=0.02))
    assert usual.left_alone.patch_count == len(SMALL)
    assert survey_warnings(usual, path=path) == ()
