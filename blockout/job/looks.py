"""Looks at a prepared cast while it lies on the table: quick, and each without a trace.

What is drawn while the cast is tilted comes from :func:`depth_bytes`; what is read once it lies
still from :func:`look_along`, whose numbers are those of the survey.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import ArrayLike

from blockout.arms.arm import Arm
from blockout.arms.laying import lay_arm
from blockout.case.arm_settings import ArmSettings
from blockout.case.case import Case
from blockout.case.settings import PathSettings, SurveySettings
from blockout.cast.cast import Cast
from blockout.check.warnings import TradeWarning, survey_warnings
from blockout.errors import BlockoutError, Place
from blockout.kernel.rays import RayScene
from blockout.mesh import Floats, Mesh
from blockout.progress import Progress, silent
from blockout.surveying.by_tooth import survey_by_tooth
from blockout.surveying.glance import DEPTH_STEP_MM, glance_mm
from blockout.surveying.path import InsertionPath, insertion_path
from blockout.surveying.reading import Reading, read_along
from blockout.surveying.regions import NAMES, region_of_faces
from blockout.surveying.section import point_and_way, section_lines
from blockout.teeth.aspects import ASPECTS, aspect_word
from blockout.teeth.crowns import Teeth
from blockout.teeth.named import teeth_of
from blockout.teeth.numbers import tooth_name

__all__ = [
    "DEPTH_STEP_MM",
    "Look",
    "Probed",
    "arm_laid",
    "depth_bytes",
    "look_along",
    "path_along",
    "probe",
    "section",
    "seen_from",
    "teeth_facts",
    "teeth_of_case",
]

_AROUND_MM = 0.5
_LEVEL_SHARE = 0.2  # a surface that lies flatter is looked at along the path
_FROM_ABOVE = 0.25
_SCENES: WeakKeyDictionary[Mesh, RayScene] = WeakKeyDictionary()
"""The ray scene of each mesh that was probed, kept as long as the mesh is."""


@dataclass(frozen=True, eq=False)
class Look(Reading):
    """What is read off a cast along one path, as a survey reads it; see
    :class:`~blockout.surveying.reading.Reading`.

    Parameters
    ----------
    warnings : tuple of TradeWarning
        Those that a survey along this path gives.
    """

    warnings: tuple[TradeWarning, ...]


@dataclass(frozen=True, eq=False)
class Probed:
    """What a ray meets on a cast.

    Parameters
    ----------
    point_mm : (x, y, z)
        File coordinates.
    triangle : int
        Face of the cast's mesh.
    barycentric : (a, b, c)
        Of the point within it, adding up to 1.
    normal : (x, y, z)
        Unit, file coordinates.
    depth_mm : float
        Undercut depth there, between those of the triangle's corners; 0 on the base.
    region : str
        Part of the arch, one of :data:`~blockout.surveying.regions.NAMES`.
    tooth : int or None
        ISO 3950; None off the crowns, or where none were given.
    aspect : str or None
        Side of the tooth, in the mouth's word, such as labial.
    scanned : bool
        False on the base.
    """

    point_mm: Place
    triangle: int
    barycentric: tuple[float, float, float]
    normal: Place
    depth_mm: float
    region: str
    tooth: int | None
    aspect: str | None
    scanned: bool


def depth_bytes(cast: Cast, direction: PathSettings | ArrayLike) -> bytes:
    """One byte for each vertex of ``cast.mesh``: its undercut depth in steps of
    :data:`DEPTH_STEP_MM`, to the nearest; 255 for that many steps and more.

    A glance (:func:`~blockout.surveying.glance.glance_mm`), which tells its error.

    Parameters
    ----------
    direction : PathSettings or (3,)
        The path; or the direction of removal, file coordinates.

    Raises
    ------
    PathError
    """
    depth_mm = glance_mm(cast, _path(cast, direction))
    steps = np.minimum(np.rint(depth_mm / DEPTH_STEP_MM), 255.0)
    return steps.astype(np.uint8).tobytes()


def look_along(
    cast: Cast,
    path: PathSettings | None = None,
    gauges_mm: Sequence[float] | None = None,
    *,
    noise_depth_mm: float | None = None,
    progress: Progress = silent,
) -> Look:
    """Depths, survey lines, gauge lines, area and warnings along a path: the survey's numbers,
    without its volumes.

    Parameters
    ----------
    path : PathSettings
        Level when left out.
    gauges_mm, noise_depth_mm
        Those of a survey by default when left out.

    Raises
    ------
    PathError, InputError
    """
    path = path or PathSettings()
    settings = SurveySettings()
    asked = {"noise_depth_mm": noise_depth_mm}
    if gauges_mm is not None:
        asked |= {"gauges_mm": tuple(float(gauge) for gauge in gauges_mm)}  # type: ignore[dict-item]
    read = read_along(
        cast, path=path, settings=settings.model_copy(update=asked), progress=progress
    )
    return Look(
        **{field.name: getattr(read, field.name) for field in fields(Reading)},
        warnings=survey_warnings(read, path=path),
    )


def probe(
    cast: Cast,
    look: Look | None,
    teeth: Teeth | None,
    origin_mm: ArrayLike,
    ray_direction: ArrayLike,
) -> Probed | None:
    """The first place of the cast that a ray meets, and what is known of it; None where it misses.

    Parameters
    ----------
    look : Look, optional
        Of the same cast; depths are 0 without one.
    teeth : Teeth, optional
    origin_mm, ray_direction : (3,)
        File coordinates; the direction may have any length but 0.

    Raises
    ------
    InputError
        Origin or direction are not three finite numbers, or the direction has no length.
    """
    origin, along = point_and_way(origin_mm, ray_direction, what="ray")
    scene = _SCENES.get(cast.mesh)
    if scene is None:
        scene = _SCENES[cast.mesh] = RayScene(cast.mesh)
    # the ray library works in single precision about the cast: start near it
    ahead_mm = max(0.0, float((cast.mesh.centre - origin) @ along) - _reach_mm(cast.mesh))
    hit = scene.first_hit((origin + ahead_mm * along)[None], along)
    face = int(hit.face[0])
    if face < 0:
        return None
    near = origin + (ahead_mm + float(hit.distance_mm[0])) * along
    weights = _barycentric(cast.mesh.corners[face], near)
    point = weights @ cast.mesh.corners[face]
    depth_mm = 0.0 if look is None else float(weights @ look.depth_mm[cast.mesh.faces[face]])
    tooth, aspect = _tooth_at(teeth, face)
    return Probed(
        point_mm=_place(point),
        triangle=face,
        barycentric=_place(weights),
        normal=_place(cast.mesh.face_normals[face]),
        depth_mm=depth_mm,
        region=NAMES[int(region_of_faces(cast, np.array([face]))[0])],
        tooth=tooth,
        aspect=aspect,
        scanned=bool(cast.scanned[face]),
    )


def section(
    meshes: Mapping[str, Mesh], point_mm: ArrayLike, normal: ArrayLike
) -> dict[str, list[Floats]]:
    """Each mesh cut by one plane: lines (n, 3), longest first; a closed one repeats its first
    point. See :func:`~blockout.surveying.section.section_lines`.

    Raises
    ------
    InputError
        There is no such plane.
    """
    return {
        name: [line.points_mm for line in section_lines(mesh, point_mm, normal)]
        for name, mesh in meshes.items()
    }


def teeth_of_case(cast: Cast, case: Case, *, progress: Progress = silent) -> Teeth | None:
    """The crowns of the teeth that a case names; None where it names none.

    Raises
    ------
    InputError
    """
    return teeth_of(cast, case.teeth, progress=progress)


def teeth_facts(look: Reading, teeth: Teeth | None) -> tuple[dict[str, Any], ...]:
    """What is known of each tooth along a look: ``number``, ``name``, ``margin_mm`` (closed line
    (n, 3), first point repeated), ``margin_by_hand``, and its undercut as a survey's facts have it,
    aspect by aspect.
    """
    if teeth is None:
        return ()
    found = []
    for survey in survey_by_tooth(look, teeth):
        margin = teeth.crown(survey.number).margin_mm
        found.append(
            survey.facts()
            | {
                "name": tooth_name(survey.number),
                "margin_mm": np.concatenate([margin, margin[:1]]),
            }
        )
    return tuple(found)


def arm_laid(look: Reading, teeth: Teeth | None, settings: ArmSettings) -> Arm | str:
    """An arm on its tooth along a look's path; or why it cannot lie there, in words."""
    if teeth is None:
        return "no tooth is named"
    try:
        return lay_arm(look, teeth, settings)
    except BlockoutError as error:
        return str(error)


def seen_from(cast: Cast, path: InsertionPath, place_mm: ArrayLike) -> Floats:
    """From where a place of the cast's surface is seen best: square to the surface as seen along
    the path, and a little from above; where the surface lies flat, along the path.

    Parameters
    ----------
    place_mm : (3,)
        File coordinates.

    Returns
    -------
    (3,) float
        Unit, cast to eye.
    """
    mesh, up = cast.mesh, path.direction
    off_mm = np.linalg.norm(mesh.face_centres - np.asarray(place_mm, dtype=np.float64), axis=1)
    near = off_mm < off_mm.min() + _AROUND_MM
    out = mesh.face_crosses[near].sum(axis=0)
    level = out - (out @ up) * up
    length = float(np.linalg.norm(level))
    if length < _LEVEL_SHARE * float(np.linalg.norm(out)):
        return up
    looked: Floats = level / length + _FROM_ABOVE * up
    return looked / np.linalg.norm(looked)


def path_along(cast: Cast, settings: PathSettings) -> InsertionPath:
    """The path that settings name on a cast.

    Raises
    ------
    PathError
    """
    return insertion_path(cast.frame, arch=cast.arch, settings=settings)


def _path(cast: Cast, direction: PathSettings | ArrayLike) -> InsertionPath:
    if isinstance(direction, PathSettings):
        settings = direction
    else:
        x, y, z = (float(value) for value in np.asarray(direction, dtype=np.float64))
        settings = PathSettings(direction=(x, y, z), max_tilt_deg=60.0)
    return path_along(cast, settings)


def _reach_mm(mesh: Mesh) -> float:
    return float(np.linalg.norm(mesh.bounds_mm[1] - mesh.bounds_mm[0]))


def _barycentric(corners: Floats, point: Floats) -> Floats:
    """(3,) weights of the corners (3, 3) at the point's foot on the triangle, within it."""
    u, v = corners[1] - corners[0], corners[2] - corners[0]
    right = np.array([(point - corners[0]) @ u, (point - corners[0]) @ v])
    square = np.array([[u @ u, u @ v], [u @ v, v @ v]])
    b, c = np.linalg.lstsq(square, right, rcond=None)[0]
    weights = np.clip([1.0 - b - c, b, c], 0.0, None)
    whole: Floats = weights / weights.sum()
    return whole


def _tooth_at(teeth: Teeth | None, face: int) -> tuple[int | None, str | None]:
    number = 0 if teeth is None else int(teeth.tooth_of_face[face])
    if teeth is None or not number:
        return None, None
    crown = teeth.crown(number)
    row = np.flatnonzero(crown.face == face)
    if not len(row):
        return number, None
    return number, aspect_word(ASPECTS[int(crown.aspect[row[0]])], number)


def _place(values: Floats) -> Place:
    x, y, z = (float(value) for value in values)
    return x, y, z
