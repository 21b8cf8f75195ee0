"""What a blocked-out model keeps of undercut, against the wall of the mould it is copied in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from scipy.spatial import cKDTree

from blockout.arms.arm import Arm
from blockout.cast.cast import Cast
from blockout.cast.change import place_of
from blockout.check.warnings import TradeWarning
from blockout.errors import Place
from blockout.kernel.surfaces import nearest_places
from blockout.mesh import Bools, Floats, Ints, Mesh
from blockout.surveying.depth import Overhead, undercut_depth_mm
from blockout.surveying.path import InsertionPath
from blockout.tolerances import TOLERANCES, Tolerances

WALL_TIMES: Final = 5.0
"""Published: a mould's wall is at least this many times the deepest undercut that remains."""
WALL_TIMES_LEAST: Final = 3.0
"""Published: and never less than this."""
_ON_BASE_MM: Final = 2e-5
"""Files move vertices where sheets touch by a few steps of single precision."""
_CREVICE_MM: Final = 0.5
_UPRIGHT: Final = 0.5
_WINDOW_MM: Final = 0.5


@dataclass(frozen=True)
class RemainingUndercut:
    """The deepest undercut of a blocked-out model along one path, 0 where there is none.

    Parameters
    ----------
    depth_mm : float
        Over scanned surface that still shows, and wax.
    at_mm : (x, y, z) or None
        File coordinates.
    arm : str or None
        The arm in whose window that is.
    windows_mm : tuple of (str, float)
        Each arm and the deepest undercut in its window.
    elsewhere_mm : float
        The deepest outside all windows.
    elsewhere_at_mm : (x, y, z) or None
    beside_base_mm : float
        The deepest in a crevice between wax and an upright wall of the base, not counted above:
        the base's walls lean off the path when the cast is tilted, and are never surveyed.
    """

    depth_mm: float
    at_mm: Place | None
    arm: str | None
    windows_mm: tuple[tuple[str, float], ...]
    elsewhere_mm: float
    elsewhere_at_mm: Place | None
    beside_base_mm: float

    def facts(self, *, mould_wall_mm: float) -> dict[str, Any]:
        """As plain values with units in their names, against the mould's wall."""
        return {
            "wall_mm": mould_wall_mm,
            "least_wall_mm": WALL_TIMES * self.depth_mm,
            "remaining_undercut_mm": self.depth_mm,
            "remaining_undercut_at_mm": None if self.at_mm is None else [*self.at_mm],
            "remaining_undercut_arm": self.arm,
            "windows": [{"arm": arm, "undercut_mm": depth} for arm, depth in self.windows_mm],
            "elsewhere_undercut_mm": self.elsewhere_mm,
            "elsewhere_undercut_at_mm": None
            if self.elsewhere_at_mm is None
            else [*self.elsewhere_at_mm],
            "beside_base_undercut_mm": self.beside_base_mm,
        }


def remaining_undercut(
    model: Mesh,
    cast: Cast,
    path: InsertionPath,
    *,
    arms: Sequence[Arm] = (),
    tolerances: Tolerances = TOLERANCES,
) -> RemainingUndercut:
    """Survey the model along the path: the undercut depth at the vertices of its surface, but for
    the base, as the survey of a cast reads it.

    Parameters
    ----------
    model : Mesh
        Cast and wax as one solid, file coordinates.
    cast : Cast
        What it was made of; tells which surface is base.
    path : InsertionPath
    arms : sequence of Arm
        Whose windows are told apart: what lies within 0.5 mm of its middle line or borders.
    """
    kept = ~_base_of(model, cast)
    if not kept.any():
        return RemainingUndercut(0.0, None, None, (), 0.0, None, 0.0)
    surface = model.part(kept)
    edge_mm = float(
        np.median(np.linalg.norm(surface.corners[:, 1] - surface.corners[:, 0], axis=1))
    )
    overhead = Overhead(surface, path)
    depth_mm = undercut_depth_mm(
        overhead,
        surface.vertices,
        spacing_mm=edge_mm,
        outward=surface.normals_at,
        tolerances=tolerances,
    )
    hidden = np.flatnonzero(depth_mm > 2.0 * tolerances.depth_step_mm)
    beside = np.zeros(len(depth_mm), dtype=bool)
    beside[hidden] = _beside_base(surface.vertices[hidden], cast)
    counted = np.where(beside, 0.0, depth_mm)
    windows = [(arm.name, _window(arm, surface.vertices, hidden)) for arm in arms]
    elsewhere = counted.copy()
    for _, inside in windows:
        elsewhere[inside] = 0.0
    deepest, other = int(counted.argmax()), int(elsewhere.argmax())
    at_arm = [name for name, inside in windows if deepest in inside]
    return RemainingUndercut(
        depth_mm=float(counted[deepest]),
        at_mm=place_of(surface.vertices[deepest]) if counted[deepest] > 0.0 else None,
        arm=at_arm[0] if at_arm else None,
        windows_mm=tuple(
            (name, float(counted[inside].max(initial=0.0))) for name, inside in windows
        ),
        elsewhere_mm=float(elsewhere[other]),
        elsewhere_at_mm=place_of(surface.vertices[other]) if elsewhere[other] > 0.0 else None,
        beside_base_mm=float(np.where(beside, depth_mm, 0.0).max()),
    )


def mould_warnings(
    remaining: RemainingUndercut, *, mould_wall_mm: float
) -> tuple[TradeWarning, ...]:
    """``undercut_over_mould``: what remains of undercut is over a fifth of the mould's wall
    (published: a wall at least 5 times the deepest undercut, never under 3 times).
    """
    depth_mm = remaining.depth_mm
    if depth_mm <= mould_wall_mm / WALL_TIMES + TOLERANCES.depth_step_mm or remaining.at_mm is None:
        return ()
    worse = (
        f", and even over a third ({mould_wall_mm / WALL_TIMES_LEAST:.2f} mm): the mould may tear"
        if depth_mm > mould_wall_mm / WALL_TIMES_LEAST
        else ""
    )
    where = "" if remaining.arm is None else f" in the window of the arm {remaining.arm}"
    return (
        TradeWarning(
            "undercut_over_mould",
            f"An undercut of {depth_mm:.2f} mm remains{where}, over a fifth "
            f"({mould_wall_mm / WALL_TIMES:.2f} mm) of the mould wall of {mould_wall_mm:g} mm"
            f"{worse}; make the wall {WALL_TIMES * depth_mm:.1f} mm (mould_wall_mm), or let wax "
            "fill the undercut.",
            (remaining.at_mm,),
        ),
    )


def _base_of(model: Mesh, cast: Cast) -> Bools:
    """(m,) faces of the model on the cast's base, or on the floor, where wax ends beside it."""
    height_mm = cast.frame.points_to_cast(model.vertices)[:, 2] - cast.floor_mm
    on_base = np.asarray((np.abs(height_mm)[model.faces] < _ON_BASE_MM).all(axis=1), dtype=bool)
    if not cast.scanned.all():
        asked = np.flatnonzero(~on_base)
        base = cast.mesh.part(~cast.scanned)
        near = nearest_places(base, model.face_centres[asked])
        on_base[asked] = near.distance_mm < _ON_BASE_MM
    return on_base


def _beside_base(points: Floats, cast: Cast) -> Bools:
    """(k,) points off the scanned surface and close to an upright wall of the base."""
    base = cast.mesh.part(~cast.scanned)
    walls = base.part(np.abs(base.face_normals @ cast.frame.up) < _UPRIGHT)
    if not walls.triangle_count or not len(points):
        return np.zeros(len(points), dtype=bool)
    close = nearest_places(walls, points).distance_mm < _CREVICE_MM
    on_scan = nearest_places(cast.mesh.part(cast.scanned), points).distance_mm < _ON_BASE_MM
    beside: Bools = close & ~on_scan
    return beside


def _window(arm: Arm, points: Floats, hidden: Ints) -> Ints:
    """Which of the hidden points lie in the arm's window."""
    lines = cKDTree(np.concatenate([arm.lower, arm.centre, arm.upper]))
    inside: Ints = hidden[lines.query(points[hidden])[0] <= _WINDOW_MM]
    return inside
