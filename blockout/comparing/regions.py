"""Regions in which volumes and deviations are told: one for each tooth, or parts of the arch.

Seen along the path, a place belongs to the tooth whose circle it is nearest to: distance to the
crown's middle, squared, less the square of half the crown's width (a power diagram), so that the
border between a molar and a premolar runs through their contact. Where no teeth are known, the
arch has three parts: in front within 45 degrees of the midline, right and left.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blockout.cast.cast import Cast
from blockout.mesh import Floats, Ints
from blockout.surveying.path import InsertionPath
from blockout.teeth.crowns import Teeth

ARCH_PARTS = ("right", "front", "left")


@dataclass(frozen=True, eq=False)
class Regions:
    """Parts of the cast as seen along the path.

    Parameters
    ----------
    names : tuple of str
    tooth : tuple of int or None
        ISO 3950 number of each region's tooth; None for a part of the arch.
    to_plane : (2, 3) float
        File coordinates to the plane square to the path.
    centre_mm : (k, 2) float
        In that plane; for parts of the arch the arch's middle and the front's direction.
    weight_mm2 : (k,) float
    """

    names: tuple[str, ...]
    tooth: tuple[int | None, ...]
    to_plane: Floats
    centre_mm: Floats
    weight_mm2: Floats

    @property
    def by_tooth(self) -> bool:
        """Whether the regions are teeth."""
        return any(number is not None for number in self.tooth)

    def of(self, points_mm: Floats) -> Ints:
        """(k,) region of each point (k, 3), file coordinates; ends up anywhere on the cast."""
        flat = np.asarray(points_mm) @ self.to_plane.T
        if not self.by_tooth:
            middle, right, front = self.centre_mm
            offset = flat - middle
            x, y = offset @ right, offset @ front
            return np.where(y >= np.abs(x), 1, np.where(x > 0.0, 0, 2)).astype(np.int64)
        region = np.zeros(len(flat), dtype=np.int64)
        least = np.full(len(flat), np.inf)
        for number, (centre, weight) in enumerate(
            zip(self.centre_mm, self.weight_mm2, strict=True)
        ):
            power = ((flat - centre) ** 2).sum(axis=1) - weight
            nearer = power < least
            region[nearer], least[nearer] = number, power[nearer]
        return region


def regions_of_teeth(path: InsertionPath, teeth: Teeth) -> Regions:
    """One region for each crown."""
    return regions_of_centres(
        path,
        numbers=teeth.numbers,
        centres_mm=np.array([crown.centre_mm for crown in teeth.crowns]),
        half_width_mm=np.array([crown.half_mm[0] for crown in teeth.crowns]),
    )


def regions_of_centres(
    path: InsertionPath,
    *,
    numbers: Sequence[int],
    centres_mm: Floats,
    half_width_mm: Floats,
) -> Regions:
    """One region for each tooth, given the middles (k, 3) and half widths (k,) of the crowns."""
    to_plane = path.to_path[:2]
    return Regions(
        names=tuple(str(number) for number in numbers),
        tooth=tuple(numbers),
        to_plane=to_plane,
        centre_mm=np.asarray(centres_mm) @ to_plane.T,
        weight_mm2=np.asarray(half_width_mm) ** 2,
    )


def regions_of_arch(cast: Cast, path: InsertionPath) -> Regions:
    """Right, front and left."""
    to_plane = path.to_path[:2]
    used = cast.mesh.vertices[cast.scanned_vertices]
    inside = cast.frame.points_to_cast(used)
    middle = (inside.min(axis=0) + inside.max(axis=0)) / 2.0
    middle[2] = 0.0
    side = 1.0 if cast.arch == "lower" else -1.0
    # seen from above with the front up, the patient's right is +x on a lower cast
    right = side * cast.frame.matrix[:3, 0]
    axes = np.stack([right, cast.frame.front]) @ to_plane.T
    axes /= np.linalg.norm(axes, axis=1)[:, None]
    centre = to_plane @ cast.frame.points_to_file(middle)
    return Regions(
        names=ARCH_PARTS,
        tooth=(None, None, None),
        to_plane=to_plane,
        centre_mm=np.vstack([centre, axes]),
        weight_mm2=np.zeros(3),
    )
