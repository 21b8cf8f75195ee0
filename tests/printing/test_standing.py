"""Standing on the base, scaling, turning, and fitting the printer."""

import math

import numpy as np
import pytest
from bodies import ball, box, turn_about, united
from invariants import assert_solid, assert_within

from blockout.cast.frame import CastFrame
from blockout.errors import DefectError, InputError
from blockout.printing.standing import (
    check_build_volume,
    fitting_turn_deg,
    scaled_and_turned,
    stood_on_base,
)

BODY = united([box([-20, -15, -12], [20, 15, -2]), ball(5.0, subdivisions=2)])


def frame_of(turn, shift):
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = turn, shift
    return CastFrame(matrix)


def test_a_level_base_is_kept_and_lies_at_zero():
    frame = frame_of(turn_about([1.0, 2.0, -0.5], 70.0), [5.0, -30.0, 11.0])
    made = stood_on_base(BODY.moved(frame.matrix), frame)
    assert made.trimmed_mm == made.trimmed_mm3 == 0.0
    assert np.array_equal(made.mesh.faces, BODY.faces)
    assert_within(made.mesh.vertices, BODY.vertices + np.array([0.0, 0.0, 12.0]), 1e-9)
    assert made.mesh.bounds_mm[0, 2] == 0.0
    flat = (made.mesh.vertices[:, 2] == 0.0)[made.mesh.faces].all(axis=1)
    assert_within(made.mesh.face_areas_mm2[flat].sum(), 40.0 * 30.0, 1e-6)
    points = BODY.moved(frame.matrix).vertices
    assert_within(points @ made.matrix[:3, :3].T + made.matrix[:3, 3], made.mesh.vertices, 1e-9)


def test_a_leaning_base_is_trimmed_by_the_wedge_that_geometry_says():
    block = box([-20, -15, -12], [20, 15, 0])
    made = stood_on_base(block, frame_of(turn_about([0.0, 1.0, 0.0], 1.0), [0.0, 0.0, 0.0]))
    assert_solid(made.mesh)
    assert_within(made.trimmed_mm, 40.0 * math.sin(math.radians(1.0)), 1e-9)
    # closed form: a wedge of 40 mm and 40 tan(1 deg), 30 long
    assert_within(made.trimmed_mm3, 0.5 * 40.0**2 * math.tan(math.radians(1.0)) * 30.0, 1e-6)
    assert_within(made.mesh.bounds_mm[0, 2], 0.0, 1e-9)


def test_a_base_too_far_from_level_and_none_at_all_are_refused():
    block = box([-20, -15, -12], [20, 15, 0])
    with pytest.raises(DefectError, match="too far from level") as refused:
        stood_on_base(block, frame_of(turn_about([0.0, 1.0, 0.0], 10.0), [0.0, 0.0, 0.0]))
    assert "6.95 mm" in refused.value.measured
    assert "allowed 3" in refused.value.measured
    with pytest.raises(DefectError, match="no flat base"):
        stood_on_base(ball(8.0, subdivisions=4), CastFrame(np.eye(4)))


def test_scale_and_turn():
    block = box([0, 0, 0], [10, 20, 5])
    grown = scaled_and_turned(block, scale=(1.02, 0.99, 1.01), turn_deg=90.0)
    assert_within(grown.volume_mm3, 1000.0 * 1.02 * 0.99 * 1.01, 1e-9)
    assert_within(grown.bounds_mm, np.array([[-19.8, 0.0, 0.0], [0.0, 10.2, 5.05]]), 1e-9)
    assert scaled_and_turned(block, scale=(1.0, 1.0, 1.0), turn_deg=0.0) is block


@pytest.mark.parametrize(
    ("side_mm", "fits"),
    # closed form: a rod 100 x 10 at 45 degrees needs 110 / sqrt 2 = 77.78 mm
    [(77.9, True), (77.7, False)],
)
def test_the_turn_that_fits_is_found(side_mm, fits):
    rod = box([0, 0, 0], [100, 10, 10])
    turn_deg = fitting_turn_deg(rod, (side_mm, side_mm, 20.0))
    assert (turn_deg is not None) is fits
    with pytest.raises(InputError, match="as it stands" if fits else "however it is turned") as no:
        check_build_volume(rod, (side_mm, side_mm, 20.0), turned_deg=10.0)
    assert "100.0 x 10.0 x 10.0 mm" in no.value.measured
    if fits:
        # the fix names the whole turn, with what it was turned by already
        assert f"--turn {turn_deg + 10.0:g}." in no.value.fix
        turned = scaled_and_turned(rod, scale=(1.0, 1.0, 1.0), turn_deg=turn_deg)
        check_build_volume(turned, (side_mm, side_mm, 20.0))


def test_what_is_too_high_fits_by_no_turn():
    assert fitting_turn_deg(box([0, 0, 0], [10, 10, 30]), (200.0, 200.0, 29.9)) is None
    check_build_volume(box([0, 0, 0], [10, 10, 30]), (10.0, 10.0, 30.0))
