"""From a middle line to an arm: its borders on the surface, and what is measured along them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.spatial import cKDTree

from blockout.arms.arm import Arm, length_mm
from blockout.arms.wall import LocalDepth, Wall, densely
from blockout.case.arm_settings import ArmSettings
from blockout.drawn.curve import normals_at, on_surface
from blockout.mesh import Floats, Mesh
from blockout.surveying.reading import Reading

SPACING_MM: Final = 0.15
"""Points along an arm lie about this far apart: half a facet of a scan."""
_NEAR_MM: Final = 3.0
_EVEN_MM: Final = 0.4
_SMOOTH_POINTS: Final = 5
_ROUNDS: Final = 4


@dataclass(frozen=True, eq=False)
class Band:
    """Middle line, borders and widths of an arm; see :class:`blockout.arms.arm.Arm`."""

    centre: Floats
    lower: Floats
    upper: Floats
    width_mm: Floats


def surface_near(survey: Reading, points_mm: Floats, *, near_mm: float = _NEAR_MM) -> Mesh:
    """The scanned surface within ``near_mm`` of points (k, 3), as a mesh of its own."""
    mesh = survey.cast.mesh
    box = np.stack([points_mm.min(axis=0) - near_mm, points_mm.max(axis=0) + near_mm])
    in_box = ((mesh.vertices >= box[0]) & (mesh.vertices <= box[1])).all(axis=1)
    candidate = np.flatnonzero(in_box)
    off_mm, _ = cKDTree(points_mm).query(mesh.vertices[candidate], distance_upper_bound=near_mm)
    close = np.zeros(len(mesh.vertices), dtype=bool)
    close[candidate[np.isfinite(off_mm)]] = True
    return mesh.part(survey.cast.scanned & close[mesh.faces].all(axis=1))


def banded(surface: Mesh, centre_mm: Floats, width_mm: Floats, path: Floats) -> Band:
    """Borders half the width to either side of a middle line, on the surface.

    ``lower`` is the side away from the direction of removal, ``path``.
    """
    centre = on_surface(surface, centre_mm, closed=False)
    tangent = _evened(centre.tangents)
    normal = _evened(centre.normals)
    side = np.cross(normal, tangent)
    side /= np.maximum(np.linalg.norm(side, axis=1), 1e-12)[:, None]
    if float(np.mean(side @ path)) < 0.0:
        side = -side
    lower, upper = (
        _beside(surface, centre.points_mm, way * side, 0.5 * width_mm) for way in (-1.0, 1.0)
    )
    return Band(centre.points_mm, lower, upper, width_mm)


def _beside(surface: Mesh, centre: Floats, side: Floats, off_mm: Floats) -> Floats:
    """(k, 3) places of the surface straight ``off_mm`` away from a line, to its ``side``."""
    step_mm = off_mm.copy()
    for _ in range(_ROUNDS):
        found = on_surface(surface, centre + step_mm[:, None] * side, closed=False).points_mm
        got_mm = np.linalg.norm(found - centre, axis=1)
        # round a bend the nearest place lies short of the step
        step_mm = np.clip(step_mm * off_mm / np.maximum(got_mm, 1e-6), off_mm, 1.6 * off_mm)
    return found


def tapered_width_mm(centre_mm: Floats, *, origin_mm: float, tip_share: float) -> Floats:
    """(k,) width that falls evenly along the middle line."""
    along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(centre_mm, axis=0), axis=1))]
    width: Floats = origin_mm * (1.0 - (1.0 - tip_share) * along / along[-1])
    return width


def resampled(points_mm: Floats, spacing_mm: float = SPACING_MM) -> Floats:
    """The line walked in equal steps."""
    return densely(points_mm, spacing_mm)


def tip_share(settings: ArmSettings) -> float:
    """The tip's width over the origin's."""
    if settings.tip_share is not None:
        return settings.tip_share
    return 0.5 if settings.role == "retentive" else 1.0


def finished_arm(
    survey: Reading,
    band: Band,
    settings: ArmSettings,
    *,
    wall: Wall,
    depth: LocalDepth,
    undercut_mm: float,
    by_hand: bool,
    notes: tuple[str, ...] = (),
) -> Arm:
    """The arm with all that is measured along it; what a reader must know is added to its notes."""
    depth_mm = depth(band.lower)
    terminal = band.lower[-1]
    margin_mm = margin_distance_mm(wall, band.lower, settings)
    said = list(notes)
    if margin_mm is not None and margin_mm < settings.above_margin_mm - 0.005:
        said.append(
            f"the lower border comes within {margin_mm:.2f} mm of the gingival margin, "
            f"{settings.above_margin_mm:g} mm was asked for"
        )
    return Arm(
        name=settings.title,
        tooth=settings.tooth,
        aspect=settings.aspect,
        role=settings.role,
        form=settings.form,
        alloy=settings.alloy,
        section=settings.section,
        undercut_mm=undercut_mm,
        centre=band.centre,
        lower=band.lower,
        upper=band.upper,
        width_mm=band.width_mm,
        depth_mm=depth_mm,
        terminal_mm=terminal.copy(),
        terminal_depth_mm=float(depth_mm[-1]),
        terminal_wall_deg=wall_angle_deg(survey, terminal),
        crossing_share=None if settings.form == "bar" else crossing_share(wall, band.centre),
        length_mm=length_mm(band.centre),
        margin_mm=margin_mm,
        about_mm=wall.about_mm.copy(),
        friction=settings.friction,
        by_hand=by_hand,
        notes=tuple(said),
    )


def margin_distance_mm(wall: Wall, lower_mm: Floats, settings: ArmSettings) -> float | None:
    """Least distance of the lower border from the margin; None where no margin is known or the
    arm crosses it by design.
    """
    if wall.margin_mm is None or settings.form == "bar":
        return None
    tree = cKDTree(densely(wall.margin_mm, 0.05, closed=True))
    return float(np.min(tree.query(lower_mm)[0]))


def crossing_share(wall: Wall, centre_mm: Floats) -> float | None:
    """Share of the middle line's length at which it passes below the height of contour for good."""
    azimuth, height, _ = wall.unrolled(centre_mm)
    contour = wall.at(wall.contour_mm, azimuth)
    over = height - contour
    if not np.isfinite(over).all() or over[-1] >= 0.0:
        return None
    above = np.flatnonzero(over >= 0.0)
    if not len(above):
        return 0.0
    at = int(above[-1])
    along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(centre_mm, axis=0), axis=1))]
    part = over[at] / (over[at] - over[at + 1])
    return float((along[at] + part * (along[at + 1] - along[at])) / along[-1])


def wall_angle_deg(survey: Reading, point_mm: Floats) -> float:
    """Angle between the surface and the path near a point; positive where it looks down."""
    slope = float(np.clip(facing(survey, point_mm) @ survey.path.direction, -1.0, 1.0))
    return float(np.degrees(np.arcsin(-slope)))


def facing(survey: Reading, point_mm: Floats) -> Floats:
    """(3,) unit normal of the surface near a point, over a few tenths of a millimetre."""
    surface = surface_near(survey, np.atleast_2d(point_mm), near_mm=1.5)
    off_mm = np.linalg.norm(surface.face_centres - point_mm, axis=1)
    place = on_surface(surface, np.atleast_2d(point_mm), closed=False)
    there: Floats = normals_at(surface, place.face, place.points_mm)[0]
    weight = surface.face_areas_mm2 * np.exp(-0.5 * (off_mm / _EVEN_MM) ** 2)
    # what faces another way is another wall
    normal: Floats = (weight * (surface.face_normals @ there > 0.5)) @ surface.face_normals
    length = float(np.linalg.norm(normal))
    return normal / length if length > 0.0 else there


def _evened(directions: Floats) -> Floats:
    """Unit directions evened out along the line, so that noise does not turn the borders."""
    reach = _SMOOTH_POINTS
    ends = directions[:1].repeat(reach, 0), directions[-1:].repeat(reach, 0)
    padded = np.vstack([ends[0], directions, ends[1]])
    kernel = np.hanning(2 * reach + 3)[1:-1]
    evened = np.stack([np.convolve(padded[:, k], kernel, mode="valid") for k in range(3)], axis=1)
    unit: Floats = evened / np.maximum(np.linalg.norm(evened, axis=1), 1e-12)[:, None]
    return unit
