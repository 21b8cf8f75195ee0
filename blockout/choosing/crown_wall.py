"""A crown's wall about its own axis, whatever the path: level rays from outside.

An azimuth is 0 toward the aspect asked for and grows toward the end asked for; a height is measured
along the crown's own axis from its middle.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.kernel.rays import RayScene
from blockout.mesh import Floats, Mesh
from blockout.teeth.crowns import Crown

_ROOM_MM: Final = 5.0


@dataclass(frozen=True, eq=False)
class CrownWall:
    """The crown's faces as a mesh of their own, seen from its axis."""

    crown: Crown
    mesh: Mesh
    scene: RayScene
    towards: Floats
    far: Floats

    def at(self, azimuth: Floats, height_mm: Floats) -> tuple[Floats, Floats]:
        """(k, 3) places of the wall and (k, 3) its unit normals, blended between vertices; nan
        where there is none.
        """
        out = np.outer(np.cos(azimuth), self.towards) + np.outer(np.sin(azimuth), self.far)
        reach_mm = float(np.linalg.norm(np.diff(self.mesh.bounds_mm, axis=0))) + _ROOM_MM
        start = self.crown.centre_mm + reach_mm * out + np.outer(height_mm, self.crown.axes[2])
        hits = self.scene.first_hit(start, -out)
        met = (hits.face >= 0) & (hits.distance_mm < reach_mm)
        places = np.full((len(azimuth), 3), np.nan)
        places[met] = start[met] - hits.distance_mm[met, None] * out[met]
        normals = np.full((len(azimuth), 3), np.nan)
        normals[met] = _blended(self.mesh, places[met], hits.face[met])
        return places, normals

    @property
    def heights_mm(self) -> Floats:
        """(2,) lowest and highest place of the crown along its axis, from its middle."""
        along = (self.mesh.vertices - self.crown.centre_mm) @ self.crown.axes[2]
        return np.array([along.min(), along.max()])

    @property
    def line_angle(self) -> float:
        """Azimuth of the far line angle: the corner of the box around the crown."""
        return float(np.arctan2(self.crown.half_mm[0], self.crown.half_mm[1]))


def crown_wall(mesh: Mesh, crown: Crown, *, buccal: bool, far_mesial: bool) -> CrownWall:
    """The wall of one crown.

    Parameters
    ----------
    mesh : Mesh
        The whole cast.
    crown : Crown
    buccal : bool
        Seen from the buccal side, else from the lingual one.
    far_mesial : bool
        Whether azimuths grow toward the mesial end, else toward the distal one.
    """
    keep = np.zeros(mesh.triangle_count, dtype=bool)
    keep[crown.face] = True
    own = mesh.part(keep)
    return CrownWall(
        crown=crown,
        mesh=own,
        scene=RayScene(own),
        towards=crown.axes[1] if buccal else -crown.axes[1],
        far=crown.axes[0] if far_mesial else -crown.axes[0],
    )


def _blended(
    mesh: Mesh, places: Floats, face: np.ndarray[tuple[int, ...], np.dtype[np.int64]]
) -> Floats:
    a, b, c = (mesh.corners[face, k] for k in range(3))
    whole = mesh.face_crosses[face]
    size = np.einsum("ij,ij->i", whole, whole)
    size = np.where(size > 0.0, size, 1.0)
    shares = [
        np.einsum("ij,ij->i", np.cross(q - p, places - p), whole) / size
        for p, q in ((b, c), (c, a), (a, b))
    ]
    weights = np.clip(np.stack(shares, axis=1), 0.0, 1.0)
    normals = np.einsum("ij,ijk->ik", weights, mesh.vertex_normals[mesh.faces[face]])
    length = np.linalg.norm(normals, axis=1)
    out: Floats = normals / np.where(length > 0.0, length, 1.0)[:, None]
    return out
