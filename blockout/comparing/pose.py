"""Where a scan lies: a turn and a shift that lay it on the cast."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from blockout.mesh import Floats


@dataclass(frozen=True, eq=False)
class Pose:
    """A rigid movement; ``matrix`` (4, 4) takes the scan's coordinates (mm) to the cast's."""

    matrix: Floats

    @classmethod
    def stay(cls) -> Pose:
        """No movement."""
        return cls(np.eye(4))

    @classmethod
    def of(cls, turn: Floats, shift_mm: Floats) -> Pose:
        """From a (3, 3) rotation and a (3,) shift."""
        matrix = np.eye(4)
        matrix[:3, :3], matrix[:3, 3] = turn, shift_mm
        return cls(matrix)

    @property
    def turn(self) -> Floats:
        """(3, 3) rotation."""
        return self.matrix[:3, :3]

    @property
    def shift_mm(self) -> Floats:
        """(3,) where the scan's origin goes."""
        return self.matrix[:3, 3]

    def points(self, points_mm: Floats) -> Floats:
        """(..., 3) points of the scan in the cast's coordinates."""
        return np.asarray(np.asarray(points_mm) @ self.turn.T + self.shift_mm)

    def then(self, turn_rad: Floats, shift_mm: Floats, *, about_mm: Floats) -> Pose:
        """This movement, then a turn by a rotation vector (3,) about a point, then a shift."""
        turn = rotation(turn_rad)
        return Pose.of(
            turn @ self.turn, turn @ (self.shift_mm - about_mm) + about_mm + np.asarray(shift_mm)
        )


def rotation(vector_rad: Floats) -> Floats:
    """(3, 3) turn about a (3,) vector by its length in radians (Rodrigues).

    >>> np.allclose(rotation(np.array([0.0, 0.0, math.pi / 2])) @ [1, 0, 0], [0, 1, 0])
    True
    """
    angle = float(np.linalg.norm(vector_rad))
    x, y, z = vector_rad
    skew = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    if angle < 1e-9:
        return np.asarray(np.eye(3) + skew + skew @ skew / 2.0)
    first, second = math.sin(angle) / angle, (1.0 - math.cos(angle)) / angle**2
    turn: Floats = np.eye(3) + first * skew + second * (skew @ skew)
    # rounding must not add up over many small turns
    left, _, right = np.linalg.svd(turn)
    return np.asarray(left @ right, dtype=np.float64)


def best_turns(one_mm: Floats, other_mm: Floats) -> tuple[Floats, Floats]:
    """Rotations (k, 3, 3) and shifts (k, 3) that lay k sets of points (k, n, 3) on others, in the
    sense of least squares, never by a mirror (Kabsch, Acta Cryst. A32, 1976, 922).
    """
    a, b = one_mm.mean(axis=1, keepdims=True), other_mm.mean(axis=1, keepdims=True)
    left, _, right = np.linalg.svd(np.einsum("kni,knj->kij", one_mm - a, other_mm - b))
    right = np.swapaxes(right, 1, 2)
    mirrored = np.linalg.det(right @ np.swapaxes(left, 1, 2)) < 0.0
    right[mirrored, :, 2] *= -1.0
    turns: Floats = right @ np.swapaxes(left, 1, 2)
    return turns, b[:, 0] - np.einsum("kij,kj->ki", turns, a[:, 0])


def angle_deg(turn: Floats) -> float:
    """By how much a (3, 3) rotation turns, exact for small angles too."""
    twice_sine = np.array(
        [turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]]
    )
    return math.degrees(math.atan2(float(np.linalg.norm(twice_sine)), float(np.trace(turn)) - 1.0))
