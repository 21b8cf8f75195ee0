"""The arch curve: a symmetric quartic near a catenary, straight beyond the last molars."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.spatial import cKDTree

from blockout.case.settings import Arch
from blockout.mesh import Floats

_FRONT_MM: Final = 22.0
_STEP_MM: Final = 0.05
_RASTER_MM: Final = 0.5
_MARGIN_MM: Final = 14.0
_STRAIGHT_MM: Final = 25.0

_COEFFICIENTS: Final[dict[Arch, tuple[float, float, float]]] = {
    # half width at which it turns straight, and y = front - a x^2 - b x^4; chosen so that canines
    # and second molars stand at usual widths (from memory)
    "lower": (27.0, 0.0185, 7.4e-5),
    "upper": (28.0, 0.0165, 5.9e-5),
}


@dataclass(frozen=True)
class ArchCurve:
    """The line in the occlusal plane along which teeth stand, cast frame.

    A point near it is told by its arch length from the midline (positive on +x) and its offset
    (positive outward, toward lip and cheek), both in mm.
    """

    arch: Arch

    @cached_property
    def _track(self) -> tuple[Floats, Floats]:
        half, a, b = _COEFFICIENTS[self.arch]
        x = np.linspace(0.0, half, 4001)
        points = np.stack([x, -a * x**2 - b * x**4], axis=1)
        length = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))]
        even = np.arange(0.0, length[-1], _STEP_MM)
        right = np.stack([np.interp(even, length, points[:, k]) for k in range(2)], axis=1)
        direction = right[-1] - right[-2]
        direction /= np.linalg.norm(direction)
        extra = np.arange(1, int(_STRAIGHT_MM / _STEP_MM)) * _STEP_MM
        right = np.concatenate([right, right[-1] + extra[:, None] * direction])
        along = np.arange(len(right)) * _STEP_MM
        left = right[:0:-1] * [-1.0, 1.0]
        track = np.concatenate([left, right]) + np.array([0.0, _FRONT_MM])
        return np.r_[-along[:0:-1], along], track

    @cached_property
    def _spline(self) -> CubicSpline[np.float64]:
        along, track = self._track
        # a knot each millimetre smooths the joint between curve and straight
        return CubicSpline(along[::20], track[::20])

    def point(self, along_mm: Floats | float) -> Floats:
        """(..., 2) place on the curve."""
        return np.asarray(self._spline(along_mm), dtype=np.float64)

    def tangent(self, along_mm: Floats | float) -> Floats:
        """(..., 2) unit direction of growing arch length."""
        slope = np.asarray(self._spline(along_mm, 1), dtype=np.float64)
        unit: Floats = slope / np.linalg.norm(slope, axis=-1, keepdims=True)
        return unit

    def outward(self, along_mm: Floats | float) -> Floats:
        """(..., 2) unit normal toward lip and cheek."""
        tangent = self.tangent(along_mm)
        return np.stack([-tangent[..., 1], tangent[..., 0]], axis=-1)

    @cached_property
    def _frames(self) -> tuple[Floats, Floats, Floats]:
        """Unit tangent, outward normal and bend (1/mm, positive where convex outward)."""
        along, _ = self._track
        tangent = self.tangent(along)
        turn = np.gradient(np.unwrap(np.arctan2(tangent[:, 1], tangent[:, 0])), _STEP_MM)
        return tangent, np.stack([-tangent[:, 1], tangent[:, 0]], axis=1), -turn

    @cached_property
    def _nearest(self) -> tuple[Floats, NDArray[np.intp]]:
        """Number of the nearest curve point for the middles of a raster, and its low corner."""
        track = self._track[1]
        low, high = track.min(axis=0) - _MARGIN_MM, track.max(axis=0) + _MARGIN_MM
        x, y = (np.arange(low[k], high[k], _RASTER_MM) for k in range(2))
        middles = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1) + _RASTER_MM / 2.0
        return low, np.asarray(cKDTree(track).query(middles)[1])

    def locate(self, points_mm: Floats) -> tuple[Floats, Floats]:
        """Arch length and offset, (n,) each, of points (n, 2).

        From a close point of the curve, found by a raster, as on the circle that fits it there;
        off by less than 0.1 um outside the centre of that circle.
        """
        along, track = self._track
        tangent, outward, bend = self._frames
        low, nearest = self._nearest
        cell = ((points_mm - low) / _RASTER_MM).astype(np.int64)
        cell = np.clip(cell, 0, np.array(nearest.shape) - 1)
        at = nearest[cell[:, 0], cell[:, 1]]
        for last in (False, False, True):
            gap = points_mm - track[at]
            ahead = np.einsum("ij,ij->i", gap, tangent[at])
            out = np.einsum("ij,ij->i", gap, outward[at])
            room = np.maximum(1.0 + bend[at] * out, 0.1)
            if not last:
                step = np.rint(np.clip(ahead / room, -_RASTER_MM, _RASTER_MM) / _STEP_MM)
                at = np.clip(at + step.astype(np.int64), 0, len(along) - 1)
        return along[at] + ahead / room, out + 0.5 * bend[at] * ahead**2 / room

    def shares(self, along_mm: Floats, offset_mm: Floats) -> tuple[Floats, Floats]:
        """Slopes of arch length and offset over x and y, (n, 2) each."""
        along, _ = self._track
        tangent, outward, bend = self._frames
        at = np.clip(np.rint((along_mm - along[0]) / _STEP_MM), 0, len(along) - 1).astype(np.int64)
        room = np.maximum(1.0 + bend[at] * offset_mm, 0.1)
        return tangent[at] / room[:, None], outward[at]
