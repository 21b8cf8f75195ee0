"""What a prescription came to, as plain JSON values: arms and their forces, teeth, class."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from math import isfinite
from typing import TYPE_CHECKING

from blockout.arms.mechanics import retention
from blockout.report.facts import Facts, json_ready

if TYPE_CHECKING:
    from blockout.arms.arm import Arm
    from blockout.surveying.by_tooth import ToothSurvey
    from blockout.teeth.kennedy import KennedyClass


def prescription_facts(
    *,
    arms: Sequence[Arm],
    teeth: Sequence[ToothSurvey],
    kennedy: KennedyClass | None,
) -> Facts:
    """``arms``, ``retention``, ``teeth`` and ``kennedy`` of ``summary.json``.

    Forces are an estimate; its assumptions stand beside them. A force that is without bound, where
    an arm would jam, is told as None.
    """
    held = [arm for arm in arms if arm.role != "retentive" or arm.terminal_depth_mm > 0.0]
    forces = retention(held)
    told = {
        "arms": [
            asdict(one) | {"withdrawal_n": one.withdrawal_n if isfinite(one.withdrawal_n) else None}
            for one in forces.arms
        ],
        "spread_n": forces.spread_n,
        "assumptions": forces.assumptions,
    }
    facts: Facts = json_ready(
        {
            "arms": [arm_facts(arm) for arm in arms],
            "retention": told,
            "teeth": [tooth.facts() for tooth in teeth],
            "kennedy": None
            if kennedy is None
            else {
                "class": kennedy.number,
                "modifications": kennedy.modifications,
                "spans": kennedy.spans,
                "text": kennedy.text,
            },
        }
    )
    return facts


def arm_facts(arm: Arm) -> Facts:
    """One arm: what was asked, what it came to, and where it runs."""
    return {
        "name": arm.name,
        "tooth": arm.tooth,
        "aspect": arm.aspect,
        "role": arm.role,
        "form": arm.form,
        "alloy": arm.alloy,
        "section": arm.section,
        "by_hand": arm.by_hand,
        "undercut_mm": arm.undercut_mm,
        "terminal_depth_mm": arm.terminal_depth_mm,
        "terminal_at_mm": arm.terminal_mm,
        "terminal_wall_deg": arm.terminal_wall_deg,
        "crossing_share": arm.crossing_share,
        "length_mm": arm.length_mm,
        "margin_mm": arm.margin_mm,
        "centre_mm": arm.centre,
        "notes": arm.notes,
    }
