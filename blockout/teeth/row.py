"""Teeth numbered along the arch, from one that is pointed at and the list of missing ones.

Every high point of the cast may be a crown's. Each is cut out of the ground; what has no margin
to speak of is ridge. Crowns whose contact is too blurred to see are first found as one, and parted
at their cheapest seam until the crowns on either side of the tooth pointed at are as many as the
list says.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.spatial import cKDTree

from blockout.case.tooth_settings import CrownSettings
from blockout.cast.cast import Cast
from blockout.cast.change import place_of
from blockout.errors import InputError
from blockout.kernel.surfaces import nearest_places
from blockout.mesh import Bools, Floats, Ints
from blockout.teeth.arch_curve import fit_arch_curve
from blockout.teeth.ground import Ground, cut_out, ground_of
from blockout.teeth.numbers import PLACES, arch_order, check_teeth, place
from blockout.teeth.regions import core_of, top_of

_TIP_MM: Final = 2.0
"""A tip is the highest vertex this far around."""
_MARGIN_COST: Final = 4.0
"""A margin dearer than this is none. Crowns of real casts cost 0.5 to 3, ridges 5 to 10; 2 pi is
the price of a circle over flat surface."""
_SEAM_COST_MM: Final = 6.5
"""A seam dearer than this, as a length over flat surface, is no contact between crowns. Blurred
contacts of real casts cost 3 to 4.5, the cheapest ways through one crown 6 to 15."""
_TIPS_APART_MM: Final = 3.0
_CROWN_LEAST_MM2: Final = 25.0
_OFF_SURFACE_MM: Final = 2.0
_NEAR_MM: Final = 3.0
"""So far from a crown's edge one may have pointed and still meant it."""


@dataclass(frozen=True, eq=False)
class CrownRow:
    """The crowns of a cast with their numbers.

    Parameters
    ----------
    points_mm : mapping from tooth number to (3,) float
        A point on each crown, from the patient's right to the left; file coordinates.
    notes : tuple of str
        What was assumed.
    """

    points_mm: dict[int, Floats]
    notes: tuple[str, ...]


def number_along_arch(
    cast: Cast,
    number: int,
    point_mm: Sequence[float] | Floats,
    *,
    missing: Collection[int],
    settings: CrownSettings | None = None,
) -> CrownRow:
    """Number every crown of a cast.

    Parameters
    ----------
    cast : Cast
    number : int
        The tooth that is pointed at.
    point_mm : (x, y, z)
        A point on its crown, file coordinates.
    missing : collection of int
        All missing teeth. Third molars need not be named: whether one stands is told by the count
        of crowns on its side, and noted.

    Raises
    ------
    InputError
        A number the arch does not have; the tooth pointed at is said to be missing; the point is
        not on a crown; or the crowns on one side are not as many as the list says.
    """
    settings = settings or CrownSettings()
    check_teeth([number], cast.arch)
    check_teeth(missing, cast.arch)
    if number in missing:
        raise InputError(
            f"tooth {number} is pointed at and said to be missing",
            fix="Take it off the list of missing teeth, or point at another.",
        )
    ground = ground_of(cast, settings=settings)
    start = _start(ground, point_mm, number)
    tips = _tips(cast, ground)
    pieces = _pieces(ground, tips, start, settings.crown_reach_mm)
    seams: list[_Seam] | None = None
    while True:
        row = _in_order(cast, ground, pieces)
        at = _pointed_at(ground, row, start, number)
        right, left = at, len(row) - 1 - at
        numbers = _numbers(cast, number, missing, right, left)
        if numbers is not None:
            break
        if seams is None:
            seams = _seams(ground, pieces, np.r_[start, tips])
        if not seams:
            raise _miscounted(cast, ground, row, number, missing, right, left)
        seam = seams.pop(0)
        pieces = [piece for piece in pieces if piece is not seam.piece]
        halves = [seam.part, seam.piece & ~seam.part]
        pieces += halves
        # three incisors may be one piece
        seams += _seams(ground, halves, np.r_[start, tips])
        seams.sort(key=lambda seam: seam.cost_mm)
    points = {}
    for tooth, piece in zip(numbers, row, strict=True):
        vertex = top_of(ground, piece, up=cast.frame.up, otherwise=int(np.flatnonzero(piece)[0]))
        points[tooth] = ground.surface.vertices[vertex]
    return CrownRow(points, _third_molar_notes(cast, missing, points))


def _third_molar_notes(
    cast: Cast, missing: Collection[int], points_mm: Collection[int]
) -> tuple[str, ...]:
    thirds = [n for n in arch_order(cast.arch) if place(n) == PLACES and n not in missing]
    return tuple(
        f"Third molar {tooth} was taken to be missing."
        if tooth not in points_mm
        else f"The last crown on its side was taken for the third molar {tooth}."
        for tooth in thirds
    )


@dataclass(frozen=True, eq=False)
class _Seam:
    """Where a piece found as one crown may be two."""

    piece: Bools
    part: Bools
    cost_mm: float


def _start(ground: Ground, point_mm: Sequence[float] | Floats, number: int) -> int:
    point = np.asarray(point_mm, dtype=np.float64).reshape(1, -1)
    if point.shape != (1, 3) or not np.isfinite(point).all():
        raise InputError(
            f"the point of tooth {number} is not three finite numbers",
            fix="Give x, y and z in mm, file coordinates.",
        )
    near = nearest_places(ground.surface, point)
    if near.distance_mm[0] > _OFF_SURFACE_MM:
        raise InputError(
            f"the point of tooth {number} does not lie on the cast",
            measured=f"{near.distance_mm[0]:.2f} mm from the scanned surface, limit "
            f"{_OFF_SURFACE_MM:g}",
            places_mm=[place_of(point[0])],
            fix="Give a point on the crown, in the coordinates of the cast's file.",
        )
    corners = ground.surface.faces[near.face[0]]
    apart = np.linalg.norm(ground.surface.vertices[corners] - near.points_mm[0], axis=1)
    return int(corners[np.argmin(apart)])


def _tips(cast: Cast, ground: Ground) -> Ints:
    """Vertices that are the highest around them, highest first."""
    points = cast.frame.points_to_cast(ground.surface.vertices)
    height = points[:, 2]
    low, high = ground.edges.T
    top = ~ground.border
    top[low[height[low] < height[high]]] = False
    top[high[height[high] < height[low]]] = False
    tips = np.flatnonzero(top)
    pairs = cKDTree(points[tips, :2]).query_pairs(_TIP_MM, output_type="ndarray")
    lower = np.where(
        height[tips[pairs[:, 0]]] < height[tips[pairs[:, 1]]], pairs[:, 0], pairs[:, 1]
    )
    lonely = np.ones(len(tips), dtype=bool)
    lonely[lower] = False
    tips = tips[lonely]
    return tips[np.argsort(-height[tips], kind="stable")]


def _pieces(ground: Ground, tips: Ints, start: int, reach_mm: float) -> list[Bools]:
    """What may be crowns, one or several grown together, none overlapping."""
    pieces: list[Bools] = []
    taken = np.zeros(len(ground.surface.vertices), dtype=bool)
    for tip in [start, *tips.tolist()]:
        if taken[tip]:
            continue
        core = core_of(ground, tip)
        core = core[~taken[core]]
        cut = cut_out(
            ground,
            core=core,
            others=np.flatnonzero(taken),
            middle_mm=ground.surface.vertices[tip],
            reach_mm=reach_mm,
        )
        area_mm2 = float(ground.vertex_areas_mm2[cut.inside].sum())
        if cut.cost < _MARGIN_COST and area_mm2 > _CROWN_LEAST_MM2:
            pieces.append(cut.inside)
            taken |= cut.inside
    return pieces


def _seams(ground: Ground, pieces: list[Bools], tips: Ints) -> list[_Seam]:
    """Where pieces may be parted, cheapest first."""
    seams = []
    area_mm2 = ground.vertex_areas_mm2
    vertices = ground.surface.vertices
    for piece in pieces:
        inner = np.unique(tips[piece[tips]]).tolist()
        cores = {tip: core_of(ground, tip) for tip in inner}
        best: _Seam | None = None
        for k, one in enumerate(inner):
            for other in inner[k + 1 :]:
                if np.linalg.norm(vertices[one] - vertices[other]) < _TIPS_APART_MM:
                    continue
                cut = _parted(ground, piece, cores[one], cores[other])
                sizes = (area_mm2[cut.part].sum(), area_mm2[piece & ~cut.part].sum())
                if cut.cost_mm < _SEAM_COST_MM and min(sizes) > _CROWN_LEAST_MM2:
                    best = cut if best is None or cut.cost_mm < best.cost_mm else best
        if best is not None:
            seams.append(best)
    return sorted(seams, key=lambda seam: seam.cost_mm)


def _parted(ground: Ground, piece: Bools, one: Ints, other: Ints) -> _Seam:
    """The piece parted between two cores of it."""
    one, other = one[piece[one]], other[piece[other]]
    shared = np.intersect1d(one, other)
    one, other = np.setdiff1d(one, shared), np.setdiff1d(other, shared)
    if not (len(one) and len(other)):
        return _Seam(piece, piece, np.inf)
    cut = cut_out(
        ground,
        core=one,
        others=other,
        middle_mm=ground.surface.vertices[np.r_[one, other]].mean(axis=0),
        reach_mm=np.inf,
        outward=0.0,
        within=piece,
    )
    return _Seam(piece, cut.inside, cut.cost)


def _in_order(cast: Cast, ground: Ground, pieces: list[Bools]) -> list[Bools]:
    """From the patient's right to the left."""
    middles = np.array(
        [
            np.average(
                ground.surface.vertices[piece], axis=0, weights=ground.vertex_areas_mm2[piece]
            )
            for piece in pieces
        ]
    ).reshape(-1, 3)
    curve = fit_arch_curve(cast, middles)
    azimuth = curve.azimuth(cast.frame.points_to_cast(middles)[:, :2])
    return [pieces[k] for k in np.argsort(azimuth)]


def _pointed_at(ground: Ground, row: list[Bools], start: int, number: int) -> int:
    point = ground.surface.vertices[start]
    away = [
        0.0
        if piece[start]
        else float(np.linalg.norm(ground.surface.vertices[piece] - point, axis=1).min())
        for piece in row
    ]
    if not away or min(away) > _NEAR_MM:
        raise InputError(
            f"there is no crown where tooth {number} was pointed at",
            measured=f"the nearest one is {min(away):.1f} mm away, limit {_NEAR_MM:g}"
            if away
            else "no crown was found on the cast",
            places_mm=[place_of(point)],
            fix="Point at the middle of a crown.",
        )
    return int(np.argmin(away))


def _numbers(
    cast: Cast, number: int, missing: Collection[int], right: int, left: int
) -> tuple[int, ...] | None:
    """The row's numbers, given how many crowns lie to the right and left of ``number``; None where
    the list of missing teeth says otherwise.
    """
    order = arch_order(cast.arch)
    at = order.index(number)
    before = [tooth for tooth in order[:at] if tooth not in missing]
    after = [tooth for tooth in order[at + 1 :] if tooth not in missing]
    if len(before) == right + 1 and place(before[0]) == PLACES:
        before = before[1:]
    if len(after) == left + 1 and place(after[-1]) == PLACES:
        after = after[:-1]
    if (len(before), len(after)) != (right, left):
        return None
    return (*before, number, *after)


def _miscounted(
    cast: Cast,
    ground: Ground,
    row: list[Bools],
    number: int,
    missing: Collection[int],
    right: int,
    left: int,
) -> InputError:
    order = arch_order(cast.arch)
    at = order.index(number)
    due = [
        sum(tooth not in missing and place(tooth) != PLACES for tooth in side)
        for side in (order[:at], order[at + 1 :])
    ]
    places = [place_of(np.asarray(ground.surface.vertices[piece].mean(axis=0))) for piece in row]
    return InputError(
        f"the crowns on the cast do not match the missing teeth, counted from tooth {number}",
        measured=f"{right} crowns toward the patient's right and {left} toward the left; by the "
        f"list {due[0]} and {due[1]} stand there, third molars apart",
        places_mm=places,
        fix="Correct the list of missing teeth, or name each tooth with a point on its crown.",
    )
