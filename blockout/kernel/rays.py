"""Rays against a mesh. The only import of embreex.

The library works in single precision; coordinates are centred first, so that positions on a cast
are good to about 4 nm and distances to about 1e-7 of their length. Where an answer hangs on less
than that, the caller keeps a margin (``beyond_mm``) or asks twice.
"""

from __future__ import annotations

import mmap
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene
from numpy.typing import NDArray

from blockout.errors import KernelError
from blockout.mesh import Bools, Floats, Ints, Mesh

_SINGLE = np.float32
_RAYS_A_BATCH = 200_000
_NO_HIT_MM = 1e30
# it failed with 120 MB of address space left and not with 160, whatever the mesh: threads need them
_ROOM_BYTES = 256 << 20
_ROOM_BYTES_A_TRIANGLE = 500


@dataclass(frozen=True, eq=False)
class Hits:
    """Where rays first meet the mesh.

    Parameters
    ----------
    distance_mm : (k,) float
        Along the unit direction; infinite where nothing is met.
    face : (k,) int
        Face met, or -1.
    """

    distance_mm: Floats
    face: Ints


def _refuse_without_room(triangle_count: int) -> None:
    """The library ends the process where it gets no memory, so that it is asked for here first:
    taken without being touched, and given back.
    """
    try:
        mmap.mmap(-1, _ROOM_BYTES + _ROOM_BYTES_A_TRIANGLE * triangle_count).close()
    except OSError as error:
        raise MemoryError("no room for the search tree of the rays") from error


class RayScene:
    """A mesh made ready for rays; safe to ask from several threads.

    Raises
    ------
    MemoryError
    KernelError
        The mesh has no triangles, or the library refuses it.
    """

    def __init__(self, mesh: Mesh) -> None:
        if not mesh.triangle_count:
            raise KernelError("rays need a mesh with triangles", measured="0 triangles, at least 1")
        self._centre = mesh.centre
        _refuse_without_room(mesh.triangle_count)
        try:
            self._scene = EmbreeScene(robust=True)
            self._mesh = TriangleMesh(
                self._scene,
                (mesh.vertices - self._centre).astype(_SINGLE),
                mesh.faces.astype(np.int32),
            )
            # the library builds its tree at the first question
            self._scene.run(np.zeros((1, 3), _SINGLE), np.array([[0, 0, 1]], _SINGLE))
        except MemoryError:
            raise
        except Exception as error:
            raise KernelError("the ray library could not take the mesh") from error

    def first_hit(self, origins_mm: Floats, directions: Floats) -> Hits:
        """First face met by each ray.

        Parameters
        ----------
        origins_mm : (k, 3)
        directions : (3,) or (k, 3) unit vectors
        """

        def ask(origins: NDArray[np.float32], along: NDArray[np.float32]) -> tuple[Floats, Ints]:
            found = self._scene.run(origins, along, output=1)
            return found["tfar"].astype(np.float64), found["primID"].astype(np.int64)

        distance, face = self._batched(ask, origins_mm, directions)
        missed = (face < 0) | (distance > _NO_HIT_MM)
        return Hits(np.where(missed, np.inf, distance), np.where(missed, -1, face))

    def blocked(self, origins_mm: Floats, directions: Floats, *, beyond_mm: float = 0.0) -> Bools:
        """(k,) whether each ray meets the mesh further than ``beyond_mm`` from its origin."""

        def ask(origins: NDArray[np.float32], along: NDArray[np.float32]) -> tuple[Bools]:
            return (self._scene.run(origins, along, query="OCCLUDED") >= 0,)

        unit = np.asarray(directions, dtype=np.float64)
        (met,) = self._batched(ask, np.asarray(origins_mm) + beyond_mm * unit, unit)
        return met

    def _batched(
        self,
        ask: Callable[[NDArray[np.float32], NDArray[np.float32]], tuple[NDArray, ...]],  # type: ignore[type-arg]
        origins_mm: Floats,
        directions: Floats,
    ) -> tuple[NDArray, ...]:  # type: ignore[type-arg]
        origins = (np.asarray(origins_mm, dtype=np.float64) - self._centre).astype(_SINGLE)
        count = len(origins)
        along = np.ascontiguousarray(
            np.broadcast_to(np.asarray(directions, dtype=_SINGLE), (count, 3))
        )
        if count <= _RAYS_A_BATCH // 10:
            return ask(origins, along) if count else ask(np.zeros((0, 3), _SINGLE), along)
        cuts = [slice(i, i + _RAYS_A_BATCH) for i in range(0, count, _RAYS_A_BATCH)]
        if len(cuts) == 1:
            half = (count + 1) // 2
            cuts = [slice(0, half), slice(half, count)]
        with ThreadPoolExecutor(min(len(cuts), os.cpu_count() or 1)) as pool:
            answers = list(pool.map(lambda cut: ask(origins[cut], along[cut]), cuts))
        return tuple(np.concatenate(column) for column in zip(*answers, strict=True))
