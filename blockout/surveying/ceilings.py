"""Ceilings: the scanned faces that look down along the path, in patches that can be pulled down.

Wax goes under ceilings. What lies under a higher ceiling is filled from there, so only the
uppermost ceilings are pulled down. A patch pulled down along the path is a closed prism only where
the patch does not cover itself as seen along the path; a spiral or a fold does, and its prism would
count some space twice. Such patches are split until none does.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import breadth_first_order

from blockout.kernel.rays import RayScene
from blockout.kernel.solids import filled_area_mm2
from blockout.mesh import Bools, Floats, Ints, Mesh, connected_faces
from blockout.surveying.folds import Cells, lower_of_folds, widths_mm
from blockout.surveying.patches import Ceilings, border_loops, patch_surface, seen_along
from blockout.tolerances import TOLERANCES, Tolerances


def find_ceilings(
    mesh: Mesh, scanned: Bools, direction: Floats, *, tolerances: Tolerances = TOLERANCES
) -> Ceilings:
    """Connected patches of scanned faces that look down along ``direction``.

    Parameters
    ----------
    mesh : Mesh
    scanned : (m,) bool
    direction : (3,) unit vector of removal
    """
    shadow = _shadow(mesh, direction)
    down = scanned & (shadow > tolerances.level_slope * 2.0 * mesh.face_areas_mm2)
    face = np.flatnonzero(down)
    return Ceilings(face=face, patch=connected_faces(_across(mesh, face)))


def uppermost(mesh: Mesh, ceilings: Ceilings, direction: Floats) -> Ceilings:
    """Without faces that lie wholly under another patch: what they roof is roofed already.

    A face goes only where that is certain: the highest patch over its middle is another one,
    and the border of that patch comes nowhere near the face as seen along the path. A sheet whose
    border does not cross a face covers all of it or nothing, and sheets of a solid do not pass
    through each other.
    """
    if ceilings.patch_count < 2:
        return ceilings
    sheets, vertex = patch_surface(mesh, ceilings)
    flat = seen_along(mesh, direction)
    height = mesh.vertices @ direction
    corners = mesh.faces[ceilings.face]
    middle = mesh.face_centres[ceilings.face]
    start_mm = float(height.max()) + 1.0
    origins = middle + (start_mm - middle @ direction)[:, None] * direction
    over = RayScene(sheets).first_hit(origins, -direction).face
    roof = np.where(over >= 0, ceilings.patch[over], ceilings.patch)
    asked = np.flatnonzero(roof != ceilings.patch)
    if not len(asked):
        return ceilings
    corner_flat = flat[corners]
    extent_mm = float(np.median(widths_mm(corner_flat)))
    cell_mm = max(extent_mm, 1e-3)
    grid = Cells.over(flat, cell_mm)
    border = np.flatnonzero(sheets.twin_halfedges < 0)
    ends = flat[vertex[sheets.halfedges[border]]]
    _, marks = grid.touched(ends, ceilings.patch[border % sheets.triangle_count])
    row, key = grid.touched(corner_flat[asked], roof[asked])
    near_border = np.zeros(len(asked), dtype=bool)
    near_border[row[np.isin(key, marks)]] = True
    keep = np.ones(len(ceilings.face), dtype=bool)
    keep[asked[~near_border]] = False
    face = ceilings.face[keep]
    group = ceilings.patch[keep]
    return Ceilings(face=face, patch=connected_faces(_across(mesh, face, group)))


def unfolded(
    mesh: Mesh, ceilings: Ceilings, direction: Floats, *, tolerances: Tolerances = TOLERANCES
) -> Ceilings:
    """The same roof in patches none of which covers itself along the path.

    Of two faces of a patch that cover each other, the lower one is taken out into a patch of its
    own, or dropped where the patch covers all of it. What still covers itself after that, such as
    a fan that winds twice around its vertex, is halved until it does not.
    """
    shadow = _shadow(mesh, direction)
    flat = seen_along(mesh, direction)
    settled: list[Ints] = []
    waiting = ceilings
    while len(waiting.face):
        folded = _covers_itself(mesh, waiting, flat, shadow, tolerances)
        settled.extend(_groups(waiting.without(folded)) if not folded.all() else [])
        waiting = waiting.without(~folded)
        if not len(waiting.face):
            break
        lower, hidden = lower_of_folds(mesh, waiting, flat, direction, tolerances=tolerances)
        progress = np.bincount(waiting.patch, lower | hidden, minlength=waiting.patch_count) > 0
        stuck = ~progress[waiting.patch]
        part = waiting.patch * 2 + lower
        if stuck.any():
            for group in _groups(waiting.without(progress)):
                _, second = _halves(mesh, group)
                part[np.isin(waiting.face, second)] += 1
        kept = ~hidden
        face, part = waiting.face[kept], part[kept]
        waiting = Ceilings(face=face, patch=connected_faces(_across(mesh, face, part)))
    settled.sort(key=lambda group: int(group[0]))
    return Ceilings(
        face=np.concatenate([*settled, np.zeros(0, dtype=np.int64)]),
        patch=np.repeat(np.arange(len(settled)), [len(group) for group in settled]),
    )


def _shadow(mesh: Mesh, direction: Floats) -> Floats:
    """(m,) twice the area of each face as seen along the path, positive where it looks down."""
    shadow: Floats = -(mesh.face_crosses @ direction)
    return shadow


def _across(mesh: Mesh, face: Ints, group: Ints | None = None) -> Ints:
    """(k, 3) place in ``face`` of the neighbour across each edge, or -1 where it is not among them
    or in another group.
    """
    place = np.full(mesh.triangle_count + 1, -1, dtype=np.int64)
    place[face] = np.arange(len(face))
    across = place[mesh.face_neighbours[face]]
    if group is not None:
        across = np.where((across >= 0) & (group[across] == group[:, None]), across, -1)
    return across


def _groups(ceilings: Ceilings) -> list[Ints]:
    order = np.argsort(ceilings.patch, kind="stable")
    cuts = np.flatnonzero(np.diff(ceilings.patch[order])) + 1
    return np.split(ceilings.face[order], cuts)


def _covers_itself(
    mesh: Mesh, ceilings: Ceilings, flat: Floats, shadow: Floats, tolerances: Tolerances
) -> Bools:
    """(patch_count,) whether a patch's projected faces add up to more than the outline they fill
    together.
    """
    count = ceilings.patch_count
    total_mm2 = np.bincount(ceilings.patch, shadow[ceilings.face], minlength=count) / 2.0
    # up to two faces that share an edge and look down lie on either side of it
    unsure = np.bincount(ceilings.patch, minlength=count) > 2
    sheets, vertex = patch_surface(mesh, ceilings)
    outlines: list[list[Floats]] = [[] for _ in range(count)]
    for loop, patch in border_loops(sheets, ceilings.patch):
        if unsure[patch]:
            outlines[patch].append(flat[vertex[loop]])
    filled_mm2 = total_mm2.copy()
    for patch in np.flatnonzero(unsure).tolist():
        filled_mm2[patch] = filled_area_mm2(outlines[patch])
    folded: Bools = total_mm2 - filled_mm2 > np.maximum(
        tolerances.overlap_area_mm2, tolerances.overlap_share * total_mm2
    )
    return folded


def _halves(mesh: Mesh, face: Ints) -> tuple[Ints, Ints]:
    """The patch in two halves of one size, by nearness along the surface to one of its ends.

    Halving always ends: a single face cannot cover itself. Only the halves that still cover
    themselves are halved again, so the pieces stay large away from the fold.
    """
    order = np.sort(face)
    neighbours = mesh.face_neighbours[order]
    place = np.minimum(np.searchsorted(order, neighbours), len(order) - 1)
    linked = (order[place] == neighbours) & (neighbours >= 0)
    here, _ = np.nonzero(linked)
    graph = coo_matrix(
        (np.ones(len(here), dtype=np.int8), (here, place[linked])), shape=(len(face), len(face))
    ).tocsr()
    far_end = breadth_first_order(graph, 0, directed=False, return_predecessors=False)[-1]
    nearest = breadth_first_order(graph, far_end, directed=False, return_predecessors=False)
    middle = len(face) // 2
    return order[np.sort(nearest[:middle])], order[np.sort(nearest[middle:])]
