"""Where each tooth stands: its place on the arch and its axes, drift and tilt included."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.mesh import Bools, Floats
from blockout.samples.crown import Crown
from blockout.samples.curve import ArchCurve
from blockout.samples.plan import CastPlan
from blockout.samples.teeth import side_of, teeth_of

_CONTACT_SHARE: Final = 0.985
"""Neighbours share this much of their summed widths, so that contacts touch and fuse."""
_SPEE_MM: Final = 1.0
"""Depth of the occlusal curve (from memory): lower premolars low, upper ones correspondingly."""


@dataclass(frozen=True, eq=False)
class Standing:
    """One tooth, or the gap of a missing one, on the arch; cast frame, mm.

    Parameters
    ----------
    number : int
        ISO 3950.
    present : bool
    crown : Crown
    along_mm : float
        Place along the arch curve, from the midline, positive on +x.
    neck_mm : (3,) float
        Middle of the neck.
    axes : (3, 3) float
        Columns: distal, buccal, out of the gum. Left-handed on one side of the arch.
    regular_neck_mm : (3,) float
        Where the neck would be without drift; the ridge follows this one's height.
    """

    number: int
    present: bool
    crown: Crown
    along_mm: float
    neck_mm: Floats
    axes: Floats
    regular_neck_mm: Floats

    @property
    def axis(self) -> Floats:
        """(3,) the long axis, out of the gum."""
        out: Floats = self.axes[:, 2]
        return out

    def field(self, points_mm: Floats) -> Floats:
        """(n,) of the crown at points (n, 3) of the cast frame."""
        own = (points_mm - self.neck_mm) @ self.axes
        return self.crown.field(own[:, 0], own[:, 1], own[:, 2])

    @property
    def middle_mm(self) -> Floats:
        """(3,) middle of crown and root stub."""
        return self.neck_mm + self.axis * (self.crown.form.height_mm - 5.0) / 2.0

    @property
    def radius_mm(self) -> float:
        """Of a ball about ``middle_mm`` that holds the crown with room for joining."""
        form = self.crown.form
        half = (form.mesiodistal_mm / 2.0, form.buccolingual_mm / 2.0, form.height_mm / 2.0 + 2.5)
        return float(np.linalg.norm(half)) + 1.0

    def reaches(self, points_mm: Floats) -> Bools:
        """(n,) which points are near enough for the crown to matter."""
        near: Bools = np.abs(points_mm[:, 0] - self.middle_mm[0]) < self.radius_mm
        near[near] = np.linalg.norm(points_mm[near] - self.middle_mm, axis=1) < self.radius_mm
        return near


def _turned(angle_deg: float, toward: int, away: int) -> Floats:
    """Rotation in the plane of two own axes, from axis ``away`` toward axis ``toward``."""
    turn = np.eye(3)
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    turn[[away, toward], [away, toward]] = c
    turn[toward, away], turn[away, toward] = s, -s
    return turn


def stand_teeth(plan: CastPlan, curve: ArchCurve) -> tuple[Standing, ...]:
    """All fourteen places in order of arch length, from -x to +x."""
    forms = teeth_of(plan.arch)
    edge = {-1: 0.0, 1: 0.0}
    standings = []
    for number in sorted(forms):
        form, side = forms[number], side_of(number)
        crown, drift = Crown(form, plan.arch), plan.drift_of(number)
        width = form.mesiodistal_mm * _CONTACT_SHARE
        regular = edge[side] + width / 2.0
        edge[side] += width
        along = side * (regular - drift.mesial_mm)
        upright = _upright(curve, along, side)
        lean = upright @ _turned(-form.lingual_lean_deg, 1, 2)
        tilt = drift.lingual_tip_deg + (
            plan.molar_lingual_tilt_deg if form.kind == "molar" else 0.0
        )
        axes = (
            lean @ _turned(-tilt, 1, 2) @ _turned(-drift.mesial_tip_deg, 0, 2)
            @ _turned(-drift.turn_deg, 1, 0)
        )  # fmt: skip
        curve_of_spee = _SPEE_MM * np.sin(np.pi * min(regular / 52.0, 1.0))
        height = -curve_of_spee if plan.arch == "lower" else curve_of_spee - _SPEE_MM
        reach = np.cos(np.radians(form.lingual_lean_deg)) * form.height_mm
        # at the height of its contacts the crown's middle stands on the curve, whatever its lean
        lean_rad = np.radians(form.lingual_lean_deg)
        out = np.sin(lean_rad) * crown.contact_mm - np.cos(lean_rad) * crown.contact_middle_mm
        neck = np.r_[curve.point(along), height - reach] + upright[:, 1] * out
        moved = neck + upright[:, 1] * drift.buccal_mm + upright[:, 2] * drift.occlusal_mm
        standings.append(
            Standing(
                number=number,
                present=number not in plan.missing,
                crown=crown,
                along_mm=along,
                neck_mm=moved,
                axes=axes,
                regular_neck_mm=neck,
            )
        )
    return tuple(sorted(standings, key=lambda standing: standing.along_mm))


def _upright(curve: ArchCurve, along_mm: float, side: int) -> Floats:
    """Axes of an upright tooth: distal, buccal, up, as columns."""
    tangent, outward = curve.tangent(along_mm) * side, curve.outward(along_mm)
    return np.array([[tangent[0], outward[0], 0.0], [tangent[1], outward[1], 0.0], [0.0, 0.0, 1.0]])
