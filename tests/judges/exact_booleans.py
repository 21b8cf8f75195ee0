"""Booleans in exact numbers, by libigl (CGAL inside); slow. None where libigl was built without."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from blockout.mesh import Mesh

exact: Callable[..., Mesh] | None

try:
    from igl.copyleft.cgal import mesh_boolean
except ImportError:
    exact = None
else:

    def exact(operation: str, first: Mesh, second: Mesh | None = None) -> Mesh:
        """``union``, ``minus`` or ``intersect`` of two closed meshes."""
        none = np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64)
        other = none if second is None else (np.array(second.vertices), np.array(second.faces))
        vertices, faces, _ = mesh_boolean(
            np.array(first.vertices), np.array(first.faces), *other, operation
        )
        return Mesh(vertices, faces)
