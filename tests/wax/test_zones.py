"""Zones: keep in, keep out, and what is refused."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from bodies import ball_on_plate, box, cast_of, polygon_share, united, worked
from invariants import assert_apart, assert_solid, assert_walls_parallel

from blockout.case.settings import ParallelSettings
from blockout.cast.cast import Cast
from blockout.errors import InputError, KernelError
from blockout.kernel.rays import RayScene
from blockout.kernel.solids import Solid
from blockout.mesh import Mesh
from blockout.surveying.undercut import pulled_down
from blockout.wax import columns, parallel

HALF = ((0.0, -8.5), (6.0, -6.0), (8.5, 0.0), (6.0, 6.0), (0.0, 8.5))
OTHER_HALF = tuple((-x, y) for x, y in HALF)


@pytest.fixture(scope="module")
def cast() -> Cast:
    body, scanned = ball_on_plate(around=48, radius_mm=5.0, equator_mm=3.0)
    return cast_of(body, scanned=scanned)


def outline(cast: Cast, flat: tuple[tuple[float, float], ...]) -> tuple[tuple[float, ...], ...]:
    """Plan points raised to the cast's surface."""
    start = np.column_stack([np.array(flat), np.full(len(flat), 50.0)])
    down = RayScene(cast.mesh).first_hit(start, np.array([0.0, 0.0, -1.0])).distance_mm
    return tuple((x, y, float(50.0 - fall)) for (x, y), fall in zip(flat, down, strict=True))


@pytest.mark.parametrize("taper_deg", [0.0, 5.0])
@pytest.mark.parametrize("tilt_deg", [(0.0, 0.0), (6.0, -3.0)])
def test_a_zone_and_what_is_outside_it_are_the_whole(
    cast: Cast, tilt_deg: tuple[float, float], taper_deg: float
) -> None:
    zone = outline(cast, ((0.3, -8.4), (6.0, -6.0), (8.4, 0.0), (6.0, 6.0), (0.3, 8.4)))
    whole = worked(cast, tilt_deg=tilt_deg, taper_deg=taper_deg)
    inside = worked(cast, tilt_deg=tilt_deg, taper_deg=taper_deg, keep_in=(zone,))
    outside = worked(cast, tilt_deg=tilt_deg, taper_deg=taper_deg, keep_out=(zone,))
    assert inside.volume_mm3 > 0.1 * whole.volume_mm3
    assert outside.volume_mm3 > 0.1 * whole.volume_mm3
    assert inside.volume_mm3 + outside.volume_mm3 == pytest.approx(whole.volume_mm3, rel=1e-6)
    assert_apart(inside.wax, outside.wax, slack_mm3=1e-5)
    # a zone is cut along the path, so its cut is a wall as well
    if not taper_deg:
        for part in (inside, outside):
            assert_walls_parallel(part.wax, cast, whole.survey.path.direction)
    for part in (inside, outside):
        assert_solid(part.wax)
        assert_solid(part.model.mesh)
        assert part.blockout.undercut_volume_mm3 == pytest.approx(
            worked(cast, tilt_deg=tilt_deg).volume_mm3, rel=1e-9
        )


def test_half_of_a_ball(cast: Cast) -> None:
    whole = worked(cast).volume_mm3
    half = worked(cast, keep_in=(outline(cast, HALF),)).volume_mm3
    # closed form: the plane x = 0 halves a body that is its own mirror image in it
    assert half == pytest.approx(whole / 2.0, rel=1e-6)
    both = worked(cast, keep_in=(outline(cast, HALF), outline(cast, OTHER_HALF))).volume_mm3
    assert both == pytest.approx(whole, rel=1e-6)


@pytest.mark.parametrize(
    ("shaped", "lost"),
    [
        ({"keep_in": HALF}, True),
        ({"keep_in": HALF}, False),
        ({"keep_out": OTHER_HALF}, True),
        ({"keep_out": OTHER_HALF}, False),
        ({"taper_deg": 5.0}, True),
    ],
)
def test_what_the_kernel_loses_or_makes_up_is_told(
    cast: Cast, shaped: dict[str, Any], lost: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A rod of 0.1 x 0.1 mm is missing in what stands under the ball, or stands beside it: rays
    allow it, curtains do not.
    """
    at_mm = 4.4 if lost else 6.0
    rod = Solid.from_mesh(box((at_mm - 0.05, -0.05, -1.0), (at_mm + 0.05, 0.05, 30.0)))

    def wrong(*given: Any, **named: Any) -> Solid:
        found = pulled_down(*given, **named)
        return found - rod if lost else found + rod

    outlines = {key: (outline(cast, value),) if key != "taper_deg" else value
                for key, value in shaped.items()}  # fmt: skip
    worked(cast, **outlines)
    monkeypatch.setattr(columns, "pulled_down", wrong)
    with pytest.raises(KernelError, match=r"did not find all the blockout, or too much") as caught:
        worked(cast, **outlines)
    assert caught.value.exit_code == 1


@pytest.mark.parametrize("refuses", [True, False])
def test_curtains_that_the_kernel_does_not_take_prove_nothing(
    cast: Cast, refuses: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It refuses them, or takes them with a rod less; the wax is as it is without them."""
    half = {"keep_in": (outline(cast, HALF),)}
    expected = worked(cast, **half)
    rod = Solid.from_mesh(box((4.3, -0.1, -1.0), (4.5, 0.1, 30.0)))

    class Refusing(Solid):
        @classmethod
        def from_mesh(cls, mesh: Mesh) -> Solid:
            if refuses:
                raise KernelError("asked to")
            return Solid.from_mesh(mesh) - rod

    monkeypatch.setattr(parallel, "Solid", Refusing)
    made = worked(cast, **half)
    assert made.volume_mm3 == expected.volume_mm3
    assert made.blockout.undercut_volume_mm3 == expected.blockout.undercut_volume_mm3


def test_a_zone_in_a_zone(cast: Cast) -> None:
    quarter = ((0.0, 0.0), (8.5, 0.0), (6.0, 6.0), (0.0, 8.5))
    done = worked(cast, keep_in=(outline(cast, HALF),), keep_out=(outline(cast, quarter),))
    assert done.volume_mm3 == pytest.approx(worked(cast).volume_mm3 / 4.0, rel=1e-6)


def test_a_zone_is_cut_along_the_path_not_along_z(cast: Cast) -> None:
    half = outline(cast, HALF)
    done = worked(cast, tilt_deg=(0.0, 10.0), keep_in=(half,))
    path = done.survey.path
    # everything lies to one side of the zone's edges as seen along the path
    edge = np.array(half)[[0, 4]] @ path.to_path[:2].T
    along = (edge[1] - edge[0]) / np.linalg.norm(edge[1] - edge[0])
    side = (done.wax.vertices @ path.to_path[:2].T - edge[0]) @ [along[1], -along[0]]
    assert side.min() > -1e-6
    assert side.max() > 2.0


def test_direction_and_start_of_an_outline_do_not_matter(cast: Cast) -> None:
    zone = outline(cast, HALF)
    base = worked(cast, keep_in=(zone,)).volume_mm3
    for same in (zone[::-1], zone[2:] + zone[:2], (*zone, zone[0])):
        assert worked(cast, keep_in=(same,)).volume_mm3 == pytest.approx(base, rel=1e-9)


def test_a_zone_without_undercut_is_an_honest_nothing(cast: Cast) -> None:
    corner = ((6.5, -0.5), (7.5, -0.5), (7.5, 0.5))
    done = worked(cast, keep_in=(outline(cast, corner),))
    assert done.blockout.wax.mesh is None
    assert done.volume_mm3 == 0.0
    assert any("nothing to fill" in note for note in done.blockout.wax.notes)
    assert done.blockout.undercut_volume_mm3 == pytest.approx(
        # closed form: pi h^3 / 3 of the 48-gon's body, within its facets
        polygon_share(48) * math.pi * 27.0 / 3.0,
        rel=0.03,
    )


@pytest.mark.parametrize(
    ("points", "words"),
    [
        (((0.0, 0.0, 30.0), (5.0, 0.0, 3.0), (0.0, 5.0, 3.0)), "not on the cast"),
        (((-5.0, 0.0, 3.0), (0.0, 0.0, 8.0), (5.0, 0.0, 3.0)), "encloses nothing"),
        (
            ((-5.0, 0.0, 3.0), (5.0, 0.0, 3.0), (0.0, 5.0, 3.0), (0.0, -5.0, 3.0)),
            "crosses itself",
        ),
    ],
)
def test_outlines_that_are_none(
    cast: Cast, points: tuple[tuple[float, float, float], ...], words: str
) -> None:
    for option in ("keep_in", "keep_out"):
        with pytest.raises(InputError, match=words) as caught:
            worked(cast, **{option: (points,)})
        assert f"{option}[0]" in str(caught.value)
        assert caught.value.exit_code == 2


def test_fewer_than_three_points_are_no_outline() -> None:
    for few in (
        ((0.0, 0.0, 8.0), (5.0, 0.0, 3.0)),
        ((0.0, 0.0, 8.0), (1.0, 0.0, 8.0), (0.0, 0.0, 8.0)),
    ):
        with pytest.raises(ValueError, match=r"three different points|3 items"):
            ParallelSettings(keep_in=(few,))


def test_a_place_is_on_the_cast_also_in_the_middle_of_a_large_face() -> None:
    """A box of twelve triangles: its faces are 20 mm wide, its corners far away."""
    lid = united([box((-1.0, -1.0, 0.0), (1.0, 1.0, 4.0)), box((-10, -10, 4), (10, 10, 6))])
    done = worked(cast_of(lid), keep_in=(((-5, -5, 6), (5, -5, 6), (5, 5, 6), (-5, 5, 6)),))
    # closed form: (10 x 10 - 2 x 2) x 4
    assert done.volume_mm3 == pytest.approx(96.0 * 4.0, rel=1e-6)
    with pytest.raises(InputError, match=r"up to 2\.0 mm from its surface, limit 1\.5"):
        worked(cast_of(lid), keep_in=(((-5, -5, 8), (5, -5, 6), (5, 5, 6), (-5, 5, 6)),))
