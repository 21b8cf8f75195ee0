"""How far the scan is off the plan, place by place: a signed map, walls, ledges, reliefs.

All distances are exact, point to surface. The sign is that of the scan as seen from the plan:
positive where it stands out, as with too much wax.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from scipy.spatial import cKDTree

from blockout.comparing.laid import Laid
from blockout.comparing.plan import Plan
from blockout.comparing.sampling import Samples, spread_over
from blockout.kernel.rays import RayScene
from blockout.kernel.surfaces import nearest_places
from blockout.mesh import Bools, Floats, Ints, Mesh

_SAMPLES: Final = 60_000
_WALL_DEG: Final = 20.0
_WALL_CELL_MM: Final = 1.5
_WALL_LEAST_MM2: Final = 0.5
_WALL_EDGE_MM: Final = 0.25
_BACK_MM: Final = 0.4
"""The ledge is read this far from the tip: beyond the tip other wax begins."""
_OUT_MM: Final = 0.25
_PROBE_UP_MM: Final = 1.2
_PROBE_DOWN_MM: Final = 4.0
_SKIN_MM: Final = 0.05
_SIDE_MM: Final = 0.15
_SIDES: Final = 5
_LOWEST_HEIGHTS: Final = 6
_CONTOUR_MM: Final = 8.0
_CONTOUR_STEP_MM: Final = 0.02
_FROM_OUTSIDE_MM: Final = 4.0
_UNDER_MM: Final = 0.05
_THICKEST_MM: Final = 5.0


@dataclass(frozen=True)
class Spread:
    """Signed deviations of one surface in numbers.

    Parameters
    ----------
    area_mm2 : float
        That the scan shows.
    mean_mm, rms_mm, sd_mm : float
    p95_mm : float
        95th percentile of the sizes.
    low_mm, high_mm : float
        1st and 99th percentile, signed.
    within_mm : float
        The tolerance.
    share_within : float
        Share of the area that is off by no more.
    """

    area_mm2: float
    mean_mm: float
    rms_mm: float
    sd_mm: float
    p95_mm: float
    low_mm: float
    high_mm: float
    within_mm: float
    share_within: float


def spread_of(off_mm: Floats, *, each_mm2: float, within_mm: float) -> Spread | None:
    """In numbers; None where nothing was shown.

    >>> found = spread_of(np.array([0.3, -0.3, 0.1, -0.1]), each_mm2=2.0, within_mm=0.25)
    >>> found.area_mm2, round(found.rms_mm, 4), found.share_within
    (8.0, 0.2236, 0.5)
    """
    if not len(off_mm):
        return None
    low, high = np.percentile(off_mm, [1.0, 99.0])
    return Spread(
        area_mm2=each_mm2 * len(off_mm),
        mean_mm=float(off_mm.mean()),
        rms_mm=float(np.sqrt((off_mm**2).mean())),
        sd_mm=float(off_mm.std()),
        p95_mm=float(np.percentile(np.abs(off_mm), 95.0)),
        low_mm=float(low),
        high_mm=float(high),
        within_mm=within_mm,
        share_within=float((np.abs(off_mm) <= within_mm).mean()),
    )


@dataclass(frozen=True, eq=False)
class Probes:
    """Places of the plan at which every scan is measured: the same for all scans.

    Parameters
    ----------
    samples : Samples
        On the model's surface, base left out; ``face`` counts among the model's faces.
    part : (k,) int
        Wax part that shows there, or -1.
    region : (k,) int
    """

    samples: Samples
    part: Ints
    region: Ints


def probes_on(plan: Plan) -> Probes:
    """Places about a third of a millimetre apart on an arch."""
    faces = np.flatnonzero(plan.surveyed)
    own = spread_over(plan.target.seen, _SAMPLES)
    samples = Samples(own.points_mm, faces[own.face], own.normals, own.each_mm2)
    return Probes(samples, plan.part_of_face[samples.face], plan.regions.of(samples.points_mm))


@dataclass(frozen=True, eq=False)
class Deviation:
    """Signed distances from the plan to one scan.

    Parameters
    ----------
    probes : Probes
    off_mm : (k,) float
    shown : (k,) bool
        Where the scan has anything to say; elsewhere ``off_mm`` means nothing.
    """

    probes: Probes
    off_mm: Floats
    shown: Bools

    def on(self, chosen: Bools, *, within_mm: float) -> Spread | None:
        """Numbers of some of the places."""
        return spread_of(
            self.off_mm[chosen & self.shown],
            each_mm2=self.probes.samples.each_mm2,
            within_mm=within_mm,
        )

    @cached_property
    def on_wax(self) -> Bools:
        """(k,) places on wax."""
        return self.probes.part >= 0


def deviation_of(laid: Laid, probes: Probes) -> Deviation:
    """The map of one scan."""
    off_mm, shown = laid.off_mm(probes.samples.points_mm, probes.samples.normals)
    return Deviation(probes, off_mm, shown)


# --- walls ---------------------------------------------------------------------------------------
@dataclass(frozen=True)
class Wall:
    """The wall of the blockout against the path.

    Angles are positive where the wall leans outward, wider toward the gingiva, and negative where
    it is still undercut. Each is a mean by area over patches of 1.5 mm, in which normals are
    averaged first, so that noise does not read as lean.

    Parameters
    ----------
    name : str
        "all", or a region.
    area_mm2 : float
    planned_deg, actual_deg : float
    low_deg, high_deg : float
        5th and 95th percentile of the patches on the scan, by area.
    inward_share : float
        Share of the area that leans inward by more than one degree.
    """

    name: str
    area_mm2: float
    planned_deg: float
    actual_deg: float
    low_deg: float
    high_deg: float
    inward_share: float


def walls_of(plan: Plan, laid: Laid, deviation: Deviation) -> list[Wall]:
    """All walls, then region by region: wax that stands within 20 degrees of the path."""
    probes, path = deviation.probes, plan.path.direction
    lean = np.degrees(np.arcsin(np.clip(probes.samples.normals @ path, -1.0, 1.0)))
    chosen = deviation.on_wax & deviation.shown & (np.abs(lean) < _WALL_DEG)
    kinds = np.array([part.kind in ("relief", "bead") for part in plan.parts] + [False])
    chosen &= ~kinds[probes.part]
    chosen[chosen] = ~_near_corners(plan, probes.samples, np.flatnonzero(chosen))
    if not chosen.any():
        return []
    points, each = probes.samples.points_mm[chosen], probes.samples.each_mm2
    near = laid.nearest(points)
    actual = laid.mesh.face_normals[near.face]
    planned = probes.samples.normals[chosen]
    # the wall of another body nearby is not this wall
    same = np.einsum("ij,ij->i", actual, planned) > 0.7
    points, actual, planned = points[same], actual[same], planned[same]
    region = probes.region[chosen][same]
    if not len(points):
        return []
    patch = _patches(points, planned)
    many = np.bincount(patch)
    enough = many * each > _WALL_LEAST_MM2
    angles = [_lean_deg(normals, patch, path) for normals in (planned, actual)]
    of = np.zeros(len(many), dtype=np.int64)
    of[patch] = region
    walls = []
    for number, name in enumerate(("all", *plan.regions.names)):
        mine = enough & ((of == number - 1) | (number == 0))
        if mine.any():
            walls.append(_wall(name, many[mine] * each, angles[0][mine], angles[1][mine]))
    return walls


def _wall(name: str, area: Floats, planned: Floats, actual: Floats) -> Wall:
    order = np.argsort(actual)
    share = (np.cumsum(area[order]) - area[order] / 2.0) / area.sum()
    low, high = np.interp([0.05, 0.95], share, actual[order])
    return Wall(
        name=name,
        area_mm2=float(area.sum()),
        planned_deg=float(np.average(planned, weights=area)),
        actual_deg=float(np.average(actual, weights=area)),
        low_deg=float(low),
        high_deg=float(high),
        inward_share=float(area[actual < -1.0].sum() / area.sum()),
    )


def _near_corners(plan: Plan, samples: Samples, chosen: Ints) -> Bools:
    """(k,) places next to an edge at which the model turns: a scanner rounds it off."""
    model = plan.model
    neighbours = model.face_neighbours
    sharp = np.zeros(len(model.vertices), dtype=bool)
    for k in range(3):
        bend = np.einsum("ij,ij->i", model.face_normals, model.face_normals[neighbours[:, k]])
        edge = np.flatnonzero(bend < 0.8)
        sharp[model.faces[edge][:, [k, (k + 1) % 3]].reshape(-1)] = True
    if not sharp.any():
        return np.zeros(len(chosen), dtype=bool)
    apart, _ = cKDTree(model.vertices[sharp]).query(
        samples.points_mm[chosen], distance_upper_bound=_WALL_EDGE_MM
    )
    close: Bools = np.isfinite(apart)
    return close


def _patches(points: Floats, normals: Floats) -> Ints:
    """Which patch each place is in: a cube of space, and which way the wall looks."""
    cell = np.floor((points - points.min(axis=0)) / _WALL_CELL_MM).astype(np.int64)
    axis = np.abs(normals).argmax(axis=1)
    sign = np.take_along_axis(normals, axis[:, None], axis=1)[:, 0] > 0.0
    _, patch = np.unique(np.column_stack([cell, axis * 2 + sign]), axis=0, return_inverse=True)
    found: Ints = patch.reshape(-1)
    return found


def _lean_deg(normals: Floats, patch: Ints, path: Floats) -> Floats:
    sums: Floats = np.column_stack(
        [np.bincount(patch, normals[:, k]).astype(np.float64) for k in range(3)]
    )
    sums /= np.maximum(np.linalg.norm(sums, axis=1), 1e-12)[:, None]
    lean: Floats = np.degrees(np.arcsin(np.clip(sums @ path, -1.0, 1.0)))
    return lean


# --- ledges --------------------------------------------------------------------------------------
@dataclass(frozen=True)
class LedgeAt:
    """A ledge read at its arm's terminal, in the plane of the path and the tooth's outward side.

    Parameters
    ----------
    name, tooth
    at_mm : (x, y, z)
        On the tooth, 0.4 mm from the tip along the arm: beyond the tip other wax begins.
    height_off_mm : float or None
        How much higher along the path the shelf stands on the scan than planned; None where the
        scan shows no shelf there.
    planned_depth_mm, actual_depth_mm : float or None
        Undercut depth of the tooth just over the shelf, as a gauge reads it: from the outermost
        of what is above, inward to the tooth. The median over five planes within 0.15 mm.
    prescribed_mm : float
        The depth that the build reported at the terminal.
    """

    name: str
    tooth: int
    at_mm: tuple[float, float, float]
    height_off_mm: float | None
    planned_depth_mm: float | None
    actual_depth_mm: float | None
    prescribed_mm: float

    @property
    def depth_off_mm(self) -> float | None:
        """How much deeper the terminal would lie than planned."""
        if self.actual_depth_mm is None or self.planned_depth_mm is None:
            return None
        return self.actual_depth_mm - self.planned_depth_mm


def ledges_of(plan: Plan, laid: Laid) -> list[LedgeAt]:
    """Every terminal's ledge."""
    if not plan.terminals:
        return []
    planned, actual = RayScene(plan.model), RayScene(laid.mesh)
    found = []
    for terminal in plan.terminals:
        at = nearest_places(
            plan.cast.mesh,
            np.array([terminal.at_mm]) + _BACK_MM * np.array([terminal.back]),
        ).points_mm[0]
        outward = _outward(plan, at)
        reach_mm = terminal.depth_mm + _OUT_MM
        path = plan.path.direction
        one = _read(planned, plan.model, path, at, outward, reach_mm, 0.0)
        other = (
            None
            if one is None or not _is_there(laid, at + one.height_mm * path + reach_mm * outward)
            else _read(actual, laid.mesh, path, at, outward, reach_mm, one.height_mm)
        )
        found.append(
            LedgeAt(
                name=terminal.name,
                tooth=terminal.tooth,
                at_mm=(float(at[0]), float(at[1]), float(at[2])),
                height_off_mm=None
                if one is None or other is None
                else other.height_mm - one.height_mm,
                planned_depth_mm=None if one is None else one.depth_mm,
                actual_depth_mm=None if other is None else other.depth_mm,
                prescribed_mm=terminal.depth_mm,
            )
        )
    return found


def _is_there(laid: Laid, at: Floats) -> bool:
    """Whether the scan has anything to say near a point."""
    near = laid.nearest(at[None])
    return bool(near.distance_mm[0] < 4.0 and not laid.ends[near.face[0]])


@dataclass(frozen=True)
class _Reading:
    height_mm: float
    depth_mm: float


def _outward(plan: Plan, at: Floats) -> Floats:
    """(3,) unit direction away from the tooth at a point on it, square to the path."""
    cast = plan.cast.mesh
    near = nearest_places(cast, at[None])
    around = np.linalg.norm(cast.face_centres - at, axis=1) < 0.6
    normal = cast.face_crosses[around | _one(cast, int(near.face[0]))].sum(axis=0)
    path = plan.path.direction
    flat = normal - path * float(normal @ path)
    unit: Floats = flat / max(float(np.linalg.norm(flat)), 1e-12)
    return unit


def _one(mesh: Mesh, face: int) -> Bools:
    chosen = np.zeros(mesh.triangle_count, dtype=bool)
    chosen[face] = True
    return chosen


def _read(
    scene: RayScene,
    mesh: Mesh,
    path: Floats,
    at: Floats,
    outward: Floats,
    reach_mm: float,
    about_mm: float,
) -> _Reading | None:
    """Height of the shelf above ``at`` along the path, and the depth just above it. The shelf is
    looked for ``reach_mm`` out from the tooth, near the height ``about_mm``.
    """
    along = np.cross(path, outward)
    sides = np.outer(np.linspace(-_SIDE_MM, _SIDE_MM, _SIDES), along)
    # beside the wall of what is above, over the shelf
    reach = np.outer(reach_mm + np.array([0.0, 0.1, -0.1]), outward)
    tries = (at + sides[:, None] + reach[None]).reshape(-1, 3)
    hits = scene.first_hit(tries + (about_mm + _PROBE_UP_MM) * path, -path)
    up = (hits.face >= 0) & (hits.distance_mm < _PROBE_UP_MM + _PROBE_DOWN_MM)
    up[up] = mesh.face_normals[hits.face[up]] @ path > 0.5
    if up.sum() * 2 < len(up):
        return None
    height_mm = about_mm + _PROBE_UP_MM - float(np.median(hits.distance_mm[up]))
    heights = height_mm + np.arange(_SKIN_MM, _CONTOUR_MM, _CONTOUR_STEP_MM)
    origins = at + (sides[:, None] + np.outer(heights, path)[None]) + _FROM_OUTSIDE_MM * outward
    met = scene.first_hit(origins.reshape(-1, 3), -outward)
    out_mm = np.where(met.face >= 0, _FROM_OUTSIDE_MM - met.distance_mm, -np.inf)
    # a neighbour or a bar that stands further out than the shelf is not this tooth's contour
    out_mm = np.where(out_mm < reach_mm + 1.0, out_mm, -np.inf).reshape(_SIDES, -1)
    low = out_mm[:, :_LOWEST_HEIGHTS]
    if not np.isfinite(low).all():
        return None
    # medians, so that one facet of a noisy scan does not decide
    deep = out_mm.max(axis=1) - np.median(low, axis=1)
    return _Reading(height_mm, float(np.median(deep)))


# --- reliefs -------------------------------------------------------------------------------------
@dataclass(frozen=True)
class Thickness:
    """Thickness of a relief, from its outer surface to the cast under it.

    Parameters
    ----------
    name : str
    area_mm2 : float
        Measured, edges left out.
    planned_mm, actual_mm : float
        Means.
    p5_mm, p95_mm : float
        Of the actual thickness.
    """

    name: str
    area_mm2: float
    planned_mm: float
    actual_mm: float
    p5_mm: float
    p95_mm: float


def reliefs_of(plan: Plan, laid: Laid, deviation: Deviation) -> list[Thickness]:
    """Each relief that lies on the cast; over other wax there is no cast to measure from."""
    found = []
    for number, part in enumerate(plan.parts):
        if part.kind != "relief":
            continue
        mine = np.flatnonzero((deviation.probes.part == number) & deviation.shown)
        points = deviation.probes.samples.points_mm[mine]
        if not len(points):
            continue
        on_cast = nearest_places(plan.cast.mesh, points)
        # the outer face lies over the cast: its normal and the cast's agree, and it is no edge
        over = points - on_cast.points_mm
        over /= np.maximum(np.linalg.norm(over, axis=1), 1e-12)[:, None]
        normals = deviation.probes.samples.normals[mine]
        outer = np.einsum("ij,ij->i", over, normals) > 0.95
        outer &= on_cast.distance_mm > 0.5 * float(np.median(on_cast.distance_mm))
        if not outer.any():
            continue
        # from just inside the cast straight out of the scan: near an edge its side is nearer
        away = over[outer]
        start = on_cast.points_mm[outer] - _UNDER_MM * away
        hits = laid.rays.first_hit(start, away)
        out = hits.face >= 0
        out &= np.einsum("ij,ij->i", laid.mesh.face_normals[hits.face], away) > 0.0
        out &= hits.distance_mm < _THICKEST_MM
        if not out.any():
            continue
        actual = hits.distance_mm[out] - _UNDER_MM
        low, high = np.percentile(actual, [5.0, 95.0])
        found.append(
            Thickness(
                name=part.name,
                area_mm2=deviation.probes.samples.each_mm2 * len(actual),
                planned_mm=float(on_cast.distance_mm[outer][out].mean()),
                actual_mm=float(actual.mean()),
                p5_mm=float(low),
                p95_mm=float(high),
            )
        )
    return found
