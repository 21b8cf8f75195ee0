"""Wax under ceilings, without a boolean: curtains hung from their rims.

What lies under ceilings and outside the cast is bounded by the cast's own surface and by walls
along the path that hang from the rims of the ceilings. So only the walls have to be found: a
curtain down to the ground is hung from every rim, what of it is open is kept, and the faces of the
cast that walls meet are cut there. All other faces stay as they are, to the bit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from blockout.mesh import Bools, Floats, Ints, Mesh, solidity
from blockout.tolerances import TOLERANCES, Tolerances
from blockout.wax.curtains.apart import NotApartError
from blockout.wax.curtains.cells import cuts_of, open_cells
from blockout.wax.curtains.knots import knots_of
from blockout.wax.curtains.loops import Outlines
from blockout.wax.curtains.parted import parted
from blockout.wax.curtains.plan import Plan, Shares
from blockout.wax.curtains.rims import Rims
from blockout.wax.curtains.sheets import parted_sheets
from blockout.wax.curtains.spans import spans_of
from blockout.wax.curtains.walls import walls_of
from blockout.wax.curtains.welded import contracted, points_as_one


@dataclass(frozen=True, eq=False)
class Hung:
    """What came of curtains.

    Parameters
    ----------
    wax : Mesh
        All that lies under ceilings and outside the cast, down to z = 0.
    filled : Mesh
        The cast with that.
    knots_mm : (k, 3) float
        New vertices of both that lie on the cast.
    shares : Shares
        What share they have of the cast's own vertices.
    """

    wax: Mesh
    filled: Mesh
    knots_mm: Floats
    shares: Shares


def under_ceilings(mesh: Mesh, roof: Bools, *, tolerances: Tolerances = TOLERANCES) -> Hung:
    """Fill what lies under ceilings.

    Parameters
    ----------
    mesh : Mesh
        Closed, its path along +z, over z = 0.
    roof : (m,) bool
        Faces that are ceilings; they look down. Those that stand upright, or lie on the ground,
        are left out.

    Raises
    ------
    NotApartError
        Places lie over each other too exactly; ask the solid kernel.
    """
    upright = math.sin(math.radians(tolerances.upright_deg))
    roof = roof & (mesh.face_crosses[:, 2] < -2.0 * upright * mesh.face_areas_mm2)
    roof &= (mesh.vertices[:, 2] > 0.0)[mesh.faces].any(axis=1)
    plan = Plan.of(mesh, roof, tolerances=tolerances)
    rims = Rims.around(plan, roof)
    if not rims.count:
        nothing = Mesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64))
        none = Shares(np.zeros((0, 3), dtype=np.int64), np.zeros((0, 2)))
        return Hung(nothing, mesh, nothing.vertices, none)
    spans = spans_of(rims).with_ground(rims)
    cuts = cuts_of(rims, spans)
    cells = open_cells(rims, spans, cuts)
    knots = knots_of(rims, spans, cuts, cells)
    walls = walls_of(rims, spans, cuts, cells, knots)
    made = parted(rims, spans, knots, walls)
    faces, points_mm = made.mesh.faces, made.mesh.vertices
    as_one = points_as_one(
        points_mm, len(mesh.vertices), np.concatenate([faces, made.walls]), tolerances=tolerances
    )
    inside = faces.compress(made.covered, axis=0)[:, ::-1]
    floor = _floor(points_mm, np.concatenate([inside, made.walls]))
    skin = np.concatenate([made.walls, floor])

    # sheets that lie in one place are told apart as the plan tells them
    seen = np.concatenate([plan.flat, knots.flat[made.knots]])
    seen_mm = np.column_stack([seen, points_mm[:, 2]])

    def whole(part: Ints) -> Mesh:
        surface = np.concatenate([part, skin])
        return contracted(points_mm, surface, parted_sheets(seen_mm, surface), as_one)

    wax, filled = whole(inside), whole(faces.compress(~made.covered, axis=0))
    _prove(mesh, wax, filled, tolerances)
    of_cast = made.knots[knots.on_cast[made.knots]]
    return Hung(
        wax,
        filled,
        knots.point_mm[of_cast],
        knots.shares.chosen(of_cast),
    )


def _prove(cast: Mesh, wax: Mesh, filled: Mesh, tolerances: Tolerances) -> None:
    """Both are solids, and add up with the cast."""
    if any(mesh.triangle_count and not solidity(mesh).is_solid for mesh in (wax, filled)):
        raise NotApartError("what was made is no solid")
    off_mm3 = abs(filled.volume_mm3 - wax.volume_mm3 - cast.volume_mm3)
    if off_mm3 > tolerances.kernel_relative * (cast.volume_mm3 + 1.0):
        raise NotApartError("wax and cast do not add up")


def _floor(points_mm: Floats, faces: Ints) -> Ints:
    """Faces, seen from below, that close a surface open at the ground alone."""
    mesh = Mesh(points_mm, faces)
    order, first, count = mesh.edge_runs
    border = mesh.halfedges[order[first[count == 1]]]
    if not len(border):
        return np.zeros((0, 3), dtype=np.int64)
    if points_mm[border, 2].any():
        raise NotApartError("the wax is open above the ground")
    # seen from below, left and right change places
    ends = border[:, ::-1]
    filled = np.ones(len(ends), dtype=bool)
    flat = points_mm[ends][..., [1, 0]]
    outlines = Outlines.both_ways(np.zeros(len(ends), dtype=np.int64), ends, flat, filled, ~filled)
    corner, _ = outlines.filled()
    return outlines.start[corner]
