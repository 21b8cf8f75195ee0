"""The free space around a cast: what is taken of it, what is carved, what comes back to the bit."""

from __future__ import annotations

import numpy as np
import pytest
from bodies import box, cast_of, mushroom
from invariants import assert_solid

from blockout.case.settings import PathSettings
from blockout.kernel.solids import Solid
from blockout.mesh import joined
from blockout.model.build import build_model
from blockout.surveying.path import insertion_path
from blockout.wax.space import Space, free_space
from blockout.wax.specks import without_specks
from blockout.wax.wax import Wax

TILTS = [(0.0, 0.0), (7.0, -4.0), (-12.0, 9.0)]


def _around(cast, tilt_deg) -> Space:
    settings = PathSettings(anterior_tilt_deg=tilt_deg[0], lateral_tilt_deg=tilt_deg[1])
    return free_space(cast, insertion_path(cast.frame, arch=cast.arch, settings=settings))


@pytest.mark.parametrize("tilt_deg", TILTS)
def test_upright_the_path_is_vertical_and_the_floor_level(tilt_deg) -> None:
    cast = cast_of(mushroom(around=24))
    space = _around(cast, tilt_deg)
    along = space.to_upright[:3, :3] @ space.path.direction
    assert np.abs(along[:2]).max() < 1e-15
    # definition: z is the height over the flat bottom
    height = cast.frame.points_to_cast(cast.mesh.vertices)[:, 2] - cast.floor_mm
    assert np.abs(space.upright.vertices[:, 2] - height).max() < 1e-12
    # a shear with the tilt's cosine: volumes shrink by it
    shrink = float(np.linalg.det(space.to_upright[:3, :3]))
    assert shrink == pytest.approx(np.cos(np.radians(space.path.tilt_deg)), rel=1e-12)
    assert space.upright.volume_mm3 == pytest.approx(cast.mesh.volume_mm3 * shrink, rel=1e-12)


@pytest.mark.parametrize("tilt_deg", TILTS)
def test_a_body_is_poured_where_it_stands(tilt_deg) -> None:
    cast = cast_of(box((0.0, 0.0, 0.0), (10.0, 10.0, 2.0)))
    space = _around(cast, tilt_deg)
    mesh, left = space.take(space.stand(Solid.from_mesh(box((1.0, 2.0, 1.0), (3.0, 5.0, 4.0)))))
    # closed form: 2 x 3 x 2 of it stand out of the cast
    assert mesh.volume_mm3 == pytest.approx(12.0, rel=1e-12)
    assert space.free_mm3 - left.free_mm3 == pytest.approx(12.0, rel=1e-9)
    assert np.abs(mesh.bounds_mm - [[1.0, 2.0, 2.0], [3.0, 5.0, 4.0]]).max() < 1e-12
    assert_solid(mesh)
    model = build_model(left, [Wax("one", "arbitrary", mesh, mesh.volume_mm3)])
    assert model.volume_mm3 == pytest.approx(212.0, rel=1e-12)
    # the cast's own corners come back to the bit
    kept = {tuple(v) for v in model.mesh.vertices}
    assert all(tuple(v) in kept for v in cast.mesh.vertices)


@pytest.mark.parametrize("tilt_deg", TILTS)
def test_a_groove_is_carved_and_poured_over(tilt_deg) -> None:
    cast = cast_of(box((0.0, 0.0, 0.0), (10.0, 10.0, 2.0)))
    space = _around(cast, tilt_deg)
    bar = space.stand(Solid.from_mesh(box((2.0, 4.0, 1.5), (8.0, 5.0, 3.0))))
    groove, carved = space.carve(bar)
    # closed form: 6 x 1 x 0.5
    assert groove.volume_mm3 == pytest.approx(3.0, rel=1e-12)
    bead = Wax("bead", "bead", groove, groove.volume_mm3)
    model = build_model(carved, [], grooves=[bead])
    assert model.volume_mm3 == pytest.approx(197.0, rel=1e-12)
    assert_solid(model.mesh)
    # wax over a part of it fills that part too: 3 x 1 x 0.5 in the groove, 3 x 3 x 1 above
    body = space.stand(Solid.from_mesh(box((5.0, 3.0, 1.0), (8.0, 6.0, 3.0))))
    mesh, left = carved.take(body)
    assert mesh.volume_mm3 == pytest.approx(10.5, rel=1e-12)
    both = build_model(left, [Wax("one", "relief", mesh, mesh.volume_mm3)], grooves=[bead])
    assert both.volume_mm3 == pytest.approx(207.5, rel=1e-12)
    assert_solid(both.mesh)


def test_nothing_poured_leaves_the_space_as_it_is() -> None:
    space = _around(cast_of(box((0.0, 0.0, 0.0), (10.0, 10.0, 2.0))), (0.0, 0.0))
    mesh, left = space.take(Solid.empty())
    assert mesh.triangle_count == 0
    assert left is space
    inside = Solid.from_mesh(box((1.0, 1.0, 0.5), (2.0, 2.0, 1.5)))
    assert space.take(inside)[0].triangle_count == 0


def test_loose_films_are_dropped_and_what_is_thicker_stays() -> None:
    """Closed form: a plate t thick and wide against that has the mean thickness t."""
    stone = box((0.0, 0.0, 0.0), (2.0, 2.0, 2.0))
    film, plate = (box((3.0, 0.0, 0.0), (4.0, 1.0, thick_mm)) for thick_mm in (0.0005, 0.002))
    pocket = box((0.5, 0.5, 1.0), (1.5, 1.5, 1.0005)).reversed()
    found = without_specks(joined([stone, film, pocket]), film_mm=0.001)
    assert found.volume_mm3 == pytest.approx(8.0, rel=1e-12)
    assert found.triangle_count == stone.triangle_count
    kept = joined([stone, plate])
    assert without_specks(kept, film_mm=0.001) is kept
