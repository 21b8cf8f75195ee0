"""Tilts as places in a plane: lateral tilt to the right, anterior tilt upward, degrees."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.case.settings import PathSettings
from blockout.cast.cast import Cast
from blockout.mesh import Floats
from blockout.surveying.path import InsertionPath, insertion_path

STEP_DEG: Final = 0.01
"""Tilts are told and written to this: far finer than any cast is put back."""


@dataclass(frozen=True, order=True)
class Tilt:
    """One path, by its two tilts, in hundredths of a degree so that equal ones are equal."""

    anterior_hundredths: int
    lateral_hundredths: int

    @classmethod
    def of(cls, anterior_deg: float, lateral_deg: float) -> Tilt:
        """The nearest one.

        >>> Tilt.of(3.456, -2.0).anterior_deg
        3.46
        """
        return cls(round(anterior_deg / STEP_DEG), round(lateral_deg / STEP_DEG))

    @property
    def anterior_deg(self) -> float:
        """Positive lowers the front of the cast."""
        return self.anterior_hundredths / 100.0

    @property
    def lateral_deg(self) -> float:
        """Positive lowers the patient's right side."""
        return self.lateral_hundredths / 100.0

    @property
    def from_level_deg(self) -> float:
        """Angle between the path and the occlusal plane's normal."""
        both = np.tan(np.radians([self.anterior_deg, self.lateral_deg]))
        return float(np.degrees(np.arctan(np.hypot(*both))))

    def apart_deg(self, other: Tilt) -> float:
        """Angle between two paths."""
        one, two = _ray(self), _ray(other)
        return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(one, two)), one @ two)))

    def moved(self, anterior_deg: float, lateral_deg: float) -> Tilt:
        """This one, tilted further."""
        return Tilt.of(self.anterior_deg + anterior_deg, self.lateral_deg + lateral_deg)

    @property
    def words(self) -> str:
        """As said at the surveying table.

        >>> Tilt.of(3.5, -2.0).words
        'front down 3.5, left side down 2.0'
        """
        return ", ".join(
            self._parts("front down", "back down", "right side down", "left side down")
        )

    @property
    def short_words(self) -> str:
        """The same for little room: what is lower, and by how much.

        >>> Tilt.of(3.5, -2.0).short_words
        'front 3.5, left 2.0'
        """
        return ", ".join(self._parts("front", "back", "right", "left"))

    def _parts(self, front: str, back: str, right: str, left: str) -> list[str]:
        parts = []
        if round(10.0 * self.anterior_deg):
            end = front if self.anterior_hundredths > 0 else back
            parts.append(f"{end} {abs(self.anterior_deg):.1f}")
        if round(10.0 * self.lateral_deg):
            side = right if self.lateral_hundredths > 0 else left
            parts.append(f"{side} {abs(self.lateral_deg):.1f}")
        return parts or ["level"]


LEVEL: Final = Tilt(0, 0)


def path_of(cast: Cast, tilt: Tilt) -> InsertionPath:
    """The path of insertion of a tilt."""
    asked = PathSettings(
        anterior_tilt_deg=tilt.anterior_deg, lateral_tilt_deg=tilt.lateral_deg, max_tilt_deg=60.0
    )
    return insertion_path(cast.frame, arch=cast.arch, settings=asked)


def tilt_of(cast: Cast, direction: Floats) -> Tilt:
    """The tilt of a direction of removal in file coordinates, to the step of tilts."""
    asked = PathSettings(
        direction=(float(direction[0]), float(direction[1]), float(direction[2])), max_tilt_deg=60.0
    )
    path = insertion_path(cast.frame, arch=cast.arch, settings=asked)
    return Tilt.of(path.anterior_tilt_deg, path.lateral_tilt_deg)


def hexagons(within_deg: float, step_deg: float) -> list[Tilt]:
    """Tilts on a grid of triangles of this side, all that lie within the angle of level.

    >>> len(hexagons(2.0, 2.0))
    7
    """
    rise = step_deg * np.sqrt(3.0) / 2.0
    rows = int(np.ceil(2.0 * within_deg / rise))
    columns = int(np.ceil(2.0 * within_deg / step_deg))
    found = []
    for row in range(-rows, rows + 1):
        for column in range(-columns, columns + 1):
            tilt = Tilt.of(row * rise, (column + 0.5 * (row % 2)) * step_deg)
            if tilt.from_level_deg <= within_deg + 1e-9:
                found.append(tilt)
    return found


def rim(within_deg: float, step_deg: float) -> list[Tilt]:
    """Tilts on the rim of the disk about this far apart, a hundredth of a degree inside it."""
    count = 4 * int(np.ceil(0.5 * np.pi * within_deg / step_deg))
    reach = np.tan(np.radians(within_deg - STEP_DEG))
    turns = np.arange(count) * 2.0 * np.pi / count
    return [
        Tilt.of(
            float(np.degrees(np.arctan(reach * np.sin(turn)))),
            float(np.degrees(np.arctan(reach * np.cos(turn)))),
        )
        for turn in turns
    ]


def around(tilt: Tilt, step_deg: float, *, turned: bool = False) -> list[Tilt]:
    """Six tilts about one, at the corners of a hexagon."""
    start = np.pi / 6.0 if turned else 0.0
    angles = start + np.arange(6) * np.pi / 3.0
    return [tilt.moved(step_deg * np.sin(a), step_deg * np.cos(a)) for a in angles]


def _ray(tilt: Tilt) -> Floats:
    lateral, anterior = np.tan(np.radians([tilt.lateral_deg, tilt.anterior_deg]))
    return np.array([-lateral, -anterior, 1.0])
