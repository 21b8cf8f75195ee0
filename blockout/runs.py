"""Rows written out, each as many times as it counts."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]


def written_out(count: Ints) -> tuple[Ints, Ints]:
    """For rows that count (k,) each, row after row: the number of the row, and how many of that row
    came before.
    """
    row = np.repeat(np.arange(len(count)), count)
    return row, np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
