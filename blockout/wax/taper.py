"""The outer wall of tapered blockout: cones hung under the survey line.

The wall leaves the edge of the undercut and leans outward by the taper. Under a straight edge it is
the plane that touches the cones of both ends; around a corner it is a fan of such planes, so the
wall lies between the true cone and a little outside of it, by no more than :func:`taper_error_mm`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blockout.kernel.outlines import Region, distance_to_rings, inside
from blockout.kernel.solids import Solid
from blockout.mesh import Bools, Floats, Ints, Mesh
from blockout.surveying.patches import Ceilings, patch_surface
from blockout.wax.space import Space

SIDES = 48
_JOINED = 4


def taper_error_mm(drop_mm: float, taper_deg: float) -> float:
    """How far the flat-sided wall lies outside the round one at most, ``drop_mm`` below the edge.

    Fans are circumscribed: their planes touch the cone, and meet ``1 / cos(pi / n)`` further out.
    """
    radius_mm = drop_mm * math.tan(math.radians(taper_deg))
    return radius_mm * (1.0 / math.cos(math.pi / SIDES) - 1.0)


def tapered_skirt(
    space: Space,
    ceilings: Ceilings,
    taper_deg: float,
    *,
    floor_mm: float,
    near: Sequence[Region] | None = None,
    sides: int = SIDES,
) -> Solid:
    """Everything within the taper outward of and under the borders of the ceilings, down to the
    floor; upright.

    Each border edge hangs one convex body: under the edge, out to its plane, and around the corner
    to the plane of the next edge. Inward it leans as much, under the ceiling: standing upright
    under its edge it would only touch what hangs from the ceiling itself.

    Parameters
    ----------
    floor_mm : float
        Height over the cast's flat bottom.
    near : sequence of Region
        Seen along the path, upright: skirts that do not reach into any of them are left out.
    sides : int
        Planes of a whole fan.
    """
    hung = _Hung(space.upright.vertices, space.up_seen_along, floor_mm, taper_deg)
    edges = _borders(space.upright, ceilings)
    edges = edges[(hung.height_mm[edges] > 0.0).any(axis=1)]
    if near is not None:
        edges = edges[_reaching(hung, edges, near)]
    if not len(edges):
        return Solid.empty()
    turn, steep = hung.outward(edges)
    following = _following(edges)
    whole = 2.0 * np.pi * np.arange(sides) / sides
    pieces = []
    for k, (a, b) in enumerate(edges):
        after = following[k]
        inward = hung.plane(turn[k] + math.pi)
        start = hung.circle(whole) if steep[k] else np.vstack([hung.plane(turn[k]), inward])
        if after < 0 or steep[k] or steep[after]:
            corner = hung.circle(whole)
        else:
            corner = np.vstack([hung.fan(turn[k], turn[after], sides), inward])
        upper, lower = hung.cut(a, b)
        pieces.append(
            Solid.hull(np.concatenate([hung.under(upper, start), hung.under(lower, corner)]))
        )
    return _joined(pieces, following)


def _joined(pieces: list[Solid], following: Ints) -> Solid:
    """All pieces joined, each with those that follow it first: what overlaps most then shrinks
    soonest.
    """
    order: list[int] = []
    left = dict.fromkeys(range(len(pieces)))
    while left:
        k = next(iter(left))
        while k >= 0 and k in left:
            order.append(k)
            del left[k]
            k = int(following[k])
    solids = [pieces[k] for k in order]
    while len(solids) > 1:
        solids = [Solid.union(solids[k : k + _JOINED]) for k in range(0, len(solids), _JOINED)]
    return solids[0]


@dataclass(frozen=True, eq=False)
class _Hung:
    """Cones of one taper under the vertices (n, 3) of an upright cast."""

    vertices: Floats
    up_seen_along: tuple[float, float, float]
    floor_mm: float
    taper_deg: float

    @property
    def slope(self) -> float:
        return math.tan(math.radians(self.taper_deg))

    @property
    def height_mm(self) -> Floats:
        """(n,) over the floor."""
        return self.vertices[:, 2] - self.floor_mm

    def outward(self, edges: Ints) -> tuple[Floats, Bools]:
        """(k,) the way in which the plane falls that touches both ends' cones on the edge's left,
        as seen along the path; and whether one end's cone is all within the other's.
        """
        up_x, up_y, up_along = self.up_seen_along
        x, y, z = self.vertices.T
        along_mm = (z - up_x * x - up_y * y) / up_along
        way = self.vertices[edges[:, 1], :2] - self.vertices[edges[:, 0], :2]
        length_mm = np.maximum(np.hypot(way[:, 0], way[:, 1]), 1e-300)
        lean = (along_mm[edges[:, 0]] - along_mm[edges[:, 1]]) * self.slope / length_mm
        turn = np.arctan2(way[:, 1], way[:, 0]) + np.arccos(np.clip(lean, -1.0, 1.0))
        return turn, np.abs(lean) >= 1.0

    def plane(self, turn: float) -> Floats:
        return np.array([[math.cos(turn), math.sin(turn)]]) * self.slope

    def circle(self, turns: Floats) -> Floats:
        wider = self.slope / math.cos(math.pi / len(turns))
        return np.column_stack([np.cos(turns), np.sin(turns)]) * wider

    def fan(self, first: float, last: float, sides: int) -> Floats:
        """(k, 2) how far out each corner of a fan lies, per mm along the path."""
        bend = (last - first + math.pi) % (2.0 * math.pi) - math.pi
        count = max(1, math.ceil(abs(bend) * sides / (2.0 * math.pi)))
        step = bend / count
        turns = first + (np.arange(count) + 0.5) * step
        between = np.column_stack([np.cos(turns), np.sin(turns)])
        between *= self.slope / math.cos(step / 2.0)
        return np.concatenate([self.plane(first), between, self.plane(last)])

    def cut(self, a: int, b: int) -> tuple[Floats, Floats]:
        """Both ends of an edge, the lower one raised to the floor where it lies under it."""
        one, two = self.vertices[a], self.vertices[b]
        over_one, over_two = one[2] - self.floor_mm, two[2] - self.floor_mm
        if over_one < 0.0:
            one = two + over_two / (over_two - over_one) * (one - two)
            one = np.array([one[0], one[1], self.floor_mm])
        elif over_two < 0.0:
            two = one + over_one / (over_one - over_two) * (two - one)
            two = np.array([two[0], two[1], self.floor_mm])
        return one, two

    def under(self, point: Floats, falls: Floats) -> Floats:
        """A point, the floor right under it, and where its falls (k, 2) meet the floor."""
        up_x, up_y, up_along = self.up_seen_along
        drop = up_along - falls @ np.array([up_x, up_y])
        feet = point[:2] + ((point[2] - self.floor_mm) / drop)[:, None] * falls
        low = np.concatenate([point[None, :2], feet])
        return np.vstack([point, np.column_stack([low, np.full(len(low), self.floor_mm)])])


def _following(edges: Ints) -> Ints:
    """(k,) the one edge that goes on where each ends, or -1 where none or several do."""
    after: dict[int, list[int]] = {}
    before: dict[int, int] = {}
    for k, (a, b) in enumerate(edges.tolist()):
        after.setdefault(a, []).append(k)
        before[b] = before.get(b, 0) + 1
    found = [after.get(b, []) if before[b] == 1 else [] for b in edges[:, 1].tolist()]
    return np.array([one[0] if len(one) == 1 else -1 for one in found])


def _reaching(hung: _Hung, edges: Ints, near: Sequence[Region]) -> Bools:
    """(k,) edges whose skirt comes into one of the regions, some that just miss it among them."""
    ends = hung.vertices[edges]
    up_x, up_y, up_along = hung.up_seen_along
    least_drop = up_along - hung.slope * math.hypot(up_x, up_y)
    far_mm = 2.0 * hung.slope * hung.height_mm[edges].max(axis=1) / least_drop
    far_mm = far_mm + np.linalg.norm(ends[:, 1, :2] - ends[:, 0, :2], axis=1)
    reaching = np.zeros(len(edges), dtype=bool)
    for region in near:
        start = ends[:, 0, :2]
        reaching |= inside(region, start) | (distance_to_rings(region, start) <= far_mm)
    return reaching


def _borders(mesh: Mesh, ceilings: Ceilings) -> Ints:
    """(k, 2) vertices of the edges where ceilings end, with the ceiling on the right as seen along
    the path.

    Edges at which one patch was split from another are inside the ceilings and hang nothing.
    """
    if not ceilings.patch_count:
        return np.zeros((0, 2), dtype=np.int64)
    one = Ceilings(face=ceilings.face, patch=np.zeros_like(ceilings.patch))
    sheet, vertex = patch_surface(mesh, one)
    border = np.flatnonzero(sheet.twin_halfedges < 0)
    ends: Ints = vertex[sheet.halfedges[border]]
    return ends
