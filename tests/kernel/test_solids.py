"""Solids: taking and giving meshes, booleans, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh
from bodies import ball, box, frustum, longest_edge_mm, ramp, torus, turn_about
from invariants import assert_solid

from blockout.errors import KernelError
from blockout.kernel.solids import Solid, filled_area_mm2
from blockout.mesh import Mesh

BODIES = {
    "box": box((0.0, 0.0, 0.0), (1.0, 2.0, 3.0)),
    "ball": ball(5.0, subdivisions=3, centre=(31.0, -17.0, 1 / 3)),
    "torus": torus(around=24),
    "cone": frustum(3.0, 5.0, 4.0, around=24),
    "ramp": ramp(),
}


CUBE = BODIES["box"]


@pytest.mark.parametrize("name", BODIES)
def test_vertices_and_faces_are_kept_to_the_bit(name: str) -> None:
    mesh = BODIES[name]
    back = Solid.from_mesh(mesh).mesh()
    assert back.triangle_count == mesh.triangle_count
    given = {tuple(sorted(map(tuple, corners))) for corners in mesh.corners.tolist()}
    got = {tuple(sorted(map(tuple, corners))) for corners in back.corners.tolist()}
    assert got == given
    assert_solid(back)


@pytest.mark.parametrize("name", BODIES)
def test_volume_before_and_after(name: str) -> None:
    mesh = BODIES[name]
    other = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    solid = Solid.from_mesh(mesh)
    assert solid.volume_mm3 == pytest.approx(mesh.volume_mm3, rel=1e-12)
    assert solid.volume_mm3 == pytest.approx(other.volume, rel=1e-12)
    assert solid.triangle_count == mesh.triangle_count
    assert not solid.is_empty


def test_taking_a_mesh_changes_nothing_of_it() -> None:
    mesh = BODIES["ball"]
    before = mesh.vertices.tobytes(), mesh.faces.tobytes()
    solid = Solid.from_mesh(mesh)
    _ = solid + Solid.from_mesh(BODIES["box"])
    assert (mesh.vertices.tobytes(), mesh.faces.tobytes()) == before


@pytest.mark.parametrize(
    "mesh",
    [
        CUBE.part(np.arange(12) != 3),
        Mesh(
            BODIES["box"].vertices, np.vstack([BODIES["box"].faces[:-1], BODIES["box"].faces[:1]])
        ),
        Mesh(
            BODIES["box"].vertices,
            np.vstack([BODIES["box"].faces[:-1], BODIES["box"].faces[-1:, ::-1]]),
        ),
    ],
    ids=["a face missing", "a face twice", "a face turned over"],
)
def test_what_is_not_closed_is_refused(mesh: Mesh) -> None:
    with pytest.raises(KernelError, match="while taking a mesh") as caught:
        Solid.from_mesh(mesh)
    assert caught.value.exit_code == 1


def test_booleans_of_boxes() -> None:
    # closed forms: 8, 8, sharing 1
    one = Solid.from_mesh(box((0, 0, 0), (2, 2, 2)))
    two = Solid.from_mesh(box((1, 1, 1), (3, 3, 3)))
    assert (one + two).volume_mm3 == pytest.approx(15.0, rel=1e-12)
    assert (one - two).volume_mm3 == pytest.approx(7.0, rel=1e-12)
    assert (one ^ two).volume_mm3 == pytest.approx(1.0, rel=1e-12)
    for result in (one + two, one - two, one ^ two):
        assert_solid(result.mesh())
    far = Solid.from_mesh(box((5, 5, 5), (6, 6, 6)))
    assert Solid.union([one, two, far]).volume_mm3 == pytest.approx(16.0, rel=1e-12)
    assert (one ^ far).is_empty
    # operands are left as they were
    assert one.volume_mm3 == pytest.approx(8.0, rel=1e-12)


def test_boxes_that_share_a_face_become_one() -> None:
    whole = Solid.from_mesh(box((0, 0, 0), (1, 1, 1))) + Solid.from_mesh(box((1, 0, 0), (2, 1, 1)))
    assert whole.volume_mm3 == pytest.approx(2.0, rel=1e-12)
    assert int(whole.mesh().face_components().max()) == 0
    assert_solid(whole.mesh())


def test_nothing() -> None:
    nothing = Solid.empty()
    assert nothing.is_empty
    assert nothing.volume_mm3 == 0.0
    assert nothing.triangle_count == 0
    assert nothing.mesh().triangle_count == 0
    assert nothing.above_plane(np.array([0.0, 0.0, 1.0]), 2.0).is_empty
    assert Solid.union([]).is_empty
    one = Solid.from_mesh(BODIES["box"])
    assert (one + nothing).volume_mm3 == pytest.approx(6.0, rel=1e-12)
    assert (one - nothing).volume_mm3 == pytest.approx(6.0, rel=1e-12)
    assert (one - one).is_empty
    assert (one ^ nothing).is_empty


def test_cutting_at_a_plane() -> None:
    # closed form: a ball cut at its middle keeps half; a box at a slant keeps what integrals say
    half = Solid.from_mesh(ball(3.0, subdivisions=3)).above_plane(np.array([0.0, 0.6, 0.8]), 0.0)
    assert half.volume_mm3 == pytest.approx(ball(3.0, subdivisions=3).volume_mm3 / 2.0, rel=1e-9)
    slope = np.array([1.0, 0.0, 1.0]) / math.sqrt(2.0)
    prism = Solid.from_mesh(box((0, 0, 0), (1, 1, 1))).above_plane(slope, 1.0 / math.sqrt(2.0))
    assert prism.volume_mm3 == pytest.approx(0.5, rel=1e-12)
    assert Solid.from_mesh(BODIES["box"]).above_plane(slope, 99.0).is_empty


def test_turning() -> None:
    matrix = np.eye(4)
    matrix[:3, :3] = turn_about((1, 2, 3), 40.0)
    matrix[:3, 3] = (5.0, -6.0, 7.0)
    turned = Solid.from_mesh(BODIES["cone"]).turned(matrix).mesh()
    expected = BODIES["cone"].moved(matrix)
    assert turned.volume_mm3 == pytest.approx(expected.volume_mm3, rel=1e-12)
    assert (
        np.abs(np.sort(turned.vertices, axis=0) - np.sort(expected.vertices, axis=0)).max() < 1e-12
    )


def test_column_and_hull() -> None:
    # closed forms: an L of area 3 raised by 2; the hull of a cube's corners and its middle
    outline = np.array([[0, 0], [2, 0], [2, 1], [1, 1], [1, 2], [0, 2]], dtype=float)
    for ring in (outline, outline[::-1]):
        raised = Solid.column(ring, low_mm=-0.5, high_mm=1.5)
        assert raised.volume_mm3 == pytest.approx(6.0, rel=1e-12)
        assert raised.mesh().bounds_mm.tolist() == [[0.0, 0.0, -0.5], [2.0, 2.0, 1.5]]
    cube = box((0, 0, 0), (2, 2, 2)).vertices
    hull = Solid.hull(np.vstack([cube, [[1.0, 1.0, 1.0]]]))
    assert hull.volume_mm3 == pytest.approx(8.0, rel=1e-12)
    assert_solid(hull.mesh())


def test_simplifying_moves_nothing_further_than_asked() -> None:
    mesh = ball(5.0, subdivisions=5)
    fewer = Solid.from_mesh(mesh).simplified(0.01)
    assert 0 < fewer.triangle_count < mesh.triangle_count / 2
    # closed form: a layer of that thickness over the sphere is the most that can go
    assert abs(fewer.volume_mm3 - mesh.volume_mm3) < 4.0 * math.pi * 25.0 * 0.01
    radius = np.linalg.norm(fewer.mesh().corners, axis=2)
    assert radius.min() > 5.0 - 0.011
    assert longest_edge_mm(fewer.mesh()) > longest_edge_mm(mesh)


def test_filled_area() -> None:
    # closed forms: squares that overlap count once; a ring the other way around is a hole
    square = np.array([[0, 0], [2, 0], [2, 2], [0, 2]], dtype=float)
    assert filled_area_mm2([square]) == pytest.approx(4.0)
    assert filled_area_mm2([square, square + 1.0]) == pytest.approx(7.0)
    inner = 0.5 + square[::-1] / 2.0
    assert filled_area_mm2([square, inner]) == pytest.approx(3.0)
    assert filled_area_mm2([]) == 0.0
