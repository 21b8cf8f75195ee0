"""Walls of bodies whose thickness is known by closed form, and of real teeth."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from bodies import ball, box, sagitta_mm, turn_about, united
from said import assert_near, assert_said, prism

from blockout.cast.scan import read_scan
from blockout.check.wall_warnings import LEAST_WALL_MM, wall_warnings
from blockout.check.walls import ThinWall, thin_walls
from blockout.kernel.solids import Solid
from blockout.mesh import Mesh, joined

CASTS = Path(__file__).parents[2] / "../shared/casts"


def only(walls: tuple[ThinWall, ...]) -> ThinWall:
    assert len(walls) == 1, walls
    return walls[0]


def turned(mesh: Mesh) -> Mesh:
    turn = turn_about((1.0, -2.0, 0.7), 37.0)
    return Mesh(mesh.vertices @ turn.T + [11.0, -31.0, 47.0], mesh.faces)


def circle(radius_mm: float, around: int = 180) -> np.ndarray:
    angle = 2.0 * np.pi * np.arange(around) / around
    return radius_mm * np.column_stack([np.cos(angle), np.sin(angle)])


@pytest.mark.parametrize("thickness_mm", [0.3, 0.8, 0.999])
def test_a_plate_is_as_thick_as_it_is(thickness_mm: float) -> None:
    for body in (
        box((0, 0, 0), (20, 12, thickness_mm)),
        turned(box((0, 0, 0), (20, 12, thickness_mm))),
    ):
        wall = only(thin_walls(body, limit_mm=1.0))
        assert wall.thickness_mm == pytest.approx(thickness_mm, abs=2e-5)
        # both sides, but for the rim
        assert wall.area_mm2 == pytest.approx(2 * 20 * 12, rel=0.02)


def test_a_plate_at_the_limit_is_no_thin_wall() -> None:
    assert thin_walls(box((0, 0, 0), (20, 12, 1.001)), limit_mm=1.0) == ()
    assert thin_walls(turned(box((0, 0, 0), (20, 12, 1.001))), limit_mm=1.0) == ()


def test_the_place_is_on_the_thin_part() -> None:
    """A fin 0.8 mm thick and 3 mm high on a block; 1.2 mm high it is only an edge."""
    block = box((-10, -10, -8), (10, 10, 0))
    fin = only(thin_walls(united([block, box((-5, -0.4, -1), (5, 0.4, 3.0))]), limit_mm=1.0))
    assert fin.thickness_mm == pytest.approx(0.8, abs=1e-5)
    assert -5 <= fin.at_mm[0] <= 5
    assert abs(fin.at_mm[1]) == pytest.approx(0.4, abs=1e-6)
    assert 0 < fin.at_mm[2] < 3
    # two sides of 10 x 3, less at the ends and the foot, where a ray meets the block or the rim
    assert 50 < fin.area_mm2 <= 60.5
    assert thin_walls(united([block, box((-5, -0.4, -1), (5, 0.4, 1.2))]), limit_mm=1.0) == ()


def test_places_apart_are_told_apart_thinnest_first() -> None:
    plates = [box((0, 0, z), (8, 8, z + thick)) for z, thick in ((0, 0.9), (5, 0.4), (10, 0.7))]
    walls = thin_walls(joined(plates), limit_mm=1.0)
    assert [wall.thickness_mm for wall in walls] == pytest.approx([0.4, 0.7, 0.9], abs=1e-5)
    assert [5 <= wall.at_mm[2] <= 5.4 for wall in walls] == [True, False, False]


@pytest.mark.parametrize("angle_deg", [5.0, 10.0, 20.0, 26.0])
def test_a_wedge_is_thin_over_a_known_strip(angle_deg: float) -> None:
    """Closed form: straight in from one side of a wedge of angle a, at s from its edge, the other
    side is s tan a away: under 1 mm for s under 1 / tan a.
    """
    high, length = 7.0, 15.0
    half = high * math.tan(math.radians(angle_deg / 2.0))
    wall = only(thin_walls(prism([(0, 0), (high, -half), (high, half)], length), limit_mm=1.0))
    side = math.hypot(high, half)
    strip = min(side, 1.0 / math.tan(math.radians(angle_deg)))
    if strip < side:
        assert wall.area_mm2 == pytest.approx(2.0 * strip * length, rel=0.05)
    # told for the middle of a disk, not for the edge, where there is nothing left
    assert wall.thickness_mm > 0.0


@pytest.mark.parametrize("angle_deg", [30.5, 35.0, 60.0, 90.0])
def test_an_edge_is_no_wall(angle_deg: float) -> None:
    half = 7.0 * math.tan(math.radians(angle_deg / 2.0))
    body = prism([(0, 0), (7, -half), (7, half)], 15.0)
    assert thin_walls(body, limit_mm=1.0) == ()
    assert thin_walls(turned(body), limit_mm=1.0) == ()


@pytest.mark.parametrize(("angle_deg", "thin"), [(28.0, True), (31.0, False), (45.0, False)])
def test_from_thirty_degrees_on_two_faces_bound_no_wall(angle_deg: float, thin: bool) -> None:
    """Asked for narrower strips, over which these wedges are thin: 1.9, 1.7 and 1 mm."""
    half = 7.0 * math.tan(math.radians(angle_deg / 2.0))
    body = prism([(0, 0), (7, -half), (7, half)], 15.0)
    assert bool(thin_walls(body, limit_mm=1.0, across_mm=1.0)) is thin


@pytest.mark.parametrize(("wide_mm", "thin"), [(1.2, False), (1.5, False), (2.1, True), (4, True)])
def test_a_strip_is_a_wall_from_about_two_millimetres_on(wide_mm: float, thin: bool) -> None:
    assert bool(thin_walls(box((0, 0, 0), (20, wide_mm, 0.8)), limit_mm=1.0)) is thin
    assert (
        bool(thin_walls(box((0, 0, 0), (20, 2 * wide_mm, 0.8)), limit_mm=1.0, across_mm=5)) is thin
    )


def test_a_tube_by_its_radii() -> None:
    def tube(inner_mm: float) -> Mesh:
        outside = Solid.column(circle(5.0), low_mm=0.0, high_mm=10.0)
        return (outside - Solid.column(circle(inner_mm), low_mm=-1.0, high_mm=11.0)).mesh()

    wall = only(thin_walls(tube(4.2), limit_mm=1.0))
    assert wall.thickness_mm == pytest.approx(0.8, abs=sagitta_mm(5.0, 180) + 1e-5)
    assert wall.area_mm2 == pytest.approx(2 * math.pi * (5.0 + 4.2) * 10.0, rel=0.02)
    assert thin_walls(tube(3.97), limit_mm=1.0) == ()


def test_a_shell_around_a_void() -> None:
    def shell(inner_mm: float) -> Mesh:
        return joined([ball(5.0, subdivisions=4), ball(inner_mm, subdivisions=4).reversed()])

    wall = only(thin_walls(shell(4.2), limit_mm=1.0))
    assert wall.thickness_mm == pytest.approx(0.8, abs=0.02)
    assert thin_walls(shell(3.95), limit_mm=1.0) == ()


def test_two_dimples_back_to_back() -> None:
    """Two balls of radius 10 whose tops are 0.5 apart, cut out of a block. Closed form: a line from
    one centre, p off the axis, leaves the other ball's surface at s = D cos p - sqrt(100 - D^2
    sin^2 p), D = 20.5, so that the wall is s - 10 thick.
    """
    apart = 20.5
    body = Solid.from_mesh(box((-6, -6, -2), (6, 6, 2)))
    for z in (-apart / 2.0, apart / 2.0):
        body = body - Solid.from_mesh(ball(10.0, subdivisions=5, centre=(0, 0, z)))
    wall = only(thin_walls(body.mesh(), limit_mm=1.0))
    assert wall.thickness_mm == pytest.approx(0.5, abs=0.02)
    assert_near(wall.at_mm, (0.0, 0.0, math.copysign(0.25, wall.at_mm[2])), 0.7)
    p = np.linspace(0.0, 0.3, 30001)
    thick = apart * np.cos(p) - np.sqrt(100.0 - (apart * np.sin(p)) ** 2) - 10.0
    reach = float(np.interp(1.0, thick, p))
    area_mm2 = 2.0 * 2.0 * math.pi * 100.0 * (1.0 - math.cos(reach))
    # facets of 0.35 mm, of which each counts whole or not at all
    assert wall.area_mm2 == pytest.approx(area_mm2, rel=0.1)


def test_a_slit_is_no_wall() -> None:
    """Air of 0.5 mm between two thick walls."""
    body = Solid.from_mesh(box((0, 0, 0), (12, 12, 12))) - Solid.from_mesh(
        box((5.75, -1, 3), (6.25, 13, 13))
    )
    assert thin_walls(body.mesh(), limit_mm=1.0) == ()


def test_a_feather_of_wax_on_a_cast_is_no_wall() -> None:
    """Wax that runs out from 0.5 mm to nothing over 5 mm: all of it is backed by the cast."""
    body = prism([(0, 0), (20, 0), (20, 5.5), (10, 5.5), (5, 5.0), (0, 5.0)], 15.0)
    assert thin_walls(body, limit_mm=1.0) == ()


def rough_plate(thickness_mm: float, noise_mm: float) -> Mesh:
    """A plate 12 x 12 of facets of 0.3 mm, each side moved by noise across it."""
    steps = 40
    grid = np.linspace(0.0, 12.0, steps + 1)
    x, y = (part.ravel() for part in np.meshgrid(grid, grid, indexing="ij"))
    here = (np.arange(steps)[:, None] * (steps + 1) + np.arange(steps)).ravel()
    one = np.column_stack([here, here + steps + 1, here + steps + 2])
    two = np.column_stack([here, here + steps + 2, here + 1])
    top = np.vstack([one, two])
    count = len(x)
    rim = np.concatenate(
        [
            np.arange(0, count - steps, steps + 1),
            np.arange(count - steps, count),
            np.arange(count - steps - 2, steps, -(steps + 1)),
            np.arange(steps - 1, 0, -1),
        ]
    )
    after = np.roll(rim, -1)
    sides = np.vstack(
        [
            np.column_stack([rim + count, after + count, after]),
            np.column_stack([rim + count, after, rim]),
        ]
    )
    noise = np.random.default_rng(4).normal(scale=noise_mm, size=2 * count)
    height = np.repeat([thickness_mm, 0.0], count) + noise
    points = np.column_stack([np.tile(x, 2), np.tile(y, 2), height])
    return Mesh(points, np.vstack([top, top[:, ::-1] + count, sides]))


def test_a_scan_s_noise_neither_hides_a_wall_nor_makes_one() -> None:
    body = rough_plate(0.8, 0.02)
    assert body.volume_mm3 == pytest.approx(0.8 * 144, rel=0.01)
    wall = only(thin_walls(body, limit_mm=1.0))
    # five standard deviations of both sides together
    assert 0.8 - 5 * 0.02 * math.sqrt(2.0) < wall.thickness_mm < 0.8
    assert wall.area_mm2 > 0.95 * 2 * 144
    assert thin_walls(rough_plate(1.2, 0.02), limit_mm=1.0) == ()
    # five times the noise of a good scan, close to the limit: still one wall, and nearly all of it
    assert only(thin_walls(rough_plate(0.94, 0.03), limit_mm=1.0)).area_mm2 > 0.95 * 2 * 144


def test_scale_goes_with_scale() -> None:
    body = turned(prism([(0, 0), (7, -1), (7, 1)], 9.0))
    small = only(thin_walls(body, limit_mm=1.0))
    large = only(thin_walls(body.scaled(2.0), limit_mm=2.0, across_mm=5.0))
    # the samples are others: four times as many
    assert large.area_mm2 == pytest.approx(4.0 * small.area_mm2, rel=0.03)
    assert large.thickness_mm == pytest.approx(2.0 * small.thickness_mm, rel=0.35)


def test_nothing_has_no_wall() -> None:
    assert thin_walls(Mesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=int)), limit_mm=1.0) == ()


# --- the warning ---
def test_the_warning_says_how_thin_where_and_what_to_do() -> None:
    plates = joined([box((0, 0, 0), (20, 10, 0.8)), box((0, 0, 5), (5, 5, 5.9))])
    (warning,) = wall_warnings(plates)
    assert_said(
        warning, "thin_wall", "0.80 mm thick", "under 1,", "400 mm2", "2 places in all", "trim"
    )
    assert len(warning.places_mm) == 2
    x, y, z = warning.places_mm[0]
    assert min(abs(z), abs(z - 0.8)) < 1e-6
    assert 0 <= x <= 20
    assert 0 <= y <= 10
    assert 5 <= warning.places_mm[1][2] <= 5.9
    assert LEAST_WALL_MM == 1.0
    assert wall_warnings(box((0, 0, 0), (20, 10, 1.01))) == ()
    assert wall_warnings(box((0, 0, 0), (20, 10, 1.01)), least_mm=1.05) != ()


# --- real teeth ---
real = pytest.mark.skipif(
    not CASTS.is_dir(), reason="the folder of real arches, ../shared/casts, is not here"
)


@real
@pytest.mark.parametrize("arch", ["lower", "upper"])
def test_no_edge_of_a_real_tooth_is_a_thin_wall(arch: str) -> None:
    """Incisors, canines and the cusps of molars, each crown a closed shell: even a limit twice as
    large finds none.
    """
    crowns = read_scan(CASTS / f"crowns_{arch}.ply").mesh
    assert crowns.face_components().max() >= 13
    assert thin_walls(crowns, limit_mm=2.0) == ()


@real
def test_in_a_real_arch_only_what_was_made_thin_is() -> None:
    """A scan is open: rays that leave it through its border tell of no wall. A plate of 0.7 mm
    stood beside the teeth is found, and nothing else.
    """
    arch = read_scan(CASTS / "upper_partial_open.ply").mesh
    assert thin_walls(arch, limit_mm=1.0) == ()
    low = arch.bounds_mm[0] - [0.0, 0.0, 5.0]
    high = low + np.array([9.0, 9.0, 0.7])
    plate = box(low, high)
    wall = only(thin_walls(joined([arch, plate]), limit_mm=1.0))
    assert wall.thickness_mm == pytest.approx(0.7, abs=1e-4)
    assert (np.array(wall.at_mm) >= low - 1e-6).all()
    assert (np.array(wall.at_mm) <= high + 1e-6).all()
