"""Outlines made of directed edges: following them round, and filling them with triangles."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from blockout.kernel.solids import filled_triangles
from blockout.mesh import Bools, Floats, Ints
from blockout.runs import written_out
from blockout.tolerances import TOLERANCES
from blockout.wax.curtains.apart import NotApartError
from blockout.wax.curtains.plan import turn

_APART_MM = 1.0


@dataclass(frozen=True, eq=False)
class Outlines:
    """Edges in some planes, each given in both directions, one after the other: rows 2 k and
    2 k + 1 are the same edge there and back.

    Parameters
    ----------
    plane : (h,) int
        In which plane an edge lies: that of one face, or of one curtain.
    start : (h,) int
        Knot.
    flat : (h, 2) float
        Place of that knot in the plane, mm.
    inside : (h,) bool
        What lies to the left of the edge is to be filled.
    """

    plane: Ints
    start: Ints
    flat: Floats
    inside: Bools

    @classmethod
    def both_ways(
        cls, plane: Ints, ends: Ints, flat: Floats, left: Bools, right: Bools
    ) -> Outlines:
        """Of edges (h / 2,): their ``ends`` (h / 2, 2), where these lie (h / 2, 2, 2), and on which
        sides is to be filled.
        """
        inside = np.stack([left, right], axis=1).reshape(-1)
        return cls(np.repeat(plane, 2), ends.reshape(-1), flat.reshape(-1, 2), inside)

    def filled(self) -> tuple[Ints, Ints]:
        """(t, 3) triangles as numbers of edges that start at their corners, anticlockwise; and
        (t,) the plane of each. An outline may come by a knot twice; of a triangle with that knot in
        two corners nothing is left, and its neighbours meet.

        Raises
        ------
        NotApartError
            An outline is not closed, or lies in none.
        """
        edge, first = _rounds(self._following())
        if not len(first):
            return np.zeros((0, 3), dtype=np.int64), np.zeros(0, dtype=np.int64)
        inside = self.inside[edge]
        if (np.logical_and.reduceat(inside, first) != np.logical_or.reduceat(inside, first)).any():
            raise NotApartError("an outline is open")
        count = np.diff(np.r_[first, len(edge)])
        kept = inside[first]
        corner, plane = self._triangles(edge, first[kept], count[kept])
        a, b, c = self.start[corner].T
        real = (a != b) & (b != c) & (c != a)
        return corner[real], plane[real]

    def _following(self) -> Ints:
        """(h,) the edge that comes next with the same plane on the left: at its end the first one
        clockwise from the way back.
        """
        count = len(self.start)
        back = np.arange(count) ^ 1
        way = self.flat.take(back, axis=0) - self.flat
        angle = np.arctan2(way[:, 1], way[:, 0])
        key = self.plane * np.int64(self.start.max(initial=0) + 1) + self.start
        order = np.lexsort((angle, key))
        ordered = key[order]
        first = np.r_[True, ordered[1:] != ordered[:-1]] if count else order > 0
        begins = np.flatnonzero(first)
        last = np.r_[begins[1:], count] - 1
        before = np.arange(count) - 1
        before[begins] = last
        place = np.empty(count, dtype=np.int64)
        place[order] = np.arange(count)
        following: Ints = order[before[place[back]]]
        return following

    def _triangles(self, edge: Ints, first: Ints, count: Ints) -> tuple[Ints, Ints]:
        area_mm2 = self._areas_mm2(edge, first, count)
        hole = area_mm2 < -TOLERANCES.no_area_mm2
        plane = self.plane[edge[first]]
        holed = np.isin(plane, plane[hole])
        rows = np.flatnonzero(~holed)
        made = [self._filled_apart(*_members(edge, first[rows], count[rows]))]
        owner = [self.plane[made[0][:, 0]]]
        for one in np.unique(plane[hole]).tolist():
            of_plane = np.flatnonzero(plane == one)
            loops = [edge[first[row] : first[row] + count[row]] for row in of_plane]
            for together in self._around_holes(loops, hole[of_plane], area_mm2[of_plane]):
                triangles = filled_triangles([self.flat[loop] for loop in together])
                made.append(np.concatenate(together)[triangles])
                owner.append(np.full(len(triangles), one))
        return np.concatenate(made), np.concatenate(owner)

    def _filled_apart(self, loop: Ints, loop_of: Ints) -> Ints:
        """(t, 3) triangles of outlines without holes, given as edges outline by outline, and the
        outline of each. All are laid side by side, and filled at once.
        """
        if not len(loop):
            return np.zeros((0, 3), dtype=np.int64)
        first = np.flatnonzero(np.r_[True, loop_of[1:] != loop_of[:-1]])
        at = self.flat.take(loop, axis=0)
        low = np.minimum.reduceat(at, first)
        wide = np.maximum.reduceat(at[:, 0], first) - low[:, 0] + _APART_MM
        beside = np.stack([np.cumsum(wide) - wide, np.zeros(len(wide))], axis=1)
        laid = at + (beside - low)[loop_of]
        ends = [*first.tolist(), len(laid)]
        outlines = [laid[begin:end] for begin, end in pairwise(ends)]
        triangles = filled_triangles(outlines, in_line_mm=TOLERANCES.in_line_mm)
        return loop[triangles]

    def _areas_mm2(self, edge: Ints, first: Ints, count: Ints) -> Floats:
        here, row = _members(edge, first, count)
        to = self.flat.take(here ^ 1, axis=0)
        about = self.flat.take(edge[first][row], axis=0)
        twice = turn(about, self.flat.take(here, axis=0), to)
        area: Floats = np.bincount(row, twice, minlength=len(first)) / 2.0
        return area

    def _around_holes(self, loops: list[Ints], hole: Bools, area_mm2: Floats) -> list[list[Ints]]:
        """Loops of one plane, those around something first, each with the holes in it."""
        outer = np.flatnonzero(~hole)
        if not len(outer):
            raise NotApartError("a hole lies in nothing")
        together = {k: [loops[k]] for k in outer.tolist()}
        low, high = (
            np.array([f(self.flat[loops[k]], axis=0) for k in outer]) for f in (np.min, np.max)
        )
        for k in np.flatnonzero(hole).tolist():
            at = self.flat[loops[k][0]]
            own = set(self.start[loops[k]].tolist())
            around = [
                j
                for j in outer[((low <= at) & (at <= high)).all(axis=1)].tolist()
                if own.isdisjoint(self.start[loops[j]].tolist()) and _holds(self.flat[loops[j]], at)
            ]
            if not around:
                raise NotApartError("a hole lies in nothing")
            together[min(around, key=lambda j: float(area_mm2[j]))].append(loops[k])
        return list(together.values())


def _members(edge: Ints, first: Ints, count: Ints) -> tuple[Ints, Ints]:
    """Edges of some rounds, one after the other, and the number of the round of each."""
    row, step = written_out(count)
    return edge[first[row] + step], row


def _holds(outline: Floats, at: Floats) -> bool:
    """Whether a place lies within an outline (k, 2)."""
    x, y = (outline - at).T
    to_x, to_y = np.roll(x, -1), np.roll(y, -1)
    over = (y > 0.0) != (to_y > 0.0)
    right = x[over] - y[over] * (to_x - x)[over] / (to_y - y)[over] > 0.0
    return bool(right.sum() % 2)


def _rounds(following: Ints) -> tuple[Ints, Ints]:
    """Edges round by round, each in order, and where in them each round begins."""
    count = len(following)
    lowest, ahead = np.arange(count), following
    while True:
        lower = np.minimum(lowest, lowest[ahead])
        ahead = ahead[ahead]
        if (lower == lowest).all():
            break
        lowest = lower
    begins = lowest == np.arange(count)
    to_begin = np.where(begins, 0, 1)
    ahead = np.where(begins, np.arange(count), following)
    while not begins[ahead].all():
        to_begin = to_begin + to_begin[ahead]
        ahead = ahead[ahead]
    order = np.lexsort((-to_begin, ~begins, lowest))
    return order, np.flatnonzero(begins[order])
