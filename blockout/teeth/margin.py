"""The margin line of a crown: where it runs, what lies across it, and where it is doubtful."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree

from blockout.kernel.surfaces import nearest_places
from blockout.mesh import Bools, Floats, Ints, Mesh
from blockout.teeth.ground import Ground

_STEP_MM: Final = 0.2
_BESIDE_MM: Final = 0.6
"""The hollow of a margin is looked for this near to it."""
_BESIDE_MOST: Final = 24
_LEAST_RUN_MM: Final = 1.0
"""A doubtful stretch shorter than this is a mesh's roughness; so is a sure one between two."""
_CONTACT_LEAST: Final = 8
"""Lines through fewer edges than this go round a single vertex or two."""
_MOVES_MM: Final = 0.6
"""A margin that another weighing of its length moves by more than this has a second candidate."""


@dataclass(frozen=True, eq=False)
class Margin:
    """A closed margin line.

    Parameters
    ----------
    points_mm : (j, 3) float
        On the surface, evenly spaced, file coordinates; the last point joins the first.
    hollow : (j,) float, 1/mm
        Curvature of the hollow that the line runs in, read across it; 0 where there is none.
    neighbour : (j,) int
        Number of the tooth that touches there, 0 where gum does.
    doubtful : (j,) bool
    contacts_mm : tuple of (k, 3) float
        Further closed lines around the crown's surface: where it grows together with a neighbour
        above an open embrasure.
    touches : tuple of int
        Numbers of the teeth that its surface meets anywhere.
    """

    points_mm: Floats
    hollow: Floats
    neighbour: Ints
    doubtful: Bools
    contacts_mm: tuple[Floats, ...] = ()
    touches: tuple[int, ...] = ()

    @property
    def length_mm(self) -> float:
        """All the way round."""
        ring = np.concatenate([self.points_mm, self.points_mm[:1]])
        return float(np.linalg.norm(np.diff(ring, axis=0), axis=1).sum())

    @property
    def doubtful_share(self) -> float:
        """Share of the line that is doubtful."""
        return float(self.doubtful.mean()) if len(self.doubtful) else 0.0

    @property
    def doubtful_at_mm(self) -> Floats:
        """(k, 3) the middle of each doubtful stretch, longest first."""
        runs = _runs(self.doubtful)
        runs.sort(key=lambda run: -len(run))
        middles = [self.points_mm[run[len(run) // 2]] for run in runs]
        return np.array(middles).reshape(-1, 3)


def margin_of(
    ground: Ground,
    inside: Bools,
    owner: Ints,
    *,
    blur_mm: float,
    doubt_radius_mm: float,
    rivals: tuple[Bools, ...] = (),
) -> Margin:
    """The margin around vertices ``inside`` (n,) of the ground.

    Parameters
    ----------
    ground : Ground
    inside : (n,) bool
    owner : (n,) int
        Tooth number of every vertex, 0 for gum.
    blur_mm : float
        The line is smoothed over about this far.
    doubt_radius_mm : float
        A hollow wider than this makes the line doubtful, where gum lies across it.
    rivals : tuple of (n,) bool
        The same crown under other weighings; where they end elsewhere there is a second candidate,
        and the line is doubtful.
    """
    lines = outlines_around(ground.surface, inside)
    rough, across = lines[0]
    points, out = _on_surface(ground, _smoothed(rough, blur_mm))
    hollow = _hollow(ground, points, out)
    neighbour = owner[across[cKDTree(rough).query(points)[1]]]
    doubtful = hollow < 1.0 / doubt_radius_mm
    for rival in rivals:
        around = outlines_around(ground.surface, rival)
        if around:
            elsewhere = np.concatenate([line for line, _ in around])
            doubtful |= cKDTree(elsewhere).query(points)[0] > _MOVES_MM
    doubtful &= neighbour == 0
    doubtful = _without_short_runs(doubtful)
    return Margin(points, hollow, neighbour, doubtful, *_contacts(lines, owner))


def drawn_margin(ground: Ground, inside: Bools, owner: Ints, line_mm: Floats) -> Margin:
    """A margin drawn by hand as a line (j, 3) on the surface: nothing of it is in doubt."""
    lines = outlines_around(ground.surface, inside)
    rough, across = lines[0]
    points, out = _on_surface(ground, evenly_spaced(line_mm, _STEP_MM))
    neighbour = owner[across[cKDTree(rough).query(points)[1]]]
    sure = np.zeros(len(points), dtype=bool)
    hollow = _hollow(ground, points, out)
    return Margin(points, hollow, neighbour, sure, *_contacts(lines, owner))


def _contacts(
    lines: list[tuple[Floats, Ints]], owner: Ints
) -> tuple[tuple[Floats, ...], tuple[int, ...]]:
    """The lines but the longest, and the teeth met along any of them."""
    further = tuple(line for line, _ in lines[1:] if len(line) >= _CONTACT_LEAST)
    met = np.bincount(owner[np.concatenate([across for _, across in lines])])
    met[0] = 0
    return further, tuple(np.flatnonzero(met >= _CONTACT_LEAST).tolist())


def _on_surface(ground: Ground, points: Floats) -> tuple[Floats, Floats]:
    """(j, 3) the points of a closed line moved onto the surface, and (j, 3) unit directions along
    the surface square to the line.
    """
    near = _near_mesh(ground, points)
    found = nearest_places(near, points)
    points, normals = found.points_mm, near.face_normals[found.face]
    ahead = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    out = np.cross(normals, ahead)
    out /= np.maximum(np.linalg.norm(out, axis=1), 1e-12)[:, None]
    return points, out


def outlines_around(surface: Mesh, inside: Bools) -> list[tuple[Floats, Ints]]:
    """The closed lines between vertices inside and outside, longest first: (k, 3) middles of the
    edges that each crosses in order, and (k,) the outer vertex of each edge.

    Crossing faces from edge to edge they never touch themselves, as borders of face sets do.
    """
    mixed = inside[surface.faces]
    count = mixed.sum(axis=1)
    crossed = np.flatnonzero((count == 1) | (count == 2))
    mixed = mixed[crossed]
    alone = np.where((count[crossed] == 1)[:, None], mixed, ~mixed).argmax(axis=1)
    faces = surface.faces[crossed]
    rows = np.arange(len(faces))
    apex = faces[rows, alone]
    size = np.int64(len(surface.vertices))
    ends = []
    for step in (1, 2):
        other = faces[rows, (alone + step) % 3]
        ends.append(np.minimum(apex, other) * size + np.maximum(apex, other))
    keys, joined = np.unique(np.stack(ends, axis=1).reshape(-1), return_inverse=True)
    low, high = keys // size, keys % size
    middles = (surface.vertices[low] + surface.vertices[high]) / 2.0
    outer = np.where(inside[low], high, low)
    walks = _walks(joined.reshape(-1, 2), len(keys))
    lines = [(middles[walk], outer[walk]) for walk in walks]
    return sorted(lines, key=lambda line: -_length_mm(line[0]))


def _length_mm(line: Floats) -> float:
    return float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())


def _walks(pairs: Ints, count: int) -> list[Ints]:
    partners: list[list[int]] = [[] for _ in range(count)]
    for a, b in pairs.tolist():
        partners[a].append(b)
        partners[b].append(a)
    # an open walk, which ends at the rim of the scan, is walked from one of its ends
    starts = [k for k, near in enumerate(partners) if len(near) == 1]
    starts += [k for k, near in enumerate(partners) if len(near) == 2]
    seen = np.zeros(count, dtype=bool)
    walks = []
    for start in starts:
        if seen[start]:
            continue
        walk, at = [], start
        while at >= 0:
            seen[at] = True
            walk.append(at)
            at = next((k for k in partners[at] if not seen[k]), -1)
        walks.append(np.array(walk, dtype=np.int64))
    return walks


def evenly_spaced(ring_mm: Floats, step_mm: float) -> Floats:
    """(j, 3) points about ``step_mm`` apart along a closed line (k, 3); not repeated at its end."""
    ring = np.concatenate([ring_mm, ring_mm[:1]])
    steps = np.linalg.norm(np.diff(ring, axis=0), axis=1)
    along = np.r_[0.0, np.cumsum(steps)]
    count = max(int(np.ceil(along[-1] / step_mm)), 8)
    at = np.arange(count) * (along[-1] / count)
    return np.stack([np.interp(at, along, ring[:, axis]) for axis in range(3)], axis=1)


def _smoothed(ring_mm: Floats, blur_mm: float) -> Floats:
    points = evenly_spaced(ring_mm, _STEP_MM)
    if blur_mm > 0.0:
        points = np.asarray(gaussian_filter1d(points, blur_mm / _STEP_MM, axis=0, mode="wrap"))
        points = evenly_spaced(points, _STEP_MM)
    return points


def _near_mesh(ground: Ground, points: Floats) -> Mesh:
    """The faces near the line, enough for the nearest place on the surface to be among them."""
    low, high = points.min(axis=0) - 2.0, points.max(axis=0) + 2.0
    centres = ground.surface.face_centres
    boxed = np.flatnonzero(((centres > low) & (centres < high)).all(axis=1))
    near = cKDTree(points).query(centres[boxed], distance_upper_bound=1.5)[0]
    keep = np.zeros(len(centres), dtype=bool)
    keep[boxed[np.isfinite(near)]] = True
    return ground.surface.part(keep)


def _hollow(ground: Ground, points: Floats, out: Floats) -> Floats:
    """(j,) curvature of the deepest hollow beside each point, read across the line, 1/mm."""
    vertices = ground.surface.vertices
    low, high = points.min(axis=0) - 1.0, points.max(axis=0) + 1.0
    boxed = np.flatnonzero(((vertices > low) & (vertices < high)).all(axis=1))
    away, near = cKDTree(vertices[boxed]).query(
        points, k=_BESIDE_MOST, distance_upper_bound=_BESIDE_MM
    )
    known = np.isfinite(away)
    vertex = boxed[np.where(known, near, 0)]
    bend = np.einsum("ji,jkil,jl->jk", out, ground.bends.tensor[vertex], out)
    deepest: Floats = np.maximum(np.where(known, -bend, 0.0).max(axis=1), 0.0)
    return deepest


def _runs(chosen: Bools) -> list[Ints]:
    """Runs of chosen places around a ring."""
    if not chosen.any():
        return []
    if chosen.all():
        return [np.arange(len(chosen))]
    start = int(np.flatnonzero(~chosen)[0])
    turned = np.roll(chosen, -start)
    cuts = np.flatnonzero(np.diff(np.r_[False, turned, False].astype(np.int8)))
    return [
        (np.arange(first, last) + start) % len(chosen)
        for first, last in cuts.reshape(-1, 2).tolist()
    ]


def _without_short_runs(chosen: Bools) -> Bools:
    least = round(_LEAST_RUN_MM / _STEP_MM)
    kept = chosen.copy()
    for run in _runs(~kept):
        if len(run) < least and not kept.all() and kept.any():
            kept[run] = True
    for run in _runs(kept):
        if len(run) < least:
            kept[run] = False
    return kept
