"""The path of insertion: signs, tilts to direction and back, limits."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
import pytest
from bodies import turn_about
from hypothesis import given
from hypothesis import strategies as st
from invariants import assert_within

from blockout.case.settings import PathSettings
from blockout.cast.frame import CastFrame
from blockout.errors import PathError
from blockout.surveying.path import insertion_path

Arch = Literal["lower", "upper"]
LEVEL = CastFrame(np.eye(4))
ARCHES: tuple[Arch, ...] = ("lower", "upper")


def turned_frame() -> CastFrame:
    matrix = np.eye(4)
    matrix[:3, :3] = turn_about((1.0, -2.0, 0.5), 70.0)
    matrix[:3, 3] = (12.0, -7.0, 3.0)
    return CastFrame(matrix)


def tilted(arch: Arch, anterior: float, lateral: float, frame: CastFrame = LEVEL, **more: float):  # type: ignore[no-untyped-def]
    settings = PathSettings(anterior_tilt_deg=anterior, lateral_tilt_deg=lateral, **more)
    return insertion_path(frame, arch=arch, settings=settings)


@pytest.mark.parametrize("arch", ARCHES)
@pytest.mark.parametrize("t", [-30.0, -8.0, 0.0, 5.0, 30.0])
def test_anterior_tilt_alone(arch: Arch, t: float) -> None:
    # a lowered front turns the path backward over the cast: d = (0, -sin t, cos t)
    path = tilted(arch, t, 0.0)
    expected = np.array([0.0, -math.sin(math.radians(t)), math.cos(math.radians(t))])
    assert_within(path.direction, expected, 1e-15)
    assert path.tilt_deg == pytest.approx(abs(t), abs=1e-12)


@pytest.mark.parametrize(("arch", "right"), [("lower", 1.0), ("upper", -1.0)])
@pytest.mark.parametrize("r", [-6.0, 3.0, 12.0])
def test_lateral_tilt_lowers_the_right_side(arch: Arch, right: float, r: float) -> None:
    # the patient's right is +x on a lower cast and -x on an upper one; a lowered side lies under
    # the path's foot, so the path leans away from it
    path = tilted(arch, 0.0, r)
    expected = np.array([-right * math.sin(math.radians(r)), 0.0, math.cos(math.radians(r))])
    assert_within(path.direction, expected, 1e-15)


@pytest.mark.parametrize(("arch", "right"), [("lower", 1.0), ("upper", -1.0)])
def test_positive_tilts_lower_front_and_right(arch: Arch, right: float) -> None:
    """Held so that the path is upright, the lowered places come to lie lower."""
    path = tilted(arch, 7.0, 4.0)
    front, back = np.array([0.0, 20.0, 0.0]), np.array([0.0, -20.0, 0.0])
    right_side, left_side = np.array([right * 20.0, 0.0, 0.0]), np.array([-right * 20.0, 0.0, 0.0])
    assert front @ path.direction < back @ path.direction
    assert right_side @ path.direction < left_side @ path.direction


@given(
    anterior=st.floats(-20.0, 20.0),
    lateral=st.floats(-20.0, 20.0),
    arch=st.sampled_from(ARCHES),
    axis=st.tuples(*[st.floats(-1.0, 1.0)] * 3).filter(lambda a: sum(v * v for v in a) > 0.1),
    angle=st.floats(-180.0, 180.0),
)
def test_tilts_to_direction_and_back(
    anterior: float, lateral: float, arch: Arch, axis: tuple[float, ...], angle: float
) -> None:
    matrix = np.eye(4)
    matrix[:3, :3] = turn_about(axis, angle)
    matrix[:3, 3] = (5.0, 6.0, 7.0)
    frame = CastFrame(matrix)
    path = tilted(arch, anterior, lateral, frame)
    assert path.anterior_tilt_deg == pytest.approx(anterior, abs=1e-9)
    assert path.lateral_tilt_deg == pytest.approx(lateral, abs=1e-9)
    assert np.linalg.norm(path.direction) == pytest.approx(1.0, abs=1e-14)
    assert_within(path.direction, matrix[:3, :3] @ path.direction_cast, 1e-14)
    # each tilt is seen square to it: tan of it is the path's slope there
    x, y, z = path.direction_cast
    assert -y / z == pytest.approx(math.tan(math.radians(anterior)), abs=1e-12)
    assert abs(x / z) == pytest.approx(abs(math.tan(math.radians(lateral))), abs=1e-12)
    # said as a direction in file coordinates of any length, it is the same path
    again = insertion_path(
        frame, arch=arch, settings=PathSettings(direction=tuple(3.7 * path.direction))
    )
    assert_within(again.direction, path.direction, 1e-14)
    assert again.anterior_tilt_deg == pytest.approx(anterior, abs=1e-9)
    assert again.lateral_tilt_deg == pytest.approx(lateral, abs=1e-9)


def test_direction_is_said_in_the_coordinates_of_the_file() -> None:
    frame = turned_frame()
    level = insertion_path(
        frame, arch="lower", settings=PathSettings(direction=tuple(frame.up.tolist()))
    )
    assert level.tilt_deg == pytest.approx(0.0, abs=1e-6)
    leaning = frame.up * math.cos(0.1) - frame.front * math.sin(0.1)
    path = insertion_path(
        frame, arch="lower", settings=PathSettings(direction=tuple(leaning.tolist()))
    )
    assert path.anterior_tilt_deg == pytest.approx(math.degrees(0.1))
    assert path.lateral_tilt_deg == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("frame", [LEVEL, turned_frame()])
def test_path_coordinates(frame: CastFrame) -> None:
    path = tilted("upper", 9.0, -5.0, frame)
    assert_within(path.to_path @ path.to_path.T, np.eye(3), 1e-14)
    assert np.linalg.det(path.to_path) == pytest.approx(1.0)
    assert_within(path.to_path @ path.direction, np.array([0.0, 0.0, 1.0]), 1e-14)
    # x of the path stays in the plane of the path and the cast's own x
    cast_x = frame.matrix[:3, 0]
    assert path.to_path[0] @ np.cross(path.direction, cast_x) == pytest.approx(0.0, abs=1e-14)
    assert path.to_path[0] @ cast_x > 0.9


def test_level_is_said_as_zero() -> None:
    path = tilted("lower", 0.0, 0.0)
    assert str(path.anterior_tilt_deg) == "0.0"
    assert str(path.lateral_tilt_deg) == "0.0"
    assert (path.direction == [0.0, 0.0, 1.0]).all()


# --- limits --------------------------------------------------------------------------------------
def test_thirty_degrees_are_allowed_and_more_are_refused() -> None:
    assert tilted("lower", 30.0, 0.0).tilt_deg == pytest.approx(30.0)
    with pytest.raises(PathError, match="tilted too far") as caught:
        tilted("lower", 30.1, 0.0)
    assert "30.10 degrees, limit 30" in str(caught.value)
    assert "--max-tilt" in str(caught.value)
    assert caught.value.exit_code == 2


def test_two_tilts_together_may_pass_the_limit() -> None:
    # closed form: tan^2 of the whole is the sum of both tan^2; 25 and 25 make 33.4
    whole = math.degrees(math.atan(math.hypot(*[math.tan(math.radians(25.0))] * 2)))
    with pytest.raises(PathError, match="the path is tilted too far") as caught:
        tilted("lower", 25.0, 25.0)
    assert f"{whole:.2f} degrees" in str(caught.value)
    assert tilted("lower", 25.0, 25.0, max_tilt_deg=34.0).tilt_deg == pytest.approx(whole)


@pytest.mark.parametrize("direction", [(0.0, 1.0, 0.0), (0.0, 0.0, -1.0), (1.0, 0.0, -0.1)])
def test_a_path_level_or_from_below_is_refused(direction: tuple[float, float, float]) -> None:
    settings = PathSettings(direction=direction, max_tilt_deg=60.0)
    with pytest.raises(PathError, match="tilted too far"):
        insertion_path(LEVEL, arch="lower", settings=settings)


@pytest.mark.parametrize("tilt", [-60.0, 60.0])
def test_sixty_degrees_are_refused_where_thirty_is_the_limit(tilt: float) -> None:
    with pytest.raises(PathError, match=r"lateral tilt .* tilted too far"):
        tilted("lower", 0.0, tilt)


def test_ninety_five_degrees_are_no_tilt() -> None:
    # the settings know their range; the command line turns this into a message and exit code 2
    with pytest.raises(ValueError, match="less than or equal to 60"):
        PathSettings(anterior_tilt_deg=95.0)


def test_a_direction_without_length_is_refused() -> None:
    with pytest.raises((PathError, ValueError), match=r"zero|length"):
        insertion_path(LEVEL, arch="lower", settings=PathSettings(direction=(0.0, 0.0, 0.0)))
