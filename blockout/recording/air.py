"""How the undercut volume changes with the path, by rays from the same places each time.

The volume under scanned ceilings is, as in :mod:`blockout.surveying.columns`, the sum over them of
projected area times the air below. Here the air is asked under a fixed set of places spread evenly
over the scanned surface, and the rays' scene is built once: what two paths differ by is then known
far better than either volume, and a path costs a few hundredths of a second.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from blockout.cast.cast import Cast
from blockout.kernel.rays import RayScene
from blockout.mesh import Floats
from blockout.tolerances import TOLERANCES, Tolerances

PLACES: Final = 50_000
"""Places on the scanned surface; about a third look down along any one path."""
_LAYERS_LIMIT: Final = 8


class AirBelow:
    """The scanned surface of one cast, asked for the air below it along any path.

    Parameters
    ----------
    cast : Cast
    places : int
        How many places are asked.
    seed : int
        Of where on its strip of surface each place lies.
    """

    def __init__(
        self,
        cast: Cast,
        *,
        places: int = PLACES,
        seed: int = 0,
        tolerances: Tolerances = TOLERANCES,
    ) -> None:
        self._cast = cast
        self._scene = RayScene(cast.mesh)
        self._margin_mm = tolerances.ray_margin_mm
        self._level = tolerances.level_slope
        face = np.flatnonzero(cast.scanned)
        area_mm2 = cast.mesh.face_areas_mm2[face]
        ahead = np.cumsum(area_mm2)
        random = np.random.default_rng(seed)
        # one place in each of as many equal shares of the surface, in the order of its faces
        at_mm2 = (np.arange(places) + random.random(places)) * (ahead[-1] / places)
        self._face = face[np.minimum(np.searchsorted(ahead, at_mm2), len(face) - 1)]
        u, v = random.random((2, places))
        over = u + v > 1.0
        u, v = np.where(over, 1.0 - u, u), np.where(over, 1.0 - v, v)
        weights = np.column_stack([1.0 - u - v, u, v])
        self._places = np.einsum("pk,pkx->px", weights, cast.mesh.corners[self._face])
        self._each_mm2 = float(ahead[-1]) / places

    def volume_mm3(self, direction: Floats) -> float:
        """Volume of air under scanned ceilings along a path, down to the floor, about."""
        slope = self._cast.mesh.face_normals[self._face] @ direction
        down = np.flatnonzero(slope < -self._level)
        air_mm = self.air_mm(self._places[down], direction)
        # a sum, not a product of vectors: that depends on the number of threads in its last digits
        return -self._each_mm2 * float((slope[down] * air_mm).sum())

    def air_mm(self, places_mm: Floats, direction: Floats) -> Floats:
        """(k,) length of air under places (k, 3) on ceilings, down to the floor or to the next
        scanned ceiling, which counts its own.
        """
        cast, margin_mm = self._cast, self._margin_mm
        down = -direction
        drop = -float(cast.frame.directions_to_cast(down)[2])
        looks = cast.mesh.face_normals @ direction
        origins = places_mm.copy()
        air_mm = np.zeros(len(origins))
        active = np.arange(len(origins))
        for _ in range(_LAYERS_LIMIT):
            height_mm = cast.frame.points_to_cast(origins[active])[:, 2] - cast.floor_mm
            to_floor_mm = np.maximum(height_mm / drop, 0.0)
            hits = self._scene.first_hit(origins[active] + margin_mm * down, down)
            met_mm = hits.distance_mm + margin_mm
            gap_mm = np.minimum(met_mm, to_floor_mm)
            # air thinner than the margin is stepped over: the next surface met is left, not entered
            gap_mm[(hits.face >= 0) & (looks[hits.face] < 0.0)] = 0.0
            air_mm[active] += gap_mm
            inside = met_mm < to_floor_mm
            active, gap_mm = active[inside], gap_mm[inside]
            if not len(active):
                break
            start = origins[active] + (gap_mm + margin_mm)[:, None] * down
            leaves = self._scene.first_hit(start, down)
            out = leaves.face >= 0
            out[out] = ~cast.scanned[leaves.face[out]]
            origins[active[out]] = start[out] + leaves.distance_mm[out, None] * down
            active = active[out]
            if not len(active):
                break
        return air_mm
