"""The scanned surface as a ground on which crowns are told from gum: its vertices, the edges that
join them, and how dear it is for a margin to pass between the two ends of each.

A margin runs along hollows. An edge that goes down into a hollow and up again is cheap to part; one
over a bulge or along a hollow is dear.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import breadth_first_order, dijkstra, maximum_flow

from blockout.case.tooth_settings import CrownSettings
from blockout.cast.cast import Cast
from blockout.mesh import Bools, Floats, Ints, Mesh
from blockout.teeth.curvature import Curvature, curvature, edges_of

_FLOW_UNITS = 100_000.0
"""Capacities are whole numbers for the flow: this many to one."""
_ENDLESS = 1 << 28
_NEAREST_MM = 1.0
"""Distances from the middle under this count as this, so that no price grows without bound."""
_RING_MM = 0.6
"""At the rim of the patch, this wide, all is gum."""


@dataclass(frozen=True, eq=False)
class Ground:
    """Scanned surface made ready for cutting crowns out.

    Parameters
    ----------
    surface : Mesh
        The scanned faces of the cast, in its order.
    vertex, face : (n,), (m,) int
        The cast's number of each vertex and face.
    bends : Curvature
    edges : (e, 2) int
    length_mm : (e,) float
    price : (e,) float
        What it costs a margin to part the two ends, over the length of margin: 1 on flat or
        bulging surface, toward 0 across a hollow.
    """

    surface: Mesh
    vertex: Ints
    face: Ints
    bends: Curvature
    edges: Ints
    length_mm: Floats
    price: Floats

    @cached_property
    def border(self) -> Bools:
        """(n,) vertices at the rim of the scanned surface."""
        on = np.zeros(len(self.surface.vertices), dtype=bool)
        on[self.surface.halfedges[self.surface.twin_halfedges < 0].reshape(-1)] = True
        return on

    @cached_property
    def vertex_areas_mm2(self) -> Floats:
        """(n,) a third of the faces around each vertex."""
        third = np.repeat(self.surface.face_areas_mm2 / 3.0, 3)
        faces = self.surface.faces.reshape(-1)
        total = np.bincount(faces, third, minlength=len(self.surface.vertices))
        return np.asarray(total, dtype=np.float64)

    @cached_property
    def walks(self) -> csr_array:
        """Distances along edges, in mm, stretched where they cross a hollow."""
        count = len(self.surface.vertices)
        far = self.length_mm / self.price
        a, b = self.edges.T
        return csr_array((np.r_[far, far], (np.r_[a, b], np.r_[b, a])), shape=(count, count))

    def around(self, start: Ints, *, within_mm: float) -> Floats:
        """(n,) stretched distance from the nearest of ``start``; infinite beyond ``within_mm``."""
        found: Floats = dijkstra(
            self.walks, directed=False, indices=start, min_only=True, limit=within_mm
        )
        return found


def ground_of(cast: Cast, *, settings: CrownSettings) -> Ground:
    """Curvature and prices on the scanned surface of a cast."""
    surface = cast.mesh.part(cast.scanned)
    bends = curvature(surface, blur_mm=settings.crease_blur_mm)
    edges = edges_of(surface)
    step = surface.vertices[edges[:, 1]] - surface.vertices[edges[:, 0]]
    length_mm = np.maximum(np.linalg.norm(step, axis=1), 1e-9)
    hollow = np.maximum(-bends.along(edges, step / length_mm[:, None]), 0.0)
    return Ground(
        surface=surface,
        vertex=np.flatnonzero(cast.scanned_vertices),
        face=np.flatnonzero(cast.scanned),
        bends=bends,
        edges=edges,
        length_mm=length_mm,
        price=1.0 / (1.0 + (settings.crease_radius_mm * hollow) ** 2),
    )


@dataclass(frozen=True, eq=False)
class CutOut:
    """A piece of ground parted from the rest along its cheapest margin.

    Parameters
    ----------
    inside : (n,) bool
    cost : float
        Of the margin, as the angle it would have to run round the middle over flat surface to
        cost as much: 2 pi where there is no hollow at all, a small part of it for a crown.
    """

    inside: Bools
    cost: float


def cut_out(
    ground: Ground,
    *,
    core: Ints,
    others: Ints,
    middle_mm: Floats,
    reach_mm: float,
    outward: float = 1.0,
    within: Bools | None = None,
) -> CutOut:
    """The piece of ground that holds ``core``, none of ``others`` and nothing beyond
    ``reach_mm``, with the cheapest margin: a least cut.

    Each bit of margin costs its length times the price, over its distance from the middle to the
    power ``outward``. So circles of every size around the middle cost the same at power 1, and a
    margin is not drawn in merely because a smaller one is shorter. Where ``within`` (n,) is given,
    only that ground is there, and parting it at its own rim costs nothing.
    """
    points = ground.surface.vertices
    away_mm = np.linalg.norm(points - middle_mm, axis=1)
    patch = away_mm < reach_mm
    if within is not None:
        patch &= within
    count = int(patch.sum())
    place = np.cumsum(patch) - 1
    held = np.zeros(len(points), dtype=bool)
    held[core] = True
    barred = patch & ((away_mm > reach_mm - _RING_MM) | ground.border)
    barred[others] = True
    barred &= patch & ~held
    low, high = ground.edges.T
    some = patch[low] & patch[high]
    a, b = place[low[some]], place[high[some]]
    distance = np.maximum((away_mm[low[some]] + away_mm[high[some]]) / 2.0, _NEAREST_MM)
    worth = ground.price[some] * ground.length_mm[some] / distance**outward
    capacity = np.maximum(worth * _FLOW_UNITS, 1.0).astype(np.int32)
    start, end = count, count + 1
    inner, outer = place[held & patch], place[barred]
    row = np.r_[a, b, np.full(len(inner), start), outer]
    column = np.r_[b, a, inner, np.full(len(outer), end)]
    endless = np.full(len(inner) + len(outer), _ENDLESS, dtype=np.int32)
    graph = csr_array(
        (np.r_[capacity, capacity, endless], (row, column)), shape=(count + 2, count + 2)
    )
    flow = maximum_flow(graph, start, end)
    left = graph - flow.flow
    left.data[left.data < 0] = 0
    left.eliminate_zeros()
    reached = breadth_first_order(left, start, return_predecessors=False)
    inside = np.zeros(len(points), dtype=bool)
    inside[np.flatnonzero(patch)[reached[reached < count]]] = True
    return CutOut(inside, float(flow.flow_value) / _FLOW_UNITS)
