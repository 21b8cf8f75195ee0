"""Voids that nothing leads to, and air that was shut in and filled."""

from __future__ import annotations

import math

import numpy as np
import pytest
from bodies import ball, box, polygon_share, torus, turn_about
from said import assert_near, assert_said

from blockout.check.wall_warnings import find_voids, void_warnings
from blockout.kernel.solids import Solid
from blockout.mesh import Mesh, joined
from blockout.tolerances import TOLERANCES
from blockout.wax.wax import Wax


def hollowed(*voids: Mesh) -> Mesh:
    return joined([box((-20, -20, -20), (20, 20, 20)), *(void.reversed() for void in voids)])


def pockets(*pieces: Mesh) -> Wax:
    mesh = joined(list(pieces))
    return Wax("pockets", "arbitrary", mesh, mesh.volume_mm3)


def cube_of(volume_mm3: float, centre: tuple[float, float, float]) -> Mesh:
    half = volume_mm3 ** (1.0 / 3.0) / 2.0
    return box(np.subtract(centre, half), np.add(centre, half))


def test_a_solid_has_no_void_nor_has_a_cup_or_a_ring() -> None:
    cup = Solid.from_mesh(box((0, 0, 0), (9, 9, 9))) - Solid.from_mesh(box((2, 2, 2), (7, 7, 10)))
    for body in (box((0, 0, 0), (9, 9, 9)), cup.mesh(), torus()):
        assert find_voids(body) == ()
        assert void_warnings(body) == ()
    assert find_voids(Mesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=int))) == ()


def test_volume_and_place_of_voids_by_closed_form() -> None:
    """A ball of radius 3, within its facets, and boxes exactly; also when turned and moved."""
    body = hollowed(
        ball(3.0, subdivisions=4, centre=(8.0, 2.0, -1.0)),
        box((-9, -9, -9), (-7, -6, -5)),
        box((0, 10, 10), (0.5, 10.5, 10.5)),
    )
    turn = turn_about((0.3, 1.0, -0.4), 50.0)
    shift = np.array([30.0, -60.0, 12.0])
    for mesh, moved in (
        (body, lambda place: np.array(place)),
        (
            Mesh(body.vertices @ turn.T + shift, body.faces),
            lambda place: turn @ np.array(place) + shift,
        ),
    ):
        large, middle, small = find_voids(mesh)
        # an inscribed body is smaller: each facet of edge e lies up to e^2 / (6 R) inside
        assert large.volume_mm3 == pytest.approx(4.0 / 3.0 * math.pi * 27.0, rel=0.005)
        assert large.volume_mm3 < 4.0 / 3.0 * math.pi * 27.0
        assert middle.volume_mm3 == pytest.approx(24.0, rel=1e-9)
        assert small.volume_mm3 == pytest.approx(0.125, rel=1e-7)
        assert_near(large.centre_mm, moved((8.0, 2.0, -1.0)), 1e-6)
        assert_near(middle.centre_mm, moved((-8.0, -7.5, -7.0)), 1e-6)
        assert_near(small.centre_mm, moved((0.25, 10.25, 10.25)), 1e-6)


def test_the_place_of_a_lopsided_void_is_its_centre_of_gravity() -> None:
    """Closed form: of a cone, a quarter of its height over its base."""
    around = 64
    angle = 2.0 * np.pi * np.arange(around) / around
    ring = np.column_stack([2.0 * np.cos(angle), 2.0 * np.sin(angle), np.zeros(around)])
    cone = Solid.hull(np.vstack([ring, [[0.0, 0.0, 4.0]]])).mesh()
    (void,) = find_voids(hollowed(cone))
    assert_near(void.centre_mm, (0.0, 0.0, 1.0), 1e-9)
    share = polygon_share(around)
    assert void.volume_mm3 == pytest.approx(math.pi * 4.0 * 4.0 / 3.0 * share, rel=1e-9)


def test_a_void_that_stays_is_warned_of_from_the_least_volume_on() -> None:
    least = TOLERANCES.pocket_mm3
    assert void_warnings(hollowed(cube_of(0.98 * least, (1.0, 2.0, 3.0)))) == ()
    (warning,) = void_warnings(hollowed(cube_of(1.02 * least, (1.0, 2.0, 3.0))))
    assert_said(warning, "trapped_volume", "a void of 0.01 mm3", "(1.00, 2.00, 3.00)", "vent")
    (warning,) = void_warnings(hollowed(cube_of(8.0, (5, 5, 5)), cube_of(27.0, (-5, 0, 0))))
    assert_said(
        warning, "trapped_volume", "2 voids of 35.00 mm3", "largest of 27.00 mm3 near (-5.00,"
    )
    assert_near(warning.places_mm[0], (-5.0, 0.0, 0.0), 1e-9)
    assert_near(warning.places_mm[1], (5.0, 5.0, 5.0), 1e-9)


def test_air_that_was_filled_is_warned_of_from_a_cubic_millimetre_on() -> None:
    body = box((-20, -20, -20), (20, 20, 20))
    assert void_warnings(body, [pockets(cube_of(0.99, (0, 0, 0)))]) == ()
    # many little ones are none
    many = pockets(*(cube_of(0.5, (3.0 * k, 0, 0)) for k in range(5)))
    assert void_warnings(body, [many]) == ()
    some = pockets(cube_of(0.5, (3, 0, 0)), cube_of(1.01, (0, -4, 2)))
    (warning,) = void_warnings(body, [some])
    assert_said(
        warning, "trapped_volume", "a pocket of air of 1.01 mm3 near (0.00, -4.00, 2.00)", "filled"
    )
    assert len(warning.places_mm) == 1
    assert_near(warning.places_mm[0], (0.0, -4.0, 2.0), 1e-9)


def test_other_wax_is_no_filling() -> None:
    wax = Wax("parallel", "parallel", cube_of(27.0, (0, 0, 0)), 27.0)
    none = Wax("pockets", "arbitrary", None, 0.0)
    assert void_warnings(box((-20, -20, -20), (20, 20, 20)), [wax, none]) == ()
