"""The model: cast and wax as one closed solid whose volume adds up."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from bodies import ball, box, cast_of, frustum, mushroom, united, worked
from invariants import assert_apart, assert_contains, assert_no_undercut, assert_solid

from blockout.case.settings import PathSettings
from blockout.cast.cast import Cast
from blockout.errors import CheckError
from blockout.kernel.solids import Solid
from blockout.mesh import Mesh
from blockout.model.build import build_model
from blockout.surveying.path import insertion_path
from blockout.wax.space import Space, free_space
from blockout.wax.wax import Wax


@pytest.mark.parametrize("tilt_deg", [(0.0, 0.0), (5.0, 3.0), (-8.0, 6.0)])
@pytest.mark.parametrize(
    "body", [ball(subdivisions=3), mushroom(around=24), frustum(3.0, 5.0, 6.0, around=32)]
)
def test_volume_is_that_of_cast_and_wax(body: Mesh, tilt_deg: tuple[float, float]) -> None:
    cast = cast_of(body)
    done = worked(cast, tilt_deg=tilt_deg)
    assert_solid(done.model.mesh)
    assert done.model.solidity.is_solid
    assert done.model.volume_mm3 == done.model.mesh.volume_mm3
    assert done.model.volume_mm3 == pytest.approx(body.volume_mm3 + done.volume_mm3, rel=1e-6)
    assert_apart(done.wax, body, slack_mm3=1e-6)
    assert_contains(done.model.mesh, body, slack_mm3=1e-6)
    assert_contains(done.model.mesh, done.wax, slack_mm3=1e-4)
    assert_no_undercut(done.model, cast, tilt_deg=tilt_deg, wax_mm3=done.volume_mm3)
    # what is visible of the cast is kept: every vertex that nothing covers is still there
    seen = body.vertices[done.survey.depth_mm == 0.0]
    kept = {tuple(v) for v in done.model.mesh.vertices}
    assert len(seen)
    assert np.mean([tuple(v) in kept for v in seen]) > 0.95


def _around(cast: Cast) -> Space:
    path = insertion_path(cast.frame, arch=cast.arch, settings=PathSettings())
    return free_space(cast, path)


def _poured(space: Space, body: Mesh, name: str) -> tuple[Wax, Space]:
    mesh, left = space.take(Solid.from_mesh(body))
    return Wax(name, "arbitrary", mesh, mesh.volume_mm3), left


def test_without_wax_the_model_is_the_cast() -> None:
    cast = cast_of(box((0.0, 0.0, 0.0), (1.0, 2.0, 3.0)))
    model = build_model(_around(cast), [])
    assert model.mesh is cast.mesh
    assert model.volume_mm3 == 6.0
    assert build_model(_around(cast), [Wax("parallel", "parallel", None, 0.0)]).mesh is cast.mesh


def test_wax_parts_that_overlap_count_once() -> None:
    cast = cast_of(box((0.0, 0.0, 0.0), (10.0, 10.0, 2.0)))
    # closed form: 4 x 4 x 3 twice, sharing 2 x 4 x 3; what the first has the second does not get
    one, left = _poured(_around(cast), box((0, 0, 1), (4, 4, 5)), "one")
    two, left = _poured(left, box((2, 0, 1), (6, 4, 5)), "two")
    assert one.volume_mm3 == pytest.approx(48.0, rel=1e-12)
    assert two.volume_mm3 == pytest.approx(24.0, rel=1e-12)
    model = build_model(left, [one, two])
    assert model.volume_mm3 == pytest.approx(200.0 + 48.0 + 24.0, rel=1e-12)
    assert_solid(model.mesh)
    assert _around(cast).free_mm3 - left.free_mm3 == pytest.approx(72.0, rel=1e-9)


def test_wax_does_not_reach_into_the_cast() -> None:
    cast = cast_of(box((0.0, 0.0, 0.0), (10.0, 10.0, 2.0)))
    wax, left = _poured(_around(cast), box((1, 1, 1), (3, 3, 4)), "sunk")
    # closed form: 2 x 2 x 3, a third of it in the cast
    assert wax.volume_mm3 == pytest.approx(8.0, rel=1e-12)
    assert build_model(left, [wax]).volume_mm3 == pytest.approx(208.0, rel=1e-12)


def test_a_part_that_was_not_poured_is_a_fault_that_is_told() -> None:
    cast = cast_of(box((0.0, 0.0, 0.0), (10.0, 10.0, 2.0)))
    wax, left = _poured(_around(cast), box((1, 1, 1), (3, 3, 4)), "sunk")
    with pytest.raises(CheckError, match="not that of cast and wax together") as caught:
        build_model(left, [wax, wax])
    # closed form: model 200 + 2 x 2 x 2, cast and wax 200 + 2 x 8
    assert "model 208.0000 mm3, cast and wax 216.0000 mm3" in str(caught.value)
    assert caught.value.exit_code == 1


def test_wax_that_is_no_solid_is_refused() -> None:
    open_box = box((0, 0, 0), (1, 1, 1)).part(np.arange(12) > 1)
    with pytest.raises(CheckError, match="did not come out as a closed solid") as caught:
        Wax("parallel", "parallel", open_box, 1.0)
    assert "open edges" in str(caught.value)


def test_wax_knows_what_it_is() -> None:
    mesh = box((0, 0, 0), (1, 1, 1))
    wax = Wax("one", "arbitrary", mesh, mesh.volume_mm3)
    assert wax.solidity.is_solid
    assert wax.triangle_count == 12
    with pytest.raises(dataclasses.FrozenInstanceError):
        wax.name = "other"  # type: ignore[misc]
    with pytest.raises(ValueError, match="no wax"):
        _ = Wax("parallel", "parallel", None, 0.0).solidity


def test_a_model_of_parts_far_apart_keeps_each() -> None:
    body = united([ball(2.0, subdivisions=2, centre=(8.0 * k, 0.0, 0.0)) for k in range(3)])
    done = worked(cast_of(body))
    assert int(done.model.mesh.face_components().max()) + 1 == 3
    one = worked(cast_of(ball(2.0, subdivisions=2)))
    assert done.volume_mm3 == pytest.approx(3.0 * one.volume_mm3, rel=1e-6)
