"""The curve of the arch through its crowns and, between and behind them, along the ridge's crest.

In the cast frame seen from above, as a distance from the middle of the arch by azimuth: 0 at the
front, growing from the patient's right to the left.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.polynomial import Polynomial

from blockout.case.settings import Arch
from blockout.cast.archform import middle_of_outline
from blockout.cast.cast import Cast
from blockout.mesh import Floats

_DEGREE: Final = 4
_RAY_DEG: Final = 3.0
_RADIUS_LEAST_MM: Final = 6.0
_UNDER_CROWNS_MM: Final = 12.0
"""Crest lies no lower than this under the lowest crown's middle."""
_CREST_WEIGHT: Final = 0.05
"""One ray's crest against one crown: the crest only bridges the gaps, since a ridge shrinks."""


@dataclass(frozen=True, eq=False)
class ArchCurve:
    """The curve of one arch.

    Parameters
    ----------
    middle_mm : (2,) float
        Middle of the arch, cast frame.
    left : float
        +1 where the patient's left lies on +x of the cast frame, else -1.
    radius_mm : Polynomial
        Of the azimuth in radians.
    """

    middle_mm: Floats
    left: float
    radius_mm: Polynomial

    def azimuth(self, flat_mm: Floats) -> Floats:
        """(k,) of points (k, 2), radians; 0 at the front, the patient's left positive."""
        return _azimuth(flat_mm, self.middle_mm, self.left)

    def points(self, azimuth: Floats) -> Floats:
        """(k, 2) places on the curve, cast frame."""
        points: Floats = self.middle_mm + self.radius_mm(azimuth)[:, None] * self._ray(azimuth)
        return points

    def toward_left(self, flat_mm: Floats) -> Floats:
        """(k, 2) unit direction of the curve beside points (k, 2), from right to left."""
        azimuth = self.azimuth(flat_mm)
        radius, slope = self.radius_mm(azimuth), self.radius_mm.deriv()(azimuth)
        along = slope[:, None] * self._ray(azimuth) + radius[:, None] * np.stack(
            [self.left * np.cos(azimuth), -np.sin(azimuth)], axis=1
        )
        unit: Floats = along / np.maximum(np.linalg.norm(along, axis=1), 1e-12)[:, None]
        return unit

    def _ray(self, azimuth: Floats) -> Floats:
        return np.stack([self.left * np.sin(azimuth), np.cos(azimuth)], axis=1)


def _azimuth(flat_mm: Floats, middle_mm: Floats, left: float) -> Floats:
    aside = flat_mm - middle_mm
    found: Floats = np.arctan2(left * aside[:, 0], aside[:, 1])
    return found


def left_side(arch: Arch) -> float:
    """+1 where the patient's left lies on +x of the cast frame, -1 where on -x."""
    return -1.0 if arch == "lower" else 1.0


def fit_arch_curve(cast: Cast, crowns_mm: Floats) -> ArchCurve:
    """The curve through the middles of crowns (k, 3), file coordinates, and the ridge's crest."""
    left = left_side(cast.arch)
    scanned = cast.frame.points_to_cast(cast.mesh.vertices[cast.scanned_vertices])
    crowns = cast.frame.points_to_cast(np.asarray(crowns_mm).reshape(-1, 3))
    middle = middle_of_outline(scanned[:, :2])
    lowest_mm = float(crowns[:, 2].min()) - _UNDER_CROWNS_MM if len(crowns) else -np.inf
    crest = _crest(scanned, middle, left, lowest_mm)
    flat = np.concatenate([crowns[:, :2], crest])
    weight = np.r_[np.ones(len(crowns)), np.full(len(crest), _CREST_WEIGHT)]
    azimuth = _azimuth(flat, middle, left)
    radius = np.linalg.norm(flat - middle, axis=1)
    degree = int(min(_DEGREE, max(len(flat) - 1, 0)))
    fitted = Polynomial.fit(azimuth, radius, degree, domain=[-np.pi, np.pi], w=np.sqrt(weight))
    return ArchCurve(middle, left, fitted)


def _crest(points: Floats, middle: Floats, left: float, lowest_mm: float) -> Floats:
    """(k, 2) the highest point in each direction from the middle."""
    aside = points[:, :2] - middle
    far = (np.linalg.norm(aside, axis=1) > _RADIUS_LEAST_MM) & (points[:, 2] > lowest_mm)
    points = points[far]
    azimuth = _azimuth(points[:, :2], middle, left)
    ray = np.floor(np.degrees(azimuth) / _RAY_DEG).astype(np.int64)
    order = np.lexsort((-points[:, 2], ray))
    first = np.r_[True, np.diff(ray[order]) > 0] if len(order) else np.zeros(0, dtype=bool)
    crest: Floats = points[order[first], :2]
    return crest
