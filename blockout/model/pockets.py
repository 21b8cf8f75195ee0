"""Pockets: air that cast and wax shut in on all sides.

Along a tilted path the base's own walls stand off the wax that falls past them, and base is never a
ceiling; so a little air can be shut in between. Nothing reaches it, no framework goes there, and in
a printed model it would trap resin. It is filled, as a part of its own, so that all volumes add up.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from blockout.cast.cast import Cast
from blockout.mesh import Bools, Mesh, solidity
from blockout.model.build import Model
from blockout.tolerances import TOLERANCES, Tolerances
from blockout.wax.wax import Wax


def fill_pockets(
    model: Model, cast: Cast, *, tolerances: Tolerances = TOLERANCES
) -> tuple[Model, Wax | None]:
    """The model without shut-in air, and the wax that fills it; None where it is less than
    ``tolerances.pocket_mm3`` in all.
    """
    around = find_pockets(model.mesh, cast.mesh)
    if not around.any():
        return model, None
    filling = model.mesh.part(around).reversed()
    mesh = model.mesh.part(~around)
    full = replace(model, mesh=mesh, volume_mm3=mesh.volume_mm3, solidity=solidity(mesh))
    if filling.volume_mm3 < tolerances.pocket_mm3:
        return full, None
    count = int(filling.face_components().max()) + 1
    wax = Wax(
        "pockets",
        "arbitrary",
        filling,
        filling.volume_mm3,
        (
            f"{count} pockets of air that cast and wax shut in were filled: "
            f"{filling.volume_mm3:.3f} mm3",
        ),
    )
    return full, wax


def find_pockets(mesh: Mesh, cast: Mesh) -> Bools:
    """(m,) faces of ``mesh`` around shut-in air.

    A piece of the surface that encloses a negative volume bounds a hollow. Hollows that the cast
    had before any wax, with no vertex but the cast's own, are left to the cast.
    """
    piece = mesh.face_components()
    corners = mesh.corners - mesh.centre
    sixfold = np.einsum("ij,ij->i", corners[:, 0], np.cross(corners[:, 1], corners[:, 2]))
    hollow = np.bincount(piece, sixfold) < 0.0
    if not hollow.any():
        return np.zeros(mesh.triangle_count, dtype=bool)
    known = set(map(bytes, np.ascontiguousarray(cast.vertices)))
    for one in np.flatnonzero(hollow):
        own = np.unique(mesh.faces[piece == one])
        if all(bytes(row) in known for row in np.ascontiguousarray(mesh.vertices[own])):
            hollow[one] = False
    return hollow[piece]
