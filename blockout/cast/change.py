"""What a step of preparing changed, and where: nothing is mended silently."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blockout.errors import Place
from blockout.mesh import Floats

PLACES_KEPT = 20


@dataclass(frozen=True)
class Change:
    """One kind of change made to the scan.

    Parameters
    ----------
    step : str
        A word for the kind, such as ``"holes"``; the same for every file.
    touched : int
        How many of ``unit`` it touched.
    unit : str
        ``"faces"``, ``"vertices"``, ``"holes"``, ...
    message : str
        One plain sentence.
    places_mm : tuple of (x, y, z)
        Where, file coordinates; at most ``PLACES_KEPT``.
    extent_mm : float
        How far the change reaches: the longest side of a hole's box, the depth of a trim, the
        height of a spike.
    """

    step: str
    touched: int
    unit: str
    message: str
    places_mm: tuple[Place, ...] = ()
    extent_mm: float = 0.0


def place_of(point_mm: Floats) -> Place:
    """One point (3,) as plain numbers."""
    x, y, z = (float(value) for value in point_mm)
    return x, y, z


def places(points_mm: Floats) -> tuple[Place, ...]:
    """The first few rows of (k, 3) as plain numbers."""
    rows = np.asarray(points_mm, dtype=np.float64).reshape(-1, 3)[:PLACES_KEPT]
    return tuple((float(x), float(y), float(z)) for x, y, z in rows)


def gathered(points_mm: Floats, *, apart_mm: float = 2.0) -> Floats:
    """(k, 3) a few of the points, in order, each at least ``apart_mm`` from the others."""
    kept: list[Floats] = []
    for point in np.asarray(points_mm, dtype=np.float64).reshape(-1, 3)[:5000]:
        if all(float(np.linalg.norm(point - other)) >= apart_mm for other in kept):
            kept.append(point)
            if len(kept) == PLACES_KEPT:
                break
    return np.array(kept).reshape(-1, 3)
