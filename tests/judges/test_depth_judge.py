"""Undercut depth by rays against outlines united by shapely, on bodies without a closed form."""

from __future__ import annotations

import numpy as np
import pytest
from bodies import ball, ball_on_plate, box, cast_of, mushroom, surveyed, torus, united
from outlines import depth_by_outlines_mm

from blockout.cast.cast import Cast


def _heap() -> Cast:
    """Balls and a block pushed into each other: outlines with notches that point inward."""
    rng = np.random.default_rng(5)
    parts = [
        ball(float(r), subdivisions=3, centre=c)
        for r, c in zip(rng.uniform(1.0, 2.5, 6), rng.uniform(-2.5, 2.5, (6, 3)), strict=True)
    ]
    return cast_of(united([*parts, box((-1.0, -3.0, -4.0), (1.5, 3.0, -1.0))]))


def _on_plate() -> Cast:
    body, scanned = ball_on_plate(around=64)
    return cast_of(body, scanned=scanned)


CASTS = {
    "heap": _heap,
    "ball on a plate": _on_plate,
    "torus": lambda: cast_of(torus(around=48)),
    "mushroom": lambda: cast_of(mushroom(around=24)),
}


@pytest.mark.long
@pytest.mark.parametrize("tilt_deg", [(0.0, 0.0), (8.0, -5.0)])
@pytest.mark.parametrize("name", CASTS)
def test_depth_is_the_distance_to_the_outline_above(
    name: str, tilt_deg: tuple[float, float]
) -> None:
    cast = CASTS[name]()
    found = surveyed(cast, tilt_deg=tilt_deg)
    surface = cast.mesh.part(cast.scanned)
    some = np.random.default_rng(1).permutation(np.flatnonzero(found.depth_mm > 0.01))[:30]
    # half a micron up, where the rays start: there a vertex's own faces are not above it
    points = cast.mesh.vertices[some] + 0.0005 * found.path.direction
    judged_mm = depth_by_outlines_mm(
        surface, found.path.to_path, points, found.depth_mm[some] + 0.01
    )
    assert (judged_mm > 0.05).sum() > 15
    off_mm = found.depth_mm[some] - judged_mm
    # the search may miss the tip of a notch in the outline, never find a wall that is not there
    assert off_mm.min() > -0.0002
    assert np.median(off_mm) < 0.0005
    assert (off_mm < 0.005).mean() >= 0.85
    assert off_mm.max() < 0.1


def test_what_is_visible_to_the_rays_is_on_the_outline() -> None:
    cast = _heap()
    found = surveyed(cast, tilt_deg=(8.0, -5.0))
    seen = np.random.default_rng(2).permutation(np.flatnonzero(found.depth_mm == 0.0))[:30]
    points = cast.mesh.vertices[seen] + 0.0005 * found.path.direction
    judged_mm = depth_by_outlines_mm(
        cast.mesh, found.path.to_path, points, np.full(len(points), 0.1)
    )
    assert judged_mm.max() < 0.002
