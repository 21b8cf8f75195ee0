"""Tripod marks: three points at one height of the locked spindle, from which a cast is put back.

Of all triangles that can be marked at one height, the one is taken whose least height is largest:
one mark read wrong by ``dz`` tilts the cast by ``atan(dz / h)``, h the triangle's height over the
side opposite to it, so that the largest least height leaves the smallest error whichever mark is
read wrong (and three wrong at once do no more than twice that). Marks lie on soft tissue where
teeth are known and tissue offers a triangle that is wide enough, as on the bench.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from blockout.case.recording_settings import RecordingSettings
from blockout.cast.cast import Cast
from blockout.cast.change import place_of
from blockout.errors import InputError
from blockout.kernel.rays import RayScene
from blockout.mesh import Bools, Floats, Ints, Mesh
from blockout.progress import Progress, silent
from blockout.recording.triangle import TiltError, heights_of, tilt_error
from blockout.surveying.lines import level_segments
from blockout.surveying.path import InsertionPath
from blockout.tolerances import TOLERANCES, Tolerances

if TYPE_CHECKING:
    from blockout.teeth.crowns import Teeth

STEEPEST_DEG: Final = 60.0
"""Surface steeper than this runs past a spindle's tip: a mark on it is hardly at one height."""
EVEN_SHARE: Final = 0.25
"""Across a mark the surface bulges or sinks by no more than this share of an engraved mark's
depth, so that it is as deep at its middle as at its rim."""
_STEP_MM: Final = 0.5
_FINE_STEP_MM: Final = 0.1
_COARSE_POINTS: Final = 40
_FINE_POINTS: Final = 24
_FINE_REACH_MM: Final = (4.0, 1.5, 0.5)
_AROUND: Final = 8


@dataclass(frozen=True, eq=False)
class Tripod:
    """Three marks that record one path.

    Parameters
    ----------
    path : InsertionPath
    marks_mm : (3, 3) float
        On the scanned surface, file coordinates.
    face : (3,) int
        The cast's face that each lies on.
    height_mm : float
        Of all three, along the path, over the lowest point of the cast as it stands.
    spans_mm : (3,) float
        Distances of marks 1 and 2, 2 and 3, 3 and 1.
    heights_mm : (3,) float
        Of the triangle over the side opposite to each mark.
    error : TiltError
    on_tissue : bool or None
        Whether all three lie on soft tissue; None where no teeth are known.
    notes : tuple of str
    """

    path: InsertionPath
    marks_mm: Floats
    face: Ints
    height_mm: float
    spans_mm: Floats
    heights_mm: Floats
    error: TiltError
    on_tissue: bool | None
    notes: tuple[str, ...] = ()


def place_tripod(
    cast: Cast,
    path: InsertionPath,
    *,
    settings: RecordingSettings | None = None,
    teeth: Teeth | None = None,
    design_mm: ArrayLike = (),
    design_faces: Bools | None = None,
    progress: Progress = silent,
    tolerances: Tolerances = TOLERANCES,
) -> Tripod:
    """Find the three marks.

    Parameters
    ----------
    cast : Cast
    path : InsertionPath
    settings : RecordingSettings
    teeth : Teeth, optional
        Told from tissue where they are known.
    design_mm : (k, 3), optional
        Points of arms, reliefs, beads and the like; marks keep ``keep_away_mm`` from each.
    design_faces : (m,) bool, optional
        Faces of the cast that belong to the design.

    Raises
    ------
    InputError
        At no height are there three places that are wide enough apart; the best is told.
    """
    settings = settings or RecordingSettings()
    progress("looking for tripod marks")
    off_design = _clear_of_design(cast, settings, design_mm, design_faces)
    free = off_design & _reachable(cast, path, settings, tolerances)
    tissue = None if teeth is None else np.asarray(teeth.tooth_of_face) == 0
    tried: list[tuple[bool | None, Bools]] = [(None, free)]
    if tissue is not None:
        tried = [(True, free & tissue), (False, free)]
    best: _Found | None = None
    for on_tissue, allowed in tried:
        found = _widest(cast, path, allowed)
        if found is not None and (best is None or found.least_mm > best.least_mm):
            best = found
        if found is not None and found.least_mm >= settings.least_span_mm:
            return _tripod(cast, path, found, on_tissue, settings)
    raise _none(cast, best, free, off_design, settings)


@dataclass(frozen=True, eq=False)
class _Found:
    points_mm: Floats
    face: Ints
    height_mm: float
    least_mm: float


def _tripod(
    cast: Cast,
    path: InsertionPath,
    found: _Found,
    on_tissue: bool | None,
    settings: RecordingSettings,
) -> Tripod:
    # from the front on, turning as the clock does when seen from above
    flat = found.points_mm - found.points_mm.mean(axis=0)
    front = flat @ cast.frame.front
    side = flat @ np.cross(cast.frame.front, path.direction)
    order = np.argsort(np.arctan2(side, front))
    order = np.roll(order, -int(np.argmax(front[order])))
    marks, face = found.points_mm[order], found.face[order]
    notes = []
    if on_tissue is None:
        notes.append("no teeth are named, so tissue was not told from teeth; marks may lie on both")
    elif on_tissue is False:
        notes.append("tissue alone offers no three marks wide enough apart; some lie on teeth")
    lowest_mm = float((cast.mesh.vertices @ path.direction).min())
    return Tripod(
        path=path,
        marks_mm=marks,
        face=face,
        height_mm=float(found.height_mm) - lowest_mm,
        spans_mm=np.linalg.norm(np.roll(marks, -1, axis=0) - marks, axis=1),
        heights_mm=heights_of(marks, path.direction),
        error=tilt_error(marks, path.direction, reading_error_mm=settings.reading_error_mm),
        on_tissue=on_tissue,
        notes=tuple(notes),
    )


# --- where a mark may lie ------------------------------------------------------------------------
def _clear_of_design(
    cast: Cast, settings: RecordingSettings, design_mm: ArrayLike, design_faces: Bools | None
) -> Bools:
    """(m,) scanned faces that lie far enough from the design and from the scan's border."""
    mesh = cast.mesh
    away_mm = max(settings.keep_away_mm, settings.mark_diameter_mm / 2.0)
    named = ~cast.scanned
    if design_faces is not None:
        named = named | design_faces
    keep = np.zeros(len(mesh.vertices), dtype=bool)
    keep[mesh.faces[named].reshape(-1)] = True
    near_scan = np.zeros(len(mesh.vertices), dtype=bool)
    near_scan[mesh.faces[cast.scanned].reshape(-1)] = True
    if design_faces is not None:
        near_scan[mesh.faces[design_faces].reshape(-1)] = True
    # of the base only its border with the scan matters
    points = [mesh.vertices[keep & near_scan], np.asarray(design_mm, np.float64).reshape(-1, 3)]
    clear: Bools = cast.scanned & ~named
    all_points = np.concatenate(points)
    if len(all_points):
        face = np.flatnonzero(clear)
        off_mm, _ = cKDTree(all_points).query(mesh.face_centres[face], distance_upper_bound=away_mm)
        clear[face[off_mm < away_mm]] = False
    return clear


def _reachable(
    cast: Cast, path: InsertionPath, settings: RecordingSettings, tolerances: Tolerances
) -> Bools:
    """(m,) faces that look up and are even over a mark's width, and with all of it seen from above:
    one viewpoint far along the path sees all three marks.
    """
    mesh, up = cast.mesh, path.direction
    flattest = float(np.cos(np.radians(STEEPEST_DEG)))
    face = np.flatnonzero(cast.scanned & (mesh.face_normals @ up > flattest))
    scene = RayScene(mesh)
    seen = ~scene.blocked(mesh.face_centres[face], up, beyond_mm=tolerances.ray_margin_mm)
    face = face[seen]
    radius_mm = settings.mark_diameter_mm / 2.0
    bulge_mm = EVEN_SHARE * settings.mark_depth_mm
    # over the mark's rim nothing stands higher than the steepest surface that may be marked
    rise_mm = radius_mm * float(np.tan(np.radians(STEEPEST_DEG))) + bulge_mm
    for turn in np.arange(_AROUND // 2) * (2.0 * np.pi / _AROUND):
        aside = radius_mm * np.array([np.cos(turn), np.sin(turn), 0.0]) @ path.to_path
        middle = mesh.face_centres[face]
        sides = [middle + aside, middle - aside]
        stands_mm = [
            rise_mm - scene.first_hit(side + rise_mm * up, -up).distance_mm for side in sides
        ]
        even = np.abs(stands_mm[0] + stands_mm[1]) / 2.0 <= bulge_mm
        for side in sides:
            even &= ~scene.blocked(side, up, beyond_mm=rise_mm)
        face = face[even]
    reachable = np.zeros(mesh.triangle_count, dtype=bool)
    reachable[face] = True
    return reachable


# --- the widest triangle -------------------------------------------------------------------------
def _widest(cast: Cast, path: InsertionPath, allowed: Bools) -> _Found | None:
    """The triangle of largest least height among all heights; None where no height has three
    places.
    """
    face = np.flatnonzero(allowed)
    if len(face) < 3:
        return None
    levels = _Levels(cast.mesh.part(allowed), face, path.direction)
    low, high = levels.range_mm
    coarse = [
        _best_at(levels, height, _COARSE_POINTS)
        for height in np.arange(low + _STEP_MM / 2.0, high, _STEP_MM)
    ]
    several = sorted((one for one in coarse if one is not None), key=lambda one: -one.least_mm)
    if not several:
        return None
    best = several[0]
    for start in several[:3]:
        refined = start
        steps = np.arange(-_STEP_MM / 2.0, _STEP_MM / 2.0 + 1e-9, _FINE_STEP_MM)
        for height in start.height_mm + steps:
            here = start
            for reach_mm in _FINE_REACH_MM:
                finer = _best_at(levels, float(height), _FINE_POINTS, near=here, reach_mm=reach_mm)
                if finer is None:
                    break
                here = finer
            if here.least_mm > refined.least_mm:
                refined = here
        best = refined if refined.least_mm > best.least_mm else best
    return best


class _Levels:
    """Level lines of the surface that may be marked."""

    def __init__(self, surface: Mesh, face: Ints, direction: Floats) -> None:
        self._face = face
        self._corners = surface.corners
        self._values = (surface.vertices @ direction)[surface.faces]
        self._low = self._values.min(axis=1)
        self._high = self._values.max(axis=1)
        self.direction = direction

    @property
    def range_mm(self) -> tuple[float, float]:
        return float(self._low.min()), float(self._high.max())

    def at(self, height_mm: float) -> tuple[Floats, Ints]:
        """(k, 3) places at one height, one on each face passed, and the cast's faces."""
        passed = (self._low < height_mm) & (self._high >= height_mm)
        row = np.flatnonzero(passed)
        part = Mesh(self._corners[row].reshape(-1, 3), np.arange(3 * len(row)).reshape(-1, 3))
        pieces = level_segments(part, self._values[row], height_mm)
        return pieces.ends_mm.mean(axis=1), self._face[row[pieces.face[:, 0]]]


def _best_at(
    levels: _Levels,
    height_mm: float,
    most: int,
    *,
    near: _Found | None = None,
    reach_mm: float = 0.0,
) -> _Found | None:
    """The best triangle at one height among ``most`` places that stand for all, or near each
    corner of an earlier one.
    """
    points, face = levels.at(height_mm)
    if len(points) < 3:
        return None
    if near is None:
        sets = [_spread(points, most)] * 3
    else:
        sets = []
        for corner in near.points_mm:
            off_mm = np.linalg.norm(points - corner, axis=1)
            close = np.flatnonzero(off_mm <= reach_mm)
            if not len(close):
                return None
            sets.append(close[_spread(points[close], most)])
    a, b, c = (points[rows] for rows in sets)
    least = _least_heights(a, b, c, levels.direction)
    pick = np.unravel_index(int(least.argmax()), least.shape)
    rows = np.array([one[k] for one, k in zip(sets, pick, strict=True)])
    least_mm = float(least[pick])
    return _Found(points[rows], face[rows], height_mm, least_mm) if least_mm > 0.0 else None


def _spread(points: Floats, most: int) -> Ints:
    """Rows of at most ``most`` points, each as far from the earlier ones as can be."""
    if len(points) <= most:
        return np.arange(len(points))
    far = int(np.linalg.norm(points - points.mean(axis=0), axis=1).argmax())
    rows = [far]
    off_mm = np.linalg.norm(points - points[far], axis=1)
    for _ in range(most - 1):
        rows.append(int(off_mm.argmax()))
        off_mm = np.minimum(off_mm, np.linalg.norm(points - points[rows[-1]], axis=1))
    return np.array(rows)


def _least_heights(a: Floats, b: Floats, c: Floats, direction: Floats) -> NDArray[np.float64]:
    """(i, j, k) least height of every triangle with a corner in each set, all at one height."""
    ab = b[None, :] - a[:, None]
    ac = c[None, :] - a[:, None]
    bc = c[None, :] - b[:, None]
    square = np.cross(ab, direction)
    twofold = np.abs(np.einsum("ijx,ikx->ijk", square, ac))
    longest = np.maximum(
        np.maximum(np.linalg.norm(ab, axis=2)[:, :, None], np.linalg.norm(ac, axis=2)[:, None, :]),
        np.linalg.norm(bc, axis=2)[None, :, :],
    )
    least: NDArray[np.float64] = twofold / np.maximum(longest, 1e-12)
    return least


def _none(
    cast: Cast, best: _Found | None, free: Bools, off_design: Bools, settings: RecordingSettings
) -> InputError:
    if best is None:
        return InputError(
            "no three places at one height can be marked on this cast",
            measured=f"{int(off_design.sum())} scanned faces lie clear of the design, "
            f"{int(free.sum())} of them are seen from above and not too steep",
            where=cast.source.name,
            fix="Lower keep_away_mm with --keep-away, or choose another path.",
        )
    return InputError(
        "no three places at one height are wide enough apart for tripod marks",
        measured=f"the widest triangle is {best.least_mm:.1f} mm high at the least, "
        f"{settings.least_span_mm:g} mm needed",
        where=cast.source.name,
        places_mm=[place_of(point) for point in best.points_mm],
        fix="Lower keep_away_mm with --keep-away, or accept a narrower triangle with "
        "--least-span; its error of tilt is told.",
    )
