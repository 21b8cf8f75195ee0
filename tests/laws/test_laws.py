"""Laws that hold for any cast and path, on random bodies."""

from __future__ import annotations

import math

import numpy as np
import pytest
from bodies import cast_of, moved_cast, turn_about, worked
from hypothesis import given, settings
from hypothesis import strategies as st
from invariants import (
    assert_apart,
    assert_contains,
    assert_no_undercut,
    assert_solid,
    assert_under_cast,
    assert_walls_parallel,
    assert_within,
)
from random_casts import casts, tilts

from blockout.cast.cast import Cast

few = settings(max_examples=12)


@few
@given(cast=casts(), tilt_deg=tilts)
def test_blocking_out(cast: Cast, tilt_deg: tuple[float, float]) -> None:
    """Wax is solid, stands along the path, shares nothing with the cast, sees no sky, adds up with
    the cast to the model; and blocking out twice is blocking out once.
    """
    done = worked(cast, tilt_deg=tilt_deg)
    assert_solid(done.model.mesh)
    assert done.model.volume_mm3 == pytest.approx(cast.mesh.volume_mm3 + done.volume_mm3, rel=1e-6)
    assert not (~cast.scanned[done.survey.ceilings.face]).any()
    if done.blockout.wax.mesh is None:
        return
    direction = done.survey.path.direction
    assert_solid(done.wax)
    assert_apart(done.wax, cast.mesh, slack_mm3=1e-5)
    if done.volume_mm3 > 0.01:
        assert_walls_parallel(done.wax, cast, direction)
        assert_under_cast(done.wax, cast, direction)
        assert_no_undercut(done.model, cast, tilt_deg=tilt_deg, wax_mm3=done.volume_mm3)


@few
@given(
    cast=casts(),
    tilt_deg=tilts,
    axis=st.tuples(*[st.floats(-1.0, 1.0)] * 3).filter(lambda a: sum(v * v for v in a) > 0.1),
    angle=st.floats(-180.0, 180.0),
    shift=st.tuples(*[st.floats(-100.0, 100.0)] * 3),
)
def test_turning_cast_and_path_together_changes_nothing(
    cast: Cast,
    tilt_deg: tuple[float, float],
    axis: tuple[float, ...],
    angle: float,
    shift: tuple[float, ...],
) -> None:
    here = worked(cast, tilt_deg=tilt_deg)
    turn = turn_about(axis, angle)
    there = worked(moved_cast(cast, turn=turn, shift_mm=shift), tilt_deg=tilt_deg)
    # the film of a micron at the survey line is cut by rounding in other ways: 1e-6 mm a mm of it
    assert there.volume_mm3 == pytest.approx(here.volume_mm3, rel=1e-6, abs=1e-4)
    assert there.survey.volume_mm3 == pytest.approx(here.survey.volume_mm3, rel=1e-3, abs=1e-3)
    assert there.survey.area_mm2 == pytest.approx(here.survey.area_mm2, rel=1e-2, abs=1e-2)
    assert_within(there.survey.path.direction, turn @ here.survey.path.direction, 1e-12)
    # the height map lies otherwise on the cast, so a notch may be found by one and not by the other
    off = np.abs(there.survey.depth_mm - here.survey.depth_mm)
    assert np.median(off) < 1e-5
    assert (off < 0.005).mean() > 0.9


@few
@given(cast=casts(), tilt_deg=tilts, factor=st.floats(0.5, 3.0))
def test_scaling(cast: Cast, tilt_deg: tuple[float, float], factor: float) -> None:
    here = worked(cast, tilt_deg=tilt_deg)
    larger = cast_of(
        cast.mesh.scaled(factor), scanned=cast.scanned.copy(), floor_mm=cast.floor_mm * factor
    )
    there = worked(larger, tilt_deg=tilt_deg)
    # the film does not grow with the cast: its section is half a square micron at most
    film_mm3 = (
        1e-6 * float(np.linalg.norm(larger.mesh.bounds_mm[1] - larger.mesh.bounds_mm[0])) * 20
    )
    assert there.volume_mm3 == pytest.approx(here.volume_mm3 * factor**3, rel=1e-6, abs=film_mm3)
    assert there.model.volume_mm3 == pytest.approx(here.model.volume_mm3 * factor**3, rel=1e-6)


@few
@given(cast=casts(), tilt_deg=tilts, tapers=st.tuples(st.floats(0.0, 9.0), st.floats(0.3, 1.0)))
def test_more_taper_is_never_less_wax(
    cast: Cast, tilt_deg: tuple[float, float], tapers: tuple[float, float]
) -> None:
    plain = worked(cast, tilt_deg=tilt_deg)
    some = worked(cast, tilt_deg=tilt_deg, taper_deg=tapers[0])
    more = worked(cast, tilt_deg=tilt_deg, taper_deg=tapers[0] + tapers[1])
    assert plain.volume_mm3 <= some.volume_mm3 + 1e-5
    assert some.volume_mm3 <= more.volume_mm3 + 1e-5
    if plain.blockout.wax.mesh is not None:
        assert_contains(some.wax, plain.wax, slack_mm3=1e-4)
        assert_contains(more.wax, some.wax, slack_mm3=1e-4)
        assert_solid(more.model.mesh)


@few
@given(
    cast=casts(),
    tilt_deg=tilts,
    floors=st.tuples(st.floats(-1.9, 3.0), st.floats(0.1, 2.0)),
    taper_deg=st.sampled_from([0.0, 3.0]),
)
def test_a_lower_floor_is_never_less_wax(
    cast: Cast, tilt_deg: tuple[float, float], floors: tuple[float, float], taper_deg: float
) -> None:
    high = worked(cast, tilt_deg=tilt_deg, floor_mm=floors[0], taper_deg=taper_deg)
    low = worked(cast, tilt_deg=tilt_deg, floor_mm=floors[0] - floors[1], taper_deg=taper_deg)
    assert high.volume_mm3 <= low.volume_mm3 + 1e-6
    assert low.blockout.undercut_volume_mm3 >= high.blockout.undercut_volume_mm3 - 1e-6
    if high.blockout.wax.mesh is not None:
        assert_contains(low.wax, high.wax, slack_mm3=1e-5)


@few
@given(cast=casts(), tilt_deg=tilts, cut=st.floats(-2.0, 2.0), angle=st.floats(0.0, 2.0 * math.pi))
def test_a_zone_and_what_is_outside_it_are_the_whole(
    cast: Cast, tilt_deg: tuple[float, float], cut: float, angle: float
) -> None:
    # an outline on the plate's top: its corners lie on the cast, its column takes half of all
    corners = np.array([[cut, -4.5], [4.5, -4.5], [4.5, 4.5], [cut, 4.5]])
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    zone = tuple((float(x), float(y), -2.0) for x, y in corners @ turn.T)
    whole = worked(cast, tilt_deg=tilt_deg)
    inside = worked(cast, tilt_deg=tilt_deg, keep_in=(zone,))
    outside = worked(cast, tilt_deg=tilt_deg, keep_out=(zone,))
    assert inside.volume_mm3 + outside.volume_mm3 == pytest.approx(
        whole.volume_mm3, rel=1e-6, abs=1e-5
    )
