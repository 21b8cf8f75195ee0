"""Zones: outlines drawn on the cast, taken straight along the path."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from blockout.cast.cast import Cast
from blockout.errors import InputError
from blockout.kernel.outlines import Region, grown, is_simple, ring_area_mm2
from blockout.kernel.solids import Solid
from blockout.kernel.surfaces import distance_mm
from blockout.mesh import Floats
from blockout.wax.space import Space

_OFF_CAST_LIMIT_MM = 1.5
_SMALLEST_AREA_MM2 = 1e-4


def zone_column(
    space: Space,
    outline_mm: Sequence[Sequence[float]],
    *,
    name: str,
    grown_mm: float = 0.0,
) -> Solid:
    """Everything that lies inside an outline as seen along the path; upright.

    Parameters
    ----------
    outline_mm : (k, 3)
        Points on the cast in order, file coordinates; joined by straight lines as seen along the
        path, the last to the first.
    name : str
        How the outline is called in messages, such as ``keep_in[0]``.
    grown_mm : float
        The outline is taken so much further out all around; further in where negative.

    Raises
    ------
    InputError
        Fewer than three points, a point off the cast, an outline that crosses itself or encloses
        nothing as seen along the path.
    """
    points = _once(outline_mm)
    if len(points) < 3:
        raise InputError(
            f"the outline {name} is no outline",
            measured=f"{len(points)} points, at least 3",
            fix="Give three or more different points around the zone.",
        )
    _check_on_cast(space.cast, points, name)
    flat = points @ space.to_upright[:2, :3].T
    x, y = flat.T
    area_mm2 = abs(float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))) / 2.0
    if area_mm2 < _SMALLEST_AREA_MM2 or not is_simple(flat):
        raise InputError(
            f"the outline {name} crosses itself or encloses nothing as seen along the path",
            measured=f"area {area_mm2:.4f} mm2",
            places_mm=[(float(p[0]), float(p[1]), float(p[2])) for p in points[:3]],
            fix="Give its points in order around the zone, or split it into simple ones.",
        )
    low_mm, high_mm = space.block_mm[:, 2]
    rings = grown(flat, grown_mm) if grown_mm else (flat,)
    return Solid.union(
        Solid.column(ring, low_mm=float(low_mm), high_mm=float(high_mm)) for ring in rings
    )


def seen(space: Space, outline_mm: Sequence[Sequence[float]]) -> Region:
    """An outline that :func:`zone_column` takes, as seen along the path; upright."""
    flat = _once(outline_mm) @ space.to_upright[:2, :3].T
    return Region(flat if ring_area_mm2(flat) > 0.0 else flat[::-1])


def _once(outline_mm: Sequence[Sequence[float]]) -> Floats:
    points = np.array(outline_mm, dtype=np.float64).reshape(-1, 3)
    again = len(points) > 1 and np.array_equal(points[0], points[-1])
    return points[:-1] if again else points


def _check_on_cast(cast: Cast, points: Floats, name: str) -> None:
    off_mm = distance_mm(cast.mesh, points)
    far = np.flatnonzero(off_mm > _OFF_CAST_LIMIT_MM)
    if len(far):
        raise InputError(
            f"points of the outline {name} are not on the cast",
            measured=f"up to {off_mm.max():.1f} mm from its surface, limit {_OFF_CAST_LIMIT_MM:g}",
            places_mm=[(float(p[0]), float(p[1]), float(p[2])) for p in points[far]],
            fix="Give points in the scan's own coordinates, in mm.",
        )
