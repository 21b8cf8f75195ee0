"""The line in which the two sides of an arch mirror each other best."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.spatial import cKDTree

from blockout.mesh import Floats

_GRIDS: Final = (
    (2.5, 18, 1.0, 9, 3),
    (0.5, 6, 0.2, 6, 1),
    (0.1, 6, 0.05, 5, 1),
    (0.02, 6, 0.01, 5, 1),
)
"""The line is sought on grids round the last best: step in degrees and how many each way, the
same in mm, and which points of a trace are tried (every third, at first)."""
_MISFIT_MOST: Final = 9.0
"""Square of the misfit, in standard deviations, beyond which it counts no more."""


@dataclass(frozen=True, eq=False)
class Trace:
    """A line round the arch from one end to the other.

    Parameters
    ----------
    points_mm : (n, 2) float
        In order, evenly spaced.
    spread_mm : (n,) float
        How far, as a standard deviation, each point may stray from a perfectly mirrored arch.
    """

    points_mm: Floats
    spread_mm: Floats


@dataclass(frozen=True, eq=False)
class Midline:
    """The best mirror line.

    Parameters
    ----------
    front : (2,) float
        Unit direction along it, to the side it was sought on.
    nearest_mm : (2,) float
        Its point nearest to the origin.
    apart_mm : (k,) float
        Root mean square distance of each trace from its mirror image, where they pair.
    paired_share : (k,) float
        Share of each trace that has a partner across the line.
    """

    front: Floats
    nearest_mm: Floats
    apart_mm: Floats
    paired_share: Floats


def find_midline(traces: tuple[Trace, ...], *, toward: Floats) -> Midline:
    """The line within 45 degrees of ``toward`` (2,) and 9 mm of the origin that mirrors the
    traces onto themselves with the least misfit.

    The misfit of a mirrored point is its distance to the nearest point of its trace in standard
    deviations, squared, and capped: what has no partner on the other side, such as the longer
    of two legs, costs the same wherever it lies. The grids are laid from ``toward``, so the
    answer turns with it; its steps end at 0.02 degrees and 0.01 mm.
    """
    trees = tuple(cKDTree(trace.points_mm) for trace in traces)
    turn, shift_mm = float(np.arctan2(toward[1], toward[0])), 0.0
    for turn_step_deg, turns, shift_step_mm, shifts, every in _GRIDS:
        all_turns = turn + np.radians(turn_step_deg * np.arange(-turns, turns + 1))
        all_shifts_mm: Floats = shift_mm + shift_step_mm * np.arange(-shifts, shifts + 1.0)
        least = np.inf
        for each in all_turns:
            costs = np.zeros(len(all_shifts_mm))
            for trace, tree in zip(traces, trees, strict=True):
                misfit = _misfit(trace, tree, float(each), all_shifts_mm, every=every)[0]
                costs += np.minimum(misfit, _MISFIT_MOST).mean(axis=1)
            k = int(np.argmin(costs))
            if costs[k] < least:
                least, turn, shift_mm = float(costs[k]), float(each), float(all_shifts_mm[k])

    apart_mm, paired_share = np.full(len(traces), np.inf), np.zeros(len(traces))
    for k, (trace, tree) in enumerate(zip(traces, trees, strict=True)):
        misfit, apart = _misfit(trace, tree, turn, np.array([shift_mm], dtype=np.float64))
        paired = misfit < _MISFIT_MOST
        paired_share[k] = paired.mean()
        if paired.any():
            apart_mm[k] = np.sqrt(np.mean(apart[paired] ** 2))
    front = np.array([np.cos(turn), np.sin(turn)])
    return Midline(
        front=front,
        nearest_mm=shift_mm * np.array([front[1], -front[0]]),
        apart_mm=apart_mm,
        paired_share=paired_share,
    )


def _misfit(
    trace: Trace, tree: cKDTree, turn: float, shifts_mm: Floats, *, every: int = 1
) -> tuple[Floats, Floats]:
    """(k, n) squared misfit of each point mirrored in the line in direction ``turn`` (radians),
    each of (k,) ``shifts_mm`` to its right, and its distance in mm. A point that lands beyond an
    end of the trace has no partner.
    """
    right = np.array([np.sin(turn), -np.cos(turn)])
    points = trace.points_mm[::every]
    aside = points @ right - shifts_mm[:, None]
    images = points - 2.0 * aside[:, :, None] * right
    found, partner = tree.query(images)
    apart: Floats = np.asarray(found, dtype=np.float64)
    variance = trace.spread_mm**2
    misfit = apart**2 / (variance[::every] + variance[partner])
    misfit[(partner == 0) | (partner == len(variance) - 1)] = np.inf
    return misfit, apart
