"""Closed surfaces whose sheets touch along an edge, taken apart there."""

from __future__ import annotations

import numpy as np

from blockout.mesh import Floats, Ints, Mesh
from blockout.wax.curtains.apart import NotApartError


def parted_sheets(points_mm: Floats, faces: Ints) -> Ints:
    """(3 k,) halfedges across the edges of faces (k, 3) of a closed surface, such that sheets that
    only touch hang together nowhere.

    Along an edge with more than two faces those belong together that have the solid between them;
    or, where that leaves a sheet that touches itself, those that have the outside between them.

    Raises
    ------
    NotApartError
        The surface is not closed.
    """
    mesh = Mesh(points_mm, faces)
    _, _, count = mesh.edge_runs
    if not (count > 2).any():
        return _whole(mesh.twin_halfedges)
    for solid_between in (True, False):
        twins = _whole(_paired(mesh, solid_between=solid_between))
        apart, _ = Mesh.hung_together(points_mm, faces, twins).fans_apart()
        if (Mesh(apart.vertices, apart.faces).twin_halfedges >= 0).all():
            return twins
    raise NotApartError("sheets that touch along an edge do not come apart")


def _whole(twins: Ints) -> Ints:
    if (twins < 0).any():
        raise NotApartError("the surface is not closed")
    return twins


def _paired(mesh: Mesh, *, solid_between: bool) -> Ints:
    """(3 m,) twins, of edges with many faces too."""
    twins = mesh.twin_halfedges.copy()
    order, first, count = mesh.edge_runs
    size = mesh.triangle_count
    for at in np.flatnonzero(count > 2).tolist():
        around = order[first[at] : first[at] + count[at]]
        start, end = mesh.halfedges[around].T
        low = min(int(start[0]), int(end[0]))
        tip = mesh.faces[around % size, (around // size + 2) % 3]
        axis = mesh.vertices[max(int(start[0]), int(end[0]))] - mesh.vertices[low]
        across = np.cross(axis, np.eye(3)[np.abs(axis).argmin()])
        out = mesh.vertices[tip] - mesh.vertices[low]
        angle = np.arctan2(out @ np.cross(axis, across) / np.linalg.norm(axis), out @ across)
        turned = np.argsort(angle)
        ahead = start[turned] == low
        # a face whose edge runs ahead has the solid on the clockwise side
        begins = np.flatnonzero(~ahead if solid_between else ahead)
        following = (begins + 1) % len(turned)
        if (ahead[following] == ahead[begins]).any() or 2 * len(begins) != len(turned):
            raise NotApartError("faces around an edge do not alternate")
        one, other = around[turned[begins]], around[turned[following]]
        twins[one], twins[other] = other, one
    return twins
