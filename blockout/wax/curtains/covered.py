"""Which faces of the cast wax covers, once no face is covered in part."""

from __future__ import annotations

import numpy as np

from blockout.mesh import Bools, Ints, Mesh, connected_faces
from blockout.wax.curtains.apart import NotApartError
from blockout.wax.curtains.rims import Rims


def covered_by_wax(rims: Rims, mesh: Mesh, of_face: Ints, walled: Ints) -> Bools:
    """(k,) which faces wax covers. Cover ends where walls meet the cast and at the flat bottom,
    and nowhere else; so what hangs together without crossing them is covered, or not, as one.

    Parameters
    ----------
    mesh : Mesh
        Whole faces of the cast and pieces of others.
    of_face : (k,) int
        The cast's face that each is, or is a piece of.
    walled : (w, 2) int
        Edges of the mesh with a wall: from first to second vertex, what lies to their left is
        covered.

    Raises
    ------
    NotApartError
        The pieces do not fit, or a part would be both covered and not.
    """
    twins, size = mesh.twin_halfedges, mesh.triangle_count
    if (twins < 0).any():
        raise NotApartError("pieces of the cast do not meet")
    covered_side, bare_side = _sides(mesh, walled)
    bottom = rims.flat_bottom[of_face]
    other = twins % max(size, 1)
    parted = covered_side | bare_side | (np.tile(bottom, 3) != bottom[other])
    part = connected_faces(np.where(parted, -1, other).reshape(3, -1).T)

    count = int(part.max(initial=-1)) + 1
    covered, bare = np.zeros(count, dtype=bool), np.zeros(count, dtype=bool)
    covered[part[np.flatnonzero(covered_side) % size]] = True
    covered[part[rims.roof[of_face]]] = True
    bare[part[np.flatnonzero(bare_side) % size]] = True
    bare[part[bottom]] = True
    if (covered & bare).any():
        raise NotApartError("a part of the cast is covered and is not")
    by_wax: Bools = covered[part]
    return by_wax


def _sides(mesh: Mesh, walled: Ints) -> tuple[Bools, Bools]:
    """(3 k,) which halfedges have a wall and their face on its covered, or on its bare side."""
    wide = np.int64(len(mesh.vertices))
    at_wall = np.zeros(len(mesh.vertices), dtype=bool)
    at_wall[walled] = True
    start, end = mesh.halfedges.T
    asked = np.flatnonzero(at_wall[start] & at_wall[end])
    key = start[asked] * wide + end[asked]
    covered, bare = np.zeros(len(start), dtype=bool), np.zeros(len(start), dtype=bool)
    covered[asked] = np.isin(key, walled[:, 0] * wide + walled[:, 1])
    bare[asked] = np.isin(key, walled[:, 1] * wide + walled[:, 0])
    return covered, bare
