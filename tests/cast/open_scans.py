"""Open scans whose shape is known by construction, and what goes wrong with scans."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from blockout.cast.cast import Source
from blockout.cast.scan import Scan
from blockout.kernel.files import MeshFile
from blockout.mesh import Bools, Floats, Ints, Mesh

Section = Callable[[Floats, float], tuple[Floats, Floats]]
"""Across the ridge, lingual 0 to buccal 1, at a place along the arch 0 to 1: outward and up, mm."""


def scan_of(mesh: Mesh) -> Scan:
    """The mesh as if it had been read from a file in millimetres."""
    file = MeshFile(
        vertices=np.array(mesh.vertices),
        faces=np.array(mesh.faces),
        unit="mm",
        comments=(),
        vertex_fields={},
        face_fields={},
        format="PLY, binary",
        name="arch.ply",
        sha256="0" * 64,
        notes=(),
    )
    return Scan(
        mesh=mesh,
        source=Source(name=file.name, sha256=file.sha256),
        unit="mm",
        unit_from="stated in the file",
        weld=None,
        file=file,
        notes=(),
    )


def upright(across: Floats, along: float) -> tuple[Floats, Floats]:
    """A ridge whose flanges flare: its border seen from above crosses nowhere but at the ends."""
    t = 2.0 * across - 1.0
    return 5.0 * np.sin(1.4 * t) + t, 8.0 * np.cos(1.4 * t) - 9.0 + 0.4 * np.sin(25 * along) * (
        1.0 - t**2
    )


def narrow_below(across: Floats, along: float) -> tuple[Floats, Floats]:
    """A ridge narrower below than above: at its cut ends the border goes out and back."""
    t = 5.2 * across - 2.6
    return 4.5 * np.sin(t), 6.0 * np.cos(t) - 6.0


def folded_in(across: Floats, along: float) -> tuple[Floats, Floats]:
    """The buccal flange goes down, then curls in and up."""
    t = 2.0 * across - 1.0
    flange = np.clip(t, -1.0, 0.7)
    curl = np.clip((t - 0.7) / 0.3, 0.0, 1.0) * 1.1 * np.pi
    return (
        5.0 * np.sin(1.6 * flange) + flange - (1.0 - np.cos(curl)),
        8.0 * np.cos(1.6 * flange) - 9.0 - 1.2 * np.sin(curl),
    )


def leaning(across: Floats, along: float) -> tuple[Floats, Floats]:
    """The buccal flange runs in under the lingual one."""
    t = 2.0 * across - 1.0
    top = np.clip(t, 0.0, 0.45) / 0.45 * np.pi / 2.0
    down = np.clip((t - 0.45) / 0.55, 0.0, 1.0)
    out = np.where(t < 0.0, 4.0 * np.sin(1.7 * t), 4.0 * np.sin(top) - 8.5 * down)
    up = np.where(t < 0.0, 3.0 * np.cos(1.7 * t), 3.0 * np.cos(top) - 6.0 * down) - 3.0
    return out, up


def open_arch(
    section: Section = upright,
    *,
    along: int = 110,
    across: int = 32,
    ragged: float = 0.0,
    seed: int = 0,
) -> Mesh:
    """Half an ellipse of ridge, open at its two ends and along both flanges; up +z, front +y.

    ``ragged`` is the share of the triangles near the border that are missing.
    """
    angle = np.pi * (1.0 - np.linspace(0.0, 1.0, along))
    middle = np.stack([22.0 * np.cos(angle), 26.0 * np.sin(angle)], axis=1)
    out = np.stack([np.cos(angle) / 22.0, np.sin(angle) / 26.0], axis=1)
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    points = np.zeros((along, across, 3))
    for k in range(along):
        away, up = section(np.linspace(0.0, 1.0, across), k / (along - 1.0))
        points[k, :, :2] = middle[k] + away[:, None] * out[k]
        points[k, :, 2] = up
    number = np.arange(along * across).reshape(along, across)
    a, b = number[:-1, :-1].ravel(), number[1:, :-1].ravel()
    c, d = number[1:, 1:].ravel(), number[:-1, 1:].ravel()
    faces = np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)])
    mesh = Mesh(points.reshape(-1, 3), faces)
    if not ragged:
        return mesh
    k, j = np.divmod(number.ravel(), across)
    depth = np.minimum(np.minimum(k, along - 1 - k), np.minimum(j, across - 1 - j))
    chance = np.random.default_rng(seed).random(len(faces))
    return mesh.part(~((depth[faces].min(axis=1) <= 1) & (chance < ragged)))


def dome(*, radius_mm: float = 10.0, rings: int = 24) -> Mesh:
    """Half a ball, open below, its border the circle z = 0: rings of ever more points."""
    points, faces = [np.array([[0.0, 0.0, radius_mm]])], []
    first, count = 0, 1
    for ring in range(1, rings + 1):
        tilt = 0.5 * np.pi * ring / rings
        turn = 2.0 * np.pi * np.arange(6 * ring) / (6 * ring)
        points.append(
            radius_mm
            * np.stack(
                [
                    np.sin(tilt) * np.cos(turn),
                    np.sin(tilt) * np.sin(turn),
                    np.full(len(turn), np.cos(tilt) if ring < rings else 0.0),
                ],
                axis=1,
            )
        )
        start = first + count
        for sector in range(6):
            for k in range(ring):
                inner = first + (sector * (ring - 1) + k) % max(count, 1)
                inner_next = first + (sector * (ring - 1) + k + 1) % max(count, 1)
                outer = start + (sector * ring + k) % (6 * ring)
                outer_next = start + (sector * ring + k + 1) % (6 * ring)
                faces.append([inner, outer, outer_next])
                if k < ring - 1:
                    faces.append([inner, outer_next, inner_next])
        first, count = start, 6 * ring
    return Mesh(np.concatenate(points), np.array(faces))


def sheet(length_mm: float, width_mm: float, *, step_mm: float, seed: int = 0) -> Mesh:
    """A flat rectangle from the origin along x and y, inner points shaken in the plane."""
    x = np.arange(round(length_mm / step_mm) + 1) * step_mm
    y = np.arange(round(width_mm / step_mm) + 1) * step_mm
    grid = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1)
    shake = np.random.default_rng(seed).uniform(-0.2, 0.2, grid.shape) * step_mm
    grid[1:-1, 1:-1] += shake[1:-1, 1:-1]
    number = np.arange(len(x) * len(y)).reshape(len(x), len(y))
    a, b = number[:-1, :-1].ravel(), number[1:, :-1].ravel()
    c, d = number[1:, 1:].ravel(), number[:-1, 1:].ravel()
    faces = np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)])
    points = grid.reshape(-1, 2)
    return Mesh(np.c_[points, np.zeros(len(points))], faces)


def inner_vertices(mesh: Mesh, *, rings: int = 6) -> Ints:
    """Vertices at least ``rings`` edges from the border."""
    near = np.zeros(len(mesh.vertices), dtype=bool)
    near[mesh.halfedges[mesh.twin_halfedges < 0].reshape(-1)] = True
    for _ in range(rings):
        near[mesh.faces[near[mesh.faces].any(axis=1)].reshape(-1)] = True
    return np.flatnonzero(~near)


def rows_in(points: Floats, among: Floats) -> Bools:
    """(k,) which rows of three numbers occur among others, to the bit."""
    bits = np.dtype((np.void, 24))
    one, other = (
        np.ascontiguousarray(rows, dtype=np.float64).view(bits) for rows in (points, among)
    )
    found: Bools = np.isin(one.reshape(-1), other.reshape(-1))
    return found


def triangles_by_place(mesh: Mesh) -> set[bytes]:
    """Every triangle as its three corners' coordinates, from the least one on: the surface with
    its outside, whatever the numbering.
    """
    found = set()
    for corners in np.ascontiguousarray(mesh.corners):
        rows = [row.tobytes() for row in corners]
        k = rows.index(min(rows))
        found.add(b"".join(rows[k:] + rows[:k]))
    return found
