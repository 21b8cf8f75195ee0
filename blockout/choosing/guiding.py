"""Guiding planes: how nearly proximal surfaces run along a path, and over what height.

The surface is the occlusal two thirds of a crown's proximal aspect, where a guiding plane is
prepared. Its plane is the least-squares plane through it, every piece weighted by its area. Its
angle to the path is 0 where the path lies in it; positive where the surface looks up, so that it
flares and could be ground parallel, negative where it looks down, an undercut.

For the height the surface is read in levels along the path. A level is parallel where what it looks
at on average, by area, is within the stated angle of square to the path; the height is that of the
longest run of such levels, between levels taken as straight.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.case.arm_settings import End
from blockout.case.choosing_settings import ChoosingSettings
from blockout.mesh import Floats, Mesh
from blockout.teeth.crowns import Crown, Teeth

_CERVICAL_SHARE: Final = 1.0 / 3.0
"""From memory: guiding planes take up to the occlusal two thirds of a surface."""
_LEVELS: Final = 40
_EMPTY_SHARE: Final = 0.02
"""A level with less than this share of the mean area is left out: the tips of a ragged rim."""


@dataclass(frozen=True, eq=False)
class Guide:
    """A surface that is to guide.

    Parameters
    ----------
    tooth : int
    aspect : "mesial" or "distal"
    plane : (3,) float
        Unit normal of its best-fit plane, outward.
    points_mm : (k, 3) float
        Middles of its facets' parts.
    normals : (k, 3) float
        Unit.
    areas_mm2 : (k,) float
    """

    tooth: int
    aspect: End
    plane: Floats
    points_mm: Floats
    normals: Floats
    areas_mm2: Floats


@dataclass(frozen=True)
class GuideAngle:
    """One surface along a path.

    Parameters
    ----------
    tooth, aspect
    angle_deg : float
        Between its plane and the path; negative where it is undercut.
    parallel_height_mm : float
    """

    tooth: int
    aspect: End
    angle_deg: float
    parallel_height_mm: float


@dataclass(frozen=True)
class GuidingPlanes:
    """All guiding surfaces along one path."""

    guides: tuple[GuideAngle, ...]

    @property
    def worst_deg(self) -> float:
        return max(abs(guide.angle_deg) for guide in self.guides)

    @property
    def least_height_mm(self) -> float:
        return min(guide.parallel_height_mm for guide in self.guides)


def guides_of(
    mesh: Mesh,
    teeth: Teeth | None,
    settings: ChoosingSettings,
    *,
    facing_gaps: Sequence[tuple[int, End]],
) -> tuple[Guide, ...]:
    """The surfaces named in the settings, or those that face a gap.

    Raises
    ------
    InputError
        A tooth that is not on the cast.
    """
    if teeth is None:
        return ()
    named = [(each.tooth, each.aspect) for each in settings.guiding_plane]
    found = [_guide(mesh, teeth.crown(tooth), aspect) for tooth, aspect in named or facing_gaps]
    return tuple(guide for guide in found if guide is not None)


def _guide(mesh: Mesh, crown: Crown, aspect: End) -> Guide | None:
    face = crown.faces_of(aspect)
    face = face[mesh.face_areas_mm2[face] > 0.0]
    if len(face):
        height = (mesh.face_centres[face] - crown.centre_mm) @ crown.axes[2]
        face = face[height >= height.min() + _CERVICAL_SHARE * float(np.ptp(height))]
    if len(face) < 2:
        return None
    return Guide(
        tooth=crown.number,
        aspect=aspect,
        plane=best_fit_plane(mesh.corners[face]),
        points_mm=mesh.corners[face].mean(axis=1),
        normals=mesh.face_normals[face],
        areas_mm2=mesh.face_areas_mm2[face],
    )


def best_fit_plane(corners_mm: Floats) -> Floats:
    """(3,) unit normal of the least-squares plane through triangles (k, 3, 3), by area, on the
    side to which they look.

    The second moments of a triangle's area about its own middle are those of its corners by a
    twelfth (closed form), so the plane does not depend on how the surface is divided.
    """
    whole = np.cross(corners_mm[:, 1] - corners_mm[:, 0], corners_mm[:, 2] - corners_mm[:, 0])
    area = np.linalg.norm(whole, axis=1) / 2.0
    middles = corners_mm.mean(axis=1)
    centre = np.average(middles, axis=0, weights=area)
    off = middles - centre
    spread = (off * area[:, None]).T @ off
    within = corners_mm - middles[:, None]
    spread += np.einsum("k,kci,kcj->ij", area / 12.0, within, within)
    _, vectors = np.linalg.eigh(spread)
    plane: Floats = vectors[:, 0]
    return plane if float(whole.sum(axis=0) @ plane) >= 0.0 else -plane


def read_guiding(
    guides: Sequence[Guide], direction: Floats, *, parallel_within_deg: float
) -> GuidingPlanes | None:
    """The surfaces along one path; None where there are none."""
    if not guides:
        return None
    return GuidingPlanes(
        tuple(
            GuideAngle(
                tooth=guide.tooth,
                aspect=guide.aspect,
                angle_deg=angle_to_path_deg(guide.plane, direction),
                parallel_height_mm=parallel_height_mm(
                    guide, direction, within_deg=parallel_within_deg
                ),
            )
            for guide in guides
        )
    )


def angle_to_path_deg(plane: Floats, direction: Floats) -> float:
    """Angle between a plane, by its unit normal, and the path; positive where it looks up."""
    along = float(plane @ direction)
    across = float(np.linalg.norm(np.cross(plane, direction)))
    return float(np.degrees(np.arctan2(along, across)))


def parallel_height_mm(guide: Guide, direction: Floats, *, within_deg: float) -> float:
    """Height along the path of the longest run of levels within the angle of the path."""
    height = guide.points_mm @ direction
    low, high = float(height.min()), float(height.max())
    if high - low < 1e-9:
        return 0.0
    count = int(np.clip(len(height) // 6, 4, _LEVELS))
    step = (high - low) / count
    place = (height - low) / step - 0.5
    # every facet is shared between the two levels it lies between
    below = np.clip(np.floor(place).astype(np.int64), 0, count - 1)
    above = np.clip(below + 1, 0, count - 1)
    share = np.clip(place - below, 0.0, 1.0)
    slope = np.zeros(count)
    mass = np.zeros(count)
    lean = guide.normals @ direction
    for level, part in ((below, 1.0 - share), (above, share)):
        mass += np.bincount(level, part * guide.areas_mm2, minlength=count)
        slope += np.bincount(level, part * guide.areas_mm2 * lean, minlength=count)
    full = mass > _EMPTY_SHARE * mass.mean()
    slope /= np.where(full, mass, 1.0)
    return _longest_run_mm(slope, full, float(np.sin(np.radians(within_deg))), step)


def _longest_run_mm(
    slope: Floats,
    full: np.ndarray[tuple[int, ...], np.dtype[np.bool_]],
    limit: float,
    step: float,
) -> float:
    """The longest stretch over which the slope, straight between levels, stays within the limit;
    half a level is added at an end where the surface itself ends.
    """
    longest, run = 0.0, 0.0
    count = len(slope)
    for k in range(count):
        inside = bool(full[k]) and abs(slope[k]) <= limit
        if inside and (k == 0 or not full[k - 1]):
            run += 0.5 * step
        if k + 1 == count or not full[k + 1]:
            longest = max(longest, run + (0.5 * step if inside else 0.0))
            run = 0.0
            continue
        if not full[k]:
            continue
        start, stop = _part_within(slope[k], slope[k + 1], limit)
        if start > 0.0:
            longest, run = max(longest, run), 0.0
        run += max(stop - start, 0.0) * step
        if stop < 1.0:
            longest, run = max(longest, run), 0.0
    return float(max(longest, run))


def _part_within(a: float, b: float, limit: float) -> tuple[float, float]:
    """From which share to which share of the way from a to b the value lies within the limit;
    (1, 1) where nowhere.
    """
    if a == b:
        return (0.0, 1.0) if abs(a) <= limit else (1.0, 1.0)
    cuts = sorted(((-limit - a) / (b - a), (limit - a) / (b - a)))
    start, stop = max(cuts[0], 0.0), min(cuts[1], 1.0)
    return (start, stop) if start < stop else (1.0, 1.0)
