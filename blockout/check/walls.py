"""Thin walls of a body, measured straight through it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from blockout.cast.change import place_of
from blockout.errors import Place
from blockout.kernel.rays import RayScene
from blockout.mesh import Floats, Ints, Mesh
from blockout.tolerances import TOLERANCES, Tolerances

OPPOSITE_DEG: Final = 30.0
"""Two faces bound a wall where they look opposite ways to within this angle; an edge that closes
at more than this, as that of a tooth that cuts, is an edge and no wall."""
ACROSS_MM: Final = 2.5
"""A wall is at least about this wide: less is an edge, a rim or the roughness of a scan. An edge
that closes at 30 degrees is thinner than 1 mm over 1.7 mm of each side."""
_FULL_SHARE: Final = 0.85
"""Samples cover a disk unevenly, and a strip as wide as 0.74 of the disk covers this much of it."""
_SAMPLE_MM2: Final = 0.09
_MOST_SAMPLES: Final = 4096
_SAME_SHEET: Final = 0.766
_ROUNDS: Final = 2
_APART_MM: Final = 0.5
_GOLDEN: Final = (0.7548776662466927, 0.5698402909980532)


@dataclass(frozen=True)
class ThinWall:
    """One place where a body's wall is thinner than a limit.

    Parameters
    ----------
    thickness_mm : float
        The least in the middle of a thin disk: a knife edge runs out to nothing anyway.
    at_mm : (x, y, z)
        On the surface, where it is thinnest.
    area_mm2 : float
        Of the thin surface around, both sides counted where both are thin.
    """

    thickness_mm: float
    at_mm: Place
    area_mm2: float


def thin_walls(
    mesh: Mesh,
    *,
    limit_mm: float,
    across_mm: float = ACROSS_MM,
    tolerances: Tolerances = TOLERANCES,
) -> tuple[ThinWall, ...]:
    """Where the wall of a closed solid is thinner than ``limit_mm``, thinnest place first.

    The thickness at a point is the way straight in, along the inward normal, to the surface on the
    other side. It is that of a wall only where the surface there looks the opposite way to within
    30 degrees: rays that leave by a side face or graze along one say nothing. A wall is thin where
    around a point, within half of ``across_mm``, thin surface that looks the same way covers a
    disk to 85 hundredths: so it is at least about three quarters of ``across_mm`` wide, and edges,
    rims and single rough facets are none.

    A wedge is thin over ``limit_mm / tan(angle)`` of each side: with 1 mm and 2.5 mm a knife edge
    of less than about 28 degrees is found, the edge of a tooth is not. A feather of wax on a cast
    is part of a thick body and is not found either.

    Parameters
    ----------
    mesh : Mesh
        Closed; mm. Shells around voids inside count as surface.
    limit_mm : float
    across_mm : float

    Source: own definition; that two nearly parallel faces bound a wall is that of shape diameter.

    >>> from blockout.kernel.solids import Solid
    >>> square = np.array([[0.0, 0.0], [9.0, 0.0], [9.0, 9.0], [0.0, 9.0]])
    >>> plate = Solid.column(square, low_mm=0.0, high_mm=0.8).mesh()
    >>> [round(wall.thickness_mm, 3) for wall in thin_walls(plate, limit_mm=1.0)]
    [0.8]
    >>> thin_walls(plate, limit_mm=0.7)
    ()
    """
    if not mesh.triangle_count:
        return ()
    normals = _evened(mesh)
    points, face, area_mm2 = _samples(mesh)
    thickness_mm = _straight_through(mesh, normals, points, face, limit_mm, tolerances)
    thin = np.flatnonzero(thickness_mm < limit_mm)
    if not len(thin):
        return ()
    points, area_mm2, thickness_mm = points[thin], area_mm2[thin], thickness_mm[thin]
    own = normals[face[thin]]
    wide = _wide(points, own, area_mm2, across_mm / 2.0)
    if not wide.size:
        return ()
    return _gathered(points, area_mm2, thickness_mm, wide, across_mm / 2.0)


def _evened(mesh: Mesh) -> Floats:
    """(m, 3) face normals evened out over their neighbours on the same sheet, which turn from them
    by less than 40 degrees: noise tilts a facet of a scan by ten degrees, and creases stay sharp.
    """
    normals = mesh.face_normals
    neighbours = mesh.face_neighbours
    weight = mesh.face_areas_mm2[:, None]
    for _ in range(_ROUNDS):
        total = normals * weight
        for k in range(3):
            beside = neighbours[:, k]
            turn = np.einsum("ij,ij->i", normals, normals[beside])
            same = (beside >= 0) & (turn > _SAME_SHEET)
            total += np.where(same[:, None], (normals * weight)[beside], 0.0)
        length = np.linalg.norm(total, axis=1, keepdims=True)
        normals = total / np.where(length > 0.0, length, 1.0)
    return normals


def _samples(mesh: Mesh) -> tuple[Floats, Ints, Floats]:
    """Points spread over the surface, the face of each, and the area each stands for: the middle of
    small faces, and more, spread evenly, on large ones.
    """
    area = mesh.face_areas_mm2
    count = np.clip(np.ceil(area / _SAMPLE_MM2), 1, _MOST_SAMPLES).astype(np.int64)
    face = np.repeat(np.arange(mesh.triangle_count), count)
    # one sequence over all faces: long faces side by side do not have theirs in rows
    number = np.arange(len(face))
    u = (0.5 + number * _GOLDEN[0]) % 1.0
    v = (0.5 + number * _GOLDEN[1]) % 1.0
    over = u + v > 1.0
    u, v = np.where(over, 1.0 - u, u), np.where(over, 1.0 - v, v)
    alone = count[face] == 1
    u[alone] = v[alone] = 1.0 / 3.0
    a, b, c = (mesh.corners[face, k] for k in range(3))
    points: Floats = a + u[:, None] * (b - a) + v[:, None] * (c - a)
    return points, face, (area / count)[face]


def _straight_through(
    mesh: Mesh,
    normals: Floats,
    points: Floats,
    face: Ints,
    limit_mm: float,
    tolerances: Tolerances,
) -> Floats:
    """(k,) thickness at points; infinite where what lies straight in bounds no wall with them."""
    inward = -normals[face]
    margin_mm = tolerances.ray_margin_mm
    hits = RayScene(mesh).first_hit(points + margin_mm * inward, inward)
    thickness = hits.distance_mm + margin_mm
    near = np.flatnonzero((hits.face >= 0) & (thickness < limit_mm))
    facing = np.einsum("ij,ij->i", inward[near], normals[hits.face[near]])
    wall = near[facing >= np.cos(np.radians(OPPOSITE_DEG))]
    found: Floats = np.full(len(points), np.inf)
    found[wall] = thickness[wall]
    return found


def _wide(points: Floats, normals: Floats, area_mm2: Floats, reach_mm: float) -> Ints:
    """Which thin points have a disk of thin surface about them that looks their way."""
    cell = np.floor(points / (reach_mm / 4.0)).astype(np.int64)
    side = np.rint(normals).astype(np.int64)
    # one point a cell and side is asked: more would say the same again
    asked = np.unique(np.column_stack([cell, side]), axis=0, return_index=True)[1]
    tree = cKDTree(points)
    # (asker, other) pairs within reach
    pairs = cKDTree(points[asked]).sparse_distance_matrix(tree, reach_mm, output_type="ndarray")
    asker, other = pairs["i"], pairs["j"]
    same = np.einsum("ij,ij->i", normals[asked[asker]], normals[other]) > 0.0
    covered = np.bincount(asker[same], area_mm2[other[same]], minlength=len(asked))
    wide: Ints = asked[covered >= _FULL_SHARE * np.pi * reach_mm**2]
    return wide


def _gathered(
    points: Floats, area_mm2: Floats, thickness_mm: Floats, wide: Ints, reach_mm: float
) -> tuple[ThinWall, ...]:
    """Thin points within reach of the wide ones, gathered into places."""
    near = cKDTree(points[wide]).query(points, distance_upper_bound=reach_mm)[0] <= reach_mm
    member = np.flatnonzero(near)
    # joined cell by cell: two cells that touch belong together
    cell, of = np.unique(
        np.floor(points[member] / _APART_MM).astype(np.int64), axis=0, return_inverse=True
    )
    pairs = cKDTree(cell).query_pairs(1.8, output_type="ndarray")
    graph = coo_matrix(
        (np.ones(len(pairs), dtype=np.int8), (pairs[:, 0], pairs[:, 1])),
        shape=(len(cell), len(cell)),
    )
    place = connected_components(graph, directed=False)[1][of.reshape(-1)]
    walls = []
    for one in range(int(place.max()) + 1):
        mine = member[place == one]
        middle = np.intersect1d(mine, wide)
        if not len(middle):
            continue  # thin surface beside a wall that is told already
        least = middle[thickness_mm[middle].argmin()]
        walls.append(
            ThinWall(
                float(thickness_mm[least]), place_of(points[least]), float(area_mm2[mine].sum())
            )
        )
    return tuple(sorted(walls, key=lambda wall: wall.thickness_mm))
