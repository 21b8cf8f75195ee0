"""Crowns: each tooth's piece of the cast's surface, with its margin, its axes and its aspects."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blockout.case.tooth_settings import CrownSettings
from blockout.cast.cast import Cast
from blockout.cast.change import place_of
from blockout.errors import InputError
from blockout.kernel.surfaces import nearest_places
from blockout.mesh import Floats, Ints, Mesh
from blockout.progress import Progress, silent
from blockout.teeth.arch_curve import ArchCurve, fit_arch_curve
from blockout.teeth.aspects import ASPECTS, Aspect, aspects_of, stance_of
from blockout.teeth.by_hand import drawn_crown
from blockout.teeth.ground import Ground, ground_of
from blockout.teeth.margin import Margin, drawn_margin, margin_of
from blockout.teeth.numbers import check_teeth, in_arch_order
from blockout.teeth.regions import Region, grow_regions

_OFF_SURFACE_MM: Final = 2.0
"""A point on a crown lies no further than this from the scanned surface."""
_CROWN_LEAST_MM2: Final = 15.0
"""The smallest crown's surface is several times this."""
_OVERLAP_SHARE: Final = 0.1
"""Two outlines along one contact cross a little."""


@dataclass(frozen=True, eq=False)
class Crown:
    """One tooth's crown on the cast.

    Parameters
    ----------
    number : int
        ISO 3950.
    face : (k,) int
        The cast's faces that belong to it.
    margin : Margin
    by_hand : bool
        The margin was given as an outline.
    centre_mm : (3,) float
        Middle of the crown's extent, file coordinates.
    axes : (3, 3) float
        Rows: mesial, buccal (labial) and occlusal (incisal) unit directions, file coordinates,
        square to each other.
    half_mm : (3,) float
        Half the crown's extent along each of them.
    aspect : (k,) int8
        Index into :data:`~blockout.teeth.aspects.ASPECTS` for each of its faces.
    area_mm2 : float
    """

    number: int
    face: Ints
    margin: Margin
    by_hand: bool
    centre_mm: Floats
    axes: Floats
    half_mm: Floats
    aspect: NDArray[np.int8]
    area_mm2: float

    @property
    def margin_mm(self) -> Floats:
        """(j, 3) the margin line, closed: the last point joins the first."""
        return self.margin.points_mm

    @property
    def doubtful_share(self) -> float:
        """Share of the margin line that is doubtful, from 0 to 1."""
        return self.margin.doubtful_share

    @property
    def doubtful_at_mm(self) -> Floats:
        """(k, 3) the middle of each doubtful stretch, longest first."""
        return self.margin.doubtful_at_mm

    def faces_of(self, aspect: Aspect) -> Ints:
        """The cast's faces on one aspect."""
        faces: Ints = self.face[self.aspect == ASPECTS.index(aspect)]
        return faces


@dataclass(frozen=True, eq=False)
class Teeth:
    """All crowns of a cast.

    Parameters
    ----------
    cast : Cast
    crowns : tuple of Crown
        From the patient's right to the left.
    tooth_of_face : (m,) uint8
        Number of the tooth each face of the cast belongs to; 0 for what is no tooth.
    tooth_of_vertex : (n,) uint8
    curve : ArchCurve
    """

    cast: Cast
    crowns: tuple[Crown, ...]
    tooth_of_face: NDArray[np.uint8]
    tooth_of_vertex: NDArray[np.uint8]
    curve: ArchCurve

    @property
    def numbers(self) -> tuple[int, ...]:
        """From the patient's right to the left."""
        return tuple(crown.number for crown in self.crowns)

    @cached_property
    def _by_number(self) -> dict[int, Crown]:
        return {crown.number: crown for crown in self.crowns}

    def crown(self, number: int) -> Crown:
        """One tooth's crown.

        Raises
        ------
        InputError
            The tooth is not among them.
        """
        if number not in self._by_number:
            there = ", ".join(map(str, self.numbers)) or "none"
            raise InputError(
                f"tooth {number} is not on this cast",
                measured=f"teeth with a crown: {there}",
                fix="Name a tooth that stands, or give a point on its crown.",
            )
        return self._by_number[number]


def find_crowns(
    cast: Cast,
    points_mm: Mapping[int, Sequence[float] | Floats],
    *,
    outlines_mm: Mapping[int, ArrayLike] | None = None,
    settings: CrownSettings | None = None,
    progress: Progress = silent,
) -> Teeth:
    """Tell each crown from the gum and from its neighbours.

    Parameters
    ----------
    cast : Cast
    points_mm : mapping from tooth number to (x, y, z)
        A point on each crown, about the middle of its occlusal surface; file coordinates.
    outlines_mm : mapping from tooth number to (k, 3) points
        Points along a margin, all the way round, which replace the one that would be found.
    settings : CrownSettings

    Raises
    ------
    InputError
        A number the arch does not have, a point off the scanned surface, two points on one
        crown, teeth whose points stand in another order than their numbers, or a point around
        which no crown is.
    """
    settings = settings or CrownSettings()
    outlines = dict(outlines_mm or {})
    check_teeth([*points_mm, *(n for n in outlines if n not in points_mm)], cast.arch)
    progress("finding crowns")
    ground = ground_of(cast, settings=settings)
    drawn = {n: drawn_crown(ground, line, number=n) for n, line in outlines.items()}
    owner = np.zeros(len(ground.surface.vertices), dtype=np.int64)
    for number, by_hand in drawn.items():
        _check_apart(number, owner[by_hand.inside])
        owner[by_hand.inside] = number
    starts = _starts(ground, {n: p for n, p in points_mm.items() if n not in drawn}, owner)
    regions = grow_regions(
        ground,
        starts,
        up=cast.frame.up,
        reach_mm=settings.crown_reach_mm,
        taken=owner > 0,
    )
    for region in regions:
        _check_crown(ground, region)
        owner[region.inside & (owner == 0)] = region.number
    margins = {
        region.number: margin_of(
            ground,
            owner == region.number,
            owner,
            blur_mm=settings.margin_blur_mm,
            doubt_radius_mm=settings.doubt_radius_mm,
            rivals=region.rivals,
        )
        for region in regions
    }
    margins |= {
        n: drawn_margin(ground, owner == n, owner, by_hand.margin_mm)
        for n, by_hand in drawn.items()
    }
    return _teeth(cast, ground, margins, owner, by_hand=frozenset(drawn))


def _teeth(
    cast: Cast,
    ground: Ground,
    margins: Mapping[int, Margin],
    owner: Ints,
    *,
    by_hand: frozenset[int],
) -> Teeth:
    """Crowns in the order of the arch, with axes and aspects."""
    order = in_arch_order(margins, cast.arch)
    corner_owner = owner[ground.surface.faces]
    faces = {n: np.flatnonzero((corner_owner == n).sum(axis=1) >= 2) for n in order}
    meshes = {n: _part(ground.surface, face) for n, face in faces.items()}
    middles = np.array(
        [
            np.average(meshes[n].face_centres, axis=0, weights=meshes[n].face_areas_mm2)
            for n in order
        ]
    ).reshape(-1, 3)
    curve = fit_arch_curve(cast, middles)
    _check_order(cast, curve, order, middles)
    crowns = []
    for number in order:
        mesh = meshes[number]
        stance = stance_of(
            mesh, number=number, curve=curve, to_cast=cast.frame.matrix, up=cast.frame.up
        )
        crowns.append(
            Crown(
                number=number,
                face=ground.face[faces[number]],
                margin=margins[number],
                by_hand=number in by_hand,
                centre_mm=stance.centre_mm,
                axes=stance.axes,
                half_mm=stance.half_mm,
                aspect=aspects_of(mesh, stance, number=number),
                area_mm2=float(mesh.face_areas_mm2.sum()),
            )
        )
    tooth_of_face = np.zeros(cast.mesh.triangle_count, dtype=np.uint8)
    for crown in crowns:
        tooth_of_face[crown.face] = crown.number
    tooth_of_vertex = np.zeros(len(cast.mesh.vertices), dtype=np.uint8)
    tooth_of_vertex[ground.vertex] = owner
    return Teeth(cast, tuple(crowns), tooth_of_face, tooth_of_vertex, curve)


def _part(surface: Mesh, face: Ints) -> Mesh:
    keep = np.zeros(surface.triangle_count, dtype=bool)
    keep[face] = True
    return surface.part(keep)


def _starts(
    ground: Ground, points_mm: Mapping[int, Sequence[float] | Floats], owner: Ints
) -> dict[int, int]:
    """The vertex of the ground nearest to each point; ``owner`` (n,) are crowns drawn by hand."""
    if not points_mm:
        return {}
    points = np.array([np.asarray(p, dtype=np.float64) for p in points_mm.values()])
    if points.shape[1:] != (3,) or not np.isfinite(points).all():
        raise InputError(
            "a point on a crown is not three finite numbers",
            fix="Give each tooth a point as x, y, z in mm, file coordinates.",
        )
    places = nearest_places(ground.surface, points)
    starts: dict[int, int] = {}
    for number, point, near, face, off_mm in zip(
        points_mm, points, places.points_mm, places.face, places.distance_mm, strict=True
    ):
        if off_mm > _OFF_SURFACE_MM:
            raise InputError(
                f"the point of tooth {number} does not lie on the cast",
                measured=f"{off_mm:.2f} mm from the scanned surface, limit {_OFF_SURFACE_MM:g}",
                places_mm=[place_of(point)],
                fix="Give a point on the crown, in the coordinates of the cast's file.",
            )
        corners = ground.surface.faces[face]
        apart = np.linalg.norm(ground.surface.vertices[corners] - near, axis=1)
        vertex = int(corners[np.argmin(apart)])
        if vertex in starts.values() or owner[vertex]:
            other = owner[vertex] or next(n for n, start in starts.items() if start == vertex)
            raise _on_one_crown(number, int(other), ground, vertex)
        starts[number] = vertex
    return starts


def _on_one_crown(number: int, other: int, ground: Ground, vertex: int) -> InputError:
    return InputError(
        f"teeth {number} and {other} have their points on one crown",
        places_mm=[place_of(ground.surface.vertices[vertex])],
        fix="Give each tooth a point on its own crown, or take the one that is missing off.",
    )


def _check_apart(number: int, owner: Ints) -> None:
    """Refuse an outline that takes in a good part of another one."""
    for other in np.unique(owner[owner > 0]).tolist():
        share = float((owner == other).mean())
        if share > _OVERLAP_SHARE:
            raise InputError(
                f"the outlines of teeth {number} and {other} overlap",
                measured=f"by {100.0 * share:.0f} % of the one, limit {100.0 * _OVERLAP_SHARE:g} %",
                fix="Draw each outline along its own margin.",
            )


def _check_crown(ground: Ground, region: Region) -> None:
    if region.inside.all():
        raise InputError(
            f"the crown of tooth {region.number} has no gum around it",
            measured="the whole scanned surface lies within crown_reach_mm of its point",
            fix="Lower crown_reach_mm, or draw the crown's margin as outline_mm.",
        )
    area_mm2 = float(ground.vertex_areas_mm2[region.inside].sum())
    if area_mm2 < _CROWN_LEAST_MM2:
        raise InputError(
            f"no crown was found at the point of tooth {region.number}",
            measured=f"{area_mm2:.1f} mm2 of surface, {_CROWN_LEAST_MM2:g} needed",
            places_mm=[place_of(ground.surface.vertices[region.top])],
            fix="Give a point about the middle of the crown, or draw its margin as outline_mm.",
        )


def _check_order(cast: Cast, curve: ArchCurve, order: tuple[int, ...], middles: Floats) -> None:
    """Refuse teeth that stand in another order along the arch than their numbers say."""
    if len(order) < 2:
        return
    flat = cast.frame.points_to_cast(middles)[:, :2]
    azimuth = curve.azimuth(flat)
    back = np.flatnonzero(np.diff(azimuth) <= 0.0)
    if len(back):
        one, other = order[int(back[0])], order[int(back[0]) + 1]
        all_turned = len(back) == len(order) - 1
        raise InputError(
            f"teeth {one} and {other} stand the other way round on the cast",
            measured="all teeth run from the patient's left to the right"
            if all_turned
            else f"{len(back)} of {len(order) - 1} neighbours are out of order",
            places_mm=[place_of(middles[int(back[0])]), place_of(middles[int(back[0]) + 1])],
            fix=f"Correct the numbers, or the arch if this is no {cast.arch} one."
            if all_turned
            else "Correct the numbers of these teeth or their points.",
        )
