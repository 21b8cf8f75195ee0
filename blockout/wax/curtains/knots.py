"""Knots: the places where curtains meet the cast, the ground and each other.

A place is named by what meets there, so that all who meet it find the same knot: a vertex of the
cast; a rim across an edge; the cast, or the ground, under the end of a rim; or the same under a
crossing of two rims.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blockout.mesh import Bools, Floats, Ints
from blockout.wax.curtains.cells import Cells, Cuts
from blockout.wax.curtains.plan import Shares, turn
from blockout.wax.curtains.rims import Rims
from blockout.wax.curtains.spans import CORNER, EDGE, FACE, Spans

CROSSING, THROUGH = 3, 4
"""Kinds of knot beside CORNER, EDGE and FACE: on a face under a crossing of two rims, and no knot
at all but a place that a span, or the rim, runs through.
"""


@dataclass(frozen=True, eq=False)
class Knots:
    """Knots and where they are.

    Parameters
    ----------
    name : (k, 3) int
        Kind and what it is named by: CORNER vertex; EDGE rim, edge; FACE vertex, face; CROSSING
        both rims as one number, face; THROUGH cut, span.
    shares : Shares
        Of vertices of the cast; none of what lies on the ground or is no knot.
    on_cast : (k,) bool
        Whether the shares tell where it is.
    point_mm : (k, 3) float
    flat : (k, 2) float
        Where it is seen in the plan.
    at_cells : (q, 4) int
        Knot of each cell below on the left and right, above on the left and right.
    """

    name: Ints
    shares: Shares
    on_cast: Bools
    point_mm: Floats
    flat: Floats
    at_cells: Ints

    @property
    def kind(self) -> Ints:
        kind: Ints = self.name[:, 0]
        return kind


def knots_of(rims: Rims, spans: Spans, cuts: Cuts, cells: Cells) -> Knots:
    """The knots of all cells."""
    names = np.empty((len(cells.cut), 4, 3), dtype=np.int64)
    at_rim = cells.above < 0
    for right in (0, 1):
        cut = cells.cut + right
        names[:, right] = _names_on(rims, spans, cuts, cells.below, cut)
        names[at_rim, 2 + right] = _names_on_rim(rims, cuts, cut[at_rim])
        under = ~at_rim
        names[under, 2 + right] = _names_on(rims, spans, cuts, cells.above[under], cut[under])
    flat = names.reshape(-1, 3)
    order = np.lexsort(flat.T[::-1])
    ordered = flat[order]
    new = np.r_[True, (ordered[1:] != ordered[:-1]).any(axis=1)] if len(order) else order > 0
    number = np.empty(len(order), dtype=np.int64)
    number[order] = np.cumsum(new) - 1
    name = ordered[new]
    return Knots(name, *_places(rims, spans, cuts, name), number.reshape(-1, 4))


def _names_on(rims: Rims, spans: Spans, cuts: Cuts, span: Ints, cut: Ints) -> Ints:
    """(k, 3) names of the places of spans at cuts."""
    side = (cuts.of_span[span, 1] == cut).astype(np.int64)
    ends = (cuts.of_span[span, 0] == cut) | (side == 1)
    rim, face = cuts.rim[cut], spans.face[span]
    across = cuts.edge[cut]
    other = np.where(across >= 0, rims.rim_of[across], -1)
    kind = np.where(ends, spans.ends_at[span, side], np.where(other >= 0, CROSSING, THROUGH))
    edge = np.where(ends, spans.edge[span, side], across)
    # the ground meets the cast along the edges of the flat bottom
    grounded = ~ends & (face == rims.plan.mesh.triangle_count) & (across >= 0)
    kind[grounded & rims.bottom_edge[across]] = EDGE
    vertex = np.where(cuts.share[cut] == 0.0, rims.start[rim], rims.end[rim])
    both = np.minimum(rim, other) * np.int64(rims.count) + np.maximum(rim, other)
    # kinds are numbered in this order: CORNER, EDGE, FACE, CROSSING, THROUGH
    first = np.choose(kind, [vertex, rim, vertex, both, cut])
    second = np.choose(kind, [np.zeros_like(face), edge, face, face, span])
    return np.stack([kind, first, second], axis=1)


def _names_on_rim(rims: Rims, cuts: Cuts, cut: Ints) -> Ints:
    """(k, 3) names of the places of rims at their own cuts."""
    rim, across = cuts.rim[cut], cuts.edge[cut]
    other = np.where(across >= 0, rims.rim_of[across], -1)
    kind = np.where(cuts.at_end[cut], CORNER, np.where(other >= 0, EDGE, THROUGH))
    vertex = np.where(cuts.share[cut] == 0.0, rims.start[rim], rims.end[rim])
    own = rims.edge[rims.halfedge[rim]]
    first = np.where(kind == CORNER, vertex, np.where(kind == EDGE, other, cut))
    second = np.where(kind == CORNER, 0, np.where(kind == EDGE, own, -1))
    return np.stack([kind, first, second], axis=1)


def _places(
    rims: Rims, spans: Spans, cuts: Cuts, name: Ints
) -> tuple[Shares, Bools, Floats, Floats]:
    """Shares of the cast's vertices, for which of the names they hold, and all places, in space and
    in the plan.
    """
    plan, ground = rims.plan, rims.plan.mesh.triangle_count
    kind, first, second = name.T
    flat = np.zeros((len(name), 2))
    corner, edge, end, crossed = (kind == one for one in (CORNER, EDGE, FACE, CROSSING))
    flat[end] = plan.flat[first[end]]
    flat[crossed] = _crossing(rims, first[crossed] // rims.count, first[crossed] % rims.count)
    through = np.flatnonzero(kind == THROUGH)
    rim, share = cuts.rim[first[through]], cuts.share[first[through]][:, None]
    flat[through] = rims.from_flat[rim] + share * (rims.to_flat - rims.from_flat)[rim]
    face = np.where(end | crossed, second, ground)
    face[through] = np.where(second[through] >= 0, spans.face[second[through]], ground)
    points = np.column_stack([flat, np.zeros(len(name))])

    shares = Shares(np.zeros((len(name), 3), dtype=np.int64), np.zeros((len(name), 2)))
    shares.corner[corner] = first[corner, None]
    for chosen, found in (
        (edge, rims.crossing(first[edge], second[edge])),
        (face < ground, plan.under(face[face < ground], flat[face < ground])),
    ):
        shares.corner[chosen], shares.weight[chosen] = found.corner, found.weight
    on_cast = corner | edge | (face < ground)
    held = shares.chosen(np.flatnonzero(on_cast))
    points[on_cast], flat[on_cast] = held.among(plan.mesh.vertices), held.among(plan.flat)
    of_rim = second[through] < 0
    ends = (plan.mesh.vertices[vertex[rim[of_rim]]] for vertex in (rims.start, rims.end))
    start, stop = ends
    points[through[of_rim]] = start + share[of_rim] * (stop - start)
    return shares, on_cast, points, flat


def _crossing(rims: Rims, one: Ints, other: Ints) -> Floats:
    """(k, 2) where two rims cross in the plan."""
    start, end = rims.from_flat[one], rims.to_flat[one]
    low, high = rims.from_flat[other], rims.to_flat[other]
    left = turn(low, high, start)
    share = left / (left - turn(low, high, end))
    at: Floats = start + share[:, None] * (end - start)
    return at
