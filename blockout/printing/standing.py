"""The model as it stands on the printer: base flat at z = 0, scaled, turned; whether it fits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.spatial import ConvexHull

from blockout.cast.bottom import find_flat_bottom
from blockout.cast.change import place_of
from blockout.cast.frame import CastFrame
from blockout.errors import DefectError, InputError
from blockout.kernel.solids import Solid
from blockout.mesh import Floats, Mesh
from blockout.tolerances import TOLERANCES, Tolerances

LEVEL_MM: Final = 0.002
"""A base that is level to within this is not trimmed: far under a layer of a print."""
MOST_TRIMMED_MM: Final = 3.0
"""Ours: more than this is no trimming of a base, but another base."""
_LEAN_DEG: Final = 20.0
_STEP_DEG: Final = 1.0


@dataclass(frozen=True, eq=False)
class Standing:
    """A model on its base.

    Parameters
    ----------
    mesh : Mesh
        Base at z = 0, front along +y, mm.
    matrix : (4, 4) float
        Rigid, from the scan's coordinates to these.
    trimmed_mm : float
        Height of what was cut off under the base; 0 where it was level.
    trimmed_mm3 : float
    """

    mesh: Mesh
    matrix: Floats
    trimmed_mm: float
    trimmed_mm3: float


def stood_on_base(
    model: Mesh, frame: CastFrame, *, tolerances: Tolerances = TOLERANCES
) -> Standing:
    """Turn a model from the scan's coordinates into the cast frame, base down at z = 0.

    A base that is not level is cut level just above its highest point.

    Raises
    ------
    DefectError
        There is no flat base under the model, or levelling it would cut away more than 3 mm.
    KernelError
    """
    lying = Mesh(frame.points_to_cast(model.vertices), model.faces)
    bottom = find_flat_bottom(lying, toward=np.array([0.0, 0.0, -1.0]), within_deg=_LEAN_DEG)
    if bottom is None:
        raise DefectError(
            "the model has no flat base to stand on",
            measured=f"nothing flat within {_LEAN_DEG:g} degrees of its underside",
            fix="Pour a base with `blockout prepare` and build it again.",
        )
    base_z = lying.vertices[np.unique(lying.faces[bottom.faces]), 2]
    low_mm = float(lying.bounds_mm[0, 2])
    high_mm = float(base_z.max())
    trimmed_mm = high_mm - low_mm
    if trimmed_mm > MOST_TRIMMED_MM:
        highest = lying.vertices[np.unique(lying.faces[bottom.faces])][base_z.argmax()]
        raise DefectError(
            "the base is too far from level to be trimmed flat",
            measured=f"{trimmed_mm:.2f} mm would be cut off, allowed {MOST_TRIMMED_MM:g}",
            places_mm=[place_of(frame.points_to_file(highest))],
            fix="Pour a level base with `blockout prepare` and build it again.",
        )
    level = low_mm if trimmed_mm <= LEVEL_MM else high_mm
    cut_mm3 = 0.0
    if trimmed_mm > LEVEL_MM:
        kept = Solid.from_mesh(lying).above_plane(np.array([0.0, 0.0, 1.0]), level).mesh()
        cut_mm3 = lying.volume_mm3 - kept.volume_mm3
        lying = kept
    else:
        trimmed_mm = 0.0
    matrix = np.eye(4)
    matrix[:3, :3] = frame.matrix[:3, :3].T
    matrix[:3, 3] = -frame.matrix[:3, :3].T @ frame.matrix[:3, 3] - [0.0, 0.0, level]
    heights = lying.vertices[:, 2] - level
    # what lies in the plane of the base lies in it exactly: a turned coordinate is rounded
    heights = np.where(np.abs(heights) <= tolerances.level_floor_mm, 0.0, heights)
    stood = np.column_stack([lying.vertices[:, :2], heights])
    return Standing(lying.reshaped(stood), matrix, trimmed_mm, cut_mm3)


def scaled_and_turned(mesh: Mesh, *, scale: tuple[float, float, float], turn_deg: float) -> Mesh:
    """Scaled along x, y and z about the origin, then turned about z; nothing moves for 1 and 0."""
    points = mesh.vertices
    if scale != (1.0, 1.0, 1.0):
        points = points * np.array(scale)
    if turn_deg:
        points = points @ _turn(turn_deg).T
    return mesh if points is mesh.vertices else mesh.reshaped(points)


def check_build_volume(
    mesh: Mesh, build_volume_mm: tuple[float, float, float], *, turned_deg: float = 0.0
) -> None:
    """Refuse a model that does not fit as it stands.

    Parameters
    ----------
    mesh : Mesh
        As it is to be printed, mm.
    build_volume_mm : (width, depth, height)
    turned_deg : float
        By how much it has been turned already, so that the turn told is that of the option.

    Raises
    ------
    InputError
        It does not fit; the message names a turn about z by which it would, where there is one.
    """
    size = mesh.bounds_mm[1] - mesh.bounds_mm[0]
    room = np.array(build_volume_mm)
    if (size <= room).all():
        return
    measured = (
        f"{size[0]:.1f} x {size[1]:.1f} x {size[2]:.1f} mm, "
        f"allowed {room[0]:g} x {room[1]:g} x {room[2]:g}"
    )
    turn_deg = fitting_turn_deg(mesh, build_volume_mm)
    if turn_deg is None:
        raise InputError(
            "the model does not fit the build volume, however it is turned about z",
            measured=measured,
            fix="Use a larger printer, or mend --build-volume.",
        )
    whole = (turned_deg + turn_deg) % 360.0
    raise InputError(
        "the model does not fit the build volume as it stands",
        measured=measured,
        fix=f"Turned about z by {whole:g} degrees it fits: write --turn {whole:g}.",
    )


def fitting_turn_deg(mesh: Mesh, build_volume_mm: tuple[float, float, float]) -> float | None:
    """The whole angle about z, 0 up to 180 degrees, by which the model fits with most to spare;
    None where it fits by no whole angle.

    >>> rod = Mesh([[0, 0, 0], [30, 0, 0], [30, 1, 0], [0, 0, 2]], [[0, 2, 1], [0, 1, 3], \
[1, 2, 3], [2, 0, 3]])
    >>> fitting_turn_deg(rod, (25.0, 25.0, 3.0)), fitting_turn_deg(rod, (20.0, 20.0, 3.0))
    (134.0, None)
    """
    room = np.array(build_volume_mm)
    if mesh.bounds_mm[1, 2] - mesh.bounds_mm[0, 2] > room[2]:
        return None
    flat = mesh.vertices[np.unique(mesh.faces)][:, :2]
    outline = flat[ConvexHull(flat).vertices]
    angles = np.arange(0.0, 180.0, _STEP_DEG)
    spare = []
    for angle in angles:
        points = outline @ _turn(angle)[:2, :2].T
        spare.append(float((room[:2] - np.ptp(points, axis=0)).min()))
    best = int(np.argmax(spare))
    return float(angles[best]) if spare[best] >= 0.0 else None


def _turn(angle_deg: float) -> Floats:
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
