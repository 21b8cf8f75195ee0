"""Parallel blockout written anew with general-purpose libraries, each way as short as an engineer
would write it, for ``compare.py``.

Every way gets the same: the cast upright (path along +z, floor at z = 0), as vertices (n, 3) in
mm, faces (m, 3) and which faces were scanned (m,); and gives the wax as vertices and faces: all
that lies under scanned surface and outside the cast, down to the floor.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Triangles = tuple[Floats, Ints]

_UNDER_MM = 1.0
"""What is pulled down ends this far under the floor, so that nothing is coplanar with it."""


@dataclass(frozen=True, eq=False)
class Upright:
    """A cast as every way gets it."""

    vertices: Floats
    faces: Ints
    scanned: NDArray[np.bool_]

    @property
    def down(self) -> NDArray[np.bool_]:
        """(m,) scanned faces that look down."""
        corners = self.vertices[self.faces]
        normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        length = np.maximum(np.linalg.norm(normal, axis=1), 1e-30)
        facing: NDArray[np.bool_] = self.scanned & (normal[:, 2] < -1e-9 * length)
        return facing


# --- height field --------------------------------------------------------------------------------
def height_field(cast: Upright, *, step_mm: float) -> Triangles:
    """First hits of rays down a grid of columns, raised to a solid wherever a second ray finds air
    under that hit; the cast is cut off it with manifold3d.
    """
    from blockout.kernel.rays import RayScene
    from blockout.mesh import Mesh

    scene = RayScene(Mesh(cast.vertices, cast.faces))
    low, high = cast.vertices.min(axis=0), cast.vertices.max(axis=0)
    x = np.arange(low[0] - step_mm / 2.0, high[0] + step_mm, step_mm)
    y = np.arange(low[1] - step_mm / 2.0, high[1] + step_mm, step_mm)
    down = np.array([0.0, 0.0, -1.0])
    columns = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
    start_mm = float(high[2]) + 1.0
    origins = np.column_stack([columns, np.full(len(columns), start_mm)])
    top = start_mm - scene.first_hit(origins, down).distance_mm
    hit = np.isfinite(top)
    origins[:, 2] = np.where(hit, top - 1e-3, 0.0)
    ceiling = origins[:, 2] - scene.first_hit(origins, down).distance_mm
    roofed = hit & (ceiling > 1e-3)

    shape = (len(x), len(y))
    # a film above surface that curves inward would be wax: the field lies a little deeper
    height = np.where(hit, top, 0.0).reshape(shape) - step_mm**2 / 4.0
    near = ndimage.binary_dilation(roofed.reshape(shape), np.ones((3, 3)), iterations=2)
    node = near & hit.reshape(shape)
    cell = node[:-1, :-1] & node[1:, :-1] & node[:-1, 1:] & node[1:, 1:]
    number = np.arange(shape[0] * shape[1]).reshape(shape)
    a, b, c, d = (
        corner[cell]
        for corner in (number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:])
    )
    sheet = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    used, sheet = np.unique(sheet, return_inverse=True)
    sheet = sheet.reshape(-1, 3)
    plan, z = columns[used], height.reshape(-1)[used]
    return _less_cast(_pulled_down(np.column_stack([plan, z]), sheet), cast)


# --- distance field ------------------------------------------------------------------------------
def distance_field(
    cast: Upright, *, step_mm: float, cut: bool = False, block: int = 8
) -> Triangles:
    """Signed distances on a grid (libigl; exact near the surface, by blocks elsewhere), swept down
    by a running minimum, and drawn by marching cubes (scikit-image). The cast is taken away in the
    field before it is drawn, or, with ``cut``, by manifold3d off what was drawn.
    """
    import igl
    from skimage.measure import marching_cubes

    vertices, faces = np.array(cast.vertices), np.array(cast.faces)
    low = vertices.min(axis=0) - 2.5 * step_mm
    low[2] = -2.5 * step_mm
    size = vertices.max(axis=0) + 2.5 * step_mm - low
    blocks = np.ceil(size / (block * step_mm)).astype(int)[::-1]  # z, y, x
    kind = igl.SignedDistanceType.SIGNED_DISTANCE_TYPE_PSEUDONORMAL

    def distance(points: Floats) -> Floats:
        found: Floats = igl.signed_distance(points, vertices, faces, kind)[0]
        return found

    corner = np.stack(np.meshgrid(*map(np.arange, blocks), indexing="ij"), axis=-1).reshape(-1, 3)
    middle = low + (corner[:, ::-1] * block + (block - 1) / 2.0) * step_mm
    coarse = distance(middle)
    near = np.abs(coarse) <= (0.5 * np.sqrt(3.0) * (block - 1) + 1.0) * step_mm
    field = np.repeat(
        np.repeat(
            np.repeat(coarse.astype(np.float32).reshape(blocks), block, axis=0), block, axis=1
        ),
        block,
        axis=2,
    )
    inside = np.stack(np.meshgrid(*[np.arange(block)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    for some in np.array_split(corner[near], max(1, int(near.sum()) * block**3 // 2_000_000)):
        nodes = (some[:, None, :] * block + inside).reshape(-1, 3)
        field[tuple(nodes.T)] = distance(low + nodes[:, ::-1] * step_mm)

    swept = field[-1].copy()
    for k in range(len(field) - 1, -1, -1):
        np.minimum(swept, field[k], out=swept)
        under_floor = -(low[2] + k * step_mm)
        if cut:  # a film above surface that curves inward would be wax: all lies a little deeper
            field[k] = np.maximum(swept + step_mm**2 / 4.0, under_floor - step_mm)
        else:
            field[k] = np.maximum(np.maximum(swept, -field[k]), under_floor)
    points, triangles, _, _ = marching_cubes(
        field, 0.0, spacing=(step_mm,) * 3, allow_degenerate=False
    )
    del field
    made = low + points[:, ::-1].astype(np.float64)
    triangles = triangles.astype(np.int64)
    if _volume(made, triangles) < 0.0:
        triangles = triangles[:, ::-1]
    return _less_cast((made, triangles), cast) if cut else (made, triangles)


# --- prisms --------------------------------------------------------------------------------------
def prisms(cast: Upright) -> Triangles:
    """One prism for each face that looks down, all united by manifold3d, less the cast."""
    import manifold3d

    points, pieces = _prism_soup(cast)
    per = len(_PRISM)
    solids = [
        _solid(points[6 * k : 6 * k + 6], pieces[per * k : per * (k + 1)] - 6 * k)
        for k in range(len(points) // 6)
    ]
    united = manifold3d.Manifold.batch_boolean(solids, manifold3d.OpType.Add)
    return _cut_at_floor(united - _solid(cast.vertices, cast.faces))


def exact_prisms(cast: Upright) -> Triangles:
    """The same prisms in exact numbers: libigl's boolean of a soup, with CGAL's numbers inside."""
    from igl.copyleft.cgal import mesh_boolean

    nothing = np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64)
    points, faces, _ = mesh_boolean(*_prism_soup(cast), *nothing, "union")
    points, faces, _ = mesh_boolean(points, faces, cast.vertices, cast.faces, "minus")
    points, faces, _ = mesh_boolean(points, faces, *_block_over_floor(cast), "intersect")
    return points, faces


def corefined_patches(cast: Upright) -> Triangles:
    """Connected patches that look down, each pulled down to a prism, and the cast cut off by
    CGAL's corefinement.
    """
    from CGAL import CGAL_Polygon_mesh_processing as processing

    whole = _polyhedron(*_pulled_down(*_down_patches(cast)))
    left = type(whole)()
    if processing.does_self_intersect(whole):
        raise RuntimeError("the patches pulled down cut each other, which CGAL does not take")
    other = _polyhedron(cast.vertices, cast.faces)
    if not processing.corefine_and_compute_difference(whole, other, left):
        raise RuntimeError("CGAL says that the difference is no manifold")
    over = type(whole)()
    block = _polyhedron(*_block_over_floor(cast))
    if not processing.corefine_and_compute_intersection(left, block, over):
        raise RuntimeError("CGAL says that what is over the floor is no manifold")
    return _triangles(over)


def vtk_extrusion(cast: Upright) -> Triangles:
    """Faces that look down, extruded down by VTK's linear extrusion, and VTK's boolean difference
    with the cast.
    """
    import vtk
    from vtk.util.numpy_support import numpy_to_vtk, numpy_to_vtkIdTypeArray, vtk_to_numpy

    def taken(points: Floats, faces: Ints) -> Any:
        held = vtk.vtkPoints()
        held.SetDataTypeToDouble()
        held.SetData(numpy_to_vtk(np.ascontiguousarray(points), deep=True))
        cells = vtk.vtkCellArray()
        rows = np.column_stack([np.full(len(faces), 3), faces]).ravel().astype(np.int64)
        cells.SetCells(len(faces), numpy_to_vtkIdTypeArray(rows, deep=True))
        made = vtk.vtkPolyData()
        made.SetPoints(held)
        made.SetPolys(cells)
        return made

    said: list[str] = []

    def hears(filter_: Any) -> Any:
        filter_.AddObserver("ErrorEvent", lambda *heard: said.append(str(heard[-1])))
        return filter_

    def given(filter_: Any) -> Any:
        filter_.Update()
        return filter_.GetOutput()

    points, sheet = _down_patches(cast)
    pulled = vtk.vtkLinearExtrusionFilter()
    pulled.SetInputData(taken(points, sheet))
    pulled.SetExtrusionTypeToVectorExtrusion()
    pulled.SetVector(0.0, 0.0, -1.0)
    pulled.SetScaleFactor(float(points[:, 2].max()) + _UNDER_MM)
    pulled.CappingOn()
    triangles = vtk.vtkTriangleFilter()
    triangles.SetInputData(given(pulled))
    outward = vtk.vtkPolyDataNormals()
    outward.SetInputData(given(triangles))
    outward.ConsistencyOn()
    outward.AutoOrientNormalsOn()
    outward.SplittingOff()
    less = hears(vtk.vtkBooleanOperationPolyDataFilter())
    less.SetOperationToDifference()
    less.SetInputData(0, given(outward))
    less.SetInputData(1, taken(cast.vertices, cast.faces))
    floor = vtk.vtkPlane()
    floor.SetOrigin(0.0, 0.0, 0.0)
    floor.SetNormal(0.0, 0.0, 1.0)
    planes = vtk.vtkPlaneCollection()
    planes.AddItem(floor)
    clip = hears(vtk.vtkClipClosedSurface())
    clip.SetInputData(given(less))
    clip.SetClippingPlanes(planes)
    last = vtk.vtkTriangleFilter()
    last.SetInputData(given(clip))
    done = given(last)
    if not done.GetNumberOfPolys():
        raise RuntimeError("VTK gave nothing" + (f": {said[0].strip()}" if said else ""))
    rows = vtk_to_numpy(done.GetPolys().GetConnectivityArray()).reshape(-1, 3)
    return vtk_to_numpy(done.GetPoints().GetData()).astype(np.float64), rows.astype(np.int64)


# --- pieces --------------------------------------------------------------------------------------
# the top looks up, so its corners run the other way than those of the face that looks down
_PRISM = np.array(
    [(0, 2, 1), (3, 4, 5), (0, 1, 4), (0, 4, 3), (1, 2, 5), (1, 5, 4), (2, 0, 3), (2, 3, 5)]
)


def _prism_soup(cast: Upright) -> Triangles:
    top = cast.vertices[cast.faces[cast.down]]
    bottom = top.copy()
    bottom[:, :, 2] = -_UNDER_MM
    points = np.concatenate([top, bottom], axis=1).reshape(-1, 3)
    return points, (6 * np.arange(len(top))[:, None, None] + _PRISM).reshape(-1, 3)


def _down_patches(cast: Upright) -> Triangles:
    """The faces that look down, turned to look up."""
    used, faces = np.unique(cast.faces[cast.down], return_inverse=True)
    return cast.vertices[used], faces.reshape(-1, 3)[:, ::-1]


def _pulled_down(points: Floats, sheet: Ints) -> Triangles:
    """A sheet that looks up, closed by its border's walls and by itself under the floor."""
    count = len(points)
    bottom = np.column_stack([points[:, :2], np.full(count, -_UNDER_MM)])
    start = sheet.T.reshape(-1)
    end = np.roll(sheet, -1, axis=1).T.reshape(-1)
    key, back = start * np.int64(count) + end, end * np.int64(count) + start
    border = ~np.isin(key, back)
    a, b = start[border], end[border]
    walls = [np.column_stack([a, a + count, b + count]), np.column_stack([a, b + count, b])]
    return (
        np.concatenate([points, bottom]),
        np.concatenate([sheet, sheet[:, ::-1] + count, *walls]),
    )


def _less_cast(body: Triangles, cast: Upright) -> Triangles:
    return _cut_at_floor(_solid(*body) - _solid(cast.vertices, cast.faces))


def _solid(points: Floats, faces: Ints) -> Any:
    import manifold3d

    given = manifold3d.Mesh64(
        vert_properties=np.array(points), tri_verts=np.ascontiguousarray(faces, dtype=np.uint64)
    )
    made = manifold3d.Manifold(given)
    if made.status() != manifold3d.Error.NoError:
        raise RuntimeError(f"manifold3d does not take it: {made.status()}")
    return made


def _cut_at_floor(solid: Any) -> Triangles:
    out = solid.trim_by_plane((0.0, 0.0, 1.0), 0.0).to_mesh64()
    points = np.asarray(out.vert_properties, dtype=np.float64)[:, :3]
    return points, np.asarray(out.tri_verts, dtype=np.int64)


def _block_over_floor(cast: Upright) -> Triangles:
    from blockout.mesh import Mesh

    low, high = cast.vertices.min(axis=0) - 1.0, cast.vertices.max(axis=0) + 1.0
    low[2] = 0.0
    unit = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], dtype=float)
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    faces = [face for a, b, c, d in quads for face in ((a, b, c), (a, c, d))]
    block = Mesh(low + unit * (high - low), faces)
    return np.array(block.vertices), np.array(block.faces)


def _volume(points: Floats, faces: Ints) -> float:
    a, b, c = (points[faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)


def _polyhedron(points: Floats, faces: Ints) -> Any:
    from CGAL import CGAL_Polygon_mesh_processing as processing
    from CGAL.CGAL_Kernel import Point_3
    from CGAL.CGAL_Polyhedron_3 import Polyhedron_3

    places, polygons = processing.Point_3_Vector(), processing.Polygon_Vector()
    for x, y, z in points.tolist():
        places.append(Point_3(x, y, z))
    for face in faces.tolist():
        polygon = processing.Int_Vector()
        for corner in face:
            polygon.append(corner)
        polygons.append(polygon)
    made = Polyhedron_3()
    processing.polygon_soup_to_polygon_mesh(places, polygons, made)
    return made


def _triangles(polyhedron: Any) -> Triangles:
    points, faces, number = [], [], {}
    for facet in polyhedron.facets():
        edge = first = facet.halfedge()
        face = []
        while True:
            point = edge.vertex().point()
            key = (point.x(), point.y(), point.z())
            if key not in number:
                number[key] = len(points)
                points.append(key)
            face.append(number[key])
            edge = edge.next()
            if edge == first:
                break
        faces.extend([face[0], face[k], face[k + 1]] for k in range(1, len(face) - 1))
    return np.array(points), np.array(faces, dtype=np.int64)


@dataclass(frozen=True)
class Way:
    """One way to block out, and what it needs beside the project's own requirements."""

    name: str
    said: str
    run: Callable[[Upright], Triangles]
    needs: tuple[str, ...] = ()


def _of_step(make: Callable[..., Triangles], step_mm: float) -> Callable[[Upright], Triangles]:
    return lambda cast: make(cast, step_mm=step_mm)


WAYS: Mapping[str, Way] = {
    way.name: way
    for way in (
        *(
            Way(f"heights-{step}", f"height field, {step} mm", _of_step(height_field, float(step)))
            for step in ("0.1", "0.05", "0.025")
        ),
        *(
            Way(
                f"distances-{step}",
                f"signed distances, {step} mm",
                _of_step(distance_field, float(step)),
                ("skimage.measure",),
            )
            for step in ("0.1", "0.05", "0.025")
        ),
        *(
            Way(
                f"distances-cut-{step}",
                f"signed distances, {step} mm, cast cut off",
                _of_step(partial(distance_field, cut=True), float(step)),
                ("skimage.measure",),
            )
            for step in ("0.1", "0.05", "0.025")
        ),
        Way("prisms", "a prism per facet, manifold3d", prisms),
        Way("exact-prisms", "a prism per facet, libigl exact", exact_prisms),
        Way(
            "corefined",
            "patches, CGAL corefinement",
            corefined_patches,
            ("CGAL.CGAL_Polygon_mesh_processing", "CGAL.CGAL_Polyhedron_3"),
        ),
        Way("vtk", "VTK extrusion and boolean", vtk_extrusion, ("vtk",)),
    )
}
