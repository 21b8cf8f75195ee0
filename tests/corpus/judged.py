"""Judges of what came out, which share no code with the product but its plain arrays.

A file is read here by its layout, its corners are joined by their bits, edges are counted with
numpy, volumes summed by the divergence theorem; the fill is measured by columns along the path.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def stl_triangles(path: Path) -> Floats:
    """(m, 3, 3) corners of a binary STL."""
    data = path.read_bytes()
    count = int.from_bytes(data[80:84], "little")
    assert len(data) == 84 + 50 * count, f"{path.name} is not as long as it says"
    kind = np.dtype([("n", "<f4", 3), ("c", "<f4", (3, 3)), ("a", "<u2")])
    return np.frombuffer(data, kind, count, 84)["c"].astype(np.float64)


def indexed(corners: Floats) -> tuple[Floats, Ints]:
    """Vertices and faces: corners of the same bits are one."""
    places, number = np.unique(corners.reshape(-1, 3), axis=0, return_inverse=True)
    return places, number.reshape(-1, 3).astype(np.int64)


def closed_by_pairs(faces: Ints) -> bool:
    """Every edge in exactly two faces that run along it opposite ways; faces may be collapsed."""
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    low, high = edges.min(axis=1), edges.max(axis=1)
    _, number, count = np.unique(
        np.stack([low, high], axis=1), axis=0, return_inverse=True, return_counts=True
    )
    runs = np.bincount(number.reshape(-1), np.where(edges[:, 0] == low, 1.0, -1.0))
    return bool(len(faces)) and bool((count == 2).all()) and bool((runs == 0.0).all())


def volume_mm3(vertices: Floats, faces: Ints) -> float:
    middle = vertices[faces[:, 0]].mean(axis=0)  # vertices without a face may lie anywhere
    a, b, c = (vertices[faces[:, k]] - middle for k in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c))) / 6.0


def assert_closed(corners: Floats, name: str) -> tuple[Floats, Ints]:
    """Triangles of a file make a closed surface, each edge twice, opposite ways, outward.

    Corners that round to one place in single precision may join sheets; then an edge has four
    faces, two each way: still closed, so edges are counted by direction.
    """
    vertices, faces = indexed(corners)
    kept = faces[
        (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    ]
    edges = np.concatenate([kept[:, [0, 1]], kept[:, [1, 2]], kept[:, [2, 0]]])
    size = np.int64(len(vertices))
    there, back = edges[:, 0] * size + edges[:, 1], edges[:, 1] * size + edges[:, 0]
    assert np.array_equal(np.sort(there), np.sort(back)), f"{name} is not closed"
    assert volume_mm3(vertices, faces) > 0.0, f"{name} is inside out or empty"
    return vertices, faces


def columns(
    corners: Floats, counted: NDArray[np.bool_], up: Floats, floor_at: Any, *, count: int, seed: int
) -> tuple[float, float]:
    """Volume under counted faces that look down and outside the solid, down to the floor, by
    ``count`` columns along ``up`` at random places under those faces; and the standard error.

    A place is drawn from a face with chance in proportion to the face's shadow, so that a column
    under k counted faces is k times as likely and counts a k-th: the mean is the volume whatever
    lies over what, and no undercut is too small to be met.

    ``floor_at`` gives the height along ``up`` of the floor at points (k, 2) of the plan.
    """
    e1 = np.cross(up, [1.0, 0.0, 0.0] if abs(up[0]) < 0.9 else [0.0, 1.0, 0.0])
    e1 /= np.linalg.norm(e1)
    e2 = np.cross(up, e1)
    plan = corners @ np.stack([e1, e2, up], axis=1)  # (m, 3, 3)
    a, b, c = (plan[:, k, :2] for k in range(3))
    d = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    real = np.abs(d) > 1e-14
    a, b, c, d = a[real], b[real], c[real], d[real]
    z, own = plan[real][:, :, 2], counted[real]
    over_floor = np.stack([z[:, k] - floor_at(p, e1, e2) for k, p in enumerate((a, b, c))])
    own &= over_floor.max(axis=0) > 1e-6
    shadow = np.where(own & (d < 0.0), -d / 2.0, 0.0)
    whole = float(shadow.sum())
    if whole == 0.0:
        return 0.0, 0.0
    rng = np.random.default_rng(seed)
    sum_to = np.cumsum(shadow)
    at = np.searchsorted(sum_to, (np.arange(count) + rng.random(count)) / count * sum_to[-1])
    u, v = rng.random((2, count))
    u, v = np.where(u + v > 1.0, 1.0 - u, u), np.where(u + v > 1.0, 1.0 - v, v)
    points = a[at] + u[:, None] * (b[at] - a[at]) + v[:, None] * (c[at] - a[at])
    fills = np.zeros(count)
    floors = floor_at(points, e1, e2)
    for k, (x, y) in enumerate(points):
        s = ((x - a[:, 0]) * (c[:, 1] - a[:, 1]) - (y - a[:, 1]) * (c[:, 0] - a[:, 0])) / d
        t = ((b[:, 0] - a[:, 0]) * (y - a[:, 1]) - (b[:, 1] - a[:, 1]) * (x - a[:, 0])) / d
        hit = (s >= 0.0) & (t >= 0.0) & (s + t <= 1.0)
        if not hit.any():
            continue
        height = z[hit, 0] * (1 - s[hit] - t[hit]) + z[hit, 1] * s[hit] + z[hit, 2] * t[hit]
        order = np.argsort(-height)
        height, sign, counts = height[order], np.sign(d[hit])[order], own[hit][order]
        inside, under = 0.0, 0
        for n in range(len(height)):
            if n and under and inside == 0.0:
                fills[k] += max(height[n - 1] - max(height[n], floors[k]), 0.0)
            inside += sign[n]
            # only a scanned face that looks down roofs what is under it
            under += int(counts[n]) if sign[n] < 0.0 else 0
        if under and inside == 0.0:
            fills[k] += max(height[-1] - floors[k], 0.0)
        fills[k] /= max(under, 1)
    return whole * float(fills.mean()), whole * float(fills.std()) / float(np.sqrt(count))
