"""The space under ceilings, measured by rays alone: an estimate that needs no boolean.

A line along the path passes through air below each ceiling it meets, until it meets a surface that
looks up, or the floor. So the volume under a face is its projected area times the mean length of
that air, and faces add up without counting anything twice. One ray from each face's centre gives
the mean to the second order of the face's size; a large face is asked in several places.
"""

from __future__ import annotations

import numpy as np

from blockout.cast.cast import Cast
from blockout.kernel.rays import RayScene
from blockout.mesh import Floats, Ints, Mesh
from blockout.surveying.path import InsertionPath
from blockout.tolerances import TOLERANCES, Tolerances

_LAYERS_LIMIT = 8
_APART_MM = 0.4
_PLACES_LEAST = 5000
_SPLITS_LIMIT = 24


def volume_under_mm3(
    cast: Cast, path: InsertionPath, face: Ints, *, tolerances: Tolerances = TOLERANCES
) -> Floats:
    """(k,) volume of air under each of the ceiling faces ``face`` (k,), down to the floor, mm3.

    Air below a part of the base belongs to the scanned ceiling above it.
    """
    mesh = cast.mesh
    if not len(face):
        return np.zeros(0)
    shadow_mm2 = -(mesh.face_crosses[face] @ path.direction) / 2.0
    origins, place_of = _places(mesh, face)
    air_mm = _air_under_mm(cast, path, origins, tolerances)
    return shadow_mm2 * np.bincount(place_of, air_mm) / np.bincount(place_of)


def _places(mesh: Mesh, face: Ints) -> tuple[Floats, Ints]:
    """(k, 3) places on the faces, about ``_APART_MM`` apart or closer where that makes few, and at
    least one on each: the centres of a face's like parts; and the number within ``face`` that
    each lies on.
    """
    area_mm2 = mesh.face_areas_mm2[face]
    size_mm = np.sqrt(2.0 * area_mm2)
    apart_mm = min(_APART_MM, float(np.sqrt(2.0 * area_mm2.sum() / _PLACES_LEAST)))
    splits = np.clip(np.ceil(size_mm / apart_mm), 1, _SPLITS_LIMIT).astype(np.int64)
    places, place_of = [], []
    for split in np.unique(splits).tolist():
        some = np.flatnonzero(splits == split)
        i, j = np.divmod(np.arange(split * split), split)
        # one corner of the square of parts is folded over onto the triangle
        over = i + j >= split
        i, j = np.where(over, split - 1 - i, i), np.where(over, split - 1 - j, j)
        third = np.where(over, 2.0, 1.0) / 3.0
        u, v = (i + third) / split, (j + third) / split
        weights = np.column_stack([1.0 - u - v, u, v])
        places.append(np.einsum("pk,fkx->fpx", weights, mesh.corners[face[some]]).reshape(-1, 3))
        place_of.append(np.repeat(some, split * split))
    return np.concatenate(places), np.concatenate(place_of)


def _air_under_mm(
    cast: Cast, path: InsertionPath, places_mm: Floats, tolerances: Tolerances
) -> Floats:
    """(k,) length of air under each place (k, 3) on a ceiling, down to the next or to the floor."""
    down = -path.direction
    scene = RayScene(cast.mesh)
    looks = cast.mesh.face_crosses @ path.direction
    margin_mm = tolerances.ray_margin_mm
    origins = places_mm.copy()
    air_mm = np.zeros(len(origins))
    active = np.arange(len(origins))
    for _ in range(_LAYERS_LIMIT):
        to_floor_mm = _to_floor_mm(cast, origins[active], down)
        hits = scene.first_hit(origins[active] + margin_mm * down, down)
        gap_mm = np.minimum(hits.distance_mm + margin_mm, np.maximum(to_floor_mm, 0.0))
        # air thinner than the margin is stepped over: the next surface met is left, not entered
        gap_mm[(hits.face >= 0) & (looks[hits.face] < 0.0)] = 0.0
        air_mm[active] += gap_mm
        inside = hits.distance_mm + margin_mm < to_floor_mm
        active, entered_mm = active[inside], gap_mm[inside]
        if not len(active):
            break
        # through the cast to where the line leaves it again
        start = origins[active] + (entered_mm + margin_mm)[:, None] * down
        leaves = scene.first_hit(start, down)
        out = leaves.face >= 0
        # leaving through scanned surface: another ceiling, which counts its own air
        out[out] = ~cast.scanned[leaves.face[out]]
        origins[active[out]] = start[out] + leaves.distance_mm[out, None] * down
        active = active[out]
        if not len(active):
            break
    return air_mm


def _to_floor_mm(cast: Cast, points: Floats, down: Floats) -> Floats:
    """Distance along ``down`` from points (k, 3) to the floor; negative below it."""
    height_mm = cast.frame.points_to_cast(points)[:, 2] - cast.floor_mm
    drop = -float(cast.frame.directions_to_cast(down)[2])
    return height_mm / drop
