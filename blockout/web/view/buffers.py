"""Meshes, lines and levels as bytes for the view: one GET each, nothing to parse.

All numbers are little-endian; positions are 32-bit and relative to an origin given in 64 bit, so
that a cast far from the file's zero loses nothing.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix

from blockout.mesh import Bools, Floats, Ints, Mesh

MESH_MARK: Final = b"BLKM"
LINES_MARK: Final = b"BLKL"
VERSION: Final = 1
HEADER_BYTES: Final = 64
CLOSED_BIT: Final = 1 << 31
NO_LEVEL: Final = 0
"""In the bytes of a signed map: nothing is known here."""

_HOLLOW_RADIUS_MM: Final = 0.9
_HOLLOW_FULL_MM: Final = 0.5
_ROUNDS: Final = (3, 40)
_COARSE_FROM: Final = 60_000
_COARSE_FACES: Final = 30_000


class Drawn(Protocol):
    """A polyline, as :class:`blockout.surveying.lines.Polyline` is one."""

    @property
    def points_mm(self) -> Floats:
        """(k, 3), file coordinates."""
        ...

    @property
    def closed(self) -> bool:
        """The last point joins the first."""
        ...


def mesh_bytes(mesh: Mesh, *, scanned: Bools | None = None) -> bytes:
    """A mesh for the view.

    Vertices keep their order, so that levels fit; faces come scanned ones first.

    Layout: 64 bytes of header (mark ``BLKM``, version, vertex count, face count, scanned face
    count, coarse face count as uint32; origin x, y, z and radius of the mesh about it as float64;
    scanned coarse face count as uint32; 4 bytes free), then ``float32[n][3]`` positions less the
    origin, ``int16[n][4]`` unit normal and hollowness over 32767, ``uint32[m][3]`` faces and
    ``uint32[k][3]`` coarse faces. Hollowness is 1 in the bottom of a crevice, -1 on a ridge. Coarse
    faces lie between the same vertices; a slow browser draws them while the picture moves, and
    where there are few faces there are none of them.

    Parameters
    ----------
    mesh : Mesh
        File coordinates.
    scanned : (m,) bool, optional
        Faces to be shaded as surveyed surface; none when left out.

    >>> tetra = Mesh([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]],
    ...              [[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]])
    >>> len(mesh_bytes(tetra)) == 64 + 4 * 12 + 4 * 8 + 4 * 12
    True
    """
    on = np.zeros(mesh.triangle_count, dtype=bool) if scanned is None else np.asarray(scanned)
    if on.shape != (mesh.triangle_count,):
        raise ValueError("one flag a face says what was scanned")
    origin = mesh.centre if mesh.triangle_count else np.zeros(3)
    positions = (mesh.vertices - origin).astype("<f4")
    radius = float(np.sqrt((positions.astype(np.float64) ** 2).sum(axis=1).max(initial=0.0)))
    shade = np.empty((len(positions), 4))
    shade[:, :3] = mesh.vertex_normals
    shade[:, 3] = _hollowness(mesh, on)
    faces = np.concatenate([mesh.faces[on], mesh.faces[~on]]).astype("<u4")
    coarse, coarse_on = _coarse_faces(mesh, on)
    counts = (VERSION, len(positions), len(faces), int(on.sum()), len(coarse))
    header = struct.pack("<4s5I4dI", MESH_MARK, *counts, *origin, radius, coarse_on)
    header = header.ljust(HEADER_BYTES, b"\0")
    return b"".join(
        [
            header,
            positions.tobytes(),
            np.rint(np.clip(shade, -1.0, 1.0) * 32767.0).astype("<i2").tobytes(),
            faces.tobytes(),
            coarse.astype("<u4").tobytes(),
        ]
    )


def lines_bytes(lines: Sequence[Drawn]) -> bytes:
    """Polylines for the view.

    Layout: 64 bytes of header (mark ``BLKL``, version, line count, point count, 0, 0 as uint32;
    origin as float64; rest free), ``uint32`` point count of each line, its top bit set where the
    line is closed, then ``float32[n][3]`` points less the origin.
    """
    kept = [line for line in lines if len(line.points_mm)]
    points = np.concatenate([line.points_mm for line in kept]) if kept else np.zeros((0, 3))
    origin = points.mean(axis=0) if len(points) else np.zeros(3)
    counts = np.array([len(line.points_mm) for line in kept], dtype="<u4")
    counts |= np.array([CLOSED_BIT if line.closed else 0 for line in kept], dtype="<u4")
    header = struct.pack("<4s5I3d", LINES_MARK, VERSION, len(kept), len(points), 0, 0, *origin)
    return b"".join(
        [
            header.ljust(HEADER_BYTES, b"\0"),
            counts.tobytes(),
            (points - origin).astype("<f4").tobytes(),
        ]
    )


def depth_bytes(depth_mm: Floats, *, full_mm: float) -> bytes:
    """(n,) depths as one byte each: 0 is none, 255 is ``full_mm`` and more, and any depth at all is
    at least 1.

    >>> list(depth_bytes(np.array([0.0, 1e-6, 0.5, 1.0, 2.0]), full_mm=1.0))
    [0, 1, 128, 255, 255]
    """
    depth = np.asarray(depth_mm, dtype=np.float64)
    levels = np.rint(np.clip(depth / full_mm, 0.0, 1.0) * 255.0)
    return _bytes(np.where(depth > 0.0, np.maximum(levels, 1.0), 0.0))


def deviation_bytes(off_mm: Floats, *, full_mm: float, known: Bools | None = None) -> bytes:
    """(n,) signed deviations as one byte each: 128 is none, 1 and 255 are ``full_mm`` either way
    and more, 0 is not known (also where ``off_mm`` is not a number).

    >>> list(deviation_bytes(np.array([-1.0, 0.0, 0.25, np.nan]), full_mm=0.5))
    [1, 128, 192, 0]
    """
    off = np.asarray(off_mm, dtype=np.float64)
    sure = np.isfinite(off) if known is None else np.isfinite(off) & known
    share = np.clip(np.where(sure, off, 0.0) / full_mm, -1.0, 1.0)
    return _bytes(np.where(sure, np.rint(128.0 + 127.0 * share), float(NO_LEVEL)))


def _bytes(levels: Floats) -> bytes:
    whole: NDArray[np.uint8] = levels.astype(np.uint8)
    return whole.tobytes()


def _coarse_faces(mesh: Mesh, on: Bools) -> tuple[Ints, int]:
    """(k, 3) faces left when the vertices of each small cube are drawn into one of them, scanned
    ones first, and how many those are. It only serves the picture while it moves.
    """
    if mesh.triangle_count < _COARSE_FROM:
        return np.zeros((0, 3), dtype=np.int64), 0
    cube_mm = float(np.sqrt(2.0 * mesh.face_areas_mm2.sum() / _COARSE_FACES))
    low = mesh.bounds_mm[0]
    cell = np.maximum(np.floor((mesh.vertices - low) / cube_mm).astype(np.int64), 0)
    wide = cell.max(axis=0) + 1
    key = (cell[:, 0] * wide[1] + cell[:, 1]) * wide[2] + cell[:, 2]
    # the vertex nearest to its cube's middle stands for all in it
    off = (mesh.vertices - low) / cube_mm - cell - 0.5
    order = np.lexsort((np.einsum("ij,ij->i", off, off), key))
    first = np.r_[True, key[order][1:] != key[order][:-1]]
    chosen = np.empty(len(key), dtype=np.int64)
    chosen[order] = order[first][np.cumsum(first) - 1]
    faces = chosen[mesh.faces]
    a, b, c = faces.T
    whole = (a != b) & (b != c) & (c != a)
    return np.concatenate([faces[whole & on], faces[whole & ~on]]), int((whole & on).sum())


def _hollowness(mesh: Mesh, on: Bools) -> Floats:
    """(n,) how much deeper each vertex lies than the smoothed surface around it, -1 to 1; 0 off the
    scanned faces, whose large triangles would smear. It only shades the picture.
    """
    faces = mesh.faces[on]
    hollow = np.zeros(len(mesh.vertices))
    if not len(faces):
        return hollow
    used = np.zeros(len(mesh.vertices), dtype=bool)
    used[faces.reshape(-1)] = True
    number = np.cumsum(used) - 1
    faces = number[faces]
    points = (mesh.vertices[used] - mesh.centre).astype(np.float32)
    count = len(points)
    start, end = faces.reshape(-1), np.roll(faces, -1, axis=1).reshape(-1)
    edge_mm = float(np.median(np.linalg.norm(points[start[::7]] - points[end[::7]], axis=1)))
    rows = np.concatenate([start, end, np.arange(count)])
    columns = np.concatenate([end, start, np.arange(count)])
    around = coo_matrix((np.ones(len(rows), np.float32), (rows, columns)), (count, count)).tocsr()
    share = (1.0 / np.asarray(around.sum(axis=1), dtype=np.float32)).reshape(-1, 1)
    rounds = int(np.clip(2.0 * (_HOLLOW_RADIUS_MM / max(edge_mm, 1e-6)) ** 2, *_ROUNDS))
    smooth = points
    for _ in range(rounds):
        smooth = (around @ smooth) * share
    lift = np.einsum("ij,ij->i", smooth - points, mesh.vertex_normals[used])
    # ragged borders pull inward, which is no hollow
    across = mesh.face_neighbours[on]
    rim = np.zeros(count, dtype=bool)
    rim[faces[~((across >= 0) & on[across]).all(axis=1)].reshape(-1)] = True
    for _ in range(int(np.sqrt(2.0 * rounds)) + 1):  # as far as the smoothing reaches
        rim = (around @ rim.astype(np.float32)) > 0.0
    hollow[used] = np.where(rim, 0.0, np.clip(lift / _HOLLOW_FULL_MM, -1.0, 1.0))
    return hollow
