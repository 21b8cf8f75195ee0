"""How many placings must be tried so that the least and the greatest mean something.

Of n independent trials of anything, whatever its distribution, the interval from the r-th least to
the r-th greatest holds a share of all outcomes that is distributed as Beta(n + 1 - 2 r, 2 r). For
r = 1 it holds a share p with confidence ``1 - n p^(n-1) + (n - 1) p^n`` (S. S. Wilks, Annals of
Mathematical Statistics 12 (1941) 91-96): 93 trials give 95 % with 95 % confidence.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.special import betaincc

from blockout.mesh import Floats

COVERAGE: Final = 0.95
CONFIDENCE: Final = 0.95


def confidence_of(trials: int, *, rank: int = 1, coverage: float = COVERAGE) -> float:
    """Confidence that the interval from the ``rank``-th least to the ``rank``-th greatest of
    ``trials`` holds at least ``coverage`` of all outcomes.

    >>> round(confidence_of(93), 4), round(confidence_of(92), 4)
    (0.95, 0.9479)
    """
    inner = trials + 1 - 2 * rank
    return float(betaincc(inner, 2 * rank, coverage)) if inner > 0 else 0.0


def trials_needed(
    *, rank: int = 1, coverage: float = COVERAGE, confidence: float = CONFIDENCE
) -> int:
    """The fewest trials of which that interval holds the share with that confidence.

    >>> [trials_needed(rank=rank) for rank in (1, 2, 3)]
    [93, 153, 208]
    """
    trials = 2 * rank
    while confidence_of(trials, rank=rank, coverage=coverage) < confidence:
        trials += 1
    return trials


def rank_for(trials: int, *, coverage: float = COVERAGE, confidence: float = CONFIDENCE) -> int:
    """The largest rank whose interval holds the share with that confidence; 1 where none does."""
    rank = 1
    while confidence_of(trials, rank=rank + 1, coverage=coverage) >= confidence:
        rank += 1
    return rank


def interval(values: Floats, *, rank: int) -> tuple[float, float]:
    """From the ``rank``-th least to the ``rank``-th greatest of (n,) values."""
    ordered = np.sort(values)
    return float(ordered[rank - 1]), float(ordered[-rank])
