"""The cast frame: the occlusal plane is z = 0, +z leaves it, +y is anterior, right-handed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blockout.mesh import Floats


@dataclass(frozen=True, eq=False)
class CastFrame:
    """A rigid transform from the cast frame to the coordinates of the file.

    Parameters
    ----------
    matrix : (4, 4) float
        Rotation and shift, mm. Columns of the rotation are the cast's axes in the file.

    Raises
    ------
    ValueError
        The matrix is not rigid and right-handed.
    """

    matrix: Floats

    def __post_init__(self) -> None:
        matrix = np.array(self.matrix, dtype=np.float64).reshape(4, 4)
        turn = matrix[:3, :3]
        rigid = np.allclose(turn @ turn.T, np.eye(3), atol=1e-9) and np.linalg.det(turn) > 0.0
        if not (rigid and np.allclose(matrix[3], [0.0, 0.0, 0.0, 1.0])):
            raise ValueError("a cast frame is a rotation and a shift")
        matrix.setflags(write=False)
        object.__setattr__(self, "matrix", matrix)

    @classmethod
    def from_axes(cls, *, origin_mm: Floats, up: Floats, front: Floats) -> CastFrame:
        """+z along ``up``; +y the part of ``front`` square to it."""
        z = np.asarray(up, dtype=np.float64) / np.linalg.norm(up)
        y = np.asarray(front, dtype=np.float64) - z * float(np.dot(front, z))
        y /= np.linalg.norm(y)
        matrix = np.eye(4)
        matrix[:3, :3] = np.stack([np.cross(y, z), y, z], axis=1)
        matrix[:3, 3] = origin_mm
        return cls(matrix)

    @property
    def up(self) -> Floats:
        """(3,) occlusal direction in file coordinates."""
        axis: Floats = self.matrix[:3, 2]
        return axis

    @property
    def front(self) -> Floats:
        """(3,) anterior direction in file coordinates."""
        axis: Floats = self.matrix[:3, 1]
        return axis

    def points_to_cast(self, points_mm: Floats) -> Floats:
        """(..., 3) file coordinates to cast frame."""
        return (np.asarray(points_mm) - self.matrix[:3, 3]) @ self.matrix[:3, :3]

    def points_to_file(self, points_mm: Floats) -> Floats:
        return np.asarray(points_mm) @ self.matrix[:3, :3].T + self.matrix[:3, 3]

    def directions_to_cast(self, directions: Floats) -> Floats:
        return np.asarray(directions) @ self.matrix[:3, :3]

    def directions_to_file(self, directions: Floats) -> Floats:
        return np.asarray(directions) @ self.matrix[:3, :3].T
