"""The surface of the cast, cut where walls meet it and parted into what wax covers and the rest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blockout.mesh import Bools, Floats, Ints, Mesh
from blockout.runs import written_out
from blockout.wax.curtains.covered import covered_by_wax
from blockout.wax.curtains.knots import Knots
from blockout.wax.curtains.loops import Outlines
from blockout.wax.curtains.rims import Rims
from blockout.wax.curtains.spans import CORNER, EDGE, Spans
from blockout.wax.curtains.walls import Walls

_PLANES = np.array([[1, 2], [2, 0], [0, 1]])
"""The axes left when one is dropped, in the order that keeps anticlockwise what it was."""


@dataclass(frozen=True, eq=False)
class Parted:
    """The cast's surface, no face of which is covered in part.

    Parameters
    ----------
    mesh : Mesh
        Between the cast's vertices, and then the knots that are none.
    covered : (k,) bool
        By wax.
    walls : (t, 3) int
        Triangles of walls between the same vertices, outward from the wax.
    knots : (p,) int
        Which knots the vertices after the cast's own are.
    """

    mesh: Mesh
    covered: Bools
    walls: Ints
    knots: Ints


def parted(rims: Rims, spans: Spans, knots: Knots, walls: Walls) -> Parted:
    """Cut the faces that walls stand on or hang from, and part all.

    Raises
    ------
    NotApartError
        The pieces do not fit, or a piece would be both covered and not.
    """
    cast = rims.plan.mesh
    point_of, points_mm, new = _points(cast, knots, walls)
    cut_face, cuts, along_rims = _cuts(cast, spans, walls, point_of)
    edge, beads = _beads(knots, new, point_of)
    sides = np.concatenate([edge, cast.twin_halfedges[edge]]) % max(cast.triangle_count, 1)
    touched = np.unique(np.concatenate([cut_face, sides]))
    border_face, border = _borders(rims, touched, edge, beads)

    face, ends = np.concatenate([border_face, cut_face]), np.concatenate([border, cuts])
    within = np.ones(len(face), dtype=bool)
    outlines = Outlines.both_ways(
        face,
        ends,
        _laid_flat(cast, face, points_mm.take(ends, axis=0)),
        left=within,
        right=np.arange(len(face)) >= len(border),
    )
    corner, owner = outlines.filled()

    whole = np.ones(cast.triangle_count, dtype=bool)
    whole[touched] = False
    kept = np.flatnonzero(whole)
    mesh = Mesh(points_mm, np.concatenate([cast.faces.take(kept, axis=0), outlines.start[corner]]))
    of_face = np.concatenate([kept, owner])
    covered = covered_by_wax(rims, mesh, of_face, np.concatenate([cuts, along_rims]))
    return Parted(mesh, covered, point_of[walls.triangles], new)


def _cuts(mesh: Mesh, spans: Spans, walls: Walls, point_of: Ints) -> tuple[Ints, Ints, Ints]:
    """Faces that walls cross, and the lines (c, 2) along which they do, from point to point; and
    such lines along rims. What lies to the left of a line, seen from outside the cast, is covered.
    """
    foot, head = walls.foot, walls.head
    on_cast = spans.face[foot.span] < mesh.triangle_count
    on_face = head.span >= 0
    face = np.concatenate([spans.face[foot.span[on_cast]], spans.face[head.span[on_face]]])
    lines = point_of[np.concatenate([foot.knots[on_cast][:, ::-1], head.knots[on_face]])]
    long = lines[:, 0] != lines[:, 1]
    return face[long], lines[long], point_of[head.knots[~on_face]]


def _beads(knots: Knots, new: Ints, point_of: Ints) -> tuple[Ints, Ints]:
    """Points on edges: the edges by name, in order, and the points along each of them, from its
    lower numbered vertex.
    """
    on_edge = new[knots.kind[new] == EDGE]
    edge = knots.name[on_edge, 2]
    order = np.lexsort((knots.shares.weight[on_edge, 0], edge))
    return edge[order], point_of[on_edge[order]]


def _points(mesh: Mesh, knots: Knots, walls: Walls) -> tuple[Ints, Floats, Ints]:
    """Point of each knot, all points, and the knots in use that are no vertex of the cast."""
    point_of = np.where(knots.kind == CORNER, knots.name[:, 1], -1)
    used = np.zeros(len(point_of), dtype=bool)
    used[walls.triangles] = True
    for lines in (walls.foot, walls.head):
        used[lines.knots] = True
    new = np.flatnonzero(used & (point_of < 0))
    point_of[new] = len(mesh.vertices) + np.arange(len(new))
    return point_of, np.concatenate([mesh.vertices, knots.point_mm[new]]), new


def _borders(rims: Rims, touched: Ints, edge: Ints, beads: Ints) -> tuple[Ints, Ints]:
    """Face of, and both ends of, each piece of the borders of faces.

    Parameters
    ----------
    touched : (f,)
        Faces.
    edge, beads : (b,)
        As :func:`_beads` gives them.
    """
    mesh = rims.plan.mesh
    owners, rows = [], []
    for k in range(3):
        name = rims.edge[k * mesh.triangle_count + touched]
        first = np.searchsorted(edge, name, side="left")
        count = np.searchsorted(edge, name, side="right") - first
        start, end = mesh.faces[touched, k], mesh.faces[touched, (k + 1) % 3]
        row, step = written_out(count)
        forward = (start < end)[row]
        place = first[row] + np.where(forward, step, count[row] - 1 - step)
        at = np.concatenate([np.arange(len(touched)), row])
        point = np.concatenate([start, beads[place]])
        order = np.lexsort((np.concatenate([np.full(len(touched), -1), step]), at))
        at, point = at[order], point[order]
        following = np.roll(point, -1)
        last = np.ones(len(at), dtype=bool)
        last[:-1] = at[1:] != at[:-1]
        following[last] = end
        owners.append(touched[at])
        rows.append(np.stack([point, following], axis=1))
    return np.concatenate(owners), np.concatenate(rows)


def _laid_flat(mesh: Mesh, face: Ints, points_mm: Floats) -> Floats:
    """(k, 2, 2) pairs of points (k, 2, 3) of faces, seen along the axis nearest to their normal,
    from outside.
    """
    cross = mesh.face_crosses[face]
    dropped = np.abs(cross).argmax(axis=1)
    row = np.arange(len(face))
    flat: Floats = np.take_along_axis(points_mm, _PLANES[dropped][:, None, :], axis=2)
    flat[..., 1] *= np.sign(cross[row, dropped])[:, None]
    return flat
