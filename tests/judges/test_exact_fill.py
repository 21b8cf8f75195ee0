"""The fill of small polyhedra against libigl's exact booleans, and results against CGAL and
trimesh.
"""

from __future__ import annotations

from collections.abc import Callable

import igl
import numpy as np
import pytest
import trimesh
from bodies import (
    ball,
    ball_on_plate,
    box,
    cast_of,
    frustum,
    ramp,
    torus,
    turned,
    united,
    worked,
)  # fmt: skip
from hypothesis import given, settings
from invariants import assert_solid, assert_under_cast, assert_walls_parallel
from random_casts import casts, tilts

from blockout.cast.cast import Cast
from blockout.kernel.solids import Solid
from blockout.mesh import Mesh


def _on_plate() -> Cast:
    body, scanned = ball_on_plate(around=12, radius_mm=4.0, equator_mm=2.5, plate_mm=7.0)
    return cast_of(body, scanned=scanned)


def _tunnel() -> Cast:
    """A bar through which a smaller bar is cut square to it: an undercut inside a tunnel."""
    bar = box((-3.0, -1.0, 0.0), (3.0, 1.0, 4.0))
    hollow = turned([(0.0, -2.0), (1.3, -2.0), (1.3, 2.0), (0.0, 2.0)], around=8)
    lying = Mesh(hollow.vertices[:, [0, 2, 1]] * [1.0, -1.0, 1.0] + [0.0, 0.0, 1.8], hollow.faces)
    return cast_of((Solid.from_mesh(bar) - Solid.from_mesh(lying)).mesh())


def _square_mushroom() -> Mesh:
    """Four-sided: a cap over a stem with a bead whose contour is in the cap's shadow."""
    profile = [(0, 0), (2, 0), (3, 1.5), (2.2, 3), (2.5, 3.4), (5, 4), (3, 6), (0, 6.5)]
    return turned(profile, around=4)


CASTS: dict[str, Callable[[], Cast]] = {
    "inverted cone": lambda: cast_of(frustum(3.0, 5.0, 4.0, around=8, rings=2)),
    "ball": lambda: cast_of(ball(subdivisions=1)),
    "ball on a plate": _on_plate,
    "torus": lambda: cast_of(torus(around=8)),
    "mushroom": lambda: cast_of(_square_mushroom()),
    "ramp": lambda: cast_of(ramp(turns=1.5, around=8)),
    "tunnel": _tunnel,
    "two boxes": lambda: cast_of(
        united([box((0, 0, 0), (1, 2, 3)), box((-1, 0.5, 2), (2, 1.5, 3.5))])
    ),
}


@pytest.mark.long
@pytest.mark.parametrize("tilt_deg", [(0.0, 0.0), (7.0, -4.0)])
@pytest.mark.parametrize("name", CASTS)
def test_fill_is_that_of_one_exact_prism_per_face(name: str, tilt_deg: tuple[float, float]) -> None:
    prisms = pytest.importorskip("prisms", reason="libigl was built without its exact booleans")
    cast = CASTS[name]()
    done = worked(cast, tilt_deg=tilt_deg)
    direction = done.survey.path.direction
    judge = prisms.fill_by_prisms(cast, direction)
    assert judge.volume_mm3 > 1.0
    assert done.volume_mm3 == pytest.approx(judge.volume_mm3, rel=1e-6)
    assert done.blockout.undercut_volume_mm3 == pytest.approx(judge.volume_mm3, rel=1e-6)
    # the volume by rays, which never sees a boolean, is a sampled one
    assert done.survey.volume_mm3 == pytest.approx(judge.volume_mm3, rel=0.01)
    assert_solid(done.wax)
    assert_walls_parallel(done.wax, cast, direction)
    assert_under_cast(done.wax, cast, direction)


def test_fill_is_the_same_body_not_only_the_same_volume() -> None:
    prisms = pytest.importorskip("prisms", reason="libigl was built without its exact booleans")
    cast = CASTS["ramp"]()
    done = worked(cast)
    judge = prisms.fill_by_prisms(cast, done.survey.path.direction)
    assert prisms.exact("minus", judge, done.wax).volume_mm3 < 1e-6
    assert prisms.exact("minus", done.wax, judge).volume_mm3 < 1e-6


@pytest.mark.long
@settings(max_examples=10)
@given(cast=casts(most=2), tilt_deg=tilts)
def test_fill_of_random_casts(cast: Cast, tilt_deg: tuple[float, float]) -> None:
    prisms = pytest.importorskip("prisms", reason="libigl was built without its exact booleans")
    done = worked(cast, tilt_deg=tilt_deg)
    judge = prisms.fill_by_prisms(cast, done.survey.path.direction)
    assert done.blockout.undercut_volume_mm3 == pytest.approx(judge.volume_mm3, rel=1e-6, abs=1e-6)


@pytest.mark.parametrize("name", ["ball on a plate", "torus", "mushroom", "ramp", "tunnel"])
def test_results_hold_before_other_libraries(name: str) -> None:
    reason = "the cgal package is not installed"
    processing = pytest.importorskip("CGAL.CGAL_Polygon_mesh_processing", reason=reason)
    cast = CASTS[name]()
    done = worked(cast, tilt_deg=(5.0, 3.0))
    # wax may touch itself where it ends at the survey line; the model must not
    assert not processing.does_self_intersect(_polyhedron(done.model.mesh))
    for mesh in (done.wax, done.model.mesh):
        polyhedron = _polyhedron(mesh)
        assert polyhedron.is_closed()
        assert processing.is_outward_oriented(polyhedron)
        assert processing.volume(polyhedron) == pytest.approx(mesh.volume_mm3, rel=1e-9)
        _, by_igl = igl.centroid(np.array(mesh.vertices), np.array(mesh.faces))
        assert by_igl == pytest.approx(mesh.volume_mm3, rel=1e-9)
        other = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
        assert other.is_watertight
        assert other.volume == pytest.approx(mesh.volume_mm3, rel=1e-9)
        _assert_single(mesh)


def _assert_single(mesh: Mesh) -> None:
    """Nothing is enclosed twice or inside out: 10 um to either side of a face libigl's winding
    number is 1 within and 0 without; where wax or gap is thinner than the step, still one of both.
    """
    girth_mm = np.linalg.norm(mesh.corners - np.roll(mesh.corners, 1, axis=1), axis=2).sum(axis=1)
    big = 2.0 * mesh.face_areas_mm2 > 0.05 * girth_mm
    step = 0.01 * mesh.face_normals[big]
    for points, turns in ((mesh.face_centres[big] - step, 1.0), (mesh.face_centres[big] + step, 0)):
        found = igl.winding_number(np.array(mesh.vertices), np.array(mesh.faces), points)
        assert np.abs(found - np.round(found)).max() < 1e-6
        assert set(np.round(found)) <= {0.0, 1.0}
        assert (np.round(found) == turns).mean() > 0.9


def _polyhedron(mesh: Mesh) -> object:
    from CGAL import CGAL_Polygon_mesh_processing as processing
    from CGAL.CGAL_Kernel import Point_3
    from CGAL.CGAL_Polyhedron_3 import Polyhedron_3

    points, polygons = processing.Point_3_Vector(), processing.Polygon_Vector()
    for x, y, z in mesh.vertices.tolist():
        points.append(Point_3(x, y, z))
    for face in mesh.faces.tolist():
        polygon = processing.Int_Vector()
        for corner in face:
            polygon.append(corner)
        polygons.append(polygon)
    polyhedron = Polyhedron_3()
    processing.polygon_soup_to_polygon_mesh(points, polygons, polyhedron)
    return polyhedron
