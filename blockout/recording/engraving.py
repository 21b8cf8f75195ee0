"""Tripod marks engraved in the model.

A mark is cut along the path: its walls are parallel to it, so that no mark is an undercut, and its
bottom follows the slope of the surface, so that it is equally deep everywhere, measured along the
path. On an even surface of any slope it takes away, by closed form,

- a cross of two bars as long as the diameter D and a quarter as wide (w), depth h:
  ``(2 D w - w^2) h``;
- a dimple, a cone that comes to a point for a spindle's tip: ``pi D^2 h / 12``,

since leaning the body along the path (a shear) changes no volume.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from blockout.case.recording_settings import RecordingSettings
from blockout.cast.cast import Cast
from blockout.kernel.rays import RayScene
from blockout.kernel.solids import Solid
from blockout.mesh import Floats, Mesh
from blockout.recording.groove import Groove
from blockout.recording.tripod import STEEPEST_DEG, Tripod

BAR_SHARE: Final = 0.25
"""Width of a cross's bars as a share of its diameter."""
ROUND_SIDES: Final = 32
_CLEAR_MM: Final = 0.1
_AROUND: Final = 8


def mark_grooves(cast: Cast, tripod: Tripod, settings: RecordingSettings) -> tuple[Groove, ...]:
    """The three marks as bodies to be carved.

    Parameters
    ----------
    cast : Cast
    tripod : Tripod
        On that cast.
    settings : RecordingSettings
        Shape, diameter and depth of the marks.
    """
    scene = RayScene(cast.mesh)
    diameter_mm, depth_mm = settings.mark_diameter_mm, settings.mark_depth_mm
    grooves = []
    for number, (point, face) in enumerate(zip(tripod.marks_mm, tripod.face, strict=True), start=1):
        slope = _slope_at(cast, tripod.path.to_path, point, int(face), diameter_mm / 2.0)
        lid_mm = _lid_mm(scene, tripod.path.to_path, point, slope, diameter_mm / 2.0)
        if settings.mark_shape == "cross":
            upright = _cross(diameter_mm, depth_mm, lid_mm)
        else:
            upright = _cone(diameter_mm, depth_mm, lid_mm)
        grooves.append(
            Groove(
                name=f"tripod mark {number}",
                kind="mark",
                solid=upright.turned(_leaning(tripod.path.to_path, point, slope)),
                level_volume_mm3=_level_mm3(settings),
                deepest_mm=depth_mm,
            )
        )
    return tuple(grooves)


def _level_mm3(settings: RecordingSettings) -> float:
    diameter, depth = settings.mark_diameter_mm, settings.mark_depth_mm
    if settings.mark_shape == "cross":
        width = BAR_SHARE * diameter
        return (2.0 * diameter * width - width * width) * depth
    return float(np.pi * diameter * diameter * depth / 12.0)


def _slope_at(cast: Cast, to_path: Floats, point: Floats, face: int, radius_mm: float) -> Floats:
    """(2,) how much the surface rises along the path for each mm square to it, evened out over the
    mark.
    """
    mesh = cast.mesh
    near = cast.scanned & (np.abs(mesh.face_centres - point) <= radius_mm).all(axis=1)
    near &= np.linalg.norm(mesh.face_centres - point, axis=1) <= radius_mm
    near[face] = True
    total = (mesh.face_crosses[near] @ to_path.T).sum(axis=0)
    if total[2] < np.cos(np.radians(STEEPEST_DEG)) * np.linalg.norm(total):
        total = to_path @ mesh.face_normals[face]
    slope: Floats = -total[:2] / total[2]
    return slope


def _lid_mm(
    scene: RayScene, to_path: Floats, point: Floats, slope: Floats, radius_mm: float
) -> float:
    """How high over the leaning bottom plane the body must reach to stand out of the surface."""
    angle = np.arange(_AROUND) * (2.0 * np.pi / _AROUND)
    circle = np.column_stack([np.cos(angle), np.sin(angle)])
    flat = np.concatenate([radius_mm * circle, radius_mm / 2.0 * circle, np.zeros((1, 2))])
    above_mm = 2.0 * radius_mm
    local = np.column_stack([flat, flat @ slope + above_mm])
    hits = scene.first_hit(point + local @ to_path, -to_path[2])
    stands_mm = above_mm - hits.distance_mm.min()
    return float(max(stands_mm, 0.0)) + _CLEAR_MM


def _leaning(to_path: Floats, point: Floats, slope: Floats) -> Floats:
    """(4, 4) from a mark's own frame, path along z, to file coordinates: a shear and a turn."""
    shear = np.eye(3)
    shear[2, :2] = slope
    matrix = np.eye(4)
    matrix[:3, :3] = to_path.T @ shear
    matrix[:3, 3] = point
    return matrix


def _cross(diameter_mm: float, depth_mm: float, lid_mm: float) -> Solid:
    a, b = diameter_mm / 2.0, BAR_SHARE * diameter_mm / 2.0
    quarter = np.array([[a, -b], [a, b], [b, b]])
    turn = np.array([[0.0, -1.0], [1.0, 0.0]])
    turns = [np.linalg.matrix_power(turn, k) for k in range(4)]
    outline = np.concatenate([quarter @ one.T for one in turns])
    return Solid.column(outline, low_mm=-depth_mm, high_mm=lid_mm)


def _cone(diameter_mm: float, depth_mm: float, lid_mm: float) -> Solid:
    """A point below, a round rim at the surface, and straight walls from there to the lid. The
    polygon is as large as the circle.
    """
    count = ROUND_SIDES
    around = 2.0 * np.pi / count
    radius_mm = diameter_mm / 2.0 * float(np.sqrt(around / np.sin(around)))
    angle = around * np.arange(count)
    circle = radius_mm * np.column_stack([np.cos(angle), np.sin(angle)])
    rim = np.column_stack([circle, np.zeros(count)])
    lid = np.column_stack([circle, np.full(count, lid_mm)])
    here, after = np.arange(count), np.roll(np.arange(count), -1)
    tip, top = 2 * count, 2 * count + 1
    faces = np.concatenate(
        [
            np.stack([np.full(count, tip), after, here], axis=1),
            np.stack([here, after, count + after], axis=1),
            np.stack([here, count + after, count + here], axis=1),
            np.stack([np.full(count, top), count + here, count + after], axis=1),
        ]
    )
    ends = np.array([[0.0, 0.0, -depth_mm], [0.0, 0.0, lid_mm]])
    return Solid.from_mesh(Mesh(np.concatenate([rim, lid, ends]), faces))
