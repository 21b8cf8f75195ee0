"""Whether the volume of wax that is made has moved away from what it used to be.

A chart of single values (Shewhart chart, ISO 7870-2) of actual less expected volume in percent of
the expected. The first twenty comparisons set the mean and the standard deviation; two rules of the
Western Electric Statistical Quality Control Handbook (1956) tell a change:

* a value more than three standard deviations from the mean (rule 1),
* eight in a row on one side of the mean (rule 4).

Where nothing changes, mean and deviation being known, the two together raise a false alarm once in
about 153 comparisons.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from blockout.history.entry import Entry
from blockout.mesh import Bools

FIRST: Final = 20
"""Comparisons that set mean and standard deviation (common practice: 20 to 25)."""
LIMIT_SD: Final = 3.0
RUN: Final = 8
RECENT: Final = 8
"""The last comparisons, whose flags say that there is drift now."""
RULE: Final = (
    f"Flagged: more than {LIMIT_SD:g} standard deviations from the mean of the first {FIRST} "
    f"comparisons, or the last of {RUN} or more in a row on one side of it (Western Electric "
    "rules 1 and 4)."
)
_EQUAL: Final = 1e-9  # percent; below it values differ by rounding only


@dataclass(frozen=True)
class Trend:
    """What the comparisons of a log say together.

    Parameters
    ----------
    numbers : tuple of int
        Rows of the log, oldest first.
    off_percent : tuple of float
        Actual less expected volume of each, in percent of the expected.
    mean_percent, sd_percent : float or None
        Of the first twenty, or of all where there are fewer; the standard deviation (n - 1) needs
        two.
    settled : bool
        There were twenty, so that the rules apply.
    outside, run : tuple of bool
        Which values break rule 1, and rule 4.
    """

    numbers: tuple[int | None, ...]
    off_percent: tuple[float, ...]
    mean_percent: float | None
    sd_percent: float | None
    settled: bool
    outside: tuple[bool, ...]
    run: tuple[bool, ...]

    @property
    def flagged(self) -> tuple[bool, ...]:
        """Values that break either rule."""
        return tuple(a or b for a, b in zip(self.outside, self.run, strict=True))

    @property
    def drifts(self) -> bool:
        """Any of the last few is flagged."""
        return any(self.flagged[-RECENT:])


def trend_of(entries: Sequence[Entry]) -> Trend:
    """The trend of all comparisons among ``entries`` in which wax was expected."""
    used = [
        (one.number, one.off_percent)
        for one in entries
        if one.kind == "compare" and one.off_percent is not None
    ]
    numbers = tuple(number for number, _ in used)
    off = tuple(float(value) for _, value in used if value is not None)
    first = np.array(off[:FIRST])
    mean = float(first.mean()) if len(first) else None
    sd = float(first.std(ddof=1)) if len(first) > 1 else None
    settled = len(off) >= FIRST
    outside = run = (False,) * len(off)
    if settled and mean is not None and sd is not None:
        outside = tuple(beyond_limits(off, mean=mean, sd=sd).tolist())
        run = tuple(in_run(off, mean=mean).tolist())
    return Trend(numbers, off, mean, sd, settled, outside, run)


def beyond_limits(values: ArrayLike, *, mean: float, sd: float) -> Bools:
    """Rule 1: which values lie more than three standard deviations from the mean.

    >>> beyond_limits([0.0, 2.9, -3.1], mean=0.0, sd=1.0).tolist()
    [False, False, True]
    """
    far: Bools = np.abs(np.asarray(values, dtype=np.float64) - mean) > LIMIT_SD * sd + _EQUAL
    return far


def in_run(values: ArrayLike, *, mean: float) -> Bools:
    """Rule 4: which values end a run of eight or more on one side of the mean.

    A value on the mean itself ends a run.

    >>> in_run([-1.0] + [1.0] * 9, mean=0.0).tolist()[-3:]
    [False, True, True]
    """
    away = np.asarray(values, dtype=np.float64) - mean
    side = np.where(np.abs(away) <= _EQUAL, 0, np.sign(away)).astype(int)
    places = np.arange(len(side))
    begins = np.concatenate([[True], side[1:] != side[:-1]])[: len(side)]
    start = np.maximum.accumulate(np.where(begins, places, 0))
    long: Bools = (side != 0) & (places - start + 1 >= RUN)
    return long
