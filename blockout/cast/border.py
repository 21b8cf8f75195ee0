"""The border of an open scan: cut clean, so that a skirt can hang straight down from it.

The cut runs at a chosen distance along the surface from the scan's own border. Inside it every
vertex and face is kept to the bit; a triangle it crosses is split.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import binary_dilation
from scipy.spatial import cKDTree

from blockout.cast.change import gathered, places
from blockout.cast.cut import cut_where_positive, distance_along_surface_mm
from blockout.cast.frame import CastFrame
from blockout.cast.pieces import border_loops, one_sheet
from blockout.errors import DefectError
from blockout.kernel.surfaces import self_intersections
from blockout.mesh import Bools, Floats, Ints, Mesh

LOCAL_LIMIT_MM = 8.0
"""How far in from its own border a scan may be cut where a skirt cannot hang; ours: about the
height of an attached gingiva, beyond which surface that matters would be lost."""

PRICKLE_MM = 1.5
"""What juts out from the border and is narrower than about twice this is cut off; ours."""

_STEP_MM = 0.4
_UNDERCUT_MM = 2.5  # the lower of two surfaces goes when it lies no further in than this
_CLEAR_MM = 0.05  # runs of the border nearer than this, seen from above, leave no room for a skirt
_STRANDS_MM = 0.5  # runs of the border this near to each other, seen from above, may conflict
_SLOPE = 0.7  # how fast a deeper cut comes back; under 1, so that it never cuts an island loose
_ROUNDS = 40


@dataclass(frozen=True, eq=False)
class Trimmed:
    """An open surface with one clean border.

    Parameters
    ----------
    mesh : Mesh
        Kept vertices come first, in their old order and to the bit.
    came_from : (m,) int
        The face of the untrimmed surface each face is, or -1 for a part of a split one.
    loop : (k,) int
        The border, surface on its left.
    removed_count : int
        Faces of the scan that are gone or split.
    removed_area_mm2 : float
    deepest_mm : float
        How far in from its own border the scan was cut at most.
    deeper_at_mm : (k, 3) float
        Places where it had to be cut deeper than asked.
    field : TrimField
        How deep it was cut where.
    """

    mesh: Mesh
    came_from: Ints
    loop: Ints
    removed_count: int
    removed_area_mm2: float
    deepest_mm: float
    deeper_at_mm: Floats
    field: TrimField


def trim_border(
    mesh: Mesh, *, frame: CastFrame, trim_mm: float, limit_mm: float = LOCAL_LIMIT_MM
) -> Trimmed:
    """Cut the border back by ``trim_mm``, deeper only where a skirt along the cast frame's -z
    would cut itself or the scan, and there by no more than ``limit_mm``.

    Raises
    ------
    DefectError
        No such cut within the limit; carries the places.
    """
    loops = border_loops(mesh)
    field = TrimField.around(mesh, loops[0], trim_mm=trim_mm, limit_mm=limit_mm)
    return _until_a_skirt_hangs(field, frame)


def trim_again(trimmed: Trimmed, at_mm: Floats, *, frame: CastFrame) -> Trimmed:
    """Cut deeper around places (k, 3) where a base did not fit: the border's lowest strand there
    goes.

    Raises
    ------
    DefectError
        As :func:`trim_border`.
    """
    border = trimmed.mesh.vertices[trimmed.loop]
    cast = frame.points_to_cast(border)
    tree = cKDTree(cast[:, :2])
    upper, lower = [], []
    for place in frame.points_to_cast(at_mm)[:, :2]:
        strands = np.array(tree.query_ball_point(place, _STRANDS_MM) or [tree.query(place)[1]])
        height = cast[strands, 2]
        upper.append(border[strands[height.argmax()]])
        lower.append(border[strands[height.argmin()]])
    conflicts = Conflicts(np.array(upper), np.array(lower))
    return _until_a_skirt_hangs(trimmed.field.deepened(conflicts), frame)


def _until_a_skirt_hangs(field: TrimField, frame: CastFrame) -> Trimmed:
    for _ in range(_ROUNDS):
        trimmed = field.cut()
        conflicts = skirt_conflicts(trimmed.mesh, trimmed.loop, frame=frame)
        if not len(conflicts.lower_mm):
            return trimmed
        field = field.deepened(conflicts)
    raise field.refusal(conflicts.lower_mm)


@dataclass(frozen=True, eq=False)
class TrimField:
    """How deep to cut, as a number at every vertex.

    ``from_border_mm`` (n,) is the distance along the surface from the border as it is,
    ``distance_mm`` (n,) from the border without its prickles; ``depth_mm`` (n,) the cut's
    distance there; ``deeper_mm`` (k, 3) the places where it is deeper than asked.
    """

    mesh: Mesh
    from_border_mm: Floats
    distance_mm: Floats
    depth_mm: Floats
    trim_mm: float
    limit_mm: float
    deeper_mm: Floats

    @classmethod
    def around(cls, mesh: Mesh, loop: Ints, *, trim_mm: float, limit_mm: float) -> TrimField:
        reach = max(limit_mm, trim_mm) * 1.25 + 1.0
        ragged = distance_along_surface_mm(mesh, loop, limit_mm=reach)
        ragged[~np.isfinite(ragged)] = reach
        return cls(
            mesh=mesh,
            from_border_mm=ragged,
            distance_mm=_without_prickles(mesh, ragged, width_mm=trim_mm + PRICKLE_MM),
            depth_mm=np.full(len(ragged), trim_mm),
            trim_mm=trim_mm,
            limit_mm=limit_mm,
            deeper_mm=np.zeros((0, 3)),
        )

    def cut(self) -> Trimmed:
        """The surface inside the cut, its largest piece, as one sheet with one border."""
        pieces = cut_where_positive(self.mesh, self.distance_mm - self.depth_mm)
        keep = one_sheet(pieces.mesh)
        if not keep.any():
            raise DefectError(
                "nothing is left of the scan inside its trimmed border",
                measured=f"trimmed by {self.trim_mm:g} mm",
                fix="Set a smaller --border-trim.",
            )
        part = pieces.mesh.part(keep)
        came_from = pieces.came_from[keep]
        loops = border_loops(part)
        if len(loops) != 1:
            raise DefectError(
                "the trimmed border is not one loop",
                measured=f"{len(loops)} loops",
                places_mm=places(np.array([part.vertices[loop[0]] for loop in loops[1:]])),
                fix="Fill or crop the scan there, or set another --border-trim.",
            )
        area = float(self.mesh.face_areas_mm2.sum() - part.face_areas_mm2.sum())
        gone = np.ones(len(self.mesh.vertices), dtype=bool)
        gone[pieces.mesh.faces[keep][came_from >= 0].reshape(-1)] = False
        gone &= self.distance_mm < self.depth_mm
        return Trimmed(
            mesh=part,
            came_from=came_from,
            loop=loops[0],
            removed_count=self.mesh.triangle_count - int((came_from >= 0).sum()),
            removed_area_mm2=area,
            deepest_mm=max(self.trim_mm, float(self.from_border_mm[gone].max(initial=0.0))),
            deeper_at_mm=self.deeper_mm,
            field=self,
        )

    def deepened(self, conflicts: Conflicts) -> TrimField:
        """A deeper cut around the conflicts: so deep that the lower of the two surfaces goes,
        or, where that lies too far in, one step deeper at the upper one.
        """
        near = np.flatnonzero(self.distance_mm < self.limit_mm * 1.25)
        points = self.mesh.vertices[near]
        at_lower = near[_nearest(points, conflicts.lower_mm)]
        at_upper = near[_nearest(points, conflicts.upper_mm)]
        # on a coarse mesh the vertex nearest to a conflict may lie outside the cut already
        low = np.maximum(self.distance_mm[at_lower], self.depth_mm[at_lower])
        high = self.depth_mm[at_upper]
        take_low = low <= high + _UNDERCUT_MM
        centres = np.where(take_low[:, None], conflicts.lower_mm, conflicts.upper_mm)
        heights = np.where(take_low, low, high) + _STEP_MM
        beyond = heights > self.limit_mm
        if beyond.any():
            raise self.refusal(centres[beyond])
        depth = self.depth_mm.copy()
        at_centre = np.where(take_low, at_lower, at_upper)
        # conflicts are found in any order; equally high ones are taken in the order of the scan's
        # own vertices, so that the cut is the same however the scan lies
        off_mm = np.linalg.norm(self.mesh.vertices[at_centre] - centres, axis=1)
        order = np.lexsort((np.round(off_mm, 9), at_centre, -np.round(heights, 9)))
        for k in order.tolist():
            if depth[at_centre[k]] >= heights[k] - 0.25 * _STEP_MM:
                continue  # a neighbour's cut already takes it
            gap = np.linalg.norm(points - centres[k], axis=1)
            depth[near] = np.maximum(depth[near], heights[k] - _SLOPE * gap)
        deeper = gathered(np.vstack([self.deeper_mm, centres]))
        return replace(self, depth_mm=depth, deeper_mm=deeper)

    def refusal(self, at_mm: Floats) -> DefectError:
        return DefectError(
            "no skirt can hang from the border without cutting the scan or itself",
            measured=f"cut back by up to {self.limit_mm:g} mm, the limit",
            places_mm=places(gathered(at_mm)),
            fix="Crop the scan there so that its border can be seen from below, or set a larger "
            "--border-trim.",
        )


def _nearest(points: Floats, asked: Floats) -> Ints:
    """(k,) which of the points is nearest to each asked one; of equally near ones the first."""
    found = cKDTree(points).query(asked, k=min(4, len(points)))
    away_mm, at = (np.asarray(each).reshape(len(asked), -1) for each in found)
    equal = away_mm <= away_mm[:, :1] + 1e-9
    first: Ints = np.asarray(np.where(equal, at, len(points)).min(axis=1))
    return first


def _without_prickles(mesh: Mesh, distance_mm: Floats, *, width_mm: float) -> Floats:
    """The distance from a border that has lost what is narrower than twice the width.

    What lies further in than the width stays as it is; outside of it the distance is the width
    less the way out from there, so what juts out comes to lie beyond the new border.
    """
    start, end = mesh.halfedges.T
    outside = distance_mm < width_mm
    rim = np.unique(
        np.r_[
            start[outside[start] & ~outside[end]],
            end[outside[end] & ~outside[start]],
        ]
    )
    if not len(rim):
        return distance_mm
    out = distance_along_surface_mm(
        mesh, rim, limit_mm=4.0 * width_mm, ahead_mm=width_mm - distance_mm[rim]
    )
    out[~np.isfinite(out)] = 4.0 * width_mm
    return np.where(outside, width_mm - out, distance_mm)


@dataclass(frozen=True, eq=False)
class Conflicts:
    """Where a skirt from the border would meet something: (k, 3) points of the border it hangs
    from, and of the border or scan that it meets further down.
    """

    upper_mm: Floats
    lower_mm: Floats


def skirt_conflicts(mesh: Mesh, loop: Ints, *, frame: CastFrame) -> Conflicts:
    """Hang a skirt from the border along the cast frame's -z, past the lowest point, and find
    where it cuts itself or the scan, by exact predicates.
    """
    cast = frame.points_to_cast(mesh.vertices)
    count = len(loop)
    low = cast[mesh.faces.reshape(-1), 2].min() - 1.0
    hem = mesh.vertices[loop] + (low - cast[loop, 2])[:, None] * frame.up
    below = len(mesh.vertices) + np.arange(count)
    after, below_after = np.roll(loop, -1), np.roll(below, -1)
    skirt = np.concatenate(
        [
            np.stack([after, loop, below], axis=1),
            np.stack([after, below, below_after], axis=1),
        ]
    )
    near = np.flatnonzero(_faces_over(cast, mesh.faces, cast[loop, :2]))
    both = Mesh(np.vstack([mesh.vertices, hem]), np.vstack([skirt, mesh.faces[near]]))
    pairs = np.sort(self_intersections(both), axis=1)
    pairs = pairs[pairs[:, 0] < len(skirt)]
    # each pair has a skirt face first; the second is skirt or scan
    segment_mm = (mesh.vertices[loop] + mesh.vertices[after]) / 2.0
    own = segment_mm[pairs[:, 0] % count]
    is_skirt = pairs[:, 1] < len(skirt)
    other = np.where(
        is_skirt[:, None], segment_mm[pairs[:, 1] % count], both.face_centres[pairs[:, 1]]
    )
    swap = is_skirt & (frame.points_to_cast(other)[:, 2] > frame.points_to_cast(own)[:, 2])
    tight_one, tight_other = _tight_strands(mesh.vertices[loop], cast[loop])
    return Conflicts(
        np.vstack([np.where(swap[:, None], other, own), tight_one]),
        np.vstack([np.where(swap[:, None], own, other), tight_other]),
    )


def _tight_strands(border: Floats, cast: Floats) -> tuple[Floats, Floats]:
    """(k, 3) upper and lower points where two runs of the border (n, 3), far apart along it, come
    nearer to each other seen from above than ``_CLEAR_MM``; ``cast`` is the same in cast frame.
    """
    after = np.roll(cast, -1, axis=0)
    length = np.linalg.norm((after - cast)[:, :2], axis=1)
    pieces = np.ceil(length / _CLEAR_MM).astype(np.int64).clip(1)
    segment = np.repeat(np.arange(len(cast)), pieces)
    step = np.arange(len(segment)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    share = (step / pieces[segment])[:, None]
    points = cast[segment] + share * (after - cast)[segment]
    along = (np.cumsum(length) - length)[segment] + share[:, 0] * length[segment]
    pairs = cKDTree(points[:, :2]).query_pairs(_CLEAR_MM, output_type="ndarray")
    apart = np.abs(along[pairs[:, 0]] - along[pairs[:, 1]])
    pairs = pairs[np.minimum(apart, length.sum() - apart) > 8.0 * _CLEAR_MM]
    one, other = pairs.T
    swap = points[one, 2] < points[other, 2]
    upper, lower = np.where(swap, other, one), np.where(swap, one, other)
    return border[segment[upper]], border[segment[lower]]


def _faces_over(cast: Floats, faces: Ints, ring: Floats) -> Bools:
    """(m,) faces that may lie across the vertical wall over the closed ring (k, 2)."""
    after = np.roll(ring, -1, axis=0)
    corners = cast[faces][:, :, :2]
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    cell = max(0.5, float(sides.max()))
    length = np.linalg.norm(after - ring, axis=1)
    steps = int(np.ceil(length.max() / cell * 2.0)) + 1
    share = np.linspace(0.0, 1.0, steps)[:, None, None]
    walked = (ring + share * (after - ring)).reshape(-1, 2)
    origin = cast[:, :2].min(axis=0) - cell
    size = np.ceil((cast[:, :2].max(axis=0) - origin) / cell).astype(np.int64) + 2
    marked = np.zeros(size, dtype=bool)
    at = ((walked - origin) / cell).astype(np.int64)
    marked[at[:, 0], at[:, 1]] = True
    marked = binary_dilation(marked, np.ones((3, 3), dtype=bool))
    at = ((corners.mean(axis=1) - origin) / cell).astype(np.int64)
    over: Bools = marked[at[:, 0], at[:, 1]]
    return over
