"""Cells: what of each curtain is open, that is, a wall of the wax.

The line of a rim is cut wherever a span begins or ends. Between two cuts spans lie one under the
other in one order. From the rim down: space under a face that looks down, or under the rim, is
open until a face that looks up; under a ceiling nothing is, for there both sides of the curtain
are filled; and where a ceiling lies over the rim, nothing is at all.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blockout.mesh import Bools, Floats, Ints
from blockout.runs import written_out
from blockout.wax.curtains.apart import NotApartError
from blockout.wax.curtains.rims import Rims
from blockout.wax.curtains.spans import Spans, over_rim

_UNDER_ALL_MM = -1.0


@dataclass(frozen=True, eq=False)
class Cuts:
    """Places along rims where spans begin or end, rim by rim, in order.

    Parameters
    ----------
    rim : (c,) int
    share : (c,) float
        Of the way along the rim.
    edge : (c,) int
        The edge of the cast that the rim crosses there, by its name; -1 at the ends of the rim.
    of_span : (k, 2) int
        Cut at which each span begins and ends.
    """

    rim: Ints
    share: Floats
    edge: Ints
    of_span: Ints

    @property
    def at_end(self) -> Bools:
        """(c,) whether it is an end of its rim."""
        ends: Bools = (self.share == 0.0) | (self.share == 1.0)
        return ends


@dataclass(frozen=True, eq=False)
class Cells:
    """Open pieces of curtains: between a cut and the next one, over one span and under another.

    Parameters
    ----------
    cut : (q,) int
        The cut on the left; the next one is on the right.
    below : (q,) int
        Span.
    above : (q,) int
        Span, or -1 for the rim itself.
    """

    cut: Ints
    below: Ints
    above: Ints


def cuts_of(rims: Rims, spans: Spans) -> Cuts:
    """All cuts, of spans over the ground as well. Two edges that a rim crosses at one place make
    two cuts, in either order.
    """
    share, rim = spans.share.reshape(-1), np.repeat(spans.rim, 2)
    edge = spans.edge.reshape(-1)
    order = np.lexsort((edge, share, rim))
    share, rim, edge = share[order], rim[order], edge[order]
    new = np.r_[True, (share[1:] != share[:-1]) | (rim[1:] != rim[:-1]) | (edge[1:] != edge[:-1])]
    first = np.flatnonzero(new)
    of_span = np.empty(len(order), dtype=np.int64)
    of_span[order] = np.cumsum(new) - 1
    return Cuts(rim[first], share[first], edge[first], of_span.reshape(-1, 2))


def open_cells(rims: Rims, spans: Spans, cuts: Cuts) -> Cells:
    """The open cells.

    Parameters
    ----------
    spans : Spans
        With the ground last, a span for each rim.

    Raises
    ------
    NotApartError
        What lies between two spans is neither inside nor outside the cast.
    """
    between = np.r_[cuts.rim[1:] == cuts.rim[:-1], False]
    over = np.zeros(spans.count, dtype=bool)
    on_cast = spans.face < rims.plan.mesh.triangle_count
    over[on_cast] = over_rim(rims, spans.chosen(on_cast))
    covered = np.zeros(len(cuts.rim), dtype=bool)
    span, cut = _along(cuts.of_span, over)
    covered[cut] = True

    span, cut = _along(cuts.of_span, ~over)
    kept = between[cut] & ~covered[cut]
    span, cut = span[kept], cut[kept]
    height_mm = np.where(on_cast[span], _height_between(spans, cuts, span, cut), _UNDER_ALL_MM)
    order = np.lexsort((-height_mm, cut))
    span, cut = span[order], cut[order]

    looks_up, ends = spans.up[span], _ends_all(rims)[spans.face[span]]
    first = np.r_[True, cut[1:] != cut[:-1]]
    ended = np.cumsum(ends) - ends
    begun = np.maximum.accumulate(np.where(first, np.arange(len(span)), 0))
    below = np.flatnonzero((ended == ended[begun]) & looks_up)
    above = np.where(first[below], -1, below - 1)
    if looks_up[above[above >= 0]].any():
        raise NotApartError("two faces that look up lie over each other with nothing between")
    return Cells(cut[below], span[below], np.where(above >= 0, span[above], -1))


def _ends_all(rims: Rims) -> Bools:
    """(m + 1,) faces under which nothing is open; the ground is none, since nothing lies there."""
    ends: Bools = np.r_[rims.roof | rims.flat_bottom, False]
    return ends


def _along(of_span: Ints, which: Bools) -> tuple[Ints, Ints]:
    """Some spans, each once for every cut that it runs on from, and those cuts."""
    asked = np.flatnonzero(which)
    first, last = of_span[asked].T
    row, step = written_out(last - first)
    return asked[row], first[row] + step


def _height_between(spans: Spans, cuts: Cuts, span: Ints, cut: Ints) -> Floats:
    middle = (cuts.share[cut] + cuts.share[np.minimum(cut + 1, len(cuts.share) - 1)]) / 2.0
    start, end = spans.share[span].T
    low, high = spans.height_mm[span].T
    height: Floats = low + (middle - start) / (end - start) * (high - low)
    return height
