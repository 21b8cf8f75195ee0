"""What a scanner would make of a sample cast: open below, ragged, a little noisy, turned."""

from __future__ import annotations

from typing import Final

import numpy as np

from blockout.mesh import Bools, Floats, Mesh, connected_faces, joined, pinched_vertices
from blockout.samples.arch import CastField, SampleCast, file_frame, skin_of
from blockout.samples.plan import CastPlan

_INSET_MM: Final = 1.6
"""How far inside the cast's outline the scan ends, on average."""
_WAVE_MM: Final = (2.0, 14.0)
_TORN_SHARE: Final = 0.2
_HOLE_MM: Final = 0.9
_ISLAND_MM: Final = 1.6
_HOLE_AT_MM: Final = (-13.0, -6.0, -14.0)
"""Arch length, offset and height near which the hole lies: a lingual flange."""
_ISLAND_AT_MM: Final = (20.0, 6.0, -15.0)


def scan_like(plan: CastPlan) -> SampleCast:
    """An open scan of the cast of ``plan``: no base, a ragged border, noise along the normals,
    and, as the plan asks, a hole and a loose scrap. Every face of it counts as skin.

    >>> scan = scan_like(CastPlan(spacing_mm=1.0, up="-y", front="+x"))
    >>> bool((scan.mesh.twin_halfedges < 0).any())
    True
    """
    field = CastField(plan)
    whole = skin_of(field)
    # one stream for each purpose, so that asking for less noise does not move the border
    border, tears, noise = np.random.default_rng(plan.seed).spawn(3)
    seen = _from_outside(whole, _inside_border(whole, field, border))
    if plan.ragged_mm > 0.0:
        seen = _from_outside(whole, seen & ~_torn(whole, seen, tears))
    kept = _unpinched(whole.part(seen))
    if plan.hole:
        kept = _unpinched(kept.part(~_faces_near(kept, _place(field, _HOLE_AT_MM), _HOLE_MM)))
    if plan.island:
        scrap = whole.part(_faces_near(whole, _place(field, _ISLAND_AT_MM), _ISLAND_MM))
        away = np.r_[field.curve.outward(_ISLAND_AT_MM[0]) * 9.0, 2.0]
        kept = joined([kept, Mesh(scrap.vertices + away, scrap.faces)])
    rough = noise.normal(0.0, 1.0, len(kept.vertices)) * plan.noise_mm
    points = kept.vertices + kept.vertex_normals * rough[:, None]
    frame = file_frame(plan)
    mesh = Mesh(np.round(frame.points_to_file(points), 6), kept.faces)
    return SampleCast(mesh, np.ones(mesh.triangle_count, dtype=bool), frame, field.standings, plan)


def _inside_border(mesh: Mesh, field: CastField, random: np.random.Generator) -> Bools:
    """(m,) faces inside a line that wanders along the outline."""
    points = mesh.vertices
    outside = field.ridge.section(points[:, :2]).outside_mm
    count = 40
    length = np.exp(random.uniform(np.log(_WAVE_MM[0]), np.log(_WAVE_MM[1]), count))
    heading = random.uniform(0.0, 2.0 * np.pi, count)
    phase = random.uniform(0.0, 2.0 * np.pi, count)
    rate = 2.0 * np.pi / length[:, None] * np.stack([np.cos(heading), np.sin(heading)], axis=1)
    waves = np.sin(points[:, :2] @ rate.T + phase).sum(axis=1) / np.sqrt(count / 2.0)
    inset = _INSET_MM + field.plan.ragged_mm * np.clip(waves, -2.0, 2.0)
    inside = outside < -np.maximum(inset, 0.4)
    return np.asarray(inside[mesh.faces].all(axis=1))


def _from_outside(whole: Mesh, seen: Bools) -> Bools:
    """Faces not seen only where the unseen reaches the outside: no chance holes."""
    open_face = (whole.twin_halfedges < 0).reshape(3, -1).any(axis=0)
    neighbours = whole.face_neighbours
    linked = (neighbours >= 0) & ~seen[:, None] & ~seen[neighbours]
    piece = connected_faces(np.where(linked, neighbours, -1))
    outside = np.zeros(len(piece), dtype=bool)
    outside[piece[open_face & ~seen]] = True
    return seen | ~outside[piece]


def _torn(whole: Mesh, seen: Bools, random: np.random.Generator) -> Bools:
    """(m,) some of the faces along the border."""
    beside = seen & (~seen[whole.face_neighbours]).any(axis=1)
    return np.asarray(beside & (random.random(len(seen)) < _TORN_SHARE))


def _unpinched(mesh: Mesh) -> Mesh:
    """The largest piece, less the faces where sheets would touch at a point only."""
    while True:
        piece = mesh.face_components()
        mesh = mesh.part(piece == np.bincount(piece).argmax())
        pinched: Bools = pinched_vertices(mesh)
        if not pinched.any():
            return mesh
        beside: Bools = np.asarray(pinched[mesh.faces].any(axis=1))
        mesh = mesh.part(~beside)


def _place(field: CastField, place_mm: tuple[float, float, float]) -> Floats:
    along, offset, height = place_mm
    flat: Floats = field.curve.point(along) + field.curve.outward(along) * offset
    return np.append(flat, height)


def _faces_near(mesh: Mesh, point_mm: Floats, radius_mm: float) -> Bools:
    """(m,) faces about the vertex nearest to a point."""
    gap = np.linalg.norm(mesh.vertices - point_mm, axis=1)
    centre = mesh.vertices[gap.argmin()]
    near = np.linalg.norm(mesh.vertices - centre, axis=1) < radius_mm
    return np.asarray(near[mesh.faces].any(axis=1))
