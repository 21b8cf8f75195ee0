"""Spans: how the line of a rim runs over, or under, the faces of the cast.

All that is asked of the plan is on which side of a line a vertex lies, once for each line and
vertex; so the faces on both sides of an edge agree on whether a rim crosses it, and where.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blockout.mesh import Bools, Floats, Ints
from blockout.wax.curtains.apart import NotApartError
from blockout.wax.curtains.plan import turn
from blockout.wax.curtains.rims import Rims

CORNER, EDGE, FACE = 0, 1, 2
"""What a span ends at: a vertex that it shares with the rim, an edge of its face, or within its
face, over or under an end of the rim.
"""

_STEPS = 20


@dataclass(frozen=True, eq=False)
class Spans:
    """The stretch of each rim that lies over or under one face.

    Parameters
    ----------
    rim, face : (k,) int
        A face numbered ``triangle_count`` is the ground, the plane of the flat bottom.
    up : (k,) bool
        The face looks up.
    ends_at : (k, 2) int
        CORNER, EDGE or FACE, at the start and at the end of the stretch.
    edge : (k, 2) int
        Which edge, by its name; -1 where it ends at none.
    share : (k, 2) float
        Of the way along the rim.
    height_mm : (k, 2) float
        Of the face there.
    """

    rim: Ints
    face: Ints
    up: Bools
    ends_at: Ints
    edge: Ints
    share: Floats
    height_mm: Floats

    @property
    def count(self) -> int:
        return len(self.rim)

    def chosen(self, keep: Bools) -> Spans:
        return Spans(*(getattr(self, name)[keep] for name in self.__dataclass_fields__))

    def with_ground(self, rims: Rims) -> Spans:
        """The same, and one span over the ground for every rim, in their order."""
        count = rims.count
        every, both = np.arange(count), np.ones((count, 2))
        ground = Spans(
            rim=every,
            face=np.full(count, rims.plan.mesh.triangle_count),
            up=np.ones(count, dtype=bool),
            ends_at=np.full((count, 2), FACE),
            edge=np.full((count, 2), -1),
            share=both * (0.0, 1.0),
            height_mm=0.0 * both,
        )
        names = self.__dataclass_fields__
        return Spans(*(np.concatenate([getattr(self, n), getattr(ground, n)]) for n in names))


def spans_of(rims: Rims) -> Spans:
    """Spans over faces that lie under their rim, and under ceilings that lie over it.

    Raises
    ------
    NotApartError
        Places lie over each other too exactly.
    """
    asked = _Sides.of(rims, *rims.pairs())
    sides = asked.begins(), asked.stops()
    both = [np.sum([happens for happens, *_ in events], axis=0) for events in sides]
    if (both[0] != both[1]).any() or (both[0] > 1).any():
        raise NotApartError("a rim enters a face and does not leave it, or does so twice")

    there = np.flatnonzero(both[0])
    rim, face, shape = asked.rim[there], asked.face[there], (len(there), 2)
    ends_at, edge = np.full(shape, EDGE), np.full(shape, -1, dtype=np.int64)
    shares = np.tile([0.0, 1.0], (len(there), 1))
    for side, events in enumerate(sides):
        for happens, kind, k in events:
            of = happens[there]
            ends_at[of, side] = kind
            if kind == EDGE:
                edge[of, side] = rims.edge[k * rims.plan.mesh.triangle_count + face[of]]
                shares[of, side] = asked.share[there[of], k]
    shares = _in_order(rim, edge, shares)
    spans = Spans(rim, face, asked.up[there], ends_at, edge, shares, np.zeros(shape))
    spans = _with_heights(rims, spans)
    return spans.chosen(~over_rim(rims, spans) | rims.roof[spans.face])


@dataclass(frozen=True, eq=False)
class _Sides:
    """Pairs of a rim and a face that its line meets, and on which sides of lines vertices lie.

    Parameters
    ----------
    rim, face : (k,) int
    up : (k,) bool
    at_start, at_end : (k, 3) bool
        Which corners of the face are an end of the rim.
    start_in, end_in : (k, 3) bool
        Whether that end of the rim lies on the inner side of each edge of the face.
    crossed : (k, 3) bool
        Which edges the rim crosses, and
    share : (k, 3) float
        at what share of its own way.
    """

    rim: Ints
    face: Ints
    up: Bools
    at_start: Bools
    at_end: Bools
    start_in: Bools
    end_in: Bools
    crossed: Bools
    share: Floats

    @classmethod
    def of(cls, rims: Rims, rim: Ints, face: Ints) -> _Sides:
        plan, mesh = rims.plan, rims.plan.mesh
        start, end = rims.start[rim], rims.end[rim]
        corner = mesh.faces.take(face, axis=0)
        ends = plan.at(start), plan.at(end)
        left = np.stack([turn(*ends, plan.at(corner[:, k])) for k in range(3)], axis=1)
        left[(corner == start[:, None]) | (corner == end[:, None])] = 0.0
        meets = ~((left > 0.0).all(axis=1) | (left < 0.0).all(axis=1))
        rim, face, start, end = rim[meets], face[meets], start[meets], end[meets]
        corner, left = corner[meets], left[meets]
        at_start, at_end = corner == start[:, None], corner == end[:, None]
        common = at_start | at_end
        if (common.sum(axis=1) > 1).any() or ((left == 0.0) & ~common).any():
            raise NotApartError("a face holds both ends of a rim that is none of its edges")

        up = plan.turn(*corner.T) > 0.0
        start_in, end_in, crossed = (np.zeros(left.shape, dtype=bool) for _ in range(3))
        share = np.zeros_like(left)
        for k in range(3):
            one, other = corner[:, k], corner[:, (k + 1) % 3]
            # asked the same way from both faces of the edge
            low, high = np.minimum(one, other), np.maximum(one, other)
            of_start, of_end = plan.turn(low, high, start), plan.turn(low, high, end)
            inward = (one < other) == up
            start_in[:, k] = ((of_start > 0.0) == inward) & (of_start != 0.0)
            end_in[:, k] = ((of_end > 0.0) == inward) & (of_end != 0.0)
            held = common[:, k] | common[:, (k + 1) % 3]
            apart = (left[:, k] > 0.0) != (left[:, (k + 1) % 3] > 0.0)
            crossed[:, k] = ~held & apart & ((of_start > 0.0) != (of_end > 0.0))
            with np.errstate(divide="ignore", invalid="ignore"):
                share[:, k] = of_start / (of_start - of_end)
        return cls(rim, face, up, at_start, at_end, start_in, end_in, crossed, share)

    def begins(self) -> list[tuple[Bools, int, int]]:
        """How a rim may come to be over a face: for which pairs it does so, at what kind of end,
        and across which edge of the face.
        """
        elsewhere = np.logical_not(np.any(self.at_start, axis=1, keepdims=True))
        within: Bools = np.all(self.start_in & elsewhere, axis=1)
        entered = self.crossed & ~self.start_in
        return [
            (_leaves(self.at_start, self.end_in), CORNER, -1),
            (within, FACE, -1),
            *((entered[:, k], EDGE, k) for k in range(3)),
        ]

    def stops(self) -> list[tuple[Bools, int, int]]:
        """How it may cease to be."""
        elsewhere = np.logical_not(np.any(self.at_end, axis=1, keepdims=True))
        within: Bools = np.all(self.end_in & elsewhere, axis=1)
        left = self.crossed & self.start_in
        return [
            (_leaves(self.at_end, self.start_in), CORNER, -1),
            (within, FACE, -1),
            *((left[:, k], EDGE, k) for k in range(3)),
        ]


def over_rim(rims: Rims, spans: Spans) -> Bools:
    """(k,) whether the face lies over the rim."""
    height_mm = rims.plan.mesh.vertices[:, 2]
    middle = spans.share.mean(axis=1)
    low, high = height_mm[rims.start[spans.rim]], height_mm[rims.end[spans.rim]]
    over: Bools = spans.height_mm.mean(axis=1) > low + middle * (high - low)
    return over


def _in_order(rim: Ints, edge: Ints, shares: Floats) -> Floats:
    """Shares such that every span has some length, and a rim crosses an edge at one share.

    Which edge of a face is crossed first is known without a number. Where a rim passes so near the
    corner of a face that both crossings round to one place, the second one is put one step on.
    """
    on_edge = edge >= 0
    key = rim[:, None] * np.int64(edge.max(initial=0) + 1) + edge
    _, first, of = np.unique(key[on_edge], return_index=True, return_inverse=True)
    known = np.clip(shares[on_edge][first], np.nextafter(0.0, 1.0), np.nextafter(1.0, 0.0))
    number = np.full(edge.shape, -1, dtype=np.int64)
    number[on_edge] = of
    ordered = shares.copy()
    for _ in range(_STEPS):
        ordered[on_edge] = known[number[on_edge]]
        late = np.flatnonzero(ordered[:, 0] >= ordered[:, 1])
        if not len(late):
            return ordered
        if (number[late, 1] < 0).any():
            break
        np.maximum.at(known, number[late, 1], np.nextafter(ordered[late, 0], 1.0))
    raise NotApartError("a rim crosses edges in an order that does not fit")


def _leaves(at: Bools, other_in: Bools) -> Bools:
    """(k,) whether a line from the corner ``at`` (k, 3) runs into the face: whether its other end
    lies inside both edges that meet there.
    """
    row, k = np.arange(len(at)), at.argmax(axis=1)
    within: Bools = other_in[row, k] & other_in[row, (k + 2) % 3]
    return at.any(axis=1) & within


def _with_heights(rims: Rims, spans: Spans) -> Spans:
    plan = rims.plan
    height_mm = spans.height_mm
    for side in range(2):
        at, rim = spans.ends_at[:, side], spans.rim
        first = spans.share[:, side] == 0.0
        vertex = np.where(first, rims.start[rim], rims.end[rim])
        corner, on_edge, on_face = (at == kind for kind in (CORNER, EDGE, FACE))
        height_mm[corner, side] = plan.mesh.vertices[vertex[corner], 2]
        crossing = rims.crossing(rim[on_edge], spans.edge[on_edge, side])
        height_mm[on_edge, side] = crossing.among(plan.mesh.vertices)[:, 2]
        under = plan.under(spans.face[on_face], plan.at(vertex[on_face]))
        height_mm[on_face, side] = under.among(plan.mesh.vertices)[:, 2]
    return spans
