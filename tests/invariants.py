"""What must hold for every cast, path and wax, as named checks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import igl
import numpy as np
from bodies import cast_of, worked
from exact_booleans import exact

from blockout.cast.cast import Cast
from blockout.kernel.rays import RayScene
from blockout.kernel.solids import Solid
from blockout.mesh import Bools, Floats, Mesh, joined, solidity
from blockout.model.build import Model
from blockout.tolerances import TOLERANCES

FILM_MM = 0.0011
"""Wax may lie this far over the survey line: ceilings are raised by 1 um into the cast."""
WALL_DEG = 0.01


def assert_solid(mesh: Mesh) -> None:
    """Closed, oriented, free of pinches, positive."""
    assert solidity(mesh).reasons() == ()


def assert_within(value: Floats | float, expected: Floats | float, band: Floats | float) -> None:
    """Every value is no further than ``band`` from what is expected."""
    off = np.abs(np.asarray(value) - np.asarray(expected))
    worst = int(np.argmax(off - band))
    assert (off <= band).all(), (
        f"{np.ravel(value)[worst] if np.ndim(value) else value} against "
        f"{np.ravel(expected)[worst] if np.ndim(expected) else expected}: off by "
        f"{off.max():.3g}, allowed {np.max(band):.3g}"
    )


def assert_contains(outer: Mesh, inner: Mesh, *, slack_mm3: float) -> None:
    """Nothing of ``inner`` lies outside of ``outer``, but for ``slack_mm3``."""
    outside_mm3 = volume_of_mm3("minus", inner, outer)
    assert outside_mm3 <= slack_mm3, f"{outside_mm3:.3g} mm3 outside, allowed {slack_mm3:.3g}"


def assert_apart(one: Mesh, other: Mesh, *, slack_mm3: float) -> None:
    """The two share no space, but for ``slack_mm3``."""
    shared_mm3 = volume_of_mm3("intersect", one, other)
    assert shared_mm3 <= slack_mm3, f"{shared_mm3:.3g} mm3 shared, allowed {slack_mm3:.3g}"


def volume_of_mm3(operation: Literal["minus", "intersect"], one: Mesh, other: Mesh) -> float:
    """Volume of a boolean of two closed meshes, by the boolean kernel where it takes both as they
    are. Where it bends needles of one straight, so that the volume taken is another, by libigl's
    exact boolean, if the installed libigl has it; it is slow.
    """
    taken = [Solid.from_mesh(mesh) for mesh in (one, other)]
    if exact is not None and not all(map(took_whole, (one, other), taken)):
        return exact(operation, one, other).volume_mm3
    first, second = taken
    return (first - second if operation == "minus" else first ^ second).volume_mm3


def joined_mm3(meshes: Sequence[Mesh]) -> float:
    """Volume of the union of closed meshes, judged in the same way."""
    taken = [Solid.from_mesh(mesh) for mesh in meshes]
    if exact is not None and not all(map(took_whole, meshes, taken)):
        return exact("union", joined(meshes)).volume_mm3
    return Solid.union(taken).volume_mm3


def took_whole(mesh: Mesh, taken: Solid) -> bool:
    """Whether the kernel holds the volume that the mesh has."""
    off_mm3 = abs(taken.volume_mm3 - mesh.volume_mm3)
    return off_mm3 <= TOLERANCES.kernel_relative * (mesh.volume_mm3 + 1.0)


def distance_to_mm(mesh: Mesh, points_mm: Floats) -> Floats:
    """(k,) distance from points to a surface, by libigl."""
    squared, _, _ = igl.point_mesh_squared_distance(
        np.ascontiguousarray(points_mm), np.array(mesh.vertices), np.array(mesh.faces)
    )
    return np.sqrt(np.asarray(squared, dtype=np.float64))


def wall_faces(wax: Mesh, cast: Cast, *, floor_mm: float | None = None) -> Bools:
    """(m,) faces of the wax that lie neither on the cast nor on the floor.

    Two faces back to back on the same three places are a fin without thickness, left by the
    kernel where wax thins out to nothing: no wall. Nor is a needle thinner than a nanometre, whose
    normal is rounding.
    """
    floor_mm = cast.floor_mm if floor_mm is None else floor_mm
    off_mm = distance_to_mm(cast.mesh, wax.vertices)
    middle_mm = distance_to_mm(cast.mesh, wax.face_centres)
    on_cast = (off_mm[wax.faces] < FILM_MM).all(axis=1) & (middle_mm < FILM_MM)
    height = cast.frame.points_to_cast(wax.vertices)[:, 2]
    # where sheets touched, vertices were moved by a few steps of single precision
    on_floor = (np.abs(height - floor_mm)[wax.faces] < 2e-5).all(axis=1)
    places = np.unique(np.round(wax.vertices, 6), axis=0, return_inverse=True)[1].reshape(-1)
    _, same, count = np.unique(
        np.sort(places[wax.faces], axis=1), axis=0, return_inverse=True, return_counts=True
    )
    fin = count[same.reshape(-1)] > 1
    longest_mm = np.linalg.norm(wax.corners - np.roll(wax.corners, 1, axis=1), axis=2).max(axis=1)
    needle = 2.0 * wax.face_areas_mm2 < 1e-6 * longest_mm
    return ~on_cast & ~on_floor & ~fin & ~needle


def assert_walls_parallel(
    wax: Mesh, cast: Cast, direction: Floats, *, floor_mm: float | None = None
) -> None:
    """All that is neither on the cast nor on the floor is a wall, and stands along the path."""
    wall = wall_faces(wax, cast, floor_mm=floor_mm)
    assert wax.face_areas_mm2[wall].sum() > 0.0
    lean_deg = np.degrees(np.arcsin(np.clip(np.abs(wax.face_normals[wall] @ direction), 0.0, 1.0)))
    assert lean_deg.max() <= WALL_DEG, f"a wall leans by {lean_deg.max():.4f} degrees"


def assert_under_cast(wax: Mesh, cast: Cast, direction: Floats) -> None:
    """From just inside the wax, under each of its faces, scanned surface is overhead: no wax sees
    the sky. Faces too thin to step inside of, such as those of the film, are left out, and wax
    thinner than the step.
    """
    step_mm = 0.002
    girth_mm = np.linalg.norm(wax.corners - np.roll(wax.corners, 1, axis=1), axis=2).sum(axis=1)
    big = 2.0 * wax.face_areas_mm2 > 0.005 * girth_mm
    inside = wax.face_centres[big] - step_mm * wax.face_normals[big]
    turns = igl.winding_number(np.array(wax.vertices), np.array(wax.faces), inside)
    inside = inside[turns > 0.5]
    assert len(inside) > 0.6 * big.sum()
    scene = RayScene(cast.mesh.part(cast.scanned))
    covered = scene.blocked(inside, direction)
    assert covered.all(), f"{int((~covered).sum())} of {len(covered)} places see the sky"


def assert_no_undercut(
    model: Model, cast: Cast, *, tilt_deg: tuple[float, float], wax_mm3: float
) -> None:
    """Surveyed again along the same path, the model has no depth above tolerance, and blocking it
    out again adds next to nothing.
    """
    again = cast_of(
        model.mesh,
        scanned=scanned_again(model.mesh, cast),
        floor_mm=cast.floor_mm,
        arch=cast.arch,
        matrix=np.array(cast.frame.matrix),
    )
    twice = worked(again, tilt_deg=tilt_deg)
    assert twice.survey.max_depth_mm <= 0.002
    assert twice.volume_mm3 <= 1e-4 * wax_mm3


def scanned_again(model: Mesh, cast: Cast) -> Bools:
    """(m,) faces of a model that do not lie on the cast's base nor on its floor."""
    height = cast.frame.points_to_cast(model.vertices)[:, 2]
    kept = ~(np.abs(height - cast.floor_mm)[model.faces] < 2e-5).all(axis=1)
    if not cast.scanned.all():
        base = cast.mesh.part(~cast.scanned)
        on_base = distance_to_mm(base, model.face_centres) < 2e-5
        kept &= ~on_base
    return kept
