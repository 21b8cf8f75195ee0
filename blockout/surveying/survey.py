"""Surveying: what one path of insertion leaves undercut, as a technician reads it off a cast."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from blockout.case.settings import PathSettings, SurveySettings
from blockout.cast.cast import Cast
from blockout.mesh import Floats, Ints
from blockout.progress import Progress, silent
from blockout.surveying.columns import volume_under_mm3
from blockout.surveying.reading import Reading, read_along
from blockout.surveying.regions import NAMES, region_of_faces
from blockout.tolerances import TOLERANCES, Tolerances


@dataclass(frozen=True)
class RegionUndercut:
    """What one part of the arch has of undercut; see :mod:`blockout.surveying.regions`.

    ``volume_mm3`` is measured by rays; the parts add up to the whole to about a thousandth.
    """

    name: str
    area_mm2: float
    volume_mm3: float
    max_depth_mm: float


@dataclass(frozen=True)
class LeftAlone:
    """Undercut shallower than the noise depth, which nothing is done about."""

    patch_count: int
    area_mm2: float
    volume_mm3: float


@dataclass(frozen=True, eq=False)
class Survey(Reading):
    """A cast surveyed along one path: what is read off it, with volumes.

    Parameters
    ----------
    volume_mm3 : float
        Of the undercut region, measured by rays.
    regions : tuple of RegionUndercut
    left_alone : LeftAlone
    """

    volume_mm3: float
    regions: tuple[RegionUndercut, ...]
    left_alone: LeftAlone


def survey(
    cast: Cast,
    *,
    path: PathSettings | None = None,
    settings: SurveySettings | None = None,
    progress: Progress = silent,
    tolerances: Tolerances = TOLERANCES,
) -> Survey:
    """Survey a cast along a path.

    Parameters
    ----------
    cast : Cast
    path : PathSettings
        Level when left out.
    settings : SurveySettings

    Raises
    ------
    PathError
        The path is beyond its limits.
    InputError
        A gauge is not a positive depth.
    """
    read = read_along(cast, path=path, settings=settings, progress=progress, tolerances=tolerances)
    progress("measuring volumes")
    face, patch = read.everything.face, read.everything.patch
    under_mm3 = volume_under_mm3(cast, read.path, face, tolerances=tolerances)
    left = read.shallow[patch] if len(patch) else np.zeros(0, dtype=bool)
    area_mm2 = read.undercut_share * cast.mesh.face_areas_mm2
    return Survey(
        **{field.name: getattr(read, field.name) for field in fields(Reading)},
        volume_mm3=float(under_mm3[~left].sum()),
        regions=_regions(cast, face[~left], under_mm3[~left], area_mm2, read.depth_mm),
        left_alone=LeftAlone(
            patch_count=int(read.shallow.sum()),
            area_mm2=float(cast.mesh.face_areas_mm2[face[left]].sum()),
            volume_mm3=float(under_mm3[left].sum()),
        ),
    )


def _regions(
    cast: Cast, face: Ints, under_mm3: Floats, area_mm2: Floats, depth_mm: Floats
) -> tuple[RegionUndercut, ...]:
    region = region_of_faces(cast, face)
    volume = np.bincount(region, under_mm3, minlength=len(NAMES))
    undercut = np.flatnonzero(area_mm2 > 0.0)
    region_of_area = region_of_faces(cast, undercut)
    area = np.bincount(region_of_area, area_mm2[undercut], minlength=len(NAMES))
    deepest = np.zeros(len(NAMES))
    np.maximum.at(deepest, region_of_area, depth_mm[cast.mesh.faces[undercut]].max(axis=1))
    return tuple(
        RegionUndercut(name, float(area[k]), float(volume[k]), float(deepest[k]))
        for k, name in enumerate(NAMES)
    )
