"""The arch seen from above: its crest line, its open end, and the line that halves it.

From the middle of the arch a ray in each direction climbs over the teeth or the ridge and falls
again: that top is the crest. Toward the back there is none, so the widest gap is the open end.
The midline is the line in which the crest's two sides mirror each other best.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from blockout.cast.mirror import Trace, find_midline
from blockout.mesh import Bools, Floats

_RAY_DEG: Final = 3.0
_RAY_START_DEG: Final = 1.234
"""Off any symmetry of the points, so that none lies on the border of two rays."""
_FALL_MM: Final = 1.5
"""A crest falls at least this on both sides; less is palate, floor or base."""
_RADIUS_LEAST_MM: Final = 6.0
_LOWEST_MM: Final = -16.0
"""Nothing this far under the occlusal plane is crest."""
_TOP_MM: Final = 3.5
_TOP_WIDTH_MM: Final = 6.0
_STEP_MM: Final = 1.0
_BREAK_MM: Final = 15.0
"""Neighbouring crest points further apart are not joined."""
_GAP_DEG: Final = (40.0, 120.0)
"""How wide the open end of a whole arch is; more is a part of an arch."""
_CREST_LEAST_DEG: Final = 110.0
_TOOTH_MM: Final = (-2.0, 0.7)
_RIDGE_MM: Final = (-5.0, 5.0)
"""Height over the occlusal plane, and how far a crest there strays from a mirrored arch: teeth
stand nearly in pairs, a ridge shrinks and wanders."""
_OUTLINE_DEPTH_MM: Final = 9.0
"""The outline is taken of what lies this near under the occlusal plane: above base and border."""
_OUTLINE_SPREAD_MM: Final = 1.0


@dataclass(frozen=True, eq=False)
class ArchForm:
    """An arch and its midline, in the plane it was given in.

    Parameters
    ----------
    front : (2,) float
        Unit direction from the open end to the closed end, along the midline.
    on_midline_mm : (2,) float
        The point of the midline nearest to the middle of the outline.
    crest_deg, gap_deg : float
        How far round the crest reaches, and how wide the open end is, seen from the middle.
    mirror_mm : float
        Root mean square distance between the outline and its mirror image, where they pair.
    paired_share : float
        Share of the outline that has a partner on the other side.
    """

    front: Floats
    on_midline_mm: Floats
    crest_deg: float
    gap_deg: float
    mirror_mm: float
    paired_share: float


def middle_of_outline(flat_mm: Floats) -> Floats:
    """(2,) centre of area of the convex outline of the (n, 2) points; their mean when they have
    no area.
    """
    try:
        hull = ConvexHull(flat_mm)
    except QhullError:
        mean: Floats = flat_mm.mean(axis=0)
        return mean
    ring = flat_mm[hull.vertices]
    start = ring.mean(axis=0)
    a, b = ring - start, np.roll(ring, -1, axis=0) - start
    area = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    middle: Floats = start + (area[:, None] * (a + b)).sum(axis=0) / (3.0 * area.sum())
    return middle


def find_arch_form(points_mm: Floats, *, toward: Floats | None = None) -> ArchForm | str:
    """The arch's form, or why there is none to see, in words with what was measured.

    Parameters
    ----------
    points_mm : (n, 3) float
        Points of the surface; z is height over the occlusal plane. How x and y lie does not
        matter, only that they are fixed to the body.
    toward : (2,) float, optional
        A direction known to lie within 45 degrees of the front.
    """
    middle = middle_of_outline(points_mm[:, :2])
    rays = int(360.0 / _RAY_DEG)
    crest, outline, has = _rays(points_mm[:, :2] - middle, points_mm[:, 2], rays)
    crest_deg = float(has.sum() * _RAY_DEG)
    if crest_deg < _CREST_LEAST_DEG:
        return (
            f"a crest of teeth or ridge reaches {crest_deg:.0f} degrees round the middle, "
            f"{_CREST_LEAST_DEG:.0f} needed"
        )
    start, length = _widest_gap(has)
    gap_deg = length * _RAY_DEG
    if not _GAP_DEG[0] <= gap_deg <= _GAP_DEG[1]:
        return (
            f"the widest gap in the ring of teeth and ridge is {gap_deg:.0f} degrees, the open "
            f"end of a whole arch {_GAP_DEG[0]:.0f} to {_GAP_DEG[1]:.0f}"
        )
    if toward is None:
        back = np.radians((start + length / 2.0) * _RAY_DEG + _RAY_START_DEG)
        toward = -np.array([np.cos(back), np.sin(back)])
    order = (start + length + np.arange(rays - length)) % rays  # from one end round to the other
    inside = order[has[order]]
    crest_trace = _resampled(crest[inside])
    heights_mm = (_RIDGE_MM[0], _TOOTH_MM[0])
    crest_spread_mm = np.interp(crest_trace[:, 2], heights_mm, (_RIDGE_MM[1], _TOOTH_MM[1]))
    outline_trace = _resampled(outline[inside])
    midline = find_midline(
        (
            Trace(crest_trace[:, :2], crest_spread_mm),
            Trace(outline_trace, np.full(len(outline_trace), _OUTLINE_SPREAD_MM)),
        ),
        toward=toward,
    )
    return ArchForm(
        front=midline.front,
        on_midline_mm=midline.nearest_mm + middle,
        crest_deg=crest_deg,
        gap_deg=float(gap_deg),
        mirror_mm=float(midline.apart_mm[1]),
        paired_share=float(midline.paired_share[1]),
    )


def _rays(flat: Floats, height: Floats, rays: int) -> tuple[Floats, Floats, Bools]:
    """By direction: (rays, 3) crest points and heights, (rays, 2) outermost points, and which
    directions have a crest.
    """
    radius = np.linalg.norm(flat, axis=1)
    angle = (np.degrees(np.arctan2(flat[:, 1], flat[:, 0])) - _RAY_START_DEG) % 360.0
    ray = np.minimum((angle / _RAY_DEG).astype(np.int64), rays - 1)
    top = np.full(rays, -np.inf)
    np.maximum.at(top, ray, height)
    order = np.lexsort((-height, ray))
    first = np.flatnonzero(np.r_[True, np.diff(ray[order]) > 0])
    peak_radius = np.full(rays, np.nan)
    peak_radius[ray[order[first]]] = radius[order[first]]

    beyond = radius > peak_radius[ray]
    fall = top[ray] - height
    falls_out, falls_in = np.zeros(rays), np.zeros(rays)
    np.maximum.at(falls_out, ray[beyond], fall[beyond])
    np.maximum.at(falls_in, ray[~beyond], fall[~beyond])
    has = (falls_out >= _FALL_MM) & (falls_in >= _FALL_MM)
    has &= (top >= _LOWEST_MM) & (peak_radius >= _RADIUS_LEAST_MM)

    cap = (fall <= _TOP_MM) & (np.abs(radius - peak_radius[ray]) <= _TOP_WIDTH_MM)
    weight = np.where(cap, _TOP_MM - fall, 0.0)
    total = np.bincount(ray, weight, minlength=rays)
    sums = [np.bincount(ray, weight * flat[:, axis], minlength=rays) for axis in (0, 1)]
    crest = np.stack(sums, axis=1) / np.where(total > 0.0, total, 1.0)[:, None]

    reach = np.zeros(rays)
    high = height >= -_OUTLINE_DEPTH_MM
    np.maximum.at(reach, ray[high], radius[high])
    reach = np.maximum(reach, np.nan_to_num(peak_radius))
    middle = np.radians((np.arange(rays) + 0.5) * _RAY_DEG + _RAY_START_DEG)
    outline = reach[:, None] * np.stack([np.cos(middle), np.sin(middle)], axis=1)
    return np.column_stack([crest, top]), outline, has


def _widest_gap(has: Bools) -> tuple[int, int]:
    """Where the longest run of directions without crest begins, and how many they are."""
    rays = len(has)
    if has.all():
        return 0, 0
    last = np.flatnonzero(has)
    nxt = np.roll(last, -1)
    lengths = (nxt - last - 1) % rays
    widest = int(np.argmax(lengths))
    return int((last[widest] + 1) % rays), int(lengths[widest])


def _resampled(line: Floats) -> Floats:
    """Points every millimetre along a line (x, y and what else is given); pieces far apart are
    not joined.
    """
    steps = np.linalg.norm(np.diff(line[:, :2], axis=0), axis=1)
    pieces = []
    for piece, lengths in zip(
        np.split(line, np.flatnonzero(steps > _BREAK_MM) + 1),
        np.split(steps, np.flatnonzero(steps > _BREAK_MM) + 1),
        strict=False,
    ):
        along = np.r_[0.0, np.cumsum(lengths[: len(piece) - 1])]
        at = np.linspace(0.0, along[-1], max(round(along[-1] / _STEP_MM), 1) + 1)
        pieces.append(
            np.stack([np.interp(at, along, piece[:, k]) for k in range(line.shape[1])], axis=1)
        )
    return np.concatenate(pieces)
