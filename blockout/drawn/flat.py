"""A piece of surface laid flat, and the way back onto the surface."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.drawn.curve import SurfaceCurve, barycentric
from blockout.drawn.outline import SurfaceRegion
from blockout.errors import InputError
from blockout.kernel.outlines import is_simple
from blockout.kernel.surfaces import flattened, nearest_places
from blockout.mesh import Floats, Ints, Mesh

_TURNED_SHARE: Final = 1e-3
"""Facets that come out turned over may have this share of the area: needles of the scan."""


@dataclass(frozen=True, eq=False)
class FlatRegion:
    """The surface under a region, laid flat with angles kept as well as can be.

    The faces that the outline crosses are there as a whole: the needles that cutting them makes
    are no ground for a map.

    Parameters
    ----------
    patch : Mesh
        The faces that the region touches.
    source_face : (m,) int
        The face of the whole surface that each is.
    figure : Mesh
        The same faces with their vertices in the plane z = 0, anticlockwise.
    outline_mm : (j, 2) float
        The outline's points in the plane, anticlockwise.
    """

    patch: Mesh
    source_face: Ints
    figure: Mesh
    outline_mm: Floats

    def lifted(self, flat_mm: Floats) -> tuple[Floats, Ints]:
        """Places (k, 3) on the surface for places (k, 2) in the plane, and the face of the whole
        surface of each; what lies beside the figure is moved onto its border.
        """
        level = np.column_stack([flat_mm, np.zeros(len(flat_mm))])
        found = nearest_places(self.figure, level)
        weight = barycentric(self.figure.corners[found.face], found.points_mm)
        places = np.einsum("ij,ijk->ik", weight, self.patch.corners[found.face])
        return places, self.source_face[found.face]

    def laid(self, points_mm: Floats) -> Floats:
        """(k, 2) where points (k, 3) on the surface lie in the plane."""
        found = nearest_places(self.patch, points_mm)
        return self._laid(found.face, found.points_mm)

    def _laid(self, face: Ints, places_mm: Floats) -> Floats:
        weight = barycentric(self.patch.corners[face], places_mm)
        placed: Floats = np.einsum("ij,ijk->ik", weight, self.figure.corners[face])
        return placed[:, :2]


def flat_region(
    mesh: Mesh, outline: SurfaceCurve, region: SurfaceRegion, *, name: str = "outline"
) -> FlatRegion:
    """Lay a region flat; its mean scale is 1.

    Parameters
    ----------
    mesh : Mesh
        The whole surface.
    outline : SurfaceCurve
        On it.
    region : SurfaceRegion
        What lies inside the outline.

    Raises
    ------
    InputError
        The region has a hole of the surface in it, or it folds so much that it cannot be laid
        flat without turning over.
    """
    sheet = region.sheet
    if len(region.loops) > 1:
        raise InputError(
            f"there is a hole in the surface inside the {name}",
            places_mm=[tuple(sheet.vertices[loop[0]]) for loop in region.loops[1:]],
            fix="Draw the outline beside it.",
        )
    touched = np.zeros(mesh.triangle_count, dtype=bool)
    touched[region.source_face] = True
    source_face = np.flatnonzero(touched)
    patch = mesh.part(touched)
    far = _far_apart(patch)
    flat = flattened(patch, pinned=far)
    figure = Mesh(np.column_stack([flat, np.zeros(len(flat))]), patch.faces)
    if float(figure.face_crosses[:, 2].sum()) < 0.0:
        figure = Mesh(figure.vertices * [1.0, -1.0, 1.0], patch.faces)
    doubled = figure.face_crosses[:, 2]
    total = float(np.abs(doubled).sum())
    turned = float(-doubled[doubled < 0.0].sum())
    if total > 0.0:
        figure = figure.scaled(float(np.sqrt(2.0 * patch.face_areas_mm2.sum() / total)))
    number = np.zeros(mesh.triangle_count, dtype=np.int64)
    number[source_face] = np.arange(len(source_face))
    made = FlatRegion(patch, source_face, figure, np.zeros((0, 2)))
    ring = made._laid(number[outline.face[region.corner_of]], outline.points_mm[region.corner_of])
    if not total or turned > _TURNED_SHARE * total or not is_simple(ring):
        worst = patch.face_centres[int(doubled.argmin())]
        raise InputError(
            f"the surface inside the {name} folds too much to be laid flat",
            measured=f"{100.0 * turned / max(total, 1e-12):.2g} % of it turns over, limit "
            f"{100.0 * _TURNED_SHARE:g} %",
            places_mm=[(float(worst[0]), float(worst[1]), float(worst[2]))],
            fix="Draw a smaller zone, or the same in parts.",
        )
    return FlatRegion(patch, source_face, figure, ring)


def _far_apart(patch: Mesh) -> tuple[int, int]:
    """Two vertices about as far apart as any."""
    from_centre = np.linalg.norm(patch.vertices - patch.centre, axis=1)
    one = int(from_centre.argmax())
    other = int(np.linalg.norm(patch.vertices - patch.vertices[one], axis=1).argmax())
    return one, other
