"""Arms made up for tests that need no tooth, or one that is known."""

from __future__ import annotations

from typing import Any

import numpy as np
from ball_tooth import EQUATOR_MM, RADIUS_MM

from blockout.arms.arm import Arm
from blockout.mesh import Floats


def arm_of(lower: Floats, *, depth_mm: float, **changed: Any) -> Arm:
    """A retentive arm 1 mm wide with this lower border."""
    count = len(lower)
    values: dict[str, Any] = {
        "name": "made",
        "tooth": 46,
        "aspect": "buccal",
        "role": "retentive",
        "form": "circumferential",
        "alloy": "cobalt-chromium",
        "section": "half-round",
        "undercut_mm": depth_mm,
        "centre": lower + np.array([0.0, 0.0, 0.5]),
        "lower": lower,
        "upper": lower + np.array([0.0, 0.0, 1.0]),
        "width_mm": np.ones(count),
        "depth_mm": np.full(count, depth_mm),
        "terminal_mm": lower[-1].copy(),
        "terminal_depth_mm": depth_mm,
        "terminal_wall_deg": 10.0,
        "crossing_share": None,
        "length_mm": float(np.linalg.norm(np.diff(lower, axis=0), axis=1).sum()),
        "margin_mm": None,
        "about_mm": np.array([0.0, 0.0, EQUATOR_MM]),
        "friction": 0.2,
        "by_hand": False,
    }
    return Arm(**(values | changed))


def made_arm(
    *,
    length_mm: float = 10.0,
    width_mm: float = 1.5,
    tip_share: float = 0.5,
    depth_mm: float = 0.25,
    **changed: Any,
) -> Arm:
    """A straight arm in the air."""
    lower = np.column_stack([np.linspace(0.0, length_mm, 11), np.zeros(11), np.zeros(11)])
    width = np.linspace(width_mm, width_mm * tip_share, 11)
    return arm_of(lower, depth_mm=depth_mm, width_mm=width, **changed)


def arm_on_parallel(below_mm: float, *, degrees: tuple[float, float] = (-40.0, 40.0)) -> Arm:
    """An arm on the ball whose lower border runs ``below_mm`` under the equator, about +y."""
    angle = np.radians(np.linspace(*degrees, 60))
    radius = np.sqrt(RADIUS_MM**2 - below_mm**2)
    lower = np.column_stack(
        [radius * np.sin(angle), radius * np.cos(angle), np.full(60, EQUATOR_MM - below_mm)]
    )
    return arm_of(lower, depth_mm=float(RADIUS_MM - radius) if below_mm > 0.0 else 0.0)
