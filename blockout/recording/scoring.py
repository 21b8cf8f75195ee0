"""Lines scored on the sides of the base, parallel to the path.

A line is a straight groove with a rectangular section. Its bottom and both its sides hold the
path's direction exactly, whatever way the base's side leans, so that a blade set along the line
stands along the path. Where the side leans from the path the groove is deeper at one end; it is
as deep as asked at the shallowest place. Where the base has a land above the line, the groove runs
out through it and holds no undercut for a mould.

On a side that is parallel to the path it takes away width x depth x length (closed form).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np

from blockout.case.recording_settings import RecordingSettings
from blockout.cast.cast import Cast
from blockout.errors import InputError
from blockout.kernel.rays import RayScene
from blockout.kernel.solids import Solid
from blockout.mesh import Bools, Floats
from blockout.recording.groove import Groove, box_between
from blockout.surveying.path import InsertionPath

SIDES: Final = 3
"""How many lines are scored."""
LEAST_APART_DEG: Final = 60.0
"""Sides of the base on which lines are scored look at least this far apart."""
LEAST_LENGTH_MM: Final = 2.0
DEEPER_LIMIT_MM: Final = 1.5
"""A line is no more than this deeper at one place than at another."""
_TURNS: Final = 72
_STEP_MM: Final = 0.1
_FROM_BOTTOM_MM: Final = 1.0
_FROM_TOP_MM: Final = 0.5
_OUTSIDE_MM: Final = 4.0
_STANDS_OUT_MM: Final = 0.5
_INWARD_LIMIT_MM: Final = 6.0
_LAND_COS: Final = 0.5
_SIDE_COS: Final = 0.8
_LATERAL: Final = (-0.5, -0.25, 0.0, 0.25, 0.5)


@dataclass(frozen=True, eq=False)
class _Place:
    """A line to be: its frame on the base's side and its extent in it."""

    origin_mm: Floats
    outward: Floats
    low_mm: float
    high_mm: float
    top_mm: float
    bottom_of_groove_mm: float
    outmost_mm: float
    deepest_mm: float

    @property
    def length_mm(self) -> float:
        return self.high_mm - self.low_mm


def scored_lines(
    cast: Cast, path: InsertionPath, settings: RecordingSettings
) -> tuple[Groove, ...]:
    """Three lines on sides of the base that look different ways, as bodies to be carved.

    Parameters
    ----------
    cast : Cast
    path : InsertionPath
    settings : RecordingSettings
        Width, least depth and greatest length of the lines.

    Raises
    ------
    InputError
        The base has no three sides that are high and upright enough.
    """
    places = _places(cast, path, settings)
    chosen = _apart(places, path)
    if chosen is None:
        raise InputError(
            "the base has no three sides on which lines parallel to the path can be scored",
            measured=f"{len(places)} of {_TURNS} directions have a side {LEAST_LENGTH_MM:g} mm "
            f"high or more; three are due, {LEAST_APART_DEG:g} degrees apart",
            where=cast.source.name,
            fix="Give the cast a thicker base with --base-thickness, tilt it less, or record the "
            "path by tripod marks.",
        )
    return tuple(
        _groove(place, path, settings, number) for number, place in enumerate(chosen, start=1)
    )


def _groove(place: _Place, path: InsertionPath, settings: RecordingSettings, number: int) -> Groove:
    along, outward = path.direction, place.outward
    axes = np.stack([np.cross(along, outward), outward, along])
    half = settings.line_width_mm / 2.0
    low = np.array([-half, place.bottom_of_groove_mm, place.low_mm])
    high = np.array([half, place.outmost_mm + _STANDS_OUT_MM, place.top_mm])
    matrix = np.eye(4)
    # lateral, outward, along is left-handed when read in this order; rows 0 and 1 change places
    matrix[:3, :3] = axes[[1, 0, 2]].T * [1.0, -1.0, 1.0]
    matrix[:3, 3] = place.origin_mm
    box = box_between(np.array([low[1], -high[0], low[2]]), np.array([high[1], -low[0], high[2]]))
    ends = place.origin_mm + np.outer([place.low_mm, place.high_mm], along)
    notes = []
    if place.deepest_mm > settings.line_depth_mm + 0.05:
        notes.append(
            f"the base's side leans from the path, so the line is {place.deepest_mm:.2f} mm deep "
            f"at its deepest"
        )
    return Groove(
        name=f"scored line {number}",
        kind="scored line",
        solid=Solid.from_mesh(box).turned(matrix),
        level_volume_mm3=settings.line_width_mm * settings.line_depth_mm * place.length_mm,
        deepest_mm=place.deepest_mm,
        ends_mm=ends,
        notes=tuple(notes),
    )


# --- where a line may run ------------------------------------------------------------------------
def _places(cast: Cast, path: InsertionPath, settings: RecordingSettings) -> list[_Place]:
    scene = RayScene(cast.mesh)
    base = cast.mesh.vertices[np.unique(cast.mesh.faces[~cast.scanned])]
    if not len(base):
        return []
    local = base @ path.to_path.T
    middle = (local.min(axis=0) + local.max(axis=0)) / 2.0
    reach_mm = float(np.linalg.norm(np.ptp(local, axis=0)))
    found = []
    for turn in np.arange(_TURNS) * (2.0 * np.pi / _TURNS):
        aside = np.array([np.cos(turn), np.sin(turn), 0.0]) @ path.to_path
        heights = np.arange(local[:, 2].min(), local[:, 2].max(), 5.0 * _STEP_MM)
        centre = np.array([middle[0], middle[1], 0.0]) @ path.to_path
        start = centre + np.outer(heights, path.direction) + reach_mm * aside
        hits = scene.first_hit(start, -aside)
        side = _is_side(cast, path, hits.face, aside, cosine=0.5)
        if not side.any():
            continue
        middle_row = int(np.flatnonzero(side)[side.sum() // 2])
        normal = cast.mesh.face_normals[hits.face[middle_row]]
        outward = normal - path.direction * float(normal @ path.direction)
        outward /= np.linalg.norm(outward)
        origin = start[middle_row] - hits.distance_mm[middle_row] * aside
        if float(outward @ origin) < float((base @ outward).max()) - _INWARD_LIMIT_MM:
            continue  # within the horseshoe, where no blade comes along
        place = _place(cast, scene, path, origin, outward, reach_mm, settings)
        if place is not None:
            found.append(place)
    return found


def _is_side(
    cast: Cast, path: InsertionPath, face: np.ndarray, outward: Floats, *, cosine: float
) -> Bools:
    normal = cast.mesh.face_normals[face]
    upright = np.abs(normal @ path.direction) < np.sin(np.radians(50.0))
    side: Bools = (face >= 0) & ~cast.scanned[face] & (normal @ outward > cosine) & upright
    return side


def _place(
    cast: Cast,
    scene: RayScene,
    path: InsertionPath,
    origin: Floats,
    outward: Floats,
    reach_mm: float,
    settings: RecordingSettings,
) -> _Place | None:
    """The best stretch of one side; None where it is too low, leans too much or is uneven."""
    along = path.direction
    lateral = np.cross(along, outward)
    at_mm = np.arange(-reach_mm, reach_mm, _STEP_MM)
    out_mm = np.full((len(_LATERAL), len(at_mm)), np.nan)
    for row, share in enumerate(_LATERAL):
        start = origin + share * settings.line_width_mm * lateral + _OUTSIDE_MM * outward
        hits = scene.first_hit(start + np.outer(at_mm, along), -outward)
        side = _is_side(cast, path, hits.face, outward, cosine=_SIDE_COS)
        out_mm[row, side] = _OUTSIDE_MM - hits.distance_mm[side]
    whole = np.isfinite(out_mm).all(axis=0)
    middle = int(np.argmin(np.abs(at_mm)))
    if not whole[middle]:
        return None
    first, last = middle, middle
    while first > 0 and whole[first - 1]:
        first -= 1
    while last < len(at_mm) - 1 and whole[last + 1]:
        last += 1
    bottom = first + round(_FROM_BOTTOM_MM / _STEP_MM)
    exit_mm = None
    stop = last
    best: _Place | None = None
    for top_open in (True, False):
        if not top_open:
            stop = last - round(_FROM_TOP_MM / _STEP_MM)
        low = max(bottom, stop - round(settings.line_length_mm / _STEP_MM))
        # shorter until it is not too much deeper at one end
        while low < stop and float(np.ptp(out_mm[:, low : stop + 1])) > DEEPER_LIMIT_MM:
            low += 1
        if at_mm[stop] - at_mm[low] < LEAST_LENGTH_MM:
            continue
        reached = out_mm[:, low : stop + 1]
        floor_mm = float(reached.min()) - settings.line_depth_mm
        high_mm = top_mm = float(at_mm[stop])
        if top_open:
            exit_mm = _way_out_mm(
                cast, scene, path, origin, outward, floor_mm, high_mm, settings.line_width_mm
            )
            if exit_mm is None:
                continue
            high_mm, top_mm = exit_mm, exit_mm + _STANDS_OUT_MM
        best = _Place(
            origin_mm=origin,
            outward=outward,
            low_mm=float(at_mm[low]),
            high_mm=high_mm,
            top_mm=top_mm,
            bottom_of_groove_mm=floor_mm,
            outmost_mm=float(reached.max()),
            deepest_mm=float(reached.max()) - floor_mm,
        )
        break
    return best


def _way_out_mm(
    cast: Cast,
    scene: RayScene,
    path: InsertionPath,
    origin: Floats,
    outward: Floats,
    floor_mm: float,
    from_mm: float,
    width_mm: float,
) -> float | None:
    """How far along the path the groove's bottom comes out through the land; None where there is
    none, or something stands close above it.
    """
    lateral = np.cross(path.direction, outward)
    start = (
        origin
        + floor_mm * outward
        + (from_mm - _FROM_TOP_MM) * path.direction
        + np.outer(np.asarray(_LATERAL) * width_mm, lateral)
    )
    hits = scene.first_hit(start, path.direction)
    land = (hits.face >= 0) & ~cast.scanned[hits.face]
    land &= cast.mesh.face_normals[hits.face] @ path.direction > _LAND_COS
    if not land.all() or float(hits.distance_mm.max()) > 3.0:
        return None
    out_mm = from_mm - _FROM_TOP_MM + float(hits.distance_mm.max())
    after = start + (hits.distance_mm.max() + 0.01) * path.direction
    if (scene.first_hit(after, path.direction).distance_mm < 2.0 * _STANDS_OUT_MM).any():
        return None
    return out_mm


def _apart(places: list[_Place], path: InsertionPath) -> tuple[_Place, ...] | None:
    """The three that are longest and evenest among those that look ways wide enough apart."""
    if len(places) < SIDES:
        return None
    flat = np.array([place.outward for place in places]) @ path.to_path[:2].T
    turn = np.degrees(np.arctan2(flat[:, 1], flat[:, 0]))
    worth = np.array([place.length_mm - 2.0 * place.deepest_mm for place in places])
    triples = np.array(list(combinations(range(len(places)), SIDES)))
    between = np.stack(
        [turn[triples[:, a]] - turn[triples[:, b]] for a, b in ((0, 1), (1, 2), (2, 0))]
    )
    apart_deg = np.abs((between + 180.0) % 360.0 - 180.0).min(axis=0)
    score = worth[triples].min(axis=1) + np.minimum(apart_deg, 90.0) / 30.0
    score[apart_deg < LEAST_APART_DEG - 1e-6] = -np.inf
    if not np.isfinite(score).any():
        return None
    return tuple(places[k] for k in triples[int(score.argmax())])
