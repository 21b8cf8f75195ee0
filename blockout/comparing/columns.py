"""Material along the path, measured by rays alone, on closed and on open surfaces.

A line along the path meets a solid by turns going out of it and into it, from above: top, ceiling,
top, ... With the heights z of the tops counted plus and those of the ceilings minus, the material
on it above a height h is the sum of ``+- max(z - h, 0)``: what lies below h need not be there. So
the wax on a scan without a base can be measured as on a closed one. Where a rough surface folds
over itself by a hair, tops and ceilings come out of turn, and the sum still holds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from blockout.kernel.rays import RayScene
from blockout.mesh import Bools, Floats, Ints, Mesh
from blockout.tolerances import TOLERANCES, Tolerances

_LAYERS_LIMIT: Final = 40
_UP: Final = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True, eq=False)
class Crossings:
    """Where lines along z meet a surface, from above.

    Parameters
    ----------
    height_mm : (k, c) float
        -inf where there is no further one.
    face : (k, c) int
        -1 where there is none.
    sign : (k, c) float
        1 for a top, -1 for a ceiling, 0 where there is none.
    sound : (k,) bool
        Tops and ceilings come by turns, from a top on, as they do on any solid; but for folds of
        less than ``fold_mm`` in all.
    """

    height_mm: Floats
    face: Ints
    sign: Floats
    sound: Bools

    def above_mm(self, heights_mm: Floats, rows: Ints) -> Floats:
        """(r, h) length of material on some of the lines above each of the heights (h,)."""
        total = np.zeros((len(rows), len(heights_mm)))
        for turn in range(self.height_mm.shape[1]):
            over = self.height_mm[rows, turn, None] - heights_mm
            np.maximum(over, 0.0, out=over)
            over *= self.sign[rows, turn, None]
            total += over
        return total

    def above_one_mm(self, height_mm: Floats) -> Floats:
        """(k,) length of material on each line above its own height (k,)."""
        over = np.maximum(self.height_mm - height_mm[:, None], 0.0)
        return np.asarray((over * self.sign).sum(axis=1))


def crossings(
    mesh: Mesh,
    places_mm: Floats,
    *,
    lowest_mm: float,
    fold_mm: float = 0.05,
    tolerances: Tolerances = TOLERANCES,
) -> Crossings:
    """Where upright lines through ``places_mm`` (k, 2) meet the mesh, down to ``lowest_mm``.

    Parameters
    ----------
    mesh : Mesh
        With the path along +z.
    places_mm : (k, 2)
    lowest_mm : float
        What is met below is left out.
    fold_mm : float
        How much folding is let pass on one line.
    """
    count = len(places_mm)
    scene = RayScene(mesh)
    margin_mm = tolerances.ray_margin_mm
    top_mm = float(mesh.bounds_mm[1, 2]) + 1.0
    at = np.full(count, top_mm)
    active = np.arange(count)
    heights: list[Any] = []
    faces: list[Any] = []
    signs: list[Any] = []
    inside = np.zeros(count)
    folded_mm = np.zeros(count)
    for _ in range(_LAYERS_LIMIT):
        start = np.column_stack([places_mm[active], at[active]])
        hits = scene.first_hit(start, -_UP)
        height_mm = at[active] - hits.distance_mm
        met = (hits.face >= 0) & (height_mm > lowest_mm)
        active, height_mm, face = active[met], height_mm[met], hits.face[met]
        if not len(active):
            break
        sign = np.where(mesh.face_normals[face, 2] > 0.0, 1.0, -1.0)
        amiss = (inside[active] < 0.0) | (inside[active] > 1.0)
        folded_mm[active[amiss]] += at[active[amiss]] - height_mm[amiss]
        inside[active] += sign
        for rows, values, none in (
            (heights, height_mm, -np.inf),
            (faces, face, -1),
            (signs, sign, 0.0),
        ):
            row = np.full(count, none)
            row[active] = values
            rows.append(row)
        at[active] = height_mm - margin_mm
    sound = (folded_mm < fold_mm) & (inside >= 0.0) & (inside <= 1.0)
    sound[active] = False  # lines still under way at the last layer
    if not heights:
        heights, faces, signs = [np.full(count, -np.inf)], [np.full(count, -1)], [np.zeros(count)]
    return Crossings(
        np.column_stack(heights),
        np.column_stack(faces).astype(np.int64),
        np.column_stack(signs),
        sound,
    )
