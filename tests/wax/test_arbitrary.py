"""Arbitrary blockout by closed form: it has what parallel blockout leaves, and its draft."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from bodies import ball_on_plate, cast_of, surveyed
from invariants import assert_apart, assert_solid
from test_zones import HALF, outline

from blockout.case.arbitrary_settings import ArbitrarySettings
from blockout.case.settings import ParallelSettings
from blockout.cast.cast import Cast
from blockout.kernel.solids import Solid
from blockout.model.build import build_model
from blockout.wax.arbitrary import arbitrary_blockout
from blockout.wax.parallel import parallel_blockout

ALL_ROUND = tuple(
    (8.5 * math.cos(turn), 8.5 * math.sin(turn)) for turn in np.arange(8) * math.pi / 4.0
)


@pytest.fixture(scope="module")
def cast() -> Cast:
    body, scanned = ball_on_plate(around=48, radius_mm=5.0, equator_mm=3.0)
    return cast_of(body, scanned=scanned)


def _made(cast: Cast, parallel: ParallelSettings, draft_deg: float, **more: Any):
    survey = surveyed(cast)
    first = parallel_blockout(survey, settings=parallel)
    wax, left = arbitrary_blockout(
        survey,
        first.left,
        first.columns,
        parallel=parallel,
        settings=ArbitrarySettings(draft_deg=draft_deg),
        **more,
    )
    return first, wax, left


def test_without_zones_there_is_nothing_left_to_fill(cast: Cast) -> None:
    first, wax, left = _made(cast, ParallelSettings(), 3.0)
    assert wax.mesh is None
    assert wax.volume_mm3 == 0.0
    assert left is first.left
    assert "nothing to fill" in wax.notes[0]


def test_half_by_half_it_is_the_whole(cast: Cast) -> None:
    zone = outline(cast, HALF)
    whole = _made(cast, ParallelSettings(), 0.0)[0].wax
    for settings in (ParallelSettings(keep_out=(zone,)), ParallelSettings(keep_in=(zone,))):
        first, wax, left = _made(cast, settings, 0.0)
        assert wax.volume_mm3 + first.wax.volume_mm3 == pytest.approx(whole.volume_mm3, rel=1e-6)
        # closed form: the plane x = 0 halves a body that is its own mirror image in it
        assert wax.volume_mm3 == pytest.approx(whole.volume_mm3 / 2.0, rel=1e-6)
        assert_solid(wax.mesh)
        assert_apart(wax.mesh, first.wax.mesh, slack_mm3=1e-5)
        assert_solid(build_model(left, [first.wax, wax]).mesh)


@pytest.mark.parametrize("draft_deg", [3.0, 6.0])
def test_its_draft_on_a_ball_by_closed_form(cast: Cast, draft_deg: float) -> None:
    everywhere = ParallelSettings(keep_out=(outline(cast, ALL_ROUND),))
    straight = _made(cast, everywhere, 0.0)[1]
    first, wax, _ = _made(cast, everywhere, draft_deg)
    assert first.wax.mesh is None
    assert straight.volume_mm3 == pytest.approx(
        _made(cast, ParallelSettings(), 0.0)[0].wax.volume_mm3, rel=1e-9
    )
    # what a wall leaning outward by f adds over the height h under a circle of radius R:
    # pi h / 3 (R^2 + R R2 + R2^2) - pi R^2 h, R2 = R + h tan f
    radius, height = 5.0, 3.0
    wide = radius + height * math.tan(math.radians(draft_deg))
    round_mm3 = math.pi * height / 3.0 * (radius**2 + radius * wide + wide**2)
    round_mm3 -= math.pi * radius**2 * height
    # 48 facets around stand inside the circle, pyramids of 24 sides around the cones outside
    assert wax.volume_mm3 - straight.volume_mm3 == pytest.approx(round_mm3, rel=0.012)


def test_what_is_kept_to_a_half_leaves_the_other_half_its_draft(cast: Cast) -> None:
    """Closed form: the plane x = 0 halves a body that is its own mirror image in it."""
    whole = _made(cast, ParallelSettings(keep_out=(outline(cast, ALL_ROUND),)), 6.0)[1]
    half = _made(cast, ParallelSettings(keep_in=(outline(cast, HALF),)), 6.0)[1]
    # draft reaches 0.01 mm into the zone, where the wall is 0.3 mm wide at most and 3 mm high
    assert half.volume_mm3 == pytest.approx(whole.volume_mm3 / 2.0, abs=2 * 0.01 * 0.3 * 3.0)


def test_where_the_wall_is_kept_upright_it_has_no_draft(cast: Cast) -> None:
    """Closed form: upright in one half and leaning in the other, it is the mean of both."""
    everywhere = ParallelSettings(keep_out=(outline(cast, ALL_ROUND),))
    straight, leaning = (_made(cast, everywhere, draft)[1].volume_mm3 for draft in (0.0, 6.0))
    ring = np.array([[0.0, -9.0], [9.0, -9.0], [9.0, 9.0], [0.0, 9.0]])
    upright = Solid.column(ring, low_mm=-5.0, high_mm=9.0)
    mixed = _made(cast, everywhere, 6.0, keep_upright=[upright])[1].volume_mm3
    assert mixed == pytest.approx((straight + leaning) / 2.0, rel=1e-6)


def test_more_draft_is_never_less_wax(cast: Cast) -> None:
    settings = ParallelSettings(keep_out=(outline(cast, HALF),))
    volumes = [_made(cast, settings, draft)[1].volume_mm3 for draft in (0.0, 1.0, 4.0, 10.0)]
    assert volumes == sorted(volumes)
    assert volumes[-1] > 1.05 * volumes[0]
