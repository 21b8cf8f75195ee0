"""A closed cast from elsewhere: which of its surface is base, and where its floor lies."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.cast.bottom import FLAT_MM, FlatBottom, find_flat_bottom
from blockout.cast.frame import CastFrame
from blockout.errors import InputError
from blockout.mesh import Bools, Floats, Mesh, connected_faces

BOTTOM_TILT_DEG: Final = 20.0
"""A trimmed base stands this far from the occlusal plane at most."""
WALL_DEG: Final = 3.0
"""Faces within this of the cast's upright are wall, where they hang on the bottom."""
RISE_MM: Final = 2.0
"""Walls are base only if scanned surface rises this far over them: a plain box keeps its sides."""
_SAY_HEIGHT: Final = "if more of it is base, say how high with --base-height"


@dataclass(frozen=True, eq=False)
class RecognisedBase:
    """Base and floor of a closed cast.

    Parameters
    ----------
    scanned : (m,) bool
        Faces that are scanned surface; the others are base.
    floor_mm : float
        Height in the cast frame down to which wax goes. On a flat bottom square to the cast's
        upright, that bottom; on a tilted one its highest edge, so that wax cut level at the
        floor nowhere reaches below the cast. Without a flat bottom, the lowest point.
    notes : tuple of str
        What was found, in plain words.
    """

    scanned: Bools
    floor_mm: float
    notes: tuple[str, ...]


def recognise_base(
    mesh: Mesh, frame: CastFrame, *, base_height_mm: float | None = None
) -> RecognisedBase:
    """Tell base from scanned surface on a closed cast.

    The bottom is the widest plane the cast stands on, within 20 degrees of the occlusal plane:
    faces that lie in it within 0.1 mm and look away from the teeth. Its walls are the faces
    connected to it through faces within 3 degrees of the cast's upright or of square to the
    bottom. They are base where the rest of the surface rises at least 2 mm over their top;
    otherwise only the bottom is.

    Parameters
    ----------
    mesh : Mesh
        Closed, wound outward.
    frame : CastFrame
        Cast frame to file coordinates.
    base_height_mm : float, optional
        When given, every face wholly below this height over the bottom (or over the lowest
        point, where there is no flat bottom) is base instead.

    Raises
    ------
    InputError
        ``base_height_mm`` is not a height of at least 0, or leaves no scanned surface.
    """
    if base_height_mm is not None and not (0.0 <= base_height_mm < np.inf):
        raise InputError(
            "the height of the base is not a height",
            measured=f"{base_height_mm:g} mm, at least 0 needed",
            fix="Give --base-height in mm over the bottom.",
        )
    heights_mm = frame.points_to_cast(mesh.vertices)[:, 2]
    face_heights_mm = heights_mm[mesh.faces]
    bottom = find_flat_bottom(mesh, toward=-frame.up, within_deg=BOTTOM_TILT_DEG)
    under = "lowest point" if bottom is None else "bottom"
    if bottom is None:
        on_bottom = np.zeros(mesh.triangle_count, dtype=bool)
        floor_mm = float(face_heights_mm.min())
        notes: tuple[str, ...] = ("no flat bottom: the floor is the lowest point",)
    else:
        on_bottom = bottom.faces & (mesh.face_normals @ bottom.outward > 0.0)
        floor_mm, notes = _floor(frame, bottom, face_heights_mm)

    if base_height_mm is not None:
        over_mm = heights_mm - floor_mm
        if bottom is not None:
            over_mm = bottom.offset_mm - mesh.vertices @ bottom.outward
        base = on_bottom | (over_mm[mesh.faces] < base_height_mm).all(axis=1)
        notes += (f"all that lies below {base_height_mm:g} mm over the {under} is base, as stated",)
    elif bottom is not None:
        base, note = _with_walls(mesh, frame, bottom, on_bottom, face_heights_mm)
        notes += (note,)
    else:
        base = on_bottom
        notes += (f"nothing is taken as base; {_SAY_HEIGHT}",)
    if base.all():
        raise InputError(
            "no scanned surface is left above the base",
            measured="all faces lie in the base",
            fix="Give a smaller --base-height, or another --up.",
        )
    return RecognisedBase(scanned=~base, floor_mm=floor_mm, notes=notes)


def _floor(
    frame: CastFrame, bottom: FlatBottom, face_heights_mm: Floats
) -> tuple[float, tuple[str, ...]]:
    """Height of the floor, and what is said of the bottom."""
    on_plane_mm = face_heights_mm[bottom.faces]
    floor_mm = float(on_plane_mm.max())
    tilt_deg = float(np.degrees(np.arccos(np.clip(-bottom.outward @ frame.up, -1.0, 1.0))))
    note = f"flat bottom of {bottom.area_mm2:.0f} mm2"
    if floor_mm - float(on_plane_mm.min()) <= 2.0 * FLAT_MM:
        return floor_mm, (f"{note}, {-floor_mm:.2f} mm under the occlusal plane",)
    return floor_mm, (
        f"{note}, tilted by {tilt_deg:.1f} degrees against the occlusal plane: the floor is its "
        f"highest edge, {-floor_mm:.2f} mm under that plane and "
        f"{floor_mm - float(on_plane_mm.min()):.2f} mm over its lowest edge",
    )


def _with_walls(
    mesh: Mesh, frame: CastFrame, bottom: FlatBottom, on_bottom: Bools, face_heights_mm: Floats
) -> tuple[Bools, str]:
    """Bottom and walls, or the bottom alone where nothing rises over the walls."""
    lean = np.sin(np.radians(WALL_DEG))
    upright = np.abs(mesh.face_normals @ frame.up) <= lean
    upright |= np.abs(mesh.face_normals @ bottom.outward) <= lean
    may_be = upright | on_bottom
    neighbours = mesh.face_neighbours
    passable = (neighbours >= 0) & may_be[:, None] & may_be[neighbours]
    piece = connected_faces(np.where(passable, neighbours, -1))
    reached = np.zeros(int(piece.max()) + 1, dtype=bool)
    reached[piece[on_bottom]] = True
    base = may_be & reached[piece]
    walls = base & ~on_bottom
    if not walls.any():
        return on_bottom, f"only the bottom is base: no upright wall stands on it; {_SAY_HEIGHT}"
    top_mm = float(face_heights_mm[walls].max())
    rise_mm = float(face_heights_mm[~base].max()) - top_mm if not base.all() else -np.inf
    if rise_mm < RISE_MM:
        return on_bottom, (
            f"only the bottom is base: nothing rises {RISE_MM:g} mm over the upright walls on it; "
            f"{_SAY_HEIGHT}"
        )
    return base, (
        f"the upright walls on the bottom, up to {-top_mm:.2f} mm under the occlusal plane, are "
        "base"
    )
