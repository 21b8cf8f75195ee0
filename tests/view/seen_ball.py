"""A ball on a plate as the view has it, by closed forms."""

from __future__ import annotations

from typing import Any

import numpy as np
from view_browser import Browser, turned_frame

from blockout.mesh import Floats

RADIUS_MM = 5.0
MIDDLE_MM = np.array([0.0, 0.0, 4.5])  # cast frame
FACET_MM = 0.0065  # closed form: a regular 64-gon inscribed in R 5 lies 6.02 um inside at most
# two such errors on a facet that is curved both ways
BALL_MM = 2.0 * FACET_MM


def to_cast(point_mm: Any) -> Floats:
    return turned_frame().points_to_cast(np.array(point_mm, dtype=np.float64))


def from_cast(point_mm: Any) -> Floats:
    return turned_frame().points_to_file(np.array(point_mm, dtype=np.float64))


def ball_hit(origin_mm: Floats, direction: Floats) -> Floats:
    """Closed form: where a ray first meets the ball, cast frame."""
    off = origin_mm - MIDDLE_MM
    half = float(off @ direction)
    root = np.sqrt(half**2 - float(off @ off) + RADIUS_MM**2)
    return origin_mm + (-half - root) * direction


def last(view: Browser, name: str, count: int) -> Any:
    """The newest event of a name, once there are more than ``count``."""
    view.until(lambda: len(view.told(name)) > count, f"{name} was told")
    return view.told(name)[-1]
