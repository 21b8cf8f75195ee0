"""What laid arms warn of."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from blockout.arms.arm import Arm
from blockout.arms.mechanics import retention
from blockout.case.prescription import Prescription
from blockout.cast.change import place_of
from blockout.check.margins import MarginedTeeth, margin_gap
from blockout.check.warnings import TradeWarning
from blockout.errors import Place
from blockout.kernel.surfaces import distance_mm
from blockout.mesh import Floats, Mesh
from blockout.wax.wax import Wax

LEAST_UNDERCUT_MM = 0.25
"""Published: the smallest undercut of a cast arm."""
MOST_UNDERCUT_MM = 0.75
"""Published: the upper limit of a usable undercut."""
GAUGE_SLACK_MM = 0.02
"""Gauges of 0.010 in and 0.25 mm are one; a terminal is laid to within this."""
_BELOW_MM = 0.02
_RIGID_SHARE = 0.6
"""Published: the terminal third, or quarter, is what may lie below the survey line; of the other
two thirds the last bit is where the border turns down."""
_RIGID_BELOW_MM = 0.05
_BEFORE_TIP_MM = 0.5
_ABOVE_BORDER_MM = 0.2
_CLEAR_MM = 0.03


def arm_warnings(
    arms: Sequence[Arm],
    waxes: Sequence[Wax],
    *,
    prescription: Prescription,
    teeth: MarginedTeeth | None = None,
) -> tuple[TradeWarning, ...]:
    """Warnings of the trade about arms.

    ``undercut_small``, ``undercut_large``: a terminal under 0.25 or over 0.75 mm (published).
    ``arm_near_margin``: the lower border comes nearer to the gingival margin than asked (1 mm,
    common practice). ``rigid_below_survey_line``: a reciprocal arm dips into an undercut, or the
    rigid part of a retentive one, its first three fifths, does by more than 0.05 mm; approach arms
    of bar clasps come from below and are left out. ``stress_over_proof``: an arm would stay bent.
    ``terminal_covered``: wax lies on a terminal.

    Each has a place; with ``teeth`` that of ``arm_near_margin`` is where the border is nearest to
    the margin, without it is the terminal.
    """
    found: list[TradeWarning] = []
    for arm, asked in zip(arms, prescription.arm, strict=True):
        found += _of_one(arm, teeth, above_margin_mm=asked.above_margin_mm)
        covered_by = _covering(arm, waxes)
        if covered_by is not None:
            found.append(
                TradeWarning(
                    "terminal_covered",
                    f"Wax of {covered_by} lies at the terminal of the arm {arm.name}: its undercut "
                    "is not open. Keep that wax out of the arm's window.",
                    (place_of(arm.terminal_mm),),
                )
            )
    held = [arm for arm in arms if arm.role == "retentive" and arm.terminal_depth_mm > 0.0]
    for arm, force in zip(held, retention(held).arms, strict=True):
        if force.warning is not None:
            said = force.warning[0].upper() + force.warning[1:]
            found.append(TradeWarning("stress_over_proof", said, (place_of(arm.terminal_mm),)))
    return tuple(found)


def _of_one(arm: Arm, teeth: MarginedTeeth | None, *, above_margin_mm: float) -> list[TradeWarning]:
    found = []
    place = (place_of(arm.terminal_mm),)
    depth_mm = arm.terminal_depth_mm
    if arm.role == "retentive" and depth_mm < LEAST_UNDERCUT_MM - GAUGE_SLACK_MM:
        found.append(
            TradeWarning(
                "undercut_small",
                f"The terminal of the arm {arm.name} lies in an undercut of {depth_mm:.2f} mm, "
                f"under {LEAST_UNDERCUT_MM:g}: it may not hold. Ask for more (undercut_mm), or "
                "tilt the path.",
                place,
            )
        )
    if arm.role == "retentive" and depth_mm > MOST_UNDERCUT_MM + GAUGE_SLACK_MM:
        found.append(
            TradeWarning(
                "undercut_large",
                f"The terminal of the arm {arm.name} lies in an undercut of {depth_mm:.2f} mm, "
                f"over {MOST_UNDERCUT_MM:g}: it strains tooth and arm. Ask for less "
                "(undercut_mm).",
                place,
            )
        )
    if arm.margin_mm is not None and arm.margin_mm < above_margin_mm - 0.005:
        found.append(
            TradeWarning(
                "arm_near_margin",
                f"The arm {arm.name} comes to {max(arm.margin_mm, 0.0):.2f} mm from the gingival "
                f"margin, under {above_margin_mm:g}: lay it higher, make it narrower, or tilt the "
                "path.",
                (_nearest_to_margin(arm, teeth),),
            )
        )
    dips = _dips(arm)
    if dips is not None:
        part = "reciprocal arm" if arm.role == "reciprocal" else "rigid part of the arm"
        found.append(
            TradeWarning(
                "rigid_below_survey_line",
                f"The {part} {arm.name} dips {arm.depth_mm[dips]:.2f} mm below the survey line: it "
                "does not pass the undercut. Lay it at the height of contour or above.",
                (place_of(arm.lower[dips]),),
            )
        )
    return found


def _dips(arm: Arm) -> int | None:
    """Point of the lower border where a rigid part is deepest below the survey line; None where it
    is not.
    """
    if arm.role == "reciprocal":
        rigid, allowed_mm = len(arm.lower), _BELOW_MM
    elif arm.form == "circumferential":
        along_mm = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(arm.lower, axis=0), axis=1))]
        rigid = int(np.searchsorted(along_mm, _RIGID_SHARE * along_mm[-1], side="right"))
        allowed_mm = _RIGID_BELOW_MM
    else:
        return None
    deepest = int(arm.depth_mm[:rigid].argmax())
    return deepest if arm.depth_mm[deepest] > allowed_mm else None


def _nearest_to_margin(arm: Arm, teeth: MarginedTeeth | None) -> Place:
    gap = margin_gap(arm.lower, teeth, tooth=arm.tooth)
    return place_of(arm.terminal_mm) if gap is None else gap.line_at_mm


def _covering(arm: Arm, waxes: Sequence[Wax]) -> str | None:
    """Name of the wax that lies on the bearing surface at a retentive terminal, if any does."""
    if arm.role != "retentive":
        return None
    # a little before the tip and above the border on which the ledge stands: within the window
    before_mm = np.linalg.norm(arm.lower - arm.lower[-1], axis=1)
    at = int(np.flatnonzero(before_mm >= _BEFORE_TIP_MM)[-1])
    inward = arm.upper[at] - arm.lower[at]
    point = arm.lower[at] + inward * (_ABOVE_BORDER_MM / max(float(np.linalg.norm(inward)), 1e-9))
    for wax in waxes:
        if wax.mesh is not None and _on(wax.mesh, point):
            return wax.name
    return None


def _on(mesh: Mesh, point: Floats) -> bool:
    return bool(distance_mm(mesh, point[None])[0] < _CLEAR_MM)
