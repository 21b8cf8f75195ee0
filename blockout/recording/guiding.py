"""Guiding surfaces as they stand on a surveyed cast, and what a framework touches on them.

A guiding surface is one side of one tooth. Of it counts what can be seen along the path and is
nearly parallel to it; its plane is the mean of those faces' normals by area, which noise within
the surface hardly moves. Below the survey line the surface is blocked out parallel to the path,
so a framework made on the blocked-out cast also touches a wall that stands exactly along the
path under the survey line. A survey line bends round the tooth, so that wall looks different
ways; it is taken as two planes, turned to the ways within which all but a stated share of its
length looks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.case.settings import Arch
from blockout.errors import InputError
from blockout.kernel.surfaces import nearest_places
from blockout.mesh import Floats, Ints
from blockout.recording.one_path import Contact
from blockout.surveying.survey import Survey
from blockout.teeth.aspects import ASPECTS, Aspect, aspect_word
from blockout.teeth.crowns import Teeth
from blockout.teeth.numbers import arch_order, is_right, place

PARALLEL_WITHIN_DEG: Final = 20.0
"""What leans more from the path guides nothing."""
LEAST_AREA_MM2: Final = 0.5
OUTER_SHARE: Final = 0.1
"""Share of a wall's length, at each end of the ways it looks, that is left out of account."""
_HEIGHT_SHARE: Final = 0.02
_THIRD_MOLAR: Final = 8

Guide = tuple[int, Aspect]
"""A tooth by ISO 3950 and its side."""


@dataclass(frozen=True, eq=False)
class GuidingSurface:
    """One guiding surface along the survey's path.

    Parameters
    ----------
    name : str
        Such as ``35 distal``.
    tooth : int
    aspect : str
    face : (k,) int
        The cast's faces that guide: seen along the path and nearly parallel to it.
    area_mm2 : float
    height_mm : float
        Of that part, along the path.
    normal : (3,) float or None
        Of its plane; None where less than ``LEAST_AREA_MM2`` guides.
    lean_deg : float or None
        Angle between plane and path; positive where the surface opens upward.
    wall_normals : (0, 3) or (2, 3) float
        Of the wall of blockout under it.
    wall_length_mm : float
        Of the survey line above that wall.
    """

    name: str
    tooth: int
    aspect: Aspect
    face: Ints
    area_mm2: float
    height_mm: float
    normal: Floats | None
    lean_deg: float | None
    wall_normals: Floats
    wall_length_mm: float


def guides_beside_gaps(
    arch: Arch, standing: Sequence[int], missing: Sequence[int]
) -> tuple[Guide, ...]:
    """The sides of standing teeth that face a gap of missing teeth, from the patient's right on.

    Missing third molars make no gap.

    >>> guides_beside_gaps("lower", (47, 44, 43, 42, 41, 31, 32, 33, 34, 35), (36, 37, 45, 46))
    ((47, 'mesial'), (44, 'distal'), (35, 'distal'))
    """
    order = arch_order(arch)
    here, gone = set(standing), {n for n in missing if place(n) != _THIRD_MOLAR}
    found: dict[Guide, None] = {}
    for at, number in enumerate(order):
        if number not in here:
            continue
        for step in (-1, 1):
            beside = at + step
            if 0 <= beside < len(order) and order[beside] in gone:
                toward_left = step > 0
                mesial = toward_left == is_right(number)
                found[(number, "mesial" if mesial else "distal")] = None
    return tuple(found)


def guiding_surfaces(
    survey: Survey, teeth: Teeth, guides: Sequence[Guide]
) -> tuple[GuidingSurface, ...]:
    """The guiding surfaces that are named, as they stand along the survey's path.

    Raises
    ------
    InputError
        A tooth that is not on the cast, or no side of a tooth.
    """
    if not guides:
        return ()
    length_mm, line_face = _line_pieces(survey)
    tooth_of_line = teeth.tooth_of_face[line_face].astype(np.int64)
    return tuple(
        _surface(survey, teeth, tooth, aspect, length_mm, line_face, tooth_of_line)
        for tooth, aspect in dict.fromkeys(guides)
    )


def planes_of(surfaces: Sequence[GuidingSurface]) -> tuple[Contact, ...]:
    """The guiding planes alone, as contacts."""
    return tuple(
        Contact(one.name, one.normal[None], one.tooth, one.aspect)
        for one in surfaces
        if one.normal is not None
    )


def contacts_of(surfaces: Sequence[GuidingSurface]) -> tuple[Contact, ...]:
    """Guiding planes and the walls of blockout under them, as contacts."""
    contacts = []
    for one in surfaces:
        planes = np.zeros((0, 3)) if one.normal is None else one.normal[None]
        normals = np.concatenate([planes, one.wall_normals])
        if len(normals):
            contacts.append(Contact(one.name, normals, one.tooth, one.aspect))
    return tuple(contacts)


def _line_pieces(survey: Survey) -> tuple[Floats, Ints]:
    rows = [line.points_mm for line in survey.survey_lines]
    if not rows:
        return np.zeros(0), np.zeros(0, dtype=np.int64)
    steps = np.concatenate([np.diff(points, axis=0) for points in rows])
    middle = np.concatenate([(points[1:] + points[:-1]) / 2.0 for points in rows])
    return np.linalg.norm(steps, axis=1), nearest_places(survey.cast.mesh, middle).face


def _surface(
    survey: Survey,
    teeth: Teeth,
    tooth: int,
    aspect: Aspect,
    length_mm: Floats,
    line_face: Ints,
    tooth_of_line: Ints,
) -> GuidingSurface:
    if aspect not in ASPECTS:
        raise InputError(
            f"{aspect!r} is no side of a tooth", fix=f"Choose from {', '.join(ASPECTS)}."
        )
    mesh, path = survey.cast.mesh, survey.path
    side = teeth.crown(tooth).faces_of(aspect)
    lean = mesh.face_normals[side] @ path.direction
    steep = lean <= np.sin(np.radians(PARALLEL_WITHIN_DEG))
    face = side[(lean >= 0.0) & steep & (survey.undercut_share[side] == 0.0)]
    area_mm2 = float(mesh.face_areas_mm2[face].sum())
    normal = None
    if area_mm2 >= LEAST_AREA_MM2:
        total = mesh.face_crosses[face].sum(axis=0)
        normal = total / np.linalg.norm(total)
    heights = mesh.face_centres[face] @ path.direction
    walls, wall_mm = _walls(survey, side, length_mm, line_face, tooth_of_line == tooth)
    return GuidingSurface(
        name=f"{tooth} {aspect_word(aspect, tooth)}",
        tooth=tooth,
        aspect=aspect,
        face=face,
        area_mm2=area_mm2,
        height_mm=_height_mm(heights),
        normal=normal,
        lean_deg=None if normal is None else lean_deg(normal, path.direction),
        wall_normals=walls,
        wall_length_mm=wall_mm,
    )


def lean_deg(normal: Floats, direction: Floats) -> float:
    """Angle between a plane and a direction; positive where the plane opens that way."""
    return float(np.degrees(np.arcsin(np.clip(normal @ direction, -1.0, 1.0))))


def _height_mm(heights: Floats) -> float:
    if not len(heights):
        return 0.0
    low, high = np.quantile(heights, [_HEIGHT_SHARE, 1.0 - _HEIGHT_SHARE])
    return float(high - low)


def _walls(
    survey: Survey, side: Ints, length_mm: Floats, line_face: Ints, on_tooth: np.ndarray
) -> tuple[Floats, float]:
    """(2, 3) normals of the wall under the survey line on a side, and the line's length."""
    here = np.flatnonzero(on_tooth)
    here = here[np.isin(line_face[here], side) & (length_mm[here] > 0.0)]
    if not len(here):
        return np.zeros((0, 3)), 0.0
    along = survey.path.direction
    weight = length_mm[here]
    looks = survey.cast.mesh.face_normals[line_face[here]]
    looks = looks - np.outer(looks @ along, along)
    looks /= np.maximum(np.linalg.norm(looks, axis=1), 1e-12)[:, None]
    mean = weight @ looks
    if float(np.linalg.norm(mean)) < 1e-9:
        return np.zeros((0, 3)), float(weight.sum())
    mean = mean / np.linalg.norm(mean)
    aside = np.cross(along, mean)
    turn = np.arctan2(looks @ aside, looks @ mean)
    order = np.argsort(turn)
    share = (np.cumsum(weight[order]) - weight[order] / 2.0) / weight.sum()
    ends = np.interp([OUTER_SHARE, 1.0 - OUTER_SHARE], share, turn[order])
    return np.outer(np.cos(ends), mean) + np.outer(np.sin(ends), aside), float(weight.sum())
