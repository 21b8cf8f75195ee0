"""Filling holes: a rim in, well-shaped triangles out, spanned like a soap film."""

from __future__ import annotations

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.linalg import spsolve

from blockout.errors import KernelError
from blockout.kernel.outlines import Region, hex_points, is_simple, ring_area_mm2, triangles_inside
from blockout.mesh import Floats, Ints, Mesh


def fill_hole(mesh: Mesh, loop: Ints) -> Mesh:
    """The mesh with the hole inside ``loop`` (k,) closed, its own vertices and faces first.

    ``loop`` runs with the surface on its left, as :func:`blockout.cast.pieces.border_loops`
    gives it. The rim is laid out flat, where it can be seen from one side without crossing
    itself, and on a circle elsewhere; points are set inside as far apart as the rim's own, and
    then take the heights that make the film even (harmonic, cotangent weights).
    """
    rim = loop[::-1]
    points = mesh.vertices[rim]
    if len(rim) == 3:
        return Mesh(mesh.vertices, np.vstack([mesh.faces, rim[None, :]]))
    for flat in (_seen_flat(points), _on_circle(points)):
        if flat is None:
            continue
        filled = _spanned(points, flat)
        if filled is not None:
            inner, triangles = filled
            numbers = np.r_[rim, len(mesh.vertices) + np.arange(len(inner))]
            return Mesh(
                np.vstack([mesh.vertices, inner]), np.vstack([mesh.faces, numbers[triangles]])
            )
    raise KernelError("a hole could not be filled with triangles", measured=f"{len(rim)} edges")


def _seen_flat(points: Floats) -> Floats | None:
    """(k, 2) the rim seen along its area vector, anticlockwise; None where it crosses itself."""
    middle = points.mean(axis=0)
    arms = points - middle
    normal = np.cross(arms, np.roll(arms, -1, axis=0)).sum(axis=0)
    length = float(np.linalg.norm(normal))
    around = float(np.linalg.norm(points - np.roll(points, -1, axis=0), axis=1).sum())
    if length < 0.02 * around**2:  # a slit, or a rim folded on itself
        return None
    normal /= length
    first = arms[0] - normal * float(arms[0] @ normal)
    if float(np.linalg.norm(first)) < 1e-9:
        return None
    first /= np.linalg.norm(first)
    flat = np.stack([arms @ first, arms @ np.cross(normal, first)], axis=1)
    return flat if is_simple(flat) and ring_area_mm2(flat) > 0.0 else None


def _on_circle(points: Floats) -> Floats:
    """(k, 2) the rim on a circle of its own length, spaced as along the rim."""
    length = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    # no two neighbours fall together
    length = np.maximum(length, 0.05 * length.mean())
    turn = 2.0 * np.pi * np.r_[0.0, np.cumsum(length)[:-1]] / length.sum()
    radius = length.sum() / (2.0 * np.pi)
    return np.stack([radius * np.cos(turn), radius * np.sin(turn)], axis=1)


def _spanned(points: Floats, flat: Floats) -> tuple[Floats, Ints] | None:
    """Points inside a rim (k, 3) laid out as ``flat`` (k, 2), and triangles over both."""
    step = float(np.linalg.norm(points - np.roll(points, -1, axis=0), axis=1).mean())
    region = Region(flat)
    axis = np.stack([flat.mean(axis=0), flat[0] - flat.mean(axis=0)])
    inside = hex_points(region, step_mm=step, clear_mm=0.6 * step, axis=axis)
    try:
        triangles = triangles_inside(region, inside)
    except KernelError:
        return None
    if not len(inside):
        return np.zeros((0, 3)), triangles
    corners = np.vstack([flat, inside])
    weights = _cotangents(corners, triangles)
    count = len(flat)
    laplace = csr_array(weights)
    free = laplace[count:, count:]
    fixed = laplace[count:, :count]
    inner = spsolve(free.tocsc(), -(fixed @ points))
    if not np.isfinite(inner).all():
        return None
    return np.asarray(inner).reshape(-1, 3), triangles


def _cotangents(corners: Floats, triangles: Ints) -> csr_array:
    """(n, n) the cotangent Laplacian of flat triangles, rows summing to zero."""
    rows, columns, values = [], [], []
    for k in range(3):
        apex, a, b = (triangles[:, (k + turn) % 3] for turn in range(3))
        u, v = corners[a] - corners[apex], corners[b] - corners[apex]
        cot = np.einsum("ij,ij->i", u, v) / (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
        rows += [a, b, a, b]
        columns += [b, a, a, b]
        values += [-cot, -cot, cot, cot]
    size = len(corners)
    return csr_array(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))),
        shape=(size, size),
    )
