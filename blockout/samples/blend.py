"""Joining fields without an edge: smooth maximum and minimum with a reach."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from blockout.mesh import Floats


def smooth_min(one: ArrayLike, other: ArrayLike, reach_mm: float) -> Floats:
    """Minimum, rounded where the two differ by less than ``reach_mm``; twice differentiable.

    Equal to the plain minimum elsewhere, so that a field has no say far from its own surface.
    Own derivation: the minimum less ``reach / 6 (1 - |difference| / reach)^3``.

    >>> float(smooth_min(1.0, 5.0, 2.0)), round(float(smooth_min(0.0, 0.0, 3.0)), 3)
    (1.0, -0.5)
    """
    one, other = np.asarray(one, dtype=np.float64), np.asarray(other, dtype=np.float64)
    near = np.maximum(1.0 - np.abs(one - other) / reach_mm, 0.0)
    blended: Floats = np.minimum(one, other) - near * near * near * (reach_mm / 6.0)
    return blended


def smooth_max(one: ArrayLike, other: ArrayLike, reach_mm: float) -> Floats:
    """Maximum, rounded in the same way."""
    return -smooth_min(-np.asarray(one), -np.asarray(other), reach_mm)
