"""Specks: loose pieces no thicker than the film by which ceilings are raised.

Where a ceiling ends at the survey line, raising it leaves a film of a thousandth of a millimetre
outside the cast, and rounding may leave pockets of no volume. Loose ones are dropped: a part and a
model are free of stray pieces.
"""

from __future__ import annotations

import numpy as np

from blockout.mesh import Floats, Mesh


def without_specks(mesh: Mesh, *, film_mm: float) -> Mesh:
    """The mesh without connected pieces, solid or hollow, whose volume is at most ``film_mm``
    times half their area: their mean thickness is under ``film_mm``.

    Returns the same mesh where there is none.
    """
    if not mesh.triangle_count:
        return mesh
    piece = mesh.face_components()
    sixfold: Floats = np.einsum("ij,ij->i", mesh.corners[:, 0] - mesh.centre, mesh.face_crosses)
    volume_mm3 = np.abs(np.bincount(piece, sixfold)) / 6.0
    area_mm2 = np.bincount(piece, mesh.face_areas_mm2)
    speck = volume_mm3 <= 0.5 * film_mm * area_mm2
    return mesh.part(~speck[piece]) if speck.any() else mesh
