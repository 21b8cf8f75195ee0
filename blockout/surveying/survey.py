"""Surveying: what one path of insertion leaves undercut, as a technician reads it off a cast."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from blockout.case.settings import PathSettings, SurveySettings
from blockout.cast.cast import Cast
from blockout.cast.change import place_of
from blockout.errors import InputError
from blockout.mesh import Bools, Floats, Ints, Mesh
from blockout.progress import Progress, silent
from blockout.surveying.ceilings import find_ceilings
from blockout.surveying.columns import volume_under_mm3
from blockout.surveying.depth import Overhead, undercut_depth_mm
from blockout.surveying.lines import (
    Polyline,
    Segments,
    both,
    chained,
    crease_normals,
    crease_segments,
    level_segments,
)
from blockout.surveying.patches import Ceilings
from blockout.surveying.path import InsertionPath, insertion_path
from blockout.surveying.regions import NAMES, region_of_faces
from blockout.tolerances import TOLERANCES, Tolerances

_CREASE_DEG = 40.0
_NOISE_FACTOR = 3.0


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
class Survey:
    """A cast surveyed along one path. Undercut speaks of scanned surface only, never of the base.

    Parameters
    ----------
    cast : Cast
    path : InsertionPath
    depth_mm : (n,) float
        Undercut depth at each vertex of the cast's mesh; 0 where nothing is above, and on the base.
    undercut_share : (m,) float
        Share of each face that is undercut and deeper than the noise depth.
    survey_lines : tuple of Polyline
        Height of contour of teeth and tissue, longest first.
    iso_lines : mapping from gauge in mm to lines
        Where the depth is just that of the gauge.
    noise_depth_mm : float
        Undercuts shallower than this are left alone.
    ceilings : Ceilings
        Down-facing scanned surface under which wax would go.
    undercut : Solid
        The undercut region, exact to the facets; empty where nothing is undercut.
    volume_mm3, area_mm2, max_depth_mm : float
        Of that region, of the undercut surface, and the deepest vertex.
    max_depth_at_mm : (x, y, z) or None
        Where the deepest undercut is; None where there is none.
    regions : tuple of RegionUndercut
    left_alone : LeftAlone
    """

    cast: Cast
    path: InsertionPath
    depth_mm: Floats
    undercut_share: Floats
    survey_lines: tuple[Polyline, ...]
    iso_lines: Mapping[float, tuple[Polyline, ...]]
    noise_depth_mm: float
    ceilings: Ceilings
    volume_mm3: float
    area_mm2: float
    max_depth_mm: float
    max_depth_at_mm: tuple[float, float, float] | None
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
    path = path or PathSettings()
    settings = settings or SurveySettings()
    _check_gauges(settings)
    towards = insertion_path(cast.frame, arch=cast.arch, settings=path)
    noise_depth_mm = (
        _NOISE_FACTOR * cast.noise_mm
        if settings.noise_depth_mm is None
        else settings.noise_depth_mm
    )

    progress("reading undercut depths")
    surface, vertex = _scanned_surface(cast)
    overhead = Overhead(surface, towards)
    edge_mm = float(
        np.median(np.linalg.norm(surface.corners[:, 1] - surface.corners[:, 0], axis=1))
    )
    depth_mm = np.zeros(len(cast.mesh.vertices))
    depth_mm[vertex] = undercut_depth_mm(
        overhead,
        surface.vertices,
        spacing_mm=edge_mm,
        outward=surface.normals_at,
        tolerances=tolerances,
    )

    progress("finding ceilings")
    everything = find_ceilings(cast.mesh, cast.scanned, towards.direction, tolerances=tolerances)
    shallow = _shallow_patches(cast.mesh, everything, depth_mm, noise_depth_mm)
    ceilings = everything.without(shallow)
    under_mm3 = volume_under_mm3(cast, towards, everything.face, tolerances=tolerances)
    left = shallow[everything.patch] if len(everything.patch) else np.zeros(0, dtype=bool)

    progress("measuring undercuts")
    share = _undercut_share(cast, overhead, depth_mm, noise_depth_mm, tolerances)
    area_mm2 = share * cast.mesh.face_areas_mm2
    deepest = int(depth_mm.argmax())
    has_undercut = bool(ceilings.patch_count)

    progress("drawing survey lines")
    lines = _survey_lines(surface, vertex, cast.mesh, ceilings, overhead, towards, tolerances)
    values = depth_mm[vertex][surface.faces]
    iso_lines = {
        gauge_mm: chained(level_segments(surface, values, gauge_mm))
        for gauge_mm in settings.gauges_mm
    }
    return Survey(
        cast=cast,
        path=towards,
        depth_mm=depth_mm,
        undercut_share=share,
        survey_lines=lines,
        iso_lines=iso_lines,
        noise_depth_mm=noise_depth_mm,
        ceilings=ceilings,
        volume_mm3=float(under_mm3[~left].sum()),
        area_mm2=float(area_mm2.sum()),
        max_depth_mm=float(depth_mm[deepest]) if has_undercut else 0.0,
        max_depth_at_mm=place_of(cast.mesh.vertices[deepest]) if has_undercut else None,
        regions=_regions(cast, everything.face[~left], under_mm3[~left], area_mm2, depth_mm),
        left_alone=LeftAlone(
            patch_count=int(shallow.sum()),
            area_mm2=float(cast.mesh.face_areas_mm2[everything.face[left]].sum()),
            volume_mm3=float(under_mm3[left].sum()),
        ),
    )


def _check_gauges(settings: SurveySettings) -> None:
    for gauge_mm in settings.gauges_mm:
        if not 0.0 < gauge_mm <= 5.0:
            raise InputError(
                "an undercut gauge is not usable",
                measured=f"{gauge_mm:g} mm, allowed over 0 and up to 5",
                fix="Give gauges such as --gauge 0.25 or --gauge '0.010 in'.",
            )


def _scanned_surface(cast: Cast) -> tuple[Mesh, Ints]:
    """The scanned faces as an open surface, and the cast's vertex of each of its vertices."""
    return cast.mesh.part(cast.scanned), np.flatnonzero(cast.scanned_vertices)


def _shallow_patches(
    mesh: Mesh, ceilings: Ceilings, depth_mm: Floats, noise_depth_mm: float
) -> Bools:
    """(patch_count,) patches none of whose vertices is as deep as the noise depth."""
    deepest = np.zeros(ceilings.patch_count)
    np.maximum.at(
        deepest, np.repeat(ceilings.patch, 3), depth_mm[mesh.faces[ceilings.face]].reshape(-1)
    )
    shallow: Bools = deepest < noise_depth_mm
    return shallow


def _undercut_share(
    cast: Cast,
    overhead: Overhead,
    depth_mm: Floats,
    noise_depth_mm: float,
    tolerances: Tolerances,
) -> Floats:
    """(m,) share of each scanned face with scanned surface above it, where deeper than the noise.

    A face that looks down is undercut. One that looks up may lie wholly, partly or not at all in
    the shadow of another; where its corners disagree, sixteen places on it are asked.
    """
    mesh = cast.mesh
    slope = mesh.face_normals @ overhead.to_path[2]
    deep = depth_mm[mesh.faces].max(axis=1) >= max(noise_depth_mm, tolerances.ray_margin_mm)
    share = np.zeros(mesh.triangle_count)
    share[cast.scanned & deep & (slope < -tolerances.level_slope)] = 1.0
    asked = np.flatnonzero(cast.scanned & deep & (slope > tolerances.level_slope))
    if not len(asked):
        return share
    corner_deep = depth_mm[mesh.faces[asked]] > 0.0
    whole = corner_deep.all(axis=1)
    share[asked[whole]] = 1.0
    mixed = asked[~whole]
    places = np.einsum("sk,fkx->fsx", _SIXTEEN, mesh.corners[mixed]).reshape(-1, 3)
    covered = overhead.covered(places @ overhead.to_path.T, margin_mm=tolerances.ray_margin_mm)
    share[mixed] = covered.reshape(-1, len(_SIXTEEN)).mean(axis=1)
    return share


def _sixteen_places() -> Floats:
    """(16, 3) centres, in barycentrics, of the sixteen like parts of a triangle."""
    places = []
    for i in range(4):
        for j in range(4 - i):
            places.append(((3 * i + 1) / 12, (3 * j + 1) / 12))
            if i + j < 3:
                places.append(((3 * i + 2) / 12, (3 * j + 2) / 12))
    flat = np.array(places)
    return np.column_stack([flat, 1.0 - flat.sum(axis=1)])


_SIXTEEN = _sixteen_places()


def _survey_lines(
    surface: Mesh,
    vertex: Ints,
    mesh: Mesh,
    ceilings: Ceilings,
    overhead: Overhead,
    path: InsertionPath,
    tolerances: Tolerances,
) -> tuple[Polyline, ...]:
    """Where the surface turns from looking up to looking down, with nothing of the cast above."""
    if not ceilings.patch_count:
        return ()
    normals = crease_normals(surface, crease_deg=_CREASE_DEG)
    slope = normals @ path.direction
    segments = both(level_segments(surface, slope, 0.0), crease_segments(surface, slope))
    touched = np.zeros(len(mesh.vertices), dtype=bool)
    touched[mesh.faces[ceilings.face].reshape(-1)] = True
    corners = touched[vertex][surface.faces[segments.face]]
    near: Bools = np.asarray(corners.any(axis=(1, 2)), dtype=bool)
    segments = segments.where(near)
    return chained(segments.where(_visible(segments, normals, overhead, path, tolerances)))


def _visible(
    segments: Segments,
    normals: Floats,
    overhead: Overhead,
    path: InsertionPath,
    tolerances: Tolerances,
) -> Bools:
    """Whether nothing is above the middle of each piece, once moved a little outward: the way that
    both faces that meet there look together.
    """
    outward = normals[segments.face].sum(axis=(1, 2))
    outward = outward - np.outer(outward @ path.direction, path.direction)
    outward /= np.maximum(np.linalg.norm(outward, axis=1), 1e-12)[:, None]
    moved = segments.ends_mm.mean(axis=1) + tolerances.visible_margin_mm * outward
    return ~overhead.covered(moved @ overhead.to_path.T, margin_mm=tolerances.ray_margin_mm)


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
