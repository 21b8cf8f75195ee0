"""A crown as a field: bell-shaped sides with a height of contour, an edge or cusps on top.

In the tooth's own axes: u distal, v buccal, w out of the gum, all mm, origin in the middle of the
neck. The field is negative inside and about the distance near the surface.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from scipy.interpolate import CubicSpline

from blockout.case.settings import Arch
from blockout.mesh import Floats
from blockout.samples.blend import smooth_max
from blockout.samples.teeth import ToothForm

_ROOT_MM: Final = 5.0
"""How far the root goes on under the neck; the rest would lie deep in the ridge."""

# Outlines by share of the crown's height: -0.7 is root, 0 the neck, 1 the cusp tips. Values are
# shares of the half width. Heights of contour (from memory): buccal in the lowest third, lingual
# in the middle third of back teeth and the lowest of front teeth, contacts above the middle.
_Outline = tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...], tuple[float, ...]]
_OUTLINES: Final[dict[str, _Outline]] = {
    # heights, mesiodistal, buccal, lingual
    "lower incisor": (
        (-0.7, -0.3, 0.0, 0.18, 0.4, 0.62, 0.85, 1.05),
        (0.50, 0.60, 0.66, 0.74, 0.86, 0.97, 0.985, 0.84),
        (0.66, 0.78, 0.86, 0.91, 0.78, 0.58, 0.36, 0.20),
        (0.70, 0.82, 0.90, 0.93, 0.68, 0.42, 0.26, 0.18),
    ),
    "upper incisor": (
        (-0.7, -0.3, 0.0, 0.18, 0.4, 0.62, 0.85, 1.05),
        (0.52, 0.64, 0.72, 0.82, 0.93, 0.99, 0.985, 0.84),
        (0.62, 0.76, 0.86, 0.92, 0.90, 0.80, 0.64, 0.46),
        (0.66, 0.80, 0.88, 0.90, 0.48, 0.12, -0.16, -0.26),
    ),
    "canine": (
        (-0.7, -0.3, 0.0, 0.2, 0.4, 0.62, 0.85, 1.05),
        (0.52, 0.64, 0.72, 0.82, 0.92, 1.0, 0.94, 0.80),
        (0.68, 0.80, 0.88, 0.96, 0.90, 0.74, 0.48, 0.26),
        (0.68, 0.80, 0.88, 0.94, 0.74, 0.50, 0.30, 0.14),
    ),
    "premolar": (
        (-0.7, -0.3, 0.0, 0.2, 0.4, 0.62, 0.85, 1.05),
        (0.54, 0.64, 0.72, 0.84, 0.95, 1.0, 0.94, 0.82),
        (0.66, 0.76, 0.85, 0.97, 0.99, 0.88, 0.66, 0.42),
        (0.70, 0.80, 0.87, 0.94, 1.0, 0.98, 0.84, 0.64),
    ),
    "molar": (
        (-0.7, -0.3, 0.0, 0.2, 0.4, 0.62, 0.85, 1.05),
        (0.68, 0.74, 0.80, 0.90, 0.97, 1.0, 0.95, 0.86),
        (0.70, 0.78, 0.855, 0.975, 1.0, 0.92, 0.77, 0.62),
        (0.76, 0.82, 0.87, 0.94, 0.995, 0.98, 0.87, 0.72),
    ),
}
_SQUARENESS: Final[dict[str, tuple[float, float]]] = {
    # exponent of the cross-section's superellipse at the neck and at the top
    "lower incisor": (2.1, 2.3),
    "upper incisor": (2.1, 2.4),
    "canine": (2.0, 2.2),
    "premolar": (2.1, 2.5),
    "molar": (2.4, 3.0),
}
_CUSP_SLOPE: Final = 0.62
_CUSP_BLUNT_MM: Final = 0.8
_FISSURE_MM: Final = 0.16
_RIM_DROP_MM: Final = 1.15


@dataclass(frozen=True)
class Crown:
    """The shape of one tooth in its own axes."""

    form: ToothForm
    arch: Arch

    @property
    def _name(self) -> str:
        return f"{self.arch} incisor" if self.form.kind == "incisor" else self.form.kind

    @cached_property
    def _splines(self) -> tuple[CubicSpline[np.float64], ...]:
        heights, mesiodistal, buccal, lingual = _OUTLINES[self._name]
        half_u, half_v = self.form.mesiodistal_mm / 2.0, self.form.buccolingual_mm / 2.0
        return tuple(
            CubicSpline(heights, np.array(shares) * half, bc_type="natural")
            for shares, half in ((mesiodistal, half_u), (buccal, half_v), (lingual, half_v))
        )

    def half_widths_mm(self, share: Floats) -> tuple[Floats, Floats, Floats]:
        """Mesiodistal half width and the buccal and lingual reach at a share of the height."""
        at = np.clip(share, -0.7, 1.05)
        along, buccal, lingual = (np.asarray(spline(at)) for spline in self._splines)
        return along, buccal, lingual

    @property
    def contact_mm(self) -> float:
        """Height above the neck at which neighbours touch."""
        return (0.72 if self.form.kind == "incisor" else 0.62) * self.form.height_mm

    @property
    def contact_middle_mm(self) -> float:
        """How far buccal of the axis the middle of the crown lies at that height."""
        share = np.array([self.contact_mm / self.form.height_mm])
        _, buccal, lingual = self.half_widths_mm(share)
        return float(buccal[0] - lingual[0]) / 2.0

    def field(self, u_mm: Floats, v_mm: Floats, w_mm: Floats) -> Floats:
        """(n,) mm, negative inside."""
        share = w_mm / self.form.height_mm
        along, buccal, lingual = self.half_widths_mm(share)
        middle, deep = (buccal - lingual) / 2.0, (buccal + lingual) / 2.0
        v = v_mm - middle
        low, high = _SQUARENESS[self._name]
        power = low + (high - low) * np.clip(share, 0.0, 1.0) ** 2 * (
            3.0 - 2.0 * np.clip(share, 0.0, 1.0)
        )
        reach = ((np.abs(u_mm) / along) ** power + (np.abs(v) / deep) ** power) ** (1.0 / power)
        away = np.sqrt(u_mm**2 + v**2 + 1e-12)
        side = away * (1.0 - 1.0 / np.maximum(reach, 1e-3))
        round_mm = 0.45 if self.form.kind in ("incisor", "canine") else 0.8
        body = smooth_max(side, (w_mm - self._top(u_mm, v_mm)) * 0.88, round_mm)
        return smooth_max(body, -w_mm - _ROOT_MM, 1.0)

    def _top(self, u_mm: Floats, v_mm: Floats) -> Floats:
        """Height of the occlusal surface or incisal edge over (u, v)."""
        height = self.form.height_mm
        half_u, half_v = self.form.mesiodistal_mm / 2.0, self.form.buccolingual_mm / 2.0
        if self.form.kind == "incisor":
            # the distal corner is the rounder one
            corner = (u_mm / half_u) ** 2
            distal = 0.35 * np.maximum(u_mm / half_u, 0.0) ** 3
            top: Floats = height - 0.12 * corner - 0.35 * corner**3 - distal
            return top
        if self.form.kind == "canine":
            peak = height - 0.5 * (np.sqrt((u_mm + 0.25) ** 2 + 0.6**2) - 0.6)
            return np.asarray(peak)
        hills = [
            height - drop - _CUSP_SLOPE * (
                np.sqrt((u_mm - p * half_u) ** 2 + (v_mm - q * half_v) ** 2 + _CUSP_BLUNT_MM**2)
                - _CUSP_BLUNT_MM
            )
            for p, q, drop in self.form.cusps
        ]  # fmt: skip
        rim = height - _RIM_DROP_MM - (0.25 if self.form.kind == "molar" else 0.45)
        for p in (-0.86, 0.86):  # marginal ridges close the fissure mesially and distally
            out = (u_mm - p * half_u) * 1.3
            across = np.maximum(np.abs(v_mm) - 0.35 * half_v, 0.0)
            hills.append(rim - _CUSP_SLOPE * (np.sqrt(out**2 + across**2 + 0.3**2) - 0.3))
        stack = np.stack(hills)
        best = stack.max(axis=0)
        total: Floats = best + _FISSURE_MM * np.log(np.exp((stack - best) / _FISSURE_MM).sum(0))
        return total
