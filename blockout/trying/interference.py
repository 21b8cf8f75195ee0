"""Interferences: where, how deep and how much a framework stands in the way of its own seating.

Each connected piece of overlap that lies deeper in the blocked-out region than the allowance is one
interference. Deep places that hang together by touching alone, in a film thinner than the
allowance, count apart. What stays within the allowance touches, and is told in one sum.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from typing import Final

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from blockout.kernel.solids import Solid
from blockout.kernel.surfaces import nearest_places
from blockout.mesh import Floats, Ints, Mesh, joined
from blockout.trying.blocked import BlockedOut, places_on
from blockout.trying.first_touch import first_touch

_PLACES_AIM: Final = 40_000
_SPACING_MM: Final = (0.03, 0.3)
_HANGS_TOGETHER: Final = 2.5
_CLOSER: Final = (1.0, 0.25, 0.06, 0.015)
"""Rounds of looking closer at the deepest place, as shares of the spacing."""
_GRID: Final = np.array(
    [[x, y, z] for x in (-1, -0.5, 0, 0.5, 1) for y in (-1, -0.5, 0, 0.5, 1)
     for z in (-1, -0.5, 0, 0.5, 1)]
)  # fmt: skip
_DEPTH_READINGS: Final = 4_000
_COUNTED_APART: Final = 24
_ASIDE_SHARE: Final = 0.8
"""The nearest way out counts as one to the side where going square to the path is hardly longer."""


@dataclass(frozen=True, eq=False)
class Interference:
    """One interference, file coordinates.

    Parameters
    ----------
    mesh : Mesh
        The overlap as a closed solid.
    volume_mm3 : float
    at_mm : (3,) float
        The deepest place.
    depth_mm : float
        Greatest distance to the wall of the blocked-out region square to the path: what an
        undercut gauge would read there.
    into_mm : float
        Greatest distance to the nearest place outside of it, whichever way.
    way : "aside" or "up"
        Whether that nearest place lies square to the path, as at a wall, or rather along it, as
        under a rest that stands too low.
    in_cast : bool
        Whether the deepest place lies inside the cast itself, not only under it.
    surface_mm : float or None
        Distance from there to the cast's surface, where it lies inside.
    first_touch_mm : float
        Height above seat at which it first touches.
    touches_at_mm : (3,) float
        Where on the cast.
    places_mm : (k, 3) float
        Places all over it.
    places_into_mm : (k,) float
        How far each of them lies inside.
    """

    mesh: Mesh
    volume_mm3: float
    at_mm: Floats
    depth_mm: float
    into_mm: float
    way: str
    in_cast: bool
    surface_mm: float | None
    first_touch_mm: float
    touches_at_mm: Floats
    places_mm: Floats
    places_into_mm: Floats


@dataclass(frozen=True, eq=False)
class Touching:
    """Overlap within the allowance, in one sum."""

    pieces: int
    volume_mm3: float


@dataclass(frozen=True, eq=False)
class Found:
    """All interferences, the first to touch first, and what only touches."""

    interferences: tuple[Interference, ...]
    touching: Touching


def interferences_of(shared: Solid, blocked: BlockedOut, *, allowance_mm: float) -> Found:
    """The interferences in what a framework shares with the blocked-out region.

    Parameters
    ----------
    shared : Solid
        Path coordinates.
    """
    if shared.is_empty:
        return Found((), Touching(0, 0.0))
    pieces = _pieces(shared.mesh())
    area_mm2 = sum(float(piece.face_areas_mm2.sum()) for piece in pieces)
    spacing_mm = float(np.clip(np.sqrt(area_mm2 / _PLACES_AIM), *_SPACING_MM))
    places = [places_on(piece, spacing_mm) for piece in pieces]
    owner = np.repeat(np.arange(len(pieces)), [len(some) for some in places])
    deep = np.flatnonzero(blocked.deeper(np.concatenate(places), allowance_mm))
    points, owner = np.concatenate(places)[deep], owner[deep]
    group = _groups(points, owner, _HANGS_TOGETHER * spacing_mm)
    parts: list[tuple[Mesh, Floats, bool]] = []
    stopping = set(owner.tolist())
    for number in sorted(stopping):
        mine = np.flatnonzero(owner == number)
        parts += _apart(pieces[number], points[mine], group[mine])
    still = [piece.volume_mm3 for k, piece in enumerate(pieces) if k not in stopping]
    touching = Touching(len(still), float(sum(still)))
    if not parts:
        return Found((), touching)
    deepest = _deepest(blocked, parts, spacing_mm)
    found = [
        _interference(blocked, part, one, spacing_mm)
        for part, one in zip(parts, deepest, strict=True)
    ]
    found.sort(key=lambda one: -one.first_touch_mm)
    return Found(tuple(found), touching)


def _pieces(mesh: Mesh) -> list[Mesh]:
    """The connected pieces of a solid, each with its hollows."""
    label = mesh.face_components()
    shells = [mesh.part(label == number) for number in range(int(label.max()) + 1)]
    full = [shell for shell in shells if shell.volume_mm3 > 0.0]
    hollow = [shell for shell in shells if shell.volume_mm3 < 0.0]
    for shell in hollow:
        around = [
            k for k, body in enumerate(full)
            if (body.bounds_mm[0] <= shell.bounds_mm[0]).all()
            and (body.bounds_mm[1] >= shell.bounds_mm[1]).all()
        ]  # fmt: skip
        if around:
            k = min(around, key=lambda number: full[number].volume_mm3)
            full[k] = joined([full[k], shell])
    return full


def _groups(points: Floats, owner: Ints, reach_mm: float) -> Ints:
    """(k,) which points of one piece hang together: those in one cell of half that size, or in
    cells that touch.
    """
    if not len(points):
        return np.zeros(0, dtype=np.int64)
    place = np.floor((points - points.min(axis=0)) / (reach_mm / 2.0)).astype(np.int64) + 1
    size = place.max(axis=0) + 2
    key = ((owner * size[0] + place[:, 0]) * size[1] + place[:, 1]) * size[2] + place[:, 2]
    cells, cell = np.unique(key, return_inverse=True)
    rows, others = [], []
    for i, j, k in product((-1, 0, 1), repeat=3):
        beside = cells + (i * size[1] + j) * size[2] + k
        at = np.minimum(np.searchsorted(cells, beside), len(cells) - 1)
        there = np.flatnonzero(cells[at] == beside)
        rows.append(there)
        others.append(at[there])
    row, other = np.concatenate(rows), np.concatenate(others)
    linked = coo_matrix(
        (np.ones(len(row), dtype=np.int8), (row, other)), shape=(len(cells), len(cells))
    )
    label = np.asarray(connected_components(linked, directed=False)[1], dtype=np.int64)
    groups: Ints = label[cell.reshape(-1)]
    return groups


def _apart(piece: Mesh, points: Floats, group: Ints) -> list[tuple[Mesh, Floats, bool]]:
    """A piece for each of its deep places: all of it, or what lies nearest as seen along the path;
    the deep points of each, and whether the piece was cut.
    """
    names, size = np.unique(group, return_counts=True)
    names = names[np.argsort(-size, kind="stable")][:_COUNTED_APART]
    if len(names) == 1:
        return [(piece, points, False)]
    seeds = np.array([points[group == name, :2].mean(axis=0) for name in names])
    rest = ~np.isin(group, names)
    if rest.any():  # the smallest of very many go with what is nearest
        group = group.copy()
        group[rest] = names[cKDTree(seeds).query(points[rest, :2])[1]]
    solid = Solid.from_mesh(piece)
    parts = []
    for k, name in enumerate(names):
        part = solid
        for other in np.delete(seeds, k, axis=0):
            toward = seeds[k] - other
            length = float(np.linalg.norm(toward))
            if length < 1e-6:
                continue
            normal = np.array([*toward, 0.0]) / length
            part = part.above_plane(normal, float(normal[:2] @ (seeds[k] + other) / 2.0))
        mesh = part.mesh()
        parts.append((mesh if mesh.triangle_count else piece, points[group == name], True))
    return parts


@dataclass(frozen=True, eq=False)
class _Deepest:
    """``depth_mm`` is the greatest of all places tried, ``here_mm`` the one at ``at_mm``;
    ``read_mm`` are places tried, and ``read_into_mm`` how far each lies inside.
    """

    at_mm: Floats
    here_mm: float
    depth_mm: float
    into_mm: float
    read_mm: Floats
    read_into_mm: Floats


def _deepest(
    blocked: BlockedOut, parts: list[tuple[Mesh, Floats, bool]], spacing_mm: float
) -> list[_Deepest]:
    """The deepest place of each part: the deepest of its points, then looked at closer."""
    share = max(200, _DEPTH_READINGS // len(parts))
    asked = [points[:: max(1, len(points) // share)] for _, points, _ in parts]
    best = _best_of(blocked, asked, None)
    readings = [(one.read_mm, one.read_into_mm) for one in best]
    for closer in _CLOSER:
        around = [
            np.concatenate([
                one.at_mm[None],
                nearest_places(mesh, one.at_mm + closer * spacing_mm * _GRID).points_mm,
            ])
            for one, (mesh, _, _) in zip(best, parts, strict=True)
        ]  # fmt: skip
        best = _best_of(blocked, around, best)
    return [
        replace(one, read_mm=places, read_into_mm=into)
        for one, (places, into) in zip(best, readings, strict=True)
    ]


def _best_of(
    blocked: BlockedOut, asked: list[Floats], so_far: list[_Deepest] | None
) -> list[_Deepest]:
    """Of each list of points the one that lies deepest, whichever way; ties by depth aside."""
    flat = np.concatenate(asked)
    depth = blocked.depth_mm(flat)
    into = blocked.into_mm(flat, depth)
    found = []
    start = 0
    for number, points in enumerate(asked):
        rows = slice(start, start + len(points))
        start += len(points)
        at = int(np.argmax(into[rows] + 1e-6 * depth[rows]))
        here_mm, into_mm = float(depth[rows][at]), float(into[rows][at])
        one = _Deepest(points[at], here_mm, float(depth[rows].max()), into_mm, points, into[rows])
        if so_far is not None:
            known = so_far[number]
            best = known if known.into_mm > one.into_mm else one
            one = replace(best, depth_mm=max(known.depth_mm, one.depth_mm))
        found.append(one)
    return found


def _interference(
    blocked: BlockedOut, part: tuple[Mesh, Floats, bool], one: _Deepest, spacing_mm: float
) -> Interference:
    mesh, points, cut = part
    touch = first_touch(blocked, mesh, around_mm=points if cut else None, reach_mm=2.0 * spacing_mm)
    near = nearest_places(blocked.mesh, one.at_mm[None])
    outward = (one.at_mm - near.points_mm[0]) @ blocked.mesh.face_normals[near.face[0]]
    in_cast = bool(outward < 0.0)
    return Interference(
        mesh=Mesh(blocked.to_file(mesh.vertices), mesh.faces),
        volume_mm3=mesh.volume_mm3,
        at_mm=blocked.to_file(one.at_mm),
        depth_mm=one.depth_mm,
        into_mm=one.into_mm,
        way="aside" if one.into_mm >= _ASIDE_SHARE * one.here_mm else "up",
        in_cast=in_cast,
        surface_mm=float(near.distance_mm[0]) if in_cast else None,
        first_touch_mm=touch.height_mm,
        touches_at_mm=blocked.to_file(touch.cast_mm),
        places_mm=blocked.to_file(one.read_mm),
        places_into_mm=one.read_into_mm,
    )
