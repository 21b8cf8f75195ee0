"""A scan laid on the cast: in the cast's coordinates, its outside out, and where it ends."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from blockout.cast.pieces import border_loops, one_sheet
from blockout.comparing.align import Fit, border_faces
from blockout.comparing.plan import Plan
from blockout.comparing.sampling import spread_over
from blockout.errors import KernelError
from blockout.kernel.rays import RayScene
from blockout.kernel.solids import Solid
from blockout.kernel.surfaces import Nearest, nearest_places
from blockout.mesh import Bools, Floats, Ints, Mesh, solidity

_INSIDE_MM: Final = 0.3
"""A face of the scan this deep inside the cast is no surface of it: a cut through it, or the wall
of a hollow."""
_REACH_MM: Final = 4.0
_ALONG: Final = 0.5
_FACING: Final = -0.2
_PLAIN: Final = 0.7
_STEP_MM: Final = 0.02
_OTHER_MM: Final = 0.25


@dataclass(frozen=True, eq=False)
class Laid:
    """A scan in the cast's coordinates.

    Parameters
    ----------
    name : str
    mesh : Mesh
        Its outside out.
    ends : (m,) bool
        Faces where the scan ends: at its open border, or inside the cast.
    fit : Fit
    solid : Solid or None
        As a solid; a scan without a base has walls along the path, down past the cast, and a
        floor there. None where it cannot be made one.
    unsolid : str
        Why not; empty for a solid.
    notes : tuple of str
    """

    name: str
    mesh: Mesh
    ends: Bools
    fit: Fit
    solid: Solid | None
    unsolid: str = ""
    notes: tuple[str, ...] = ()

    def nearest(self, points_mm: Floats) -> Nearest:
        """Exactly nearest places on it."""
        return nearest_places(self.mesh, points_mm)

    def off_mm(self, points_mm: Floats, normals: Floats) -> tuple[Floats, Bools]:
        """Signed distance from points (k, 3) of the plan to the scan, positive where the scan
        stands out, so that the points lie behind its surface; and where the scan has anything to
        say. ``normals`` (k, 3) are the plan's.

        It has nothing to say where the nearest place is at its end or more than 4 mm away, or
        lies aside and faces away.
        """
        near = self.nearest(points_mm)
        offset = near.points_mm - points_mm
        along = np.einsum("ij,ij->i", offset, normals)
        there = self.mesh.face_normals[near.face]
        facing = np.einsum("ij,ij->i", there, normals)
        behind = np.einsum("ij,ij->i", offset, there)
        shown = ~self.ends[near.face] & (near.distance_mm < _REACH_MM)
        shown &= (facing > _FACING) | (np.abs(along) > _ALONG * near.distance_mm)
        out = behind >= 0.0
        # nearest to a rim the surface there tells little: rays outward tell inside from outside
        aside = np.flatnonzero(
            (np.abs(behind) < _PLAIN * near.distance_mm) & (near.distance_mm > _STEP_MM)
        )
        out[aside] = self._holds(points_mm[aside] + _STEP_MM * normals[aside], normals[aside])
        return np.where(out, 1.0, -1.0) * near.distance_mm, shown

    def _holds(self, points_mm: Floats, toward: Floats) -> Bools:
        """(k,) whether points lie inside the scan: the first surface met is left, not entered."""
        hits = self.rays.first_hit(points_mm, toward)
        leaving = np.einsum("ij,ij->i", self.mesh.face_normals[hits.face], toward) > 0.0
        return np.asarray((hits.face >= 0) & leaving)

    @cached_property
    def rays(self) -> RayScene:
        """It, made ready for rays."""
        return RayScene(self.mesh)


def lay(scan: Mesh, plan: Plan, fit: Fit, *, name: str, notes: tuple[str, ...] = ()) -> Laid:
    """The scan in the pose of its fit."""
    moved = scan.reshaped(fit.pose.points(scan.vertices))
    moved, others = _of_the_cast(moved, plan)
    if others:
        notes = (*notes, f"{others} pieces that touch the cast nowhere were left out")
    free = plan.target.free
    samples = spread_over(free, 5000)
    near = nearest_places(moved, samples.points_mm)
    agree = np.einsum("ij,ij->i", samples.normals, moved.face_normals[near.face])
    if float(np.median(agree[near.distance_mm < 0.5])) < 0.0:
        moved = moved.reversed()
        notes = (*notes, "the scan's outside was turned in; it was turned out")
    depth = nearest_places(plan.cast.mesh, moved.vertices)
    inward = np.einsum(
        "ij,ij->i",
        moved.vertices - depth.points_mm,
        plan.cast.mesh.face_normals[depth.face],
    )
    deep = (depth.distance_mm > _INSIDE_MM) & (inward < 0.0)
    ends = deep[moved.faces].any(axis=1)
    touched = np.zeros(len(moved.vertices), dtype=bool)
    touched[moved.faces[ends].reshape(-1)] = True
    ends |= touched[moved.faces].any(axis=1)
    ends |= border_faces(moved)
    solid, unsolid = _solid(moved, plan)
    return Laid(name, moved, ends, fit, solid, unsolid, notes)


def _of_the_cast(mesh: Mesh, plan: Plan) -> tuple[Mesh, int]:
    """The mesh without pieces that come near the plan nowhere, and how many those were."""
    piece = mesh.face_components()
    count = int(piece.max()) + 1
    if count == 1:
        return mesh, 0
    least = np.full(count, np.inf)
    np.minimum.at(least, piece, nearest_places(plan.model, mesh.face_centres).distance_mm)
    other = least > _OTHER_MM
    # the wall of a hollow lies within the cast, and is part of it
    inside = nearest_places(plan.cast.mesh, mesh.face_centres)
    sign = np.einsum(
        "ij,ij->i",
        mesh.face_centres - inside.points_mm,
        plan.cast.mesh.face_normals[inside.face],
    )
    other &= np.bincount(piece, sign) > 0.0
    return (mesh.part(~other[piece]), int(other.sum())) if other.any() else (mesh, 0)


def _solid(mesh: Mesh, plan: Plan) -> tuple[Solid | None, str]:
    try:
        if solidity(mesh).closed:
            return Solid.from_mesh(mesh), ""
        direction = plan.path.direction
        lowest_mm = float((plan.cast.mesh.vertices @ direction).min()) - 5.0
        return Solid.from_mesh(_with_walls(mesh, direction, lowest_mm)), ""
    except KernelError as error:
        return None, error.measured or error.what
    except ValueError as error:
        return None, str(error)


def _with_walls(mesh: Mesh, direction: Floats, lowest_mm: float) -> Mesh:
    """Each open border led down along the path to one level, and closed there by a fan.

    Fans may cross each other or themselves: that happens below all that is measured.
    """
    sheet = mesh.part(one_sheet(mesh))
    loops = border_loops(sheet)
    points = [sheet.vertices]
    faces = [sheet.faces]
    count = len(sheet.vertices)
    for loop in loops:
        top = sheet.vertices[loop]
        height = top @ direction
        low = min(lowest_mm, float(height.min()) - 1.0)
        foot = top + np.outer(low - height, direction)
        here = count + np.arange(len(loop))
        middle = count + len(loop)
        after, next_here = np.roll(loop, -1), np.roll(here, -1)
        faces += _wall(loop, after, here, next_here, middle)
        points += [foot, foot.mean(axis=0, keepdims=True)]
        count += len(loop) + 1
    return Mesh(np.concatenate(points), np.concatenate(faces))


def _wall(loop: Ints, after: Ints, here: Ints, next_here: Ints, middle: int) -> list[Ints]:
    """Faces between a border that runs as its faces do and its foot, and the fan under it."""
    return [
        np.stack([after, loop, here], axis=1),
        np.stack([after, here, next_here], axis=1),
        np.stack([next_here, here, np.full(len(here), middle)], axis=1),
    ]
