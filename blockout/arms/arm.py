"""An arm: a band on the surface of a tooth, from its origin to its tip."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blockout.case.arm_settings import AlloyName, Form, Role, SectionShape
from blockout.mesh import Floats


@dataclass(frozen=True, eq=False)
class Arm:
    """An arm laid on a cast. All points in file coordinates, mm, from the origin to the tip.

    The *terminal* is the tip's end of the lower border: there the ledge stands, and nothing of the
    arm reaches deeper. The undercut asked for is the depth at that point.

    Parameters
    ----------
    name : str
    tooth : int
        ISO 3950.
    aspect : str
    role : "retentive" or "reciprocal"
    form : "circumferential" or "bar"
    alloy : str
    section : "half-round" or "round"
    undercut_mm : float
        Asked for; 0 for a reciprocal arm.
    centre : (k, 3) float
        Middle line on the surface.
    lower, upper : (k, 3) float
        Borders on the surface, half the width from the middle line, square to it.
    width_mm : (k,) float
    depth_mm : (k,) float
        Undercut depth along the lower border; 0 where it can be seen along the path.
    terminal_mm : (3,) float
    terminal_depth_mm : float
        Measured there.
    terminal_wall_deg : float
        Angle between the tooth's wall and the path at the terminal, positive in an undercut.
    crossing_share : float or None
        Share of the middle line, from the origin, at which it passes below the survey line for
        good; None where it never does.
    length_mm : float
        Of the middle line.
    margin_mm : float or None
        Least distance of the lower border from the gingival margin; None where that is not known.
    about_mm : (3,) float
        A point within the tooth: seen along the path, the arm turns about it one way.
    friction : float
    by_hand : bool
    notes : tuple of str
    """

    name: str
    tooth: int
    aspect: str
    role: Role
    form: Form
    alloy: AlloyName
    section: SectionShape
    undercut_mm: float
    centre: Floats
    lower: Floats
    upper: Floats
    width_mm: Floats
    depth_mm: Floats
    terminal_mm: Floats
    terminal_depth_mm: float
    terminal_wall_deg: float
    crossing_share: float | None
    length_mm: float
    margin_mm: float | None
    about_mm: Floats
    friction: float
    by_hand: bool
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        count = len(self.centre)
        for name in ("centre", "lower", "upper"):
            if getattr(self, name).shape != (count, 3):
                raise ValueError(f"{name} has one point for each point of the middle line")
        if self.width_mm.shape != (count,) or self.depth_mm.shape != (count,):
            raise ValueError("width and depth are given at each point of the middle line")
        for name in ("centre", "lower", "upper", "width_mm", "depth_mm", "terminal_mm", "about_mm"):
            getattr(self, name).setflags(write=False)


def length_mm(points_mm: Floats) -> float:
    """Length of a line through points (k, 3)."""
    return float(np.linalg.norm(np.diff(points_mm, axis=0), axis=1).sum())
