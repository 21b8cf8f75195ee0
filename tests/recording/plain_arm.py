"""An arm of which all is known, with its terminal on a ball or anywhere else."""

from __future__ import annotations

import math

import numpy as np

from blockout.arms.arm import Arm
from blockout.case.arm_settings import Role
from blockout.mesh import Floats

RADIUS_MM, EQUATOR_MM = 5.0, 3.5


def terminal_at(depth_mm: float) -> Floats:
    """On a ball about (0, 0, equator), toward +y, where the undercut straight down is so deep:
    h = sqrt(R^2 - (R - u)^2) under the equator (closed form: circle).
    """
    below = math.sqrt(RADIUS_MM**2 - (RADIUS_MM - depth_mm) ** 2)
    return np.array([0.0, RADIUS_MM - depth_mm, EQUATOR_MM - below])


def arm_at(depth_mm: float, role: Role = "retentive") -> Arm:
    """An arm with its terminal so deep on the ball."""
    return arm_ending(terminal_at(depth_mm), depth_mm=depth_mm, role=role)


def arm_ending(terminal_mm: Floats, *, depth_mm: float, role: Role = "retentive") -> Arm:
    """A half-round arm 10 mm long, 1.5 mm wide at its origin and half of that at its tip."""
    lower = np.column_stack([np.linspace(-10.0, 0.0, 11), np.zeros(11), np.zeros(11)])
    lower = lower + terminal_mm
    if role == "reciprocal":
        lower = np.repeat(terminal_mm[None], 11, axis=0)
    return Arm(
        name="arm",
        tooth=46,
        aspect="buccal",
        role=role,
        form="circumferential",
        alloy="cobalt-chromium",
        section="half-round",
        undercut_mm=depth_mm if role == "retentive" else 0.0,
        centre=lower.copy(),
        lower=lower,
        upper=lower.copy(),
        width_mm=np.linspace(1.5, 0.75, 11),
        depth_mm=np.full(11, depth_mm),
        terminal_mm=terminal_mm.copy(),
        terminal_depth_mm=depth_mm,
        terminal_wall_deg=10.0,
        crossing_share=None,
        length_mm=10.0,
        margin_mm=None,
        about_mm=np.array([0.0, 0.0, EQUATOR_MM]),
        friction=0.2,
        by_hand=False,
    )
