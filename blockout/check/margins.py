"""How near a line on the cast comes to the gingival margins of the teeth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np
from scipy.spatial import cKDTree

from blockout.arms.wall import densely
from blockout.cast.change import place_of
from blockout.errors import Place
from blockout.mesh import Floats

_STEP_MM: Final = 0.05
"""Lines are followed in steps of this: a distance of 1 mm is then 0.6 um too large at most."""


class MarginedCrown(Protocol):
    """Of a crown, what is asked here."""

    @property
    def number(self) -> int: ...

    @property
    def margin_mm(self) -> Floats: ...


class MarginedTeeth(Protocol):
    """Of the teeth, what is asked here."""

    @property
    def crowns(self) -> Sequence[MarginedCrown]: ...


@dataclass(frozen=True)
class MarginGap:
    """The least distance of a line from the gingival margins.

    Parameters
    ----------
    distance_mm : float
        Straight, as dividers measure it.
    tooth : int
        Whose margin is nearest, ISO 3950.
    line_at_mm, margin_at_mm : (x, y, z)
        The two ends of the distance, file coordinates.
    """

    distance_mm: float
    tooth: int
    line_at_mm: Place
    margin_at_mm: Place


def margin_gap(
    line_mm: Floats, teeth: MarginedTeeth | None, *, tooth: int | None = None
) -> MarginGap | None:
    """Where a line through points (k, 3) is nearest to a gingival margin, of one tooth or of all;
    None where no margin is known.

    The distance is the straight one, as dividers measure it: along the tissue it is never less,
    and over 6 mm of a palate of 10 mm radius 0.1 mm more.
    """
    crowns = [
        crown
        for crown in (() if teeth is None else teeth.crowns)
        if len(crown.margin_mm) and tooth in (None, crown.number)
    ]
    if not crowns:
        return None
    margins = [densely(crown.margin_mm, _STEP_MM, closed=True) for crown in crowns]
    number = np.repeat([crown.number for crown in crowns], [len(one) for one in margins])
    margin = np.concatenate(margins)
    line = densely(np.asarray(line_mm), _STEP_MM)
    answer = cKDTree(margin).query(line)
    distance_mm, nearest = np.asarray(answer[0]), np.asarray(answer[1])
    at = int(distance_mm.argmin())
    other = int(nearest[at])
    return MarginGap(
        float(distance_mm[at]), int(number[other]), place_of(line[at]), place_of(margin[other])
    )
