"""Rims: the edges at which ceilings end, from which curtains hang; and the faces across each."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from blockout.mesh import Bools, Floats, Ints
from blockout.runs import written_out
from blockout.surveying.folds import Cells, boxes
from blockout.wax.curtains.plan import Plan, Shares

_LEAST_CELL_MM = 1e-3


@dataclass(frozen=True, eq=False)
class Rims:
    """Edges between a ceiling and a face that is none, as halfedges of the ceiling. Seen along
    the path the ceiling lies to the right of its halfedge.

    Parameters
    ----------
    plan : Plan
    roof : (m,) bool
        Which faces are ceilings.
    halfedge : (r,) int
    start, end : (r,) int
        Vertices.
    edge : (3 m,) int
        For every halfedge of the mesh the lower one of it and its twin: the name of their edge.
    rim_of : (3 m,) int
        The rim on an edge, by its name, or -1.
    """

    plan: Plan
    roof: Bools
    halfedge: Ints
    start: Ints
    end: Ints
    edge: Ints
    rim_of: Ints

    @classmethod
    def around(cls, plan: Plan, roof: Bools) -> Rims:
        mesh = plan.mesh
        twins = mesh.twin_halfedges
        edge = np.minimum(np.arange(len(twins)), twins)
        of_roof = np.tile(roof, 3)
        halfedge = np.flatnonzero(of_roof & ~of_roof[twins])
        rim_of = np.full(len(twins), -1, dtype=np.int64)
        rim_of[edge[halfedge]] = np.arange(len(halfedge))
        start, end = mesh.halfedges[halfedge].T
        return cls(plan, roof, halfedge, start, end, edge, rim_of)

    @property
    def count(self) -> int:
        return len(self.halfedge)

    @cached_property
    def flat_bottom(self) -> Bools:
        """(m,) faces of the cast's flat bottom."""
        mesh = self.plan.mesh
        bottom: Bools = mesh.face_crosses[:, 2] < 0.0
        for corner in mesh.faces.T:
            bottom &= mesh.vertices[corner, 2] == 0.0
        return bottom

    @cached_property
    def bottom_edge(self) -> Bools:
        """(3 m,) whether an edge, by its name, bounds the flat bottom."""
        bottom = np.tile(self.flat_bottom, 3)
        edge: Bools = bottom != bottom[self.plan.mesh.twin_halfedges]
        return edge

    @cached_property
    def from_flat(self) -> Floats:
        """(r, 2) where they start in the plan."""
        return self.plan.at(self.start)

    @cached_property
    def to_flat(self) -> Floats:
        """(r, 2) where they end."""
        return self.plan.at(self.end)

    def crossing(self, rim: Ints, edge: Ints) -> Shares:
        """Where rims cross edges, from the edge's lower numbered vertex on."""
        low, high = np.sort(self.plan.mesh.halfedges[edge], axis=1).T
        return self.plan.across(low, high, self.from_flat[rim], self.to_flat[rim])

    def pairs(self) -> tuple[Ints, Ints]:
        """Rims and faces (k,) each whose boxes in the plan meet, the face lower than the rim or a
        ceiling. Faces of the rim's own edge are left out.
        """
        mesh = self.plan.mesh
        height = mesh.vertices[:, 2]
        corners = self.plan.at(mesh.faces)
        ends = np.stack([self.from_flat, self.to_flat], axis=1)
        face_box, rim_box = boxes(corners), boxes(ends)
        rim_top = np.maximum(height[self.start], height[self.end])
        face_low = np.minimum.reduce([height[corner] for corner in mesh.faces.T])
        wide = np.maximum(*(face_box[1] - face_box[0]).T)
        cells = Cells.over(self.plan.flat, max(float(np.median(wide)), _LEAST_CELL_MM))

        rim, key = cells.touched(ends, np.zeros(self.count, dtype=np.int64), spare=0)
        order = np.argsort(key, kind="stable")
        rim, key = rim[order], key[order]
        top_in = np.full(cells.across * cells.across, -np.inf)
        np.maximum.at(top_in, key, rim_top[rim])
        face_cell, rim_cell = (cells.numbers(box[0]) for box in (face_box, rim_box))
        near = self._near(top_in, cells, face_cell, cells.numbers(face_box[1]))
        row, met = cells.touched(
            corners.take(near, axis=0), np.zeros(len(near), dtype=np.int64), spare=0
        )
        face = near[row]
        lower = (face_low[face] <= top_in[met]) | (self.roof[face] & (top_in[met] > -np.inf))
        face, met = face[lower], met[lower]
        first = np.searchsorted(key, met, side="left")
        count = np.searchsorted(key, met, side="right") - first
        row, step = written_out(count)
        of = rim[first[row] + step]
        face, met = face[row], met[row]
        # a pair may meet in many cells: it counts in the one where its common box begins
        here = np.ones(len(face), dtype=bool)
        for axis, at in enumerate(divmod(met, cells.across)):
            here &= np.maximum(face_cell[axis][face], rim_cell[axis][of]) == at
        face, of = face[here], of[here]
        for axis in range(2):
            meets = face_box[0][face, axis] <= rim_box[1][of, axis]
            meets &= face_box[1][face, axis] >= rim_box[0][of, axis]
            face, of = face[meets], of[meets]
        size, own = mesh.triangle_count, self.halfedge[of]
        kept = self.roof[face] | (face_low[face] <= rim_top[of])
        kept &= (face != own % size) & (face != mesh.twin_halfedges[own] % size)
        return of[kept], face[kept]

    def _near(
        self,
        top_in: Floats,
        cells: Cells,
        first: tuple[Ints, Ints],
        last: tuple[Ints, Ints],
    ) -> Ints:
        """Faces that may lie in a cell with a rim in it."""
        taken = top_in > -np.inf
        near = (last[0] - first[0] > 1) | (last[1] - first[1] > 1)
        for i in (first[0], last[0]):
            for j in (first[1], last[1]):
                near |= taken[i * cells.across + j]
        return np.flatnonzero(near)
