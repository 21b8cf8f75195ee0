"""Interferences: undercut in the way of rigid parts, along any path, by rays alone.

The volume is that of the air under scanned surface that looks down: under each such place, the
length of air along the path down to the next surface, or to the floor. Places are the middles of
facets, prepared once; each stands for its facet's area.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.spatial import cKDTree

from blockout.case.choosing_settings import ChoosingSettings
from blockout.case.prescription import Prescription
from blockout.cast.cast import Cast
from blockout.choosing.gauge import deepest_of_groups
from blockout.drawn.curve import surface_curve
from blockout.drawn.outline import surface_region
from blockout.kernel.rays import RayScene
from blockout.mesh import Bools, Floats, Ints
from blockout.teeth.aspects import aspect_named
from blockout.teeth.crowns import Teeth
from blockout.tolerances import TOLERANCES, Tolerances
from blockout.wax.recipes import relief_zone

TISSUE: Final = "tissue"
TEETH: Final = "teeth"
_APART_MM: Final = 0.4
_PLACES_LEAST: Final = 5000
_SPLITS_LIMIT: Final = 24
_LOOK_DOWN: Final = 4
"""About one place in so many looks down."""


@dataclass(frozen=True, eq=False)
class Places:
    """Where the scanned surface is asked, and what each place stands for.

    Parameters
    ----------
    points_mm : (k, 3) float
    areas_mm2 : (k, 3) float
        Normal whose length is the area that the place stands for.
    on_tooth : (k,) bool
        False everywhere where no teeth are known.
    weight : (k,) float
        How much a cubic millimetre of undercut under it counts; 0 where it is wanted.
    zone : (k,) int
        Index into ``zones``, or -1.
    zones : tuple of str
        Names of what the case has that is rigid there.
    """

    points_mm: Floats
    areas_mm2: Floats
    on_tooth: Bools
    weight: Floats
    zone: Ints
    zones: tuple[str, ...]

    def thinned(self, count: int) -> Places:
        """About ``count`` places evenly over the surface, each for a like share of the area; the
        same ones where there are no more.
        """
        if count >= len(self.points_mm):
            return self
        size = np.linalg.norm(self.areas_mm2, axis=1)
        run = np.cumsum(size)
        step_mm2 = float(run[-1]) / count
        keep = np.searchsorted(run, (np.arange(count) + 0.5) * step_mm2)
        keep = np.unique(np.minimum(keep, len(run) - 1))
        share = step_mm2 / np.maximum(size[keep], 1e-12)
        # a facet larger than the step is met more than once
        share = np.maximum(share, 1.0)
        return Places(
            self.points_mm[keep],
            self.areas_mm2[keep] * share[:, None],
            self.on_tooth[keep],
            self.weight[keep],
            self.zone[keep],
            self.zones,
        )


@dataclass(frozen=True)
class Interferences:
    """Undercut along one path.

    Parameters
    ----------
    volume_mm3 : mapping
        On ``teeth`` and on ``tissue``; all is tissue where no teeth are known.
    deepest_mm : mapping
        The deepest of the places that were gauged, likewise; what retentive arms want is left
        out.
    zone_volume_mm3 : mapping from what is rigid there to its part of the volume
    weighted_mm3 : float
        All of it by its weights.
    """

    volume_mm3: Mapping[str, float]
    deepest_mm: Mapping[str, float]
    zone_volume_mm3: Mapping[str, float]
    weighted_mm3: float

    @property
    def total_mm3(self) -> float:
        return sum(self.volume_mm3.values())

    @property
    def deepest_of_all_mm(self) -> float:
        return max(self.deepest_mm.values())


def places_of(
    cast: Cast,
    prescription: Prescription,
    teeth: Teeth | None,
    settings: ChoosingSettings,
    *,
    wanted: Ints,
) -> Places:
    """All facets of the scanned surface as places; ``wanted`` are faces whose undercut retentive
    arms are to use.
    """
    face, points, areas = _facet_middles(cast)
    order = _along_a_curve(points)
    face, points, areas = face[order], points[order], areas[order]
    on_tooth = np.zeros(len(face), dtype=bool) if teeth is None else teeth.tooth_of_face[face] > 0
    zone, zones = _zones(cast, prescription, teeth, settings, face, points)
    weight = np.where(on_tooth, settings.tooth_weight, settings.tissue_weight)
    weight = np.where(zone >= 0, settings.connector_weight * weight, weight)
    is_wanted = np.zeros(cast.mesh.triangle_count, dtype=bool)
    is_wanted[wanted] = True
    weight = np.where(is_wanted[face], 0.0, weight)
    return Places(points, areas, on_tooth, weight, zone, zones)


def _facet_middles(cast: Cast) -> tuple[Ints, Floats, Floats]:
    """Faces, places on them and area vectors; large facets are divided into like parts."""
    mesh = cast.mesh
    scanned = np.flatnonzero(cast.scanned)
    area = mesh.face_areas_mm2[scanned]
    apart = min(_APART_MM, float(np.sqrt(2.0 * area.sum() / _PLACES_LEAST)))
    splits = np.clip(np.ceil(np.sqrt(2.0 * area) / apart), 1, _SPLITS_LIMIT).astype(np.int64)
    faces, points, areas = [], [], []
    for split in np.unique(splits).tolist():
        some = scanned[splits == split]
        i, j = np.divmod(np.arange(split * split), split)
        # one corner of the square of parts is folded over onto the triangle
        over = i + j >= split
        i, j = np.where(over, split - 1 - i, i), np.where(over, split - 1 - j, j)
        third = np.where(over, 2.0, 1.0) / 3.0
        u, v = (i + third) / split, (j + third) / split
        weights = np.column_stack([1.0 - u - v, u, v])
        parts = split * split
        points.append(np.einsum("pk,fkx->fpx", weights, mesh.corners[some]).reshape(-1, 3))
        faces.append(np.repeat(some, parts))
        areas.append(np.repeat(mesh.face_crosses[some] / (2.0 * parts), parts, axis=0))
    return np.concatenate(faces), np.concatenate(points), np.concatenate(areas)


def _along_a_curve(points_mm: Floats) -> Ints:
    """An order in which neighbours are near each other (Morton's), so that rays hit what was just
    read and every n-th place is an even choice.
    """
    low, high = points_mm.min(axis=0), points_mm.max(axis=0)
    cell = ((points_mm - low) / max(float((high - low).max()), 1e-9) * 1023.0).astype(np.int64)
    key = np.zeros(len(points_mm), dtype=np.int64)
    for bit in range(10):
        for axis in range(3):
            key |= ((cell[:, axis] >> bit) & 1) << (3 * bit + axis)
    return np.argsort(key, kind="stable")


def _zones(
    cast: Cast,
    prescription: Prescription,
    teeth: Teeth | None,
    settings: ChoosingSettings,
    face: Ints,
    points_mm: Floats,
) -> tuple[Ints, tuple[str, ...]]:
    """(k,) which rigid thing of the case lies over each place, or -1; and their names."""
    mesh = cast.mesh
    zone = np.full(len(face), -1, dtype=np.int64)
    names: list[str] = []

    def cover(name: str, faces: Ints) -> None:
        inside = np.zeros(mesh.triangle_count, dtype=bool)
        inside[faces] = True
        zone[inside[face]] = len(names)
        names.append(name)

    for number, relief in enumerate(prescription.relief, 1):
        name = relief.name or f"relief {number} ({relief.over})"
        outline = relief_zone(cast, relief, name=name).outline
        cover(name, surface_region(mesh, outline, name=name).source_face)
    for number, bead in enumerate(prescription.bead, 1):
        name = bead.name or f"bead {number}"
        line = surface_curve(mesh, bead.line, name=name).points_mm
        reach_mm = settings.bead_reach_mm
        off_mm = cKDTree(line).query(points_mm, distance_upper_bound=reach_mm)[0]
        zone[np.isfinite(off_mm)] = len(names)
        names.append(name)
    for arm in prescription.arm:
        if arm.role != "reciprocal" or teeth is None:
            continue
        crown = teeth.crown(arm.tooth)
        aspect = aspect_named(arm.aspect, arm.tooth)
        if aspect is not None:
            cover(arm.title, crown.faces_of(aspect))
    return zone, tuple(names)


def read_interferences(
    cast: Cast,
    whole: RayScene,
    surface: RayScene,
    places: Places,
    directions: Floats,
    *,
    gauged: int,
    rounds: int | None = None,
    tolerances: Tolerances = TOLERANCES,
) -> list[Interferences]:
    """Undercut volume and depth along each of several paths.

    Parameters
    ----------
    cast : Cast
    whole, surface : RayScene
        The closed cast, and its scanned surface.
    places : Places
    directions : (t, 3) unit vectors
        Of removal, file coordinates.
    gauged : int
        About how many places on teeth, and as many on tissue, are gauged for depth.
    rounds : int, optional
        As :func:`~blockout.choosing.gauge.deepest_of_groups` has it.
    """
    shadow_mm2 = -(directions @ places.areas_mm2.T)
    under = [np.flatnonzero(row > 0.0) for row in shadow_mm2]
    place = np.concatenate(under)
    along = np.repeat(directions, [len(own) for own in under], axis=0)
    air_mm = _air_mm(cast, whole, places.points_mm[place], along, tolerances)
    ends = np.cumsum([len(own) for own in under])
    deepest = _deepest_mm(surface, places, under, directions, gauged, rounds, tolerances)
    found = []
    for k, (at, length) in enumerate(zip(under, np.split(air_mm, ends[:-1]), strict=True)):
        own = shadow_mm2[k, at] * length
        on_teeth = float(own[places.on_tooth[at]].sum())
        zone = places.zone[at]
        in_zone = np.bincount(zone + 1, own, minlength=len(places.zones) + 1)[1:]
        found.append(
            Interferences(
                volume_mm3={TEETH: on_teeth, TISSUE: float(own.sum()) - on_teeth},
                deepest_mm={TEETH: float(deepest[k, 0]), TISSUE: float(deepest[k, 1])},
                zone_volume_mm3={
                    name: float(part) for name, part in zip(places.zones, in_zone, strict=True)
                },
                # a product of vectors depends on the number of threads in its last digits
                weighted_mm3=float((own * places.weight[at]).sum()),
            )
        )
    return found


def _air_mm(
    cast: Cast, whole: RayScene, points_mm: Floats, along: Floats, tolerances: Tolerances
) -> Floats:
    """(k,) length of air under places that look down, to the next surface or the floor."""
    margin_mm = tolerances.ray_margin_mm
    hits = whole.first_hit(points_mm - margin_mm * along, -along)
    up = cast.frame.up
    to_floor = (points_mm - cast.frame.matrix[:3, 3]) @ up - cast.floor_mm
    to_floor = np.maximum(to_floor, 0.0) / (along @ up)
    return np.minimum(hits.distance_mm + margin_mm, to_floor)


def _deepest_mm(
    surface: RayScene,
    places: Places,
    under: Sequence[Ints],
    directions: Floats,
    gauged: int,
    rounds: int | None,
    tolerances: Tolerances,
) -> Floats:
    """(t, 2) depth of the deepest place on teeth and on tissue, along each path."""
    # the same places whatever the tilt, or the deepest of them would jump from tilt to tilt
    kinds = []
    for of_kind in (places.on_tooth, ~places.on_tooth):
        asked = np.flatnonzero(of_kind & (places.weight > 0.0))
        few = np.zeros(len(of_kind), dtype=bool)
        few[asked[:: max(1, len(asked) // (_LOOK_DOWN * gauged))]] = True
        kinds.append(few)
    some, group = [], []
    for k, places_under in enumerate(under):
        for kind, asked_places in enumerate(kinds):
            few = places_under[asked_places[places_under]]
            some.append(few)
            group.append(np.full(len(few), 2 * k + kind))
    at, of_group = np.concatenate(some), np.concatenate(group)
    depth, _ = deepest_of_groups(
        surface,
        places.points_mm[at],
        places.areas_mm2[at],
        directions[of_group // 2],
        of_group,
        count=2 * len(directions),
        rounds=rounds,
        tolerances=tolerances,
    )
    return depth.reshape(-1, 2)
