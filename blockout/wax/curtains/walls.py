"""Walls: what of the curtains is open, as triangles between knots; and the lines it leaves on the
cast.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blockout.mesh import Bools, Floats, Ints
from blockout.tolerances import TOLERANCES
from blockout.wax.curtains.apart import NotApartError
from blockout.wax.curtains.cells import Cells, Cuts
from blockout.wax.curtains.knots import CROSSING, THROUGH, Knots
from blockout.wax.curtains.loops import Outlines
from blockout.wax.curtains.rims import Rims
from blockout.wax.curtains.spans import CORNER, Spans


@dataclass(frozen=True, eq=False)
class Lines:
    """Edges of walls that run along rims, from their start to their end.

    Parameters
    ----------
    rim : (k,) int
    span : (k,) int
        On which they lie; -1 for the rim itself.
    knots : (k, 2) int
    """

    rim: Ints
    span: Ints
    knots: Ints


@dataclass(frozen=True, eq=False)
class Walls:
    """Open curtain.

    Parameters
    ----------
    triangles : (t, 3) int
        Knots, anticlockwise seen from outside the wax.
    foot, head : Lines
        Where walls stand on the cast or the ground, and where they hang from it.
    """

    triangles: Ints
    foot: Lines
    head: Lines


def walls_of(rims: Rims, spans: Spans, cuts: Cuts, cells: Cells, knots: Knots) -> Walls:
    """Join cells to walls.

    Raises
    ------
    NotApartError
        The outline of a wall is not closed.
    """
    posts = _posts(cuts, cells, knots)
    kept = np.zeros(len(knots.name), dtype=bool)
    kept[posts[:, 1:]] = True
    if (knots.kind[kept] == THROUGH).any():
        raise NotApartError("a wall ends where nothing is")
    foot = _lines(cuts, cells, knots, kept, foot=True)
    head = _lines(cuts, cells, knots, kept, foot=False)
    rim = np.concatenate([foot.rim, head.rim, posts[:, 0]])
    ends = np.concatenate([foot.knots, head.knots[:, ::-1], posts[:, 1:]])
    real = ends[:, 0] != ends[:, 1]
    rim, ends = rim[real], ends[real]
    along = rims.to_flat - rims.from_flat
    along /= np.linalg.norm(along, axis=1)[:, None]
    point = knots.point_mm[ends]
    ahead = np.einsum("kij,kj->ki", point[..., :2] - rims.from_flat[rim][:, None], along[rim])
    flat = np.stack([ahead, point[..., 2]], axis=-1)
    all_of_it = np.ones(len(rim), dtype=bool)
    outlines = Outlines.both_ways(rim, ends, flat, all_of_it, ~all_of_it)
    corner, _ = outlines.filled()
    # the outlines are seen from under the ceiling: from within the wax
    return Walls(outlines.start[corner][:, ::-1], foot, head)


def _lines(cuts: Cuts, cells: Cells, knots: Knots, kept: Bools, *, foot: bool) -> Lines:
    """Lower or upper edges of cells, joined where only a cut of the curtain parts them."""
    left, right = knots.at_cells[:, [0, 1] if foot else [2, 3]].T
    span = cells.below if foot else cells.above
    rim = cuts.rim[cells.cut]
    on = np.where(span >= 0, span, -1 - rim)
    order = np.lexsort((cells.cut, on))
    on, cut, left, right = on[order], cells.cut[order], left[order], right[order]
    kind = knots.kind[left]
    within = np.where(on >= 0, (kind == CROSSING) | (kind == THROUGH), kind != CORNER)
    goes_on = np.zeros(len(on), dtype=bool)
    goes_on[1:] = (on[1:] == on[:-1]) & (cut[1:] == cut[:-1] + 1)
    goes_on &= within & ~kept[left]
    first = np.flatnonzero(~goes_on)
    last = np.r_[first[1:], len(on)] - 1
    ends = np.stack([left[first], right[last]], axis=1)
    return Lines(rim[order[first]], span[order[first]], ends)


def _posts(cuts: Cuts, cells: Cells, knots: Knots) -> Ints:
    """(p, 3) upright edges of walls: rim, and knots from and to such that the wall is on the left.

    At most cuts a wall goes on: the cells on both sides are as high.
    """
    below_left, below_right, above_left, above_right = knots.at_cells.T
    cut = np.concatenate([cells.cut + 1, cells.cut])
    low = np.concatenate([below_right, below_left])
    high = np.concatenate([above_right, above_left])
    side = np.repeat([1, -1], len(cells.cut))
    tall = low != high
    cut, low, high, side = cut[tall], low[tall], high[tall], side[tall]
    order = np.lexsort((high, low, cut))
    ordered = np.stack([cut, low, high], axis=1)[order]
    new = np.r_[True, (ordered[1:] != ordered[:-1]).any(axis=1)] if len(order) else order > 0
    first = np.flatnonzero(new)
    total = np.add.reduceat(side[order], first) if len(first) else side
    standing = total != 0
    posts = np.column_stack([ordered[first], total])[standing]
    # where one post stands at a cut, or a rim ends, it stands as it is; the others may share parts
    alone = np.bincount(posts[:, 0], minlength=len(cuts.rim))[posts[:, 0]] == 1
    simple = alone | cuts.at_end[posts[:, 0]]
    rows = [
        (int(cuts.rim[at]), start, end)
        for at, start, end in _parts_apart(posts[~simple].tolist(), knots.point_mm[:, 2])
    ]
    at, start, end, way = posts[simple].T
    kept = np.stack([cuts.rim[at], start, end], axis=1)
    kept[way < 0] = kept[way < 0][:, [0, 2, 1]]
    return np.concatenate([kept, np.array(rows, dtype=np.int64).reshape(-1, 3)])


def _parts_apart(posts: list[list[int]], height_mm: Floats) -> list[tuple[int, int, int]]:
    """Posts at one cut that cover each other in part, cut where any of them ends."""
    at_cut: dict[int, list[list[int]]] = {}
    for cut, *post in posts:
        at_cut.setdefault(cut, []).append(post)
    parts = []
    for cut, there in at_cut.items():
        ends = _upward(there, height_mm)
        rank = {end: k for k, end in enumerate(ends)}
        total = [0] * len(ends)
        for low, high, way in there:
            for k in range(rank[low], rank[high]):
                total[k] += way
        for k, way in enumerate(total):
            if abs(way) > 1:
                raise NotApartError("two walls stand in one place")
            if way:
                low, high = ends[k], ends[k + 1]
                parts.append((cut, low, high) if way > 0 else (cut, high, low))
    return parts


def _upward(posts: list[list[int]], height_mm: Floats) -> list[int]:
    """Ends of posts at one cut from the lowest on. Which end of a post is its foot is known without
    a number, while their heights, where the plan was moved over a steep face, may say otherwise by
    some nanometres.
    """
    under: dict[int, set[int]] = {}
    for low, high, _ in posts:
        if height_mm[low] > height_mm[high] + TOLERANCES.ceiling_lift_mm:
            raise NotApartError("the foot of a wall lies over its head")
        under.setdefault(low, set())
        under.setdefault(high, set()).add(low)
    waiting = sorted(under, key=lambda end: (float(height_mm[end]), end))
    ends: list[int] = []
    while waiting:
        free = next((end for end in waiting if under[end].issubset(ends)), None)
        if free is None:
            raise NotApartError("the feet and heads of walls go round")
        ends.append(free)
        waiting.remove(free)
    return ends
