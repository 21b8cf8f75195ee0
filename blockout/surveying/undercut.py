"""The undercut region as a solid: what lies under scanned surface and outside the cast."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix

from blockout.kernel.solids import Solid, filled_triangles
from blockout.mesh import Bools, Floats, Ints, Mesh
from blockout.surveying.ceilings import unfolded, uppermost
from blockout.surveying.folds import Cells, widths_mm
from blockout.surveying.patches import Ceilings, border_loops, patch_surface, seen_along
from blockout.tolerances import TOLERANCES, Tolerances

_UP = np.array([0.0, 0.0, 1.0])


def pulled_down(
    upright: Mesh, ceilings: Ceilings, *, floor_mm: float, tolerances: Tolerances = TOLERANCES
) -> Solid:
    """All patches of ceiling, each pulled down along the path to the floor, joined.

    Inside their rims the ceilings are raised by ``tolerances.ceiling_lift_mm`` into the cast, so
    that the result overlaps the cast where it meets it; cutting the cast off removes that film
    again.

    Parameters
    ----------
    upright : Mesh
        The cast with the path along +z, and level where its floor is.
    ceilings : Ceilings
    floor_mm : float
        Height of the floor.
    """
    if not ceilings.patch_count:
        return Solid.empty()
    roofs = uppermost(upright, ceilings, _UP)
    roofs = unfolded(upright, roofs, _UP, tolerances=tolerances)
    lowest_mm = float(upright.vertices[upright.faces[roofs.face], 2].min())
    over_floor = lowest_mm > floor_mm + tolerances.ceiling_lift_mm
    hung = _Hung(
        mesh=upright,
        flat=seen_along(upright, _UP),
        lift_mm=np.where(_outer_rim(upright), 0.0, tolerances.ceiling_lift_mm),
        ground_mm=floor_mm if over_floor else min(lowest_mm, floor_mm) - 1.0,
        peak_mm=tolerances.ceiling_lift_mm,
    )
    layers = _layers_apart(hung.flat[upright.faces[roofs.face]], roofs.patch, roofs.patch_count)
    solids = [
        solid
        for layer in range(int(layers.max()) + 1)
        for solid in _taken_whole(hung, roofs.without(layers != layer), tolerances)
    ]
    pulled = Solid.union(solids)
    return pulled if over_floor else pulled.above_plane(_UP, floor_mm)


@dataclass(frozen=True, eq=False)
class _Hung:
    """What prisms under the faces of one cast are made of; lift for every vertex (n,)."""

    mesh: Mesh
    flat: Floats
    lift_mm: Floats
    ground_mm: float
    peak_mm: float


def _taken_whole(hung: _Hung, group: Ceilings, tolerances: Tolerances) -> list[Solid]:
    """The prisms under a group of ceilings, as solids that the kernel has taken as they are.

    The kernel bends needles straight, which may take away more than a needle's worth. Where the
    volume shows that it did, the group is halved until it does not: a needle that lies across two
    prisms is none in either.
    """
    prisms = _prisms(hung, group)
    solid = Solid.from_mesh(prisms)
    off_mm3 = abs(solid.volume_mm3 - prisms.volume_mm3)
    if off_mm3 <= tolerances.kernel_relative * prisms.volume_mm3 or len(group.face) == 1:
        return [solid]
    if group.patch_count > 1:
        second = np.arange(group.patch_count) >= group.patch_count // 2
    else:
        middle = hung.flat[hung.mesh.faces[group.face]].mean(axis=1)
        order = np.argsort(middle[:, np.ptp(middle, axis=0).argmax()], kind="stable")
        far = np.zeros(len(order), dtype=np.int64)
        far[order[len(order) // 2 :]] = 1
        group = Ceilings(face=group.face, patch=far)
        second = np.array([False, True])
    return [
        *_taken_whole(hung, group.without(second), tolerances),
        *_taken_whole(hung, group.without(~second), tolerances),
    ]


def _prisms(hung: _Hung, ceilings: Ceilings) -> Mesh:
    """Closed prisms side by side in one mesh."""
    sheets, vertex = patch_surface(hung.mesh, ceilings)
    size, count = sheets.triangle_count, len(sheets.vertices)
    corner = sheets.faces
    lift_mm = hung.lift_mm[vertex]
    top = sheets.vertices + lift_mm[:, None] * _UP
    bottom = np.column_stack([sheets.vertices[:, :2], np.full(count, hung.ground_mm)])
    border = np.flatnonzero(sheets.twin_halfedges < 0)
    edge, at = border // size, border % size
    a, b = corner[at, edge], corner[at, (edge + 1) % 3]
    walls = [np.stack([a, b, b + count], axis=1), np.stack([a, b + count, a + count], axis=1)]
    # a face that has only rim vertices would touch its ceiling all over: its middle is raised
    level = (lift_mm[corner] == 0.0).all(axis=1)
    peak = sheets.face_centres[level] + hung.peak_mm * _UP
    at_peak = 2 * count + np.arange(len(peak))
    sides = [np.stack([corner[level, (k + 1) % 3], corner[level, k], at_peak], 1) for k in range(3)]
    floors = _floors(sheets, ceilings.patch, hung.flat[vertex]) + count
    return Mesh(
        np.concatenate([top, bottom, peak]),
        np.concatenate([corner[~level, ::-1], *sides, *walls, floors]),
    )


def _floors(sheets: Mesh, patch: Ints, flat: Floats) -> Ints:
    """Faces of the prisms' flat lower ends, seen from below. They span the border alone: what lies
    between is cut away with the floor anyway.
    """
    loops: list[list[Ints]] = [[] for _ in range(int(patch.max()) + 1)]
    for loop, owner in border_loops(sheets, patch):
        loops[owner].append(loop)
    faces = []
    for own in loops:
        vertices = np.concatenate(own)
        # from below, left and right change places
        faces.append(vertices[filled_triangles([flat[loop][:, ::-1] for loop in own])])
    return np.concatenate(faces)


def _outer_rim(mesh: Mesh) -> Bools:
    """(n,) vertices of outward edges at which a ceiling ends: the height of contour.

    They stay where they are: raised, they would stand out above the survey line. At an inward
    edge, such as the neck of a tooth, the cast lies over the ceiling's end as well.
    """
    down = mesh.face_crosses[:, 2] < 0.0
    neighbours = mesh.face_neighbours
    rim = np.zeros(len(mesh.vertices), dtype=bool)
    for k in range(3):
        face = np.flatnonzero(down & ~down[neighbours[:, k]])
        across = mesh.face_centres[neighbours[face, k]] - mesh.face_centres[face]
        outward = np.einsum("ij,ij->i", across, mesh.face_normals[face]) < 0.0
        rim[mesh.faces[face[outward]][:, [k, (k + 1) % 3]].reshape(-1)] = True
    return rim


def _layers_apart(sheets_flat: Floats, patch: Ints, patch_count: int) -> Ints:
    """(patch_count,) a layer for each patch, such that patches of one layer are apart.

    Bodies that are apart can be handed to the kernel as one; so thousands of joins become a few.
    Patches are apart as seen along the path where no small cell is touched by both. Greedy, large
    patches first.

    Parameters
    ----------
    sheets_flat : (k, 3, 2)
        Corners of each face.
    patch : (k,)
    """
    spread_mm = float(np.median(widths_mm(sheets_flat)))
    cells = Cells.over(sheets_flat.reshape(-1, 2), max(spread_mm, 1e-3))
    row, cell = cells.touched(sheets_flat, np.zeros_like(patch), spare=0)
    pair = np.unique(cell * np.int64(patch_count) + patch[row])
    cell, owner = pair // patch_count, pair % patch_count
    start = np.flatnonzero(np.r_[True, cell[1:] != cell[:-1]])
    meeting = csr_matrix(
        (
            np.ones(len(owner), dtype=np.int32),
            (owner, np.repeat(np.arange(len(start)), np.diff(np.r_[start, len(cell)]))),
        ),
        shape=(patch_count, len(start)),
    )
    meets = csr_matrix(meeting @ meeting.T)
    layer = np.full(patch_count, -1, dtype=np.int64)
    for one in np.argsort(-np.bincount(patch, minlength=patch_count), kind="stable"):
        others = layer[meets.indices[meets.indptr[one] : meets.indptr[one + 1]]]
        taken = set(others.tolist())
        layer[one] = next(number for number in range(patch_count) if number not in taken)
    return layer
