"""The course of a line round a crown: a smooth height for each place along it, kept within bounds.

A spline of few pieces is fitted to the heights wanted, with a price on its bending. Where it
leaves its bounds, the bound itself is asked for with a weight that hardly yields, and the fit is
repeated (asymmetric least squares on a penalised spline; after P. Eilers and B. Marx, 1996).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import BSpline

from blockout.mesh import Floats

_PIECES = 12
_ROUNDS = 25
_BOUND = 300.0


@dataclass(frozen=True, eq=False)
class Wanted:
    """Heights asked for along a line, each (k,), mm.

    ``weight`` says how much each counts; ``low`` and ``high`` are bounds, infinite where there is
    none. Where they contradict each other, ``low`` holds.
    """

    height_mm: Floats
    weight: Floats
    low: Floats
    high: Floats


def smooth_course(along: Floats, wanted: Wanted, *, bending: float = 1e-2) -> Floats:
    """(k,) smooth heights at ``along`` (k,), which runs from 0 to 1.

    Parameters
    ----------
    bending : float
        Price of bending against that of missing a height.
    """
    inner = np.linspace(0.0, 1.0, _PIECES + 1)
    knots = np.r_[[0.0] * 3, inner, [1.0] * 3]
    basis = BSpline.design_matrix(np.clip(along, 0.0, 1.0), knots, 3).toarray()
    rough = np.diff(np.eye(basis.shape[1]), n=2, axis=0)
    scale = bending * float(len(along))
    target, weight = wanted.height_mm, wanted.weight
    high = np.maximum(wanted.high, wanted.low)
    heights = target
    for _ in range(_ROUNDS):
        weighted = basis * weight[:, None]
        sums = basis.T @ weighted + scale * rough.T @ rough
        heights = basis @ np.linalg.solve(sums, weighted.T @ target)
        under, over = heights < wanted.low - 1e-4, heights > high + 1e-4
        target = np.where(under, wanted.low, np.where(over, high, wanted.height_mm))
        # a bound once touched keeps its weight, or the fit would swing about it
        weight = np.maximum(weight, np.where(under | over, _BOUND, 0.0))
        bound = weight >= _BOUND
        held = bound & ~under & ~over & (wanted.weight < _BOUND)
        target = np.where(held, np.clip(wanted.height_mm, wanted.low, high), target)
    return heights
