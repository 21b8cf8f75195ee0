"""A sample of results before VTK and OpenCASCADE, which had no part in making them.

    pip install vtk cadquery-ocp      # 200 MB together, so no part of the test extra

Where one is absent its tests are skipped and say so.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from bodies import Worked, ball_on_plate, cast_of, frustum, ramp, torus, turned, worked

from blockout.mesh import Mesh

SAMPLE = ("ball on a plate", "cone", "torus", "mushroom", "ramp")


def _made(name: str) -> Worked:
    if name == "ball on a plate":
        body, scanned = ball_on_plate(around=12, radius_mm=4.0, equator_mm=2.5, plate_mm=7.0)
        return worked(cast_of(body, scanned=scanned), tilt_deg=(5.0, 3.0))
    mushroom = [(0, 0), (2, 0), (3, 1.5), (2.2, 3), (2.5, 3.4), (5, 4), (3, 6), (0, 6.5)]
    mesh = {
        "cone": lambda: frustum(3.0, 5.0, 4.0, around=12, rings=2),
        "torus": lambda: torus(around=16),
        "mushroom": lambda: turned(mushroom, around=8),
        "ramp": lambda: ramp(turns=1.5, around=12),
    }[name]()
    return worked(cast_of(mesh), tilt_deg=(5.0, 3.0))


@pytest.fixture(scope="module", params=SAMPLE)
def done(request: pytest.FixtureRequest) -> Worked:
    return _made(request.param)


def _inner_points(mesh: Mesh, step_mm: float) -> Any:
    """Places that far inside the well-shaped faces of a body."""
    girth_mm = np.linalg.norm(mesh.corners - np.roll(mesh.corners, 1, axis=1), axis=2).sum(axis=1)
    big = 2.0 * mesh.face_areas_mm2 > 0.1 * girth_mm
    return (mesh.face_centres - step_mm * mesh.face_normals)[big]


# --- VTK -----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def vtk() -> Any:
    return pytest.importorskip("vtk", reason="the vtk package is not installed")


def _polydata(vtk: Any, mesh: Mesh) -> Any:
    from vtk.util import numpy_support

    points = vtk.vtkPoints()
    points.SetData(numpy_support.numpy_to_vtk(np.array(mesh.vertices), deep=True))
    cells = vtk.vtkCellArray()
    for face in mesh.faces.tolist():
        cells.InsertNextCell(3, face)
    data = vtk.vtkPolyData()
    data.SetPoints(points)
    data.SetPolys(cells)
    return data


def _bad_edges(vtk: Any, mesh: Mesh) -> int:
    edges = vtk.vtkFeatureEdges()
    edges.SetInputData(_polydata(vtk, mesh))
    edges.BoundaryEdgesOn()
    edges.NonManifoldEdgesOn()
    edges.FeatureEdgesOff()
    edges.ManifoldEdgesOff()
    edges.Update()
    return int(edges.GetOutput().GetNumberOfCells())


def test_vtk_finds_them_closed_and_of_the_same_volume(vtk: Any, done: Worked) -> None:
    for mesh in (done.wax, done.model.mesh):
        assert _bad_edges(vtk, mesh) == 0
        measured = vtk.vtkMassProperties()
        measured.SetInputData(_polydata(vtk, mesh))
        measured.Update()
        # it scales the sums of three projections, which costs digits
        assert measured.GetVolume() == pytest.approx(mesh.volume_mm3, rel=1e-5)
        assert measured.GetSurfaceArea() == pytest.approx(mesh.face_areas_mm2.sum(), rel=1e-9)
    # the judge knows an open surface
    keep = np.arange(done.wax.triangle_count) > 0
    assert _bad_edges(vtk, done.wax.part(keep)) == 3


def test_vtk_finds_cast_and_wax_inside_the_model(vtk: Any, done: Worked) -> None:
    from vtk.util import numpy_support

    for part in (done.cast.mesh, done.wax):
        inner = _inner_points(part, 0.05)
        assert len(inner) > 5
        points = vtk.vtkPoints()
        points.SetData(numpy_support.numpy_to_vtk(np.ascontiguousarray(inner), deep=True))
        asked = vtk.vtkPolyData()
        asked.SetPoints(points)
        select = vtk.vtkSelectEnclosedPoints()
        select.SetTolerance(1e-9)
        select.SetSurfaceData(_polydata(vtk, done.model.mesh))
        select.SetInputData(asked)
        select.Update()
        own = vtk.vtkSelectEnclosedPoints()
        own.SetTolerance(1e-9)
        own.SetSurfaceData(_polydata(vtk, part))
        own.SetInputData(asked)
        own.Update()
        really = [k for k in range(len(inner)) if own.IsInside(k)]
        assert len(really) > 0.8 * len(inner)  # thin wax is stepped through
        assert all(select.IsInside(k) for k in really)


# --- OpenCASCADE ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def ocp() -> Any:
    return pytest.importorskip("OCP", reason="the cadquery-ocp package is not installed")


def _sewn(mesh: Mesh) -> Any:
    """A solid of plane faces sewn at their edges, the way a modeller takes a mesh in."""
    from OCP.BRepBuilderAPI import (
        BRepBuilderAPI_MakeFace,
        BRepBuilderAPI_MakePolygon,
        BRepBuilderAPI_Sewing,
    )
    from OCP.gp import gp_Pnt

    sewing = BRepBuilderAPI_Sewing(1e-7)
    for corners in mesh.corners.tolist():
        wire = BRepBuilderAPI_MakePolygon(*(gp_Pnt(*corner) for corner in corners), True)
        face = BRepBuilderAPI_MakeFace(wire.Wire(), True)
        if face.IsDone():
            sewing.Add(face.Face())
    sewing.Perform()
    return sewing


def test_opencascade_sews_the_cast_and_the_model_shut(ocp: Any, done: Worked) -> None:
    from OCP.BRepGProp import BRepGProp
    from OCP.GProp import GProp_GProps

    for mesh in (done.cast.mesh, done.model.mesh):
        sewing = _sewn(mesh)
        assert sewing.NbFreeEdges() == 0
        assert sewing.NbMultipleEdges() == 0
        held = GProp_GProps()
        BRepGProp.VolumeProperties_s(sewing.SewedShape(), held)
        assert abs(held.Mass()) == pytest.approx(mesh.volume_mm3, rel=1e-6)
    keep = np.arange(done.cast.mesh.triangle_count) > 0
    assert _sewn(done.cast.mesh.part(keep)).NbFreeEdges() == 3
