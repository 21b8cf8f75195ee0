"""One look along a path: depths, ceilings, survey lines and gauge lines, before any volume.

This is the part of a survey that follows the hand while a cast is tilted; :mod:`survey
<blockout.surveying.survey>` adds volumes and the regions of the arch to it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.case.settings import PathSettings, SurveySettings
from blockout.cast.cast import Cast
from blockout.cast.change import place_of
from blockout.errors import InputError
from blockout.mesh import Bools, Floats, Mesh
from blockout.progress import Progress, silent
from blockout.surveying.ceilings import find_ceilings
from blockout.surveying.depth import Overhead, OverheadInPlace, undercut_depth_mm
from blockout.surveying.lines import (
    Polyline,
    Segments,
    both,
    chained,
    crease_segments,
    level_segments,
)
from blockout.surveying.patches import Ceilings
from blockout.surveying.path import InsertionPath, insertion_path
from blockout.surveying.scanned import Scanned, scanned_of
from blockout.tolerances import TOLERANCES, Tolerances

_NOISE_FACTOR = 3.0
MOST_TAKEN_FOR_NOISE_MM: Final = 0.15
"""However noisy a scan seems, deeper undercuts are not left alone unless somebody says so; ours:
well under the least undercut that holds a clasp, 0.25 mm."""


@dataclass(frozen=True, eq=False)
class Reading:
    """What is read off a cast along one path. Undercut speaks of scanned surface only, never of the
    base.

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
    area_mm2, max_depth_mm : float
        Of the undercut surface, and the deepest vertex.
    max_depth_at_mm : (x, y, z) or None
        Where the deepest undercut is; None where there is none.
    everything : Ceilings
        All down-facing scanned surface, with what is left alone.
    shallow : (everything.patch_count,) bool
        Its patches that are left alone.
    """

    cast: Cast
    path: InsertionPath
    depth_mm: Floats
    undercut_share: Floats
    survey_lines: tuple[Polyline, ...]
    iso_lines: Mapping[float, tuple[Polyline, ...]]
    noise_depth_mm: float
    ceilings: Ceilings
    area_mm2: float
    max_depth_mm: float
    max_depth_at_mm: tuple[float, float, float] | None
    everything: Ceilings
    shallow: Bools


def read_along(
    cast: Cast,
    *,
    path: PathSettings | None = None,
    settings: SurveySettings | None = None,
    progress: Progress = silent,
    tolerances: Tolerances = TOLERANCES,
) -> Reading:
    """Look along a path.

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
        min(_NOISE_FACTOR * cast.noise_mm, MOST_TAKEN_FOR_NOISE_MM)
        if settings.noise_depth_mm is None
        else settings.noise_depth_mm
    )

    progress("reading undercut depths")
    scanned = scanned_of(cast)
    surface, vertex = scanned.surface, scanned.vertex
    overhead = OverheadInPlace(surface, scanned.scene, towards)
    depth_mm = np.zeros(len(cast.mesh.vertices))
    depth_mm[vertex] = undercut_depth_mm(
        overhead,
        surface.vertices,
        spacing_mm=scanned.edge_mm,
        outward=lambda rows: surface.vertex_normals[rows],
        tolerances=tolerances,
    )

    progress("finding ceilings")
    everything = find_ceilings(cast.mesh, cast.scanned, towards.direction, tolerances=tolerances)
    shallow = _shallow_patches(cast.mesh, everything, depth_mm, noise_depth_mm)
    ceilings = everything.without(shallow)

    progress("measuring undercuts")
    share = _undercut_share(cast, overhead, depth_mm, noise_depth_mm, tolerances)
    deepest = int(depth_mm.argmax())
    has_undercut = bool(ceilings.patch_count)

    progress("drawing survey lines")
    lines = _survey_lines(scanned, cast.mesh, ceilings, overhead, towards, tolerances)
    values = depth_mm[vertex][surface.faces]
    iso_lines = {
        gauge_mm: chained(level_segments(surface, values, gauge_mm))
        for gauge_mm in settings.gauges_mm
    }
    return Reading(
        cast=cast,
        path=towards,
        depth_mm=depth_mm,
        undercut_share=share,
        survey_lines=lines,
        iso_lines=iso_lines,
        noise_depth_mm=noise_depth_mm,
        ceilings=ceilings,
        area_mm2=float((share * cast.mesh.face_areas_mm2).sum()),
        max_depth_mm=float(depth_mm[deepest]) if has_undercut else 0.0,
        max_depth_at_mm=place_of(cast.mesh.vertices[deepest]) if has_undercut else None,
        everything=everything,
        shallow=shallow,
    )


def _check_gauges(settings: SurveySettings) -> None:
    for gauge_mm in settings.gauges_mm:
        if not 0.0 < gauge_mm <= 5.0:
            raise InputError(
                "an undercut gauge is not usable",
                measured=f"{gauge_mm:g} mm, allowed over 0 and up to 5",
                fix="Give gauges such as --gauge 0.25 or --gauge '0.010 in'.",
            )


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
    scanned: Scanned,
    mesh: Mesh,
    ceilings: Ceilings,
    overhead: Overhead,
    path: InsertionPath,
    tolerances: Tolerances,
) -> tuple[Polyline, ...]:
    """Where the surface turns from looking up to looking down, with nothing of the cast above."""
    if not ceilings.patch_count:
        return ()
    surface, normals = scanned.surface, scanned.normals
    slope = normals @ path.direction
    segments = both(level_segments(surface, slope, 0.0), crease_segments(surface, slope))
    touched = np.zeros(len(mesh.vertices), dtype=bool)
    touched[mesh.faces[ceilings.face].reshape(-1)] = True
    corners = touched[scanned.vertex][surface.faces[segments.face]]
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
