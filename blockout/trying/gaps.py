"""Gaps between cast and framework at rests and guiding planes.

At a rest the gap is read along the path, from the cast's surface up to the metal's underside; at a
guiding plane square to the path, from the tooth outward. Negative where the metal lies inside.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from blockout.case.settings import Arch
from blockout.case.trying_settings import RestSettings, TryInSettings
from blockout.cast.cast import Cast
from blockout.errors import InputError
from blockout.kernel.rays import RayScene
from blockout.kernel.surfaces import nearest_places
from blockout.mesh import Floats, Ints, Mesh
from blockout.surveying.path import InsertionPath
from blockout.teeth.aspects import Aspect, aspect_word
from blockout.teeth.crowns import Teeth
from blockout.teeth.numbers import arch_order, is_right

PARALLEL_WITHIN_DEG: Final = 20.0
"""What leans more from the path guides nothing."""
_FROM_SURFACE_MM: Final = 1.0
_FEWEST: Final = 3
_LARGEST_OFF_MM: Final = 2.0


@dataclass(frozen=True, eq=False)
class Gap:
    """The gap at one rest or guiding plane.

    Parameters
    ----------
    kind : "rest" or "guiding plane"
    name : str
        As the settings call it, or tooth and aspect.
    least_mm, median_mm : float or None
        None where no metal is near.
    area_mm2 : float
        Of the cast's surface that the metal faces within reach.
    at_mm : (3,) float or None
        Where the gap is least, on the cast, file coordinates.
    """

    kind: Literal["rest", "guiding plane"]
    name: str
    least_mm: float | None
    median_mm: float | None
    area_mm2: float
    at_mm: Floats | None


def sides_beside_gaps(arch: Arch, standing: Sequence[int]) -> tuple[tuple[int, Aspect], ...]:
    """The proximal aspects of standing teeth next to which no tooth stands.

    >>> sides_beside_gaps("lower", (44, 43, 42, 41, 31, 32, 33, 34, 37))
    ((44, 'distal'), (34, 'distal'), (37, 'mesial'), (37, 'distal'))
    """
    order = arch_order(arch)
    here = set(standing)
    found: list[tuple[int, Aspect]] = []
    for at, number in enumerate(order):
        if number not in here:
            continue
        sides: list[tuple[Aspect, int]] = [("mesial", 1), ("distal", -1)]
        for side, step in sides:
            beside = at + (step if is_right(number) else -step)
            if 0 <= beside < len(order) and order[beside] not in here:
                found.append((number, side))
    return tuple(found)


def gaps_of(
    cast: Cast,
    path: InsertionPath,
    framework: Mesh,
    *,
    settings: TryInSettings,
    teeth: Teeth | None = None,
    missing: Sequence[int] = (),
) -> tuple[Gap, ...]:
    """Gaps at the rests named in the settings, or at every occlusal aspect that metal faces; and at
    proximal aspects that face a gap of the row.

    Parameters
    ----------
    missing : sequence of int
        Where some are stated, only aspects next to these count as facing a gap.

    Raises
    ------
    InputError
        A rest's point lies off the cast.
    """
    reader = _Reader(cast, path, RayScene(framework), framework, settings.gap_within_mm)
    found = [_rest(reader, number, rest, settings) for number, rest in enumerate(settings.rest, 1)]
    if teeth is None:
        return tuple(found)
    if not settings.rest:
        for crown in teeth.crowns:
            name = f"{crown.number} {aspect_word('occlusal', crown.number)}"
            gap = reader.upward("rest", name, crown.faces_of("occlusal"))
            if gap.least_mm is not None:
                found.append(gap)
    order, gone = arch_order(cast.arch), set(missing)
    for number, side in sides_beside_gaps(cast.arch, teeth.numbers):
        at, step = order.index(number), 1 if (side == "mesial") == is_right(number) else -1
        if gone and order[at + step] not in gone:
            continue
        gap = reader.outward(f"{number} {side}", teeth.crown(number).faces_of(side))
        if gap.least_mm is not None:
            found.append(gap)
    return tuple(found)


def _rest(reader: _Reader, number: int, rest: RestSettings, settings: TryInSettings) -> Gap:
    mesh, along = reader.cast.mesh, reader.path.direction
    point = np.array(rest.point_mm)
    off_mm = float(nearest_places(mesh, point[None]).distance_mm[0])
    name = rest.name or f"rest {number}"
    if off_mm > _LARGEST_OFF_MM:
        raise InputError(
            "a rest's point lies off the cast",
            measured=f"{off_mm:.2f} mm off, at most {_LARGEST_OFF_MM:g} mm",
            where=name,
            fix="Give point_mm on the cast, in the file's coordinates, mm.",
        )
    away = mesh.face_centres - point
    height = away @ along
    aside = np.linalg.norm(away - np.outer(height, along), axis=1)
    face = np.flatnonzero(
        (aside <= settings.rest_radius_mm)
        & (np.abs(height) <= 2.0 * settings.rest_radius_mm + _LARGEST_OFF_MM)
        & (mesh.face_normals @ along > 0.0)
    )
    return reader.upward("rest", name, face)


@dataclass(frozen=True, eq=False)
class _Reader:
    cast: Cast
    path: InsertionPath
    scene: RayScene
    framework: Mesh
    within_mm: float

    def upward(self, kind: Literal["rest"], name: str, face: Ints) -> Gap:
        """The gap over faces of the cast that look up, along the path."""
        mesh, along = self.cast.mesh, self.path.direction
        face = face[mesh.face_normals[face] @ along > 0.0]
        ways = np.broadcast_to(along, (len(face), 3))
        return self._read(kind, name, face, ways, mesh.face_crosses[face] @ along / 2.0)

    def outward(self, name: str, face: Ints) -> Gap:
        """The gap beside faces that stand nearly along the path, square to it."""
        mesh, along = self.cast.mesh, self.path.direction
        normal = mesh.face_normals[face]
        upright = np.abs(normal @ along) <= np.sin(np.radians(PARALLEL_WITHIN_DEG))
        face, normal = face[upright], normal[upright]
        ways = normal - np.outer(normal @ along, along)
        ways /= np.maximum(np.linalg.norm(ways, axis=1), 1e-12)[:, None]
        return self._read("guiding plane", name, face, ways, mesh.face_areas_mm2[face])

    def _read(
        self,
        kind: Literal["rest", "guiding plane"],
        name: str,
        face: Ints,
        ways: Floats,
        area_mm2: Floats,
    ) -> Gap:
        """Rays start under the surface, so that metal inside the cast is met as well."""
        nothing = Gap(kind, name, None, None, 0.0, None)
        if not len(face):
            return nothing
        centre = self.cast.mesh.face_centres[face]
        hits = self.scene.first_hit(centre - _FROM_SURFACE_MM * ways, ways)
        gap_mm = hits.distance_mm - _FROM_SURFACE_MM
        against = np.einsum("ij,ij->i", self.framework.face_normals[hits.face], ways) < 0.0
        faced = (hits.face >= 0) & against & (gap_mm <= self.within_mm)
        if faced.sum() < _FEWEST:
            return nothing
        gap_mm, area_mm2, centre = gap_mm[faced], area_mm2[faced], centre[faced]
        order = np.argsort(gap_mm)
        half = np.searchsorted(np.cumsum(area_mm2[order]), area_mm2.sum() / 2.0)
        return Gap(
            kind=kind,
            name=name,
            least_mm=float(gap_mm.min()),
            median_mm=float(gap_mm[order[min(int(half), len(order) - 1)]]),
            area_mm2=float(area_mm2.sum()),
            at_mm=centre[int(gap_mm.argmin())],
        )
