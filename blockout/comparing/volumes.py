"""How much wax there is, where some is missing, and where there is too much.

The actual volume is the planned one and what the scan differs by: the material on lines along the
path, on the scan less that on the planned model, summed over a zone around all planned wax and
around every place where the scan deviates. A line does not care what the scan is like below the
zone, so a scan without a base is measured as one with. Lines on which either surface does not
face up and down by turns (a hole, a fold), or where the scan ends, are left out, and what wax was
planned there is told as not shown.

Where the scan is a solid, or can be made one, missing and excess wax are cut out exactly as closed
solids, and the volumes by cutting and by lines are held against each other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.ndimage import label

from blockout.case.comparing_settings import CompareSettings
from blockout.comparing.cells import Grid, Lines, grown, nearest_labels
from blockout.comparing.columns import Crossings
from blockout.comparing.deviations import Deviation
from blockout.comparing.laid import Laid
from blockout.comparing.plan import Plan
from blockout.comparing.sampling import spread_over
from blockout.errors import KernelError, Place
from blockout.kernel.solids import Solid
from blockout.kernel.surfaces import nearest_places
from blockout.mesh import Bools, Floats, Ints, Mesh, joined
from blockout.runs import written_out

CELL_MM: Final = 0.4
_SPARE_CELLS: Final = 4
_AROUND_CELLS: Final = 1
_PLACE_CELLS: Final = 2
_PART_CELLS: Final = 4.0
_ALONG_MM: Final = 0.2
_REACH_MM: Final = 4.0
_SCAN_POINTS_MM2: Final = 0.04
_SCAN_POINTS_MOST: Final = 400_000
_LEAST_PLACE_MM: Final = 0.06
_SCATTERS: Final = 4.0
_SOLIDS_MOST: Final = 60
_SAME_BASE_MM: Final = 0.3
_WIDE_MM: Final = 1.0
"""Whether a scan shows a face is asked once of faces no longer than this, twice a cell and more."""
_FILM_SCATTERS: Final = 2.0
_FILM_MM: Final = 0.002
"""What is no thicker than this, or than what the scan scatters, is a film and no wax."""
_MASS: Final = 1e-3
"""g from mm3 and g/cm3."""


@dataclass(frozen=True)
class Amount:
    """Wax of one part or region.

    Parameters
    ----------
    name : str
    planned_mm3 : float
    shown_mm3 : float
        What of it was planned where the scan shows anything.
    actual_mm3 : float
        On the scan, there.
    """

    name: str
    planned_mm3: float
    shown_mm3: float
    actual_mm3: float

    @property
    def off_mm3(self) -> float:
        """Actual less planned, where the scan shows anything."""
        return self.actual_mm3 - self.shown_mm3


@dataclass(frozen=True, eq=False)
class WaxPlace:
    """One place where wax is missing or in excess.

    Parameters
    ----------
    kind : "missing" or "excess"
    volume_mm3 : float
        Net over the place: what noise adds on one side it takes away on the other.
    depth_mm : float
        The furthest that the surfaces are apart there.
    at_mm : (x, y, z)
        Its middle, file coordinates of the cast.
    low_mm, high_mm : (x, y, z)
        Its box.
    region, part : str
        Part is "elsewhere" where no wax is planned near.
    mesh : Mesh or None
        The wax itself as a closed solid; None where the scan is no solid.
    """

    kind: str
    volume_mm3: float
    depth_mm: float
    at_mm: Place
    low_mm: Place
    high_mm: Place
    region: str
    part: str
    mesh: Mesh | None = None


@dataclass(frozen=True)
class Checked:
    """What the scan differs by over the cells of the places, in two ways that share nothing but
    the meshes: lines, and solids that were cut.
    """

    by_lines_mm3: float
    by_cutting_mm3: float


@dataclass(frozen=True, eq=False)
class Volumes:
    """Planned and actual wax of one scan.

    Parameters
    ----------
    whole : Amount
    parts, regions : tuple of Amount
        ``parts`` ends with "elsewhere" where wax is found away from all parts.
    missing_mm3, excess_mm3 : float
        Of the places, and of what is spread thinner than ``place_depth_mm``, by sign.
    places : tuple of WaxPlace
        Largest first.
    small_places : int
        How many were too small to name.
    place_depth_mm : float
    uncertain_mm3 : float
        Standard uncertainty of the whole: the scan's place is only known so well (its uncertainty
        and mean misfit, over the area of the wax), and lines sample the surface.
    checked : Checked or None
        The same over the places by cutting solids; None where the scan is no solid or there is no
        place.
    unsolid : str
        Why not.
    unsound_share : float
        Share of the lines that were left out as holes or folds.
    """

    whole: Amount
    parts: tuple[Amount, ...]
    regions: tuple[Amount, ...]
    missing_mm3: float
    excess_mm3: float
    places: tuple[WaxPlace, ...]
    small_places: int
    place_depth_mm: float
    uncertain_mm3: float
    checked: Checked | None
    unsolid: str
    unsound_share: float

    def mass_g(self, density_g_per_cm3: float) -> tuple[float, float]:
        """Planned (where shown) and actual mass of the wax, g."""
        factor = density_g_per_cm3 * _MASS
        return self.whole.shown_mm3 * factor, self.whole.actual_mm3 * factor


def volumes_of(
    plan: Plan, laid: Laid, deviation: Deviation, *, settings: CompareSettings
) -> Volumes:
    """Measure one scan against the plan."""
    depth_mm = settings.place_depth_mm or max(_LEAST_PLACE_MM, _SCATTERS * laid.fit.rms_mm)
    astray = _astray(plan, laid, deviation, depth_mm)
    wax = _wax_points(plan)
    turn = plan.path.to_path
    grid = Grid.around(
        turn,
        np.concatenate([wax, *(points for points, _ in astray.values())]),
        size_mm=CELL_MM,
        spare=_SPARE_CELLS,
    )
    marks = {kind: grid.marked(points) for kind, (points, _) in astray.items()}
    near_wax = grown(grid.marked(wax), _AROUND_CELLS)
    zone = near_wax | grown(marks["missing"] | marks["excess"], _PLACE_CELLS)
    measured = _measure(plan, laid, grid, zone)
    zone = zone & measured.shown_column[..., None]
    differs = np.where(zone, measured.differs_mm3, 0.0)
    part_of = nearest_labels(measured.part_of, within=_PART_CELLS)
    cells = np.argwhere(zone)
    region_of = np.full(grid.shape, -1, dtype=np.int64)
    region_of[tuple(cells.T)] = plan.regions.of(grid.middles_mm(cells))
    places, small, of_place = _places(
        plan, grid, zone, differs, marks, astray, part_of, region_of, settings.place_mm3
    )
    places, checked = _cut_out(plan, laid, grid, differs, places, of_place)
    parts = _amounts(
        [part.name for part in plan.parts],
        measured.planned_mm3, measured.shown_mm3, differs, part_of,
    )  # fmt: skip
    stray_mm3 = float(differs[part_of < 0].sum())
    if abs(stray_mm3) >= settings.place_mm3:
        parts.append(Amount("elsewhere", 0.0, 0.0, stray_mm3))
    regions = _amounts(
        plan.regions.names,
        measured.share.sum(axis=0),
        measured.share_shown.sum(axis=0),
        differs,
        region_of,
    )
    shown_mm3 = float(measured.shown_mm3.sum())
    net = [place.volume_mm3 if place.kind == "excess" else -place.volume_mm3 for place in places]
    left = float(differs.sum()) - sum(net)
    fit = laid.fit
    wax_area = float(plan.model.face_areas_mm2[plan.part_of_face >= 0].sum())
    return Volumes(
        whole=Amount("all", plan.volume_mm3, shown_mm3, shown_mm3 + float(differs.sum())),
        parts=tuple(parts),
        regions=tuple(regions),
        missing_mm3=sum(-v for v in net if v < 0.0) + max(-left, 0.0),
        excess_mm3=sum(v for v in net if v > 0.0) + max(left, 0.0),
        places=tuple(places),
        small_places=small,
        place_depth_mm=depth_mm,
        uncertain_mm3=float(
            np.hypot(wax_area * np.hypot(fit.shift_sigma_mm, fit.bias_mm), measured.sampling_mm3)
        ),
        checked=checked,
        unsolid=laid.unsolid,
        unsound_share=measured.unsound_share,
    )


# --- where -----------------------------------------------------------------------------------
def _wax_points(plan: Plan) -> Floats:
    """Places in all cells that wax reaches into: over its surface, and inward to the middle."""
    count = int(min(max(plan.wax.face_areas_mm2.sum() / 0.02, 2000.0), _SCAN_POINTS_MOST))
    return spread_over(plan.wax, count).points_mm


def _astray(
    plan: Plan, laid: Laid, deviation: Deviation, depth_mm: float
) -> dict[str, tuple[Floats, Floats]]:
    """Points between plan and scan wherever they are further apart than ``depth_mm``, missing and
    excess apart, each with how far apart they are there.
    """
    samples = deviation.probes.samples
    far = deviation.shown & (np.abs(deviation.off_mm) > depth_mm)
    from_plan = samples.points_mm[far]
    ends = laid.nearest(from_plan).points_mm
    off = deviation.off_mm[far]
    # from the scan's side as well: a thin spur is nearest to few places of the plan
    keep = ~laid.ends
    surface = laid.mesh.part(keep)
    count = int(min(surface.face_areas_mm2.sum() / _SCAN_POINTS_MM2, _SCAN_POINTS_MOST))
    low, high = plan.target.seen.bounds_mm
    seen = spread_over(surface, count)
    near_by = ((seen.points_mm > low - _REACH_MM) & (seen.points_mm < high + _REACH_MM)).all(axis=1)
    points, normals = seen.points_mm[near_by], seen.normals[near_by]
    near = nearest_places(plan.model, points)
    offset = points - near.points_mm
    normal = plan.model.face_normals[near.face]
    # at an edge of the model the nearest place has several normals: inside is told by all of them
    sign = np.where(np.einsum("ij,ij->i", offset, normal) < 0.0, -1.0, 1.0)
    facing = np.einsum("ij,ij->i", normals, normal)
    astray = plan.surveyed[near.face] & (near.distance_mm > depth_mm)
    astray &= (near.distance_mm < _REACH_MM) & ((sign > 0.0) | (facing > 0.0))
    start = np.concatenate([from_plan, points[astray]])
    end = np.concatenate([ends, near.points_mm[astray]])
    off = np.concatenate([off, (sign * near.distance_mm)[astray]])
    found = {}
    for kind, chosen in (("missing", off < 0.0), ("excess", off > 0.0)):
        found[kind] = _between(start[chosen], end[chosen], np.abs(off[chosen]))
    return found


def _between(start: Floats, end: Floats, off: Floats) -> tuple[Floats, Floats]:
    """Points along the lines from starts to ends, close enough to miss no cell."""
    if not len(start):
        return np.zeros((0, 3)), np.zeros(0)
    steps = np.ceil(np.linalg.norm(end - start, axis=1) / _ALONG_MM).astype(np.int64) + 1
    line, place = written_out(steps)
    share = (place / np.maximum(steps - 1, 1)[line])[:, None]
    return start[line] * (1.0 - share) + end[line] * share, off[line]


# --- how much --------------------------------------------------------------------------------
@dataclass(frozen=True, eq=False)
class _Measured:
    """In cells: what the scan differs by, and which part fills most; by part: planned and shown;
    by part and region the same.
    """

    differs_mm3: Floats
    sampling_mm3: float
    part_of: Ints
    planned_mm3: Floats
    shown_mm3: Floats
    share: Floats
    share_shown: Floats
    shown_column: Bools
    unsound_share: float


def _measure(plan: Plan, laid: Laid, grid: Grid, zone: Bools) -> _Measured:
    lines = grid.lines_through(zone)
    planned, actual = lines.meet(grid, plan.model), lines.meet(grid, laid.mesh)
    floor_mm = lines.lowest_mm(grid, zone)
    actual = _on_own_land(plan, lines.meet(grid, plan.cast.mesh), actual)
    sound = planned.sound & actual.sound
    counts = sound & _is_shown(plan, laid, grid, lines, planned, actual, floor_mm)
    differs = lines.filled_mm3(grid, actual, counts) - lines.filled_mm3(grid, planned, counts)
    shown_column = np.zeros(grid.shape[:2], dtype=bool)
    shown_column[tuple(lines.column[counts].T)] = True
    regions = len(plan.regions.names)
    part_of = np.full(grid.shape, -1, dtype=np.int64)
    most = np.zeros(grid.shape)
    share = np.zeros((len(plan.parts), regions))
    share_shown = np.zeros((len(plan.parts), regions))
    for number, part in enumerate(plan.parts):
        own = grid.marked(spread_over(part.mesh, _points_for(part.mesh)).points_mm)
        over = lines.of_columns(np.asarray(own.any(axis=2)))
        met = over.meet(grid, part.mesh)
        filled = over.filled_mm3(grid, met, met.sound)
        cells = np.argwhere(filled > 0.0)
        volume = filled[tuple(cells.T)]
        if volume.sum() <= 0.0:
            continue
        # the mesh's own volume is exact; lines only say how it is shared out
        volume *= part.volume_mm3 / volume.sum()
        region = plan.regions.of(grid.middles_mm(cells))
        share[number] = np.bincount(region, volume, minlength=regions)
        seen = shown_column[cells[:, 0], cells[:, 1]]
        share_shown[number] = np.bincount(region[seen], volume[seen], minlength=regions)
        more = volume > most[tuple(cells.T)]
        part_of[tuple(cells[more].T)], most[tuple(cells[more].T)] = number, volume[more]
    return _Measured(
        differs_mm3=differs,
        sampling_mm3=_sampling_mm3(lines, planned, actual, counts, floor_mm),
        part_of=part_of,
        planned_mm3=np.array([part.volume_mm3 for part in plan.parts]),
        shown_mm3=share_shown.sum(axis=1),
        share=share,
        share_shown=share_shown,
        shown_column=shown_column,
        unsound_share=float(1.0 - sound.mean()) if len(sound) else 0.0,
    )


def _points_for(mesh: Mesh) -> int:
    return int(min(max(mesh.face_areas_mm2.sum() / 0.02, 500.0), _SCAN_POINTS_MOST))


def _sampling_mm3(
    lines: Lines, planned: Crossings, actual: Crossings, counts: Bools, floor_mm: Floats
) -> float:
    """Standard uncertainty of the difference, because a line stands for the area around it: from
    how much the lines of one column of cells differ among themselves. Tall walls that are rough
    by a hair make most of it.
    """
    chosen = np.flatnonzero(counts)
    if not len(chosen):
        return 0.0
    off = actual.above_one_mm(floor_mm)[chosen] - planned.above_one_mm(floor_mm)[chosen]
    _, column = np.unique(lines.column[chosen], axis=0, return_inverse=True)
    column = column.reshape(-1)
    many = np.bincount(column)
    mean = np.bincount(column, off) / many
    spread = np.bincount(column, (off - mean[column]) ** 2) / np.maximum(many - 1, 1)
    return float(np.sqrt((spread * many).sum())) * lines.area_mm2


def _on_own_land(plan: Plan, bare: Crossings, actual: Crossings) -> Crossings:
    """Lines that meet nothing of the scan, where the cast has but the land of its base: a scan
    ends with the wax that stands on the land, and where that wax is narrower the land goes on.
    """
    cast = plan.cast
    top = bare.face[:, 0]
    alone = ~np.isfinite(actual.height_mm[:, 0]) & (top >= 0) & ~cast.scanned[top]
    if not alone.any():
        return actual
    columns = max(actual.height_mm.shape[1], bare.height_mm.shape[1])

    def with_land(own: Floats | Ints, land: Floats | Ints, none: float) -> Floats:
        wide = np.full((len(own), columns), none)
        wide[:, : own.shape[1]] = own
        wide[alone, : land.shape[1]] = land[alone]
        return wide

    return Crossings(
        with_land(actual.height_mm, bare.height_mm, -np.inf),
        with_land(actual.face, np.full_like(bare.face, -1), -1).astype(np.int64),
        with_land(actual.sign, bare.sign, 0.0),
        np.where(alone, bare.sound, actual.sound),
    )


def _is_shown(
    plan: Plan,
    laid: Laid,
    grid: Grid,
    lines: Lines,
    planned: Crossings,
    actual: Crossings,
    floor_mm: Floats,
) -> Bools:
    """(k,) lines on which the scan shows what it should at every surface of the plan that they
    meet above ``floor_mm`` (k,), the lowest that matters on each.
    """
    matters = (planned.face >= 0) & (planned.height_mm > floor_mm[:, None])
    question, points, face = _questions(plan.model, grid, lines, planned, matters)
    off_mm, shown = laid.off_mm(points, plan.model.face_normals[face])
    held = plan.surveyed[face]
    # of a base the scan has its own; only where it is like the cast's do its lines count
    shown &= held | (np.abs(off_mm) < _SAME_BASE_MM)
    unshown = np.r_[~shown, False]
    # land on which the scan ends says nothing either way: wax on it is told by its own top
    land = np.r_[~held & laid.ends[laid.nearest(points).face], False]
    bare = (matters.sum(axis=1) == 1) & land[question].any(axis=1)
    nothing = ~np.isfinite(actual.height_mm[:, 0]) & np.isfinite(planned.height_mm[:, 0])
    lacking = unshown[question] & ~_under_more(laid, planned, actual)
    seen: Bools = (bare | ~lacking.any(axis=1)) & ~nothing
    return seen


def _under_more(laid: Laid, planned: Crossings, actual: Crossings) -> Bools:
    """(k, c) surfaces of the plan that look up and lie inside the scan, not far under its surface:
    there is more than planned, and the scan shows it, wherever it is nearest.
    """
    above = actual.height_mm[:, None, :] > planned.height_mm[:, :, None]
    next_up = np.maximum(above.sum(axis=2) - 1, 0)
    line = np.arange(len(next_up))[:, None]
    face = actual.face[line, next_up]
    near = actual.height_mm[line, next_up] < planned.height_mm + _REACH_MM
    inside = above.any(axis=2) & (actual.sign[line, next_up] > 0.0) & near
    more: Bools = inside & (planned.sign > 0.0) & ~laid.ends[face]
    return more


def _questions(
    model: Mesh, grid: Grid, lines: Lines, planned: Crossings, matters: Bools
) -> tuple[Ints, Floats, Ints]:
    """What is asked of the scan: a small face once, at its middle, a wide one wherever a line meets
    it. The number of the question for each crossing (k, c), -1 where nothing matters; places
    (q, 3), file coordinates; and their faces.
    """
    corners = model.corners
    wide = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1) > _WIDE_MM
    small = matters & ~wide[planned.face]
    once, number = np.unique(planned.face[small], return_inverse=True)
    question = np.full(planned.face.shape, -1, dtype=np.int64)
    question[small] = number
    line, layer = np.nonzero(matters & ~small)
    question[line, layer] = len(once) + np.arange(len(line))
    met = np.column_stack([lines.places_mm[line], planned.height_mm[line, layer]]) @ grid.turn
    points = np.concatenate([model.face_centres[once], met])
    return question, points, np.concatenate([once, planned.face[line, layer]])


def _amounts(
    names: Sequence[str], planned: Floats, shown: Floats, differs: Floats, of: Ints
) -> list[Amount]:
    inside = of >= 0
    off = np.bincount(of[inside], differs[inside], minlength=len(names))
    return [
        Amount(name, float(planned[k]), float(shown[k]), float(shown[k] + off[k]))
        for k, name in enumerate(names)
    ]


def _places(
    plan: Plan,
    grid: Grid,
    zone: Bools,
    differs: Floats,
    marks: dict[str, Bools],
    astray: dict[str, tuple[Floats, Floats]],
    part_of: Ints,
    region_of: Ints,
    least_mm3: float,
) -> tuple[list[WaxPlace], int, Ints]:
    """Places largest first, how many more were too small, and which place each cell is in."""
    kinds: list[str] = []
    near = {}
    for kind in ("missing", "excess"):
        pieces, count = label(grown(marks[kind], 1), structure=np.ones((3, 3, 3)))
        seeds = np.where(marks[kind], pieces - 1 + len(kinds), -1).astype(np.int64)
        near[kind] = nearest_labels(seeds, within=_PLACE_CELLS * 1.75)
        kinds += [kind] * count
    # a cell belongs to what it has too much or too little of, where such a place is near
    own = np.where(differs > 0.0, near["excess"], near["missing"])
    of_cell = np.where(own >= 0, own, np.maximum(near["excess"], near["missing"]))
    of_cell[~zone] = -1
    if not kinds:
        return [], 0, of_cell
    inside = of_cell >= 0
    volume = np.bincount(of_cell[inside], differs[inside], minlength=len(kinds))
    deepest = np.zeros(len(kinds))
    for points, off in astray.values():
        if len(points):
            owner = grid.values_at(of_cell, points)
            np.maximum.at(deepest, owner[owner >= 0], off[owner >= 0])
    signed = np.where(np.array(kinds) == "excess", volume, -volume)
    named = np.flatnonzero(signed >= max(least_mm3, 1e-9))
    named = named[np.argsort(-signed[named], kind="stable")]
    found = []
    renumber = np.full(len(kinds) + 1, -1, dtype=np.int64)
    for number, place in enumerate(named.tolist()):
        renumber[place] = number
        cells = np.argwhere(of_cell == place)
        weight = np.clip(
            differs[tuple(cells.T)] * (1.0 if kinds[place] == "excess" else -1.0), 0.0, None
        )
        middles = grid.middles_mm(cells)
        heavy = weight > 0.02 * weight.max()
        half = CELL_MM / 2.0
        found.append(
            WaxPlace(
                kind=kinds[place],
                volume_mm3=float(signed[place]),
                depth_mm=float(deepest[place]),
                at_mm=_point(np.average(middles, axis=0, weights=weight)),
                low_mm=_point(middles[heavy].min(axis=0) - half),
                high_mm=_point(middles[heavy].max(axis=0) + half),
                region=plan.regions.names[_mostly(region_of[tuple(cells.T)], weight)],
                part=([part.name for part in plan.parts] + ["elsewhere"])[
                    _mostly(part_of[tuple(cells.T)], weight)
                ],
            )
        )
    return found, len(kinds) - len(named), renumber[of_cell]


def _mostly(of: Ints, weight: Floats) -> int:
    """The label that holds most of the weight; -1 counts as one."""
    return int(np.bincount(of + 1, weight).argmax()) - 1


def _point(values: Floats) -> Place:
    return float(values[0]), float(values[1]), float(values[2])


# --- solids ----------------------------------------------------------------------------------
def _cut_out(
    plan: Plan,
    laid: Laid,
    grid: Grid,
    differs: Floats,
    places: list[WaxPlace],
    of_place: Ints,
) -> tuple[list[WaxPlace], Checked | None]:
    """The places with their solids, and what the scan differs by there, by cutting."""
    around = (of_place >= 0) & (of_place < _SOLIDS_MOST)
    if laid.solid is None or not around.any():
        return places, None
    film_mm = max(_FILM_MM, _FILM_SCATTERS * laid.fit.rms_mm)
    try:
        # what is taken away reaches beyond the zone: it would share the zone's walls otherwise
        zone, wide = (grid.solid_of(np.argwhere(grown(around, more))) for more in (0, 1))
        model, scan = Solid.from_mesh(plan.model), laid.solid
        planned, actual = model ^ zone, scan ^ zone
        pieces = {
            "excess": _pieces((actual - (model ^ wide)).mesh(), grid, of_place, film_mm),
            "missing": _pieces((planned - (scan ^ wide)).mesh(), grid, of_place, film_mm),
        }
    except KernelError:
        return places, None
    found = []
    for number, place in enumerate(places):
        own = pieces[place.kind].get(number)
        found.append(place if own is None else replace(place, mesh=joined(own)))
    checked = Checked(
        by_lines_mm3=float(differs[around].sum()),
        by_cutting_mm3=actual.volume_mm3 - planned.volume_mm3,
    )
    return found, checked


def _pieces(mesh: Mesh, grid: Grid, of_place: Ints, film_mm: float) -> dict[int, list[Mesh]]:
    """Connected pieces by the place that most of their surface is in; films are left out."""
    if not mesh.triangle_count:
        return {}
    piece = mesh.face_components()
    count = int(piece.max()) + 1
    area = np.bincount(piece, mesh.face_areas_mm2)
    corners = mesh.corners - mesh.centre
    volume = np.bincount(
        piece,
        np.einsum("ij,ij->i", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])) / 6.0,
    )
    at = grid.values_at(of_place, mesh.face_centres)
    highest = int(of_place.max()) + 1
    table = np.zeros((count, highest + 1))
    np.add.at(table, (piece, at + 1), mesh.face_areas_mm2)
    owner = table[:, 1:].argmax(axis=1) if highest else np.zeros(count, dtype=np.int64)
    held = table[:, 1:].sum(axis=1) > 0.0 if highest else np.zeros(count, dtype=bool)
    # twice the volume over the area is the thickness of a thin sheet
    thick = 2.0 * volume > film_mm * area
    found: dict[int, list[Mesh]] = {}
    for number in np.flatnonzero(held & thick).tolist():
        found.setdefault(int(owner[number]), []).append(mesh.part(piece == number))
    return found
