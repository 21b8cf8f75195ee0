"""What laid arms warn of."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from blockout.arms.arm import Arm
from blockout.arms.mechanics import retention
from blockout.case.prescription import Prescription
from blockout.cast.change import place_of
from blockout.check.warnings import TradeWarning
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
_BEFORE_TIP_MM = 0.5
_ABOVE_BORDER_MM = 0.2
_CLEAR_MM = 0.03


def arm_warnings(
    arms: Sequence[Arm], waxes: Sequence[Wax], *, prescription: Prescription
) -> tuple[TradeWarning, ...]:
    """Warnings of the trade about arms.

    ``undercut_small``, ``undercut_large``: a terminal under 0.25 or over 0.75 mm (published).
    ``arm_near_margin``: the lower border comes nearer to the gingival margin than asked (1 mm,
    common practice). ``rigid_below_survey_line``: a reciprocal arm dips into an undercut.
    ``stress_over_proof``: an arm would stay bent. ``terminal_covered``: wax lies on a terminal.
    """
    found: list[TradeWarning] = []
    for arm, asked in zip(arms, prescription.arm, strict=True):
        found += _of_one(arm, above_margin_mm=asked.above_margin_mm)
        covered_by = _covering(arm, waxes)
        if covered_by is not None:
            found.append(
                TradeWarning(
                    "terminal_covered",
                    f"Wax of {covered_by} lies at the terminal of the arm {arm.name}: its undercut "
                    "is not open.",
                    (place_of(arm.terminal_mm),),
                )
            )
    held = [arm for arm in arms if arm.role == "retentive" and arm.terminal_depth_mm > 0.0]
    found += [TradeWarning("stress_over_proof", said) for said in retention(held).warnings]
    return tuple(found)


def _of_one(arm: Arm, *, above_margin_mm: float) -> list[TradeWarning]:
    found = []
    place = (place_of(arm.terminal_mm),)
    depth_mm = arm.terminal_depth_mm
    if arm.role == "retentive" and depth_mm < LEAST_UNDERCUT_MM - GAUGE_SLACK_MM:
        found.append(
            TradeWarning(
                "undercut_small",
                f"The terminal of the arm {arm.name} lies in an undercut of {depth_mm:.2f} mm, "
                f"under {LEAST_UNDERCUT_MM:g}: it may not hold.",
                place,
            )
        )
    if arm.role == "retentive" and depth_mm > MOST_UNDERCUT_MM + GAUGE_SLACK_MM:
        found.append(
            TradeWarning(
                "undercut_large",
                f"The terminal of the arm {arm.name} lies in an undercut of {depth_mm:.2f} mm, "
                f"over {MOST_UNDERCUT_MM:g}: it strains tooth and arm.",
                place,
            )
        )
    if arm.margin_mm is not None and arm.margin_mm < above_margin_mm - 0.005:
        found.append(
            TradeWarning(
                "arm_near_margin",
                f"The arm {arm.name} comes to {max(arm.margin_mm, 0.0):.2f} mm from the gingival "
                f"margin, under {above_margin_mm:g}.",
                place,
            )
        )
    dips = int(arm.depth_mm.argmax())
    if arm.role == "reciprocal" and arm.depth_mm[dips] > _BELOW_MM:
        found.append(
            TradeWarning(
                "rigid_below_survey_line",
                f"The reciprocal arm {arm.name} dips {arm.depth_mm[dips]:.2f} mm into an undercut: "
                "a rigid part does not pass it.",
                (place_of(arm.lower[dips]),),
            )
        )
    return found


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
