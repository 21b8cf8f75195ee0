"""The scanned surface of a cast, with what does not hang on the path: made once for all paths."""

from __future__ import annotations

from functools import cached_property
from typing import Final
from weakref import WeakKeyDictionary

import numpy as np

from blockout.cast.cast import Cast
from blockout.kernel.rays import RayScene
from blockout.mesh import Floats, Ints, Mesh
from blockout.surveying.lines import crease_normals

_CREASE_DEG: Final = 40.0


class Scanned:
    """The scanned surface of a cast, with what does not hang on the path.

    Parameters
    ----------
    surface : Mesh
        The scanned faces as an open surface.
    vertex : (k,) int
        The cast's vertex of each of its vertices.
    """

    def __init__(self, cast: Cast) -> None:
        self.surface: Mesh = cast.mesh.part(cast.scanned)
        self.vertex: Ints = np.flatnonzero(cast.scanned_vertices)

    @cached_property
    def edge_mm(self) -> float:
        """Typical edge length."""
        corners = self.surface.corners
        return float(np.median(np.linalg.norm(corners[:, 1] - corners[:, 0], axis=1)))

    @cached_property
    def normals(self) -> Floats:
        """(m, 3, 3) unit normals at face corners, split over creases."""
        return crease_normals(self.surface, crease_deg=_CREASE_DEG)

    @cached_property
    def scene(self) -> RayScene:
        """For rays in any direction, file coordinates."""
        return RayScene(self.surface)


_SCANNED: WeakKeyDictionary[Cast, Scanned] = WeakKeyDictionary()
"""The scanned surface of each cast that was looked at, kept as long as the cast is."""


def scanned_of(cast: Cast) -> Scanned:
    """The cast's scanned surface; made at the first asking."""
    if cast not in _SCANNED:
        _SCANNED[cast] = Scanned(cast)
    return _SCANNED[cast]
