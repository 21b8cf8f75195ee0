"""Patches of a surface: faces in groups, and the sheets they make."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blockout.mesh import Bools, Floats, Ints, Mesh


@dataclass(frozen=True, eq=False)
class Ceilings:
    """Down-facing scanned faces of one cast along one path.

    Parameters
    ----------
    face : (k,) int
        Faces of the cast's mesh.
    patch : (k,) int
        Patch of each, numbered from 0.
    """

    face: Ints
    patch: Ints

    @property
    def patch_count(self) -> int:
        return int(self.patch.max()) + 1 if len(self.patch) else 0

    def without(self, dropped: Bools) -> Ceilings:
        """Without the patches where ``dropped`` (patch_count,) holds."""
        kept = ~dropped[self.patch]
        renumber = np.cumsum(~dropped) - 1
        return Ceilings(face=self.face[kept], patch=renumber[self.patch[kept]])


def patch_surface(mesh: Mesh, ceilings: Ceilings) -> tuple[Mesh, Ints]:
    """The patches as sheets that share no vertex with each other nor, where a patch only touches
    itself, with themselves; and the vertex of ``mesh`` that each of their vertices copies. Faces
    hang together as they do in ``mesh``.
    """
    faces = mesh.faces[ceilings.face]
    twins = _twins_within(mesh, ceilings)
    return Mesh.hung_together(mesh.vertices, faces, twins).fans_apart()


def _twins_within(mesh: Mesh, ceilings: Ceilings) -> Ints:
    """(3 k,) the twin of each halfedge of the ceilings' faces, -1 where it is of another patch."""
    size = len(ceilings.face)
    place = np.full(mesh.triangle_count, -1, dtype=np.int64)
    place[ceilings.face] = np.arange(size)
    twins = np.full(3 * size, -1, dtype=np.int64)
    for k in range(3):
        twin = mesh.twin_halfedges[k * mesh.triangle_count + ceilings.face]
        row = np.where(twin >= 0, place[twin % mesh.triangle_count], -1)
        known = np.flatnonzero((row >= 0) & (ceilings.patch[row] == ceilings.patch))
        twins[k * size + known] = twin[known] // mesh.triangle_count * size + row[known]
    return twins


def border_loops(sheets: Mesh, patch: Ints) -> list[tuple[Ints, int]]:
    """Closed border loops as vertex numbers, each with its patch."""
    size = sheets.triangle_count
    border = np.flatnonzero(sheets.twin_halfedges < 0)
    start, end = sheets.halfedges[border].T
    leaving = np.full(len(sheets.vertices), -1, dtype=np.int64)
    leaving[start] = np.arange(len(border))
    following = leaving[end].tolist()
    vertex = start.tolist()
    patch_of = patch[border % size].tolist()
    loops: list[tuple[Ints, int]] = []
    seen = [False] * len(border)
    for first in range(len(border)):
        loop: list[int] = []
        at = first
        while not seen[at]:
            seen[at] = True
            loop.append(vertex[at])
            at = following[at]
        if loop:
            loops.append((np.array(loop), patch_of[first]))
    return loops


def seen_along(mesh: Mesh, direction: Floats) -> Floats:
    """(n, 2) coordinates of the vertices square to the path, as seen against it: anticlockwise here
    is anticlockwise for someone the path points at.
    """
    least = np.eye(3)[int(np.argmin(np.abs(direction)))]
    x = np.cross(direction, least)
    x /= np.linalg.norm(x)
    flat: Floats = (mesh.vertices - mesh.centre) @ np.stack([x, np.cross(direction, x)], axis=1)
    return flat
