"""The undercut region as a solid: what lies under scanned surface and outside the cast."""

from __future__ import annotations

import numpy as np
from scipy.sparse import csr_matrix

from blockout.kernel.solids import Solid, filled_triangles
from blockout.mesh import Bools, Floats, Ints, Mesh
from blockout.surveying.ceilings import unfolded, uppermost
from blockout.surveying.folds import Cells
from blockout.surveying.patches import Ceilings, border_loops, patch_surface, seen_along
from blockout.tolerances import TOLERANCES, Tolerances


def pulled_down(
    mesh: Mesh,
    ceilings: Ceilings,
    direction: Floats,
    *,
    up: Floats,
    floor_offset_mm: float,
    tolerances: Tolerances = TOLERANCES,
) -> Solid:
    """All patches of ceiling, each pulled down along the path to the floor, joined.

    The walls are parallel to the path to the rounding of a vertex. Inside their rims the ceilings
    are raised by ``tolerances.ceiling_lift_mm`` into the cast, so that the result overlaps the
    cast where it meets it; cutting the cast off removes that film again.

    Parameters
    ----------
    up : (3,)
        Occlusal direction, file coordinates; the floor is square to it.
    floor_offset_mm : float
        ``up . p`` on the floor.
    """
    if not ceilings.patch_count:
        return Solid.empty()
    roofs = uppermost(mesh, ceilings, direction)
    roofs = unfolded(mesh, roofs, direction, tolerances=tolerances)
    height = mesh.vertices @ direction
    ground_mm = ground_height_mm(mesh, ceilings, direction, up=up, floor_offset_mm=floor_offset_mm)
    prisms, patch_of_face = _prisms(mesh, roofs, direction, height, ground_mm, tolerances)
    flat = seen_along(mesh, direction)
    layers = _layers_apart(flat[mesh.faces[roofs.face]], roofs.patch, roofs.patch_count)
    pulled = Solid.union(
        Solid.from_mesh(prisms.part(layers[patch_of_face] == layer))
        for layer in range(int(layers.max()) + 1)
    )
    return pulled.above_plane(up, floor_offset_mm)


def ground_height_mm(
    mesh: Mesh,
    ceilings: Ceilings,
    direction: Floats,
    *,
    up: Floats,
    floor_offset_mm: float,
    taper_deg: float = 0.0,
) -> float:
    """Height along the path that is under the cast and under the floor wherever wax may reach.

    Along a tilted path the floor falls away to one side: it is met from each ceiling. A tapered
    wall reaches further out by tan(taper) of its drop, where the floor is lower by tan(tilt) of
    that.
    """
    points = mesh.vertices[mesh.faces[ceilings.face]].reshape(-1, 3)
    height = points @ direction
    rise = float(up @ direction)
    tilt_slope = float(np.sqrt(max(1.0 - rise * rise, 0.0))) / rise
    drop_mm = (points @ up - floor_offset_mm) / rise
    drop_mm = drop_mm / (1.0 - np.tan(np.radians(taper_deg)) * tilt_slope)
    lowest_mm = min(float((height - drop_mm).min()), float((mesh.vertices @ direction).min()))
    return lowest_mm - 1.0


def _prisms(
    mesh: Mesh,
    ceilings: Ceilings,
    direction: Floats,
    height: Floats,
    ground_mm: float,
    tolerances: Tolerances,
) -> tuple[Mesh, Ints]:
    """Closed prisms side by side in one mesh, and the patch of each face."""
    sheets, vertex = patch_surface(mesh, ceilings)
    size, count = sheets.triangle_count, len(sheets.vertices)
    corner = sheets.faces
    lift_mm = np.where(_rim(mesh, direction)[vertex], 0.0, tolerances.ceiling_lift_mm)
    top = sheets.vertices + lift_mm[:, None] * direction
    drop_mm = height[vertex] - ground_mm
    bottom = sheets.vertices - drop_mm[:, None] * direction
    border = np.flatnonzero(sheets.twin_halfedges < 0)
    edge, at = border // size, border % size
    a, b = corner[at, edge], corner[at, (edge + 1) % 3]
    walls = [np.stack([a, b, b + count], axis=1), np.stack([a, b + count, a + count], axis=1)]
    patch = ceilings.patch
    floors, floor_patch = _floors(sheets, patch, seen_along(mesh, direction)[vertex])
    prisms = Mesh(
        np.concatenate([top, bottom]), np.concatenate([corner[:, ::-1], *walls, floors + count])
    )
    return prisms, np.concatenate([patch, patch[at], patch[at], floor_patch])


def _floors(sheets: Mesh, patch: Ints, flat: Floats) -> tuple[Ints, Ints]:
    """Faces of the prisms' flat lower ends, seen from below, and the patch of each. They span the
    border alone: what lies between is cut away with the floor anyway.
    """
    loops: list[list[Ints]] = [[] for _ in range(int(patch.max()) + 1)]
    for loop, owner in border_loops(sheets, patch):
        loops[owner].append(loop)
    faces, owners = [], []
    for owner, own in enumerate(loops):
        vertices = np.concatenate(own)
        # from below, left and right change places
        triangles = vertices[filled_triangles([flat[loop][:, ::-1] for loop in own])]
        faces.append(triangles)
        owners.append(np.full(len(triangles), owner, dtype=np.int64))
    return np.concatenate(faces), np.concatenate(owners)


def _rim(mesh: Mesh, direction: Floats) -> Bools:
    """(n,) vertices with a face that does not look down.

    They stay where they are: raised, they would stand out above the survey line.
    """
    rim = np.zeros(len(mesh.vertices), dtype=bool)
    rim[mesh.faces[mesh.face_crosses @ direction >= 0.0].reshape(-1)] = True
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
    spread_mm = np.ptp(sheets_flat, axis=1).max(axis=1)
    cells = Cells.over(sheets_flat.reshape(-1, 2), max(float(np.median(spread_mm)), 1e-3))
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
