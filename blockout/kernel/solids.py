"""Solids and their booleans. The only import of manifold3d.

Every solid is closed and consistently oriented; the kernel is given double precision and keeps
vertices as it gets them, save where it drops a vertex that lies on a straight edge. Emptiness is
an answer (:attr:`Solid.is_empty`); an error of the kernel is a :class:`KernelError`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import manifold3d
import numpy as np

from blockout.errors import KernelError
from blockout.mesh import Floats, Ints, Mesh


class Solid:
    """A closed solid of the boolean kernel, millimetres."""

    def __init__(self, kernel_solid: manifold3d.Manifold) -> None:
        self._kernel_solid = kernel_solid

    @classmethod
    def from_mesh(cls, mesh: Mesh) -> Solid:
        """Take a closed, consistently oriented mesh.

        Raises
        ------
        KernelError
            The mesh is not closed or not oriented, or the kernel refuses it.
        """
        given = manifold3d.Mesh64(
            vert_properties=np.array(mesh.vertices),  # the binding wants a writable array
            tri_verts=mesh.faces.astype(np.uint64),
        )
        return cls(_checked(manifold3d.Manifold(given), "taking a mesh"))

    @classmethod
    def empty(cls) -> Solid:
        return cls(manifold3d.Manifold())

    @classmethod
    def union(cls, solids: Iterable[Solid]) -> Solid:
        """All of them joined."""
        parts = [solid._kernel_solid for solid in solids]
        joined = manifold3d.Manifold.batch_boolean(parts, manifold3d.OpType.Add)
        return cls(_checked(joined, "joining solids"))

    @classmethod
    def hull(cls, points_mm: Floats) -> Solid:
        """Convex hull of (k, 3) points."""
        return cls(_checked(manifold3d.Manifold.hull_points(points_mm), "making a convex hull"))

    @classmethod
    def column(cls, outline_mm: Floats, *, low_mm: float, high_mm: float) -> Solid:
        """A straight column along z over a simple (k, 2) outline."""
        section = manifold3d.CrossSection([np.asarray(outline_mm)], manifold3d.FillRule.NonZero)
        raised = section.extrude(high_mm - low_mm).translate((0.0, 0.0, low_mm))
        return cls(_checked(raised, "raising a column"))

    def __add__(self, other: Solid) -> Solid:
        return Solid(_checked(self._kernel_solid + other._kernel_solid, "joining two solids"))

    def __sub__(self, other: Solid) -> Solid:
        return Solid(_checked(self._kernel_solid - other._kernel_solid, "cutting a solid"))

    def __xor__(self, other: Solid) -> Solid:
        """What two solids share."""
        return Solid(_checked(self._kernel_solid ^ other._kernel_solid, "intersecting two solids"))

    def parted_by(self, other: Solid) -> tuple[Solid, Solid]:
        """What it shares with another solid, and what is left of it: one cut for both."""
        shared, rest = self._kernel_solid.split(other._kernel_solid)
        return Solid(_checked(shared, "parting a solid")), Solid(_checked(rest, "parting a solid"))

    def above_plane(self, normal: Floats, offset_mm: float) -> Solid:
        """The part where ``normal . p >= offset_mm``."""
        if self.is_empty:  # the kernel calls cutting nothing an error
            return self
        kept = self._kernel_solid.trim_by_plane(tuple(float(x) for x in normal), float(offset_mm))
        return Solid(_checked(kept, "cutting at a plane"))

    def simplified(self, tolerance_mm: float) -> Solid:
        """Fewer triangles; no surface moves by more than ``tolerance_mm``."""
        return Solid(_checked(self._kernel_solid.simplify(tolerance_mm), "simplifying a solid"))

    def turned(self, matrix: Floats) -> Solid:
        """Under a 4 x 4 matrix, rigid or a shear."""
        moved = self._kernel_solid.transform(np.asarray(matrix, dtype=np.float64)[:3])
        return Solid(_checked(moved, "moving a solid"))

    @property
    def is_empty(self) -> bool:
        return bool(self._kernel_solid.is_empty())

    @property
    def volume_mm3(self) -> float:
        return float(self._kernel_solid.volume())

    @property
    def bounds_mm(self) -> Floats:
        """(2, 3) lowest and highest corner of its box."""
        return np.array(self._kernel_solid.bounding_box(), dtype=np.float64).reshape(2, 3)

    @property
    def triangle_count(self) -> int:
        return int(self._kernel_solid.num_tri())

    def mesh(self) -> Mesh:
        """The surface as a mesh; no triangles for an empty solid."""
        if self.is_empty:
            return Mesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64))
        out = self._kernel_solid.to_mesh64()
        vertices = np.asarray(out.vert_properties, dtype=np.float64)[:, :3]
        faces = np.asarray(out.tri_verts, dtype=np.int64)
        merge_from = np.asarray(out.merge_from_vert, dtype=np.int64)
        if len(merge_from):
            target = np.arange(len(vertices))
            target[merge_from] = np.asarray(out.merge_to_vert, dtype=np.int64)
            faces = target[faces]
        return Mesh(vertices, faces)


def filled_area_mm2(outlines_mm: Sequence[Floats]) -> float:
    """Area covered by closed (k, 2) outlines, non-zero fill rule, mm2."""
    section = manifold3d.CrossSection(
        [np.ascontiguousarray(outline) for outline in outlines_mm], manifold3d.FillRule.NonZero
    )
    return float(section.area())


def filled_triangles(outlines_mm: Sequence[Floats], *, in_line_mm: float = -1.0) -> Ints:
    """(k, 3) triangles that fill closed outlines, as numbers of their points in order.

    Outer outlines (k, 2) run anticlockwise, holes clockwise; they do not cross. No point is added
    and every edge of an outline is an edge of a triangle. Points nearer to a line than
    ``in_line_mm`` count as on it; if negative, the library takes a share of the whole size.
    """
    triangles = manifold3d.triangulate(
        [np.ascontiguousarray(outline) for outline in outlines_mm],
        epsilon=in_line_mm,
        allow_convex=False,
    )
    return np.asarray(triangles, dtype=np.int64).reshape(-1, 3)


def _checked(result: manifold3d.Manifold, doing: str) -> manifold3d.Manifold:
    status = result.status()
    if status != manifold3d.Error.NoError:
        raise KernelError(f"the solid kernel failed while {doing}", measured=f"status {status}")
    return result
